"""What the commands say, and how they stop: sentences, never a traceback."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NoReturn, TypeVar

import typer

from geo.errors import Problem, WallfootError

T = TypeVar("T")
CAUTIONS = (
    "wallfoot records and computes; it certifies nothing. Electricity, asbestos, excavation, chambers,"
    " sewage and silica dust can kill: follow local codes and leave licensed work to those licensed for it."
)


def or_stop(work: Callable[[], T]) -> T:
    """Return what the work gives, or say what is wrong and stop the command."""
    try:
        return work()
    except WallfootError as error:
        problems = getattr(error, "problems", None)
        stop(problems or [], said="" if problems else str(error))
    except OSError as error:
        stop([], said=f"{error.filename or 'The disk'}: {error.strerror or error}")


def stop(problems: Iterable[Problem], *, said: str = "") -> NoReturn:
    """Say every error, or one sentence, and stop the command with 1."""
    for line in [str(problem) for problem in problems if problem.severity == "error"] or [said]:
        typer.echo(printable(line), err=True)
    raise typer.Exit(1)


def printable(line: str) -> str:
    """Return a sentence without signs a terminal would obey; a file's name may hold any."""
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in line)


def count(number: int, word: str) -> str:
    """Return a number with its noun."""
    return f"{number} {word}{'' if number == 1 else 's'}"
