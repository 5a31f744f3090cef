"""The order of the works drawn: a lane for each repair, holds between its parts, and what waits for what."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import networkx as nx

from geo.draw.svg import Drawing, number, plain, shortened, wrapped
from geo.draw.theme import ACCENT, FAINT, INK, PANEL, PAPER, RULE, SOFT_INK, WET_STEPS
from geo.works.holds import FAILED, NOT_TESTED, PASSED, Hold
from geo.works.order import DONE, HELD, MAY_START, UNDER_WAY, Order, Step
from geo.works.order_graph import ENABLING, HOLD, LAST_CHECK

LEFT, TOP, LANE, COLUMN = 250.0, 92.0, 52.0, 152.0
BOX_W, BOX_H, PILL_W = 126.0, 34.0, 66.0
MARGIN, FOOT = 14.0, 44.0
LETTERS = "ABCDEFGH"
SIGNS = {DONE: "✓", UNDER_WAY: "◐", MAY_START: "▶", HELD: ""}
HOLD_SIGNS = {PASSED: "✓", FAILED: "✗", NOT_TESTED: "○"}
"""What stands on a hold point; ``?`` where it is not known."""
FILLS = {DONE: WET_STEPS[4], UNDER_WAY: WET_STEPS[2], MAY_START: PAPER, HELD: PANEL}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    x: float
    y: float
    width: float


def draw_order(
    order: Order, holds: Mapping[str, Hold], *, title: str, dated: str, lanes: Sequence[str] = ()
) -> str:
    """Return the order of the works as SVG.

    A lane is a repair, from left to right; a box is a part of it, a pill the hold point between. A line comes
    from what a thing waits for, dark where that still holds it up. What everything of a kind waits for (as
    asbestos information) stands above the lanes by a letter, which the boxes bear.

    Parameters
    ----------
    order, holds
        The order, and the hold points by key.
    title, dated
        What it is of; date and data version.
    lanes
        Repairs from top to bottom; as they can be begun where none are named. Others are left out, and what
        they hold up or wait for with them.
    """
    lanes = list(lanes) or _lanes(order)
    letters = _letters(order)
    columns = _columns(order, lanes)
    width = LEFT + COLUMN * (max(columns.values(), default=0) + 1) + 110.0
    top = TOP + 20.0 * max(0, len(letters) - 1)
    height = top + LANE * max(1, len(lanes)) + FOOT
    drawing = Drawing(width, height, title=title)
    drawing.words(MARGIN, 26.0, title, font_size=16, font_weight=600)
    drawing.words(MARGIN, 44.0, dated, fill=SOFT_INK)
    _enabling(drawing, order, letters)
    _key(drawing, width, height)
    _draw_lanes(drawing, lanes, order, top, width)
    places = _places(order, lanes, columns, top)
    _draw_edges(drawing, order, places)
    _last(drawing, order, holds, width, top, len(lanes))
    for key, place in places.items():
        step = order.steps[key]
        if step.sort == HOLD:
            _pill(drawing, step, place, holds[key])
        else:
            _box(drawing, step, place, [letters[name] for name in step.held_by if name in letters])
    return drawing.text()


def _lanes(order: Order) -> list[str]:
    """Return the repairs in the order in which their first part can be done."""
    return list(dict.fromkeys(step.repair_id for step in order.steps.values() if step.repair_id))


def _letters(order: Order) -> dict[str, str]:
    own = [key for key, step in order.steps.items() if step.sort == ENABLING]
    return dict(zip(own, LETTERS, strict=False))


def _drawn(order: Order) -> Any:
    """Return the graph of what is drawn in lanes, without what follows from the rest of it."""
    own = [key for key, step in order.steps.items() if step.repair_id]
    return nx.transitive_reduction(order.graph.subgraph(own))


def _columns(order: Order, lanes: Sequence[str]) -> dict[str, int]:
    """Return the column of each part drawn: by how many things, one after another, come before it."""
    graph = order.graph.subgraph([key for key, step in order.steps.items() if step.repair_id])
    columns: dict[str, int] = {}
    for key in nx.topological_sort(graph):
        columns[key] = max((columns[before] + 1 for before in graph.predecessors(key)), default=0)
    drawn = {key: at for key, at in columns.items() if order.steps[key].repair_id in lanes}
    close = {at: i for i, at in enumerate(sorted(set(drawn.values())))}
    return {key: close[at] for key, at in drawn.items()}


def _places(order: Order, lanes: list[str], columns: Mapping[str, int], top: float) -> dict[str, _Place]:
    """Return where the middle of each part stands, and how wide it is."""
    rows = {name: i for i, name in enumerate(lanes)}
    return {
        key: _Place(
            x=LEFT + COLUMN * columns[key] + COLUMN / 2,
            y=top + LANE * rows[step.repair_id] + LANE / 2,
            width=PILL_W if step.sort == HOLD else BOX_W,
        )
        for key, step in order.steps.items()
        if key in columns
    }


def _enabling(drawing: Drawing, order: Order, letters: Mapping[str, str]) -> None:
    """Write what everything of a kind waits for, a letter each."""
    y = 68.0
    for key, letter in letters.items():
        step = order.steps[key]
        done = step.state == DONE
        drawing.circle(MARGIN + 9, y - 4, 8.5, fill=WET_STEPS[4] if done else PAPER, stroke=INK)
        drawing.words(
            MARGIN + 9, y, letter, text_anchor="middle", font_size=11, font_weight=600,
            fill=PAPER if done else INK,
        )  # fmt: skip
        drawing.words(MARGIN + 25, y, f"{step.label}: {'given' if done else step.because}", fill=INK)
        y += 20.0


def _key(drawing: Drawing, width: float, height: float) -> None:
    """Explain the signs at the foot."""
    x, y = MARGIN, height - 16.0
    said = (
        "✓ done or passed", "◐ under way", "▶ may start", "○ not tested", "✗ failed", "? not known",
        "dark line: still holds it up", "faint line: no longer",
    )  # fmt: skip
    drawing.line(MARGIN, height - 36.0, width - MARGIN, height - 36.0, stroke=RULE)
    drawing.words(x, y, "   ·   ".join(said), fill=SOFT_INK, font_size=11)


def _draw_lanes(drawing: Drawing, lanes: Sequence[str], order: Order, top: float, width: float) -> None:
    labels = {
        step.repair_id: step.label for step in order.steps.values() if step.repair_id and step.sort != HOLD
    }
    for i, name in enumerate(lanes):
        y = top + LANE * i
        if i % 2 == 0:
            drawing.rect(MARGIN, y, width - 2 * MARGIN, LANE, fill=FAINT, opacity=0.45)
        drawing.words(MARGIN + 8, y + 17, shortened(name, 30), font_weight=600, tip=name)
        for row, line in enumerate(wrapped(labels.get(name, ""), 36)[:2]):
            drawing.words(MARGIN + 8, y + 31 + 13 * row, line, font_size=11, fill=SOFT_INK)


def _draw_edges(drawing: Drawing, order: Order, places: Mapping[str, _Place]) -> None:
    """Draw what waits for what; faint ones first, so that what holds something up lies on top."""
    why = {(first, then): said for first, then, said in order.edges}
    place = {key: at for at, key in enumerate(order.steps)}
    drawn = [edge for edge in _drawn(order).edges if edge[0] in places and edge[1] in places]
    edges = sorted(drawn, key=lambda edge: (_holds(order, *edge), place[edge[0]], place[edge[1]]))
    for first, then in edges:
        a, b = places[first], places[then]
        x1, x2 = a.x + a.width / 2, b.x - b.width / 2
        holds = _holds(order, first, then)
        bend = max(24.0, min(70.0, (x2 - x1) / 2))
        line = (
            f"M{number(x1)} {number(a.y)} C{number(x1 + bend)} {number(a.y)}"
            f" {number(x2 - bend)} {number(b.y)} {number(x2 - 5)} {number(b.y)}"
        )
        colour = SOFT_INK if holds else RULE
        shape = {"d": line, "fill": "none", "stroke": colour, "stroke_width": 1.6 if holds else 1.1}
        drawing.add("path", shape, tip=plain(why.get((first, then), "")))
        head = [(x2 - 7, b.y - 4), (x2, b.y), (x2 - 7, b.y + 4)]
        drawing.path(head, closed=True, fill=colour, stroke=colour)


def _holds(order: Order, first: str, then: str) -> bool:
    return order.steps[first].state != DONE and order.steps[then].state != DONE


def _box(drawing: Drawing, step: Step, place: _Place, letters: list[str]) -> None:
    x, y = place.x - BOX_W / 2, place.y - BOX_H / 2
    free = step.state == MAY_START
    fill = FILLS[step.state]
    ink = PAPER if step.state == DONE else INK
    drawing.rect(
        x, y, BOX_W, BOX_H, rx=3, fill=fill, stroke=ACCENT if free else SOFT_INK,
        stroke_width=2.4 if free else 1.0, tip=_tip(step),
    )  # fmt: skip
    sign = SIGNS[step.state]
    text_x = x + (22 if sign else 8)
    if sign:
        drawing.words(x + 7, place.y + 4, sign, fill=ACCENT if free else ink, font_size=12)
    lines = wrapped(step.part or "all of it", 17 if sign else 19)[:2]
    for row, line in enumerate(lines):
        at = place.y + 4 + (row - (len(lines) - 1) / 2) * 12.5
        drawing.words(text_x, at, line, fill=ink, font_size=11)
    for i, letter in enumerate(letters):
        cx = x + BOX_W - 8 - 15 * i
        drawing.circle(cx, y - 4, 6.5, fill=PAPER, stroke=INK)
        drawing.words(cx, y - 0.6, letter, text_anchor="middle", font_size=9, font_weight=600)


def _pill(drawing: Drawing, step: Step, place: _Place, hold: Hold) -> None:
    passed = hold.passed
    x, y = place.x - PILL_W / 2, place.y - 13
    ink = PAPER if passed else INK
    drawing.rect(
        x, y, PILL_W, 26, rx=13, fill=WET_STEPS[4] if passed else PAPER, stroke=INK, stroke_width=1.4,
        stroke_dasharray=None if hold.tested else "4 3", tip=_tip(step),
    )  # fmt: skip
    sign = HOLD_SIGNS.get(hold.verdict.word, "?")
    said = f"{hold.hold_point.upper()} {sign}"
    drawing.words(place.x, place.y + 4, said, text_anchor="middle", fill=ink, font_size=11, font_weight=600)


def _tip(step: Step) -> str:
    waits = f" Waits for {', '.join(step.held_by)}." if step.held_by and step.state != DONE else ""
    because = f" {step.because}." if step.because else ""
    return f"{step.repair_id}: {step.label}{', ' + step.part if step.part else ''}.{because}{waits}"


def _last(
    drawing: Drawing, order: Order, holds: Mapping[str, Hold], width: float, top: float, lanes: int
) -> None:
    """Draw the check of the whole house as a bar across the end of every lane."""
    if LAST_CHECK not in order.steps or LAST_CHECK not in holds:
        return
    step, hold = order.steps[LAST_CHECK], holds[LAST_CHECK]
    x, height = width - MARGIN - 72.0, LANE * max(1, lanes) - 8.0
    drawing.rect(
        x, top + 4, 64, height, rx=6, fill=WET_STEPS[4] if hold.passed else PAPER, stroke=INK,
        stroke_width=1.4, stroke_dasharray=None if hold.tested else "4 3", tip=_tip(step),
    )  # fmt: skip
    ink = PAPER if hold.passed else INK
    sign = HOLD_SIGNS.get(hold.verdict.word, "?")
    middle = top + 4 + height / 2
    drawing.words(
        x + 32, middle - 12, f"HP7 {sign}", text_anchor="middle", fill=ink, font_size=11, font_weight=600
    )
    for row, line in enumerate(("last", "readings")):
        drawing.words(x + 32, middle + 4 + 13 * row, line, text_anchor="middle", fill=ink, font_size=11)
