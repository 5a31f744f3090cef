"""Records of gullies, downpipes, drains and services."""

from __future__ import annotations

from typing import ClassVar

from geo.site.fields import NeededNumber, Number, Text, date, moment, number, text, word
from geo.site.record import Between, Noted, Seen


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
    opening_cm2: Number = number("Size of the open pipe left where it was removed", gt=0)


class Downpipe(Seen):
    """A rainwater downpipe and its foot."""

    kind: ClassVar[str] = "downpipe"
    stem: ClassVar[str] = "downpipes"
    about: ClassVar[str] = "Downpipes: bore, roof served, foot, state."

    bore_mm: Number = number("Bore", gt=0, le=300)
    roof_m2: Number = number("Plan area of the roof it serves", ge=0)
    roof_pitch_deg: Number = number("Pitch of that roof; blank takes it as flat", ge=0, lt=90)
    foot: Text = word("downpipe_foot", "Where it ends", default="not_known")
    foot_level_m: Number = number("Level of the foot or lowest open joint")
    level_sigma_m: Number = number("Its standard deviation", gt=0)
    into_id: Text = text("Gully, chamber or run it discharges to; blank when joined to nothing")
    state: Text = word("downpipe_state", "State", default="sound")
    opening_cm2: Number = number("Size of the crack or open joint at its foot", gt=0)


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
    opening_cm2: Number = number("Size of the crack or hole in its wall", gt=0)


class Run(Noted):
    """A drain run between two assets."""

    kind: ClassVar[str] = "run"
    stem: ClassVar[str] = "runs"
    shape: ClassVar[str] = "LineString"
    about: ClassVar[str] = "Drain runs drawn from upstream to downstream, and how each end is known."

    from_id: Text = text("Asset at the upstream end; blank when not traced")
    to_id: Text = text("Asset at the downstream end; blank when it ends nowhere known")
    use: Text = word("run_use", "Foul, surface water or combined", default="not_known")
    owner: Text = word("run_owner", "Whose it is, as far as known", default="not_known")
    bore_mm: Number = number("Bore", gt=0, le=1200)
    pipe_material: Text = text("Clay, plastic, pitch fibre …")
    invert_up_level_m: Number = number("Invert at the upstream end")
    invert_down_level_m: Number = number("Invert at the downstream end")
    crest_level_m: Number = number("Highest invert between the ends, where there is a hump")
    level_sigma_m: Number = number("Standard deviation of those levels", gt=0)
    state: Text = word("run_state", "State", default="not_traced")
    passes_l_s: Number = number("What a slow run still passes", ge=0)
    passes_level_m: Number = number("Level of the water above the stop when that was measured")
    opening_cm2: Number = number("Size of the crack or open joint", gt=0)
    sag_mm: Number = number("Depth of the water a belly holds, at its deepest", gt=0)
    fault_at_m: Number = number("Distance of the fault from the upstream end", ge=0)
    from_evidence: Text = word("trace_evidence", "How the upstream end is known", default="assumed")
    to_evidence: Text = word("trace_evidence", "How the downstream end is known", default="assumed")


class Fitting(Noted):
    """A valve, pump or trap in a run."""

    kind: ClassVar[str] = "fitting"
    stem: ClassVar[str] = "fittings"
    about: ClassVar[str] = "Non-return valves, pumps and traps in a run, which let water one way or hold it."

    run_id: Text = text("Run it is in", required=True)
    fitting_kind: Text = word("fitting_kind", "What it is", required=True)
    at_m: Number = number("Distance from the upstream end of the run", ge=0)
    passes_l_s: Number = number("What a pump delivers", ge=0)
    state: Text = word("fitting_state", "State", default="not_known")
    evidence: Text = word("evidence", "How the state is known", default="seen")
    seen_on: Text = date("When it was looked at")


class WaterLevel(Noted):
    """A level at which water stood, or may stand, at an asset."""

    kind: ClassVar[str] = "water_level"
    stem: ClassVar[str] = "water_levels"
    about: ClassVar[str] = (
        "Levels of standing water: dips in chambers and gullies, and how high a sewer or ditch has stood."
    )

    of_id: Text = text("Asset it was taken at", required=True)
    level_m: NeededNumber = number("Level of the water above the site datum", required=True)
    level_sigma_m: Number = number("Its standard deviation", gt=0)
    condition: Text = word("water_condition", "When water stands so", required=True)
    evidence: Text = word("evidence", "How it is known", default="seen")
    taken_at: Text = moment("When")


class Fixture(Seen):
    """A waste, stack, rodding eye, channel, butt or overflow."""

    kind: ClassVar[str] = "fixture"
    stem: ClassVar[str] = "fixtures"
    about: ClassVar[str] = "Wastes, stacks, rodding eyes, channels, butts, taps and overflows at the wall."

    fixture_kind: Text = word("fixture_kind", "What it is", required=True)
    bore_mm: Number = number("Bore", gt=0, le=600)
    level_m: Number = number("Level at which water leaves it or enters it")
    level_sigma_m: Number = number("Its standard deviation", gt=0)
    into_id: Text = text("Gully, chamber or run it discharges to; blank when joined to nothing")
    state: Text = word("fixture_state", "State", default="sound")


class Service(Noted):
    """A pipe under pressure."""

    kind: ClassVar[str] = "service"
    stem: ClassVar[str] = "services"
    shape: ClassVar[str] = "LineString"
    about: ClassVar[str] = "Pressurised services: mains, heating loops, external taps."

    service_kind: Text = word("service_kind", "What it is", required=True)
    state: Text = word("service_state", "Tight or not", default="not_known")
    loss_l_h: Number = number("Loss found by test", ge=0)
    depth_m: Number = number("Depth of its crown below the ground", ge=0)
    depth_sigma_m: Number = number("Standard deviation of that", gt=0)
    evidence: Text = word("evidence", "How it is known", default="reported")
