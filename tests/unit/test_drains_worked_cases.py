"""Worked cases of water backing up, each a whole site of records, asked as a surveyor asks it.

The numbers are worked by hand in the docstrings; the site is a plain house, 12 m by 10 m, read from a folder.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from typer.testing import CliRunner

from geo import reference
from geo.cli import app
from geo.drains.backup import Blockage, sufficiency
from geo.drains.storage import Inflow
from geo.findings.check import read_checked
from geo.findings.drains import Drains, ask_drains, lay_out_drains
from geo.findings.examine import examine

REF = reference.default()
EAST, NORTH = 400000.0, 300000.0
SITE = 'name = "Worked case"\ncrs = "EPSG:27700"\ndatum = "bench mark 10.000"\nsurveyed_on = "2026-03-17"\n'
Row = dict[str, Any]


def place(x: float, y: float) -> list[float]:
    """Return a place of the plan in the grid, the origin corner at nothing."""
    return [EAST + x, NORTH + y]


def by_chainage(chainage: float, offset: float) -> Row:
    """Return a position along the west face, which runs north from the origin corner."""
    return {"position_by": "chainage_offset", "chainage_m": chainage, "offset_m": offset, "building_id": "B1"}


def features(rows: list[tuple[Row, str, Any]]) -> str:
    """Return records with their shapes as GeoJSON."""
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::27700"}}
    found = [
        {"type": "Feature", "properties": row, "geometry": {"type": shape, "coordinates": at}}
        for row, shape, at in rows
    ]
    return json.dumps({"type": "FeatureCollection", "crs": crs, "features": found})


def write(
    folder: Path, tables: dict[str, list[Row]], runs: list[tuple[Row, list[list[float]]]], soffit: Row
) -> Path:
    """Write a site folder: the house, its floor, runs, and the tables given."""
    folder.mkdir()
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    outline = [place(*xy) for xy in ((0, 0), (12, 0), (12, 10), (0, 10), (0, 0))]
    house = {
        "id": "B1", "origin_easting_m": EAST, "origin_northing_m": NORTH, "wall_type": "cavity",
        "wall_thickness_m": 0.275, "wall_thickness_sigma_m": 0.01,
    }  # fmt: skip
    (folder / "buildings.geojson").write_text(features([(house, "Polygon", [outline])]), encoding="utf-8")
    floor = {"id": "FL", "building_id": "B1", "floor_kind": "solid", "top_level_m": 10.0, "edge": "contact"}
    zone = (floor | soffit, "Polygon", [outline])
    (folder / "floor_zones.geojson").write_text(features([zone]), encoding="utf-8")
    lines = [(row, "LineString", at) for row, at in runs]
    (folder / "runs.geojson").write_text(features(lines), encoding="utf-8")
    for stem, rows in tables.items():
        pd.DataFrame(rows).to_csv(folder / f"{stem}.csv", index=False)
    return folder


def run(name: str, start: str, end: str, up: float, down: float, **more: Any) -> Row:
    """Return one 100 mm run."""
    return {
        "id": name, "from_id": start, "to_id": end, "bore_mm": 100, "invert_up_level_m": up,
        "invert_down_level_m": down, "level_sigma_m": 0.005, "state": "clear", "use": "surface",
        "from_evidence": "seen", "to_evidence": "dye", **more,
    }  # fmt: skip


def course(*points: tuple[str, float, float], lap: str = "") -> list[Row]:
    """Return points of the damp proof courses, sigma 5 mm."""
    return [
        {
            "id": f"P{i}", "building_id": "B1", "leaf": leaf, "chainage_m": ch, "level_m": level,
            "level_sigma_m": 0.005, "state": "continuous", "lap": lap,
        }
        for i, (leaf, ch, level) in enumerate(points)
    ]  # fmt: skip


def asked(folder: Path) -> Drains:
    """Read a folder as the command does, and lay out its drains."""
    return lay_out_drains(examine(read_checked(folder)))


@pytest.fixture(scope="module")
def soakaway_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two gullies and a downpipe with a cracked socket on one soakaway; ground at the pipe 9.830."""
    joint = (-3.1, 2.0)
    g1, g2 = 2.0 + math.sqrt(36.0 - 2.8**2), 2.0 + math.sqrt(16.0 - 2.8**2)
    common = {"riser_mm": 150, "level_sigma_m": 0.005, "takes": "rain"}
    tables: dict[str, list[Row]] = {
        "gullies": [
            {"id": "G1", "rim_level_m": 9.790, "outlet_invert_level_m": 9.420, **common, **by_chainage(g1, 0.3)},
            {"id": "G2", "rim_level_m": 9.835, "outlet_invert_level_m": 9.480, **common, **by_chainage(g2, 0.3)},
        ],
        "downpipes": [
            {"id": "D3", "bore_mm": 68, "roof_m2": 30, "foot": "sealed", "foot_level_m": 9.640,
             "level_sigma_m": 0.005, "state": "cracked", "opening_cm2": 3.0, **by_chainage(2.0, 0.1)}
        ],
        "soakaways": [
            {"id": "SA", "inlet_invert_level_m": 9.220, "cover_level_m": 9.8, "level_sigma_m": 0.005,
             "state": "works", "position_by": "coordinates", "easting_m": EAST - 8.1, "northing_m": NORTH + 2.0}
        ],
        "levels": [
            {"id": f"L{i}", "role": "ground", "level_m": 9.830, "level_sigma_m": 0.005, **by_chainage(ch, 0.05)}
            for i, ch in enumerate((1.0, 2.0, 3.0))
        ],
        "dpc_points": course(
            ("outer", 0.0, 9.975), ("outer", 10.0, 9.975), ("inner", 0.0, 9.875), ("inner", 10.0, 9.875)
        ),
        "cavities": [
            {"id": "CV", "building_id": "B1", "chainage_from_m": 0.5, "chainage_to_m": 4.0, "width_mm": 50,
             "base_level_m": 9.600, "level_sigma_m": 0.005, "state": "clear", "closed_at_from": "yes",
             "closed_at_to": "yes"}
        ],
    }  # fmt: skip
    runs = [
        (run("R1", "G1", "", 9.420, 9.300), [place(-0.3, g1), place(*joint)]),
        (run("R2", "G2", "", 9.480, 9.300), [place(-0.3, g2), place(*joint)]),
        (run("R3", "D3", "", 9.390, 9.300), [place(-0.1, 2.0), place(*joint)]),
        (run("R4", "", "SA", 9.300, 9.220), [place(*joint), place(-8.1, 2.0)]),
    ]
    soffit = {"soffit_level_m": 9.850, "level_sigma_m": 0.005}
    return write(tmp_path_factory.mktemp("case") / "soakaway", tables, runs, soffit)


