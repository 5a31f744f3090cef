"""The ledger of one stretch as HTML: every word of it is text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from geo.draw.theme import ACCENT, FAINT, INK, PANEL, PAPER, RULE, SOFT_INK, WET_STEPS
from geo.evidence.ledger import StretchLedger
from geo.evidence.ledger_matrix import Matrix
from geo.evidence.next_trial_kinds import Next, Option
from geo.evidence.next_trial_words import minutes_said
from geo.evidence.support import (
    NOT_EXAMINED,
    POSSIBLE,
    PROVEN,
    SUPPORTED,
    WELL,
    Evidence,
    Support,
)
from geo.reference import Reference

STRONG = (PROVEN, WELL, SUPPORTED, POSSIBLE)
STYLE = f"""<style>
.wf-lead {{ margin: 0; font-size: 1.12rem; line-height: 1.4; font-weight: 600; color: {INK};
  overflow-wrap: anywhere; }}
.wf-said {{ margin: .25rem 0 0; color: {INK}; font-size: .95rem; line-height: 1.45;
  overflow-wrap: anywhere; }}
.wf-ask {{ margin: .35rem 0 0; padding-left: 1.4rem; text-indent: -1.4rem; font-size: .95rem;
  line-height: 1.45; color: {INK}; overflow-wrap: anywhere; }}
.wf-ask b {{ display: inline-block; width: 1.4rem; text-indent: 0; color: {ACCENT}; }}
.wf-next {{ border: 1px solid {RULE}; border-left: 5px solid {ACCENT}; border-radius: 4px;
  background: {PANEL}; padding: .75rem 1rem .8rem; color: {INK}; }}
.wf-next h3 {{ margin: 0; padding: 0; font-size: 1.05rem; font-weight: 600; line-height: 1.35;
  overflow-wrap: anywhere; }}
.wf-next h3 span {{ color: {SOFT_INK}; font-weight: 400; }}
.wf-next dl {{ display: grid; grid-template-columns: 6.4rem 1fr; gap: .22rem .8rem; margin: .55rem 0 0;
  padding: 0; font-size: .93rem; line-height: 1.42; }}
.wf-next dt {{ color: {SOFT_INK}; font-weight: 600; margin: 0; padding: 0; }}
.wf-next dd {{ margin: 0; padding: 0; overflow-wrap: anywhere; }}
.wf-kinds {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(min(100%, 310px), 1fr));
  gap: 1.1rem; align-items: start; }}
.wf-kinds h4 {{ margin: 0 0 .35rem; padding: 0; font-size: .95rem; font-weight: 600; color: {INK}; }}
.wf-kinds h4 span {{ color: {SOFT_INK}; font-weight: 400; font-size: .85rem; }}
.wf-cause {{ border: 1px solid {FAINT}; border-radius: 4px; background: {PAPER}; margin: 0 0 .4rem; }}
.wf-cause.wf-yes {{ border-color: {ACCENT}; }}
.wf-cause summary {{ display: grid; grid-template-columns: 7.2rem 1fr auto; gap: .55rem; align-items: center;
  padding: .5rem .6rem; min-height: 2.65rem; cursor: pointer; font-size: .93rem; line-height: 1.3;
  list-style: none; }}
.wf-cause summary::-webkit-details-marker {{ display: none; }}
.wf-cause summary:focus-visible {{ outline: 2px solid {ACCENT}; outline-offset: 1px; }}
.wf-cause .wf-name {{ overflow-wrap: anywhere; }}
.wf-cause .wf-name small {{ color: {SOFT_INK}; display: block; font-size: .78rem; }}
.wf-cause .wf-points {{ font-variant-numeric: tabular-nums; color: {SOFT_INK}; font-size: .85rem; }}
.wf-cause .wf-points::after {{ content: " ▾"; }}
.wf-cause[open] .wf-points::after {{ content: " ▴"; }}
.wf-word {{ display: inline-block; width: 100%; box-sizing: border-box; text-align: center;
  padding: .18rem .3rem; border-radius: 3px; border: 1px solid {RULE}; font-size: .79rem;
  line-height: 1.25; color: {INK}; background: {PAPER}; }}
.wf-w0 {{ background: {WET_STEPS[5]}; color: {PAPER}; border-color: {WET_STEPS[5]}; font-weight: 700; }}
.wf-w1 {{ background: {WET_STEPS[4]}; color: {PAPER}; border-color: {WET_STEPS[4]}; }}
.wf-w2 {{ background: {WET_STEPS[2]}; border-color: {WET_STEPS[3]}; }}
.wf-w3 {{ background: {WET_STEPS[0]}; border-color: {WET_STEPS[2]}; }}
.wf-w4 {{ border-style: dashed; border-color: {SOFT_INK}; }}
.wf-w5 {{ color: {SOFT_INK}; }}
.wf-more {{ padding: .1rem .7rem .6rem; font-size: .87rem; line-height: 1.42; color: {INK}; }}
.wf-more p {{ margin: .35rem 0 0; overflow-wrap: anywhere; }}
.wf-more ul {{ margin: .15rem 0 0; padding: 0; list-style: none; }}
.wf-more li {{ display: grid; grid-template-columns: 2rem 1fr; gap: .3rem; margin: .12rem 0;
  overflow-wrap: anywhere; }}
