"""Repairs: their measured quantities, what holds them up, in which order, and what was done of them."""
