"""What gets past the barrier: seven ways, station by station, each with its margin in millimetres."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.drains.cavity import WallWater
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured

Floats = NDArray[np.float64]
Words = NDArray[np.object_]
NAN = math.nan

WAYS = {
    "K1": "water over the outer damp proof course",
    "K2": "cavity water over the inner damp proof course",
    "K3": "debris bridges the cavity",
    "K4": "floor bridges the inner damp proof course",
    "K5": "wall finish bridges the inner damp proof course",
    "K6": "step in the damp proof course without a lap",
    "K7": "ground over the outer damp proof course",
}
SETTLE = {
    "K1": "Level the outer damp proof course here.",
    "K2": "Level the inner damp proof course here.",
    "K3": "Take out two bricks and level the top of the debris.",
    "K4": "Open the joint of floor and wall: level soffit and inner damp proof course.",
    "K5": "Lift the skirting and level the bottom of the finish.",
    "K6": "Open the step and see whether a vertical lap closes it.",
    "K7": "Level the ground against the wall and the outer damp proof course.",
}
NO_BARRIER = ("absent", "gap")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossings:
    """The answer along one ring.

    Parameters
    ----------
    stations
        One row a station and way: ``chainage_from_m``, ``chainage_to_m``, ``way``, ``word`` (yes, no,
        not known), ``margin_mm`` (positive: past the barrier), ``sigma_mm``, ``because``, ``settle``.
    lengths
        The same, stations with one answer joined: ``way``, ``word``, from, to, the margin furthest past
        the barrier.
    """

    stations: pd.DataFrame
    lengths: pd.DataFrame


def wall_section(
    stations: pd.DataFrame,
    *,
    dpc_points: pd.DataFrame,
    cavities: pd.DataFrame | None = None,
    floors: pd.DataFrame | None = None,
    finishes: pd.DataFrame | None = None,
    ground: pd.DataFrame | None = None,
    ring_length_m: float = NAN,
    ref: Reference,
) -> pd.DataFrame:
    """Lay the levels of the wall out along the chainage of one ring.

    Parameters
    ----------
    stations
        ``chainage_from_m``, ``chainage_to_m``.
    dpc_points
        Points of both leaves; a step is two rows at one chainage. Between points levels run straight,
        beyond them they are not known; with ``ring_length_m`` the line closes on itself.
    cavities, finishes
        Tables of those records, of this ring.
    floors
        Floor zones with ``chainage_from_m`` and ``chainage_to_m`` where they touch this wall; without
        those columns one floor lies along all of it.
    ground
        ``chainage_m``, ``level_m``, ``sigma_m`` of the ground against the wall.

    Returns
    -------
    DataFrame, index as stations, levels in m with ``_sigma`` beside each: ``outer_dpc``, ``inner_dpc``,
    their states, ``debris``, ``base``, ``soffit``, ``slab``, ``edge``, ``finish``, ``ground``, and
    ``step_…`` where the outer damp proof course steps within the station.
    """
    a, b = (stations[f"chainage_{end}_m"].to_numpy(float) for end in ("from", "to"))
    at = (a + b) / 2.0
    default = ref.value("levels.dpc_sigma_m")
    columns: dict[str, Any] = {"chainage_from_m": a, "chainage_to_m": b}
    for leaf in ("outer", "inner"):
        rows = dpc_points[dpc_points["leaf"].isin((leaf, "solid") if leaf == "outer" else (leaf,))]
        level, sigma, state = _line(rows, at, default, ring_length_m)
        columns |= {f"{leaf}_dpc": level, f"{leaf}_dpc_sigma": sigma, f"{leaf}_state": state}
    columns |= _steps(dpc_points, a, b, default)
    columns |= _along(cavities, at, {"debris": "debris_top_level_m", "base": "base_level_m"}, 0.02)
    columns |= _along(floors, at, {"slab": "top_level_m", "soffit": "soffit_level_m"}, default)
    columns["edge"] = _word_along(floors, at, "edge")
    columns |= _finish(finishes, columns, at, ref)
    if ground is None or ground.empty:
        columns |= {"ground": np.full(len(at), NAN), "ground_sigma": np.full(len(at), NAN)}
    else:
        rows = ground.rename(columns={"sigma_m": "level_sigma_m"})
        level, sigma, _ = _line(rows, at, ref.value("ground.hard_level_sigma_m"), ring_length_m)
        columns |= {"ground": level, "ground_sigma": sigma}
    return pd.DataFrame(columns, index=stations.index)


def _line(rows: pd.DataFrame, at: Floats, default: float, ring: float) -> tuple[Floats, Floats, Words]:
    """Read level, sigma and state off a line of points; NaN beyond its ends and where it was not seen."""
    nothing = np.full(len(at), NAN)
    if rows.empty:
        return nothing, nothing.copy(), np.full(len(at), "not_seen", dtype=object)
    rows = rows.sort_values("chainage_m", kind="stable")
    x, y = rows["chainage_m"].to_numpy(float), rows["level_m"].to_numpy(float)
    s = rows["level_sigma_m"].to_numpy(float) if "level_sigma_m" in rows else np.full(len(x), NAN)
    s = np.where(np.isnan(s), default, s)
    words = rows["state"].to_numpy(object) if "state" in rows else np.full(len(x), "continuous", dtype=object)
    if math.isfinite(ring):
        x = np.concatenate([[x[-1] - ring], x, [x[0] + ring]])
        y, s = np.concatenate([[y[-1]], y, [y[0]]]), np.concatenate([[s[-1]], s, [s[0]]])
        words = np.concatenate([[words[-1]], words, [words[0]]])
    i = np.searchsorted(x, at, side="right") - 1
    within = (i >= 0) & (i < len(x) - 1)
    k = np.clip(i, 0, max(len(x) - 2, 0))
    n = np.minimum(k + 1, len(x) - 1)
    span = np.where(x[n] > x[k], x[n] - x[k], 1.0)
    t = (at - x[k]) / span
    level = np.where(within, y[k] + t * (y[n] - y[k]), NAN)
    sigma = np.where(within, np.maximum(s[k], s[n]), NAN)
    state = np.where(within, words[k], "not_seen").astype(object)
    return np.where(state == "not_seen", NAN, level), sigma, state


def _steps(points: pd.DataFrame, a: Floats, b: Floats, default: float) -> dict[str, Any]:
    """Find the station in which the outer damp proof course steps, its two levels and its lap."""
    low, high, sigma = (np.full(len(a), NAN) for _ in range(3))
    lap = np.full(len(a), "", dtype=object)
    rows = points[points["leaf"].isin(("outer", "solid"))].sort_values("chainage_m", kind="stable")
    x, y = rows["chainage_m"].to_numpy(float), rows["level_m"].to_numpy(float)
    s = rows["level_sigma_m"].to_numpy(float) if "level_sigma_m" in rows else np.full(len(x), NAN)
    laps = rows["lap"].to_numpy(object) if "lap" in rows else np.full(len(x), "", dtype=object)
    for j in np.flatnonzero((np.diff(x) < 1e-9) & (np.diff(y) != 0)):
        here = np.flatnonzero((a <= x[j]) & (b >= x[j]))
        if len(here):
            k = here[-1]
            low[k], high[k] = min(y[j], y[j + 1]), max(y[j], y[j + 1])
            sigma[k] = np.nan_to_num(s[j : j + 2], nan=default).max()
            lap[k] = laps[j] or laps[j + 1] or "not_seen"
    return {"step_low": low, "step_high": high, "step_sigma": sigma, "step_lap": lap}


def _along(
    table: pd.DataFrame | None, at: Floats, names: Mapping[str, str], default: float
) -> dict[str, Any]:
    """Spread levels recorded for lengths of wall over the stations that lie on them."""
    columns: dict[str, Any] = {}
    for name, source in names.items():
        columns[name], columns[f"{name}_sigma"] = np.full(len(at), NAN), np.full(len(at), NAN)
        if table is None or table.empty or source not in table:
            continue
        value = table[source].to_numpy(float)
        given = (
            table["level_sigma_m"].to_numpy(float) if "level_sigma_m" in table else np.full(len(table), NAN)
        )
        given = np.where(np.isnan(given), default, given)
        on = _covers(table, at) & ~np.isnan(value)[:, None]
        row = on.argmax(axis=0)
        some = on.any(axis=0)
        columns[name] = np.where(some, value[row], NAN)
        columns[f"{name}_sigma"] = np.where(some, given[row], NAN)
    return columns


def _covers(table: pd.DataFrame, at: Floats) -> NDArray[np.bool_]:
    """Return which rows lie over which stations, rows down and stations across."""
    if "chainage_from_m" not in table:
        return np.ones((len(table), len(at)), dtype=bool)
    a = table["chainage_from_m"].to_numpy(float)[:, None]
    b = table["chainage_to_m"].to_numpy(float)[:, None]
    plain = (a <= at) & (at <= b)
    return np.asarray(np.where(a <= b, plain, (at >= a) | (at <= b)), dtype=bool)


def _word_along(table: pd.DataFrame | None, at: Floats, source: str) -> Words:
    words = np.full(len(at), "not_known", dtype=object)
    if table is None or table.empty or source not in table:
        return words
    on = _covers(table, at)
    return np.where(on.any(axis=0), table[source].to_numpy(object)[on.argmax(axis=0)], words)


def _finish(
    finishes: pd.DataFrame | None, columns: Mapping[str, Any], at: Floats, ref: Reference
) -> dict[str, Any]:
    """Put the bottom of the inside finish on the floor's level."""
    none = np.full(len(at), NAN)
    if finishes is None or finishes.empty:
        return {"finish": none, "finish_sigma": none.copy()}
    inside = finishes[finishes["side"] == "inside"] if "side" in finishes else finishes
    found = _along(inside, at, {"up": "height_from_m", "gap": "floor_gap_mm"}, ref.value("tape.height_m"))
    up = np.where(np.isnan(found["up"]), found["gap"] / 1000.0, found["up"])
    sigma = np.hypot(columns["slab_sigma"], ref.value("tape.height_m"))
    return {"finish": columns["slab"] + up, "finish_sigma": sigma}


