"""The strip's two panels: what stands, lies and is fixed at the wall, outside and inside, to level."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from geo import reference
from geo.draw.strip_sheet import LEFT, PANEL_PX, Sheet
from geo.draw.svg import shortened, spread
from geo.draw.theme import (
    ACCENT,
    COURSE,
    EARTH,
    FAINT,
    INK,
    NEIGHBOUR,
    PANEL,
    RULE,
    SOFT_INK,
    SYMBOLS,
    WET_STEPS,
)

BAND_PX = 15.0
TIER_PX = 20.0
STEP_M = 0.02
LEAST_OPENING = 0.08
SEEN_INSIDE = ("door", "window")
REPEAT_PX = 1150.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """One side of the wall on the sheet."""

    sheet: Sheet
    side: str
    top: float

    def y(self, level: float) -> float:
        """Return the height on the page of a level."""
        return self.sheet.levels.px(level, self.top)

    def own(self, table: Any) -> Any:
        """Return the rows of this ring."""
        return table[table["ring_key"] == self.sheet.ring_key]

    @property
    def foot(self) -> float:
        """Lower edge of the panel."""
        return self.top + PANEL_PX


def tiers(sheet: Sheet, side: str) -> list[tuple[int, Any]]:
    """Return the wet stretches of a side, each with the tier its bracket is drawn in."""
    own = sheet.scene.stretches
    own = own[(own["ring_key"] == sheet.ring_key) & (own["side"] == side)].sort_values("chainage_from_m")
    ends: list[float] = []
    found = []
    for row in own.itertuples():
        last = max(b for _, b in sheet.parts(row.chainage_from_m, row.chainage_to_m))
        room = max(row.chainage_from_m + 34 / sheet.scale, last)
        tier = next(
            (i for i, end in enumerate(ends) if row.chainage_from_m >= end + 2 / sheet.scale), len(ends)
        )
        ends[tier : tier + 1] = [room]
        found.append((tier, row))
    return found


def draw_panel(sheet: Sheet, side: str, top: float) -> None:
    """Draw one side of the wall to level."""
    panel = Panel(sheet=sheet, side=side, top=top)
    drawing, x, length = sheet.drawing, sheet.x, sheet.length
    drawing.group()
    drawing.rect(x(0), top, x(length) - x(0), PANEL_PX, fill=PANEL, stroke=RULE)
    drawing.words(16, top + 18, side.capitalize(), font_size=15, font_weight=700)
    drawing.words(16, top + 36, "levels in metres", font_size=10.5, fill=SOFT_INK)
    covered = panel.own(sheet.scene.coverage)
    for row in covered[covered["side"] == side].itertuples():
        said = f"read {row.read_m:.1f} of {row.readable_m:.1f} m"
        drawing.words(16, top + 52, said, font_size=10.5, fill=SOFT_INK)
    _grid(panel)
    _party(panel)
    clip = drawing.clip(side, x(0), top, x(length) - x(0), PANEL_PX)
    drawing.group(clip_path=clip)
    if side == "outside":
        _ground(panel)
    else:
        _floor(panel)
    _openings(panel)
    _courses(panel)
    drawing.group()
    sheet.unread(side, panel.foot - BAND_PX if side == "outside" else top, BAND_PX, words=True)
    if side == "outside":
        _assets(panel)
    else:
        _floor_name(panel)
    _brackets(panel)


def _grid(panel: Panel) -> None:
    sheet, levels = panel.sheet, panel.sheet.levels
    drawing = sheet.drawing
    if not levels.known:
        drawing.words(LEFT + 12, panel.top + 20, "no level was taken here", font_size=11, fill=SOFT_INK)
        return
    reach = levels.high - levels.low
    step = 0.1 if reach < 1.2 else 0.25 if reach < 3 else 1.0
    for level in np.arange(math.ceil(levels.low / step), math.floor(levels.high / step) + 1) * step:
        y = panel.y(float(level))
        drawing.line(sheet.x(0), y, sheet.x(sheet.length), y, stroke=FAINT, stroke_width=1)
        drawing.words(LEFT - 14, y + 3.5, f"{level:.2f}", font_size=10, text_anchor="end", fill=SOFT_INK)
        at = LEFT + REPEAT_PX
        while at < sheet.x(sheet.length) - 300 and y > panel.top + 12:
            drawing.words(at, y - 2, f"{level:.2f}", font_size=9, fill=SOFT_INK)
            at += REPEAT_PX


def _party(panel: Panel) -> None:
    """Grey out party walls, which have no outside; mark corners."""
    drawing, x, top = panel.sheet.drawing, panel.sheet.x, panel.top
    for face in panel.own(panel.sheet.scene.perimeter.faces).itertuples():
        a, b = x(face.chainage_from_m), x(face.chainage_to_m)
        if panel.side == "outside" and not face.outside:
            drawing.rect(a, top, b - a, PANEL_PX, fill=NEIGHBOUR, tip="party wall: it has no outside")
            said = "party: no outside" if b - a > 110 else "party"
            drawing.words(
                (a + b) / 2, top + PANEL_PX / 2, said, font_size=12, text_anchor="middle", fill=SOFT_INK
            )
        drawing.line(a, top, a, panel.foot, stroke=RULE, stroke_dasharray="2 3")


def _outside_parts(panel: Panel, start: float, end: float) -> list[tuple[float, float]]:
    """Return the parts of a chainage range that have an outside; on the inside, all of it."""
    if panel.side != "outside":
        return [(start, end)]
    joined: list[tuple[float, float]] = []
    for low, high in panel.sheet.outside:
        a, b = max(low, start), min(high, end)
        if joined and abs(a - joined[-1][1]) < 1e-6:
            joined[-1] = (joined[-1][0], b)
        elif b > a:
            joined.append((a, b))
    return joined


def _ground(panel: Panel) -> None:
    """Draw the ground at the wall with its range, only between levels near enough to each other."""
    sheet = panel.sheet
    drawing, x, length = sheet.drawing, sheet.x, sheet.length
    known = reference.default()
    near, reach = known.value("ground.wall_level_reach_m"), known.value("ground.level_reach_m")
    own = panel.own(sheet.scene.ground_levels)
    own = own[(own["offset_m"].abs() <= near) & own["level_m"].notna()].sort_values("chainage_m")
    points = own[["chainage_m", "level_m", "sigma_m"]].to_numpy(dtype=np.float64)
    if not len(points):
        return
    ring = np.vstack([points[-1:] - [length, 0, 0], points, points[:1] + [length, 0, 0]])
    for here, there in pairwise(ring):
        if there[0] - here[0] > 2 * reach or there[0] - here[0] < 1e-6:
            continue
        for a, b in _outside_parts(panel, max(0.0, here[0]), min(length, there[0])):
            (z0, z1), (e0, e1) = (np.interp([a, b], [here[0], there[0]], [here[k], there[k]]) for k in (1, 2))
            band = [(x(a), panel.y(z0 + 2 * e0)), (x(b), panel.y(z1 + 2 * e1))]
            band += [(x(b), panel.y(z1 - 2 * e1)), (x(a), panel.y(z0 - 2 * e0))]
            drawing.path(band, closed=True, fill=EARTH, fill_opacity=0.28, stroke="none")
            drawing.path([(x(a), panel.y(z0)), (x(b), panel.y(z1))], stroke=EARTH, stroke_width=2.6)
    for s, z, e in points:
        tip = f"ground at the wall {z:.3f} m ± {2 * e * 1000:.0f} mm, chainage {s:.2f}"
        drawing.line(x(s), panel.y(z - 2 * e), x(s), panel.y(z + 2 * e), stroke=EARTH, stroke_width=1.4)
        drawing.circle(x(s), panel.y(z), 3, fill=EARTH, tip=tip)


def _floor(panel: Panel) -> None:
    sheet = panel.sheet
    floor = _floor_level(panel)
    if sheet.levels.low < floor < sheet.levels.high:
        y, end = panel.y(floor), sheet.x(sheet.length)
        tip = f"finished floor {floor:.3f} m"
        sheet.drawing.line(sheet.x(0), y, end, y, stroke=INK, stroke_width=1.8, tip=tip)


def _floor_name(panel: Panel) -> None:
    """Write the floor's level beside the panel, where nothing else stands."""
    sheet, floor = panel.sheet, _floor_level(panel)
    if sheet.levels.low < floor < sheet.levels.high:
        at, y = sheet.x(sheet.length) + 8, panel.y(floor)
        sheet.drawing.words(at, y - 2, "floor", font_size=10)
        sheet.drawing.words(at, y + 10, f"{floor:.2f}", font_size=10)


