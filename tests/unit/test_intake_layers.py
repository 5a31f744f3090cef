"""Layers, drawings, rasters and scanned plans come into the site's grid, or say why not."""

from __future__ import annotations

import io
import json
import struct
import zipfile
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import ezdxf
import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine
from PIL import Image
from pyproj import CRS
from rasterio.io import MemoryFile
from rasterio.transform import from_origin
from skimage.transform import SimilarityTransform

from geo import reference
from geo.errors import InputError
from geo.ground.raster import read_raster
from geo.intake.apply import Intake
from geo.intake.guarded import read_guarded
from geo.intake.mapping import answer, propose_mapping, questions
from geo.intake.plan import AFFINE, fit_plan, look_at_plan, place_plan
from geo.intake.raster import ground_info, look_at_raster, raster_questions
from geo.intake.sheet import table_limits
from geo.intake.vector import VectorFile, VectorLayer, look_at_vector, take_vector
from geo.reference import Reference
from geo.site.crs import to_lonlat
from geo.site.model import LOCAL_GRID, GroundInfo

REF = reference.default()
GRID = CRS.from_epsg(27700)
E, N = 432118.0, 305604.0
HOUSE = shapely.box(E, N, E + 8.25, N + 6.5)


def layers(name: str, raw: bytes) -> dict[str, VectorLayer]:
    """Return a file's layers by name."""
    looked: VectorFile = look_at_vector(name, raw, ref=REF)
    assert not looked.problems, looked.problems
    return {layer.name: layer for layer in looked.layers}


def taken(
    layer: VectorLayer,
    kind: str,
    *,
    crs: CRS | None = None,
    unit: str = "",
    fixed: dict[str, str] | None = None,
) -> Intake:
    """Bring a layer in, with ids made where it has none."""
    mapping = propose_mapping(layer.sheet, kind)
    for key, said in (fixed or {}).items():
        mapping = answer(mapping, f"fixed:{key}", said)
    return take_vector(layer, mapping, site_crs=GRID, ref=REF, layer_crs=crs, unit=unit)


def frame(shapes: list[Any], crs: int = 27700, **columns: list[Any]) -> gpd.GeoDataFrame:
    """Return a layer as geopandas has it."""
    return gpd.GeoDataFrame(
        {"Ref": [f"A{at}" for at in range(1, len(shapes) + 1)], **columns}, geometry=shapes, crs=crs
    )


def geojson(
    shapes: list[Any], *, crs: str | None = "urn:ogc:def:crs:EPSG::27700", **columns: list[Any]
) -> bytes:
    """Return a layer as GeoJSON."""
    whole = json.loads(frame(shapes, **columns).to_json(drop_id=True))
    whole.pop("crs", None)
    if crs:
        whole["crs"] = {"type": "name", "properties": {"name": crs}}
    return json.dumps(whole).encode()


def written(folder: Path, table: gpd.GeoDataFrame, driver: str) -> bytes:
    """Return a layer as pyogrio writes it."""
    path = folder / {"GPKG": "a.gpkg", "DXF": "a.dxf"}[driver]
    pyogrio.write_dataframe(table, path, driver=driver)
    return path.read_bytes()


def drawing(unit: int = 6) -> tuple[Any, Any]:
    """Return an empty drawing and its model space."""
    made = ezdxf.new("R2010")
    made.units = unit
    return made, made.modelspace()


def dxf(made: Any) -> bytes:
    """Return a drawing as ezdxf writes it."""
    held = io.StringIO()
    made.write(held)
    return held.getvalue().encode()


def same(shape: Any, other: Any, within: float = 1e-6) -> bool:
    """Return whether two shapes are nowhere further apart than this."""
    return bool(shapely.hausdorff_distance(shape, other) <= within)


# --- map layers -------------------------------------------------------------------------------


def test_a_geopackage_by_pyogrio(tmp_path: Path) -> None:
    """Outlines and attributes come back as pyogrio wrote them, in the grid the file states."""
    raw = written(tmp_path, frame([HOUSE], Storeys=[2], Note=["rear"]), "GPKG")
    (layer,) = layers("a.gpkg", raw).values()
    assert (layer.count, dict(layer.types), layer.crs) == (1, {"Polygon": 1}, GRID)
    (record,) = taken(layer, "building").records
    assert (record.id, record.note) == ("A1", "rear")
    assert same(record.geometry, HOUSE)


