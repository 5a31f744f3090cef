"""The ground beside the walls: falls, clearance, ponding, what drains to them."""