.wf-more li b {{ text-align: right; font-weight: 600; font-variant-numeric: tabular-nums; }}
.wf-more li.wf-idle {{ color: {SOFT_INK}; }}
.wf-more .wf-ids {{ color: {SOFT_INK}; font-size: .8rem; }}
.wf-more h5 {{ margin: .55rem 0 0; padding: 0; font-size: .83rem; font-weight: 600; color: {SOFT_INK}; }}
.wf-quiet {{ margin: .5rem 0 0; }}
.wf-quiet summary {{ cursor: pointer; color: {SOFT_INK}; font-size: .88rem; min-height: 2.4rem;
  display: flex; align-items: center; }}
@media (max-width: 1050px) {{
  .st-key-causes-beside :has(> [data-testid="stColumn"]) {{ flex-wrap: wrap; }}
  .st-key-causes-beside [data-testid="stColumn"] {{ flex: 1 1 100%; min-width: 100%; }}
  .st-key-causes-beside [role="radiogroup"] {{ flex-flow: row wrap; gap: .4rem 1rem; }}
  .st-key-causes-beside [role="radiogroup"] > * {{ width: 15rem; }}
}}
.wf-matrix {{ border-collapse: collapse; font-size: .87rem; line-height: 1.3; }}
.wf-matrix th, .wf-matrix td {{ border: 1px solid {FAINT}; padding: .4rem .55rem; text-align: center; }}
.wf-matrix th {{ font-weight: 600; color: {SOFT_INK}; background: {PANEL}; max-width: 14rem; }}
.wf-matrix th[scope=row] {{ text-align: left; color: {INK}; }}
.wf-matrix td.wf-in {{ background: {WET_STEPS[1]}; color: {INK}; font-weight: 600; }}
.wf-matrix td {{ color: {SOFT_INK}; }}
</style>"""
WORD_CLASS = {PROVEN: 0, WELL: 1, SUPPORTED: 2, POSSIBLE: 3, NOT_EXAMINED: 4}
PARTS = ("Do", "Watch", "If it shows", "If not", "As well")


def lead(stretch: StretchLedger, *notes: str) -> str:
    """Return what is found, what it explains, and what is still asked."""
    asked = "".join(
        f'<p class="wf-ask"><b>?</b>{escape(question.said)}</p>' for question in stretch.questions
    )
    small = "".join(f'<p class="wf-note">{escape(note)}</p>' for note in notes if note)
    return (
        f'<p class="wf-lead">{escape(stretch.said[:1].upper() + stretch.said[1:])}</p>'
        f'<p class="wf-said">{escape(stretch.coverage.said)}</p>{asked}{small}'
    )


def next_card(found: Next, *, title: str, others: int = 3) -> str:
    """Return the next test as a card: what to do, what to watch, what each outcome would mean."""
    if found.best is None:
        head = f"<h3>{escape(title)}: {escape(found.because)}</h3>"
    else:
        head = _option(found.best, title)
    return f'<div class="wf-next">{head}{_more(found, others)}</div>'


def _option(option: Option, title: str) -> str:
    back = f", answer after {option.return_days:g} days" if option.return_days else ""
    rows = [("Last time", option.lacking), ("First", option.first)]
    rows += [("Leave", f"get it first: {option.leave}")] if option.leave else []
    rows += list(zip(PARTS, option.sentences, strict=False))
    body = "".join(f"<dt>{name}</dt><dd>{escape(said)}</dd>" for name, said in rows if said)
    return (
        f"<h3>{escape(title)}: {escape(option.label)}"
        f" <span>{escape(minutes_said(option.minutes))} on site{escape(back)}</span></h3><dl>{body}</dl>"
    )


def _more(found: Next, others: int) -> str:
    rows = []
    if found.proof is not None and found.proof != found.best:
        said = f"{found.proves}: {found.proof.label}, {minutes_said(found.proof.minutes)}."
        said += f" {found.proof.sentences[0]}"
        rows.append(("To prove", said))
    rows += [
        (
            "Then",
            f"{option.label}, {minutes_said(option.minutes)}"
            + (f"; waits: {option.barred}" if option.barred else ""),
        )
        for option in [each for each in found.others if each != found.proof][:others]
    ]
    rows += [("Rivals", rivals.said) for rivals in found.rivals]
    body = "".join(f"<dt>{name}</dt><dd>{escape(said)}</dd>" for name, said in rows)
    return f"<dl>{body}</dl>" if body else ""


def kinds(stretch: StretchLedger, ref: Reference) -> str:
    """Return sources, ways in and what only reads wet, each cause to be unfolded."""
    columns = (
        ("Sources", "give water", stretch.sources),
        ("Ways in", "let it past the barrier", stretch.routes),
        ("Only read wet", "no water of their own", stretch.mimics),
    )
    return (
        '<div class="wf-kinds">'
        + "".join(_column(title, note, own, stretch, ref) for title, note, own in columns)
        + "</div>"
    )


def _column(title: str, note: str, own: Sequence[Support], stretch: StretchLedger, ref: Reference) -> str:
    shown = [each for each in own if each.word in STRONG or each.key in stretch.accepted]
    quiet = [each for each in own if each not in shown]
    head = f"<h4>{title} <span>{note}</span></h4>"
    body = "".join(_cause(each, stretch, ref) for each in shown)
    if not shown:
        body = '<p class="wf-note">None is possible or better on what was looked at.</p>'
    if quiet:
        words: dict[str, int] = {}
        for each in quiet:
            words[each.word] = words.get(each.word, 0) + 1
        said = ", ".join(f"{count} {word}" for word, count in words.items())
        inside = "".join(_cause(each, stretch, ref) for each in quiet)
        body += f'<details class="wf-quiet"><summary>▸ {escape(said)}</summary>{inside}</details>'
    return f"<section>{head}{body}</section>"


def _cause(each: Support, stretch: StretchLedger, ref: Reference) -> str:
    accepted = each.key in stretch.accepted
    mark = "✓ " if each.word == PROVEN else ""
    state = "accepted by decision" if each.key in stretch.decided else "accepted" if accepted else ""
    small = " · ".join(part for part in (_kind(each, ref), state) if part)
    return (
        f'<details class="wf-cause{" wf-yes" if accepted else ""}"><summary>'
        f'<span class="wf-word wf-w{WORD_CLASS.get(each.word, 5)}">{mark}{escape(each.word)}</span>'
        f'<span class="wf-name">{escape(each.short)}<small>{escape(small)}</small></span>'
        f'<span class="wf-points">{each.points:+g}</span></summary>'
        f'<div class="wf-more">{_inside(each, stretch)}</div></details>'
    )


def _kind(each: Support, ref: Reference) -> str:
    """Return the kind of a cause in words, where its short name does not say it already."""
    word = ref.word("cause", each.candidate.cause)
    return "" if word == each.short else word


def _inside(each: Support, stretch: StretchLedger) -> str:
    parts = [f"<p>{escape(each.name)}. {escape(_sentence(each.candidate.path))}</p>"]
    reach = stretch.reaches.get(each.key, ())
    if reach:
        parts.append(f"<p>It would wet {escape(', '.join(part.said for part in reach))}.</p>")
    parts += [f"<p>{escape(said)}</p>" for said in each.told]
    parts.append(_pieces("For", each.speaks_for))
    parts.append(_pieces("Against", each.speaks_against))
    bites = [cap for cap in each.caps if cap.bites]
    if bites:
        rows = "".join(f"<li><b>{cap.most:g}</b><span>{escape(cap.because)}</span></li>" for cap in bites)
        parts.append(f"<h5>At most, before anything is added up ({each.raw:+g} without)</h5><ul>{rows}</ul>")
    return "".join(parts)


def _sentence(said: str) -> str:
    return f"{said[:1].upper()}{said[1:].rstrip('.')}." if said else ""


def _pieces(title: str, own: Iterable[Evidence]) -> str:
    rows = "".join(
        f"<li{'' if piece.counted else ' class=wf-idle'}><b>{piece.points:+g}</b><span>{escape(piece.label)}"
        + (f": {escape(piece.because)}" if piece.because else "")
        + ("" if piece.counted else " (counted once with others like it)")
        + (f' <span class="wf-ids">{escape(", ".join(piece.rests_on))}</span>' if piece.rests_on else "")
        + "</span></li>"
        for piece in own
    )
    return f"<h5>{title}</h5><ul>{rows}</ul>" if rows else ""


def matrix(table: Matrix) -> str:
    """Return sources against ways in."""
    if not table.sources or not table.routes:
        return ""
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in table.routes)
    rows = "".join(
        f'<tr><th scope="row">{escape(name)}</th>'
        + "".join(f"<td{' class=wf-in' if cell.pairs else ''}>{escape(cell.said)}</td>" for cell in row)
        + "</tr>"
        for name, row in zip(table.sources, table.cells, strict=True)
    )
    return (
        '<div class="wf-table" tabindex="0" style="border:0"><table class="wf-matrix"><thead><tr>'
        f'<th scope="col">source ╲ way in</th>{head}</tr></thead><tbody>{rows}</tbody></table></div>'
    )
