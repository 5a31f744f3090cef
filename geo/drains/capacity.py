"""What drains carry full and part full, and a flow held against it; roofs and gutters are beside it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from geo.drains.gutters import (
    PROFILES,
    DownpipeCapacity,
    GutterCapacity,
    OutletCapacity,
    downpipe_capacity,
    gutter_capacity,
    outlet_capacity,
)
from geo.drains.roofs import (
    MM_H_PER_L_S_M2,
    effective_roof,
    rain_l_s_m2,
    rain_mm_h,
    roof_to_gutter,
    run_off,
    wall_catch,
)
from geo.drains.tables import Amount, Numbers, Tables, amount, compare, one_of, rows, spread

__all__ = [
    "PROFILES",
    "ColebrookWhite",
    "DownpipeCapacity",
    "GutterCapacity",
    "Law",
    "Manning",
    "OutletCapacity",
    "PipeDepth",
    "PipeFlow",
    "Section",
    "depth_for_flow",
    "design_capacity",
    "downpipe_capacity",
    "effective_roof",
    "gutter_capacity",
    "outlet_capacity",
    "pipe_flow",
    "rain_carried",
    "rain_l_s_m2",
    "rain_mm_h",
    "roof_to_gutter",
    "run_off",
    "section",
    "self_cleansing",
    "use_of_capacity",
    "usual_law",
    "wall_catch",
]

HALVINGS = 52  # a bracket of 1 ends below the last bit of a double


class Law(Protocol):
    """A law of steady flow: velocity from hydraulic radius and fall."""

    def velocity(self, radius_m: Numbers, gradient: Numbers) -> Numbers:
        """Return the mean velocity, m/s."""

    def rougher(self, sigmas: float) -> Law:
        """Return the same law with its roughness moved by so many sigmas."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColebrookWhite:
    """Colebrook-White; part full with four times the hydraulic radius for the bore.

    ``V = -2 √(2 g D S) log10(ks / 3.7 D + 2.51 ν / (D √(2 g D S)))`` (Colebrook 1939), exact for a
    given fall, so nothing is iterated.

    Parameters
    ----------
    ks_mm, ks_sigma_mm
        Roughness.
    viscosity_m2_s
        Kinematic viscosity; state it, published tables use 1.0 to 1.31e-6.
    gravity_m_s2
        Gravity.
    """

    ks_mm: float
    viscosity_m2_s: float
    gravity_m_s2: float
    ks_sigma_mm: float = 0.0

    def velocity(self, radius_m: Numbers, gradient: Numbers) -> Numbers:
        """Return the mean velocity, m/s; 0 without fall or without water."""
        across = 4 * np.maximum(radius_m, 0.0)
        root = np.sqrt(2 * self.gravity_m_s2 * across * np.maximum(gradient, 0.0))
        with np.errstate(divide="ignore", invalid="ignore"):
            inner = self.ks_mm / 1000 / (3.7 * across) + 2.51 * self.viscosity_m2_s / (across * root)
            speed = -2 * root * np.log10(inner)
        # Below a film too thin for the formula the logarithm turns over: nothing flows.
        moving = (root > 0) & (inner < 1)
        return np.where(np.isnan(root), np.nan, np.where(moving, speed, 0.0))

    def rougher(self, sigmas: float) -> ColebrookWhite:
        """Return the same law with ks moved by so many sigmas, never below 0."""
        return replace(self, ks_mm=max(self.ks_mm + sigmas * self.ks_sigma_mm, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Manning:
    """Manning, ``V = R^(2/3) √S / n``, with n the same at every depth."""

    n: float
    n_sigma: float = 0.0

    def velocity(self, radius_m: Numbers, gradient: Numbers) -> Numbers:
        """Return the mean velocity, m/s."""
        return np.asarray(np.maximum(radius_m, 0.0) ** (2 / 3) * np.sqrt(np.maximum(gradient, 0.0)) / self.n)

    def rougher(self, sigmas: float) -> Manning:
        """Return the same law with n moved by so many sigmas."""
        return replace(self, n=max(self.n + sigmas * self.n_sigma, 1e-6))


def usual_law(use: str, *, tables: Tables) -> ColebrookWhite:
    """Return Colebrook-White with the usual roughness of a ``foul``, ``surface`` or ``combined`` drain."""
    one_of(use, ("foul", "surface", "combined"), what="use of a drain")
    ks = tables.value("pipe.ks_surface_mm" if use == "surface" else "pipe.ks_foul_mm")
    return ColebrookWhite(
        ks_mm=ks,
        ks_sigma_mm=ks * tables.value("pipe.ks_share_sigma"),
        viscosity_m2_s=tables.value("pipe.viscosity_m2_s"),
        gravity_m_s2=tables.value("pipe.gravity_m_s2"),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """Water in a round pipe: a segment of a circle. All (n,)."""

    area_m2: Numbers
    perimeter_m: Numbers
    radius_m: Numbers
    surface_m: Numbers


def section(bore_m: ArrayLike, depth_ratio: ArrayLike) -> Section:
    """Return the segment of water at a depth over bore between 0 and 1.

    With ``θ = 2 acos(1 - 2 d/D)``: area ``D² (θ - sin θ) / 8``, wetted perimeter ``θ D / 2``,
    surface ``D sin(θ/2)`` (plane geometry).
    """
    bore, ratio = rows(bore_m, depth_ratio)
    angle = 2 * np.arccos(np.clip(1 - 2 * ratio, -1.0, 1.0))
    area = bore**2 * (angle - np.sin(angle)) / 8
    perimeter = angle * bore / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        radius = np.where(perimeter > 0, area / perimeter, 0.0 * area)
    return Section(area_m2=area, perimeter_m=perimeter, radius_m=radius, surface_m=bore * np.sin(angle / 2))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PipeFlow:
    """Steady flow in a run at one depth.

    Parameters
    ----------
    flow, velocity
        l/s and m/s, with the sigma that bore, fall and roughness give.
    reynolds, friction
        (n,) Reynolds number on four times the hydraulic radius, and Darcy's friction factor
        ``2 g D S / V²``.
    turbulent
        (n,) whether Colebrook-White holds (Reynolds number over 4000).
    """

    flow: Amount
    velocity: Amount
    reynolds: Numbers
    friction: Numbers
    turbulent: NDArray[np.bool_]


def pipe_flow(
    bore_mm: ArrayLike,
    *,
    gradient: ArrayLike,
    law: Law,
    tables: Tables,
    depth_ratio: ArrayLike = 1.0,
    bore_sigma_mm: ArrayLike = 0.0,
    gradient_sigma: ArrayLike = 0.0,
) -> PipeFlow:
    """Return what runs carry, flowing free at a depth (full bore when none is given).

    Parameters
    ----------
    bore_mm, bore_sigma_mm
        (n,) inside diameter.
    gradient, gradient_sigma
        (n,) fall over length; level or backward has no steady free flow and is not known.
    law
        :class:`ColebrookWhite` or :class:`Manning`.
    depth_ratio
        (n,) depth over bore, 0 to 1.
    """
    bore, fall, ratio = rows(bore_mm, gradient, depth_ratio)
    speed, speed_sigma = _with_roughness(
        _speed, law, [bore, fall, ratio], [bore_sigma_mm, gradient_sigma, 0.0]
    )
    flow, flow_sigma = _with_roughness(_flow, law, [bore, fall, ratio], [bore_sigma_mm, gradient_sigma, 0.0])
    wrong = [~(bore > 0), ~(fall > 0), ~((ratio >= 0) & (ratio <= 1))]
    because = np.select(
        [wrong[0], np.isnan(fall), wrong[1], wrong[2]],
        [
            "bore not measured",
            "fall not measured",
            "no fall: nothing runs free in it",
            "depth over bore outside 0 to 1",
        ],
        default="",
    )
    lost = np.any(wrong, axis=0)
    across = 4 * section(bore / 1000, ratio).radius_m
    nu = law.viscosity_m2_s if isinstance(law, ColebrookWhite) else tables.value("pipe.viscosity_m2_s")
    g = law.gravity_m_s2 if isinstance(law, ColebrookWhite) else tables.value("pipe.gravity_m_s2")
    with np.errstate(divide="ignore", invalid="ignore"):
        reynolds = np.where(lost, np.nan, speed * across / nu)
        friction = np.where(lost | (speed <= 0), np.nan, 2 * g * across * fall / speed**2)
    return PipeFlow(
        flow=amount(np.where(lost, np.nan, flow), flow_sigma, unit="l/s", because=because),
        velocity=amount(np.where(lost, np.nan, speed), speed_sigma, unit="m/s", because=because),
        reynolds=reynolds,
        friction=friction,
        turbulent=reynolds > tables.value("pipe.turbulent_from"),
    )


def design_capacity(
    bore_mm: ArrayLike,
    *,
    gradient: ArrayLike,
    use: str,
    tables: Tables,
    bore_sigma_mm: ArrayLike = 0.0,
    gradient_sigma: ArrayLike = 0.0,
) -> PipeFlow:
    """Return what runs of one use are reckoned to carry, with the usual roughness for it.

    Foul and combined drains three quarters full (Approved Document H, H1 Diagram 9), surface-water
    drains full. Parameters as :func:`pipe_flow` and :func:`usual_law`.
    """
    law = usual_law(use, tables=tables)
    depth = tables.value("pipe.surface_depth_max" if use == "surface" else "pipe.foul_depth_max")
    return pipe_flow(
        bore_mm,
        gradient=gradient,
        law=law,
        tables=tables,
        depth_ratio=depth,
        bore_sigma_mm=bore_sigma_mm,
        gradient_sigma=gradient_sigma,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PipeDepth:
    """The depth at which a run carries a flow.

    Parameters
    ----------
    depth_ratio
        Depth over bore, the lower of the two where a nearly full pipe could carry it at two.
    velocity
        m/s at that depth.
    most_l_s, most_at
        (n,) greatest free flow, and the depth over bore where it is carried (about 0.94).
    full
        (n,) more than the run carries free: it fills and heads up.
    """

    depth_ratio: Amount
    velocity: Amount
    most_l_s: Numbers
    most_at: Numbers
    full: NDArray[np.bool_]


def depth_for_flow(
    flow_l_s: ArrayLike,
    *,
    bore_mm: ArrayLike,
    gradient: ArrayLike,
    law: Law,
    flow_sigma_l_s: ArrayLike = 0.0,
    bore_sigma_mm: ArrayLike = 0.0,
    gradient_sigma: ArrayLike = 0.0,
) -> PipeDepth:
    """Return the depth and velocity of a flow in each run, by halving between empty and the peak.

    Parameters are (n,); see :func:`pipe_flow`. Where the flow is nearer than a sigma to the most a
    run carries, the sigma of the depth reaches to that peak.
    """
    flow, bore, fall = rows(flow_l_s, bore_mm, gradient)
    sigmas = [flow_sigma_l_s, bore_sigma_mm, gradient_sigma]
    peak = _peak(bore, fall, law)
    most = _flow(law, bore, fall, peak)

    def depth(law: Law, flow: Numbers, bore: Numbers, fall: Numbers) -> Numbers:
        return _depth(law, flow, bore, fall, peak)

    def speed_then(law: Law, flow: Numbers, bore: Numbers, fall: Numbers) -> Numbers:
        return _speed(law, bore, fall, depth(law, flow, bore, fall))

    ratio, ratio_sigma = _with_roughness(depth, law, [flow, bore, fall], sigmas)
    speed, speed_sigma = _with_roughness(speed_then, law, [flow, bore, fall], sigmas)
    full = flow > most
    wrong = ~(flow >= 0) | ~(bore > 0) | ~(fall > 0)
    because = np.select(
        [np.isnan(flow), ~(flow >= 0), ~(bore > 0), np.isnan(fall), ~(fall > 0), full],
        [
            "flow not known",
            "a flow is 0 or more",
            "bore not measured",
            "fall not measured",
            "no fall: nothing runs free in it",
            "more than it carries flowing free: it fills and heads up",
        ],
        default="",
    )
    lost = wrong | full
    return PipeDepth(
        depth_ratio=amount(np.where(lost, np.nan, ratio), ratio_sigma, unit="depth/bore", because=because),
        velocity=amount(np.where(lost, np.nan, speed), speed_sigma, unit="m/s", because=because),
        most_l_s=np.where(wrong, np.nan, most),
        most_at=np.where(wrong, np.nan, peak),
        full=full & ~wrong,
    )


def self_cleansing(velocity: Amount, *, z: float, tables: Tables) -> pd.DataFrame:
    """Say whether each velocity keeps a drain clean: 0.70 m/s or more (BS EN 12056-2, BS EN 752-4)."""
    return compare(
        velocity.value - tables.value("pipe.self_cleansing_m_s"),
        velocity.sigma,
        z=z,
        unit="m/s",
        settle="level both inverts, and count what drains to the run",
        above="self-cleansing",
        below="not self-cleansing",
        because=velocity.because,
    )


def use_of_capacity(demand: Amount, capacity: Amount, *, z: float, settle: Any) -> pd.DataFrame:
    """Hold a flow against what carries it.

    Returns
    -------
    One row each: verdict (``enough``, ``short``, ``not known``), because, settle, margin and sigma
    (l/s), use (flow over capacity).
    """
    because = np.where(demand.because == "", capacity.because, demand.because)
    frame = compare(
        capacity.value - demand.value,
        np.hypot(capacity.sigma, demand.sigma),
        z=z,
        unit="l/s",
        settle=settle,
        above="enough",
        below="short",
        because=because,
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        return frame.assign(use=demand.value / capacity.value)


def rain_carried(capacity: Amount, area: Amount, *, tables: Tables) -> Amount:
    """Return the rain, mm/h, whose run-off from an area just fills a capacity."""
    share = tables.value("rain.runoff")
    with np.errstate(divide="ignore", invalid="ignore"):
        value, sigma = spread(
            lambda q, a: MM_H_PER_L_S_M2 * q / (share * a),
            [capacity.value, area.value],
            [capacity.sigma, area.sigma],
        )
    nothing = ~(area.value > 0)
    because = np.where(
        nothing, "no area drains to it", np.where(capacity.because == "", area.because, capacity.because)
    )
    return amount(np.where(nothing, np.nan, value), sigma, unit="mm/h", because=because)


def _speed(law: Law, bore_mm: Numbers, gradient: Numbers, ratio: Numbers) -> Numbers:
    return law.velocity(section(bore_mm / 1000, ratio).radius_m, gradient)


def _flow(law: Law, bore_mm: Numbers, gradient: Numbers, ratio: Numbers) -> Numbers:
    water = section(bore_mm / 1000, ratio)
    return 1000 * water.area_m2 * law.velocity(water.radius_m, gradient)


def _peak(bore_mm: Numbers, gradient: Numbers, law: Law) -> Numbers:
    """Return the depth over bore of the greatest flow, by golden sections between 0.85 and 1."""
    share = (np.sqrt(5) - 1) / 2
    low, high = np.full_like(bore_mm, 0.85), np.ones_like(bore_mm)
    for _ in range(40):
        left, right = high - share * (high - low), low + share * (high - low)
        rising = _flow(law, bore_mm, gradient, left) < _flow(law, bore_mm, gradient, right)
        low, high = np.where(rising, left, low), np.where(rising, high, right)
    return (low + high) / 2


def _depth(law: Law, flow_l_s: Numbers, bore_mm: Numbers, gradient: Numbers, peak: Numbers) -> Numbers:
    """Return depth over bore on the rising side, the peak where the flow is more than that."""
    low, high = np.zeros_like(bore_mm), peak
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        under = _flow(law, bore_mm, gradient, middle) < flow_l_s
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return (low + high) / 2


def _with_roughness(
    formula: Callable[..., Numbers], law: Law, given: list[Numbers], sigmas: list[ArrayLike]
) -> tuple[Numbers, Numbers]:
    value, sigma = spread(lambda *now: formula(law, *now), given, sigmas)
    up, down = (formula(law.rougher(side), *given) for side in (1.0, -1.0))
    return value, np.hypot(sigma, (up - down) / 2)