def cross(section: pd.DataFrame, water: WallWater | None, *, ref: Reference) -> Crossings:
    """Say at every station which of the seven ways past the barrier is open.

    Parameters
    ----------
    section
        Levels of the wall, from :func:`wall_section`.
    water
        One spill at the wall; ``None`` to ask of the fabric alone. The cavity is taken at the highest
        the water can come to.

    Returns
    -------
    Crossings. A way that asks for two levels is open only if both are; its margin is that of the
    weaker one.
    """
    z = ref.value("drains.rival_sigmas")
    head, cavity, wet = _water_along(section, water)
    s = {name: section[name].to_numpy() for name in section.columns}
    dry, dry_debris = np.isnan(cavity[0]), np.isnan(wet[0])
    outer, inner = (s["outer_dpc"], s["outer_dpc_sigma"]), (s["inner_dpc"], s["inner_dpc_sigma"])
    debris, slab = (s["debris"], s["debris_sigma"]), (s["slab"], s["slab_sigma"])
    soffit, finish = (s["soffit"], s["soffit_sigma"]), (s["finish"], s["finish_sigma"])
    ground = (s["ground"], s["ground_sigma"])
    parts = [
        _one("K1", _over(head, outer), s, z, idle=np.isnan(head[0]), barrier=s["outer_state"]),
        _one("K2", _over(cavity, inner), s, z, idle=dry, barrier=s["inner_state"]),
        _one(
            "K3",
            _over(debris, inner),
            s,
            z,
            idle=dry_debris | np.isnan(s["debris"]),
            barrier=s["inner_state"],
        ),
        _floor(_over(cavity, soffit), _over(slab, inner), s, z, idle=dry),
        _one("K5", _over(inner, finish), s, z, idle=dry_debris | np.isnan(s["finish"])),
        _step(head, wet, s),
        _one("K7", _over(ground, outer), s, z, barrier=s["outer_state"]),
    ]
    table = pd.concat(parts, ignore_index=True)
    return Crossings(stations=table, lengths=_joined(table))