def _floor_level(panel: Panel) -> float:
    building = str(panel.sheet.scene.perimeter.rings.loc[panel.sheet.ring_key, "building_id"])
    return float(panel.sheet.scene.floors.get(building, math.nan))


def _courses(panel: Panel) -> None:
    """Draw the damp proof course of this side, its steps, where it was not seen and where there is none."""
    leaves = ("outer", "solid") if panel.side == "outside" else ("inner", "solid")
    own = panel.own(panel.sheet.scene.dpc)
    for leaf, points in own[own["leaf"].isin(leaves)].groupby("leaf", sort=False):
        rows = list(points.sort_values("chainage_m", kind="stable").itertuples())
        for here, there in pairwise(rows):
            if there.chainage_m - here.chainage_m < STEP_M:
                _step(panel, here, there)
            else:
                for a, b in _outside_parts(panel, here.chainage_m, there.chainage_m):
                    _course(panel, str(leaf), here, there, a, b)
        first = next((row for row in rows if math.isfinite(row.level_m)), None)
        if first is not None:
            y = panel.y(first.level_m)
            below = panel.side == "inside" and 0 <= y - panel.y(_floor_level(panel)) < 20
            said = "DPC" if leaf == "solid" else f"{leaf} DPC"
            panel.sheet.drawing.words(
                panel.sheet.x(first.chainage_m) + 4, y + (14 if below else -6), said,
                font_size=10.5, font_weight=700, fill=COURSE,
            )  # fmt: skip


