"""A site folder is read whole or not at all, and every slip in it is one clear sentence."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geo.errors import InputError, Problem
from geo.site.fields import words_of
from geo.site.folder import read_site, try_site, write_site
from geo.site.records import KINDS, Gully, Reading
from geo.site.tables import read_csv, write_csv
from geo.site.template import field_guide, write_template

SITE = 'name = "Little house"\ncrs = "EPSG:27700"\ndatum = "site, bench mark 10.000"\n'
E, N = 412300.0, 287600.0
SQUARE = [[E, N], [E + 8, N], [E + 8, N + 6], [E, N + 6], [E, N]]


def outline(
    ring: list[list[float]] | None = None, crs: str | None = "urn:ogc:def:crs:EPSG::27700"
) -> dict[str, object]:
    """Return one building as GeoJSON."""
    feature = {
        "type": "Feature",
        "properties": {"id": "B1"},
        "geometry": {"type": "Polygon", "coordinates": [ring or SQUARE]},
    }
    named = {"crs": {"type": "name", "properties": {"name": crs}}} if crs else {}
    return {"type": "FeatureCollection", **named, "features": [feature]}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A site of one square house with one gully."""
    site = tmp_path / "site"
    site.mkdir()
    (site / "site.toml").write_text(SITE, encoding="utf-8")
    (site / "buildings.geojson").write_text(json.dumps(outline()), encoding="utf-8")
    (site / "gullies.csv").write_text("id,chainage_m,offset_m,state\nG1,3.20,0.2,sound\n", encoding="utf-8")
    return site


def problems(folder: Path) -> tuple[Problem, ...]:
    """Return what is wrong with a folder."""
    return try_site(folder)[1]


def test_a_folder_reads_and_writes_back_the_same_bytes(folder: Path, tmp_path: Path) -> None:
    """Hand-made formatting (3.20, column order) survives reading and writing."""
    site = read_site(folder)
    write_site(site, tmp_path / "copy")
    names = sorted(path.name for path in folder.iterdir())
    assert names == sorted(path.name for path in (tmp_path / "copy").iterdir())
    for name in names:
        assert (tmp_path / "copy" / name).read_bytes() == (folder / name).read_bytes()
    assert read_site(tmp_path / "copy").digest == site.digest


