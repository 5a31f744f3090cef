"""A walk in lines of text, for a terminal and for the sheets."""

from __future__ import annotations

import math

from geo.walk.live import Shorter
from geo.walk.stops import PART_WORDS, PARTS, Stop, WalkPlan


def walk_lines(plan: WalkPlan, *, shorter: Shorter | None = None) -> list[str]:
    """Return a walk as lines of text: its head, its stops in order, its time, and what is left out."""
    head = plan.header
    lines = [
        f"{head.address}: {len(plan.stops)} stops, {clock(plan.total.whole_min)}",
        f"origin     {head.origin}",
        f"bench mark {head.bench_mark}",
        f"access     {head.access}; hazards: {head.hazards}",
        f"rain       {head.rain}",
        *(f"leave      {said}" for said in head.consents),
        *(f"to settle  {said}" for said in head.to_settle),
    ]
    dropped = {drop.stop.id for drop in shorter.drops} if shorter is not None else set()
    number = plan.number()
    for part in PARTS:
        own = plan.of_part(part)
        lines += ["", PART_WORDS[part]] if own else []
        for stop in own:
            out = " [left out]" if stop.id in dropped else ""
            needs = f" (needs {stop.needs})" if stop.needs else ""
            said = f": {stop.expected}" if stop.expected else ""
            minutes = f"{stop.minutes:6.1f} min" if stop.minutes else " " * 10
            lines.append(
                f"{number[stop.id]:4d} {place_words(stop):>14}  {minutes}  {stop.title}{said}{needs}{out}"
            )
    lines += ["", *(f"{what:44}{count:>7}{minutes:>8}" for what, count, minutes in count_rows(plan))]
    lines += ["", time_words(plan, shorter), *plan.notes]
    if shorter is not None:
        lines += [drop_note(shorter)] if shorter.drops else []
        lines += [
            f"  {number[drop.stop.id]} {drop.stop.title}, {drop.saved_min:.0f} min. {drop.not_known}"
            for drop in shorter.drops
        ]
    lines += ["Bring: " + ", ".join(plan.kit)]
    return lines


def clock(minutes: float) -> str:
    """Return minutes as hours and minutes."""
    whole = round(minutes)
    return f"{whole} min ({whole // 60} h {whole % 60:02d})"


def time_words(plan: WalkPlan, shorter: Shorter | None) -> str:
    """Return the time a walk takes, in a sentence."""
    total = plan.total
    said = (
        f"Stops {total.stops_min:.1f} min, walking {total.walked_m:.1f} m {total.walking_min:.1f} min, spare"
        f" {total.spare_min:.1f} min: {clock(total.whole_min)}."
    )
    if shorter is None:
        return said
    fits = "fits" if shorter.fits else f"still does not fit, by {shorter.over_min:.0f} min"
    return (
        f"{said} With what is left out {clock(shorter.kept_min)}: it {fits} into {clock(shorter.within_min)}."
    )


def drop_note(shorter: Shorter | None) -> str:
    """Return what stands over the list of what is left out; nothing where nothing is."""
    if shorter is None or not shorter.drops:
        return ""
    return f"To be done in {clock(shorter.within_min)}, in the order of what costs the report least:"


def count_rows(plan: WalkPlan) -> list[list[str]]:
    """Return the count as rows: work, how many, minutes; walking, spare and the sum last."""
    total = plan.total
    rows = [[line.label, f"{line.count:g}", f"{line.minutes:.1f}"] for line in total.lines]
    return [
        *rows,
        ["walking", f"{total.walked_m:.1f} m", f"{total.walking_min:.1f}"],
        ["what goes wrong", "", f"{total.spare_min:.1f}"],
        ["together", "", f"{total.whole_min:.0f}"],
    ]


def place_words(stop: Stop) -> str:
    """Return a stop's ring and chainage; its ring alone where it has no chainage."""
    return f"{stop.ring_key} {stop.chainage_m:.2f}" if math.isfinite(stop.chainage_m) else stop.ring_key
