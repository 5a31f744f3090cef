"""How long water takes to the first spill: by the hose of the tests, by rain on record, by design rain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from geo.drains.backup import BackUp
from geo.drains.storage import Inflow, Trickle, balance
from geo.drains.tables import default
from geo.findings.drains import Drains
from geo.findings.trial_amounts import BUCKET, OVER_TIME, WRITTEN, clock_seconds, trial_amounts
from geo.report.source import Source
from geo.report.wording import plain_number, wide_range

HOSED = ("hose", "dye")
BY = (BUCKET, WRITTEN, OVER_TIME)
"""How the flow of a hose was taken, the best first."""
NOT_IN_IT, NEVER = "not in it", "never"


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """Water that comes to a stop: a hose, or rain on the roofs that drain to it.

    Parameters
    ----------
    name
        In a word or two, as a table has it.
    said
        How much it is, and where that comes from.
    rests_on
        Records it was taken from; empty for a published one.
    low, high
        95 % range, l/s; for rain l/s per m² of roof.
    on_roofs
        Whether it falls on the roofs that drain to the stop.
    minutes
        How long it lasts; infinite where it may go on.
    """

    name: str
    said: str
    rests_on: tuple[str, ...] = ()
    low: float
    high: float
    on_roofs: bool = False
    minutes: float = math.inf


def flows_of(source: Source) -> tuple[Flow, ...]:
    """Return the flows a site can be asked with: its hose, its heaviest rain on record, the design rain.

    What is not recorded is left out: a hose nobody measured, rain without both its times.
    """
    return tuple(filter(None, (_hose(source), _rain(source), _design())))


def _hose(source: Source) -> Flow | None:
    """Return the flow of the hose from the test that measured it best; tests that agree with it are named."""
    table = source.site.table("trial")
    if table.empty:
        return None
    found = trial_amounts(table, ref=source.ref)
    found = found[table["trial_kind"].isin(HOSED) & (found["rate_l_s"] > 0) & found["rate_by"].isin(BY)]
    if found.empty:
        return None
    share = found["rate_sigma_l_s"] / found["rate_l_s"]
    order = found.assign(best=found["rate_by"].map(BY.index), share=share, name=found.index)
    best = order.sort_values(["best", "share", "name"], kind="stable").iloc[0]
    rate, sigma = float(best["rate_l_s"]), float(best["rate_sigma_l_s"])
    same = np.isclose(found["rate_l_s"], rate) & (found["rate_by"] == best["rate_by"])
    spread = source.ref.value("confidence.z_95") * sigma
    return Flow(
        name="Hose",
        said=f"{rate:.2f} ± {sigma:.2f} l/s, by {best['rate_by']}",
        rests_on=tuple(str(name) for name in found.index[same]),
        low=max(rate - spread, 0.0),
        high=rate + spread,
    )


def _rain(source: Source) -> Flow | None:
    """Return the rain on record that was heaviest on the mean."""
    table = source.site.table("event")
    table = table[(table["event_kind"] == "rain") & (table["rain_mm"] > 0)]
    if table.empty:
        return None
    began, ended = (clock_seconds(table[name], ref=source.ref)[0] for name in ("began_at", "ended_at"))
    hours = (ended - began) / 3600.0
    mean = np.where(hours > 0, table["rain_mm"].to_numpy(float) / np.where(hours > 0, hours, 1.0), np.nan)
    if not np.isfinite(mean).any():
        return None
    k = int(np.nanargmax(mean))
    row: Any = table.iloc[k]
    by = f"; recorded by: “{row['source']}”" if row["source"] else ""
    return Flow(
        name=f"Rain {table.index[k]}",
        said=(
            f"{plain_number(float(row['rain_mm']))} mm in {hours[k]:.1f} h, {mean[k]:.1f} mm/h on the mean;"
            f" how hard its heaviest minutes fell is not recorded, and in them it comes sooner{by}"
        ),
        rests_on=(str(table.index[k]),),
        low=float(mean[k]) / 3600.0,
        high=float(mean[k]) / 3600.0,
        on_roofs=True,
        minutes=float(hours[k]) * 60.0,
    )


def _design() -> Flow:
    limit = default().limit("rain.roof_l_s_m2")
    return Flow(
        name="Design rain",
        said=(
            f"{limit.value:g} {limit.unit.replace('m2', 'm²')} of roof, which no gauge recorded here:"
            f" {limit.source}"
        ),
        low=limit.value,
        high=limit.value,
        on_roofs=True,
    )


def roofs_above(drains: Drains, result: BackUp) -> tuple[float, float]:
    """Return the least and the most roof, m², that drains to what stands full: on plan, and in driven rain.

    Both NaN where the area of one is not recorded.
    """
    plan, driven = drains.network.roofs_above(result.pool)
    return plan, driven if math.isfinite(driven) else plan


def minutes_until(drains: Drains, result: BackUp, flow: Flow) -> str:
    """Say how many minutes a flow takes to the first spill, as a 95 % range; nothing where that is not known.

    The soonest is the fewest litres at the most flow; the latest the most litres at the least, with cracks
    losing all they can. Where a size on the way is not recorded the litres, so the minutes, are at least.
    """
    litres = _litres_95(drains, result)
    if litres is None:
        return ""
    least, most = roofs_above(drains, result) if flow.on_roofs else (1.0, 1.0)
    if not most > 0:
        return ""
    gone = result.trickle if result.trickle is not None else Trickle.constant(result.passes_l_s)
    losing = gone.and_also(result.loses_between_l_s[1])
    soon = _first_spill(flow, flow.high * most, litres[0], gone)
    late = _first_spill(flow, flow.low * least, litres[1], losing)
    if math.isinf(soon):
        return NOT_IN_IT if math.isfinite(flow.minutes) else NEVER
    if result.at_least:
        return f"at least {wide_range(soon, soon)}"
    if math.isinf(late):
        return f"at least {wide_range(soon, soon)}, or {NOT_IN_IT if math.isfinite(flow.minutes) else NEVER}"
    return wide_range(soon, late)


def _first_spill(flow: Flow, rate_l_s: float, litres: float, gone: Trickle) -> float:
    """Return the minutes to the first spill; infinite when it never comes."""
    inflow = Inflow.steady(rate_l_s, minutes=flow.minutes)
    return balance(inflow, capacity_l=litres, passes_l_s=gone).first_spill_s / 60.0


def litres_until(drains: Drains, result: BackUp) -> str:
    """Say how many litres it takes to the first spill, as a 95 % range; nothing where that is not known."""
    litres = _litres_95(drains, result)
    if litres is None:
        return ""
    return f"at least {wide_range(litres[0], litres[0])}" if result.at_least else wide_range(*litres)


def _litres_95(drains: Drains, result: BackUp) -> tuple[float, float] | None:
    """Return the fewest and the most litres to the first spill; nothing where there is no such range."""
    low, high = result.litres_between
    spread = drains.ref.value("confidence.z_95") * result.litres.sigma
    if not result.first or result.drains or not (math.isfinite(low + high + spread) and high > 0):
        return None
    return max(low - spread, 0.0), high + spread
