"""Homes on a map, in steps of one key, and one page of homes of whatever was asked for."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa
from numpy.typing import NDArray

from geo.portfolio import ask
from geo.portfolio.ask import ONLY
from geo.portfolio.keys import Key, sorts_of
from geo.portfolio.periods import Nation
from geo.portfolio.register import Register
from geo.portfolio.viewer import Viewer
from geo.store.register_tables import HOME_STATE

__all__ = ["ONLY", "Placed", "estates", "listed", "narrowed", "placed", "placed_near", "steps_of"]

EPOCH = dt.date(1970, 1, 1).toordinal()
Box = tuple[float, float, float, float]
STEPS = 6
"""Steps of a map: the first is "nothing to say"."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """Homes that have a place, each in a step of one key.

    Parameters
    ----------
    table
        ``home_id``, ``estate``, ``easting_m``, ``northing_m`` (national grid), ``step`` (0 to 5).
    legend
        What each step is in words, ``""`` for a step no home is in.
    without
        Homes that have no place; none is counted where a box was asked for.
    """

    table: pd.DataFrame
    legend: tuple[str, ...]
    without: int


def narrowed(viewer: Viewer, home_ids: frozenset[str] | None) -> Viewer:
    """Return a viewer who looks at some of their own homes only."""
    if home_ids is None:
        return viewer
    own = home_ids if viewer.home_ids is None else home_ids & viewer.home_ids
    return replace(viewer, home_ids=own)


def listed(
    register: Register,
    viewer: Viewer,
    order: Sequence[str],
    *,
    now: dt.datetime,
    limit: int,
    offset: int = 0,
    estate: str = "",
    only: str = "open",
) -> ask.NextHomes:
    """Return one page of homes, see :meth:`geo.portfolio.questions.Questions.next_homes`."""
    return register.next_homes(viewer, order, limit=limit, offset=offset, estate=estate, only=only, now=now)


def estates(register: Register, viewer: Viewer) -> tuple[str, ...]:
    """Return the names of a viewer's estates."""
    with register._asking(viewer) as connection:  # noqa: SLF001 - the register's own room
        names = connection.scalars(
            sa.select(HOME_STATE.c.estate)
            .where(ask.own(viewer, HOME_STATE, connection))
            .distinct()
            .order_by(HOME_STATE.c.estate)
        )
        return tuple(name for name in names if name)


def placed(
    register: Register,
    viewer: Viewer,
    key: str,
    *,
    now: dt.datetime,
    estate: str = "",
    only: str = "open",
    box: Box | None = None,
) -> Placed:
    """Return homes with their places, in steps of one key.

    Parameters
    ----------
    key
        Name of one of :data:`~geo.portfolio.keys.KEYS`, ``-`` before it makes no difference.
    box
        West, south, east and north, m of the national grid: only homes in it.

    Raises
    ------
    InputError
        When there is no such key, or the viewer is not shown it.
    """
    sort = sorts_of([key.removeprefix("-")], hidden=viewer.hidden_keys)[0]
    names = ("home_id", "estate", "easting_m", "northing_m")
    with register._asking(viewer) as connection:  # noqa: SLF001 - as above
        where = ask.among(viewer, only, connection, now=now, ref=register.ref)
        if estate:
            where = sa.and_(where, HOME_STATE.c.estate == estate)
        if box is not None:
            west, south, east, north = box
            across, up = HOME_STATE.c.easting_m, HOME_STATE.c.northing_m
            where = sa.and_(where, across >= west, across <= east, up >= south, up <= north)
        columns = [HOME_STATE.c[name] for name in names]
        rows = connection.execute(
            sa.select(*columns, HOME_STATE.c[sort.key.column].label("value"))
            .where(where)
            .order_by(HOME_STATE.c.home_id)
        ).all()
    apart = zip(*rows, strict=True) if rows else [()] * (len(names) + 1)
    table = pd.DataFrame(
        {
            name: pd.Series(list(column), dtype=object if name == "value" else None)
            for name, column in zip([*names, "value"], apart, strict=True)
        }
    )
    has = table["easting_m"].notna() & table["northing_m"].notna()
    shown = table[has].reset_index(drop=True)
    nation = register.periods.nations["england"]
    step, legend = steps_of(shown["value"].to_numpy(dtype=object), sort.key, now=now, nation=nation)
    shown = shown.drop(columns="value").assign(step=step)
    return Placed(table=shown, legend=legend, without=int((~has).sum()))


