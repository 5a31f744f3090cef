"""What is said when something is wrong: one clear sentence, all of them at once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "warning"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong with the input, said so that a person can mend it.

    Parameters
    ----------
    file
        File name relative to the site folder, or the folder itself.
    row
        Row as a spreadsheet counts it (the header is row 1), or ``None``.
    column
        Column (or GeoJSON property) name, or ``None``.
    found, allowed, mend
        What is there, what may be there, and the way out.
    severity
        An error stops the site being used; a warning does not.
    """

    file: str
    found: str
    allowed: str
    mend: str
    row: int | None = None
    column: str | None = None
    severity: Severity = "error"

    @property
    def where(self) -> str:
        """The place, as ``gully.csv, row 4, rim_level_m``."""
        row = f"row {self.row}" if self.row is not None else None
        return ", ".join(part for part in (self.file, row, self.column) if part)

    def __str__(self) -> str:
        return f"{self.where}: {self.found}; allowed: {self.allowed}. {self.mend}"


class WallfootError(Exception):
    """Base of every error this package raises on purpose."""


class InputError(WallfootError):
    """The input cannot be used; carries every problem found, not only the first."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class CrsError(WallfootError):
    """A layer's coordinate reference system cannot be measured in, or does not match."""


class GeometryError(WallfootError):
    """A shape or a set of measurements cannot give what was asked of it."""
