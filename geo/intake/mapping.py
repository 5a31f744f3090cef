"""What each column of a table means: proposed from its titles, completed by answers."""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Mapping as Dict
from dataclasses import dataclass, replace
from dataclasses import field as start
from typing import Any

import numpy as np

from geo.intake.cells import DAY_FIRST, MONTH_FIRST, YEAR_FIRST, Texts, date_order_of, words
from geo.intake.columns import field_of_title, field_unit, unit_of_title, units_for
from geo.intake.sheet import ASK, Sheet
from geo.reference import Reference
from geo.site.fields import group_of, type_of, words_of
from geo.site.records import KINDS, Record

MOST_WORDS = 30
ORDER_WORDS = {DAY_FIRST: "day, month, year", MONTH_FIRST: "month, day, year", YEAR_FIRST: "year, month, day"}
DECIMAL_WORDS = {".": "a point, as 1.5", ",": "a comma, as 1,5"}
NUMBER_TEXT = ("value",)
"""Fields that are text because a value may be off the scale, and numbers all the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnUse:
    """What one column is taken for.

    Parameters
    ----------
    column
        Its title in the file.
    field
        Field of the record it fills.
    unit
        Unit its numbers are in; ``""`` for a field without a unit, ``"?"`` until a person says.
    words
        What its words mean, where they are not the words of the vocabulary.
    also
        A second column that is joined to it with a space, as the time beside a date.
    """

    column: str
    field: str
    unit: str = ""
    words: Dict[str, str] = start(default_factory=dict)
    also: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMap:
    """How a table becomes records of one kind.

    Parameters
    ----------
    kind
        Kind of record.
    columns
        What each column that is used is taken for.
    fixed
        Values of fields that the file does not hold, the same for every row.
    basis
        Wet or dry, for each method that can be stated either way.
    decimal
        ``"."``, ``","`` or ``"?"`` until a person says.
    date_order
        ``"dmy"``, ``"mdy"``, ``"ymd"`` or ``"?"`` until a person says.
    id_prefix
        Beginning of ids made for rows that have none.
    """

    kind: str
    columns: tuple[ColumnUse, ...] = ()
    fixed: Dict[str, str] = start(default_factory=dict)
    basis: Dict[str, str] = start(default_factory=dict)
    decimal: str = "."
    date_order: str = YEAR_FIRST
    id_prefix: str = ""

    @property
    def model(self) -> type[Record]:
        """The declaration of its kind of record."""
        return KINDS[self.kind]

    def use_of(self, field: str) -> ColumnUse | None:
        """Return the column that fills a field, or ``None``."""
        return next((use for use in self.columns if use.field == field), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Something the file does not say and nobody may guess.

    Parameters
    ----------
    key
        Name by which :func:`answer` takes the answer.
    ask
        The question, in a sentence.
    choices
        What may be answered, with what it means; empty for free text.
    """

    key: str
    ask: str
    choices: Dict[str, str] = start(default_factory=dict)


def propose_mapping(sheet: Sheet, kind: str) -> ColumnMap:
    """Propose what each column is, from its title; what the titles do not say stays open.

    Parameters
    ----------
    sheet
        The table.
    kind
        Kind of record its rows shall become.
    """
    model = KINDS[kind]
    chosen: dict[str, str] = {}
    for title in sheet.header:
        found = field_of_title(title, model, taken=chosen.values())
        if found:
            chosen[title] = found
    uses = []
    for title, name in chosen.items():
        unit = unit_of_title(title)[1]
        fits = units_for(name)
        if unit not in fits:
            unit = ASK if len(fits) > 1 and not _all_blank(sheet, title) else field_unit(name)
        uses.append(ColumnUse(column=title, field=name, unit=unit if fits else ""))
    uses = [_with_time(use, uses, sheet, model) for use in uses]
    dates = [
        cell
        for use in uses
        if _type(model, use.field) in ("date", "moment")
        for cell in sheet.column(use.column)
    ]
    order, _ = date_order_of(np.array(dates, dtype=object))
    return ColumnMap(
        kind=kind,
        columns=tuple(uses),
        decimal=sheet.decimal,
        date_order=order or ASK,
        id_prefix=kind,
        fixed={},
    )


