"""What is typed together: one kind of record, the columns a person needs for it, those that carry down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geo.entry.columns import Column, columns_of
from geo.reference import Reference
from geo.site.records import KINDS

BOOKKEEPING = ("id", "note", "photo_ids")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Columns to type for one kind of record.

    Parameters
    ----------
    name
        Short name, as addresses have it.
    title
        As people read it.
    kind
        Record kind.
    names
        Fields shown at first, in the order one speaks them; the others may be added.
    carry
        Fields whose blank cells take what stands above.
    named
        The person gives each record its id.
    drawn
        Its records are drawn on the map; only what is said of them is typed.
    ordered
        Its records mean something only in the order they stand.
    """

    name: str
    title: str
    kind: str
    names: tuple[str, ...]
    carry: tuple[str, ...] = ()
    named: bool = False
    drawn: bool = False
    ordered: bool = False

    def columns(self, more: Sequence[str] = (), *, ref: Reference | None = None) -> tuple[Column, ...]:
        """Return the columns, with further fields after them."""
        names = (*(("id",) if self.named else ()), *self.names)
        return columns_of(self.kind, dict.fromkeys([*names, *more]), carry=self.carry, ref=ref)

    @property
    def others(self) -> tuple[str, ...]:
        """The fields that are not shown at first."""
        shown = {*self.names, *(("id",) if self.named else ())}
        return tuple(name for name in KINDS[self.kind].columns() if name not in shown)


