"""Percolation, pits, storms and soakaways: bases kept apart, and what is not known said."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geo.drains import soakage, tables
from geo.drains.soakage import BaseIncluded, Pit, SidesOnly
from geo.errors import GeometryError
from geo.verdict import NOT_KNOWN

RULES = tables.default()
Z = 1.96
PIT = {"length_m": 1.0, "width_m": 0.75, "depth_m": 1.0, "tables": RULES}
HOLE = soakage.trial_pit([3360, 3300, 3360], **PIT)


def design(**changes: object) -> soakage.StorageResult:
    """Return a soakaway reckoned, with changes."""
    given = {
        "rain": soakage.storm_depths(20.0, r=0.35, tables=RULES),
        "pit": Pit(length_m=2.0, width_m=1.5, depth_m=1.5, void=0.30),
        "soakage": HOLE.base,
        "z": Z,
        "tables": RULES,
        **changes,
    }
    return soakage.soakaway_storage(tables.amount(75.0), **given)  # type: ignore[arg-type]


# --- bases -----------------------------------------------------------------------------------------


def test_the_two_bases_are_two_types() -> None:
    """A pit gives both rates, each of its own type and label; through the sides alone the rate is higher."""
    assert type(HOLE.sides) is SidesOnly
    assert type(HOLE.base) is BaseIncluded
    assert (HOLE.sides.basis, HOLE.base.basis) == ("sides only", "base included")
    assert HOLE.sides.slowest.value == pytest.approx(0.375 / (1.75 * 3360))


def test_bases_are_never_put_together() -> None:
    """Holes on two bases, or a hole and a pit, are refused with the way out."""
    other = soakage.trial_pit([4000, 4100, 4200], **PIT)
    with pytest.raises(GeometryError, match="one basis"):
        soakage.together(HOLE.sides, other.base)  # type: ignore[type-var]
    drilled = soakage.percolation([2700, 2750, 2800], z=Z, tables=RULES)
    with pytest.raises(GeometryError, match="side by side"):
        soakage.together(HOLE.base, drilled.hole.base)


def test_two_pits_of_one_basis_keep_every_fill() -> None:
    """Six fills stay six; the slowest of all is the slowest, the mean is of all."""
    other = soakage.trial_pit([4000, 4100, 4200], **PIT)
    both = soakage.together(HOLE.base, other.base)
    assert type(both) is BaseIncluded
    assert len(both.each) == 6
    assert both.slowest.value == pytest.approx(0.375 / (2.5 * 4200))
    rates = 0.375 / (2.5 * np.array([3360, 3300, 3360, 4000, 4100, 4200]))
    assert both.mean.value == pytest.approx(rates.mean())


def test_a_rate_must_name_its_basis() -> None:
    """A bare rate, on no named basis, is refused."""
    bare = soakage.Soakage(
        each=HOLE.base.each,
        slowest=HOLE.base.slowest,
        mean=HOLE.base.mean,
        at_most=False,
        found_by="trial pit",
    )
    with pytest.raises(GeometryError, match="sides only or base included"):
        design(soakage=bare)


def test_the_result_names_the_basis() -> None:
    """Sides only asks less storage than base included, and each result says which it used."""
    careful, other = design(), design(soakage=HOLE.sides)
    assert (careful.basis, other.basis) == ("base included", "sides only")
    assert other.required.value < careful.required.value
    assert "base included" in careful.notes[0]


# --- fills -----------------------------------------------------------------------------------------


def test_a_fill_that_never_emptied_is_never_averaged() -> None:
    """Its rate is at most what is given, so there is no mean, and the pit says so."""
    pit = soakage.trial_pit([3360, 3300, 14400], emptied=[True, True, False], **PIT)
    assert pit.base.at_most
    assert math.isnan(pit.base.mean.value)
    assert pit.base.slowest.value == pytest.approx(0.375 / (2.5 * 14400))
    assert "did not reach 25 %" in pit.notes[0]
    assert pit.fills["emptied"].tolist() == [True, True, False]
    assert design(soakage=pit.base, summed_by="mean").enough.word == NOT_KNOWN


def test_at_most_can_fail_a_soakaway_but_not_pass_it() -> None:
    """With a rate that is only at most this, a tank too small is short and a vast one is not known to do."""
    loose = soakage.trial_pit([3360, 3300, 3360], emptied=[True, True, False], **PIT).base
    small = design(soakage=loose, pit=Pit(length_m=1, width_m=1, depth_m=1, void=0.30))
    large = design(soakage=loose, pit=Pit(length_m=9, width_m=9, depth_m=1.5, void=0.95))
    assert small.enough.word == "short"
    assert large.enough.word == NOT_KNOWN
    assert large.enough.settle
    assert large.required_at_least
    assert large.empties.word == NOT_KNOWN


def test_fill_time_from_a_log() -> None:
    """1.0 m falling 0.1 m in each 10 min passes 75 % at 25 min and 25 % at 75 min: 50 min."""
    minutes = np.arange(0, 100, 10)
    time, emptied = soakage.fall_time(minutes * 60, depth_m=1.0 - minutes / 100, full_m=1.0)
    assert time == pytest.approx(3000)
    assert emptied
    least, done = soakage.fall_time([0, 1800, 3600], depth_m=[1.0, 0.7, 0.5], full_m=1.0)
    assert not done
    assert least == pytest.approx(3600 - 1500)


@pytest.mark.parametrize(
    ("seconds", "depth"),
    [
        ([0, 600], [1.0, 1.1]),
        ([600, 0], [1.0, 0.2]),
        ([0], [1.0]),
        ([0, 600], [0.7, 0.1]),
        ([0, 600], [1.0, 0.9]),
    ],
)
def test_a_log_that_cannot_be_read(seconds: list[float], depth: list[float]) -> None:
    """Water that rises, time that goes back, one reading, or a log that never passes 75 % is refused."""
    with pytest.raises(GeometryError, match="log"):
        soakage.fall_time(seconds, depth_m=depth, full_m=1.0)


def test_impossible_pits() -> None:
    """A pit without size, or a fill without time, is refused."""
    with pytest.raises(GeometryError, match="above nothing"):
        soakage.trial_pit([3360], **{**PIT, "width_m": 0.0})
    with pytest.raises(GeometryError, match="above nothing"):
        soakage.trial_pit([3360, 0], **PIT)


def test_sigma_of_a_fill_by_hand() -> None:
    """With only the clock in doubt, ± 30 s on 3000 s is ± 1 % of f."""
    pit = soakage.trial_pit([3000, 3000, 3000], **PIT, side_sigma_m=0.0, depth_sigma_m=0.0, time_sigma_s=30.0)
    assert pit.base.slowest.sigma / pit.base.slowest.value == pytest.approx(0.01, rel=1e-3)
    assert pit.base.mean.sigma / pit.base.mean.value == pytest.approx(0.01 / math.sqrt(3), rel=1e-3)


# --- percolation -----------------------------------------------------------------------------------


def test_percolation_gives_all_four_answers() -> None:
    """At 13, 13.5 and 14 s/mm Approved Document H is content and BS 6297 is not; both say of what they sum."""
    found = soakage.percolation(np.array([13, 13.5, 14]) * 150, time_sigma_s=1.0, z=0.1, tables=RULES)
    answers = found.answers.set_index(["rule", "summed_by"])["verdict"]
    assert answers["Approved Document H"].tolist() == ["within", "within"]
    assert answers["BS 6297:2007"].tolist() == ["outside", "outside"]
    assert found.mean.value == pytest.approx(13.5)
    assert found.slowest.value == pytest.approx(14)
    assert found.hole.fills["vp_s_mm"].tolist() == pytest.approx([13, 13.5, 14])


def test_percolation_that_did_not_empty() -> None:
    """A hole still holding water after 5 hours (120 s/mm already) is outside by its slowest; its mean is not known."""
    found = soakage.percolation([2700, 2700, 18000], emptied=[True, True, False], z=Z, tables=RULES)
    said = found.answers.set_index("summed_by")["verdict"]
    assert set(said["mean"]) == {NOT_KNOWN}
    slow = soakage.percolation([2700, 2700, 36000], emptied=[True, True, False], z=Z, tables=RULES)
    assert set(slow.answers.set_index("summed_by")["verdict"]["slowest"]) == {"outside"}
    held = soakage.percolation([2700, 2700, 9000], emptied=[True, True, False], z=Z, tables=RULES)
    assert set(held.answers["verdict"]) == {NOT_KNOWN}


def test_drainage_field_outside_the_range() -> None:
    """At 8 s/mm the ground is too quick for a field, so no area is given; treated water asks a fifth less."""
    found = soakage.drainage_field([4, 4], vp_s_mm=[8, 40], tables=RULES)
    assert math.isnan(found.value[0])
    assert found.value[1] == pytest.approx(40)
    treated = soakage.drainage_field(4, vp_s_mm=40, treated=True, tables=RULES)
    assert treated.value[0] == pytest.approx(32)


# --- storms ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("r", [0.20, 0.32, 0.43])
def test_r_outside_the_table_is_not_known(r: float) -> None:
    """Outside r 0.33 to 0.42 no depth is made up: the user gives their own."""
    rain = soakage.storm_depths(20.0, r=r, tables=RULES)
    assert np.isnan(rain.depth.value).all()
    assert all("your own depths" in reason for reason in rain.depth.because)
    found = design(rain=rain)
    assert found.enough.word == NOT_KNOWN
    assert "your own depths" in found.enough.because


def test_durations_between_the_columns_are_not_known() -> None:
    """45 minutes is between two columns, and nothing published says how to go between them."""
    rain = soakage.storm_depths(20.0, r=0.36, minutes=[30, 45, 60], tables=RULES)
    assert rain.five_year_mm[[0, 2]].tolist() == pytest.approx([15.8, 20.0])
    assert math.isnan(rain.depth.value[1])


def test_growth_and_allowance_are_the_users() -> None:
    """A growth of 1.5 for 30 years and an allowance of 1.4 turn 20 mm into 42; growth past 100 mm is not held."""
    rain = soakage.storm_depths(20.0, r=0.36, minutes=60, growth=1.5, allowance=1.4, tables=RULES)
    assert rain.depth.value[0] == pytest.approx(42)
    far = soakage.storm_depths(60.0, r=0.36, minutes=[60, 1440], tables=RULES)
    assert not math.isnan(far.depth.value[0])
    assert "growth factor" in far.depth.because[1]


def test_rain_carries_the_map_and_the_rounding() -> None:
    """M5-60 of 20 ± 1 mm is ± 5 %; with no error of the map the tables' rounding is left."""
    sure = soakage.storm_depths(20.0, r=0.36, minutes=60, growth=1.0, tables=RULES)
    doubt = soakage.storm_depths(20.0, r=0.36, minutes=60, growth=1.0, m5_60_sigma_mm=1.0, tables=RULES)
    assert 0 < sure.depth.sigma[0] < 0.1
    assert doubt.depth.sigma[0] == pytest.approx(1.0, rel=0.01)
    long = soakage.storm_depths(20.0, r=0.36, r_sigma=0.03, minutes=1440, growth=1.0, tables=RULES)
    # Z1 at 24 h is 2.60 at r 0.33 and 2.28 at 0.39: ± 0.16 on 2.42.
    assert long.depth.sigma[0] == pytest.approx(20 * 0.16, rel=0.01)


