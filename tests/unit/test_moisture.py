"""Values off the scale, dry references, shapes by height: by hand, one fact at a time."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from geo import reference
from geo.errors import InputError
from geo.moisture import profile
from geo.moisture.bases import contents_from_masses
from geo.moisture.censor import (
    highest_text,
    parse_value,
    parse_values,
    scale_end_warnings,
    summary,
)
from geo.moisture.profile import profile_by_height
from geo.moisture.wetness import score_wetness
from geo.verdict import NOT_KNOWN

REF = reference.default()


# --- off the scale ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value", "censored"),
    [
        ("12.3", 12.3, "none"),
        (" >20 ", 20.0, "above"),
        ("≥ 20", 20.0, "above"),
        (">=20", 20.0, "above"),
        ("<6", 6.0, "below"),
        ("≤6", 6.0, "below"),
        ("0", 0.0, "none"),
    ],
)
def test_a_value_is_read_as_written(text: str, value: float, censored: str) -> None:
    """Numbers stay numbers; a sign before them says on which side the true value lies."""
    assert parse_value(text) == (value, censored)
    row = parse_values(pd.Series([text])).iloc[0]
    assert (row["value"], row["censored"], row["problem"]) == (value, censored, "")


@pytest.mark.parametrize("text", ["99,9", "wet", "", ">", "1e3", "20>", "nan", "9" * 400])
def test_anything_else_is_refused(text: str) -> None:
    """A decimal comma, a word or an exponent is no value; a column says so in the row."""
    with pytest.raises(ValueError, match="decimal comma" if "," in text else "is not a number"):
        parse_value(text)
    row = parse_values(pd.Series([text, "5"])).iloc[0]
    assert math.isnan(row["value"])
    assert row["problem"]


def test_a_value_at_the_end_of_its_scale_is_pointed_out() -> None:
    """100 on an instrument's 0-100 scale may be more, 6 on timber pins less; 0 % of mass is a value."""
    said = scale_end_warnings(
        pd.Series([100.0, 100.0, 6.0, 0.0, 20.0, 50.0]),
        pd.Series(["none", "above", "none", "none", "none", "none"]),
        pd.Series(["microwave", "microwave", "resistance_wood", "carbide", "carbide", "microwave"]),
        ref=REF,
    )
    ends = "at the end of the scale: "
    assert said.tolist() == [f"{ends}> 100?", "", f"{ends}< 6?", "", f"{ends}> 20?", ""]


def test_medians_and_means_of_readings_off_the_scale() -> None:
    """A mean exists only on the scale; a median as long as the middle is."""
    plain = summary([1.0, 2.0, 6.0], ["none"] * 3)
    assert (plain.median_text, plain.mean, plain.mean_text) == ("2.0", 3.0, "3.0")
    over = summary([5.0, 20.0, 20.0], ["none", "above", "above"])
    assert (over.median_text, over.mean_text) == ("at least 20.0", "at least 15.0")
    pair = summary([14.0, 20.0], ["none", "above"])
    assert pair.median_text == "at least 17.0"
    under = summary([6.0, 6.0, 9.0], ["below", "below", "none"])
    assert (under.median_text, under.mean_text) == ("at most 6.0", "at most 7.0")
    mixed = summary([6.0, 20.0], ["below", "above"])
    assert (mixed.median_text, mixed.mean_text) == ("not known", "not known")
    assert summary([], []).mean_text == "no readings"


def test_the_highest_reading_stays_open_upward() -> None:
    """Off the scale the highest is open; a half-sample above the limit of another leaves it open too."""
    assert highest_text([5, 20], ["none", "above"]) == ">20"
    assert highest_text([26.4, 20], ["none", "above"]) == "≥26.4"
    assert highest_text([5, 6], ["none", "none"]) == "6"
    assert highest_text([6, 6], ["below", "below"]) == "<6"


# --- weighings ----------------------------------------------------------------------------------


