"""Records of what was noticed, what was decided of it, and what the surveyor states."""

from __future__ import annotations

from typing import ClassVar

from geo.site.fields import Number, Text, date, moment, number, text, word
from geo.site.record import Between, Noted


class WallFeature(Between):
    """A part of a wall that water could come in by, over or beside."""

    kind: ClassVar[str] = "wall_feature"
    stem: ClassVar[str] = "wall_features"
    about: ClassVar[str] = "Chimney breasts, hearths, sills, parapets, abutments, trays, cracked faces."

    feature_kind: Text = word("feature_kind", "What it is", required=True)
    state: Text = word("feature_state", "State", default="not_looked")
    level_m: Number = number("Level of the lowest place water could come in by")
    level_sigma_m: Number = number("Its standard deviation", gt=0)
    seen_on: Text = date("When it was looked at")


class Sign(Between):
    """What was noticed along a length of wall and no reading carries."""

    kind: ClassVar[str] = "sign"
    stem: ClassVar[str] = "signs"
    about: ClassVar[str] = "What was noticed along the wall: smells, mould, tide marks, what it follows."

    side: Text = word("side", "Which side of the wall", default="inside")
    sign: Text = word("sign", "What was noticed", required=True)
    of_id: Text = text("Asset it seems to go with, where one was named")
    height_m: Number = number("Its top: above the floor inside, above the ground outside", ge=0, le=30)
    area_m2: Number = number("Area it covers", ge=0)
    seen_on: Text = date("When it was noticed")


class Hypothesis(Between):
    """One decision about one cause of a wet length; what was decided before stays."""

    kind: ClassVar[str] = "hypothesis"
    stem: ClassVar[str] = "hypotheses"
    about: ClassVar[str] = "Decisions about causes, each with its reason; the latest of a cause holds."

    side: Text = word("side", "Which side of the wall", default="inside")
    cause: Text = word("cause", "Which cause", required=True)
    of_id: Text = text("Asset or feature it is about")
    state: Text = word("hypothesis_state", "What was decided", required=True)
    reason: Text = text("Why", required=True)
    because_ids: Text = text("Ids of the records it rests on, separated by spaces")
    decided_at: Text = moment("When")
    decided_by: Text = text("Role, not a name")


class Statement(Noted):
    """A sentence of the surveyor for the report."""

    kind: ClassVar[str] = "statement"
    stem: ClassVar[str] = "statements"
    about: ClassVar[str] = "Sentences for the report: fact, inference, opinion, advice; what each rests on."

    statement_kind: Text = word("statement_kind", "Fact, inference, opinion or advice", required=True)
    section: Text = word("report_section", "Where it stands", default="findings")
    said: Text = text("The sentence", required=True)
    rests_on_ids: Text = text("Ids of the records it rests on, separated by spaces")
    stated_on: Text = date("When")
    stated_by: Text = text("Role, not a name")
