"""RAIN, USE, CONST, COLD, TREND, ORG: what was noticed over time, and what readings of one spot show."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from geo.evidence.candidates_laid import Laid
from geo.evidence.candidates_sources import records_of
from geo.evidence.candidates_wet import Wet
from geo.evidence.codes_profile import signs_on
from geo.evidence.kinds import Raised
from geo.evidence.reaches import touches
from geo.moisture.censor import bounds, parse_value

Numbers = NDArray[np.float64]

SIGNS = {
    "follows_rain": "RAIN",
    "follows_use": "USE",
    "steady": "CONST",
    "follows_cold": "COLD",
    "falling": "TREND",
    "foul_smell": "ORG",
    "grease": "ORG",
}
USES = ("bath", "sink", "washing_machine", "dishwasher", "wc", "outside_use")
DAY_S = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """Readings of one spot by one instrument, in order of time: days, and bounds of each."""

    ids: tuple[str, ...]
    ring_key: str
    side: str
    chainage_m: float
    spread: float
    method: str
    days: Numbers
    low: Numbers
    high: Numbers


def sign_codes(laid: Laid, one: Wet) -> Iterator[Raised]:
    """Raise what was noticed along a stretch and written down as a sign."""
    ref = laid.found.site.reference
    for record in signs_on(laid, one):
        code = SIGNS.get(record.sign)
        if code is not None:
            of = f", with {record.of_id}" if record.of_id else ""
            said = f"noticed{of}: {ref.word('sign', record.sign)} ({ref.word('evidence', record.evidence)})"
            ids = (str(record.id), record.of_id) if record.of_id else (str(record.id),)
            yield Raised(
                code=code, stretch_id=one.stretch_id, rests_on=ids, because=said,
                goes_with=_water_of(laid, str(record.of_id)) if record.of_id else frozenset(),
            )  # fmt: skip


def _water_of(laid: Laid, of_id: str) -> frozenset[str]:
    """Return what the water of one asset passes: what runs into it, the asset, and all that lies below it."""
    below: dict[str, set[str]] = {}
    for kind in ("fixture", "downpipe"):
        for record in records_of(laid.found.site, kind):
            below.setdefault(str(record.id), set()).add(str(record.into_id))
    for record in records_of(laid.found.site, "run"):
        below.setdefault(str(record.from_id), set()).add(str(record.id))
        below.setdefault(str(record.id), set()).add(str(record.to_id))
    above: dict[str, set[str]] = {}
    for name, into in below.items():
        for each in into:
            above.setdefault(each, set()).add(name)
    return frozenset(_reached(below, of_id) | _reached(above, of_id)) - {""}


def _reached(steps: Mapping[str, set[str]], start: str) -> set[str]:
    """Return everything that can be reached from a start, itself included."""
    found, left = {start}, [start]
    while left:
        new = steps.get(left.pop(), set()) - found - {""}
        found |= new
        left += new
    return found


def repeated_series(laid: Laid) -> tuple[Series, ...]:
    """Gather the readings that were taken again at one spot by one method and instrument, two or more."""
    found, ref = laid.found, laid.found.site.reference
    records = {r.id: r for r in records_of(found.site, "reading")}
    again = [r for r in records.values() if r.repeats_id or r.point_id]
    if not again:
        return ()
    spots: dict[tuple[str, ...], list[str]] = {}
    for record in again:
        root, seen = record, {record.id}
        while not root.point_id and root.repeats_id in records and root.repeats_id not in seen:
            root = records[root.repeats_id]
            seen.add(root.id)
        spot = f"point {root.point_id}" if root.point_id else root.id
        for each in {root.id, record.id}:
            one = records[each]
            group = (spot, one.method, one.material, one.basis, one.instrument, str(one.depth_mm))
            if each not in spots.setdefault(group, []):
                spots[group].append(each)
    placed = found.placed.get("reading")
    if placed is None:
        return ()
    made = []
    for (_, method, *_rest), names in spots.items():
        known = [(day, name) for name in names if (day := _day(records[name].taken_at)) is not None]
        known.sort()
        if len(known) < 2:
            continue
        ids = tuple(name for _, name in known)
        value, censored = zip(*(parse_value(records[name].value) for name in ids), strict=True)
        low, high = bounds(np.array(value), np.array(censored, dtype=object))
        row = placed.loc[ids[0]]
        own = ref.methods[method]
        span = own.scale_max - own.scale_min
        made.append(
            Series(
                ids=ids, ring_key=str(row["ring_key"]), side=str(row["side"]),
                chainage_m=float(row["chainage_m"]), method=own.name, low=low, high=high,
                spread=own.spread * (span if own.spread_kind == "of span" else 1.0),
                days=np.array([day for day, _ in known]),
            )
        )  # fmt: skip
    return tuple(made)


def _day(text: str) -> float | None:
    """Return a moment as days, ``None`` where it is not written down to the day."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return moment.timestamp() / DAY_S


