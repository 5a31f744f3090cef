"""Reduction of a level book, by height of collimation and by rise and fall, with its checks.

A run of levelling goes from a known level to the next one it closes on, or to the end of the book.
Its change of level is counted three ways (sights, rises and falls, reduced levels), which must agree;
only the known level it closes on can show a staff misread.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geo.levels.booked import agreement, differences_booked, with_booked
from geo.levels.sights import BACK, FORE, Layout, Run, Sight, lay_out
from geo.reference import Reference
from geo.verdict import NOT_KNOWN

Numbers = npt.NDArray[np.float64]

CLOSES, MISSES = "closes", "does not close"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelBook:
    """A reduced level book.

    Parameters
    ----------
    levels
        One row a line of the book, same index: ``point``, ``setup_id`` (that sighted it), ``run``,
        ``raw_level_m`` (as reduced), ``correction_m`` (its share of the misclosure), ``level_m``,
        ``sigma_m``, ``word`` (whether its run closes). A line without a sight has NaN.
    sights
        One row a sight in order of reduction: ``line`` (label of the book), ``point``, ``setup_id``,
        ``run``, ``kind``, ``reading_m``, ``hpc_m`` (height of collimation), ``level_m`` (from it, as
        reduced), ``rise_m``, ``fall_m``, ``level_by_rise_m``.
    runs
        Index ``run``: ``from_point``, ``to_point``, ``n_setups``, ``sum_backsights_m``,
        ``sum_foresights_m`` (the last sight counted as one), ``sum_rises_m``, ``sum_falls_m``,
        ``difference_m`` (last level less first), ``arithmetic_ok``, ``arithmetic_because``, ``found_m``,
        ``known_m``, ``tied`` (it begins or ends on a known level; without one its levels are not known,
        its rises and falls are), ``misclosure_mm``, ``allowed_setups_mm``, ``allowed_distance_mm``,
        ``within_distance`` (``"yes"``, ``"no"``, ``"not known"``), ``word`` (``"closes"``, ``"does not
        close"``, ``"not known"``), ``because``, ``settle``.
    differs
        Lines whose booked rise, fall or level is not what their sights give: ``line``, ``point``,
        ``column``, ``booked_m``, ``reduced_m``, ``said``.
    covariance
        Of ``levels.level_m``, m², in the order of ``levels``; NaN where there is no level.
    """

    levels: pd.DataFrame
    sights: pd.DataFrame
    runs: pd.DataFrame
    differs: pd.DataFrame
    covariance: Numbers


def reduce_book(book: pd.DataFrame, *, ref: Reference, distance_km: float = math.nan) -> LevelBook:
    """Reduce a level book and share out what it misses by, where that is within the allowance.

    A misclosure within ``levels.misclosure_mm`` √n, n the set-ups of the run, is shared out in
    proportion to the set-ups passed: what is sighted from the k-th moves by -k/n of it. Beyond that
    nothing is shared out, and each sigma is widened as if the miss had grown set-up by set-up. The
    sigma of a level grows with the sights it rests on, and shrinks where its run is tied at both ends;
    levels of one set-up share the error of its backsight (see ``covariance``). Bench marks count as
    free of error: levels are above the site's own datum. A run from a bench mark without a known level
    is carried back from the known level it ends on, and closes nothing; with none at all its levels stay
    not known, and no datum is made up for it.

    Parameters
    ----------
    book
        Lines as booked, labels unique: ``point`` (name; may be blank: a backsight booked next after a
        foresight is then on the same change point), ``setup_id`` (may be blank), ``backsight_m``,
        ``intermediate_sight_m``, ``foresight_m``, ``known_level_m`` (NaN where none); optionally
        ``sight_sigma_m`` (else ``levels.staff_sigma_m``), ``role`` (``bench_mark`` where it is one), and
        ``booked_rise_m``, ``booked_fall_m``, ``booked_level_m`` to hold somebody's own reduction against
        the sights.
    distance_km
        Length of each run one way; gives the allowance by distance beside that by set-ups, which
        decides.

    Raises
    ------
    InputError
        When the lines cannot be followed: a set-up without a backsight or with two, a backsight on a
        point of no known level, an intermediate sight beside another.
    """
    laid = lay_out(book)
    told = book["sight_sigma_m"] if "sight_sigma_m" in book else pd.Series(np.nan, index=book.index)
    sigmas = told.fillna(ref.value("levels.staff_sigma_m")).to_numpy(dtype=float)
    work = _Reduction(laid, sigmas)
    runs = [work.run(run, ref=ref, distance_km=distance_km) for run in laid.runs]
    sights = work.sights(book)
    levels, covariance = work.levels(book, [row["word"] for row in runs])
    differs = differences_booked(book, sights)
    table = pd.DataFrame(runs, index=pd.RangeIndex(1, len(runs) + 1, name="run"))
    return LevelBook(
        levels=levels,
        sights=sights,
        runs=with_booked(table, book, sights),
        differs=differs,
        covariance=covariance,
    )


class _Reduction:
    """Levels of the sights of a book as they are worked out, each a linear form in the readings.

    Row ``i`` of ``design`` holds by how much the adjusted level of sight ``i`` moves with each reading,
    so that all covariances follow from the readings' own sigmas.
    """

    def __init__(self, laid: Layout, line_sigma: Numbers) -> None:
        self.known = laid.known
        self.order: list[Sight] = []
        self.setup_of: list[str] = []
        self.run_of: list[int] = []
        for number, run in enumerate(laid.runs, start=1):
            for setup in run.setups:
                mine = [setup.back, *setup.onward]
                self.order += mine
                self.setup_of += [setup.name] * len(mine)
                self.run_of += [number] * len(mine)
        self.at = {id(sight): i for i, sight in enumerate(self.order)}
        n = len(self.order)
        self.sigma = line_sigma[[sight.line for sight in self.order]] if n else np.empty(0)
        self.design = np.zeros((n, n))
        self.widened = np.zeros((n, n))
        self.raw, self.by_rise, self.hpc = (np.full(n, np.nan) for _ in range(3))
        self.rise, self.correction = np.full(n, np.nan), np.zeros(n)

    def run(self, run: Run, *, ref: Reference, distance_km: float) -> dict[str, Any]:
        """Reduce one run, close it, and return its row."""
        first = self.at[id(run.setups[0].back)]
        base, base_row = run.start_level_m, np.zeros(len(self.order))
        if run.start is not None:
            origin = self.at[id(run.start)]
            base, base_row = self.raw[origin] + self.correction[origin], self.design[origin].copy()
        tied = not math.isnan(base)
        if not tied:
            base, base_row = self._carried_back(run)
        hangs = not math.isnan(base)
        base = base if hangs else 0.0
        level, row, rise_level = base, base_row, base
        mine: list[int] = []
        passed: list[int] = []
        for k, setup in enumerate(run.setups, start=1):
            back = self.at[id(setup.back)]
            self.raw[back] = level
            self.by_rise[back], self.hpc[back] = rise_level, level + setup.back.reading_m
            self.design[back] = row
            reading, height = setup.back.reading_m, rise_level
            mine.append(back)
            passed.append(k - 1)
            for sight in setup.onward:
                i = self.at[id(sight)]
                self.rise[i] = reading - sight.reading_m
                height, reading = height + self.rise[i], sight.reading_m
                self.hpc[i], self.by_rise[i] = self.hpc[back], height
                self.raw[i] = self.hpc[back] - sight.reading_m
                self.design[i] = row
                self.design[i, back] += 1
                self.design[i, i] -= 1
                mine.append(i)
                passed.append(k)
            last = mine[-1]
            level, row, rise_level = self.raw[last], self.design[last].copy(), self.by_rise[last]
        if run.start is not None:
            inherited = self.widened[self.at[id(run.start)]].copy()
            self.widened[mine] = inherited
            self.widened[:, mine] = inherited[:, None]
            self.widened[np.ix_(mine, mine)] = inherited[self.at[id(run.start)]]
        sums = self._sums(run, mine) | {"tied": hangs}
        if not tied:
            return sums | self._untied(run, mine, hangs=hangs, ref=ref, distance_km=distance_km)
        return sums | self._close(run, first, mine, passed, base, base_row, ref=ref, distance_km=distance_km)

    def _carried_back(self, run: Run) -> tuple[float, Numbers]:
        """Return the level a run must begin at to end on what is known there; NaN where nothing is."""
        row = np.zeros(len(self.order))
        end = run.setups[-1].fore
        if end is None or end.point not in self.known:
            return math.nan, row
        level = self.known[end.point]
        for setup in run.setups:
            level -= setup.back.reading_m - setup.onward[-1].reading_m
            row[self.at[id(setup.back)]] -= 1
            row[self.at[id(setup.onward[-1])]] += 1
        return level, row

    def _untied(
        self, run: Run, mine: list[int], *, hangs: bool, ref: Reference, distance_km: float
    ) -> dict[str, Any]:
        """Say of a run that begins on no known level what it hangs on; with nothing, take its levels away."""
        begins, end = run.setups[0].back.point, self.order[mine[-1]]
        row = {
            "found_m": float(self.raw[mine[-1]]) if hangs else math.nan,
            "known_m": self.known.get(end.point, math.nan),
            "misclosure_mm": math.nan,
            "allowed_setups_mm": ref.value("levels.misclosure_mm") * math.sqrt(len(run.setups)),
            "allowed_distance_mm": ref.value("levels.misclosure_km_mm") * math.sqrt(distance_km),
            "within_distance": NOT_KNOWN,
            "word": NOT_KNOWN,
            "settle": f"Give {begins} its known level (known_level_m), or level it from a bench mark.",
        }
        if hangs:
            said = f"{begins} has no known level: carried back from {end.point}"
            return row | {"because": f"{said}, so a misread staff would not show"}
        for each in (self.raw, self.by_rise, self.hpc):
            each[mine] = math.nan
        said = f"{begins} has no known level, so no level follows from it; its rises and falls stand"
        return row | {"because": said}

    def _sums(self, run: Run, mine: list[int]) -> dict[str, Any]:
        """Return the change of level counted three ways."""
        backs = sum(setup.back.reading_m for setup in run.setups)
        fores = sum(setup.onward[-1].reading_m for setup in run.setups if setup.onward)
        backs -= sum(setup.back.reading_m for setup in run.setups if not setup.onward)
        rises = self.rise[mine]
        up, down = float(np.nansum(rises[rises > 0])), float(-np.nansum(rises[rises < 0]))
        change = float(self.raw[mine[-1]] - self.raw[mine[0]])
        ways = (backs - fores, up - down, change)
        return {
            "from_point": run.setups[0].back.point,
            "to_point": self.order[mine[-1]].point,
            "n_setups": len(run.setups),
            "sum_backsights_m": backs,
            "sum_foresights_m": fores,
            "sum_rises_m": up,
            "sum_falls_m": down,
            "difference_m": change,
            **agreement(*ways),
        }

    def _close(
        self,
        run: Run,
        first: int,
        mine: list[int],
        passed: list[int],
        base: float,
        base_row: Numbers,
        *,
        ref: Reference,
        distance_km: float,
    ) -> dict[str, Any]:
        """Hold the end of a run against what is known there, and share out the miss or widen the sigmas."""
        n, end = len(run.setups), mine[-1]
        sight = self.order[end]
        back_at_start = sight.point == self.order[first].point
        known = self.known.get(sight.point, base if back_at_start else math.nan)
        allowed = ref.value("levels.misclosure_mm") * math.sqrt(n)
        by_distance = ref.value("levels.misclosure_km_mm") * math.sqrt(distance_km)
        row = {
            "found_m": float(self.raw[end]),
            "known_m": known,
            "misclosure_mm": math.nan,
            "allowed_setups_mm": allowed,
            "allowed_distance_mm": by_distance,
            "within_distance": NOT_KNOWN,
        }
        if sight.kind != FORE or math.isnan(known):
            because = "it does not end with a foresight on a known level, so a misread staff would not show"
            settle = "a foresight from the last set-up on a bench mark"
            return row | {"word": NOT_KNOWN, "because": because, "settle": settle}
        miss = float(self.raw[end]) - known
        row["misclosure_mm"] = mm = 1000 * miss
        if not math.isnan(by_distance):
            row["within_distance"] = "yes" if abs(mm) <= by_distance + 1e-6 else "no"
        rate = ref.value("levels.misclosure_mm")
        said = f"misses {sight.point} by {mm:+.0f} mm; {rate:g} √{n} = {allowed:.1f} mm allowed"
        share = np.array(passed, dtype=float) / n
        if abs(mm) <= allowed + 1e-6:
            tied = self.design[end] - (base_row if sight.point not in self.known else 0)
            self.correction[mine] = -share * miss
            self.design[mine] -= share[:, None] * tied[None, :]
            return row | {"word": CLOSES, "because": said, "settle": ""}
        grown = np.minimum(share[:, None], share[None, :]) * miss**2
        self.widened[np.ix_(mine, mine)] += grown
        settle = f"level the {n} set-ups again" if n > 1 else "level it again from a new set-up"
        return row | {"word": MISSES, "because": f"{said}: nothing was shared out", "settle": settle}

    def sights(self, book: pd.DataFrame) -> pd.DataFrame:
        """Return the sights in order of reduction."""
        return pd.DataFrame(
            {
                "line": [book.index[sight.line] for sight in self.order],
                "point": [sight.point for sight in self.order],
                "setup_id": self.setup_of,
                "run": self.run_of,
                "kind": [sight.kind for sight in self.order],
                "reading_m": [sight.reading_m for sight in self.order],
                "hpc_m": self.hpc,
                "level_m": self.raw,
                "rise_m": np.where(self.rise >= 0, self.rise, np.nan),
                "fall_m": np.where(self.rise < 0, -self.rise, np.nan),
                "level_by_rise_m": self.by_rise,
            }
        )

    def levels(self, book: pd.DataFrame, words: list[str]) -> tuple[pd.DataFrame, Numbers]:
        """Return one level a line, with covariances; the foresight of a change point gives its level."""
        size = len(book)
        own = np.full(size, -1)
        for i, sight in enumerate(self.order):
            if own[sight.line] < 0 or sight.kind != BACK:
                own[sight.line] = i
        some = np.flatnonzero(own >= 0)
        row = own[some]
        noise = (self.design[row] * self.sigma**2) @ self.design[row].T + self.widened[np.ix_(row, row)]
        lost = np.isnan(self.raw[row])
        noise[lost] = noise[:, lost] = np.nan
        covariance = np.full((size, size), np.nan)
        covariance[np.ix_(some, some)] = noise
        table = pd.DataFrame(
            {
                "point": book["point"],
                "setup_id": "",
                "run": 0,
                "raw_level_m": np.nan,
                "correction_m": np.nan,
                "level_m": np.nan,
                "sigma_m": np.nan,
                "word": "",
            },
            index=book.index,
        ).astype({"setup_id": object, "word": object})
        runs = np.array(self.run_of, dtype=np.int64)[row]
        put = {
            "setup_id": np.array(self.setup_of, dtype=object)[row],
            "run": runs,
            "raw_level_m": self.raw[row],
            "correction_m": self.correction[row],
            "level_m": self.raw[row] + self.correction[row],
            "sigma_m": np.sqrt(np.maximum(np.diag(noise), 0)),
            "word": np.array(["", *words], dtype=object)[runs],
        }
        for column, values in put.items():
            table.iloc[some, table.columns.get_loc(column)] = values
        return table, covariance
