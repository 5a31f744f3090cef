"""The contractor's pack: what is set out comes back to where it was, and every file can be read again."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path
from typing import Any

import ezdxf
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pypdfium2
import pypdfium2.raw as pdfium_c
import pytest
import shapely
import typst
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from geo import reference
from geo.cli import app
from geo.drains.network import build_network
from geo.drains.setting_boxes import dig_boxes
from geo.drains.setting_camera import camera_path
from geo.drains.setting_depths import depths_below
from geo.drains.setting_out import CAUTIONS, SettingOut, set_out
from geo.drains.setting_runs import route_spread
from geo.drains.setting_services import service_warnings
from geo.drains.setting_ties import tie_points, wall_offsets
from geo.errors import GeometryError
from geo.exchange import setting_out as pack
from geo.exchange.setting_out import setting_out_of, write_setting_out
from geo.perimeter.build import Perimeter, build_perimeter
from geo.perimeter.fix import fix_positions
from geo.site.crs import from_lonlat
from geo.site.folder import read_site
from geo.site.records import Placed
from geo.verdict import NOT_KNOWN

REF = reference.default()
SITES = Path(__file__).resolve().parents[2] / "demo_sites"
NAMES = ("old_school", "semi_on_a_slope", "three_cottages")
HOSTILE = '#panic("x") <b>&amp; =1+1 %%d {\\P} $ _a_'


def house(*others: shapely.Polygon, at: tuple[float, float] = (0.0, 0.0)) -> Perimeter:
    """Return an L-shaped house, with neighbours."""
    shape = shapely.Polygon([(0, 0), (0, 8), (5, 8), (5, 4), (10, 4), (10, 0)])
    shapes = [shapely.transform(part, lambda xy: xy + at) for part in (shape, *others)]
    table = gpd.GeoDataFrame(
        {
            "role": ["subject"] + ["neighbour"] * len(others),
            "origin_e": [at[0]] + [np.nan] * len(others),
            "origin_n": [at[1]] + [np.nan] * len(others),
        },
        geometry=shapes,
        index=[f"B{i}" for i in range(1, len(shapes) + 1)],
        crs=27700,
    )
    return build_perimeter(table, ref=REF)


def points(xy: Any, *, sigma: float = 0.03) -> pd.DataFrame:
    """Return points with a round spread."""
    table = pd.DataFrame(np.asarray(xy, dtype=float).reshape(-1, 2), columns=["x", "y"])
    return table.assign(var_xx=sigma**2 / 2, var_xy=0.0, var_yy=sigma**2 / 2)


def target(**columns: Any) -> pd.DataFrame:
    """Return one target with a pipe in it, as :func:`dig_boxes` takes it."""
    row = {
        "kind": "gully", "state": "sound", "evidence": "seen", "x": 0.0, "y": 0.0, "crown_low_m": 9.11,
        "crown_high_m": 9.11, "invert_low_m": 9.0, "invert_high_m": 9.0, "level_sigma_m": 0.01,
        "var_xx": 0.04, "var_xy": 0.0, "var_yy": 0.01, "set_xx": np.nan, "set_xy": np.nan, "set_yy": np.nan,
    }  # fmt: skip
    return pd.DataFrame([row | columns], index=["T"])


def ground(*rows: tuple[float, float, float, float, str]) -> pd.DataFrame:
    """Return levels of the ground."""
    return pd.DataFrame(rows, columns=["x", "y", "level_m", "sigma_m", "name"])


@pytest.fixture(scope="module")
def packs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, Any, SettingOut, Perimeter]]:
    """Write the pack of every demo site once."""
    made = {}
    for name in NAMES:
        folder = tmp_path_factory.mktemp(name)
        site = read_site(SITES / name)
        write_setting_out(site, folder)
        made[name] = (folder, site, *setting_out_of(site))
    return made


# --- ties --------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-12, 22), st.floats(-12, 20)), min_size=1, max_size=8
    )
)  # fmt: skip
def test_tapes_read_back_by_the_survey_give_the_point(xy: list[tuple[float, float]]) -> None:
    """The two lengths and the side, typed in as a survey's own, fix the point they were set out from.

    No tape runs through the house, and none is longer than the tape.
    """
    perimeter = house(at=(400000.0, 300000.0))
    wall = perimeter.footprints.geometry.iloc[0]
    table = points(np.asarray(xy) + (400000.0, 300000.0))
    found = tie_points(table, perimeter, ref=REF)
    tied = found[found["tied"] == "yes"]
    if tied.empty:
        return
    raw = pd.DataFrame(
        {name: "" if str(field.annotation).find("str") >= 0 else np.nan for name, field in Placed.model_fields.items() if name != "geometry"},
        index=tied.index,
    ).assign(position_by="two_tapes", building_id="B1", ring="", side="outside")  # fmt: skip
    columns = ["tape_1_from", "tape_1_m", "tape_2_from", "tape_2_m", "tape_side"]
    back = fix_positions(raw.assign(**{name: tied[name] for name in columns}), perimeter, ref=REF)
    assert (back["refused"] == "").all()
    np.testing.assert_allclose(back[["x", "y"]], table.loc[tied.index, ["x", "y"]], atol=1e-5)
    corners = {row.corner_from: row.geometry.coords[0] for row in perimeter.faces.itertuples()}
    for name, row in tied.iterrows():
        for k in (1, 2):
            tape = shapely.LineString([corners[row[f"tape_{k}_from"]], table.loc[name, ["x", "y"]]])
            assert tape.length == pytest.approx(row[f"tape_{k}_m"])
            assert tape.intersection(wall.buffer(-0.03)).length < 1e-9
            assert tape.length <= 30
        assert row["set_out_sigma_m"] > np.hypot(0.03, 0.015)


def test_the_chosen_pair_is_the_best_of_all() -> None:
    """By brute force over every pair in sight: none gives a smaller √(s1² + s2²) / sin θ."""
    perimeter = house()
    spot = np.array([7.0, 6.5])
    found = tie_points(points(spot), perimeter, ref=REF).iloc[0]
    corners = [np.array(line.coords[0]) for line in perimeter.faces.geometry]
    seen = [
        c for c in corners if not shapely.LineString([c, spot]).crosses(perimeter.footprints.geometry.iloc[0])
    ]
    assert len(seen) == 3
    spreads = []
    for i, a in enumerate(seen):
        for b in seen[i + 1 :]:
            u, v = spot - a, spot - b
            sine = abs(u[0] * v[1] - u[1] * v[0]) / np.hypot(*u) / np.hypot(*v)
            spreads.append(np.hypot(0.015 + 0.001 * np.hypot(*u), 0.015 + 0.001 * np.hypot(*v)) / sine)
    assert found["set_out_sigma_m"] == pytest.approx(np.hypot(min(spreads), 0.03))
    assert found["check_from"] not in ("", found["tape_1_from"], found["tape_2_from"])


def test_a_tie_does_not_go_through_a_neighbour() -> None:
    """A shed before the front wall hides it; the tie is made from corners that can be seen, or none."""
    far = tie_points(points((5.0, -4.0)), house(), ref=REF).iloc[0]
    assert {far["tape_1_from"], far["tape_2_from"]} == {"A", "F"}
    hidden = tie_points(points((5.0, -4.0)), house(shapely.box(-3, -2, 13, -1)), ref=REF).iloc[0]
    assert (hidden["tied"], hidden["why_no_tie"]) == ("no", "no corner can be seen from it")


def test_chainage_and_offset_lead_back_to_the_point() -> None:
    """A point square off a wall is given by it; one off a corner by none; a long offset says so."""
    perimeter = house()
    table = points([(-0.4, 3.0), (7.0, 4.5), (-2.0, -2.0), (-3.0, 3.0), (8.0, 6.0)])
    found = wall_offsets(table, perimeter, ref=REF)
    on = found[found["wall_ring_key"] != ""]
    assert list(on.index) == [0, 1, 3, 4]
    back = perimeter.point_at("B1", on["chainage_m"].to_numpy(), on["offset_m"].to_numpy())
    np.testing.assert_allclose(back, table.loc[on.index, ["x", "y"]], atol=1e-9)
    assert list(found["wall_note"]) == [
        "",
        "",
        "it lies square off no wall",
        *["better set out by the tapes"] * 2,
    ]


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 6.28), st.floats(-500, 500), st.floats(-500, 500))
def test_moving_and_turning_the_site_changes_no_tape(angle: float, east: float, north: float) -> None:
    """Lengths, offsets and site coordinates belong to the house, not to the grid."""
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])

    def moved(xy: Any) -> Any:
        return np.asarray(xy) @ turn + (400000 + east, 300000 + north)

    spots = np.array([(7.0, 6.5), (-3.0, 2.0), (12.0, -3.0)])
    plain_, turned_ = [], []
    shape = shapely.Polygon([(0, 0), (0, 8), (5, 8), (5, 4), (10, 4), (10, 0)])
    for found, how in ((plain_, lambda xy: np.asarray(xy) + (400000, 300000)), (turned_, moved)):
        wall = shapely.transform(shape, how)
        origin = how([(0.0, 0.0)])[0]
        table = gpd.GeoDataFrame(
            {"role": ["subject"], "origin_e": [origin[0]], "origin_n": [origin[1]]},
            geometry=[wall], index=["B1"], crs=27700,
        )  # fmt: skip
        perimeter = build_perimeter(table, ref=REF)
        ties = tie_points(points(how(spots)), perimeter, ref=REF)
        walls = wall_offsets(points(how(spots)), perimeter, ref=REF)
        found += [
            ties[["tape_1_m", "tape_2_m", "check_m", "set_out_sigma_m"]],
            walls[["chainage_m", "offset_m"]],
        ]
    for a, b in zip(plain_, turned_, strict=True):
        np.testing.assert_allclose(a, b, atol=1e-6)


# --- the reel ----------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.3, 6), st.floats(-1.2, 1.2)), min_size=1, max_size=6),
    st.floats(0, 1),
    st.floats(-2, 2),
    st.floats(0, 2),
)
def test_a_reel_reading_goes_to_the_map_and_back(
    steps: list[tuple[float, float]], share: float, fall: float, drop: float
) -> None:
    """Along a way that never doubles back, map and reel are each other's inverse, and nothing shortens it."""
    heading = np.cumsum([turn / 3 for _, turn in steps])
    length = np.array([step for step, _ in steps])
    xy = np.vstack(
        [[0, 0], np.cumsum(length[:, None] * np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)]
    )
    path = camera_path(shapely.LineString(xy), levels=[10.0, 10.0 - fall], drop_m=drop)
    assert path.pipe_m[-1] == pytest.approx(drop + np.hypot(length.sum(), fall))
    reading = drop + share * (path.pipe_m[-1] - drop)
    place = path.to_map([reading], ref=REF).iloc[0]
    back = path.to_reel([(place["x"], place["y"])], ref=REF).iloc[0]
    if drop == 0 or share > 1e-6:
        assert back["reel_m"] == pytest.approx(reading, abs=1e-6)
    assert back["off_m"] == pytest.approx(0.0, abs=1e-9)
    assert place["sigma_m"] >= max(0.1, 0.01 * reading) - 1e-12


