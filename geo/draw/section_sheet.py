"""What a long section is drawn on: its scales, and the runs as they lie along it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.drains.network import Network
from geo.drains.profile import RunProfile, run_profile
from geo.draw.svg import Drawing
from geo.findings.drains import DrainAnswer
from geo.reference import Reference

Numbers = NDArray[np.float64]


WIDTH = 1060.0
LEFT, RIGHT, TOP = 128.0, 136.0, 84.0
PANEL_PX = 400.0
ROW_PX = 22.0
PAD_PX = 26.0
LEAST_RISER_PX = 12.0
SAMPLES = 80


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Leg:
    """One piece of run on the section: where it lies, its inverts, and which of them are taken."""

    name: str
    run_id: str
    start: str
    end: str
    from_m: float
    length: float
    up: float
    down: float
    crest: float
    bore: float
    taken: bool
    state: str
    evidence: str
    fault_at: float
    peak: float
    peak_known: bool
    rests_m: float
    sag_m: float
    keeps: str

    def invert(self, share: Numbers) -> Numbers:
        """Return the invert at shares of the length; a hump whose place is not known is drawn half-way."""
        straight = self.up + share * (self.down - self.up)
        if not self.crest > max(self.up, self.down) + 1e-6:
            return straight
        return np.interp(share, [0.0, self.peak, 1.0], [self.up, self.crest, self.down])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """The section being drawn.

    Parameters
    ----------
    seen
        Levels at which water was seen or reported: of_id, level_m, level_sigma_m, condition.
    """

    drawing: Drawing
    network: Network
    legs: tuple[Leg, ...]
    low: float
    high: float
    length: float
    answer: DrainAnswer | None
    seen: pd.DataFrame

    def x(self, at: float) -> float:
        """Return the place on the page of a distance along the path."""
        return LEFT + PAD_PX + at * self.across

    def y(self, level: float) -> float:
        """Return the height on the page of a level."""
        return TOP + PANEL_PX * (self.high - level) / (self.high - self.low)

    @property
    def across(self) -> float:
        """Pixels a metre along the path."""
        return (WIDTH - LEFT - RIGHT - 2 * PAD_PX) / max(self.length, 1e-6)

    def half_px(self, name: str) -> float:
        """Return half the width a node is drawn with."""
        area = float(self.network.nodes.loc[name, "area_m2"])
        wide = math.sqrt(area) * self.across if area > 0 else 0.0
        return max(wide, LEAST_RISER_PX) / 2.0

    @property
    def upward(self) -> float:
        """Pixels a metre of level."""
        return PANEL_PX / (self.high - self.low)

    @property
    def stops(self) -> list[tuple[str, float]]:
        """Nodes of the path and how far along they lie."""
        first = [(self.legs[0].start, 0.0)] if self.legs else []
        return first + [(leg.end, leg.from_m + leg.length) for leg in self.legs]

    def stands(self, node: str) -> float:
        """Return the level water stands at in a node: after the stop, or as it rests; NaN when dry."""
        if self.answer is not None and node in self.answer.result.pool:
            return self.answer.result.level.value
        wiring = self.network.wiring
        rest = float(wiring.rest[wiring.ids.index(node)])
        return rest if math.isfinite(rest) else math.nan


def legs_of(network: Network, path: Sequence[str], *, ref: Reference) -> tuple[Leg, ...]:
    """Return the runs of a path as they lie along it, those without a level left out."""
    legs, at = [], 0.0
    for name in path:
        run, shape = network.runs.loc[name], run_profile(network, name, ref=ref)
        length = float(run["length_m"]) if run["length_m"] > 0 else 0.0
        up, down = ((run[f"{end}_low_m"] + run[f"{end}_high_m"]) / 2.0 for end in ("up", "down"))
        legs.append(
            Leg(
                name=str(name), run_id=str(run["run_id"]), start=str(run["from_node"]),
                end=str(run["to_node"]), from_m=at, length=length, up=float(up), down=float(down),
                crest=float(run["crest_low_m"]), bore=float(run["bore_m"]) if run["bore_m"] > 0 else 0.1,
                taken=bool(np.isnan(run["up_m"]) or np.isnan(run["down_m"]) or not run["bore_m"] > 0),
                state=str(run["state"]),
                evidence="assumed" if "assumed" in (run["from_evidence"], run["to_evidence"]) else "",
                fault_at=float(run["fault_at_m"]),
                peak=shape.distance_m[1] / length if shape.crest_known and length > 0 else 0.5,
                peak_known=shape.crest_known, rests_m=shape.stands_m, sag_m=shape.sag_m,
                keeps=_kept(shape),
            )
        )  # fmt: skip
        at += length
    return tuple(leg for leg in legs if math.isfinite(leg.up) and math.isfinite(leg.down))


def _kept(shape: RunProfile) -> str:
    """Say what water a run keeps at rest, where it keeps any."""
    litres = shape.holds_l.value
    if shape.verdict.word != "holds water":
        return ""
    return f"keeps {litres:.1f} l at rest" if math.isfinite(litres) else "keeps water at rest"


def unbroken(on: NDArray[np.bool_]) -> list[slice]:
    """Return the stretches of a row of yes and no that are yes throughout."""
    edges = np.flatnonzero(np.diff(np.r_[False, on, False].astype(int)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
