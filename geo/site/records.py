"""Every kind of record, declared once: fields, units, allowed words and what they mean.

From these declarations come the checks, the blank templates, the field guide and the tables.
A field's name carries its unit. Raw numbers stay as they were taken; positions, reduced levels and
bases are worked out again from them whenever they are needed.
"""

from __future__ import annotations

from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError
from shapely.geometry.base import BaseGeometry

from geo.site.fields import (
    NeededNumber,
    Number,
    Text,
    date,
    group_of,
    moment,
    number,
    text,
    word,
    words_of,
)


class Worded(BaseModel):
    """What has fields that may hold only words of their group."""

    @field_validator("*", mode="after")
    @classmethod
    def _word_is_known(cls, value: Any, info: ValidationInfo) -> Any:
        group = group_of(cls.model_fields[str(info.field_name)])
        if group and value and value not in words_of(group):
            raise PydanticCustomError("unknown_word", "is not one of its words")
        return value


class Record(Worded):
    """What every record has."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", str_strip_whitespace=True, arbitrary_types_allowed=True
    )

    kind: ClassVar[str]
    stem: ClassVar[str]
    shape: ClassVar[str] = ""
    about: ClassVar[str]

    id: Text = text("A short name, unique in the whole site: G1, reading-014", required=True, longest=80)

    geometry: BaseGeometry | None = Field(default=None, exclude=True, repr=False)

    @classmethod
    def columns(cls) -> tuple[str, ...]:
        """Return the columns of this kind, in the order files have them."""
        last = ("note", "photo_ids")
        names = [name for name in cls.model_fields if name != "geometry"]
        return tuple([name for name in names if name not in last] + [name for name in names if name in last])


class Noted(Record):
    """A record somebody may add a note and photographs to."""

    note: Text = text("Anything else worth knowing")
    photo_ids: Text = text("Ids of photographs, separated by spaces")


class OnBuilding(Noted):
    """A record that belongs to one ring of one building."""

    building_id: Text = text("Building; may be left out where the site has one surveyed building")
    ring: Text = text("Blank for the outline; Y1, Y2 … for its courtyards and lightwells")


class Placed(OnBuilding):
    """A record with a position, given by the numbers really taken on site."""

    position_by: Text = word("position_by", "How the position was taken; may be blank when only one fits")
    side: Text = word("side", "Which side of the wall", default="outside")
    face: Text = text("Face, as F1; counted clockwise from the origin corner")
    chainage_m: Number = number("Along the outer face, clockwise from the origin corner", ge=0)
    offset_m: Number = number("Square off the outer face, away from the building")
    corner: Text = text("Corner the distance or bearing was taken from, as A")
    distance_m: Number = number("From that corner, along the face or through the air", ge=0)
    tape_1_from: Text = text("Corner of the first tape")
    tape_1_m: Number = number("First tape", ge=0)
    tape_2_from: Text = text("Corner of the second tape")
    tape_2_m: Number = number("Second tape", ge=0)
    tape_3_from: Text = text("Corner of the third tape")
    tape_3_m: Number = number("Third tape", ge=0)
    tape_4_from: Text = text("Corner of the fourth tape")
    tape_4_m: Number = number("Fourth tape", ge=0)
    tape_side: Text = word("tape_side", "Which side of the line between the first two corners")
    bearing_deg: Number = number("From the corner, clockwise from grid north", ge=0, le=360)
    easting_m: Number = number("Easting in the site's grid")
    northing_m: Number = number("Northing in the site's grid")
    position_sigma_m: Number = number("Standard deviation of the coordinates, where known", gt=0)


class Seen(Placed):
    """A placed record with a state and how that state is known."""

    evidence: Text = word("evidence", "How the state is known", default="seen")
    seen_on: Text = date("When it was looked at")


class Between(OnBuilding):
    """A record that holds from one chainage to another."""

    chainage_from_m: NeededNumber = number("Where it begins", ge=0, required=True)
    chainage_to_m: NeededNumber = number("Where it ends, going clockwise", ge=0, required=True)
    evidence: Text = word("evidence", "How it is known", default="seen")


class Building(Noted):
    """A building's outline and walls."""

    kind: ClassVar[str] = "building"
    stem: ClassVar[str] = "buildings"
    shape: ClassVar[str] = "Polygon"
    about: ClassVar[str] = "Outline of each building, drawn in the site's grid, holes for courtyards."

    role: Text = word("role", "Surveyed, a neighbour, or an outbuilding", default="subject")
    label: Text = text("Name shown on drawings, without anybody's name")
    origin_easting_m: Number = number("Origin corner: chainage starts here")
    origin_northing_m: Number = number("Origin corner: chainage starts here")
    front_bearing_deg: Number = number(
        "Direction one looks from the street at the front; the front-left corner is then the origin",
        ge=0,
        le=360,
    )
    hole_kinds: Text = text("courtyard or lightwell for each hole, in order, separated by spaces")
    storeys_count: Number = number("Storeys above ground", ge=0, le=60)
    built: Text = text("When it was built, as near as known")
    wall_type: Text = word("wall_type", "Commonest wall of the building", default="not_known")
    wall_thickness_m: Number = number("Outer wall, finish to finish", gt=0, le=3)
    wall_thickness_sigma_m: Number = number("Its standard deviation", gt=0)
    outline_sigma_m: Number = number("Stated accuracy of the outline", gt=0)
    floor_level_m: Number = number("Finished floor level above the site datum")
    floor_level_sigma_m: Number = number("Its standard deviation", gt=0)


