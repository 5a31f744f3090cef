"""Pipes, chambers and the water in them, on a long section."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from geo.drains.network import Network
from geo.draw.section_sheet import (
    PANEL_PX,
    SAMPLES,
    TOP,
    Leg,
    Sheet,
    unbroken,
)
from geo.draw.theme import ACCENT, DRAIN, HATCH, INK, PAPER, POND, RULE

Numbers = NDArray[np.float64]


BELLY_M, BELLY_PX = 1.0, 12.0
"""How long a belly is drawn, and how deep where nobody measured: signs, not measures."""
RUN_STATES = ("", "clear", "not_traced")


def draw_pipe(sheet: Sheet, leg: Leg) -> None:
    """Draw a run between invert and soffit, the water in it, and its fall."""
    drawing = sheet.drawing
    share = np.linspace(0.0, 1.0, SAMPLES)
    invert = leg.invert(share)
    at = np.array([sheet.x(leg.from_m + s * leg.length) for s in share])
    foot = [(float(x), sheet.y(float(z))) for x, z in zip(at, invert, strict=True)]
    crown = [(float(x), sheet.y(float(z) + leg.bore)) for x, z in zip(at, invert, strict=True)]
    state = "" if leg.state in RUN_STATES else f", {leg.state.replace('_', ' ')}"
    tip = f"{leg.run_id}: {1000 * leg.bore:.0f} mm, {leg.length:.2f} m, {fall_of(leg)}{state}"
    tip += f", {leg.keeps}" if leg.keeps else ""
    dash = "6 4" if leg.taken else None
    drawing.path([*foot, *crown[::-1]], closed=True, fill=PAPER, stroke="none", tip=tip)
    for level, a, b, resting in _water(sheet, leg):
        inside = (share >= a - 1e-9) & (share <= b + 1e-9) & (invert < level)
        for part in unbroken(inside):
            top = np.minimum(invert[part] + leg.bore, level)
            edge = [(float(x), sheet.y(float(z))) for x, z in zip(at[part], top, strict=True)]
            outline, shade = [*foot[part], *edge[::-1]], 0.35 if resting else 0.85
            drawing.path(outline, closed=True, fill=POND, fill_opacity=shade, stroke="none")
    drawing.path(foot, stroke=DRAIN, stroke_width=2.0, stroke_dasharray=dash, tip=tip)
    drawing.path(crown, stroke=DRAIN, stroke_width=1.2, stroke_dasharray=dash, tip=tip)
    said = fall_of(leg)
    left, right = float(at[0]) + sheet.half_px(leg.start), float(at[-1]) - sheet.half_px(leg.end)
    room = 6.6 * len(said) + 8
    if right - left > room:
        x = (left + right) / 2
        y = max(place[1] for place in foot if abs(place[0] - x) <= room / 2)
        drawing.words(x, y + 15, said, font_size=11, text_anchor="middle", fill=DRAIN, tip=tip)


def draw_belly(sheet: Sheet, leg: Leg) -> None:
    """Draw where a run sags and holds water: to its depth, or dashed where that was not measured."""
    if leg.state != "belly" or leg.length <= 0:
        return
    known = math.isfinite(leg.fault_at)
    middle = min(max(leg.fault_at / leg.length, 0.0), 1.0) if known else 0.5
    half = min(BELLY_M, leg.length / 2) / 2 / leg.length
    share = np.linspace(max(middle - half, 0.0), min(middle + half, 1.0), 15)
    flat = leg.invert(share)
    brim = min(float(flat[0]), float(flat[-1]))
    measured = leg.sag_m > 0
    # The depth is of the water, so it counts from the lower rim.
    deep = leg.sag_m + float(flat[len(flat) // 2]) - brim if measured else BELLY_PX / sheet.upward
    sag = flat - deep * np.sin(np.linspace(0.0, np.pi, len(share)))
    at = [sheet.x(leg.from_m + s * leg.length) for s in share]
    low = [(x, sheet.y(float(z))) for x, z in zip(at, sag, strict=True)]
    water = [(x, sheet.y(min(float(z), brim))) for x, z in zip(at, flat, strict=True)]
    where = "" if known else "; where along it is not known"
    depth = f"{1000 * leg.sag_m:.0f} mm deep" if measured else "how deep was not measured"
    tip = f"{leg.run_id}: a belly that holds water; {depth}; how long was not measured{where}"
    sheet.drawing.path(
        [*low, *water[::-1]], closed=True, fill=POND, fill_opacity=0.35, stroke="none", tip=tip
    )
    sheet.drawing.path(
        low, stroke=DRAIN, stroke_width=1.6, stroke_dasharray=None if measured else "3 3", tip=tip
    )
    said = f"belly, {1000 * leg.sag_m:.0f} mm" if measured else "belly"
    said += "" if known else " ?"
    x, y = low[len(low) // 2]
    sheet.drawing.words(x, y - 20, said, font_size=11, text_anchor="middle", font_weight=700, tip=tip)


def draw_seen(sheet: Sheet) -> None:
    """Mark at each node the levels at which water was seen or reported."""
    places = dict(sheet.stops)
    for row in sheet.seen.to_dict("records"):
        x, y = sheet.x(places[row["of_id"]]), sheet.y(float(row["level_m"]))
        sigma = float(row["level_sigma_m"])
        band = f" ± {2000 * sigma:.0f} mm" if math.isfinite(sigma) else ""
        tip = f"{row['of_id']}: water {row['level_m']:.3f} m{band}, {row['condition']}"
        mark = [(x - 6, y - 9), (x + 6, y - 9), (x, y)]
        sheet.drawing.path(mark, closed=True, fill=PAPER, stroke=ACCENT, stroke_width=1.4, tip=tip)
        sheet.drawing.line(x - 9, y, x + 9, y, stroke=ACCENT, stroke_width=1.4, tip=tip)


def fall_of(leg: Leg) -> str:
    """Say how a run falls, or that it falls back, or runs over a hump."""
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


def cut_at(sheet: Sheet, leg: Leg) -> tuple[float, bool] | None:
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
    cut = cut_at(sheet, leg)
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
            (block_px(sheet, leg, cut[0]) - sheet.x(leg.from_m)) / (leg.length * sheet.across) if cut else 0.0
        )
        a, b = (0.0, stop if cut else 1.0) if upper else (stop, 1.0)
        if resting and upper:
            # Water at rest runs away down the run unless a hump or a back-fall holds it.
            reach = leg.peak if hump else 1.0 if math.isfinite(leg.rests_m) else 0.0
            a, b = 0.0, min(b, reach)
        elif resting and hump:
            a = max(a, leg.peak)
        if b > a:
            found.append((level, a, b, resting))
    if cut is None and any(not each[3] for each in found):
        return [each for each in found if not each[3]]
    return found


def draw_node(sheet: Sheet, name: str, at: float) -> None:
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


def draw_stops(sheet: Sheet) -> None:
    """Mark every stop: a solid block where its place is known, a query where it is not."""
    for leg in sheet.legs:
        cut = cut_at(sheet, leg)
        if cut is None:
            continue
        share = min(max(cut[0], 0.0), 1.0)
        x = block_px(sheet, leg, share)
        invert = float(leg.invert(np.array([share]))[0])
        y, tall = sheet.y(invert + leg.bore), max(leg.bore * sheet.upward, 6.0)
        mine = sheet.answer is not None and sheet.answer.blocked in (leg.run_id, leg.start, leg.end)
        tip = "taken as blocked" if mine else "stopped as recorded"
        tip += "" if cut[1] else "; where along it is not known"
        sheet.drawing.rect(x - 5, y - 2, 10, tall + 4, fill=INK if mine else HATCH, tip=tip)
        said = ("blocked" if mine else "stopped") + ("" if cut[1] else " ?")
        end = x > sheet.x(leg.from_m + leg.length / 2)
        sheet.drawing.words(
            x + 5 if end else x - 5, y - 8, said, font_size=11, font_weight=700, tip=tip,
            text_anchor="end" if end else "start",
        )  # fmt: skip


def block_px(sheet: Sheet, leg: Leg, share: float) -> float:
    """Return where a stop is drawn: at its place, but never behind the wall of a chamber."""
    beside = 7.0
    x = max(sheet.x(leg.from_m + share * leg.length), sheet.x(leg.from_m) + sheet.half_px(leg.start) + beside)
    return min(x, sheet.x(leg.from_m + leg.length) - sheet.half_px(leg.end) - beside)
