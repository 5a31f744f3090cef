"""Repairs against the outside: the polygon library's own inside, published and worked figures."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shapely

from geo.drains.capacity import ColebrookWhite, pipe_flow
from geo.drains.gradients import gradient_check
from geo.drains.soak_tests import trial_pit
from geo.drains.tables import default as pipe_tables
from geo.findings.check import read_checked
from geo.findings.drains import lay_out_drains
from geo.findings.examine import examine
from geo.works.kinds import Asked
from geo.works.measure import House

SITES = Path(__file__).resolve().parents[2] / "demo_sites"
SHAPES = {
    "plain": [(0, 0), (0, 8), (10, 8), (10, 0)],
    "ell": [(0, 0), (0, 9), (4, 9), (4, 6), (10, 6), (10, 0)],
    "tee": [(0, 0), (0, 4), (3, 4), (3, 9), (7, 9), (7, 4), (11, 4), (11, 0)],
    "slant": [(0, 0), (0, 8), (10, 11), (10, 0)],
}


def house_of(
    folder: Path, shape: list[tuple[float, float]], hole: list[tuple[float, float]] | None = None
) -> House:
    """Return a house of a shape with walls of 0.30 m, and maybe a courtyard."""
    folder.mkdir()
    (folder / "site.toml").write_text('name = "Shape"\ncrs = "local"\ndatum = "step"\n', encoding="utf-8")
    rings = [[*shape, shape[0]]] + ([[*hole, hole[0]]] if hole else [])
    facts = {
        "id": "B1", "role": "subject", "origin_easting_m": shape[0][0], "origin_northing_m": shape[0][1],
        "wall_thickness_m": 0.3, "hole_kinds": "courtyard" if hole else "",
    }  # fmt: skip
    feature = {
        "type": "Feature", "properties": facts, "geometry": {"type": "Polygon", "coordinates": rings}
    }  # fmt: skip
    layer = {"type": "FeatureCollection", "features": [feature]}
    (folder / "buildings.geojson").write_text(json.dumps(layer), encoding="utf-8")
    found = examine(read_checked(folder))
    return House(found=found, drains=lay_out_drains(found), setting=None)


@pytest.mark.parametrize("name", SHAPES)
def test_inside_faces_are_those_of_the_outline_set_in(name: str, tmp_path: Path) -> None:
    """Length of the inner faces, corner by corner, against the polygon library's outline set in by the wall."""
    house = house_of(tmp_path / name, SHAPES[name])
    length = house.ring_length("B1")
    whole = Asked(repair_id="", kind="r15", ring_key="B1", side="floor", from_m=0.0, to_m=length)
    inner = shapely.Polygon(SHAPES[name]).buffer(-0.3, join_style="mitre")
    pieces = house.pieces(whole)
    assert pieces["inside_m"].sum() == pytest.approx(inner.length, abs=0.01)
    turns = {"plain": (3, 0), "ell": (4, 1), "tee": (5, 2), "slant": (3, 0)}[name]
    assert ((pieces["corner"] == "inner").sum(), (pieces["corner"] == "outer").sum()) == turns


def test_inside_faces_round_a_courtyard_are_longer(tmp_path: Path) -> None:
    """Round a courtyard the room lies outside: its faces are those of the courtyard set out by the wall."""
    hole = [(4.0, 3.0), (6.0, 3.0), (6.0, 5.0), (4.0, 5.0)]
    house = house_of(tmp_path / "court", SHAPES["plain"], hole)
    key = "B1/Y1"
    whole = Asked(
        repair_id="", kind="r15", ring_key=key, side="floor", from_m=0.0, to_m=house.ring_length(key)
    )
    pieces = house.pieces(whole)
    assert pieces["inside_m"].sum() == pytest.approx(4 * 2.6, abs=0.01)
    assert (pieces["corner"] == "outer").sum() == 3


def test_a_part_of_a_wall_is_as_long_inside_as_outside(tmp_path: Path) -> None:
    """Away from corners the two faces are of one length."""
    house = house_of(tmp_path / "part", SHAPES["plain"])
    part = Asked(repair_id="", kind="r18", ring_key="B1", side="inside", from_m=1.0, to_m=5.0)
    assert house.pieces(part)["inside_m"].tolist() == pytest.approx([4.0])


def test_gradient_of_the_worked_run() -> None:
    """9.480 to 9.200 over 11.5 m: 1:41; 280 mm available, 144 mm for 1:80, 287.5 mm for 1:40.

    Approved Document H1: a 100 mm foul drain with a WC over 1 l/s 1:80, under 1 l/s 1:40.
    """
    run = {
        "invert_up_m": 9.48, "invert_down_m": 9.2, "length_m": 11.5, "level_sigma_m": 1e-6, "z": 1.96,
        "tables": pipe_tables(),
    }  # fmt: skip
    steep = gradient_check(100, duty="foul", peak_l_s=1.5, wcs=1.0, **run).iloc[0]
    flat = gradient_check(100, duty="foul", peak_l_s=0.5, wcs=1.0, **run).iloc[0]
    assert round(steep["one_in"]) == 41
    assert (steep["verdict"], round(steep["margin_mm"])) == ("steep enough", 280 - 144)
    assert flat["verdict"] == "flatter than the table"
    assert flat["margin_mm"] == pytest.approx(280 - 287.5)


@pytest.mark.parametrize(("ks", "flow", "speed"), [(0.6, 6.7, 0.86), (1.5, 5.8, None)])
def test_capacity_of_the_worked_pipe(ks: float, flow: float, speed: float | None) -> None:
    """100 mm at 1:80 running full, Colebrook and White, 1.31e-6 m²/s: 6.7 l/s at 0.6 mm, 5.8 at 1.5 mm."""
    tables = pipe_tables()
    law = ColebrookWhite(ks_mm=ks, viscosity_m2_s=tables.value("pipe.viscosity_m2_s"), gravity_m_s2=9.81)
    found = pipe_flow(100, gradient=1 / 80, law=law, tables=tables)
    assert round(float(found.flow.value[0]), 1) == flow
    assert speed is None or round(float(found.velocity.value[0]), 2) == speed


def test_soakage_of_a_published_sheet() -> None:
    """A public sheet to BRE Digest 365: pit 1.0 × 0.75 × 1.0 m, 56 min from 75 to 25 %: 44.6 µm/s."""
    found = trial_pit(np.array([56.0 * 60]), length_m=1.0, width_m=0.75, depth_m=1.0, tables=pipe_tables())
    assert float(found.base.each.value[0]) == pytest.approx(4.464e-5, rel=1e-3)
