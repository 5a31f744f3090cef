"""What gutters, their outlets and downpipes carry, each with its sigma."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geo.drains.tables import Amount, Numbers, Tables, Words, amount, one_of, rows, spread, words

PROFILES = ("half_round", "square", "box", "ogee")


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
