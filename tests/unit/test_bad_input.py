"""Whatever is wrong with a folder comes out as sentences: no traceback, nothing half-read, nothing written."""

from __future__ import annotations

import itertools
import json
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from geo.cli import app
from geo.errors import Problem
from geo.findings.check import check_folder

DEMO = Path(__file__).parents[2] / "demo_sites"
E, N = 389214.6, 251087.35
HOUSE = "semi_on_a_slope"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a copy of a demo site, to spoil."""
    return Path(shutil.copytree(DEMO / HOUSE, tmp_path / "site"))


def errors(folder: Path) -> list[Problem]:
    """Return the errors of a folder."""
    return [problem for problem in check_folder(folder) if problem.severity == "error"]


def only(found: list[Problem], *said: str) -> None:
    """See that there is one error, and that its sentence says what it must."""
    assert len(found) == 1, "\n".join(map(str, found))
    for word in said:
        assert word in str(found[0])
    assert found[0].found
    assert found[0].allowed
    assert found[0].mend


def cell(folder: Path, name: str, row: int, column: str, value: str) -> None:
    """Write one cell of a CSV file; rows as a spreadsheet counts."""
    lines = (folder / name).read_text(encoding="utf-8").splitlines()
    at = lines[0].split(",").index(column)
    cells = lines[row - 1].split(",")
    cells[at] = value
    lines[row - 1] = ",".join(cells)
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def features(folder: Path, name: str) -> Any:
    """Return a GeoJSON file's content."""
    return json.loads((folder / name).read_text(encoding="utf-8"))


def store(folder: Path, name: str, whole: Any) -> None:
    """Write a GeoJSON file."""
    (folder / name).write_text(json.dumps(whole), encoding="utf-8")


# --- folders and files ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["nowhere", "empty", "file"])
def test_a_folder_that_is_none(tmp_path: Path, name: str) -> None:
    """No folder, an empty one and a file are each one sentence, from check and from findings."""
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("x", encoding="utf-8")
    only(errors(tmp_path / name), "wallfoot template")
    checked = CliRunner().invoke(app, ["check", str(tmp_path / name)])
    done = CliRunner().invoke(app, ["findings", str(tmp_path / name), "--out", str(tmp_path / "out")])
    assert checked.exit_code == done.exit_code == 1
    assert len(checked.output.splitlines()) == 2
    assert len(done.output.splitlines()) == 1
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("site.toml", "is missing"),
        ("buildings.geojson", "no building to survey"),
        ("ground.tif", "is missing"),
        ("ground.toml", "is missing"),
    ],
)
def test_a_file_that_is_missing(folder: Path, name: str, said: str) -> None:
    """Without one of its needed files the site is refused by that file's name, and by nothing else."""
    (folder / name).unlink()
    only(errors(folder), name, said)


def test_a_directory_in_a_files_place(folder: Path) -> None:
    """A directory named as a file should be is one sentence, for records and for the raster."""
    (folder / "gullies.csv").unlink()
    (folder / "gullies.csv").mkdir()
    assert [said.file for said in errors(folder) if "not a file" in said.found] == ["gullies.csv"]
    (folder / "ground.tif").unlink()
    (folder / "ground.tif").mkdir()
    assert any(said.file == "ground.tif" for said in errors(folder))


def test_a_folder_in_another_grid(folder: Path) -> None:
    """Moved to another grid's name, every drawn layer is refused with the grid it is really in."""
    site = (folder / "site.toml").read_text(encoding="utf-8")
    (folder / "site.toml").write_text(site.replace("EPSG:27700", "EPSG:32630"), encoding="utf-8")
    found = errors(folder)
    assert {said.file for said in found} == {path.name for path in folder.glob("*.geojson")}
    assert {said.column for said in found} == {"crs"}


# --- outlines ------------------------------------------------------------------------------------


def test_a_clockwise_outline_is_only_noted(folder: Path) -> None:
    """Turned the other way round an outline gives the same walls, and one note says so."""
    before = check_folder(folder)
    whole = features(folder, "buildings.geojson")
    for feature in whole["features"]:
        ring = feature["geometry"]["coordinates"][0]
        area = sum(a[0] * b[1] - b[0] * a[1] for a, b in itertools.pairwise(ring))
        if area > 0:
            ring.reverse()
    store(folder, "buildings.geojson", whole)
    notes = [said for said in check_folder(folder) if said not in before]
    assert len(notes) == 1
    assert notes[0].severity == "warning"
    assert "and 1 more" in notes[0].found


