"""What the letter says, list by list, each as long as there is room for."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from geo.draw.svg import shortened
from geo.evidence.support import PROVEN, SUPPORTED, WELL, Support
from geo.report.cautions import FOUL_SIGNS, cautions_for, facts_of
from geo.report.looked import ring_of
from geo.report.parts import (
    Beside,
    Block,
    Figure,
    Note,
    Paragraph,
    blocks,
    items,
    listed,
    paragraph,
    sentence,
)
from geo.report.places import WetPlace, joined
from geo.report.plain_words import Line, cause_line, seen_line
from geo.report.site_plan import draw_letter_plan
from geo.report.source import Source
from geo.report.wording import count_words, ids_in, number_words

KINDS_SEEN = ("gully", "downpipe", "gutter", "run", "chamber", "soakaway", "fixture")
HELD = (WELL, SUPPORTED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """How much of each list there is room for.

    Parameters
    ----------
    most
        Lines of each list.
    words
        Letters of anything a person wrote.
    plan
        Whether the small plan is shown.
    """

    most: int
    words: int
    plan: bool = True


@dataclass(frozen=True, kw_only=True, eq=False)
class Facts:
    """What the letter is written from, and how much room it has."""

    source: Source
    room: Room
    trades: dict[str, None] = field(default_factory=dict)
    """Trades to call, in the order they came up."""
    explained: set[str] = field(default_factory=set)
    """Causes whose trade words were explained already."""

    def any(self, kind: str) -> list[Any]:
        """Return the records of a kind."""
        return list(self.source.site.of(kind))

    def short(self, words: str, most: int = 0) -> str:
        """Return a person's words, cut where there is no room."""
        return shortened(" ".join(words.split()), most or self.room.words)

    def fit(self, lines: Iterable[Paragraph | None], *, rest: str = "more") -> list[Paragraph]:
        """Return as many lines as there is room for, and how many are left."""
        every = [line for line in lines if line is not None]
        most = self.room.most
        kept = every[:most] if len(every) > most else every
        if len(every) > len(kept):
            left = len(every) - len(kept)
            kept.append(Paragraph(said=f"And {left} {rest}: the full report has all of them."))
        return kept


def urgent(facts: Facts) -> tuple[Block, ...]:
    """Return what endangers people, as recorded, and what to do about it at once."""
    found = cautions_for(facts_of(facts.source.found))
    said = [
        Note(
            head=caution.name,
            lines=(caution.home, *(_foul_places(facts) if caution.key == "foul_indoors" else ())),
            urgent=True,
        )
        for caution in found
        if caution.key in ("electricity", "foul_indoors") and caution.home
    ]
    own = [
        Note(head="From the surveyor", lines=(facts.short(one.said),), urgent=True)
        for one in facts.any("statement")
        if one.section == "urgent"
    ][:2]
    if any(caution.key == "electricity" for caution in found):
        facts.trades["electrician"] = None
    return (*own, *said)


def _foul_places(facts: Facts) -> tuple[str, ...]:
    """Return where signs of foul water were noticed, in one sentence; nothing where no wall is recorded."""
    places = facts.source.places
    told = []
    for one in facts.any("sign"):
        key = ring_of(facts.source, one)
        if one.sign in FOUL_SIGNS and key and one.chainage_from_m is not None:
            to_m = one.chainage_from_m if one.chainage_to_m is None else one.chainage_to_m
            told.append(f"{places.plainly(key, one.side, one.chainage_from_m, to_m)}, {one.side}")
    every = dict.fromkeys(told)
    return (sentence(f"it was noticed at {together(list(every))}"),) if every else ()


def found_part(facts: Facts) -> tuple[Block, ...]:
    """Return the wet lengths with what is known of their causes, the plan, and what was seen to be wrong."""
    source = facts.source
    defects = items(facts.fit(_defects(facts), rest="things seen"))
    more = blocks(paragraph("What we saw that needs mending:") if defects else None, defects)
    lengths = wet_lengths(source)
    if not lengths:
        taken = len(source.found.readings)
        said = (
            f"We took {count_words(taken, 'reading')} of the walls. None is wet against dry parts of the"
            " same home."
            if taken
            else ""
        )
        return blocks(paragraph(said), *more)
    lines = [_length(facts, one, str(k)) for k, one in enumerate(lengths, start=1)]
    one = len(lines) == 1
    intro = paragraph(
        f"{number_words(len(lines), 'length').capitalize()} of wall {'reads' if one else 'read'} wet against"
        f" dry parts of the same home. {'It has a number' if one else 'Each has a number'}, as on the plan."
    )
    whole = blocks(intro, items(facts.fit(lines, rest="wet lengths")))
    if not facts.room.plan:
        return (*whole, *more)
    shown = [place for length in lengths for place in length.places]
    names = [
        str(k) if place is length.places[0] else ""
        for k, length in enumerate(lengths, start=1)
        for place in length.places
    ]
    plan = Figure(
        name="letter-plan",
        alt=f"Plan of the walls, north up, with {count_words(len(lines), 'wet length')} numbered",
        caption="Thick: reads wet, inside or outside of the wall. Dots: not read. North is up.",
        svg=draw_letter_plan(source.scene, source.places, shown, names),
    )
    return (Beside(blocks=whole, figure=plan), *more)