def test_both_ends_of_a_run_find_the_same_spot() -> None:
    """Read from below, the rest of the pipe: the two readings add up to its length."""
    line = shapely.LineString([(0, 0), (3, 0), (3, 5)])
    spot = camera_path(line).to_map([4.2], ref=REF).loc[0, ["x", "y"]]
    back = camera_path(shapely.reverse(line)).to_reel([spot], ref=REF)
    assert back["reel_m"].iloc[0] == pytest.approx(8.0 - 4.2)


def test_runs_that_do_not_meet_are_no_way() -> None:
    """A camera cannot jump, nor go along nothing."""
    first, second = shapely.LineString([(0, 0), (3, 0)]), shapely.LineString([(3, 0.0), (3, 4)])
    assert camera_path([first, second]).pipe_m[-1] == pytest.approx(7.0)
    with pytest.raises(GeometryError, match="do not meet"):
        camera_path([second, first])
    with pytest.raises(GeometryError, match="no length"):
        camera_path(shapely.LineString([(1, 1), (1, 1)]))


def test_a_run_strays_least_at_its_ends() -> None:
    """None at either end, the whole of it half-way."""
    np.testing.assert_allclose(route_spread(0.3, [0.0, 0.5, 1.0]), [0.0, 0.3, 0.0])