class Face(Noted):
    """What was taped or seen of one face."""

    kind: ClassVar[str] = "face"
    stem: ClassVar[str] = "faces"
    about: ClassVar[str] = "Taped lengths, exposure and thickness of the faces F1, F2 … of a ring."

    building_id: Text = text("Building; may be left out where the site has one surveyed building")
    ring: Text = text("Blank for the outline; Y1 … for courtyards and lightwells")
    face: Text = text("Face, as F1; counted clockwise from the origin corner", required=True)
    exposure: Text = word("exposure", "What is on the other side; blank to take it from the outlines")
    taped_length_m: Number = number("Taped length of the face", gt=0)
    taped_sigma_m: Number = number("Its standard deviation", gt=0)
    wall_type: Text = word("wall_type", "Wall of this face, where it differs")
    wall_thickness_m: Number = number("Wall of this face, finish to finish", gt=0, le=3)
    wall_thickness_sigma_m: Number = number("Its standard deviation", gt=0)
    cavity_mm: Number = number("Width of the cavity", ge=0, le=400)


class Opening(Between):
    """A door, window, air-brick or hole in the wall."""

    kind: ClassVar[str] = "opening"
    stem: ClassVar[str] = "openings"
    about: ClassVar[str] = "Doors, windows, air-bricks, weeps, holes: where water or eyes could enter."

    opening_kind: Text = word("opening_kind", "What it is", required=True)
    sill_level_m: Number = number("Level of the sill or threshold")
    head_level_m: Number = number("Level of the head")
    level_sigma_m: Number = number("Standard deviation of those levels", gt=0)
    state: Text = text("What was seen of it, such as blocked")


class DpcPoint(OnBuilding):
    """One point of a damp proof course line; two rows at one chainage make a step."""

    kind: ClassVar[str] = "dpc_point"
    stem: ClassVar[str] = "dpc_points"
    about: ClassVar[str] = (
        "Damp proof course, leaf by leaf, point by point clockwise. A step is two rows at one chainage."
    )

    leaf: Text = word("leaf", "Outer or inner leaf", default="outer")
    chainage_m: NeededNumber = number("Where the level was taken", ge=0, required=True)
    level_m: Number = number("Level above the site datum; blank where it could not be seen")
    level_sigma_m: Number = number("Its standard deviation", gt=0)
    state: Text = word("dpc_state", "What was seen from here to the next row", default="continuous")
    lap: Text = word("lap", "At a step: the vertical lap")
    dpc_material: Text = text("Slate, felt, plastic …")
    evidence: Text = word("evidence", "How it is known", default="seen")


