"""What may be handed on to whom, by which readings; and the survey's places before against after."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from geo.drying.goals import FLOOR, MET, NOT_MET, TIMBER
from geo.drying.series import moments, reading_sigma
from geo.moisture.censor import ABOVE, BELOW, NONE, parse_values
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Verdict

PLASTERER, RENDERER, FLOOR_LAYER, JOINER = "plasterer", "renderer", "floor layer", "joiner"
RELEASED, READY, HELD_BACK = "released", "may be released", "not released"
DRIER, WETTER, SAME, UNLIKE = "drier", "wetter", "no change shown", "not comparable"
HOLD = {PLASTERER: "hp5", RENDERER: "hp5", FLOOR_LAYER: "hp6", JOINER: "hp5"}
ALIKE = {"method": "method", "instrument": "instrument", "material": "material", "basis": "basis"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """A wet length of wall, or a floor, that is released as a whole.

    Parameters
    ----------
    name
        In words.
    trade
        Who may go on: ``"plasterer"``, ``"renderer"`` outside, ``"floor layer"`` or ``"joiner"``.
    ring_key, side, from_m, to_m
        The wall, where it is one; ``""`` and NaN otherwise.
    stretch_ids, point_ids
        Wet stretches it is made of, and fixed points on it.
    """

    name: str
    trade: str
    ring_key: str
    side: str
    from_m: float
    to_m: float
    stretch_ids: tuple[str, ...]
    point_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Release:
    """Whether one place is released, by which readings, or what it lacks.

    Parameters
    ----------
    place
        The place.
    verdict
        ``"released"`` (its hold point is on record as passed and the readings agree), ``"may be released"``,
        ``"not released"`` or not known; ``rests_on`` has the readings.
    lacks
        What is missing, the cheapest first.
    """

    place: Place
    verdict: Verdict
    lacks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PointState:
    """What one point brings to the release of its place."""

    point_id: str
    verdict: Verdict
    depth_mm: float
    hindered: tuple[str, ...]


def places_of(
    stretches: pd.DataFrame, points: pd.DataFrame, lengths: Mapping[str, float], *, ref: Reference
) -> tuple[Place, ...]:
    """Return every place to release: wet lengths inside, others with a fixed point on them, and floors.

    Stretches of different methods that overlap are one place to a plasterer; their values stay apart.

    Parameters
    ----------
    stretches
        As found by the survey: ``ring_key``, ``side``, ``chainage_from_m``, ``chainage_to_m``, index id.
    points
        Fixed points that are no control, index id: ``ring_key``, ``side``, ``chainage_m``, ``goal``,
        ``floor_zone``.
    lengths
        Length of each ring, m.
    """
    reach = ref.value("moisture.read_reach_m")
    on_wall = points[(points["goal"] != FLOOR) & points["chainage_m"].notna() & (points["ring_key"] != "")]
    found, used = [], set()
    for (ring, side), own in stretches.groupby(["ring_key", "side"], sort=True):
        here = on_wall[(on_wall["ring_key"] == ring) & (on_wall["side"] == side)]
        for start, end, ids in _merged(own, float(lengths[str(ring)])):
            ahead = (here["chainage_m"] - start + reach) % float(lengths[str(ring)])
            mine = here[ahead <= (end - start) + 2 * reach]
            if side != "inside" and mine.empty:
                continue
            used |= set(mine.index)
            length = float(lengths[str(ring)])
            name = f"{ring} {side}, {start % length:.2f} to {end % length:.2f} m"
            found += _by_trade(name, mine, str(ring), str(side), start % length, end % length, ids)
    rest = points[~points.index.isin(used) & (points["goal"] != FLOOR)]
    for point_id, point in rest.iterrows():
        at = float(point["chainage_m"])
        name = f"at {point_id}" + (f", {point['ring_key']} {at:.2f} m" if math.isfinite(at) else "")
        ring, side = str(point["ring_key"]), str(point["side"])
        found += _by_trade(name, points.loc[[point_id]], ring, side, at, at, ())
    floors = points[points["goal"] == FLOOR]
    for zone, own in floors.groupby("floor_zone", sort=True):
        name = f"floor {zone}" if zone else "floor"
        found.append(
            Place(
                name=name, trade=FLOOR_LAYER, ring_key="", side="inside", from_m=math.nan, to_m=math.nan,
                stretch_ids=(), point_ids=tuple(map(str, own.index)),
            )
        )  # fmt: skip
    return tuple(found)


def release_of(
    place: Place, states: Mapping[str, PointState], holds: pd.DataFrame, hold_rings: pd.Series[str],
    lengths: Mapping[str, float], *, ref: Reference,
) -> Release:  # fmt: skip
    """Say whether one place is released.

    Parameters
    ----------
    states
        State of each point, by id.
    holds, hold_rings
        Records of kind hold_point, and the ring each belongs to.
    """
    own = [states[name] for name in place.point_ids]
    lacks = [f"{one.point_id}: {said}" for one in own for said in one.hindered]
    for one in own:
        if one.verdict.word != MET:
            more = f" {one.verdict.settle}" if one.verdict.settle else ""
            lacks.append(f"{one.point_id} {one.verdict.word}: {one.verdict.because}.{more}")
    lacks += _not_covered(place, own, ref)
    rests = tuple(dict.fromkeys(name for one in own for name in one.verdict.rests_on))
    passed = _passed(place, holds, hold_rings, lengths)
    if not own:
        word, because = NOT_KNOWN, "no fixed point on it"
    elif any(one.verdict.word == NOT_MET or one.hindered for one in own):
        word, because = HELD_BACK, f"{sum(one.verdict.word == MET for one in own)} of {len(own)} points met"
    elif lacks:
        word, because = NOT_KNOWN, f"{sum(one.verdict.word == MET for one in own)} of {len(own)} points met"
    elif passed:
        word, because = RELEASED, f"hold point {', '.join(passed)} passed, and every point meets its goal"
    else:
        word, because = READY, "every point meets its goal"
        lacks = [f"Record it as hold point {HOLD[place.trade].upper()}."]
    if passed and word in (NOT_KNOWN, HELD_BACK):
        because = f"hold point {', '.join(passed)} is on record as passed, but {because}"
    settle = lacks[0] if lacks and word != RELEASED else ""
    return Release(
        place=place, lacks=tuple(lacks),
        verdict=Verdict(word=word, because=because, settle=settle, rests_on=(*rests, *passed)),
    )  # fmt: skip


def like_for_like(readings: pd.DataFrame, *, ref: Reference) -> pd.DataFrame:
    """Hold readings against the earlier ones at the same spot that they repeat.

    Parameters
    ----------
    readings
        Records of kind reading, indexed by id; those with a ``repeats_id`` are compared.

    Returns
    -------
    Indexed by the later reading: ``before_id``, ``method``, ``before``, ``after`` (as written), ``days``,
    ``change``, ``sigma``, ``unit``, ``word`` (``"drier"``, ``"wetter"``, ``"no change shown"``,
    ``"not comparable"``, or not known) and ``because``.
    """
    rows = []
    parsed = parse_values(readings["value"])
    at = moments(readings["taken_at"])
    for name, late in readings[readings["repeats_id"] != ""].iterrows():
        first = str(late["repeats_id"])
        if first not in readings.index:
            continue
        early = readings.loc[first]
        days = float((at[name] - at[first]) / pd.Timedelta(days=1))
        method = ref.methods[str(late["method"])]
        row: dict[str, Any] = {
            "id": str(name), "before_id": first, "method": method.name, "before": str(early["value"]),
            "after": str(late["value"]), "days": days, "unit": method.unit, "change": math.nan,
            "sigma": math.nan,
        }  # fmt: skip
        unlike = _unlike(early, late)
        if unlike:
            row |= {"word": UNLIKE, "because": unlike}
        else:
            basis = str(late["basis"]) or method.basis
            sigma = math.sqrt(2.0) * reading_sigma(str(late["method"]), basis, fixed=False, ref=ref)
            row |= {"sigma": sigma} | _change(parsed.loc[first], parsed.loc[name], sigma, method.unit, ref)
        rows.append(row)
    columns = ["before_id", "method", "before", "after", "days", "change", "sigma", "unit", "word", "because"]
    return pd.DataFrame(rows, columns=["id", *columns]).set_index("id")


def came_back(pairs: pd.DataFrame) -> tuple[str, ...]:
    """Return in words where a spot that had grown drier is wetter again.

    Parameters
    ----------
    pairs
        As from :func:`like_for_like`.
    """
    found = []
    for name, row in pairs[pairs["word"] == WETTER].iterrows():
        first = row["before_id"]
        if first in pairs.index and pairs.loc[first, "word"] == DRIER:
            found.append(f"{name}: {row['because']}, after it had grown drier by {first}")
    return tuple(found)


def _by_trade(
    name: str, points: pd.DataFrame, ring: str, side: str, start: float, end: float, ids: Sequence[str]
) -> list[Place]:
    """Return the places of one length, one for each trade that waits for it."""
    timber = points["goal"] == TIMBER
    wall = PLASTERER if side == "inside" else RENDERER
    groups = [(wall, points[~timber]), (JOINER, points[timber])]
    return [
        Place(
            name=name, trade=trade, ring_key=ring, side=side, from_m=start, to_m=end, stretch_ids=tuple(ids),
            point_ids=tuple(map(str, own.index)),
        )
        for trade, own in groups
        if len(own) or (trade == wall and points.empty)
    ]  # fmt: skip


def _merged(stretches: pd.DataFrame, length: float) -> list[tuple[float, float, list[str]]]:
    """Merge stretches that overlap round one ring; an end may pass the ring's length."""
    spans = []
    for name, row in stretches.iterrows():
        start = float(row["chainage_from_m"])
        spans.append((start, start + (float(row["chainage_to_m"]) - start) % length, [str(name)]))
    spans.sort()
    merged: list[tuple[float, float, list[str]]] = []
    for start, end, ids in spans:
        if merged and start <= merged[-1][1]:
            a, b, own = merged[-1]
            merged[-1] = (a, max(b, end), own + ids)
        else:
            merged.append((start, end, ids))
    if len(merged) > 1 and merged[-1][1] - length >= merged[0][0]:
        a, b, own = merged.pop()
        first = merged.pop(0)
        merged.append((a, max(b, first[1] + length), own + first[2]))
    return merged