@pytest.fixture(scope="module")
def kitchen_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A waste gully with a broken lip, grease 2.5 m down its run, an open perpend behind it, debris each side."""
    cavity = {"building_id": "B1", "width_mm": 60, "base_level_m": 9.640, "level_sigma_m": 0.005}
    tables: dict[str, list[Row]] = {
        "gullies": [
            {"id": "K", "rim_level_m": 9.805, "lip_level_m": 9.770, "state": "lip_broken", "takes": "waste",
             "outlet_invert_level_m": 9.480, "riser_mm": 150, "level_sigma_m": 0.005, **by_chainage(2.2, 0.2)}
        ],
        "openings": [
            {"id": "O1", "building_id": "B1", "opening_kind": "open_perpend", "chainage_from_m": 2.2,
             "chainage_to_m": 2.21, "sill_level_m": 9.740, "level_sigma_m": 0.005}
        ],
        "cavities": [
            {"id": "C1", "chainage_from_m": 1.1, "chainage_to_m": 1.5, "debris_top_level_m": 9.930,
             "state": "debris", **cavity},
            {"id": "C2", "chainage_from_m": 1.5, "chainage_to_m": 3.5, "state": "clear", **cavity},
            {"id": "C3", "chainage_from_m": 3.5, "chainage_to_m": 3.7, "debris_top_level_m": 9.800,
             "state": "debris", **cavity},
        ],
        "dpc_points": course(
            ("outer", 0.0, 9.900), ("outer", 10.0, 9.900), ("inner", 0.0, 9.875), ("inner", 10.0, 9.875)
        ),
    }  # fmt: skip
    grease = run("F1", "K", "", 9.480, 9.350, state="grease", fault_at_m=2.5, passes_l_s=0.02)
    runs = [(grease | {"use": "foul"}, [place(-0.2, 2.2), place(-8.2, 2.2)])]
    soffit = {"soffit_level_m": 9.850, "level_sigma_m": 0.005}
    return write(tmp_path_factory.mktemp("case") / "kitchen", tables, runs, soffit)


@pytest.fixture(scope="module")
def stepped_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A gully at 6.2 m, back broken at 9.880; a perpend behind it at 9.860; the outer course steps at 5.0."""
    tables: dict[str, list[Row]] = {
        "gullies": [
            {"id": "G3", "rim_level_m": 9.895, "lip_level_m": 9.880, "state": "lip_broken", "takes": "rain",
             "outlet_invert_level_m": 9.550, "riser_mm": 150, "level_sigma_m": 0.005, **by_chainage(6.2, 0.2)}
        ],
        "openings": [
            {"id": "O1", "building_id": "B1", "opening_kind": "open_perpend", "chainage_from_m": 6.2,
             "chainage_to_m": 6.21, "sill_level_m": 9.860, "level_sigma_m": 0.005}
        ],
        "cavities": [
            {"id": "C1", "building_id": "B1", "chainage_from_m": 4.0, "chainage_to_m": 4.6, "width_mm": 50,
             "base_level_m": 9.650, "debris_top_level_m": 9.960, "level_sigma_m": 0.020, "state": "debris"},
            {"id": "C2", "building_id": "B1", "chainage_from_m": 4.6, "chainage_to_m": 9.0, "width_mm": 50,
             "base_level_m": 9.650, "level_sigma_m": 0.005, "state": "clear", "closed_at_to": "yes"},
        ],
        "dpc_points": course(
            ("outer", 0.0, 9.900), ("outer", 5.0, 9.900), ("outer", 5.0, 10.050), ("outer", 10.0, 10.050),
            ("inner", 0.0, 9.925), ("inner", 10.0, 9.925), lap="not_seen",
        ),
        "levels": [
            {"id": f"L{i}", "role": "ground", "level_m": 9.905, "level_sigma_m": 0.005, **by_chainage(ch, 0.05)}
            for i, ch in enumerate((5.0, 6.0, 7.0, 8.0, 9.0))
        ],
    }  # fmt: skip
    runs = [(run("F3", "G3", "", 9.550, 9.400), [place(-0.2, 6.2), place(-6.2, 6.2)])]
    soffit = {"soffit_level_m": 9.850, "level_sigma_m": 0.010}
    return write(tmp_path_factory.mktemp("case") / "stepped", tables, runs, soffit)


