"""The wall of an invented house: its outline, walked clockwise in short steps."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

STEP_M = 0.1


@dataclass(slots=True, kw_only=True, eq=False)
class Wall:
    """The outside of a house, unrolled.

    Parameters
    ----------
    corners
        Corners in the house's own axes, m, clockwise seen from above from the front-left one, (n, 2).
    free
        Whether each face has an outside.
    turn, shift
        Rotation (2, 2) and translation from the house's axes to the site's grid.
    """

    corners: Numbers
    free: Flags
    turn: Numbers
    shift: Numbers
    starts: Numbers = field(init=False)
    length: float = field(init=False)
    s: Numbers = field(init=False)
    face: npt.NDArray[np.intp] = field(init=False)
    arc: npt.NDArray[np.int64] = field(init=False)

    def __post_init__(self) -> None:
        sides = np.roll(self.corners, -1, axis=0) - self.corners
        lengths = np.hypot(sides[:, 0], sides[:, 1])
        self.starts = np.concatenate([[0.0], np.cumsum(lengths)])
        self.length = float(self.starts[-1])
        count = round(self.length / STEP_M)
        self.s = (np.arange(count) + 0.5) * self.length / count
        self.face = np.searchsorted(self.starts, self.s, side="right") - 1
        self.arc = self._arcs()

    def _arcs(self) -> npt.NDArray[np.int64]:
        """Return the number of the walkable length each step is on; party faces have -1."""
        outside = self.free[self.face]
        if outside.all():
            return np.zeros(len(self.s), dtype=np.int64)
        number = np.cumsum(outside & ~np.roll(outside, 1))
        last = int(number.max())
        # The arc that runs through the origin corner is one with the first.
        number = np.where(number == last, 0, number) if outside[0] and outside[-1] else number
        return np.where(outside, number, -1).astype(np.int64)

    @property
    def outside(self) -> Flags:
        """Whether each step has an outside."""
        return np.asarray(self.free[self.face])

    def at(self, chainage: float | Numbers) -> npt.NDArray[np.intp]:
        """Return the step at a chainage."""
        place = np.floor(np.mod(chainage, self.length) / self.length * len(self.s)).astype(np.intp)
        return np.minimum(place, len(self.s) - 1)

    def along(self, chainage: float) -> Numbers:
        """Return how far clockwise each step is from a chainage, m; infinite beyond a party wall."""
        half = self.length / 2
        apart = np.mod(self.s - chainage + half, self.length) - half
        own = self.arc[int(self.at(chainage))]
        if own < 0:
            same = self.face == self.face[int(self.at(chainage))]
            return np.where(same, apart, np.inf)
        return np.where(self.arc == own, self._within(apart, chainage), np.inf)

    def _within(self, apart: Numbers, chainage: float) -> Numbers:
        """Take the way that stays outside where the shorter way round crosses a party wall."""
        if self.free.all():
            return apart
        barred = np.flatnonzero(self.arc < 0)
        # Walk from the first step after a party wall, so that no arc wraps.
        start = self.s[(int(barred[-1]) + 1) % len(self.s)] if len(barred) else 0.0
        unrolled = np.mod(self.s - start, self.length)
        return np.asarray(unrolled - np.mod(chainage - start, self.length))

    def between(self, start: float, end: float) -> Flags:
        """Return whether each step lies in a length of wall, clockwise from start to end."""
        return np.asarray(np.mod(self.s - start, self.length) <= np.mod(end - start, self.length))

    def own_point(self, chainage: float, offset: float = 0.0) -> Numbers:
        """Return a point beside the wall in the house's axes; offsets are outward."""
        place = float(np.mod(chainage, self.length))
        face = min(int(np.searchsorted(self.starts, place, side="right")) - 1, len(self.corners) - 1)
        first = self.corners[face]
        way = np.roll(self.corners, -1, axis=0)[face] - first
        way = way / np.hypot(way[0], way[1])
        outward = np.array([-way[1], way[0]])
        return np.asarray(first + way * (place - self.starts[face]) + outward * offset)

    def points(self) -> Numbers:
        """Return every step in the house's axes, (n, 2)."""
        first = self.corners[self.face]
        way = (np.roll(self.corners, -1, axis=0) - self.corners) / np.diff(self.starts)[:, None]
        return np.asarray(first + way[self.face] * (self.s - self.starts[self.face])[:, None])

    def normals(self) -> Numbers:
        """Return the outward direction of every step in the house's axes, (n, 2)."""
        way = (np.roll(self.corners, -1, axis=0) - self.corners) / np.diff(self.starts)[:, None]
        outward = np.column_stack([-way[:, 1], way[:, 0]])
        return np.asarray(outward[self.face])

    def grid(self, own: Numbers) -> Numbers:
        """Return points of the house's axes in the site's grid."""
        return np.asarray(np.atleast_2d(own) @ self.turn.T + self.shift)

    def ranges(self, wet: Flags) -> tuple[tuple[float, float], ...]:
        """Return the lengths of wall where a flag holds, clockwise, as (from, to); ``to`` may be below."""
        if not wet.any():
            return ()
        if wet.all():
            return ((0.0, self.length),)
        half = self.length / len(self.s) / 2
        first = np.flatnonzero(wet & ~np.roll(wet, 1))
        last = np.flatnonzero(wet & ~np.roll(wet, -1))
        if last[0] < first[0]:
            last = np.roll(last, -1)
        return tuple(
            (float(self.s[a] - half), float(self.s[b] + half)) for a, b in zip(first, last, strict=True)
        )
