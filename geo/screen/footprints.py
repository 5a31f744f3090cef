"""Footprints from any file of shapes, read batch by batch, and allotted to blocks of ground."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS
from pyproj.exceptions import CRSError

from geo.errors import InputError, Problem
from geo.ground.raster import mover
from geo.screen.heights import Lattice

BATCH = 65_536
TWICE = "this id stands more than once"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Footprints:
    """Every footprint of a file, in its order.

    ``table`` has home_no (row in the file, from 0), home_id, shape (WKB in the grid of the heights), remark,
    and xmin, ymin, xmax, ymax. ``bounds`` are the same (homes, 4), NaN where there is no shape.
    """

    table: pa.Table
    bounds: NDArray[np.float64]


def read_footprints(
    path: str, *, ground_crs: CRS, layer: str = "", id_field: str = "", crs: str = ""
) -> Footprints:
    """Read footprints; those in another grid than the heights are moved, never the heights.

    Parameters
    ----------
    layer, id_field
        By default the first layer, and the field called ``id``; without one the row's number is the id.
    crs
        The footprints' grid where the file does not say it.

    Raises
    ------
    InputError
        When the file cannot be read, holds no shape, or has no grid, layer or field of that name.
    """
    name = Path(path).name
    known, batches = _opened(path, layer, id_field)
    if known is None and not crs:
        raise _refused(name, "has no grid", "footprints with a grid", "Name it with --crs, as EPSG:27700.")
    try:
        own = CRS.from_user_input(crs) if crs else CRS.from_user_input(known)
    except CRSError:
        found = f"{crs or known!r} is no grid"
        raise _refused(name, found, "a grid such as EPSG:27700", "Correct --crs.") from None
    same = own.equals(ground_crs, ignore_axis_order=True)
    move = None if same else mover(own, ground_crs)
    kept: list[pa.Table] = []
    bounds: list[Any] = []
    count = 0
    for ids, given in batches:
        wkb = given
        shapes: Any = shapely.from_wkb(wkb.to_numpy(zero_copy_only=False), on_invalid="ignore")
        if move is not None:
            shapes = shapely.transform(shapely.force_2d(shapes), move)
            wkb = pa.array(shapely.to_wkb(shapes), pa.binary())
        elif shapely.is_missing(shapes).any():  # of a kind that only the file's maker can read
            wkb = pc.if_else(pa.array(shapely.is_missing(shapes)), None, wkb)
        columns = {
            "home_no": pa.array(np.arange(count, count + len(shapes))),
            "home_id": ids,
            "shape": wkb.cast(pa.large_binary()),
        }
        box = shapely.bounds(shapes)
        columns |= {key: pa.array(box[:, i]) for i, key in enumerate(("xmin", "ymin", "xmax", "ymax"))}
        kept.append(pa.table(columns))
        bounds.append(box)
        count += len(shapes)
    if not count:
        raise _refused(name, "holds no footprint", "one or more", "Name the layer with --layer.")
    table = pa.concat_tables(kept).combine_chunks()
    codes = table["home_id"].to_pandas().duplicated(keep=False).to_numpy().astype(np.int8)
    remark = pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(["", TWICE]))
    whole: Any = np.concatenate(bounds)
    whole[~np.isfinite(whole).all(axis=1)] = np.nan
    return Footprints(table=table.append_column("remark", remark), bounds=whole)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """One block of ground: its name, the homes on it, and others that stand within its window."""

    key: str
    own: NDArray[np.int64]
    others: NDArray[np.int64]
    window: tuple[int, int, int, int]


def allot(footprints: Footprints, lattice: Lattice, *, side_cells: int, reach_m: float) -> list[Block]:
    """Allot every home to the block its middle lies in, from south-west to north-east.

    Blocks lie on the grid of the heights whatever the tiles and the homes, so a home's block does not change
    with how the ground is cut into files. A block without ground or shape has an empty window.
    """
    bounds = footprints.bounds
    placed = np.flatnonzero(np.isfinite(bounds).all(axis=1))
    blocks: list[Block] = []
    lost = np.flatnonzero(~np.isfinite(bounds).all(axis=1))
    if len(lost):
        blocks.append(Block(key="nowhere", own=lost, others=lost[:0], window=(0, 0, 0, 0)))
    if not len(placed):
        return blocks
    box = bounds[placed]
    middle = (box[:, :2] + box[:, 2:]) / 2
    side = side_cells * np.array([lattice.a, lattice.b])
    cell = np.floor(middle / side).astype(np.int64)
    across, up = cell.T
    order = np.lexsort((placed, across, up))
    first = np.flatnonzero(np.r_[True, (np.diff(across[order]) != 0) | (np.diff(up[order]) != 0)])
    low = np.minimum.reduceat(box[order, :2], first) - reach_m
    high = np.maximum.reduceat(box[order, 2:], first) + reach_m
    corner = cell[order[first]] * side
    over = max(float((corner - low).max()), float((high - corner - side).max()))
    within = (box[:, :2] > cell * side + over) & (box[:, 2:] < (cell + 1) * side - over)
    edge = np.flatnonzero(~within.all(axis=1))  # no other block's window reaches those further in
    windows = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    tree = shapely.STRtree(windows)
    feature, near = tree.query(shapely.box(*box[edge].T), predicate=None)
    feature = edge[feature]
    group = np.empty(len(placed), dtype=np.int64)
    group[order] = np.repeat(np.arange(len(first)), np.diff(np.r_[first, len(order)]))
    guest = group[feature] != near
    feature, near = feature[guest], near[guest]
    by_block = np.lexsort((feature, near))
    feature, near = feature[by_block], near[by_block]
    cuts = np.searchsorted(near, np.arange(len(first) + 1))
    ends = np.r_[first[1:], len(order)]
    for i, (begin, finish) in enumerate(zip(first, ends, strict=True)):
        lead = order[begin]
        blocks.append(
            Block(
                key=f"{up[lead]}_{across[lead]}",
                own=placed[order[begin:finish]],
                others=placed[feature[cuts[i] : cuts[i + 1]]],
                window=lattice.window((*low[i], *high[i])),
            )
        )
    return blocks


def homes_of(footprints: Footprints, block: Block) -> pa.Table:
    """Return the rows of a block's homes and of what else stands there, in the file's order."""
    rows = np.concatenate([block.own, block.others])
    own = np.r_[np.ones(len(block.own), dtype=bool), np.zeros(len(block.others), dtype=bool)]
    order = np.argsort(rows, kind="stable")
    return footprints.table.take(pa.array(rows[order])).append_column("own", pa.array(own[order]))


def _opened(path: str, layer: str, id_field: str) -> tuple[Any, Iterator[tuple[pa.Array, pa.Array]]]:
    """Return the grid a file says it is in, and its ids and shapes, batch by batch."""
    if path.lower().endswith((".parquet", ".geoparquet")):
        return _parquet(path, id_field)
    name = Path(path).name
    try:
        info = pyogrio.read_info(path, layer=layer or None)
    except (DataSourceError, DataLayerError) as error:
        said = str(error).splitlines()[0]
        mend = "Export the footprints as GeoPackage, and name the layer with --layer."
        raise _refused(
            name, f"cannot be read ({said})", "a file of shapes, and a layer of it", mend
        ) from None
    if not info["geometry_type"]:
        raise _refused(name, "holds no shapes", "footprints", "Name the layer of shapes with --layer.")
    field = _field(name, [str(one) for one in info["fields"]], id_field)
    return info["crs"], _batches(path, layer, field)


def _batches(path: str, layer: str, field: str) -> Iterator[tuple[pa.Array, pa.Array]]:
    """Yield ids and shapes of a file OGR reads."""
    done = 0
    with pyogrio.open_arrow(
        path, layer=layer or None, columns=[field] if field else [], batch_size=BATCH, use_pyarrow=True
    ) as (meta, reader):
        for batch in reader:
            wkb = batch.column(meta["geometry_name"] or "wkb_geometry")
            yield _ids(batch.column(field) if field else None, done, len(wkb)), wkb.cast(pa.binary())
            done += len(wkb)


def _parquet(path: str, id_field: str) -> tuple[Any, Iterator[tuple[pa.Array, pa.Array]]]:
    """Return the same of a GeoParquet file."""
    name = Path(path).name
    try:
        file = pq.ParquetFile(path)
        geo = json.loads((file.schema_arrow.metadata or {})[b"geo"])
        column = geo["primary_column"]
        told = geo["columns"][column]
    except (OSError, pa.ArrowInvalid, KeyError, ValueError):
        raise _refused(name, "is no GeoParquet", "a file of shapes", "Export it as GeoPackage.") from None
    if told.get("encoding") != "WKB":
        raise _refused(name, f"shapes stored as {told.get('encoding')}", "WKB", "Export it as GeoPackage.")
    field = _field(name, [one for one in file.schema_arrow.names if one != column], id_field)

    def batches() -> Iterator[tuple[pa.Array, pa.Array]]:
        done = 0
        for batch in file.iter_batches(BATCH, columns=[column, *([field] if field else [])]):
            wkb = batch.column(column).cast(pa.binary())
            yield _ids(batch.column(field) if field else None, done, len(wkb)), wkb
            done += len(wkb)

    return told.get("crs", "OGC:CRS84"), batches()


def _field(name: str, fields: list[str], asked: str) -> str:
    """Return the field of ids: the one asked for, else one called id, else none."""
    if asked and asked not in fields:
        found = f"no field is called {asked!r}"
        raise _refused(name, found, ", ".join(fields) or "no field at all", "Correct --id.")
    return asked or next((field for field in fields if field.lower() == "id"), "")


def _ids(column: Any, done: int, count: int) -> pa.Array:
    """Return ids as text; a row without one is called by its number."""
    number = pa.array(np.arange(done, done + count)).cast(pa.string())
    if column is None:
        return number
    if pa.types.is_floating(column.type) and pc.all(pc.equal(pc.floor(column), column)).as_py():
        column = column.cast(pa.int64())
    text = column.cast(pa.string())
    blank = pc.fill_null(pc.equal(pc.utf8_trim_whitespace(text), ""), True)
    return pc.if_else(blank, number, text)


def _refused(name: str, found: str, allowed: str, mend: str) -> InputError:
    return InputError([Problem(file=name, found=found, allowed=allowed, mend=mend)])
