"""A mapping kept as TOML, to be used again on the next file of the same make."""

from __future__ import annotations

import json
import tomllib
from typing import Any

from geo.errors import InputError, Problem
from geo.intake.arrival import shown_name
from geo.intake.columns import units_for
from geo.intake.mapping import ORDER_WORDS, ColumnMap, ColumnUse
from geo.intake.sheet import ASK
from geo.site.fields import words_of
from geo.site.records import KINDS


def to_toml(mapping: ColumnMap) -> str:
    """Return a mapping as TOML, to be used again on the next file of the same make."""
    lines = ["# What the columns of a table mean; made when it was brought in."]
    lines += [
        f"{name} = {_quoted(getattr(mapping, name))}"
        for name in ("kind", "decimal", "date_order", "id_prefix")
    ]
    for name in ("fixed", "basis"):
        lines += [
            "",
            f"[{name}]",
            *(f"{_quoted(key)} = {_quoted(said)}" for key, said in getattr(mapping, name).items()),
        ]
    for use in mapping.columns:
        lines += ["", "[[columns]]"]
        lines += [f"{name} = {_quoted(getattr(use, name))}" for name in ("column", "field", "unit", "also")]
        if use.words:
            inner = ", ".join(f"{_quoted(key)} = {_quoted(said)}" for key, said in use.words.items())
            lines.append(f"words = {{ {inner} }}")
    return "\n".join(lines) + "\n"


def from_toml(name: str, raw: bytes) -> ColumnMap:
    """Return a mapping that was kept as TOML.

    Raises
    ------
    InputError
        When it is none, or names a kind, field, unit or word that does not exist.
    """
    file = shown_name(name)
    try:
        whole = tomllib.loads(raw.decode("utf-8-sig"))
        uses = tuple(
            ColumnUse(**{**one, "words": dict(one.get("words", {}))}) for one in whole.pop("columns", [])
        )
        mapping = ColumnMap(**{**whole, "columns": uses})
        plain = all(isinstance(said, str) for said in _strings(mapping))
    except (
        UnicodeDecodeError,
        tomllib.TOMLDecodeError,
        TypeError,
        ValueError,
        AttributeError,
        RecursionError,
    ) as error:
        mend = "Make the mapping again on the page."
        why = " ".join(str(error).split())[:100]
        raise InputError(
            [
                Problem(
                    file=file, found=f"is no kept mapping ({why})", allowed="one made by this tool", mend=mend
                )
            ]
        ) from None
    problems = [] if plain else [_wrong(file, "values", "a value that is no text", "text in quotes")]
    problems += _mapping_problems(file, mapping) if plain else []
    if problems:
        raise InputError(problems)
    return mapping


def _mapping_problems(file: str, mapping: ColumnMap) -> list[Problem]:
    if mapping.kind not in KINDS:
        return [_wrong(file, "kind", repr(mapping.kind), "one of " + ", ".join(KINDS))]
    names = [use.field for use in mapping.columns]
    out = [
        _wrong(file, "field", repr(name), f"a field of a {mapping.kind.replace('_', ' ')}")
        for name in [*names, *mapping.fixed]
        if name not in mapping.model.columns()
    ]
    out += [
        _wrong(file, "field", f"{name!r} twice", "each field once")
        for name in sorted({n for n in names if names.count(n) > 1})
    ]
    for use in mapping.columns:
        if use.unit not in ("", ASK, *units_for(use.field)):
            allowed = "one of " + ", ".join(units_for(use.field)) if units_for(use.field) else "no unit"
            out.append(_wrong(file, use.column, f"the unit {use.unit!r}", allowed))
    if mapping.decimal not in (".", ",", ASK):
        out.append(_wrong(file, "decimal", repr(mapping.decimal), '"." or ","'))
    if mapping.date_order not in (*ORDER_WORDS, ASK):
        out.append(_wrong(file, "date_order", repr(mapping.date_order), "one of " + ", ".join(ORDER_WORDS)))
    out += [
        _wrong(file, "basis", f"{method!r} = {said!r}", "a method, and wet or dry")
        for method, said in mapping.basis.items()
        if method not in words_of("method") or said not in ("wet", "dry")
    ]
    return out


def _strings(mapping: ColumnMap) -> list[Any]:
    out: list[Any] = [mapping.kind, mapping.decimal, mapping.date_order, mapping.id_prefix]
    out += [*mapping.fixed.values(), *mapping.basis.values()]
    for use in mapping.columns:
        out += [use.column, use.field, use.unit, use.also, *use.words.values()]
    return out


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _wrong(file: str, column: str, found: str, allowed: str) -> Problem:
    return Problem(
        file=file, column=column, found=found, allowed=allowed, mend="Correct it, or make the mapping again."
    )
