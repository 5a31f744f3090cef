"""The kinds of field a record may have; each carries what a person must know to fill it in."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field
from pydantic.config import JsonDict
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from geo import reference

UNITS = {
    "_m": "metres",
    "_mm": "millimetres",
    "_deg": "degrees",
    "_percent": "per cent",
    "_m2": "square metres",
    "_l": "litres",
    "_l_s": "litres per second",
    "_l_h": "litres per hour",
    "_g": "grams",
    "_c": "degrees Celsius",
    "_h": "hours",
    "_m_s": "metres per second",
    "_m3": "cubic metres",
    "_s": "seconds",
    "_mg_l": "milligrams per litre",
    "_kwh": "kilowatt hours",
    "_kg_m3": "kilograms per cubic metre",
    "_count": "number",
}


def unit_of(name: str) -> str:
    """Return the unit a column name ends with, or ``""``."""
    ends = [end for end in UNITS if name.endswith(end)]
    return UNITS[max(ends, key=len)] if ends else ""


def number(
    doc: str,
    *,
    ge: float | None = None,
    le: float | None = None,
    gt: float | None = None,
    lt: float | None = None,
    required: bool = False,
) -> Any:
    """Declare a number; its unit is the end of its name."""
    default: Any = ... if required else None
    kind: JsonDict = {"type": "number"}
    return Field(
        default, description=doc, ge=ge, le=le, gt=gt, lt=lt, allow_inf_nan=False, json_schema_extra=kind
    )


def text(doc: str, *, required: bool = False, longest: int = 2000) -> Any:
    """Declare free text; it is data everywhere and never runs."""
    default: Any = ... if required else ""
    return Field(default, description=doc, max_length=longest, json_schema_extra={"type": "text"})


def word(group: str, doc: str, *, required: bool = False, default: str = "") -> Any:
    """Declare a word out of one group of ``shared/vocabulary.toml``."""
    kind: JsonDict = {"type": "word", "group": group}
    start: Any = ... if required else default
    return Field(start, description=doc, json_schema_extra=kind)


def date(doc: str) -> Any:
    """Declare a date (2026-11-03)."""
    return Field("", description=doc, json_schema_extra={"type": "date"}, pattern=r"^(\d{4}-\d{2}-\d{2})?$")


def moment(doc: str) -> Any:
    """Declare a date and time with or without a zone (2026-11-03T14:05)."""
    pattern = r"^(\d{4}-\d{2}-\d{2}(T\d{2}:\d{2}(:\d{2})?(Z|[+-]\d{2}:\d{2})?)?)?$"
    return Field("", description=doc, json_schema_extra={"type": "moment"}, pattern=pattern)


def _clean(value: Any) -> Any:
    """Refuse control characters, which no name or note needs."""
    if isinstance(value, str) and any(ord(sign) < 32 and sign not in "\n\t" for sign in value):
        raise PydanticCustomError("control_character", "holds a control character")
    return value


def _no_comma(value: Any) -> Any:
    """Say plainly that a decimal comma is not read, rather than that "1,5" is no number."""
    if isinstance(value, str) and value.count(",") == 1 and value.replace(",", "", 1).lstrip("-").isdigit():
        raise PydanticCustomError("decimal_comma", "is written with a decimal comma")
    if isinstance(value, bool):
        raise PydanticCustomError("float_parsing", "is not a number")
    return value


Number = Annotated[float | None, BeforeValidator(_no_comma)]
NeededNumber = Annotated[float, BeforeValidator(_no_comma)]
Text = Annotated[str, AfterValidator(_clean)]


def group_of(field: FieldInfo) -> str:
    """Return the vocabulary group of a word field, or ``""``."""
    extra = field.json_schema_extra
    return str(extra.get("group", "")) if isinstance(extra, dict) else ""


def type_of(field: FieldInfo) -> str:
    """Return ``number``, ``text``, ``word``, ``date`` or ``moment``."""
    extra = field.json_schema_extra
    return str(extra.get("type", "text")) if isinstance(extra, dict) else "text"


def words_of(group: str) -> tuple[str, ...]:
    """Return the words a group allows; methods are the keys of ``shared/methods.toml``."""
    known = reference.default()
    return tuple(known.methods) if group == "method" else tuple(known.vocabulary.get(group, {}))


def allowed(name: str, field: FieldInfo) -> str:
    """Say in words what a column may hold."""
    group = group_of(field)
    if group:
        return "one of " + ", ".join(words_of(group))
    kind = type_of(field)
    if kind == "number":
        unit = unit_of(name)
        return "a number" + (f" in {unit}" if unit else "") + _range(field)
    if kind == "date":
        return "a date as 2026-11-03"
    if kind == "moment":
        return "a date, or date and time, as 2026-11-03T14:05"
    return "text"


def _range(field: FieldInfo) -> str:
    bounds = {type(limit).__name__: limit for limit in field.metadata}
    low = getattr(bounds.get("Ge"), "ge", None)
    over = getattr(bounds.get("Gt"), "gt", None)
    high = getattr(bounds.get("Le"), "le", None)
    under = getattr(bounds.get("Lt"), "lt", None)
    if low is not None and high is not None:
        return f" from {low:g} to {high:g}"
    if low is not None and under is not None:
        return f" from {low:g} to below {under:g}"
    if low is not None:
        return f" of {low:g} or more"
    if over is not None:
        return f" above {over:g}"
    return f" of {high:g} or less" if high is not None else ""