def test_a_zipped_shapefile_by_pyogrio(tmp_path: Path) -> None:
    """A shapefile in a ZIP, in a folder inside it, comes in; without its .dbf or .shx it is refused."""
    pyogrio.write_dataframe(frame([HOUSE]), tmp_path / "a.shp")
    parts = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def zipped(*ends: str) -> bytes:
        held = io.BytesIO()
        with zipfile.ZipFile(held, "w") as packed:
            for end in ends:
                packed.writestr(f"survey/a.{end}", parts[f"a.{end}"])
        return held.getvalue()

    (layer,) = layers("a.zip", zipped("shp", "shx", "dbf", "prj")).values()
    assert layer.crs == GRID
    assert same(taken(layer, "building").records[0].geometry, HOUSE)
    assert ".dbf" in look_at_vector("a.zip", zipped("shp", "shx"), ref=REF).problems[0].found
    (bare,) = layers("a.zip", zipped("shp", "shx", "dbf")).values()
    assert bare.crs is None
    assert "no grid" in str(taken(bare, "building").problems[0])
    assert taken(bare, "building", crs=GRID).usable


def test_geojson_in_degrees_goes_through_ostn15() -> None:
    """Corners given in degrees come back to the metres they were made from, to 0.1 mm."""
    corners = shapely.get_coordinates(HOUSE)
    degrees = shapely.Polygon(to_lonlat(corners, GRID))
    (layer,) = layers("a.geojson", geojson([degrees], crs=None)).values()
    assert layer.crs is not None
    assert layer.crs.is_geographic
    assert same(taken(layer, "building").records[0].geometry, HOUSE, 1e-4)


def test_degrees_passed_as_metres_are_refused() -> None:
    """Longitude and latitude said to be in a grid of metres are refused, and so are metres said to be degrees."""
    degrees = shapely.Polygon(to_lonlat(shapely.get_coordinates(HOUSE), GRID))
    (layer,) = layers("a.geojson", geojson([degrees])).values()
    assert "longitude and latitude" in str(taken(layer, "building").problems[0])
    (layer,) = layers("a.geojson", geojson([HOUSE], crs="EPSG:4326")).values()
    assert "said to be in degrees" in str(taken(layer, "building").problems[0])


@pytest.mark.parametrize("code", ["EPSG:3857", "EPSG:2277", "EPSG:4267"])
def test_grids_one_cannot_measure_in(code: str) -> None:
    """Web Mercator, feet and degrees on an old datum are refused by name."""
    x, y = {"EPSG:3857": (-170000, 6900000), "EPSG:2277": (3000000, 10000000), "EPSG:4267": (-97, 30)}[code]
    (layer,) = layers("a.geojson", geojson([shapely.box(x, y, x + 8, y + 6)], crs=code)).values()
    found = taken(layer, "building")
    assert not found.usable
    assert found.problems[0].column == "crs"


def test_a_local_site_takes_only_its_own_grid() -> None:
    """A site in a grid of its own, without a tie, cannot take a layer of the National Grid."""
    (layer,) = layers("a.geojson", geojson([HOUSE])).values()
    local = CRS.from_wkt(LOCAL_GRID)
    mapping = propose_mapping(layer.sheet, "building")
    assert "own grid" in str(take_vector(layer, mapping, site_crs=local, ref=REF).problems[0])
    assert take_vector(layer, mapping, site_crs=local, ref=REF, layer_crs=local).usable


def test_an_outline_that_crosses_itself_is_refused_at_the_place() -> None:
    """A bow-tie whose diagonals cross at (E + 4, N + 3) is refused with that place; nothing comes in."""
    bow = shapely.Polygon([(E, N), (E + 8, N + 6), (E + 8, N), (E, N + 6)])
    (layer,) = layers("a.geojson", geojson([HOUSE, bow])).values()
    found = taken(layer, "building")
    assert found.records == ()
    assert [problem.row for problem in found.problems] == [2]
    assert f"{E + 4:.0f}, {N + 3:.0f}" in found.problems[0].found


