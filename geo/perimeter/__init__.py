"""The perimeter: faces, chainage, positions, and what belongs to which wall."""
