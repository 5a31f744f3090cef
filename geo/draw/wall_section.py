"""The cross-section of a wall at a chainage, true to level: ground, leaves, cavity, floor and water."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from geo.crossings import WAYS, cross
from geo.drains.cavity import WallWater
from geo.draw.svg import Drawing, spread, wrapped
from geo.draw.theme import (
    ACCENT,
    BRICK,
    BRICK_LIGHT,
    COURSE,
    EARTH,
    FAINT,
    HATCH,
    INK,
    NEIGHBOUR,
    PANEL,
    PAPER,
    POND,
    RULE,
    SOFT_INK,
)
from geo.errors import GeometryError
from geo.findings.drains import DrainAnswer, Drains

WIDTH = 1240.0
LEFT, TOP, PANEL_WIDE, PANEL_PX = 84.0, 84.0, 640.0, 560.0
TABLE_X = LEFT + PANEL_WIDE + 128.0
OUTER_LEAF_M, CAVITY_M, FINISH_M = 0.1025, 0.075, 0.015
"""Usual thicknesses, drawn dashed where nobody measured them."""
SOLID_DASH, ASSUMED_DASH = None, "5 4"
LEAST_SHOWN_M, MOST_SHOWN_M = 0.9, 3.0
AROUND_M = 0.45
SIGNS = {"yes": "●", "no": "○", "not known": "?"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cut:
    """The wall at one chainage: levels in m, what each rests on, and the water there.

    Parameters
    ----------
    row
        The station's levels (:func:`geo.crossings.wall_section`).
    thick, cavity
        Widths, m; ``cavity_seen`` where the cavity's was measured.
    known
        By part (outer_dpc, inner_dpc, cavity, floor, finish), whether it was seen.
    water
        Spills that wet the wall here.
    """

    ring_key: str
    chainage: float
    face: str
    row: pd.Series
    thick: float
    cavity: float
    cavity_seen: bool
    known: dict[str, bool]
    water: tuple[WallWater, ...]
    floor_kind: str
    floor: float
    openings: pd.DataFrame
    ways: pd.DataFrame

    @property
    def solid(self) -> bool:
        """Whether the wall has no cavity."""
        return bool(self.row["solid"])


def wet_place(answer: DrainAnswer) -> tuple[str, float] | None:
    """Return the ring and chainage to cut: where most gets past, else the wetted wall's middle."""
    known = answer.crossings[answer.crossings["word"] != "no"]
    yes = known[known["word"] == "yes"]
    for table in (yes, known):
        table = table[table["margin_mm"].notna()]  # noqa: PLW2901
        if len(table):
            row = table.loc[table["margin_mm"].astype(float).idxmax()]
            return str(row["ring_key"]), float(row["chainage_from_m"]) + float(row["length_m"]) / 2.0
    for water in answer.water:
        if math.isfinite(water.chainage_from_m):
            return water.ring_key, (water.chainage_from_m + water.chainage_to_m) / 2.0
    return None


