"""What roofs shed and what gutters, outlets, downpipes and drains carry, each with its sigma."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from geo.drains.tables import (
    Amount,
    Numbers,
    Tables,
    Words,
    amount,
    compare,
    numbers,
    one_of,
    rows,
    spread,
    words,
)

MM_H_PER_L_S_M2 = 3600.0  # 1 litre on 1 m² is 1 mm deep
PROFILES = ("half_round", "square", "box", "ogee")
HALVINGS = 52  # a bracket of 1 ends below the last bit of a double


# --- rain and roofs ------------------------------------------------------------------------------


def rain_l_s_m2(mm_h: ArrayLike) -> Numbers:
    """Return rain in l/s per m² from mm/h."""
    return numbers(mm_h) / MM_H_PER_L_S_M2


def rain_mm_h(l_s_m2: ArrayLike) -> Numbers:
    """Return rain in mm/h from l/s per m²."""
    return numbers(l_s_m2) * MM_H_PER_L_S_M2


def effective_roof(
    plan_m2: ArrayLike,
    *,
    pitch_deg: ArrayLike,
    plan_sigma_m2: ArrayLike = 0.0,
    pitch_sigma_deg: ArrayLike = 0.0,
    tables: Tables,
) -> Amount:
    """Return the roof area, m², that catches rain driven by wind.

    Plan area times ``1 + tan(pitch)/2`` up to 70°; a steeper slope counts as a wall, half its
    elevation ``plan · tan(pitch)`` (Approved Document H, H3 Table 1). The table itself steps down at
    70°, from 2.37 to 1.37 times the plan; within two sigmas of it the answer is not known.

    Parameters
    ----------
    plan_m2, plan_sigma_m2
        (n,) area on plan.
    pitch_deg, pitch_sigma_deg
        (n,) slope from level, 0 to less than 90.
    """
    ratio, steep = tables.value("roof.wind_ratio"), tables.value("roof.wall_from_deg")
    share = tables.value("roof.wall_share")
    plan, pitch, _, near = rows(plan_m2, pitch_deg, plan_sigma_m2, pitch_sigma_deg)
    wall = pitch > steep

    def area(plan: Numbers, pitch: Numbers) -> Numbers:
        slope = np.tan(np.radians(np.clip(pitch, 0.0, 89.0)))
        return plan * np.where(wall, share * slope, 1 + ratio * slope)

    value, sigma = spread(area, [plan, pitch], [plan_sigma_m2, pitch_sigma_deg])
    wrong = (pitch < 0) | (pitch >= 90) | (plan < 0)
    torn = (near > 0) & (np.abs(pitch - steep) < 2 * near)
    because = np.select(
        [wrong, torn],
        [
            "a roof has a plan area of 0 or more and a pitch from 0 to under 90 degrees",
            f"the table steps at {steep:.0f} degrees, within the error of the pitch: measure the pitch",
        ],
        default="roof not measured",
    )
    return amount(np.where(wrong | torn, np.nan, value), sigma, unit="m²", because=because)


def roof_to_gutter(
    length_m: ArrayLike,
    *,
    width_m: ArrayLike,
    rise_m: ArrayLike,
    sigma_m: ArrayLike = 0.0,
    tables: Tables,
) -> Amount:
    """Return the area, m², that catches rain for one gutter: ``L (W + H/2)`` (BS EN 12056-3).

    Parameters
    ----------
    length_m
        (n,) length of eaves.
    width_m, rise_m
        (n,) plan width and height from gutter to ridge.
    sigma_m
        Standard deviation of each of the three.
    """
    ratio = tables.value("roof.wind_ratio")
    value, sigma = spread(lambda L, W, H: L * (W + ratio * H), [length_m, width_m, rise_m], [sigma_m] * 3)
    return amount(value, sigma, unit="m²")


def wall_catch(elevation_m2: ArrayLike, *, sigma_m2: ArrayLike = 0.0, tables: Tables) -> Amount:
    """Return the area, m², a wall adds to what runs off below it: half its elevation."""
    share = tables.value("roof.wall_share")
    return amount(share * numbers(elevation_m2), share * numbers(sigma_m2), unit="m²")


def run_off(
    area: Amount, *, rain_l_s_m2: ArrayLike, rain_sigma_l_s_m2: ArrayLike = 0.0, tables: Tables
) -> Amount:
    """Return the flow off an area, l/s: rain × area × run-off coefficient (BS EN 12056-3 4.1)."""
    coefficient = tables.value("rain.runoff")
    value, sigma = spread(
        lambda a, r: coefficient * a * r,
        [area.value, rain_l_s_m2],
        [area.sigma, rain_sigma_l_s_m2],
    )
    return amount(value, sigma, unit="l/s", because=area.because)


# --- gutters, outlets, downpipes -----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GutterCapacity:
    """What a gutter carries to an outlet at its end.

    Parameters
    ----------
    flow
        Design flow, l/s: nominal × 0.9 × length factor × bend factor.
    nominal_l_s
        (n,) nominal flow of a short level gutter.
    length_ratio, length_factor
        (n,) length over design water depth, and the factor for a long gutter.
    short
        (n,) length no more than 50 design water depths.
    at_least
        (n,) it falls more than counts as level, so it carries this or more.
    """

    flow: Amount
    nominal_l_s: Numbers
    length_ratio: Numbers
    length_factor: Numbers
    short: NDArray[np.bool_]
    at_least: NDArray[np.bool_]


def gutter_capacity(
    width_mm: ArrayLike,
    *,
    profile: Any,
    length_m: ArrayLike,
    tables: Tables,
    depth_mm: ArrayLike = np.nan,
    fall_mm_m: ArrayLike = 0.0,
    bends: ArrayLike = 0.0,
    inside: bool = False,
    width_sigma_mm: ArrayLike = 0.0,
    depth_sigma_mm: ArrayLike = 0.0,
) -> GutterCapacity:
    """Return what eaves gutters carry (BS EN 12056-3:2000 clauses 5.1-5.2).

    Half round: ``2.78e-5 A^1.25``; square or box: ``3.48e-5 A^1.25 (depth/width)^0.25`` (3.89e-5
    for a valley or parapet gutter), A in mm². An ogee has no formula here: not known.

    Parameters
    ----------
    width_mm, width_sigma_mm
        (n,) width across the top.
    profile
        ``half_round``, ``square``, ``box`` or ``ogee``: one, or (n,).
    length_m
        (n,) length drained to the outlet.
    depth_mm, depth_sigma_mm
        (n,) design depth of water of a square or box gutter; a half round's is half its width.
        A square gutter with none given is as deep as wide.
    fall_mm_m
        (n,) fall along it; up to 3 mm/m counts as level.
    bends
        (n,) turns over 10° on the way; one or more take the same factor.
    inside
        A valley or parapet gutter.
    """
    width, length, depth, fall, turns = rows(width_mm, length_m, depth_mm, fall_mm_m, bends)
    kind = words(profile, width)
    for key in set(kind):
        one_of(str(key), PROFILES, what="gutter profile")
    half, ogee = kind == "half_round", kind == "ogee"
    deep = np.where(half, width / 2, np.where((kind == "square") & np.isnan(depth), width, depth))
    k_box = tables.value("gutter.square_inside" if inside else "gutter.square_eaves")
    k_half, power, bend = (
        tables.value(f"gutter.{key}") for key in ("half_round", "area_power", "depth_power")
    )

    def nominal(width: Numbers, deep: Numbers) -> Numbers:
        with np.errstate(invalid="ignore", divide="ignore"):
            box = k_box * (width * deep) ** power * (deep / width) ** bend
            return np.where(half, k_half * (np.pi * width**2 / 8) ** power, box)

    value, sigma = spread(nominal, [width, deep], [width_sigma_mm, depth_sigma_mm])
    with np.errstate(invalid="ignore", divide="ignore"):
        along = 1000 * length / deep
        shape = deep / width
        curve = tables.curves["long_gutter"]
        short = along <= curve.x[0]
        factor = np.where(short, 1.0, curve.at(along))
        odd = ~half & ~(
            (shape >= tables.value("gutter.depth_ratio_min"))
            & (shape <= tables.value("gutter.depth_ratio_max"))
        )
        design = tables.value("gutter.design_share") * factor
        design = design * np.where(turns > 0, tables.value("gutter.bend_factor"), 1.0)
        wrong = ~(width > 0) | ~(length > 0)
    model = np.hypot(
        tables.value("gutter.capacity_share_sigma"),
        np.where(half, 0.0, tables.value("gutter.depth_share_sigma")),
    )
    lost = ogee | wrong | odd
    because = np.select(
        [ogee, wrong, ~half & np.isnan(deep), odd, np.isnan(factor)],
        [
            "no formula is held for an ogee gutter: take its capacity from the maker",
            "a gutter needs a width and a length above nothing: measure them",
            "depth of a box gutter not measured: measure it",
            "depth over width outside 0.3 to 3, where no depth factor is held",
            "longer than 500 depths of water, where no length factor is held",
        ],
        default="",
    )
    flow = np.where(lost, np.nan, value * design)
    return GutterCapacity(
        flow=amount(flow, np.hypot(sigma * design, model * flow), unit="l/s", because=because),
        nominal_l_s=np.where(lost, np.nan, value),
        length_ratio=along,
        length_factor=factor,
        short=short,
        at_least=fall > tables.value("gutter.level_to_mm_m"),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutletCapacity:
    """What a round outlet in a flat sole takes.

    Parameters
    ----------
    flow
        l/s.
    acts_as
        (n,) ``weir`` up to a head of half the diameter, else ``orifice``.
    other_l_s
        (n,) by the other rendering of the weir line; NaN for an orifice. Shown, never used.
    """

    flow: Amount
    acts_as: Words
    other_l_s: Numbers


def outlet_capacity(
    diameter_mm: ArrayLike,
    *,
    head_mm: ArrayLike,
    strainer: ArrayLike = False,
    diameter_sigma_mm: ArrayLike = 0.0,
    head_sigma_mm: ArrayLike = 0.0,
    tables: Tables,
) -> OutletCapacity:
    """Return what outlets take under a head of water (BS EN 12056-3:2000 Table 7).

    Weir ``k D h^1.5 / 7500`` up to h = D/2, then orifice ``k D² h^0.5 / 15000``. Two renderings
    of the weir line disagree (1/7500 and 7.5e-5). The first meets the orifice line exactly at
    h = D/2, as a head-flow curve must, and stands for a weir coefficient of 0.45 beside the
    orifice's 0.61; the second leaves a step of 44 %, so it is only shown.
    """
    weir, orifice, other = (
        tables.value(f"gutter.{key}") for key in ("outlet_weir", "outlet_orifice", "outlet_weir_other")
    )
    diameter, head = rows(diameter_mm, head_mm)
    factor = np.where(np.broadcast_to(strainer, diameter.shape), tables.value("gutter.strainer_factor"), 1.0)

    def taken(d: Numbers, h: Numbers) -> Numbers:
        h = np.maximum(h, 0.0)
        return factor * np.where(h <= d / 2, d * h**1.5 / weir, d**2 * np.sqrt(h) / orifice)

    value, sigma = spread(taken, [diameter, head], [diameter_sigma_mm, head_sigma_mm])
    sigma = np.hypot(sigma, tables.value("gutter.capacity_share_sigma") * value)
    low = head <= diameter / 2
    wrong = ~(diameter > 0) | ~(head >= 0)
    return OutletCapacity(
        flow=amount(
            np.where(wrong, np.nan, value), sigma, unit="l/s", because="outlet diameter or head not measured"
        ),
        acts_as=np.where(low, "weir", "orifice").astype(object),
        other_l_s=np.where(low & ~wrong, factor * other * diameter * np.maximum(head, 0.0) ** 1.5, np.nan),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DownpipeCapacity:
    """What a vertical rainwater pipe carries: at the filling asked, and at the ends of its range."""

    flow: Amount
    low_l_s: Numbers
    high_l_s: Numbers


def downpipe_capacity(
    bore_mm: ArrayLike, *, tables: Tables, filling: ArrayLike | None = None, bore_sigma_mm: ArrayLike = 0.0
) -> DownpipeCapacity:
    """Return what round downpipes carry, l/s (Wyly-Eaton as BS EN 12056-3:2000 clause 6.1.1).

    ``2.5e-4 kb^-0.167 d^2.667 f^1.667`` with kb and d in mm.

    Parameters
    ----------
    bore_mm, bore_sigma_mm
        (n,) inside diameter.
    filling
        (n,) share of the pipe's area filled, 0.20 to 0.33; 0.33 when not given.
    """
    low, high = tables.value("downpipe.filling_low"), tables.value("downpipe.filling_high")
    factor = tables.value("downpipe.factor") * tables.value("downpipe.rough_mm") ** tables.value(
        "downpipe.rough_power"
    )
    to_bore, to_filling = tables.value("downpipe.bore_power"), tables.value("downpipe.filling_power")
    bore, full = rows(bore_mm, high if filling is None else filling)

    def carried(d: Numbers, f: Numbers) -> Numbers:
        return np.asarray(factor * np.maximum(d, 0.0) ** to_bore * f**to_filling)

    value, sigma = spread(carried, [bore, full], [bore_sigma_mm, 0.0])
    wrong, outside = ~(bore > 0), ~((full >= low) & (full <= high))
    because = np.select(
        [wrong, outside],
        [
            "bore of the downpipe not measured",
            f"filling outside {low:.2f} to {high:.2f}, where the formula is not held",
        ],
        default="",
    )
    return DownpipeCapacity(
        flow=amount(np.where(wrong | outside, np.nan, value), sigma, unit="l/s", because=because),
        low_l_s=np.where(wrong, np.nan, carried(bore, np.full_like(bore, low))),
        high_l_s=np.where(wrong, np.nan, carried(bore, np.full_like(bore, high))),
    )


# --- pipes full and part full ---------------------------------------------------------------------


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
