"""What is asked of a stopped drain and what is answered: spills, rivals, leaks, changes."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import pandas as pd

from geo.drains.storage import Balance, Trickle
from geo.verdict import NOT_KNOWN, Measured, Verdict

NAN = math.nan
NOBODY_ASKED = Verdict(word=NOT_KNOWN, because="no first spill is known", settle="Level what is missing.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Blockage:
    """What is stopped: a run, or the way out of a gully, chamber or soakaway.

    Parameters
    ----------
    asset_id
        Run, gully, chamber or soakaway.
    at_m
        Distance from the run's upstream end; ``None`` to take the recorded one.
    passes_l_s
        What still gets through; ``None`` to take the recorded one, nothing where none is.
    passes_at_m
        Level of the water above the stop when that was measured, m. With it, and the place of the stop,
        the trickle follows the head; else it is taken as constant.
    """

    asset_id: str
    at_m: float | None = None
    passes_l_s: float | None = None
    passes_at_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """A node that could equally be the first to spill: its margin over the first, and the sigma."""

    node: str
    margin_mm: float
    sigma_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Spill:
    """Water leaving at one node.

    Parameters
    ----------
    node, leaves
        Where, and over what.
    level_m
        Level of the water inside when it begins.
    below_ground
        Nothing need show at the surface: buried, or not known not to be.
    takes_l_s
        The most that can leave there: an upper bound for a hole, infinite over a rim or lip.
    receives_l_s
        Its part of the inflow; NaN without one.
    minutes
        From the start until it begins; NaN without a steady inflow.
    """

    node: str
    leaves: str
    level_m: float
    below_ground: bool
    takes_l_s: float
    receives_l_s: float
    minutes: float
    ground: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """A crack or open joint in a run that stands full: a way out below ground of its own.

    Parameters
    ----------
    lowest_m, highest_m
        Levels between which it lies, m.
    head_m
        The most water that stands over it before the first spill, m.
    most_l_s
        The most it can lose at that head, an orifice with nothing but air behind it; infinite where its
        size was not measured. The least is nothing: the soil may seal it.
    """

    run_id: str
    state: str
    lowest_m: float
    highest_m: float
    head_m: float
    most_l_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Otherwise:
    """The answer if a fitting nobody tried does something else than it was taken to do.

    ``litres`` are the fewest until water comes up there; none where it drains.
    """

    fitting_id: str
    kind: str
    run_id: str
    said: str
    first: str
    level_m: float
    drains: bool
    then: str
    litres: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that could be done, and where water would leave first after it."""

    asset_id: str
    what: str
    by_mm: float
    then_first: str
    then_level_m: float
    then: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BackUp:
    """What happens when something is stopped and water is put in.

    Parameters
    ----------
    verdict
        Spills, no spill, or not known.
    first, leaves
        Node where water first leaves, and over what; "" when not known or closed.
    level, level_between
        Level at which it does, m; lowest and highest where a level is missing.
    needs_m
        The highest the water must stand anywhere before it does: above ``level`` where it first runs
        over a sill into a lower basin.
    drains
        The first way out is an outfall: nothing backs up.
    rivals, decides
        Nodes that could equally be first; ids whose missing levels decide which it is.
    litres, litres_between
        From resting water to the first spill.
    below
        Whether the first spill is buried, at the surface, or not known.
    passes_l_s
        What leaves past partial blockages and pumps when the water stands at the first spill.
    trickle
        The same by litres stored, where it follows the head; ``None`` where it is taken as constant.
    minutes, minutes_between
        To the first spill at the inflow, the cracks losing nothing; and from there to when they lose the
        most they can. Infinite when it never comes, NaN without an inflow.
    balance
        Where the litres of the inflow went, the cracks losing nothing; ``None`` without one.
    spilled_between_l
        Litres spilled, the cracks losing the most they can and losing nothing; NaN without an end.
    leaks, loses_between_l_s
        Cracked runs that stand full, and the least and most they lose together at the first spill.
    otherwise
        What else happens if a valve, pump or trap nobody tried is not as it was taken.
    standing_m
        Level the water comes to under the steady inflow, m.
    spills
        The first, and the next where the first cannot take it all.
    order
        Every node by the level it needs: ``crest_m``, ``reach_m``, ``sigma_m``.
    pool, pool_runs
        Nodes and runs in which water stands at the first spill.
    rim_behind
        For a broken lip: how far the sound rim is above it, m.
    assumed_runs, leaky_runs, at_least
        Runs on the way known by assumption only; cracked runs that stand full; ids without a size.
    """

    blocked: tuple[str, ...]
    sources: tuple[str, ...]
    verdict: Verdict
    first: str
    leaves: str
    level: Measured
    level_between: tuple[float, float]
    needs_m: float
    drains: bool
    below_ground: bool
    rivals: tuple[Rival, ...]
    decides: tuple[str, ...]
    litres: Measured
    litres_between: tuple[float, float]
    passes_l_s: float
    minutes: float
    balance: Balance | None
    standing_m: float
    spills: tuple[Spill, ...]
    changes: tuple[Change, ...]
    order: pd.DataFrame = field(repr=False)
    pool: tuple[str, ...] = field(repr=False)
    pool_runs: tuple[str, ...] = field(repr=False)
    rim_behind: Measured
    assumed_runs: tuple[str, ...]
    leaky_runs: tuple[str, ...]
    at_least: tuple[str, ...]
    marked: tuple[str, ...]
    elsewhere: tuple[BackUp, ...] = ()
    below: Verdict = NOBODY_ASKED
    trickle: Trickle | None = None
    leaks: tuple[Leak, ...] = ()
    loses_between_l_s: tuple[float, float] = (0.0, 0.0)
    minutes_between: tuple[float, float] = (NAN, NAN)
    spilled_between_l: tuple[float, float] = (NAN, NAN)
    otherwise: tuple[Otherwise, ...] = ()
