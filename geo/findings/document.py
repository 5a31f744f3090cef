"""``findings.json``: what was found, in a form another program can check against its schema."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from importlib import metadata
from typing import Any, TypeVar

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field

from geo.findings.examine import Findings

Row = TypeVar("Row", bound=BaseModel)
SCHEMA_ID = "urn:wallfoot:findings:1"


class Part(BaseModel):
    """Settings shared by every part of the document."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class SitePart(Part):
    """The site."""

    name: str
    grid: str = Field(description="EPSG code, or local")
    grid_note: str = Field(description="How far absolute positions may be trusted")
    datum: str
    surveyed_on: str
    data_version: str = Field(description="SHA-256 over every file of the site folder")
    tool_version: str
    seed: int = Field(description="Seed of the permutations")


class Counts(Part):
    """Where the readings went: taken = joined + ambiguous + unjoined."""

    taken: int
    joined: int
    ambiguous: int
    unjoined: int


class RingPart(Part):
    """One closed line of wall."""

    ring_key: str
    building_id: str
    ring: str
    kind: str
    length_m: float
    map_length_m: float
    taped: bool


class FacePart(Part):
    """One straight face."""

    ring_key: str
    face: str
    corner_from: str
    corner_to: str
    chainage_from_m: float
    chainage_to_m: float
    length_m: float
    length_sigma_m: float | None
    bearing_deg: float
    exposure: str
    thickness_m: float | None


class ReadingPart(Part):
    """One reading: where it belongs and what it says against its own control."""

    reading_id: str
    status: str = Field(description="joined, ambiguous or unjoined")
    reason: str
    ring_key: str | None
    face: str | None
    chainage_m: float | None
    chainage_sigma_m: float | None
    side: str
    group: str = Field(description="method | material | basis | instrument: never pooled with another")
    value: str
    censored: str
    excess: float | None = Field(description="Robust sigmas over control; none when off the scale")
    rank: float | None = Field(description="0 to 1 within its own group")
    wet: str
    because: str
    settle: str


class SamplePart(Part):
    """One sample: moisture content and hygroscopic content, both bases named, and what its place says."""

    sample_id: str
    ring_key: str | None
    face: str | None
    side: str
    chainage_m: float | None
    height_m: float | None
    material: str
    mc_dry: float | None = Field(description="Moisture content, % of dry mass")
    mc_dry_sigma: float | None
    mc_wet: float | None = Field(description="Moisture content, % of wet mass")
    hmc_dry: float | None = Field(description="Content after equilibrium at 75 % RH, % of dry mass")
    hmc_dry_sigma: float | None
    hmc_wet: float | None
    excess: float | None = Field(description="MC - HMC, % of dry mass")
    excess_sigma: float | None
    refused: str
    caution: str
    word: str
    because: str
    settle: str
    place_word: str
    place_because: str
    place_settle: str


class StretchPart(Part):
    """A wet length of wall."""

    stretch_id: str
    ring_key: str
    side: str
    group: str
    chainage_from_m: float
    chainage_to_m: float
    length_m: float
    n: int
    n_wet: int
    highest: str
    peak_chainage_m: float | None
    profile: str
    profile_because: str
    profile_settle: str
    reading_ids: list[str]


class CoveragePart(Part):
    """How much wall was read."""

    ring_key: str
    side: str
    readable_m: float
    read_m: float
    unread_m: float


class UnreadPart(Part):
    """A length nobody read."""

    ring_key: str
    side: str
    chainage_from_m: float
    chainage_to_m: float
    length_m: float
    reason: str


class FallPart(Part):
    """The fall of the ground at one piece of wall, by one kind of evidence."""

    station_id: str
    ring_key: str
    face: str
    chainage_from_m: float
    chainage_to_m: float
    evidence: str
    fall_percent: float | None = Field(description="Positive toward the wall")
    low_percent: float | None
    high_percent: float | None
    n: int
    n_eff: float | None
    verdict: str
    because: str
    settle: str
    rests_on: list[str]


class ClearancePart(Part):
    """Damp proof course above the ground at one piece of wall."""

    station_id: str
    ring_key: str
    chainage_from_m: float
    chainage_to_m: float
    clearance_mm: float | None
    sigma_mm: float | None
    low_mm: float | None
    high_mm: float | None
    verdict: str
    because: str
    settle: str
    rests_on: list[str]


class PondPart(Part):
    """Water that would stand."""

    pond_id: str
    gullies: str
    evidence: str
    level_m: float | None
    depth_max_m: float | None
    area_m2: float
    volume_l: float | None
    at_wall: bool
    ring_key: str | None
    chainage_from_m: float | None
    chainage_to_m: float | None
    depth_at_wall_m: float | None
    verdict: str
    because: str


