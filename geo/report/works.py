"""The works: measured quantities, the order and its hold points, leave, what was done, and the drying."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from geo.draw.drying import draw_drying
from geo.drying.document import air_table, pairs_table, points_table, releases_table, summary, water_lines
from geo.report import rules
from geo.report.parts import (
    INFERENCE,
    Cell,
    Figure,
    Ids,
    Note,
    Paragraph,
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
from geo.report.wording import amount, day_words
from geo.report.works_order import recorded
from geo.works.done import NOT_AGREED, Variation
from geo.works.kinds import Line, Work

CAUTION = (
    "Quantities and order are for planning. They are no design, no price and no approval; trades licensed for"
    " the work decide how it is done."
)


def quantities_part(source: Source) -> Part:
    """Return every repair with its quantities, formula and what is missing."""
    works = source.works
    parts = [_work(source, work) for work in works.works] if works is not None else []
    return Part(
        key="quantities",
        title="Measured works",
        blocks=blocks(
            Note(head="Measured, not designed", lines=(CAUTION,)) if parts else None,
            paragraph(said_refused(source)),
            paragraph(_proposed(source)),
            items([paragraph(sentence(note)) for note in works.notes] if works is not None else ()),
        ),
        parts=tuple(parts),
        why="no repair is recorded, and no accepted cause asks for one",
        fills="accepted causes, or repairs of your own on the page Works",
    )


def _proposed(source: Source) -> str:
    """Say which repairs nobody recorded, where there are any."""
    proposed = [work for work in source.works.works if work.asked.proposed] if source.works else []
    if not proposed:
        return ""
    return sentences(
        f"names that begin with P- are of repairs the tool proposes for accepted causes, {len(proposed)} in"
        " all; what was recorded bears the name it was given"
    )


def said_refused(source: Source) -> str:
    """Say why the works cannot be worked out, where they cannot."""
    return sentences(source.works_refused)


def _work(source: Source, work: Work) -> Part:
    asked, ref = work.asked, source.ref
    stage = "proposed by the tool" if asked.proposed else ref.word("repair_stage", asked.stage)
    answers = listed(
        dict.fromkeys(
            f"{ref.word('cause', each.cause)}{f' ({each.of_id})' if each.of_id else ''}"
            for each in asked.answers
        )
    )
    rows: list[tuple[Cell, ...]] = [_line(line, source) for line in work.lines]
    own = () if asked.proposed else (work.repair_id,)
    table = Table(
        caption="",
        header=("Quantity", "Net", "Waste", "Order", "Basis", "How worked out, or what is missing", "From"),
        widths=(1.3, 1.0, 0.6, 1.1, 0.9, 4.0, 1.0),
        numbers=(1, 2, 3),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.WORKS,
    )
    agreed = ", ".join(
        filter(
            None,
            (day_words(asked.agreed_on), ref.word("speaker", asked.agreed_by) if asked.agreed_by else ""),
        )
    )
    return Part(
        key=f"work-{work.repair_id}",
        title=f"{work.repair_id}: {work.label}",
        blocks=blocks(
            paragraph(
                sentences(
                    f"{stage}{f', {work.where}' if work.where else ''}",
                    f"it answers: {answers}" if answers else "",
                    f"why: {asked.why}" if asked.why else "",
                    f"changes {asked.variation_of_id}" if asked.variation_of_id else "",
                    f"agreed: {agreed}" if agreed else "",
                    f"not measured: {work.refused}" if work.refused else "",
                    *work.notes,
                ),
                nature=INFERENCE if asked.proposed else "fact",
                rule=rules.WORKS if asked.proposed else "",
                rests_on=(*own, *asked.of_ids),
            ),
            table,
        ),
    )


def _line(line: Line, source: Source) -> tuple[Cell, ...]:
    unit = source.ref.word("quantity_unit", line.unit)
    order_unit = source.ref.word("quantity_unit", line.order_unit or line.unit)
    span = (
        f" ({_number(line.low)}–{_number(line.high)})"
        if math.isfinite(line.low) and math.isfinite(line.high) and line.high > line.low
        else ""
    )
    net = f"{_number(line.net)}{span} {unit}" if line.known else "not known"
    order = " ".join(filter(None, (_number(line.order), order_unit))) if math.isfinite(line.order) else ""
    waste = amount(line.waste_percent, "%", digits=0) if line.known and line.waste_percent else ""
    return (
        line.line,
        net,
        waste,
        f"{order}{f', {line.order_said}' if order and line.order_said else ''}",
        line.basis,
        sentences(line.formula, line.missing, line.settle),
        Ids(line.of_ids),
    )


def _number(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def leave_part(source: Source) -> Part:
    """Return the leave the works need, each with why."""
    works = source.works
    rows: list[tuple[Cell, ...]] = [
        (each.label, each.whom, each.needed, sentence(each.why), ", ".join(each.repair_ids), each.state)
        for each in (works.leave if works is not None else ())
    ]
    return Part(
        key="leave",
        title="Leave the works need",
        blocks=blocks(
            Table(
                caption="Derived from what is proposed; there may be more",
                header=("Leave", "Of", "Needed", "Why", "For", "State"),
                widths=(1.5, 1.4, 0.9, 2.8, 1.9, 1.1),
                rows=tuple(rows),
                nature=INFERENCE,
                rule=rules.WORKS,
            )
        ),
        why="the works on record need none that is known of",
        fills="",
    )


NOT_BY_LINE = "recorded as finished; how much of this was done is not recorded"


def done_part(source: Source) -> Part:
    """Return what was done against what was estimated, changes agreed, and costs by the user's own prices."""
    works = source.works
    ref = source.ref
    done: list[tuple[Cell, ...]] = []
    costs: list[tuple[Cell, ...]] = []
    told: list[Paragraph | None] = []
    if works is not None:
        finished = {work.repair_id for work in works.works if work.asked.stage == "finished"}
        done = [
            (
                each.repair_id,
                each.line,
                ref.word("quantity_unit", each.unit),
                _known(each.estimated),
                "" if each.repair_id in finished and not each.record_ids else _known(each.done),
                "" if each.repair_id in finished and not each.record_ids else _known(each.remaining),
                sentences(
                    each.because
                    or (NOT_BY_LINE if each.repair_id in finished and not each.record_ids else "")
                ),
                Ids(each.record_ids),
            )
            for each in works.done
        ]
        costs = [
            (
                each.repair_id,
                each.line,
                f"{_number(each.quantity)} {ref.word('quantity_unit', each.unit)}",
                f"{each.price} {each.currency}",
                f"{each.amount:.2f}",
                Ids((each.rate_id,) if each.rate_id else ()),
            )
            for each in works.costs.lines
        ]
        told = [
            paragraph(
                sentences(
                    f"{each.repair_id} changes {each.of_id}: {each.label}", each.why, _agreement(source, each)
                ),
                lead="Variation",
                rests_on=recorded(source, (each.repair_id, each.of_id)),
            )
            for each in works.variations
        ]
        if costs:
            totals = listed(f"{value:.2f} {key}" for key, value in sorted(works.costs.totals.items()))
            without = len(works.costs.without)
            told.append(
                paragraph(
                    sentences(
                        f"of what has a price: {totals}",
                        f"{without} quantities have no price of the user's, and none is built in"
                        if without
                        else "",
                    ),
                    lead="In all",
                )
            )
    return Part(
        key="done",
        title="Done, changed, priced",
        blocks=blocks(
            Table(
                caption="Done against estimated",
                header=("Repair", "Quantity", "Unit", "Estimated", "Done", "Left", "", "Record"),
                widths=(0.9, 1.4, 0.6, 0.9, 0.8, 0.8, 3.0, 0.9),
                numbers=(3, 4, 5),
                rows=tuple(done),
            ),
            Table(
                caption="By the user's own prices",
                header=("Repair", "Quantity", "Amount of it", "Price", "Cost", "Price from"),
                widths=(1.0, 1.8, 1.6, 1.4, 1.2, 1.0),
                numbers=(2, 3, 4),
                rows=tuple(costs),
                nature=INFERENCE,
                rule=rules.WORKS,
            ),
            items(told),
        ),
        why="nothing is recorded as done, and there is no price",
        fills="work done, line by line, and prices of your own",
    )


