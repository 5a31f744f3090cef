"""Every kind of event a home's file may hold, declared once.

From these declarations come the checks of each cell, the blank templates, the field guide and what is
written down. An event is never changed: another names it in ``corrects`` and stands in its place, and both
stay.
"""

from __future__ import annotations

from functools import cache
from typing import Any, ClassVar

from pydantic import Field

from geo.site.fields import NeededNumber, Number, Text, date, number, text, word
from geo.site.record import Record

_MOMENT = r"^\d{4}-\d{2}-\d{2}(T\d{2}:\d{2}(:\d{2})?(Z|[+-]\d{2}:\d{2})?)?$"


def _when(doc: str) -> Any:
    """Declare a needed date, or date and time."""
    return Field(..., description=doc, json_schema_extra={"type": "moment"}, pattern=_MOMENT)


def _due(doc: str) -> Any:
    """Declare a needed date."""
    return Field(..., description=doc, json_schema_extra={"type": "date"}, pattern=r"^\d{4}-\d{2}-\d{2}$")


class Happened(Record):
    """What every event has."""

    named: ClassVar[str]
    """The event in a sentence: "written summary"."""

    id: Text = text("The event's own number, once in the whole register", required=True, longest=80)
    home_id: Text = text(
        "The landlord's number of the home, no name and no address", required=True, longest=80
    )
    case_id: Text = text("Case it belongs to; blank for a home's only case", longest=80)
    at: Text = _when("When it happened: a date, or date and time")
    by_role: Text = word("register_role", "Role of who did it", required=True)
    corrects: Text = text("Event it stands in the place of", longest=80)
    note: Text = text("Anything else worth knowing")


class HomeListed(Happened):
    """Facts about a home."""

    kind: ClassVar[str] = "home"
    stem: ClassVar[str] = "homes"
    named: ClassVar[str] = "facts of the home"
    about: ClassVar[str] = (
        "Facts of a home, by number: never a name, never an address. A later row changes what it fills in."
    )

    estate: Text = text("Estate or street, as the landlord calls it", longest=120)
    nation: Text = word("nation", "Nation whose law and holidays count")
    tenure: Text = word("tenure", "How it is held")
    easting_m: Number = number("Easting in the national grid")
    northing_m: Number = number("Northing in the national grid")
    built_year: Number = number("Year it was built", ge=1000, le=2200)
    drawing_type: Text = text("Type of drawing it was built to", longest=120)
    installer: Text = text("Firm that laid its drains, as the landlord calls it", longest=120)
    soil: Text = text("Soil, as clay or sand over chalk", longest=120)
    bedrooms_count: Number = number("Bedrooms", ge=0, le=50)
    vulnerable: Text = word("yes_no", "Somebody there at higher risk from damp: the flag only, never why")
    site_id: Text = text("Its survey in the workspace", longest=120)


class Reported(Happened):
    """The landlord became aware."""

    kind: ClassVar[str] = "report"
    stem: ClassVar[str] = "reports"
    named: ClassVar[str] = "report"
    about: ClassVar[str] = "Reports: the moment the landlord became aware, and what was said, as it was said."

    channel: Text = word("report_channel", "How it came", required=True)
    said: Text = text("What was said, as it was said, without names")


class Triaged(Happened):
    """What the first look made of a report."""

    kind: ClassVar[str] = "triage"
    stem: ClassVar[str] = "triages"
    named: ClassVar[str] = "first decision"
    about: ClassVar[str] = "What was made of a report, and why; the latest holds."

    hazard: Text = word("hazard", "What it was taken to be", required=True)
    reason: Text = text("Why", required=True)
    electrics: Text = word("yes_no", "Electrics wet", default="not_known")
    sewage: Text = word("yes_no", "Sewage in the home", default="not_known")
    bedrooms_count: Number = number("Bedrooms affected", ge=0, le=50)
    vulnerable: Text = word("yes_no", "Somebody there at higher risk: the flag only", default="not_known")