def cut_wall(drains: Drains, ring_key: str, chainage_m: float, *, answer: DrainAnswer | None = None) -> Cut:
    """Gather what is known of the wall at one chainage.

    Raises
    ------
    GeometryError
        When the ring is not a surveyed one.
    """
    if ring_key not in drains.sections:
        rings = ", ".join(drains.sections) or "none"
        raise GeometryError(f"no surveyed wall {ring_key!r}; there are: {rings}")
    length = drains.ring_lengths[ring_key]
    at = float(chainage_m) % length
    section = drains.sections[ring_key]
    start, end = (section[f"chainage_{side}_m"].to_numpy(float) for side in ("from", "to"))
    here = ((start <= at) & (at < end)).argmax()
    row = section.iloc[int(here)]
    faces = drains.perimeter.faces.iloc[int(drains.perimeter.face_at(ring_key, [at])[0])]
    cavity = _over(drains.cavities, ring_key, at)
    wide = float(cavity["width_mm"].iloc[0]) / 1000.0 if len(cavity) else math.nan
    floor = _over(drains.floors, ring_key, at)
    finish = _over(drains.finishes, ring_key, at)
    finish = finish[finish["side"] == "inside"]
    known = {
        "outer_dpc": _dpc_seen(drains.dpc, ring_key, ("outer", "solid"), at),
        "inner_dpc": _dpc_seen(drains.dpc, ring_key, ("inner", "solid"), at),
        "cavity": bool(len(cavity)) and cavity["evidence"].iloc[0] == "seen",
        "floor": bool(len(floor)) and floor["evidence"].iloc[0] == "seen",
        "finish": bool(len(finish)) and finish["evidence"].iloc[0] == "seen",
    }
    building = str(drains.perimeter.rings.loc[ring_key, "building_id"])
    level = drains.site.table("building")["floor_level_m"].get(building, math.nan)
    water = tuple(
        each
        for each in (answer.water if answer is not None else ())
        if each.ring_key == ring_key and _wets(each, at, length)
    )
    return Cut(
        ring_key=ring_key,
        chainage=at,
        face=str(faces["face"]),
        row=row,
        thick=float(faces["thickness_m"]),
        cavity=0.0 if bool(row["solid"]) else wide if math.isfinite(wide) else CAVITY_M,
        cavity_seen=math.isfinite(wide),
        known=known,
        water=water,
        floor_kind=str(floor["floor_kind"].iloc[0]).replace("_", " ") if len(floor) else "",
        floor=float(row["slab"]) if math.isfinite(float(row["slab"])) else float(level),
        openings=_over(drains.openings, ring_key, at),
        ways=_ways(drains, section, int(here), answer, ring_key, at),
    )


def _over(table: pd.DataFrame, ring_key: str, at: float) -> pd.DataFrame:
    """Return the rows of a ring that lie over a chainage; from beyond to passes the origin corner."""
    own = table[table["ring_key"] == ring_key]
    a, b = own["chainage_from_m"].to_numpy(float), own["chainage_to_m"].to_numpy(float)
    plain = (a <= at) & (at <= b)
    return own[plain | ((a > b) & ((at >= a) | (at <= b)))]


def _dpc_seen(points: pd.DataFrame, ring_key: str, leaves: Sequence[str], at: float) -> bool:
    own = points[(points["ring_key"] == ring_key) & points["leaf"].isin(leaves)].sort_values("chainage_m")
    if own.empty:
        return False
    before = own[own["chainage_m"] <= at]
    return bool((before.iloc[-1] if len(before) else own.iloc[-1])["evidence"] == "seen")


def _wets(water: WallWater, at: float, length: float) -> bool:
    spans = [(water.chainage_from_m, water.chainage_to_m)]
    spans += [(tank.wet_from_m, tank.wet_to_m) for tank in water.tanks]
    return any(a - 1e-9 <= at + turn <= b + 1e-9 for a, b in spans for turn in (-length, 0.0, length))


def _ways(
    drains: Drains, section: pd.DataFrame, here: int, answer: DrainAnswer | None, ring_key: str, at: float
) -> pd.DataFrame:
    """Return the ways past the barrier here: those of the answer, the rest of the fabric alone."""
    alone = cross(section.iloc[[here]], None, ref=drains.ref).stations
    if bool(section["solid"].iloc[here]):
        alone = alone[~alone["way"].isin(("K2", "K3"))]
    if answer is None:
        return alone
    own = _over(answer.crossings, ring_key, at)
    own = own.assign(rank=own["word"].map({"yes": 0, "not known": 1, "no": 2})).sort_values("rank")
    own = own.drop_duplicates("way")
    rest = alone[~alone["way"].isin(own["way"])] if len(own) else alone
    both = [table for table in (own, rest) if len(table)]
    return pd.concat(both, ignore_index=True).sort_values("way", kind="stable")


