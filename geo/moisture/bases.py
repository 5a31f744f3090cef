"""Wet and dry mass bases, the carbide vessel, and free water told from water that salts hold."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geo.moisture.censor import ABOVE, NONE, value_text
from geo.moisture.profile import height_text
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict, decide

Numbers = npt.NDArray[np.float64]

FREE, SALT, BOTH, NEITHER = "free water", "salt-held", "both", "neither"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SaltProfile:
    """Free water or salt-held, height by height, and over the whole height.

    Parameters
    ----------
    heights
        The table of :func:`free_or_salt`, lowest first.
    verdict
        Answer over all heights: ``"free water"``, ``"salt-held"``, ``"both"``, ``"neither"`` or
        ``"not known"``. Heights are looked at one by one and never averaged.
    """

    heights: pd.DataFrame
    verdict: Verdict


def dry_from_wet(percent: npt.ArrayLike, sigma: npt.ArrayLike = 0.0) -> tuple[Numbers, Numbers]:
    """Turn a share of the wet mass into a share of the dry mass.

    With w the water per 100 of wet mass, the dry mass is 100 - w, so the share of it is
    100 w / (100 - w), whose slope is (100 / (100 - w))².

    Parameters
    ----------
    percent, sigma
        Per cent of wet mass and its standard deviation. 100 or more has no dry mass: NaN.

    Returns
    -------
    Per cent of dry mass and its standard deviation.
    """
    wet = np.asarray(percent, dtype=float)
    left = np.where(wet < 100, 100 - wet, np.nan)
    return 100 * wet / left, np.asarray(sigma, dtype=float) * (100 / left) ** 2


def wet_from_dry(percent: npt.ArrayLike, sigma: npt.ArrayLike = 0.0) -> tuple[Numbers, Numbers]:
    """Turn a share of the dry mass into a share of the wet mass: 100 d / (100 + d).

    Parameters
    ----------
    percent, sigma
        Per cent of dry mass and its standard deviation.

    Returns
    -------
    Per cent of wet mass and its standard deviation.
    """
    dry = np.asarray(percent, dtype=float)
    whole = np.where(dry > -100, 100 + dry, np.nan)
    return 100 * dry / whole, np.asarray(sigma, dtype=float) * (100 / whole) ** 2


def both_bases(percent: npt.ArrayLike, sigma: npt.ArrayLike, basis: npt.ArrayLike) -> pd.DataFrame:
    """Return percentages on both bases, whichever they were given on.

    Parameters
    ----------
    percent, sigma
        Per cent of mass and standard deviation, on the basis named.
    basis
        ``"wet"`` or ``"dry"``; anything else has no mass basis and gives NaN.

    Returns
    -------
    Table ``wet_percent``, ``wet_sigma``, ``dry_percent``, ``dry_sigma``.
    """
    value, spread, word = np.broadcast_arrays(
        np.atleast_1d(np.asarray(percent, dtype=float)),
        np.asarray(sigma, dtype=float),
        np.asarray(basis, dtype=object),
    )
    on_wet, on_dry = word == "wet", word == "dry"
    to_dry, to_wet = dry_from_wet(value, spread), wet_from_dry(value, spread)
    names = ("wet_percent", "wet_sigma", "dry_percent", "dry_sigma")
    given = (value, spread)
    columns = [np.select([on_wet, on_dry], [g, t], np.nan) for g, t in zip(given, to_wet, strict=True)]
    columns += [np.select([on_dry, on_wet], [g, t], np.nan) for g, t in zip(given, to_dry, strict=True)]
    return pd.DataFrame(dict(zip(names, columns, strict=True)))


def carbide_moisture(
    gauge: npt.ArrayLike,
    *,
    sample_share: npt.ArrayLike = 1.0,
    censored: npt.ArrayLike = NONE,
    full_scale: float | None = None,
    ref: Reference,
) -> pd.DataFrame:
    """Turn gauge readings of a carbide vessel into moisture contents on both bases.

    Half the standard sample makes half the gas, so the reading is doubled and the same slip of the
    gauge weighs double; a double sample is halved, but the sample varies as before and its standard
    deviation is not made smaller. At full scale the vessel only says "more than this".

    Parameters
    ----------
    gauge
        Per cent of wet mass on the gauge, as read.
    sample_share
        Mass of the sample over the standard mass: 0.5 for half, 2 for double.
    censored
        ``"above"`` where the gauge was off its scale.
    full_scale
        End of the gauge; that of the method when left out. A reading there counts as off the scale.

    Returns
    -------
    Table ``wet_percent``, ``wet_sigma``, ``dry_percent``, ``dry_sigma``, ``censored``, ``wet_text``,
    ``dry_text``; a censored row's percentages are lower bounds and its sigmas NaN.
    """
    end = ref.methods["carbide"].scale_max if full_scale is None else full_scale
    read, share, word = np.broadcast_arrays(
        np.atleast_1d(np.asarray(gauge, dtype=float)),
        np.asarray(sample_share, dtype=float),
        np.asarray(censored, dtype=object),
    )
    factor = 1 / np.where(share > 0, share, np.nan)
    cut = np.where(read >= end, ABOVE, word).astype(object)
    wet = np.minimum(read, end) * factor
    spread = np.where(cut == NONE, ref.value("moisture.carbide_sigma") * np.maximum(factor, 1.0), np.nan)
    table = both_bases(wet, spread, "wet").assign(censored=cut)
    for basis in ("wet", "dry"):
        shown = table[f"{basis}_percent"].round(1)
        table[f"{basis}_text"] = [value_text(v, c) for v, c in zip(shown, cut, strict=True)]
    return table


def contents_from_masses(masses: pd.DataFrame, *, ref: Reference) -> pd.DataFrame:
    """Work out moisture contents from weighings, on both bases.

    On the dry basis MC = 100 (wet - dry) / (dry - dish) and HMC = 100 (humid - dry) / (dry - dish),
    humid being the mass after equilibrium with air at 75 % RH; on the wet basis each is divided by
    its own mass before drying (wet - dish, humid - dish). The excess MC - HMC is the water that the
    air could not have put there. Weighing errors are carried through each quotient; the laboratory's
    own part (``moisture.mc_sigma``) is added once to each content and twice to their difference.

    Parameters
    ----------
    masses
        Columns ``wet_g``, ``dry_g`` and, where there are any, ``humid_g``, ``dish_g`` (blank: masses
        without a dish), ``mass_sigma_g``, ``oven_c``, ``material``. Any one unit of mass serves, if
        ``mass_sigma_g`` is in it too.

    Returns
    -------
    Table on the same index: ``mc_dry``, ``mc_dry_sigma``, ``hmc_dry``, ``hmc_dry_sigma``, ``mc_wet``,
    ``mc_wet_sigma``, ``hmc_wet``, ``hmc_wet_sigma``, ``excess``, ``excess_sigma`` (dry basis), all in
    per cent; ``refused`` (why a row gives nothing) and ``caution`` (why it may mislead).
    """
    wet, dry, humid = (_masses(masses, name) for name in ("wet_g", "dry_g", "humid_g"))
    dish = _masses(masses, "dish_g")
    in_dish = np.isfinite(dish)  # a dish that was not used was not weighed either
    dish = np.nan_to_num(dish)
    told = _masses(masses, "mass_sigma_g")
    weigh = np.where(np.isnan(told), ref.value("moisture.mass_sigma_g"), told)
    lab, z = ref.value("moisture.mc_sigma"), ref.value("confidence.z_95")

    refused = np.full(len(masses), "", dtype=object)
    slack = z * math.sqrt(2) * weigh
    for wrong, why in (
        (
            humid < dry - slack,
            "the mass after 75 % RH is below the dry mass: two weighings are swapped or wrong",
        ),
        (wet < dry - slack, "the wet mass is below the dry mass: two weighings are swapped or wrong"),
        (
            dry <= dish,
            "the dry mass does not exceed the dish: weigh both with the dish, or leave the dish blank",
        ),
        (np.isnan(wet), "the wet mass is missing"),
        (np.isnan(dry), "the dry mass is missing"),
    ):
        refused[wrong] = why
    solid = np.where(refused == "", dry - dish, np.nan)

    out: dict[str, Any] = {}
    for name, moist in (("mc", wet), ("hmc", humid)):
        water, before = moist - dry, moist - dish
        out[f"{name}_dry"] = 100 * water / solid
        by_weighing = 100 * np.sqrt(solid**2 + before**2 + in_dish * water**2) / solid**2 * weigh
        out[f"{name}_dry_sigma"] = np.hypot(by_weighing, lab)
        out[f"{name}_wet"], out[f"{name}_wet_sigma"] = wet_from_dry(
            out[f"{name}_dry"], out[f"{name}_dry_sigma"]
        )
    gap = wet - humid
    out["excess"] = 100 * gap / solid
    by_weighing = 100 * np.sqrt(2 * solid**2 + (1 + in_dish) * gap**2) / solid**2 * weigh
    out["excess_sigma"] = np.hypot(by_weighing, math.sqrt(2) * lab)
    out["refused"], out["caution"] = refused, _cautions(masses, solid, ref)
    return pd.DataFrame(out, index=masses.index)


def free_or_salt(contents: pd.DataFrame, height_m: pd.Series[Any], *, ref: Reference) -> SaltProfile:
    """Tell free water from water that salts hold, at each height and over all of them.

    At one height free water is shown when MC exceeds HMC by more than ``confidence.z_95`` sigma, and
    salts when HMC exceeds ``moisture.salt_hmc`` by as much. With no free water shown the water there
    is salt-held where salts are shown; where they are not, it is ``"neither"`` only if free water of
    ``moisture.free_water_matters`` would have shown.

    Parameters
    ----------
    contents
        Columns ``mc_dry``, ``hmc_dry``, ``hmc_dry_sigma``, ``excess``, ``excess_sigma`` as from
        :func:`contents_from_masses` or :func:`excess_of`, all of one material and depth.
    height_m
        Height of each, same index.

    Returns
    -------
    Heights with ``height_m``, ``mc_dry``, ``hmc_dry``, ``excess``, ``excess_sigma``, ``word``,
    ``because``, ``settle``; and the verdict over all of them.
    """
    z, salty_at = ref.value("confidence.z_95"), ref.value("moisture.salt_hmc")
    table = contents.assign(height_m=height_m).sort_values("height_m", kind="stable")
    excess, spread = table["excess"].to_numpy(float), table["excess_sigma"].to_numpy(float)
    hmc, hmc_spread = table["hmc_dry"].to_numpy(float), table["hmc_dry_sigma"].to_numpy(float)
    with np.errstate(invalid="ignore"):
        free = excess > z * spread
        salty = hmc - salty_at > z * hmc_spread
        clean = ~salty & (excess + z * spread < ref.value("moisture.free_water_matters"))
    missing = np.isnan(excess) | np.isnan(hmc)
    word = np.select(
        [missing, free & salty, free, salty, clean], [NOT_KNOWN, BOTH, FREE, SALT, NEITHER], NOT_KNOWN
    )
    table["word"] = word.astype(object)
    table["because"] = [
        "no moisture content, or none after 75 % RH"
        if gone
        else f"MC - HMC {e:+.1f} ± {z * s:.1f} % of dry mass, HMC {h:.1f} %"
        for gone, e, s, h in zip(missing, excess, spread, hmc, strict=True)
    ]
    table["settle"] = np.select(
        [missing, word == NOT_KNOWN],
        ["weigh the sample wet, after 75 % RH and dry", "two more samples at this height"],
        "",
    ).astype(object)
    kept = ["height_m", "mc_dry", "hmc_dry", "excess", "excess_sigma", "word", "because", "settle"]
    heights = table[kept]
    return SaltProfile(heights=heights, verdict=_over_heights(heights))


def excess_of(mc_dry: npt.ArrayLike, hmc_dry: npt.ArrayLike, *, ref: Reference) -> pd.DataFrame:
    """Return MC, HMC and their difference where a laboratory gave only percentages of dry mass."""
    mc, hmc = np.atleast_1d(np.asarray(mc_dry, float)), np.atleast_1d(np.asarray(hmc_dry, float))
    lab = ref.value("moisture.mc_sigma")
    return pd.DataFrame(
        {
            "mc_dry": mc,
            "mc_dry_sigma": lab,
            "hmc_dry": hmc,
            "hmc_dry_sigma": lab,
            "excess": mc - hmc,
            "excess_sigma": math.sqrt(2) * lab,
        }
    )


def compare_contents(a: Measured, b: Measured, *, ref: Reference, bases: tuple[str, str]) -> Verdict:
    """Compare two moisture contents on the dry basis, whatever basis each was given on.

    Parameters
    ----------
    a, b
        Per cent of mass with their standard deviations.
    bases
        ``"wet"`` or ``"dry"`` for each.

    Returns
    -------
    ``"higher"`` (the first), ``"lower"`` or ``"not known"``, in which case no difference is shown.
    """
    table = both_bases([a.value, b.value], [a.sigma, b.sigma], list(bases))
    first, second = (
        Measured(float(v), float(s)) for v, s in zip(table.dry_percent, table.dry_sigma, strict=True)
    )
    gap = first - second
    said = f"{gap.value:+.2f} % of dry mass, sigma {gap.sigma:.2f}"
    answer = decide(
        gap,
        z=ref.value("confidence.z_95"),
        unit="% of dry mass",
        settle="samples from both points, by one method",
        above="higher",
        below="lower",
    )
    return replace(answer, because=said if answer.known else f"no difference shown: {said}")


def _masses(table: pd.DataFrame, name: str) -> Numbers:
    if name not in table:
        return np.full(len(table), np.nan)
    return np.asarray(table[name].to_numpy(dtype=float, na_value=np.nan))


def _cautions(masses: pd.DataFrame, solid: Numbers, ref: Reference) -> npt.NDArray[np.object_]:
    """Say what may make a content mislead although it can be worked out."""
    least, hot = ref.value("moisture.sample_min_g"), ref.value("moisture.gypsum_oven_c")
    said = np.full(len(masses), "", dtype=object)
    said[solid < least] = f"less than {least:g} g of dry sample"
    if "material" in masses:
        gypsum = masses["material"].isin(("gypsum_plaster", "plasterboard")).to_numpy(dtype=bool)
        overheated = gypsum & (_masses(masses, "oven_c") > hot)
        said[overheated] = f"gypsum dried above {hot:g} °C loses bound water, which reads as moisture"
    return said


def _over_heights(heights: pd.DataFrame) -> Verdict:
    """Return the answer over all heights of a profile."""
    word, at = heights["word"], heights["height_m"].map(height_text)

    def listed(*words: str) -> str:
        return ", ".join(at[word.isin(words)])

    free, salts = listed(FREE, BOTH), listed(SALT, BOTH)
    unknown, n = listed(NOT_KNOWN), len(heights)
    ids = tuple(str(name) for name in heights.index)
    if free and salts:
        said = f"free water shown at {free} m; salts hold water at {salts} m"
        return Verdict(word=BOTH, because=said, rests_on=ids)
    if free:
        return Verdict(word=FREE, because=f"free water shown at {free} m; no salts shown", rests_on=ids)
    if salts:
        said = f"no free water shown at any of {n} heights; salts hold water at {salts} m"
        return Verdict(word=SALT, because=said, rests_on=ids)
    if n and not unknown:
        said = f"neither free water nor salts shown at any of {n} heights"
        return Verdict(word=NEITHER, because=said, rests_on=ids)
    said = f"cannot be told apart at {unknown} m" if n else "no samples"
    settle = f"two more samples at {unknown} m" if n else "samples at four heights, with 75 % RH"
    return Verdict(word=NOT_KNOWN, because=said, settle=settle, rests_on=ids)