def test_weighings_that_cannot_be_are_refused_one_by_one() -> None:
    """Each wrong row says why and gives nothing; the right row is unharmed."""
    masses = pd.DataFrame(
        {
            "dish_g": [10.0, 10.0, 10.0, 30.0, np.nan],
            "wet_g": [32.0, 29.0, np.nan, 32.0, 22.0],
            "humid_g": [31.0, 31.0, 31.0, 31.0, 19.0],
            "dry_g": [30.0, 30.0, 30.0, 30.0, 20.0],
        },
        index=list("abcde"),
    )
    found = contents_from_masses(masses, ref=REF)
    assert found["refused"].ne("").tolist() == [False, True, True, True, True]
    assert "wet mass is missing" in found.loc["c", "refused"]
    assert "after 75 % RH is below" in found.loc["e", "refused"]
    assert found["mc_dry"].isna().tolist() == [False, True, True, True, True]
    assert found.loc["a", "mc_dry"] == pytest.approx(10.0)


def test_gypsum_dried_hot_is_pointed_out() -> None:
    """Above 60 °C gypsum loses bound water, which would read as moisture; brick does not."""
    masses = pd.DataFrame(
        {"wet_g": [32.0] * 3, "dry_g": [30.0] * 3, "oven_c": [105, 45, 105],
         "material": ["gypsum_plaster", "gypsum_plaster", "brick"]}
    )  # fmt: skip
    caution = contents_from_masses(masses, ref=REF)["caution"]
    assert caution.ne("").tolist() == [True, False, False]


def test_a_weighing_error_is_carried_through() -> None:
    """Dry 2 g, wet 2.2 g, 10 mg each, without a dish: 0.743 % by weighing, with 0.3 % of the laboratory.

    MC = 100 (wet - dry) / dry moves by 100 / 2 per gram of wet and 100 · 2.2 / 2² per gram of dry:
    10 mg make 0.50 and 0.55 %. A dish weighed as well adds 100 · 0.2 / 2² per gram, 0.05 %.
    """
    masses = pd.DataFrame({"wet_g": [2.2], "dry_g": [2.0], "mass_sigma_g": [0.01]})
    sigma = contents_from_masses(masses, ref=REF).iloc[0]["mc_dry_sigma"]
    assert sigma == pytest.approx(math.hypot(0.50, 0.55, 0.3), abs=1e-9)
    in_dish = masses.assign(wet_g=12.2, dry_g=12.0, dish_g=10.0)
    sigma = contents_from_masses(in_dish, ref=REF).iloc[0]["mc_dry_sigma"]
    assert sigma == pytest.approx(math.hypot(0.50, 0.55, 0.05, 0.3), abs=1e-9)


# --- wet, dry or not known ----------------------------------------------------------------------


def pins(values: list[Any], *, controls: list[Any], **more: Any) -> pd.DataFrame:
    """Return readings of brick by microwave (scale 0-100, spread 5), the controls last."""
    read = parse_values(pd.Series([str(v) for v in [*values, *controls]]))
    table = pd.DataFrame(
        {
            "method": "microwave",
            "material": "brick",
            "basis": "",
            "instrument": "M1",
            "value": read["value"],
            "censored": read["censored"],
            "control": [False] * len(values) + [True] * len(controls),
        }
    )
    return table.assign(**more)


def words(readings: pd.DataFrame) -> list[str]:
    """Return the word for each reading."""
    return score_wetness(readings, ref=REF).wetness["wet"].tolist()


