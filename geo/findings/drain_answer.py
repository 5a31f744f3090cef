"""What is laid out of a site's drains, and what an answer about them holds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.drains.backup import BackUp, Pour
from geo.drains.cavity import Pool, WallWater
from geo.drains.faults import Fault
from geo.drains.network import Network
from geo.drains.storage import Inflow
from geo.ground.flood import Flood
from geo.ground.raster import Raster
from geo.perimeter.build import Perimeter
from geo.reference import Reference
from geo.site.model import Site
from geo.verdict import Measured

NAN = math.nan
Numbers = NDArray[np.float64]
Cells = tuple[NDArray[np.int64], NDArray[np.int64]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """Ground on which spilled water can be followed, its heights on the site's datum.

    ``toes`` are the cells at the foot of the wall, station by station, -1 where there is none.
    """

    name: str
    evidence: str
    raster: Raster
    building: NDArray[np.bool_]
    dry: Flood
    toes: Cells
    sigma_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OnGround:
    """Where water that leaves at the surface comes to rest.

    Parameters
    ----------
    word
        ``stands at the wall``, ``stands off the wall``, ``runs off`` or ``not known``.
    level
        Of the pool, m; NaN where none is known.
    pool
        What presses on the wall; ``None`` where nothing surely stands there.
    outline
        The pool in the site's CRS, or ``None``.
    """

    node: str
    word: str
    because: str
    settle: str
    evidence: str
    level: Measured
    depth_max_m: float
    full_l: float
    shut_in: bool
    pool: Pool | None
    outline: Any = field(default=None, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drains:
    """A site's drains laid out once; every question about them is asked of this.

    Parameters
    ----------
    network
        The drains, with positions and with the book's levels where a record has none.
    filled
        Levels taken from the book: of_id, column, level_m, sigma_m, level_ids.
    openings, cavities
        Those records with ring_key, and the book's levels where they have none.
    floors, finishes, dpc
        Floor zones spread along the walls, wall finishes, and points of the damp proof course, by ring_key.
    sections
        By ring, the levels of the wall at each station (:func:`geo.crossings.wall_section`).
    fabric
        Ways past the barrier that are open or not known without any spill: ring_key, way, word …
    faults
        What is wrong with the drains.
    every
        Every run and soakaway stopped in turn (:func:`geo.drains.backup.every_blockage`).
    takes
        Gullies that were found to work and whose drain, as recorded, runs on to an outfall.
    proven
        Runs that a test has shown water to pass: trial_id, run_id, evidence.
    heads
        How high the water has stood outside, by the outfall it stood at, m.
    sewer
        What it would then rise out of (:func:`geo.findings.drain_sewer.where_the_sewer_comes_up`).
    owners
        Whose each run is, as far as known: a key of the words for it, by run.
    """

    site: Site
    perimeter: Perimeter
    stations: gpd.GeoDataFrame
    network: Network
    filled: pd.DataFrame
    openings: pd.DataFrame
    cavities: pd.DataFrame
    floors: pd.DataFrame
    finishes: pd.DataFrame
    dpc: pd.DataFrame
    sections: Mapping[str, pd.DataFrame]
    fabric: pd.DataFrame
    faults: tuple[Fault, ...]
    every: pd.DataFrame
    takes: frozenset[str]
    surfaces: tuple[Surface, ...] = field(repr=False)
    notes: tuple[str, ...]
    proven: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    heads: Mapping[str, Measured] = field(default_factory=dict)
    sewer: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    owners: Mapping[str, str] = field(default_factory=dict, repr=False)
    kept: dict[str, tuple[pd.DataFrame, pd.DataFrame]] = field(default_factory=dict, repr=False)

    @property
    def ref(self) -> Reference:
        """The limits in force."""
        return self.site.reference

    @property
    def ring_lengths(self) -> dict[str, float]:
        """Length of each ring, m."""
        return {str(key): float(length) for key, length in self.perimeter.rings["length_m"].items()}

    def whose(self, name: str) -> str:
        """Return in words whose a run is; nothing for what is no run."""
        owner = self.owners.get(name, "")
        return self.ref.word("run_owner", owner) if owner else ""

    @property
    def can_be_blocked(self) -> tuple[str, ...]:
        """Ids that may be stopped: runs, and the ways out of gullies, chambers and soakaways."""
        kinds = self.network.nodes["kind"]
        own = kinds.index[kinds.isin(("gully", "chamber", "soakaway"))]
        return (*dict.fromkeys(self.network.runs["run_id"]), *(str(name) for name in own))

    @property
    def sources(self) -> tuple[str, ...]:
        """Ids at which water can be put in: gullies, chambers, downpipes, and fixtures joined to them."""
        kinds = self.network.nodes["kind"]
        own = kinds.index[kinds.isin(("gully", "chamber", "downpipe"))]
        return (*(str(name) for name in own), *self.network.discharge)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrainAnswer:
    """What happens when one thing is stopped, or when nothing is.

    Parameters
    ----------
    blocked
        What is stopped; ``""`` where nothing is.
    surcharged
        Whether the water outside is taken to stand as high as it has stood.
    owners
        Whose the stopped run is, and the runs that stand full: run, and whose in words.
    result
        First spill, rivals, litres, minutes, and the smallest changes to the drains.
    on_ground
        Where the water of each spill at the surface goes.
    water
        Each spill seen from the wall.
    crossings
        One row a length of wall and way: node, ring_key, way, word, chainage_from_m, chainage_to_m
        (smaller than from where it passes the origin corner), margin_mm, sigma_mm, because, settle.
    remedies
        The smallest change to the wall that closes each: node, ring_key, way, what, chainages, by_mm,
        still_open.
    roof_m2
        Plan area of the roofs that drain to what stands full.
    driven_m2
        The same as driven rain meets them, by their pitch; NaN where a pitch says too little.
    pour
        What a test with this flow must pour; ``None`` without a steady flow or a known first spill.
    """

    blocked: str
    at_m: float | None
    source: str
    inflow: Inflow | None
    result: BackUp
    on_ground: tuple[OnGround, ...]
    water: tuple[WallWater, ...]
    crossings: pd.DataFrame
    remedies: pd.DataFrame
    roof_m2: float
    driven_m2: float
    pour: Pour | None
    surcharged: bool = False
    owners: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrainFindings:
    """Everything found about a site's drains, and the answer for a chosen blockage."""

    drains: Drains
    answer: DrainAnswer | None

    @property
    def network(self) -> Network:
        """The drains."""
        return self.drains.network

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What is wrong with them."""
        return self.drains.faults

    @property
    def every(self) -> pd.DataFrame:
        """Every run and soakaway stopped in turn, with its first spill."""
        return self.drains.every
