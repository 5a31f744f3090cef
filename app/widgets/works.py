"""How the works are shown: repairs with their quantities, what may start, hold points. Every word is text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

from geo.draw.theme import ACCENT, FAINT, INK, PANEL, PAPER, RULE, SOFT_INK
from geo.reference import Reference
from geo.works.hold_rules import Hold
from geo.works.kinds import Answers, Line, Work
from geo.works.order import DONE, Step
from geo.works.quantities import SKIPS
from geo.works.rates import Cost

STYLE = f"""<style>
.wf-works {{ border: 1px solid {RULE}; border-radius: 4px; overflow: auto; background: {PAPER}; }}
.wf-works table {{ width: 100%; border-collapse: collapse; font-size: .88rem; line-height: 1.35;
  margin: 0; }}
.wf-works th {{ background: {PANEL}; color: {SOFT_INK}; text-align: left; font-weight: 600;
  padding: .4rem .6rem; border: 0; border-bottom: 1px solid {RULE}; position: sticky; top: 0; }}
.wf-works td {{ padding: .4rem .6rem; border: 0; border-bottom: 1px solid {FAINT}; vertical-align: top;
  color: {INK}; }}
.wf-works .n small {{ white-space: normal; max-width: 9.5rem; margin-left: auto; }}
.wf-works .n {{ text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }}
.wf-works .head td {{ background: {PANEL}; border-top: 1px solid {RULE}; padding: .55rem .6rem; }}
.wf-works .head b {{ font-size: .98rem; }}
.wf-works small {{ color: {SOFT_INK}; font-size: .8rem; display: block; overflow-wrap: anywhere; }}
.wf-works td:nth-child(5) {{ min-width: 15rem; overflow-wrap: anywhere; }}
.wf-works .unknown td {{ background: repeating-linear-gradient(45deg, {PAPER} 0 7px, {FAINT} 7px 8px); }}
.wf-works .mark {{ border: 1px solid {SOFT_INK}; border-radius: 999px; padding: .05rem .5rem;
  font-size: .76rem; color: {SOFT_INK}; white-space: nowrap; margin-left: .4rem; font-weight: 400; }}
.wf-start {{ display: grid; grid-template-columns: repeat(auto-fill, minmax(16rem, 1fr)); gap: .6rem; }}
.wf-start div {{ border: 1px solid {RULE}; border-left: 4px solid {ACCENT}; border-radius: 4px;
  background: {PAPER}; padding: .5rem .7rem; }}
