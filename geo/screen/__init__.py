"""Many homes at once: what ground models say of the ground at their walls, tile by tile."""
