"""What was opened, noticed, said and agreed; and what was not looked at."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from geo.findings.gaps import Gap
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
    listed,
    paragraph,
    said,
    sentence,
    sentences,
)
from geo.report.source import Source
from geo.report.wording import count_words, day_words, ids_in
from geo.walk.close import OpenEnd

HOLE_LEVELS = (
    ("plaster_bottom_level_m", "bottom of the plaster"),
    ("dpc_outer_level_m", "outer damp proof course"),
    ("dpc_inner_level_m", "inner damp proof course"),
    ("slab_top_level_m", "top of the slab"),
    ("soffit_level_m", "underside of the slab"),
    ("debris_top_level_m", "top of the debris"),
)


def openings_part(source: Source) -> Part:
    """Return each hole made to look: what was seen, and how far it speaks for."""
    told = []
    for record in source.site.of("opening_up"):
        hole: Any = record
        where = _placed(source, "opening_up", hole.id)
        levels = [
            said("{what} {level:.3f} m", what=what, level=getattr(hole, name)) for name, what in HOLE_LEVELS
        ]
        seen = [
            said("to the left: {seen}", seen=hole.seen_left),
            said("to the right: {seen}", seen=hole.seen_right),
        ]
        reach = said(
            "it speaks for {left:g} m to the left and {right:g} m to the right, and for no more",
            left=hole.reach_left_m,
            right=hole.reach_right_m,
        )
        closed = {"yes": "closed and made good", "no": "not closed when it was last recorded"}.get(
            hole.made_good, ""
        )
        told.append(
            paragraph(
                sentences(
                    ", ".join(
                        filter(
                            None,
                            (
                                source.ref.word("opening_up_kind", hole.opening_up_kind),
                                where,
                                said("{mm:.0f} mm wide", mm=hole.size_mm),
                            ),
                        )
                    ),
                    listed(filter(None, levels)),
                    said("cavity {mm:.0f} mm wide", mm=hole.cavity_mm),
                    said("water in it {mm:.0f} mm deep", mm=hole.water_depth_mm),
                    _membrane(source, hole),
                    *seen,
                    reach,
                    closed,
                ),
                lead=f"{hole.id}{', ' + day_words(hole.opened_at) if hole.opened_at else ''}",
                rests_on=(hole.id, hole.consent_id, *ids_in(hole.photo_ids)),
            )
        )
    return Part(
        key="openings",
        title="Holes made to look",
        blocks=blocks(items(told)),
        why="nothing was opened",
        fills="a hole at a wet place, with levels, cavity width and how far each way it lets one see",
    )


def _membrane(source: Source, hole: Any) -> str:
    known = hole.membrane not in ("", "not_known")
    return f"membrane: {source.ref.word('membrane', hole.membrane)}" if known else ""


def _placed(source: Source, kind: str, name: str) -> str:
    """Return where a record is, or nothing where it has no place."""
    table = source.found.placed.get(kind)
    if table is None or name not in table.index:
        return ""
    row = table.loc[name]
    chainage = float(row["chainage_m"])
    return source.places.spot(str(row["ring_key"] or ""), chainage) if math.isfinite(chainage) else ""


def fabric_part(source: Source) -> Part:
    """Return signs along the walls and the parts of the walls water could come in by."""
    told: list[Paragraph | None] = []
    for record in source.site.of("sign"):
        sign: Any = record
        told.append(
            paragraph(
                sentences(
                    f"{source.ref.word('sign', sign.sign)}, {sign.side}, {_span(source, sign)}",
                    said("up to {m:.2f} m", m=sign.height_m),
                    said("over {m2:.2f} m²", m2=sign.area_m2),
                    _quoted(sign.note),
                ),
                lead=f"Noticed{', ' + day_words(sign.seen_on) if sign.seen_on else ''}",
                rests_on=(sign.id, sign.of_id, *ids_in(sign.photo_ids)),
            )
        )
    for record in source.site.of("wall_feature"):
        part: Any = record
        told.append(
            paragraph(
                sentences(
                    f"{source.ref.word('feature_kind', part.feature_kind)}, {_span(source, part)}:"
                    f" {source.ref.word('feature_state', part.state)}"
                    f" ({source.ref.word('evidence', part.evidence)})",
                    said("lowest way in at {m:.3f} m", m=part.level_m),
                    _quoted(part.note),
                ),
                lead="Wall",
                rests_on=(part.id, *ids_in(part.photo_ids)),
            )
        )
    return Part(
        key="fabric",
        title="What was noticed along the walls",
        blocks=blocks(items(told)),
        why="no sign and no part of a wall is recorded",
        fills="signs (smell, mould, tide marks, what wetness follows) and sills, parapets, chimneys, trays",
    )


def _span(source: Source, record: Any) -> str:
    key = _ring_of(source, record)
    return source.places.span(key, record.chainage_from_m, record.chainage_to_m) if key else "place not known"


def _ring_of(source: Source, record: Any) -> str:
    rings = source.found.perimeter.rings
    examined = [str(key) for key in rings.index[rings["examined"]]]
    building = record.building_id or (
        str(rings.loc[examined[0], "building_id"]) if len(examined) == 1 else ""
    )
    key = f"{building}/{record.ring}" if record.ring else building
    return key if key in rings.index else ""


def _quoted(words: str) -> str:
    return f"“{words}”" if words else ""


def accounts_part(source: Source) -> Part:
    """Return what people said, by role, as said."""
    told = []
    for record in source.site.of("account"):
        account: Any = record
        about = " to ".join(filter(None, (day_words(account.about_from), day_words(account.about_to))))
        told.append(
            paragraph(
                f"“{account.said}”",
                lead=f"{source.ref.word('speaker', account.speaker).capitalize()}"
                f" ({source.ref.word('reliability', account.reliability)}{', about ' + about if about else ''})",
                rests_on=(account.id,),
            )
        )
    return Part(
        key="accounts",
        title="What people said",
        blocks=blocks(
            paragraph("These are people's words, by role. They are facts about what was said.")
            if told
            else None,
            items(told),
        ),
        why="no account is recorded",
        fills="what occupants, owners and neighbours say, by role: since when, after what, past leaks and works",
    )


def consents_part(source: Source) -> Part:
    """Return leave asked, given and refused."""
    rows: list[tuple[Cell, ...]] = [
        (
            Ids((one.id,)),
            source.ref.word("consent_for", one.consent_for),
            source.ref.word("speaker", one.given_by),
            source.ref.word("consent_state", one.state),
            day_words(one.given_on),
            one.limits,
        )
        for one in _any(source, "consent")
    ]
    table = Table(
        caption="Leave",
        header=("Record", "For", "Of", "State", "When", "Limited to"),
        widths=(0.7, 1.8, 1.0, 0.9, 1.5, 3.0),
        rows=tuple(rows),
    )
    return Part(
        key="consents",
        title="Leave asked and given",
        blocks=blocks(table),
        why="no leave is recorded",
        fills="leave for opening up, water tests, drilling and photographs: asked, given or refused, by role",
    )


def decisions_part(source: Source) -> Part:
    """Return the decisions about causes, oldest first, each with its reason."""
    found = sorted(_any(source, "hypothesis"), key=lambda one: (one.decided_at, one.id))
    told = [
        paragraph(
            sentences(
                f"{source.ref.word('cause', one.cause)}{f' ({one.of_id})' if one.of_id else ''},"
                f" {one.side}, {_span(source, one)}: {source.ref.word('hypothesis_state', one.state)}",
                f"reason: {one.reason}",
            ),
            lead=", ".join(filter(None, (one.id, day_words(one.decided_at)))),
            nature="opinion",
            signed=one.decided_by or "the surveyor",
            rests_on=(one.id, one.of_id, *ids_in(one.because_ids)),
        )
        for one in found
    ]
    return Part(
        key="decisions",
        title="Decisions about causes",
        blocks=blocks(items(told)),
        why="no cause was accepted, set aside or put forward by the surveyor",
        fills="decisions on the page Causes, each with its reason",
    )


def _any(source: Source, kind: str) -> list[Any]:
    return list(source.site.of(kind))


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
    told: list[Paragraph | None] = []
    for visit in _any(source, "visit"):
        if visit.access in ("part", "none"):
            told.append(
                paragraph(
                    sentence(
                        f"on {day_words(visit.arrived_at[:10])} access was to {source.ref.word('access', visit.access)}"
                        if visit.arrived_at
                        else f"access was to {source.ref.word('access', visit.access)}"
                    ),
                    rests_on=(visit.id,),
                )
            )
    for mark in _any(source, "stop_mark"):
        if mark.state != "done":
            told.append(
                paragraph(
                    sentences(
                        f"{_stop_words(source, mark.stop)}: {source.ref.word('stop_state', mark.state)}",
                        _quoted(mark.note),
                    ),
                    rests_on=(mark.id,),
                )
            )
    for consent in _any(source, "consent"):
        if consent.state != "given":
            told.append(
                paragraph(
                    sentence(
                        f"leave for {source.ref.word('consent_for', consent.consent_for)} by the"
                        f" {source.ref.word('speaker', consent.given_by)}:"
                        f" {source.ref.word('consent_state', consent.state)}, not given"
                    ),
                    rests_on=(consent.id,),
                )
            )
    return Part(key="access", title="Access and leave", blocks=blocks(items(told)))


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
    records = {(one.side, round(one.chainage_from_m, 1)): one for one in _any(source, "unread_length")}
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
        for one in _any(source, "cavity")
        if one.evidence in ("not_looked", "no_access") or one.state == "not_seen"
    ]
    told = [
        paragraph(sentences(f"cavity not seen, {_span(source, one)}", _quoted(one.note)), rests_on=(one.id,))
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
        if end.kind == "unread" or end.kind == "safety":
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
