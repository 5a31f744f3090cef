"""Causes: by wet place its sources, ways in and mimics, for and against, what is unexplained, what next."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from geo.evidence.ledger import Ledger, StretchLedger
from geo.evidence.support import CONTRADICTED, EXCLUDED, OPEN, UNLIKELY, Evidence, Support
from geo.report import rules
from geo.report.parts import (
    INFERENCE,
    Block,
    Cell,
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
from geo.report.places import WetPlace
from geo.report.source import Source
from geo.report.walls import SIDE_WORDS
from geo.report.wording import found_ids

REST = (OPEN, UNLIKELY, CONTRADICTED, EXCLUDED)
KIND_WORDS = {"source": "gives water", "route": "lets it in", "mimic": "only reads wet"}


def summary_lines(source: Source) -> list[Paragraph | None]:
    """Return one paragraph a wet place: where, how long, source with way in and proof, what is left."""
    return [
        _place_line(source, place, name) for place, name in zip(source.wet, source.wet_names, strict=True)
    ]


def _place_line(source: Source, place: WetPlace, name: str) -> Paragraph | None:
    where = source.places.span(place.ring_key, place.from_m, place.to_m)
    side = SIDE_WORDS.get(place.side, place.side).capitalize()
    ledger = source.ledger
    head = f"{side}, {where}: {place.length_m:.1f} m wet ({listed(place.stretch_ids)})."
    if ledger is None:
        rests = (
            name for row in source.found.stretches.loc[list(place.stretch_ids), "reading_ids"] for name in row
        )
        return paragraph(
            head,
            lead=f"Place {name}",
            nature=INFERENCE,
            rule=rules.WET,
            rests_on=found_ids(rests),
        )
    own = [ledger[stretch] for stretch in place.stretch_ids]
    told: dict[str, list[str]] = {}
    for each in own:
        told.setdefault(each.said, []).append(each.stretch_id)
    found = [
        sentence(said) if len(told) == 1 else sentence(f"{listed(names)}: {said}")
        for said, names in told.items()
    ]
    covered: dict[str, list[str]] = {}
    for each in own:
        covered.setdefault(cover_words(each), []).append(each.stretch_id)
    covers = [
        said
        if len(covered) == 1 and len(own) == 1
        else f"{listed(names)}{' each' * (len(names) > 1)}: {_lower(said)}"
        for said, names in covered.items()
    ]
    questions = dict.fromkeys(question.said for each in own for question in each.questions)
    rests = (
        name for each in own for one in each.supports if one.key in each.accepted for name in one.rests_on
    )
    return paragraph(
        " ".join(
            [
                head,
                *found,
                *questions,
                *covers,
            ]
        ),
        lead=f"Place {name}",
        nature=INFERENCE,
        rule=rules.LEDGER,
        rests_on=found_ids(rests),
    )


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]


def cover_words(each: StretchLedger) -> str:
    """Say how much of a stretch the accepted causes explain, and what is left."""
    cover = each.coverage
    left = [f"{one.from_m:.1f} to {one.to_m:.1f} m" for one in cover.unexplained]
    said = f"{cover.wet_m - cover.unexplained_m:.1f} m of {cover.wet_m:.1f} m explained"
    if left:
        said += f", {cover.unexplained_m:.1f} m not (chainage {listed(left)}): the case stays open"
    dry = sum(one.length_m for one in cover.predicted_dry)
    if dry > DRY_SAID_M:
        said += f"; {dry:.1f} m that should be wet by these causes reads dry, which speaks against them"
    return sentence(said)


DRY_SAID_M = 0.05
"""Metres are said to a tenth: less than half of one is none."""


def causes_part(source: Source) -> Part:
    """Return the ledger of causes, place by place."""
    ledger = source.ledger
    parts = [] if ledger is None else list(_places(source, ledger))
    return Part(
        key="causes",
        title="The ledger of causes",
        blocks=blocks(paragraph(OPENING) if parts else None, *_changed(ledger)),
        parts=tuple(parts),
        why="no stretch is wet, or the ledger cannot be worked out",
        fills="wet stretches, and the assets and ways in beside them",
    )


OPENING = (
    "A source gives water, a route lets it past the damp proof course, a mimic"
    " only makes an instrument read wet."
    " Several at once is usual; each is scored by itself. Points are judgement"
    " and are shown so that anybody may"
    " disagree with them, line by line."
)


def _places(source: Source, ledger: Ledger) -> Iterator[Part]:
    for place, name in zip(source.wet, source.wet_names, strict=True):
        where = source.places.span(place.ring_key, place.from_m, place.to_m)
        inner: list[Part] = []
        tests: set[str] = set()
        for stretch in place.stretch_ids:
            own = ledger[stretch]
            test = own.next.best.test if own.next.best is not None else own.next.because
            named = f"{stretch}, by {_method(source, own)}"
            inner.append(
                Part(key=f"causes-{stretch}", title=named, blocks=_stretch(own, next_too=test not in tests))
            )
            tests.add(test)
        yield (
            Part(key=f"causes-at-{name}", title=f"Place {name}: {place.side}, {where}", parts=tuple(inner))
        )


def _method(source: Source, each: StretchLedger) -> str:
    method, material = each.group.split("|")[:2]
    known = source.ref.methods.get(method)
    named = known.name if known else method.replace("_", " ")
    return f"{named[:1].lower()}{named[1:]}, {source.ref.word('material', material)}"


def _changed(ledger: Ledger | None) -> tuple[Block, ...]:
    if ledger is None or not ledger.changed:
        return ()
    return (Note(head="Weights changed for this site", lines=tuple(str(one) for one in ledger.changed)),)


def _stretch(each: StretchLedger, *, next_too: bool) -> tuple[Block, ...]:
    shown = [one for one in each.supports if one.word not in REST]
    rest = [one for one in each.supports if one.word in REST]
    rows: list[tuple[Cell, ...]] = [_row(one, each) for one in shown]
    table = Table(
        caption="For and against",
        header=("Cause", "Does", "Word", "Points", "For", "Against", "Rests on"),
        widths=(1.8, 0.9, 1.1, 0.6, 3.3, 2.2, 1.1),
        numbers=(3,),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.LEDGER,
    )
    told = [
        paragraph(sentence(line), lead=one.short[:1].upper() + one.short[1:], rests_on=one.rests_on)
        for one in shown
        for line in one.told
    ]
    asked = [paragraph(sentence(question.said), lead="Still asked") for question in each.questions]
    return blocks(
        paragraph(
            sentences(each.said, cover_words(each), _leads(each)),
            nature=INFERENCE,
            rule=rules.LEDGER,
            rests_on=found_ids(
                name for one in each.supports if one.key in each.accepted for name in one.rests_on
            ),
        ),
        table,
        items([*asked, *told]),
        _others(rest),
        next_block(each) if next_too else None,
    )


def _row(one: Support, each: StretchLedger) -> tuple[Cell, ...]:
    mark = " (accepted)" if one.key in each.accepted else ""
    return (
        f"{one.name}{f', {one.candidate.of_id}' if one.candidate.of_id else ''}{mark}",
        KIND_WORDS.get(one.kind, one.kind),
        one.word,
        f"{one.points:+.0f}",
        _evidence(one.speaks_for),
        "; ".join(
            filter(
                None,
                (_evidence(one.speaks_against), *(f"cap: {cap.because}" for cap in one.caps if cap.bites)),
            )
        ),
        Ids(one.rests_on),
    )


def _evidence(found: Iterable[Evidence]) -> str:
    """Return evidence in words with its points; what its group had counted already follows without."""
    told = [f"{one.because} ({one.points:+.0f})" for one in found if one.counted and one.because]
    also = [one.because for one in found if not one.counted and one.because]
    return "; ".join([*told, *([f"also: {'; '.join(also)}"] if also else [])])


def _leads(each: StretchLedger) -> str:
    leader = each.leader
    if leader is None:
        return ""
    named = each.support(leader.key).short
    if leader.proven:
        return f"{named} is proven: points decide nothing more"
    if not leader.examined:
        return f"no leader: {named} has most points, and was not examined"
    if leader.clear:
        moved = "with every point moved by one at random it stays first"
        return f"{named} leads: {moved} in {leader.held} of {leader.of}"
    return (
        f"no clear leader: with every point moved by one at random {named} stays first in {leader.held} of"
        f" {leader.of}"
    )


def _others(rest: list[Support]) -> Paragraph | None:
    by_word: dict[str, list[str]] = {}
    for one in rest:
        by_word.setdefault(one.word, []).append(one.short)
    said = "; ".join(f"{word}: {', '.join(names)}" for word, names in by_word.items())
    return paragraph(
        sentence(said),
        lead="Also weighed",
        nature=INFERENCE,
        rule=rules.LEDGER,
    )


def next_block(each: StretchLedger) -> Note | None:
    """Return the test to make next at a stretch."""
    best = each.next.best
    if best is None:
        return Note(head="Next test", lines=(sentence(each.next.because),)) if each.next.because else None
    leave = f"Leave first: {best.leave}." if best.leave else ""
    return Note(
        head=f"Next test here: {best.label}, about {best.minutes:.0f} min",
        lines=tuple(filter(None, (leave, *best.sentences))),
    )


def next_part(source: Source) -> Part:
    """Return the one test to make next for the whole site, and what tells rivals apart."""
    ledger = source.ledger
    best = ledger.next.best if ledger is not None else None
    if ledger is None or best is None:
        why = ledger.next.because if ledger is not None and ledger.next.because else "no test is worth making"
        return Part(
            key="next", title="The test to make next", why=why, fills="wet stretches with rival causes"
        )
    leave = f"Leave first: {best.leave}." if best.leave else ""
    days = f", and back after {best.return_days:.0f} days" if best.return_days else ""
    rivals = [
        paragraph(
            sentence(f"{one.a} or {one.b}: {one.test}; {one.decides}"), nature=INFERENCE, rule=rules.LEDGER
        )
        for one in ledger.next.rivals
    ]
    after = [
        paragraph(sentences(one.label, one.barred), lead=f"{one.minutes:.0f} min")
        for one in ledger.next.others[:MOST_OTHERS]
    ]
    return Part(
        key="next",
        title="The test to make next",
        blocks=blocks(
            Note(
                head=f"{best.label[:1].upper()}{best.label[1:]}: about {best.minutes:.0f} min{days}",
                lines=tuple(filter(None, (leave, *best.sentences))),
            ),
            items(rivals),
            items(after),
        ),
    )


MOST_OTHERS = 4