def series_codes(laid: Laid, one: Wet, every: Sequence[Series]) -> Iterator[Raised]:
    """Raise what readings of one spot, taken again and again, show against rain and use."""
    rains = _events(laid, ("rain", "snow_melt"))
    uses = _events(laid, USES)
    for own in every:
        if own.ring_key != one.ring_key or (own.side == "outside") != (not one.inside):
            continue
        if not touches(one.span, (own.chainage_m, own.chainage_m), one.ring_m):
            continue
        apart = laid.found.site.reference.value("confidence.z_95") * math.sqrt(2.0) * own.spread
        yield from _trend(laid, one, own, apart)
        after = _after(own.days, rains, laid.limit("rain_days"))
        dry = ~_after(own.days, rains, laid.limit("dry_days"))
        rain = _against(one, own, after, dry, apart, "RAIN", "within 3 days of rain", "in dry spells")
        if rain is not None and rains:
            yield rain
        used = _after(own.days, uses, laid.limit("use_hours") / 24.0)
        use = _against(one, own, used, ~used, apart, "USE", "soon after use", "without use")
        if use is not None and uses:
            yield use
        if (
            len(own.days) >= laid.limit("steady_readings")
            and rains
            and after.any()
            and dry.any()
            and not (own.low.max() - own.high.min() > apart)
        ):
            said = f"by {own.method}: {len(own.days)} readings of one spot, after rain and not, do not differ"
            yield Raised(code="CONST", stretch_id=one.stretch_id, rests_on=own.ids, because=said)


def _events(laid: Laid, kinds: tuple[str, ...]) -> list[tuple[float, float]]:
    """Return the times, in days, of rain that counts or of uses of water."""
    least = laid.limit("rain_mm")
    found = []
    for record in records_of(laid.found.site, "event"):
        if record.event_kind not in kinds:
            continue
        if record.event_kind == "rain" and not (record.rain_mm is None or record.rain_mm >= least):
            continue
        start, end = _day(record.began_at), _day(record.ended_at)
        if start is not None:
            found.append((start, end if end is not None else start))
    return found


def _after(days: Numbers, events: Sequence[tuple[float, float]], within: float) -> NDArray[np.bool_]:
    """Return which moments lie in an event or so many days after its end."""
    hit = np.zeros(len(days), dtype=bool)
    for start, end in events:
        hit |= (days >= start) & (days <= end + within)
    return hit


def _against(
    one: Wet, own: Series, yes: NDArray[np.bool_], no: NDArray[np.bool_], apart: float, code: str, when: str,
    else_: str,
) -> Raised | None:  # fmt: skip
    """Return a code where every reading of one kind is surely above every one of the other, two of each."""
    if yes.sum() < 2 or no.sum() < 2 or not own.low[yes].min() - own.high[no].max() > apart:
        return None
    said = (
        f"by {own.method}: {int(yes.sum())} readings of one spot {when}, the lowest {own.low[yes].min():g},"
        f" {int(no.sum())} {else_}, the highest {own.high[no].max():g}"
    )
    return Raised(code=code, stretch_id=one.stretch_id, rests_on=own.ids, because=said)


def _trend(laid: Laid, one: Wet, own: Series, apart: float) -> Iterator[Raised]:
    """Raise TREND where readings visit by visit never surely rise and surely end lower, no works done."""
    visits = len(np.unique(np.floor(own.days)))
    if visits < laid.limit("trend_visits"):
        return
    fallen = own.low[0] - own.high[-1]
    rises = (own.low[1:] - own.high[:-1] > apart).any()
    works = [_day(each.done_on) for each in records_of(laid.found.site, "work_done")]
    works += [_day(each.began_at) for each in records_of(laid.found.site, "drying_log")]
    if rises or not fallen > apart or any(day is not None and day <= own.days[-1] for day in works):
        return
    said = f"by {own.method}: {visits} visits, {fallen:g} lower at the last, never surely rising, no works"
    yield Raised(code="TREND", stretch_id=one.stretch_id, rests_on=own.ids, because=said)