def _course(panel: Panel, leaf: str, here: Any, there: Any, a: float, b: float) -> None:
    drawing, x = panel.sheet.drawing, panel.sheet.x
    state = str(here.state).replace("_", " ")
    if not (math.isfinite(here.level_m) and math.isfinite(there.level_m)):
        if x(b) - x(a) > 80:
            said = "no DPC" if here.state == "absent" else "DPC: no level"
            words = {"font_size": 10, "text_anchor": "middle", "fill": COURSE}
            drawing.words((x(a) + x(b)) / 2, panel.top + 0.42 * PANEL_PX, said, tip=state, **words)
        return
    z = np.interp([a, b], [here.chainage_m, there.chainage_m], [here.level_m, there.level_m])
    (x1, y1), (x2, y2) = (x(a), panel.y(z[0])), (x(b), panel.y(z[1]))
    sigma = f" ± {2 * here.sigma_m * 1000:.0f} mm" if math.isfinite(here.sigma_m) else ""
    tip = f"{leaf} damp proof course {z[0]:.3f} to {z[1]:.3f} m{sigma}, {state}, {here.evidence}"
    if here.state == "absent":  # looked for and not there: crosses, never a line
        for at in np.arange(x1 + 6, x2 - 4, 22):
            y = float(np.interp(at, [x1, x2], [y1, y2]))
            drawing.path([(at - 3, y - 3), (at + 3, y + 3)], stroke=COURSE, tip=tip)
            drawing.path([(at - 3, y + 3), (at + 3, y - 3)], stroke=COURSE, tip=tip)
        return
    dash = "2 4" if here.state == "not_seen" else "8 3" if here.evidence != "seen" else None
    dash = "14 7" if here.state == "gap" else dash
    drawing.path([(x1, y1), (x2, y2)], stroke=COURSE, stroke_width=2.8, stroke_dasharray=dash, tip=tip)


def _step(panel: Panel, here: Any, there: Any) -> None:
    """Draw a step in the course and say whether its lap was seen."""
    if not (math.isfinite(here.level_m) and math.isfinite(there.level_m)):
        return
    drawing = panel.sheet.drawing
    at, y1, y2 = panel.sheet.x(here.chainage_m), panel.y(here.level_m), panel.y(there.level_m)
    lap = {"seen": "lap seen", "absent": "no lap"}.get(there.lap or here.lap, "lap not seen")
    drop = (there.level_m - here.level_m) * 1000
    tip = f"step of {drop:+.0f} mm at chainage {here.chainage_m:.2f}: {lap}"
    dash = None if lap == "lap seen" else "3 2"
    drawing.path([(at, y1), (at, y2)], stroke=COURSE, stroke_width=2.8, stroke_dasharray=dash, tip=tip)
    down = drop < 0  # the words stand in the quarter no line runs through
    drawing.words(
        at + (6 if down else -6), min(y1, y2) - 5, f"step, {lap}", font_size=10, fill=COURSE,
        text_anchor="start" if down else "end", tip=tip,
    )  # fmt: skip


