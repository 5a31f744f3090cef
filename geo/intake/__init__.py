"""Bring anybody's files in: look, ask what is not said, check everything, then all of it or nothing."""