class CavityStretch(Between):
    """What was seen in a length of cavity."""

    kind: ClassVar[str] = "cavity"
    stem: ClassVar[str] = "cavities"
    about: ClassVar[str] = (
        "Lengths of cavity: base, debris, water, closed ends. A hole speaks for its reach only."
    )

    width_mm: Number = number("Width", ge=0, le=400)
    base_level_m: Number = number("Level of the cavity base")
    debris_top_level_m: Number = number("Level of the debris top")
    water_depth_mm: Number = number("Depth of water standing", ge=0)
    level_sigma_m: Number = number("Standard deviation of those levels", gt=0)
    fill: Text = word("cavity_fill", "Insulation fill", default="not_known")
    state: Text = word("cavity_state", "What was seen", default="not_seen")
    closed_at_from: Text = word("yes_no", "Closed where it begins", default="not_known")
    closed_at_to: Text = word("yes_no", "Closed where it ends", default="not_known")


class FloorZone(Noted):
    """A floor of one build-up."""

    kind: ClassVar[str] = "floor_zone"
    stem: ClassVar[str] = "floor_zones"
    shape: ClassVar[str] = "Polygon"
    about: ClassVar[str] = "Floors, one area for each build-up."

    building_id: Text = text("Building")
    floor_kind: Text = word("floor_kind", "Solid or suspended", default="not_known")
    top_level_m: Number = number("Finished level")
    thickness_mm: Number = number("Thickness of slab and screed", ge=0)
    soffit_level_m: Number = number("Level of the underside")
    level_sigma_m: Number = number("Standard deviation of those levels", gt=0)
    membrane: Text = word("membrane", "Damp proof membrane", default="not_known")
    edge: Text = word("edge_contact", "Edge against the inner leaf", default="not_known")
    finish: Text = text("Floor finish")
    evidence: Text = word("evidence", "How it is known", default="not_looked")


class FinishZone(Between):
    """A length of wall finish."""

    kind: ClassVar[str] = "finish_zone"
    stem: ClassVar[str] = "finish_zones"
    about: ClassVar[str] = "Wall finishes by length and height, and the gap under them."

    side: Text = word("side", "Which side of the wall", default="inside")
    finish: Text = word("finish", "What it is", required=True)
    height_from_m: Number = number("Bottom, above the floor inside or the ground outside", ge=0)
    height_to_m: Number = number("Top, above the same", ge=0)
    floor_gap_mm: Number = number("Gap between its bottom edge and the floor", ge=0)
    state: Text = text("Hollow, stained, salts, tide mark at …")


class GroundPatch(Noted):
    """A patch of ground of one surface."""

    kind: ClassVar[str] = "ground_patch"
    stem: ClassVar[str] = "ground_patches"
    shape: ClassVar[str] = "Polygon"
    about: ClassVar[str] = "Surfaces round the building; levels are never fitted across two of them."

    surface: Text = word("surface", "What it is", required=True)
    permeable: Text = word("yes_no", "Lets water through", default="not_known")
    laid_on: Text = date("When it was laid, as near as known")
    edge: Text = text("Kerb or restraint that holds water back")
    evidence: Text = word("evidence", "How it is known", default="seen")


class Gully(Seen):
    """A gully."""

    kind: ClassVar[str] = "gully"
    stem: ClassVar[str] = "gullies"
    about: ClassVar[str] = "Gullies: rim, lip on the wall side, outlet, state."

    takes: Text = word("gully_kind", "What discharges into it", default="not_known")
    state: Text = word("gully_state", "State", default="sound")
    rim_level_m: Number = number("Level of the grating")
    lip_level_m: Number = number("Lowest level of the surround on the wall side")
    outlet_invert_level_m: Number = number("Invert of the outlet")
    level_sigma_m: Number = number("Standard deviation of those levels", gt=0)
    pot_l: Number = number("Water it holds below the outlet", ge=0)
    riser_mm: Number = number("Side of the square riser above the outlet", ge=0)
    outlet_l_s: Number = number("What a slow outlet still passes", ge=0)
    trapped: Text = word("yes_no", "Has a trap", default="not_known")


