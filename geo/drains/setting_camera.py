"""The drain camera's reel: from metres of rod to the map and back, slopes, drops and bends included."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from geo.drains.setting_runs import end_levels
from geo.errors import GeometryError
from geo.reference import Reference
from geo.verdict import Measured

Numbers = NDArray[np.float64]
Row = dict[str, Any]


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraPath:
    """The way of a drain camera: plan points, and metres of pipe and bends up to each.

    Parameters
    ----------
    xy
        (n, 2), metres.
    pipe_m
        (n,) length along the pipe, slopes and drops included.
    bends
        (n,) bends passed on reaching each point, itself not counted.
    """

    xy: Numbers
    pipe_m: Numbers
    bends: Numbers

    def to_map(self, reel_m: ArrayLike, *, ref: Reference, zero: Measured | None = None) -> pd.DataFrame:
        """Place readings of the reel on the map.

        Parameters
        ----------
        reel_m
            (n,) readings.
        zero
            What the reel read with the camera at the start of the path; 0 with the usual sigma by default.

        Returns
        -------
        One row a reading: pipe_m, x, y, bearing_deg, bends, sigma_m along the pipe (reel, zero and the
        slack at bends), and word: ``on the run``, ``before it begins`` or ``past its end``.
        """
        start = zero or Measured(0.0, ref.value("setting_out.camera_zero_m"))
        along = np.atleast_1d(np.asarray(reel_m, dtype=np.float64)) - start.value
        beyond = [along < -1e-9, along > self.pipe_m[-1] + 1e-9]
        word = np.select(beyond, ["before it begins", "past its end"], "on the run")
        place = np.where(word == "on the run", np.clip(along, 0.0, self.pipe_m[-1]), np.nan)
        piece = np.clip(
            np.searchsorted(self.pipe_m, np.nan_to_num(place), side="right") - 1, 0, len(self.xy) - 2
        )
        step = np.diff(self.xy, axis=0)[piece]
        bends = self.bends[piece + 1]
        return pd.DataFrame(
            {
                "pipe_m": place,
                "x": np.interp(place, self.pipe_m, self.xy[:, 0]),
                "y": np.interp(place, self.pipe_m, self.xy[:, 1]),
                "bearing_deg": np.mod(np.degrees(np.arctan2(step[:, 0], step[:, 1])), 360.0),
                "bends": bends,
                "sigma_m": np.where(np.isnan(place), np.nan, self._sigma(along, bends, start, ref)),
                "word": word,
            }
        )

    def to_reel(self, xy: Any, *, ref: Reference, zero: Measured | None = None) -> pd.DataFrame:
        """Return what the reel reads with the camera at places on the map.

        Parameters
        ----------
        xy
            (n, 2) places; each is taken to the nearest point of the path.

        Returns
        -------
        One row a place: reel_m, sigma_m, pipe_m, and off_m, how far from the path the place lies.
        """
        start = zero or Measured(0.0, ref.value("setting_out.camera_zero_m"))
        places = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
        begin, step = self.xy[:-1], np.diff(self.xy, axis=0)
        square = np.einsum("si,si->s", step, step)
        ahead = np.einsum("nsi,si->ns", places[:, None] - begin, step) / np.where(square > 0, square, 1.0)
        ahead = np.clip(np.where(square > 0, ahead, 0.0), 0.0, 1.0)
        off = np.linalg.norm(places[:, None] - begin - step * ahead[..., None], axis=2)
        piece = np.argmin(off, axis=1)
        each = np.arange(len(places))
        pipe = self.pipe_m[piece] + ahead[each, piece] * np.diff(self.pipe_m)[piece]
        sigma = self._sigma(pipe, self.bends[piece + 1], start, ref)
        return pd.DataFrame(
            {"reel_m": pipe + start.value, "sigma_m": sigma, "pipe_m": pipe, "off_m": off[each, piece]}
        )

    def _sigma(self, along: Numbers, bends: Numbers, zero: Measured, ref: Reference) -> Numbers:
        reel = ref.value("setting_out.camera_share") * along
        slack = ref.value("setting_out.camera_bend_m") ** 2 * bends
        return np.asarray(np.sqrt(reel**2 + zero.sigma**2 + slack), dtype=np.float64)


def camera_path(
    line: shapely.LineString | Sequence[shapely.LineString],
    *,
    levels: Sequence[float] | None = None,
    drop_m: float = 0.0,
    bend_deg: float = 10.0,
) -> CameraPath:
    """Return the way of a camera along a run, or along runs one after another.

    Parameters
    ----------
    line
        In the direction the camera goes.
    levels
        Invert at the two ends, or at every point, m; the pipe falls evenly between the ends. Taken as
        level where not given.
    drop_m
        Pipe straight down before the run begins: the riser of a gully, a back-drop.
    bend_deg
        Turns in plan smaller than this take up no slack.

    Raises
    ------
    GeometryError
        When the line has no length, or runs do not meet.
    """
    parts = [line] if isinstance(line, shapely.LineString) else list(line)
    xy = shapely.get_coordinates(parts[0])
    for part in parts[1:]:
        more = shapely.get_coordinates(part)
        if np.hypot(*(more[0] - xy[-1])) > 0.05:
            raise GeometryError("the runs of a camera's way do not meet: name them in order from its start")
        xy = np.vstack([xy, more[1:]])
    step = np.diff(xy, axis=0)
    flat = np.hypot(step[:, 0], step[:, 1])
    plan = np.r_[0.0, np.cumsum(flat)]
    if plan[-1] <= 0:
        raise GeometryError("a camera's way has no length")
    given = [0.0, 0.0] if levels is None else list(levels)
    z = np.interp(plan, [0.0, plan[-1]], given) if len(given) == 2 else np.asarray(given, dtype=np.float64)
    pipe = np.r_[0.0, np.cumsum(np.hypot(flat, np.diff(z)))]
    moving = np.flatnonzero(flat > 0)
    heading = np.degrees(np.arctan2(step[moving, 0], step[moving, 1]))
    turn = np.abs(np.mod(np.diff(heading) + 180.0, 360.0) - 180.0)
    bends = np.zeros(len(xy))
    # A bend at a point is passed on reaching the next one.
    np.add.at(bends, moving[1:][turn > bend_deg] + 1, 1.0)
    bends = np.cumsum(bends)
    if drop_m > 0:
        xy, pipe, bends = np.vstack([xy[:1], xy]), np.r_[0.0, pipe + drop_m], np.r_[0.0, bends + 1.0]
        bends[1] = 0.0
    return CameraPath(xy=xy, pipe_m=pipe, bends=bends)


def reel_tables(
    drawn: gpd.GeoDataFrame, targets: pd.DataFrame, *, ref: Reference
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the reel's reading at every target from both ends, and the place of its whole metres."""
    rows: list[Row] = []
    marks: list[pd.DataFrame] = []
    least = ref.value("setting_out.camera_bend_deg")
    for name, run in drawn.iterrows():
        levels = end_levels(run)
        ways = {
            run["from_id"]: camera_path(run.geometry, levels=levels, bend_deg=least),
            run["to_id"]: camera_path(
                shapely.reverse(run.geometry), levels=levels and levels[::-1], bend_deg=least
            ),
        }
        sought = [f"{name} fault", run["from_id"], run["to_id"]]
        on = [target for target in sought if target in targets.index]
        for start, way in ways.items():
            found = way.to_reel(targets.loc[on, ["x", "y"]].to_numpy(), ref=ref)
            rows += [
                {"run_id": name, "from_id": start, "target_id": target, **place}
                for target, place in zip(on, found.to_dict("records"), strict=True)
                if target != start
            ]
        way = ways[run["from_id"]]
        step = ref.value("setting_out.reel_step_m")
        found = way.to_map(np.arange(0.0, way.pipe_m[-1] + 1e-9, step), ref=ref)
        marks.append(
            found.drop(columns="word").assign(run_id=name, from_id=run["from_id"], reel_m=found["pipe_m"])
        )
    columns = ["run_id", "from_id", "target_id", "reel_m", "sigma_m", "pipe_m", "off_m"]
    order = ["run_id", "from_id", "reel_m", "x", "y", "bearing_deg", "bends", "sigma_m"]
    whole = pd.concat(marks, ignore_index=True)[order] if marks else pd.DataFrame(columns=order)
    return pd.DataFrame(rows, columns=columns), whole