def _openings(panel: Panel) -> None:
    """Draw openings; one whose sill is above the scale, or not known, is a bar at the top."""
    sheet = panel.sheet
    drawing, x, levels = sheet.drawing, sheet.x, sheet.levels
    own = panel.own(sheet.scene.openings)
    if panel.side == "inside":
        own = own[own["kind"].isin(SEEN_INSIDE)]
    shelf = panel.top + (BAND_PX + 3 if panel.side == "inside" else 30)
    for row in own.itertuples():
        kind = row.kind.replace("_", " ")
        sill = f"sill {row.sill_level_m:.3f} m" if math.isfinite(row.sill_level_m) else "sill level not taken"
        tip = f"{row.opening_id}: {kind}, {sill}, chainage {row.chainage_from_m:.2f}-{row.chainage_to_m:.2f}"
        high = not row.sill_level_m <= levels.high - LEAST_OPENING * (levels.high - levels.low)
        dash = None if math.isfinite(row.sill_level_m) else "3 2"
        head = min(row.head_level_m if math.isfinite(row.head_level_m) else levels.high, levels.high)
        top = shelf if high else max(panel.y(head), panel.top)
        foot = shelf + 14 if high else panel.y(max(row.sill_level_m, levels.low))
        for part_a, part_b in sheet.parts(row.chainage_from_m, row.chainage_to_m):
            a, b = x(part_a), max(x(part_b), x(part_a) + 3)
            drawing.rect(
                a, top, b - a, max(3.0, foot - top), fill="none", stroke=ACCENT, stroke_width=1.2,
                stroke_dasharray=dash, tip=tip,
            )  # fmt: skip
            said = shortened(kind, max(1, int((b - a - 2) / 5.6)))
            if said == kind:
                y = foot - 3.5 if high else min(max(top, shelf) + 12, foot - 4)
                drawing.words((a + b) / 2, y, said, font_size=9.5, text_anchor="middle", fill=ACCENT, tip=tip)
            elif not high:
                drawing.words(b + 3, (top + foot) / 2 + 3, kind, font_size=9, fill=ACCENT, tip=tip)


def _assets(panel: Panel) -> None:
    """Draw assets at their chainage and level; one without a level stands in the top row."""
    sheet = panel.sheet
    drawing, x, levels, top = sheet.drawing, sheet.x, sheet.levels, panel.top
    own = panel.own(sheet.scene.assets)
    own = own[own["chainage_m"].notna()].sort_values("chainage_m")
    if own.empty:
        return
    low, high = x(0) + 14, x(sheet.length) - 14
    labels = spread([x(s) for s in own["chainage_m"]], least=36, low=low, high=high)
    for row, label in zip(own.itertuples(), labels, strict=True):
        known = math.isfinite(row.level_m) and levels.low < row.level_m < levels.high
        at, y = x(row.chainage_m), panel.y(row.level_m) if known else top + 27
        level = f"{row.level_m:.3f} m" if math.isfinite(row.level_m) else "level not taken"
        state, known_by = str(row.state).replace("_", " "), str(row.evidence).replace("_", " ")
        tip = f"{row.asset_id}: {row.kind}, {state}, {known_by}; {level}; chainage {row.chainage_m:.2f}"
        drawing.path([(label, top + 15), (at, y)], stroke=SOFT_INK, stroke_width=0.7)
        dash = None if row.evidence == "seen" else "3 2"
        drawing.symbol(SYMBOLS.get(row.kind, "ring"), at, y, 13, tip=tip, stroke_dasharray=dash)
        name = shortened(str(row.asset_id), 6)
        drawing.words(label, top + 12, name, font_size=10.5, font_weight=700, text_anchor="middle", tip=tip)


def _brackets(panel: Panel) -> None:
    """Draw wet stretches as brackets against the wall, each with its name."""
    sheet = panel.sheet
    drawing, x = sheet.drawing, sheet.x
    sign = -1 if panel.side == "outside" else 1
    for tier, row in tiers(sheet, panel.side):
        y = (panel.top if sign < 0 else panel.foot) + sign * (5 + TIER_PX * tier)
        group = str(row.group).replace("|", ", ")
        tip = (
            f"{row.Index}: wet {row.length_m:.2f} m, {row.n_wet} of {row.n} readings, "
            f"highest {row.highest}; {group}"
        )
        for a, b in sheet.parts(row.chainage_from_m, row.chainage_to_m):
            left, right = x(a), max(x(b), x(a) + 5)
            bracket = [(left, y - sign * 4), (left, y), (right, y), (right, y - sign * 4)]
            drawing.path(bracket, stroke=WET_STEPS[4], stroke_width=4, tip=tip)
        said = {"font_size": 10, "font_weight": 700, "fill": WET_STEPS[5]}
        at = x(row.chainage_from_m) + 2
        drawing.words(at, y + (-4 if sign < 0 else 12), str(row.Index), tip=tip, **said)
