"""The drains: what is there, what is wrong, and the tests made of them."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from typing import Any

from geo.drains.faults import RULES
from geo.findings.drain_answer import Drains
from geo.report import rules
from geo.report.parts import (
    INFERENCE,
    Cell,
    Ids,
    Paragraph,
    Part,
    Table,
    blocks,
    items,
    paragraph,
    said,
    sentences,
)
from geo.report.source import Source
from geo.report.wording import amount, day_words, found_ids

STATES = {
    "gully": "gully_state",
    "downpipe": "downpipe_state",
    "soakaway": "soakaway_state",
    "chamber": "chamber_state",
}


def assets_part(source: Source) -> Part:
    """Return what is there: gullies, downpipes, soakaways, chambers, and the runs between them."""
    assets = source.found.assets
    sigmas = {
        record.id: getattr(record, "level_sigma_m", None)
        for kind in dict.fromkeys(assets["kind"])
        for record in source.site.of(str(kind))
    }
    rows: list[tuple[Cell, ...]] = []
    for name, row in assets.iterrows():
        kind = str(row["kind"])
        state = source.ref.word(STATES.get(kind, ""), str(row["state"]))
        where = source.places.spot(str(row["ring_key"] or ""), float(row["chainage_m"]))
        rows.append(
            (
                Ids((str(name),)),
                kind,
                where,
                state,
                source.ref.word("evidence", str(row["evidence"])),
                amount(float(row["level_m"]), "", digits=3, sigma=sigmas.get(str(name))),
            )
        )
    runs: list[tuple[Cell, ...]] = []
    for record in source.site.of("run"):
        run: Any = record
        runs.append(
            (
                Ids((run.id,)),
                Ids(found_ids((run.from_id, run.to_id))),
                source.ref.word("run_use", run.use),
                source.ref.word("run_owner", run.owner),
                amount(run.bore_mm, "", digits=0),
                amount(run.invert_up_level_m, "", digits=3),
                amount(run.invert_down_level_m, "", digits=3),
                amount(1000 * run.level_sigma_m, "", digits=0) if run.level_sigma_m is not None else "",
                source.ref.word("run_state", run.state),
                " / ".join(
                    source.ref.word("trace_evidence", end) for end in (run.from_evidence, run.to_evidence)
                ),
            )
        )
    return Part(
        key="assets",
        title="What is there",
        blocks=blocks(
            Table(
                caption="Outlets, chambers and soakaways",
                header=("Id", "What", "Where", "State", "Known", "Level, m"),
                widths=(0.7, 1.0, 2.6, 2.2, 1.0, 1.3),
                numbers=(5,),
                rows=tuple(rows),
            ),
            Table(
                caption="Runs, from upstream to downstream",
                header=(
                    "Run",
                    "From, to",
                    "Carries",
                    "Whose",
                    "Bore, mm",
                    "Invert up, m",
                    "Invert down, m",
                    "σ, mm",
                    "State",
                    "Ends known by",
                ),
                widths=(0.6, 1.0, 1.1, 1.6, 0.7, 0.9, 0.9, 0.6, 1.0, 1.3),
                numbers=(4, 5, 6, 7),
                rows=tuple(runs),
            ),
        ),
        why="no gully, downpipe, chamber, soakaway or run is recorded",
        fills="the outlets and drains, with their levels and how each end is known",
    )


def faults_part(source: Source) -> Part:
    """Return what is wrong with the drains, rule by rule."""
    drains = source.drains
    refused = paragraph(
        said("The drains cannot be laid out as recorded: {why}", why=source.drains_refused),
        nature=INFERENCE,
        rule=rules.RECORDS,
    )
    told: list[Paragraph | None] = []
    for fault in drains.faults if drains is not None else ():
        whose = "; ".join(_owners(drains, fault.ids)) if drains is not None else ""
        told.append(
            paragraph(
                sentences(fault.said, fault.verdict.settle, whose),
                lead=RULES[fault.rule].capitalize(),
                nature=INFERENCE,
                rule=rules.FAULT,
                rests_on=(*fault.ids, *fault.verdict.rests_on),
            )
        )
    return Part(
        key="faults",
        title="What is wrong with them",
        blocks=blocks(refused, items(told)),
        why="no fault is shown by the records" if drains is not None else "the drains cannot be laid out",
        fills="inverts at both ends of every run, states, and tests of what is joined to what",
    )


def _owners(drains: Drains, ids: Iterable[str]) -> list[str]:
    """Return whose the runs among some ids are, each answer once; nothing for what is no run."""
    keys = dict.fromkeys(drains.owners[name] for name in ids if name in drains.owners)
    return [
        "whose it is is not known" if key == "not_known" else f"it is a {drains.ref.word('run_owner', key)}"
        for key in keys
    ]


def trials_part(source: Source) -> Part:
    """Return every test with what it was worth."""
    records: dict[str, Any] = {record.id: record for record in source.site.of("trial")}
    rows: list[tuple[Cell, ...]] = []
    told: list[Paragraph | None] = []
    for one in source.judged:
        record = records[one.trial_id]
        needs = one.needed
        rows.append(
            (
                Ids((one.trial_id,)),
                source.ref.word("trial_kind", one.trial_kind),
                Ids((one.source_id,)),
                source.ref.word("dye", record.dye) if record.dye not in ("", "none") else "",
                amount(one.litres.value, "", digits=0, sigma=one.litres.sigma),
                amount(one.minutes.value, "", digits=1, sigma=one.minutes.sigma),
                amount(needs.wanted_l, "", digits=0) if needs else "",
                amount(needs.wanted_minutes, "", digits=0) if needs else "",
                one.verdict.word,
            )
        )
        lacks = f"to prove its source it still lacks {', '.join(one.lacks)}" if one.lacks else ""
        told.append(
            paragraph(
                sentences(one.verdict.because, one.verdict.settle, *one.told, lacks),
                lead=f"{one.trial_id}: {one.verdict.word}",
                nature=INFERENCE,
                rule=rules.SIZE,
                rests_on=(one.trial_id, *one.verdict.rests_on),
            )
        )
    table = Table(
        caption="Tests on site",
        header=("Test", "What", "Put in at", "Dye", "Litres", "Min", "Needs, l", "Needs, min", "Worth"),
        widths=(0.7, 2.0, 0.9, 0.7, 1.0, 1.1, 0.9, 1.0, 1.6),
        numbers=(4, 5, 6, 7),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.SIZE,
    )
    return Part(
        key="tests",
        title="Tests, and what each is worth",
        blocks=blocks(table, items(told)),
        why="no test is recorded",
        fills="tests with their water, minutes, dye and what was watched",
    )


def meter_part(source: Source) -> Part:
    """Return the water meter, and the rain and use of water on record."""
    readings: list[Any] = sorted(
        source.site.of("meter_reading"), key=lambda one: getattr(one, "taken_at", "")
    )
    told: list[Paragraph | None] = []
    for before, after in itertools.pairwise(readings):
        if before.service_id != after.service_id:
            continue
        used_l = (after.reading_m3 - before.reading_m3) * 1000.0
        least = after.resolution_l
        off = {"yes": "with everything off", "no": "while water was in use"}.get(after.all_off, "")
        told.append(
            paragraph(
                sentences(
                    f"between {day_words(before.taken_at)} and {day_words(after.taken_at)}"
                    f"{', ' + off if off else ''} the meter moved by {used_l:.1f} l"
                    if before.taken_at and after.taken_at
                    else "",
                    f"the last digit is {least:g} l: a smaller loss would not show" if least else "",
                ),
                lead="Water meter",
                rests_on=(before.id, after.id),
            )
        )
    events: list[Any] = list(source.site.of("event"))
    rows: list[tuple[Cell, ...]] = [
        (
            Ids((one.id,)),
            source.ref.word("event_kind", one.event_kind),
            Ids(found_ids((one.of_id,))),
            day_words(one.began_at),
            day_words(one.ended_at),
            amount(one.rain_mm, "mm") or amount(one.used_l, "l", digits=0),
            one.source,
        )
        for one in events
    ]
    table = Table(
        caption="Rain and use of water",
        header=("Record", "What", "At", "From", "To", "How much", "By"),
        widths=(0.8, 1.4, 0.7, 1.8, 1.8, 1.0, 1.8),
        rows=tuple(rows),
    )
    return Part(
        key="water",
        title="Water meter, rain and use",
        blocks=blocks(items(told), table),
        why="no meter reading and no rain or use of water is recorded",
        fills="two meter readings half an hour apart with everything off; rain by a gauge nearby",
    )
