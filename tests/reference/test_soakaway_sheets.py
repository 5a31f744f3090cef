"""Three public soakaway calculation sheets, row by row, their misprints named."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geo.drains import soakage, tables
from geo.drains.soakage import Pit
from geo.verdict import Measured

RULES = tables.default()
Z = 1.96

# --- a public calculation sheet of 14 May 2008: pit 1.0 x 0.75 x 1.0 m, soakaway 2.0 x 1.5 x 1.5 m ----


def first_pit() -> soakage.HoleResult:
    """Return the sheet's trial pit: fills of 56, 55 and 56 minutes."""
    return soakage.trial_pit(
        np.array([56, 55, 56]) * 60, length_m=1.0, width_m=0.75, depth_m=1.0, tables=RULES
    )


def first_storage() -> soakage.StorageResult:
    """Return the sheet's design: 75 m², 10-year, r 0.35, M5-60 20 mm, 30 % voids."""
    return soakage.soakaway_storage(
        tables.amount(75.0),
        rain=soakage.storm_depths(20.0, r=0.35, tables=RULES),
        pit=Pit(length_m=2.0, width_m=1.5, depth_m=1.5, void=0.30),
        soakage=first_pit().base,
        z=Z,
        tables=RULES,
    )


def test_first_sheet_infiltration() -> None:
    """V 0.375 m³ (printed 0.38), a 2.50 m², slowest 56 min: f 44.6e-6 m/s; as50 f 234.1e-6 from that f, cut short."""
    pit = first_pit()
    assert pit.volume_m3 == pytest.approx(0.375)
    assert pit.side_area_m2 + pit.base_area_m2 == pytest.approx(2.50)
    assert pit.base.slowest.value == pytest.approx(44.6e-6, abs=5e-8)
    cut_short = 5.25 * 44.6e-6
    assert cut_short == pytest.approx(234.10e-6, abs=1e-7)
    sides = Pit(length_m=2.0, width_m=1.5, depth_m=1.5, void=0.30).side_area
    assert sides.value == pytest.approx(5.25)


def test_first_sheet_five_year_depths() -> None:
    """M5 of 7.1, 10.1, 12.3, 24.5 (2 h), 29.9, 33.8, 38.9 (10 h) and 49.6 mm (24 h), all eight that are legible."""
    rain = soakage.storm_depths(20.0, r=0.35, tables=RULES)
    legible = [0, 1, 2, 5, 6, 7, 8, 9]
    assert rain.minutes[legible].tolist() == [5, 10, 15, 120, 240, 360, 600, 1440]
    assert rain.five_year_mm[legible].round(1).tolist() == [7.1, 10.1, 12.3, 24.5, 29.9, 33.8, 38.9, 49.6]


def test_first_sheet_storage_rows() -> None:
    """Storage of 0.6, 0.8, 0.9, 1.0, 1.0, 0.6 m³ from 5 minutes to 2 hours, and -15.9 m³ at 24 hours."""
    table = first_storage().table.set_index("minutes")
    rows = table.loc[[5, 10, 15, 30, 60, 120, 1440], "storage_m3"].round(1)
    assert rows.tolist() == [0.6, 0.8, 0.9, 1.0, 1.0, 0.6, -15.9]


def test_first_sheet_figure_without_a_label() -> None:
    """The 20.2 m³ beside the 24 h row is that row's outflow (20.25); its inflow is 4.36."""
    day = first_storage().table.set_index("minutes").loc[1440]
    assert day["outflow_m3"] == pytest.approx(20.25, abs=0.01)
    assert day["inflow_m3"] == pytest.approx(4.36, abs=0.01)


def test_first_sheet_answer() -> None:
    """Provided 1.35 m³ (printed 1.3) is enough for 1.04 at 30 minutes; half empties in 37 min 1 s."""
    found = first_storage()
    assert found.provided.value == pytest.approx(1.35)
    assert found.required.value == pytest.approx(1.04, abs=0.005)
    assert found.critical_minutes == 30
    assert not found.required_at_least
    assert found.enough.word == "enough"
    assert found.half_empty_required_h.value * 60 == pytest.approx(37 + 1 / 60, abs=0.03)
    assert found.half_empty_provided_h.value * 60 == pytest.approx(0.675 / (5.25 * 4.4643e-5) / 60, rel=1e-3)
    assert found.empties.word == "in time"
    assert found.basis == "base included"


