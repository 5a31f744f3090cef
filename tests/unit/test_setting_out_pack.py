"""The pack as files: every one by name, one zip of all, sketches and plan true to scale."""

from __future__ import annotations

import io
import re
import shutil
import zipfile
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import ezdxf
import numpy as np
import pypdfium2
import pytest

from geo.drains.setting_depths import RASTER
from geo.drains.setting_out import SettingOut
from geo.exchange.setting_ground import levels_over, terrain_of
from geo.exchange.setting_out import pack_files, pack_zip, setting_out_of
from geo.exchange.setting_plan import PAGE_MM, PLAN_WIDTH, key_svg, plan_svg, scale_of
from geo.exchange.setting_sketch import sketch_svg
from geo.findings.places import perimeter_of, positions_table
from geo.perimeter.build import Perimeter
from geo.perimeter.fix import fix_positions
from geo.site.folder import read_site
from geo.site.model import Site
from geo.verdict import Measured

SITES = Path(__file__).resolve().parents[2] / "demo_sites"
SVG = "{http://www.w3.org/2000/svg}"
Made = tuple[Site, SettingOut, Perimeter]


@pytest.fixture(scope="module")
def semi() -> Made:
    """Return the setting-out of the semi."""
    site = read_site(SITES / "semi_on_a_slope")
    return site, *setting_out_of(site)


def words(svg: str) -> list[str]:
    """Return the words of a drawing."""
    return [element.text or "" for element in ET.fromstring(svg).iter(SVG + "text")]


def test_every_file_by_name_and_one_zip_of_all(semi: Made) -> None:
    """Sheet, drawing, map files and eight tables; the zip holds the same bytes, and is the same twice."""
    files = pack_files(semi[0])
    assert list(files)[:4] == ["setting-out.pdf", "setting-out.dxf", "setting-out.geojson", "setting-out.gpx"]
    assert sum(name.endswith(".csv") for name in files) == 8
    whole = pack_zip(files)
    assert whole == pack_zip(files)
    with zipfile.ZipFile(io.BytesIO(whole)) as opened:
        assert {name: opened.read(name) for name in opened.namelist()} == files
    tables = [name for name in files if name.endswith(".csv")]
    with zipfile.ZipFile(io.BytesIO(pack_zip(files, names=tables))) as opened:
        assert opened.namelist() == tables


def test_each_hole_has_its_sketch_with_what_it_is_measured_by(semi: Made) -> None:
    """Two tapes and their corners, or a length along the wall and one off it; and the metre is a metre."""
    site, found, perimeter = semi
    ways = set()
    for name in found.boxes.index:
        svg, row = sketch_svg(site, found, perimeter, name), found.targets.loc[name]
        said = words(svg)
        lengths = (
            [f"{row['tape_1_m']:.2f}", f"{row['tape_2_m']:.2f}"]
            if row["tied"] == "yes"
            else [f"{row['wall_corner_m']:.2f}", f"{row['offset_m']:.2f}"]
        )
        corners = [row["tape_1_from"], row["tape_2_from"]] if row["tied"] == "yes" else [row["wall_corner"]]
        assert {name, *lengths, *corners} <= set(said)
        ways.add(row["tied"])
        root = ET.fromstring(svg)
        drawn = [
            float(
                np.hypot(
                    float(e.get("x2", 0)) - float(e.get("x1", 0)),
                    float(e.get("y2", 0)) - float(e.get("y1", 0)),
                )
            )
            for e in root.iter(SVG + "line")
            if e.get("stroke-width") == "1.6"
        ]
        bar = next(e for e in root.iter(SVG + "rect") if e.get("height") == "4")
        metre = float(bar.get("width", "0")) / float(next(w for w in said if re.fullmatch(r"\d m", w))[0])
        assert [length / metre for length in drawn] == pytest.approx([float(v) for v in lengths], abs=0.011)
    assert ways == {"yes", "no"}


def test_the_plan_is_to_the_scale_it_says(semi: Made) -> None:
    """1:n on a page 178 mm wide: the first face, of known length, is as long on the page as that."""
    site, found, perimeter = semi
    svg = plan_svg(site, found, perimeter)
    ratio = int(re.search(r"1:(\d+) printed", " ".join(words(svg))).group(1))  # type: ignore[union-attr]
    walls = [e.get("d", "") for e in ET.fromstring(svg).iter(SVG + "path") if e.get("stroke-width") == "2.4"]
    points = np.array([[float(v) for v in pair.split()] for pair in re.findall(r"[\d.]+ [\d.]+", walls[0])])
    steps = np.hypot(*np.diff(np.vstack([points, points[:1]]), axis=0).T)
    per_metre = PLAN_WIDTH / PAGE_MM * 1000.0 / ratio
    length = perimeter.footprints.geometry["B1"].exterior.length
    assert steps.sum() / per_metre == pytest.approx(length, abs=0.01)


def test_the_largest_scale_that_fits_is_taken() -> None:
    """178 mm less its edges is 159.5 mm: 30 m need 1:188, so 1:200; 15.9 m fit at 1:100; 16 m do not."""
    assert [scale_of(wide, 5.0) for wide in (30.0, 15.9, 16.0)] == [200, 100, 125]
    assert scale_of(2.0e6, 1.0) > 5000


def test_the_key_names_every_sign() -> None:
    """Fourteen signs, fourteen names."""
    assert len(words(key_svg())) == 14