def test_own_depths_need_a_source() -> None:
    """A table of one's own names its source and rises in duration."""
    with pytest.raises(GeometryError, match="come from"):
        soakage.own_depths([10, 20], depth_mm=[10, 15], source=" ")
    with pytest.raises(GeometryError, match="rise"):
        soakage.own_depths([20, 10], depth_mm=[10, 15], source="council")


# --- storage ---------------------------------------------------------------------------------------


def test_duration_in_seconds() -> None:
    """One hour at 1e-5 m/s through 5 m² takes 0.18 m³; with minutes it would be sixty times less."""
    inflow, outflow, stored = soakage.storage_rows(100, depth_mm=20, minutes=60, side_area_m2=5, f_m_s=1e-5)
    assert (inflow[0], outflow[0]) == pytest.approx((2.0, 0.18))
    assert stored[0] == pytest.approx(1.82)


def test_a_round_soakaway() -> None:
    """A ring 1.05 m across, 1.5 m deep: sides at half depth π 1.05 0.75 = 2.474 m², holds 1.299 m³."""
    ring = Pit(length_m=1.05, width_m=None, depth_m=1.5, void=1.0, depth_sigma_m=0.05)
    assert ring.side_area.value == pytest.approx(2.474, abs=5e-4)
    assert ring.storage.value == pytest.approx(1.299, abs=5e-4)
    assert ring.storage.sigma == pytest.approx(1.299 * 0.05 / 1.5, rel=1e-3)


