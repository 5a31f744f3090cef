"""The pages: they show and edit, and never compute."""
