"""The words of the answers: short in the tables, whole sentences for people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from geo.verdict import NOT_KNOWN

WORDS = ("toward", "away", "level", "party", NOT_KNOWN)
SPOTS = ("yes", "none", NOT_KNOWN)
NONE, PARTY, NO_TILE, TILE_FAULT, NO_HEIGHT, FEW_CELLS, FEW_DISTANCES, WITHIN_ERROR, PERHAPS_LEVEL = range(9)
MISSING, NO_OUTLINE, CROSSED, TOO_SMALL, TWICE, NO_FREE_WALL = range(9, 15)
REASONS = (
    "",
    "a party wall has no outside",
    "no tile reaches the ground here",
    "the tile of the ground here cannot be read",
    "the tile holds no height here",
    "too few clean cells beside the wall",
    "clean cells at too few distances from the wall",
    "the raster cannot resolve a fall as small as this here",
    "may be called level or not",
    "there is no outline",
    "the shape is no outline: a polygon is needed",
    "the outline crosses itself",
    "the outline has fewer than three corners",
    "the same outline stands earlier in the file",
    "every wall is a party wall",
)
SETTLE = (
    "", "", "Get the tile that covers the home.", "Copy the tile again.", "Get a tile with heights here.",
    "Two levels with a staff: at the wall and 1.5 m out.",
    "Two levels with a staff: at the wall and 1.5 m out.",
    "Two levels with a staff: at the wall and 1.5 m out.",
    "Two levels with a staff: at the wall and 1.5 m out.",
    "Draw the outline.", "Draw the outline.", "Draw the outline again.", "Draw the outline again.",
    "Take one of the two out.", "",
)  # fmt: skip
OF_STATE = np.array([NONE, MISSING, NO_OUTLINE, CROSSED, TOO_SMALL, TWICE], dtype=np.int8)
CAUTION = (
    "From a ground model only: it says which side is uphill and where the ground surely falls to a wall."
    " It cannot say whether a damp proof course is clear of the ground, nor how paving is laid."
)


def wall_said(wall: Mapping[str, Any]) -> str:
    """Return one sentence on one wall, a row of the table of walls."""
    which = f"Face F{wall['face']}"
    if wall["verdict"] == "party":
        return f"{which}: {wall['reason']}."
    settle = SETTLE[REASONS.index(wall["reason"])] if wall["reason"] else ""
    if not np.isfinite(wall["fall_percent"]):
        return f"{which}: not known, {wall['reason']}. {settle}".strip()
    band = wall["high_percent"] - wall["fall_percent"]
    fall = f"{wall['fall_percent']:+.1f} % ± {band:.1f} %"
    if wall["verdict"] == NOT_KNOWN:
        return f"{which}: not known, {fall}: {wall['reason']}. {settle}".strip()
    word = {
        "toward": "the ground falls to the wall",
        "away": "the ground falls away",
        "level": "the ground is level",
    }
    return f"{which}: {word[wall['verdict']]}, {fall}."


def home_said(home: Mapping[str, Any]) -> list[str]:
    """Return sentences on one home, a row of the table of homes."""
    if not home["examined"]:
        settle = SETTLE[REASONS.index(home["reason"])]
        return [f"Not known: {home['reason']}. {settle}".strip()]
    lengths = [
        (word, float(home[f"{word.replace(' ', '_')}_m"])) for word in ("toward", "away", "level", NOT_KNOWN)
    ]
    told = ", ".join(f"{word} {metres:.1f} m" for word, metres in lengths if metres > 0)
    lines = [f"Fall of the ground by length of free wall: {told or 'no free wall'}."]
    if np.isfinite(home["uphill_m2"]):
        least = "at least " if home["uphill_at_least"] else ""
        lines.append(f"{least}{home['uphill_m2']:.0f} m² of ground drain to its walls.".capitalize())
    else:
        lines.append("The ground that drains to it is not known: no height beside its walls.")
    if np.isfinite(home["hill_bearing_deg"]):
        lines.append(
            f"The hill rises {home['hill_percent']:.1f} % toward {home['hill_bearing_deg']:.0f}° (grid)."
        )
    if home["low_spot"] == "yes":
        lines.append(f"A low spot {home['low_spot_m']:.2f} m deep touches its walls.")
    elif home["low_spot"] == NOT_KNOWN:
        lines.append("Whether a low spot touches its walls is not known.")
    return [*lines, CAUTION]