class Downpipe(Seen):
    """A rainwater downpipe and its foot."""

    kind: ClassVar[str] = "downpipe"
    stem: ClassVar[str] = "downpipes"
    about: ClassVar[str] = "Downpipes: bore, roof served, foot, state."

    bore_mm: Number = number("Bore", gt=0, le=300)
    roof_m2: Number = number("Plan area of the roof it serves", ge=0)
    foot: Text = word("downpipe_foot", "Where it ends", default="not_known")
    foot_level_m: Number = number("Level of the foot or lowest open joint")
    level_sigma_m: Number = number("Its standard deviation", gt=0)
    into_id: Text = text("Gully, chamber or run it discharges to; blank when joined to nothing")
    state: Text = word("downpipe_state", "State", default="sound")


class Gutter(Between):
    """A gutter between two outlets or ends."""

    kind: ClassVar[str] = "gutter"
    stem: ClassVar[str] = "gutters"
    about: ClassVar[str] = "Gutters: profile, width, fall and state by length of wall."

    profile: Text = word("gutter_profile", "Profile", default="half_round")
    width_mm: Number = number("Width across the top", gt=0, le=600)
    fall_mm: Number = number("Fall over its length", ge=0)
    outlet_ids: Text = text("Downpipes it drains to, separated by spaces")
    state: Text = word("gutter_state", "State", default="sound")


class Soakaway(Seen):
    """A soakaway."""

    kind: ClassVar[str] = "soakaway"
    stem: ClassVar[str] = "soakaways"
    about: ClassVar[str] = "Soakaways: inlet, size, fill, state."

    cover_level_m: Number = number("Level of the cover, or of the ground over it")
    inlet_invert_level_m: Number = number("Invert of the inlet")
    level_sigma_m: Number = number("Standard deviation of those levels", gt=0)
    length_m: Number = number("Length", gt=0)
    width_m: Number = number("Width", gt=0)
    depth_m: Number = number("Depth below the inlet", gt=0)
    fill: Text = word("soakaway_fill", "Fill", default="not_known")
    soakage_m_s: Number = number("Infiltration rate found by test", ge=0)
    state: Text = word("soakaway_state", "State", default="not_found")


class Chamber(Seen):
    """An inspection chamber."""

    kind: ClassVar[str] = "chamber"
    stem: ClassVar[str] = "chambers"
    about: ClassVar[str] = "Chambers: cover, inverts, state. Never entered to be recorded."

    cover_level_m: Number = number("Level of the cover")
    invert_level_m: Number = number("Lowest invert in the chamber")
    level_sigma_m: Number = number("Standard deviation of those levels", gt=0)
    length_mm: Number = number("Length, or diameter", gt=0)
    width_mm: Number = number("Width; blank when round", gt=0)
    sealed: Text = word("yes_no", "Cover sealed or bolted", default="not_known")
    interceptor: Text = word("yes_no", "Has an intercepting trap", default="not_known")
    state: Text = word("chamber_state", "State", default="sound")


class Run(Noted):
    """A drain run between two assets."""

    kind: ClassVar[str] = "run"
    stem: ClassVar[str] = "runs"
    shape: ClassVar[str] = "LineString"
    about: ClassVar[str] = "Drain runs drawn from upstream to downstream, and how each end is known."

    from_id: Text = text("Asset at the upstream end; blank when not traced")
    to_id: Text = text("Asset at the downstream end; blank when it ends nowhere known")
    use: Text = word("run_use", "Foul, surface water or combined", default="not_known")
    bore_mm: Number = number("Bore", gt=0, le=1200)
    pipe_material: Text = text("Clay, plastic, pitch fibre …")
    invert_up_level_m: Number = number("Invert at the upstream end")
    invert_down_level_m: Number = number("Invert at the downstream end")
    crest_level_m: Number = number("Highest invert between the ends, where there is a hump")
    level_sigma_m: Number = number("Standard deviation of those levels", gt=0)
    state: Text = word("run_state", "State", default="not_traced")
    passes_l_s: Number = number("What a slow run still passes", ge=0)
    fault_at_m: Number = number("Distance of the fault from the upstream end", ge=0)
    from_evidence: Text = word("trace_evidence", "How the upstream end is known", default="assumed")
    to_evidence: Text = word("trace_evidence", "How the downstream end is known", default="assumed")


