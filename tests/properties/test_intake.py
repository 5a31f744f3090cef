"""What goes into a table comes out of it, whatever the delimiter, the decimals or the unit."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geo import reference
from geo.intake.apply import apply
from geo.intake.arrival import name_problems, shown_name
from geo.intake.cells import numbers
from geo.intake.columns import UNIT_WORDS, conversion, field_unit, units_for
from geo.intake.kept import from_toml, to_toml
from geo.intake.mapping import ColumnMap, ColumnUse
from geo.intake.pasted import read_pasted
from geo.intake.plan import AFFINE, SIMILARITY, fit_plan
from geo.intake.shapes import joined
from geo.intake.sheet import Sheet, look_at
from geo.site.records import KINDS

REF = reference.default()
CELL = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Cf", "Zl", "Zp", "Zs")), max_size=12
)
NUMBER = st.decimals(min_value=-99999, max_value=99999, places=3, allow_nan=False)


@settings(max_examples=60)
@given(
    st.lists(st.lists(CELL, min_size=2, max_size=2), min_size=1, max_size=8),
    st.sampled_from([",", ";", "\t"]),
)
def test_cells_survive_any_delimiter(rows: list[list[str]], delimiter: str) -> None:
    """Cells written by Python's own csv come back as written, blank rows and outer spaces aside."""
    held = io.StringIO()
    csv.writer(held, delimiter=delimiter).writerows([["Left side", "Right side"], ["a", "b"], *rows])
    looked = look_at("a.csv", held.getvalue().encode(), ref=REF)
    kept = [row for row in rows if any(row)]
    assert [list(row) for row in looked.sheets[0].rows[1:]] == kept


@given(st.lists(NUMBER, min_size=1, max_size=20), st.sampled_from([".", ","]))
def test_decimals_of_either_kind(values: list[object], decimal: str) -> None:
    """A number is the same written with a point or a comma, with or without thousands."""
    grouped = {
        ".": ("{:,}", str),
        ",": ("{:,}", lambda text: text.replace(",", "x").replace(".", ",").replace("x", ".")),
    }[decimal]
    plain = [str(value).replace(".", decimal) for value in values]
    thousands = [grouped[1](grouped[0].format(value)) for value in values]
    for cells in (plain, thousands):
        made, bad = numbers(np.array(cells, dtype=object), field="level_m", unit="m", decimal=decimal)
        assert not bad.any()
        assert [float(one) for one in made] == [float(str(value)) for value in values]


@given(
    st.floats(-1000, 1000),
    st.sampled_from([name for model in KINDS.values() for name in model.columns() if field_unit(name)]),
)
def test_units_go_there_and_back(value: float, field: str) -> None:
    """Converting to the field's unit and back by the units' own definitions gives the number again."""
    for unit in units_for(field):
        factor, offset = conversion(unit, field)
        base = value * UNIT_WORDS[unit].factor + UNIT_WORDS[unit].offset
        own = UNIT_WORDS[field_unit(field)]
        assert (value * factor + offset) * own.factor + own.offset == pytest.approx(base, abs=1e-6, rel=1e-9)


@given(
    st.lists(st.sampled_from(["", "R1", "R2", "reading-001", "reading-003"]), min_size=1, max_size=12),
    st.sets(st.sampled_from(["R1", "reading-002", "x"])),
)
def test_made_ids_never_clash(ids: list[str], existing: set[str]) -> None:
    """Whatever ids are given, those taken in are all different and none is the site's already; or nothing is."""
    sheet = Sheet(
        file="a",
        header=("Ref",),
        rows=tuple((one,) for one in ids),
        numbers=tuple(range(2, len(ids) + 2)),
        header_row=1,
    )
    fixed = {"value": "20", "method": "capacitance", "material": "brick", "instrument": "M1"}
    mapping = ColumnMap(kind="reading", columns=(ColumnUse(column="Ref", field="id"),), fixed=fixed)
    found = apply(sheet, mapping, ref=REF, existing_ids=existing)
    given_ids = [one for one in ids if one]
    clash = len(set(given_ids)) < len(given_ids) or bool(existing & set(given_ids))
    assert found.usable != clash
    made = [record.id for record in found.records]
    assert len(set(made)) == len(made) == (0 if clash else len(ids))
    assert not existing & set(made)


