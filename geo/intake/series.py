"""A logger's series, and records picked from it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geo.errors import InputError, Problem
from geo.site.records import Environment
from geo.site.tables import build


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """What a logger wrote, in order of time.

    Parameters
    ----------
    file, sha256
        File as it is shown, and the hash of its bytes, which are kept beside it.
    times
        (n,) UTC, seconds.
    rows
        Row of the file each stands in.
    values
        (n,) numbers of each field there is; NaN where a cell was blank.
    interval_s
        The usual time between two readings, NaN for fewer than two.
    gaps
        Beginning and end, UTC, of waits longer than ``intake.logger_gap`` intervals.
    zone
        Zone the file's own times are in.
    """

    file: str
    sha256: str
    times: NDArray[np.datetime64]
    rows: NDArray[np.int64]
    values: Mapping[str, NDArray[np.float64]]
    interval_s: float
    gaps: tuple[tuple[str, str], ...]
    zone: str

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.times)


def environment_records(
    series: Series,
    *,
    place: str,
    instrument: str,
    every_h: float,
    existing_ids: Collection[str] = (),
    id_prefix: str = "air",
    fixed: Mapping[str, str] | None = None,
) -> tuple[Environment, ...]:
    """Return readings picked from a series as environment records: one for each step, none averaged.

    Parameters
    ----------
    series
        The series, which is kept whole elsewhere.
    place
        Word of ``air_place``.
    instrument
        The logger's own id.
    every_h
        Hours between two records; the first reading of each step is picked. A step in
        which the logger was silent has no record.
    existing_ids
        Ids the site has already.
    id_prefix
        Beginning of the ids.
    fixed
        Further fields, as the position of the logger.

    Raises
    ------
    InputError
        When the step is not above nought, or the place or a further field cannot be.
    """
    if not every_h > 0:
        raise InputError(
            [
                Problem(
                    file=series.file,
                    found=f"a step of {every_h:g} h",
                    allowed="more than nought",
                    mend="Correct it.",
                )
            ]
        )
    seconds = series.times.astype("datetime64[s]").astype(np.int64)
    step = max(1, round(every_h * 3600))
    _, first = np.unique(seconds // step, return_index=True)
    taken = set(existing_ids)
    out: list[Environment] = []
    number = 0
    for at in first.tolist():
        number += 1
        while f"{id_prefix}-{number:04d}" in taken:
            number += 1
        given = {name: float(column[at]) for name, column in series.values.items() if np.isfinite(column[at])}
        when = f"{series.times[at].astype('datetime64[s]')}Z"
        whole = {
            **(fixed or {}),
            **given,
            "id": f"{id_prefix}-{number:04d}",
            "place": place,
            "instrument": instrument,
            "taken_at": when,
        }
        record, said = build(Environment, whole, file=series.file, row=int(series.rows[at]))
        if said:
            raise InputError(said)  # what is wrong with one is wrong with all: the place, the position
        if isinstance(record, Environment):
            out.append(record)
    return tuple(out)
