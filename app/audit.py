"""The one place from which it is noted who read what; where nobody has to log in, nothing is noted."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from geo.access import NotAllowedError, Visitor
from geo.errors import WallfootError
from geo.site.model import Site
from geo.store.read_log import Read, ReadLog, held_by

LANDLORD_READ = "landlord_read"
"""Whose register this session has open."""
_NOTED: dict[tuple[Any, ...], datetime] = {}
_LOCK = threading.Lock()


class NotNotedError(NotAllowedError):
    """A reading could not be noted, so that nothing is shown."""


def note(log: ReadLog, who: Visitor, kinds: Sequence[str], *, each: bool = False, **of: str) -> None:
    """Note that somebody reads something, before it is shown.

    Parameters
    ----------
    kinds
        Kinds of :data:`geo.store.read_log.KINDS_READ`.
    each
        Note it each time, as for a file taken away; else once for a session and hour.
    of
        ``site_id``, or ``landlord_id`` and ``home_id``.

    Raises
    ------
    NotNotedError
        When it cannot be noted; then it must not be shown.
    """
    now = datetime.now(UTC)
    keys = {kind: _key(who, kind, tuple(sorted(of.items())), now) for kind in kinds}
    with _LOCK:
        wanted = [kind for kind, key in keys.items() if each or key not in _NOTED]
    try:
        log.add([Read(at=now, who=who.who, role=who.role, kind=kind, **of) for kind in wanted])
    except WallfootError as error:
        raise NotNotedError(
            "Here it is noted who reads what, and just now it cannot be noted; so this is not shown."
            " Try again in a moment."
        ) from error
    with _LOCK:
        _forget(now)
        _NOTED.update((keys[kind], now) for kind in wanted)


def opened(
    log: ReadLog, who: Visitor, site_id: str, *, version: int = 0, of: Sequence[str] | None = None
) -> None:
    """Note that a site is opened: the letter for who may read only that, else each sensitive kind it holds.

    Parameters
    ----------
    version
        Number of its last save: another may have put something sensitive in.
    of
        The kinds it holds, where that is known; asked of the workspace otherwise.
    """
    now = datetime.now(UTC)
    key = _key(who, "", (site_id, version), now)
    with _LOCK:
        if key in _NOTED:
            return
    try:
        kinds = ("letter",) if not who.allows("look") else log.held(site_id) if of is None else tuple(of)
    except WallfootError as error:
        raise NotNotedError(str(error)) from error
    note(log, who, kinds, site_id=site_id)
    with _LOCK:
        _NOTED[key] = now


def note_read(kind: str, *, each: bool = False, who: Visitor | None = None, **of: str) -> None:
    """Note that this visitor reads something, before it is shown; see :func:`note`."""
    from app import access  # noqa: PLC0415 - the gate itself notes what passes through it

    if not access.login_asked():
        return
    if of.get("landlord_id"):
        st.session_state[LANDLORD_READ] = of["landlord_id"]
    note(own_log(), who or access.visitor(), [kind], each=each, **of)


def opened_folder(site: Site, name: str) -> None:
    """Note that a site read from a folder is opened."""
    from app import access  # noqa: PLC0415 - as above

    if access.login_asked():
        opened(own_log(), access.visitor(), name, of=held_by(site))


def own_log() -> ReadLog:
    """Return the log of the workspace.

    Raises
    ------
    NotNotedError
        When the workspace cannot be opened.
    """
    from app import workspace  # noqa: PLC0415 - as above

    try:
        return workspace.whole().read_log
    except WallfootError as error:
        raise NotNotedError(str(error)) from error


def _key(who: Visitor, kind: str, of: tuple[Any, ...], now: datetime) -> tuple[Any, ...]:
    context = get_script_run_ctx(suppress_warning=True)
    session = "" if context is None else context.session_id
    return session, who.who, who.role, kind, of, now.replace(minute=0, second=0, microsecond=0)


def _forget(now: datetime) -> None:
    for key, at in list(_NOTED.items()):
        if (now - at).total_seconds() > 7200.0:  # an hour is noted anew once it is over
            del _NOTED[key]