class Service(Noted):
    """A pipe under pressure."""

    kind: ClassVar[str] = "service"
    stem: ClassVar[str] = "services"
    shape: ClassVar[str] = "LineString"
    about: ClassVar[str] = "Pressurised services: mains, heating loops, external taps."

    service_kind: Text = word("service_kind", "What it is", required=True)
    state: Text = word("service_state", "Tight or not", default="not_known")
    loss_l_h: Number = number("Loss found by test", ge=0)
    evidence: Text = word("evidence", "How it is known", default="reported")


class Reading(Placed):
    """One moisture reading."""

    kind: ClassVar[str] = "reading"
    stem: ClassVar[str] = "readings"
    about: ClassVar[str] = "Moisture readings, one a row; write an off-scale value as >100 or <6."

    method: Text = word("method", "How it was read", required=True)
    instrument: Text = text("Instrument's own id", required=True, longest=80)
    material: Text = word("material", "What was read", required=True)
    basis: Text = word("basis", "Basis of the value; blank takes the method's own")
    value: Text = text("Value in the method's unit; >100 or <6 when off the scale", required=True, longest=20)
    repeats_count: Number = number("Times it was repeated on the spot", ge=1)
    height_m: Number = number("Above the floor inside, above the ground outside", ge=0, le=30)
    level_m: Number = number("Level above the site datum, where taken")
    depth_mm: Number = number("Depth read", ge=0)
    control: Text = word(
        "yes_no", "A dry reference, taken where the wall has no reason to be wet", default="no"
    )
    control_set_id: Text = text("Control set it belongs to")
    surface_condition: Text = text("Painted, salts, wet to touch …")
    taken_at: Text = moment("When")
    taken_by: Text = text("Role, not a name")


class UnreadLength(Between):
    """A length of wall that was not read, and why."""

    kind: ClassVar[str] = "unread_length"
    stem: ClassVar[str] = "unread_lengths"
    about: ClassVar[str] = "Lengths nobody read: behind units, locked rooms. Unread is not dry."

    side: Text = word("side", "Which side of the wall", default="inside")
    state: Text = word("reading_state", "Not looked, or could not get to it", default="not_looked")


class Sample(Placed):
    """A drilled or cut sample, kept as its masses."""

    kind: ClassVar[str] = "sample"
    stem: ClassVar[str] = "samples"
    about: ClassVar[str] = "Samples by their masses; percentages are worked out, never typed."

    material: Text = word("material", "What was sampled", required=True)
    height_m: Number = number("Above the floor inside, above the ground outside", ge=0, le=30)
    depth_from_mm: Number = number("Depth where it begins", ge=0)
    depth_to_mm: Number = number("Depth where it ends", ge=0)
    dish_g: Number = number("Empty dish", ge=0)
    wet_g: Number = number("As taken, in the dish", gt=0)
    humid_g: Number = number("After equilibrium at 75 % RH, in the dish", gt=0)
    dry_g: Number = number("Oven-dry, in the dish", gt=0)
    oven_c: Number = number("Oven temperature", gt=0, le=200)
    mass_sigma_g: Number = number("Standard deviation of a weighing", gt=0)
    taken_at: Text = moment("When it was taken")


class ControlSet(Noted):
    """Where the dry reference of a method was read, and why it should be dry."""

    kind: ClassVar[str] = "control_set"
    stem: ClassVar[str] = "control_sets"
    about: ClassVar[str] = "Dry references: place and reason, one set for each method and material."

    method: Text = word("method", "Method", required=True)
    material: Text = word("material", "Material", required=True)
    place: Text = text("Where it was read")
    reason: Text = text("Why it has no reason to be wet")


