"""Published rules for pipes and soakaways out of ``shared/pipes.toml``, and arrays that carry a sigma."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from geo.errors import GeometryError
from geo.reference import Limit
from geo.verdict import NOT_KNOWN, Measured

Numbers = NDArray[np.float64]
Words = NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Amount:
    """Numbers with their standard deviations, and why where there is none.

    Parameters
    ----------
    value, sigma
        (n,) in ``unit``; NaN where not known.
    unit
        For print.
    because
        (n,) the reason where the value is not known, else empty.
    """

    value: Numbers
    sigma: Numbers
    unit: str
    because: Words

    def __len__(self) -> int:
        return len(self.value)

    def measured(self, row: int = 0) -> Measured:
        """Return one of them."""
        return Measured(float(self.value[row]), float(self.sigma[row]))


def amount(value: ArrayLike, sigma: ArrayLike = 0.0, *, unit: str = "", because: Any = "") -> Amount:
    """Return an Amount of matching (n,) arrays; a reason is kept only where the value is NaN."""
    values, sigmas, reasons = np.broadcast_arrays(
        numbers(value), numbers(sigma), np.atleast_1d(np.asarray(because, dtype=object))
    )
    lost = np.isnan(values)
    return Amount(
        value=values.copy(),
        sigma=np.where(lost, np.nan, sigmas),
        unit=unit,
        because=np.where(lost, np.where(reasons == "", "not measured", reasons), ""),
    )


def numbers(value: ArrayLike) -> Numbers:
    """Return (n,) float64; a single number becomes one row."""
    return np.atleast_1d(np.asarray(value, dtype=np.float64))


def rows(*values: ArrayLike) -> list[Numbers]:
    """Return the values as (n,) float64 arrays of one length."""
    return [array.copy() for array in np.broadcast_arrays(*[numbers(value) for value in values])]


def words(value: Any, like: Numbers) -> Words:
    """Return (n,) objects as long as ``like``."""
    return np.broadcast_to(np.atleast_1d(np.asarray(value, dtype=object)), like.shape).copy()


def spread(
    formula: Callable[..., Numbers], given: Sequence[ArrayLike], sigmas: Sequence[ArrayLike]
) -> tuple[Numbers, Numbers]:
    """Return a formula's value and the sigma its independent inputs give it.

    Each input is moved one sigma up and down in turn; half the change is its share and the shares
    add in quadrature. Exact for a straight formula, sound where the formula bends little within a
    sigma.
    """
    arrays = rows(*given, *sigmas)
    values, steps = arrays[: len(given)], arrays[len(given) :]
    square = np.zeros_like(values[0])
    for place, step in enumerate(steps):
        if not step.any():
            continue
        up, down = list(values), list(values)
        up[place], down[place] = values[place] + step, values[place] - step
        square += ((formula(*up) - formula(*down)) / 2) ** 2
    return formula(*values), np.sqrt(square)


def compare(
    margin: ArrayLike,
    sigma: ArrayLike,
    *,
    z: float,
    unit: str,
    settle: Any,
    above: str = "yes",
    below: str = "no",
    because: Any = "",
) -> pd.DataFrame:
    """Answer many comparisons by their margins, as :func:`geo.verdict.decide` answers one.

    Parameters
    ----------
    margin, sigma
        (n,) signed distance past the threshold and its standard deviation, in ``unit``; NaN where
        there is none.
    z
        How many sigmas a margin must exceed.
    settle
        The cheapest measurement that would end "not known": one, or (n,).
    above, below
        The words for a margin surely positive and surely negative.
    because
        Why there is no margin, where there is none.

    Returns
    -------
    One row a comparison: verdict, because, settle, margin, sigma.
    """
    margins, sigmas = rows(margin, sigma)
    band = z * sigmas
    reason, wanted = words(because, margins), words(settle, margins)
    lost = np.isnan(margins) | np.isnan(band)
    with np.errstate(invalid="ignore"):
        # On the threshold exactly, with no error at all, a limit is kept.
        sure = [margins > band, margins < -band, (margins == 0) & (band == 0)]
    verdict = np.select([lost, *sure], [NOT_KNOWN, above, below, above], default=NOT_KNOWN).astype(object)
    said = [
        (why or "not measured")
        if gone
        else f"{m:+.3g} {unit}, ± {b:.2g} {unit}" + ("" if known else ": within the error")
        for gone, why, m, b, known in zip(lost, reason, margins, band, verdict != NOT_KNOWN, strict=True)
    ]
    return pd.DataFrame(
        {
            "verdict": verdict,
            "because": np.array(said, dtype=object),
            "settle": np.where(verdict == NOT_KNOWN, wanted, ""),
            "margin": margins,
            "sigma": sigmas,
        }
    )


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A published table of one number against another."""

    x: Numbers
    y: Numbers
    source: str
    status: str
    note: str

    def at(self, x: ArrayLike) -> Numbers:
        """Return y on straight lines between the rows, NaN outside the table."""
        return np.interp(numbers(x), self.x, self.y, left=np.nan, right=np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """A published table of one number against two others."""

    row: Numbers
    column: Numbers
    values: Numbers
    source: str
    status: str
    note: str

    def at(self, row: float, column: ArrayLike) -> Numbers:
        """Return values at one row, on straight lines between rows; only the printed columns."""
        wanted = numbers(column)
        if not self.row[0] <= row <= self.row[-1]:
            return np.full(wanted.shape, np.nan)
        line = np.array([np.interp(row, self.row, values) for values in self.values.T])
        place = np.clip(np.searchsorted(self.column, wanted), 0, len(self.column) - 1)
        return np.where(self.column[place] == wanted, line[place], np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """Every rule for pipes and soakaways, with its source.

    Parameters
    ----------
    limits
        Single numbers by ``group.name``.
    curves, grids
        Tables to look along.
    gradients, chambers, nominal_bores, discharge_units
        One row a rule.
    access
        Farthest apart, m, by (from, to); pairs the table leaves out are absent.
    sources
        Source and status of the tables that carry one for all their rows.
    conflicts
        Where published figures disagree, and what is done here.
    """

    limits: Mapping[str, Limit]
    curves: Mapping[str, Curve]
    grids: Mapping[str, Grid]
    gradients: pd.DataFrame
    chambers: pd.DataFrame
    nominal_bores: pd.DataFrame
    discharge_units: pd.DataFrame
    access: pd.Series[float]
    sources: Mapping[str, Mapping[str, str]]
    conflicts: Mapping[str, str]

    def value(self, key: str) -> float:
        """Return a number, in the unit its key ends with."""
        return self.limit(key).value

    def limit(self, key: str) -> Limit:
        """Return a number with its source."""
        try:
            return self.limits[key]
        except KeyError:
            raise KeyError(f"no rule {key!r} in shared/pipes.toml") from None

    def nominal(self, bore_mm: ArrayLike) -> Numbers:
        """Return the nominal bore, mm, of measured or outside diameters; NaN where none fits."""
        bore = numbers(bore_mm)[:, None]
        table = self.nominal_bores
        fits = (bore >= table["from_mm"].to_numpy()) & (bore <= table["to_mm"].to_numpy())
        named = table["nominal_mm"].to_numpy(dtype=np.float64)[fits.argmax(axis=1)]
        return np.where(fits.any(axis=1), named, np.nan)


def one_of(key: str, allowed: Sequence[str], *, what: str) -> str:
    """Return the key when it is one of those allowed.

    Raises
    ------
    GeometryError
        When it is not.
    """
    if key not in allowed:
        raise GeometryError(f"{what} {key!r} is not held; allowed: {', '.join(allowed)}")
    return key


@lru_cache(1)
def default() -> Tables:
    """Return the rules that ship with the tool."""
    raw = tomllib.loads(resources.files("shared").joinpath("pipes.toml").read_text(encoding="utf-8"))
    limits = {
        f"{group}.{name}": Limit(key=f"{group}.{name}", **{**entry, "value": float(entry["value"])})
        for group, names in raw.items()
        if isinstance(names, dict)
        for name, entry in names.items()
        if isinstance(entry, dict) and "value" in entry
    }
    access = {(start, end): float(far) for start, ends in raw["access"].items() for end, far in ends.items()}
    return Tables(
        limits=limits,
        curves={
            name: Curve(numbers(entry["x"]), numbers(entry["y"]), *_traced(entry))
            for name, entry in raw["curve"].items()
        },
        grids={
            name: Grid(
                numbers(entry["row"]), numbers(entry["column"]), np.array(entry["values"]), *_traced(entry)
            )
            for name, entry in raw["grid"].items()
        },
        gradients=pd.DataFrame(raw["gradient_rule"]),
        chambers=pd.DataFrame(raw["chamber_rule"]),
        nominal_bores=pd.DataFrame(raw["nominal_bore"]),
        discharge_units=pd.DataFrame.from_dict(raw["discharge_unit"], orient="index"),
        access=pd.Series(access, dtype=float, name="far_m"),
        sources={name: entry for name, entry in raw.items() if name.endswith("_source")},
        conflicts=raw["conflict"],
    )


def _traced(entry: Mapping[str, Any]) -> tuple[str, str, str]:
    return entry["source"], entry["status"], entry.get("note", "")
