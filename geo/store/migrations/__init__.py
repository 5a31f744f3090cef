"""The steps that bring a database from any older layout to the one in use."""