def test_the_failed_soakaway_of_records(soakaway_site: Path) -> None:
    """Worked case. First D3's socket at 9.640, 190 mm under ground of 9.830; next G1, 150 mm higher: no rival.

    18.0 m × 7.854 + 4.95 + 3.60 + 0.91 = 150.8 l; 10.1 minutes at 0.25 l/s. In the cavity it can stand
    40 mm over a base of 9.600: 235 mm below the inner course at 9.875 and 210 below the soffit at 9.850.
    """
    drains = asked(soakaway_site)
    answer = ask_drains(drains, blocked="SA", source="G1", inflow=Inflow.steady(0.25))
    result = answer.result
    assert (result.first, result.rivals) == ("D3", ())
    assert result.level.value == pytest.approx(9.640, abs=5e-4)
    assert result.below.word == "buried"
    assert result.below.margin == pytest.approx(190.0, abs=0.5)
    assert result.order.loc["G1", "reach_m"] == pytest.approx(9.790, abs=5e-4)
    assert result.litres.value == pytest.approx(150.8, abs=0.05)
    assert result.minutes == pytest.approx(10.1, abs=0.05)
    dry = ask_drains(drains, blocked="SA", source="G1")
    (water,) = dry.water
    (tank,) = water.tanks
    assert 1000 * (tank.bound.value - tank.base_m) == pytest.approx(40.0, abs=0.5)
    ways = dry.crossings.set_index("way")
    assert (ways.loc["K2", "word"], ways.loc["K2", "margin_mm"]) == ("no", pytest.approx(-235.0, abs=0.5))
    assert (ways.loc["K4", "word"], ways.loc["K4", "margin_mm"]) == ("no", pytest.approx(-210.0, abs=0.5))
    assert "yes" not in set(dry.crossings["word"])


