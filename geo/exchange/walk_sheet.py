"""The walk on paper: A4, black on white, boxes to tick in the rain and lines to write on."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import datetime, time
from pathlib import Path
from typing import Any

from geo.errors import InputError, Problem
from geo.exchange.atomic import put_file
from geo.exchange.typeset import typeset
from geo.exchange.walk_sketch import sketch_svg
from geo.exchange.walk_text import clock, count_rows, drop_note, place_words, time_words, walk_lines
from geo.findings.examine import examine
from geo.findings.telling import Tell, quietly
from geo.perimeter.build import Perimeter
from geo.reference import Reference
from geo.site.model import Site
from geo.walk.close import close_down
from geo.walk.live import NOT_YET, Shorter, leave_out, remaining
from geo.walk.plan import plan_walk
from geo.walk.stops import PART_WORDS, PARTS, Stop, WalkPlan
from geo.walk.words import CAUTIONS

OFFSETS = ("at wall", "+0.5 m", "+1.0 m", "+2.0 m")
"""Where the ground is shot, out from the wall."""
SAID_FIRST = "Not known then: "
SHORT = ("wall", "corner", "grid", "set_up", "close_down")
TEMPLATE = """
#set page(paper: "a4", margin: (x: 12mm, top: 11mm, bottom: 23mm), footer: [
  #set text(7pt)
  #set par(leading: .42em)
  #line(length: 100%, stroke: .6pt)
  #v(-2mm)
  *#d.caution*
  #v(-1.5mm)
  #d.foot #h(1fr) #page-number
])
#set text(10pt)
#let tick = rect(width: 6.5mm, height: 6.5mm, stroke: 1pt)
#let box-of(said) = box(inset: (right: 2.5mm, y: .5mm),
  grid(columns: (auto, auto), gutter: 1.4mm, align: horizon, tick, text(9pt, said)))
#let blank-of(said) = box(inset: (right: 2mm, top: 2.2mm),
  grid(columns: (auto, 16mm), gutter: .8mm, align: bottom,
    text(8pt, said), line(length: 16mm, stroke: .5pt)))
