"""The wall itself, length by length: ground over the course, falls, floors, finishes, debris."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geo.evidence.candidates_sources import key_of, records_of
from geo.evidence.reaches import unwrapped
from geo.findings.drain_answer import Drains
from geo.findings.examine import Findings

NAN = math.nan
YES, NO, NOT_KNOWN = "yes", "no", "not known"
SHORT, LOW, LEVEL = "short", "low", "level"
Sections = Mapping[str, Mapping[str, NDArray[Any]]]
Places = Mapping[str, tuple[str, float, float]]
CAVITY_WET = ("water", "water_mark", "fill_wet")


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """What is known of one length of wall.

    Parameters
    ----------
    of_id
        Record it is of, where it is one: a floor, a length of cavity, a pool.
    word
        ``yes`` (it is so), ``short``, ``no`` or not known.
    margin_mm, sigma_mm
        By how much, positive when it is so; NaN where no level says.
    """

    span: tuple[float, float]
    word: str
    said: str
    of_id: str = ""
    margin_mm: float = NAN
    sigma_mm: float = NAN
    rests_on: tuple[str, ...] = ()
    seen: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fabric:
    """The lengths of every ring, by ring key.

    Parameters
    ----------
    ground
        Ground over the outer damp proof course: yes, short (it may be, or splash passes it), low (less than
        the clearance asked), no, not known.
    falls
        Ground falling to the wall: yes, no (away), not known; by levels where there are any.
    ponds
        Pools against the wall that are sure.
    floors
        Floor over the inner damp proof course and touching it.
    finishes
        Finish touching the floor or reaching below the inner damp proof course.
    debris
        Debris in the cavity over the inner damp proof course.
    courses
        Damp proof course seen whole (no), seen absent or with a gap (yes), else not known; by leaf.
    walls
        Kind of wall by ring and face.
    """

    ground: Mapping[str, Sequence[Length]] = field(default_factory=dict)
    falls: Mapping[str, Sequence[Length]] = field(default_factory=dict)
    ponds: Mapping[str, Sequence[Length]] = field(default_factory=dict)
    floors: Mapping[str, Sequence[Length]] = field(default_factory=dict)
    finishes: Mapping[str, Sequence[Length]] = field(default_factory=dict)
    debris: Mapping[str, Sequence[Length]] = field(default_factory=dict)
    courses: Mapping[tuple[str, str], Sequence[Length]] = field(default_factory=dict)
    walls: Mapping[tuple[str, str], str] = field(default_factory=dict)


def lay_out_fabric(found: Findings, drains: Drains | None, sections: Sections) -> Fabric:
    """Lay the wall of every ring out, length by length.

    Parameters
    ----------
    sections
        From :func:`geo.evidence.candidates_ways.section_arrays`; empty without drains.
    """
    place = _station_places(found)
    return Fabric(
        ground=_by_ring(_ground(found, place)),
        falls=_by_ring(_falls(found, place)),
        ponds=_by_ring(_ponds(found)),
        floors=_by_ring(_floors(found, drains, sections)) if drains is not None else {},
        finishes=_by_ring(_finishes(found, drains, sections)) if drains is not None else {},
        debris=_by_ring(_debris(found, drains, sections)),
        courses=_courses(found),
        walls=_walls(found),
    )


def _by_ring(rows: Iterable[tuple[str, Length]]) -> dict[str, list[Length]]:
    made: dict[str, list[Length]] = {}
    for key, row in rows:
        made.setdefault(key, []).append(row)
    return made


def _joined(rows: Iterable[tuple[str, Length]]) -> list[tuple[str, Length]]:
    """Join neighbouring lengths with one word; the margin that is furthest past, or nearest to it, stands."""
    made: list[tuple[str, Length]] = []
    for key, row in rows:
        if made and made[-1][0] == key:
            last = made[-1][1]
            if (last.word, last.of_id) == (row.word, row.of_id) and abs(last.span[1] - row.span[0]) < 1e-6:
                worse = last if not last.margin_mm < row.margin_mm else row
                ids = tuple(dict.fromkeys([*last.rests_on, *row.rests_on]))
                both = replace(
                    worse, span=(last.span[0], row.span[1]), rests_on=ids, seen=last.seen and row.seen
                )
                made[-1] = key, both
                continue
        made.append((key, row))
    return made


def _station_places(found: Findings) -> dict[str, tuple[str, float, float]]:
    """Return ring, from and to of every piece of wall, by its id."""
    table = found.stations
    columns = ("station_id", "ring_key", "chainage_from_m", "chainage_to_m")
    rows = zip(*(table[name].tolist() for name in columns), strict=True)
    return {str(name): (str(key), float(a), float(b)) for name, key, a, b in rows}


def _ground(found: Findings, place: Places) -> list[tuple[str, Length]]:
    """Hold the ground against the outer course, piece by piece (K7), with the clearance asked beside it."""
    table, z = found.ground.clearance, found.site.reference.value("drains.rival_sigmas")
    columns = ("station_id", "clearance_mm", "sigma_mm", "verdict", "because", "rests_on")
    splash, rows = found.site.reference.value("evidence.splash_mm"), []
    coats = _outside_coats(found)
    for name, clear, sigma, verdict, because, rests in zip(
        *(table[c].tolist() for c in columns), strict=True
    ):
        if verdict == "party":
            continue
        key, a, b = place[name]
        over = YES if -clear > z * sigma else {"short": LOW, "clear": NO}.get(verdict, NOT_KNOWN)
        if over == LOW and clear - z * sigma < splash:
            over = SHORT
        said, margin, by = f"clearance {because}", -clear, tuple(rests)
        for coat in coats.get(key, ()):
            if over != YES and coat.crosses((a + b) / 2.0, clear, z * sigma):
                over, margin, by = YES, 1000.0 * coat.top_m - clear, (coat.name, *by)
                said = f"{coat.said} is carried over the outer course: {margin:.0f} mm above it"
        rows.append(
            (key, Length(span=(a, b), word=over, said=said, margin_mm=margin, sigma_mm=sigma, rests_on=by))
        )
    return _joined(rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Coat:
    """Render, tile or another coat on the outside of a wall, from one height above the ground to another."""

    name: str
    said: str
    from_m: float
    to_m: float
    bottom_m: float
    top_m: float

    def crosses(self, at_m: float, clear_mm: float, margin_mm: float) -> bool:
        """Say whether it surely runs from below the outer course to above it at a chainage."""
        inside = (
            self.from_m <= at_m <= self.to_m
            if self.from_m <= self.to_m
            else not (self.to_m < at_m < self.from_m)
        )
        return (
            inside
            and 1000.0 * self.bottom_m < clear_mm - margin_mm
            and 1000.0 * self.top_m > clear_mm + margin_mm
        )


def _outside_coats(found: Findings) -> dict[str, list[_Coat]]:
    """Return the coats seen on outside walls, ring by ring."""
    key = key_of(found.site)
    made: dict[str, list[_Coat]] = {}
    for record in records_of(found.site, "finish_zone"):
        if record.side != "outside" or record.finish in ("none", "paint") or record.evidence != "seen":
            continue
        if record.height_from_m is None or record.height_to_m is None:
            continue
        made.setdefault(key(record), []).append(
            _Coat(
                name=str(record.id),
                said=f"{found.site.reference.word('finish', str(record.finish))} {record.id}",
                from_m=float(record.chainage_from_m), to_m=float(record.chainage_to_m),
                bottom_m=float(record.height_from_m), top_m=float(record.height_to_m),
            )
        )  # fmt: skip
    return made


def _falls(found: Findings, place: Places) -> list[tuple[str, Length]]:
    """Tell where the ground falls to the wall: by levels, and by the raster only where none say."""
    table = found.ground.falls
    columns = ("station_id", "evidence", "verdict", "fall_percent", "sigma_percent", "rests_on")
    told: dict[str, tuple[str, str, float, float, tuple[str, ...]]] = {}
    for name, evidence, verdict, fall, sigma, rests in zip(
        *(table[c].tolist() for c in columns), strict=True
    ):
        if verdict in ("toward", "away", "level") and (evidence == "levels" or name not in told):
            told[name] = evidence, verdict, fall, sigma, tuple(rests) if evidence == "levels" else ()
    rows = []
    for name in sorted(told, key=lambda name: place[name][:2]):
        evidence, verdict, fall, sigma, rests = told[name]
        key, a, b = place[name]
        word = {"toward": YES, "away": NO}.get(verdict, LEVEL)
        said = f"ground {'level' if verdict == LEVEL else f'falls {verdict}'}, {fall:+.1f} % by {evidence}"
        rows.append(
            (key, Length(
                span=(a, b), word=word, said=said, margin_mm=10.0 * fall, sigma_mm=10.0 * sigma,
                rests_on=rests,
            ))
        )  # fmt: skip
    return _joined(rows)


def _ponds(found: Findings) -> list[tuple[str, Length]]:
    """Return the pools against a wall with the gullies as found, their levels as margins."""
    table, lengths = found.ground.ponds, found.perimeter.rings["length_m"]
    rows = []
    for pool in table.itertuples():
        if not pool.at_wall or str(pool.ring_key) not in lengths.index or pool.gullies == "none working":
            continue  # what would stand were the gullies stopped is theirs
        span = unwrapped(
            float(pool.chainage_from_m), float(pool.chainage_to_m), float(lengths[str(pool.ring_key)])
        )
        sure = pool.verdict not in (NOT_KNOWN, "")
        rows.append(
            (str(pool.ring_key), Length(
                span=span, word=YES if sure else NOT_KNOWN, margin_mm=1000.0 * float(pool.level_m),
                said=f"pool against the wall, gullies {pool.gullies}: {pool.because}",
                sigma_mm=1000.0 * float(pool.depth_sigma_m),
            ))
        )  # fmt: skip
    return rows


def _floors(found: Findings, drains: Drains, sections: Sections) -> list[tuple[str, Length]]:
    """Hold the top of each floor against the inner course where it comes up to a wall."""
    z, rows = found.site.reference.value("drains.rival_sigmas"), []
    columns = ("ring_key", "floor_kind", "chainage_from_m", "chainage_to_m", "edge", "evidence", "floor_id")
    floors = drains.floors
    for key, kind, start, end, edge, evidence, name in zip(
        *(floors[c].tolist() for c in columns), strict=True
    ):
        if kind == "suspended_timber" or key not in sections:
            continue
        s = sections[key]
        a, b = s["chainage_from_m"], s["chainage_to_m"]
        here = np.flatnonzero(((a + b) / 2 > start) & ((a + b) / 2 < end))
        gap = 1000.0 * (s["slab"] - s["inner_dpc"]).astype(float)
        sigma = 1000.0 * np.hypot(s["slab_sigma"].astype(float), s["inner_dpc_sigma"].astype(float))
        told = found.site.reference.word("edge_contact", str(edge))
        for i in here:
            over = YES if gap[i] > z * sigma[i] else NO if -gap[i] > z * sigma[i] else NOT_KNOWN
            touching = {"contact": YES, "isolated": NO}.get(str(edge), NOT_KNOWN)
            word = NO if NO in (over, touching) else YES if over == touching == YES else NOT_KNOWN
            level = f"{gap[i]:+.0f} mm, ± {z * sigma[i]:.0f} mm" if math.isfinite(gap[i]) else "not levelled"
            rows.append(
                (str(key), Length(
                    span=(max(float(a[i]), start), min(float(b[i]), end)), word=word, of_id=str(name),
                    said=f"floor {name} over the inner damp proof course: {level}; edge: {told}",
                    margin_mm=float(gap[i]), sigma_mm=float(sigma[i]), rests_on=(str(name),),
                    seen=evidence == "seen",
                ))
            )  # fmt: skip
    return _joined(rows)


def _finishes(found: Findings, drains: Drains, sections: Sections) -> list[tuple[str, Length]]:
    """Tell which inside finishes touch the floor, or hang below the inner course (K5)."""
    z, rows = found.site.reference.value("drains.rival_sigmas"), []
    table = drains.finishes
    columns = ("ring_key", "side", "finish", "chainage_from_m", "chainage_to_m", "evidence")
    for name, key, side, finish, first, last, evidence in zip(
        table.index, *(table[c].tolist() for c in columns), strict=True
    ):
        if side != "inside" or finish in ("none", "paint") or key not in sections:
            continue
        s = sections[key]
        start, end = unwrapped(float(first), float(last), drains.ring_lengths[key])
        at = (s["chainage_from_m"] + s["chainage_to_m"]).astype(float) / 2
        here = ((at > start) & (at < end)) | (at + drains.ring_lengths[key] < end)
        gap = 1000.0 * (s["inner_dpc"] - s["finish"]).astype(float)[here]
        sigma = 1000.0 * np.hypot(s["inner_dpc_sigma"].astype(float), s["finish_sigma"].astype(float))[here]
        known = np.isfinite(gap) & np.isfinite(sigma)
        if not known.any():
            continue
        i = int(np.argmax(np.where(known, gap - z * sigma, -np.inf)))
        j = int(np.argmax(np.where(known, gap, -np.inf)))
        word = YES if gap[i] > z * sigma[i] else NO if -gap[j] > z * sigma[j] else NOT_KNOWN
        leaf = "damp proof course" if s["solid"].all() else "inner damp proof course"
        rows.append(
            (str(key), Length(
                span=(start, end), word=word, of_id=str(name), margin_mm=float(gap[i]),
                sigma_mm=float(sigma[i]),
                said=f"finish {name} below the {leaf}: {gap[i]:+.0f} mm, ± {z * sigma[i]:.0f} mm",
                rests_on=(str(name),), seen=evidence == "seen",
            ))
        )  # fmt: skip
    return rows


def _debris(found: Findings, drains: Drains | None, sections: Sections) -> list[tuple[str, Length]]:
    """Hold the debris in each length of cavity against the inner course, else the outer."""
    z, rows = found.site.reference.value("drains.rival_sigmas"), []
    key_for, lengths = key_of(found.site), found.perimeter.rings["length_m"].to_dict()
    tops = drains.cavities["debris_top_level_m"].to_dict() if drains is not None else {}
    for record in records_of(found.site, "cavity"):
        own: Any = record
        key = key_for(record)
        if key not in lengths:
            continue
        span = unwrapped(float(own.chainage_from_m), float(own.chainage_to_m), float(lengths[key]))
        top = tops.get(own.id, NAN if own.debris_top_level_m is None else own.debris_top_level_m)
        seen = own.evidence == "seen" and own.state != "not_seen"
        word, margin, sigma = NOT_KNOWN, NAN, NAN
        said = found.site.reference.word("cavity_state", own.state)
        if math.isfinite(top) and key in sections:
            usual = found.site.reference.value("levels.debris_sigma_m")
            margin, sigma = _over_course(sections[key], span, float(top), own.level_sigma_m or usual)
            if math.isfinite(margin):
                word = YES if margin > z * sigma else NO if -margin > z * sigma else NOT_KNOWN
                said = f"debris over the inner damp proof course: {margin:+.0f} mm, ± {z * sigma:.0f} mm"
        elif own.state == "clear" and seen:
            word = NO
        rows.append(
            (key, Length(
                span=span, word=word, of_id=str(own.id), said=f"cavity {own.id}: {said}", margin_mm=margin,
                sigma_mm=sigma, rests_on=(str(own.id),), seen=seen,
            ))
        )  # fmt: skip
    return rows


def _over_course(
    s: Mapping[str, NDArray[Any]], span: tuple[float, float], top: float, own: float
) -> tuple[float, float]:
    """Return how far debris lies over the inner course along a length, mm, where it is most."""
    here = (s["chainage_to_m"] > span[0] + 1e-9) & (s["chainage_from_m"] < span[1] - 1e-9)
    inner, sigma = s["inner_dpc"].astype(float)[here], s["inner_dpc_sigma"].astype(float)[here]
    known = np.isfinite(inner)
    if not known.any():
        return NAN, NAN
    i = int(np.argmin(np.where(known, inner, np.inf)))
    return 1000.0 * (top - float(inner[i])), 1000.0 * math.hypot(own, float(sigma[i]))


def _courses(found: Findings) -> dict[tuple[str, str], list[Length]]:
    """Tell by leaf where the damp proof course was seen whole, and where it was seen to be missing."""
    table = found.dpc
    made: dict[tuple[str, str], list[Length]] = {}
    for (key, leaf), points in table.groupby(["ring_key", "leaf"], sort=False):
        if str(key) not in found.perimeter.rings.index:
            continue
        own = points.sort_values("chainage_m", kind="stable")
        ring_m = float(found.perimeter.rings.loc[str(key), "length_m"])
        at = own["chainage_m"].to_numpy(float)
        ends = np.append(at[1:], at[0] + ring_m)
        states, evidence = own["state"].to_numpy(object), own["evidence"].to_numpy(object)
        names = [str(name) for name in own.index]
        for i, (a, b) in enumerate(zip(at, ends, strict=True)):
            if b - a < 1e-6:
                continue
            after = (i + 1) % len(names)
            seen = evidence[i] == "seen"
            word = YES if states[i] in ("absent", "gap") else NO if states[i] == "continuous" else NOT_KNOWN
            word = word if seen else NOT_KNOWN
            said = found.site.reference.word("dpc_state", str(states[i]))
            made.setdefault((str(key), str(leaf)), []).append(
                Length(
                    span=(float(a), float(b)), word=word, said=f"damp proof course, {leaf} leaf: {said}",
                    of_id=str(states[i]), rests_on=(names[i], names[after]), seen=seen,
                )
            )  # fmt: skip
    return made


def _walls(found: Findings) -> dict[tuple[str, str], str]:
    """Return the kind of wall of every face: its own, else its building's."""
    kinds = {str(each.id): str(each.wall_type) for each in records_of(found.site, "building")}
    faces = found.perimeter.faces
    made = {
        (str(key), str(face)): kinds.get(str(building), "not_known")
        for key, face, building in zip(faces["ring_key"], faces["face"], faces["building_id"], strict=True)
    }
    key_for = key_of(found.site)
    for record in records_of(found.site, "face"):
        if record.wall_type:
            made[key_for(record), str(record.face)] = str(record.wall_type)
    return made
