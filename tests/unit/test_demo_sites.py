"""The demo sites are what their script makes of the stated truths, and they can be read."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
import rasterio

from geo.site.folder import read_site
from geo.site.records import KINDS

DEMO = Path(__file__).parents[2] / "demo_sites"
NAMES = ("semi_on_a_slope", "three_cottages", "old_school")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder the script has just written."""
    out = tmp_path_factory.mktemp("demo")
    subprocess.run([sys.executable, str(DEMO / "make.py"), str(out)], check=True, capture_output=True)
    return out


@pytest.mark.parametrize("name", NAMES)
def test_the_script_writes_the_same_text_again(made: Path, name: str) -> None:
    """Every file of a demo site but its rasters is, byte for byte, what the script writes."""
    kept, again = (
        {
            path.relative_to(root / name): path.read_bytes()
            for path in (root / name).rglob("*")
            if path.is_file() and path.suffix != ".tif"
        }
        for root in (DEMO, made)
    )
    assert set(kept) == set(again)
    assert [file for file in kept if kept[file] != again[file]] == []


@pytest.mark.parametrize("name", NAMES)
def test_the_script_writes_the_same_raster_again(made: Path, name: str) -> None:
    """Every raster has the same cells in the same place; its bytes may follow the compressor's version."""
    files = sorted(path.name for path in (DEMO / name).glob("*.tif"))
    assert "ground.tif" in files
    assert files == sorted(path.name for path in (made / name).glob("*.tif"))
    for file in files:
        with rasterio.open(DEMO / name / file) as kept, rasterio.open(made / name / file) as again:
            assert kept.transform == again.transform
            assert kept.crs == again.crs
            np.testing.assert_array_equal(kept.read(1), again.read(1))


@pytest.mark.parametrize("name", NAMES)
def test_a_demo_site_reads_without_a_word(name: str) -> None:
    """A demo site has no problem in any cell, and its truth is no part of what is read."""
    site = read_site(DEMO / name)
    assert site.warnings == ()
    assert "truth.toml" not in site.files


def test_every_kind_of_record_is_in_a_demo_site() -> None:
    """Somebody who opens the demo sites can see one of everything that may be recorded."""
    sites = [read_site(DEMO / name) for name in NAMES]
    assert [kind for kind in KINDS if not any(site.of(kind) for site in sites)] == []


@pytest.mark.parametrize("name", NAMES)
def test_the_truth_counts_the_readings(name: str) -> None:
    """The truth speaks of every reading once, 80 or more by three methods, some off the scale."""
    site = read_site(DEMO / name)
    with (DEMO / name / "truth.toml").open("rb") as file:
        truth = tomllib.load(file)
    taken = site.table("reading")
    taken = taken[(taken["point_id"] == "") & (taken["repeats_id"] == "")]  # those of the survey
    assert [row["id"] for row in truth["reading"]] == list(taken.index)
    counts = truth["readings"]
    assert counts["taken"] == counts["joined"] + counts["ambiguous"] + counts["unjoined"] == len(taken) >= 80
    assert taken["method"].nunique() >= 3
    assert taken["instrument"].nunique() >= 3
    assert taken["value"].str.startswith(">").any()
    assert set(taken["position_by"]) >= {
        "chainage_offset",
        "face_distance",
        "coordinates",
        "distance_bearing",
    }
