"""The site as a whole: its files, written in one go."""

from __future__ import annotations

from pathlib import Path

import shapely
from scenarios.cottages.after import add_after
from scenarios.cottages.book import add_levels
from scenarios.cottages.drains import add_drains
from scenarios.cottages.ground import (
    DAY,
    FRAME,
    NAME,
    RASTER_ABOVE_SITE,
    RASTER_SEED,
    RELATIVE,
    RINGS,
    surface,
)
from scenarios.cottages.house import add_buildings, add_fabric
from scenarios.cottages.readings import add_accounts, take_readings
from scenarios.cottages.truth import truth_of
from scenarios.cottages.visit import add_visit
from scenarios.hand import Hand
from scenarios.record import SiteFolder, toml_text
from scenarios.terrain import Grid


def build(out: Path) -> str:
    """Write the site into a folder of its own and return its name."""
    folder = out / NAME
    hand = Hand(FRAME, 20_260_224)
    site = SiteFolder(FRAME)
    add_buildings(site, hand)
    add_fabric(site, hand)
    add_drains(site, hand)
    add_levels(site, hand)
    sweep = take_readings(site, hand)
    add_accounts(site)
    add_visit(site, Hand(FRAME, 20_260_225))
    add_after(site)
    _texts(site)
    site.truth = truth_of(sweep)
    site.write(folder)
    grid = Grid(FRAME, centre=(7, 4), width_m=90, cell_m=1.0)
    z = grid.bare(surface, [shapely.Polygon(ring.corners) for ring in RINGS]) + RASTER_ABOVE_SITE
    grid.write(folder / "ground.tif", z + grid.errors(seed=RASTER_SEED, sigma=RELATIVE))
    return NAME


def _texts(site: SiteFolder) -> None:
    site.texts["site.toml"] = toml_text(
        {
            "name": "Three cottages",
            "crs": "EPSG:27700",
            "datum": "local datum, bench mark 20.000; not tied to a national one",
            "bench_mark": "cut mark on the doorstep of the middle cottage",
            "bench_mark_level_m": 20.0,
            "surveyed_on": DAY,
            "surveyed_by": "surveyor",
            "rain_48h_mm": 4.0,
            "scenario": "Invented: three cottages of one terrace, wet all along the back because the yard "
            "stands against the walls, and read mostly beside the gullies; a shared drain with a hump.",
        }
    )
    site.texts["ground.toml"] = toml_text(
        {
            "model": "DTM",
            "error_m": 0.15,
            "relative_error_m": RELATIVE,
            "flown_on": "2022-01-30",
            "source": "made by demo_sites/make.py; free to use",
        }
    )
    site.texts["README.md"] = """# Three cottages

An invented terrace of about 1840: three cottages with thick solid walls and a slate damp proof course,
the third standing 0.6 m forward. The yard at the back has risen over the years and falls to the walls.

What to look for:

- Two thirds of the readings outside were taken within a metre of a gully or downpipe, and two thirds of
  the wet ones lie there. That proves nothing: near and away, half of the places are wet. The tool must
  say that no clustering is shown.
- The backs are wet from end to end, and from end to end the ground stands above the damp proof course.
- Party walls have no outside: no fall, no clearance, no walk past them. The 0.6 m returns beside the
  third cottage are open and belong to the ring they are part of.
- The 1 m raster is not tied to the site's own datum until hard levels tie it, and it can tell little at a
  wall.
- Pins PIN-1 and PIN-4 are two instruments and are never pooled; PIN-4 has three controls, so only ranks.
- The shared run S1 rises over a root. Water stands 60 mm deep in chamber X1. With S3 blocked, gully GC
  spills first, at the low end; with S2 blocked, gully GB.
- The shared runs belong to several owners, the last to the sewer's owner: whose it is goes with every
  answer.

`truth.toml` holds what is true; the tool never reads it.
"""
