"""The plan of a walk: everything to look at, shoot, read and test, in order, with its minutes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from geo.findings.examine import Findings
from geo.reference import Reference
from geo.site.model import Site
from geo.walk.drains import drain_stops, network_of
from geo.walk.ground_plan import Lie, lie_of
from geo.walk.header import header_of
from geo.walk.inside import inside_stops
from geo.walk.minutes import Task, Total, add_up, count_lines, task
from geo.walk.outside import outside_stops
from geo.walk.stops import Stop, WalkPlan
from geo.walk.trials import trial_stops


def plan_walk(site: Site, findings: Findings | None = None) -> WalkPlan:
    """Plan the walk round a site.

    Outside clockwise from the origin corner of each ring, then chambers and soakaways from downstream up,
    then inside in the same order, then water tests from the lowest up, then close-down.

    Parameters
    ----------
    site
        A site that has no error; an outline is enough.
    findings
        What is found so far; ``None`` before anything was read. It must be of the same site.

    Raises
    ------
    GeometryError, InputError
        When the outline or a position cannot be used.
    """
    lie = lie_of(site, findings)
    network = network_of(lie)
    stops = (
        *_set_up(site.reference),
        *outside_stops(lie),
        *drain_stops(lie, network),
        *inside_stops(lie),
        *trial_stops(lie, network),
        *_close_down(site.reference),
    )
    walked = float(lie.perimeter.rings.loc[list(lie.rings), "length_m"].sum())
    return WalkPlan(
        header=header_of(lie),
        stops=stops,
        total=total_of(stops, walked_m=walked, ref=site.reference),
        notes=tuple(_notes(lie)),
        digest=site.digest,
    )


def plan_from(found: Findings) -> WalkPlan:
    """Plan the walk round an examined site; before anything was read or levelled, from its outline alone.

    Raises
    ------
    GeometryError, InputError
        As :func:`plan_walk`.
    """
    known = bool(len(found.readings) or len(found.levels))
    return plan_walk(found.site, found if known else None)


def total_of(stops: Iterable[Stop], *, walked_m: float, ref: Reference) -> Total:
    """Return the time of some stops and of walking a length, with what is added for what goes wrong."""
    lines = count_lines(task for stop in stops for task in stop.tasks)
    return add_up(lines, walked_m=walked_m, ref=ref)


def _fixed(part: str, key: str, title: str, expected: str, *tasks: Task, **more: Any) -> Stop:
    return Stop(id=f"{part}:{key}", part=part, kind=part, title=title, expected=expected, tasks=tasks, **more)


def _set_up(ref: Reference) -> list[Stop]:
    """Return the set-up; its first stop carries the minutes of all of them."""
    part = "set_up"
    return [
        _fixed(
            part,
            "safe",
            "Safe to go on",
            "hazards and leave gone through with whoever is there; wet sockets, gas, sewage: stop",
            task("set_up", ref=ref),
        ),
        _fixed(
            part, "air", "Weather and air", "air and humidity outside and in one room; rain since yesterday"
        ),
        _fixed(
            part,
            "meter",
            "Water meter, start",
            "everything off: reading to its last digit, and the time; read again before leaving",
        ),
        _fixed(
            part,
            "level",
            "Level and bench mark",
            "bench mark chosen, photographed and booked as the first backsight",
            levels=("bench_mark",),
        ),
        _fixed(
            part,
            "controls",
            "Instruments and dry reference",
            f"check block read; {ref.value('moisture.control_min'):.0f} or more readings of each material and"
            " method where the wall has no reason to be wet",
        ),
        _fixed(part, "origin", "Origin corner", "origin corner marked; chainage runs clockwise from it"),
    ]


def _close_down(ref: Reference) -> list[Stop]:
    """Return the close-down; its first stop carries the minutes of all of them."""
    part = "close_down"
    return [
        _fixed(
            part,
            "gaps",
            "What would stay not known",
            "gone through from the dearest; closed or left, with the reason",
            task("close_down", ref=ref),
        ),
        _fixed(part, "meter", "Water meter, end", "read with everything off since the start"),
        _fixed(
            part, "level", "Back to the bench mark", "last foresight on the bench mark; misclosure worked out"
        ),
        _fixed(part, "covers", "Covers", "every cover back, flat and fast"),
        _fixed(part, "holes", "Holes", "every hole closed or guarded; dust and water cleared"),
        _fixed(part, "told", "Told", "whoever is there was told what is still open and what was opened"),
    ]


def _notes(lie: Lie) -> Iterable[str]:
    ref = lie.ref
    if not lie.rings:
        yield "No building is marked as surveyed: there is nothing to walk round."
    if not lie.read:
        count = round(ref.value("walk.tests_reserved_count"))
        yield (
            f"No wall has been read yet: profiles, samples and holes follow once it has; time for {count}"
            " dyed tests is kept free."
        )
    elif not lie.wet:
        yield "No wall reads wet so far, so no water test is planned."
    changed = [limit for key, limit in ref.limits.items() if key.startswith("walk.") and limit.changed_by]
    for limit in changed:
        yield f"{limit.key} = {limit.value:g} {limit.unit}, from {limit.changed_by}"
