"""How much water a test must pour, and whether one that showed nothing was enough."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from geo.drains.answers import BackUp
from geo.drains.storage import Inflow, balance
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Pour:
    """What a water test needs: litres and minutes to the first spill, and to be worth doing."""

    to_spill_l: Measured
    to_spill_minutes: float
    wanted_l: float
    wanted_minutes: float


def required_pour(result: BackUp, *, rate_l_s: float, ref: Reference) -> Pour:
    """Return how much a test must pour, and for how long.

    Parameters
    ----------
    result
        The back-up the test is to show.
    rate_l_s
        Flow of the hose, measured with a bucket, l/s.

    Returns
    -------
    Pour; minutes are infinite where the partial blockage passes the whole flow.
    """
    passes = result.trickle if result.trickle is not None else result.passes_l_s
    filled = balance(Inflow.steady(rate_l_s), capacity_l=result.litres.value, passes_l_s=passes)
    minutes = filled.first_spill_s / 60.0
    factor = ref.value("drains.pour_factor")
    litres = rate_l_s * filled.first_spill_s
    return Pour(
        to_spill_l=Measured(
            litres, result.litres.sigma * (litres / result.litres.value if litres < math.inf else 1.0)
        ),
        to_spill_minutes=minutes,
        wanted_l=factor * litres,
        wanted_minutes=factor * minutes,
    )


def sufficiency(test_volume_l: float, needed: Measured, *, ref: Reference) -> Verdict:
    """Say whether a test that showed nothing was big enough to mean anything.

    Parameters
    ----------
    test_volume_l
        Litres poured (less what a partial blockage passed meanwhile).
    needed
        Litres to the first spill, with sigma.

    Returns
    -------
    Verdict ``enough``, ``no information`` (it could not have shown), or not known in between.
    """
    if not (needed.value > 0 and math.isfinite(needed.value)):
        return Verdict(
            word=NOT_KNOWN,
            because="the litres to the first spill are not known",
            settle="Level what is missing.",
        )
    factor, z = ref.value("drains.pour_factor"), ref.value("drains.rival_sigmas")
    share = test_volume_l / needed.value
    said = f"{test_volume_l:.0f} l is {100 * share:.0f} % of the {needed.value:.1f} l it can hold"
    facts: dict[str, Any] = {"margin": test_volume_l - needed.value, "sigma": needed.sigma, "unit": "l"}
    if test_volume_l < needed.value - z * needed.sigma:
        settle = f"Pour {factor * needed.value:.0f} l or more."
        return Verdict(
            word="no information", because=f"{said}: it could not have shown", settle=settle, **facts
        )
    if test_volume_l >= factor * needed.value:
        return Verdict(word="enough", because=said, **facts)
    settle = f"Pour {factor * needed.value:.0f} l or more."
    return Verdict(word=NOT_KNOWN, because=f"{said}: only just enough to show", settle=settle, **facts)
