"""The two tables a screening gives, and how they are written as GeoParquet."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
from numpy.typing import NDArray
from pyproj import CRS

from geo.screen import said
from geo.verdict import NOT_KNOWN

Numbers = NDArray[np.float64]
LINE = np.dtype([("order", "u1"), ("kind", "<u4"), ("points", "<u4"), ("xy", "<f8", 4)])


def home_table(
    table: pa.Table, own: NDArray[np.bool_], outlines: Any, walls: Any, falls: Any, ways: Any, settings: Any
) -> pa.Table:
    """Return a row for every own home of a block, whatever became of it."""
    homes = len(own)
    ref = settings.ref

    def metres(word: str) -> Numbers:
        here = falls.word == word
        metres_of = np.bincount(walls.home[here], weights=walls.length_m[here], minlength=homes)
        return np.asarray(metres_of, dtype=np.float64)

    by_word = {word: metres(word) for word in said.WORDS}
    examined = outlines.state == 0
    free = sum(by_word[word] for word in said.WORDS if word != "party")
    verdict = np.select(
        [~examined, by_word["toward"] > 0, by_word[NOT_KNOWN] > 0, by_word["away"] > 0, by_word["level"] > 0],
        [NOT_KNOWN, "toward", NOT_KNOWN, "away", "level"],
        default="party",
    )
    reason = said.OF_STATE[outlines.state].copy()
    reason[examined & (free == 0)] = said.NO_FREE_WALL
    unknown = np.flatnonzero(falls.word == NOT_KNOWN)
    order = unknown[np.argsort(walls.length_m[unknown], kind="stable")]
    longest = np.zeros(homes, dtype=np.int8)
    longest[walls.home[order]] = falls.reason[order]
    asks = examined & (verdict == NOT_KNOWN)
    reason[asks] = longest[asks]
    steep = np.full(homes, -1, dtype=np.int64)
    fitted = np.flatnonzero(np.isfinite(falls.low))
    order = fitted[np.argsort(falls.low[fitted], kind="stable")]
    steep[walls.home[order]] = order
    has = steep >= 0

    def steepest(values: Any) -> Numbers:
        found = np.full(homes, np.nan)
        found[has] = values[steep[has]]
        return found

    sigma = np.sqrt(2.0) * settings.relative_error_m
    band = ref.value("confidence.z_95") * sigma
    margin = ways.hole_m - ref.value("screen.low_spot_m")
    seen = examined & (ways.beside > 0)
    spot = np.select(
        [seen & (margin > band), seen & (ways.blank == 0) & (-margin > band)],
        ["yes", "none"],
        default=NOT_KNOWN,
    )
    columns = {
        "home_no": table["home_no"],
        "home_id": table["home_id"],
        "examined": pa.array(examined),
        "verdict": _words(verdict, said.WORDS),
        "reason": _coded(reason),
        "remark": table["remark"],
        **{f"{word.replace(' ', '_')}_m": _single(metres_) for word, metres_ in by_word.items()},
        "steepest_face": pa.array(
            np.where(has, walls.face[steep] if len(walls.face) else 0, 0).astype(np.int16)
        ),
        "steepest_fall_percent": _single(steepest(falls.fall)),
        "steepest_low_percent": _single(steepest(falls.low)),
        "steepest_high_percent": _single(steepest(falls.high)),
        "uphill_m2": _single(np.where(examined, ways.uphill_m2, np.nan)),
        "uphill_at_least": pa.array(ways.at_least),
        "hill_percent": _single(ways.hill_percent),
        "hill_bearing_deg": _single(ways.hill_bearing_deg),
        "low_spot": _words(spot, said.SPOTS),
        "low_spot_m": _single(np.where(seen, ways.hole_m, np.nan)),
        "low_spot_at_wall_m": _single(np.where(seen, ways.stands_m, np.nan)),
        "low_spot_sigma_m": _single(np.where(seen, sigma, np.nan)),
        "geometry": table["shape"].cast(pa.binary()),
    }
    made = pa.table(columns)
    boxes = {name: table[name] for name in ("xmin", "ymin", "xmax", "ymax")}
    box = pa.StructArray.from_arrays(
        [column.combine_chunks() for column in boxes.values()], names=list(boxes)
    )
    return made.append_column("bbox", box).filter(pa.array(own)).combine_chunks()


def wall_table(table: pa.Table, walls: Any, falls: Any) -> pa.Table:
    """Return a row for every wall: where it is, how the ground falls there, and how sure that is."""
    home = pa.array(walls.home)
    start, end = walls.start, walls.end
    bearing = np.degrees(np.arctan2(walls.normal[:, 0], walls.normal[:, 1])) % 360
    columns = {
        "home_no": table["home_no"].take(home),
        "home_id": table["home_id"].take(home),
        "part": pa.array(walls.part.astype(np.int16)),
        "ring": pa.array(walls.ring.astype(np.int16)),
        "face": pa.array(walls.face.astype(np.int16)),
        "from_m": _single(walls.from_m),
        "to_m": _single(walls.to_m),
        "bearing_deg": _single(bearing),
        "fall_percent": _single(falls.fall),
        "sigma_percent": _single(falls.sigma),
        "low_percent": _single(falls.low),
        "high_percent": _single(falls.high),
        "along_percent": _single(falls.along),
        "n": pa.array(falls.n.astype(np.int32)),
        "n_eff": _single(falls.n_eff),
        "distances": pa.array(falls.distances.astype(np.int16)),
        "verdict": _words(falls.word, said.WORDS),
        "reason": _coded(falls.reason),
        "geometry": _lines(start, end),
    }
    low, high = np.minimum(start, end), np.maximum(start, end)
    box = pa.StructArray.from_arrays(
        [pa.array(low[:, 0]), pa.array(low[:, 1]), pa.array(high[:, 0]), pa.array(high[:, 1])],
        names=["xmin", "ymin", "xmax", "ymax"],
    )
    return pa.table(columns).append_column("bbox", box).combine_chunks()


class Writer:
    """A GeoParquet file written a table at a time."""

    def __init__(
        self, path: Path, schema: pa.Schema, *, crs: CRS, kinds: Iterable[str], told: Mapping[str, str]
    ) -> None:
        box = {name: ["bbox", name] for name in ("xmin", "ymin", "xmax", "ymax")}
        column = {
            "encoding": "WKB",
            "geometry_types": list(kinds),
            "crs": crs.to_json_dict(),
            "covering": {"bbox": box},
        }
        geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
        notes = {f"wallfoot_{key}": value for key, value in told.items()}
        self._schema = schema.with_metadata({"geo": json.dumps(geo), **notes})
        few = [field.name for field in schema if pa.types.is_dictionary(field.type)]
        self._file = pq.ParquetWriter(
            path, self._schema, compression="zstd", compression_level=1, use_dictionary=few
        )

    def write(self, table: pa.Table) -> None:
        """Add a table's rows."""
        self._file.write_table(table.cast(self._schema), row_group_size=65_536)

    def close(self) -> None:
        """Finish the file."""
        self._file.close()


def _lines(start: Numbers, end: Numbers) -> pa.Array:
    """Return straight lines as WKB."""
    lines = np.zeros(len(start), dtype=LINE)
    lines["order"], lines["kind"], lines["points"] = 1, 2, 2
    lines["xy"][:, :2], lines["xy"][:, 2:] = start, end
    whole = pa.py_buffer(lines.tobytes())
    at = pa.py_buffer((np.arange(len(start) + 1) * LINE.itemsize).astype(np.int32).tobytes())
    return pa.Array.from_buffers(pa.binary(), len(start), [None, at, whole])


def _single(values: Any) -> pa.Array:
    return pa.array(np.asarray(values, dtype=np.float32))


def _words(values: Any, words: tuple[str, ...]) -> pa.Array:
    """Return words as codes into a fixed list."""
    order = np.argsort(words)
    found = order[np.searchsorted(np.array(words)[order], values)] if len(values) else np.zeros(0)
    return pa.DictionaryArray.from_arrays(pa.array(found.astype(np.int8)), pa.array(list(words)))


def _coded(codes: NDArray[np.int8]) -> pa.Array:
    return pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(list(said.REASONS)))