# --- a site test of 23 June 2006 ---------------------------------------------------------------------


def test_second_sheet_with_its_misprint() -> None:
    """Pit 1.60 x 0.60 m, 0.65 m of water, 4020 s: V 0.312 m³ and f 3.24e-5 m/s as printed.

    The area is printed 2.380 m²; 2(1.60 + 0.60) 0.325 + 0.96 is 2.390, and only 2.390 gives the
    printed f (3.247e-5); 2.380 would give 3.261e-5.
    """
    pit = soakage.trial_pit(4020, length_m=1.60, width_m=0.60, depth_m=0.65, tables=RULES)
    assert pit.volume_m3 == pytest.approx(0.312)
    assert pit.side_area_m2 + pit.base_area_m2 == pytest.approx(2.390)
    assert pit.base.slowest.value == pytest.approx(3.24e-5, abs=1e-7)
    with_printed_area = 0.312 / (2.380 * 4020)
    assert with_printed_area == pytest.approx(3.261e-5, abs=1e-8)
    assert pit.notes == ("1 of the 3 fills asked for",)


def test_second_sheet_mean() -> None:
    """The mean of the printed 3.24, 2.34 and 2.44e-5 is 2.67e-5, and the slowest stays beside it."""
    times = 0.312 / (2.390 * np.array([3.24e-5, 2.34e-5, 2.44e-5]))
    pit = soakage.trial_pit(times, length_m=1.60, width_m=0.60, depth_m=0.65, tables=RULES)
    assert pit.base.mean.value == pytest.approx(2.67e-5, abs=5e-8)
    assert pit.base.slowest.value == pytest.approx(2.34e-5)
    assert len(pit.fills) == 3


# --- a nursing home, February 2017: 690 m², f 8.5e-6 m/s, trench 23 x 5 x 0.8 m ------------------------

MINUTES = [10, 15, 30, 60, 120, 240, 360, 600, 1440, 2880, 5760]
M5 = [10.4, 12.6, 16.0, 20.0, 24.2, 29.0, 32.0, 35.8, 44.8, 52.4, 61.0]
Z2 = [1.22, 1.23, 1.24, 1.24, 1.24, 1.22, 1.21, 1.20, 1.18, 1.17, 1.15]
M10 = [12.69, 15.50, 19.84, 24.80, 30.01, 35.38, 38.72, 42.96, 52.86, 61.31, 70.15]
INFLOW = [8.75, 10.69, 13.69, 17.11, 20.71, 24.41, 26.72, 29.64, 36.48, 42.30, 48.40]


def test_third_sheet_five_year_depths() -> None:
    """At r 0.40 the depths to 24 hours are within 0.07 mm of the sheet's; 48 and 96 hours are in no table held."""
    rain = soakage.storm_depths(20.0, r=0.40, minutes=MINUTES, tables=RULES)
    np.testing.assert_allclose(rain.five_year_mm[:9], M5[:9], atol=0.071)
    assert np.isnan(rain.depth.value[9:]).all()
    assert all("not in the table" in reason for reason in rain.depth.because[9:])


def test_third_sheet_growth_with_its_misprint() -> None:
    """Ten of the eleven growth factors follow from the depths; at 61.0 mm the table gives 1.157, the sheet 1.15."""
    found = RULES.curves["z2_m10"].at(M5)
    assert found[:10].round(2).tolist() == Z2[:10]
    assert found[10] == pytest.approx(1.157, abs=5e-4)


@pytest.mark.parametrize("row", range(11))
def test_third_sheet_rows(row: int) -> None:
    """Each M10 is its M5 × Z2 and each inflow 690 m² × M10, to the hundredth printed."""
    inflow, _, _ = soakage.storage_rows(
        690, depth_mm=M5[row] * Z2[row], minutes=MINUTES[row], side_area_m2=22.4, f_m_s=8.5e-6
    )
    assert M5[row] * Z2[row] == pytest.approx(M10[row], abs=0.011)
    assert inflow[0] == pytest.approx(INFLOW[row], abs=0.011)


