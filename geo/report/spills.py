"""Where water would come up if one thing were stopped, how soon, and what it gets past."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pandas as pd

from geo.crossings import WAYS
from geo.drains.backup import BackUp, back_up
from geo.errors import WallfootError
from geo.findings.drain_answer import DrainAnswer, Drains
from geo.findings.drains import answer_facts, ask_drains
from geo.report import rules
from geo.report.parts import (
    INFERENCE,
    Block,
    Cell,
    Ids,
    Part,
    Table,
    blocks,
    items,
    paragraph,
    sentence,
    sentences,
)
from geo.report.source import Source
from geo.report.until import Flow, flows_of, litres_until, minutes_until, roofs_above
from geo.report.wording import amount, found_ids, wide_range

STOPPED = ("blocked", "slow", "silted", "collapsed", "outlet_slow", "pot_blocked", "standing_water")
MOST_ASKED = 6


def spills_part(source: Source) -> Part:
    """Return where each stop would spill first, and what then reaches the wall beside a wet place."""
    drains = source.drains
    every = drains.every if drains is not None else pd.DataFrame()
    rows: list[tuple[Cell, ...]] = []
    for name, row in every.iterrows():
        unsure = found_ids((*row["rivals"], *row["decides"], *row["leaks"], *row["fittings"]))
        rows.append(
            (
                Ids((str(name),)),
                drains.whose(str(name)) if drains else "",
                str(row["word"]),
                Ids(found_ids((row["first"],))),
                str(row["leaves"]),
                amount(float(row["level_m"]), "", digits=3, sigma=float(row["sigma_m"])),
                Ids(unsure),
            )
        )
    table = Table(
        caption="If one thing were blocked: where water first comes up",
        header=("Blocked", "Whose", "Word", "First at", "Over its", "Level, m", "Or, or rests on"),
        widths=(0.8, 2.0, 1.1, 0.8, 0.8, 1.4, 1.2),
        numbers=(5,),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.SPILL,
    )
    flows = flows_of(source) if drains is not None else ()
    return Part(
        key="spills",
        title="Where they would spill",
        blocks=blocks(table, *(_how_long(drains, flows) if drains is not None and len(every) else ())),
        parts=tuple(_answers(drains, answers_that_matter(source), flows)) if drains is not None else (),
        why="the drains cannot be laid out, or there is no run",
        fills="levels of rims, lips, joints and inverts of everything on a run",
    )


def _how_long(drains: Drains, flows: tuple[Flow, ...]) -> tuple[Block, ...]:
    """Return what each flow is, and the litres and minutes of every stop with it."""
    told = [
        paragraph(
            sentence(flow.said),
            lead=flow.name,
            nature=INFERENCE,
            rule=rules.MINUTES,
            rests_on=flow.rests_on,
        )
        for flow in flows
    ]
    rows: list[tuple[Cell, ...]] = []
    for name, row in drains.every.iterrows():
        result = back_up(
            drains.network, blocked=str(name), source=str(row["source"]), ref=drains.ref, changes=False
        )
        rows.append(
            (
                Ids((str(name),)),
                litres_until(drains, result),
                *(minutes_until(drains, result, flow) for flow in flows),
                _roofs(drains, result),
            )
        )
    table = Table(
        caption="After how many litres, and how many minutes of each flow, just above the stop",
        header=("Blocked", "Litres", *(f"{flow.name}, min" for flow in flows), "Roofs, m²"),
        widths=(0.8, 1.4, *(1.6 for _ in flows), 1.3),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.MINUTES,
    )
    return blocks(items(told), table)


def _roofs(drains: Drains, result: BackUp) -> str:
    """Return the roofs that drain to what stands full, on plan and in driven rain."""
    least, most = roofs_above(drains, result)
    if not math.isfinite(most):
        return "not recorded"
    return wide_range(least, most) if most > 0 else "none"


def answers_that_matter(source: Source) -> list[DrainAnswer]:
    """Return the answers for stops that are recorded, or that would spill beside a wet place."""
    drains = source.drains
    if drains is None:
        return []
    stopped = {
        record.id
        for kind in ("run", "gully", "soakaway", "chamber")
        for record in source.site.of(kind)
        if getattr(record, "state", "") in STOPPED
    }
    stopped |= {
        getattr(record, "of_id", "")
        for record in source.site.of("asset_state")
        if getattr(record, "state", "") in STOPPED
    }
    beside = {
        str(name)
        for name, row in drains.every.iterrows()
        if row["word"] == "spills" and _beside_wet(source, str(row["first"]))
    }
    wanted = [name for name in drains.can_be_blocked if name in stopped or name in beside]
    wanted.sort(key=lambda name: (name not in stopped, name))
    answers = []
    for name in wanted[:MOST_ASKED]:
        try:
            answers.append(ask_drains(drains, blocked=name))
        except WallfootError:
            continue
    return answers


def _beside_wet(source: Source, name: str) -> bool:
    """Return whether an asset stands within reach of a wet place."""
    assets = source.found.assets
    if name not in assets.index:
        return False
    ring, at = assets.loc[name, "ring_key"], float(assets.loc[name, "chainage_m"])
    reach = source.ref.value("outlets.radius_c_m")
    if not ring or not math.isfinite(at):
        return False
    length = source.places.lengths[str(ring)]
    return any(
        place.ring_key == ring
        and any(place.from_m - reach <= at + turn <= place.to_m + reach for turn in (-length, 0.0, length))
        for place in source.wet
    )


def _answers(drains: Drains, found: list[DrainAnswer], flows: tuple[Flow, ...]) -> Iterator[Part]:
    """Go through the answers; what the wall says is told once where several say the same."""
    walls: dict[tuple[tuple[Cell, ...], ...], str] = {}
    for answer in found:
        own, wall = _own_and_wall(drains, answer, flows)
        before = walls.setdefault(wall, answer.blocked)
        if wall and before != answer.blocked:
            wall = (("At the wall", f"as for {before}", f"The same rows as if {before} is stopped."),)
        table = Table(
            caption=f"{answer.blocked} taken as stopped, water coming from just above it",
            header=("Asked", "Answer", "Because"),
            widths=(1.6, 1.2, 5.0),
            rows=(*own, *wall),
            nature=INFERENCE,
            rule=rules.BARRIER,
        )
        yield Part(key=f"if-{answer.blocked}", title=f"If {answer.blocked} is stopped", blocks=blocks(table))


def _own_and_wall(
    drains: Drains, answer: DrainAnswer, flows: tuple[Flow, ...]
) -> tuple[tuple[tuple[Cell, ...], ...], tuple[tuple[Cell, ...], ...]]:
    """Return the rows about the drains, and those about the wall the water comes to."""
    own: list[tuple[Cell, ...]] = []
    wall: list[tuple[Cell, ...]] = []
    shut: list[str] = []
    for what, word, because in answer_facts(answer):
        at_wall = what[:2] in WAYS or what in WALL_ROWS or what.startswith("cavity ")
        if word == "no" and what[:2] in WAYS:
            shut.append(what)
        else:
            (wall if at_wall else own).append((_capital(what), word, sentence(because)))
        if what == "first spill":
            told = [
                f"{flow.name[:1].lower()}{flow.name[1:]} {minutes}"
                for flow in flows
                if (minutes := minutes_until(drains, answer.result, flow))
            ]
            own += [("Until then", "minutes", sentence("; ".join(told)))] if told else []
    if shut:
        wall.append(("Not past the barrier by", "no", sentence("; ".join(shut))))
    return tuple(own), tuple(wall)


WALL_ROWS = ("into the wall", "to close it")


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def barrier_part(source: Source) -> Part:
    """Return the ways past the damp proof course that are open, or not known, with nothing blocked."""
    fabric = source.drains.fabric if source.drains is not None else pd.DataFrame()
    rows: list[tuple[Cell, ...]] = []
    for row in fabric.to_dict("records"):
        span = source.places.span(
            str(row["ring_key"]), float(row["chainage_from_m"]), float(row["chainage_to_m"])
        )
        rows.append(
            (
                f"{row['way']}: {WAYS[row['way']]}",
                span,
                str(row["word"]),
                sentences(str(row["because"]), str(row["settle"])),
            )
        )
    table = Table(
        caption="Ways past the damp proof course, with no drain blocked",
        header=("Way", "Where", "Open", "Because"),
        widths=(2.0, 2.2, 0.8, 3.6),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.BARRIER,
    )
    return Part(
        key="barrier",
        title="Ways past the damp proof course",
        blocks=blocks(table),
        why="no way past it is open by the levels recorded, or there are none",
        fills="levels of both damp proof courses, the slab, the cavity base and its debris",
    )