# --- depths and boxes --------------------------------------------------------------------------


def test_depth_is_from_the_level_that_serves_best() -> None:
    """1 m off with σ 5 mm: √(5² + 50²) mm; 0.1 m off with σ 20 mm: √(20² + 5²) = 20.6 mm, which serves better."""
    levels = ground(
        (1.0, 0.0, 10.0, 0.005, "L1"), (0.1, 0.0, 10.02, 0.020, "L2"), (40.0, 0.0, 9.0, 0.001, "L3")
    )
    found = depths_below(target(), levels, ref=REF).iloc[0]
    assert (found["ground_from"], found["depth"]) == ("L2", "known")
    assert found["depth_invert_m"] == pytest.approx(1.02)
    assert found["depth_crown_m"] == pytest.approx(0.91)
    sigma = np.sqrt(0.0206155**2 + 0.01**2)
    assert found["depth_invert_sigma_m"] == pytest.approx(sigma, abs=1e-6)
    assert found["depth_invert_high_m"] == pytest.approx(1.02 + 1.96 * sigma, abs=1e-6)


@pytest.mark.parametrize(
    ("columns", "levels", "word", "settle"),
    [
        ({"invert_low_m": 8.5, "crown_low_m": 8.61}, [(0, 0, 10, 0.005, "L1")], "between", "Dip the invert."),
        (
            {"crown_low_m": np.nan, "crown_high_m": np.nan},
            [(0, 0, 10, 0.005, "L1")],
            NOT_KNOWN,
            "Measure the bore.",
        ),
        ({}, [(9, 0, 10, 0.005, "L1")], NOT_KNOWN, "Level the ground over it."),
        ({}, [], NOT_KNOWN, "Level the ground over it."),
    ],
)
def test_a_depth_that_is_not_known_says_what_would_settle_it(
    columns: dict[str, float], levels: list[Any], word: str, settle: str
) -> None:
    """An invert only bounded gives a range and no value; no bore, or no ground in reach, gives none."""
    found = depths_below(target(**columns), ground(*levels), ref=REF).iloc[0]
    assert (found["depth"], found["depth_settle"]) == (word, settle)
    if word == "between":
        assert np.isnan(found["depth_invert_m"])
        assert found["depth_invert_low_m"] < 1.0
        assert found["depth_invert_high_m"] > 1.5