def draw_wall_section(
    drains: Drains, ring_key: str, chainage_m: float, *, answer: DrainAnswer | None = None
) -> str:
    """Return the cross-section of a wall as SVG, one scale both ways, outside on the left.

    What was seen is drawn in full; what is usual but was not seen is dashed; what has no level is left
    out and said beside the drawing. With an answer, the water it brings here is drawn too.

    Raises
    ------
    GeometryError
        When the ring is not a surveyed one.
    """
    cut = cut_wall(drains, ring_key, chainage_m, answer=answer)
    info = drains.site.info
    title = f"{info.name}: wall {cut.ring_key} at chainage {cut.chainage:.2f} m, face {cut.face}"
    drawing = Drawing(WIDTH, 100, title=title)
    drawing.words(16, 28, title, font_size=19, font_weight=700)
    when = info.surveyed_on or "not dated"
    said = f"levels: {info.datum} · surveyed {when} · data {drains.site.digest[:10]}"
    drawing.words(16, 47, said, font_size=11, fill=SOFT_INK)
    told = f" · {answer.blocked} taken as blocked, water from {answer.source}" if answer is not None else ""
    said = f"one scale both ways; outside on the left; bands are ± 2 σ{told}"
    drawing.words(16, 64, said, font_size=11, fill=SOFT_INK)
    low, high = _reach(cut)
    shown = min(max(high - low + AROUND_M, LEAST_SHOWN_M), MOST_SHOWN_M)
    sheet = _Sheet(drawing=drawing, cut=cut, middle=(low + high) / 2.0, shown=shown)
    _backdrop(sheet)
    _ground(sheet)
    _walls(sheet)
    _cavity(sheet)
    _floor(sheet)
    _finish(sheet)
    _water(sheet)
    _courses(sheet)
    _openings(sheet)
    _labels(sheet)
    foot = max(_ways_table(sheet), TOP + PANEL_PX + 20)
    _legend(sheet, foot + 6)
    drawing.resize(foot + 62)
    return drawing.text()


def _reach(cut: Cut) -> tuple[float, float]:
    """Return the lowest and highest thing of interest."""
    names = ("outer_dpc", "inner_dpc", "ground", "slab", "soffit", "debris", "base")
    found = [float(cut.row[name]) for name in names] + [cut.floor]
    found += [each.head.value for each in cut.water]
    known = [z for z in found if math.isfinite(z)] or [0.0]
    return min(known), max(known)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sheet:
    """The drawing with its one scale."""

    drawing: Drawing
    cut: Cut
    middle: float
    shown: float

    @property
    def scale(self) -> float:
        """Pixels a metre, both ways."""
        return PANEL_PX / self.shown

    @property
    def outer(self) -> float:
        """The page's place of the outer face."""
        return LEFT + 0.40 * PANEL_WIDE

    @property
    def inner(self) -> float:
        """The page's place of the inner face of the wall."""
        return self.outer + self.cut.thick * self.scale

    @property
    def leaf(self) -> float:
        """The page's place of the outer leaf's inner face."""
        body = self.cut.thick - self.cut.cavity
        return self.outer + min(OUTER_LEAF_M, 0.6 * body) * self.scale

    @property
    def back(self) -> float:
        """The page's place of the inner leaf's outer face."""
        return self.leaf + self.cut.cavity * self.scale

    def y(self, level: float) -> float:
        """Return the height on the page of a level, kept inside the panel."""
        return min(max(self.raw(level), TOP), TOP + PANEL_PX)

    def raw(self, level: float) -> float:
        """Return the height on the page of a level, wherever that is."""
        return TOP + PANEL_PX / 2.0 + (self.middle - level) * self.scale

    def shows(self, level: float) -> bool:
        """Say whether a level is known and lies within the panel."""
        return math.isfinite(level) and TOP <= self.raw(level) <= TOP + PANEL_PX

    def level(self, name: str) -> tuple[float, float]:
        """Return a level of the station and its sigma."""
        return float(self.cut.row[name]), float(self.cut.row[f"{name}_sigma"])