def test_a_spike_without_area_is_mended_and_told() -> None:
    """A corner drawn out and back adds no area: it is taken off, with a warning that says where."""
    spike = shapely.Polygon(
        [(E, N), (E + 8, N), (E + 8, N + 3), (E + 11, N + 3), (E + 8, N + 3), (E + 8, N + 6), (E, N + 6)]
    )
    (layer,) = layers("a.geojson", geojson([spike])).values()
    found = taken(layer, "building")
    assert found.usable
    assert [problem.severity for problem in found.problems] == ["warning"]
    assert found.records[0].geometry.area == pytest.approx(48.0, abs=1e-6)
    assert found.records[0].geometry.is_valid


def test_points_become_placed_assets() -> None:
    """A point layer gives gullies by coordinates, to a tenth of a millimetre."""
    (layer,) = layers("a.geojson", geojson([shapely.Point(E + 0.12346, N)], State=["sound"])).values()
    (record,) = taken(layer, "gully").records
    assert (record.position_by, record.easting_m, record.northing_m, record.state) == (
        "coordinates",
        E + 0.1235,
        N,
        "sound",
    )
    assert "no place of its own" in str(taken(layer, "face").problems[0])


def test_gpx_through_ostn15() -> None:
    """The published point of the National Grid transformation comes out at its eastings and northings.

    Ordnance Survey, Transformations and OSGM15 user guide, worked example: 52.658007833° N, 1.716073973° E is
    651409.804, 313177.450.
    """
    raw = b'<?xml version="1.0"?><gpx version="1.1"><wpt lat="52.658007833" lon="1.716073973"><name>C1</name></wpt></gpx>'
    (layer,) = layers("a.gpx", raw).values()
    assert "error is not stated" in str(taken(layer, "chamber").problems[0])
    (record,) = taken(layer, "chamber", fixed={"position_sigma_m": "5"}).records
    assert (record.id, record.position_sigma_m) == ("C1", 5.0)
    assert (record.easting_m, record.northing_m) == pytest.approx((651409.804, 313177.450), abs=0.002)


def test_a_gpx_track_is_a_line() -> None:
    """A track of one segment is a line; one that was interrupted is not one run."""
    point = '<trkpt lat="52.6{0}" lon="1.7{0}"/>'
    segment = "<trkseg>" + "".join(point.format(at) for at in range(5)) + "</trkseg>"
    for count, fine in ((1, True), (2, False)):
        raw = f'<gpx version="1.1"><trk><name>R1</name>{segment * count}</trk></gpx>'.encode()
        (layer,) = layers("a.gpx", raw).values()
        assert taken(layer, "run").usable == fine


# --- drawings ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "unit", "metres"),
    [(4, "mm", 0.001), (5, "cm", 0.01), (6, "m", 1.0), (1, "in", 0.0254), (2, "ft", 0.3048)],
)
def test_a_drawing_in_any_unit(code: int, unit: str, metres: float) -> None:
    """The header's unit turns a drawing into metres: an outline drawn so by ezdxf is the same house."""
    made, space = drawing(code)
    corners = shapely.get_coordinates(HOUSE) / metres
    space.add_lwpolyline(corners[:-1].tolist(), close=True, dxfattribs={"layer": "WALL"})
    layer = layers("a.dxf", dxf(made))["WALL"]
    assert (layer.unit, layer.crs) == (unit, None)
    assert "no grid" in str(taken(layer, "building").problems[0])
    assert same(taken(layer, "building", crs=GRID).records[0].geometry, HOUSE, 1e-5)


def test_a_drawing_without_a_unit_is_asked() -> None:
    """No unit in the header: nothing comes in until it is said; the wrong one gives no house's size."""
    made, space = drawing(0)
    space.add_lwpolyline(
        (shapely.get_coordinates(HOUSE) * 1000)[:-1].tolist(), close=True, dxfattribs={"layer": "WALL"}
    )
    layer = layers("a.dxf", dxf(made))["WALL"]
    assert "no unit" in str(taken(layer, "building", crs=GRID).problems[0])
    assert not taken(layer, "building", crs=GRID, unit="m").usable
    assert same(taken(layer, "building", crs=GRID, unit="mm").records[0].geometry, HOUSE, 1e-5)