@pytest.mark.parametrize(
    ("ring", "said"),
    [
        ([[0, 0], [8, 8], [8, 0], [0, 8], [0, 0]], "crosses or touches itself"),
        ([[0, 0], [8, 0], [0, 0]], "geometry"),
        ([[0, 0], [8, 0], [8, 0], [0, 0]], "geometry"),
        ([[0, 0], [0, 0], [0, 0], [0, 0]], "geometry"),
        ([[0, 0], [8, 0], [8, 8], [0, 8], [0, 0], [float("nan"), 0], [0, 0]], "geometry"),
        ([[0, 0], [8, 0], [8, 1e300], [0, 8], [0, 0]], "geometry"),
        ([[0, 0], [8, 0], [8, 8], [0, 8], ["x", 0]], "geometry"),
        ([], "geometry"),
    ],
)
def test_an_outline_that_is_none(folder: Path, ring: list[list[Any]], said: str) -> None:
    """A bow-tie, a sliver, a point, no number and nothing at all are each refused at the outline's row."""
    whole = features(folder, "buildings.geojson")
    moved = [[E + x if isinstance(x, int | float) else x, N + y] for x, y in ring]
    whole["features"][0]["geometry"]["coordinates"] = [moved]
    store(folder, "buildings.geojson", whole)
    found = [said for said in errors(folder) if said.file == "buildings.geojson" and said.row == 1]
    assert len(found) == 1
    assert said in str(found[0])


def test_houses_drawn_over_each_other(folder: Path) -> None:
    """Two surveyed outlines that overlap are both named."""
    whole = features(folder, "buildings.geojson")
    second = json.loads(json.dumps(whole["features"][0]))
    second["properties"]["id"] = "B9"
    whole["features"].append(second)
    store(folder, "buildings.geojson", whole)
    found = errors(folder)
    assert {said.row for said in found if "overlaps" in said.found} == {1, 3}


# --- the ground raster ---------------------------------------------------------------------------


def raster(folder: Path, *, cell: float = 0.5, count: int = 80, at: tuple[float, float] = (E, N), fill: float | None = None,
           **changed: Any) -> None:  # fmt: skip
    """Write a ground raster centred on a point; ``fill`` None leaves a sparse file, no cell ever written."""
    settings = {
        "driver": "GTiff",
        "height": count,
        "width": count,
        "count": 1,
        "dtype": "float32",
        "nodata": -9999.0,
        "crs": "EPSG:27700",
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "transform": Affine(cell, 0, at[0] - cell * count / 2, 0, -cell, at[1] + cell * count / 2),
        "BIGTIFF": "YES",
        "SPARSE_OK": "TRUE",
    } | changed
    (folder / "ground.tif").unlink(missing_ok=True)
    with rasterio.open(folder / "ground.tif", "w", **settings) as sink:
        if fill is not None:
            for band in range(1, settings["count"] + 1):
                sink.write(np.full((count, count), fill).astype(settings["dtype"]), band)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"at": (E + 9000, N), "fill": 70.0}, "does not reach the buildings"),
        ({"fill": -9999.0}, "holds no height"),
        ({"fill": float("nan")}, "holds no height"),
        ({"fill": float("inf")}, "holds no height"),
        ({"fill": 1e30}, "holds no height"),
        ({"cell": 100.0, "fill": 70.0}, "cells of 100 m"),
        ({"cell": 0.001, "count": 100_000}, "cells round the buildings"),
        ({"cell": 0.5, "count": 100_000, "blockxsize": 100_000, "blockysize": 100_000 // 16 * 16, "tiled": True}, "blocks"),
        ({"fill": 70.0, "crs": None}, "has no grid"),
        ({"fill": 70.0, "crs": "EPSG:4326", "cell": 1e-5, "at": (-2.15, 52.15)}, "is in degrees"),
        ({"fill": 70.0, "crs": "EPSG:3857"}, "Web Mercator"),
        ({"fill": 70, "count": 80, "dtype": "uint8", "nodata": None, "count_of_bands": 3}, "is a picture"),
        ({"fill": 70.0, "dtype": "complex64", "nodata": None}, "complex"),
        ({"fill": 70.0, "transform": Affine(0.4, 0.3, E - 20, 0.3, -0.4, N + 20)}, "turned"),
        ({"fill": 70.0, "transform": Affine(0.5, 0, E - 20, 0, 0.5, N - 20)}, "turned or mirrored"),
    ],
)  # fmt: skip
def test_a_raster_that_says_nothing(folder: Path, changed: dict[str, Any], said: str) -> None:
    """A raster elsewhere, empty, too coarse, a bomb by size, without a grid, in degrees or a picture is one sentence.

    The bombs are sparse files: a few kilobytes on the disk that open as 10,000,000,000 cells.
    """
    bands = changed.pop("count_of_bands", None) if "count_of_bands" in changed else None
    if bands:
        picture(folder, bands)
    else:
        raster(folder, **changed)
    assert (folder / "ground.tif").stat().st_size < 30_000_000
    only(errors(folder), "ground.tif", said)