def test_a_storm_splits_between_the_crack_and_the_gully(soakaway_site: Path) -> None:
    """Worked case. 3 cm² under 0.150 m lets out 0.6 × 3e-4 × root(2 g 0.15) = 0.309 l/s.

    25 mm/h on 30 m² (0.208 l/s) all goes below ground; of 75 mm/h (0.625) 0.316 l/s rises at G1. The
    size of the crack is the downpipe's own record.
    """
    drains = asked(soakaway_site)
    storm = ask_drains(drains, blocked="SA", source="D3", inflow=Inflow.rain(75.0, area_m2=30.0)).result
    assert [spill.node for spill in storm.spills] == ["D3", "G1"]
    assert storm.spills[0].receives_l_s == pytest.approx(0.309, abs=5e-4)
    assert storm.spills[1].receives_l_s == pytest.approx(0.316, abs=5e-4)
    gentle = ask_drains(drains, blocked="SA", source="D3", inflow=Inflow.rain(25.0, area_m2=30.0)).result
    assert [spill.node for spill in gentle.spills] == ["D3"]
    assert gentle.minutes == pytest.approx(12.1, abs=0.05)


def test_the_short_hose_says_nothing(soakaway_site: Path) -> None:
    """Worked case. Two minutes at 0.25 l/s are 30 l, 20 % of 150.8: no information; 15 minutes would be."""
    short = Inflow.steady(0.25, minutes=2)
    answer = ask_drains(asked(soakaway_site), blocked="SA", source="G1", inflow=short)
    assert answer.result.verdict.word == "no spill"
    assert not answer.water
    said = sufficiency(short.litres, answer.result.litres, ref=REF)
    assert (said.word, "20 %" in said.because) == ("no information", True)
    assert answer.pour is not None
    assert answer.pour.to_spill_minutes == pytest.approx(10.1, abs=0.05)
    assert answer.pour.wanted_minutes == pytest.approx(15.1, abs=0.05)


def test_only_the_third_pump_out_spills_of_records(kitchen_site: Path) -> None:
    """Worked case. The lip, 9.770, after 26.2 l; of three pump-outs of 20 l 5.0 l come up, on the third.

    It enters by the perpend at 9.740, 30 mm under the lip. The debris at 1.1-1.5 stands 55 mm over the
    inner course: the wet patch lies 0.7 to 1.1 m from the gully, and nothing else is crossed.
    """
    wash = Inflow.pours(20.0, over_s=80.0, times=3, wait_s=600.0)
    answer = ask_drains(asked(kitchen_site), source="K", inflow=wash)
    result = answer.result
    assert (result.first, result.leaves, result.verdict.word) == ("K", "lip", "spills")
    assert result.level.value == pytest.approx(9.770, abs=5e-4)
    assert result.litres.value == pytest.approx(26.2, abs=0.05)
    assert result.balance is not None
    assert result.balance.spilled_l == pytest.approx(5.0, abs=0.05)
    assert result.balance.first_spill_s > 2 * 680.0
    (water,) = answer.water
    assert (water.verdict.word, water.verdict.margin) == ("yes", pytest.approx(30.0, abs=0.5))
    (tank,) = water.tanks
    assert tank.after_between_m == (pytest.approx(9.672, abs=5e-4), pytest.approx(9.682, abs=5e-4))
    yes = answer.crossings[answer.crossings["word"] == "yes"]
    assert yes[["way", "chainage_from_m", "chainage_to_m"]].to_numpy().tolist() == [["K3", 1.1, 1.5]]
    assert yes["margin_mm"].iloc[0] == pytest.approx(55.0, abs=0.5)
    within = answer.crossings[answer.crossings["chainage_to_m"] > 1.5].set_index("way")
    assert within.loc["K2", "margin_mm"] == pytest.approx(-105.0, abs=0.5)
    assert within.loc["K4", "margin_mm"] == pytest.approx(-80.0, abs=0.5)