def test_the_excess_is_over_the_middle_of_the_controls() -> None:
    """Controls 18, 19, 20, 21, 22: middle 20, MAD 1, so the spread 5 stands: 30 is +2, 35 +3, 36 +3.2."""
    found = score_wetness(pins([30, 30.1, 35, 36, 5], controls=[18, 19, 20, 21, 22]), ref=REF)
    assert found.wetness["excess"].round(2).tolist()[:5] == [2.0, 2.02, 3.0, 3.2, -3.0]
    assert found.wetness["wet"].tolist()[:5] == ["dry", NOT_KNOWN, NOT_KNOWN, "wet", "dry"]
    assert found.wetness["wet"].tolist()[5:] == ["control"] * 5
    group = found.groups.loc["microwave|brick|instrument|M1"]
    assert (group["control_median"], group["control_mad"], group["robust_sigma"]) == (20, 1, 5)
    assert (group["n"], group["n_control"], group["basis_of_comparison"]) == (10, 5, "excess")


def test_controls_that_scatter_widen_the_sigma() -> None:
    """Controls 0, 10, 20, 30, 40: MAD 10, sigma 14.826: 60 is +2.7, not known where +8 would be wet."""
    found = score_wetness(pins([60, 70], controls=[0, 10, 20, 30, 40]), ref=REF)
    assert found.wetness["excess"].round(3).tolist()[:2] == [2.698, 3.372]
    assert found.wetness["wet"].tolist()[:2] == [NOT_KNOWN, "wet"]


def test_too_few_controls_give_ranks_only() -> None:
    """Four controls: no excess, no word, but a rank and what to do."""
    found = score_wetness(pins([30, 80], controls=[18, 19, 20, 21]), ref=REF)
    assert found.wetness["excess"].isna().all()
    assert found.wetness["wet"].tolist()[:2] == [NOT_KNOWN] * 2
    assert found.wetness["rank"].tolist()[:2] == [0.8, 1.0]
    assert found.wetness["settle"].iloc[0].startswith("take 1 more reading of brick with Microwave head")
    assert found.groups["basis_of_comparison"].tolist() == ["ranks"]
    none = score_wetness(pins([30, 80], controls=[]), ref=REF)
    assert none.wetness["settle"].iloc[0] == (
        "take 5 readings of brick with Microwave head where the wall has no reason to be wet"
    )


def test_two_groups_never_meet() -> None:
    """Another instrument, material, method or basis is another group, whose controls do not count here."""
    controls = [18, 19, 20, 21, 22]
    mine = pins([90], controls=controls)
    for column, other in (
        ("instrument", "M2"), ("material", "mortar"), ("method", "capacitance"), ("basis", "dry")
    ):  # fmt: skip
        theirs = pins([90], controls=[]).assign(**{column: other})
        both = pd.concat([mine, theirs], ignore_index=True)
        found = score_wetness(both, ref=REF)
        assert found.wetness["wet"].tolist() == ["wet", *["control"] * 5, NOT_KNOWN]
        assert len(found.groups) == 2
        assert math.isnan(found.wetness["rank"].iloc[-1])


def test_off_the_scale_upward_is_a_lower_bound() -> None:
    """>60 over controls at 20 is at least +8: wet. >30 is at least +2: it may be more, so not known."""
    found = score_wetness(pins([">60", ">30", 62], controls=[20] * 5), ref=REF).wetness
    assert found["excess"].isna().tolist()[:3] == [True, True, False]
    assert found["excess_at_least"].tolist()[:3] == [8.0, 2.0, 8.4]
    assert found["wet"].tolist()[:3] == ["wet", NOT_KNOWN, "wet"]
    assert "scale goes further" in found["settle"].iloc[1]


def test_off_the_scale_downward() -> None:
    """<25 over controls at 20 is at most +1: dry. <60 says nothing."""
    assert words(pins(["<25", "<60"], controls=[20] * 5))[:2] == ["dry", NOT_KNOWN]


def test_controls_under_their_scale_still_serve() -> None:
    """Dry timber reads <6: 6 or less is dry, 20 is wet (at least +14), 8 is at least +2 and not known."""
    timber = pins([20, 8, 6, "<6"], controls=["<6"] * 5).assign(method="resistance_wood", material="softwood")
    found = score_wetness(timber, ref=REF)
    assert found.wetness["wet"].tolist()[:4] == ["wet", NOT_KNOWN, "dry", "dry"]
    assert found.wetness["excess"].isna().all()
    assert found.wetness["excess_at_least"].iloc[0] == 14.0
    assert math.isnan(found.groups["control_median"].iloc[0])


