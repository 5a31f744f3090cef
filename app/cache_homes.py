"""The register of homes as one visitor sees it, and what is worked out from it."""

# ruff: noqa: ARG001 - an argument that is only hashed is the key

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

from app import access, audit, workspace
from geo.store.engine import default_workspace
from geo.store.said import StoreError

if TYPE_CHECKING:
    import pandas as pd

    from geo.portfolio.patterns import Patterns
    from geo.portfolio.placed import Placed
    from geo.portfolio.register import Register
    from geo.portfolio.viewer import Viewer
    from geo.screen.places import View

AT = "WALLFOOT_AT"
"""A moment everything is told as at; for a demonstration only."""
SCREENED = "WALLFOOT_SCREENED"
LANDLORD_KEY = "landlord"
MOST = 24
MOST_POINTS = 50_000
"""Homes one map shows one by one; more are counted by squares."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """A register, and who looks at it.

    Parameters
    ----------
    head
        Hash over all the register holds: what is kept here is kept for as long as it stays the same.
    now
        The moment dates are told as at; ``fixed`` where it is not the present.
    """

    register: Register
    viewer: Viewer
    head: str
    now: dt.datetime
    fixed: bool


@st.cache_resource(show_spinner=False)
def _opened(where: str) -> Register:
    from geo.portfolio.register import open_register  # noqa: PLC0415 - only where there is a register

    return open_register(where)


def _where() -> str:
    return os.environ.get("WALLFOOT_WORKSPACE") or str(default_workspace())


def landlords() -> tuple[str, ...]:
    """Return the landlords whose register this visitor may open; none where there is no register."""
    who = access.visitor()
    if not who.allows("register") or not workspace.name():
        return ()
    try:
        names = _opened(_where()).landlords()
    except StoreError:
        return ()
    return tuple(name for name in names if "*" in who.owners or name in who.owners)


def screened() -> Path | None:
    """Return the file of screened homes that was named, for those whose homes are not told apart by owner."""
    who = access.visitor()
    if not who.allows("register") or "*" not in who.owners:
        return None
    named = os.environ.get(SCREENED, "")
    return Path(named) if named and Path(named).is_file() else None


def moment() -> tuple[dt.datetime, bool]:
    """Return the moment everything is told as at, and whether it is not the present."""
    told = os.environ.get(AT, "")
    try:
        found = dt.datetime.fromisoformat(told)
    except ValueError:
        return dt.datetime.now(dt.UTC), False
    return found if found.tzinfo else found.replace(tzinfo=dt.UTC), True


def desk() -> Desk:
    """Return the register of the chosen landlord, as this visitor may see it.

    Raises
    ------
    StoreError
        When it cannot be read.
    """
    names = landlords()
    access.visitor().require("register")
    if not names:
        raise StoreError("There is no register of homes here that is yours to see.")
    chosen = st.session_state.get(LANDLORD_KEY)
    landlord = chosen if chosen in names else names[0]
    register = _opened(_where())
    viewer = viewer_of(access.visitor(), landlord, register)
    audit.note_read("register", landlord_id=landlord)
    now, fixed = moment()
    return Desk(register=register, viewer=viewer, head=register.head(viewer), now=now, fixed=fixed)


def viewer_for(landlord: str) -> Viewer:
    """Return this visitor as one landlord's register knows them."""
    return viewer_of(access.visitor(), landlord, _opened(_where()))


def viewer_of(who: Any, landlord: str, register: Register) -> Viewer:
    """Return a visitor as the register knows people: by role, landlord and homes."""
    from geo.portfolio.viewer import CONTRACTOR, MANAGER, ROLES, WHOLE, Viewer  # noqa: PLC0415

    role = {"": MANAGER, "landlord": MANAGER}.get(who.role, who.role if who.role in ROLES else CONTRACTOR)
    every = "*" in who.homes
    if role in WHOLE and (every or not who.homes):
        return Viewer(role=role, landlord_id=landlord)
    named = frozenset(who.homes)
    if every:
        whole = Viewer(role=MANAGER, landlord_id=landlord)
        named = _home_ids(register.name, landlord, register.head(whole), register)
    return Viewer(role=role, landlord_id=landlord, home_ids=named)


@st.cache_data(show_spinner=False, max_entries=MOST)
def _home_ids(name: str, landlord: str, head: str, _register: Register) -> frozenset[str]:
    from geo.portfolio.viewer import MANAGER, Viewer  # noqa: PLC0415

    return frozenset(_register.homes(Viewer(role=MANAGER, landlord_id=landlord))["home_id"])


def _key(at: Desk) -> tuple[Any, ...]:
    """Return what an answer depends on: the database, its state, who asks and the minute it is asked in."""
    homes = None if at.viewer.home_ids is None else hash(at.viewer.home_ids)
    minute = at.now.replace(second=0, microsecond=0)
    return at.register.name, at.viewer.landlord_id, at.head, at.viewer.role, homes, minute


