"""Does the ranking depend on the points? Every weight is moved up or down at random, many times."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geo.evidence.support import capped
from geo.evidence.support_board import Board, raw_points
from geo.weights import ROUTE, Weights

Draws = NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Leader:
    """The best supported cause of a stretch, and whether it stays so when the points are moved.

    Parameters
    ----------
    key, short
        The candidate, and as it is named in a sentence; of several with equal points the first.
    held, of
        In how many of how many draws it alone had most points.
    clear
        Whether it held in enough of them.
    level_with
        Others that have as many points.
    proven
        Whether a test proved it: then points do not decide.
    way_in
        Whether it is the leader of the ways in, and not of what gives or imitates water.
    examined
        Whether anything of it was looked at; what was not may come first by points, and leads nothing.
    """

    key: str
    short: str
    held: int
    of: int
    clear: bool
    level_with: tuple[str, ...] = ()
    proven: bool = False
    way_in: bool = False
    examined: bool = True

    @property
    def _named(self) -> str:
        return self.short[:1].upper() + self.short[1:]

    @property
    def said(self) -> str:
        """What to say of it, in a sentence."""
        if self.proven:
            return f"{self._named} is proven."
        among = "ways in" if self.way_in else "sources and mimics"
        held = f"holds in {self.held} of {self.of} draws of the weights"
        if not self.examined:
            return f"No leader among {among}: {self.short} has most points, and was not examined."
        if self.clear:
            return f"{self._named} leads among {among}, and {held}."
        return f"No clear leader among {among}: {self.short} {held}."


@dataclass(frozen=True, slots=True, kw_only=True)
class Steadiness:
    """The leader among what gives or imitates water, and the leader among the ways in, of one stretch."""

    feed: Leader | None
    route: Leader | None


def steadiness(board: Board) -> Mapping[str, Steadiness]:
    """Find the leaders of every stretch and count in how many draws of the weights each holds.

    In each draw every weight that is not nought goes up or down by ``robustness.step``, each way as
    likely; points are added up and capped as ever. A cause with nothing for it does not lead.

    Returns
    -------
    By stretch.
    """
    number = board.weights.number
    if not board.candidates:
        return {}
    now = capped(board, raw_points(board))
    moved = capped(board, raw_points(board, _moved(board.weights)))
    route = board.flag(lambda cause: cause.kind == ROUTE)
    own: dict[str, list[int]] = defaultdict(list)
    for place, candidate in enumerate(board.candidates):
        own[candidate.stretch_id].append(place)
    found = {}
    for stretch_id, places in own.items():
        leaders = [
            _leader(board, [place for place in places if route[place] == ways_in], now, moved,
                    holds=number("robustness.holds"), least=number("words.possible"))
            for ways_in in (False, True)
        ]  # fmt: skip
        found[stretch_id] = Steadiness(feed=leaders[0], route=leaders[1])
    return found


def _leader(
    board: Board, places: Sequence[int], now: Draws, moved: Draws, *, holds: float, least: float
) -> Leader | None:
    if not places:
        return None
    own = now[list(places)]
    first = places[int(own.argmax())]
    if now[first] < least:
        return None
    level = [board.candidates[place].key for place in places if now[place] == now[first] and place != first]
    others = [place for place in places if place != first]
    above = moved[first] > moved[others].max(axis=0) if others else moved[first] >= least
    top = board.candidates[first]
    held, draws = int(above.sum()), moved.shape[1]
    cause = board.weights.cause_of[top.cause]
    return Leader(
        key=top.key, short=cause.named(top.of_id), held=held, of=draws, clear=held >= holds * draws,
        level_with=tuple(level), way_in=cause.kind == ROUTE,
    )  # fmt: skip


def _moved(weights: Weights) -> Draws:
    """Return (codes, rows, draws) points, the same ones every time."""
    number = weights.number
    return _drawn(
        weights.points.tobytes(), weights.points.shape, int(number("robustness.draws")),
        number("robustness.step"), int(number("robustness.seed")),
    )  # fmt: skip


@lru_cache(4)
def _drawn(points: bytes, shape: tuple[int, int], draws: int, step: float, seed: int) -> Draws:
    table = np.frombuffer(points, dtype=np.float64).reshape(shape).T[:, :, None]
    signs = np.random.default_rng(seed).integers(0, 2, size=(*table.shape[:2], draws), dtype=np.int8)
    moved = table + np.where(table != 0, step * (2.0 * signs - 1.0), 0.0)
    # Whole points add up much faster as small whole numbers.
    whole = bool((moved == np.rint(moved)).all())
    return np.ascontiguousarray(moved.astype(np.int16 if whole else np.float32))
