"""Records of readings, samples, air and levels."""

from __future__ import annotations

from typing import ClassVar

from geo.site.fields import Number, Text, moment, number, text, word
from geo.site.record import Between, Noted, Placed


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
    point_id: Text = text("Drying point it was read at")
    repeats_id: Text = text("Earlier reading at the same spot that it repeats")
    sealed_h: Number = number("Hours the hole or hood was sealed before", ge=0)
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


class Salt(Placed):
    """One ion found in a sample, or on a wall."""

    kind: ClassVar[str] = "salt"
    stem: ClassVar[str] = "salts"
    about: ClassVar[str] = "Salts: one ion a row, as a class of a strip or a mass by the laboratory."

    ion: Text = word("ion", "Which ion", required=True)
    sample_id: Text = text("Sample it was found in")
    salt_method: Text = word("salt_method", "How it was found", default="strip")
    salt_class: Text = word("salt_class", "Class, where a strip or spot test gives one")
    content_percent: Number = number("Share of the dry mass, where a laboratory gives one", ge=0, le=100)
    extract_mg_l: Number = number("Strength of the extract", ge=0)
    extract_ratio: Number = number("Water to sample, by mass, of the extract", gt=0)
    material: Text = word("material", "What was tested", default="other")
    height_m: Number = number("Above the floor inside, above the ground outside", ge=0, le=30)
    taken_at: Text = moment("When")


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
    stage: Text = word("level_stage", "Found by the survey, or after the works", default="as_found")
    known_level_m: Number = number("Known level of a bench mark")
    level_m: Number = number("Reduced level, where it was reduced elsewhere")
    level_sigma_m: Number = number("Its standard deviation", gt=0)
    taken_at: Text = moment("When")