def test_storms_too_short_are_called_out() -> None:
    """In slow ground the longest storm tried asks most, so the need is "at least" and enough is withdrawn."""
    slow = soakage.trial_pit([300000, 300000, 300000], **PIT).base
    found = design(soakage=slow, pit=Pit(length_m=4, width_m=3, depth_m=1.5, void=0.95))
    assert found.critical_minutes == 1440
    assert found.required_at_least
    assert found.provided.value > found.required.value
    assert found.enough.word == NOT_KNOWN
    assert "shorter or longer" in found.enough.because


def test_a_gap_is_bounded_by_the_longer_storm() -> None:
    """A 5-minute depth that is missing can ask no more than the 10-minute rain, so a tank larger than that is enough.

    75 m² × 12.37 mm = 0.93 m³ at most, under the 1.04 m³ of 30 minutes.
    """
    known = soakage.storm_depths(20.0, r=0.35, tables=RULES)
    depth = known.depth.value.copy()
    depth[0] = np.nan
    found = design(rain=soakage.own_depths(known.minutes, depth_mm=depth, source="test"))
    assert not found.required_at_least
    assert found.enough.word == "enough"
    assert found.table["because"].iloc[0] == "no depth given"


def test_a_tank_within_the_error_is_not_known() -> None:
    """1.05 m³ against 1.04 ± 0.02 cannot be told."""
    found = design(pit=Pit(length_m=2.0, width_m=1.5, depth_m=1.5, void=0.2333))
    assert found.enough.word == NOT_KNOWN
    assert "within the error" in found.enough.because