def _backdrop(sheet: _Sheet) -> None:
    drawing = sheet.drawing
    drawing.rect(LEFT, TOP, PANEL_WIDE, PANEL_PX, fill=PANEL, stroke=RULE)
    low, high = sheet.middle - sheet.shown / 2, sheet.middle + sheet.shown / 2
    for k in range(math.ceil(low * 10 - 1e-9), math.floor(high * 10 + 1e-9) + 1):
        y = sheet.y(k / 10)
        drawing.line(LEFT, y, LEFT + PANEL_WIDE, y, stroke=FAINT)
        drawing.words(LEFT - 8, y + 3.5, f"{k / 10:.1f}", font_size=10, text_anchor="end", fill=SOFT_INK)
    drawing.words(LEFT + 6, TOP + 16, "outside", font_size=12, font_weight=700, fill=SOFT_INK)
    drawing.words(
        LEFT + PANEL_WIDE - 6, TOP + 16, "inside", font_size=12, font_weight=700, fill=SOFT_INK,
        text_anchor="end",
    )  # fmt: skip


def _band(sheet: _Sheet, a: float, b: float, level: float, sigma: float, colour: str) -> None:
    """Draw two sigma either side of a level."""
    if math.isfinite(sigma):
        top, foot = sheet.y(level + 2 * sigma), sheet.y(level - 2 * sigma)
        sheet.drawing.rect(a, top, b - a, foot - top, fill=colour, fill_opacity=0.25)


def _ground(sheet: _Sheet) -> None:
    level, sigma = sheet.level("ground")
    drawing, foot = sheet.drawing, TOP + PANEL_PX
    wide = sheet.outer - LEFT
    if not math.isfinite(level):
        if not bool(sheet.cut.row["outside"]):
            drawing.rect(LEFT, TOP + 24, wide, PANEL_PX - 24, fill=NEIGHBOUR)
            drawing.words(
                LEFT + wide / 2, TOP + PANEL_PX / 2, "no outside here", font_size=12, text_anchor="middle"
            )
            return
        drawing.rect(LEFT, foot - 60, wide, 60, fill=drawing.hatch("unknown", HATCH), opacity=0.5)
        drawing.rect(LEFT + 8, foot - 40, 190, 20, fill=PANEL)
        drawing.words(LEFT + 14, foot - 26, "ground: no level here", font_size=11, fill=SOFT_INK)
        return
    y = sheet.y(level)
    tip = f"ground at the wall {level:.3f} m ± {2000 * sigma:.0f} mm"
    drawing.rect(LEFT, y, wide, foot - y, fill=EARTH, fill_opacity=0.30, tip=tip)
    _band(sheet, LEFT, sheet.outer, level, sigma, EARTH)
    drawing.line(LEFT, y, sheet.outer, y, stroke=EARTH, stroke_width=2.6, tip=tip)


def _walls(sheet: _Sheet) -> None:
    """Draw the leaves; their own thicknesses are the usual ones, so the lines between are dashed."""
    drawing, foot = sheet.drawing, TOP + PANEL_PX
    tip = f"wall {1000 * sheet.cut.thick:.0f} mm in all"
    if sheet.cut.solid:
        drawing.rect(
            sheet.outer, TOP, sheet.inner - sheet.outer, PANEL_PX, fill=BRICK_LIGHT, tip=f"solid {tip}"
        )
    else:
        drawing.rect(
            sheet.outer, TOP, sheet.leaf - sheet.outer, PANEL_PX, fill=BRICK_LIGHT, tip=f"outer leaf; {tip}"
        )
        drawing.rect(
            sheet.back, TOP, sheet.inner - sheet.back, PANEL_PX, fill=BRICK_LIGHT, tip=f"inner leaf; {tip}"
        )
        drawing.rect(sheet.leaf, TOP, sheet.back - sheet.leaf, PANEL_PX, fill=PAPER)
        for x in (sheet.leaf, sheet.back):
            drawing.line(x, TOP, x, foot, stroke=BRICK, stroke_width=1.4, stroke_dasharray=ASSUMED_DASH)
    for x in (sheet.outer, sheet.inner):
        drawing.line(x, TOP, x, foot, stroke=BRICK, stroke_width=2.0)


