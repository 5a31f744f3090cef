"""A value with its sigma, and an answer that may be "not known"."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Measured:
    """A number and its standard deviation, both in the unit the owner's name carries."""

    value: float
    sigma: float

    def __sub__(self, other: Measured) -> Measured:
        """Difference of two independent values; the sigmas add in quadrature."""
        return Measured(self.value - other.value, math.hypot(self.sigma, other.sigma))

    def __add__(self, other: Measured) -> Measured:
        """Sum of two independent values; the sigmas add in quadrature."""
        return Measured(self.value + other.value, math.hypot(self.sigma, other.sigma))

    def interval(self, z: float) -> tuple[float, float]:
        """Return value ± z sigma."""
        return self.value - z * self.sigma, self.value + z * self.sigma


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """An answer in one word, with what it rests on.

    Parameters
    ----------
    word
        The answer: ``"yes"``, ``"no"``, ``"toward"``, ``"clear"`` … or ``"not known"``.
    because
        The reason, in a sentence. Never empty when the answer is not known.
    settle
        The cheapest measurement that would end "not known"; empty when known.
    margin, sigma
        Distance from the threshold and its standard deviation, in ``unit``; NaN when there is none.
    rests_on
        Record ids behind the answer.
    """

    word: str
    because: str = ""
    settle: str = ""
    margin: float = math.nan
    sigma: float = math.nan
    unit: str = ""
    rests_on: tuple[str, ...] = field(default=())

    @property
    def known(self) -> bool:
        """Whether the question was answered."""
        return self.word != NOT_KNOWN


def decide(
    margin: Measured,
    *,
    z: float,
    unit: str,
    settle: str,
    above: str = "yes",
    below: str = "no",
    rests_on: tuple[str, ...] = (),
) -> Verdict:
    """Answer a comparison by its margin, or say it cannot be told.

    Parameters
    ----------
    margin
        Signed distance past the threshold.
    z
        How many sigmas the margin must exceed (1.96 for a two-sided 95 %).
    settle
        The measurement that would settle it when it cannot be told.
    above, below
        The words for a margin surely positive and surely negative.
    """
    band = z * margin.sigma
    said = f"{margin.value:+.0f} {unit}, ± {band:.0f} {unit}"
    known = {"margin": margin.value, "sigma": margin.sigma, "unit": unit, "rests_on": rests_on}
    if margin.value > band:
        return Verdict(word=above, because=said, **known)  # type: ignore[arg-type]
    if -margin.value > band:
        return Verdict(word=below, because=said, **known)  # type: ignore[arg-type]
    return Verdict(word=NOT_KNOWN, because=f"{said}: within the error", settle=settle, **known)  # type: ignore[arg-type]