def questions(sheet: Sheet, mapping: ColumnMap, *, ref: Reference) -> tuple[Question, ...]:
    """Return everything that is still open before the table can become records."""
    model, out = mapping.model, []
    present = [use for use in mapping.columns if use.column in sheet.header]
    if mapping.decimal == ASK and any(is_number(model, use.field) for use in present):
        out.append(
            Question(key="decimal", ask=f"How are decimals written in {sheet.place}?", choices=DECIMAL_WORDS)
        )
    if mapping.date_order == ASK and any(_type(model, use.field) in ("date", "moment") for use in present):
        choices = {key: ORDER_WORDS[key] for key in (DAY_FIRST, MONTH_FIRST)}
        out.append(
            Question(
                key="date_order", ask=f"In what order are dates written in {sheet.place}?", choices=choices
            )
        )
    for use in present:
        if use.unit == ASK:
            choices = {unit: unit for unit in units_for(use.field)}
            out.append(
                Question(
                    key=f"unit:{use.column}",
                    ask=f"In what unit is the column {use.column!r}?",
                    choices=choices,
                )
            )
    for use in present:
        group = group_of(model.model_fields[use.field])
        if not group:
            continue
        _, unknown = words(_cells(sheet, use), group=group, given=use.words, labels=labels_of(group, ref))
        meant = {
            key: ref.word(group, key) if group != "method" else ref.methods[key].name
            for key in words_of(group)
        }
        out += [
            Question(
                key=f"word:{use.column}:{written}",
                ask=f"What does {written!r} in the column {use.column!r} mean?",
                choices=meant,
            )
            for written in sorted(unknown)[:MOST_WORDS]
        ]
    out += _missing(mapping, model, ref)
    out += [
        Question(
            key=f"basis:{method}",
            ask=f"Are the values of {ref.methods[method].name} shares of the wet mass or of the dry mass?",
            choices={key: ref.word("basis", key) for key in ("wet", "dry")},
        )
        for method in _open_bases(sheet, mapping, ref)
    ]
    return tuple(out)


def answer(mapping: ColumnMap, key: str, said: str) -> ColumnMap:
    """Return the mapping with one question answered.

    Raises
    ------
    ValueError
        When there is no such kind of question.
    """
    what, _, rest = key.partition(":")
    if what == "decimal":
        return replace(mapping, decimal=said)
    if what == "date_order":
        return replace(mapping, date_order=said)
    if what == "fixed":
        return replace(mapping, fixed={**mapping.fixed, rest: said})
    if what == "basis":
        return replace(mapping, basis={**mapping.basis, rest: said})
    if what == "unit":
        uses = [replace(use, unit=said) if use.column == rest else use for use in mapping.columns]
        return replace(mapping, columns=tuple(uses))
    if what == "word":
        uses = [
            replace(use, words={**use.words, rest.removeprefix(f"{use.column}:"): said})
            if rest.startswith(f"{use.column}:")
            else use
            for use in mapping.columns
        ]
        return replace(mapping, columns=tuple(uses))
    raise ValueError(f"{key!r} is no question")


def is_number(model: type[Record], name: str) -> bool:
    """Return whether a field's cells are read as numbers."""
    return _type(model, name) == "number" or name in NUMBER_TEXT


def labels_of(group: str, ref: Reference) -> Dict[str, Any]:
    """Return the entries of a vocabulary group, methods included."""
    return dict(ref.methods) if group == "method" else dict(ref.vocabulary.get(group, {}))


def _type(model: type[Record], name: str) -> str:
    return type_of(model.model_fields[name])


def _cells(sheet: Sheet, use: ColumnUse) -> Texts:
    return np.array(sheet.column(use.column), dtype=object)


def _all_blank(sheet: Sheet, title: str) -> bool:
    return not any(sheet.column(title))


def _with_time(use: ColumnUse, uses: list[ColumnUse], sheet: Sheet, model: type[Record]) -> ColumnUse:
    """Join a column of times of day to the column of dates beside it."""
    if _type(model, use.field) != "moment" or any(":" in cell for cell in sheet.column(use.column)):
        return use
    used = {one.column for one in uses}
    for title in sheet.header:
        if title not in used and unit_of_title(title)[0] in ("time", "hour", "time of day"):
            return replace(use, also=title)
    return use


def _missing(mapping: ColumnMap, model: type[Record], ref: Reference) -> list[Question]:
    """Ask for the fields every record must have and no column gives."""
    filled = {use.field for use in mapping.columns} | {name for name, said in mapping.fixed.items() if said}
    out = []
    for name, one in model.model_fields.items():
        if not one.is_required() or name in filled or name == "id":
            continue
        group = group_of(one)
        labels = labels_of(group, ref) if group else {}
        choices = {
            key: str(labels[key]["label"] if isinstance(labels[key], Mapping) else labels[key].name)
            for key in labels
        }
        said = (one.description or name).rstrip(".")
        out.append(
            Question(
                key=f"fixed:{name}", ask=f"No column gives {name}: {said}. Which is it?", choices=choices
            )
        )
    return out


def _open_bases(sheet: Sheet, mapping: ColumnMap, ref: Reference) -> list[str]:
    """Return the methods whose values may be wet or dry, on rows where the file does not say which."""
    if not {"method", "basis"} <= set(mapping.model.model_fields):
        return []
    stated = mapping.use_of("basis")
    given = stated is not None and stated.column in sheet.header
    bases = (
        sheet.column(stated.column)
        if stated is not None and given
        else [mapping.fixed.get("basis", "")] * len(sheet.rows)
    )
    use = mapping.use_of("method")
    if use is not None and use.column in sheet.header:
        means, _ = words(_cells(sheet, use), group="method", given=use.words, labels=labels_of("method", ref))
    else:
        means = np.array([mapping.fixed.get("method", "")] * len(sheet.rows), dtype=object)
    bare = {str(method) for method, basis in zip(means, bases, strict=True) if not basis}
    both = {key for key, method in ref.methods.items() if method.basis in ("wet", "dry")}
    return sorted(method for method in bare & both if not mapping.basis.get(method))
