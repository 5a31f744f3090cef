"""One block of ground with the homes on it: read once, worked out all together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import shapely
from numpy.typing import NDArray

from geo.ground.strips import fall_sigma, fall_words, solve_planes
from geo.reference import Reference
from geo.screen import said
from geo.screen.heights import NO_TILE, UNREADABLE, Ground, Lattice, read_window
from geo.screen.kernels import bin_edges, mark_buildings, sum_strips
from geo.screen.outlines import SOUND, Numbers, Rows, Walls, read_outlines
from geo.screen.tables import home_table, wall_table
from geo.screen.water import run_water
from geo.verdict import NOT_KNOWN

BIN_M = 16.0
AROUND = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What a screening is asked for besides its files.

    ``relative_error_m`` is the standard error of a cell against its neighbours. ``half_m`` fits so much of a
    wall each side of its middle, as on a single site; ``None`` fits the whole of it.
    """

    ref: Reference
    relative_error_m: float
    half_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Job:
    """One block: all a worker needs to know, its homes included.

    ``homes`` has home_no, home_id, shape (WKB in the grid of the heights) with its bounds, remark, and own
    (whether it is examined here, or only stands in the way); in order of home_no.
    """

    key: str
    homes: pa.Table
    ground: Ground
    surface: Ground | None
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Done:
    """The answers of one block: a table of homes and one of walls, and what was wrong with its tiles."""

    key: str
    homes: pa.Table
    walls: pa.Table
    faults: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ways:
    """Water and slope by home: see :func:`geo.screen.water.run_water`; metres, square metres, percent."""

    uphill_m2: Numbers
    at_least: NDArray[np.bool_]
    hole_m: Numbers
    stands_m: Numbers
    beside: Rows
    blank: Rows
    hill_percent: Numbers
    hill_bearing_deg: Numbers


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Falls:
    """Falls by wall, percent, their 95 % ranges, words (``said.WORDS``) and reasons (``said.REASONS``)."""

    fall: Numbers
    sigma: Numbers
    low: Numbers
    high: Numbers
    along: Numbers
    n: Rows
    n_eff: Numbers
    distances: Rows
    word: NDArray[np.str_]
    reason: NDArray[np.int8]


def examine_block(job: Job) -> Done:
    """Read a block's ground and answer for its homes.

    The same function runs here, in another process, or on another machine that reads the same tiles.
    """
    ref, table = job.settings.ref, job.homes
    own = table["own"].to_numpy()
    shapes = shapely.from_wkb(table["shape"].to_numpy(zero_copy_only=False), on_invalid="ignore")
    outlines = read_outlines(shapes, ref=ref)
    sound = own & (outlines.state == SOUND)
    walls = _of(outlines.walls, sound)
    lattice = job.ground.lattice
    faults: tuple[str, ...] = ()
    if sound.any():
        low, high = (
            shapely.bounds(shapes[sound])[:, :2].min(axis=0),
            shapely.bounds(shapes[sound])[:, 2:].max(axis=0),
        )
        reach = ref.value("screen.reach_m")
        window = lattice.window((*(low - reach), *(high + reach)))
        z, covered, faults = read_window(job.ground, window)
        standing = outlines.twin < 0
        edges = standing[outlines.edge_home]
        ends, edge_home = np.ascontiguousarray(outlines.edges[edges]), outlines.edge_home[edges]
        inside, near = mark_buildings(
            ends, edge_home, z.shape[0], z.shape[1], window[0], window[1],
            lattice.ox, lattice.oy, lattice.a, lattice.b, lattice.cell_m / np.sqrt(2.0) - 1e-9,
        )  # fmt: skip
        if job.surface is not None:
            above, _, more = read_window(job.surface, window)
            faults += more
            with np.errstate(invalid="ignore"):
                near |= above - z > ref.value("ground.obstacle_m")
        falls = _falls(walls, z, near, covered, ends, window, lattice, job.settings)
        ways = _ways(sound, shapes, z, near, inside, window, lattice, job.settings)
    else:
        falls, ways = _no_falls(), _no_ways(len(shapes))
    return Done(
        key=job.key,
        homes=home_table(table, own, outlines, walls, falls, ways, job.settings),
        walls=wall_table(table, walls, falls),
        faults=faults,
    )


