"""Reports from one source of words: the full bundle and the plain letter, as PDF and as HTML."""