def picture(folder: Path, bands: int) -> None:
    """Write a picture where heights should be."""
    (folder / "ground.tif").unlink()
    place = Affine(0.5, 0, E - 20, 0, -0.5, N + 20)
    with rasterio.open(folder / "ground.tif", "w", driver="GTiff", height=80, width=80, count=bands, dtype="uint8", crs="EPSG:27700", transform=place) as sink:  # fmt: skip
        sink.write(np.full((bands, 80, 80), 70, dtype=np.uint8))


@pytest.mark.parametrize("name", ["ground.tif", "surface.tif"])
@pytest.mark.parametrize("content", [b"", b"II*\x00", b"not a raster", b"id,level\n1,2\n"])
def test_a_raster_that_is_no_raster(folder: Path, name: str, content: bytes) -> None:
    """Other bytes under a raster's name are one sentence, for the ground and for what stands on it."""
    (folder / name).write_bytes(content)
    only(errors(folder), name, "cannot be read")


def test_a_raster_that_breaks_off(folder: Path) -> None:
    """A raster copied by half is one sentence."""
    raw = (folder / "ground.tif").read_bytes()
    (folder / "ground.tif").write_bytes(raw[: len(raw) // 2])
    only(errors(folder), "ground.tif")


# --- tables --------------------------------------------------------------------------------------


def test_a_spreadsheet_of_another_country(folder: Path) -> None:
    """Saved in Windows-1252 with semicolons and decimal commas a table is one sentence at a time.

    First the encoding; saved as UTF-8, the semicolons; with commas between quoted cells, each decimal comma.
    """
    rows = "id;chainage_m;note\nG1;3,2;Hof hinten, öffentlich\nG2;4,25;\n"
    (folder / "gullies.csv").write_bytes(rows.encode("cp1252"))
    others = {"gullies.csv"}
    assert [str(said) for said in errors(folder) if said.file in others and "UTF-8" in str(said)]
    (folder / "gullies.csv").write_bytes(rows.encode())
    assert [said for said in errors(folder) if said.file in others and "semicolons" in said.found]
    (folder / "gullies.csv").write_text('id,chainage_m\nG1,"3,2"\nG2,"4,25"\n', encoding="utf-8")
    found = [said for said in errors(folder) if said.file in others]
    assert [(said.row, said.column) for said in found] == [(2, "chainage_m"), (3, "chainage_m")]
    assert all("decimal comma" in said.found for said in found)


@pytest.mark.parametrize(
    ("name", "column", "value", "said"),
    [
        ("gullies.csv", "rim_level_m", "9747", "9.747"),
        ("gullies.csv", "chainage_m", "30635", "30.635"),
        ("gullies.csv", "chainage_m", "37.9", "past the end of the wall"),
        ("gullies.csv", "outlet_invert_level_m", "9.9", "above rim_level_m"),
        ("gullies.csv", "building_id", "B7", "no building of this site"),
        ("gullies.csv", "chainage_m", "-0.2", "0 or more"),
        ("gullies.csv", "chainage_m", "nan", "chainage_m"),
        ("gullies.csv", "chainage_m", "1e400", "chainage_m"),
        ("gullies.csv", "position_by", "two_tapes", "two_tapes without"),
        ("gullies.csv", "seen_on", "17/03/2026", "2026-11-03"),
        ("chambers.csv", "easting_m", "389299", "from the nearest building"),
        ("chambers.csv", "invert_level_m", "9.5", "above cover_level_m"),
        ("downpipes.csv", "into_id", "G77", "no record of this site"),
        ("readings.csv", "value", "wet", "is not a reading"),
        ("readings.csv", "method", "hand", "not one of its words"),
        ("readings.csv", "control_set_id", "K99", "no record of this site"),
        ("asset_states.csv", "of_id", "<script>", "no record of this site"),
        ("faces.csv", "taped_length_m", "12.9", "do not close"),
        ("faces.csv", "face", "F99", "no face 'F99'"),
        ("openings.csv", "chainage_to_m", "99", "past the end of the wall"),
        ("dpc_points.csv", "chainage_m", "99", "past the end of the wall"),
        ("samples.csv", "dry_g", "53", "above wet"),
        ("levels.csv", "backsight_m", "1339", "1.339"),
    ],
)
def test_one_wrong_cell(folder: Path, name: str, column: str, value: str, said: str) -> None:
    """A cell out of order is refused at its file, row and column, with the way out; nothing else is."""
    cell(folder, name, 2, column, value)
    found = errors(folder)
    own = [problem for problem in found if problem.file == name]
    assert len(own) == 1, "\n".join(map(str, found))
    assert said in str(own[0])


def test_a_level_book_that_breaks_off(folder: Path) -> None:
    """A book whose change point lost its backsight cannot be followed, and check says so."""
    lines = (folder / "levels.csv").read_text(encoding="utf-8").splitlines()
    head = lines[0].split(",")
    changes = [i for i, line in enumerate(lines) if f",{'change_point'}," in line and line.split(",")[head.index("backsight_m")]]  # fmt: skip
    assert changes
    (folder / "levels.csv").write_text(
        "\n".join(line for i, line in enumerate(lines) if i != changes[0]) + "\n", encoding="utf-8"
    )
    found = errors(folder)
    assert found
    assert {said.file for said in found} == {"levels.csv"}


def test_a_run_that_ends_nowhere_is_a_note(folder: Path) -> None:
    """A run not traced is what was found: it is said, and stops nothing; one to an unknown id is an error."""
    whole = features(folder, "runs.geojson")
    whole["features"][0]["properties"]["to_id"] = ""
    store(folder, "runs.geojson", whole)
    assert errors(folder) == []
    assert any("ends nowhere known" in said.found for said in check_folder(folder))
    whole["features"][0]["properties"]["to_id"] = "=cmd()"
    store(folder, "runs.geojson", whole)
    only(errors(folder), "runs.geojson, row 1, to_id", "no record of this site")


def test_a_photograph_that_reaches_out_of_its_folder(folder: Path) -> None:
    """A photograph's name that climbs out of the folder is refused; one too long for the disk is only missing."""
    (folder / "photos.csv").write_text("id,file\nPH1,../../secret.jpg\n", encoding="utf-8")
    only(errors(folder), "photos.csv, row 2, file")
    (folder / "photos.csv").write_text(f"id,file\nPH1,{'x' * 1500}.jpg\n", encoding="utf-8")
    assert errors(folder) == []


@pytest.mark.parametrize(
    "content",
    [
        '{"type": "FeatureCollection", "features": null}',
        '{"type": "FeatureCollection", "features": [null]}',
        '{"type": "FeatureCollection", "features": [1, 2]}',
        '{"type": "FeatureCollection", "features": [{"properties": [1], "geometry": null}]}',
        '{"type": "FeatureCollection", "features": [{"properties": "ab", "geometry": null}]}',
        '{"type": "FeatureCollection", "crs": "EPSG:27700", "features": []}',
        '{"type": "FeatureCollection", "crs": {"properties": {"name": 5}}, "features": []}',
        '{"type": "FeatureCollection", "features": [{"properties": {"id": ["a"]}, "geometry": {"type": "Polygon"}}]}',
        '{"type": "Feature"}',
        "[]",
        "null",
        "1" * 5000,
        "[" * 100_000,
        "",
    ],
)
def test_json_that_is_no_layer(folder: Path, content: str) -> None:
    """Whatever JSON stands where outlines should be, the file is named and nothing breaks."""
    (folder / "buildings.geojson").write_text(content, encoding="utf-8")
    assert any(said.file == "buildings.geojson" for said in errors(folder))


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("site.toml", 'name = 5\ncrs = "EPSG:27700"\ndatum = "d"\n'),
        ("site.toml", 'name = ["a"]\ncrs = ["EPSG:27700"]\ndatum = "d"\n'),
        ("site.toml", 'name = "a"\ncrs = "EPSG:99999999999999999999"\ndatum = "d"\n'),
        ("site.toml", 'name = "a"\ncrs = "EPSG:5703"\ndatum = "d"\n'),
        ("site.toml", 'name = "a"\ncrs = "EPSG:4978"\ndatum = "d"\n'),
        ("site.toml", 'name = "a"\ncrs = "{}"\ndatum = "d"\n'),
        ("site.toml", 'name = "a"\ncrs = "27700"\ndatum = "d"\nno_such_key = 1\n'),
        ("site.toml", "[site]\nname = 'a'\n"),
        ("ground.toml", 'model = "DTM"\nerror_m = -1\n'),
        ("ground.toml", 'model = "heights"\n'),
        ("limits.toml", "[ground]\nstrip_dem_to_m = 'far'\n"),
        ("limits.toml", "[ground]\nno_such_limit = 1\n"),
        ("limits.toml", "[ground\n"),
    ],
)
def test_settings_that_cannot_be_used(folder: Path, name: str, content: str) -> None:
    """A setting of the wrong kind, an unknown key and a broken file are sentences that name the file."""
    (folder / name).write_text(content, encoding="utf-8")
    found = errors(folder)
    assert found
    assert {said.file for said in found} == {name}