def _not_covered(place: Place, own: Sequence[PointState], ref: Reference) -> list[str]:
    """Say what no fixed point of a wall covers: its surface, or its depth."""
    if not own:
        return ["Set fixed points near the surface and at depth, and read them twice."]
    if place.trade not in (PLASTERER, RENDERER):
        return []
    deep = ref.value("drying.deep_mm")
    depths = [one.depth_mm for one in own]
    if any(math.isnan(depth) for depth in depths):
        return ["The depth of a point is not recorded."]
    lacks = []
    if not any(depth >= deep for depth in depths):
        lacks.append(f"No point reads at {deep:g} mm or deeper.")
    if not any(depth < deep for depth in depths):
        lacks.append("No point reads near the surface.")
    return lacks


def _passed(
    place: Place, holds: pd.DataFrame, hold_rings: pd.Series[str], lengths: Mapping[str, float]
) -> tuple[str, ...]:
    """Return ids of the hold points on record as passed that cover a place."""
    own = holds[(holds["hold_point"] == HOLD[place.trade]) & (holds["result"] == "passed")]
    found = []
    for name, hold in own.iterrows():
        start, end = float(hold["chainage_from_m"]), float(hold["chainage_to_m"])
        if math.isnan(start) or math.isnan(end) or not place.ring_key:
            found.append(str(name))
            continue
        length = float(lengths.get(str(hold_rings[name]), math.nan))
        if str(hold_rings[name]) == place.ring_key:
            run = (end - start) % length
            a = (place.from_m - start) % length
            if a + (place.to_m - place.from_m) % length <= run + 1e-9:
                found.append(str(name))
    return tuple(found)


