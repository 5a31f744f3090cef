"""The table of fixed positions: its columns, how they are filled, and the spread along given lines."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.perimeter.rings import Numbers, Points

Columns = dict[str, NDArray[Any]]
"""An answer while it is worked out: plain columns, one entry a position; a frame is made of them once."""

TEXT_OUT = ("ring_key", "face", "method", "refused", "note")
NUMBER_OUT = (
    "x", "y", "var_xx", "var_xy", "var_yy", "sigma_m", "sigma_major_m", "sigma_minor_m", "sigma_along_m",
    "sigma_across_m", "chainage_m", "chainage_sigma_m", "offset_m", "mirror_x", "mirror_y",
    "residual_1_m", "residual_2_m", "residual_3_m", "residual_4_m",
)  # fmt: skip
LINE = ("line_e", "line_n")


def blank_answer(count: int) -> Columns:
    """Return an answer with nothing fixed yet, for so many positions."""
    numbers = {name: np.full(count, np.nan) for name in (*NUMBER_OUT, *LINE)}
    return numbers | {name: np.full(count, "", dtype=object) for name in TEXT_OUT}


def put(found: Columns, rows: Any, **columns: Any) -> None:
    """Write columns of some rows of an answer."""
    for name, values in columns.items():
        found[name][rows] = values


def put_points(found: Columns, rows: Any, point: Points, covariance: Numbers, line: Points) -> None:
    """Write points with their covariance and the line they were taken from.

    Parameters
    ----------
    point
        (n, 2), metres.
    covariance
        (n, 2, 2), m².
    line
        (n, 2) direction of the wall, base line or sight; of any length.
    """
    put(
        found,
        rows,
        x=point[:, 0],
        y=point[:, 1],
        var_xx=covariance[:, 0, 0],
        var_xy=covariance[:, 0, 1],
        var_yy=covariance[:, 1, 1],
        line_e=line[:, 0],
        line_n=line[:, 1],
    )


def turned(along: Numbers, across: Numbers, direction: Points) -> Numbers:
    """Return the (n, 2, 2) covariance of sigmas along and across unit directions."""
    square = np.column_stack([-direction[:, 1], direction[:, 0]])
    covariance = np.einsum("n,ni,nj->nij", along**2, direction, direction)
    return np.asarray(covariance + np.einsum("n,ni,nj->nij", across**2, square, square), dtype=np.float64)


def spread_along(xx: Numbers, xy: Numbers, yy: Numbers, direction: Points) -> Numbers:
    """Return the sigma of points along unit directions, from their covariance."""
    e, n = direction[:, 0], direction[:, 1]
    return np.asarray(np.sqrt(np.maximum(0.0, xx * e**2 + 2 * xy * e * n + yy * n**2)), dtype=np.float64)


def finish(found: Columns, index: pd.Index[Any]) -> pd.DataFrame:
    """Return an answer as a frame, its sigmas worked out and refused rows emptied of numbers."""
    xx, xy, yy = (found[name] for name in ("var_xx", "var_xy", "var_yy"))
    line = np.column_stack([found[name] for name in LINE])
    length = np.hypot(line[:, 0], line[:, 1])
    line = line / np.where(length > 0, length, np.nan)[:, None]
    half, bend = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    put(
        found,
        slice(None),
        sigma_m=np.sqrt(xx + yy),
        sigma_major_m=np.sqrt(half + bend),
        sigma_minor_m=np.sqrt(np.maximum(0.0, half - bend)),
        sigma_along_m=spread_along(xx, xy, yy, line),
        sigma_across_m=spread_along(xx, xy, yy, np.column_stack([-line[:, 1], line[:, 0]])),
    )
    failed = found["refused"] != ""
    for name in NUMBER_OUT:
        if not name.startswith("residual"):
            found[name][failed] = np.nan
    return pd.DataFrame({name: found[name] for name in (*NUMBER_OUT, *TEXT_OUT)}, index=index)
