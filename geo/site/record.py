"""What every record has, and what placed, seen and measured records have besides.

A field's name carries its unit. Raw numbers stay as they were taken; positions, reduced levels and
bases are worked out again from them whenever they are needed.
"""

from __future__ import annotations

from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError
from shapely.geometry.base import BaseGeometry

from geo.site.fields import NeededNumber, Number, Text, date, group_of, number, text, word, words_of


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
