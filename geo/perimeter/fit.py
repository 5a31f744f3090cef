"""Taped face lengths fitted to the outline from a map, by least squares."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from geo.perimeter.rings import Numbers, Points
from geo.reference import Reference


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TapeFit:
    """How taped lengths agree with an outline.

    Parameters
    ----------
    corners
        (n, 2) fitted corners.
    taped_m, residual_m, standardised
        Per face: length as taped, taped less fitted, and that in its own sigmas; NaN where not taped.
    misclosure_m, tolerance_m
        The taped lengths laid along the outline's bearings miss their start by this; at most this may
        be shared out.
    accepted
        Whether the fit is used.
    because, settle
        Why, and what to tape again when it is refused.
    """

    corners: Points
    taped_m: Numbers
    residual_m: Numbers
    standardised: Numbers
    misclosure_m: float
    tolerance_m: float
    accepted: bool
    because: str
    settle: str


def fit_taped(
    corners: Points,
    lengths: Numbers,
    sigmas: Numbers,
    *,
    names: list[str],
    shape_sigma_m: float,
    ref: Reference,
) -> TapeFit:
    """Fit taped lengths to an outline.

    The unknowns are the corners. Observed are each taped length, and from the map each face's vector:
    along the face with the outline's own sigma, across it tighter, since a map keeps angles better than
    lengths. Only differences of corners are observed, so the mean of the corners is held.

    Parameters
    ----------
    corners
        (n, 2) corners from the map, metres.
    lengths, sigmas
        (n,) taped length of the face after each corner and its sigma; NaN where not taped.
    names
        (n,) face names, for the sentences.
    shape_sigma_m
        Sigma of one corner of the outline against the next.

    Notes
    -----
    Tolerance of the closure: 0.05 m + 0.2 % of the perimeter, common practice, no source; both numbers
    are in ``shared/limits.toml``.
    """
    taped = np.isfinite(lengths)
    edges = np.roll(corners, -1, axis=0) - corners
    drawn = np.hypot(edges[:, 0], edges[:, 1])
    unit = edges / drawn[:, None]
    laid = np.where(taped, lengths, drawn)
    misclosure = float(np.hypot(*(unit * laid[:, None]).sum(axis=0)))
    tolerance = ref.value("perimeter.closure_fixed_m") + ref.value("perimeter.closure_share") * float(
        laid.sum()
    )
    fitted = _solve(corners, lengths, sigmas, taped, unit, drawn, shape_sigma_m)
    ends = np.roll(fitted, -1, axis=0) - fitted
    found = np.hypot(ends[:, 0], ends[:, 1])
    residual = np.where(taped, lengths - found, np.nan)
    standardised = residual / sigmas
    against_map = np.abs(np.where(taped, lengths - drawn, 0.0)) / np.hypot(
        np.where(taped, sigmas, 1.0), max(shape_sigma_m, ref.value("perimeter.map_sigma_m"))
    )
    worst = int(np.argmax(against_map))
    strained = bool((np.abs(standardised[taped]) > ref.value("perimeter.residual_sigmas")).any())
    slipped = float(against_map[worst]) > ref.value("perimeter.residual_sigmas")
    accepted = misclosure <= tolerance and not strained and not slipped
    gap = (lengths[worst] - drawn[worst]) if taped[worst] else 0.0
    said = f"misclosure {misclosure * 1000:.0f} mm, {tolerance * 1000:.0f} mm allowed"
    if not accepted:
        said += f"; {names[worst]} taped {laid[worst]:.2f} m is {abs(gap) * 1000:.0f} mm "
        said += "longer than drawn" if gap > 0 else "shorter than drawn"
    return TapeFit(
        corners=fitted if accepted else corners,
        taped_m=lengths,
        residual_m=residual,
        standardised=standardised,
        misclosure_m=misclosure,
        tolerance_m=tolerance,
        accepted=accepted,
        because=said,
        settle="" if accepted else f"Tape {names[worst]} again, and the face opposite.",
    )


def _solve(
    corners: Points,
    lengths: Numbers,
    sigmas: Numbers,
    taped: NDArray[np.bool_],
    unit: Points,
    drawn: Numbers,
    shape_sigma_m: float,
) -> Points:
    """Solve for the corners, relative to their mean, with an analytic Jacobian."""
    n = len(corners)
    following = np.roll(np.arange(n), -1)
    normal = np.column_stack([-unit[:, 1], unit[:, 0]])
    across = np.clip(drawn * math.radians(0.5), 0.01, shape_sigma_m)
    rows = np.flatnonzero(taped)

    def residuals(flat: Numbers) -> Numbers:
        p = flat.reshape(n, 2)
        edge = p[following] - p
        moved = edge - unit * drawn[:, None]
        return np.concatenate(
            [
                (np.hypot(edge[rows, 0], edge[rows, 1]) - lengths[rows]) / sigmas[rows],
                (moved * unit).sum(axis=1) / shape_sigma_m,
                (moved * normal).sum(axis=1) / across,
                (p.mean(axis=0) - middle) * 1e3,
            ]
        )

    def jacobian(flat: Numbers) -> Numbers:
        p = flat.reshape(n, 2)
        edge = p[following] - p
        towards = edge / np.hypot(edge[:, 0], edge[:, 1])[:, None]
        blocks = np.zeros((len(rows) + 2 * n + 2, n, 2))
        k = np.arange(len(rows))
        for weights, at, who in (
            (towards[rows] / sigmas[rows, None], k, rows),
            (unit / shape_sigma_m, len(rows) + np.arange(n), np.arange(n)),
            (normal / across[:, None], len(rows) + n + np.arange(n), np.arange(n)),
        ):
            blocks[at, following[who]] += weights
            blocks[at, who] -= weights
        blocks[-2, :, 0] = blocks[-1, :, 1] = 1e3 / n
        return blocks.reshape(len(blocks), 2 * n)

    origin = corners.mean(axis=0)
    middle = np.zeros(2)
    solved = least_squares(
        residuals, (corners - origin).ravel(), jac=jacobian, method="lm", xtol=1e-14, ftol=1e-14
    )
    return np.asarray(solved.x.reshape(n, 2) + origin, dtype=np.float64)
