"""The sums behind repairs: plain numbers in, plain numbers out, over arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Numbers = NDArray[np.float64]
SLIVER = 1e-9


def _numbers(value: ArrayLike) -> Numbers:
    return np.asarray(value, dtype=np.float64)


def whole(value: ArrayLike) -> Numbers:
    """Round up to whole pieces; a value that is whole but for rounding stays."""
    return np.asarray(np.ceil(_numbers(value) - SLIVER), dtype=np.float64)


def ordered(net: ArrayLike, waste: ArrayLike) -> Numbers:
    """Return a net quantity with its waste, ``net (1 + waste)``."""
    return np.asarray(_numbers(net) * (1.0 + _numbers(waste)), dtype=np.float64)


def surround_m2(long_m: ArrayLike, wide_m: ArrayLike, each_m: ArrayLike) -> Numbers:
    """Return the area of a surround, m²: ``(a + 2e)(b + 2e) - a b``."""
    a, b, e = _numbers(long_m), _numbers(wide_m), _numbers(each_m)
    return np.asarray((a + 2 * e) * (b + 2 * e) - a * b, dtype=np.float64)


def brackets_count(height_m: ArrayLike, spacing_m: ArrayLike) -> Numbers:
    """Return brackets of a pipe on a wall: ``⌈H / spacing⌉ + 1``."""
    return np.asarray(whole(_numbers(height_m) / _numbers(spacing_m)) + 1.0, dtype=np.float64)


def joints_count(length_m: ArrayLike, piece_m: ArrayLike) -> Numbers:
    """Return joints between pieces of a length: ``⌈L / piece⌉ - 1``, never less than none."""
    return np.asarray(np.maximum(whole(_numbers(length_m) / _numbers(piece_m)) - 1.0, 0.0), dtype=np.float64)


def openings_count(lengths_m: ArrayLike, spacing_m: float, *, shared: int = 0) -> float:
    """Return openings along walls: ``Σ (⌈L / spacing⌉ + 1) - shared``.

    Parameters
    ----------
    lengths_m
        (n,) length of each face, m.
    shared
        Corners two of these faces meet at, whose opening serves both.
    """
    lengths = np.atleast_1d(_numbers(lengths_m))
    return float(np.sum(whole(lengths / spacing_m) + 1.0) - shared) if len(lengths) else 0.0


def strip_m2(
    length_m: ArrayLike, width_m: ArrayLike, *, inner_corners: ArrayLike = 0, outer_corners: ArrayLike = 0
) -> Numbers:
    """Return the area of a strip of floor along walls, m².

    Parameters
    ----------
    length_m
        Length of the walls' inside faces.
    inner_corners
        Corners of the room that point away from it (of 90°): two strips lie over one another there.
    outer_corners
        Corners that point into the room: a square is left between two strips, and is cut as well.
    """
    length, width = _numbers(length_m), _numbers(width_m)
    corners = _numbers(inner_corners) - _numbers(outer_corners)
    return np.asarray(length * width - corners * width**2, dtype=np.float64)


def plaster_height_m(
    damp_m: ArrayLike, *, least_m: ArrayLike, over_m: ArrayLike, step_m: ArrayLike
) -> Numbers:
    """Return the height plaster is hacked off to, m: ``max(least, damp + over)``, rounded up to a step.

    ``damp_m`` is the highest sign of damp or salts above the floor; NaN gives NaN.
    """
    step = _numbers(step_m)
    wanted = np.maximum(_numbers(least_m), _numbers(damp_m) + _numbers(over_m))
    return np.asarray(whole(wanted / step) * step, dtype=np.float64)


def opening_m2(width_m: ArrayLike, *, sill_m: ArrayLike, head_m: ArrayLike, height_m: ArrayLike) -> Numbers:
    """Return how much of an opening lies below a height, m²; sill and head are above the floor."""
    tall = np.minimum(_numbers(head_m), _numbers(height_m)) - np.maximum(_numbers(sill_m), 0.0)
    return np.asarray(_numbers(width_m) * np.maximum(tall, 0.0), dtype=np.float64)


def lowered(
    clearance_mm: ArrayLike, *, length_m: ArrayLike, width_m: ArrayLike, wanted_mm: float
) -> tuple[Numbers, Numbers]:
    """Return what is dug to lower ground beside pieces of wall, each (n,): area, m², and volume, m³.

    ``∫ width ds`` where the clearance is less than wanted, and ``∫ max(0, wanted - c(s)) width ds``.
    A piece whose clearance is NaN gives NaN.
    """
    clear, length, width = np.broadcast_arrays(_numbers(clearance_mm), _numbers(length_m), _numbers(width_m))
    depth = np.maximum(wanted_mm - clear, 0.0) / 1000.0
    plan = np.where(np.isnan(clear), np.nan, np.where(depth > 0, length * width, 0.0))
    return plan, np.asarray(depth * length * width, dtype=np.float64)


def pointing_m3(
    area_m2: ArrayLike, *, depth_m: ArrayLike, joint_m: ArrayLike, long_m: ArrayLike, high_m: ArrayLike
) -> Numbers:
    """Return mortar to point brickwork, m³: bed joints ``1/h``, perpends ``(h - j)/(l h)`` m a m².

    Parameters
    ----------
    depth_m, joint_m
        Depth raked out and thickness of a joint.
    long_m, high_m
        A brick with its joint.
    """
    high, joint = _numbers(high_m), _numbers(joint_m)
    metres = 1.0 / high + (high - joint) / (_numbers(long_m) * high)
    return np.asarray(_numbers(area_m2) * metres * joint * _numbers(depth_m), dtype=np.float64)


def skips_count(
    loose_m3: ArrayLike, tonnes: ArrayLike, *, skip_m3: float, skip_t: float
) -> tuple[float, str]:
    """Return how many skips, and whether ``volume`` or ``weight`` decides it.

    Parameters
    ----------
    loose_m3, tonnes
        Of everything thrown away; sums of both are held against what one skip takes.
    """
    volume = float(np.sum(_numbers(loose_m3))) / skip_m3
    weight = float(np.sum(_numbers(tonnes))) / skip_t
    most = max(volume, weight)
    return float(whole(most)), "weight" if weight > volume else "volume"
