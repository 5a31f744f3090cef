"""The long section of a drain: ground, covers, pipes, the water that stands in them and where it leaves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.drains.network import BURIED, Network
from geo.draw.svg import Drawing, shortened, spread
from geo.draw.theme import ACCENT, DRAIN, EARTH, FAINT, HATCH, INK, PANEL, PAPER, POND, RULE, SOFT_INK
from geo.findings.drains import DrainAnswer, Drains, ground_along, path_of

Numbers = NDArray[np.float64]
WIDTH = 1400.0
LEFT, RIGHT, TOP = 128.0, 150.0, 84.0
PANEL_PX = 400.0
ROW_PX = 22.0
PAD_PX = 26.0
LEAST_RISER_PX = 12.0
SAMPLES = 80
RUN_STATES = ("", "clear", "not_traced")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Leg:
    """One piece of run on the section: where it lies, its inverts, and which of them are taken."""

    name: str
    run_id: str
    start: str
    end: str
    from_m: float
    length: float
    up: float
    down: float
    crest: float
    bore: float
    taken: bool
    state: str
    evidence: str

    def invert(self, share: Numbers) -> Numbers:
        """Return the invert at shares of the length; a hump is drawn half-way."""
        straight = self.up + share * (self.down - self.up)
        if not self.crest > max(self.up, self.down) + 1e-6:
            return straight
        return np.interp(share, [0.0, 0.5, 1.0], [self.up, self.crest, self.down])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """The section being drawn."""

    drawing: Drawing
    network: Network
    legs: tuple[Leg, ...]
    low: float
    high: float
    length: float
    answer: DrainAnswer | None

    def x(self, at: float) -> float:
        """Return the place on the page of a distance along the path."""
        return LEFT + PAD_PX + at * self.across

    def y(self, level: float) -> float:
        """Return the height on the page of a level."""
        return TOP + PANEL_PX * (self.high - level) / (self.high - self.low)

    @property
    def across(self) -> float:
        """Pixels a metre along the path."""
        return (WIDTH - LEFT - RIGHT - 2 * PAD_PX) / max(self.length, 1e-6)

    def half_px(self, name: str) -> float:
        """Return half the width a node is drawn with."""
        area = float(self.network.nodes.loc[name, "area_m2"])
        wide = math.sqrt(area) * self.across if area > 0 else 0.0
        return max(wide, LEAST_RISER_PX) / 2.0

    @property
    def upward(self) -> float:
        """Pixels a metre of level."""
        return PANEL_PX / (self.high - self.low)

    @property
    def stops(self) -> list[tuple[str, float]]:
        """Nodes of the path and how far along they lie."""
        first = [(self.legs[0].start, 0.0)] if self.legs else []
        return first + [(leg.end, leg.from_m + leg.length) for leg in self.legs]

    def stands(self, node: str) -> float:
        """Return the level water stands at in a node: after the stop, or as it rests; NaN when dry."""
        if self.answer is not None and node in self.answer.result.pool:
            return self.answer.result.level.value
        wiring = self.network.wiring
        rest = float(wiring.rest[wiring.ids.index(node)])
        return rest if math.isfinite(rest) else math.nan


def draw_long_section(
    drains: Drains, *, answer: DrainAnswer | None = None, path: Sequence[str] | None = None
) -> str:
    """Return the long section along a path of runs as SVG.

    Parameters
    ----------
    answer
        Shows the stop, the water it holds back, and where it spills.
    path
        Ids of the pieces of run, upper end first; by default from the first spill of the answer down.
    """
    runs = tuple(path) if path is not None else path_of(drains, answer)
    legs = _legs(drains.network, runs)
    info = drains.site.info
    ends = f"{legs[0].start} to {legs[-1].end}" if legs else "no run"
    title = f"{info.name}: long section {ends}"
    drawing = Drawing(WIDTH, 100, title=title)
    ground = ground_along(drains, runs)
    low, high = _span(drains.network, legs, ground, answer)
    sheet = Sheet(
        drawing=drawing,
        network=drains.network,
        legs=legs,
        low=low,
        high=high,
        length=sum(leg.length for leg in legs),
        answer=answer,
    )
    drawing.words(16, 28, title, font_size=19, font_weight=700)
    when = info.surveyed_on or "not dated"
    said = f"levels: {info.datum} · surveyed {when} · data {drains.site.digest[:10]}"
    drawing.words(16, 47, said, font_size=11, fill=SOFT_INK)
    if not legs:
        drawing.words(16, 80, "No run leads on from here.", font_size=13)
        drawing.resize(110)
        return drawing.text()
    told = _told(answer)
    said = f"levels drawn {sheet.upward / sheet.across:.1f} times taller than lengths"
    drawing.words(16, 64, f"{said}{told}", font_size=11, fill=SOFT_INK)
    _grid(sheet)
    _ground(sheet, ground)
    for leg in legs:
        _pipe(sheet, leg)
    for name, at in dict(sheet.stops).items():
        _node(sheet, name, at)
    _stops(sheet)
    _level(sheet)
    foot = _table(sheet, TOP + PANEL_PX + 14)
    _legend(sheet, foot + 12)
    drawing.resize(foot + 62)
    return drawing.text()


def heads_of(drains: Drains, *, most: int = 20) -> tuple[str, ...]:
    """Return the nodes where drains begin, as many as anybody would print sections of."""
    graph = drains.network.graph
    return tuple(str(n) for n in graph if graph.in_degree(n) == 0 and graph.out_degree(n) > 0)[:most]


def _told(answer: DrainAnswer | None) -> str:
    if answer is None:
        return ""
    put = f"; {answer.inflow.said} put in at {answer.source}" if answer.inflow is not None else ""
    return f" · {answer.blocked} taken as blocked{put}"


def _legs(network: Network, path: Sequence[str]) -> tuple[Leg, ...]:
    legs, at = [], 0.0
    for name in path:
        run = network.runs.loc[name]
        length = float(run["length_m"]) if run["length_m"] > 0 else 0.0
        up, down = ((run[f"{end}_low_m"] + run[f"{end}_high_m"]) / 2.0 for end in ("up", "down"))
        legs.append(
            Leg(
                name=str(name), run_id=str(run["run_id"]), start=str(run["from_node"]),
                end=str(run["to_node"]), from_m=at, length=length, up=float(up), down=float(down),
                crest=float(run["crest_low_m"]), bore=float(run["bore_m"]) if run["bore_m"] > 0 else 0.1,
                taken=bool(np.isnan(run["up_m"]) or np.isnan(run["down_m"]) or not run["bore_m"] > 0),
                state=str(run["state"]),
                evidence="assumed" if "assumed" in (run["from_evidence"], run["to_evidence"]) else "",
            )
        )  # fmt: skip
        at += length
    return tuple(leg for leg in legs if math.isfinite(leg.up) and math.isfinite(leg.down))


def _span(
    network: Network, legs: Sequence[Leg], ground: pd.DataFrame, answer: DrainAnswer | None
) -> tuple[float, float]:
    """Return the lowest and highest level shown."""
    levels = [z for leg in legs for z in (leg.up, leg.down, leg.up + leg.bore, leg.crest)]
    own = network.nodes.loc[list({n for leg in legs for n in (leg.start, leg.end)})]
    for column in ("rim_m", "spill_m", "base_m"):
        levels += own[column].tolist()
    levels += ground["level_m"].tolist()
    if answer is not None:
        levels += [answer.result.level.value, answer.result.standing_m]
    known = [float(z) for z in levels if math.isfinite(z)] or [0.0, 1.0]
    margin = 0.10 * max(max(known) - min(known), 0.4)
    return min(known) - margin, max(known) + 1.6 * margin


def _grid(sheet: Sheet) -> None:
    drawing = sheet.drawing
    right = sheet.x(sheet.length) + PAD_PX
    drawing.rect(LEFT, TOP, right - LEFT, PANEL_PX, fill=PANEL, stroke=RULE)
    reach = sheet.high - sheet.low
    step = next(s for s in (0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0) if reach / s <= 14 or s == 5.0)
    first, last = math.ceil(sheet.low / step), math.floor(sheet.high / step)
    for k in range(first, last + 1):
        y = sheet.y(k * step)
        drawing.line(LEFT, y, right, y, stroke=FAINT)
        drawing.words(LEFT - 10, y + 3.5, f"{k * step:.2f}", font_size=10, text_anchor="end", fill=SOFT_INK)
    drawing.words(16, TOP + 12, "level, m", font_size=10.5, fill=SOFT_INK)


def _ground(sheet: Sheet, ground: pd.DataFrame) -> None:
    """Draw the ground where it is known, by levels in full and by the raster dashed."""
    for evidence, dash in (("levels", None), ("raster", "7 4")):
        on = (ground["evidence"] == evidence).to_numpy()
        for part in _stretches(on):
            rows = ground.iloc[part]
            points = [
                (sheet.x(float(a)), sheet.y(float(z)))
                for a, z in zip(rows["distance_m"], rows["level_m"], strict=True)
            ]
            tip = f"ground by {evidence}"
            sheet.drawing.path(points, stroke=EARTH, stroke_width=2.4, stroke_dasharray=dash, tip=tip)


def _stretches(on: NDArray[np.bool_]) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.r_[False, on, False].astype(int)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _pipe(sheet: Sheet, leg: Leg) -> None:
    """Draw a run between invert and soffit, the water in it, and its fall."""
    drawing = sheet.drawing
    share = np.linspace(0.0, 1.0, SAMPLES)
    invert = leg.invert(share)
    at = np.array([sheet.x(leg.from_m + s * leg.length) for s in share])
    foot = [(float(x), sheet.y(float(z))) for x, z in zip(at, invert, strict=True)]
    crown = [(float(x), sheet.y(float(z) + leg.bore)) for x, z in zip(at, invert, strict=True)]
    state = "" if leg.state in RUN_STATES else f", {leg.state.replace('_', ' ')}"
    tip = f"{leg.run_id}: {1000 * leg.bore:.0f} mm, {leg.length:.2f} m, {_fall(leg)}{state}"
    dash = "6 4" if leg.taken else None
    drawing.path([*foot, *crown[::-1]], closed=True, fill=PAPER, stroke="none", tip=tip)
    for level, a, b, resting in _water(sheet, leg):
        inside = (share >= a - 1e-9) & (share <= b + 1e-9) & (invert < level)
        for part in _stretches(inside):
            top = np.minimum(invert[part] + leg.bore, level)
            edge = [(float(x), sheet.y(float(z))) for x, z in zip(at[part], top, strict=True)]
            outline, shade = [*foot[part], *edge[::-1]], 0.35 if resting else 0.85
            drawing.path(outline, closed=True, fill=POND, fill_opacity=shade, stroke="none")
    drawing.path(foot, stroke=DRAIN, stroke_width=2.0, stroke_dasharray=dash, tip=tip)
    drawing.path(crown, stroke=DRAIN, stroke_width=1.2, stroke_dasharray=dash, tip=tip)
    if leg.length * sheet.across > 54:
        middle = SAMPLES // 2
        x = foot[middle][0]
        y = max(place[1] for place in foot[middle - 14 : middle + 15])
        drawing.words(x, y + 15, _fall(leg), font_size=10.5, text_anchor="middle", fill=DRAIN, tip=tip)


def _fall(leg: Leg) -> str:
    drop = leg.up - leg.down
    if leg.length <= 0:
        return "no length"
    if abs(drop) < 5e-4:
        said = "level"
    elif drop < 0:
        said = f"falls back 1 in {leg.length / -drop:.0f}"
    else:
        said = f"1 in {leg.length / drop:.0f}"
    hump = " over a hump" if leg.crest > max(leg.up, leg.down) + 1e-6 else ""
    return said + hump + (", levels taken" if leg.taken else "")


def _cut_at(sheet: Sheet, leg: Leg) -> tuple[float, bool] | None:
    """Return the share of a run at which it is stopped, and whether that place is known."""
    network, answer = sheet.network, sheet.answer
    place = int(network.runs.index.get_loc(leg.name))
    if answer is not None and answer.blocked == leg.run_id:
        pieces = network.pieces(leg.run_id)
        lengths = [float(network.runs["length_m"].iloc[e]) for e in pieces]
        fault = network.runs["fault_at_m"].iloc[pieces].to_numpy(float)
        known = np.flatnonzero(~np.isnan(fault))
        if answer.at_m is None:
            if known.size:
                here = pieces[int(known[0])] == place
                return (float(fault[known[0]]) / leg.length, True) if here and leg.length else None
            return (1.0, False) if pieces[-1] == place else None
        before = sum(lengths[: pieces.index(place)])
        last = pieces[-1] == place
        if before - 1e-6 <= answer.at_m <= before + leg.length + 1e-6 or (last and answer.at_m > before):
            return (min((answer.at_m - before) / leg.length, 1.0), True) if leg.length else (1.0, True)
        return None
    if answer is not None and answer.blocked == leg.end and _kind(network, leg.end) == "soakaway":
        return 1.0, True
    if answer is not None and answer.blocked == leg.start:
        return 0.0, True
    cut = network.cuts.get(place)
    if cut is None:
        return None
    if cut.at_m is None:
        return 1.0, False
    return (cut.at_m / leg.length if leg.length else 1.0), True


def _kind(network: Network, name: str) -> str:
    return str(network.nodes.loc[name, "kind"])


def _water(sheet: Sheet, leg: Leg) -> list[tuple[float, float, float, bool]]:
    """Return the water in a run: level, from and to as shares of its length, and whether it only rests."""
    cut = _cut_at(sheet, leg)
    pool = sheet.answer.result.pool if sheet.answer is not None else ()
    if leg.length <= 0:
        return []
    hump = leg.crest > max(leg.up, leg.down) + 1e-6
    found = []
    for node, upper in ((leg.start, True), (leg.end, False)):
        level, resting = sheet.stands(node), node not in pool
        if not math.isfinite(level):
            continue
        stop = (
            (_block_px(sheet, leg, cut[0]) - sheet.x(leg.from_m)) / (leg.length * sheet.across)
            if cut
            else 0.0
        )
        a, b = (0.0, stop if cut else 1.0) if upper else (stop, 1.0)
        if resting and upper:
            # Water at rest runs away down the run unless a hump holds it.
            a, b = (0.0, min(b, 0.5)) if hump else (0.0, 0.0)
        elif resting and hump:
            a = max(a, 0.5)
        if b > a:
            found.append((level, a, b, resting))
    if cut is None and any(not each[3] for each in found):
        return [each for each in found if not each[3]]
    return found


def _node(sheet: Sheet, name: str, at: float) -> None:
    """Draw a chamber, gully, downpipe or soakaway to level, with the water in it."""
    drawing, node = sheet.drawing, sheet.network.nodes.loc[name]
    kind, base = str(node["kind"]), float(node["base_m"])
    top = next((float(node[c]) for c in ("rim_m", "spill_m") if math.isfinite(float(node[c]))), math.nan)
    x = sheet.x(at)
    if kind != "joint" and math.isfinite(base):
        roof = top if math.isfinite(top) else sheet.high
        wide = 2.0 * sheet.half_px(name)
        y, foot = sheet.y(roof), sheet.y(base)
        tip = f"{name}: {kind}, {str(node['state']).replace('_', ' ')}"
        dash = None if math.isfinite(top) else "4 3"
        drawing.rect(x - wide / 2, y, wide, foot - y, fill=PAPER, fill_opacity=0.65, tip=tip)
        level = sheet.stands(name)
        if level > base:
            full = sheet.y(min(level, roof))
            resting = sheet.answer is None or name not in sheet.answer.result.pool
            shade = 0.35 if resting else 0.85
            drawing.rect(x - wide / 2, full, wide, foot - full, fill=POND, fill_opacity=shade, tip=tip)
        drawing.rect(
            x - wide / 2, y, wide, foot - y, fill="none", stroke=INK, stroke_width=1.4,
            stroke_dasharray=dash, tip=tip,
        )  # fmt: skip
        if math.isfinite(top):
            drawing.line(x - wide / 2 - 4, y, x + wide / 2 + 4, y, stroke_width=3, tip=tip)
    drawing.line(x, TOP + PANEL_PX, x, TOP + PANEL_PX + 14, stroke=RULE)


def _stops(sheet: Sheet) -> None:
    """Mark every stop: a solid block where its place is known, a query where it is not."""
    for leg in sheet.legs:
        cut = _cut_at(sheet, leg)
        if cut is None:
            continue
        share = min(max(cut[0], 0.0), 1.0)
        x = _block_px(sheet, leg, share)
        invert = float(leg.invert(np.array([share]))[0])
        y, tall = sheet.y(invert + leg.bore), max(leg.bore * sheet.upward, 6.0)
        mine = sheet.answer is not None and sheet.answer.blocked in (leg.run_id, leg.start, leg.end)
        tip = "taken as blocked" if mine else "stopped as recorded"
        tip += "" if cut[1] else "; where along it is not known"
        sheet.drawing.rect(x - 5, y - 2, 10, tall + 4, fill=INK if mine else HATCH, tip=tip)
        said = ("blocked" if mine else "stopped") + ("" if cut[1] else " ?")
        sheet.drawing.words(x, y - 8, said, font_size=10, text_anchor="middle", font_weight=700, tip=tip)


def _block_px(sheet: Sheet, leg: Leg, share: float) -> float:
    """Return where a stop is drawn: at its place, but never behind the wall of a chamber."""
    beside = 7.0
    x = max(sheet.x(leg.from_m + share * leg.length), sheet.x(leg.from_m) + sheet.half_px(leg.start) + beside)
    return min(x, sheet.x(leg.from_m + leg.length) - sheet.half_px(leg.end) - beside)


def _level(sheet: Sheet) -> None:
    """Draw the level water comes to, where it spills, and what could equally be first."""
    answer, drawing = sheet.answer, sheet.drawing
    if answer is None or not answer.result.first or answer.result.drains:
        return
    result, at = answer.result, dict(sheet.stops)
    level, y = result.level.value, sheet.y(result.level.value)
    ends = [at[name] for name in result.pool if name in at]
    right = sheet.x(sheet.length) + PAD_PX
    if ends:
        reach_m = [leg.from_m + cut[0] * leg.length for leg in sheet.legs if (cut := _cut_at(sheet, leg))]
        last = min([m for m in reach_m if m >= max(ends) - 1e-9], default=max(ends))
        a, b = sheet.x(min(ends)), sheet.x(last)
        drawing.line(a, y, b, y, stroke=ACCENT, stroke_width=1.8, stroke_dasharray="9 4")
        drawing.line(b, y, right + 6, y, stroke=ACCENT, stroke_width=0.8, stroke_dasharray="1 4")
    drawing.words(right + 10, y - 3, f"{level:.3f} m", font_size=12, font_weight=700, fill=ACCENT)
    band = f"± {2000 * result.level.sigma:.0f} mm, {result.first}"
    drawing.words(right + 10, y + 11, shortened(band, 16), font_size=10, fill=ACCENT, tip=band)
    marks = [(result.first, "spills first"), *((r.node, "or here") for r in result.rivals)]
    marks += [(spill.node, "then here") for spill in result.spills[1:]]
    shown = [(name, said) for name, said in marks if name in at]
    for order, (name, said) in enumerate(shown[:4]):
        over = str(result.order.loc[name, "leaves"])
        level_m = float(result.order.loc[name, "reach_m"])
        way = "at" if over in BURIED else "over"
        _spill(sheet, name, (at[name], level_m), f"{said}, {way} its {over}", order=order)
    if result.first not in at:
        said = f"{result.first}, off this path, spills first at {level:.3f} m"
        drawing.words(LEFT + 8, TOP + 16, said, font_size=11, font_weight=700, fill=ACCENT)


def _spill(sheet: Sheet, name: str, place: tuple[float, float], said: str, *, order: int) -> None:
    """Mark where water leaves: an arrow over the edge, and words that nothing shows through."""
    drawing, (at, level) = sheet.drawing, place
    side = 1 if sheet.x(at) < WIDTH - RIGHT - 280 else -1
    x, y = sheet.x(at) + side * sheet.half_px(name), sheet.y(level)
    tip = x + side * 18
    drawing.path(
        [(x, y - 3), (x + side * 4, y - 9), (tip, y - 9), (tip, y - 2)], stroke=ACCENT, stroke_width=2.4
    )
    head = [(tip - 5, y - 3), (tip + 5, y - 3), (tip, y + 5)]
    drawing.path(head, closed=True, fill=ACCENT, stroke="none")
    # The words stand clear of covers and ground, at the top of the panel, under one another.
    room, top = 6.9 * len(said) + 8, TOP + 6 + 22 * order
    left = tip - 12 if side > 0 else tip + 12 - room
    drawing.line(tip, top + 18, tip, y - 9, stroke=ACCENT, stroke_width=0.8)
    drawing.rect(left, top, room, 18, fill=PAPER, stroke=ACCENT, stroke_width=0.8, rx=2)
    drawing.words(
        left + room / 2, top + 13, said, font_size=11, font_weight=700, fill=ACCENT, text_anchor="middle"
    )


def _table(sheet: Sheet, y: float) -> float:
    """Write names, distances, cover levels, inverts and falls under the section."""
    drawing, nodes = sheet.drawing, sheet.network.nodes
    rows = ("", "distance, m", "cover or rim, m", "invert in, m", "invert out, m")
    for i, said in enumerate(rows):
        drawing.words(16, y + 15 + i * ROW_PX, said, font_size=10.5, fill=SOFT_INK)
        drawing.line(16, y + i * ROW_PX, WIDTH - 16, y + i * ROW_PX, stroke=FAINT)
    foot = y + len(rows) * ROW_PX
    drawing.line(16, foot, WIDTH - 16, foot, stroke=FAINT)
    stops = list(dict(sheet.stops).items())
    places = spread([sheet.x(at) for _, at in stops], least=62, low=LEFT + 20, high=WIDTH - 40)
    into = {leg.end: leg.down for leg in sheet.legs if not leg.taken}
    out = {leg.start: leg.up for leg in sheet.legs if not leg.taken}
    for (name, at), x in zip(stops, places, strict=True):
        drawing.path([(sheet.x(at), y - 2), (x, y + 4)], stroke=RULE)
        rim = float(nodes.loc[name, "rim_m"])
        cells = [
            shortened(name, 9), f"{at:.2f}", f"{rim:.3f}" if math.isfinite(rim) else "-",
            f"{into[name]:.3f}" if name in into else "-", f"{out[name]:.3f}" if name in out else "-",
        ]  # fmt: skip
        for i, cell in enumerate(cells):
            weight = 700 if i == 0 else None
            drawing.words(
                x, y + 15 + i * ROW_PX, cell, font_size=11, text_anchor="middle", font_weight=weight, tip=name
            )
    for leg in sheet.legs:
        a, b = sheet.x(leg.from_m), sheet.x(leg.from_m + leg.length)
        if b - a > 60:
            said = f"{leg.run_id} · {1000 * leg.bore:.0f} mm" + (" · an end assumed" if leg.evidence else "")
            room = int((b - a - 6) / 6.2)
            drawing.words(
                (a + b) / 2, TOP + PANEL_PX - 6, shortened(said, room), font_size=10, text_anchor="middle",
                fill=SOFT_INK, tip=said,
            )  # fmt: skip
    return foot


def _legend(sheet: Sheet, y: float) -> None:
    drawing = sheet.drawing
    bar = next(s for s in (10.0, 5.0, 2.0, 1.0, 0.5) if s * sheet.across <= 220 or s == 0.5)
    drawing.line(16, y + 8, 16 + bar * sheet.across, y + 8, stroke_width=3)
    drawing.words(22 + bar * sheet.across, y + 12, f"{bar:g} m", font_size=10.5)
    x = 110 + bar * sheet.across
    for shade, said in ((0.85, "water behind the stop"), (0.35, "water at rest, seen or not")):
        if sheet.answer is not None or shade < 0.5:
            drawing.rect(x, y + 1, 26, 13, fill=POND, fill_opacity=shade)
            drawing.words(x + 32, y + 12, said, font_size=10.5)
            x += 56 + 6.4 * len(said)
    for dash, said in ((None, "ground by levels"), ("7 4", "by raster")):
        drawing.line(x, y + 8, x + 28, y + 8, stroke=EARTH, stroke_width=2.4, stroke_dasharray=dash)
        drawing.words(x + 34, y + 12, said, font_size=10.5)
        x += 52 + 6.4 * len(said)
    drawing.line(x, y + 8, x + 28, y + 8, stroke=DRAIN, stroke_width=2, stroke_dasharray="6 4")
    drawing.words(x + 34, y + 12, "an invert taken, not measured", font_size=10.5)
    said = (
        "Blank where the ground is not known. Runs are straight between their ends; a hump is drawn half-way."
    )
    drawing.words(16, y + 34, said, font_size=10.5, fill=SOFT_INK)
