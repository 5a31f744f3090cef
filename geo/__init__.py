"""The computing core: it never draws a page and never imports the app."""
