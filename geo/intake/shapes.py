"""Make drawn shapes what a record needs: one outline, one line, one place."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geo.errors import Problem
from geo.intake.sheet import Sheet

Shapes = npt.NDArray[Any]
SAME_AREA = 1e-6
"""An outline mended without its area changing by more than this share was only drawn clumsily."""


def joined(
    sheet: Sheet, shapes: Shapes, *, close_m: float, want_closed: bool
) -> tuple[Sheet, Shapes, list[str]]:
    """Join open lines that meet end to end, each chain with the attributes of its first piece.

    Three lines that meet at a point are a branch and stay apart there, as do lines that are closed
    already. Only lines whose attributes, ids apart, do not tell them apart are joined when they are not
    wanted closed.

    Parameters
    ----------
    sheet, shapes
        Attributes and shapes, row for row.
    close_m
        Ends nearer than this are one.
    want_closed
        Whether outlines are wanted; otherwise only pieces of a drawing (``what`` = ``line``) are joined.
    """
    kinds = shapely.get_type_id(shapes)
    rings = np.array(
        [one is not None and one.geom_type == "LineString" and _closed(one, close_m) for one in shapes],
        dtype=bool,
    )
    pieces = (kinds == 1) & ~rings
    if not want_closed:
        what = (
            np.array(sheet.column("what"), dtype=object)
            if "what" in sheet.header
            else np.full(len(shapes), "", dtype=object)
        )
        pieces &= (what == "line") | (what == "arc")
    if pieces.sum() < 2:
        return sheet, shapes, []
    at = np.flatnonzero(pieces)
    snapped = _snapped_ends(shapes[at], close_m)
    merged = shapely.line_merge(shapely.multilinestrings(snapped))
    chains = shapely.get_parts(merged)
    if len(chains) == len(at):
        return sheet, shapes, []
    middles = shapely.line_interpolate_point(snapped, 0.5, normalized=True)
    _, owner = shapely.STRtree(chains).query_nearest(middles, all_matches=False)
    first = {int(chain): int(at[piece]) for piece, chain in reversed(list(enumerate(owner.tolist())))}
    kept = [(number, shapes[number]) for number in range(len(shapes)) if not pieces[number]]
    kept += [(row, chains[chain]) for chain, row in first.items()]
    kept.sort(key=lambda one: one[0])
    rows = [row for row, _ in kept]
    out = np.array([shape for _, shape in kept], dtype=object)
    thinner = replace(
        sheet, rows=tuple(sheet.rows[row] for row in rows), numbers=tuple(sheet.numbers[row] for row in rows)
    )
    return thinner, out, [f"{len(at)} lines that meet end to end were joined into {len(first)}."]


def as_polygons(sheet: Sheet, shapes: Shapes, *, close_m: float) -> tuple[Shapes, list[Problem]]:
    """Return each shape as one outline that does not cross itself, and what cannot be one."""
    out = np.full(len(shapes), None, dtype=object)
    problems: list[Problem] = []
    for at, (shape, row) in enumerate(zip(shapes, sheet.numbers, strict=True)):
        outline, said = _polygon(shape, close_m)
        if said:
            problems.append(_bad(sheet, row, *said))
            continue
        mended, said, place = _mended(outline)
        if said:
            problems.append(_bad(sheet, row, *said))
        elif place:
            mend = "Look at that corner."
            problems.append(
                replace(
                    _bad(
                        sheet, row, f"was drawn clumsily at {place} and was mended", "a clean outline", mend
                    ),
                    severity="warning",
                )
            )
        out[at] = mended
    return out, problems


def as_single_lines(sheet: Sheet, shapes: Shapes) -> tuple[Shapes, list[Problem]]:
    """Return each shape as one line with a length, and what cannot be one."""
    out, problems = np.full(len(shapes), None, dtype=object), []
    for at, (shape, row) in enumerate(zip(shapes, sheet.numbers, strict=True)):
        one = _only_part(shape)
        if one is None or one.geom_type != "LineString":
            said = "has no shape" if one is None else f"is a {one.geom_type}"
            problems.append(_bad(sheet, row, said, "one line", "Draw one line for each."))
        elif one.length < 0.01:
            problems.append(
                _bad(sheet, row, "has no length", "a line of two points or more", "Draw it again.")
            )
        else:
            out[at] = one
    return out, problems


def as_points(sheet: Sheet, shapes: Shapes) -> tuple[Shapes, list[Problem]]:
    """Return each shape as one place, and what cannot be one."""
    out, problems = np.full(len(shapes), None, dtype=object), []
    for at, (shape, row) in enumerate(zip(shapes, sheet.numbers, strict=True)):
        one = _only_part(shape)
        if one is None or one.geom_type != "Point":
            said = "has no shape" if one is None else f"is a {one.geom_type}"
            problems.append(_bad(sheet, row, said, "one point", "Draw one point for each."))
        else:
            out[at] = one
    return out, problems


def _snapped_ends(lines: Shapes, close_m: float) -> Shapes:
    """Return lines whose ends nearer than ``close_m`` to each other are the same point."""
    ends = np.concatenate([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])
    xy = shapely.get_coordinates(ends)
    one, two = shapely.STRtree(ends).query(ends, predicate="dwithin", distance=close_m)
    lowest = np.arange(len(ends))
    for _ in range(len(ends)):  # ends in a row of neighbours all take the place of the first
        before = lowest.copy()
        np.minimum.at(lowest, one, lowest[two])
        if (before == lowest).all():
            break
    moved = xy[lowest]
    out = []
    half = len(lines)
    for at, line in enumerate(lines):
        corners = shapely.get_coordinates(line)
        corners[0], corners[-1] = moved[at], moved[half + at]
        out.append(shapely.LineString(corners))
    return np.array(out, dtype=object)


def _closed(line: Any, close_m: float) -> bool:
    ends = shapely.get_coordinates(line)
    return len(ends) >= 4 and float(np.hypot(*(ends[0] - ends[-1]))) <= close_m


def _only_part(shape: Any) -> Any:
    if shape is None or shape.is_empty:
        return None
    parts = shapely.get_parts(shape)
    return parts[0] if len(parts) == 1 else shape


def _polygon(shape: Any, close_m: float) -> tuple[Any, tuple[str, str, str] | None]:
    one = _only_part(shape)
    if one is None:
        return None, ("has no shape", "an outline", "Draw it.")
    if one.geom_type == "Polygon":
        return one, None
    if one.geom_type == "LineString":
        ends = shapely.get_coordinates(one)
        gap = float(np.hypot(*(ends[0] - ends[-1])))
        if gap > close_m:
            found = f"is a line whose ends are {gap:.3f} m apart at {ends[-1][0]:.3f}, {ends[-1][1]:.3f}"
            return None, (found, f"an outline that closes within {close_m:g} m", "Close it.")
        ring = ends[:-1] if len(ends) > 3 else ends
        if len(ring) < 3:
            return None, ("has fewer than three corners", "an outline", "Draw it again.")
        return shapely.Polygon(ring), None
    return None, (f"is a {one.geom_type}", "one outline", "Draw one outline for each.")


def _mended(outline: Any) -> tuple[Any, tuple[str, str, str] | None, str]:
    """Return an outline made valid where that changes nothing, or the place where it crosses itself."""
    if outline.is_valid and outline.area > 0:
        return outline, None, ""
    reason = shapely.is_valid_reason(outline)
    place = reason.partition("[")[2].rstrip("]").replace(" ", ", ")
    made = shapely.get_parts(shapely.make_valid(outline))
    areas = [part for part in made if part.geom_type == "Polygon" and part.area > 0]
    whole = abs(_ring_area(outline))
    if len(areas) == 1 and whole > 0 and abs(areas[0].area - whole) <= SAME_AREA * whole:
        return areas[0], None, place
    found = f"crosses or touches itself at {place}" if place else "has no area"
    return None, (found, "an outline that does not cross itself", "Move the corner named."), ""


def _ring_area(outline: Any) -> float:
    """Return the area by the corners alone, holes taken off, whatever is wrong with the outline."""
    rings = [outline.exterior, *outline.interiors]
    areas = []
    for ring in rings:
        x, y = shapely.get_coordinates(ring).T
        x, y = x - x[0], y - y[0]
        areas.append(abs(float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])) / 2))
    return areas[0] - sum(areas[1:])


def _bad(sheet: Sheet, row: int, found: str, allowed: str, mend: str) -> Problem:
    return Problem(file=sheet.place, row=row, column="geometry", found=found, allowed=allowed, mend=mend)