@dataclass(frozen=True, slots=True, kw_only=True)
class WetLength:
    """Wall that is wet on either side, as one thing to who lives there.

    Parameters
    ----------
    places
        Its wet places, one or more a side, that overlap along the wall.
    """

    ring_key: str
    from_m: float
    to_m: float
    places: tuple[WetPlace, ...]

    @property
    def length_m(self) -> float:
        """Its length."""
        return self.to_m - self.from_m

    @property
    def stretch_ids(self) -> tuple[str, ...]:
        """The stretches of it, of every method and both sides."""
        return tuple(name for place in self.places for name in place.stretch_ids)

    @property
    def sides(self) -> str:
        """The sides it is wet on."""
        found = {place.side for place in self.places}
        return listed(side for side in ("inside", "outside", "cavity", "floor") if side in found)


def wet_lengths(source: Source) -> list[WetLength]:
    """Draw wet places together where they overlap along a wall, whichever side they are on."""
    found: list[WetLength] = []
    for ring_key in source.scene.drawn_rings:
        length = source.places.lengths[ring_key]
        own = [place for place in source.wet if place.ring_key == ring_key]
        spans = [(place.from_m, place.to_m, str(k)) for k, place in enumerate(own)]
        found += [
            WetLength(
                ring_key=ring_key, from_m=a, to_m=b, places=tuple(own[int(k)] for k in sorted(names, key=int))
            )
            for a, b, names in joined(spans, length)
        ]
    return found


def _length(facts: Facts, wet: WetLength, name: str) -> Paragraph | None:
    where = facts.source.places.plainly(wet.ring_key, wet.places[0].side, wet.from_m, wet.to_m)
    seen = "inside" if wet.places[0].side == "inside" else "outside"
    from_side = f", seen from {seen}" if len(wet.places) > 1 else ""
    sure, likely, open_m = _causes(facts, wet)
    said = [f"{where}{from_side}: wet {wet.sides}"]
    if sure:
        said.append(f"a test has shown that water comes here from {together(sure)}")
    if likely:
        lead = "the findings also point to" if sure else "the findings point to"
        said.append(f"{lead} {together(likely)}")
        these = "these others" if sure else "these"
        said.append("this is not proven" if len(likely) == 1 else f"none of {these} is proven")
    if not sure and not likely:
        said.append("where the water comes from is not known yet")
    elif open_m > NOTHING_M:
        said.append(f"{open_m:.1f} m of it is not explained by this")
    return paragraph(" ".join(map(sentence, said)), lead=name)


def together(names: list[str]) -> str:
    """Return names as people list them, with semicolons where one of them has a comma in it."""
    if len(names) < 2 or not any("," in name for name in names):
        return listed(names)
    return f"{'; '.join(names[:-1])}; and {names[-1]}"


NOTHING_M = 0.05
"""Metres are said to a tenth: less than half of one is none."""


def _causes(facts: Facts, wet: WetLength) -> tuple[list[str], list[str], float]:
    """Return causes proven and supported at a wet length in plain words, and the metres none explains."""
    ledger = facts.source.ledger
    if ledger is None:
        return [], [], math.nan
    every = [ledger[stretch] for stretch in wet.stretch_ids]
    best: dict[str, Support] = {}
    for each in every:
        for one in each.supports:
            fed = ledger.weights.cause_of[one.candidate.cause].feeds_itself
            route = one.kind == "route" and not fed and one.word != PROVEN
            if one.key in each.accepted and not route and (one.word == PROVEN or one.word in HELD):
                before = best.get(one.key)
                if before is None or (one.word == PROVEN, one.points) > (
                    before.word == PROVEN,
                    before.points,
                ):
                    best[one.key] = one
    order = sorted(best.values(), key=lambda one: (one.word != PROVEN, -one.points, one.key))
    sure = _named(facts, [one for one in order if one.word == PROVEN])
    likely = _named(facts, [one for one in order if one.word != PROVEN][:MOST_LIKELY])
    open_m = max((each.coverage.unexplained_m for each in every), default=0.0)
    return sure, likely, open_m


def _named(facts: Facts, causes: Iterable[Support]) -> list[str]:
    """Return causes in plain words; one explained before is only named."""
    said: dict[str, None] = {}
    for one in causes:
        line = cause_line(one.candidate.cause, facts.short(one.candidate.of_id, 30))
        if line is None:
            continue
        explained = one.candidate.cause in facts.explained
        facts.explained.add(one.candidate.cause)
        said[line.again if explained else line.said] = None
        if line.trade:
            facts.trades[line.trade] = None
    return list(said)


MOST_LIKELY = 3
"""Causes named for one place in a letter, the best supported first."""


