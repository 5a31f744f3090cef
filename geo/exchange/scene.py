"""Findings laid out for the drawings."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from geo.draw.scene import Scene
from geo.findings.examine import Findings
from geo.findings.places import ring_keys


def scene_of(found: Findings) -> Scene:
    """Return what the drawings show of a site's findings; nothing is worked out here."""
    site = found.site
    info = site.info
    tie = None
    if info.tie_longitude_deg is not None and info.tie_latitude_deg is not None:
        tie = (info.tie_longitude_deg, info.tie_latitude_deg, info.grid_bearing_deg or 0.0)
    readings = found.readings.assign(
        value=found.readings["value_text"],
        shade=found.readings["excess"].fillna(found.readings["excess_at_least"]),
        ranked=found.readings["group"].map(found.groups["basis_of_comparison"]) == "ranks",
    )
    floors = site.table("building")["floor_level_m"].to_dict()
    return Scene(
        site_name=info.name,
        datum=info.datum,
        surveyed_on=info.surveyed_on,
        version=site.digest,
        grid_note=found.grid_note,
        crs=site.crs,
        tie=tie,
        perimeter=found.perimeter,
        stations=found.stations,
        readings=readings,
        counts=found.counts,
        stretches=found.stretches,
        coverage=found.coverage,
        unread=found.unread,
        falls=found.ground.falls,
        clearance=found.ground.clearance,
        ponds=found.ground.ponds,
        uphill=found.ground.uphill,
        assets=found.assets.rename_axis("asset_id").reset_index(),
        runs=_runs(found),
        openings=_openings(found),
        dpc=found.dpc,
        ground_levels=found.ground_levels,
        floors={str(name): float(level) for name, level in floors.items()},
        clusters=tuple(found.cluster_rows),
        rule_mm=site.reference.value("ground.dpc_clearance_mm"),
        raster=found.raster,
    )


def _runs(found: Findings) -> gpd.GeoDataFrame:
    """Return runs with a line: as drawn, or straight between the assets they name."""
    site = found.site
    table = site.table("run")
    known = found.assets[np.isfinite(found.assets["x"].astype(float))]
    rows = []
    for record, drawn in zip(table.itertuples(), table.geometry, strict=True):
        line = drawn
        if line is None and record.from_id in known.index and record.to_id in known.index:
            ends = known.loc[[record.from_id, record.to_id], ["x", "y"]].to_numpy(dtype=float)
            line = gpd.GeoSeries.from_xy(*ends.T).union_all().convex_hull
        if line is None or line.geom_type != "LineString":
            continue
        evidence = (
            "assumed" if "assumed" in (record.from_evidence, record.to_evidence) else record.to_evidence
        )
        facts = {
            "carries": site.reference.word("run_use", record.use),
            "from": record.from_id or "not traced",
            "to": record.to_id or "nowhere known",
            "state": site.reference.word("run_state", record.state),
            "ends known by": f"{record.from_evidence} / {record.to_evidence}".replace("_", " "),
        }
        for name, said in (("bore_mm", "bore, mm"), ("invert_up_level_m", "invert up, m")):
            if np.isfinite(getattr(record, name)):
                facts[said] = f"{getattr(record, name):g}"
        if np.isfinite(record.invert_down_level_m):
            facts["invert down, m"] = f"{record.invert_down_level_m:g}"
        if record.note:
            facts["note"] = record.note
        rows.append(
            {
                "run_id": record.id,
                "use": record.use,
                "state": record.state,
                "evidence": evidence,
                "facts": facts,
                "geometry": line,
            }
        )
    columns = ["run_id", "use", "state", "evidence", "facts", "geometry"]
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=columns), geometry="geometry", crs=site.crs)


def _openings(found: Findings) -> pd.DataFrame:
    table = found.site.table("opening")
    key = ring_keys(table, found.site)
    columns = ["chainage_from_m", "chainage_to_m", "sill_level_m", "head_level_m"]
    return table[columns].assign(opening_id=table.index, ring_key=key, kind=table["opening_kind"])
