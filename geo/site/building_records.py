"""Records of the building and the ground round it."""

from __future__ import annotations

from typing import ClassVar

from geo.site.fields import NeededNumber, Number, Text, date, number, text, word
from geo.site.record import Between, Noted, OnBuilding


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


class Kerb(Noted):
    """A kerb, edging or low wall that holds surface water back."""

    kind: ClassVar[str] = "kerb"
    stem: ClassVar[str] = "kerbs"
    shape: ClassVar[str] = "LineString"
    about: ClassVar[str] = "Kerbs, edgings and low walls, drawn as lines, with the level of their top."

    kerb_kind: Text = word("kerb_kind", "What it is", default="kerb")
    top_level_m: Number = number("Level of its top, or of its lowest part")
    level_sigma_m: Number = number("Its standard deviation", gt=0)
    evidence: Text = word("evidence", "How it is known", default="seen")


class Foundation(Between):
    """A length of foundation whose underside was exposed."""

    kind: ClassVar[str] = "foundation"
    stem: ClassVar[str] = "foundations"
    about: ClassVar[str] = (
        "Undersides of foundations where they were exposed. What was not exposed is not known."
    )

    underside_level_m: Number = number("Level of the underside")
    level_sigma_m: Number = number("Its standard deviation", gt=0)
    material: Text = text("Concrete, brick footings, rubble …")