class AccessTried(Happened):
    """One try to get in."""

    kind: ClassVar[str] = "access_attempt"
    stem: ClassVar[str] = "access_attempts"
    named: ClassVar[str] = "try to get in"
    about: ClassVar[str] = "Tries to get in: when, how, and what came of each."

    method: Text = word("access_method", "How", required=True)
    result: Text = word("access_result", "What came of it", required=True)


class Visited(Happened):
    """One visit."""

    kind: ClassVar[str] = "visit"
    stem: ClassVar[str] = "visits"
    named: ClassVar[str] = "visit"
    about: ClassVar[str] = "Visits to homes, and what for."

    purpose: Text = word("visit_purpose", "What for", required=True)


class Investigated(Happened):
    """An investigation concluded."""

    kind: ClassVar[str] = "investigated"
    stem: ClassVar[str] = "investigations"
    named: ClassVar[str] = "conclusion of the investigation"
    about: ClassVar[str] = "Investigations concluded: what was found, and by which visit."

    hazard: Text = word("hazard", "What was found", required=True)
    found: Text = text("In a sentence")
    not_looked: Text = text("What was not looked at")


class SummarySent(Happened):
    """The written summary went out."""

    kind: ClassVar[str] = "summary_sent"
    stem: ClassVar[str] = "summaries_sent"
    named: ClassVar[str] = "written summary"
    about: ClassVar[str] = "Written summaries sent, each with the hash of the copy kept."

    channel: Text = word("report_channel", "How it was sent", required=True)
    sha256: Text = text("SHA-256 of the copy", longest=64)


class Told(Happened):
    """The resident was told something."""

    kind: ClassVar[str] = "told"
    stem: ClassVar[str] = "told"
    named: ClassVar[str] = "word to the resident"
    about: ClassVar[str] = "What the resident was told, and how."

    channel: Text = word("report_channel", "How", required=True)
    said: Text = text("What", required=True)


class Accommodated(Happened):
    """Somewhere else to live."""

    kind: ClassVar[str] = "accommodation"
    stem: ClassVar[str] = "accommodation"
    named: ClassVar[str] = "other accommodation"
    about: ClassVar[str] = "Other accommodation: offered, refused, moved out, moved back."

    state: Text = word("accommodation_state", "What", required=True)


class MadeSafe(Happened):
    """Safety work done."""

    kind: ClassVar[str] = "made_safe"
    stem: ClassVar[str] = "made_safe"
    named: ClassVar[str] = "safety work"
    about: ClassVar[str] = "Safety work done: what, and how it is known to be safe."

    done: Text = text("What was done", required=True)


class ReadAlong(Happened):
    """A length of wall read, and how wet it was."""

    kind: ClassVar[str] = "stretch"
    stem: ClassVar[str] = "stretches"
    named: ClassVar[str] = "reading of a wall"
    about: ClassVar[str] = (
        "Lengths of wall as they were read, first and again: the latest of a place holds. One that passes the"
        " origin corner is two rows."
    )

    building_id: Text = text("Building, where there are several", longest=80)
    ring: Text = text("Blank for the outline", longest=80)
    side: Text = word("side", "Which side of the wall", default="inside")
    chainage_from_m: NeededNumber = number("Where it begins", ge=0, le=2000, required=True)
    chainage_to_m: NeededNumber = number("Where it ends", ge=0, le=2000, required=True)
    wetness: Text = word("wetness", "How it was", required=True)
    free_water: Text = word("yes_no", "More water than salts hold", default="not_known")
    unexplained_m: Number = number("Of it, explained by no cause", ge=0, le=2000)
    method: Text = word("method", "How it was read")
    reading_ids: Text = text("Readings it rests on, in the survey")


class AssetLooked(Happened):
    """An asset that serves the home, looked at or not."""

    kind: ClassVar[str] = "asset_look"
    stem: ClassVar[str] = "asset_looks"
    named: ClassVar[str] = "look at an asset"
    about: ClassVar[str] = (
        "Assets that serve the home, and what was found of each. A shared one has the same number in every"
        " home it serves, and is counted once."
    )

    asset_id: Text = text("The asset's number, the same for every home it serves", required=True, longest=80)
    asset_kind: Text = word("asset_kind", "What it is", required=True)
    state: Text = word("inspected_state", "What was found", required=True)
    chosen_by: Text = word("chosen_by", "Why this one was looked at", default="complaint")
    fault: Text = text("What is wrong with it")
    pays: Text = text("Role of who pays for it, where that was settled", longest=120)