Level = tuple[Floats, Floats]


def _over(a: Level, b: Level) -> Level:
    """Return how far one level lies over another, mm, with sigma."""
    return 1000.0 * (a[0] - b[0]), 1000.0 * np.hypot(a[1], b[1])


def _water_along(section: pd.DataFrame, water: WallWater | None) -> tuple[Level, Level, Level]:
    """Return the level pressing on the outside, free in the cavity, and there or in wet debris beside it."""
    n = len(section)
    head = np.full(n, NAN), np.full(n, NAN)
    cavity, wet = (np.full(n, NAN), np.full(n, NAN)), (np.full(n, NAN), np.full(n, NAN))
    if water is None:
        return head, cavity, wet
    a, b = section["chainage_from_m"].to_numpy(), section["chainage_to_m"].to_numpy()

    def on(start: float, end: float, level: Measured, before: Level) -> Level:
        here = (b > start + 1e-9) & (a < end - 1e-9)
        return np.where(here, level.value, before[0]), np.where(here, level.sigma, before[1])

    if not water.below_ground:
        head = on(water.chainage_from_m, water.chainage_to_m, water.head, head)
    for tank in water.tanks:
        cavity = on(tank.chainage_from_m, tank.chainage_to_m, tank.bound, cavity)
        wet = on(tank.wet_from_m, tank.wet_to_m, tank.bound, wet)
    return head, cavity, wet


