"""What was opened, noticed, said, agreed and decided."""

from __future__ import annotations

import math
from typing import Any

from geo.report.parts import (
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
    sentences,
)
from geo.report.source import Source
from geo.report.wording import day_words, ids_in

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
                    f"{source.ref.word('sign', sign.sign)}, {sign.side}, {span_of(source, sign)}",
                    said("up to {m:.2f} m", m=sign.height_m),
                    said("over {m2:.2f} m²", m2=sign.area_m2),
                    quoted(sign.note),
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
                    f"{source.ref.word('feature_kind', part.feature_kind)}, {span_of(source, part)}:"
                    f" {source.ref.word('feature_state', part.state)}"
                    f" ({source.ref.word('evidence', part.evidence)})",
                    said("lowest way in at {m:.3f} m", m=part.level_m),
                    quoted(part.note),
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


def span_of(source: Source, record: Any) -> str:
    """Return the length of wall a record speaks of, for a surveyor."""
    key = ring_of(source, record)
    return source.places.span(key, record.chainage_from_m, record.chainage_to_m) if key else "place not known"


def ring_of(source: Source, record: Any) -> str:
    """Return the ring a record speaks of; nothing where it cannot be told."""
    rings = source.found.perimeter.rings
    examined = [str(key) for key in rings.index[rings["examined"]]]
    building = record.building_id or (
        str(rings.loc[examined[0], "building_id"]) if len(examined) == 1 else ""
    )
    key = f"{building}/{record.ring}" if record.ring else building
    return key if key in rings.index else ""


def quoted(words: str) -> str:
    """Return a person's words in quotation marks, nothing for none."""
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
                f" ({source.ref.word('reliability', account.reliability)}"
                f"{', about ' + about if about else ''})",
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
        fills="what people say, by role: since when, after what, past leaks and works",
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
        for one in every(source, "consent")
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
    found = sorted(every(source, "hypothesis"), key=lambda one: (one.decided_at, one.id))
    told = [
        paragraph(
            sentences(
                f"{source.ref.word('cause', one.cause)}{f' ({one.of_id})' if one.of_id else ''},"
                f" {one.side}, {span_of(source, one)}: {source.ref.word('hypothesis_state', one.state)}",
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


def every(source: Source, kind: str) -> list[Any]:
    """Return the records of a kind."""
    return list(source.site.of(kind))
