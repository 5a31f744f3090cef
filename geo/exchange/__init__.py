"""Findings out, in open formats."""
