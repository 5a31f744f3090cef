"""Drying: fixed points read again and again, the goal they have to reach, and what may follow when."""
