"""Colours, type and symbols, defined once for the app, the map and the drawings.

One hue from light to dark says how wet; number and symbol say it again, so that a grey print and a
colour-blind reader lose nothing. Nothing is red for bad or green for good.
"""

from __future__ import annotations

import math

INK = "#1f2a30"
SOFT_INK = "#5b6870"
PAPER = "#fbfaf7"
PANEL = "#f0eee8"
RULE = "#c9c6bc"
FAINT = "#e4e1d8"
ACCENT = "#27566b"
BRICK = "#b98a6b"
BRICK_LIGHT = "#ead9cb"
NEIGHBOUR = "#d6d4cd"
EARTH = "#8a7a5c"
COURSE = "#5a3d6b"
DRAIN = "#3f4a55"
POND = "#7fa9c4"
HATCH = "#8d8f8c"

WET_STEPS = ("#eef3f6", "#c9dce6", "#93b9cd", "#5d9abc", "#2a6588", "#123f5c")
"""Wetness, driest to wettest: one hue, evenly darker."""
EXCESS_ENDS = (0.0, 2.0, 3.0, 6.0, 12.0)
"""Excess over control, robust sigmas, at which the next step begins."""

FONT = "DejaVu Sans, Verdana, Segoe UI, sans-serif"
MONO = "DejaVu Sans Mono, Consolas, monospace"

STREAMLIT_THEME = {
    "base": "light",
    "primaryColor": ACCENT,
    "backgroundColor": PAPER,
    "secondaryBackgroundColor": PANEL,
    "textColor": INK,
    "font": "sans-serif",
    "baseRadius": "0.25rem",
}

SYMBOLS = {"gully": "square", "downpipe": "ring", "soakaway": "diamond", "chamber": "box", "waste": "ring"}
LETTERS = {"gully": "G", "downpipe": "D", "soakaway": "S", "chamber": "C"}
RUN_DASH = {"foul": "", "surface": "10 5", "combined": "14 4 3 4", "not_known": "2 5"}
VERDICT_SIGN = {
    "toward": "▼",
    "away": "▲",
    "level": "=",
    "not known": "?",
    "party": "–",
    "clear": "✓",
    "short": "!",
}


def wet_colour(excess: float, rank: float = math.nan) -> str:
    """Return the colour of a reading by its excess over control, or, without a control, by its rank.

    Parameters
    ----------
    excess
        Robust sigmas over control; NaN without one.
    rank
        0 to 1 within the reading's own group.
    """
    if math.isfinite(excess):
        return WET_STEPS[sum(excess > end for end in EXCESS_ENDS)]
    if math.isfinite(rank):
        return WET_STEPS[min(len(WET_STEPS) - 1, int(rank * len(WET_STEPS)))]
    return PAPER


def ink_on(colour: str) -> str:
    """Return the ink that can be read on a colour."""
    r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return PAPER if 0.299 * r + 0.587 * g + 0.114 * b < 128 else INK