ON_A_FACE = ("face", "corner", "side")
METER = ("method", "instrument", "material")
SHEETS: dict[str, Sheet] = {
    sheet.name: sheet
    for sheet in (
        Sheet(
            name="readings",
            title="Readings along a face",
            kind="reading",
            names=(*ON_A_FACE, *METER, "distance_m", "height_m", "value"),
            carry=(
                *ON_A_FACE,
                *METER,
                "height_m",
                "basis",
                "taken_at",
                "taken_by",
                "building_id",
                "ring",
                "control",
            ),
        ),
        Sheet(
            name="readings-by-chainage",
            title="Readings by chainage",
            kind="reading",
            names=("side", *METER, "chainage_m", "offset_m", "height_m", "value"),
            carry=(
                "side",
                *METER,
                "height_m",
                "basis",
                "taken_at",
                "taken_by",
                "building_id",
                "ring",
                "control",
            ),
        ),
        Sheet(
            name="unread",
            title="Lengths not read",
            kind="unread_length",
            names=("side", "chainage_from_m", "chainage_to_m", "state", "note"),
            carry=("side",),
        ),
        Sheet(
            name="samples",
            title="Samples by their masses",
            kind="sample",
            names=(
                "side",
                "chainage_m",
                "height_m",
                "material",
                "depth_from_mm",
                "depth_to_mm",
                "dish_g",
                "wet_g",
                "humid_g",
                "dry_g",
                "oven_c",
            ),
            carry=("side", "material", "oven_c", "dish_g"),
            named=True,
        ),
        Sheet(
            name="salts",
            title="Salts",
            kind="salt",
            names=(
                "sample_id",
                "ion",
                "salt_method",
                "salt_class",
                "content_percent",
                "chainage_m",
                "height_m",
            ),
            carry=("sample_id", "salt_method", "chainage_m", "height_m"),
        ),
        Sheet(
            name="air",
            title="Air and surfaces",
            kind="environment",
            names=("place", "air_c", "humidity_percent", "surface_c", "taken_at", "instrument", "chainage_m"),
            carry=("instrument",),
        ),
        Sheet(
            name="controls",
            title="Dry references",
            kind="control_set",
            names=("method", "material", "place", "reason"),
            named=True,
        ),
        Sheet(
            name="faces",
            title="Taped faces",
            kind="face",
            names=("face", "taped_length_m", "taped_sigma_m", "exposure", "wall_type", "wall_thickness_m"),
            carry=("taped_sigma_m",),
        ),
        Sheet(
            name="openings",
            title="Doors, windows, air-bricks",
            kind="opening",
            names=("opening_kind", "chainage_from_m", "chainage_to_m", "sill_level_m", "state", "evidence"),
        ),
        Sheet(
            name="courses",
            title="Damp proof courses",
            kind="dpc_point",
            names=("leaf", "chainage_m", "level_m", "level_sigma_m", "state", "lap", "evidence"),
            carry=("leaf", "level_sigma_m"),
        ),
        Sheet(
            name="cavities",
            title="Cavities",
            kind="cavity",
            names=(
                "chainage_from_m",
                "chainage_to_m",
                "width_mm",
                "base_level_m",
                "debris_top_level_m",
                "water_depth_mm",
                "state",
                "evidence",
            ),
            carry=("width_mm",),
        ),
        Sheet(
            name="finishes",
            title="Wall finishes",
            kind="finish_zone",
            names=(
                "side",
                "chainage_from_m",
                "chainage_to_m",
                "finish",
                "height_to_m",
                "floor_gap_mm",
                "state",
            ),
            carry=("side",),
        ),
        Sheet(
            name="gullies",
            title="Gullies",
            kind="gully",
            names=(
                "chainage_m",
                "offset_m",
                "state",
                "evidence",
                "takes",
                "rim_level_m",
                "lip_level_m",
                "outlet_invert_level_m",
                "trapped",
            ),
            named=True,
        ),
        Sheet(
            name="downpipes",
            title="Downpipes",
            kind="downpipe",
            names=("chainage_m", "offset_m", "state", "evidence", "bore_mm", "roof_m2", "foot", "into_id"),
            named=True,
        ),
        Sheet(
            name="soakaways",
            title="Soakaways",
            kind="soakaway",
            names=(
                "easting_m",
                "northing_m",
                "state",
                "evidence",
                "cover_level_m",
                "inlet_invert_level_m",
                "length_m",
                "width_m",
                "depth_m",
            ),
            named=True,
        ),
        Sheet(
            name="chambers",
            title="Chambers",
            kind="chamber",
            names=(
                "easting_m",
                "northing_m",
                "state",
                "evidence",
                "cover_level_m",
                "invert_level_m",
                "sealed",
            ),
            named=True,
        ),
        Sheet(
            name="fixtures",
            title="Wastes, stacks, overflows",
            kind="fixture",
            names=("fixture_kind", "chainage_m", "state", "evidence", "level_m", "into_id"),
            named=True,
        ),
        Sheet(
            name="fittings",
            title="Valves and pumps",
            kind="fitting",
            names=("run_id", "fitting_kind", "at_m", "passes_l_s", "state", "evidence"),
            named=True,
        ),
        Sheet(
            name="water-levels",
            title="Water standing",
            kind="water_level",
            names=("of_id", "level_m", "level_sigma_m", "condition", "evidence", "taken_at"),
            carry=("level_sigma_m", "condition"),
        ),
        Sheet(
            name="level-book",
            title="Level book",
            kind="level",
            names=(
                "setup_id",
                "role",
                "of_id",
                "backsight_m",
                "intermediate_sight_m",
                "foresight_m",
                "known_level_m",
                "hardness",
                "chainage_m",
                "offset_m",
                "note",
            ),
            carry=("setup_id", "building_id", "ring", "taken_at"),
            ordered=True,
        ),
        Sheet(
            name="tests",
            title="Tests",
            kind="trial",
            names=(
                "trial_kind",
                "source_id",
                "volume_l",
                "bucket_l",
                "bucket_s",
                "started_at",
                "stopped_at",
                "dye",
                "watched",
                "shown",
                "shown_id",
                "shown_after_s",
                "chainage_m",
                "stopped_because",
            ),
            named=True,
        ),
        Sheet(
            name="states",
            title="Further states",
            kind="asset_state",
            names=("of_id", "state", "evidence", "seen_on"),
            carry=("seen_on",),
        ),
        Sheet(
            name="holes",
            title="Openings made to look",
            kind="opening_up",
            names=(
                "opening_up_kind",
                "chainage_m",
                "side",
                "level_m",
                "consent_id",
                "dpc_outer_level_m",
                "dpc_inner_level_m",
                "slab_top_level_m",
                "soffit_level_m",
                "cavity_mm",
                "debris_top_level_m",
                "reach_left_m",
                "reach_right_m",
                "made_good",
            ),
            named=True,
        ),
        Sheet(
            name="accounts",
            title="What people said",
            kind="account",
            names=("speaker", "said", "about_from", "about_to", "reliability"),
        ),
        Sheet(
            name="visits",
            title="Visits",
            kind="visit",
            names=("arrived_at", "left_at", "purpose", "weather", "rain_48h_mm", "access", "hazards"),
        ),
        Sheet(
            name="consents",
            title="Leave asked and given",
            kind="consent",
            names=("consent_for", "given_by", "state", "given_on", "limits"),
            named=True,
        ),
        Sheet(
            name="instruments",
            title="Instruments",
            kind="instrument",
            names=("principle", "scale", "checked_on", "check_expected", "check_read"),
            named=True,
        ),
        Sheet(
            name="meters",
            title="Water meter",
            kind="meter_reading",
            names=("service_id", "reading_m3", "resolution_l", "all_off", "taken_at"),
            carry=("service_id", "resolution_l"),
        ),
        Sheet(
            name="events",
            title="Rain and use of water",
            kind="event",
            names=("event_kind", "began_at", "ended_at", "rain_mm", "used_l", "of_id", "source"),
            carry=("event_kind", "source"),
        ),
        Sheet(
            name="buildings",
            title="Buildings",
            kind="building",
            names=(
                "role",
                "label",
                "front_bearing_deg",
                "wall_type",
                "wall_thickness_m",
                "storeys_count",
                "built",
                "floor_level_m",
                "outline_sigma_m",
            ),
            named=True,
            drawn=True,
        ),
        Sheet(
            name="runs",
            title="Drain runs",
            kind="run",
            names=(
                "from_id",
                "to_id",
                "use",
                "owner",
                "bore_mm",
                "invert_up_level_m",
                "invert_down_level_m",
                "state",
                "from_evidence",
                "to_evidence",
            ),
            named=True,
            drawn=True,
        ),
        Sheet(
            name="kerbs",
            title="Kerbs and edgings",
            kind="kerb",
            names=("kerb_kind", "top_level_m", "level_sigma_m", "evidence"),
            named=True,
            drawn=True,
        ),
        Sheet(
            name="patches",
            title="Ground surfaces",
            kind="ground_patch",
            names=("surface", "permeable", "laid_on", "edge", "evidence"),
            named=True,
            drawn=True,
        ),
        Sheet(
            name="floors",
            title="Floors",
            kind="floor_zone",
            names=(
                "floor_kind",
                "top_level_m",
                "thickness_mm",
                "soffit_level_m",
                "membrane",
                "edge",
                "finish",
                "evidence",
            ),
            named=True,
            drawn=True,
        ),
        Sheet(
            name="services",
            title="Services",
            kind="service",
            names=("service_kind", "state", "depth_m", "depth_sigma_m", "loss_l_h", "evidence"),
            named=True,
            drawn=True,
        ),
        Sheet(
            name="foundations",
            title="Foundations exposed",
            kind="foundation",
            names=(
                "chainage_from_m",
                "chainage_to_m",
                "underside_level_m",
                "level_sigma_m",
                "material",
                "evidence",
            ),
        ),
        Sheet(
            name="gutters",
            title="Gutters",
            kind="gutter",
            names=(
                "chainage_from_m",
                "chainage_to_m",
                "profile",
                "width_mm",
                "fall_mm",
                "outlet_ids",
                "state",
            ),
        ),
    )
}
"""Every sheet by name, in the order they are offered."""
