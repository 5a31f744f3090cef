"""Pieces several pages share."""