def _of(walls: Walls, homes: NDArray[np.bool_]) -> Walls:
    """Return the walls of some homes."""
    kept = homes[walls.home]
    return Walls(**{name: getattr(walls, name)[kept] for name in Walls.__slots__})


def _falls(
    walls: Walls,
    z: Any,
    near: NDArray[np.bool_],
    covered: NDArray[np.uint8],
    ends: Numbers,
    window: tuple[int, int, int, int],
    lattice: Lattice,
    settings: Settings,
) -> Falls:
    """Fit a plane to the ground before every wall and say which way it falls, as one site does."""
    ref = settings.ref
    foot = (walls.start + walls.end) / 2
    half = walls.length_m / 2 if settings.half_m is None else np.full(len(foot), settings.half_m)
    row0, column0, rows, columns = window
    left, bottom = lattice.ox + lattice.a * column0, lattice.oy - lattice.b * (row0 + rows)
    wide, tall = int(columns * lattice.a / BIN_M) + 1, int(rows * lattice.b / BIN_M) + 1
    starts, listed = bin_edges(ends, left, bottom, BIN_M, wide, tall)
    far = ref.value("ground.strip_dem_to_m")
    base, sums, distances, blank, _ = sum_strips(
        z, near, row0, column0, lattice.ox, lattice.oy, lattice.a, lattice.b, foot, walls.normal, half,
        ref.value("ground.strip_dem_from_m"), far, lattice.cell_m / 2,
        ends, starts, listed, left, bottom, BIN_M, wide, tall,
    )  # fmt: skip
    fit = solve_planes(
        base,
        sums,
        distances,
        cell_m=lattice.cell_m,
        correlation_m=ref.value("ground.correlation_length_m"),
    )
    least, apart = ref.value("ground.cells_min"), ref.value("ground.distances_min")
    known = (fit.n >= least) & (fit.distances >= apart) & np.isfinite(fit.fall) & ~walls.party
    fall = np.where(known, fit.fall * 100, np.nan)
    sigma = np.where(known, fall_sigma(fit, settings.relative_error_m) * 100, np.nan)
    band = ref.value("confidence.z_95") * sigma
    low, high = fall - band, fall + band
    word = np.where(
        walls.party, "party", fall_words(fall, low, high, flat=ref.value("ground.fall_level_percent"))
    )
    at = foot + walls.normal * far / 2
    row = np.clip(np.floor((lattice.oy - at[:, 1]) / lattice.b).astype(np.int64) - row0, 0, rows - 1)
    column = np.clip(np.floor((at[:, 0] - lattice.ox) / lattice.a).astype(np.int64) - column0, 0, columns - 1)
    tile = covered[row, column]
    with np.errstate(invalid="ignore"):
        reason = np.select(
            [
                walls.party,
                ~known & (fit.n + blank >= least) & (tile == NO_TILE),
                ~known & (fit.n + blank >= least) & (tile == UNREADABLE),
                ~known & (fit.n < least) & (fit.n + blank >= least),
                ~known & (fit.n < least),
                ~known,
                (word == NOT_KNOWN) & ((low > 0) | (high < 0)),
                word == NOT_KNOWN,
            ],
            [said.PARTY, said.NO_TILE, said.TILE_FAULT, said.NO_HEIGHT, said.FEW_CELLS, said.FEW_DISTANCES,
             said.PERHAPS_LEVEL,
             said.WITHIN_ERROR],
            default=said.NONE,
        )  # fmt: skip
    return Falls(
        fall=fall,
        sigma=sigma,
        low=low,
        high=high,
        along=np.where(known, fit.along * 100, np.nan),
        n=fit.n,
        n_eff=fit.n_eff,
        distances=fit.distances,
        word=word,
        reason=reason.astype(np.int8),
    )


def _ways(
    sound: NDArray[np.bool_],
    shapes: Any,
    z: Any,
    near: NDArray[np.bool_],
    inside: Any,
    window: tuple[int, int, int, int],
    lattice: Lattice,
    settings: Settings,
) -> Ways:
    """Follow the water to the walls, and find which way is uphill."""
    homes = len(shapes)
    cells, onward, hole, stands, beside, blank = run_water(
        z, inside, homes, lattice.a, lattice.b, settings.ref.value("screen.reach_m")
    )
    bounds = shapely.bounds(shapes)
    middle = (bounds[:, :2] + bounds[:, 2:]) / 2
    use = np.flatnonzero(sound)
    percent, bearing = np.full(homes, np.nan), np.full(homes, np.nan)
    percent[use], bearing[use] = _hill(middle[use], z, near, window, lattice, settings)
    return Ways(
        uphill_m2=np.where(beside > 0, cells * lattice.a * lattice.b, np.nan),
        at_least=onward | (blank > 0),
        hole_m=hole / 1000.0,
        stands_m=stands / 1000.0,
        beside=beside,
        blank=blank,
        hill_percent=percent,
        hill_bearing_deg=bearing,
    )


