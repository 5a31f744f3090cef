"""What a foul drain is asked to carry, how steep a run must be, and where it must be got at."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from geo.drains.tables import Amount, Numbers, Tables, amount, compare, numbers, one_of, rows, words
from geo.verdict import NOT_KNOWN

DUTIES = ("foul", "surface", "combined")
APPLIANCES = ("spray_tap", "washing_machine", "dishwasher", "urinal")
USES = ("dwelling", "frequent", "public", "special")


def dwellings_flow(dwellings: ArrayLike, *, tables: Tables) -> Amount:
    """Return the peak foul flow, l/s, of whole dwellings (Approved Document H, H1 Table 5).

    Straight lines between the table's rows are this project's own; their bend is carried as the
    sigma. Nothing below 1 or above 30 dwellings is known.
    """
    number = numbers(dwellings)
    curve = tables.curves["dwellings"]
    flow = curve.at(number)
    # The table is printed to 0.1; between its rows it bends by no more than 0.05 l/s.
    between = ~np.isin(number, curve.x)
    sigma = np.where(between, np.hypot(0.05, 0.1 / np.sqrt(12)), 0.1 / np.sqrt(12))
    because = np.where(
        np.isnan(number), "dwellings not counted", "outside 1 to 30 dwellings, the table's ends"
    )
    return amount(flow, sigma, unit="l/s", because=because)


def appliances_flow(appliances: Mapping[str, int], *, tables: Tables) -> Amount:
    """Return the sum of flows, l/s, of appliances not in the table of dwellings, all at once.

    Parameters
    ----------
    appliances
        How many of each: ``spray_tap``, ``washing_machine``, ``dishwasher``, ``urinal``
        (Approved Document H, H1).

    Raises
    ------
    GeometryError
        When an appliance has no figure.
    """
    flow = sum(
        tables.value(f"appliance.{one_of(kind, APPLIANCES, what='appliance')}_l_s") * count
        for kind, count in appliances.items()
    )
    return amount(flow, unit="l/s")


def discharge_units_flow(appliances: Mapping[str, int], *, use: str, tables: Tables) -> Amount:
    """Return the peak foul flow, l/s, of appliances by ``K √ΣDU`` (BS EN 12056-2:2000 6.3).

    Never less than the largest single appliance. Where the standard prints a range of units the
    middle is taken and the range carried as an even spread.

    Parameters
    ----------
    appliances
        How many of each, by the keys of ``discharge_unit`` in the rules.
    use
        ``dwelling``, ``frequent``, ``public`` or ``special``.

    Raises
    ------
    GeometryError
        When an appliance or a use has no figure.
    """
    units = tables.discharge_units
    kinds = [one_of(kind, list(units.index), what="appliance") for kind, count in appliances.items() if count]
    factor = tables.value(f"frequency.{one_of(use, USES, what='use of appliances')}")
    if not kinds:
        return amount(0.0, unit="l/s")
    count = np.array([appliances[kind] for kind in kinds], dtype=np.float64)
    low, high = (units.loc[kinds, end].to_numpy(dtype=np.float64) for end in ("low", "high"))
    ends = [max(factor * float(np.sqrt(count @ each)), float(each.max())) for each in (low, high)]
    return amount(sum(ends) / 2, (ends[1] - ends[0]) / np.sqrt(12), unit="l/s")


def least_bore(
    *, wcs: ArrayLike, dwellings: ArrayLike = np.nan, trade: ArrayLike = False, tables: Tables
) -> pd.DataFrame:
    """Return the least nominal bore of a foul drain (Approved Document H, H1 2.33-2.36).

    75 mm; 100 mm with a WC or trade effluent; 150 mm for more than 10 dwellings. Unknown counts give
    the least and the most it could be.

    Returns
    -------
    One row each: least_mm, most_mm, because.
    """
    closets, homes = rows(wcs, dwellings)
    trading = np.broadcast_to(trade, closets.shape)
    limit = tables.value("gradient.dwellings_on_100")
    least = np.where(homes > limit, 150.0, np.where((closets >= 1) | trading, 100.0, 75.0))
    # A dwelling has a WC, so homes counted without WCs counted still need 100 mm.
    least = np.where((homes >= 1) & (least < 100), 100.0, least)
    most = np.where(
        np.isnan(homes) & (closets != 0), 150.0, np.where(np.isnan(closets) & (least < 100), 100.0, least)
    )
    because = np.where(most > least, "dwellings or WCs draining to it not counted", "")
    return pd.DataFrame({"least_mm": least, "most_mm": most, "because": because})


def gradient_needed(
    bore_mm: ArrayLike,
    *,
    duty: Any,
    tables: Tables,
    peak_l_s: ArrayLike = np.nan,
    peak_sigma_l_s: ArrayLike = 0.0,
    wcs: ArrayLike = np.nan,
    z: float,
) -> pd.DataFrame:
    """Return the flattest fall each run may have, as 1 in n, by the table for its duty.

    Foul: peak flow under 1 l/s, 1:40 for 75 and 100 mm; over 1 l/s, 1:80 for 75 mm, for 100 mm with
    a WC (without, 1:40), 1:150 for 150 mm with five WCs (Approved Document H, H1 Table 6). Surface
    water: 1:100 for 75 and 100 mm, 1:150 for 150 mm. Combined: the steeper of both.

    Parameters
    ----------
    bore_mm
        (n,) inside, outside or nominal diameter.
    duty
        ``foul``, ``surface``, ``combined`` or ``not_known``: one, or (n,).
    peak_l_s, peak_sigma_l_s, wcs
        (n,) foul flow and WCs draining through the run; NaN where not known.
    z
        How many sigmas from 1 l/s put a flow surely to one side.

    Returns
    -------
    One row each: nominal_mm; steepest_one_in and flattest_one_in, the strictest and the mildest
    rule that may apply (NaN when the table holds none); because, settle: why they differ.
    """
    bore, peak, peak_sigma, closets = rows(bore_mm, peak_l_s, peak_sigma_l_s, wcs)
    duties = words(duty, bore)
    nominal = tables.nominal(bore)
    part, band = tables.value("gradient.peak_parts_l_s"), z * peak_sigma
    small_may = np.isnan(peak) | (peak - band < part)
    large_may = np.isnan(peak) | (peak + band >= part)
    small, _ = _rule(tables, "foul", "small", nominal)
    large, wcs_min = _rule(tables, "foul", "large", nominal)
    surface, _ = _rule(tables, "surface", "any", nominal)
    counted = ~np.isnan(closets)
    # With too few WCs the mild rule is off and the small-flow rule, if the bore has one, stands in.
    large_strict = np.where(counted & (closets >= wcs_min) | (wcs_min == 0), large, small)
    large_mild = np.where(counted & (closets < wcs_min), small, large)
    foul_strict = _steeper(np.where(small_may, small, np.inf), np.where(large_may, large_strict, np.inf))
    foul_mild = _flatter(np.where(small_may, small, 0.0), np.where(large_may, large_mild, 0.0))
    is_foul, is_surface, both = duties == "foul", duties == "surface", duties == "combined"
    strict = np.select([is_foul, is_surface], [foul_strict, surface], default=_steeper(foul_strict, surface))
    mild = np.select(
        [is_foul, is_surface, both],
        [foul_mild, surface, np.minimum(foul_mild, surface)],
        default=_flatter(foul_mild, surface),
    )
    odd = ~np.isin(duties.astype(str), DUTIES)
    none = np.isnan(strict) & np.isnan(mild)
    depends = ~none & ~(strict == mild)
    by_peak = depends & small_may & large_may & ~is_surface
    because = np.select(
        [np.isnan(bore), np.isnan(nominal), none, depends & odd, by_peak, depends],
        [
            "bore not measured",
            "bore in no row of the table (75, 100, 150 mm)",
            "the table holds no gradient for this bore, flow and number of WCs",
            "what the run carries is not known",
            "peak flow may be on either side of 1 l/s",
            "the gradient depends on the WCs draining to the run",
        ],
        default="",
    )
    settle = np.select(
        [np.isnan(bore), np.isnan(nominal) | none, depends & odd, depends],
        [
            "measure the bore",
            "reckon self-cleansing velocity instead",
            "trace what drains to the run with dye",
            "count the WCs and appliances draining to the run",
        ],
        default="",
    )
    return pd.DataFrame(
        {
            "nominal_mm": nominal,
            "steepest_one_in": strict,
            "flattest_one_in": mild,
            "because": because,
            "settle": settle,
        }
    )


def gradient_check(
    bore_mm: ArrayLike,
    *,
    invert_up_m: ArrayLike,
    invert_down_m: ArrayLike,
    length_m: ArrayLike,
    level_sigma_m: ArrayLike,
    duty: Any,
    z: float,
    tables: Tables,
    length_sigma_m: ArrayLike = 0.0,
    peak_l_s: ArrayLike = np.nan,
    peak_sigma_l_s: ArrayLike = 0.0,
    wcs: ArrayLike = np.nan,
) -> pd.DataFrame:
    """Say whether each run falls as steeply as the table for its duty asks.

    Parameters
    ----------
    invert_up_m, invert_down_m, level_sigma_m
        (n,) inverts and the standard deviation of each.
    length_m, length_sigma_m
        (n,) length on plan.
    bore_mm, duty, peak_l_s, peak_sigma_l_s, wcs, z
        As :func:`gradient_needed`.

    Returns
    -------
    One row each: verdict (``steep enough``, ``flatter than the table``, ``back-fall``,
    ``not known``), because, settle, margin_mm and sigma_mm of the drop over what is asked, drop_mm,
    gradient, gradient_sigma, one_in (NaN when level or backward) and the columns of
    :func:`gradient_needed` that name the rule.
    """
    need = gradient_needed(
        bore_mm, duty=duty, tables=tables, peak_l_s=peak_l_s, peak_sigma_l_s=peak_sigma_l_s, wcs=wcs, z=z
    )
    up, down, length, each, reach, _ = rows(
        invert_up_m, invert_down_m, length_m, level_sigma_m, length_sigma_m, need["nominal_mm"].to_numpy()
    )
    drop, drop_sigma = up - down, np.sqrt(2.0) * each
    length = np.where(length > 0, length, np.nan)
    fall = drop / length
    fall_sigma = np.hypot(drop_sigma, fall * reach) / length
    missing = np.isnan(drop) | np.isnan(length) | np.isnan(drop_sigma)
    answers = {}
    for end in ("steepest", "flattest"):
        asked = 1 / need[f"{end}_one_in"].to_numpy()
        answers[end] = compare(
            1000 * (drop - asked * length),
            1000 * np.hypot(drop_sigma, asked * reach),
            z=z,
            unit="mm",
            settle="level both inverts again from one set-up",
            above="steep enough",
            below="flatter than the table",
            because=np.where(missing, "inverts, their error or the length not measured", need["because"]),
        )
    strict, mild = answers["steepest"], answers["flattest"]
    backward = drop < -z * drop_sigma
    passes = strict["verdict"] == "steep enough"
    fails = mild["verdict"] == "flatter than the table"
    verdict = np.select(
        [backward, passes, fails], ["back-fall", "steep enough", "flatter than the table"], default=NOT_KNOWN
    )
    shown = strict.where(passes | mild["margin"].isna(), mild, axis=0)
    unknown = verdict == NOT_KNOWN
    rule_open = unknown & ~missing & (need["because"].to_numpy() != "")
    because = np.select(
        [backward, rule_open],
        [[f"it falls {-value * 1000:.0f} mm the wrong way" for value in drop], need["because"]],
        default=shown["because"],
    )
    settle = np.select(
        [~unknown, missing, rule_open],
        ["", "level both inverts and measure the length", need["settle"]],
        default="level both inverts again from one set-up",
    )
    with np.errstate(divide="ignore", over="ignore"):
        one_in = np.where(fall > 0, 1 / np.where(fall > 0, fall, 1.0), np.nan)
    return pd.DataFrame(
        {
            "verdict": verdict,
            "because": because,
            "settle": settle,
            "margin_mm": shown["margin"].astype(float),
            "sigma_mm": shown["sigma"].astype(float),
            "drop_mm": 1000 * drop,
            "gradient": fall,
            "gradient_sigma": fall_sigma,
            "one_in": one_in,
            "nominal_mm": need["nominal_mm"],
            "steepest_one_in": need["steepest_one_in"],
            "flattest_one_in": need["flattest_one_in"],
        }
    )


def access_check(
    from_kind: Any, *, to_kind: Any, distance_m: ArrayLike, sigma_m: ArrayLike, z: float, tables: Tables
) -> pd.DataFrame:
    """Say whether the next place to get at a drain is near enough (British Standard spacing).

    Parameters
    ----------
    from_kind, to_kind
        Going down the run: ``start``, ``rodding_eye``, ``small_fitting``, ``large_fitting``,
        ``junction``, ``shallow_chamber``, ``deep_chamber``; one, or (n,).
    distance_m, sigma_m
        (n,) along the run.

    Returns
    -------
    One row each: verdict (``near enough``, ``too far``, ``not known``), because, settle, margin,
    sigma (m), far_m (the most allowed; NaN where the table leaves the pair out).
    """
    distance, sigma = rows(distance_m, sigma_m)
    pairs = pd.MultiIndex.from_arrays([words(from_kind, distance), words(to_kind, distance)])
    far = tables.access.reindex(pairs).to_numpy(dtype=np.float64)
    frame = compare(
        far - distance,
        sigma,
        z=z,
        unit="m",
        settle=np.where(
            np.isnan(far), "find out what kind of access is at both ends", "tape the run between them"
        ),
        above="near enough",
        below="too far",
        because=np.where(
            np.isnan(far), "the table leaves this pair of access points out", "distance not measured"
        ),
    )
    return frame.assign(far_m=far)


def chamber_check(
    depth_m: ArrayLike,
    *,
    kind: str,
    length_mm: ArrayLike,
    z: float,
    tables: Tables,
    width_mm: ArrayLike = np.nan,
    depth_sigma_m: ArrayLike = 0.0,
    size_sigma_mm: ArrayLike = 0.0,
) -> pd.DataFrame:
    """Say whether chambers are large enough for their depth (Approved Document H, H1 Tables 11 and 12).

    Parameters
    ----------
    depth_m, depth_sigma_m
        (n,) cover to invert for an ``inspection`` chamber, to soffit for a ``manhole``.
    length_mm, width_mm, size_sigma_mm
        (n,) inside size; width NaN for a round one, whose diameter is ``length_mm``.

    Returns
    -------
    One row each: verdict (``large enough``, ``too small``, ``not known``), because, settle, margin,
    sigma (mm, of the side that is worst), needed_mm (text), status of the table's row.
    """
    table = tables.chambers.loc[
        tables.chambers["kind"] == one_of(kind, ("inspection", "manhole"), what="chamber")
    ]
    depth, long, wide, depth_sigma, size_sigma = rows(
        depth_m, length_mm, width_mm, depth_sigma_m, size_sigma_mm
    )
    round_one = np.isnan(wide)
    ends = table["depth_to_m"].to_numpy(dtype=np.float64)
    margins, places = [], []
    for shift in (-1.0, 1.0):
        place = np.clip(np.searchsorted(ends, depth + shift * z * depth_sigma), 0, len(ends) - 1)
        need = table.iloc[place]
        sides = np.minimum(
            np.maximum(long, wide) - need["length_mm"].to_numpy(),
            np.minimum(long, wide) - need["width_mm"].to_numpy(),
        )
        margins.append(np.where(round_one, long - need["diameter_mm"].to_numpy(), sides))
        places.append(place)
    # Deeper asks for more, so the deeper row settles "large enough" and the shallower "too small".
    deep_ok, shallow_bad = margins[1] >= z * size_sigma, margins[0] < -z * size_sigma
    margin = np.where(deep_ok | ~shallow_bad, margins[1], margins[0])
    torn = ~deep_ok & ~shallow_bad & (places[0] != places[1])
    lost = np.isnan(depth) | np.isnan(long) | np.isnan(depth_sigma)
    frame = compare(
        np.where(lost | torn, np.nan, margin),
        size_sigma,
        z=z,
        unit="mm",
        settle=np.where(lost, "dip the chamber and tape it from above", "dip the invert again"),
        above="large enough",
        below="too small",
        because=np.where(
            lost, "depth or size not measured", "its depth is within the error of a step of the table"
        ),
    )
    rule = table.iloc[places[1]]
    needed = [
        f"{d:.0f} mm round" if one else f"{a:.0f} x {b:.0f} mm"
        for one, d, a, b in zip(
            round_one, rule["diameter_mm"], rule["length_mm"], rule["width_mm"], strict=True
        )
    ]
    return frame.assign(needed_mm=needed, status=rule["status"].to_numpy())


def _rule(tables: Tables, duty: str, band: str, nominal: Numbers) -> tuple[Numbers, Numbers]:
    """Return 1 in n and the WCs it asks for, by nominal bore; NaN where the table has no row."""
    table = tables.gradients
    table = table.loc[(table["duty"] == duty) & (table["band"] == band)].set_index("bore_mm")
    found = table.reindex(nominal)
    return found["one_in"].to_numpy(dtype=np.float64), found["wcs_min"].to_numpy(dtype=np.float64)


def _steeper(first: Numbers, second: Numbers) -> Numbers:
    """Return the smaller n of 1 in n; NaN when either rule is wanted and missing."""
    return np.where(np.isnan(first) | np.isnan(second), np.nan, np.minimum(first, second))


def _flatter(first: Numbers, second: Numbers) -> Numbers:
    """Return the larger n of 1 in n that the table holds; NaN when it holds none."""
    most = np.fmax(first, second)
    return np.where(most > 0, most, np.nan)