def test_a_name_that_a_terminal_would_obey(folder: Path) -> None:
    """Escape signs and line ends in a file's or a column's name reach no terminal."""
    (folder / "wet\x1b[2Jwall\n.csv").write_text("x", encoding="utf-8")
    (folder / "gullies.csv").write_text('id,"sta\x1b[31m\nte"\nG1,sound\n', encoding="utf-8")
    done = CliRunner().invoke(app, ["check", str(folder)])
    assert done.exit_code == 1
    assert "\x1b" not in done.output
    assert len([line for line in done.output.splitlines() if "wet" in line]) == 1
    assert len([line for line in done.output.splitlines() if "gullies.csv" in line]) == 1


def test_one_slip_is_said_once(folder: Path) -> None:
    """A gully that cannot be read is refused once, not again by everything that runs into it."""
    cell(folder, "gullies.csv", 2, "state", "quite bad")
    assert "G1" in (folder / "downpipes.csv").read_text(encoding="utf-8")
    only(errors(folder), "gullies.csv, row 2, state", "not one of its words")


# --- anything at all -----------------------------------------------------------------------------

FILES = sorted(
    path.name
    for path in (DEMO / HOUSE).iterdir()
    if path.is_file() and path.name not in ("truth.toml", "README.md")
)
TABLES = [name for name in FILES if name.endswith(".csv")]