class Diagnosed(Happened):
    """A cause put to a wet length."""

    kind: ClassVar[str] = "diagnosis"
    stem: ClassVar[str] = "diagnoses"
    named: ClassVar[str] = "diagnosis"
    about: ClassVar[str] = "Causes put to a wet length, and how far each was borne out; the latest holds."

    cause: Text = word("cause", "Which cause", required=True)
    asset_id: Text = text("Asset or feature it is about", longest=80)
    state: Text = word("diagnosis_state", "How far it is borne out", required=True)
    building_id: Text = text("Building, where there are several", longest=80)
    ring: Text = text("Blank for the outline", longest=80)
    side: Text = word("side", "Which side of the wall", default="inside")
    chainage_from_m: Number = number("Where it begins", ge=0, le=2000)
    chainage_to_m: Number = number("Where it ends", ge=0, le=2000)
    rests_on_ids: Text = text("Tests, readings, openings it rests on")
    air_log_days: Number = number("Days of logged air it rests on", ge=0, le=2000)


class Worked(Happened):
    """A stage of a repair."""

    kind: ClassVar[str] = "works"
    stem: ClassVar[str] = "works"
    named: ClassVar[str] = "works"
    about: ClassVar[str] = (
        "Repairs: ordered, started, finished. What was left unexplained is told at the finish."
    )

    repair_id: Text = text("The repair's number", required=True, longest=80)
    stage: Text = word("works_stage", "How far it is", required=True)
    repair_kind: Text = word("repair_kind", "Which repair")
    cause: Text = word("cause", "Cause it answers")
    asset_id: Text = text("Asset it was done to", longest=80)
    building_id: Text = text("Building, where there are several", longest=80)
    ring: Text = text("Blank for the outline", longest=80)
    side: Text = word("side", "Side of the wall that was wet", default="inside")
    chainage_from_m: Number = number("Where the wet length begins", ge=0, le=2000)
    chainage_to_m: Number = number("Where it ends", ge=0, le=2000)
    unexplained_m: Number = number("Wet length explained by no cause when it was finished", ge=0, le=2000)


class HoldChecked(Happened):
    """A hold point's result."""

    kind: ClassVar[str] = "hold_result"
    stem: ClassVar[str] = "hold_results"
    named: ClassVar[str] = "hold point"
    about: ClassVar[str] = "Results at hold points."

    hold_point: Text = word("hold_point", "Which one", required=True)
    result: Text = word("hold_result", "What came of it", required=True)
    repair_id: Text = text("Repair it is of", longest=80)


class Retested(Happened):
    """A source tested again."""

    kind: ClassVar[str] = "retest"
    stem: ClassVar[str] = "retests"
    named: ClassVar[str] = "test"
    about: ClassVar[str] = "Sources tested: a test that showed nothing counts only if it was big enough."

    asset_id: Text = text("Asset tested", required=True, longest=80)
    trial_kind: Text = word("trial_kind", "Which test")
    result: Text = word("retest_result", "What came of it", required=True)


class Cost(Happened):
    """Money spent."""

    kind: ClassVar[str] = "cost"
    stem: ClassVar[str] = "costs"
    named: ClassVar[str] = "cost"
    about: ClassVar[str] = "Money spent, in the landlord's own figures; a credit is negative."

    amount: NeededNumber = number("How much", ge=-1e8, le=1e8, required=True)
    currency: Text = Field(
        ..., description="Three letters, as GBP", pattern=r"^[A-Z]{3}$", json_schema_extra={"type": "text"}
    )
    cost_for: Text = word("cost_for", "What for", required=True)
    repair_id: Text = text("Repair it is of", longest=80)
    cause: Text = word("cause", "Cause it answers")
    length_m: Number = number("Length of wall it was for", ge=0, le=2000)


