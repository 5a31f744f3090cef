"""Columns of text made into what a record holds: numbers in the field's unit, dates, words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geo.intake.columns import UNIT_WORDS, conversion, field_unit, known_unit
from geo.site.fields import words_of

Texts = npt.NDArray[np.object_]
DAY_FIRST, MONTH_FIRST, YEAR_FIRST = "dmy", "mdy", "ymd"
_PARTS = r"^\s*(>=|<=|[<>≥≤])?\s*([-+−–]?)\s*([\d.,'’ \u00a0\u202f]*\d[.,]?(?:[eE][-+]?\d+)?)\s*([^\d\s].*)?$"
_GROUPED = {
    ".": re.compile(r"\d{1,3}([, '’\u00a0\u202f]\d{3})+(\.\d*)?"),
    ",": re.compile(r"\d{1,3}([. '’\u00a0\u202f]\d{3})+(,\d*)?"),
}
_PLAIN = {".": re.compile(r"\d+\.?\d*|\.\d+"), ",": re.compile(r"\d+,?\d*|,\d+")}
_MONTHS = {
    name: at
    for at, name in enumerate(
        ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"), 1
    )
}
_DAY = re.compile(
    r"(?P<a>\d{1,4})(?P<s>[-/. ])(?P<b>\d{1,2}|[A-Za-z]{3,9})(?P=s)(?P<c>\d{2,4})"
    r"(?:[T ,]+(?P<h>\d{1,2}):(?P<m>\d{2})(?::(?P<x>\d{2})(?:\.\d+)?)?"
    r"\s*(?P<p>[AaPp]\.?[Mm]\.?)?\s*(?P<z>Z|[+-]\d{2}:\d{2})?)?"
)
_YES_NO = {
    "y": "yes",
    "true": "yes",
    "1": "yes",
    "x": "yes",
    "n": "no",
    "false": "no",
    "0": "no",
    "unknown": "not_known",
}


def numbers(cells: Texts, *, field: str, unit: str, decimal: str) -> tuple[Texts, npt.NDArray[np.bool_]]:
    """Return numbers as text in the field's unit, and which cells could not be read so.

    Parameters
    ----------
    cells
        (n,) text as it came; blank stays blank. A unit written in a cell itself counts before the column's.
    field
        Field the numbers are for; a field without a unit takes them as they are. Signs of a value off the
        scale are kept: a field that is a number refuses them later.
    unit
        Unit of the column, a word of ``UNIT_WORDS``, or ``""``.
    decimal
        ``"."`` or ``","``.
    """
    out = cells.copy()
    bad = np.zeros(len(cells), dtype=bool)
    filled = np.array([bool(cell) for cell in cells], dtype=bool)
    if not filled.any():
        return out, bad
    parts = pd.Series(cells[filled], dtype=object).str.extract(_PARTS)
    written = parts[2].fillna("").str.strip()
    plain = written.map(lambda text: _plain(text, decimal))
    own = parts[3].fillna("").str.strip()
    units = own.map(lambda text: known_unit(text) if text else "")
    target = field_unit(field)
    kind = UNIT_WORDS[target].kind if target else ""
    wrong_unit = (own != "") & units.map(lambda one: not one or (bool(kind) and UNIT_WORDS[one].kind != kind))
    fault = (plain == "") | wrong_unit.to_numpy(dtype=bool)
    signs = parts[0].fillna("").replace({">=": ">", "≥": ">", "<=": "<", "≤": "<"})
    minus = parts[1].fillna("").isin(["-", "−", "–"])
    used = units.where(units != "", unit)
    scale = {one: conversion(one, field) for one in used.unique()}
    factor = used.map(lambda one: scale[one][0]).to_numpy(dtype=float)
    offset = used.map(lambda one: scale[one][1]).to_numpy(dtype=float)
    value = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=float) * np.where(minus, -1.0, 1.0)
    moved = value * factor + offset
    same = (factor == 1.0) & (offset == 0.0)
    sign = np.where(minus, "-", "").astype(object)
    as_is = signs.to_numpy(dtype=object) + sign + plain.to_numpy(dtype=object)
    turned = np.array([_short(number) for number in moved], dtype=object)
    out[filled] = np.where(fault, cells[filled], np.where(same, as_is, signs.to_numpy(dtype=object) + turned))
    bad[filled] = fault
    return out, bad


def _plain(text: str, decimal: str) -> str:
    """Return a number with a point and no thousands sign, or ``""`` when it is none so written."""
    figures, e, power = text.replace("E", "e").partition("e")
    if _PLAIN[decimal].fullmatch(figures):
        return figures.replace(",", ".") + e + power
    if _GROUPED[decimal].fullmatch(figures) and not e:
        kept = re.sub(rf"[^\d{re.escape(decimal)}]", "", figures)
        return kept.replace(",", ".")
    return ""


def _short(number: float) -> str:
    """Return a converted number without the noise of the conversion: twelve figures."""
    return f"{number:.12g}" if np.isfinite(number) else ""


def words(
    cells: Texts, *, group: str, given: Mapping[str, str], labels: Mapping[str, Any]
) -> tuple[Texts, set[str]]:
    """Return the keys of words written as keys, as labels or as the user says, and those not known.

    Parameters
    ----------
    group
        Group of ``shared/vocabulary.toml``.
    given
        What a written word means, as the user says.
    labels
        The group's entries with their ``label``.
    """
    means = word_meanings(group, labels) | {folded(key): word for key, word in given.items()}
    found = {cell: means.get(folded(cell), "") for cell in set(cells) if cell}
    unknown = {cell for cell, word in found.items() if not word}
    return np.array([found.get(cell) or cell for cell in cells], dtype=object), unknown


def word_meanings(group: str, labels: Mapping[str, Any]) -> dict[str, str]:
    """Return the keys of a group by each way of writing them."""
    means = dict(_YES_NO) if group == "yes_no" else {}
    for key in words_of(group):
        entry = labels.get(key, {})
        label = entry.get("label", key) if isinstance(entry, Mapping) else getattr(entry, "name", key)
        means[folded(str(label))] = key
    return means | {folded(key): key for key in words_of(group)}


def folded(text: str) -> str:
    """Return a word as it is compared."""
    return " ".join(re.sub(r"[_\-\s]+", " ", text.casefold()).split()).strip(" .")


def date_order_of(cells: Texts) -> tuple[str, str]:
    """Return how dates are ordered in some cells, and the cell that shows it.

    ``""`` when nothing shows it although a person would read them both ways; ``"ymd"`` when every date
    has its year first or its month by name.
    """
    day_first = month_first = either = ""
    for cell in {str(cell) for cell in cells if cell}:
        match = _DAY.fullmatch(cell.strip())
        if not match or len(match["a"]) == 4 or not match["b"].isdigit():
            continue
        first, second = int(match["a"]), int(match["b"])
        if first > 12 >= second:
            day_first = cell
        elif second > 12 >= first:
            month_first = cell
        elif first != second:
            either = cell
    if day_first and month_first:
        return "", f"{day_first} and {month_first}"
    if day_first or month_first:
        return (DAY_FIRST, day_first) if day_first else (MONTH_FIRST, month_first)
    return ("", either) if either else (YEAR_FIRST, "")


def moments(cells: Texts, *, order: str, only_date: bool) -> tuple[Texts, npt.NDArray[np.bool_]]:
    """Return dates as 2026-11-03 or 2026-11-03T14:05, and which cells are none.

    Parameters
    ----------
    order
        ``"dmy"``, ``"mdy"`` or ``"ymd"``; a year of four figures in front, or a month by name, is read so
        whatever the order.
    only_date
        Whether a time of day is dropped (it may only be midnight).
    """
    known = {cell: _moment(str(cell), order, only_date=only_date) for cell in set(cells) if cell}
    out = np.array([known.get(cell) or cell for cell in cells], dtype=object)
    return out, np.array([bool(cell) and not known[cell] for cell in cells], dtype=bool)


def _moment(cell: str, order: str, *, only_date: bool) -> str:
    match = _DAY.fullmatch(cell.strip())
    if match is None:
        return ""
    a, b, c = match["a"], match["b"], match["c"]
    if not b.isdigit():
        month = _MONTHS.get(b[:3].casefold(), 0)
        day, year = (int(c), a) if len(a) == 4 else (int(a), c)
    elif len(a) == 4:
        year, month, day = a, int(b), int(c)
    elif order == DAY_FIRST:
        day, month, year = int(a), int(b), c
    elif order == MONTH_FIRST:
        month, day, year = int(a), int(b), c
    elif a == b and len(a) < 3:
        day, month, year = int(a), int(b), c
    else:
        return ""
    if len(year) not in (2, 4):
        return ""
    whole = int(year) + (2000 if len(year) == 2 else 0)
    try:
        day_text = date(whole, month, day).isoformat()
    except ValueError:
        return ""
    if match["h"] is None:
        return day_text
    hour, minute, second = int(match["h"]), int(match["m"]), int(match["x"] or 0)
    if match["p"]:
        if not 1 <= hour <= 12:
            return ""
        hour = hour % 12 + (12 if match["p"][0] in "pP" else 0)
    if hour > 23 or minute > 59 or second > 59:
        return ""
    if only_date:
        return day_text if (hour, minute, second) == (0, 0, 0) else ""
    time_text = f"{hour:02d}:{minute:02d}" + (f":{second:02d}" if match["x"] and second else "")
    return f"{day_text}T{time_text}{match['z'] or ''}"
