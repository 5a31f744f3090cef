"""What the store answers with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteEntry:
    """One site of the store.

    Parameters
    ----------
    site_id, name, owner
        Its id, its name on drawings, and whose it is (blank where nobody said).
    version
        Number of the last save.
    created_at, changed_at
        When it was taken in, and last saved (UTC).
    records_count
        Records it has now.
    removed_at
        When it was removed; ``None`` for a site in use.
    """

    site_id: str
    name: str
    owner: str
    version: int
    created_at: datetime
    changed_at: datetime
    records_count: int
    removed_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Saved:
    """What a save did.

    Parameters
    ----------
    site_id, version
        The site, and its version now.
    save_id
        Number of the save, by which it can be undone; 0 when nothing differed and nothing was saved.
    versions
        Version of every record and file that changed, by id or name; those removed are not in it.
    """

    site_id: str
    version: int
    save_id: int
    versions: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Save:
    """One save of a site: who by role, when (UTC), why, how many changes, and which save it undid."""

    site_id: str
    save_id: int
    by: str
    at: datetime
    why: str
    changes_count: int
    undoes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Event:
    """One change of one thing, as it will always stand.

    Parameters
    ----------
    site_id, save_id
        The site, and the save it was part of; the save's number is the record's version from there on.
    kind, record_id
        A record kind and id, or ``site``, ``ground``, ``file`` and the file's name.
    action
        ``put``, ``remove``, or for a whole site ``remove_site`` and ``restore_site``.
    by, at, why, undoes
        As of the save.
    was, now
        Record or facts before and after, ``None`` where there was none; of a file, its SHA-256.
    was_version
        The version it changed.
    """

    site_id: str
    save_id: int
    kind: str
    record_id: str
    action: str
    by: str
    at: datetime
    why: str
    was: Any
    now: Any
    was_version: int | None = None
    undoes: int | None = None