def _words(margin: Level, z: float) -> Words:
    """Answer margins: yes, no, or not known within the error or where a level is missing."""
    value, sigma = margin
    with np.errstate(invalid="ignore"):
        yes, no = value > z * sigma, -value > z * sigma
    return np.where(yes, "yes", np.where(no, "no", NOT_KNOWN)).astype(object)


def _said(margin: Level, word: Words, z: float, missing: str) -> Words:
    return np.array(
        [
            missing
            if math.isnan(m)
            else f"{m:+.0f} mm, ± {z * s:.0f} mm" + (": within the error" if w == NOT_KNOWN else "")
            for m, s, w in zip(margin[0], margin[1], word, strict=True)
        ],
        dtype=object,
    )


def _one(
    way: str,
    margin: Level,
    s: Mapping[str, Any],
    z: float,
    *,
    idle: NDArray[np.bool_] | None = None,
    barrier: Words | None = None,
) -> pd.DataFrame:
    """Answer a way that asks for one level over another."""
    word = _words(margin, z)
    because = _said(margin, word, z, "a level is not recorded here")
    if barrier is not None:
        # Where there is no damp proof course nothing has to rise over it.
        gone = np.isin(barrier.astype(str), NO_BARRIER)
        word = np.where(gone, "yes", word)
        because = np.where(gone, "there is no damp proof course here", because)
    if idle is not None:
        nothing = "no debris recorded here" if way == "K3" else "no water comes here"
        nothing = "no finish recorded, or no water comes here" if way == "K5" else nothing
        word = np.where(idle, "no", word)
        because = np.where(idle, nothing, because)
    return _frame(way, word, margin, because, s)