def _cavity(sheet: _Sheet) -> None:
    """Draw the base of the cavity and the debris in it, or say that nobody looked."""
    if sheet.cut.solid:
        return
    drawing, (base, _), (debris, sigma) = sheet.drawing, sheet.level("base"), sheet.level("debris")
    left, wide, foot = sheet.leaf, sheet.back - sheet.leaf, TOP + PANEL_PX
    if not math.isfinite(base):
        drawing.rect(left, TOP, wide, PANEL_PX, fill=drawing.hatch("cavity", HATCH), opacity=0.45,
                     tip="the cavity was not looked into here")  # fmt: skip
        return
    y = sheet.y(base)
    drawing.rect(
        left, y, wide, foot - y, fill=BRICK, fill_opacity=0.55, tip=f"base of the cavity {base:.3f} m"
    )
    drawing.line(left, y, left + wide, y, stroke=BRICK, stroke_width=2)
    if math.isfinite(debris):
        top = sheet.y(debris)
        tip = f"debris up to {debris:.3f} m ± {2000 * sigma:.0f} mm"
        drawing.rect(left, top, wide, y - top, fill=drawing.hatch("debris", INK, gap=5), stroke=INK, tip=tip)
        _band(sheet, left, left + wide, debris, sigma, INK)


def _floor(sheet: _Sheet) -> None:
    """Draw the floor: its slab where the soffit is known, else only its top."""
    cut, drawing = sheet.cut, sheet.drawing
    if not sheet.shows(cut.floor):
        return
    right, y = LEFT + PANEL_WIDE, sheet.y(cut.floor)
    soffit, _ = sheet.level("soffit")
    seen = SOLID_DASH if cut.known["floor"] else ASSUMED_DASH
    gap = 0.0 if cut.row["edge"] == "contact" else 9.0
    left = sheet.inner + gap
    edge = {"contact": "touches the wall", "isolated": "cut free of the wall"}.get(
        str(cut.row["edge"]), "whether it touches the wall was not seen"
    )
    tip = f"{cut.floor_kind or 'floor'}, top {cut.floor:.3f} m; {edge}"
    if math.isfinite(soffit):
        depth = sheet.y(soffit) - y
        drawing.rect(
            left, y, right - left, depth, fill=NEIGHBOUR, stroke=INK, stroke_width=1.2, stroke_dasharray=seen,
            tip=f"{tip}; soffit {soffit:.3f} m",
        )  # fmt: skip
    drawing.line(left, y, right, y, stroke_width=2.4, stroke_dasharray=seen, tip=tip)
    if gap and cut.row["edge"] == "not_known":
        drawing.words(left - 5, y + 16, "?", font_size=12, text_anchor="middle", font_weight=700, tip=edge)


def _finish(sheet: _Sheet) -> None:
    """Draw the inside finish from its bottom up, of the usual thickness."""
    bottom, _ = sheet.level("finish")
    if not math.isfinite(bottom):
        return
    y = sheet.y(bottom)
    sheet.drawing.rect(
        sheet.inner, TOP + 24, FINISH_M * sheet.scale, y - TOP - 24, fill=PAPER, stroke=SOFT_INK,
        stroke_dasharray=SOLID_DASH if sheet.cut.known["finish"] else ASSUMED_DASH,
        tip=f"inside finish, bottom at {bottom:.3f} m",
    )  # fmt: skip


