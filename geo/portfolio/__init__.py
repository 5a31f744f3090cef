"""Many homes: what happened in each, what is due, what comes back, what an estate shares."""
