"""Typing records: columns for a grid, lines turned into records, and where each line lies on the wall."""