def test_third_sheet_carried_on() -> None:
    """The page is cut off before the outflow; by hand, as50 (23 + 5) 0.8 = 22.4 m², O 6.85 and S 22.79 m³ at 10 h."""
    found = soakage.soakaway_storage(
        tables.amount(690.0),
        rain=soakage.own_depths(MINUTES, depth_mm=M10, source="the sheet"),
        pit=Pit(length_m=23, width_m=5, depth_m=0.8, void=0.30),
        soakage=_rate(8.5e-6),
        z=Z,
        tables=RULES,
    )
    ten_hours = found.table.set_index("minutes").loc[600]
    assert ten_hours["outflow_m3"] == pytest.approx(22.4 * 8.5e-6 * 36000)
    assert found.required.value == pytest.approx(22.79, abs=0.01)
    assert found.critical_minutes == 600
    assert found.provided.value == pytest.approx(27.6)
    assert found.enough.word == "enough"


def test_worked_soakaway() -> None:
    """Worked by hand: pit 1.2 x 0.6 x 0.8 m, fills of 47, 52, 58 min; 62 m² on a crate 2 x 1 x 1 m.

    V 0.288 m³, a 2.16 m²; f 4.73, 4.27, 3.83e-5 m/s. Depths 20, 26, 32, 38, 45, 50 mm ask 1.14,
    1.41, 1.57, 1.53, 1.14, 0.62 m³ of 1.90 held; half of what it holds is gone in 2.3 h.
    """
    pit = soakage.trial_pit(np.array([47, 52, 58]) * 60, length_m=1.2, width_m=0.6, depth_m=0.8, tables=RULES)
    assert pit.volume_m3 == pytest.approx(0.288)
    assert (pit.fills["f_base_m_s"] * 1e5).round(2).tolist() == [4.73, 4.27, 3.83]
    found = soakage.soakaway_storage(
        tables.amount(62.0),
        rain=soakage.own_depths(
            [15, 30, 60, 120, 240, 360], depth_mm=[20, 26, 32, 38, 45, 50], source="made up"
        ),
        pit=Pit(length_m=2, width_m=1, depth_m=1, void=soakage.void_of("crates", tables=RULES)),
        soakage=pit.base,
        z=Z,
        tables=RULES,
    )
    np.testing.assert_allclose(found.table["storage_m3"], [1.14, 1.41, 1.57, 1.53, 1.14, 0.62], atol=0.006)
    assert found.provided.value == pytest.approx(1.90)
    assert found.critical_minutes == 60
    assert found.enough.word == "enough"
    assert found.half_empty_provided_h.value == pytest.approx(2.3, abs=0.05)


def test_percolation_example() -> None:
    """2700 s is 18 s/mm; five people need 22.5 m² of field; f is 2.78e-5 m/s on sides, 1.85e-5 with the base.

    Half of 0.3³ m³ lost in 150 Vp seconds through 0.18 m² of sides is exactly 1e-3/(2 Vp); through
    0.27 m² of sides and base, 1e-3/(3 Vp).
    """
    found = soakage.percolation([2700, 2700, 2700], z=Z, tables=RULES)
    assert found.mean.value == pytest.approx(18)
    assert found.hole.sides.slowest.value == pytest.approx(1e-3 / (2 * 18))
    assert found.hole.base.slowest.value == pytest.approx(1e-3 / (3 * 18))
    field = soakage.drainage_field(5, vp_s_mm=18, tables=RULES)
    assert field.value[0] == pytest.approx(22.5)
    assert field.value[0] / 0.6 == pytest.approx(37.5)


def test_small_soakaway_and_the_council_rule() -> None:
    """25 m² stores 0.25 m³; one building-control body asks 0.84 m³ for 50 m², 2.8 m³ of rubble at 30 %."""
    found = soakage.small_soakaway([25, 50], void=0.30, tables=RULES, z=Z)
    assert found["verdict"].tolist() == ["applies", "too large"]
    assert found["storage_m3"].iloc[0] == pytest.approx(0.25)
    assert math.isnan(found["storage_m3"].iloc[1])
    assert found["other_m3"].iloc[1] == pytest.approx(0.84, abs=0.01)
    assert found["other_fill_m3"].iloc[1] == pytest.approx(2.8, abs=0.03)


def _rate(f: float) -> soakage.BaseIncluded:
    """Return a rate given without its fills."""
    return soakage.BaseIncluded(
        each=tables.amount(f, unit="m/s"),
        slowest=Measured(f, 0.0),
        mean=Measured(f, 0.0),
        at_most=False,
        found_by="trial pit",
    )
