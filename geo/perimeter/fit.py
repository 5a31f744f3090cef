"""Taped face lengths fitted to the outline from a map, by least squares."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from geo.perimeter.rings import Numbers, Points
from geo.reference import Reference

LEAST_ACROSS_M = 0.01
ONE_DIRECTION = math.sin(math.radians(5.0))
NEARLY_WORST = 0.9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TapeFit:
    """How taped lengths agree with an outline.

    Parameters
    ----------
    corners
        (n, 2) fitted corners; as mapped where the fit is refused.
    lengths_m
        (n,) fitted length of the face after each corner, whether the fit is used or not.
    taped_m, residual_m, standardised
        Per face: length as taped, taped less fitted, and that over its own sigma in the fit; NaN where
        not taped.
    misclosure_m, tolerance_m
        The taped lengths laid along the outline's bearings miss their start by this, in the directions
        in which no untaped face can take it up; at most this may be shared out. NaN where nothing
        closes, because untaped faces run in two directions.
    accepted
        Whether the fit is used.
    because, settle
        Why, and what to tape again (where it is refused, or where a face sits badly in it).
    """

    corners: Points
    lengths_m: Numbers
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
    map_shape_sigma_m: float,
    ref: Reference,
    names: list[str] | None = None,
) -> TapeFit:
    """Fit taped lengths to an outline.

    The unknowns are the corners. Observed are each taped length, and from the map each face's vector:
    along the face with the outline's own sigma, across it tighter, since a map keeps angles better than
    lengths: what does not close is shared by the tapes, and hardly skews the house. Only differences of
    corners are observed, so the mean of the corners is held.

    Parameters
    ----------
    corners
        (n, 2) corners from the map, metres, walked one way round, the first not repeated.
    lengths, sigmas
        (n,) taped length of the face after each corner and its sigma; NaN where not taped.
    map_shape_sigma_m
        Sigma of one corner of the outline against the next.
    names
        (n,) face names, for the sentences; F1, F2 … where none are given.

    Notes
    -----
    Tolerance of the closure: 0.05 m + 0.2 % of the perimeter, common practice, no source; both numbers
    are in ``shared/limits.toml``. A residual is set against its own sigma after the fit (Baarda 1968, A
    testing procedure for use in geodetic networks), which is smaller than the tape's where the fit
    follows the tape.
    """
    taped = np.isfinite(lengths)
    called = names or [f"F{k}" for k in range(1, len(corners) + 1)]
    edges = np.roll(corners, -1, axis=0) - corners
    drawn = np.hypot(edges[:, 0], edges[:, 1])
    unit = edges / drawn[:, None]
    laid = np.where(taped, lengths, drawn)
    misclosure, unchecked = _misclosure(unit, laid, taped)
    fixed, share = ref.value("perimeter.closure_fixed_m"), ref.value("perimeter.closure_share")
    tolerance = fixed + share * float(laid.sum())
    angle = ref.value("perimeter.map_angle_deg")
    fitted, spread = _solve(corners, lengths, sigmas, taped, unit, drawn, map_shape_sigma_m, angle)
    ends = np.roll(fitted, -1, axis=0) - fitted
    found = np.hypot(ends[:, 0], ends[:, 1])
    residual = np.where(taped, lengths - found, np.nan)
    standardised = residual / spread
    off_map = np.where(taped, lengths, found) - drawn
    doubt = np.hypot(np.where(taped, sigmas, 0.0), max(map_shape_sigma_m, ref.value("perimeter.map_sigma_m")))
    limit = ref.value("perimeter.residual_sigmas")
    open_ends, slipped = misclosure > tolerance, np.abs(off_map) / doubt > limit
    accepted = not open_ends and not bool(slipped.any())
    said = _closure_said(misclosure, tolerance, unchecked, [called[i] for i in np.flatnonzero(~taped)])
    settle = ""
    strain = np.where(taped, np.abs(np.nan_to_num(standardised)), 0.0)
    if open_ends or slipped.any():
        ranked = strain if open_ends else np.abs(off_map) / doubt
        doubted = ranked >= NEARLY_WORST * ranked.max()
        worst = int(np.argmax(np.where(doubted, np.abs(off_map) / doubt, -1.0)))
        gap = off_map[worst]
        how = f"taped {lengths[worst]:.2f} m" if taped[worst] else f"comes out at {found[worst]:.2f} m and"
        said += f"; {called[worst]} {how} is {abs(gap) * 1000:.0f} mm {'longer' if gap > 0 else 'shorter'}"
        said += " than drawn"
        settle = _again(called, np.flatnonzero(doubted & taped), worst)
    elif strain.max() > limit:
        worst = int(np.argmax(strain))
        said += f"; {called[worst]} sits {strain[worst]:.1f} sigma from the fit"
        settle = _again(called, np.flatnonzero(taped & (strain >= NEARLY_WORST * strain[worst])), worst)
    return TapeFit(
        corners=fitted if accepted else corners,
        lengths_m=found,
        taped_m=lengths,
        residual_m=residual,
        standardised=standardised,
        misclosure_m=misclosure,
        tolerance_m=tolerance,
        accepted=accepted,
        because=said,
        settle=settle,
    )


def _misclosure(unit: Points, laid: Numbers, taped: NDArray[np.bool_]) -> tuple[float, str]:
    """Return the misclosure no untaped face can take up, and what of it stays unchecked."""
    gap = (unit * laid[:, None]).sum(axis=0)
    if taped.all():
        return float(np.hypot(*gap)), ""
    _, weights, directions = np.linalg.svd(unit[~taped])
    if len(weights) > 1 and weights[1] > ONE_DIRECTION:
        return math.nan, "not checked"
    return float(abs(gap @ directions[1])), "checked one way only"


def _closure_said(misclosure: float, tolerance: float, unchecked: str, untaped: list[str]) -> str:
    why = f" ({', '.join(untaped)} not taped)" if untaped else ""
    if math.isnan(misclosure):
        return f"closure {unchecked}{why}"
    said = f"misclosure {misclosure * 1000:.0f} mm, {tolerance * 1000:.0f} mm allowed"
    return f"{said}, {unchecked}{why}" if unchecked else said


def _again(names: list[str], doubted: NDArray[np.int64], worst: int) -> str:
    """Say which faces to tape again: the worst first, then those the fit cannot tell from it."""
    others = [names[i] for i in doubted.tolist() if i != worst]
    if not others:
        return f"Tape {names[worst]} again."
    return f"Tape {names[worst]} again, then {', '.join(others)}: the fit cannot tell which is wrong."


def _solve(
    corners: Points,
    lengths: Numbers,
    sigmas: Numbers,
    taped: NDArray[np.bool_],
    unit: Points,
    drawn: Numbers,
    shape_sigma_m: float,
    angle_sigma_deg: float,
) -> tuple[Points, Numbers]:
    """Solve for the corners, relative to their mean, with an analytic Jacobian.

    Returns
    -------
    The corners, and per face the sigma of its residual after the fit (NaN where not taped).
    """
    n = len(corners)
    following = np.roll(np.arange(n), -1)
    normal = np.column_stack([-unit[:, 1], unit[:, 0]])
    across = np.clip(drawn * math.radians(angle_sigma_deg), LEAST_ACROSS_M, shape_sigma_m)
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
                p.mean(axis=0) * 1e3,
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
    solved = least_squares(
        residuals, (corners - origin).ravel(), jac=jacobian, method="lm", xtol=1e-14, ftol=1e-14
    )
    whitened = jacobian(solved.x)
    leverage = (whitened * np.linalg.solve(whitened.T @ whitened, whitened.T).T).sum(axis=1)[: len(rows)]
    spread = np.full(n, np.nan)
    spread[rows] = sigmas[rows] * np.sqrt(np.clip(1.0 - leverage, 1e-9, None))
    return np.asarray(solved.x.reshape(n, 2) + origin, dtype=np.float64), spread
