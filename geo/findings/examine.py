"""The whole way through, once, in order: a site goes in, its findings come out."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geo.findings.assets import gullies_of, lay_out_assets, outlets_of
from geo.findings.gaps import Gap, unread_gaps, verdict_gaps
from geo.findings.heights import course_points, site_levels
from geo.findings.places import perimeter_of, place_records, ring_keys
from geo.findings.samples import sample_contents
from geo.findings.telling import Tell, quietly
from geo.ground.model import GroundReport, examine_ground
from geo.ground.raster import Raster, read_raster
from geo.levels.book import LevelBook
from geo.moisture.censor import parse_values
from geo.moisture.coverage import wall_coverage
from geo.moisture.stretches import cut_stretches
from geo.moisture.wetness import score_wetness
from geo.outlets.report import OutletReport, examine_outlets
from geo.perimeter.build import Perimeter
from geo.perimeter.join import counts
from geo.perimeter.path import free_arcs, outside_distance
from geo.site.crs import absolute_note
from geo.site.model import Site

WAYS_IN = ("door", "air_brick", "vent", "weep", "open_perpend", "pipe_hole")


@dataclass(frozen=True, kw_only=True, eq=False)
class Findings:
    """Everything found at one site; whoever reads an answer can ask which records it rests on.

    Parameters
    ----------
    readings
        One row a reading, indexed by id: where it belongs, its group, and whether it is wet.
    assets
        One row a gully, downpipe, soakaway or chamber, indexed by id, with its place on the wall.
    samples
        One row a sample: its moisture contents on both bases, and what its place says.
    levels, book
        Reduced levels with their places, and the level book behind them.
    dpc, ground_levels
        What the clearance rests on.
    gaps
        What is not known, dearest first by the length of wall it leaves open.
    """

    site: Site
    seed: int
    perimeter: Perimeter
    stations: gpd.GeoDataFrame
    placed: dict[str, pd.DataFrame] = field(repr=False)
    readings: pd.DataFrame
    groups: pd.DataFrame
    stretches: gpd.GeoDataFrame
    coverage: pd.DataFrame
    unread: pd.DataFrame
    samples: pd.DataFrame
    levels: pd.DataFrame
    book: LevelBook | None
    dpc: pd.DataFrame
    ground_levels: pd.DataFrame
    ground: GroundReport
    raster: Raster | None
    assets: pd.DataFrame
    outlets: OutletReport
    gaps: tuple[Gap, ...]
    notes: tuple[str, ...]

    @property
    def counts(self) -> dict[str, int]:
        """Readings taken, joined, ambiguous and unjoined."""
        return counts(self.readings)

    @property
    def read_again(self) -> int:
        """Readings taken again later, at drying points or at places read before."""
        return len(self.site.of("reading")) - len(self.readings)

    @property
    def grid_note(self) -> str:
        """How far absolute positions may be trusted."""
        return absolute_note(self.site.crs)

    @property
    def cluster_rows(self) -> list[dict[str, Any]]:
        """The cluster answers as plain rows."""
        return self.outlets.rows()

    @property
    def outlet_rows(self) -> list[dict[str, Any]]:
        """The answers outlet by outlet as plain rows."""
        return [dict(row) for row in self.outlets.outlets.to_dict("records")]

    def layers(self) -> dict[str, gpd.GeoDataFrame]:
        """Return everything that has a place, layer by layer, in the site's CRS."""
        crs = self.site.crs
        points = self.readings[np.isfinite(self.readings["x"])]
        assets = self.assets[np.isfinite(self.assets["x"])]
        return {
            "footprints": self.perimeter.footprints,
            "faces": self.perimeter.faces,
            "readings": gpd.GeoDataFrame(
                points.rename_axis("reading_id").reset_index(),
                geometry=shapely.points(points["x"], points["y"]),
                crs=crs,
            ),
            "stretches": self.stretches.rename_axis("stretch_id").reset_index(),
            "assets": gpd.GeoDataFrame(
                assets.drop(columns=["facts"]).rename_axis("asset_id").reset_index(),
                geometry=shapely.points(assets["x"], assets["y"]),
                crs=crs,
            ),
            "runs": gpd.GeoDataFrame(self.site.table("run")).dropna(subset=["geometry"]),
            "falls": self._at_stations(self.ground.falls),
            "clearance": self._at_stations(self.ground.clearance),
            "ponds": self.ground.ponds,
        }

    def _at_stations(self, table: pd.DataFrame) -> gpd.GeoDataFrame:
        place = self.stations.set_index("station_id")
        wanted = place.loc[table["station_id"], ["ring_key", "face", "chainage_from_m", "chainage_to_m"]]
        joined = pd.concat([table.reset_index(drop=True), wanted.reset_index(drop=True)], axis=1)
        lines = place.loc[table["station_id"], "geometry"].to_numpy()
        return gpd.GeoDataFrame(joined, geometry=lines, crs=self.site.crs)


