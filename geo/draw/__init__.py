"""Drawings: the map, the developed strip, the ring of falls."""
