"""The head of a walk: the place, the people's leave, the rain, and what the visit must settle."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from geo.verdict import NOT_KNOWN
from geo.walk.ground_plan import Lie
from geo.walk.stops import Header

SHOWN = 8
"""Gaps named at the head; the close-down has them all."""


def header_of(lie: Lie) -> Header:
    """Return the head of the walk of a site."""
    site, ref, info = lie.site, lie.ref, lie.site.info
    visits: list[Any] = sorted(site.of("visit"), key=lambda visit: getattr(visit, "arrived_at", ""))
    visit = visits[-1] if visits else None
    bench = info.bench_mark or "not chosen yet"
    level = f", {info.bench_mark_level_m:.3f} m" if info.bench_mark_level_m is not None else ", level not set"
    return Header(
        address=info.name,
        access=ref.word("access", visit.access) if visit is not None else NOT_KNOWN,
        hazards=(visit.hazards if visit is not None else "") or "none on record: ask at the door",
        consents=tuple(_consents(lie)),
        rain=_rain(visit, info.rain_48h_mm),
        to_settle=tuple(_to_settle(lie, visit)),
        origin=_origin(lie),
        bench_mark=f"{bench}{level} above {info.datum}",
        answers=info.surveyed_by or "not named",
    )


def _consents(lie: Lie) -> Iterator[str]:
    """Say of each leave whether it was given; the last record of a kind speaks, and none is "not asked"."""
    ref = lie.ref
    last: dict[str, Any] = {}
    for record in lie.site.of("consent"):
        last[getattr(record, "consent_for", "")] = record
    for key in ref.vocabulary.get("consent_for", {}):
        what = ref.word("consent_for", key)
        if key not in last:
            yield f"{what}: not asked"
            continue
        leave = last[key]
        said = (
            f"{what}: {ref.word('consent_state', leave.state)} by the {ref.word('speaker', leave.given_by)}"
        )
        when = f", {leave.given_on}" if leave.given_on else ""
        yield f"{said}{when}{f'; {leave.limits}' if leave.limits else ''}"


def _rain(visit: Any, before: float | None) -> str:
    depths = {"2 days": before, "7 days": None, "30 days": None}
    if visit is not None:
        own = (visit.rain_48h_mm, visit.rain_7d_mm, visit.rain_30d_mm)
        depths = {
            days: given if given is not None else depths[days]
            for days, given in zip(depths, own, strict=True)
        }
    said = [f"{days} {NOT_KNOWN if depth is None else f'{depth:g} mm'}" for days, depth in depths.items()]
    return "last " + ", ".join(said)


def _to_settle(lie: Lie, visit: Any) -> Iterator[str]:
    if visit is not None and visit.purpose:
        yield visit.purpose
    if lie.found is None:
        yield "which walls are wet, against this house's own dry reference"
        yield "where the ground sends water to the wall, and where the course is not clear"
        yield "what each gully, downpipe and chamber is joined to"
        return
    reach = lie.ref.value("outlets.radius_c_m")
    for wet in lie.wet:
        yield f"why {wet.where} is wet ({wet.length_m:.1f} m, {' and '.join(wet.sides)})"
    spans = [gap for gap in lie.found.gaps if not math.isfinite(gap.chainage_to_m - gap.chainage_from_m)]
    long = [
        gap for gap in lie.found.gaps
        if math.isfinite(gap.chainage_to_m - gap.chainage_from_m)
        and gap.chainage_to_m - gap.chainage_from_m >= reach
    ]  # fmt: skip
    left = max(0, SHOWN - len(lie.wet))
    for gap in [*long, *spans][:left]:
        yield f"{gap.what}, {gap.where}"
    if len(long) + len(spans) > left:
        yield f"{len(long) + len(spans) - left} more: the close-down has them all"


def _origin(lie: Lie) -> str:
    said = []
    for ring in lie.rings:
        x, y = lie.perimeter.point_at(ring, 0.0)[0]
        said.append(f"{ring}: corner A, {x:.2f} E {y:.2f} N, {lie.length(ring):.2f} m round")
    return "; ".join(said)
