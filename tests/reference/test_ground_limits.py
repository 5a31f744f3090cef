"""What the published rules ask of the ground, and what levels and rasters can and cannot say of them."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from pyproj import CRS

from geo import reference
from geo.ground.clearance import chance_short, clearance_along
from geo.ground.raster import Raster
from geo.ground.spots import fit_levels
from geo.ground.strips import fall_sigma, fit_planes

REF = reference.default()
GRID = CRS.from_epsg(27700)
E, N = 412300.0, 287600.0


def wall() -> gpd.GeoDataFrame:
    """Return one metre of wall that faces north, chainage 2 to 3."""
    row = {
        "station_id": "B1@2.00",
        "ring_key": "B1",
        "face": "F2",
        "chainage_from_m": 2.0,
        "chainage_to_m": 3.0,
        "chainage_m": 2.5,
        "length_m": 1.0,
        "x": E,
        "y": N,
        "normal_e": 0.0,
        "normal_n": 1.0,
        "outside": True,
    }
    line = shapely.LineString([(E - 0.5, N), (E + 0.5, N)])
    return gpd.GeoDataFrame([row], geometry=[line], crs=GRID)


def shot(*spots: tuple[float, float], sigma_m: float, chainage_m: float = 2.5) -> pd.DataFrame:
    """Return levels shot outward from the wall: (metres out, level)."""
    d, z = zip(*spots, strict=True)
    table = {"ring_key": "B1", "face": "F2", "chainage_m": chainage_m, "offset_m": d, "level_m": z}
    names = [f"L{i}" for i in range(1, len(spots) + 1)]
    return pd.DataFrame({**table, "sigma_m": sigma_m, "patch_id": "P1"}, index=names)


# 95 % half-width of a fall between two levels, % of slope: 1.96 √2 σ/d, worked by hand.
HALF_WIDTH = [
    (2, 0.5, 1.1), (2, 1, 0.55), (2, 2, 0.28),
    (5, 0.5, 2.8), (5, 1, 1.4), (5, 2, 0.69),
    (10, 0.5, 5.5), (10, 1, 2.8), (10, 2, 1.4),
    (15, 0.5, 8.3), (15, 1, 4.2), (15, 2, 2.1),
]  # fmt: skip


@pytest.mark.parametrize(("sigma_mm", "apart_m", "half_width"), HALF_WIDTH)
def test_how_well_two_levels_tell_a_fall(sigma_mm: float, apart_m: float, half_width: float) -> None:
    """Two levels of equal sigma give a fall to ± 1.96 √2 σ/d."""
    levels = shot((0.0, 10.0), (apart_m, 10.02), sigma_m=sigma_mm / 1000)
    row = fit_levels(wall(), levels, ref=REF).iloc[0]
    assert row["high_percent"] - row["fall_percent"] == pytest.approx(half_width, rel=0.02)


@pytest.mark.parametrize(("sigma_mm", "says"), [(5.9, "toward"), (6.1, "not known")])
def test_one_in_sixty_over_a_metre_needs_six_millimetres(sigma_mm: float, says: str) -> None:
    """1 in 60 over 1 m is told from level ground only with levels to 6.0 mm: 16.7 = 1.96 √2 σ."""
    levels = shot((0.0, 10.0), (1.0, 10.0 + 1 / 60), sigma_m=sigma_mm / 1000)
    assert fit_levels(wall(), levels, ref=REF).iloc[0]["verdict"] == says


# Chance that the true clearance is under 150 mm, for a measured one and its sigma: Φ((150 - c)/σ), by hand.
CHANCE = {
    100: (1.000, 1.000, 0.994, 0.841, 0.631),
    140: (0.977, 0.841, 0.691, 0.579, 0.527),
    150: (0.5, 0.5, 0.5, 0.5, 0.5),
    160: (0.023, 0.159, 0.309, 0.421, 0.473),
    200: (0.000, 0.000, 0.006, 0.159, 0.369),
    300: (0.000, 0.000, 0.000, 0.001, 0.159),
}


@pytest.mark.parametrize("clearance_mm", CHANCE)
def test_chance_that_a_clearance_is_short(clearance_mm: float) -> None:
    """The chance follows the normal distribution of the error."""
    sigma = np.array([5.0, 10.0, 20.0, 50.0, 150.0])
    found = chance_short(np.full(5, float(clearance_mm)), sigma, 150.0)
    assert found == pytest.approx(CHANCE[clearance_mm], abs=6e-4)


@pytest.mark.parametrize(("sigma_mm", "band_mm"), [(5, 9.8), (10, 19.6), (20, 39.2), (50, 98), (150, 294)])
def test_the_band_in_which_the_rule_is_not_known(sigma_mm: float, band_mm: float) -> None:
    """Clearances within 1.96 σ of 150 mm are not known, one millimetre beyond they are."""
    for step, above, below in ((-1, "not known", "not known"), (1, "clear", "short")):
        for sign, word in ((1, above), (-1, below)):
            clear_mm = 150 + sign * (band_mm + step)
            dpc = pd.DataFrame(
                {"ring_key": "B1", "chainage_m": [0.0, 9.0], "level_m": 10.0, "sigma_m": 0.0, "state": "continuous"},
                index=["D1", "D2"],
            )  # fmt: skip
            levels = shot((0.0, 10.0 - clear_mm / 1000), sigma_m=sigma_mm / 1000)
            row = clearance_along(wall(), levels, dpc, pd.Series({"B1": 20.0}), ref=REF).iloc[0]
            assert row["verdict"] == word


def test_the_clearance_rule_is_the_published_one() -> None:
    """NHBC Standards 5.1.19 (2020) and Approved Document C section 5: at least 150 mm above the ground."""
    limit = REF.limit("ground.dpc_clearance_mm")
    assert limit.value == 150
    assert limit.unit == "mm"
    assert "NHBC" in limit.source
    assert "Approved Document C" in limit.source


def test_the_published_fall_of_lawns_is_five_per_cent() -> None:
    """IRC R401.3: 6 in within the first 10 ft is 152/3048 mm, 1 in 20, read off ground so graded."""
    fit = graded(drop_m=0.1524, over_m=3.048)
    assert -100 * fit == pytest.approx(REF.value("ground.irc_fall_percent"), abs=0.015)


def test_the_published_fall_of_paving_is_two_per_cent() -> None:
    """IRC R401.3: hard surfaces within 10 ft fall 2 % away, 61 mm in all."""
    fit = graded(drop_m=0.061, over_m=3.048)
    assert -100 * fit == pytest.approx(REF.value("ground.irc_hard_fall_percent"), abs=0.005)


def test_gardens_are_kept_dry_for_three_metres() -> None:
    """NHBC 10.2.8 (2018): gardens within 3 m of habitable parts are not to be waterlogged."""
    assert REF.value("ground.garden_m") == 3.0


def test_a_published_raster_cannot_tell_a_garden_fall() -> None:
    """With the published RMSE of 150 mm as the cells' own error a strip of 4 x 8 m is good to ± 13.9 %.

    Worked by hand: n_eff = 32/9, sd(d) = 1.118 m; 1.96 x 150/(√3.556 x 1118) = 13.9 %.
    """
    raster = level_raster(0.0)
    nothing = np.zeros(raster.z.shape, dtype=bool)
    fit = fit_planes(
        raster,
        nothing,
        np.array([[E, N]]),
        np.array([[0.0, 1.0]]),
        np.array([4.0]),
        near_m=0.0,
        far_m=4.0,
        correlation_m=3.0,
    )
    assert 196 * fall_sigma(fit, 0.150)[0] == pytest.approx(13.9, abs=0.05)


def graded(*, drop_m: float, over_m: float) -> float:
    """Return the fall read off ground that drops evenly away from the wall."""
    raster = level_raster(drop_m / over_m)
    nothing = np.zeros(raster.z.shape, dtype=bool)
    fit = fit_planes(
        raster,
        nothing,
        np.array([[E, N]]),
        np.array([[0.0, 1.0]]),
        np.array([2.0]),
        near_m=0.0,
        far_m=over_m,
        correlation_m=3.0,
    )
    return float(fit.fall[0])


def level_raster(fall: float) -> Raster:
    """Return 20 x 20 m of 1 m cells about (E, N), falling north."""
    y = 10 - np.arange(20) - 0.5
    return Raster(
        z=np.broadcast_to((50 - fall * y)[:, None], (20, 20)).copy(),
        transform=Affine(1.0, 0, E - 10, 0, -1.0, N + 10),
        crs=GRID,
        model="DTM",
        sigma_m=0.15,
        relative_sigma_m=0.05,
        stated=True,
    )