def test_loose_lines_are_chained_into_an_outline() -> None:
    """Four lines drawn in any order and direction, 5 mm short of meeting, are one outline of four corners."""
    made, space = drawing()
    a, b, c, d = [tuple(corner) for corner in shapely.get_coordinates(HOUSE)[:-1]]
    for start, end in ((c, b), (a, d), (a, b)):
        space.add_line(start, end, dxfattribs={"layer": "WALL"})
    space.add_line((c[0] - 0.005, c[1]), d, dxfattribs={"layer": "WALL"})
    found = taken(layers("a.dxf", dxf(made))["WALL"], "building", crs=GRID)
    assert found.usable, found.problems
    (record,) = found.records
    assert shapely.get_num_coordinates(record.geometry) == 5
    assert same(record.geometry, HOUSE, 0.01)


@pytest.mark.parametrize(("gap", "closes"), [(0.019, True), (0.021, False), (0.300, False)])
def test_lines_that_do_not_close_are_no_outline(gap: float, closes: bool) -> None:
    """An outline open by no more than intake.close_m (20 mm) closes; by more it is refused with the gap."""
    made, space = drawing()
    corners = [(E, N), (E + 8, N), (E + 8, N + 6), (E, N + 6), (E, N + gap)]
    space.add_lwpolyline(corners, dxfattribs={"layer": "WALL"})
    found = taken(layers("a.dxf", dxf(made))["WALL"], "building", crs=GRID)
    assert found.usable == closes
    assert closes or f"{gap:.3f} m apart" in found.problems[0].found


def test_blocks_texts_and_curves() -> None:
    """Blocks are places with their attributes; a half circle is cut into chords that lie on it.

    Corners lie within 2.73e-4 of the radius, the known error of a quarter circle drawn as a cubic Bézier
    curve; the chords' sagitta of 2 mm at 1 m shortens π by less than 0.01.
    """
    made, space = drawing()
    block = made.blocks.new("GULLY")
    block.add_circle((0, 0), 0.15)
    block.add_attdef("ID", (0.2, 0.1))
    space.add_blockref("GULLY", (E, N), dxfattribs={"layer": "GULLIES"}).add_auto_attribs({"ID": "G7"})
    space.add_lwpolyline([(E, N, 1.0), (E + 2, N, 0.0)], format="xyb", dxfattribs={"layer": "DRAIN"})
    space.add_hatch().paths.add_polyline_path([(0, 0), (1, 0), (1, 1)])
    found = layers("a.dxf", dxf(made))
    (gully,) = taken(found["GULLIES"], "gully", crs=GRID).records
    assert (gully.id, gully.easting_m, gully.northing_m) == ("G7", E, N)
    assert "1 hatch" in " ".join(found["DRAIN"].remarks)
    (run,) = taken(found["DRAIN"], "run", crs=GRID).records
    assert run.geometry.length == pytest.approx(np.pi, abs=0.01)
    centre = shapely.Point(E + 1, N)
    assert (
        np.abs(shapely.distance(shapely.points(shapely.get_coordinates(run.geometry)), centre) - 1).max()
        < 2.8e-4
    )


def test_a_drawing_by_gdal(tmp_path: Path) -> None:
    """A drawing written by GDAL, which draws outlines as closed polylines, comes in as the same house."""
    path = tmp_path / "a.dxf"
    pyogrio.write_dataframe(
        gpd.GeoDataFrame({"Layer": ["WALL"]}, geometry=[HOUSE.exterior], crs=27700), path, driver="DXF"
    )
    found = layers("a.dxf", path.read_bytes())
    assert same(taken(found["WALL"], "building", crs=GRID, unit="m").records[0].geometry, HOUSE, 1e-5)


def test_a_drawing_at_its_own_zero() -> None:
    """A drawing at 0, 0 is not on the National Grid, whatever is said; in a local grid it is where it is."""
    made, space = drawing()
    space.add_lwpolyline([(0, 0), (8, 0), (8, 6), (0, 6)], close=True, dxfattribs={"layer": "WALL"})
    layer = layers("a.dxf", dxf(made))["WALL"]
    assert "zero of its own axes" in str(taken(layer, "building", crs=GRID).problems[0])
    local = CRS.from_wkt(LOCAL_GRID)
    assert take_vector(
        layer, propose_mapping(layer.sheet, "building"), site_crs=local, ref=REF, layer_crs=local
    ).usable


