"""How far it is along the outside, never through the building and never past a party wall."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from geo.perimeter.build import Perimeter
from geo.perimeter.rings import Numbers


def outside_distance(
    perimeter: Perimeter,
    ring_a: ArrayLike,
    chainage_a: ArrayLike,
    ring_b: ArrayLike,
    chainage_b: ArrayLike,
) -> Numbers:
    """Return the shortest walk along the outer face between each pair of places.

    Parameters
    ----------
    ring_a, chainage_a
        (n,) places.
    ring_b, chainage_b
        (m,) places.

    Returns
    -------
    (n, m) metres; infinite where a party wall bars the way both ways round, or the rings differ.
    """
    a, b = np.asarray(ring_a, dtype=object), np.asarray(ring_b, dtype=object)
    from_m, to_m = np.asarray(chainage_a, dtype=np.float64), np.asarray(chainage_b, dtype=np.float64)
    found = np.full((len(from_m), len(to_m)), np.inf)
    for ring_key in set(a) & set(b):
        faces = perimeter.faces[perimeter.faces["ring_key"] == ring_key]
        length = float(perimeter.rings.loc[ring_key, "length_m"])
        stops = np.r_[0.0, faces["chainage_to_m"].to_numpy()]
        party = np.r_[0.0, np.cumsum(np.where(faces["outside"], 0.0, faces["length_m"]))]
        rows, columns = np.flatnonzero(a == ring_key), np.flatnonzero(b == ring_key)
        here, there = np.mod(from_m[rows], length)[:, None], np.mod(to_m[columns], length)[None, :]
        low, high = np.minimum(here, there), np.maximum(here, there)
        barred = np.interp(high, stops, party) - np.interp(low, stops, party)
        direct, round_about = high - low, length - (high - low)
        whole = np.minimum(
            np.where(barred < 1e-6, direct, np.inf), np.where(party[-1] - barred < 1e-6, round_about, np.inf)
        )
        found[np.ix_(rows, columns)] = whole
    return found


def free_arcs(perimeter: Perimeter) -> list[tuple[str, float, float, bool]]:
    """Return the lengths of wall one can walk along without meeting a party wall.

    Returns
    -------
    Tuples of ring_key, chainage from, chainage to (greater than the ring's length where the arc runs
    past the origin corner), and whether the arc is the whole closed ring.
    """
    arcs: list[tuple[str, float, float, bool]] = []
    for ring_key, faces in perimeter.faces.groupby("ring_key", sort=False):
        length = float(perimeter.rings.loc[ring_key, "length_m"])
        outside = faces["outside"].to_numpy()
        begins, ends = faces["chainage_from_m"].to_numpy(), faces["chainage_to_m"].to_numpy()
        if outside.all():
            arcs.append((str(ring_key), 0.0, length, True))
            continue
        if not outside.any():
            continue
        turn = int(np.flatnonzero(~outside)[0]) + 1
        order = (np.arange(len(faces)) + turn) % len(faces)
        wrapped = np.where(order < turn, length, 0.0)
        start: float | None = None
        for i, lap in zip(order, wrapped, strict=True):
            if outside[i] and start is None:
                start = float(begins[i] + lap)
            if not outside[i] and start is not None:
                arcs.append((str(ring_key), start, float(begins[i] + lap), False))
                start = None
        if start is not None:
            arcs.append((str(ring_key), start, float(ends[order[-1]] + wrapped[-1]), False))
    return arcs
