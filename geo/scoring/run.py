"""Many houses scored by processes beside each other; each house is the same alone or among a thousand."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context

import pandas as pd
from threadpoolctl import threadpool_limits

from geo.scoring.judge import score_house
from geo.scoring.kinds import Scored
from geo.weights import Weights

HALVES = {"tune": (1,), "report": (0,), "both": (0, 1)}
CHUNK = 4


def numbers_of(count: int, half: str) -> list[int]:
    """Return the numbers of the houses of one half: odd ones to tune on, even ones to report on."""
    return [number for number in range(1, count + 1) if number % 2 in HALVES[half]]


def score_houses(
    numbers: Sequence[int], *, seed: int, weights: Weights | None = None, workers: int | None = None
) -> Iterator[Scored]:
    """Score houses by number, in order, as they are done.

    Parameters
    ----------
    workers
        Processes; by default one for each processor.
    """
    count = workers or os.cpu_count() or 1
    one = partial(score_house, seed, weights=weights)
    # Fresh processes: forked ones would inherit threads of whoever asks.
    context = get_context("spawn")
    with ProcessPoolExecutor(max_workers=count, mp_context=context, initializer=_start) as pool:
        yield from pool.map(one, numbers, chunksize=CHUNK)


def _start() -> None:
    """Keep a worker to one processor and its text to plain objects: quicker, and no answer changes."""
    threadpool_limits(limits=1)
    pd.set_option("future.infer_string", False)
