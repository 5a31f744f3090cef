"""Marks on the stops of a walk, between one tap and the next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import streamlit as st

from app import desk, workspace
from app.widgets.conflict import show_conflicts
from app.widgets.rows import Mark, Touched
from geo.errors import WallfootError
from geo.reference import Reference
from geo.site.model import Site
from geo.site.records import Record
from geo.store.changes import Change, Put, Remove
from geo.store.said import Conflict
from geo.walk.marks import Tap, marking
from geo.walk.rows import state_words


@dataclass
class Walking:
    """What stands open in one visitor's walk.

    Parameters
    ----------
    acked
        Last tap dealt with.
    told
        Why the last taps were not saved.
    conflicts
        Marks somebody else changed meanwhile.
    asked
        Row whose button was touched.
    """

    acked: int = 0
    told: str = ""
    conflicts: tuple[Conflict, ...] = field(default=())
    asked: str = ""


def walking_of(site_id: str, page: str) -> Walking:
    """Return what stands open on one page for a site."""
    key = f"walking-{page}-{site_id}"
    if key not in st.session_state:
        st.session_state[key] = Walking()
    found: Walking = st.session_state[key]
    return found


def take_taps(
    walking: Walking, site_id: str, touched: Sequence[Touched], versions: Mapping[str, int]
) -> None:
    """Save taps at once, all in one save; those that cannot be saved stay in the browser.

    Parameters
    ----------
    versions
        Of every record, as it was shown when the tap was made.
    """
    now = datetime.now().astimezone()
    fresh = [tap for tap in touched if tap.seq > walking.acked]
    if not fresh:
        return
    taps = [Tap(stop=tap.id, state=tap.state, at=now - timedelta(milliseconds=tap.ago_ms)) for tap in fresh]
    saved, conflicts = _save(walking, site_id, taps, versions)
    if saved or conflicts:
        walking.acked = max(walking.acked, *(tap.seq for tap in fresh))


def stands(site_id: str) -> tuple[Site, Mapping[str, int]] | None:
    """Return a site of the workspace as it stands, with the version of every record; ``None`` and why not."""
    try:
        store = workspace.store()
        return store.site(site_id), store.versions(site_id)
    except WallfootError as error:
        st.text(str(error))
        return None


def mark_all(walking: Walking, site_id: str, stops: Sequence[str], state: str) -> None:
    """Mark several stops alike, in one save that can be undone as one."""
    now = datetime.now().astimezone()
    taps = [Tap(stop=stop, state=state, at=now) for stop in stops]
    try:
        versions = workspace.store().versions(site_id)
    except WallfootError as error:
        walking.told = f"Not saved: {error}"
        return
    _save(walking, site_id, taps, versions)


def _save(
    walking: Walking, site_id: str, taps: Sequence[Tap], versions: Mapping[str, int]
) -> tuple[bool, bool]:
    try:
        marks: list[Any] = list(workspace.store().site(site_id).of("stop_mark"))
    except WallfootError as error:
        walking.told = f"Not saved: {error}"
        return False, False
    wanted = marking(taps, marks)
    changes: list[Change] = [Put(mark, versions.get(mark.id)) for mark in wanted.put]
    changes += [Remove("stop_mark", name, versions.get(name)) for name in wanted.remove]
    outcome = desk.save(site_id, changes)
    stale = {conflict.record_id for conflict in outcome.conflicts}
    walking.conflicts = (
        *(old for old in walking.conflicts if old.record_id not in {change.key[1] for change in changes}),
        *outcome.conflicts,
    )
    rest = [change for change in changes if change.key[1] not in stale]
    if stale and rest:
        outcome = desk.save(site_id, rest)
    walking.told = "" if outcome.saved or stale else f"Not saved: {outcome.told}"
    return outcome.saved, bool(stale)


def marks_of(marks: Sequence[Record], *, ref: Reference) -> dict[str, Mark]:
    """Return the mark that counts of each stop, as it is shown."""
    words = state_words(ref)
    today = datetime.now().astimezone().date().isoformat()
    given: list[Any] = sorted(marks, key=lambda mark: getattr(mark, "marked_at", ""))
    found = {}
    for mark in given:
        day, _, hour = mark.marked_at.partition("T")
        when = hour[:5] if day == today else f"{day} {hour[:5]}".strip()
        found[mark.stop] = Mark(state=mark.state, label=words[mark.state], when=when or "no time")
    return found


def show_open_conflicts(walking: Walking, site_id: str, page: str) -> None:
    """Show marks two people set, and let one of them choose."""

    def drop(conflict: Conflict) -> None:
        walking.conflicts = tuple(other for other in walking.conflicts if other is not conflict)

    def keep(conflict: Conflict) -> None:
        base = conflict.version if conflict.theirs is not None else None
        mine: Any = conflict.mine
        change: Change = Remove("stop_mark", conflict.record_id, base) if mine is None else Put(mine, base)
        outcome = desk.save(site_id, [change])
        drop(conflict)
        walking.conflicts += outcome.conflicts
        walking.told = "" if outcome.saved else f"Not saved: {outcome.told}"

    show_conflicts(walking.conflicts, name=f"{page}-{site_id}", keep_mine=keep, take_theirs=drop)
