"""The ledger in lines of text, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from geo.evidence.ledger_kinds import Ledger, StretchLedger
from geo.evidence.next_trial_kinds import Next, Option
from geo.evidence.next_trial_words import minutes_said
from geo.evidence.support import CONTRADICTED, EXCLUDED, NOT_EXAMINED, OPEN, UNLIKELY, Support
from geo.reference import Reference

SILENT = (NOT_EXAMINED, OPEN, UNLIKELY, CONTRADICTED, EXCLUDED)
MOST_EVIDENCE = 6
POINTS_ARE = "Points are judgement, not chances; they may be changed in evidence.toml."


def ledger_lines(ledger: Ledger, *, ref: Reference) -> list[str]:
    """Return the ledger stretch by stretch, that with most unexplained length first, then the next test."""
    lines = [f"{ledger.site_name}: {len(ledger.stretches)} wet stretches, {len(ledger.places)} wet places"]
    lines += [f"  {said}" for said in ledger.told]
    for each in ledger.by_unexplained:
        lines += ["", *_stretch(each, ledger, ref)]
    if ledger.trials:
        lines += ["", "Tests made"]
        for row in ledger.trials:
            what = ref.word("trial_kind", row.trial_kind)
            moved = ", ".join(f"{one.short} at {one.stretch_id} ({one.word})" for one in row.moved)
            lines.append(f"  {row.trial_id} {what}, {row.source_id}: {row.verdict}; {row.because}")
            lines.append(f"    {'speaks of ' + moved if moved else 'moves nothing'}")
    lines += ["", "Next for the whole site", *_next(ledger.next, others=5)]
    if ledger.changed:
        lines += ["", "Weights changed"]
        lines += [f"  {one.key}: {one.was} -> {one.now} ({one.changed_by})" for one in ledger.changed]
    return [*lines, "", POINTS_ARE]


def _stretch(each: StretchLedger, ledger: Ledger, ref: Reference) -> Iterator[str]:
    place = ledger.place_of(each.stretch_id)
    beside = [name for name in place.stretch_ids if name != each.stretch_id]
    group = each.group.replace("|", ", ").replace("_", " ")
    yield (
        f"{each.stretch_id}  {each.ring_key} {ref.word('side', each.side)},"
        f" chainage {each.from_m:.1f}-{each.to_m:.1f} m ({each.length_m:.1f} m); {group}"
        + (f"; the same place as {', '.join(beside)}, {place.seen_by}" if beside else "")
    )
    yield f"  {each.said}"
    yield f"  {each.coverage.said}"
    for leader in (each.leader, each.route_leader):
        if leader is not None:
            yield f"  {leader.said}"
    for title, own in (("sources", each.sources), ("ways in", each.routes), ("only reads wet", each.mimics)):
        told = [one for one in own if one.word not in SILENT]
        quiet = [one for one in own if one.word in SILENT]
        if told or quiet:
            yield f"  {title}"
        for one in told:
            yield from _support(one, each)
        if quiet:
            words: dict[str, list[str]] = {}
            for one in quiet:
                words.setdefault(one.word, []).append(one.short)
            yield from (f"    {word}: {', '.join(names)}" for word, names in words.items())
    for question in each.questions:
        yield f"  ? {question.said}"
    for decision in each.decisions:
        when = f" on {decision.decided_at[:10]}" if decision.decided_at else ""
        who = decision.decided_by or "somebody"
        state = ref.word("hypothesis_state", decision.state)
        yield f"  {decision.key} {state} by {who}{when}: {decision.reason}"
    yield "  next"
    yield from (f"  {line}" for line in _next(each.next, others=3))
    for rivals in each.next.rivals:
        yield f"    {rivals.said}"


def _support(one: Support, each: StretchLedger) -> Iterator[str]:
    sign = "*" if one.key in each.accepted else " "
    yield f"   {sign}{one.key:<10} {one.word}: {one.short} [{one.points:+g}]"
    for mark, pieces in (("+", one.speaks_for), ("-", one.speaks_against)):
        for piece in pieces[:MOST_EVIDENCE]:
            ids = f" ({', '.join(piece.rests_on[:MOST_EVIDENCE])})" if piece.rests_on else ""
            counted = "" if piece.counted else ", not counted again"
            yield f"      {mark} {piece.code} {piece.points:+g}{counted}: {piece.because or piece.label}{ids}"
    for cap in one.caps:
        if cap.bites:
            yield f"      at most {cap.most:g}: {cap.because}"
    for said in one.told:
        yield f"      {said}"


def _next(found: Next, *, others: int) -> Iterator[str]:
    if found.best is None:
        yield f"  {found.because}"
    else:
        yield f"  {_option(found.best)}"
        for said in (found.best.lacking, found.best.first, *found.best.sentences):
            if said:
                yield f"    {said}"
        if found.best.leave:
            yield f"    Get leave first: {found.best.leave}."
    if found.proof is not None and found.proof != found.best:
        yield f"  to prove {found.proves}: {_option(found.proof)}"
        yield f"    {found.proof.sentences[0]}"
    for option in found.others[:others]:
        yield f"  then {_option(option)}" + (f": waits, {option.barred}" if option.barred else "")


def _option(option: Option) -> str:
    back = f", answer after {option.return_days:g} days" if option.return_days else ""
    return f"{option.label}: {minutes_said(option.minutes)} on site{back}"