def _hill(
    middle: Numbers,
    z: Any,
    near: NDArray[np.bool_],
    window: tuple[int, int, int, int],
    lattice: Lattice,
    settings: Settings,
) -> tuple[Numbers, Numbers]:
    """Return the slope of the ground at large round each home and the bearing uphill; NaN where not sure.

    A plane is fitted to heights on three rings of sixteen, further apart than errors move together.
    """
    ref = settings.ref
    inner, outer = ref.value("screen.hill_from_m"), ref.value("screen.hill_to_m")
    angle = np.arange(AROUND) * 2 * np.pi / AROUND
    ring = np.linspace(inner, outer, 3)
    off = np.stack([np.outer(ring, np.sin(angle)).ravel(), np.outer(ring, np.cos(angle)).ravel()], axis=1)
    row0, column0, rows, columns = window
    at = middle[:, None, :] + off[None, :, :]
    row = np.floor((lattice.oy - at[..., 1]) / lattice.b).astype(np.int64) - row0
    column = np.floor((at[..., 0] - lattice.ox) / lattice.a).astype(np.int64) - column0
    there = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    row, column = np.where(there, row, 0), np.where(there, column, 0)
    height = z[row, column].astype(np.float64)
    clean = there & np.isfinite(height) & ~near[row, column]
    weight = clean.astype(np.float64)
    n = weight.sum(axis=1)
    safe = np.maximum(n, 1.0)
    height = np.where(clean, height, 0.0)
    height = np.where(clean, height - (height.sum(axis=1) / safe)[:, None], 0.0)
    x, y = np.broadcast_to(off[:, 0], clean.shape) * weight, np.broadcast_to(off[:, 1], clean.shape) * weight
    x, y = x - weight * (x.sum(axis=1) / safe)[:, None], y - weight * (y.sum(axis=1) / safe)[:, None]
    xx, xy, yy = (x * x).sum(axis=1), (x * y).sum(axis=1), (y * y).sum(axis=1)
    xz, yz = (x * height).sum(axis=1), (y * height).sum(axis=1)
    det = xx * yy - xy * xy
    good = (n >= ref.value("ground.cells_min")) & (det > 1e-6)
    det = np.where(good, det, 1.0)
    east, north = (xz * yy - yz * xy) / det, (yz * xx - xz * xy) / det
    left = np.maximum((height * height).sum(axis=1) - east * xz - north * yz, 0.0)
    error = np.maximum(settings.relative_error_m, np.sqrt(left / np.maximum(n - 3, 1)))
    slope = np.hypot(east, north)
    steep = np.maximum(slope, 1e-12)
    u, v = east / steep, north / steep
    sigma = error * np.sqrt(np.maximum(u * u * yy - 2 * u * v * xy + v * v * xx, 0.0) / det)
    sure = good & (slope > ref.value("confidence.z_95") * sigma)
    sure &= slope * 100 > ref.value("ground.fall_level_percent")
    bearing = np.degrees(np.arctan2(east, north)) % 360
    return np.where(sure, slope * 100, np.nan), np.where(sure, bearing, np.nan)


def _no_falls() -> Falls:
    none, whole = np.zeros(0), np.zeros(0, dtype=np.int64)
    return Falls(
        fall=none, sigma=none, low=none, high=none, along=none, n=whole, n_eff=none, distances=whole,
        word=np.zeros(0, dtype="<U9"), reason=np.zeros(0, dtype=np.int8),
    )  # fmt: skip


def _no_ways(homes: int) -> Ways:
    nothing, none = np.full(homes, np.nan), np.zeros(homes, dtype=np.int64)
    return Ways(
        uphill_m2=nothing, at_least=np.zeros(homes, dtype=bool), hole_m=nothing, stands_m=nothing,
        beside=none, blank=none, hill_percent=nothing, hill_bearing_deg=nothing,
    )  # fmt: skip