def page(at: Desk, order: Sequence[str], **asked: Any) -> Any:
    """Return one page of homes, see :func:`geo.portfolio.placed.listed`; asked afresh each time."""
    from geo.portfolio.placed import listed  # noqa: PLC0415

    return listed(at.register, at.viewer, order, now=at.now, **asked)


def estates(at: Desk) -> tuple[str, ...]:
    """Return the names of the estates."""
    return _estates(_key(at)[:-1], at)


@st.cache_data(show_spinner=False, max_entries=MOST)
def _estates(key: tuple[Any, ...], _at: Desk) -> tuple[str, ...]:
    from geo.portfolio.placed import estates as names  # noqa: PLC0415

    return names(_at.register, _at.viewer)


def placed(at: Desk, key: str, *, estate: str, only: str) -> Placed:
    """Return the homes of a map, kept while the register stays the same."""
    return _placed(_key(at), key, estate, only, at)


@st.cache_resource(show_spinner="placing the homes", max_entries=MOST)
def _placed(whole: tuple[Any, ...], key: str, estate: str, only: str, _at: Desk) -> Placed:
    from geo.portfolio.placed import placed as homes  # noqa: PLC0415

    return homes(_at.register, _at.viewer, key, now=_at.now, estate=estate, only=only)


def placed_near(at: Desk, key: str, state: Mapping[str, Any]) -> Placed | None:
    """Return a home and those round it for a map, ``None`` where it has no place."""
    from geo.portfolio.placed import placed_near as homes  # noqa: PLC0415

    return homes(at.register, at.viewer, key, state, now=at.now)


def patterns(at: Desk, asset_kind: str, by: tuple[str, ...]) -> Patterns:
    """Return the rates of failed assets of a kind by group."""
    return _patterns(_key(at)[:-1], asset_kind, by, at)


@st.cache_resource(show_spinner="counting what was inspected", max_entries=MOST)
def _patterns(key: tuple[Any, ...], asset_kind: str, by: tuple[str, ...], _at: Desk) -> Patterns:
    return _at.register.patterns(_at.viewer, asset_kind, by)


def shared(at: Desk) -> pd.DataFrame:
    """Return the assets that serve several homes."""
    return _shared(_key(at)[:-1], at)


@st.cache_resource(show_spinner=False, max_entries=MOST)
def _shared(key: tuple[Any, ...], _at: Desk) -> pd.DataFrame:
    return _at.register.shared(_at.viewer)


@st.cache_data(show_spinner="packing the evidence", max_entries=4)
def _evidence(key: tuple[Any, ...], home_id: str, _at: Desk) -> bytes:
    from geo.portfolio.bundle import bundle  # noqa: PLC0415

    return bundle(_at.register, _at.viewer, home_id, as_of=_at.now)


def evidence(at: Desk, home_id: str) -> bytes:
    """Return the evidence of one home, packed."""
    return _evidence(_key(at), home_id, at)


def due(at: Desk, days: int) -> pd.DataFrame:
    """Return the clocks that run out within so many days, and those that have."""
    return _due(_key(at), days, at)


@st.cache_data(show_spinner=False, max_entries=MOST)
def _due(key: tuple[Any, ...], days: int, _at: Desk) -> pd.DataFrame:
    return _at.register.due(_at.viewer, before=_at.now + dt.timedelta(days=days), now=_at.now)


def costs(at: Desk) -> pd.DataFrame:
    """Return money spent by cause."""
    return _costs(_key(at)[:-1], at)


@st.cache_data(show_spinner=False, max_entries=MOST)
def _costs(key: tuple[Any, ...], _at: Desk) -> pd.DataFrame:
    return _at.register.costs(_at.viewer, ["cause"])


@st.cache_resource(show_spinner="reading the screened homes", max_entries=MOST)
def screened_view(file: Path, changed_at: float, square: str) -> View:
    """Return what the map shows of a square of a screening, or of all of it, see :func:`view_of`."""
    from geo.screen.places import box_of, view_of  # noqa: PLC0415 - only where there is such a file

    return view_of(file, box_of(square), most=MOST_POINTS)


@st.cache_data(show_spinner=False, max_entries=2)
def screened_counts(file: Path, changed_at: float) -> dict[str, int]:
    """Return how many homes of a screening have each verdict."""
    from geo.screen.places import verdict_counts  # noqa: PLC0415 - only where there is such a file

    return verdict_counts(file)


@st.cache_data(show_spinner=False, max_entries=MOST)
def screened_page(file: Path, changed_at: float, offset: int, limit: int) -> tuple[pd.DataFrame, int]:
    """Return one page of the homes the ground surely falls to, the surest first, and how many there are."""
    from geo.screen.places import page_of  # noqa: PLC0415 - only where there is such a file

    return page_of(file, limit=limit, offset=offset)


@st.cache_data(show_spinner=False, max_entries=MOST)
def screened_home(file: Path, changed_at: float, home_id: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return one home of a screening, and its walls."""
    from geo.screen.places import home_of  # noqa: PLC0415 - only where there is such a file

    return home_of(file, home_id)