def _truncate(raw: bytes, rng: random.Random) -> bytes:
    return raw[: rng.randrange(len(raw) + 1)]


def _bytes(raw: bytes, rng: random.Random) -> bytes:
    spoiled = bytearray(raw)
    for _ in range(rng.choice((1, 1, 4, 30))):
        spoiled[rng.randrange(len(spoiled))] = rng.randrange(256)
    return bytes(spoiled)


def _splice(raw: bytes, rng: random.Random) -> bytes:
    a, b, c = (rng.randrange(len(raw) + 1) for _ in range(3))
    return raw[:a] + raw[min(b, c) : max(b, c)] + raw[a:]


def _swap_cells(raw: bytes, rng: random.Random) -> bytes:
    """Exchange two cells of a table, or two numbers of any other text."""
    lines = [line.split(b",") for line in raw.split(b"\n")]
    a, b = rng.choice(lines), rng.choice(lines)
    i, j = rng.randrange(len(a)), rng.randrange(len(b))
    a[i], b[j] = b[j], a[i]
    return b"\n".join(b",".join(line) for line in lines)


ODD = [b"", b"-1", b"0", b"nan", b"inf", b"1e308", b"-1e308", b"1e-320", b"=cmd()", b"<script>", b"null", b"B1", b"A", b"F1",
       b"\xff", b"\x00", b'"', b"{}", b"[]", "Ω".encode(), b"9" * 400, b"2026-02-30", b">", b"<", b">>5"]  # fmt: skip


