"""The first page of the full report, and how to read what follows."""

from __future__ import annotations

from typing import Any

from geo.report import rules
from geo.report.parts import (
    ADVICE,
    FACT,
    INFERENCE,
    NATURES,
    OPINION,
    Block,
    Items,
    Paragraph,
    Part,
    blocks,
    items,
    listed,
    paragraph,
    said,
    sentences,
)
from geo.report.source import Source
from geo.report.wording import count_words, day_words, ids_in


def first_facts(source: Source) -> tuple[tuple[str, str], ...]:
    """Return what stands on the first page: label and words; what is not recorded is left out."""
    info = source.site.info
    visits: list[Any] = list(source.site.of("visit"))
    level = f"{info.bench_mark_level_m:.3f} m" if info.bench_mark_level_m is not None else ""
    facts = [
        ("Property", info.name),
        ("Buildings", "; ".join(_building(record, source) for record in _subjects(source))),
        ("Surveyed", day_words(info.surveyed_on)),
        ("By", info.surveyed_by),
        ("Visits", "; ".join(filter(None, (_visit_day(visit) for visit in visits)))),
        ("Purpose", "; ".join(dict.fromkeys(visit.purpose for visit in visits if visit.purpose))),
        ("Levels from", info.datum),
        ("Bench mark", said("{where}: {level}", where=info.bench_mark, level=level) or info.bench_mark),
        ("Grid", f"{info.crs}: {source.found.grid_note}" if source.found.grid_note else info.crs),
        ("Limits changed", _changed(source)),
        ("Data version", source.site.digest),
        ("Written by", source.tool),
    ]
    return tuple((label, words) for label, words in facts if words)


def _subjects(source: Source) -> list[Any]:
    return [record for record in source.site.of("building") if getattr(record, "role", "") == "subject"]


def _building(record: Any, source: Source) -> str:
    wall = source.ref.word("wall_type", record.wall_type) if record.wall_type != "not_known" else ""
    storeys = count_words(int(record.storeys_count), "storey") if record.storeys_count else ""
    known = [said("built {when}", when=record.built), storeys, said("{wall}", wall=wall)]
    return f"{record.label or record.id}" + (f" ({', '.join(filter(None, known))})" if any(known) else "")


def _visit_day(visit: Any) -> str:
    left = visit.left_at[11:16] if visit.left_at[:10] == visit.arrived_at[:10] else day_words(visit.left_at)
    return " to ".join(filter(None, (day_words(visit.arrived_at), left)))


def _changed(source: Source) -> str:
    changed = [limit for limit in source.ref.limits.values() if limit.changed_by]
    return "; ".join(f"{limit.key} = {limit.value:g} {limit.unit}" for limit in changed)


def instructions(source: Source) -> Part:
    """Return the instructions: what the surveyor was asked, in the surveyor's own recorded words."""
    return Part(
        key="instructions",
        title="Instructions",
        blocks=statements(source, "instructions"),
        why="no sentence of the surveyor is recorded under instructions",
        fills="a statement with section instructions",
    )


def reading_note(source: Source) -> Part:
    """Return how to read the report: natures, links, what is never done."""
    words = [
        paragraph(f"{NATURES[nature].capitalize()}.", lead=nature.capitalize())
        for nature in (FACT, INFERENCE, OPINION, ADVICE)
    ]
    return Part(
        key="how-to-read",
        title="How to read this report",
        blocks=blocks(
            paragraph(
                "Every statement says what kind it is and names the records it rests on; each name leads to"
                " its row in the last part, where the record stands as it was taken. What is not recorded is"
                " not said."
            ),
            items(words),
            paragraph(
                "Readings of different methods, materials, bases or instruments are never averaged or"
                " drawn on one scale. An off-scale value is “at least” or “at most”. After ± stands one"
                " standard deviation of a level, a position, a flow or a content; beside a margin held"
                " against a limit or a course (clearances, falls, ways past the damp proof course) ± and"
                " the two numbers of a range are the range its rule names, 95 % where it names none. Ends"
                " and lengths are rounded each by itself, so that the last digit of a length may differ"
                " from that of its ends. Not looked, looked and nothing found, and could not get to it are"
                " three different answers."
            ),
            _places_note(source),
        ),
    )


def _places_note(source: Source) -> Paragraph | None:
    rings = source.found.perimeter.rings
    examined = rings[rings["examined"]]
    if examined.empty:
        return None
    around = listed(
        f"{source.places.ring(str(key))} {row['length_m']:.1f} m" for key, row in examined.iterrows()
    )
    return paragraph(
        sentences(
            "Places along a wall are given as chainage: metres along the outer face, clockwise seen from"
            " above, from corner A, the front-left one seen from the street",
            f"round the outside it measures: {around}",
        )
    )


def statements(source: Source, section: str) -> tuple[Block, ...]:
    """Return the surveyor's own sentences of a section, each printed as the kind it was recorded as."""
    found: list[Any] = [one for one in source.site.of("statement") if getattr(one, "section", "") == section]
    told = [statement_paragraph(one) for one in found]
    made = items(told)
    return (made,) if isinstance(made, Items) else ()


def statement_paragraph(one: Any) -> Paragraph | None:
    """Return one of the surveyor's sentences as a paragraph."""
    signed = ", ".join(filter(None, (one.stated_by or "the surveyor", day_words(one.stated_on))))
    return paragraph(
        one.said,
        nature=one.statement_kind,
        rule=rules.OWN if one.statement_kind == INFERENCE else "",
        rests_on=(one.id, *ids_in(one.rests_on_ids)),
        signed=signed if one.statement_kind in (OPINION, ADVICE, INFERENCE) else "",
    )
