"""Differences of level, with what two levels have in common taken out."""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import numpy as np
import pandas as pd

from geo.levels.book import LevelBook
from geo.verdict import Measured


def difference(book: LevelBook, upper: Hashable, lower: Hashable) -> Measured:
    """Return the level of one line of the book less that of another, in metres.

    Two levels of one set-up share its height of collimation, so that neither the bench mark nor the
    backsight has any part in the difference or in its sigma; two levels of different set-ups share what
    the set-ups before both have in common.

    Raises
    ------
    KeyError
        When a line is not in the book.
    """
    row = differences(book, [upper], [lower]).iloc[0]
    return Measured(float(row["difference_m"]), float(row["sigma_m"]))


def differences(book: LevelBook, upper: Sequence[Hashable], lower: Sequence[Hashable]) -> pd.DataFrame:
    """Return the differences of many pairs of lines, upper less lower.

    Parameters
    ----------
    upper, lower
        Labels of lines, as many of one as of the other.

    Returns
    -------
    ``upper``, ``lower``, ``difference_m``, ``sigma_m``, ``same_setup`` (bool); NaN where a line has no
    level.

    Raises
    ------
    KeyError
        When a line is not in the book.
    """
    at = [book.levels.index.get_indexer(pd.Index(list(side), dtype=object)) for side in (upper, lower)]
    missing = [
        name
        for side, rows in zip((upper, lower), at, strict=True)
        for name, i in zip(side, rows, strict=True)
        if i < 0
    ]
    if missing:
        raise KeyError(f"no line {missing[0]!r} in the level book")
    a, b = at
    level, cov = book.levels["level_m"].to_numpy(dtype=float), book.covariance
    variance = cov[a, a] + cov[b, b] - 2 * cov[a, b]
    setup, run = book.levels["setup_id"].to_numpy(dtype=object), book.levels["run"].to_numpy()
    return pd.DataFrame(
        {
            "upper": list(upper),
            "lower": list(lower),
            "difference_m": level[a] - level[b],
            "sigma_m": np.sqrt(np.maximum(variance, 0)),
            "same_setup": (setup[a] == setup[b]) & (run[a] == run[b]) & (run[a] > 0),
        }
    )
