"""The table of fixed positions: its columns, how they are filled, and the spread along given lines."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geo.perimeter.rings import Numbers, Points

TEXT_OUT = ("ring_key", "face", "method", "refused", "note")
NUMBER_OUT = (
    "x", "y", "var_xx", "var_xy", "var_yy", "sigma_m", "sigma_major_m", "sigma_minor_m", "sigma_along_m",
    "sigma_across_m", "chainage_m", "chainage_sigma_m", "offset_m", "mirror_x", "mirror_y",
    "residual_1_m", "residual_2_m", "residual_3_m", "residual_4_m",
)  # fmt: skip
LINE = ("line_e", "line_n")


def blank_answer(index: pd.Index[Any]) -> pd.DataFrame:
    """Return an answer with nothing fixed yet, one row a position."""
    count = len(index)
    numbers = {name: np.full(count, np.nan) for name in (*NUMBER_OUT, *LINE)}
    return pd.DataFrame(numbers | {name: np.full(count, "", dtype=object) for name in TEXT_OUT}, index=index)


def put(found: pd.DataFrame, rows: Any, **columns: Any) -> None:
    """Write columns of some rows of an answer."""
    for name, values in columns.items():
        found.iloc[rows, found.columns.get_loc(name)] = values


def put_points(found: pd.DataFrame, rows: Any, point: Points, covariance: Numbers, line: Points) -> None:
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


def finish(found: pd.DataFrame) -> pd.DataFrame:
    """Return an answer with its sigmas worked out and refused rows emptied of numbers."""
    answer = found.copy()
    xx, xy, yy = (answer[name].to_numpy(dtype=np.float64) for name in ("var_xx", "var_xy", "var_yy"))
    line = answer[list(LINE)].to_numpy(dtype=np.float64)
    length = np.hypot(line[:, 0], line[:, 1])
    line = line / np.where(length > 0, length, np.nan)[:, None]
    half, bend = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    answer["sigma_m"] = np.sqrt(xx + yy)
    answer["sigma_major_m"] = np.sqrt(half + bend)
    answer["sigma_minor_m"] = np.sqrt(np.maximum(0.0, half - bend))
    answer["sigma_along_m"] = spread_along(xx, xy, yy, line)
    answer["sigma_across_m"] = spread_along(xx, xy, yy, np.column_stack([-line[:, 1], line[:, 0]]))
    failed = answer["refused"].to_numpy() != ""
    residuals = [name for name in NUMBER_OUT if name.startswith("residual")]
    answer.loc[failed, [name for name in NUMBER_OUT if name not in residuals]] = np.nan
    return answer.drop(columns=list(LINE))
