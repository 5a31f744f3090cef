"""Mass bases, carbide readings and free or salt-held water against published and hand-worked values."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from geo import reference
from geo.moisture.bases import (
    carbide_moisture,
    compare_contents,
    contents_from_masses,
    dry_from_wet,
    excess_of,
    free_or_salt,
    wet_from_dry,
)
from geo.moisture.censor import summary
from geo.verdict import NOT_KNOWN, Measured

REF = reference.default()


@pytest.mark.parametrize(("wet", "dry"), [(2, 2.041), (5, 5.263), (10, 11.111), (15, 17.647), (20, 25.0)])
def test_wet_to_dry(wet: float, dry: float) -> None:
    """100 w / (100 - w), worked by hand; 20 % of the wet mass is 25 % of the dry mass."""
    assert dry_from_wet(wet)[0] == pytest.approx(dry, abs=5e-4)
    assert wet_from_dry(dry)[0] == pytest.approx(wet, abs=5e-4)


def test_a_handbook_divides_by_the_wrong_mass() -> None:
    """Wet 180 g, dry 150 g: an instrument handbook prints 16.6 % as the dry basis; it is 20.0 %.

    (180 - 150) / 150 = 0.200; 16.67 % is the share of the wet mass.
    """
    found = contents_from_masses(pd.DataFrame({"wet_g": [180.0], "dry_g": [150.0]}), ref=REF).iloc[0]
    assert found["mc_dry"] == pytest.approx(20.0, abs=1e-9)
    assert found["mc_wet"] == pytest.approx(16.667, abs=5e-4)


def test_weighings_in_a_dish() -> None:
    """Worked by hand: dish 10.00, wet 12.15, after 75 % RH 12.02, dry 11.95 g.

    Dry basis 0.20 / 1.95 and 0.07 / 1.95; wet basis 0.20 / 2.15 and 0.07 / 2.02, each of its own mass.
    """
    masses = pd.DataFrame({"dish_g": [10.0], "wet_g": [12.15], "humid_g": [12.02], "dry_g": [11.95]})
    found = contents_from_masses(masses, ref=REF).iloc[0]
    names = ["mc_dry", "hmc_dry", "mc_wet", "hmc_wet"]
    assert [round(float(found[name]), 2) for name in names] == [10.26, 3.59, 9.30, 3.47]
    assert "less than 2 g" in found["caution"]


def test_weighings_without_a_dish() -> None:
    """Worked case: 24.312 wet, 24.425 after 75 % RH, 22.532 dry: 7.90 and 8.40 % dry, 7.32 and 7.75 % wet."""
    masses = pd.DataFrame({"wet_g": [24.312], "humid_g": [24.425], "dry_g": [22.532]})
    found = contents_from_masses(masses, ref=REF).iloc[0]
    names = ["mc_dry", "hmc_dry", "mc_wet", "hmc_wet"]
    assert [round(float(found[name]), 2) for name in names] == [7.90, 8.40, 7.32, 7.75]
    assert found["excess"] == pytest.approx(-0.50, abs=0.005)
    assert found["excess_sigma"] == pytest.approx(0.42, abs=0.005)


def test_half_a_sample_is_half_the_gas() -> None:
    """Worked case: 13.2 on the gauge with half a sample is 26.4 % wet, which is 35.9 % dry.

    26.4 / 73.6 = 0.3587. Full scale, 20 % wet, is "more than 25 % dry", and stays off the scale.
    """
    found = carbide_moisture([13.2, 20.0, 13.2], sample_share=[0.5, 1.0, 2.0], ref=REF)
    assert found["wet_percent"].tolist() == pytest.approx([26.4, 20.0, 6.6])
    assert found["dry_text"].tolist() == ["35.9", ">25", "7.1"]
    assert found["wet_text"].tolist() == ["26.4", ">20", "6.6"]
    assert found["censored"].tolist() == ["none", "above", "none"]
    # The gauge's slip is doubled with the reading; a double sample varies no less.
    assert found["wet_sigma"].fillna(-1).tolist() == pytest.approx([1.0, -1, 0.5])


def test_half_a_sample_moves_full_scale() -> None:
    """Off the scale with half a sample is more than 40 % wet: 40 / 60, more than 66.7 % dry."""
    found = carbide_moisture([20.0], sample_share=0.5, censored="above", ref=REF).iloc[0]
    assert (found["wet_text"], found["dry_text"]) == (">40", ">66.7")


def test_off_scale_readings_have_a_median_and_no_mean() -> None:
    """Worked case: 6.5, 9.0, 14.0, >20, >20 have the median 14.0; of the mean only "at least 13.9".

    (6.5 + 9.0 + 14.0 + 20 + 20) / 5 = 13.9 would be its value if both were exactly 20.
    """
    found = summary([6.5, 9.0, 14.0, 20.0, 20.0], ["none", "none", "none", "above", "above"])
    assert found.median_text == "14.0"
    assert found.mean_text == "at least 13.9"
    assert math.isnan(found.mean)


def test_wet_and_dry_basis_compared() -> None:
    """Worked case: 12.0 % wet against 13.0 % dry, sigma 0.5 each.

    12.0 wet is 12 / 88 = 13.64 % dry, sigma 0.5 (100 / 88)² = 0.65; 13.0 dry is 11.50 wet. The
    difference is 0.64, sigma √(0.65² + 0.5²) = 0.82: no difference is shown.
    """
    value, sigma = dry_from_wet(12.0, 0.5)
    assert (round(float(value), 2), round(float(sigma), 2)) == (13.64, 0.65)
    assert round(float(wet_from_dry(13.0)[0]), 2) == 11.50
    answer = compare_contents(Measured(12.0, 0.5), Measured(13.0, 0.5), bases=("wet", "dry"), ref=REF)
    assert answer.word == NOT_KNOWN
    assert answer.because.startswith("no difference shown: +0.64")
    assert "sigma 0.82" in answer.because
    surely = compare_contents(Measured(12.0, 0.5), Measured(9.0, 0.5), bases=("wet", "dry"), ref=REF)
    assert surely.word == "higher"


HEIGHTS = pd.Series([0.1, 0.4, 0.7, 1.0, 1.3])


def test_a_salt_band_is_not_rising_water() -> None:
    """Worked case: MC/HMC 1.6/1.0, 3.0/2.4, 5.6/5.4, 7.9/8.4, 2.2/2.0 at 0.1 to 1.3 m, sigma 0.3 each.

    The excesses +0.6, +0.6, +0.2, -0.5, +0.2 all lie within two sigma (0.42 each): no free water is
    shown at any height, and the band at 0.7-1.0 m is salt-held.
    """
    contents = excess_of([1.6, 3.0, 5.6, 7.9, 2.2], [1.0, 2.4, 5.4, 8.4, 2.0], ref=REF)
    found = free_or_salt(contents, HEIGHTS, ref=REF)
    assert found.heights["excess"].round(1).tolist() == [0.6, 0.6, 0.2, -0.5, 0.2]
    assert found.heights["excess_sigma"].round(2).unique().tolist() == [0.42]
    assert found.heights["word"].tolist() == [NOT_KNOWN, NOT_KNOWN, "salt-held", "salt-held", NOT_KNOWN]
    assert found.verdict.word == "salt-held"
    assert "no free water shown at any of 5 heights" in found.verdict.because
    assert "0.7, 1.0 m" in found.verdict.because


@pytest.mark.parametrize(
    ("mc", "hmc", "word"),
    [
        ([9.0, 7.0, 5.0, 3.0, 1.0], [1.0, 1.0, 1.0, 1.0, 1.0], "free water"),
        ([9.0, 7.0, 8.0, 8.0, 1.0], [1.0, 1.0, 6.0, 8.4, 1.0], "both"),
        ([0.9, 0.8, 0.9, 0.7, 0.8], [0.8, 0.8, 0.8, 0.7, 0.8], "neither"),
        ([1.6, 1.6, 1.6, 1.6, 1.6], [1.0, 1.0, 1.0, 1.0, 1.0], NOT_KNOWN),
    ],
)
def test_free_water_and_salts_are_told_apart(mc: list[float], hmc: list[float], word: str) -> None:
    """Free water needs MC over HMC by 1.96 sigma (0.83 %); salts need HMC surely over 2 % of dry mass."""
    assert free_or_salt(excess_of(mc, hmc, ref=REF), HEIGHTS, ref=REF).verdict.word == word
