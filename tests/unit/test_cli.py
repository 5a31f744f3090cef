"""The command: each part of it says what it did, writes whole files, and ends in a sentence, never a traceback."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import jsonschema
import pyogrio
import pytest
from click.testing import Result
from typer.testing import CliRunner

from geo.cli import app

DEMO = Path(__file__).parents[2] / "demo_sites"
E, N = 412300.0, 287600.0
SCRIPT, FORMULA, AT = "<script>alert(1)</script>", "=cmd()|'/c calc'!A0", "@SUM(1+1)"
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")


def run(*arguments: object) -> Result:
    """Return what a command did; an exception that is no exit is let out."""
    done = CliRunner().invoke(app, [str(argument) for argument in arguments])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def little_site(folder: Path) -> Path:
    """Write a house of 8 x 6 m with twelve readings and two outlets, some named as an attacker would."""
    folder.mkdir(parents=True)
    (folder / "site.toml").write_text(
        f'name = "{SCRIPT}"\ncrs = "EPSG:27700"\ndatum = "step, 10.000"\n', encoding="utf-8"
    )
    ring = [[E, N], [E + 8, N], [E + 8, N + 6], [E, N + 6], [E, N]]
    outline = {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::27700"}},
        "features": [
            {
                "type": "Feature",
                "properties": {"id": "B1"},
                "geometry": {"type": "Polygon", "coordinates": [ring]},
            }
        ],
    }
    (folder / "buildings.geojson").write_text(json.dumps(outline), encoding="utf-8")
    write(
        folder / "gullies.csv",
        [
            ("id", "chainage_m", "offset_m", "state"),
            (FORMULA, 3.2, 0.2, "sound"),
            (AT, 20, 0.2, "grating_blocked"),
        ],
    )
    head = ("id", "chainage_m", "method", "instrument", "material", "value", "height_m", "note")
    rows = [
        (f"R{i}", 2 * i + 0.5, "capacitance", "PAD-2", "brick", 20 + i, 0.3, SCRIPT + FORMULA)
        for i in range(1, 11)
    ]
    rows += [(SCRIPT, 3.0, "capacitance", FORMULA, "brick", 60, 0.3, FORMULA)]
    rows += [("-1+1", 4.0, "capacitance", "PAD-2", "brick", ">100", 0.3, "")]
    write(folder / "readings.csv", [head, *rows])
    return folder


def write(path: Path, rows: list[tuple[Any, ...]]) -> None:
    """Write rows as CSV."""
    with path.open("w", encoding="utf-8", newline="") as sink:
        csv.writer(sink).writerows(rows)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the little house's folder."""
    return little_site(tmp_path_factory.mktemp("cli") / "site")


@pytest.fixture(scope="module")
def out(site: Path) -> Path:
    """Return the folder of its findings."""
    target = site.parent / "out"
    done = run("findings", site, "--out", target)
    assert done.exit_code == 0, done.output
    return target


def test_a_template_can_be_filled_in_and_checked(tmp_path: Path) -> None:
    """A blank folder has a field guide; unfilled, it is refused for what is missing; a second one never overwrites."""
    done = run("template", tmp_path / "new")
    assert done.exit_code == 0
    assert "FIELD_GUIDE.html" in done.stdout
    assert (tmp_path / "new" / "readings.csv").is_file()
    blank = run("check", tmp_path / "new")
    assert blank.exit_code == 1
    assert "site.toml" in blank.stdout
    before = (tmp_path / "new" / "site.toml").read_bytes()
    again = run("template", tmp_path / "new")
    assert again.exit_code == 1
    assert "is not empty" in again.stderr
    assert (tmp_path / "new" / "site.toml").read_bytes() == before


@pytest.mark.parametrize("name", ["semi_on_a_slope", "three_cottages", "old_school"])
def test_a_demo_site_passes(name: str) -> None:
    """A site without error ends in 0, its last line counts."""
    done = run("check", DEMO / name)
    assert done.exit_code == 0, done.output
    assert done.stdout.splitlines()[-1].startswith("0 errors, ")