def test_a_drawing_cut_short() -> None:
    """A drawing that breaks off is refused, though what there is of it could be drawn."""
    made, space = drawing()
    space.add_lwpolyline([(E, N), (E + 8, N), (E + 8, N + 6)], close=True, dxfattribs={"layer": "WALL"})
    raw = dxf(made)
    assert "breaks off" in look_at_vector("a.dxf", raw[: len(raw) * 2 // 3], ref=REF).problems[0].found


# --- rasters ----------------------------------------------------------------------------------


def tiff(
    *,
    crs: str | None = "EPSG:27700",
    transform: Affine | None = None,
    bands: int = 1,
    fill: float = 50.0,
    dtype: str = "float32",
    nodata: float | None = -9999,
) -> bytes:
    """Return a GeoTIFF of 120 by 120 cells of 1 m round the house."""
    with MemoryFile(ext=".tif") as held:
        with held.open(driver="GTiff", width=120, height=120, count=bands, dtype=dtype, crs=crs, nodata=nodata,
                       transform=transform or from_origin(E - 50, N + 60, 1, 1)) as target:  # fmt: skip
            target.write(np.full((bands, 120, 120), fill, dtype=dtype))
        return bytes(held.getbuffer())


def test_a_raster_that_can_be_the_ground(tmp_path: Path) -> None:
    """What the look takes, the ground room reads: one metre cells, heights of 50 m, 40 m round the house."""
    look = look_at_raster("dtm.tif", tiff(), site_crs=GRID, footprint=HOUSE.bounds, ref=REF)
    assert look.usable, look.problems
    assert (look.cell_m, look.lowest_m, look.highest_m, look.filled) == (1.0, 50.0, 50.0, 1.0)
    assert [question.key for question in raster_questions()] == ["model", "error_m", "flown_on", "source"]
    kinds = list(raster_questions()[0].choices)
    with pytest.raises(InputError, match="model is not said"):
        ground_info(look, {"source": "open data"})
    with pytest.raises(InputError, match="error_m"):
        ground_info(look, {"model": kinds[0], "source": "open data", "error_m": -1})
    info = ground_info(look, {"model": kinds[0], "source": "open data", "error_m": 0.15})
    assert isinstance(info, GroundInfo)
    (tmp_path / "ground.tif").write_bytes(tiff())
    read = read_raster(tmp_path / "ground.tif", meta=info, crs=GRID, bounds=HOUSE.bounds, ref=REF)
    assert np.nanmax(read.z) == 50.0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"crs": None}, "no grid"),
        ({"crs": "EPSG:4326"}, "degrees"),
        ({"crs": "EPSG:3857"}, "Mercator"),
        ({"transform": from_origin(E - 600, N + 700, 5, 5)}, "cells of 5 m"),
        ({"transform": from_origin(E + 500, N, 1, 1)}, "not in it"),
        ({"transform": from_origin(E + 4, N + 60, 1, 1)}, "only a part"),
        ({"transform": Affine(1, 0.2, E - 50, 0, -1, N + 60)}, "turned"),
        ({"transform": Affine(1, 0, E - 50, 0, 1, N - 60)}, "turned"),
        ({"bands": 3, "dtype": "uint8", "nodata": None}, "picture"),
        ({"fill": -9999.0}, "no height at all"),
        ({"transform": from_origin(E - 10, N + 60, 1, 1)}, "ends 10 m"),
    ],
)
def test_a_raster_that_cannot(change: dict[str, Any], said: str) -> None:
    """No grid, degrees, wide cells, elsewhere, turned, a picture, empty: each is said; a short reach is a warning."""
    look = look_at_raster("dtm.tif", tiff(**change), site_crs=GRID, footprint=HOUSE.bounds, ref=REF)
    assert said in " ".join(str(problem) for problem in look.problems)
    assert look.usable == said.startswith("ends")


def test_a_raster_cut_short() -> None:
    """A GeoTIFF whose last cells are missing is refused, though its head is whole."""
    raw = tiff()
    assert not look_at_raster("dtm.tif", raw[:-3000], site_crs=GRID, footprint=HOUSE.bounds, ref=REF).usable