def test_the_stepped_wall_of_records(stepped_site: Path) -> None:
    """Worked case, margins in mm. K1 −170 and K2 −45 no; K4 +30, sigma 11.2, yes from 4.6 to 9.0.

    K3 at 4.0-4.6 +35, sigma 20.6, 1.7 sigma: not known. K6 at 5.0: not known until the lap is seen. The
    tank from 4.6 to 9.0 takes 50.6 l, 2.8 minutes at 0.3 l/s. The rim, 15 mm up, is just distinct.
    """
    hose = Inflow.steady(0.3, minutes=40)
    stop = Blockage(asset_id="F3", at_m=0.0)
    answer = ask_drains(asked(stepped_site), blocked=stop, source="G3", inflow=hose)
    result = answer.result
    assert (result.first, result.leaves) == ("G3", "lip")
    assert result.level.value == pytest.approx(9.880, abs=5e-4)
    assert 1000 * result.rim_behind.value == pytest.approx(15.0, abs=0.5)
    (water,) = answer.water
    (tank,) = water.tanks
    assert (tank.chainage_from_m, tank.chainage_to_m) == (4.6, 9.0)
    assert tank.full_l == pytest.approx(50.6, abs=0.05)
    assert tank.full_minutes == pytest.approx(2.8, abs=0.05)
    ways = {(row["way"], row["word"]): row for row in answer.crossings.to_dict("records")}
    bridge = ways[("K4", "yes")]
    assert (bridge["margin_mm"], bridge["sigma_mm"]) == (
        pytest.approx(30.0, abs=0.5),
        pytest.approx(11.2, abs=0.05),
    )
    assert (bridge["chainage_from_m"], bridge["chainage_to_m"]) == (4.6, 9.0)
    debris = ways[("K3", "not known")]
    assert (debris["chainage_from_m"], debris["chainage_to_m"]) == (4.0, 4.6)
    assert (debris["margin_mm"], debris["sigma_mm"]) == (
        pytest.approx(35.0, abs=0.5),
        pytest.approx(20.6, abs=0.05),
    )
    assert ways[("K2", "no")]["margin_mm"] == pytest.approx(-45.0, abs=0.5)
    assert ways[("K1", "no")]["margin_mm"] == pytest.approx(-170.0, abs=0.5)
    assert ("K1", "yes") not in ways
    assert "lap" in ways[("K6", "not known")]["settle"]
    assert ("K2", "yes") not in ways


@pytest.mark.parametrize(
    ("site", "options", "said"),
    [
        ("soakaway_site", ["--blocked", "SA", "--source", "G1", "--rate", "0.25"],
         ["D3, over its joint at 9.640 m, below ground, after 150.8 l", "10.1 min"]),
        ("soakaway_site", ["--blocked", "SA", "--source", "G1", "--rate", "0.25", "--minutes", "2"],
         ["no spill", "226 l, 15 min at this flow"]),
        ("kitchen_site", ["--source", "K", "--pour", "20:80x3", "--wait", "600"],
         ["K, over its lip at 9.770 m, after 26.2 l", "comes up in all", "5.0 l", "9.672 to 9.682 m", "+55 mm"]),
        ("stepped_site", ["--blocked", "F3", "--at", "0", "--source", "G3", "--rate", "0.3", "--minutes", "40"],
         ["G3, over its lip at 9.880 m", "K4 ch 4.60-9.00", "+30 mm, ± 22 mm"]),
    ],
)  # fmt: skip
def test_the_command_says_the_worked_numbers(
    site: str, options: list[str], said: list[str], request: pytest.FixtureRequest
) -> None:
    """The command prints the millimetres and decilitres worked by hand in the tests above."""
    shown = CliRunner().invoke(app, ["drains", str(request.getfixturevalue(site)), *options])
    assert shown.exit_code == 0, shown.output
    for each in said:
        assert each in shown.output, (each, shown.output)
