"""The site as a whole: its files, written in one go."""

from __future__ import annotations

from pathlib import Path

import shapely
from scenarios.hand import Hand
from scenarios.record import SiteFolder, toml_text
from scenarios.semi.after import add_after
from scenarios.semi.book import add_levels
from scenarios.semi.drains import add_drains
from scenarios.semi.drying import add_drying, truth_of_drying
from scenarios.semi.ground import (
    ABSOLUTE,
    DAY,
    FRAME,
    NAME,
    NEXT_DOOR,
    RASTER_ABOVE_SITE,
    RASTER_SEED,
    RASTER_TOO_HIGH,
    RELATIVE,
    WALLS,
    surface,
)
from scenarios.semi.house import add_building, add_fabric
from scenarios.semi.readings import add_accounts, take_readings
from scenarios.semi.truth import truth_of
from scenarios.semi.visit import add_visit
from scenarios.terrain import Grid


def build(out: Path) -> str:
    """Write the site into a folder of its own and return its name."""
    folder = out / NAME
    hand = Hand(FRAME, 20_260_317)
    site = SiteFolder(FRAME)
    add_building(site, hand)
    add_fabric(site, hand)
    add_drains(site, hand)
    add_levels(site, hand)
    sweep = take_readings(site, hand)
    add_accounts(site)
    add_visit(site, Hand(FRAME, 20_260_318))
    add_after(site, Hand(FRAME, 20_260_324))
    add_drying(site, Hand(FRAME, 20_260_416))
    _texts(site)
    site.truth = truth_of(sweep) | truth_of_drying()
    site.write(folder)
    outlines = [shapely.Polygon(WALLS.corners), shapely.Polygon(NEXT_DOOR)]
    grid = Grid(FRAME, centre=(5, 5), width_m=80, cell_m=0.5)
    z = grid.bare(surface, outlines) + RASTER_ABOVE_SITE + RASTER_TOO_HIGH
    grid.write(folder / "ground.tif", z + grid.errors(seed=RASTER_SEED, sigma=RELATIVE))
    return NAME


def _texts(site: SiteFolder) -> None:
    site.texts["site.toml"] = toml_text(
        {
            "name": "Semi on a slope",
            "crs": "EPSG:27700",
            "datum": "site datum, bench mark 10.000",
            "bench_mark": "nail in the front step",
            "bench_mark_level_m": 10.0,
            "ordnance_offset_m": RASTER_ABOVE_SITE,
            "ordnance_offset_sigma_m": 0.05,
            "surveyed_on": DAY,
            "surveyed_by": "surveyor",
            "rain_48h_mm": 11.0,
            "scenario": "Invented: a semi-detached house with cavity walls; patio relaid to fall to the "
            "wall, one gully lip broken, one downpipe joined to nothing, one wet stretch no outlet explains.",
        }
    )
    site.texts["ground.toml"] = toml_text(
        {
            "model": "DTM",
            "error_m": ABSOLUTE,
            "relative_error_m": RELATIVE,
            "flown_on": "2025-02-08",
            "source": "made by demo_sites/make.py; free to use",
            "datum_offset_m": -RASTER_ABOVE_SITE,
            "datum_offset_sigma_m": 0.05,
        }
    )
    site.texts["README.md"] = """# Semi on a slope

An invented semi-detached house of about 1934 with cavity walls. The street drops from right to left, so
the damp proof course steps twice. The front garden falls away steeply; the drive along the flank is level
across; the patio was laid again in 2019 and now falls to the house.

What to look for:

- The front falls away and both the raster and the staff levels say so. On the patio the levels say
  "toward"; the half-metre raster cannot tell and must say "not known".
- Clearance under the damp proof course is good in front, too small on most of the patio side, and near
  150 mm on parts of the flank, where only "not known" is honest.
- Wet brickwork gathers at two outlets: gully G2 (lip broken on the wall side) and downpipe DP3 (joined to
  nothing). A third wet stretch, chainage 4.75 to 6.15 on the flank, has no outlet within 6 m.
- Behind the kitchen units nobody could read: that wall is unread, not dry.
- The soakaway holds water. With it blocked, gully G3 spills first, into the corner of the patio by the
  wall.
- The washing machine is recorded into G2; its dyed water came out at C3. The map must be called wrong
  there, and the soakaway takes foul water. TR1 proves run R7; TR4 put in far too little to prove anything.
- The sewer in the road has stood at 8.750: far below every opening.
- On a second visit yellow dye proved DP3, and a hole on the flank at 5.5 m found debris over the inner
  course: a route, but what feeds it is not yet known.
- The works have begun: G2 and DP3 are mended, G2 was tested again with enough water, the cavity is part
  cleaned, and nothing may be plastered yet.
- One hole bared the foundation, for 0.8 m only; elsewhere its underside is not known.
- Only two carbide readings are controls: that group has ranks, no excess.
- After gully G2 was made good the kitchen wall is dried. DR1 falls nicely and still nobody can say when it
  will be dry: "not before day 43, latest not known". DR5 falls too, but downpipe DP3 was never tested again:
  that is seepage with the source open, not drying. DR6 was wetted again by the rain of 27 April; DR7 was read
  by two instruments, so its readings are two series.

`truth.toml` holds what is true; the tool never reads it.
"""