# --- scanned plans ----------------------------------------------------------------------------

PIXELS = np.array([[100, 80], [1100, 90], [1080, 790], [110, 800], [600, 400]], dtype=float)


def grid_of(pixels: np.ndarray, scale: float = 0.02, turn_deg: float = 17.0) -> np.ndarray:
    """Return where pixels lie on the ground: scaled, turned clockwise from grid north, moved."""
    angle = np.radians(turn_deg)
    x, y = pixels[:, 0] * scale, -pixels[:, 1] * scale
    return np.column_stack(
        [E + x * np.cos(angle) + y * np.sin(angle), N - x * np.sin(angle) + y * np.cos(angle)]
    )


def test_a_plan_without_error() -> None:
    """A plan at 20 mm a pixel turned 17° comes back as that, with no residual, and its world file says so."""
    fit = fit_plan(PIXELS, grid_of(PIXELS), ref=REF)
    assert fit.scale_m == pytest.approx((0.02, 0.02), abs=1e-12)
    assert fit.turn_deg == pytest.approx(17.0, abs=1e-9)
    assert np.abs(fit.residuals_m).max() < 1e-7
    assert fit.check.word == "checked"
    a, d, b, e, x, y = [float(line) for line in fit.world_file.split()]
    centre = grid_of(np.array([[0.5, 0.5]]))[0]
    assert (x, y) == pytest.approx(tuple(centre), abs=1e-4)
    assert (a * e - b * d) == pytest.approx(-(0.02**2), rel=1e-9)


def test_a_similarity_against_another_program() -> None:
    """The least-squares similarity agrees with scikit-image's on points with noise of 5 cm."""
    noisy = grid_of(PIXELS) + np.random.default_rng(3).normal(0, 0.05, PIXELS.shape)
    fit = fit_plan(PIXELS, noisy, ref=REF)
    upright = PIXELS * [1, -1]
    other = SimilarityTransform.from_estimate(upright, noisy - [E, N])
    ours = np.array([fit.transform * tuple(pixel) for pixel in PIXELS])
    assert ours == pytest.approx(other(upright) + [E, N], abs=1e-6)


def test_an_affine_fit_against_numpy() -> None:
    """The affine fit is numpy's least squares, and its rms is over the numbers left over (2 × 5 - 6 = 4)."""
    noisy = grid_of(PIXELS) + np.random.default_rng(5).normal(0, 0.05, PIXELS.shape)
    fit = fit_plan(PIXELS, noisy, ref=REF, kind=AFFINE)
    design = np.column_stack([PIXELS, np.ones(len(PIXELS))])
    found, squares, _, _ = np.linalg.lstsq(design, noisy - [E, N], rcond=None)
    ours = np.array([fit.transform * tuple(pixel) for pixel in PIXELS])
    assert ours == pytest.approx(design @ found + [E, N], abs=1e-6)
    assert fit.over == 4
    assert fit.rms_m == pytest.approx(np.sqrt(squares.sum() / 4), abs=1e-6)


@pytest.mark.parametrize("kind", ["similarity", "affine"])
def test_left_out_by_formula_and_by_leaving_out(kind: str) -> None:
    """Each point's distance from the fit of the others is what leaving it out really gives."""
    noisy = grid_of(PIXELS) + np.random.default_rng(8).normal(0, 0.05, PIXELS.shape)
    fit = fit_plan(PIXELS, noisy, ref=REF, kind=kind)
    for at in range(len(PIXELS)):
        others = np.arange(len(PIXELS)) != at
        without = fit_plan(PIXELS[others], noisy[others], ref=REF, kind=kind)
        assert fit.left_out_m[at] == pytest.approx(
            np.hypot(*(np.array(without.transform * tuple(PIXELS[at])) - noisy[at])), abs=1e-6
        )


def test_a_slip_is_named() -> None:
    """A point typed 3 m out is named as the one the others disagree with, and the plan is not placed."""
    wrong = grid_of(PIXELS)
    wrong[2, 0] += 3.0
    fit = fit_plan(PIXELS, wrong, ref=REF, names=["A", "B", "C", "D", "E"])
    assert (fit.worst, fit.check.word) == ("C", "slip")
    assert "point C lies 3.00 m" in fit.check.because  # the others have no error: they put it 3 m away
    with pytest.raises(InputError, match="point C"):
        place_plan("plan.png", picture(), fit, crs=GRID, ref=REF)