def test_the_sheet_says_whose_each_run_is_and_how_it_is_known(semi: Made) -> None:
    """Owner, evidence and reel of every run, and a card for every hole, stand on the sheet; it is PDF/A."""
    site, found, _ = semi
    made = pack_files(site)["setting-out.pdf"]
    assert b"pdfaid:part>2<" in made
    document = pypdfium2.PdfDocument(made)
    said = " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())
    document.close()
    assert said.count("Dig ") >= len(found.boxes)
    for name, run in found.runs.iterrows():
        assert f"{name} {run['from_id']} → {run['to_id']}" in said
    for part in ("Whose", "Proved by", "Fault from upper end", "printed at full size", "grid N"):
        assert part in said


def test_the_drawing_opens_on_the_whole(semi: Made) -> None:
    """The DXF's extents hold every target and corner."""
    site, found, _ = semi
    doc = ezdxf.read(io.StringIO(pack_files(site)["setting-out.dxf"].decode()))
    low, high = np.array(doc.header["$EXTMIN"])[:2], np.array(doc.header["$EXTMAX"])[:2]
    for table in (found.targets, found.corners):
        xy = table[["x", "y"]].to_numpy(float)
        assert ((xy >= low - 1e-6) & (xy <= high + 1e-6)).all()


def test_recorded_foundations_reach_the_pack(semi: Made) -> None:
    """The semi's exposed length gives levels of concrete or an answer; given one level for all, no unknown is left."""
    site, found, _ = semi
    assert site.of("foundation")
    whole, _ = setting_out_of(site, foundation=Measured(0.0, 0.01))
    for table, answers in ((found.warnings, {"yes", "not known"}), (whole.warnings, set())):
        own = table[(table["about"] == "foundation") & (table["near_id"] == "B1")]
        runs = own[own["from_m"].notna()]
        assert set(runs["word"]) <= answers or runs["said"].str.contains("under the building").all()


def changed(tmp_path: Path, name: str, file: str, old: str, new: str) -> Site:
    """Return a demo site with words of one file changed."""
    folder = tmp_path / name
    shutil.copytree(SITES / name, folder)
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text
    (folder / file).write_text(text.replace(old, new), encoding="utf-8")
    return read_site(folder)


def over(site: Site) -> tuple[Any, str]:
    """Return the raster's ground of a site."""
    perimeter = perimeter_of(site)
    fixed = {
        kind: fix_positions(positions_table(site, kind), perimeter, ref=site.reference)
        for kind in ("gully", "chamber", "soakaway")
    }
    _, staffed = levels_over(site, perimeter, fixed)
    return terrain_of(site, perimeter, staffed)


def test_the_raster_is_tied_to_the_levels_or_not_used(semi: Made, tmp_path: Path) -> None:
    """Tied by hard points it agrees with a staffed level near by; a surface model is not ground; under a roof none."""
    site, found, perimeter = semi
    terrain, said = over(site)
    assert "hard points" in said
    row = found.targets.loc["C2"]
    z, sigma = terrain(np.array([[row["x"], row["y"]]]))
    assert abs(z[0] - row["ground_m"]) < 4 * sigma[0]
    inside = perimeter.footprints.geometry["B1"].representative_point()
    assert np.isnan(terrain(np.array([[inside.x, inside.y]]))[0][0])
    refused, why = over(changed(tmp_path, "semi_on_a_slope", "ground.toml", '"DTM"', '"DSM"'))
    assert refused is None
    assert "what stands on the ground" in why


def test_a_raster_with_no_levels_is_used_only_by_a_stated_offset(tmp_path: Path) -> None:
    """Without the level book: the semi's raster states its offset, the cottages' does not and says nothing."""
    for name, used in (("semi_on_a_slope", True), ("three_cottages", False)):
        folder = tmp_path / name
        shutil.copytree(SITES / name, folder)
        head = (folder / "levels.csv").read_text(encoding="utf-8").splitlines()[0]
        (folder / "levels.csv").write_text(head + "\n", encoding="utf-8")
        terrain, said = over(read_site(folder))
        assert (terrain is not None) is used, said
        assert ("offset stated" in said) is used
        assert ("not tied" in said) is not used


def test_ground_from_the_raster_says_so(tmp_path: Path) -> None:
    """Without levels and with no cover level, a chamber's ground is the raster's, with the raster's sigma."""
    folder = tmp_path / "site"
    shutil.copytree(SITES / "semi_on_a_slope", folder)
    for stem, cells in (("levels", 0), ("chambers", 1), ("gullies", 1), ("soakaways", 1)):
        lines = (folder / f"{stem}.csv").read_text(encoding="utf-8").splitlines()
        columns = lines[0].split(",")
        if not cells:
            lines = lines[:1]
        else:
            blank = [i for i, c in enumerate(columns) if c in ("cover_level_m", "rim_level_m")]
            rows = [line.split(",") for line in lines[1:]]
            lines = [lines[0]] + [
                ",".join("" if i in blank else c for i, c in enumerate(row)) for row in rows
            ]
        (folder / f"{stem}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    found, _ = setting_out_of(read_site(folder))
    chambers = found.targets[found.targets["kind"] == "chamber"]
    assert (chambers["ground_from"] == RASTER).all()
    assert (chambers["ground_sigma_m"] > 0.1).all()
    assert any("offset stated" in note for note in found.notes)