@pytest.mark.parametrize("covariance", [(0.04, 0.0, 0.01), (0.02, 0.015, 0.02), (0.01, -0.009, 0.03)])
def test_a_dig_box_holds_what_it_is_dug_for(covariance: tuple[float, float, float]) -> None:
    """Of 20,000 places drawn from its covariance at least 95 % lie in the box, whichever way it leans."""
    xx, xy, yy = covariance
    row = target(var_xx=xx, var_xy=xy, var_yy=yy)
    row = row.join(depths_below(row, ground((0, 0, 10, 0.005, "L")), ref=REF))
    box = dig_boxes(row, ref=REF, crs=27700).iloc[0]
    drawn = np.random.default_rng(5).multivariate_normal([0, 0], [[xx, xy], [xy, yy]], 20000)
    # Without the room to work: the ellipse alone, as an ellipse in the turned frame.
    inside = shapely.contains_xy(box.geometry.buffer(-0.225, join_style="mitre"), drawn)
    assert inside.mean() >= 0.95
    long = np.abs(np.diff(shapely.get_coordinates(box.geometry)[:2], axis=0)[0])
    bearing = np.radians(box["bearing_deg"])
    np.testing.assert_allclose(long, np.abs([np.sin(bearing), np.cos(bearing)]) * box["length_m"], atol=1e-9)
    assert box["depth_from_m"] < 0.89 < 1.0 + 0.1 < box["depth_to_m"]
    assert box["volume_m3"] == pytest.approx(box.geometry.area * box["depth_to_m"])


def test_a_hole_too_wide_is_traced_first() -> None:
    """σ 0.2 m asks for 2 × 2.448 × 0.2 + 0.45 = 1.43 m; σ 0.5 m for 2.90 m, which nobody digs."""
    table = pd.concat([target(var_xx=0.04), target(var_xx=0.25)]).set_axis(["near", "lost"])
    table = table.join(depths_below(table, ground((0, 0, 10, 0.005, "L")), ref=REF))
    boxes = dig_boxes(table, ref=REF, crs=27700)
    assert list(boxes["length_m"]) == pytest.approx([1.429, 2.898], abs=2e-3)
    assert boxes["first"]["near"] == ""
    assert "trace it" in boxes["first"]["lost"]


def test_a_chamber_in_view_is_lifted_and_not_dug_for() -> None:
    """Seen: no box; buried, or never looked at: a box. A downpipe with no pipe under it needs none."""
    cases = {
        "seen": target(kind="chamber"),
        "buried": target(kind="chamber", state="buried"),
        "unseen": target(kind="chamber", evidence="not_looked"),
        "shoe": target(kind="downpipe", invert_low_m=np.nan, invert_high_m=np.nan),
    }
    table = pd.concat([row.set_axis([name]) for name, row in cases.items()])
    table = table.join(depths_below(table, ground((0, 0, 10, 0.005, "L")), ref=REF))
    assert list(dig_boxes(table, ref=REF, crs=27700).index) == ["buried", "unseen"]


# --- warnings ----------------------------------------------------------------------------------