def test_two_points_check_nothing() -> None:
    """Two points fix a similarity, and three an affine fit, with nothing over: said so, not called good."""
    for kind, count in (("similarity", 2), ("affine", 3)):
        fit = fit_plan(PIXELS[:count], grid_of(PIXELS[:count]), ref=REF, kind=kind)
        assert fit.check.word == "not known"
        assert "nothing checks" in fit.check.because
        assert np.isnan(fit.rms_m)
        assert np.isnan(fit.left_out_m).all()


def test_control_points_that_cannot_carry_a_plan() -> None:
    """One point, a line, one spot twice, a mirror picture, no number: each is refused."""
    line = np.array([[0, 0], [500, 3], [1000, 0]], dtype=float)
    swapped = grid_of(PIXELS[:4])[[1, 0, 3, 2]]
    for pixels, ground, said in (
        (PIXELS[:1], grid_of(PIXELS[:1]), "1 control point"),
        (line, grid_of(line), "in a line"),
        (PIXELS[[0, 0]], grid_of(PIXELS[[0, 0]]), "one spot"),
        (PIXELS[:4], swapped, "mirror"),
        (PIXELS[:3], np.full((3, 2), np.nan), "without numbers"),
        (PIXELS[:3], grid_of(PIXELS[:2]), "a pair for each"),
    ):
        with pytest.raises(InputError, match=said):
            fit_plan(pixels, ground, ref=REF, kind=AFFINE if "mirror" in said else "similarity")