def test_controls_off_the_scale_are_no_reference() -> None:
    """If the dry reference itself is off the scale upward there is no dry reference."""
    found = score_wetness(pins([90], controls=[">100", ">100", ">100", 50, 50]), ref=REF)
    assert found.wetness["wet"].iloc[0] == NOT_KNOWN
    assert found.groups["basis_of_comparison"].iloc[0] == "ranks"
    assert found.groups["because"].iloc[0].startswith("the controls are off the scale")


def test_where_nothing_could_show_as_wet_nothing_is_dry() -> None:
    """Controls at 90 with a spread of 5 leave 100 only +2: no reading could be wet, so none is dry."""
    assert words(pins([88], controls=[90] * 5))[0] == NOT_KNOWN


def test_a_control_set_makes_a_control() -> None:
    """A reading that belongs to a control set is a control, ticked or not."""
    table = pins([18, 19, 20, 21, 22, 90], controls=[]).assign(control_set_id=["K1"] * 5 + [""])
    assert words(table) == ["control"] * 5 + ["wet"]


def test_a_control_that_reads_wet_is_pointed_out() -> None:
    """One control far above the others is asked about, and does not move the middle."""
    found = score_wetness(pins([90], controls=[20, 20, 20, 20, 20, 80]), ref=REF).wetness
    assert "has it a reason" in found["because"].iloc[-1]
    assert found["wet"].iloc[0] == "wet"


def test_ranks_tie_at_the_top() -> None:
    """Whatever may be the highest ranks 1: two off the scale, and the exact value they may not exceed."""
    found = score_wetness(pins([10, 50, ">60", ">60", 70, "<5"], controls=[]), ref=REF).wetness
    assert found["rank"].tolist() == pytest.approx([0.2, 0.4, 1.0, 1.0, 1.0, 0.0])


def test_an_unknown_method_is_refused() -> None:
    """A method that is not in shared/methods.toml is an input error that names it."""
    with pytest.raises(InputError, match="'dowsing' is no method"):
        score_wetness(pins([1], controls=[]).assign(method="dowsing"), ref=REF)


# --- by height ----------------------------------------------------------------------------------


def shape(
    heights: list[float], values: list[Any], *, control: float = 20.0, sigma: float = 5.0
) -> profile.Profile:
    """Return the profile of microwave readings over controls at 20, spread 5 (two differ from 13.9 up)."""
    read = parse_values(pd.Series([str(v) for v in values]))
    return profile_by_height(
        heights,
        read["value"].to_numpy(),
        read["censored"].to_numpy(),
        spread=5.0,
        ref=REF,
        control_median=control,
        robust_sigma=sigma,
    )


USUAL = [0.1, 0.3, 0.6, 0.9, 1.2]


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ([90, 85, 60, 40, 22], profile.FOOT),
        ([80, 25, 22, 20, 21], profile.EDGE),
        ([50, 52, 48, 55, 51], profile.EVEN),
        ([20, 22, 70, 45, 25], profile.PART_WAY),
        ([45, 50, 90, 80, 25], profile.BAND),
        ([20, 20, 22, 25, 80], profile.PATCH),
        ([45, 50, 60, 75, 95], profile.UPWARD),
        ([90, 40, 40, 85, 40], profile.UNEVEN),
        ([90, 20, 60, 20, 20], profile.UNEVEN),
        ([">100", ">100", 60, 40, 22], profile.FOOT),
        ([20, 22, ">100", 45, 25], profile.PART_WAY),
    ],
)
def test_shapes_by_height(values: list[Any], word: str) -> None:
    """Each shape has one class; readings off the scale take part by what they surely are."""
    found = shape(USUAL, values)
    assert found.word == word
    assert found.because


