"""Parts of the letter that look ahead: what happens next, what to do, whom to call."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from geo.report.cautions import cautions_for, facts_of
from geo.report.letter_parts import Facts, seen_lines
from geo.report.parts import (
    Block,
    Paragraph,
    blocks,
    items,
    paragraph,
    sentence,
)
from geo.report.plain_words import test_words, trade_words, trades


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
                sentence(f"The next step that tells most: {_plain_test(best)}. It takes {minutes}")
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
        if one.statement_kind == "advice"
    ]
    lines += list(_repairs(facts))
    if source.wet:
        lines.append(
            paragraph(
                "Mend what lets water in first. Then test again. Plaster and paint come last, on a dry wall."
            )
        )
    return blocks(items(facts.fit(lines), numbered=False))


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
        names = list(dict.fromkeys(ref.word("repair_kind", one.repair_kind) for one in own))
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
