"""Records of repairs: what is to be done, what was done, what holds it up, what it costs."""

from __future__ import annotations

from typing import ClassVar

from geo.site.fields import NeededNumber, Number, Text, date, moment, number, text, word
from geo.site.record import Noted


class Repair(Noted):
    """One repair, with what its quantities are worked out from."""

    kind: ClassVar[str] = "repair"
    stem: ClassVar[str] = "repairs"
    about: ClassVar[str] = "Repairs: what, where, for which cause. Quantities are worked out, never typed."

    repair_kind: Text = word("repair_kind", "Which repair", required=True)
    stage: Text = word("repair_stage", "How far it is", default="proposed")
    of_ids: Text = text("Assets, runs or features it is for, separated by spaces")
    building_id: Text = text("Building; may be left out where the site has one surveyed building")
    ring: Text = text("Blank for the outline; Y1, Y2 … for its courtyards and lightwells")
    side: Text = word("side", "Which side of the wall", default="outside")
    chainage_from_m: Number = number("Where it begins", ge=0)
    chainage_to_m: Number = number("Where it ends, going clockwise", ge=0)
    items_count: Number = number("How many", ge=0)
    length_m: Number = number("Length", ge=0)
    width_mm: Number = number("Width", ge=0)
    depth_mm: Number = number("Depth", ge=0)
    height_m: Number = number("Height", ge=0)
    thickness_mm: Number = number("Thickness", ge=0)
    area_m2: Number = number("Area", ge=0)
    bore_mm: Number = number("Bore of pipe", gt=0)
    surface: Text = word("surface", "Surface broken out and made good")
    to_id: Text = text("Asset it is to drain to")
    basis: Text = word("repair_basis", "Measured, inferred or provisional", default="inferred")
    cause: Text = word("cause", "Cause it answers")
    cause_of_id: Text = text("Asset or feature of that cause")
    after_ids: Text = text("Repairs that must be finished before it, separated by spaces")
    variation_of_id: Text = text("Repair it changes or adds to")
    why: Text = text("Why it is needed, or why it was changed")
    agreed_on: Text = date("When it was agreed")
    agreed_by: Text = word("speaker", "Role of who agreed to it")


class WorkDone(Noted):
    """A quantity of a repair that was done."""

    kind: ClassVar[str] = "work_done"
    stem: ClassVar[str] = "work_done"
    about: ClassVar[str] = "What was done of each repair, line by line, to hold against what was estimated."

    repair_id: Text = text("Repair it belongs to", required=True)
    line: Text = text("Line of its quantities, as pipe or concrete", required=True)
    quantity: NeededNumber = number("How much was done", ge=0, required=True)
    unit: Text = word("quantity_unit", "Unit", required=True)
    done_on: Text = date("When")


class HoldPoint(Noted):
    """The result of a check nothing may pass without."""

    kind: ClassVar[str] = "hold_point"
    stem: ClassVar[str] = "hold_points"
    about: ClassVar[str] = "Hold points of the works: what was checked, with its numbers and what came of it."

    hold_point: Text = word("hold_point", "Which one", required=True)
    repair_ids: Text = text("Repairs it releases, separated by spaces")
    building_id: Text = text("Building; may be left out where the site has one surveyed building")
    ring: Text = text("Blank for the outline; Y1, Y2 … for its courtyards and lightwells")
    side: Text = word("side", "Which side of the wall", default="outside")
    chainage_from_m: Number = number("Where it begins", ge=0)
    chainage_to_m: Number = number("Where it ends, going clockwise", ge=0)
    result: Text = word("hold_result", "What came of it", required=True)
    head_m: Number = number("Head of water at the top of the pipe", ge=0, le=10)
    drop_mm: Number = number("Drop of the water", ge=0)
    minutes: Number = number("How long it was watched, minutes", ge=0)
    clear_below_mm: Number = number("Cavity seen clean this far below the lower damp proof course", ge=0)
    seen_both_ways: Text = word("yes_no", "Photographed both ways along", default="not_known")
    humidity_percent: Number = number("Humidity under the sealed hood or in the sealed hole", ge=0, le=100)
    sealed_h: Number = number("Hours it was sealed", ge=0)
    machines_off_h: Number = number("Hours the dryers were off", ge=0)
    trial_id: Text = text("Test it rests on")
    reading_ids: Text = text("Readings it rests on, separated by spaces")
    checked_at: Text = moment("When")
    checked_by: Text = text("Role, not a name")


class Rate(Noted):
    """A price of the user's own."""

    kind: ClassVar[str] = "rate"
    stem: ClassVar[str] = "rates"
    about: ClassVar[str] = "The user's own prices, by repair and line. None is built in."

    repair_kind: Text = word("repair_kind", "Which repair", required=True)
    line: Text = text("Line of its quantities, as pipe or concrete", required=True)
    unit: Text = word("quantity_unit", "Unit it is priced by", required=True)
    price: NeededNumber = number("Price of one unit", ge=0, required=True)
    currency: Text = text("Three letters, as GBP", required=True, longest=3)
    source: Text = text("Where it comes from, as a quotation and its date")
    from_date: Text = date("From when it holds")