def examine(site: Site, *, seed: int = 1, tell: Tell = quietly) -> Findings:
    """Work out everything about a site.

    Parameters
    ----------
    site
        A site that has no error (see :func:`geo.findings.check.read_checked`).
    seed
        Of the permutations.
    tell
        Told the share done and what is being done.

    Raises
    ------
    InputError, GeometryError
        When something that only shows on the way through cannot be used.
    """
    ref = site.reference
    tell(0.05, "walking the perimeter")
    perimeter = perimeter_of(site)
    stations = perimeter.stations()
    placed = place_records(site, perimeter)
    tell(0.20, "joining readings")
    readings = _readings(site, placed)
    wetness = score_wetness(readings, ref=ref)
    readings = readings.join(wetness.wetness.drop(columns=["censored"]))
    examined = perimeter.faces[
        perimeter.rings["examined"].reindex(perimeter.faces["ring_key"]).to_numpy(dtype=bool)
    ]
    stretches = cut_stretches(
        readings, wetness, examined, perimeter.rings["length_m"].to_dict(), perimeter.line, ref=ref
    )
    covered = wall_coverage(readings, examined, ref=ref, unread_lengths=_unread(site))
    tell(0.35, "reducing levels")
    levels, book = site_levels(site)
    levels = _with_places(levels, placed.get("level"))
    dpc, beside = course_points(site, levels)
    ground_levels = levels[(levels["role"] == "ground") & (levels["ring_key"] != "")]
    assets = lay_out_assets(site, placed, levels)
    tell(0.45, "fitting the ground")
    raster, surface = _rasters(site, perimeter)
    ground = examine_ground(
        stations,
        perimeter.footprints,
        perimeter.rings["length_m"],
        levels=ground_levels,
        dpc=dpc[dpc["leaf"] != "inner"],
        gullies=gullies_of(assets),
        raster=raster,
        surface=surface,
        kerbs=kerbs_of(site, levels),
        ways_in=_ways_in(site, perimeter),
        ref=ref,
    )
    tell(0.80, "comparing with outlets")
    outlets = examine_outlets(
        readings[(readings["status"] == "joined") & (readings["side"] == "outside")],
        outlets_of(site, assets),
        distance=partial(outside_distance, perimeter),
        ring_lengths=perimeter.rings["length_m"].to_dict(),
        arcs=[arc[:3] for arc in free_arcs(perimeter)],
        ref=ref,
        seed=seed,
    )
    notes = [*ground.notes, *_book_notes(book), *beside]
    gaps = _gaps(site, stations, covered.unread, ground, readings)
    tell(1.0, "done")
    return Findings(
        site=site,
        seed=seed,
        perimeter=perimeter,
        stations=stations,
        placed=placed,
        readings=readings,
        groups=wetness.groups,
        stretches=stretches,
        coverage=covered.coverage,
        unread=covered.unread,
        samples=sample_contents(site, placed.get("sample")),
        levels=levels,
        book=book,
        dpc=dpc,
        ground_levels=ground_levels,
        ground=ground,
        raster=raster,
        assets=assets,
        outlets=outlets,
        gaps=gaps,
        notes=tuple(notes),
    )