def drains(*, services: gpd.GeoDataFrame | None = None, others: tuple[Any, ...] = ()) -> SettingOut:
    """Set out one run, 6 m from a gully at the wall to a chamber, invert 1.0 m down at both ends."""
    gullies = pd.DataFrame(
        {"id": ["G1"], "rim_level_m": [10.0], "lip_level_m": [np.nan], "outlet_invert_level_m": [9.0],
         "level_sigma_m": [0.005], "riser_mm": [150.0], "state": ["sound"], "building_id": ["B1"]},
        index=["G1"],
    )  # fmt: skip
    chambers = pd.DataFrame(
        {"id": ["C1"], "cover_level_m": [9.9], "invert_level_m": [8.9], "level_sigma_m": [0.005], "length_mm": [450.0],
         "width_mm": [np.nan], "sealed": ["no"], "interceptor": ["no"], "state": ["sound"]},
        index=["C1"],
    )  # fmt: skip
    runs = gpd.GeoDataFrame(
        {"id": ["R1"], "from_id": ["G1"], "to_id": ["C1"], "use": ["foul"], "bore_mm": [100.0], "pipe_material": ["clay"],
         "invert_up_level_m": [9.0], "invert_down_level_m": [8.9], "state": ["roots"], "fault_at_m": [2.0],
         "from_evidence": ["seen"], "to_evidence": ["camera"]},
        geometry=[shapely.LineString([(3.0, -0.3), (3.0, -6.3)])], index=["R1"], crs=27700,
    )  # fmt: skip
    places = points([(3.0, -0.3), (3.0, -6.3)], sigma=0.02).set_axis(["G1", "C1"]).assign(
        kind=["gully", "chamber"], state="sound", evidence="seen", refused=""
    )  # fmt: skip
    network = build_network({"gully": gullies, "chamber": chambers, "run": runs}, ref=REF, positions=places)
    levels = ground((3.0, -0.3, 10.0, 0.005, "rim"), (3.0, -6.3, 9.9, 0.005, "cover"))
    return set_out(
        network, runs=runs, places=places, perimeter=house(*others), ref=REF, ground=levels, services=services
    )  # fmt: skip


def line(*xy: tuple[float, float], evidence: str = "seen") -> gpd.GeoDataFrame:
    """Return one water main."""
    table = {"service_kind": ["water_main"], "evidence": [evidence]}
    return gpd.GeoDataFrame(table, geometry=[shapely.LineString(xy)], index=["SV"], crs=27700)


def test_a_fault_is_placed_by_the_reel() -> None:
    """2 m from the gully: σ along √(20² + 100²) = 102 mm and the gully's 14 mm; across 0.30 × 2√(⅓·⅔) = 283 mm."""
    found = drains().targets.loc["R1 fault"]
    assert [found["x"], found["y"]] == pytest.approx([3.0, -2.3], abs=1e-3)
    assert np.sqrt(found["var_yy"]) == pytest.approx(np.hypot(0.10198, 0.01414), abs=1e-4)
    assert np.sqrt(found["var_xx"]) == pytest.approx(np.hypot(0.2828, 0.01414), abs=1e-3)
    assert found["depth_invert_m"] == pytest.approx(1.0, abs=0.04)


def test_the_reel_is_given_from_both_ends() -> None:
    """6 m of plan that drops 0.1 m is √36.01 m of pipe, whichever end the camera goes in at."""
    reel = drains().reel.set_index(["from_id", "target_id"])["reel_m"]
    whole = np.sqrt(36.01)
    assert reel["G1", "C1"] == pytest.approx(whole, abs=1e-9)
    assert reel["C1", "G1"] == pytest.approx(whole, abs=1e-9)
    assert reel["G1", "R1 fault"] == pytest.approx(2.0, abs=1e-9)
    assert reel["C1", "R1 fault"] == pytest.approx(whole - 2.0, abs=1e-9)


def test_a_service_across_the_run_is_named_where_it_crosses() -> None:
    """The main crosses 3.0 m along; one 0.4 m beside it is near; one 5 m off is not named; none drawn is said."""
    crossing = drains(services=line((0, -3.3), (6, -3.3)))
    named = crossing.warnings[
        (crossing.warnings["about"] == "service") & (crossing.warnings["of_id"] == "R1")
    ]
    assert named[["near_id", "word"]].to_numpy().tolist() == [["SV", "crosses"]]
    assert named["from_m"].iloc[0] == pytest.approx(3.0)
    found = drains(services=line((3.4, 0), (3.4, -6)))
    assert "near" in set(found.warnings.loc[found.warnings["of_id"] == "R1", "word"])
    far = drains(services=line((9.0, 0), (9.0, -6)))
    assert "service" not in set(far.warnings["about"])
    assert any("nobody looked" in note for note in drains().notes)
    assert not any("nobody looked" in note for note in far.notes)


