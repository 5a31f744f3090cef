"""The order of the works in the report: what waits for what, drawn and in a table, and its hold points."""

from __future__ import annotations

import math
from typing import Any

from geo.draw.order import draw_order
from geo.report import rules
from geo.report.parts import (
    INFERENCE,
    Cell,
    Figure,
    Ids,
    Part,
    Table,
    blocks,
    items,
    listed,
    paragraph,
    sentence,
    sentences,
)
from geo.report.source import Source
from geo.works.order import HELD, MAY_START
from geo.works.whole import Works

NEAR_CUT = 3
"""Repairs by which a page of the order of works may be longer or shorter than its fellows."""


def order_part(source: Source) -> Part:
    """Return the order of the works, the hold points, and what is held by what."""
    works = source.works
    if works is None or not works.order.steps:
        return Part(
            key="order",
            title="Order and hold points",
            why="there is nothing to put in order",
            fills="repairs, proposed or recorded",
        )
    holds: list[tuple[Cell, ...]] = [
        (
            hold.hold_point.upper(),
            hold.label,
            hold.repair_id or "all works",
            hold.verdict.word,
            sentences(hold.verdict.because, hold.verdict.settle, *hold.told),
            Ids(hold.record_ids),
        )
        for hold in works.holds.values()
    ]
    steps = list(works.order.steps.values())
    label = {step.key: " ".join(filter(None, (step.repair_id, step.label))) for step in steps}
    held: list[tuple[Cell, ...]] = [
        (label[step.key], step.part, listed(label.get(name, name) for name in step.held_by))
        for step in steps
        if step.state == HELD
    ]
    ready = [
        label[step.key] + (f", {step.part}" if step.part else "") for step in steps if step.state == MAY_START
    ]
    return Part(
        key="order",
        title="Order and hold points",
        blocks=blocks(
            paragraph(
                sentence(f"these may start now, small things first: {'; '.join(ready)}") if ready else "",
                nature=INFERENCE,
                rule=rules.HOLDS,
            ),
            items(
                [
                    paragraph(sentence(said), lead="Against the order", nature=INFERENCE, rule=rules.HOLDS)
                    for said in works.order.conflicts
                ]
            ),
            Table(
                caption="Hold points",
                header=("Hold", "Check", "Of", "Stands", "Because", "Record"),
                widths=(0.5, 2.2, 1.0, 1.0, 3.8, 0.9),
                rows=tuple(holds),
                nature=INFERENCE,
                rule=rules.HOLDS,
            ),
            Table(
                caption="What is held, and by what",
                header=("Work", "Part", "Waits for"),
                widths=(2.6, 1.6, 5.0),
                rows=tuple(held),
                nature=INFERENCE,
                rule=rules.HOLDS,
            ),
            items(
                [
                    paragraph(sentences(each.said, each.breaks), rests_on=recorded(source, each.repair_ids))
                    for each in works.constraints
                ]
            ),
            *_order_figures(source, works),
        ),
    )


def _order_figures(source: Source, works: Works) -> list[Figure]:
    """Return the order drawn, so many repairs a figure that its letters can be read on paper."""
    pages = _pages(works, int(source.ref.value("report.lanes_a_page")))
    count = len(pages)
    figures = []
    for k, own in enumerate(pages):
        part = f", part {k + 1} of {count}" if count > 1 else ""
        figures.append(
            Figure(
                name=f"order-{k + 1}" if count > 1 else "order",
                alt=f"Order of the works{part}: each repair a row from left to right, with its hold points",
                caption=f"Order of the works{part}: a row is a repair, a box a part of it, a pill a hold"
                " point; a dark line still holds up what it leads to."
                + (" What waits for a repair of another part stands in the table." if part else ""),
                svg=draw_order(
                    works.order,
                    works.holds,
                    title=f"Order of the works, {source.site.info.name}{part}",
                    dated=source.scene.when_and_what(),
                    lanes=own,
                ),
                across=True,
            )
        )
    return figures


def _pages(works: Works, most: int) -> list[list[str]]:
    """Return the repairs page by page, cut near where each page is as full and least waits across the cut."""
    lanes = list(works.lanes)
    at = {name: i for i, name in enumerate(lanes)}
    steps = works.order.steps
    waits = [
        (at.get(steps[a].repair_id, -1), at.get(steps[b].repair_id, -1)) for a, b, _ in works.order.edges
    ]
    spans = [(min(pair), max(pair)) for pair in waits if min(pair) >= 0]
    pages: list[list[str]] = []
    start, left = 0, math.ceil(len(lanes) / most)
    while left > 1:
        even = start + round((len(lanes) - start) / left)
        least = max(start + 1, len(lanes) - most * (left - 1), even - NEAR_CUT)
        tried = range(least, min(start + most, even + NEAR_CUT) + 1)
        cut = min(tried, key=lambda i: (sum(a < i <= b for a, b in spans), abs(i - even)))
        pages.append(lanes[start:cut])
        start, left = cut, left - 1
    return [*pages, lanes[start:]] if lanes else []


def recorded(source: Source, names: Any) -> tuple[str, ...]:
    """Return those of some names that are records of the site."""
    return tuple(name for name in names if name in source.site.ids)
