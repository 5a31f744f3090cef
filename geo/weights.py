"""How evidence is weighed and tests are rated: typed access to ``evidence.toml`` and ``field_tests.toml``."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib import resources
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geo.errors import InputError, Problem
from geo.reference import Limit

EVIDENCE_FILE = "evidence.toml"
SOURCE, ROUTE, MIMIC = "source", "route", "mimic"
NUMBERS = ("caps", "words", "pairing", "coverage", "robustness", "belief", "pour")
TEST_NUMBERS = {"sensitivity": (0.01, 0.999), "specificity": (0.01, 0.999), "minutes": (0.5, 1440.0)}
TEST_NUMBERS |= {"extra_min": (0.0, 1440.0), "return_days": (0.0, 400.0)}
MOST_POINTS = 5.0
IN_ORDER = ("contradicted", "unlikely", "possible", "supported", "well_supported")
RANGES = {
    "caps": (-10.0, 10.0), "words": (-20.0, 20.0), "pairing": (0.0, 10.0),
    "coverage": (0.0, 10.0), "belief": (-10.0, 10.0), "pour": (0.01, 0.999),
    "robustness.draws": (50.0, 5000.0), "robustness.step": (0.0, 5.0), "robustness.holds": (0.5, 1.0),
    "robustness.seed": (0.0, 1e9), "belief.least": (0.001, 0.4), "belief.most": (0.6, 0.999),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One cause: what it is, and the logic that holds for it whatever its points.

    Parameters
    ----------
    kind
        ``source`` gives water, ``route`` passes the barrier, ``mimic`` only reads wet.
    way_in
        ``route`` where its water needs one to wet the inside, ``own`` where it brings its own.
    liquid, by_level
        Whether it means liquid water in the wall, and whether it can act only where levels allow.
    feeds_itself
        A route that needs no source named.
    own_tests
        Whether tests of one's own things can clear it.
    predicted
        Whether what it is near is only predicted: being near is then no look at the cause itself.
    over_ground
        Whether its water runs over the ground, so that it does not come to what lies uphill.
    """

    key: str
    kind: str
    way_in: str
    name: str
    short: str
    liquid: bool
    by_level: bool = False
    feeds_itself: bool = False
    own_tests: bool = True
    predicted: bool = False
    over_ground: bool = False

    def named(self, of_id: str) -> str:
        """Return how it is named in a sentence, with the record it stands for."""
        return " ".join(self.short.replace("{id}", of_id).split())


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """One code of evidence, the group it counts in, and whether it tells of the cause itself."""

    key: str
    group: str
    label: str
    specific: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """Other points of a cause, where a field of its record holds one of some words."""

    key: str
    of: str
    when: str
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldTest:
    """A test one can make on site; see the head of ``shared/field_tests.toml`` for each field."""

    key: str
    label: str
    splits: tuple[str, ...]
    at: str
    answers: str
    settles: tuple[str, ...]
    sensitivity: float
    specificity: float
    minutes: float
    do: str
    watch: str
    yes: str
    no: str
    poured: bool = False
    extra_min: float = 0.0
    return_days: float = 0.0
    intrusive: bool = False
    consent: str = ""
    needs: tuple[str, ...] = ()
    for_kind: tuple[str, ...] = ()
    of_kinds: tuple[str, ...] = ()
    only_wall: tuple[str, ...] = ()
    only_side: tuple[str, ...] = ()
    done_cause: str = ""
    done_codes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Separator:
    """The one test that tells two rivals apart best; ``b`` is ``*`` for any other."""

    a: str
    b: str
    test: str
    decides: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """A value a practice or a site has changed."""

    key: str
    was: str
    now: str
    changed_by: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Weights:
    """Every weight, cap and word in force, a practice's own changes included.

    Parameters
    ----------
    causes, codes, groups
        In the order of the file, codes group by group; groups by key, with their label.
    points
        (causes and then variants, codes) points.
    numbers
        Caps, bounds of words and the rest, by ``table.key``.
    basis
        Where the points come from: ``points``, ``groups`` …: (source, status).
    changed
        What differs from the values shipped.
    """

    causes: tuple[Cause, ...]
    codes: tuple[Code, ...]
    groups: Mapping[str, str]
    variants: tuple[Variant, ...]
    points: NDArray[np.float64]
    numbers: Mapping[str, Limit]
    tests: Mapping[str, FieldTest]
    separators: tuple[Separator, ...]
    basis: Mapping[str, tuple[str, str]]
    changed: tuple[Changed, ...] = ()
    raw: Mapping[str, Any]

    @cached_property
    def row_of(self) -> dict[str, int]:
        """Row of :attr:`points` of each cause and variant."""
        names = [cause.key for cause in self.causes] + [variant.key for variant in self.variants]
        return {name: row for row, name in enumerate(names)}

    @cached_property
    def column_of(self) -> dict[str, int]:
        """Column of :attr:`points` of each code."""
        return {code.key: column for column, code in enumerate(self.codes)}

    @cached_property
    def blocks(self) -> tuple[slice, ...]:
        """Columns of :attr:`points` of each group, one block a group."""
        groups = [code.group for code in self.codes]
        begins = [place for place, group in enumerate(groups) if place == 0 or groups[place - 1] != group]
        return tuple(slice(a, b) for a, b in pairwise([*begins, len(groups)]))

    @cached_property
    def cause_of(self) -> dict[str, Cause]:
        """Causes by key."""
        return {cause.key: cause for cause in self.causes}

    def number(self, key: str) -> float:
        """Return a cap, bound or setting, as ``caps.sound``."""
        return self.limit(key).value

    def limit(self, key: str) -> Limit:
        """Return one of those numbers with its source."""
        try:
            return self.numbers[key]
        except KeyError:
            raise KeyError(f"no number {key!r} in shared/evidence.toml") from None

    def row(self, cause: str, record: Any = None) -> int:
        """Return the row of points that holds for a cause, given the record it stands for."""
        for variant in self.variants:
            if variant.of == cause and str(getattr(record, variant.when, "")) in variant.words:
                return self.row_of[variant.key]
        return self.row_of[cause]

    def with_changes(self, content: bytes, *, name: str = EVIDENCE_FILE) -> Weights:
        """Return a copy in which a practice's or a site's own file replaces the values it names.

        Parameters
        ----------
        content
            TOML with tables and keys as in the shipped files: ``[points.S01] NEAR = 1``,
            ``[caps] sound = -1``, ``[code.EDGE] group = "floor"``, ``[test.camera] minutes = 60``.
        name
            Of the file, for what is said.

        Raises
        ------
        InputError
            With every entry that cannot be used: no such key, no number, a number it cannot be.
        """
        try:
            given = tomllib.loads(content.decode("utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            unreadable = f"not readable as TOML ({error})"
            raise InputError([_problem(name, "", unreadable, "a TOML file in UTF-8")]) from None
        raw, changed, problems = deepcopy(dict(self.raw)), list(self.changed), []
        for path, value in _leaves(given):
            key = ".".join(path)
            said = _refused(self, path, value)
            if said is not None:
                problems.append(_problem(name, key, *said))
                continue
            was, now = _put(raw, path, value)
            if was != now:
                changed.append(Changed(key=key, was=was, now=now, changed_by=name))
        if not problems:
            problems += [_problem(name, "words", *said) for said in _out_of_order(raw)]
        if problems:
            raise InputError(problems)
        return _build(raw, tuple(changed))


@lru_cache(1)
def default() -> Weights:
    """Return the weights that ship with the tool."""
    raw: dict[str, Any] = {}
    for name in ("evidence", "field_tests"):
        text = resources.files("shared").joinpath(f"{name}.toml").read_text(encoding="utf-8")
        raw |= tomllib.loads(text)
    return _build(raw, ())


@lru_cache(16)
def changed_by(content: bytes, name: str = EVIDENCE_FILE) -> Weights:
    """Return the shipped weights with one file's changes; kept, because every page asks again."""
    return default().with_changes(content, name=name)


def _build(raw: Mapping[str, Any], changed: tuple[Changed, ...]) -> Weights:
    causes = tuple(Cause(key=key, **entry) for key, entry in raw["cause"].items())
    order = list(raw["group"])
    codes = [Code(key=key, **entry) for key, entry in raw["code"].items()]
    codes.sort(key=lambda code: order.index(code.group))
    column = {code.key: place for place, code in enumerate(codes)}
    variants = [
        Variant(key=key, of=entry["of"], when=entry["when"], words=tuple(entry["is"]))
        for key, entry in raw["variant"].items()
    ]
    points = np.zeros((len(causes) + len(variants), len(codes)))
    for place, cause in enumerate(causes):
        for code, value in raw["points"][cause.key].items():
            points[place, column[code]] = value
    row = {cause.key: place for place, cause in enumerate(causes)}
    for place, variant in enumerate(variants, start=len(causes)):
        points[place] = points[row[variant.of]]
        for code, value in raw["variant"][variant.key]["points"].items():
            points[place, column[code]] = value
    named = {change.key: change.changed_by for change in changed}
    numbers = {
        key: Limit(
            key=key, **{**entry, "value": float(entry["value"])}, changed_by=named.get(key, "")
        )
        for table in NUMBERS
        for key, entry in ((f"{table}.{name}", entry) for name, entry in raw[table].items())
    }  # fmt: skip
    return Weights(
        causes=causes, codes=tuple(codes), variants=tuple(variants), points=points, numbers=numbers,
        groups={key: str(entry["label"]) for key, entry in raw["group"].items()},
        tests={key: _test(key, entry) for key, entry in raw["test"].items()},
        separators=tuple(Separator(**entry) for entry in raw["separator"]),
        basis={key: (entry["source"], entry["status"]) for key, entry in raw["basis"].items()},
        changed=changed, raw=raw,
    )  # fmt: skip


def _test(key: str, entry: Mapping[str, Any]) -> FieldTest:
    done = entry.get("done_if", {})
    plain: dict[str, Any] = {
        name: tuple(v) if isinstance(v, list) else v for name, v in entry.items() if name != "done_if"
    }
    return FieldTest(
        key=key, done_cause=done.get("cause", ""), done_codes=tuple(done.get("codes", ())), **plain
    )


def _leaves(given: Mapping[str, Any], above: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Yield every value of nested tables with the keys that lead to it; ``{value = 1}`` is one value."""
    for key, entry in given.items():
        path = (*above, key)
        if isinstance(entry, Mapping) and "value" in entry and len(path) == 2:
            yield path, entry["value"]
        elif isinstance(entry, Mapping):
            yield from _leaves(entry, path)
        else:
            yield path, entry


def _refused(weights: Weights, path: tuple[str, ...], value: Any) -> tuple[str, str] | None:
    """Return what is wrong with one changed value and what it may be, or ``None``."""
    table, *keys = path
    causes, codes = weights.cause_of, weights.column_of
    if table in ("points", "variant"):
        if table == "variant" and len(keys) == 3 and keys[1] == "points":
            keys = [keys[0], keys[2]]
        named = weights.row_of if table == "variant" else causes
        if len(keys) != 2 or keys[0] not in named or keys[1] not in codes:
            return "no such cause or code", "a cause S01 to S21, and a code as NEAR or TEST+"
        return _wrong_number(value, -MOST_POINTS, MOST_POINTS)
    if table == "code":
        if len(keys) != 2 or keys[0] not in codes or keys[1] != "group":
            return "no such entry", 'group of a code, as [code.EDGE] group = "floor"'
        return (
            None
            if value in weights.groups
            else (f"{value!r} is no group", f"one of {', '.join(weights.groups)}")
        )
    if table == "test":
        if len(keys) == 2 and keys[0] in weights.tests and keys[1] == "intrusive":
            return None if isinstance(value, bool) else (f"{value!r}", "true or false")
        if len(keys) != 2 or keys[0] not in weights.tests or keys[1] not in TEST_NUMBERS:
            return "no such entry", f"{', '.join(TEST_NUMBERS)} or intrusive of {', '.join(weights.tests)}"
        return _wrong_number(value, *TEST_NUMBERS[keys[1]])
    key = ".".join(path)
    if key not in weights.numbers:
        return "no such entry", "a key of shared/evidence.toml"
    return _wrong_number(value, *(RANGES.get(key) or RANGES[table]))


def _wrong_number(value: Any, low: float, high: float) -> tuple[str, str] | None:
    may_be = f"a number from {low:g} to {high:g}"
    if isinstance(value, bool) or not isinstance(value, int | float):
        return f"{value!r} is not a number", may_be
    return None if math.isfinite(value) and low <= value <= high else (f"{value:g}", may_be)


def _put(raw: dict[str, Any], path: tuple[str, ...], value: Any) -> tuple[str, str]:
    """Put a value where it belongs and return what was there, and what is now, as text."""
    *above, last = path
    at = raw
    for key in above:
        at = at[key]
    if isinstance(at.get(last), Mapping):
        at, last = at[last], "value"
    was = at.get(last, 0)
    at[last] = value
    return _said(was), _said(value)


def _said(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)


def _out_of_order(raw: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Say where the bounds of the words no longer follow one another."""
    bounds = [float(raw["words"][name]["value"]) for name in IN_ORDER]
    if all(low < high for low, high in pairwise(bounds)):
        return []
    found = ", ".join(f"{name} {bound:g}" for name, bound in zip(IN_ORDER, bounds, strict=True))
    return [(found, f"bounds that rise in the order {', '.join(IN_ORDER)}")]


def _problem(name: str, key: str, found: str, allowed: str) -> Problem:
    return Problem(
        file=name, column=key or None, found=found, allowed=allowed, mend="Correct it, or take the entry out."
    )