def _floor(
    wet: Level, buried: Level, s: Mapping[str, Any], z: float, *, idle: NDArray[np.bool_]
) -> pd.DataFrame:
    """K4: water over the soffit, the slab over the inner damp proof course, and the two in contact."""
    words = [_words(wet, z), _words(buried, z)]
    contact = np.select([s["edge"] == "contact", s["edge"] == "isolated"], ["yes", "no"], NOT_KNOWN)
    words.append(contact.astype(object))
    every = np.array(words, dtype=object)
    word = np.where(
        (every == "no").any(axis=0), "no", np.where((every == "yes").all(axis=0), "yes", NOT_KNOWN)
    )
    word = np.where(idle, "no", word).astype(object)
    with np.errstate(invalid="ignore"):
        weaker = wet[0] / wet[1] <= buried[0] / buried[1]
    margin = np.where(weaker, wet[0], buried[0]), np.where(weaker, wet[1], buried[1])
    said = _said(margin, word, z, "soffit, slab or inner damp proof course not levelled here")
    open_edge = (word == NOT_KNOWN) & (every[0] == "yes") & (every[1] == "yes")
    said = np.where(open_edge, "whether the slab touches the inner leaf was not seen", said)
    return _frame("K4", word, margin, np.where(idle, "no water comes here", said), s)


def _step(head: Level, cavity: Level, s: Mapping[str, Any]) -> pd.DataFrame:
    """K6: at a step the outer leaf is wet up to its own, higher damp proof course."""
    steps = ~np.isnan(s["step_low"])
    high_side = np.fmax(np.fmax(head[0], cavity[0]), s["ground"])
    sigma = np.fmax(
        np.fmax(np.nan_to_num(head[1]), np.nan_to_num(cavity[1])), np.nan_to_num(s["ground_sigma"])
    )
    free = 1000.0 * (high_side - s["step_low"]), 1000.0 * np.hypot(sigma, s["step_sigma"])
    wet = ~np.isnan(high_side)
    word = np.select(
        [~steps, s["step_lap"] == "seen", (s["step_lap"] == "absent") & wet], ["no", "no", "yes"], NOT_KNOWN
    ).astype(object)
    rise = 1000.0 * (s["step_high"] - s["step_low"])
    because = np.array(
        [
            "no step here"
            if not step
            else "the vertical lap was seen"
            if lap == "seen"
            else f"free water or ground stands {f:+.0f} mm at the lower level; the brickwork below the "
            f"higher one, {r:.0f} mm up, may be wet: lap {str(lap).replace('_', ' ')}"
            for step, lap, f, r in zip(steps, s["step_lap"], free[0], rise, strict=True)
        ],
        dtype=object,
    )
    return _frame("K6", word, free, because, s).loc[steps]


def _frame(way: str, word: Words, margin: Level, because: Words, s: Mapping[str, Any]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "chainage_from_m": s["chainage_from_m"],
            "chainage_to_m": s["chainage_to_m"],
            "way": way,
            "word": word,
            "margin_mm": margin[0],
            "sigma_mm": margin[1],
            "because": because,
            "settle": np.where(word == NOT_KNOWN, SETTLE[way], ""),
        }
    )


def _joined(table: pd.DataFrame) -> pd.DataFrame:
    """Join neighbouring stations with one answer into lengths."""
    if table.empty:
        return table.assign(length_m=[])
    table = table.sort_values(["way", "chainage_from_m"], kind="stable")
    new = (
        (table["way"] != table["way"].shift())
        | (table["word"] != table["word"].shift())
        | ((table["chainage_from_m"] - table["chainage_to_m"].shift()).abs() > 1e-6)
    )
    groups = table.groupby(new.cumsum())
    best = table.loc[_peak(groups)]
    found = best.set_index(groups.ngroup().loc[best.index]).sort_index()
    found["chainage_from_m"] = groups["chainage_from_m"].min().to_numpy()
    found["chainage_to_m"] = groups["chainage_to_m"].max().to_numpy()
    found["length_m"] = found["chainage_to_m"] - found["chainage_from_m"]
    return found.reset_index(drop=True)


