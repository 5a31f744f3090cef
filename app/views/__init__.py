"""One question a page."""