def placed_near(
    register: Register, viewer: Viewer, key: str, state: Mapping[str, Any], *, now: dt.datetime
) -> Placed | None:
    """Return a home and those round it, within ``portfolio.near_m`` each way, in steps of one key.

    Parameters
    ----------
    state
        What stands of the home (:meth:`~geo.portfolio.questions.Questions.state`).

    Returns
    -------
    ``None`` where the home has no place.
    """
    across, up = state["easting_m"], state["northing_m"]
    if across is None or up is None:
        return None
    near = register.ref.value("portfolio.near_m")
    box = (across - near, up - near, across + near, up + near)
    return placed(register, viewer, key, now=now, only="all", box=box)


def steps_of(
    values: NDArray[Any], key: Key, *, now: dt.datetime, nation: Nation
) -> tuple[NDArray[np.uint8], tuple[str, ...]]:
    """Return the step of each value of a key, 0 to 5, and what each step is in words.

    What comes first by the key is the highest step. Dates by which something is due that have passed are a
    step of their own; the others, and numbers, are parted so that about as many different values fall into
    each. Nothing is read into the steps: they shade a map.
    """
    if key.first == "earliest":
        return _dates(values, key, now=now, nation=nation)
    number = np.array([0.0 if value is None else float(value) for value in values])
    scale = 100.0 if key.column == "cost_hundredths" else 1.0
    if key.name == "let_in":
        words = {-1.0: "not let in last time", 0.0: "no try recorded", 1.0: "let in last time"}
        steps = np.select([number < 0, number > 0], [1, 5], default=0).astype(np.uint8)
        return steps, (words[0.0], words[-1.0], "", "", "", words[1.0])
    over = number > 0
    if not key.said:
        steps = np.where(over, STEPS - 1, 0).astype(np.uint8)
        return steps, (f"no {key.label} recorded", "", "", "", "", key.label if over.any() else "")
    steps, ends = _parted(number, over, STEPS - 1)
    legend = [f"no {key.label} recorded" if not over.all() else "", *[""] * (STEPS - 1)]
    for at, (low, high) in ends.items():
        low_said, high_said = f"{low / scale:,.4g}", f"{high / scale:,.4g}"
        legend[at] = key.said.format(low_said if low == high else f"{low_said} to {high_said}")
    return steps, tuple(legend)


def _dates(
    values: NDArray[Any], key: Key, *, now: dt.datetime, nation: Nation
) -> tuple[NDArray[np.uint8], tuple[str, ...]]:
    moments = pd.to_datetime(pd.Series(list(values), dtype=object), utc=True)
    has = moments.notna().to_numpy()
    passed = (moments <= pd.Timestamp(now)).to_numpy() if key.due else np.zeros(len(values), dtype=bool)
    coming = has & ~passed
    least = pd.Timedelta(microseconds=1 if key.due else 0)  # the end of a day is the day after's beginning
    local = (moments - least).dt.tz_convert(nation.zone).dt.tz_localize(None)
    day = local.to_numpy(dtype="datetime64[D]").astype(float)
    legend = ["no date" if not has.all() else "", *[""] * (STEPS - 1)]
    steps = np.zeros(len(values), dtype=np.uint8)
    parted, ends = _parted(-day, coming, STEPS - 2 if key.due else STEPS - 1)
    steps[coming] = parted[coming]
    for at, pair in ends.items():
        last, first = (f"{dt.date.fromordinal(EPOCH - int(one)):%d %b %Y}" for one in pair)
        legend[at] = first if first == last else f"{first} to {last}"
    if passed.any():
        steps[passed] = STEPS - 1
        legend[-1] = "date passed"
    return steps, tuple(legend)


def _parted(
    number: NDArray[np.float64], some: NDArray[np.bool_], most: int
) -> tuple[NDArray[np.uint8], dict[int, tuple[float, float]]]:
    """Part some numbers into so many steps by their different values, the largest in the highest step."""
    steps = np.zeros(len(number), dtype=np.uint8)
    different = np.unique(number[some])
    if not len(different):
        return steps, {}
    parts = np.array_split(different, min(most, len(different)))
    first = most - len(parts) + 1
    starts = np.array([part[0] for part in parts])
    steps[some] = first + np.searchsorted(starts, number[some], side="right") - 1
    return steps, {first + n: (float(part[0]), float(part[-1])) for n, part in enumerate(parts)}
