"""The long section of a drain: ground, covers, pipes, the water that stands in them and where it leaves."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.drains.network import Network
from geo.draw.drains_tables import taken_as
from geo.draw.section_marks import draw_legend, draw_level, draw_table
from geo.draw.section_pipes import draw_belly, draw_node, draw_pipe, draw_seen, draw_stops
from geo.draw.section_sheet import (
    LEFT,
    PAD_PX,
    PANEL_PX,
    TOP,
    WIDTH,
    Leg,
    Sheet,
    legs_of,
    unbroken,
)
from geo.draw.svg import Drawing
from geo.draw.theme import EARTH, FAINT, PANEL, RULE, SOFT_INK
from geo.findings.drains import DrainAnswer, Drains, ground_along, path_of

Numbers = NDArray[np.float64]


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
    runs = tuple(path) if path is not None else path_of(drains, answer) or _leads_to(drains, answer)
    legs = legs_of(drains.network, runs, ref=drains.ref)
    info = drains.site.info
    ends = f"{legs[0].start} to {legs[-1].end}" if legs else "no run"
    title = f"{info.name}: long section {ends}"
    drawing = Drawing(WIDTH, 100, title=title)
    ground = ground_along(drains, runs)
    seen = _water_seen(drains, legs)
    low, high = _span(drains.network, legs, ground, answer, seen)
    sheet = Sheet(
        drawing=drawing,
        network=drains.network,
        legs=legs,
        low=low,
        high=high,
        length=sum(leg.length for leg in legs),
        answer=answer,
        seen=seen,
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
        draw_pipe(sheet, leg)
        draw_belly(sheet, leg)
    for name, at in dict(sheet.stops).items():
        draw_node(sheet, name, at)
    draw_seen(sheet)
    draw_stops(sheet)
    draw_level(sheet)
    foot = draw_table(sheet, TOP + PANEL_PX + 14)
    drawing.resize(draw_legend(sheet, foot + 12))
    return drawing.text()


def _leads_to(drains: Drains, answer: DrainAnswer | None) -> tuple[str, ...]:
    """Return a path that comes by what is blocked, where none leads on from the first spill."""
    if answer is None:
        return ()
    for head in heads_of(drains):
        path = path_of(drains, start=head)
        own = drains.network.runs.loc[list(path)]
        if answer.blocked in {*own["run_id"], *own["from_node"], *own["to_node"]}:
            return path
    return ()


def heads_of(drains: Drains, *, most: int = 20) -> tuple[str, ...]:
    """Return the nodes where drains begin, as many as anybody would print sections of."""
    graph = drains.network.graph
    return tuple(str(n) for n in graph if graph.in_degree(n) == 0 and graph.out_degree(n) > 0)[:most]


def _told(answer: DrainAnswer | None) -> str:
    if answer is None:
        return ""
    put = f"; {answer.inflow.said} put in at {answer.source}" if answer.inflow is not None else ""
    return f" · {taken_as(answer)}{put}"


def _water_seen(drains: Drains, legs: Sequence[Leg]) -> pd.DataFrame:
    """Return the levels at which water was seen or reported at the nodes of the path."""
    table = drains.site.table("water_level")
    names = {name for leg in legs for name in (leg.start, leg.end)}
    return table.loc[table["of_id"].isin(names), ["of_id", "level_m", "level_sigma_m", "condition"]]


def _span(
    network: Network,
    legs: Sequence[Leg],
    ground: pd.DataFrame,
    answer: DrainAnswer | None,
    seen: pd.DataFrame,
) -> tuple[float, float]:
    """Return the lowest and highest level shown."""
    levels = [z for leg in legs for z in (leg.up, leg.down, leg.up + leg.bore, leg.crest)]
    own = network.nodes.loc[list({n for leg in legs for n in (leg.start, leg.end)})]
    for column in ("rim_m", "spill_m", "base_m"):
        levels += own[column].tolist()
    levels += ground["level_m"].tolist() + seen["level_m"].tolist()
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
        drawing.words(LEFT - 10, y + 3.5, f"{k * step:.2f}", font_size=11, text_anchor="end", fill=SOFT_INK)
    drawing.words(16, TOP + 12, "level, m", font_size=11, fill=SOFT_INK)


def _ground(sheet: Sheet, ground: pd.DataFrame) -> None:
    """Draw the ground where it is known, by levels in full and by the raster dashed."""
    for evidence, dash in (("levels", None), ("raster", "7 4")):
        on = (ground["evidence"] == evidence).to_numpy()
        for part in unbroken(on):
            rows = ground.iloc[part]
            points = [
                (sheet.x(float(a)), sheet.y(float(z)))
                for a, z in zip(rows["distance_m"], rows["level_m"], strict=True)
            ]
            tip = f"ground by {evidence}"
            sheet.drawing.path(points, stroke=EARTH, stroke_width=2.4, stroke_dasharray=dash, tip=tip)