def test_a_service_known_by_hearsay_is_named_from_further_off() -> None:
    """2 m off: within 0.5 + 0.225 + 1.96 √(0.3² + 0.5²) = 1.87 it would be; at 1.7 it is, when reported."""
    run = drains().runs
    none = gpd.GeoDataFrame({"geometry": []}, crs=27700)
    for evidence, count in (("reported", 1), ("seen", 0)):
        near = service_warnings(run, none, line((4.7, 0), (4.7, -6), evidence=evidence), ref=REF)
        assert len(near) == count
    assert service_warnings(run, none, line((5.0, 0), (5.0, -6), evidence="reported"), ref=REF).empty


def test_a_neighbour_within_six_metres_is_named() -> None:
    """2 m from the run: deeper than its foundation; 5 m: below 45 degrees from it."""
    found = drains(others=(shapely.box(5.0, -9.0, 8.0, -5.0), shapely.box(-9.0, -9.0, -2.0, -5.0)))
    said = found.warnings[(found.warnings["about"] == "neighbour") & (found.warnings["of_id"] == "R1")]
    said = said.set_index("near_id")["said"]
    assert "within 3 m" in said["B2"]
    assert "below 45°" in said["B3"]


def test_only_the_length_beside_the_wall_asks_for_the_foundation() -> None:
    """1 m deep: from A - 0.15 > 1.1 m on (A over about 1.25 m) no concrete can be asked for."""
    found = drains().warnings
    own = found[(found["about"] == "foundation") & (found["of_id"] == "R1")].iloc[0]
    assert own["word"] == NOT_KNOWN
    assert own["from_m"] == 0
    # 0.3 m from the wall at its start, half the trench 0.225: A = along + 0.075; the line may stray.
    assert 1.0 < own["to_m"] < 2.5


def test_materials_stand_with_their_formula_and_how_sure() -> None:
    """Every line has a net amount, an order and what it rests on; a run proved by camera is inferred."""
    found = drains().materials
    assert set(found["of_id"]) == {"R1"}
    assert found["rests_on"].str.startswith(("inferred: camera and seen", "surface: not known 6.0 m")).all()
    dig = found.set_index("item").loc["dig"]
    assert dig["net"] == pytest.approx(0.45 * np.hypot(6, 0.1) * 1.1, abs=1e-6)
    assert dig["sigma"] > 0


# --- files -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_targets_stand_where_the_runs_were_made_to_end(name: str, packs: dict[str, Any]) -> None:
    """The demo sites' runs are drawn at true places; fixed assets lie within 4 sigmas of them."""
    _, site, found, _ = packs[name]
    runs = site.table("run")
    for run in runs.itertuples():
        for end, at in ((run.from_id, 0), (run.to_id, -1)):
            if end in found.targets.index and found.targets.loc[end, "kind"] != "joint":
                row = found.targets.loc[end]
                off = np.hypot(*(np.array(run.geometry.coords[at]) - row[["x", "y"]].to_numpy(dtype=float)))
                assert off < 4 * row["sigma_m"] + 0.01, end


@pytest.mark.parametrize("name", NAMES)
def test_the_drawing_is_sound_and_two_readers_agree(name: str, packs: dict[str, Any]) -> None:
    """No error on audit, metres, layers in the trade's words; GDAL reads the same runs, boxes and walls."""
    folder, site, found, perimeter = packs[name]
    path = folder / "setting-out.dxf"
    doc = ezdxf.readfile(path)
    audit = doc.audit()
    assert (audit.errors, audit.fixes) == ([], [])
    assert (doc.units, doc.header["$INSUNITS"]) == (6, 6)
    used = {entity.dxf.layer for entity in doc.modelspace()}
    assert used <= set(pack.LAYERS)
    blocks = list(doc.modelspace().query("INSERT"))
    runs = {
        block.get_attrib_text("ID"): block.get_attrib_text("OWNER")
        for block in blocks
        if block.dxf.name.startswith("RUN_")
    }
    assert runs == {name: site.reference.word("run_owner", run.owner) for name, run in found.runs.iterrows()}
    tags = {block.get_attrib_text("ID") for block in blocks if not block.dxf.name.startswith("RUN_")}
    assert tags == set(found.targets.index)
    read = pyogrio.read_dataframe(path)
    assert set(read["Layer"]) <= set(pack.LAYERS)
    boxes = read[read["Layer"] == "DIG BOX"]
    assert len(boxes) == len(found.boxes)
    drains_ = read[read["Layer"].str.startswith("DRAIN") & read.geometry.geom_type.eq("LineString")]
    assert sorted(drains_.length) == pytest.approx(sorted(found.runs.length), abs=1e-6)
    walls = read[read["Layer"] == "WALL"].geometry
    examined = perimeter.footprints[perimeter.footprints["role"] == "subject"].geometry
    assert walls.length.sum() == pytest.approx(examined.length.sum(), abs=1e-6)
    said = " ".join(read.loc[read["Layer"] == "CAUTION", "Text"])
    assert all(caution in said for caution in CAUTIONS)