def test_writing_never_overwrites(folder: Path) -> None:
    """A folder that holds something is refused and left as it was."""
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(InputError, match="is not empty"):
        write_site(read_site(folder), folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def _spoil_toml(folder: Path) -> None:
    (folder / "site.toml").write_text("name = \n", encoding="utf-8")


def _spoil_crs(folder: Path) -> None:
    (folder / "site.toml").write_text(SITE.replace("27700", "4326"), encoding="utf-8")


def _spoil_mercator(folder: Path) -> None:
    (folder / "site.toml").write_text(SITE.replace("27700", "3857"), encoding="utf-8")


def _spoil_unknown_crs(folder: Path) -> None:
    (folder / "site.toml").write_text(SITE.replace("EPSG:27700", "grid of my own"), encoding="utf-8")


def _spoil_encoding(folder: Path) -> None:
    (folder / "gullies.csv").write_bytes("id;note\nG1;caf\xe9\n".encode("cp1252"))


def _spoil_separator(folder: Path) -> None:
    (folder / "gullies.csv").write_text("id;chainage_m\nG1;3,2\n", encoding="utf-8")


def _spoil_comma(folder: Path) -> None:
    (folder / "gullies.csv").write_text('id,chainage_m\nG1,"3,2"\n', encoding="utf-8")


def _spoil_word(folder: Path) -> None:
    (folder / "gullies.csv").write_text("id,state\nG1,very bad\n", encoding="utf-8")


def _spoil_column(folder: Path) -> None:
    (folder / "gullies.csv").write_text("id,rim_level_mm\nG1,9790\n", encoding="utf-8")


def _spoil_ragged(folder: Path) -> None:
    (folder / "gullies.csv").write_text("id,state\nG1,sound,3\n", encoding="utf-8")


def _spoil_ids(folder: Path) -> None:
    (folder / "downpipes.csv").write_text("id\nG1\n", encoding="utf-8")


def _spoil_blank_id(folder: Path) -> None:
    (folder / "gullies.csv").write_text("id,state\n,sound\n", encoding="utf-8")


def _spoil_layer_crs(folder: Path) -> None:
    (folder / "buildings.geojson").write_text(
        json.dumps(outline(crs="urn:ogc:def:crs:EPSG::32630")), encoding="utf-8"
    )


def _spoil_lonlat(folder: Path) -> None:
    ring = [[-1.5, 52.1], [-1.4999, 52.1], [-1.4999, 52.1001], [-1.5, 52.1]]
    (folder / "buildings.geojson").write_text(json.dumps(outline(ring, crs=None)), encoding="utf-8")


def _spoil_bow_tie(folder: Path) -> None:
    ring = [[E, N], [E + 8, N + 6], [E + 8, N], [E, N + 6], [E, N]]
    (folder / "buildings.geojson").write_text(json.dumps(outline(ring)), encoding="utf-8")


def _spoil_json(folder: Path) -> None:
    (folder / "buildings.geojson").write_text('{"type": "FeatureCollection", "features": [', encoding="utf-8")


def _spoil_shape(folder: Path) -> None:
    whole = outline()
    whole["features"][0]["geometry"] = {"type": "Point", "coordinates": [E, N]}  # type: ignore[index]
    (folder / "buildings.geojson").write_text(json.dumps(whole), encoding="utf-8")


def _spoil_binary(folder: Path) -> None:
    (folder / "gullies.csv").write_bytes(b"PK\x03\x04\x00\x00")


def _spoil_raster(folder: Path) -> None:
    (folder / "ground.toml").write_text('model = "DTM"\n', encoding="utf-8")


@pytest.mark.parametrize(
    ("spoil", "file", "said"),
    [
        (_spoil_toml, "site.toml", "not readable as TOML"),
        (_spoil_crs, "site.toml", "EPSG:4326"),
        (_spoil_mercator, "site.toml", "EPSG:3857"),
        (_spoil_unknown_crs, "site.toml", "no known grid"),
        (_spoil_encoding, "gullies.csv", "is not UTF-8"),
        (_spoil_separator, "gullies.csv", "semicolons"),
        (_spoil_comma, "gullies.csv", "decimal comma"),
        (_spoil_word, "gullies.csv", "not one of its words"),
        (_spoil_column, "gullies.csv", "Did you mean rim_level_m?"),
        (_spoil_ragged, "gullies.csv", "3 cells"),
        (_spoil_ids, "downpipes.csv", "is also in gullies.csv, row 2"),
        (_spoil_blank_id, "gullies.csv", "is blank"),
        (_spoil_layer_crs, "buildings.geojson", "UTM zone 30N"),
        (_spoil_lonlat, "buildings.geojson", "longitude and latitude"),
        (_spoil_bow_tie, "buildings.geojson", "crosses or touches itself"),
        (_spoil_json, "buildings.geojson", "cannot be read as GeoJSON"),
        (_spoil_shape, "buildings.geojson", "is a Point"),
        (_spoil_binary, "gullies.csv", "not a text file"),
        (_spoil_raster, "ground.tif", "is missing"),
    ],
)
def test_a_slip_is_one_clear_sentence(
    folder: Path, spoil: Callable[[Path], None], file: str, said: str
) -> None:
    """Each slip names its file, what was found, what is allowed and how to mend it; nothing is half read."""
    spoil(folder)
    found = [problem for problem in problems(folder) if problem.severity == "error"]
    assert len(found) == 1
    assert found[0].file == file
    assert said in str(found[0])
    assert found[0].allowed
    assert found[0].mend
    with pytest.raises(InputError):
        read_site(folder)


def test_every_slip_is_listed_at_once(folder: Path) -> None:
    """Two wrong cells in a row and one in another file are three sentences, rows as a spreadsheet counts."""
    (folder / "gullies.csv").write_text("id,chainage_m,state\nG1,x,bad\n", encoding="utf-8")
    (folder / "chambers.csv").write_text("id,cover_level_m\nC1,9.8\nC2,ten\n", encoding="utf-8")
    found = [(said.file, said.row, said.column) for said in problems(folder)]
    assert found == [
        ("gullies.csv", 2, "chainage_m"),
        ("gullies.csv", 2, "state"),
        ("chambers.csv", 3, "cover_level_m"),
    ]


def test_millimetres_in_a_metres_column_are_named(folder: Path) -> None:
    """A staff reading of 1482 in metres is refused with the hint that it may be millimetres."""
    (folder / "levels.csv").write_text("id,role,backsight_m\nL1,bench_mark,1482\n", encoding="utf-8")
    assert "1.482" in str(problems(folder)[0])


@pytest.mark.parametrize("name", ["nowhere", "empty", "file"])
def test_a_folder_that_is_none(tmp_path: Path, name: str) -> None:
    """No folder, an empty folder and a file are each one sentence."""
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("x", encoding="utf-8")
    site, found = try_site(tmp_path / name)
    assert site is None
    assert len(found) == 1


def test_too_many_rows_are_refused_before_they_are_read(folder: Path) -> None:
    """A million readings are one sentence that says how many are allowed."""
    row = "r,pin,1,brick,5\n"
    (folder / "readings.csv").write_text(
        "id,method,instrument,material,value\n" + row * 1_000_000, encoding="utf-8"
    )
    found = problems(folder)
    assert len(found) == 1
    assert "1,000,001 rows" in str(found[0])


def test_markup_and_formulae_are_only_names(folder: Path, tmp_path: Path) -> None:
    """An id that is a script or a spreadsheet formula is read as it stands and written back as it stands."""
    names = ["<script>alert(1)</script>", "=cmd()|'/c calc'!A0", "a,b", 'say "hello"', "Ω1"]
    records = tuple(Gully(id=name, chainage_m=1.0) for name in names)
    (folder / "gullies.csv").write_bytes(write_csv(records, Gully))
    assert [record.id for record in read_site(folder).of("gully")] == names


def test_a_template_has_every_file_and_reads_back(tmp_path: Path) -> None:
    """Each record kind has a blank file whose header is exactly its declared columns."""
    written = write_template(tmp_path / "new")
    for model in KINDS.values():
        name = f"{model.stem}.geojson" if model.shape else f"{model.stem}.csv"
        assert name in written
        if not model.shape:
            header = (tmp_path / "new" / name).read_text(encoding="utf-8").strip().split(",")
            assert tuple(header) == model.columns()
    found = try_site(tmp_path / "new")[1]
    assert {said.file for said in found} <= {"site.toml"}


@pytest.mark.parametrize("kind", KINDS)
def test_every_column_is_explained(kind: str) -> None:
    """A column has a sentence, and a word column has words to choose from."""
    guide = field_guide()
    for name, field in KINDS[kind].model_fields.items():
        if name == "geometry":
            continue
        assert field.description, name
        assert f"<code>{name}</code>" in guide
        group = (field.json_schema_extra or {}).get("group")  # type: ignore[union-attr]
        assert group is None or words_of(str(group)), name


cells = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=20).map(str.strip)


@given(
    st.lists(
        st.builds(
            Reading,
            id=cells.filter(bool),
            method=st.sampled_from(words_of("method")),
            instrument=cells.filter(bool),
            material=st.sampled_from(words_of("material")),
            value=st.sampled_from(["12.5", ">100", "<6"]),
            chainage_m=st.none() | st.floats(0, 1e4),
            height_m=st.none() | st.floats(0, 30),
            note=cells,
        ),
        max_size=8,
        unique_by=lambda record: record.id,
    )
)
@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_records_survive_a_file(records: list[Reading]) -> None:
    """Whatever a record holds, writing it as CSV and reading it gives the same record."""
    layer = read_csv("readings.csv", write_csv(records, Reading), Reading, max_rows=100)
    assert layer.problems == ()
    assert list(layer.records) == records


@given(st.binary(max_size=300))
@settings(deadline=None)
def test_no_bytes_break_the_reader(raw: bytes) -> None:
    """Any bytes at all give records or problems, never a traceback."""
    layer = read_csv("readings.csv", raw, Reading, max_rows=100)
    assert layer.records or layer.problems or not raw.strip(b"\xef\xbb\xbf\r\n ,")
