"""What is said when the store cannot do what was asked: one sentence, and nothing half done."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from geo.errors import Problem, WallfootError

GONE = (
    "connection refused",
    "could not connect",
    "connection failed",
    "connection timeout",
    "server closed the connection",
    "terminating connection",
    "connection already closed",
    "the connection is closed",
    "connection is lost",
    "consuming input failed",
    "the database system is",
    "could not translate host name",
    "failed to resolve host",
    "administrator command",
)
SENTENCES = (
    (
        ("disk is full", "no space left", "could not extend file", "disk i/o error", "file too large"),
        "The disk is full, or cannot be written on: nothing was saved. Make room, then save again.",
    ),
    (
        ("readonly database", "read-only", "permission denied", "unable to open database file"),
        "The workspace may not be written to: nothing was saved. Give yourself the right to write there.",
    ),
    (
        ("database is locked", "database table is locked", "lock timeout", "deadlock detected"),
        "Somebody else is saving and did not finish in time: nothing was saved. Save again.",
    ),
    (
        ("not a database", "malformed", "file is encrypted"),
        "The file is no wallfoot workspace, or is damaged: nothing was changed. Open its last back-up.",
    ),
    (
        ("password authentication failed", "does not exist", "no pg_hba.conf entry"),
        "The database server does not let this user in, or has no such database. Look at the address.",
    ),
)


class StoreError(WallfootError):
    """The store cannot do it; nothing of what was asked is done, and the caller still has it all.

    ``in_doubt`` is true only when the connection broke while a save was being made final: whether it
    was is then not known, and saving again with the same token finds out without doing it twice.
    """

    def __init__(self, sentence: str, *, in_doubt: bool = False) -> None:
        self.in_doubt = in_doubt
        super().__init__(sentence)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Conflict:
    """One thing two people changed from the same version.

    Parameters
    ----------
    kind, record_id
        What it is: a record kind and its id, or ``site``, ``ground`` or ``file`` and the file's name.
    base
        The version the first of them saw; ``None`` for what they took to be new.
    mine, theirs
        Both contents: a record, the site's or the ground's facts, the hash of a file; ``None`` for removed.
    version
        The version that stands now; 0 where there is none.
    by, at, why
        Who made that version, by role, when (UTC), and their reason.
    """

    kind: str
    record_id: str
    base: int | None
    mine: Any
    theirs: Any
    version: int
    by: str
    at: datetime | None
    why: str = ""

    def __str__(self) -> str:
        when = "" if self.at is None else f" on {self.at:%Y-%m-%d at %H:%M} UTC"
        did = "removed" if self.theirs is None else "changed"
        return f"{self.record_id} was {did} by {self.by or 'somebody'}{when}"


class StaleError(WallfootError):
    """Somebody else changed it since it was read; nothing was saved, and both versions are here."""

    def __init__(self, conflicts: tuple[Conflict, ...]) -> None:
        self.conflicts = conflicts
        told = "; ".join(str(conflict) for conflict in conflicts[:5])
        more = f"; and {len(conflicts) - 5} more" if len(conflicts) > 5 else ""
        super().__init__(f"Nothing was saved, because {told}{more}. Look at both versions and save again.")


def sentence_of(error: BaseException) -> str:
    """Return what went wrong with a database or a disk, as a person can act on it."""
    if isinstance(error, OSError) and not isinstance(error, ConnectionError):
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            return SENTENCES[0][1]
        return f"{error.filename or 'The disk'}: {error.strerror or error}. Nothing was saved."
    told = str(getattr(error, "orig", None) or error)
    for signs, sentence in SENTENCES[:-1]:
        if any(sign in told.lower() for sign in signs):
            return sentence
    if is_gone(error):
        return (
            "The database cannot be reached: nothing was saved. What was typed is still here; save again"
            " when the database is back."
        )
    for signs, sentence in SENTENCES[-1:]:
        if any(sign in told.lower() for sign in signs):
            return sentence
    short = told.splitlines()[0][:200] if told else repr(error)
    return f"The store could not do it, and nothing was saved ({short})."


def is_gone(error: BaseException) -> bool:
    """Tell whether the database was lost, not the statement refused."""
    told = str(getattr(error, "orig", None) or error).lower()
    return bool(getattr(error, "connection_invalidated", False)) or any(sign in told for sign in GONE)


@contextmanager
def told() -> Iterator[None]:
    """Turn whatever a database or a disk raises into one sentence."""
    try:
        yield
    except (sa.exc.DBAPIError, sa.exc.TimeoutError, OSError) as error:
        raise StoreError(sentence_of(error)) from error


def refused(where: str, found: str, allowed: str, mend: str) -> Problem:
    """Return a problem with something that was to be saved."""
    return Problem(file=where, found=found, allowed=allowed, mend=mend)