@pytest.mark.parametrize("name", NAMES)
def test_map_files_lead_back_to_the_grid(name: str, packs: dict[str, Any]) -> None:
    """GeoJSON and GPX, read by GDAL and taken back to the grid, are the targets to a millimetre or two."""
    folder, site, found, _ = packs[name]
    read = gpd.read_file(folder / "setting-out.geojson", engine="pyogrio")
    own = read[read["layer"] == "target"].set_index("id")
    assert list(own.index) == list(found.targets.index)
    waypoints = pyogrio.read_dataframe(folder / "setting-out.gpx", layer="waypoints").set_index("name")
    for table in (own, waypoints.loc[own.index]):
        lonlat = shapely.get_coordinates(table.geometry.to_numpy())
        np.testing.assert_allclose(from_lonlat(lonlat, site.crs), found.targets[["x", "y"]], atol=0.002)
    boxes = read[read["layer"] == "dig box"].geometry
    assert all(box.exterior.is_ccw for box in boxes)
    assert len(boxes) == len(found.boxes)
    whole = json.loads((folder / "setting-out.geojson").read_text())
    assert whole["cautions"] == list(CAUTIONS)


@pytest.mark.parametrize("name", NAMES)
def test_every_page_carries_the_cautions_and_its_fonts(name: str, packs: dict[str, Any]) -> None:
    """Excavation, services, chambers and sewage on every page; no page shows a letter it does not carry."""
    folder, site, found, _ = packs[name]
    document = pypdfium2.PdfDocument(folder / "setting-out.pdf")
    texts = []
    for page in document:
        reader = page.get_textpage()
        texts.append(" ".join(reader.get_text_range().split()))
        for thing in page.get_objects(filter=[pdfium_c.FPDF_PAGEOBJ_TEXT]):
            font = pdfium_c.FPDFTextObj_GetFont(thing.raw)
            assert pdfium_c.FPDFFont_GetIsEmbedded(font) == 1
    for said in texts:
        assert all(
            word in said
            for word in (
                "Certifies nothing",
                "Support the sides",
                "Services may be there",
                "Never enter a chamber",
                "Sewage",
            )
        )
    everything = " ".join(texts)
    assert site.info.name in everything
    assert all(str(target_id).split()[0] in everything for target_id in found.targets.index)
    document.close()


def hostile_site(tmp_path: Path) -> Path:
    """Return a demo site whose words try to be something else."""
    folder = tmp_path / "site"
    shutil.copytree(SITES / "three_cottages", folder)
    toml = (folder / "site.toml").read_text(encoding="utf-8")
    name = HOSTILE.replace("\\", "\\\\").replace('"', '\\"')
    (folder / "site.toml").write_text(toml.replace('"Three cottages"', f'"{name}"'), encoding="utf-8")
    runs = json.loads((folder / "runs.geojson").read_text(encoding="utf-8"))
    for feature in runs["features"]:
        props = feature["properties"]
        props["pipe_material"] = '=HYPERLINK("http://x.invalid")'
        props |= {end: "=GA" for end in ("from_id", "to_id") if props.get(end) == "GA"}
    (folder / "runs.geojson").write_text(json.dumps(runs), encoding="utf-8")
    for stem in ("gullies", "downpipes", "levels"):
        text = (folder / f"{stem}.csv").read_text(encoding="utf-8").splitlines()
        rows = [[("=GA" if cell == "GA" else cell) for cell in row] for row in csv.reader(text)]
        with (folder / f"{stem}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(rows)
    return folder


def test_text_can_only_be_text(tmp_path: Path) -> None:
    """Names with markup, formulae and drawing codes in them come out as the words they are, everywhere."""
    site = read_site(hostile_site(tmp_path))
    out = tmp_path / "out"
    write_setting_out(site, out)
    document = pypdfium2.PdfDocument(out / "setting-out.pdf")
    first = document[0].get_textpage().get_text_range()
    assert '#panic("x") <b>&amp; =1+1 %%d {\\P} $ _a_' in " ".join(first.split())
    document.close()
    doc = ezdxf.readfile(out / "setting-out.dxf")
    assert not doc.audit().errors
    heads = [entity.dxf.text for entity in doc.modelspace().query("TEXT") if "panic" in entity.dxf.text]
    assert len(heads) == 1
    assert "%%" not in heads[0]
    for path in out.glob("*.csv"):
        for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))):
            assert not any(cell.startswith(("=", "@", "+", "\t")) for cell in row), path.name
    assert "'=GA" in (out / "targets.csv").read_text(encoding="utf-8-sig")
    waypoints = pyogrio.read_dataframe(out / "setting-out.gpx", layer="waypoints")
    assert "=GA" in set(waypoints["name"])


