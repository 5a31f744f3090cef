"""Invented houses with water in them, and a surveyor who looks at them: the truth to test findings against.

Nothing here knows how findings are made. Water moves by physics written out afresh, the surveyor has
habits and blind spots, and what comes out is a site like any other, with the truth beside it.
"""
