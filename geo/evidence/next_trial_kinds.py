"""What is asked of the next test, and what the answer is made of."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geo.evidence.coverage import Range, Span
from geo.evidence.pairing import Wall
from geo.evidence.support import Support


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A stretch of which a test is asked.

    Parameters
    ----------
    wall
        Where it is.
    supports
        Its causes as they stand.
    open_parts
        What of it is not explained; the whole where nothing is.
    name
        As it is read: ``W2``.
    wall_type
        ``cavity``, ``solid``, ``frame`` or ``not_known``.
    """

    wall: Wall
    supports: tuple[Support, ...]
    open_parts: tuple[Range, ...]
    open_spans: tuple[Span, ...]
    name: str
    wall_type: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """One test that could be made.

    Parameters
    ----------
    test, at_id
        Which test, and the record it is made at; ``""`` where it is the wall itself.
    stretch_ids
        Stretches it tells of.
    label
        What it is, in a few words.
    splits
        Stretch and candidate of every cause it would tell of.
    gain_bits
        Uncertainty it would take away, on average.
    minutes, return_days
        Time on site, and days until one comes back for the answer.
    litres, rate_l_s
        Water it takes; NaN where it takes none. ``litres_known`` whether the drain's need is known.
    colour
        Dye to use, ``""`` where none is left.
    lacking
        What an earlier test of the same kind was short of; ``""`` where there was none.
    first
        What must be found out before it; ``""`` when nothing.
    leave
        Leave to get before, ``""`` when it is given or none is needed.
    barred
        Why it is not offered as the next test; ``""`` when it may be made.
    sentences
        What to do, what to watch, and what each outcome would mean.
    """

    test: str
    at_id: str
    stretch_ids: tuple[str, ...]
    label: str
    where: str
    splits: tuple[tuple[str, str], ...]
    gain_bits: float
    minutes: float
    return_days: float = 0.0
    litres: float = math.nan
    rate_l_s: float = math.nan
    litres_known: bool = True
    colour: str = ""
    lacking: str = ""
    first: str = ""
    leave: str = ""
    barred: str = ""
    sentences: tuple[str, ...] = ()

    @property
    def value(self) -> float:
        """Thousandths of a bit for each minute on site: tests are ranked by it."""
        return 1000.0 * self.gain_bits / self.minutes


@dataclass(frozen=True, slots=True, kw_only=True)
class Rivals:
    """Two causes that could both be, and the one test that tells them apart best.

    Parameters
    ----------
    a, b
        Keys of the candidates.
    names
        The two as they are named in a sentence.
    """

    a: str
    b: str
    names: tuple[str, str]
    test: str
    decides: str

    @property
    def said(self) -> str:
        """What to do and what it decides, in a sentence."""
        return f"{' or '.join(self.names)}: {self.test} It decides {self.decides}."


@dataclass(frozen=True, slots=True, kw_only=True)
class Next:
    """What to test next.

    Parameters
    ----------
    best
        The test that settles most in a minute; ``None`` when none is worth making.
    others
        Those after it, those that may not be made yet last.
    proof
        The test of coloured water that would prove the best supported source that is not proven yet;
        ``None`` where there is none to prove, or nothing to pour into.
    proves
        That source, as it is named in a sentence.
    rivals
        Causes that could both be, and what tells them apart.
    because
        Why there is none, where there is none.
    """

    best: Option | None
    others: tuple[Option, ...] = ()
    proof: Option | None = None
    proves: str = ""
    rivals: tuple[Rivals, ...] = ()
    because: str = ""
