"""The full report: everything, in the order somebody who must check it reads."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from geo.report import (
    as_left,
    causes,
    digs,
    drainage,
    front,
    looked,
    outside,
    pictures,
    spills,
    unseen,
    walls,
    works,
    works_order,
)
from geo.report.appendix import records_part
from geo.report.cautions import Caution, cautions_for, facts_of
from geo.report.parts import Block, Document, Figure, Note, Paragraph, Part, blocks, items, paragraph
from geo.report.photographs import photographs_part
from geo.report.rules import rules_part
from geo.report.source import Source
from geo.report.wording import last_day

FOOT_CAUTION = "Certifies nothing. What was not looked at is not known."


def full_report(source: Source) -> Document:
    """Return the full report of a site."""
    whole = _parts(source)
    gone = tuple(_empties(whole))
    kept = tuple(pruned(part) for part in whole if not part.empty)
    return Document(
        key="report",
        title="Report on damp and drainage",
        subtitle=source.site.info.name,
        facts=front.first_facts(source),
        parts=kept,
        missing=gone,
        dated=last_day(source.site),
        version=source.site.digest,
        tool=source.tool,
        foot=f"{source.site.info.name} · data {source.site.digest[:12]}",
        caution=FOOT_CAUTION,
        ids=frozenset(source.site.ids),
    )


def pruned(part: Part) -> Part:
    """Return a section without the empty ones in it."""
    return Part(
        key=part.key,
        title=part.title,
        blocks=part.blocks,
        parts=tuple(pruned(own) for own in part.parts if not own.empty),
        why=part.why,
        fills=part.fills,
    )


def _empties(parts: Iterable[Part]) -> Iterable[Part]:
    for part in parts:
        if part.empty and part.why:
            yield part
        yield from _empties(part.parts)


def _parts(source: Source) -> list[Part]:
    kinds = [work.asked.kind for work in source.works.works] if source.works is not None else []
    holes = digs.digs_part(source)
    found = cautions_for((*facts_of(source.found, repairs=kinds), "" if holes.empty else "digging"))
    rings = pictures.ring_figures(source)
    falls = outside.falls_part(source)
    falls = Part(
        key=falls.key,
        title=falls.title,
        blocks=falls.blocks,
        why=falls.why,
        fills=falls.fills,
        parts=tuple(_with_ring(part, rings) for part in falls.parts),
    )
    sections = [
        front.instructions(source),
        _summary(source, found),
        front.reading_note(source),
        walls.method_part(source),
    ]
    drying = works.drying_part(source)
    body = [
        Part(key="place", title="The place", blocks=pictures.plan_figures(source)),
        Part(
            key="walls",
            title="What the walls showed",
            parts=(
                walls.wet_part(source),
                walls.profile_part(source),
                pictures.strips_part(source),
                walls.readings_part(source),
                walls.samples_part(source),
                walls.air_part(source),
                looked.fabric_part(source),
            ),
        ),
        Part(
            key="outside",
            title="The ground outside",
            parts=(outside.levels_part(source), falls, outside.outlets_part(source)),
        ),
        Part(
            key="drains",
            title="The drains",
            parts=(
                drainage.assets_part(source),
                drainage.faults_part(source),
                _sections(source),
                spills.spills_part(source),
                drainage.trials_part(source),
                drainage.meter_part(source),
            ),
        ),
        Part(
            key="barrier-and-holes",
            title="Past the damp proof course",
            parts=(spills.barrier_part(source), _wall_sections(source), looked.openings_part(source)),
        ),
        Part(
            key="reasons",
            title="Causes",
            blocks=front.statements(source, "causes"),
            parts=(causes.causes_part(source), looked.decisions_part(source), causes.next_part(source)),
        ),
        Part(
            key="works",
            title="Works",
            blocks=(*front.statements(source, "works"),),
            parts=(
                works.quantities_part(source),
                works_order.order_part(source),
                holes,
                works.leave_part(source),
                works.done_part(source),
                as_left.left_part(source),
            ),
        ),
        replace(drying, blocks=(*front.statements(source, "drying"), *drying.blocks)),
        Part(
            key="said",
            title="What was said and agreed",
            parts=(looked.accounts_part(source), looked.consents_part(source)),
        ),
        photographs_part(source),
    ]
    empties = tuple(_empties([*sections, *body]))
    limits = unseen.limits_part(source)
    limits = replace(limits, blocks=front.statements(source, "limits"))
    none = unseen.not_recorded(empties)
    if none is not None:
        limits = Part(
            key=limits.key,
            title=limits.title,
            parts=(*limits.parts, Part(key="none", title="Not recorded", blocks=(none,))),
        )
    sections.append(rules_part([*sections, limits, *body], source.ref))
    return [*sections, limits, *body, _cautions(found), records_part(source)]


def _with_ring(part: Part, rings: Mapping[str, Figure]) -> Part:
    figure = rings.get(part.key.removeprefix("falls-"))
    more: tuple[Block, ...] = (figure,) if figure is not None else ()
    return Part(key=part.key, title=part.title, blocks=(*part.blocks, *more))


def _sections(source: Source) -> Part:
    return Part(
        key="sections",
        title="Long sections",
        blocks=pictures.drain_figures(source),
        why="no run can be drawn in section",
        fills="inverts at both ends of the runs",
    )


def _wall_sections(source: Source) -> Part:
    return Part(
        key="wall-sections", title="Sections through the wet walls", blocks=pictures.wall_figures(source)
    )


def _summary(source: Source, found: tuple[Caution, ...]) -> Part:
    urgent = [caution for caution in found if caution.key in ("electricity", "foul_indoors")]
    told = items(causes.summary_lines(source)) or walls.wet_part(source).blocks[:1]
    notes: list[Block | None] = [
        Note(head=caution.name, lines=(caution.short,), urgent=True) for caution in urgent
    ]
    lines = unseen.urgent_lines(source)
    if lines:
        notes.append(Note(head="Left open on site, as recorded", lines=tuple(lines), urgent=True))
    return Part(
        key="summary",
        title="Summary",
        blocks=blocks(
            *front.statements(source, "urgent"),
            *notes,
            *(told if isinstance(told, tuple) else (told,)),
            *front.statements(source, "findings"),
        ),
        why="no reading is recorded",
        fills="readings, with at least five dry references by each method",
    )


def _cautions(found: Iterable[Caution]) -> Part:
    told: list[Paragraph | None] = [paragraph(caution.long, lead=caution.name) for caution in found]
    return Part(key="cautions", title="Cautions", blocks=tuple(one for one in told if one is not None))
