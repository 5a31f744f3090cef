"""Litres: what the walls and floors have to give up, held against what was collected."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geo.drying.machines import NO_MACHINE
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict

Numbers = npt.NDArray[np.float64]
LEAK, SHORT, IN_KEEPING, MORE = (
    "leak live, or outside air dried",
    "not dry",
    "in keeping",
    "more than expected",
)
FELL, STOOD = "fell", "did not fall"
TANKED = ("refrigerant", "desiccant")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Balance:
    """Water expected against water collected.

    Parameters
    ----------
    rows
        One row a point, indexed by id: ``area_m2``, ``thickness_mm``, ``density_kg_m3``, ``from_percent``,
        ``to_percent``, ``kg_m2``, ``kg_m2_sigma``, ``expected_l``, ``expected_sigma_l``, ``gone_l`` and
        ``gone_sigma_l`` (by its readings so far), ``lacks``.
    expected, gone, collected
        Litres: to the goal, gone so far by the readings, and collected; NaN where not known.
    verdict
        ``"leak live, or outside air dried"``, ``"not dry"``, ``"more than expected"``, ``"in keeping"`` or
        not known.
    """

    rows: pd.DataFrame
    expected: Measured
    gone: Measured
    collected: Measured
    verdict: Verdict


def water_kg_m2(
    thickness_mm: npt.ArrayLike,
    density_kg_m3: npt.ArrayLike,
    from_percent: npt.ArrayLike,
    to_percent: npt.ArrayLike,
    *,
    sigma_percent: npt.ArrayLike = 0.0,
    ref: Reference,
) -> tuple[Numbers, Numbers]:
    """Return the water that leaves each square metre, kg or l, and its standard deviation.

    Thickness × dry density × fall of the content. Contents are per cent of the **dry** mass.

    Parameters
    ----------
    sigma_percent
        Standard deviation of the fall of the content, % of dry mass.
    """
    t, rho = np.asarray(thickness_mm, dtype=float) / 1000.0, np.asarray(density_kg_m3, dtype=float)
    fall = (np.asarray(from_percent, dtype=float) - np.asarray(to_percent, dtype=float)) / 100.0
    water = t * rho * fall
    share = math.hypot(ref.value("drying.thickness_share"), ref.value("drying.density_share"))
    by_content = t * rho * np.asarray(sigma_percent, dtype=float) / 100.0
    return np.asarray(water), np.asarray(np.hypot(water * share, by_content))


def balance_of(points: pd.DataFrame, logs: pd.DataFrame, *, fell: str, ref: Reference) -> Balance:
    """Hold the water expected of all points against what machines collected.

    Parameters
    ----------
    points
        Indexed by id: ``area_m2``, ``thickness_mm``, ``density_kg_m3``, ``from_percent``, ``now_percent``,
        ``to_percent`` (contents of dry mass; NaN where not known) and ``sigma_percent`` of one content.
    logs
        Drying logs over the same time: ``machine_kind``, ``collected_l``.
    fell
        ``"fell"``, ``"did not fall"`` or not known: what the fixed points did over the time.
    """
    rows = _rows(points, ref)
    expected, gone = _sum(rows, "expected"), _sum(rows, "gone")
    collected, why = _collected(logs, ref)
    verdict = _weigh(expected, collected, why, rows, fell, ref)
    return Balance(rows=rows, expected=expected, gone=gone, collected=collected, verdict=verdict)


def weigh(expected: Measured, collected: Measured, *, fell: str, ref: Reference) -> Verdict:
    """Judge litres collected against litres expected.

    Parameters
    ----------
    expected, collected
        Litres with their standard deviations.
    fell
        As :func:`balance_of`.
    """
    z = ref.value("confidence.z_95")
    high, low = ref.value("drying.litres_high"), ref.value("drying.litres_low")
    said = f"{collected.value:.0f} ± {z * collected.sigma:.0f} l collected, "
    said += f"{expected.value:.0f} ± {z * expected.sigma:.0f} l expected"
    over = Measured(
        collected.value - high * expected.value, math.hypot(collected.sigma, high * expected.sigma)
    )
    under = Measured(
        low * expected.value - collected.value, math.hypot(collected.sigma, low * expected.sigma)
    )
    facts: dict[str, Any] = {"unit": "l", "margin": collected.value - expected.value}
    facts["sigma"] = math.hypot(collected.sigma, expected.sigma)
    if over.value > z * over.sigma:
        if fell == STOOD:
            settle = "Test the source again; close doors and windows round the dryers."
            because = f"{said}, and the fixed points did not fall"
            return Verdict(word=LEAK, because=because, settle=settle, **facts)
        if fell == FELL:
            because = (
                f"{said}, and the fixed points fell: more is wet than reckoned, or outside air dries too"
            )
            return Verdict(word=MORE, because=because, **facts)
        because = f"{said}; whether the fixed points fell is not known"
        return Verdict(word=NOT_KNOWN, because=because, settle="Read the fixed points.", **facts)
    if under.value > z * under.sigma:
        because = f"{said}: far too little, whatever a surface reads"
        return Verdict(word=SHORT, because=because, settle="Go on drying; read at depth.", **facts)
    return Verdict(word=IN_KEEPING, because=said, **facts)


def _rows(points: pd.DataFrame, ref: Reference) -> pd.DataFrame:
    rows = points[["area_m2", "thickness_mm", "density_kg_m3", "from_percent", "to_percent"]].copy()
    spread = math.sqrt(2.0) * points["sigma_percent"].to_numpy(float)
    build = (rows["thickness_mm"], rows["density_kg_m3"], rows["from_percent"])
    area = rows["area_m2"].to_numpy(float)
    for name, until in (("expected", rows["to_percent"]), ("gone", points["now_percent"])):
        water, sigma = water_kg_m2(*build, until, sigma_percent=spread, ref=ref)
        if name == "expected":
            rows["kg_m2"], rows["kg_m2_sigma"] = water, sigma
        rows[f"{name}_l"] = area * water
        rows[f"{name}_sigma_l"] = np.hypot(area * sigma, ref.value("drying.area_share") * area * water)
    words = {
        "area_m2": "area", "thickness_mm": "thickness", "density_kg_m3": "density",
        "from_percent": "content at the start", "to_percent": "content to come down to",
    }  # fmt: skip
    rows["lacks"] = [
        ", ".join(said for name, said in words.items() if math.isnan(float(row[name])))
        for _, row in rows.iterrows()
    ]
    return rows


def _sum(rows: pd.DataFrame, name: str) -> Measured:
    """Return the sum over points; the shares of build are the same error for all, so sigmas add plainly."""
    own = rows[[f"{name}_l", f"{name}_sigma_l"]].dropna()
    if own.empty:
        return Measured(math.nan, math.nan)
    return Measured(float(own.iloc[:, 0].sum()), float(own.iloc[:, 1].sum()))


def _collected(logs: pd.DataFrame, ref: Reference) -> tuple[Measured, str]:
    """Return the litres collected, or why they say nothing."""
    ran = logs[logs["machine_kind"] != NO_MACHINE]
    nothing = Measured(math.nan, math.nan)
    if ran.empty:
        return nothing, "no drying machine is on record"
    known = ran["collected_l"].notna()
    away = ran[~known & ran["machine_kind"].isin(TANKED)]
    if not known.any():
        return nothing, "no litres are on record"
    litres = ran.loc[known, "collected_l"].to_numpy(float)
    found = Measured(float(litres.sum()), ref.value("drying.collected_share") * float(litres.sum()))
    if len(away):
        return found, f"what {', '.join(map(str, away.index))} took is not on record"
    return found, ""


def _weigh(
    expected: Measured, collected: Measured, why: str, rows: pd.DataFrame, fell: str, ref: Reference
) -> Verdict:
    if math.isnan(collected.value):
        return Verdict(
            word=NOT_KNOWN, because=why, settle="Read the tanks each visit, and write the litres down."
        )
    if math.isnan(expected.value):
        lacks = "; ".join(f"{name}: {row['lacks']}" for name, row in rows.iterrows() if row["lacks"])
        said = f"what the walls hold is not known ({lacks})" if lacks else "what the walls hold is not known"
        return Verdict(
            word=NOT_KNOWN, because=said, settle="Take area and thickness; send samples to the oven."
        )
    answer = weigh(expected, collected, fell=fell, ref=ref)
    open_ = [str(name) for name, row in rows.iterrows() if row["lacks"]]
    if why and answer.word == SHORT:
        because = f"{answer.because}; but {why}"
        return Verdict(word=NOT_KNOWN, because=because, settle="Measure the water of every machine.")
    if open_ and answer.word in (LEAK, MORE):
        because = f"{answer.because}; but {', '.join(open_)} is not reckoned in"
        return Verdict(word=NOT_KNOWN, because=because, settle="Take area and thickness of every point.")
    return answer
