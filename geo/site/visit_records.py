"""Records of what was done on site: tests, holes, accounts, leave, visits, photographs."""

from __future__ import annotations

from typing import ClassVar

from geo.site.fields import NeededNumber, Number, Text, date, moment, number, text, word
from geo.site.record import Noted, Placed


class Trial(Placed):
    """A test made on site: water, dye, tracing, pressure. Its position is where it showed."""

    kind: ClassVar[str] = "trial"
    stem: ClassVar[str] = "trials"
    about: ClassVar[str] = (
        "Tests made on site. A test that showed nothing counts only if it was big enough, so give its water"
        " and its minutes. The position is where it showed; leave it blank when it did not."
    )

    trial_kind: Text = word("trial_kind", "Which test", required=True)
    stage: Text = word("level_stage", "Made to find the cause, or after the works", default="as_found")
    source_id: Text = text("Where the water or signal was put in", required=True)
    volume_l: Number = number("Water put in", ge=0)
    volume_sigma_l: Number = number("Its standard deviation", gt=0)
    bucket_l: Number = number("Rate by bucket: litres of the bucket", gt=0)
    bucket_s: Number = number("Rate by bucket: seconds to fill it", gt=0)
    rate_l_s: Number = number("Rate, where known otherwise", ge=0)
    started_at: Text = moment("Start")
    stopped_at: Text = moment("Stop")
    dye: Text = word("dye", "Colour of the dye; a different one for each source")
    watched: Text = text("Ids or places watched, separated by spaces")
    shown: Text = word("trial_shown", "What came of it", required=True)
    shown_id: Text = text("Asset it showed at")
    shown_after_s: Number = number("Seconds until it showed", ge=0)
    height_m: Number = number(
        "Where it showed: above the floor inside, above the ground outside", ge=0, le=30
    )
    rise_level_m: Number = number("Highest level the water stood at")
    fall_mm: Number = number("Drop of the water in the test of a plugged run", ge=0)
    stopped_because: Text = text("Why it was stopped")


class OpeningUp(Placed):
    """A hole made to look: what was seen, and how far."""

    kind: ClassVar[str] = "opening_up"
    stem: ClassVar[str] = "openings_up"
    about: ClassVar[str] = "Holes made to look in, and what was seen. A hole speaks for its reach only."

    opening_up_kind: Text = word("opening_up_kind", "What was opened", required=True)
    consent_id: Text = text("Consent it was made under")
    size_mm: Number = number("Size of the hole", gt=0)
    level_m: Number = number("Level of the hole")
    plaster_bottom_level_m: Number = number("Bottom of the plaster")
    dpc_outer_level_m: Number = number("Damp proof course of the outer leaf")
    dpc_inner_level_m: Number = number("Damp proof course of the inner leaf")
    slab_top_level_m: Number = number("Top of the slab")
    soffit_level_m: Number = number("Underside of the slab")
    level_sigma_m: Number = number("Standard deviation of those levels", gt=0)
    membrane: Text = word("membrane", "Damp proof membrane", default="not_known")
    cavity_mm: Number = number("Width of the cavity", ge=0, le=400)
    debris_top_level_m: Number = number("Level of the debris top")
    water_depth_mm: Number = number("Depth of water in the cavity", ge=0)
    reach_left_m: Number = number("How far one saw anticlockwise", ge=0)
    reach_right_m: Number = number("How far one saw clockwise", ge=0)
    seen_left: Text = text("What was seen that way")
    seen_right: Text = text("What was seen that way")
    made_good: Text = word("yes_no", "Closed and made good", default="not_known")
    opened_at: Text = moment("When")


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


class Consent(Noted):
    """Leave to do what needs leave."""

    kind: ClassVar[str] = "consent"
    stem: ClassVar[str] = "consents"
    about: ClassVar[str] = (
        "Leave asked and given, by role: openings, dye, neighbours' ground, loggers, photographs."
    )

    consent_for: Text = word("consent_for", "What it is for", required=True)
    given_by: Text = word("speaker", "Role of who may give it", required=True)
    state: Text = word("consent_state", "Asked, given or refused", required=True)
    given_on: Text = date("When")
    limits: Text = text("What it is limited to")


class Visit(Noted):
    """One visit to the site."""

    kind: ClassVar[str] = "visit"
    stem: ClassVar[str] = "visits"
    about: ClassVar[str] = "Visits: when, in what weather, what for, and what stood in the way."

    arrived_at: Text = moment("Arrival")
    left_at: Text = moment("Departure")
    purpose: Text = text("What this visit had to settle")
    present: Text = text("Who was there, by role")
    weather: Text = text("Weather")
    rain_48h_mm: Number = number("Rain in the 48 hours before", ge=0)
    rain_7d_mm: Number = number("Rain in the 7 days before", ge=0)
    rain_30d_mm: Number = number("Rain in the 30 days before", ge=0)
    access: Text = word("access", "Whether one got in", default="full")
    hazards: Text = text("What endangers people there")


class Instrument(Noted):
    """An instrument, and the check that it reads true."""

    kind: ClassVar[str] = "instrument"
    stem: ClassVar[str] = "instruments"
    about: ClassVar[str] = "Instruments used, and the check made before they were used."

    principle: Text = text("What it measures by")
    scale: Text = text("Its scale, and where that ends")
    checked_on: Text = date("When it was last calibrated or checked")
    check_expected: Number = number("What the check block should read")
    check_read: Number = number("What it read")


class MeterReading(Noted):
    """One reading of a water meter."""

    kind: ClassVar[str] = "meter_reading"
    stem: ClassVar[str] = "meter_readings"
    about: ClassVar[str] = "Water meter readings; two with everything off are a test for a leak."

    service_id: Text = text("Service it is on")
    reading_m3: NeededNumber = number("Reading in cubic metres, to the last digit", ge=0, required=True)
    resolution_l: Number = number("Last digit that can be read", gt=0)
    all_off: Text = word("yes_no", "Everything was off since the reading before", default="not_known")
    taken_at: Text = moment("When")


class Event(Noted):
    """Rain or use of water over a time."""

    kind: ClassVar[str] = "event"
    stem: ClassVar[str] = "events"
    about: ClassVar[str] = "Rain and use of water, interval by interval, to hold against what grew wet."

    event_kind: Text = word("event_kind", "What it was", required=True)
    of_id: Text = text("Asset or fixture it concerns")
    began_at: Text = moment("When it began")
    ended_at: Text = moment("When it ended")
    rain_mm: Number = number("Depth of rain", ge=0)
    used_l: Number = number("Water used", ge=0)
    source: Text = text("Gauge and its distance, or who logged it by role")


class StopMark(Noted):
    """What became of one stop of the walk."""

    kind: ClassVar[str] = "stop_mark"
    stem: ClassVar[str] = "stop_marks"
    about: ClassVar[str] = "Stops of the walk that were done, left out or could not be reached."

    stop: Text = text("Stop of the walk plan", required=True)
    state: Text = word("stop_state", "What became of it", required=True)
    marked_at: Text = moment("When")


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