class Noticed(Happened):
    """A notice from somebody with rights."""

    kind: ClassVar[str] = "notice"
    stem: ClassVar[str] = "notices"
    named: ClassVar[str] = "notice"
    about: ClassVar[str] = (
        "Notices received: complaints, letters of claim, councils, courts. Where one tells of damp for the"
        " first time, enter a report too: dates are counted from it."
    )

    notice_kind: Text = word("notice_kind", "What it is", required=True)
    reply_by: Text = date("Date by which it asks for an answer")
    sha256: Text = text("SHA-256 of the copy", longest=64)


class Promised(Happened):
    """A date given to somebody."""

    kind: ClassVar[str] = "promise"
    stem: ClassVar[str] = "promises"
    named: ClassVar[str] = "promise"
    about: ClassVar[str] = "Dates promised to residents."

    promised: Text = text("What was promised", required=True, longest=200)
    due_on: Text = _due("By when")


class Kept(Happened):
    """A promise or a notice answered."""

    kind: ClassVar[str] = "kept"
    stem: ClassVar[str] = "kept"
    named: ClassVar[str] = "answer"
    about: ClassVar[str] = "What was promised and done, or a notice answered."

    of_id: Text = text("The promise or notice", required=True, longest=80)


class Filed(Happened):
    """A document put in the file."""

    kind: ClassVar[str] = "document"
    stem: ClassVar[str] = "documents"
    named: ClassVar[str] = "document"
    about: ClassVar[str] = "Documents and photographs of the case, by their hash."

    name: Text = text("Name of the file, without names of people", required=True, longest=120)
    sha256: Text = Field(
        ..., description="SHA-256 of its bytes", pattern=r"^[0-9a-f]{64}$", json_schema_extra={"type": "text"}
    )
    of_ids: Text = text("Events it belongs to, separated by spaces")


class Closed(Happened):
    """A case was closed."""

    kind: ClassVar[str] = "closed"
    stem: ClassVar[str] = "closed"
    named: ClassVar[str] = "closing of the case"
    about: ClassVar[str] = "Cases closed, and why; a later report opens a case again."

    reason: Text = word("close_reason", "Why", required=True)
    unexplained_m: Number = number("Wet length explained by no cause", ge=0, le=2000)


class Withdrawn(Happened):
    """An event that was entered by mistake."""

    kind: ClassVar[str] = "withdrawn"
    stem: ClassVar[str] = "withdrawn"
    named: ClassVar[str] = "withdrawal"
    about: ClassVar[str] = (
        "Events entered by mistake: named in corrects, with the reason; they stay to be seen."
    )

    reason: Text = text("Why", required=True)


EVENTS: dict[str, type[Happened]] = {
    model.kind: model
    for model in (
        HomeListed,
        Reported,
        Triaged,
        AccessTried,
        Visited,
        Investigated,
        SummarySent,
        Told,
        Accommodated,
        MadeSafe,
        ReadAlong,
        AssetLooked,
        Diagnosed,
        Worked,
        HoldChecked,
        Retested,
        Cost,
        Noticed,
        Promised,
        Kept,
        Filed,
        Closed,
        Withdrawn,
    )
}
"""Every kind of event by name."""

STEMS = {model.stem: model for model in EVENTS.values()}

OWN_COLUMNS = ("id", "home_id", "case_id", "by_role", "corrects")
"""Fields the register keeps in columns of their own; the others are in the payload."""


def event_words(kind: str) -> str:
    """Return an event's kind as a sentence has it; a stage of works too."""
    if kind in EVENTS:
        return EVENTS[kind].named
    if kind.startswith("works_"):
        return f"works {kind.removeprefix('works_')}"
    return kind.replace("_", " ")


@cache
def payload_fields(model: type[Happened]) -> tuple[str, ...]:
    """Return the fields of a kind of event that have no column of their own."""
    return tuple(name for name in model.columns() if name not in OWN_COLUMNS)


def own_fields(event: Happened) -> dict[str, Any]:
    """Return what an event says, without what has a column of its own and without what is blank."""
    held = event.__dict__
    return {name: held[name] for name in payload_fields(type(event)) if held[name] not in (None, "")}
