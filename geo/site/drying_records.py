"""Records of drying: fixed points, and what the machines did."""

from __future__ import annotations

from typing import ClassVar

from geo.site.fields import Number, Text, moment, number, text, word
from geo.site.record import Noted, Placed


class DryingPoint(Placed):
    """A marked point that is read again and again in the same way."""

    kind: ClassVar[str] = "drying_point"
    stem: ClassVar[str] = "drying_points"
    about: ClassVar[str] = "Fixed points to follow the drying by: how read, against what, to what goal."

    method: Text = word("method", "How it is read", required=True)
    instrument: Text = text("Instrument's own id", longest=80)
    material: Text = word("material", "What is read", required=True)
    height_m: Number = number("Above the floor inside, above the ground outside", ge=0, le=30)
    depth_mm: Number = number("Depth read", ge=0)
    thickness_mm: Number = number("Thickness of wet material it stands for", gt=0)
    area_m2: Number = number("Area it stands for", gt=0)
    density_kg_m3: Number = number("Dry density of the material, kg/m³", gt=0)
    control: Text = word("yes_no", "It is itself a dry reference", default="no")
    control_point_id: Text = text("Point that is its dry reference")
    goal: Text = word("drying_goal", "What it has to reach")
    goal_value: Number = number("Value it has to reach, or margin over its reference", ge=0)
    marked: Text = text("How it is marked on the wall or floor")


class DryingLog(Noted):
    """What the drying machines did over a time."""

    kind: ClassVar[str] = "drying_log"
    stem: ClassVar[str] = "drying_logs"
    about: ClassVar[str] = "Drying machines over each time: kind, hours, litres collected, electricity."

    began_at: Text = moment("From")
    ended_at: Text = moment("To")
    machine_kind: Text = word("machine_kind", "What ran", required=True)
    machine_count: Number = number("How many", ge=0)
    machine_h: Number = number("Hours they ran, all together", ge=0)
    tent_m2: Number = number("Area under sheets", ge=0)
    collected_l: Number = number("Water collected", ge=0)
    energy_kwh: Number = number("Electricity used, kWh", ge=0)
    openings_state: Text = text("Doors and windows")