def _unlike(early: pd.Series[Any], late: pd.Series[Any]) -> str:
    """Say what differs between two readings that should be alike; ``""`` when nothing does."""
    for name, word in ALIKE.items():
        if early[name] != late[name]:
            return f"{word} {early[name] or 'not said'} then, {late[name] or 'not said'} now"
    for name, word in (("depth_mm", "depth, mm"), ("height_m", "height, m")):
        a, b = float(early[name]), float(late[name])
        if math.isfinite(a) and math.isfinite(b) and not math.isclose(a, b, abs_tol=1e-6):
            return f"{word} {a:g} then, {b:g} now"
    return ""


def _change(
    before: pd.Series[Any], after: pd.Series[Any], sigma: float, unit: str, ref: Reference
) -> dict[str, Any]:
    """Return the change between two readings, bounds kept as bounds."""
    z = ref.value("confidence.z_95")
    change = float(after["value"] - before["value"])
    ends = (str(before["censored"]), str(after["censored"]))
    if ends == (NONE, NONE):
        word = DRIER if change < -z * sigma else WETTER if change > z * sigma else SAME
        return {"change": change, "word": word, "because": f"{change:+.1f} ± {z * sigma:.1f} {unit}"}
    down = ends[0] in (ABOVE, NONE) and ends[1] in (BELOW, NONE)
    up = ends[0] in (BELOW, NONE) and ends[1] in (ABOVE, NONE)
    if down and change < -z * sigma:
        return {"word": DRIER, "because": f"by {-change:.1f} {unit} or more"}
    if up and change > z * sigma:
        return {"word": WETTER, "because": f"by {change:.1f} {unit} or more"}
    return {"word": NOT_KNOWN, "because": "off the scale; the two may be the same or not"}