def test_every_problem_is_listed(tmp_path: Path) -> None:
    """Three slips in three files are three lines that name file, row and column, and the exit is 1."""
    folder = little_site(tmp_path / "site")
    write(folder / "gullies.csv", [("id", "chainage_m", "state"), ("G1", 300, "sound")])
    write(folder / "chambers.csv", [("id", "easting_m", "northing_m", "cover_level_m", "invert_level_m"), ("C1", E + 2, N - 3, 9.0, 9.6)])  # fmt: skip
    write(folder / "asset_states.csv", [("id", "of_id", "state", "evidence"), ("ST1", "G9", "sound", "seen")])
    done = run("check", folder)
    assert done.exit_code == 1
    lines = [line for line in done.stdout.splitlines() if line.startswith("error")]
    assert len(lines) == 3
    for said in (
        "gullies.csv, row 2, chainage_m",
        "chambers.csv, row 2, invert_level_m",
        "asset_states.csv, row 2, of_id",
    ):
        assert any(said in line for line in lines), said
    assert done.stdout.splitlines()[-1].startswith("3 errors, 0 notes")


def test_findings_of_a_site_with_errors_write_nothing(tmp_path: Path) -> None:
    """The errors are said, the exit is 1, and no folder is made."""
    folder = little_site(tmp_path / "site")
    write(folder / "gullies.csv", [("id", "chainage_m"), ("G1", 300)])
    done = run("findings", folder, "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert "past the end of the wall" in done.stderr
    assert not (tmp_path / "out").exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["site"]


def test_every_file_is_written(out: Path) -> None:
    """Map, strip, ring, layers, tables and document are there, and nothing temporary is left."""
    names = {path.name for path in out.iterdir()}
    assert {"map.html", "strip-B1.svg", "strip-B1.png", "ring-B1.svg", "ring-B1.png"} <= names
    assert {"findings.json", "layers.gpkg", "readings.csv", "clearance.csv", "gaps.csv"} <= names
    assert not [name for name in names if name.startswith(".")]
    assert not list(out.parent.glob(".wallfoot-*"))


def test_the_document_follows_the_printed_schema(out: Path) -> None:
    """``findings.json`` validates against what ``wallfoot schema`` prints, and a damaged one does not."""
    printed = run("schema")
    assert printed.exit_code == 0
    schema = json.loads(printed.stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    whole = json.loads((out / "findings.json").read_text(encoding="utf-8"))
    validator = jsonschema.Draft202012Validator(schema)
    validator.validate(whole)
    assert whole["readings_taken"]["taken"] == 12
    assert {row["reading_id"] for row in whole["readings"]} >= {SCRIPT, "-1+1"}
    whole["readings_taken"]["taken"] = "twelve"
    assert not validator.is_valid(whole)


def test_no_cell_is_a_formula(out: Path) -> None:
    """In every CSV, text a spreadsheet would run has an apostrophe before it; numbers stay numbers."""
    tables = sorted(out.glob("*.csv"))
    assert len(tables) >= 6
    marked = 0
    for path in tables:
        with path.open(encoding="utf-8-sig", newline="") as source:
            for cell in (cell for row in csv.reader(source) for cell in row):
                marked += cell.startswith("'")
                if cell.startswith(FORMULA_SIGNS):
                    float(cell)
    assert marked >= 2
    with (out / "readings.csv").open(encoding="utf-8-sig", newline="") as source:
        ids = [row["reading_id"] for row in csv.DictReader(source)]
    assert "'-1+1" in ids
    assert SCRIPT in ids


def test_no_typed_text_is_markup(out: Path) -> None:
    """An id that is a script appears in no drawing as one."""
    for path in [out / "map.html", *out.glob("*.svg")]:
        assert SCRIPT not in path.read_text(encoding="utf-8"), path.name


def test_the_layers_can_be_read(out: Path) -> None:
    """The GeoPackage opens with its layers in the site's grid; ids are as typed."""
    layers = set(pyogrio.list_layers(out / "layers.gpkg")[:, 0])
    assert {"footprints", "faces", "readings", "assets"} <= layers
    readings = gpd.read_file(out / "layers.gpkg", layer="readings")
    assert readings.crs.to_epsg() == 27700
    assert set(readings["reading_id"]) >= {SCRIPT, "-1+1"}
    assert set(gpd.read_file(out / "layers.gpkg", layer="assets")["asset_id"]) == {FORMULA, AT}


def test_a_second_run_writes_the_same(out: Path, site: Path) -> None:
    """Written again over itself the document is the same to the byte: the seed decides every draw."""
    before = (out / "findings.json").read_bytes()
    names = {path.name for path in out.iterdir()}
    (out / "findings.json").write_text("half", encoding="utf-8")
    (out / "kept.txt").write_text("mine", encoding="utf-8")
    assert run("findings", site, "--out", out).exit_code == 0
    assert (out / "findings.json").read_bytes() == before
    assert (out / "kept.txt").read_text(encoding="utf-8") == "mine"
    (out / "kept.txt").unlink()
    assert {path.name for path in out.iterdir()} == names


def test_a_run_that_fails_leaves_the_old_files(
    out: Path, site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the disk fills half-way, no file of the earlier run is touched and nothing new is left."""
    from geo.exchange import bundle

    before = {path.name: path.read_bytes() for path in out.iterdir()}

    def full(*given: object) -> None:
        raise OSError(28, "No space left on device", "map.html")

    monkeypatch.setattr(bundle, "standalone_html", full)
    for target in (out, tmp_path / "new"):
        done = run("findings", site, "--out", target)
        assert done.exit_code == 1
        assert done.stderr.splitlines() == ["map.html: No space left on device"]
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert list(tmp_path.iterdir()) == []


def test_findings_never_overwrite_a_site(tmp_path: Path) -> None:
    """The tables are named as the site's own files are: written into a site folder they would destroy it."""
    folder = little_site(tmp_path / "site")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    done = run("findings", folder, "--out", folder)
    assert done.exit_code == 1
    assert "is a site folder" in done.stderr
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_an_output_that_is_a_file_is_refused(site: Path, tmp_path: Path) -> None:
    """A file where the folder should be is one sentence, and the file stays."""
    (tmp_path / "out").write_text("mine", encoding="utf-8")
    done = run("findings", site, "--out", tmp_path / "out")
    assert done.exit_code == 1
    assert len(done.stderr.splitlines()) == 1
    assert (tmp_path / "out").read_text(encoding="utf-8") == "mine"


def test_every_limit_is_printed_with_its_source() -> None:
    """The 150 mm rule is there, with where it comes from."""
    done = run("limits")
    assert done.exit_code == 0
    lines = done.stdout.splitlines()
    at = lines.index("ground.dpc_clearance_mm = 150 mm")
    assert "Approved Document C" in lines[at + 1]
    assert len(lines) % 2 == 0


@pytest.mark.parametrize("command", ["check", "findings", "app"])
def test_a_folder_that_is_not_there(command: str, tmp_path: Path) -> None:
    """Every command that takes a site says that there is none, and exits 1."""
    options = ["--out", tmp_path / "out"] if command == "findings" else []
    done = run(command, tmp_path / "nowhere", *options)
    assert done.exit_code == 1
    assert "no such folder" in done.output


def test_no_command_is_help() -> None:
    """Called bare, the command lists what it can do."""
    done = run()
    for name in ("app", "check", "template", "findings", "schema", "limits"):
        assert name in done.output


def test_the_installed_command_ends_in_a_sentence(tmp_path: Path) -> None:
    """The real entry point, in its own process, says what is wrong in a line and exits 1."""
    command = Path(sys.executable).with_name("wallfoot.exe" if os.name == "nt" else "wallfoot")
    done = subprocess.run([str(command), "check", str(tmp_path)], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "the folder is empty" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr
