"""Reference data that ships with the tool: limits, methods and words, each with its source."""