def _readings(site: Site, placed: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Lay the survey's readings out with their places and values; their raw numbers stay in the records.

    Readings taken again, at drying points or at places read before, are of another day: they are not here.
    """
    table = site.table("reading")
    table = table[(table["point_id"] == "") & (table["repeats_id"] == "")]
    parsed = parse_values(table["value"])
    method = site.reference.methods
    own = pd.DataFrame(
        {
            "method": table["method"],
            "method_name": [method[key].name for key in table["method"]],
            "unit": [method[key].unit for key in table["method"]],
            "material": table["material"],
            "basis": table["basis"],
            "instrument": table["instrument"],
            "value_text": table["value"],
            "value": parsed["value"],
            "censored": parsed["censored"],
            "control": table["control"] == "yes",
            "control_set_id": table["control_set_id"],
            "height_m": table["height_m"],
            "level_m": table["level_m"],
            "taken_at": table["taken_at"],
            "note": table["note"],
        }
    )
    places = placed.get("reading")
    if places is None:
        blank = dict.fromkeys(("ring_key", "building_id", "ring", "face", "side", "reason"), "")
        places = pd.DataFrame(blank | {"status": "unjoined"}, index=own.index)
        for name in ("chainage_m", "chainage_sigma_m", "offset_m", "x", "y", "position_sigma_m"):
            places[name] = np.nan
    kept = [name for name in places.columns if name not in own.columns]
    return own.join(places[kept])


def _unread(site: Site) -> pd.DataFrame:
    table = site.table("unread_length")
    key = ring_keys(table, site)
    return table[["side", "chainage_from_m", "chainage_to_m", "state"]].assign(ring_key=key)


def _with_places(table: pd.DataFrame, places: pd.DataFrame | None) -> pd.DataFrame:
    columns = ["ring_key", "face", "side", "chainage_m", "offset_m", "x", "y"]
    if places is None:
        return table.assign(
            ring_key="", face="", side="", chainage_m=np.nan, offset_m=np.nan, x=np.nan, y=np.nan
        )
    joined = table.join(places[columns])
    return joined.assign(**{name: joined[name].fillna("") for name in ("ring_key", "face", "side")})


def _rasters(site: Site, perimeter: Perimeter) -> tuple[Raster | None, Raster | None]:
    if site.raster_path is None or site.ground is None:
        return None, None
    bounds = tuple(perimeter.footprints.total_bounds)
    raster = read_raster(site.raster_path, meta=site.ground, crs=site.crs, bounds=bounds, ref=site.reference)
    path = site.folder / "surface.tif"
    if not path.exists():
        return raster, None
    return raster, read_raster(path, meta=site.ground, crs=site.crs, bounds=bounds, ref=site.reference)


def _ways_in(site: Site, perimeter: Perimeter) -> pd.DataFrame:
    """Return the openings water could come in by, where their wall is."""
    table = site.table("opening")
    table = table[table["opening_kind"].isin(WAYS_IN) & table["sill_level_m"].notna()]
    key = ring_keys(table, site)
    known = key.isin(perimeter.rings.index)
    table, key = table[known], key[known]
    middle = (table["chainage_from_m"] + table["chainage_to_m"]) / 2
    names = ["x", "y", "normal_e", "normal_n", "level_m"]
    if table.empty:
        return pd.DataFrame({name: pd.Series(dtype="float64") for name in names})
    point = perimeter.point_at(key.to_numpy(), middle.to_numpy())
    normal = perimeter.frames[2][perimeter.face_at(key.to_numpy(), middle.to_numpy())]
    whole = np.column_stack([point, normal, table["sill_level_m"].to_numpy()])
    return pd.DataFrame(whole, columns=names, index=table.index)


def kerbs_of(site: Site, levels: pd.DataFrame) -> gpd.GeoDataFrame | None:
    """Return the kerbs that are drawn, or ``None``; a top not recorded is the lowest one booked of it."""
    kerbs = gpd.GeoDataFrame(site.table("kerb"), crs=site.crs)
    drawn = kerbs[~(kerbs.geometry.isna() | kerbs.geometry.is_empty)]
    if drawn.empty:
        return None
    booked = levels[(levels["role"] == "kerb") & (levels["of_id"] != "")].groupby("of_id")["level_m"].min()
    return drawn.assign(top_level_m=drawn["top_level_m"].fillna(booked.reindex(drawn.index)))


def _book_notes(book: LevelBook | None) -> list[str]:
    if book is None:
        return []
    return [
        f"level book, {run.from_point} to {run.to_point}: {run.word}; {run.because}"
        for run in book.runs.itertuples()
    ]


def _gaps(
    site: Site, stations: gpd.GeoDataFrame, unread: pd.DataFrame, ground: GroundReport, readings: pd.DataFrame
) -> tuple[Gap, ...]:
    """Gather what is not known, and the cheapest measurement that would end each."""
    found = list(unread_gaps(unread, minutes_per_reading=1.0, spacing_m=1.0))
    levels = ground.falls[ground.falls["evidence"] == "levels"]
    found += verdict_gaps(
        levels, stations, what="fall of the ground", why="whether water runs to the wall", minutes=2.0
    )
    found += verdict_gaps(
        ground.clearance,
        stations,
        what="clearance of the damp proof course",
        why="whether it is enough",
        minutes=2.0,
    )
    for group, own in readings[readings["wet"] == "not known"].groupby("group"):
        settle = own["settle"][own["settle"] != ""]
        if len(settle):
            found.append(
                Gap(
                    what=f"{len(own)} readings neither wet nor dry",
                    where=str(group).replace("|", ", ").replace("_", " "),
                    why=str(own["because"].mode().iloc[0]),
                    settle=str(settle.mode().iloc[0]),
                    minutes=5.0,
                )
            )
    for row in readings[readings["status"] != "joined"].itertuples():
        found.append(
            Gap(
                what=f"reading {row.Index} is {row.status}",
                where=f"{row.ring_key} {row.face}".strip() or "no wall",
                why=str(row.reason),
                settle="say which face it is on, or tape it again",
                minutes=2.0,
            )
        )
    ends = site.table("run")
    for run_id in ends.index[(ends["to_id"] == "")]:
        found.append(
            Gap(
                what=f"where run {run_id} ends",
                where=str(run_id),
                why="water put into it goes nobody knows where",
                settle="run a tap with the chambers open, then dye",
                minutes=20.0,
            )
        )

    def open_length(gap: Gap) -> float:
        span = gap.chainage_to_m - gap.chainage_from_m
        return -span if np.isfinite(span) else 0.0

    return tuple(sorted(found, key=open_length))