class UphillPart(Part):
    """Ground that drains to one piece of wall."""

    station_id: str
    area_m2: float
    reaches_raster_edge: bool = Field(description="The area is then at least this")


class GapPart(Part):
    """Something not known, and the cheapest way to know it."""

    what: str
    where: str
    why: str
    settle: str
    minutes: float


class LimitPart(Part):
    """A limit this site changed."""

    key: str
    value: float
    unit: str
    changed_by: str


class FindingsDocument(Part):
    """Everything found at one site."""

    site: SitePart
    readings_taken: Counts
    rings: list[RingPart]
    faces: list[FacePart]
    readings: list[ReadingPart]
    samples: list[SamplePart]
    stretches: list[StretchPart]
    coverage: list[CoveragePart]
    unread: list[UnreadPart]
    falls: list[FallPart]
    clearance: list[ClearancePart]
    ponds: list[PondPart]
    uphill: list[UphillPart]
    clusters: list[dict[str, Any]] = Field(description="One entry for each method group")
    outlets: list[dict[str, Any]] = Field(description="One entry for each outlet and method group")
    gaps: list[GapPart]
    notes: list[str]
    limits_changed: list[LimitPart]


def document_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document."""
    return {"$id": SCHEMA_ID, **FindingsDocument.model_json_schema()}


def document_of(found: Findings) -> FindingsDocument:
    """Lay findings out as the document."""
    stations = found.stations.set_index("station_id")
    readings = (
        found.readings.assign(value=found.readings["value_text"]).rename_axis("reading_id").reset_index()
    )
    return FindingsDocument(
        site=SitePart(
            name=found.site.info.name,
            grid=found.site.info.crs,
            grid_note=found.grid_note,
            datum=found.site.info.datum,
            surveyed_on=found.site.info.surveyed_on,
            data_version=found.site.digest,
            tool_version=metadata.version("wallfoot"),
            seed=found.seed,
        ),
        readings_taken=Counts(**found.counts),
        rings=rows_of(found.perimeter.rings.rename_axis("ring_key").reset_index(), RingPart),
        faces=rows_of(found.perimeter.faces, FacePart),
        readings=rows_of(readings, ReadingPart),
        samples=rows_of(found.samples.rename_axis("sample_id").reset_index(), SamplePart),
        stretches=rows_of(found.stretches.rename_axis("stretch_id").reset_index(), StretchPart),
        coverage=rows_of(found.coverage, CoveragePart),
        unread=rows_of(found.unread, UnreadPart),
        falls=rows_of(_beside(found.ground.falls, stations), FallPart),
        clearance=rows_of(_beside(found.ground.clearance, stations), ClearancePart),
        ponds=rows_of(found.ground.ponds, PondPart),
        uphill=rows_of(found.ground.uphill, UphillPart),
        clusters=[plain(row) for row in found.cluster_rows],
        outlets=[plain(row) for row in found.outlet_rows],
        gaps=[
            GapPart(what=gap.what, where=gap.where, why=gap.why, settle=gap.settle, minutes=gap.minutes)
            for gap in found.gaps
        ],
        notes=list(found.notes),
        limits_changed=[
            LimitPart(key=limit.key, value=limit.value, unit=limit.unit, changed_by=limit.changed_by)
            for limit in found.site.reference.limits.values()
            if limit.changed_by
        ],
    )


def rows_of(table: pd.DataFrame, model: type[Row]) -> list[Row]:
    """Return a table's rows as parts of the document; NaN becomes none."""
    names = list(model.model_fields)
    columns = [[plain(value) for value in table[name]] for name in names] if len(table) else []
    return [model(**dict(zip(names, row, strict=True))) for row in zip(*columns, strict=True)]


def plain(value: Any) -> Any:
    """Return a value JSON can hold: NaN and infinity become none, arrays lists."""
    if hasattr(value, "item") and not isinstance(value, str):
        value = value.item() if getattr(value, "ndim", 0) == 0 else value.tolist()
    if isinstance(value, dict):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [plain(entry) for entry in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _beside(table: pd.DataFrame, stations: pd.DataFrame) -> pd.DataFrame:
    """Put each station's place beside its result."""
    wanted: Iterable[str] = ("ring_key", "face", "chainage_from_m", "chainage_to_m")
    place = stations.reindex(table["station_id"])
    return table.assign(**{name: place[name].to_numpy() for name in wanted})
