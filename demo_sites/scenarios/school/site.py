"""The site as a whole: its files, written in one go."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scenarios.hand import Hand
from scenarios.record import SiteFolder, toml_text
from scenarios.school.after import add_after
from scenarios.school.book import add_levels
from scenarios.school.drains import add_drains
from scenarios.school.ground import (
    DAY,
    FLOOR,
    FRAME,
    HEDGE,
    NAME,
    RASTER_ABOVE_SITE,
    RASTER_SEED,
    RELATIVE,
    SHED,
    outline,
    surface,
)
from scenarios.school.house import add_building, add_fabric
from scenarios.school.readings import add_accounts, take_readings
from scenarios.school.truth import truth_of
from scenarios.school.visit import add_visit
from scenarios.terrain import Grid


def build(out: Path) -> str:
    """Write the site into a folder of its own and return its name."""
    folder = out / NAME
    hand = Hand(FRAME, 20_260_506)
    site = SiteFolder(FRAME)
    add_building(site, hand)
    add_fabric(site, hand)
    add_drains(site, hand)
    add_levels(site, hand)
    sweep = take_readings(site, hand)
    add_accounts(site)
    add_visit(site, Hand(FRAME, 20_260_507))
    add_after(site)
    _texts(site)
    site.truth = truth_of(sweep)
    site.write(folder)
    grid = Grid(FRAME, centre=(12, 9), width_m=80, cell_m=0.25)
    errors = grid.errors(seed=RASTER_SEED, sigma=RELATIVE)
    bare = grid.bare(surface, [outline()]) + RASTER_ABOVE_SITE + errors
    grid.write(folder / "ground.tif", bare)
    above = np.where(grid.inside([HEDGE]), 1.3, 0.0) + np.where(grid.inside([SHED]), 2.1, 0.0)
    roof = RASTER_ABOVE_SITE + FLOOR + 5.2
    grid.write(folder / "surface.tif", np.where(grid.inside([outline()]), roof, bare + above))
    return NAME


def _texts(site: SiteFolder) -> None:
    site.texts["site.toml"] = toml_text(
        {
            "name": "Old school",
            "crs": "EPSG:27700",
            "datum": "site datum, bench mark 30.000",
            "bench_mark": "bolt in the plinth by the entrance",
            "bench_mark_level_m": 30.0,
            "ordnance_offset_m": RASTER_ABOVE_SITE,
            "ordnance_offset_sigma_m": 0.02,
            "surveyed_on": DAY,
            "surveyed_by": "surveyor",
            "rain_48h_mm": 0.5,
            "scenario": "Invented: a former school round a courtyard, with a lightwell; one courtyard gully "
            "blocked, the kitchen run half choked with grease, tarmac laid high along one side.",
        }
    )
    site.texts["ground.toml"] = toml_text(
        {
            "model": "DTM",
            "error_m": 0.05,
            "relative_error_m": RELATIVE,
            "flown_on": "2026-04-11",
            "source": "made by demo_sites/make.py; free to use",
            "datum_offset_m": -RASTER_ABOVE_SITE,
            "datum_offset_sigma_m": 0.02,
        }
    )
    site.texts["README.md"] = """# Old school

An invented school of about 1902, now a house: thick brick walls round a courtyard (ring Y1) and a
lightwell (ring Y2), surveyed with a fine ground raster of 0.25 m cells.

What to look for:

- Three rings, each with its own chainage: the outline, the courtyard, the lightwell.
- The playground falls to the back wall and the front falls away: the fine raster can tell, and the levels
  agree. The 2 % falls of the courtyard it cannot tell; the levels can.
- The courtyard drains to two gullies and nowhere else. GY1 is blocked: water stands against the east wall
  (F3) until it runs over the top of the paving to GY2. With neither working it rises to the boiler room's
  threshold.
- Along the right side tarmac was laid up to 100 mm below the damp proof course: a wet stretch no outlet
  explains.
- Kitchen run RK is part blocked by grease: one or two pump-outs pass, the third of a wash spills at the
  broken lip of gully GK.
- The public sewer, its cover bolted down, has stood at 30.240: above the lip of GK, and below every other
  opening. The non-return valve in R2 keeps it out; but then the kitchen's own water stays in, and spills.
- The low wall KB1 round chamber M4 is open uphill: water there stands behind it, 2.5 m off the building.
- Dye proves run R9; the lightwell's dye came out nowhere.
- `surface.tif` holds the hedge along the left side and a shed. The staff could not get behind the hedge:
  most of that side has no level at the wall, so no clearance either.
- The render hides the damp proof course along part of the back: clearance there is not known.

`truth.toml` holds what is true; the tool never reads it.
"""