def _agreement(source: Source, each: Variation) -> str:
    """Say when and by whom a variation was agreed, or that it was not in writing."""
    if each.agreed == NOT_AGREED:
        return each.agreed
    return f"agreed {day_words(each.agreed_on)} by the {source.ref.word('speaker', each.agreed_by)}"


def _known(value: float) -> str:
    return _number(value) if math.isfinite(value) else ""


def drying_part(source: Source) -> Part:
    """Return the drying: fixed points, litres, air, what may be handed on, before and after."""
    found = source.drying
    if found is None:
        return Part(
            key="drying",
            title="Drying",
            why="no drying point, no machine and no repeated reading is recorded",
            fills="fixed points with their dry references, read again and again in the same way",
        )
    figure = None
    if any(one.series.parts for one in found.followed):
        figure = Figure(
            name="drying",
            alt="Fixed points over time, each in its own lane, with goals, machines and rain",
            caption="Fixed points over time, each in its own unit. Hatched: what the readings leave open.",
            svg=draw_drying(found),
        )
    logged = [record.id for record in source.site.of("drying_log")]
    told = [
        paragraph(
            sentences(
                one.sentence,
                one.settle,
                *(f"{rise.word}: {rise.because}" for rise in one.rises if rise.because not in one.sentence),
            ),
            nature=INFERENCE,
            rule=rules.DRYING,
            rests_on=(one.point_id, *one.verdict.rests_on),
        )
        for one in found.followed
    ]
    return Part(
        key="drying",
        title="Drying",
        blocks=blocks(
            paragraph(
                summary(found),
                nature=INFERENCE,
                rule=rules.DRYING,
                rests_on=[one.point_id for one in found.followed],
            ),
            items(told),
            figure,
            _table(
                "Fixed points, the slowest first",
                points_table(found),
                (0.8, 2.2, 0.9, 1.6, 1.0, 1.0, 1.0, 1.0, 2.2),
            ),
            items(
                [
                    paragraph(sentence(line), nature=INFERENCE, rule=rules.DRYING, rests_on=logged)
                    for line in water_lines(found)
                ]
            ),
            _table("Which way the air drives", air_table(found), (1.3, 1.2, 1.2, 1.2, 1.3, 3.0)),
            _table("What may be handed on", releases_table(found), (2.2, 1.0, 1.1, 2.6, 2.6, 1.4)),
            _table(
                "Readings of the survey read again",
                pairs_table(found),
                (0.8, 0.8, 1.8, 0.7, 0.7, 0.8, 1.2, 2.6),
            ),
            items([paragraph(sentence(line)) for line in (*found.back, *found.told)]),
        ),
    )


def _table(caption: str, table: pd.DataFrame, widths: tuple[float, ...]) -> Table | None:
    """Return a table of another room as it stands; columns in which nothing stands are left out."""
    if table.empty:
        return None
    kept = [name for name in table if any(_cell(value) for value in table[name])]
    share = dict(zip(table.columns, widths, strict=True))
    number = [i for i, name in enumerate(kept) if pd.api.types.is_numeric_dtype(table[name].dtype)]
    return Table(
        caption=caption,
        header=tuple(str(name)[:1].upper() + str(name)[1:] for name in kept),
        widths=tuple(share[name] for name in kept),
        rows=tuple(tuple(_cell(value) for value in row) for row in table[kept].itertuples(index=False)),
        numbers=tuple(number),
        nature=INFERENCE,
        rule=rules.DRYING,
    )


def _cell(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)
