"""NSALT, NOSALT, DRYCORE, and what air and samples say of condensation and salts."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime
from typing import Any

import numpy as np

from geo.evidence.candidates_laid import Laid
from geo.evidence.candidates_sources import records_of
from geo.evidence.candidates_wet import Wet
from geo.evidence.codes_profile import on, samples_on
from geo.evidence.kinds import Raised
from geo.evidence.reaches import touches
from geo.moisture.air import surface_humidity_percent, surface_state
from geo.moisture.depth import dry_core
from geo.moisture.wetness import DRY

RAISED = ("medium", "high")
SURFACE = ("resistance_masonry", "resistance_wood", "capacitance")
DEEP = ("resistance_deep", "microwave")
HEATING_MONTHS = (10, 11, 12, 1, 2, 3)


def salt_codes(laid: Laid, one: Wet) -> Iterator[Raised]:
    """Raise NSALT where chloride and nitrate are both raised, NOSALT where neither is."""
    found: dict[str, dict[str, bool]] = {"chloride": {}, "nitrate": {}}
    for each in laid.notes.ions:
        ion = each.record.ion
        if ion not in found or each.ring_key != one.ring_key or each.outdoors == one.inside:
            continue
        if touches(one.span, (each.at_m, each.at_m), one.ring_m, laid.limit("beside_m")):
            raised = _is_raised(laid, each.record)
            if raised is not None:
                found[ion][str(each.record.id)] = raised
    if not all(found.values()):
        return
    ids = tuple(name for ions in found.values() for name in ions)
    word = laid.found.site.reference.word
    said = ", ".join(
        f"{word('ion', ion)} {'raised' if any(ions.values()) else 'not raised'}"
        for ion, ions in found.items()
    )
    if all(any(ions.values()) for ions in found.values()):
        yield Raised(code="NSALT", stretch_id=one.stretch_id, rests_on=ids, because=said)
    elif not any(any(ions.values()) for ions in found.values()):
        yield Raised(code="NOSALT", stretch_id=one.stretch_id, rests_on=ids, because=said)


def _is_raised(laid: Laid, record: Any) -> bool | None:
    """Return whether one ion is raised, ``None`` where nothing was found out of it."""
    content, grade = record.content_percent, record.salt_class
    if content is not None:
        return bool(content > laid.limit(f"{record.ion}_percent"))
    return grade in RAISED if grade else None


def core_codes(laid: Laid, one: Wet) -> Iterator[Raised]:
    """Raise DRYCORE where a surface meter reads wet and the core is dry by another method."""
    if one.group.split("|", 1)[0] not in SURFACE:
        return
    own = samples_on(laid, one)
    if own:
        table = laid.found.samples.loc[[each.sample_id for each in own]]
        core = dry_core(table, ref=laid.found.site.reference)
        if core.word == "yes":
            said = f"{one.method} reads wet, the core is dry: {core.because}"
            yield Raised(code="DRYCORE", stretch_id=one.stretch_id, rests_on=core.rests_on, because=said)
        if core.word != "not known":
            return
    read = laid.read
    deep = on(laid, one, 0.0) & (read.side == one.side) & np.isin(read.method, DEEP)
    if int(deep.sum()) >= 2 and (read.wet[deep] == DRY).all():
        said = f"{one.method} reads wet, {int(deep.sum())} readings at depth here are dry"
        yield Raised(
            code="DRYCORE", stretch_id=one.stretch_id, rests_on=tuple(map(str, read.ids[deep])), because=said
        )


class Air:
    """Air and surface at the walls: single readings, and logs by instrument."""

    def __init__(self, laid: Laid) -> None:
        self.rows: list[tuple[str, float, str, str, datetime | None, float, float, float, str]] = []
        placed = laid.found.placed.get("environment")
        self.outdoors: list[tuple[datetime, float]] = []
        keys, at, sides = (
            (placed[name].to_dict() for name in ("ring_key", "chainage_m", "side"))
            if placed is not None
            else ({}, {}, {})
        )
        for record in records_of(laid.found.site, "environment"):
            air, humid, face = record.air_c, record.humidity_percent, record.surface_c
            moment = _moment(record.taken_at)
            if record.place == "outdoors" and air is not None and moment is not None:
                self.outdoors.append((moment, float(air)))
            spot = at.get(record.id, math.nan)
            if None in (air, humid, face) or not math.isfinite(spot):
                continue
            place = str(keys[record.id]), float(spot), str(sides[record.id])
            self.rows.append((*place, record.id, moment, air, humid, face, record.instrument))

    def outdoors_at(self, moment: datetime | None, within_h: float) -> float:
        """Return the outdoor air taken nearest to a moment, °C; NaN where none was within so many hours."""
        gaps = (
            [(abs((when - moment).total_seconds()), air) for when, air in self.outdoors]
            if moment is not None
            else []
        )
        gap, air = min(gaps, default=(math.inf, math.nan))
        return air if gap <= 3600.0 * within_h else math.nan


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        return None


def air_codes(laid: Laid, one: Wet, air: Air) -> Iterator[Raised]:
    """Raise SEEN, COLD, SOUND, TEST+ and TEST- of condensation from air and surface read at a stretch.

    COLD, where the surface was surely below the dew point of the room, or surely too damp for mould not to
    grow while it surely follows the outdoor air more than a sound wall does.
    """
    if not one.inside:
        return
    near = laid.limit("beside_m")
    own = [
        row
        for row in air.rows
        if (row[0], row[2]) == (one.ring_key, one.side)
        and touches(one.span, (row[1], row[1]), one.ring_m, near)
    ]
    logs: dict[str, list[tuple[datetime, float, str]]] = {}
    for *_, name, moment, warm, humid, face, instrument in own:
        if moment is not None and instrument:
            level = float(surface_humidity_percent(warm, humid, face))
            logs.setdefault(instrument, []).append((moment, level, name))
    logged = False
    for instrument, rows in logs.items():
        for code in _log(laid, one, instrument, sorted(rows)):
            logged = True
            yield code
    if logged:
        return
    ref = laid.found.site.reference
    for *_, name, moment, warm, humid, face, _ in own:
        outdoors = air.outdoors_at(moment, laid.limit("air_pair_h"))
        state = surface_state(
            air_c=warm, humidity_percent=humid, surface_c=face, outdoors_c=outdoors, ref=ref
        )
        facts: dict[str, Any] = {"stretch_id": one.stretch_id, "rests_on": (str(name),)}
        damp = f"surface humidity {state.surface_humidity.value:.0f} %: {state.mould.because}"
        if state.mould.word == "yes":
            yield Raised(code="SEEN", candidate="S15", because=damp, **facts)
        if state.condenses.word == "yes":
            yield Raised(code="COLD", because=state.condenses.because, **facts)
        elif state.mould.word == state.cold_bridge.word == "yes":
            yield Raised(code="COLD", because=f"{damp}; {state.cold_bridge.because}", **facts)


def _log(laid: Laid, one: Wet, instrument: str, rows: list[tuple[datetime, float, str]]) -> Iterator[Raised]:
    """Judge one log: over the limit for hours a day, or never near it, over enough days."""
    days = (rows[-1][0] - rows[0][0]).total_seconds() / 86400.0
    least = laid.limit("log_days")
    if days < least - 0.5 or len(rows) < 4 * least:
        return
    level = np.array([each[1] for each in rows])
    limit = laid.found.site.reference.value("moisture.mould_surface_rh")
    hours = 24.0 * float((level > limit).mean())
    ids = (rows[0][2], rows[int(level.argmax())][2], rows[-1][2])
    said = f"logger {instrument}, {days:.0f} days, {len(rows)} readings: surface over {limit:g} % for"
    said += f" {hours:.1f} h a day, highest {level.max():.0f} %"
    heating = sum(each[0].month in HEATING_MONTHS for each in rows) > len(rows) / 2

    def code(name: str) -> Raised:
        return Raised(code=name, stretch_id=one.stretch_id, candidate="S15", rests_on=ids, because=said)

    if hours > laid.limit("cold_hours"):
        yield code("TEST+")
        yield code("SEEN")
    elif heating and level.max() < laid.limit("surface_dry_rh"):
        yield code("SOUND")
        yield code("TEST-")
    elif heating and level.max() < limit:
        yield code("TEST-")
