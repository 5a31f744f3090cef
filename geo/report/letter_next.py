"""Parts of the letter that look ahead: what happens next, what to do, whom to call."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from geo.report.cautions import cautions_for, facts_of
from geo.report.letter_parts import Facts, seen_lines, wet_lengths
from geo.report.parts import (
    Block,
    Paragraph,
    blocks,
    items,
    listed,
    paragraph,
    sentence,
)
from geo.report.plain_words import test_words, trade_words, trades
from geo.report.wording import ids_in


def what_next(facts: Facts) -> tuple[Block, ...]:
    """Return what happens next: the test that tells most, advice, works, the order of it."""
    source = facts.source
    lines: list[Paragraph | None] = []
    best = source.ledger.next.best if source.ledger is not None else None
    if best is not None:
        minutes = (
            f"about {best.minutes:.0f} minutes"
            if best.minutes < 90
            else f"about {best.minutes / 60:.0f} hours"
        )
        lines.append(
            paragraph(
                sentence(
                    f"The next step that tells most: {_plain_test(best)}{_at_places(facts, best)}. It takes"
                    f" {minutes}"
                )
                + (" It needs your leave first." if best.leave else "")
                + (
                    f" We come back after {best.return_days:.0f} days for the answer."
                    if best.return_days
                    else ""
                )
            )
        )
        facts.trades["surveyor"] = None
    lines += [
        paragraph(facts.short(one.said), lead="The surveyor advises")
        for one in facts.any("statement")
        if one.statement_kind == "advice" and one.section != "urgent"
    ]
    lines += list(_repairs(facts))
    if source.wet:
        lines.append(
            paragraph(
                "Mend what lets water in first. Then test again. Plaster and paint come last, on a dry wall."
            )
        )
    return blocks(items(facts.fit(lines), numbered=False))


def _at_places(facts: Facts, best: Any) -> str:
    """Return the numbers of the wet lengths a test tells of; nothing where there is but one."""
    lengths = wet_lengths(facts.source)
    told = [str(k) for k, one in enumerate(lengths, start=1) if set(one.stretch_ids) & set(best.stretch_ids)]
    if len(lengths) < 2 or not told or len(told) == len(lengths):
        return ""
    return f", at {'number' if len(told) == 1 else 'numbers'} {listed(told)}"


def _plain_test(best: Any) -> str:
    return test_words(best.test, best.at_id) or str(best.label)


STAGES = {
    "finished": "Work done",
    "started": "Work begun",
    "ordered": "Work ordered",
    "proposed": "Work proposed",
}


def _repairs(facts: Facts) -> Iterator[Paragraph | None]:
    """Yield what is proposed, ordered, begun and done."""
    ref = facts.source.ref
    for stage, head in STAGES.items():
        own = [one for one in facts.any("repair") if one.stage == stage]
        kinds: dict[str, dict[str, None]] = {}
        for one in own:
            kinds.setdefault(ref.word("repair_kind", one.repair_kind), {}).update(
                dict.fromkeys(ids_in(one.of_ids))
            )
        names = [f"{kind} ({facts.short(listed(of), 60)})" if of else kind for kind, of in kinds.items()]
        if names:
            shown = names[: facts.room.most]
            more = f" and {len(names) - len(shown)} more" if len(names) > len(shown) else ""
            yield paragraph(sentence(f"{'; '.join(shown)}{more}"), lead=head)


def to_do(facts: Facts) -> tuple[Block, ...]:
    """Return what who lives there can do now, cheap things first."""
    cheap = [line.do for line in seen_lines(facts) if line.do]
    found = cautions_for(facts_of(facts.source.found))
    usual = [
        caution.home
        for caution in found
        if caution.home and caution.key not in ("electricity", "foul_indoors")
    ]
    lines = [paragraph(words) for words in dict.fromkeys((*cheap, *usual))]
    note = paragraph(
        "Write down when a wet place looks worse: the day, the rain, what water was used. It helps us."
    )
    return blocks(items(facts.fit([*lines[: facts.room.most], note if facts.source.wet else None])))


def to_call(facts: Facts) -> tuple[Block, ...]:
    """Return whom to call, by trade."""
    runs = facts.any("run")
    if any(run.owner in ("shared_private", "public") for run in runs) and "drains" in facts.trades:
        facts.trades["company"] = None
    order = [trade for trade in trades() if trade in facts.trades]
    lines = []
    for trade in order:
        name, what = trade_words(trade)
        lines.append(Paragraph(said=sentence(what), lead=name))
    return blocks(items(lines))