def _water(sheet: _Sheet) -> None:
    """Draw the water outside up to its head, and in the cavity up to the highest it can come to."""
    drawing = sheet.drawing
    ground, _ = sheet.level("ground")
    for each in sheet.cut.water:
        head, sigma = each.head.value, each.head.sigma
        y = sheet.y(head)
        where = "in the drain, below ground" if each.below_ground else "against the wall"
        tip = f"water from {each.node} {where}: {head:.3f} m ± {2000 * sigma:.0f} mm"
        if not each.below_ground:
            foot = sheet.y(ground) if math.isfinite(ground) else y + 14
            if foot > y:
                drawing.rect(LEFT, y, sheet.outer - LEFT, foot - y, fill=POND, fill_opacity=0.75, tip=tip)
        _band(sheet, LEFT, sheet.outer, head, sigma, ACCENT)
        dash = ASSUMED_DASH if each.below_ground or not each.pool_known else None
        drawing.line(LEFT, y, sheet.outer, y, stroke=ACCENT, stroke_width=2.2, stroke_dasharray=dash, tip=tip)
        for tank in each.tanks:
            if not tank.wet_from_m <= sheet.cut.chainage <= tank.wet_to_m or sheet.cut.solid:
                continue
            top = sheet.y(tank.bound.value)
            base, _ = sheet.level("base")
            foot = sheet.y(base) if math.isfinite(base) else top + 14
            said = f"highest the water can come to in the cavity: {tank.bound.value:.3f} m ({tank.held_by})"
            drawing.rect(
                sheet.leaf, top, sheet.back - sheet.leaf, foot - top, fill=POND, fill_opacity=0.6, tip=said
            )
            drawing.line(sheet.leaf, top, sheet.back, top, stroke=ACCENT, stroke_width=2.2,
                         stroke_dasharray=ASSUMED_DASH, tip=said)  # fmt: skip


def _courses(sheet: _Sheet) -> None:
    """Draw the damp proof course of each leaf with its band; dashed where it was not seen."""
    cut = sheet.cut
    spans = {"outer_dpc": (sheet.outer, sheet.leaf), "inner_dpc": (sheet.back, sheet.inner)}
    if cut.solid:
        spans = {"outer_dpc": (sheet.outer, sheet.inner)}
    for name, (a, b) in spans.items():
        level, sigma = sheet.level(name)
        if not sheet.shows(level):
            continue
        tip = f"damp proof course {level:.3f} m ± {2000 * sigma:.0f} mm"
        _band(sheet, a, b, level, sigma, COURSE)
        dash = SOLID_DASH if cut.known[name] else ASSUMED_DASH
        y = sheet.y(level)
        sheet.drawing.line(a, y, b, y, stroke=COURSE, stroke_width=4, stroke_dasharray=dash, tip=tip)


def _openings(sheet: _Sheet) -> None:
    """Mark the bottom of openings here on the outer face."""
    for name, row in sheet.cut.openings.iterrows():
        sill = float(row["sill_level_m"])
        if sheet.shows(sill):
            y = sheet.y(sill)
            tip = f"{name}: {str(row['opening_kind']).replace('_', ' ')}, bottom at {sill:.3f} m"
            mark = [(sheet.outer - 9, y), (sheet.outer + 9, y), (sheet.outer, y - 9)]
            sheet.drawing.path(mark, closed=True, fill=PAPER, stroke=ACCENT, stroke_width=1.6, tip=tip)