def test_nothing_is_written_when_something_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The pack of before stays whole, and no half file is left beside it."""
    site = read_site(SITES / "three_cottages")
    write_setting_out(site, tmp_path)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def fails(*_: Any, **__: Any) -> bytes:
        raise OSError("the disk is full")

    monkeypatch.setattr(typst, "compile", fails)
    with pytest.raises(OSError, match="full"):
        write_setting_out(read_site(SITES / "old_school"), tmp_path)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_the_sheet_is_the_same_twice() -> None:
    """One site gives one sheet and one set of tables, byte for byte."""
    site = read_site(SITES / "three_cottages")
    found, perimeter = setting_out_of(site)
    assert pack.pdf_bytes(site, found, perimeter) == pack.pdf_bytes(site, found, perimeter)
    again, _ = setting_out_of(site)
    for name, table in pack.tables_of(found).items():
        pd.testing.assert_frame_equal(table, pack.tables_of(again)[name])


def altered(tmp_path: Path, *gone: str, local: bool = False) -> Path:
    """Return a demo site with files taken out, on a local grid if asked."""
    folder = tmp_path / "site"
    shutil.copytree(SITES / "semi_on_a_slope", folder)
    for name in gone:
        (folder / name).unlink()
    if local:
        text = (folder / "site.toml").read_text(encoding="utf-8").replace("EPSG:27700", "local")
        (folder / "site.toml").write_text(text, encoding="utf-8")
        for path in folder.glob("*.geojson"):
            whole = json.loads(path.read_text(encoding="utf-8"))
            whole.pop("crs", None)
            path.write_text(json.dumps(whole), encoding="utf-8")
        (folder / "ground.tif").unlink()
        (folder / "ground.toml").unlink()
    return folder


def test_a_grid_tied_to_nothing_has_no_map_files(tmp_path: Path) -> None:
    """No longitude is made up: GeoJSON and GPX are left out, those of before removed, and the sheet says why."""
    out = tmp_path / "out"
    write_setting_out(read_site(SITES / "three_cottages"), out)
    written = write_setting_out(read_site(altered(tmp_path, local=True)), out)
    assert not {path.name for path in written} & set(pack.MAP_FILES)
    assert not any((out / name).exists() for name in pack.MAP_FILES)
    document = pypdfium2.PdfDocument(out / "setting-out.pdf")
    said = " ".join(page.get_textpage().get_text_range() for page in document)
    document.close()
    assert "tied to nothing" in " ".join(said.split())


@pytest.mark.parametrize(
    "gone",
    [
        ("runs.geojson",),
        ("gullies.csv", "chambers.csv", "downpipes.csv", "soakaways.csv"),
        ("runs.geojson", "gullies.csv", "chambers.csv", "downpipes.csv", "soakaways.csv", "services.geojson",
         "levels.csv", "ground_patches.geojson"),
    ],
)  # fmt: skip
def test_a_site_with_few_drains_still_gets_its_pack(gone: tuple[str, ...], tmp_path: Path) -> None:
    """Runs without assets, assets without runs, or neither: every file is written."""
    written = write_setting_out(read_site(altered(tmp_path, *gone)), tmp_path / "out")
    assert len(written) == 12
    assert all(path.stat().st_size > 0 for path in written)


def test_the_command_writes_the_pack_and_cautions(tmp_path: Path) -> None:
    """``wallfoot setting-out SITE --out DIR``; a foundation level turns "not known" into an answer."""
    run = CliRunner().invoke(
        app,
        ["setting-out", str(SITES / "semi_on_a_slope"), "--out", str(tmp_path / "a"), "--foundation", "9.2"],
    )
    assert run.exit_code == 0, run.output
    assert "certifies nothing" in run.stderr
    table = pd.read_csv(tmp_path / "a" / "warnings.csv")
    own = table[(table["about"] == "foundation") & (table["near_id"] == "B1")]
    assert "yes" in set(own["word"])
    missing = CliRunner().invoke(app, ["setting-out", str(tmp_path / "none"), "--out", str(tmp_path / "b")])
    assert missing.exit_code == 1
    assert "Traceback" not in missing.output
    assert not (tmp_path / "b").exists()