class Environment(Placed):
    """Air and surface at one moment."""

    kind: ClassVar[str] = "environment"
    stem: ClassVar[str] = "environments"
    about: ClassVar[str] = "Air temperature, humidity and surface temperature."

    place: Text = word("air_place", "Where", required=True)
    taken_at: Text = moment("When")
    air_c: Number = number("Air temperature", ge=-40, le=60)
    humidity_percent: Number = number("Relative humidity", ge=0, le=100)
    surface_c: Number = number("Surface temperature", ge=-40, le=90)
    instrument: Text = text("Instrument's own id")


class Level(Placed):
    """One line of the level book, or a level already reduced."""

    kind: ClassVar[str] = "level"
    stem: ClassVar[str] = "levels"
    about: ClassVar[str] = (
        "Levels in the order they were booked: staff readings by set-up, or reduced levels with their sigma."
    )

    role: Text = word("level_role", "What the staff stood on", required=True)
    of_id: Text = text("Asset or opening it belongs to")
    hardness: Text = word("hardness", "Hard point, or grass or soil", default="hard")
    patch_id: Text = text("Ground patch it lies on; levels are not fitted across two")
    setup_id: Text = text("Set-up of the instrument")
    backsight_m: Number = number("First staff reading of the set-up", ge=-5, le=10)
    intermediate_sight_m: Number = number("Staff reading between", ge=-5, le=10)
    foresight_m: Number = number("Last staff reading of the set-up", ge=-5, le=10)
    known_level_m: Number = number("Known level of a bench mark")
    level_m: Number = number("Reduced level, where it was reduced elsewhere")
    level_sigma_m: Number = number("Its standard deviation", gt=0)
    taken_at: Text = moment("When")


class AssetState(Noted):
    """A state of an asset or a length of fabric, at a time, with how it is known."""

    kind: ClassVar[str] = "asset_state"
    stem: ClassVar[str] = "asset_states"
    about: ClassVar[str] = "Further states of assets, each with how it is known and when."

    of_id: Text = text("Asset it speaks of", required=True)
    state: Text = text("State, in the words of that kind", required=True)
    evidence: Text = word("evidence", "How it is known", required=True)
    seen_on: Text = date("When")


class Account(Noted):
    """What somebody said, by role."""

    kind: ClassVar[str] = "account"
    stem: ClassVar[str] = "accounts"
    about: ClassVar[str] = "What people said: role only, never a name."

    speaker: Text = word("speaker", "Role", required=True)
    said: Text = text("What was said", required=True)
    about_from: Text = date("Earliest date it speaks of")
    about_to: Text = date("Latest date it speaks of")
    reliability: Text = word("reliability", "How they know", default="first_hand")


class Photo(Placed):
    """A photograph, kept as it was taken."""

    kind: ClassVar[str] = "photo"
    stem: ClassVar[str] = "photos"
    about: ClassVar[str] = "Photographs in the folder photos, with what they show."

    file: Text = text("File name in the folder photos", required=True)
    of_id: Text = text("Record it shows")
    taken_at: Text = moment("When")
    direction_deg: Number = number("Direction one looked, clockwise from grid north", ge=0, le=360)
    scale_in_frame: Text = word("yes_no", "A scale is in the picture", default="not_known")
    sha256: Text = text("Hash of the original file")


KINDS: dict[str, type[Record]] = {
    model.kind: model
    for model in (
        Building,
        Face,
        Opening,
        DpcPoint,
        CavityStretch,
        FloorZone,
        FinishZone,
        GroundPatch,
        Gully,
        Downpipe,
        Gutter,
        Soakaway,
        Chamber,
        Run,
        Service,
        Reading,
        UnreadLength,
        Sample,
        ControlSet,
        Environment,
        Level,
        AssetState,
        Account,
        Photo,
    )
}
"""Every record kind by name; the site itself is declared in :mod:`geo.site.model`."""

ASSETS = ("gully", "downpipe", "soakaway", "chamber")
"""Kinds that stand at one point and that a run may join."""
