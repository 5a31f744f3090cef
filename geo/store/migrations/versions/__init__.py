"""One file a step, in the order they name each other."""