def picture(form: str = "PNG", size: tuple[int, int] = (1200, 900), **more: Any) -> bytes:
    """Return a picture whose top left quarter is dark."""
    image = Image.new("RGB", size, (250, 240, 230))
    image.paste((10, 20, 30), (0, 0, size[0] // 2, size[1] // 2))
    held = io.BytesIO()
    image.save(held, format=form, **more)
    return held.getvalue()


def test_a_placed_plan_is_read_by_rasterio() -> None:
    """The GeoTIFF holds the plan's own pixels where the fit puts them: dark in the quarter that was dark."""
    fit = fit_plan(PIXELS, grid_of(PIXELS), ref=REF)
    raw = place_plan("plan.png", picture(), fit, crs=GRID, ref=REF)
    with MemoryFile(raw) as held, held.open() as source:
        assert CRS.from_wkt(source.crs.to_wkt()).equals(GRID)
        x, y = grid_of(np.array([[300.0, 200.0]]))[0]
        assert [int(value) for value in next(source.sample([(x, y)]))] == [10, 20, 30]
        x, y = grid_of(np.array([[900.0, 700.0]]))[0]
        assert [int(value) for value in next(source.sample([(x, y)]))] == [250, 240, 230]
    assert rasterio.__version__


def test_a_photograph_held_on_its_side() -> None:
    """A JPEG whose camera says it was turned is shown upright, and what its camera wrote is gone."""
    exif = Image.Exif()
    exif[274] = 6
    exif[271] = "maker"
    found = look_at_plan("plan.jpg", picture("JPEG", exif=exif), ref=REF)
    assert (found.width, found.height) == (900, 1200)
    assert "turned upright" in " ".join(found.remarks)
    assert not Image.open(io.BytesIO(found.png)).getexif()


# --- the guard --------------------------------------------------------------------------------


@pytest.fixture
def strict(tmp_path: Path) -> Reference:
    """Return limits so low that an ordinary picture passes them."""
    (tmp_path / "limits.toml").write_text("[intake]\nmemory_mb = 5\n", encoding="utf-8")
    return REF.with_changes(tmp_path / "limits.toml")


def test_memory_is_bounded(strict: Reference) -> None:
    """A picture of 27 MB in a child that may take 5 MB more is refused in a sentence; the next file is read."""
    found = look_at_plan("plan.png", picture(size=(3000, 3000)), ref=strict)
    assert not found.png
    assert found.problems[0].found
    assert look_at_plan("plan.png", picture(), ref=REF).png


def test_time_is_bounded(tmp_path: Path) -> None:
    """A drawing that takes longer than it may is given up in a sentence; the next file is read."""
    (tmp_path / "limits.toml").write_text("[intake]\nseconds = 0.05\n", encoding="utf-8")
    quick = REF.with_changes(tmp_path / "limits.toml")
    made, space = drawing()
    for at in range(3000):
        space.add_lwpolyline([(E + at, N), (E + at + 1, N), (E + at, N + 1)], close=True)
    raw = dxf(made)
    assert "within 0.05 seconds" in look_at_vector("a.dxf", raw, ref=quick).problems[0].found
    assert look_at_vector("a.dxf", raw, ref=REF).layers


def test_a_fresh_interpreter_reads_the_same() -> None:
    """Where a system cannot fork, a file read by an interpreter of its own gives the same answer."""
    raw = geojson([HOUSE])
    options = table_limits(REF)
    assert read_guarded("geojson", raw, file="a", ref=REF, options=options, fork=False) == read_guarded(
        "geojson", raw, file="a", ref=REF, options=options
    )


def test_files_at_the_same_time() -> None:
    """Forty files handed in by four people at once each get their own answer."""
    whole = {at: geojson([shapely.box(E + at, N, E + at + 5, N + 5)]) for at in range(40)}
    with ThreadPoolExecutor(4) as people:
        found = list(
            people.map(lambda at: look_at_vector("a.geojson", whole[at], ref=REF).layers[0].bounds[0], whole)
        )
    assert found == [E + at for at in whole]


@pytest.mark.parametrize("side", [20_000, 2_000_000_000])
def test_a_picture_of_billions_of_pixels(side: int) -> None:
    """A PNG that states more pixels than may be is refused by its head, without room being made for them."""
    head = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    parts = [(b"IHDR", head), (b"IDAT", zlib.compress(b"")), (b"IEND", b"")]
    body = b"".join(
        struct.pack(">I", len(part)) + kind + part + struct.pack(">I", zlib.crc32(kind + part))
        for kind, part in parts
    )
    found = look_at_plan("plan.png", b"\x89PNG\r\n\x1a\n" + body, ref=REF)
    assert not found.png
    assert found.problems


@pytest.mark.parametrize("what", ["file", "laughs"])
def test_entities_are_never_followed(tmp_path: Path, what: str) -> None:
    """A GPX that names a file of this machine, or laughs by the billion, is refused and reads nothing."""
    (tmp_path / "canary").write_text("canary", encoding="utf-8")
    laughs = '<!ENTITY a "ha">' + "".join(
        f'<!ENTITY {chr(98 + at)} "{f"&{chr(97 + at)};" * 10}">' for at in range(9)
    )
    head = (
        f'<!DOCTYPE x [<!ENTITY e SYSTEM "file://{tmp_path}/canary">]>'
        if what == "file"
        else f"<!DOCTYPE x [{laughs}<!ENTITY e '&j;'>]>"
    )
    raw = f'<?xml version="1.0"?>{head}<gpx version="1.1"><wpt lat="52" lon="1"><name>&e;</name></wpt></gpx>'.encode()
    found = look_at_vector("a.gpx", raw, ref=REF)
    assert found.layers == ()
    assert "canary" not in str(found.problems)


def test_deep_json_is_refused() -> None:
    """JSON with 200,000 brackets inside each other is refused before it is parsed."""
    raw = b'{"type":"FeatureCollection","features":' + b"[" * 200_000 + b"]" * 200_000 + b"}"
    assert "nested" in look_at_vector("a.geojson", raw, ref=REF).problems[0].found


def test_questions_of_a_layer_are_those_of_a_table() -> None:
    """A layer's attributes are asked about as a table's columns are."""
    (layer,) = layers("a.geojson", geojson([shapely.LineString([(E, N), (E + 5, N)])], Bore=[100])).values()
    mapping = propose_mapping(layer.sheet, "run")
    assert [question.key for question in questions(layer.sheet, mapping, ref=REF)] == ["unit:Bore"]
    (record,) = take_vector(layer, answer(mapping, "unit:Bore", "mm"), site_crs=GRID, ref=REF).records
    assert record.bore_mm == 100
