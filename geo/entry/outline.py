"""An outline typed as it is taped: lengths and turns, walked clockwise seen from above."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from geo.errors import GeometryError
from geo.reference import Reference

PIECE = re.compile(
    r"\s*(?:(?P<length>\d+(?:\.\d+)?)(?:\s*m)?|(?P<turn>[rl])(?P<angle>\d+(?:\.\d+)?)?)\s*[,;]?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """An outline by tape.

    Parameters
    ----------
    polygon
        In the site's grid, the first corner where it was asked to be.
    misclosure_m, allowed_m
        How far the last wall ended from the first corner as typed, and how far it may.
    lengths_m
        As typed.
    """

    polygon: Polygon
    misclosure_m: float
    allowed_m: float
    lengths_m: tuple[float, ...]


def outline_from_tapes(
    typed: str,
    *,
    ref: Reference,
    first_bearing_deg: float = 0.0,
    start: tuple[float, float] = (0.0, 0.0),
) -> Outline:
    """Return the outline that lengths and turns make.

    Parameters
    ----------
    typed
        Lengths in metres with turns between: ``9.40 r 6.20 r 9.40 r 6.20``. ``r`` turns right by 90°,
        ``l`` left, ``r45`` by another angle. The turn back into the first wall may be left out, and so may
        the last length, which then follows from the others.
    first_bearing_deg
        Direction one walks along the first wall, clockwise from grid north.
    start
        First corner, easting and northing.

    Raises
    ------
    GeometryError
        When it cannot be read, does not close within the allowance, or crosses itself.

    Notes
    -----
    What is left over at the first corner is shared out among the walls in proportion to their lengths
    (Bowditch's rule), if it is within ``perimeter.closure_fixed_m`` and ``perimeter.closure_share``.
    """
    lengths, turns = _read(typed)
    bearing = math.radians(first_bearing_deg)
    headings = []
    for turn in [0.0, *turns[: len(lengths) - 1]]:
        bearing += math.radians(turn)
        headings.append(bearing)
    steps = np.column_stack([np.sin(headings), np.cos(headings)]) * np.array(lengths)[:, None]
    left = -steps.sum(axis=0)
    whole = float(sum(lengths))
    allowed = ref.value("perimeter.closure_fixed_m") + ref.value("perimeter.closure_share") * whole
    gap = float(np.hypot(*left))
    if gap > allowed and len(turns) == len(lengths):
        heading = bearing + math.radians(turns[-1])
        along = float(left @ np.array([math.sin(heading), math.cos(heading)]))
        aside = float(abs(left @ np.array([math.cos(heading), -math.sin(heading)])))
        if along > 0 and aside <= allowed:
            steps, lengths, gap = np.vstack([steps, left]), [*lengths, along], aside
            left = np.zeros(2)
    if gap > allowed:
        raise GeometryError(
            f"the last wall ends {gap:.2f} m from the first corner; at most {allowed:.2f} m may be shared"
            " out. Tape again, or look at the turns"
        )
    shares = np.array(lengths) / sum(lengths)
    corners = np.array(start) + np.vstack(
        [np.zeros(2), np.cumsum(steps + shares[:, None] * left, axis=0)[:-1]]
    )
    polygon = shapely.Polygon(corners)
    if not polygon.is_valid or polygon.area == 0:
        raise GeometryError("the walls cross each other: look at the turns")
    return Outline(polygon=polygon, misclosure_m=gap, allowed_m=allowed, lengths_m=tuple(lengths))


def _read(typed: str) -> tuple[list[float], list[float]]:
    """Return lengths and the turns after them, degrees to the right."""
    lengths: list[float] = []
    turns: list[float] = []
    at = 0
    text = typed.strip()
    while at < len(text):
        found = PIECE.match(text, at)
        if found is None or found.end() == at:
            raise GeometryError(
                f"{text[at : at + 12]!r} is neither a length in metres nor a turn (r, l, r45)"
            )
        at = found.end()
        if found["length"] is not None:
            if len(turns) < len(lengths):
                raise GeometryError(
                    f"between {lengths[-1]:g} and {found['length']} a turn is missing: r or l"
                )
            lengths.append(float(found["length"]))
            if lengths[-1] <= 0:
                raise GeometryError("a wall of no length")
        else:
            if len(turns) >= len(lengths):
                raise GeometryError(f"the turn {found[0].strip()!r} has no wall before it")
            turns.append((1 if found["turn"].lower() == "r" else -1) * float(found["angle"] or 90.0))
    if len(lengths) < 3:
        raise GeometryError("an outline needs three lengths at least")
    return lengths, turns
