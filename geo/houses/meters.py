"""What instruments make of a wall: response, noise, bias, salts, and the ends of their scales."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geo.houses.truth import Fields

WAYS = ("resistance_masonry", "capacitance", "microwave", "resistance_deep")


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """One instrument of one surveyor.

    Parameters
    ----------
    method
        As in the records.
    name
        The instrument's own id.
    dry, span
        Reading on a dry wall, and from there to the top of the scale.
    steep
        How fast it saturates: 1 - exp(-steep x).
    salts, film, artefact
        What it makes of salts, of water on the surface only, of metal or foil.
    depth
        Share of the core in what it sees.
    noise, bias
        Standard deviation on one spot, and its own offset, in its unit.
    """

    method: str
    name: str
    dry: float
    span: float
    steep: float
    salts: float
    film: float
    artefact: float
    depth: float
    noise: float
    bias: float

    def seen(self, fields: Fields, step: int, level: float, side: str) -> float:
        """Return the wetness it sees at a place, before noise."""
        at = int(np.argmin(np.abs(fields.z - level)))
        if side == "outside":
            return float(fields.outer[step, at])
        room, core = float(fields.room[step, at]), float(fields.core[step, at])
        wet = (1 - self.depth) * room + self.depth * core
        extra = self.salts * float(fields.salts[step, at]) + self.film * float(fields.film[step, at])
        return wet + extra + self.artefact * float(fields.artefact[step, at])

    def read(self, rng: np.random.Generator, wet: float) -> str:
        """Return what is written down; ``>`` before the end of the scale."""
        top = self.dry + self.span
        value = self.dry + self.bias + self.span * (1 - np.exp(-self.steep * wet)) + rng.normal(0, self.noise)
        if value >= top - 0.5:
            return f">{top - 1:.0f}" if rng.random() < 0.5 else f">{top:.0f}"
        return f"{max(value, 1.0):.0f}"


def draw_meter(rng: np.random.Generator, method: str) -> Meter:
    """Draw one instrument of a kind."""
    number = int(rng.integers(1, 9))
    if method == "resistance_masonry":
        facts = {
            "dry": 10,
            "span": 90,
            "steep": 3.5,
            "salts": 0.7,
            "film": 1.0,
            "artefact": 0.8,
            "depth": 0.1,
        }
        noise, bias, name = float(rng.uniform(3, 7)), float(rng.normal(0, 3)), f"PIN-{number}"
    elif method == "capacitance":
        facts = {
            "dry": 40,
            "span": 160,
            "steep": 2.5,
            "salts": 0.25,
            "film": 0.5,
            "artefact": 1.0,
            "depth": 0.3,
        }
        noise, bias, name = float(rng.uniform(4, 8)), float(rng.normal(0, 5)), f"PAD-{number}"
    elif method == "microwave":
        facts = {
            "dry": 25,
            "span": 75,
            "steep": 2.5,
            "salts": 0.1,
            "film": 0.05,
            "artefact": 1.0,
            "depth": 0.8,
        }
        noise, bias, name = float(rng.uniform(2, 4)), float(rng.normal(0, 2)), f"MW-{number}"
    else:
        facts = {
            "dry": 10,
            "span": 90,
            "steep": 3.5,
            "salts": 0.5,
            "film": 0.0,
            "artefact": 0.0,
            "depth": 1.0,
        }
        noise, bias, name = float(rng.uniform(3, 6)), float(rng.normal(0, 3)), f"DEEP-{number}"
    return Meter(method=method, name=name, noise=noise, bias=bias, **facts)
