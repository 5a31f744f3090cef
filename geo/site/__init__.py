"""The records of a site: one declaration each, and the folder they live in."""