#let rule-line = block(above: 5.6mm, below: 0mm, line(length: 100%, stroke: .4pt + luma(90)))
= #d.title: #d.address
#v(.5mm)
#grid(columns: (1fr, 1fr), gutter: 5mm,
  [#set text(8.5pt)
   #set par(spacing: 1.5mm, leading: .45em)
   #for row in d.facts [*#row.at(0):* #row.at(1) #parbreak()]],
  [#set text(9pt)
   *To settle on this visit* #parbreak()
   #for line in d.settle [#grid(columns: (auto, 1fr), gutter: 1.4mm, align: horizon, tick, text(8.5pt, line))
     #v(-2.4mm)]])
#v(2mm)
#align(center, image("sketch.svg", width: 186mm, height: 150mm, fit: "contain"))
#pagebreak(weak: true)
== Time
#d.time
#grid(columns: (1fr, 1fr), gutter: 6mm,
  ruled(("Work", "Count", "Minutes"), (5, 1, 1.2), d.lines, size: 9pt),
  [#set text(9pt)
   *Bring* #parbreak()
   #grid(columns: (1fr, 1fr), row-gutter: 1mm, ..d.kit.map(thing => box-of(thing)))])
#if d.drops.len() > 0 [
  == Left out, and what is then not known
  #d.drop_note
  #ruled(("Stop", "Saves, min", "Not known then"), (1.6, .7, 4), d.drops, size: 8.5pt)
]
#for note in d.notes [#note #linebreak()]
#for part in d.parts [
  == #part.head
  #for s in part.stops [
    #block(breakable: false, width: 100%, above: 1.8mm, below: 1.8mm,
      stroke: (top: .8pt), inset: (top: 1.3mm))[
      #grid(columns: (11mm, 1fr, auto), gutter: 1.5mm, align: horizon,
        text(15pt, weight: "bold", s.number),
        [#set par(leading: .4em)
         *#s.title* #h(2mm) #text(8.5pt)[#s.place #h(1.5mm) #s.minutes]],
        [#for word in s.marks [#box-of(word)]])
      #if s.expected != "" [#block(above: 1.2mm, below: .6mm, text(9pt, s.expected))]
      #if s.needs != "" [#block(above: .6mm, below: .6mm, text(9pt)[*Needs #s.needs*])]
      #if s.boxes.len() > 0 [#block(above: .8mm, below: .4mm, for word in s.boxes [#box-of(word)])]
      #if s.blanks.len() > 0 [#block(above: .6mm, below: 2.4mm, for word in s.blanks [#blank-of(word)])]
      #for line in s.hints [#block(above: 1.2mm, below: .4mm, text(8pt, line))]
      #for _ in range(s.lines) [#rule-line]
    ]
  ]
]
"""


def walk_pdf(
    plan: WalkPlan, perimeter: Perimeter, *, ref: Reference, shorter: Shorter | None = None
) -> bytes:
    """Return the sheets of a walk as PDF, fonts embedded; whatever a person wrote reaches them as data.

    Parameters
    ----------
    plan, perimeter
        A plan and the perimeter it was made on.
    shorter
        What to leave out, where time is short; those stops are printed still, and say so.
    """
    dropped = {drop.stop.id for drop in shorter.drops} if shorter is not None else set()
    head = plan.header
    number = plan.number()
    content = {
        "address": head.address,
        "foot": f"{head.address} · data {plan.digest[:12] or 'not saved'} · certifies nothing",
        "caution": CAUTIONS,
        "facts": _facts(plan),
        "settle": list(head.to_settle),
        "time": time_words(plan, shorter),
        "lines": count_rows(plan),
        "kit": list(plan.kit),
        "drop_note": drop_note(shorter),
        "drops": [
            [
                f"{number[drop.stop.id]} {drop.stop.title}",
                f"{drop.saved_min:.0f}",
                drop.not_known.removeprefix(SAID_FIRST),
            ]
            for drop in (shorter.drops if shorter is not None else ())
        ],
        "notes": list(plan.notes),
        "parts": [
            {
                "head": PART_WORDS[part],
                "stops": [_stop(stop, number, ref, dropped) for stop in plan.of_part(part)],
            }
            for part in PARTS
            if plan.of_part(part)
        ],
    }
    return typeset(TEMPLATE, content, title="Site walk", drawings={"sketch.svg": sketch_svg(plan, perimeter)})


def write_walk_sheet(
    plan: WalkPlan, perimeter: Perimeter, path: Path, *, ref: Reference, shorter: Shorter | None = None
) -> Path:
    """Write the sheets of a walk, whole or not at all, and return their path."""
    return put_file(path, walk_pdf(plan, perimeter, ref=ref, shorter=shorter))


def site_walk(
    site: Site,
    *,
    half_day: bool = False,
    until: str = "",
    out: Path | None = None,
    now: datetime | None = None,
    tell: Tell = quietly,
) -> list[str]:
    """Plan a site's walk from its records, and return it as lines; write its sheets where asked.

    Marks on record count: with some, the lines say what is left and when that ends. What is still open for
    the close-down comes last, once anything was read or levelled.

    Parameters
    ----------
    half_day, until
        Say what to leave out for ``walk.half_day_min``, or to be away by a time of day, HH:MM; the shorter
        of the two holds. What is marked already takes no time.
    out
        Where to write the sheets.
    now
        The time of day; the clock's by default.

    Raises
    ------
    InputError
        When ``until`` is no time of day, or has passed.
    GeometryError
        When something on the way through cannot be used.
    """
    ref, moment = site.reference, now or datetime.now().astimezone()
    within = [ref.value("walk.half_day_min")] if half_day else []
    within += [_minutes_until(until, moment)] if until else []
    found = examine(site, tell=tell)
    known = bool(len(found.readings) or len(found.levels))
    plan = plan_walk(site, found if known else None)
    marks = site.of("stop_mark")
    left = remaining(plan, marks, now=moment, ref=ref)
    shorter = leave_out(plan, within_min=min(within), ref=ref, marks=marks) if within else None
    lines = walk_lines(plan, shorter=shorter)
    if marks:
        gone = sum(state != NOT_YET for state in left.state.values())
        ends = f"{clock(left.left_min)} left, until {left.ends_at:%H:%M}"
        lines += ["", f"{gone} of {len(plan.stops)} stops marked or settled; {ends}."]
        lines += [f"  {said}" for said in left.not_known]
        lines += [f"  marked {state}, and no stop of the plan: {name}" for name, state in left.unmatched]
    if known:
        lines += ["", "Still open, dearest first:"]
        lines += [
            f"  {end.wall_m:5.1f} m  {end.gap.minutes:3.0f} min  {end.gap.what}, {end.gap.where}:"
            f" {end.gap.why}. {end.gap.settle[:1].upper()}{end.gap.settle[1:]}."
            for end in close_down(site, found)
        ]
    if out is not None:
        write_walk_sheet(plan, found.perimeter, out, ref=ref, shorter=shorter)
    return lines


def _minutes_until(until: str, now: datetime) -> float:
    """Return the minutes from now to a time of the same day."""
    mend = "Write a time later today, as 15:30."
    try:
        hour = time.fromisoformat(until.zfill(5)) if re.fullmatch(r"\d{1,2}:\d{2}", until) else None
        end = (
            None if hour is None else now.replace(hour=hour.hour, minute=hour.minute, second=0, microsecond=0)
        )
    except ValueError:
        end = None
    if end is None or end <= now:
        found = f"{until!r} is no time of day" if end is None else f"{until} has passed"
        raise InputError([Problem(file="--until", found=found, allowed="HH:MM, later today", mend=mend)])
    return (end - now).total_seconds() / 60


def _facts(plan: WalkPlan) -> list[list[str]]:
    head = plan.header
    return [
        ["Access", head.access],
        ["Hazards", head.hazards],
        ["Rain", head.rain],
        ["Origin", head.origin],
        ["Bench mark", head.bench_mark],
        ["Answers for it", head.answers],
        ["Leave", "; ".join(head.consents)],
    ]


def _stop(stop: Stop, number: dict[str, int], ref: Reference, dropped: set[str]) -> dict[str, Any]:
    """Return what the sheet prints of a stop: boxes, blanks to fill in, hints, and lines to write on."""
    expected = "" if stop.kind == "wall" else stop.expected
    blanks = [*_level_blanks(stop.levels, ref), *_reading_blanks(stop)]
    short = stop.kind in SHORT or bool(stop.settled)
    hints = [] if stop.kind in ("wall", "grid") else [f"If {said}." for said in stop.if_seen]
    photos = [f"Photographs: {'; '.join(stop.photos)}."] if stop.photos and not short else []
    if stop.id in dropped:
        expected = f"LEFT OUT TO SAVE TIME. {expected}"
    return {
        "number": str(number[stop.id]),
        "title": stop.title,
        "place": place_words(stop),
        "minutes": f"{stop.minutes:.0f} min" if stop.minutes >= 1 else "",
        "expected": expected,
        "needs": stop.needs,
        "marks": [ref.word("stop_state", key) for key in ("done", "left_out")] + ["no access"],
        "boxes": [] if stop.settled else [label for _, label in stop.states],
        "blanks": [] if stop.settled else blanks,
        "hints": [*hints, *photos],
        "lines": 1 if stop.kind in ("set_up", "close_down") else 0 if short else 1,
    }


def _level_blanks(roles: Sequence[str], ref: Reference) -> Iterable[str]:
    """Return a blank for each level to shoot; ground is shot at the wall and further out."""
    for role in roles:
        label = ref.word("level_role", role)
        if role == "ground" and len(roles) <= 2:
            yield from (label if where == OFFSETS[0] else where for where in OFFSETS)
        else:
            yield label


def _reading_blanks(stop: Stop) -> Iterable[str]:
    """Return a blank for each reading, up to a dozen; more are booked in the app or on lined paper."""
    for wanted in stop.readings:
        heights = [f"{height:g} m" for height in wanted.heights_m]
        if wanted.places * len(heights) <= 12:
            for place in range(1, wanted.places + 1):
                again = f" ({place})" if wanted.places > 1 else ""
                yield from (f"{height}{again}" for height in heights)
        else:
            yield f"{wanted.places} places at {' and '.join(heights)}, booked apart"