@given(st.dictionaries(st.text(max_size=8), st.text(max_size=8), max_size=4), st.text(max_size=20))
def test_a_kept_mapping_survives_any_text(words: dict[str, str], column: str) -> None:
    """A mapping with any text in it is the same after it was kept as TOML."""
    mapping = ColumnMap(
        kind="gully", columns=(ColumnUse(column=column, field="state", words=words),), fixed={"note": column}
    )
    assert from_toml("m.toml", to_toml(mapping).encode()) == mapping


@given(st.lists(st.lists(CELL, min_size=3, max_size=3), min_size=1, max_size=8))
def test_pasted_cells_come_out_as_copied(rows: list[list[str]]) -> None:
    """Cells copied from a spreadsheet come back in their columns."""
    held = io.StringIO()
    csv.writer(held, delimiter="\t").writerows(rows)
    found = read_pasted(held.getvalue(), ["a1", "b1", "c1"], ref=REF)
    assert [list(row.values()) for row in found.rows] == [row for row in rows if any(row)]


@given(st.text(max_size=300))
def test_a_shown_name_is_harmless(name: str) -> None:
    """Whatever a file is called, what is shown is one printable line without a path, and is itself a fine name or said why not."""
    shown = shown_name(name)
    assert shown
    assert shown.isprintable()
    assert not set("/\\\x00") & set(shown)
    if not name_problems(name):
        assert shown in (name, name.strip(" ."))


@settings(max_examples=60)
@given(
    st.integers(0, 10_000),
    st.floats(0.001, 1.0),
    st.floats(0, 360),
    st.floats(-1e6, 1e6),
    st.sampled_from([SIMILARITY, AFFINE]),
)
def test_a_plan_moves_and_turns_with_its_points(
    seed: int, scale: float, turn: float, east: float, kind: str
) -> None:
    """Points of a plan scaled, turned and moved without error come back so, wherever and however large."""
    pixels = np.random.default_rng(seed).uniform(0, 3000, (6, 2))
    angle = np.radians(turn)
    x, y = pixels[:, 0] * scale, -pixels[:, 1] * scale
    ground = np.column_stack(
        [east + x * np.cos(angle) + y * np.sin(angle), 3e5 - x * np.sin(angle) + y * np.cos(angle)]
    )
    fit = fit_plan(pixels, ground, ref=REF, kind=kind)
    assert np.abs(fit.residuals_m).max() < 1e-5
    assert fit.scale_m == pytest.approx((scale, scale), rel=1e-6)
    assert np.cos(np.radians(fit.turn_deg - turn)) == pytest.approx(1, abs=1e-9)


@settings(max_examples=40)
@given(st.permutations(range(6)), st.lists(st.booleans(), min_size=6, max_size=6))
def test_a_chain_is_the_same_however_its_lines_are_drawn(order: list[int], turned: list[bool]) -> None:
    """Six lines of an outline, in any order and direction, are one closed line of the same length."""
    corners = np.array([(0, 0), (8, 0), (8, 4), (5, 4), (5, 9), (0, 9), (0, 0)], dtype=float)
    lines = [shapely.LineString(corners[at : at + 2][:: -1 if turned[at] else 1]) for at in order]
    sheet = Sheet(
        file="a", header=(), rows=tuple(() for _ in lines), numbers=tuple(range(1, 7)), header_row=0
    )
    left, shapes, _ = joined(sheet, np.array(lines, dtype=object), close_m=0.02, want_closed=True)
    assert len(left.rows) == len(shapes) == 1
    assert shapes[0].is_closed
    assert shapes[0].length == pytest.approx(34.0, abs=1e-9)
