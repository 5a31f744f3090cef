"""What works are made of: a repair that is asked for, its lines, and how sure each number is."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

NAN = math.nan
MEASURED, INFERRED, PROVISIONAL = "measured", "inferred", "provisional"
_SURENESS = (MEASURED, INFERRED, PROVISIONAL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """A cause a repair answers, and the wet stretch it was accepted at."""

    cause: str
    of_id: str = ""
    stretch_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One repair as it is asked for, typed or proposed; sizes are NaN where nobody gave them.

    Parameters
    ----------
    repair_id, kind
        Its id, and ``r01`` to ``r25``.
    ring_key, side, from_m, to_m
        Length of wall, m of chainage; ``to_m`` below ``from_m`` where it passes the origin corner.
    of_ids, to_id
        Assets, runs, floors or patches it is for; asset it is to drain to.
    basis
        The least sure its numbers may be called: ``measured``, ``inferred`` or ``provisional``.
    answers
        Causes it answers.
    proposed
        Whether the tool put it forward; what somebody recorded is not.
    refused
        Why it is not to be measured; ``""`` when it is.
    """

    repair_id: str
    kind: str
    stage: str = "proposed"
    ring_key: str = ""
    side: str = "outside"
    from_m: float = NAN
    to_m: float = NAN
    of_ids: tuple[str, ...] = ()
    to_id: str = ""
    count: float = NAN
    length_m: float = NAN
    width_m: float = NAN
    depth_m: float = NAN
    height_m: float = NAN
    thickness_m: float = NAN
    area_m2: float = NAN
    bore_m: float = NAN
    surface: str = ""
    basis: str = INFERRED
    answers: tuple[Answers, ...] = ()
    after_ids: tuple[str, ...] = ()
    variation_of_id: str = ""
    why: str = ""
    agreed_on: str = ""
    agreed_by: str = ""
    proposed: bool = True
    refused: str = ""

    @property
    def on_wall(self) -> bool:
        """Whether it lies along a length of wall."""
        return bool(self.ring_key) and math.isfinite(self.from_m) and math.isfinite(self.to_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One quantity of a repair.

    Parameters
    ----------
    line
        Its name within the repair: pipe, concrete, skip …
    net, low, high
        Net quantity in ``unit``, NaN where it is not known, and the range where it is not measured.
    unit
        Key of the group ``quantity_unit``.
    waste_percent
        Added to the net quantity to order.
    order, order_unit, order_said
        What to order, the unit it is ordered in, and how it is sold where that needs saying.
    formula
        How it was worked out, in words with its numbers.
    basis
        ``measured``, ``inferred`` (with a range) or ``provisional``.
    of_ids
        Records it was worked out from.
    missing, settle
        What keeps it from being known, or surer, and what would end that.
    loose_m3, tonnes
        Of what goes into a skip: its loose volume and its weight; NaN for everything else.
    """

    line: str
    net: float
    unit: str
    formula: str
    basis: str
    low: float = NAN
    high: float = NAN
    waste_percent: float = 0.0
    order: float = NAN
    order_unit: str = ""
    order_said: str = ""
    of_ids: tuple[str, ...] = ()
    missing: str = ""
    settle: str = ""
    loose_m3: float = NAN
    tonnes: float = NAN

    @property
    def known(self) -> bool:
        """Whether the quantity could be worked out."""
        return math.isfinite(self.net)


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """One repair with its quantities.

    Parameters
    ----------
    label, where
        What it is and where, as people read it.
    refused
        Why nothing was worked out; ``""`` when something was.
    """

    asked: Asked
    label: str
    where: str
    lines: tuple[Line, ...]
    refused: str = ""
    notes: tuple[str, ...] = field(default=())

    @property
    def repair_id(self) -> str:
        """Its id."""
        return self.asked.repair_id

    @property
    def kind(self) -> str:
        """``r01`` to ``r25``."""
        return self.asked.kind

    @property
    def missing(self) -> tuple[Line, ...]:
        """Lines that could not be worked out."""
        return tuple(line for line in self.lines if not line.known)


def least_sure(*bases: str) -> str:
    """Return the least sure of some bases; an unknown word counts as provisional."""
    return max((base if base in _SURENESS else PROVISIONAL for base in bases), key=_SURENESS.index)
