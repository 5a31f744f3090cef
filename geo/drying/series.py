"""Readings of one fixed point in order of time, one method, instrument and depth in each series."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geo.moisture.censor import NONE, parse_values
from geo.reference import Reference

Numbers = npt.NDArray[np.float64]
DAY = np.timedelta64(1, "D")
PINS = ("resistance_masonry", "resistance_deep")
SAME = ("method", "material", "basis", "instrument", "depth_mm")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """Readings at one point that may be held against each other.

    Parameters
    ----------
    point_id, part
        The point, and which of its series this is, from 1.
    method, material, basis, instrument, depth_mm, unit
        How they were read; depth NaN where not recorded.
    ids
        (k,) reading ids.
    when
        (k,) times.
    numbers, censored
        (k,) values, and whether each is exact or a bound.
    sigma
        Standard deviation of one reading.
    sealed_h
        (k,) hours sealed before; NaN where not recorded.
    """

    point_id: str
    part: int
    method: str
    material: str
    basis: str
    instrument: str
    depth_mm: float
    unit: str
    ids: tuple[str, ...]
    when: npt.NDArray[np.datetime64]
    numbers: Numbers
    censored: npt.NDArray[np.object_]
    sigma: float
    sealed_h: Numbers

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.ids)

    def since(self, moment: np.datetime64) -> Series:
        """Return the readings at or after a moment."""
        return self._where(self.when >= moment)

    def before(self, moment: np.datetime64) -> Series:
        """Return the readings before a moment."""
        return self._where(self.when < moment)

    def days(self, from_: np.datetime64) -> Numbers:
        """Return the (k,) days since a moment."""
        return np.asarray((self.when - from_) / DAY, dtype=float)

    @property
    def rhythm_d(self) -> float:
        """Median days between readings; NaN with fewer than two."""
        return float(np.median(np.diff(self.days(self.when[0])))) if len(self) > 1 else math.nan

    def _where(self, on: npt.NDArray[np.bool_]) -> Series:
        rows = np.flatnonzero(on)
        return Series(
            point_id=self.point_id, part=self.part, method=self.method, material=self.material,
            basis=self.basis, instrument=self.instrument, depth_mm=self.depth_mm, unit=self.unit,
            ids=tuple(self.ids[row] for row in rows), when=self.when[rows], numbers=self.numbers[rows],
            censored=self.censored[rows], sigma=self.sigma, sealed_h=self.sealed_h[rows],
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointSeries:
    """Every series of one point, and what must be said of how it was read.

    Parameters
    ----------
    parts
        Series in order of their first reading; the last one is followed.
    told
        Where a change of instrument, method or depth cut the series, and readings left out.
    """

    point_id: str
    parts: tuple[Series, ...]
    told: tuple[str, ...]

    @property
    def current(self) -> Series | None:
        """The series that is followed now."""
        return self.parts[-1] if self.parts else None


def series_of(points: pd.DataFrame, readings: pd.DataFrame, *, ref: Reference) -> dict[str, PointSeries]:
    """Lay the readings of every point out in series that may be compared.

    Only readings by the point's own method make series; within those each change of instrument, depth,
    material or basis begins a new one.

    Parameters
    ----------
    points, readings
        Records of kinds drying_point and reading, indexed by id.
    """
    own = readings[readings["point_id"] != ""]
    parsed = parse_values(own["value"])
    table = own.assign(number=parsed["value"], censored=parsed["censored"], at=moments(own["taken_at"]))
    basis = pd.Series({key: method.basis for key, method in ref.methods.items()}, dtype=object)
    table["basis"] = table["basis"].where(table["basis"] != "", table["method"].map(basis))
    return {
        str(name): _point(str(name), point, table[table["point_id"] == name], ref)
        for name, point in points.iterrows()
    }


def reading_sigma(method: str, basis: str, *, fixed: bool, ref: Reference) -> float:
    """Return the standard deviation of one reading, in the method's unit.

    Parameters
    ----------
    fixed
        At a fixed point: the place adds nothing, and pins left in it scatter less than pins put in anew.
    """
    kind = ref.methods[method]
    if fixed and method == "gravimetric" and basis == "dry":
        return ref.value("drying.content_sigma")
    if kind.spread_kind != "of span":
        return kind.spread
    left = ref.value("drying.pins_share") if fixed and method in PINS else 1.0
    return left * kind.spread * (kind.scale_max - kind.scale_min)


def lowest_end(method: str, basis: str, *, ref: Reference) -> float:
    """Return the least value a method can come to."""
    return ref.methods[method].scale_min if basis == "instrument" else 0.0


def moments(said: pd.Series[Any]) -> pd.Series[Any]:
    """Read dates and times; those with a zone are turned to UTC, the others are taken as written."""
    return pd.Series([moment(str(text)) for text in said], index=said.index, dtype="datetime64[ns]")


def moment(said: str) -> pd.Timestamp:
    """Read one date or time; not-a-time where it is blank or there is no such."""
    try:
        at = pd.Timestamp(said) if said else pd.NaT
    except ValueError:
        at = pd.NaT
    return at.tz_convert("UTC").tz_localize(None) if not pd.isna(at) and at.tzinfo is not None else at


def day_said(at: Any) -> str:
    """Return a moment's date in words: ``3 May 2026``."""
    stamp = pd.Timestamp(at)
    return f"{stamp.day} {stamp:%B %Y}"