@pytest.mark.parametrize(
    ("heights", "values", "because", "settle"),
    [
        ([0.1, 0.3, 0.6], [90, 60, 30], "3 heights read, and a class needs 4", "read at 0.9 m"),
        ([0.1, 0.1, 0.1, 0.1], [90, 80, 85, 88], "1 height read", "read at 0.3, 0.6, 0.9 m"),
        ([0.6, 0.9, 1.2, 1.5], [90, 60, 30, 20], "nothing read below 0.6 m", "read at 0.1 m"),
        (USUAL, [">100"] * 5, "off the scale at every height", "drilled samples"),
        (USUAL, [">95", 94, 96, 95, 93], "some readings are off the scale", "drilled samples"),
    ],
)
def test_no_shape_without_enough_to_see_it(
    heights: list[float], values: list[Any], because: str, settle: str
) -> None:
    """Under four heights, without a foot, or all off the scale, the class is not known and says what to do."""
    found = shape(heights, values)
    assert found.word == NOT_KNOWN
    assert because in found.because
    assert settle in found.settle


def test_without_controls_a_base_is_not_called_dry() -> None:
    """The same band over a low base is only "highest part way up" when nobody knows what dry reads."""
    values = [45, 50, 90, 80, 25]
    assert shape(USUAL, values).word == profile.BAND
    assert shape(USUAL, values, control=math.nan, sigma=math.nan).word == profile.PART_WAY


def test_the_top_of_the_damp_lies_between_two_heights() -> None:
    """Two sigma over controls is 30: wet at 0.9 (40), dry at 1.2 (22); still wet at the top has no top."""
    found = shape(USUAL, [90, 85, 60, 40, 22])
    assert (found.top_of_damp_low_m, found.top_of_damp_high_m) == (0.9, 1.2)
    assert shape(USUAL, [90, 85, 60, 50, 40]).top_of_damp_high_m == math.inf
    assert shape(USUAL, [20, 21, 22, 20, 21]).top_of_damp_low_m == 0.0
    assert shape(USUAL, [20, 21, 22, 20, 21]).top_of_damp_high_m == 0.1


def test_the_edge_ratio() -> None:
    """80 at 0.1 over 40 at 0.3: 2.0; off the scale at the edge it is at least that."""
    assert shape(USUAL, [80, 40, 30, 20, 20]).edge_ratio == pytest.approx(2.0)
    assert shape(USUAL, [">80", 40, 30, 20, 20]).edge_ratio_text == "at least 2.0"
    assert math.isnan(shape([0.1, 0.2, 0.9, 1.2], [80, 40, 30, 20]).edge_ratio)


def test_the_slope_is_theil_and_sen_s() -> None:
    """Without readings off the scale the slope and its interval are those of scipy."""
    rng = np.random.default_rng(5)
    heights = np.array([0.1, 0.25, 0.3, 0.45, 0.6, 0.9, 1.05, 1.2, 1.5])
    values = np.round(80 - 40 * heights + rng.normal(0, 5, 9), 1)
    found = shape(heights.tolist(), values.tolist())
    theirs = stats.theilslopes(values, heights, alpha=0.95)
    assert found.slope_per_m == pytest.approx(theirs.slope)
    assert (found.slope_low, found.slope_high) == pytest.approx(
        (theirs.low_slope, theirs.high_slope), rel=1e-6
    )
    cut = shape(heights.tolist(), [f">{values[0]}", *values[1:].tolist()])
    assert cut.slope_low <= found.slope_low
    assert cut.slope_high == found.slope_high


def test_readings_at_one_height_are_not_averaged() -> None:
    """Of two readings at one height the higher stands, whichever was written first."""
    once = shape(USUAL, [90, 85, 60, 40, 22])
    twice = shape([*USUAL, 0.6], [90, 85, 60, 40, 22, 20])
    assert (twice.word, twice.n_heights, twice.slope_per_m) == (once.word, 5, once.slope_per_m)
