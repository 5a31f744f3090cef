"""One sheet to type in: a kind of record, the columns a person needs for it, those that carry down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geo.entry.columns import Column, columns_of
from geo.reference import Reference
from geo.site.records import KINDS


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Columns to type for one kind of record.

    Parameters
    ----------
    name
        Short name, as addresses have it.
    title
        As people read it.
    kind
        Record kind.
    names
        Fields shown at first, in the order one speaks them; the others may be added.
    carry
        Fields whose blank cells take what stands above.
    named
        The person gives each record its id.
    drawn
        Its records are drawn on the map; only what is said of them is typed.
    ordered
        Its records mean something only in the order they stand.
    """

    name: str
    title: str
    kind: str
    names: tuple[str, ...]
    carry: tuple[str, ...] = ()
    named: bool = False
    drawn: bool = False
    ordered: bool = False

    def columns(self, more: Sequence[str] = (), *, ref: Reference | None = None) -> tuple[Column, ...]:
        """Return the columns, with further fields after them."""
        names = (*(("id",) if self.named else ()), *self.names)
        return columns_of(self.kind, dict.fromkeys([*names, *more]), carry=self.carry, ref=ref)

    @property
    def others(self) -> tuple[str, ...]:
        """The fields that are not shown at first."""
        shown = {*self.names, *(("id",) if self.named else ())}
        return tuple(name for name in KINDS[self.kind].columns() if name not in shown)