def _odd_cell(raw: bytes, rng: random.Random) -> bytes:
    lines = [line.split(b",") for line in raw.split(b"\n")]
    line = rng.choice(lines)
    line[rng.randrange(len(line))] = rng.choice(ODD)
    return b"\n".join(b",".join(cells) for cells in lines)


def _repeat_rows(raw: bytes, rng: random.Random) -> bytes:
    lines = raw.split(b"\n")
    return b"\n".join(lines + rng.choices(lines, k=3))


SPOILERS: dict[str, Callable[[bytes, random.Random], bytes]] = {
    "truncated": _truncate,
    "bytes changed": _bytes,
    "spliced": _splice,
    "cells swapped": _swap_cells,
    "odd cell": _odd_cell,
    "rows repeated": _repeat_rows,
}
slips = st.tuples(st.sampled_from(FILES), st.sampled_from(sorted(SPOILERS)), st.integers(0, 2**32 - 1))
cells = st.tuples(
    st.sampled_from(TABLES), st.sampled_from(["odd cell", "cells swapped"]), st.integers(0, 2**32 - 1)
)


def spoiled_copy(folder: Path, slips: list[tuple[str, str, int]]) -> Path:
    """Write a copy of the demo site with slips in it."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(DEMO / HOUSE, folder)
    for name, how, seed in slips:
        raw = (folder / name).read_bytes()
        if raw:
            (folder / name).write_bytes(SPOILERS[how](raw, random.Random(seed)))
    return folder


def see(folder: Path) -> list[Problem]:
    """See that a folder gives problems that say where, what and how to mend it, in a line."""
    found = check_folder(folder)
    for said in found:
        assert said.file
        assert said.found
        assert said.allowed
        assert said.mend
        assert "\n" not in str(said)
    return found


@given(st.lists(slips, min_size=1, max_size=3))
@example([("ground.tif", "truncated", 1)])
@example([("readings.csv", "rows repeated", 0)])
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_slip_breaks_the_check(tmp_path: Path, slips: list[tuple[str, str, int]]) -> None:
    """Files cut off, spliced, with bytes, cells or rows changed: always a list of problems, or a site that reads."""
    see(spoiled_copy(tmp_path / "site", slips))


@given(st.lists(cells, min_size=1, max_size=2))
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_cell_breaks_the_check(tmp_path: Path, slips: list[tuple[str, str, int]]) -> None:
    """Cells of the tables exchanged or replaced by odd ones: always a list of problems, or a site that reads."""
    see(spoiled_copy(tmp_path / "site", slips))


outline_points = st.lists(
    st.tuples(st.integers(-3, 12), st.integers(-3, 12)) | st.tuples(st.floats(-20, 20), st.floats(-20, 20)),
    min_size=0,
    max_size=9,
)


@given(outline_points, outline_points)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_outline_breaks_the_check(
    tmp_path: Path, outer: list[tuple[float, float]], hole: list[tuple[float, float]]
) -> None:
    """Any corners at all, with or without a hole, beside a sound house: problems or a perimeter."""
    site = tmp_path / "drawn"
    site.mkdir(exist_ok=True)
    (site / "site.toml").write_text('name = "a"\ncrs = "EPSG:27700"\ndatum = "d"\n', encoding="utf-8")
    rings = [[[E + x, N + y] for x, y in ring] for ring in (outer, hole) if ring]
    shapes = [rings, [[[E, N], [E + 8, N], [E + 8, N + 6], [E, N + 6], [E, N]]]]
    whole = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"id": f"B{i}"},
                "geometry": {"type": "Polygon", "coordinates": shape},
            }
            for i, shape in enumerate(shapes)
        ],
    }
    store(site, "buildings.geojson", whole)
    see(site)