def _labels(sheet: _Sheet) -> None:
    """Name every level on the right of the drawing, spread so that none hides another."""
    cut = sheet.cut
    named = [
        ("outer DPC" if not cut.solid else "DPC", *sheet.level("outer_dpc"), COURSE),
        ("ground", *sheet.level("ground"), EARTH),
        ("floor", cut.floor, float(cut.row["slab_sigma"]), INK),
        ("soffit", *sheet.level("soffit"), INK),
    ]
    if not cut.solid:
        named += [("inner DPC", *sheet.level("inner_dpc"), COURSE), ("debris", *sheet.level("debris"), INK)]
        named += [("cavity base", *sheet.level("base"), BRICK)]
    named += [(f"water, {each.node}", each.head.value, each.head.sigma, ACCENT) for each in cut.water]
    for name, row in cut.openings.iterrows():
        named.append((f"{name} sill", float(row["sill_level_m"]), float(row["level_sigma_m"]), ACCENT))
    shown = [each for each in named if sheet.shows(each[1])]
    right = LEFT + PANEL_WIDE
    wanted = [sheet.y(level) for _, level, _, _ in shown]
    places = spread(wanted, least=15, low=TOP + 8, high=TOP + PANEL_PX - 4)
    for (said, level, sigma, colour), place, y in zip(shown, places, wanted, strict=True):
        band = f" ± {2000 * sigma:.0f}" if math.isfinite(sigma) else ""
        sheet.drawing.path([(right, y), (right + 8, place)], stroke=colour, stroke_width=0.8)
        text = f"{level:.3f}{band} {said}"
        sheet.drawing.words(right + 11, place + 3.5, text[:26], font_size=9.5, fill=colour, tip=text)


def _ways_table(sheet: _Sheet) -> float:
    """Write the seven ways past the barrier, each with its margin; return where the table ends."""
    drawing, y = sheet.drawing, TOP + 12
    drawing.words(TABLE_X + 46, y, "Past the barrier here", font_size=13, font_weight=700)
    y += 20
    for row in sheet.cut.ways.to_dict("records"):
        word = str(row["word"])
        x = TABLE_X + 46
        drawing.words(x, y, f"{row['way']}  {SIGNS.get(word, '?')} {word}", font_size=12, font_weight=700)
        # A way that is shut for want of water or contact has no margin worth showing.
        shut = word == "no" and not float(row["margin_mm"]) < 0
        margin = "" if shut else _margin(row)
        drawing.words(WIDTH - 16, y, margin, font_size=11, text_anchor="end")
        y += 15
        for line in wrapped(WAYS[str(row["way"])], 48):
            drawing.words(x, y, line, font_size=10.5, fill=SOFT_INK)
            y += 13
        why = str(row["because"]) if not margin or word == "not known" else ""
        for line in wrapped(why, 48)[:3]:
            drawing.words(x, y, line, font_size=10, fill=SOFT_INK, tip=why)
            y += 13 if line else 0
        y += 9
    return y


def _margin(row: dict[str, Any]) -> str:
    margin, sigma = float(row["margin_mm"]), float(row["sigma_mm"])
    if not math.isfinite(margin):
        return ""
    return f"{margin:+.0f} mm ± {2 * sigma:.0f}" if math.isfinite(sigma) else f"{margin:+.0f} mm"


def _legend(sheet: _Sheet, y: float) -> None:
    drawing = sheet.drawing
    bar = 0.1 * sheet.scale
    drawing.line(16, y + 8, 16 + bar, y + 8, stroke_width=3)
    drawing.words(24 + bar, y + 12, "100 mm", font_size=10.5)
    x = 90 + bar
    drawing.line(x, y + 8, x + 28, y + 8, stroke=COURSE, stroke_width=4)
    drawing.words(x + 34, y + 12, "damp proof course", font_size=10.5)
    x += 166
    drawing.line(x, y + 8, x + 28, y + 8, stroke=INK, stroke_width=2, stroke_dasharray=ASSUMED_DASH)
    drawing.words(x + 34, y + 12, "assumed, inferred or at most", font_size=10.5)
    x += 226
    drawing.rect(x, y + 1, 26, 13, fill=POND, fill_opacity=0.75)
    drawing.words(x + 32, y + 12, "water", font_size=10.5)
    x += 90
    drawing.rect(x, y + 1, 26, 13, fill=drawing.hatch("legend", HATCH), opacity=0.6)
    drawing.words(x + 32, y + 12, "not looked, or no level", font_size=10.5)
    said = "Margins: positive is past the barrier. Thicknesses of leaves and finish are the usual ones."
    drawing.words(16, y + 34, said, font_size=10.5, fill=SOFT_INK)