def _point(name: str, point: pd.Series[Any], rows: pd.DataFrame, ref: Reference) -> PointSeries:
    told = []
    unused = rows["at"].isna() | rows["number"].isna()
    if unused.any():
        told.append(f"left out, without a time or a value: {', '.join(rows.index[unused])}")
    foreign = ~unused & (rows["method"] != point["method"])
    if foreign.any():
        names = sorted({ref.methods[key].name for key in rows.loc[foreign, "method"]})
        told.append(
            f"left out, read by another method ({'; '.join(names)}): {', '.join(rows.index[foreign])}"
        )
    kept = rows[~unused & ~foreign].sort_values("at", kind="stable")
    key = kept[list(SAME)].assign(depth_mm=kept["depth_mm"].fillna(-1.0))
    part = (key != key.shift()).any(axis=1).cumsum()
    parts: list[Series] = []
    for _, group in kept.groupby(part, sort=True):
        parts.append(_series(name, len(parts) + 1, group, ref))
        if len(parts) > 1:
            told.append(_cut(parts[-2], parts[-1]))
    return PointSeries(point_id=name, parts=tuple(parts), told=tuple(told))


def _series(name: str, part: int, rows: pd.DataFrame, ref: Reference) -> Series:
    first = rows.iloc[0]
    method, basis = str(first["method"]), str(first["basis"])
    unit = ref.methods[method].unit
    return Series(
        point_id=name, part=part, method=method, material=str(first["material"]), basis=basis,
        instrument=str(first["instrument"]), depth_mm=float(first["depth_mm"]), unit=unit,
        ids=tuple(str(one) for one in rows.index), when=rows["at"].to_numpy(dtype="datetime64[ns]"),
        numbers=rows["number"].to_numpy(float), censored=rows["censored"].to_numpy(object),
        sigma=reading_sigma(method, basis, fixed=True, ref=ref), sealed_h=rows["sealed_h"].to_numpy(float),
    )  # fmt: skip


def _cut(before: Series, after: Series) -> str:
    """Say what changed between two series."""
    day = str(after.when[0])[:10]
    words = {
        "instrument": (before.instrument, after.instrument),
        "depth": (before.depth_mm, after.depth_mm),
        "material": (before.material, after.material),
        "basis": (before.basis, after.basis),
    }
    changed = [f"{what} {_said(a)} to {_said(b)}" for what, (a, b) in words.items() if _said(a) != _said(b)]
    return f"a new series begins on {day}: {', '.join(changed)}; the two are not held against each other"


def _said(value: object) -> str:
    if isinstance(value, float):
        return "not recorded" if math.isnan(value) else f"{value:g} mm"
    return str(value).replace("_", " ") or "not recorded"


def exact(series: Series) -> npt.NDArray[np.bool_]:
    """Return which readings are values, not bounds."""
    return np.asarray(series.censored == NONE)