def _peak(groups: Any) -> list[Any]:
    """Return the row of each group with the largest margin, its first where none has one."""
    return [group["margin_mm"].fillna(-math.inf).idxmax() for _, group in groups]


def cleaning_levels(section: pd.DataFrame, *, ref: Reference) -> pd.Series:
    """Return the level to which the cavity must be clear, m: so far below the lower of the two leaves."""
    lower = np.fmin(section["outer_dpc"].to_numpy(), section["inner_dpc"].to_numpy())
    return pd.Series(lower - ref.value("drains.cavity_clear_mm") / 1000.0, index=section.index)


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """The smallest change that closes one way past the barrier, and what stays open after it."""

    way: str
    what: str
    chainage_from_m: float
    chainage_to_m: float
    by_mm: float
    still_open: tuple[str, ...]


def smallest_changes(section: pd.DataFrame, water: WallWater | None, *, ref: Reference) -> tuple[Remedy, ...]:
    """Change one thing at a time, as little as will do, and ask again.

    Parameters
    ----------
    section, water
        As for :func:`cross`.

    Returns
    -------
    One Remedy for each length of wall where a way is open or not known; ``by_mm`` is how far the level
    must move for the answer to be no, NaN where nothing is to be moved.
    """
    before = cross(section, water, ref=ref).lengths
    z = ref.value("drains.rival_sigmas")
    found = []
    for row in before[before["word"] != "no"].to_dict("records"):
        a, b, way = row["chainage_from_m"], row["chainage_to_m"], str(row["way"])
        here = (section["chainage_from_m"] >= a - 1e-9) & (section["chainage_to_m"] <= b + 1e-9)
        by = max(row["margin_mm"] + z * row["sigma_mm"], 0.0)
        what, changed = _remedy(way, section, here, by, ref)
        after = cross(changed, _lowered(water, by) if way in ("K1", "K2") else water, ref=ref).lengths
        still = after[
            (after["word"] == "yes") & (after["chainage_to_m"] > a) & (after["chainage_from_m"] < b)
        ]
        moved = NAN if way in ("K4", "K6") else by
        found.append(
            Remedy(
                way=way,
                what=what,
                chainage_from_m=a,
                chainage_to_m=b,
                by_mm=moved,
                still_open=tuple(sorted(set(still["way"]))),
            )
        )
    return tuple(found)


def _remedy(
    way: str, section: pd.DataFrame, here: pd.Series, by_mm: float, ref: Reference
) -> tuple[str, pd.DataFrame]:
    changed = section.copy()
    if way == "K3":
        level = cleaning_levels(section, ref=ref)
        changed.loc[here, "debris"] = np.fmin(section["debris"], level)[here]
        return f"clear the cavity to {level[here].min():.3f} m or lower", changed
    if way == "K4":
        changed.loc[here, "edge"] = "isolated"
        return "cut the edge of the slab free of the inner leaf", changed
    if way == "K5":
        changed.loc[here, "finish"] += by_mm / 1000.0
        return f"cut the finish back by {by_mm:.0f} mm", changed
    if way == "K6":
        changed.loc[here, "step_lap"] = "seen"
        return "build in the vertical lap at the step", changed
    if way == "K7":
        changed.loc[here, "ground"] -= by_mm / 1000.0
        return f"lower the ground by {by_mm:.0f} mm", changed
    return f"keep the water {by_mm:.0f} mm lower", changed


def _lowered(water: WallWater | None, by_mm: float) -> WallWater | None:
    if water is None:
        return None
    down = by_mm / 1000.0
    tanks = tuple(replace(t, bound=Measured(t.bound.value - down, t.bound.sigma)) for t in water.tanks)
    return replace(water, head=Measured(water.head.value - down, water.head.sigma), tanks=tanks)