.wf-start b {{ display: block; overflow-wrap: anywhere; }}
.wf-start small {{ color: {SOFT_INK}; font-size: .82rem; line-height: 1.35; display: block; }}
.wf-figures {{ display: flex; flex-wrap: wrap; gap: .4rem 1.8rem; margin: .2rem 0 .1rem; }}
.wf-figures span {{ color: {SOFT_INK}; font-size: .86rem; }}
.wf-figures b {{ color: {INK}; font-size: 1.25rem; font-variant-numeric: tabular-nums; margin-right: .3rem; }}
</style>"""
NOTHING = "–"
SHORT = {"nr": "nr", "day": "days", "kwh": "kWh"}


def figures(pairs: Iterable[tuple[str, str]]) -> str:
    """Return a line of figures."""
    cells = "".join(f"<span><b>{escape(value)}</b>{escape(label)}</span>" for value, label in pairs)
    return f'<div class="wf-figures">{cells}</div>'


def starts(steps: Sequence[Step], *, takes: Sequence[str]) -> str:
    """Return what may start now, a card each.

    Parameters
    ----------
    takes
        How long each takes, in words.
    """
    cards = "".join(
        f"<div><b>{escape(_name(step))}</b><small>{escape(_said(step, long))}</small></div>"
        for step, long in zip(steps, takes, strict=True)
    )
    return f'<div class="wf-start">{cards}</div>'


def _name(step: Step) -> str:
    return step.said


def _said(step: Step, takes: str) -> str:
    told = [step.label] if step.repair_id else []
    told += [f"takes {takes}"] if takes else []
    told += [step.because] if step.because else []
    return " · ".join(told)


def quantities(
    works: Sequence[Work], *, ref: Reference, costs: dict[tuple[str, str], Cost], only_unknown: bool = False
) -> str:
    """Return the repairs with their quantities as one table.

    Parameters
    ----------
    costs
        Priced lines, by repair and line.
    only_unknown
        Only what is not known, with what would settle it.
    """
    priced = bool(costs)
    heads = ["quantity", "net", "to order", "how sure", "how it was worked out"] + (
        ["price"] if priced else []
    )
    rows = []
    for work in works:
        lines = [line for line in work.lines if not only_unknown or line.missing]
        if only_unknown and not lines and not work.refused:
            continue
        rows.append(_head(work, ref, len(heads)))
        rows += [_row(line, costs.get((work.repair_id, line.line)), ref, priced=priced) for line in lines]
    sides = ["", "n", "n", "", "", "n"]
    head = "".join(f'<th class="{side}">{name}</th>' for name, side in zip(heads, sides, strict=False))
    return (
        f'<div class="wf-works" tabindex="0"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _head(work: Work, ref: Reference, width: int) -> str:
    stage = "proposed by wallfoot" if work.asked.proposed else ref.word("repair_stage", work.asked.stage)
    told = [work.where, "" if work.kind == SKIPS else _answers(work.asked.answers, ref), work.asked.why]
    if work.asked.to_id:
        told.append(f"to {work.asked.to_id}")
    told += work.notes
    small = " · ".join(part for part in told if part)
    refused = f"<small><b>Not measured:</b> {escape(work.refused)}</small>" if work.refused else ""
    return (
        f'<tr class="head"><td colspan="{width}"><b>{escape(work.repair_id)}</b> {escape(work.label)}'
        f'<span class="mark">{escape(stage)}</span><small>{escape(small)}</small>{refused}</td></tr>'
    )


def _answers(answers: Sequence[Answers], ref: Reference) -> str:
    """Say what a repair answers: each cause once, with the wet lengths it was accepted at."""
    by_cause: dict[str, list[str]] = {}
    for each in answers:
        of = f" ({each.of_id})" if each.of_id else ""
        by_cause.setdefault(f"{ref.word('cause', each.cause)}{of}", []).append(each.stretch_id)
    said = [
        f"{cause} at {', '.join(filter(None, at))}" if any(at) else cause for cause, at in by_cause.items()
    ]
    return f"against {'; '.join(said)}" if said else "against no accepted cause"


def _row(line: Line, cost: Cost | None, ref: Reference, *, priced: bool) -> str:
    band = ""
    if math.isfinite(line.low) and math.isfinite(line.high):
        band = f"<small>{_number(line.low)} to {_number(line.high)}</small>"
    more = [f"+ {line.waste_percent:.0f} %" if line.waste_percent else "", line.order_said]
    beside = ", ".join(part for part in more if part)
    cells = [
        f"<td>{escape(line.line)}</td>",
        f'<td class="n">{_with_unit(line.net, line.unit, ref)}{band}</td>',
        (
            f'<td class="n">{_with_unit(line.order, line.order_unit, ref)}'
            f"{f'<small>{escape(beside)}</small>' if beside and line.known else ''}</td>"
        ),
        f"<td>{escape(line.basis if line.known else 'not known')}</td>",
        f"<td>{_worked_out(line)}</td>",
    ]
    if priced:
        amount = f"{cost.amount} {escape(cost.currency)}" if cost else NOTHING
        each = f"<small>{cost.price:.2f} on the {escape(cost.priced_on)}</small>" if cost else ""
        cells.append(f'<td class="n">{amount}{each}</td>')
    return f'<tr class="{"" if line.known else "unknown"}">{"".join(cells)}</tr>'


def _worked_out(line: Line) -> str:
    """Say how a quantity was worked out and from what, or what keeps it from being known."""
    of = f"<small>{escape(' '.join(line.of_ids))}</small>" if line.of_ids else ""
    told = " ".join(part for part in (_sentence(line.missing), line.settle) if part)
    said = escape(line.formula) if line.known else ""
    if told:
        said += f"<small>{escape(told)}</small>" if line.known else escape(told)
    return said + of


def _sentence(said: str) -> str:
    return f"{said[:1].upper()}{said[1:].rstrip('.')}." if said else ""


def _with_unit(value: float, unit: str, ref: Reference) -> str:
    if not math.isfinite(value):
        return NOTHING
    return f"{_number(value)} {escape(SHORT.get(unit, ref.word('quantity_unit', unit)))}"


def _number(value: float) -> str:
    if float(value).is_integer():
        return f"{value:.0f}"
    return f"{value:.3f}" if abs(value) < 1 else f"{value:.2f}"


def holds(found: Sequence[Hold], steps: dict[str, Step]) -> str:
    """Return the hold points as a table: what is checked, how it stands, what it holds up."""
    rows = []
    for hold in found:
        waits = [step.said for step in steps.values() if hold.key in step.held_by and step.state != DONE]
        told = [hold.verdict.because, *hold.told, hold.verdict.settle]
        small = "".join(f"<small>{escape(part)}</small>" for part in told if part)
        rows.append(
            f'<tr class="{"unknown" if not hold.tested else ""}"><td><b>{escape(hold.hold_point.upper())}</b>'
            f" {escape(hold.repair_id)}<small>{escape(hold.label)}</small></td>"
            f"<td>{escape(hold.verdict.word)}{small}</td>"
            f"<td>{escape(', '.join(dict.fromkeys(waits))) or NOTHING}</td></tr>"
        )
    head = "<th>hold point</th><th>how it stands</th><th>holds up</th>"
    return (
        f'<div class="wf-works" tabindex="0"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )
