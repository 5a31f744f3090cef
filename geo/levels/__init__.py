"""Level books: reduced levels, their checks, what closes, and how sure each level is."""
