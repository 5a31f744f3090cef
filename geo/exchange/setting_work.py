"""The setting-out of a site's drains from its records."""

from __future__ import annotations

import pandas as pd

from geo.drains.network import build_network
from geo.drains.setting_out import SettingOut, set_out
from geo.exchange.setting_ground import levels_over, terrain_of
from geo.findings.places import perimeter_of, positions_table, ring_keys
from geo.perimeter.build import Perimeter
from geo.perimeter.fix import fix_positions
from geo.site.model import Site
from geo.site.records import ASSETS
from geo.verdict import Measured


def setting_out_of(
    site: Site, *, foundation: Measured | None = None, perimeter: Perimeter | None = None
) -> tuple[SettingOut, Perimeter]:
    """Work out the setting-out of a site's drains from its records.

    Parameters
    ----------
    foundation
        Level of the underside of the surveyed buildings' foundation, in place of those recorded.
    perimeter
        The perimeter of the site, where it is worked out already.

    Raises
    ------
    InputError
        When the raster of the ground, or the level book, cannot be used.
    """
    ref = site.reference
    perimeter = perimeter or perimeter_of(site)
    tables = {kind: site.table(kind) for kind in (*ASSETS, "run")}
    fixed = {kind: fix_positions(positions_table(site, kind), perimeter, ref=ref) for kind in ASSETS}
    places = pd.concat(
        [
            fixed[kind].assign(kind=kind, state=tables[kind]["state"], evidence=tables[kind]["evidence"])
            for kind in ASSETS
        ]
    )
    ground, staffed = levels_over(site, perimeter, fixed)
    terrain, told = terrain_of(site, perimeter, staffed)
    exposed = site.table("foundation")
    found = set_out(
        build_network(tables, ref=ref, positions=places),
        runs=tables["run"],
        places=places,
        perimeter=perimeter,
        ref=ref,
        ground=ground,
        terrain=terrain,
        services=site.table("service"),
        patches=site.table("ground_patch"),
        soakaways=tables["soakaway"],
        foundations=exposed.assign(ring_key=ring_keys(exposed, site)),
        foundation=foundation,
        notes=(told,) if told else (),
    )
    return found, perimeter
