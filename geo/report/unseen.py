"""What was not looked at, and what is not known for it, with what would settle each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from geo.findings.gaps import Gap
from geo.report import rules
from geo.report.looked import every, quoted, span_of
from geo.report.parts import (
    INFERENCE,
    Cell,
    Ids,
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
from geo.report.wording import count_words, day_words
from geo.walk.close import OpenEnd


def limits_part(source: Source) -> Part:
    """Return what was not looked at, and what is not known for it, with what would settle each."""
    return Part(
        key="limits",
        title="What was not looked at, and what is not known",
        parts=tuple(
            part
            for part in (
                _access(source),
                _unread(source),
                _holes_reach(source),
                _unknowns(source, source.open_ends),
            )
            if not part.empty
        ),
        why="nothing is known to be missing",
        fills="",
    )


def _access(source: Source) -> Part:
    told = [*_entries(source), *_stops(source), *_leave(source)]
    return Part(key="access", title="Access and leave", blocks=blocks(items(told)))


def _entries(source: Source) -> Iterator[Paragraph | None]:
    for visit in every(source, "visit"):
        if visit.access in ("part", "none"):
            day = day_words(visit.arrived_at[:10])
            said = f"access was to {source.ref.word('access', visit.access)}"
            yield paragraph(sentence(f"on {day} {said}" if day else said), rests_on=(visit.id,))


def _stops(source: Source) -> Iterator[Paragraph | None]:
    for mark in every(source, "stop_mark"):
        if mark.state != "done":
            said = f"{_stop_words(source, mark.stop)}: {source.ref.word('stop_state', mark.state)}"
            yield paragraph(sentences(said, quoted(mark.note)), rests_on=(mark.id,))


def _leave(source: Source) -> Iterator[Paragraph | None]:
    for consent in every(source, "consent"):
        if consent.state != "given":
            what = source.ref.word("consent_for", consent.consent_for)
            whom = source.ref.word("speaker", consent.given_by)
            state = source.ref.word("consent_state", consent.state)
            yield paragraph(
                sentence(f"leave for {what} by the {whom}: {state}, not given"), rests_on=(consent.id,)
            )


def _stop_words(source: Source, stop: str) -> str:
    """Return a stop of the walk in words: ``wall:B1:F1:4of6`` is the fourth of six parts of a wall."""
    kind, _, rest = stop.partition(":")
    parts = rest.split(":")
    if len(parts) >= 2 and f"{parts[0]}:{parts[1]}" in source.found.perimeter.faces.index:
        wall = source.places.wall(parts[0], parts[1])
        piece = parts[2].replace("of", " of ") if len(parts) > 2 else ""
        return f"{kind.replace('_', ' ')}, {wall}{f', part {piece}' if piece else ''}"
    return stop.replace("_", " ").replace(":", ", ")


def _unread(source: Source) -> Part:
    table = source.found.unread
    short = source.ref.value("report.unread_short_m")
    records = {(one.side, round(one.chainage_from_m, 1)): one for one in every(source, "unread_length")}
    rows: list[tuple[Cell, ...]] = []
    left: dict[str, list[float]] = {}
    for row in table.itertuples():
        if row.length_m < short:
            left.setdefault(str(row.side), []).append(float(row.length_m))
            continue
        own = records.get((str(row.side), round(float(row.chainage_from_m), 1)))
        span = source.places.span(
            str(row.ring_key), float(row.chainage_from_m), float(row.chainage_from_m) + float(row.length_m)
        )
        why = str(row.reason) + (f": “{own.note}”" if own is not None and own.note else "")
        rows.append(
            (str(row.side), span, f"{row.length_m:.1f}", why, Ids((own.id,) if own is not None else ()))
        )
    rest = [
        f"{count_words(len(found), 'piece')} {side} shorter than {short:g} m each, {sum(found):.1f} m in all"
        for side, found in sorted(left.items())
    ]
    return Part(
        key="unread",
        title="Wall nobody read",
        blocks=blocks(
            paragraph(coverage_total(source)),
            Table(
                caption="Lengths not read; unread is not dry",
                header=("Side", "Where", "Length, m", "Why", "Record"),
                widths=(0.8, 4.0, 0.9, 2.6, 0.8),
                numbers=(2,),
                rows=tuple(rows),
                nature=INFERENCE,
                rule=rules.UNREAD,
            ),
            paragraph(sentence(f"also not read: {listed(rest)}") if rest else ""),
        ),
    )


def coverage_total(source: Source) -> str:
    """Say how much wall was not read in all, side by side."""
    table = source.found.coverage
    found = []
    for side, own in table.groupby("side") if len(table) else ():
        unread, whole = float(own["unread_m"].sum()), float(own["readable_m"].sum())
        if whole > 0 and unread > 0:
            found.append(f"{unread:.1f} m of {whole:.1f} m {side}")
    return sentence(f"not read: {listed(found)}; whether it is wet there is not known") if found else ""


def _holes_reach(source: Source) -> Part:
    found = [
        one
        for one in every(source, "cavity")
        if one.evidence in ("not_looked", "no_access") or one.state == "not_seen"
    ]
    told = [
        paragraph(sentences(f"cavity not seen, {span_of(source, one)}", quoted(one.note)), rests_on=(one.id,))
        for one in found
    ]
    if not source.site.of("opening_up"):
        told.append(
            paragraph(
                "Nothing was opened: what lies behind plaster, in cavities and under floors is not known."
            )
        )
    return Part(key="unseen", title="Not seen", blocks=blocks(items(told)))


def _unknowns(source: Source, ends: Iterable[OpenEnd]) -> Part:
    rows: list[tuple[Cell, ...]] = []
    for end in ends:
        gap = end.gap
        if end.kind in ("unread", "safety"):
            continue
        rows.append(
            (
                _first_capital(gap.what),
                _gap_where(source, gap),
                f"{end.wall_m:.1f}" if end.wall_m > 0 else "",
                sentence(gap.why),
                sentence(gap.settle),
                f"{gap.minutes:.0f}" if math.isfinite(gap.minutes) else "",
            )
        )
    table = Table(
        caption="What is not known, dearest first, and the cheapest measurement that would end it",
        header=("What", "Where", "Wall, m", "Why it matters", "To settle it", "Min"),
        widths=(1.7, 1.7, 0.6, 2.3, 2.3, 0.45),
        numbers=(2, 5),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.NOT_KNOWN,
    )
    return Part(key="unknowns", title="Not known", blocks=blocks(table))


def _first_capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _gap_where(source: Source, gap: Gap) -> str:
    if gap.ring_key and math.isfinite(gap.chainage_from_m):
        return source.places.span(gap.ring_key, gap.chainage_from_m, gap.chainage_to_m)
    return gap.where


def not_recorded(parts: Iterable[Part]) -> Paragraph | None:
    """Say of what nothing is recorded, from the sections that have nothing in them."""
    found = [part.title[:1].lower() + part.title[1:] for part in parts if part.why]
    return paragraph(
        sentence(f"nothing is recorded under: {'; '.join(found)}") if found else "", lead="Nothing recorded"
    )


def urgent_lines(source: Source) -> list[str]:
    """Return what is open that endangers people, as recorded."""
    return [
        sentences(f"{end.gap.what}: {end.gap.where}", end.gap.settle)
        for end in source.open_ends
        if end.kind == "safety"
    ]