def _defects(facts: Facts) -> Iterator[Paragraph | None]:
    """Yield what was seen to be wrong, with its place; only what somebody saw."""
    for line in seen_lines(facts):
        yield paragraph(sentence(line.said))


def seen_lines(facts: Facts) -> list[Line]:
    """Return a line for each thing that was seen to need mending, where it is."""
    source = facts.source
    found: list[Line] = []
    told: set[tuple[str, str]] = set()
    states = [(record.id, record.state) for record in facts.any("asset_state") if record.evidence == "seen"]
    kinds = source.site.ids
    mended = {
        name for repair in facts.any("repair") if repair.stage == "finished" for name in ids_in(repair.of_ids)
    }
    own = [
        (record.id, getattr(record, "state", ""))
        for kind in KINDS_SEEN
        for record in source.site.of(kind)
        if getattr(record, "evidence", "seen") == "seen"
    ]
    for name, state in (*own, *states):
        kind = kinds.get(name, "")
        if (name, state) in told or kind not in KINDS_SEEN or name in mended:
            continue
        told.add((name, state))
        line = seen_line(kind, state, facts.short(name, 30), _at(facts, name))
        if line is not None:
            found.append(line)
            if line.trade:
                facts.trades[line.trade] = None
    return found


def _at(facts: Facts, name: str) -> str:
    """Return the wall a thing stands at, in plain words."""
    assets = facts.source.found.assets
    if name not in assets.index:
        return ""
    ring, chainage = str(assets.loc[name, "ring_key"] or ""), float(assets.loc[name, "chainage_m"])
    if not ring or not math.isfinite(chainage):
        return ""
    places = facts.source.places
    return places.wall(ring, places.face_at(ring, chainage)).split(" (")[0]


def unsure(facts: Facts) -> tuple[Block, ...]:
    """Return what is not certain."""
    source = facts.source
    lines: list[Paragraph | None] = []
    ledger = source.ledger
    if ledger is not None and source.wet:
        open_m = sum(
            max(ledger[stretch].coverage.unexplained_m for stretch in place.stretch_ids)
            for place in source.wet
        )
        if open_m > NOTHING_M:
            lines.append(
                paragraph(
                    f"{open_m:.1f} m of the wet wall is not explained yet, so there may be another cause."
                )
            )
        proven = any(
            one.word == PROVEN
            for each in ledger.stretches
            for one in each.supports
            if one.key in each.accepted
        )
        if not proven:
            lines.append(paragraph("No cause is proven by a test yet. Mending one thing may not be enough."))
    weak = [one for one in source.judged if one.verdict.word == "no information"]
    if weak:
        was = "was" if len(weak) == 1 else "were"
        told = f"{number_words(len(weak), 'test')} {was} too small to tell anything"
        lines.append(paragraph(f"{sentence(told)} That clears nothing."))
    lines += [
        paragraph(facts.short(one.said), lead="The surveyor's opinion")
        for one in facts.any("statement")
        if one.statement_kind == "opinion"
    ][:2]
    return blocks(items(facts.fit(lines)))


def unseen(facts: Facts) -> tuple[Block, ...]:
    """Return what was not looked at."""
    source = facts.source
    lines: list[Paragraph | None] = []
    table = source.found.coverage
    for side, own in table.groupby("side", sort=True) if len(table) else ():
        unread, whole = float(own["unread_m"].sum()), float(own["readable_m"].sum())
        if unread > NOTHING_M:
            lines.append(
                paragraph(
                    f"{unread:.1f} m of the {whole:.1f} m of wall {side} was not read. Unread does not mean"
                    " dry."
                )
            )
    barred = [one for one in facts.any("unread_length") if one.state == "no_access" and one.note]
    lines += [paragraph(sentence(f"we could not get to: {facts.short(one.note)}")) for one in barred[:3]]
    unlifted = [
        one.id
        for one in facts.any("chamber")
        if one.evidence in ("not_looked", "no_access") or one.state == "buried"
    ]
    if unlifted:
        lines.append(
            paragraph(
                f"{'Drain covers' if len(unlifted) > 1 else 'The drain cover'} {listed(unlifted)}:"
                " not lifted, or could not be."
            )
        )
    if not facts.any("opening_up"):
        lines.append(paragraph("We opened nothing: what lies behind plaster and under floors is not known."))
    else:
        holes = len(facts.any("opening_up"))
        each = "It" if holes == 1 else "Each"
        lines.append(
            paragraph(
                f"We opened {number_words(holes, 'small hole')}. {each} shows only the bit of wall beside it."
            )
        )
    refused = [one for one in facts.any("consent") if one.state in ("refused", "asked")]
    lines += [
        paragraph(
            sentence(
                f"leave for {source.ref.word('consent_for', one.consent_for)} was"
                f" {'refused' if one.state == 'refused' else 'asked for and not yet given'} by the"
                f" {source.ref.word('speaker', one.given_by)}"
            )
        )
        for one in refused
    ]
    return blocks(items(facts.fit(lines)))