def test_slow_ground_is_named() -> None:
    """Under 1e-6 m/s half a tank takes days: too slow, and the council limit is noted."""
    slow = soakage.trial_pit([200000, 210000, 220000], **PIT).base
    found = design(soakage=slow)
    assert found.empties.word == "too slow"
    assert any("too slow for a soakaway" in note for note in found.notes)
    assert found.half_empty_required_h.value > 24


def test_answers_rest_on_records() -> None:
    """The ids given come back with both answers."""
    found = design(rests_on=("SA1", "TP1"))
    assert found.enough.rests_on == found.empties.rests_on == ("SA1", "TP1")


def test_present_soakage() -> None:
    """5.25 m² at 4.46e-5 m/s passes 0.234 l/s."""
    found = soakage.present_soakage([5.25, np.nan], f_m_s=4.46e-5, sigma_m_s=1e-6)
    assert found.value[0] == pytest.approx(0.234, abs=5e-4)
    assert found.because[1] == "rate or size not known"


# --- rules of thumb and offsets ----------------------------------------------------------------------


def test_small_rule_near_its_end() -> None:
    """24.5 ± 1 m² may be over 25; the storage is given and the word is not known."""
    found = soakage.small_soakaway(24.5, sigma_m2=1.0, tables=RULES, z=Z).iloc[0]
    assert found["verdict"] == NOT_KNOWN
    assert found["storage_m3"] == pytest.approx(0.245)
    assert found["other_m3"] == pytest.approx(24.5 * 50 / 3000, rel=1e-5)


@pytest.mark.parametrize(
    ("to", "least"),
    [("building", 5), ("road", 5), ("boundary", 2.5), ("other_soakaway", 10), ("groundwater", 1)],
)
def test_offsets(to: str, least: float) -> None:
    """5 m from buildings and roads (H3 3.25), the rest council practice, said so; within the tape's error is not known."""
    found = soakage.offset_check(
        [least + 1, least - 0.5, least + 0.05, np.nan], to=to, sigma_m=0.1, z=Z, tables=RULES
    )
    assert found["verdict"].tolist() == ["far enough", "too near", NOT_KNOWN, NOT_KNOWN]
    assert found["least_m"].iloc[0] == least
    assert found["settle"].iloc[3]
    assert ("Approved Document H (2015)" in found["source"].iloc[0]) == (to in {"building", "road"})


def test_an_offset_to_nothing_known() -> None:
    """An offset that has no rule is refused by name."""
    with pytest.raises(GeometryError, match="offset to 'tree'"):
        soakage.offset_check(3.0, to="tree", sigma_m=0.1, z=Z, tables=RULES)
