"""BASE, HIGH, BAND, EDGE, PATCH, OUT, INONLY, CAV, FLED, FLCEN: what the readings of a stretch show."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geo.evidence.candidates_fabric import CAVITY_WET
from geo.evidence.candidates_laid import Laid
from geo.evidence.candidates_notes import Noted, Sampled
from geo.evidence.candidates_wet import Wet
from geo.evidence.kinds import Raised
from geo.evidence.reaches import touches
from geo.moisture import profile
from geo.moisture.bases import SALT
from geo.moisture.wetness import DRY, WET
from geo.verdict import Measured

Rows = NDArray[np.bool_]
HIGH_UP = (profile.PART_WAY, profile.PATCH, profile.UPWARD)
DRIER_FOOT = (*HIGH_UP, profile.BAND)
NOTICED = ("seen", "inferred", "reported")
FEW = 12
INTO_CAVITY = ("borescope", "brick_out")


def profile_codes(laid: Laid, one: Wet) -> Iterator[Raised]:
    """Raise what the readings of a stretch, and of others over it, show; each group speaks for itself."""
    salted = _salt_held(laid, one)
    for own in _over(laid, one):
        yield from _by_height(laid, one, own, salted=salted)
    yield from _salt_band(laid, one)
    yield from _marks(laid, one)
    yield from _patch(laid, one)
    yield from _sides(laid, one)
    yield from _cavity(laid, one)
    yield from _floor(laid, one)


def _over(laid: Laid, one: Wet) -> tuple[Wet, ...]:
    """Return a stretch and those of other groups over it."""
    return (one, *(laid.by_id(name) for name in one.beside))


def _code(one: Wet, code: str, ids: tuple[str, ...], because: str) -> Raised:
    return Raised(code=code, stretch_id=one.stretch_id, rests_on=ids[:FEW], because=because)


def on(laid: Laid, one: Wet, within_m: float) -> Rows:
    """Return which readings lie on the wall of a stretch, within so much of it, whatever their side."""
    read, ring_m = laid.read, one.ring_m
    middle, half = (one.span[0] + one.span[1]) / 2.0, (one.span[1] - one.span[0]) / 2.0 + within_m
    gap = np.abs(np.mod(read.chainage - middle + ring_m / 2.0, ring_m) - ring_m / 2.0)
    return np.asarray((read.ring_key == one.ring_key) & (gap <= half + 1e-9))


def _by_height(laid: Laid, one: Wet, own: Wet, *, salted: bool) -> Iterator[Raised]:
    """Raise BASE, HIGH, BAND and EDGE from one group."""
    word, said = own.profile, f"by {own.method}: {own.profile}, {own.profile_because}"
    if word in (profile.FOOT, profile.EDGE) and not salted:
        yield _code(one, "BASE", own.reading_ids, said)
    if word in HIGH_UP:
        yield _code(one, "HIGH", own.reading_ids, said)
    if word == profile.BAND:
        yield _code(one, "BAND", own.reading_ids, said)
    yield from _edge(laid, one, own)


def _edge(laid: Laid, one: Wet, own: Wet) -> Iterator[Raised]:
    """Raise EDGE where the damp ends below the splash or floor junction, and the same place is dry above."""
    rows = np.array([laid.read.row_of[name] for name in own.reading_ids])
    height, wet = laid.read.height[rows], laid.read.wet[rows]
    known = np.isfinite(height)
    top, edge = laid.limit("edge_top_m"), own.profile == profile.EDGE
    wets, dries = height[known & (wet == WET)], height[known & (wet == DRY)]
    tops = wets.max() if len(wets) else math.inf
    above = dries[dries > tops] if len(wets) else dries[:0]
    if edge or (tops <= top + 1e-9 and len(above)):
        dry = f", dry at {above.min():g} m" if len(above) else ""
        said = f"by {own.method}: wet to {tops:g} m{dry}, within {top:g} m of the foot"
        yield _code(one, "EDGE", own.reading_ids, said)


def _salt_held(laid: Laid, one: Wet) -> bool:
    """Whether the samples of a stretch show that all of its water is held by salts."""
    own = samples_on(laid, one)
    return bool(own) and all(each.place_word == SALT for each in own)


def _salt_band(laid: Laid, one: Wet) -> Iterator[Raised]:
    """Raise BAND where the salts of a sample would surely hold more water than those of a drier foot."""
    ref = laid.found.site.reference
    z, foot = ref.value("confidence.z_95"), ref.value("moisture.foot_height_m")
    near, every = laid.limit("beside_m"), samples_on(laid, one)
    for base in (each for each in every if each.height_m <= foot):
        above = [
            each
            for each in every
            if each.material == base.material
            and each.height_m > base.height_m
            and touches((base.at_m,) * 2, (each.at_m,) * 2, one.ring_m, near)
            and _more(each.held, base.held, z)
            and _more(each.water, base.water, z)
        ]
        if above:
            top = max(above, key=lambda each: each.held.value)
            said = f"salts hold {top.held.value:.1f} % at {top.height_m:g} m ({top.sample_id}) and"
            said += f" {base.held.value:.1f} % at {base.height_m:g} m ({base.sample_id}), where it is drier"
            yield _code(one, "BAND", (top.sample_id, base.sample_id), said)
            return


def _more(one: Measured, other: Measured, z: float) -> bool:
    return one.value - other.value > z * math.hypot(one.sigma, other.sigma)


def _marks(laid: Laid, one: Wet) -> Iterator[Raised]:
    """Raise BAND for a tide mark, and for salts on the surface where it reads wetter part way up than below.

    A tide mark is the line of salts at the top of a rise. Salts on the surface alone lie wherever water
    dries out, so the drier foot has to be read.
    """
    word = laid.found.site.reference.word
    higher = next((own for own in _over(laid, one) if own.profile in DRIER_FOOT), None)
    for record in signs_on(laid, one):
        if record.evidence != "seen":
            continue
        said = f"seen: {word('sign', record.sign)}"
        if record.sign == "tide_mark":
            yield _code(one, "BAND", (str(record.id),), said)
        elif record.sign == "salt_bloom" and higher is not None:
            said += f"; by {higher.method}: {higher.profile}, {higher.profile_because}"
            yield _code(one, "BAND", (str(record.id), *higher.reading_ids), said)


def signs_on(laid: Laid, one: Wet) -> list[Any]:
    """Return the signs noticed along a stretch, on its own side of the wall."""
    return [
        each.record
        for each in along(one, laid.notes.signs)
        if each.record.evidence in NOTICED and each.record.side == one.side
    ]


def samples_on(laid: Laid, one: Wet) -> tuple[Sampled, ...]:
    """Return the samples taken from the wall of a stretch, on its own side of it."""
    near = laid.limit("beside_m")
    return tuple(
        each
        for each in laid.notes.samples
        if each.ring_key == one.ring_key
        and each.outdoors == (not one.inside)
        and touches(one.span, (each.at_m, each.at_m), one.ring_m, near)
    )


def _patch(laid: Laid, one: Wet) -> Iterator[Raised]:
    """Raise PATCH for a short stretch with dry readings of its own group close on both sides."""
    most, read = laid.limit("patch_m"), laid.read
    if any(each.length_m > most + 1e-9 for each in _over(laid, one)):
        return
    own = np.array([read.row_of[name] for name in one.reading_ids])
    rows = (read.ring_key == one.ring_key) & (read.side == one.side) & (read.group == one.group)
    middle = (one.span[0] + one.span[1]) / 2.0
    at = np.mod(read.chainage - middle + one.ring_m / 2.0, one.ring_m) - one.ring_m / 2.0
    low, high = at[own].min(), at[own].max()
    reach = 1.5 * laid.found.site.reference.value("moisture.read_reach_m")
    beside = [
        rows & (at < low - 1e-9) & (at >= low - reach),
        rows & (at > high + 1e-9) & (at <= high + reach),
    ]
    if all(each.any() and (read.wet[each] == DRY).all() for each in beside):
        ids = tuple(str(name) for each in beside for name in read.ids[each])
        said = f"by {one.method}: {one.length_m:.1f} m long, dry within {reach:.2f} m on both sides"
        yield _code(one, "PATCH", (*one.reading_ids, *ids), said)


def _sides(laid: Laid, one: Wet) -> Iterator[Raised]:
    """Raise OUT where the outer face is wet here, INONLY where it is dry and the cavity too."""
    read, near = laid.read, laid.limit("beside_m")
    here = on(laid, one, 0.0)
    outer = here & (read.side == "outside")
    wet = outer & (read.wet == WET)
    if wet.any():
        names = ", ".join(dict.fromkeys(str(laid.found.groups.loc[g, "method"]) for g in read.group[wet]))
        yield _code(
            one, "OUT", tuple(map(str, read.ids[wet])),
            f"the outer face reads wet at {int(wet.sum())} reading{'s' if wet.sum() > 1 else ''} here"
            f" ({names.replace('_', ' ')})",
        )  # fmt: skip
        return
    if not one.inside or not one.outdoors:
        return
    outer = on(laid, one, near) & (read.side == "outside")
    if not outer.any() or (read.wet[outer] != DRY).any():
        return
    kinds = {laid.fabric.walls.get((one.ring_key, face), "not_known") for face in one.faces}
    cavity = _dry_cavity(laid, one)
    if kinds <= {"solid", "frame"} or cavity:
        said = f"inside wet, the outer face dry at {int(outer.sum())} readings"
        said += f", the cavity seen dry ({', '.join(cavity)})" if cavity else ", no cavity"
        yield _code(one, "INONLY", (*map(str, read.ids[outer]), *cavity), said)


def _dry_cavity(laid: Laid, one: Wet) -> tuple[str, ...]:
    """Return the lengths of cavity seen here, where none of them shows water."""
    own = [each.record for each in along(one, laid.notes.cavities)]
    if any(_is_wet(record) for record in own):
        return ()
    return tuple(
        str(each.id) for each in own if each.evidence == "seen" and each.state in ("clear", "debris")
    )


def along(one: Wet, noted: Iterable[Noted], within_m: float = 0.0) -> list[Noted]:
    """Return what was noted along a stretch, or so near to it."""
    return [
        each
        for each in noted
        if each.ring_key == one.ring_key and touches(one.span, each.span, one.ring_m, within_m)
    ]


def _is_wet(record: Any) -> bool:
    return record.evidence == "seen" and (record.state in CAVITY_WET or (record.water_depth_mm or 0) > 0)


def _cavity(laid: Laid, one: Wet) -> Iterator[Raised]:
    """Raise CAV where water, its mark, or wet fill or debris was seen in the cavity here."""
    ref = laid.found.site.reference
    for record in (each.record for each in along(one, laid.notes.cavities)):
        if _is_wet(record):
            depth = f", {record.water_depth_mm:g} mm deep" if record.water_depth_mm else ""
            said = f"cavity {record.id}: {ref.word('cavity_state', record.state)}{depth}"
            yield _code(one, "CAV", (str(record.id),), said)
    for record in (each.record for each in along(one, laid.notes.holes)):
        if (record.water_depth_mm or 0) > 0 and record.opening_up_kind in INTO_CAVITY:
            said = f"hole {record.id}: {record.water_depth_mm:g} mm of water in the cavity"
            yield _code(one, "CAV", (str(record.id),), said)
    for record in (each.record for each in along(one, laid.notes.signs)):
        if record.sign == "free_water" and record.side == "cavity" and record.evidence == "seen":
            yield _code(one, "CAV", (str(record.id),), "free water was seen in the cavity")
    read = laid.read
    wet = on(laid, one, 0.0) & (read.side == "cavity") & (read.wet == WET)
    if wet.any():
        said = f"{int(wet.sum())} readings in the cavity are wet"
        yield _code(one, "CAV", tuple(map(str, read.ids[wet])), said)


def _floor(laid: Laid, one: Wet) -> Iterator[Raised]:
    """Raise FLED where the edge of the floor is wet here, FLCEN where its centre is as wet or wetter."""
    read = laid.read
    here = on(laid, one, laid.limit("beside_m")) & (read.side == "floor")
    if not here.any():
        return
    faces = laid.found.perimeter.faces
    row = laid.found.perimeter.face_at(one.ring_key, read.chainage[here])
    thick = np.nan_to_num(faces["thickness_m"].to_numpy(dtype=float)[row])
    inward = -read.offset[here] - thick
    at = np.flatnonzero(here)
    edge, centre = at[inward <= laid.limit("floor_edge_m")], at[inward >= laid.limit("floor_centre_m")]
    z = laid.found.site.reference.value("confidence.z_95")
    wets = edge[read.wet[edge] == WET]
    if len(wets):
        yield _code(
            one,
            "FLED",
            tuple(map(str, read.ids[wets])),
            f"{len(wets)} readings at the edge of the floor are wet",
        )
    for group in dict.fromkeys(read.group[centre]):
        middle = centre[(read.group[centre] == group) & (read.wet[centre] == WET)]
        rim = edge[read.group[edge] == group]
        if not len(middle) or not len(rim):
            continue
        apart = z * math.sqrt(2.0) * float(laid.found.groups.loc[group, "spread"])
        if read.high[middle].max() + apart >= read.low[rim].max():
            method = laid.found.site.reference.methods[str(group).split("|", 1)[0]].name
            said = f"by {method}: the centre of the floor is wet, and not surely drier than its edge"
            yield _code(one, "FLCEN", tuple(map(str, read.ids[np.r_[middle, rim]])), said)
