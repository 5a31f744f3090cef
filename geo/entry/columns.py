"""The columns a person types into, made from the record declarations."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from geo import reference
from geo.reference import Reference
from geo.site.fields import allowed, group_of, type_of, unit_of, words_of
from geo.site.records import KINDS

SHORT_UNITS = {
    "metres": "m",
    "millimetres": "mm",
    "degrees": "°",
    "per cent": "%",
    "square metres": "m²",
    "cubic metres": "m³",
    "litres": "l",
    "litres per second": "l/s",
    "litres per hour": "l/h",
    "grams": "g",
    "degrees Celsius": "°C",
    "hours": "h",
    "seconds": "s",
    "metres per second": "m/s",
    "milligrams per litre": "mg/l",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a grid.

    Parameters
    ----------
    name
        Field of the record.
    label, unit, hint
        What stands over it, its unit in short, and what it may hold.
    type
        ``number``, ``text``, ``word``, ``date``, ``moment``, or ``value`` for a reading with > or <.
    words
        For a word: what files hold, and what people read.
    carry
        A blank cell takes what stands above it.
    needed
        The record cannot be without it.
    """

    name: str
    label: str
    type: str
    unit: str = ""
    hint: str = ""
    words: Mapping[str, str] = field(default_factory=dict)
    carry: bool = False
    needed: bool = False


def columns_of(
    kind: str,
    names: Iterable[str] | None = None,
    *,
    carry: Iterable[str] = (),
    ref: Reference | None = None,
) -> tuple[Column, ...]:
    """Return the columns of a kind of record.

    Parameters
    ----------
    names
        Fields to show, in order; all of them by default.
    carry
        Those whose blank cells take what stands above.

    Raises
    ------
    KeyError
        On a kind or field that is not declared.
    """
    model, known = KINDS[kind], ref or reference.default()
    carried = set(carry)
    return tuple(
        _column(name, model.model_fields[name], kind=kind, carry=name in carried, ref=known)
        for name in (model.columns() if names is None else names)
    )


def word_labels(group: str, ref: Reference) -> dict[str, str]:
    """Return what people read for each word of a group."""
    if group == "method":
        return {name: str(method.name) for name, method in ref.methods.items()}
    return {name: ref.word(group, name) for name in words_of(group)}


def _column(name: str, declared: Any, *, kind: str, carry: bool, ref: Reference) -> Column:
    group = group_of(declared)
    unit = SHORT_UNITS.get(unit_of(name), "")
    about = declared.description or ""
    if name == "value" and kind == "reading":
        holds = "a number, or >100 or <6 when off the scale"
    else:
        holds = "" if group or type_of(declared) == "text" else allowed(name, declared)
    return Column(
        name=name,
        label=label_of(name),
        type="value" if name == "value" and kind == "reading" else type_of(declared),
        unit=unit,
        hint=about + (f": {holds}" if holds else ""),
        words=word_labels(group, ref) if group else {},
        carry=carry,
        needed=declared.is_required(),
    )


def label_of(name: str) -> str:
    """Return a field's name as a person reads it, without its unit."""
    ends = [f"_{end}" for end in ("m_s", "mg_l", "l_s", "l_h", "m3", "m2", "mm", "deg", "percent", "count")]
    ends += ["_m", "_l", "_g", "_c", "_h", "_s"]
    end = next((end for end in ends if name.endswith(end) and unit_of(name)), "")
    return name.removesuffix(end).replace("_", " ")
