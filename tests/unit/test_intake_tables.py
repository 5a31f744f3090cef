"""Anybody's table comes in whole or not at all, with every problem told in the file's own columns."""

from __future__ import annotations

import io
import time
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from geo import reference
from geo.errors import InputError
from geo.intake.apply import Intake, apply
from geo.intake.arrival import arrive, name_problems
from geo.intake.kept import from_toml, to_toml
from geo.intake.mapping import ColumnMap, answer, propose_mapping, questions
from geo.intake.pasted import check_pasted, read_pasted
from geo.intake.sheet import Sheet, look_at, with_header
from geo.intake.vector import look_at_vector, take_vector
from geo.moisture.censor import parse_value
from geo.site.folder import read_site
from geo.site.records import KINDS

REF = reference.default()
DEMO = Path(__file__).parents[2] / "demo_sites"
READINGS = "Ref;Wall;Distance (mm);Height (cm);Reading;Mode;Substrate;Serial;Date\n"


def one_sheet(raw: bytes, name: str = "readings.csv") -> Sheet:
    """Return the only sheet of a file."""
    looked = look_at(name, raw, ref=REF)
    assert not looked.problems, looked.problems
    assert len(looked.sheets) == 1
    return looked.sheets[0]


def answered(sheet: Sheet, kind: str, **given: str) -> ColumnMap:
    """Return the proposed mapping with some answers: colons in a key are written as two underscores."""
    mapping = propose_mapping(sheet, kind)
    for key, said in given.items():
        mapping = answer(mapping, key.replace("__", ":"), said)
    return mapping


def taken(text: str, kind: str = "reading", name: str = "readings.csv", **given: str) -> Intake:
    """Bring a text in."""
    sheet = one_sheet(text.encode(), name)
    return apply(sheet, answered(sheet, kind, **given), ref=REF)


def workbook(*rows: list[object], title: str = "Readings") -> bytes:
    """Return a workbook of one sheet."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = title
    for row in rows:
        sheet.append(row)
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


# --- how a text is written --------------------------------------------------------------------


@pytest.mark.parametrize("codec", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_any_spreadsheet_s_text(codec: str, delimiter: str) -> None:
    """The same cells come out of every encoding and every delimiter a spreadsheet writes."""
    rows = [
        ["Ref", "Height (mm)", "Note"],
        ["R1", "150", "café, wet" if delimiter != "," else "café wet"],
        ["R2", "300", "½ tile"],
    ]
    raw = "\r\n".join(delimiter.join(row) for row in rows).encode(codec)
    sheet = one_sheet(raw)
    assert sheet.header == ("Ref", "Height (mm)", "Note")
    assert [list(row) for row in sheet.rows] == rows[1:]
    assert sheet.delimiter == delimiter
    assert sheet.numbers == (2, 3)
    assert ("Windows-1252" in " ".join(sheet.remarks)) == (codec == "cp1252")


@pytest.mark.parametrize(
    ("cells", "decimal"),
    [
        (["1,5", "2,25"], ","),
        (["1.5", "2.25"], "."),
        (["1.234,5"], ","),
        (["1,234.5"], "."),
        (["0,125"], ","),
        ([">12,5"], ","),
        (["1,234"], "?"),
        (["1,5", "2.5"], "?"),
        (["12", "7"], "."),
        (["1.234"], "."),
    ],
)
def test_how_decimals_are_written(cells: list[str], decimal: str) -> None:
    """1,5 shows a comma and 1.5 a point; 1,234 may be either, and a mixture has to be asked."""
    sheet = one_sheet(("Ref;Level\n" + "\n".join(f"P;{cell}" for cell in cells)).encode())
    assert sheet.decimal == decimal
    assert any("comma" in remark for remark in sheet.remarks) == (decimal != ".")


def test_a_title_above_the_header_is_left_out() -> None:
    """The column names are found below a title, rows keep the spreadsheet's count, and another row may be said."""
    text = "Survey of the rear wall;;\n;;\nRef;Height (mm);Reading\nR1;150;22\nR2;300;18\n"
    sheet = one_sheet(text.encode())
    assert (sheet.header_row, sheet.numbers) == (3, (4, 5))
    assert "row 3" in " ".join(sheet.remarks)
    assert with_header(sheet, 4).header == ("R1", "150", "22")
    with pytest.raises(InputError, match="no such row"):
        with_header(sheet, 99)


def test_columns_of_one_name_are_kept_apart() -> None:
    """Two columns of the same title, and one without, get names that differ."""
    sheet = one_sheet(b"Ref,Level,Level,\nA,1.00,2.00,x\n")
    assert sheet.header == ("Ref", "Level", "Level (2)", "column D")


# --- from columns to fields -------------------------------------------------------------------


def test_a_surveyor_s_own_table() -> None:
    """Titles, units, a decimal comma, labels and day-first dates become the declared fields.

    By hand: 2450 mm is 2.45 m, 30 cm is 0.3 m, 27,9 is 27.9, and >30 stays off the scale.
    """
    text = (
        READINGS
        + "R1;F1;2450;30;27,9;Resistance, two pins, in timber;brick;M1;25/11/2026\nR2;F2;150;5;>30;resistance_wood;brick;M1;26/11/2026\n"
    )
    found = taken(text)
    assert found.usable, found.problems
    first, second = found.records
    assert (first.id, first.face, first.method) == ("R1", "F1", "resistance_wood")
    assert (first.distance_m, first.height_m, first.value, first.taken_at) == (
        2.45,
        0.3,
        "27.9",
        "2026-11-25",
    )
    assert second.value == ">30"
    assert parse_value(second.value) == (30.0, "above")
    assert found.rows == (2, 3)


@pytest.mark.parametrize(
    ("title", "cell", "metres"),
    [
        ("Height (ft)", "1", 0.3048),
        ("height_in", "10", 0.254),
        ("Height, cm", "30", 0.3),
        ("Height [mm]", "1,250", 1.25),
        ("Height m", "1.2", 1.2),
        ("Height m", "300 mm", 0.3),
    ],
)
def test_units_of_length(title: str, cell: str, metres: float) -> None:
    """A foot is 0.3048 m and an inch 0.0254 m (international yard and pound agreement of 1959); a cell's own unit counts first."""
    text = f"Ref\t{title}\tReading\tMethod\tMaterial\tInstrument\nR1\t{cell}\t12.5\tcapacitance\tbrick\tM1\n"
    found = taken(text, decimal=".")
    assert found.usable, found.problems
    assert found.records[0].height_m == pytest.approx(metres, abs=1e-12)


def test_fahrenheit() -> None:
    """68 °F is 20 °C and 32 °F is 0 °C, by the definition of the scale."""
    found = taken(
        "Temp (°F),RH %,Air place\n68,55,room\n32,60,room\n", kind="environment", fixed__place="room"
    )
    assert [record.air_c for record in found.records] == pytest.approx([20.0, 0.0], abs=1e-9), found.problems


def test_what_the_file_does_not_say_is_asked() -> None:
    """No unit, no method, no instrument, a date both ways round: each is a question, none a guess."""
    sheet = one_sheet(b"Ref,Height,Reading,Material,Date\nR1,150,22,brick,03/04/2026\n")
    mapping = propose_mapping(sheet, "reading")
    asked = {question.key for question in questions(sheet, mapping, ref=REF)}
    assert asked == {"unit:Height", "date_order", "fixed:method", "fixed:instrument"}
    held = apply(sheet, mapping, ref=REF)
    assert not held.usable
    assert held.records == ()
    assert len(held.problems) == len(asked)
    for key, said in (
        ("unit:Height", "mm"),
        ("date_order", "dmy"),
        ("fixed:method", "capacitance"),
        ("fixed:instrument", "M1"),
    ):
        mapping = answer(mapping, key, said)
    (record,) = apply(sheet, mapping, ref=REF).records
    assert (record.height_m, record.taken_at, record.method) == (0.15, "2026-04-03", "capacitance")
    (other,) = apply(sheet, answer(mapping, "date_order", "mdy"), ref=REF).records
    assert other.taken_at == "2026-03-04"


@pytest.mark.parametrize(
    ("dates", "order"),
    [
        (["12/11/2026", "03/04/2026"], "?"),
        (["13/11/2026", "03/04/2026"], "dmy"),
        (["11/13/2026", "03/04/2026"], "mdy"),
        (["13/11/2026", "11/13/2026"], "?"),
        (["05/05/2026", "2026-11-03", "3 Nov 2026"], "ymd"),
    ],
)
def test_the_order_of_dates(dates: list[str], order: str) -> None:
    """Only a number above twelve tells day from month; without one, or with both, it is asked."""
    sheet = one_sheet(("Ref,Date\n" + "\n".join(f"R{at},{date}" for at, date in enumerate(dates))).encode())
    assert propose_mapping(sheet, "reading").date_order == order


@pytest.mark.parametrize("basis", ["wet", "dry"])
def test_wet_or_dry_is_asked_and_never_guessed(basis: str) -> None:
    """A carbide value may be of the wet or of the dry mass: asked for it, and not asked for a meter's own scale."""
    text = b"Ref,Reading,Method,Material,Instrument\nR1,4.5,carbide,brick,V1\nR2,60,capacitance,brick,M1\n"
    sheet = one_sheet(text)
    mapping = propose_mapping(sheet, "reading")
    assert [question.key for question in questions(sheet, mapping, ref=REF)] == ["basis:carbide"]
    assert not apply(sheet, mapping, ref=REF).usable
    first, second = apply(sheet, answer(mapping, "basis:carbide", basis), ref=REF).records
    assert (first.basis, second.basis) == (basis, "")


def test_a_stated_basis_is_not_asked() -> None:
    """A column that says wet on every row leaves nothing to ask."""
    sheet = one_sheet(b"Ref,Reading,Method,Material,Instrument,Basis\nR1,4.5,carbide,brick,V1,wet\n")
    assert questions(sheet, propose_mapping(sheet, "reading"), ref=REF) == ()


def test_words_by_label_key_or_answer() -> None:
    """A word is known by its key or its label; any other is asked, once, and then means what was said."""
    text = b"Ref,Takes,State\nG1,not known,sound\nG2,Not Known,cracked at the back\n"
    sheet = one_sheet(text, "gullies.csv")
    mapping = ColumnMap(kind="gully", columns=propose_mapping(sheet, "gully").columns, id_prefix="gully")
    keys = [question.key for question in questions(sheet, mapping, ref=REF)]
    assert keys == ["word:State:cracked at the back"]
    before = apply(sheet, mapping, ref=REF)
    assert [(problem.row, problem.column) for problem in before.problems] == [(3, "State")]
    after = apply(sheet, answer(mapping, keys[0], "lip_broken"), ref=REF)
    assert [record.state for record in after.records] == ["sound", "lip_broken"]


def test_every_problem_at_once_and_nothing_taken() -> None:
    """Five cells are wrong in three rows: five problems by row and column, no record, two rows right of five."""
    text = READINGS + (
        "R1;F1;abc;30;27,9;capacitance;brick;M1;25/11/2026\n"
        "R1;F1;100;-5;27,9;capacitance;brick;M1;31/02/2026\n"
        "R3;F1;100;30;wet;capacitance;brick;M1;25/11/2026\n"
        "R4;F1;100;30;12,1;capacitance;brick;M1;25/11/2026\n"
        "R5;F1;100;30;12,1;capacitance;brick;M1;25/11/2026\n"
    )
    found = taken(text)
    assert found.records == ()
    wrong = {(problem.row, problem.column) for problem in found.problems}
    assert wrong == {(2, "Distance (mm)"), (3, "Ref"), (3, "Height (cm)"), (3, "Date"), (4, "Reading")}
    assert (found.right, found.read) == (2, 5)
    assert all(problem.allowed and problem.mend for problem in found.problems)


def test_a_decimal_comma_where_points_were_said() -> None:
    """12,5 is never read as 125: with a decimal point said it is a problem, with a comma it is 12.5."""
    text = 'Ref,Height (m),Reading,Method,Material,Instrument\nR1,"1,25",20,capacitance,brick,M1\n'
    wrong = taken(text, decimal=".")
    assert "decimal comma" in str(wrong.problems[0])
    assert taken(text, decimal=",").records[0].height_m == 1.25


def test_ids_are_made_and_never_clash() -> None:
    """Rows without an id get the next free one; ids the site has are refused when the file gives them too."""
    sheet = one_sheet(
        b"Height (m),Reading,Method,Material,Instrument\n" + b"0.1,20,capacitance,brick,M1\n" * 3
    )
    made = apply(sheet, answered(sheet, "reading"), ref=REF, existing_ids={"reading-002"})
    assert [record.id for record in made.records] == ["reading-001", "reading-003", "reading-004"]
    sheet = one_sheet(b"Ref,Reading,Method,Material,Instrument\nR7,20,capacitance,brick,M1\n")
    clash = apply(sheet, answered(sheet, "reading"), ref=REF, existing_ids={"R7"})
    assert "already in the site" in str(clash.problems[0])


def test_full_scale_is_warned_of() -> None:
    """A value at the end of the method's scale is a warning and comes in; the record is usable."""
    found = taken("Ref,Reading,Method,Material,Instrument\nR1,100,resistance_masonry,brick,M1\n")
    assert found.usable
    assert [problem.severity for problem in found.problems] == ["warning"]


def test_a_mapping_is_used_again() -> None:
    """A mapping kept as TOML and read back is the same, odd signs in its words included."""
    sheet = one_sheet(READINGS.encode() + 'R1;F1;100;30;27,9;pins;"a ""b"" \\ ½";M1;25/11/2026\n'.encode())
    mapping = answer(propose_mapping(sheet, "reading"), "word:Mode:pins", "resistance_wood")
    mapping = answer(mapping, 'word:Substrate:a "b" \\ ½', "brick")
    mapping = answer(mapping, "basis:carbide", "wet")
    again = from_toml("mapping.toml", to_toml(mapping).encode())
    assert again == mapping
    assert apply(sheet, again, ref=REF).records[0].material == "brick"


@pytest.mark.parametrize(
    "content",
    [
        "",
        "kind = 3",
        'kind = "nothing"',
        'kind = "reading"\ndecimal = "x"',
        'kind = "reading"\n[[columns]]\ncolumn = "a"\nfield = "nope"',
        'kind = "reading"\nextra = 1',
        "[[[",
        "\x00",
    ],
)
def test_a_kept_mapping_that_is_none(content: str) -> None:
    """A file that is no mapping, or names what does not exist, is refused in sentences."""
    with pytest.raises(InputError):
        from_toml("mapping.toml", content.encode())


def test_an_outline_is_not_read_from_a_table() -> None:
    """A building is an outline: a table of buildings is refused with the way out."""
    found = taken("Ref,Storeys\nH1,2\n", kind="building")
    assert "outline" in str(found.problems[0])


@pytest.mark.parametrize(
    "folder", sorted(path.parent for path in DEMO.glob("*/site.toml")), ids=lambda path: path.name
)
def test_a_site_s_own_files_come_in_as_they_are_read(folder: Path) -> None:
    """Every table and layer of a demo site, brought in by its titles alone, gives the records the site has.

    Only wet or dry is asked: the files leave it to the method, and another person's file may not.
    """
    site = read_site(folder)
    for kind, model in KINDS.items():
        table, layer = folder / f"{model.stem}.csv", folder / f"{model.stem}.geojson"
        if table.exists():
            sheet = one_sheet(table.read_bytes(), table.name)
            mapping = propose_mapping(sheet, kind)
            for question in questions(sheet, mapping, ref=REF):
                own = {"basis:carbide": "wet", "basis:gravimetric": "dry"}
                mapping = answer(mapping, question.key, own[question.key])
            found = apply(sheet, mapping, ref=REF)
        elif layer.exists():
            (drawn,) = look_at_vector(layer.name, layer.read_bytes(), ref=REF).layers
            mapping = propose_mapping(drawn.sheet, kind)
            assert questions(drawn.sheet, mapping, ref=REF) == ()
            found = take_vector(drawn, mapping, site_crs=site.crs, ref=REF, layer_crs=drawn.crs or site.crs)
        else:
            continue
        assert found.usable, found.problems
        left_out = {"basis"} if kind == "reading" else set()
        kept = [record.model_dump(exclude=left_out) for record in found.records]
        assert kept == [record.model_dump(exclude=left_out) for record in site.of(kind)]
        for one, other in zip(found.records, site.of(kind), strict=True):
            assert one.geometry is other.geometry is None or one.geometry.equals_exact(other.geometry, 1e-9)


# --- workbooks --------------------------------------------------------------------------------


def test_a_workbook_as_openpyxl_writes_it() -> None:
    """Numbers, dates and yes/no of a workbook come out as the records hold them."""
    from datetime import datetime

    raw = workbook(
        ["Ref", "Height (mm)", "Reading", "Method", "Material", "Instrument", "Control", "Date"],
        ["R1", 150, 12.5, "capacitance", "brick", "M1", True, datetime(2026, 11, 25, 14, 5)],  # noqa: DTZ001 - cells have no zone
        [],
        ["R2", 300.5, ">200", "capacitance", "brick", "M1", False, datetime(2026, 11, 26)],  # noqa: DTZ001 - cells have no zone
    )
    sheet = one_sheet(raw, "readings.xlsx")
    found = apply(sheet, answered(sheet, "reading"), ref=REF)
    assert found.usable, found.problems
    first, second = found.records
    assert (first.height_m, first.value, first.control, first.taken_at) == (
        0.15,
        "12.5",
        "yes",
        "2026-11-25T14:05",
    )
    assert (second.height_m, second.value, second.control, second.taken_at) == (
        0.3005,
        ">200",
        "no",
        "2026-11-26",
    )
    assert found.rows == (2, 4)


def test_a_formula_without_its_result() -> None:
    """A formula saved without its result is refused by its cell: nothing is worked out here."""
    looked = look_at(
        "a.xlsx", workbook(["Ref", "Level", "Note"], ["A", 1.5, "x"], ["B", "=B2*2", "y"]), ref=REF
    )
    assert looked.sheets == ()
    assert "B3" in looked.problems[0].found


def test_sheets_are_listed() -> None:
    """Every sheet with cells is offered by its name; an empty one is not."""
    book = openpyxl.Workbook()
    book.active.append(["Ref", "Level"])
    book.active.append(["A", 1])
    second = book.create_sheet("Gullies")
    second.append(["Ref", "Rim"])
    second.append(["G1", 2.5])
    book.create_sheet("Empty")
    held = io.BytesIO()
    book.save(held)
    assert [sheet.name for sheet in look_at("a.xlsx", held.getvalue(), ref=REF).sheets] == [
        "Sheet",
        "Gullies",
    ]


@pytest.mark.parametrize(("row", "column", "said"), [(1_048_576, 1, "blank rows"), (3, 16_384, "columns")])
def test_a_cell_far_from_the_others(row: int, column: int, said: str) -> None:
    """A cell at the far edge of a sheet is never left out on the quiet: the sheet is refused for it."""
    book = openpyxl.Workbook()
    book.active.append(["Ref", "Level"])
    book.active.append(["A", 1])
    book.active.cell(row=row, column=column, value="B")
    held = io.BytesIO()
    book.save(held)
    assert said in look_at("a.xlsx", held.getvalue(), ref=REF).problems[0].found


# --- pasted cells -----------------------------------------------------------------------------


def test_pasted_cells() -> None:
    """Tabs part cells, a repeated header is dropped, quotes hold a tab, blank rows are left out."""
    found = read_pasted('face\tvalue\nF1\t12\n\nF2\t>100\n"F\t3"\t\n', ["face", "value"], ref=REF)
    assert [dict(row) for row in found.rows] == [
        {"face": "F1", "value": "12"},
        {"face": "F2", "value": ">100"},
        {"face": "F\t3", "value": ""},
    ]
    assert found.numbers == (2, 4, 5)


def test_a_pasted_row_too_wide() -> None:
    """More cells than columns is a problem by its row, and nothing is pasted."""
    found = read_pasted("F1\t12\nF2\t13\t14\n", ["face", "value"], ref=REF)
    assert found.rows == ()
    assert [problem.row for problem in found.problems] == [2]


def test_pasted_readings_are_held_against_their_kind() -> None:
    """Pasted rows become readings with what the grid carries down, or a problem beside the cell."""
    fixed = {"method": "capacitance", "material": "brick", "instrument": "M1"}
    good = check_pasted(
        read_pasted("F1\t0,3\t12,5\nF1\t0,6\t>200\n", ["face", "height_m", "value"], ref=REF),
        "reading",
        ref=REF,
        fixed=fixed,
    )
    assert [(record.height_m, record.value) for record in good.records] == [(0.3, "12.5"), (0.6, ">200")], (
        good.problems
    )
    bad = check_pasted(
        read_pasted("F1\t300\t12\n", ["face", "height_m", "value"], ref=REF), "reading", ref=REF, fixed=fixed
    )
    assert [(problem.row, problem.column) for problem in bad.problems] == [(1, "height_m")]


# --- names and sizes --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["../../etc/passwd", "/etc/passwd", "C:\\x.csv", "con.csv", "NUL", "lpt1.xlsx", "a\x00.csv", "a\n.csv", "gpj.\u202exslx", "a" * 400 + ".csv", "", "...", "zero\u200bwidth.csv"],
)  # fmt: skip
def test_a_name_that_plays_tricks(name: str) -> None:
    """Paths, devices, control signs, writing turned round and endless names are refused, and shown in one plain line."""
    found = arrive(name, b"a,b\n1,2\n", ref=REF)
    assert len(found.problems) == 1
    assert found.file.isprintable()
    assert len(found.file) <= 151
    assert not set("/\\") & set(found.file)


def test_plain_names_are_fine() -> None:
    """Names people use pass: spaces, accents, several points, a leading number."""
    for name in ("readings.csv", "Küche 2. OG (final).v2.xlsx", "01_levels.CSV", "réseau d'eau.gpkg"):
        assert name_problems(name) == ()


@pytest.mark.parametrize(
    ("raw", "said"),
    [(b"", "empty"), (b"%PDF-1.7", "PDF"), (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "xls"), (b"AC1032", "DWG"), (b"PK\x03\x04 broken", "damaged"), (b"<svg xmlns='x'/>", "SVG"), (b"\x7fELF\x02\x01\x01" + bytes(50), "no kind")],
)  # fmt: skip
def test_a_file_of_another_kind(raw: bytes, said: str) -> None:
    """A file is known by its content, not its name, and told what it is."""
    looked = look_at("readings.csv", raw, ref=REF)
    assert looked.sheets == ()
    assert said in looked.problems[0].found


def test_a_million_columns() -> None:
    """A table of a million columns is refused by its width before it is split."""
    start = time.monotonic()
    looked = look_at("wide.csv", b"a," * 1_000_000 + b"\n" + b"1," * 1_000_000, ref=REF)
    assert "columns" in looked.problems[0].found
    assert time.monotonic() - start < 30  # a hang, not a measurement


def test_ten_thousand_rows_agree_with_their_cells() -> None:
    """Ten thousand rows come in equal to what was written, whichever way decimals are written."""
    random = np.random.default_rng(4)
    heights, values = random.integers(50, 1500, 10_000), np.round(random.uniform(1, 150, 10_000), 1)
    lines = [
        f"R{at};{height};{value:.1f}".replace(".", ",")
        for at, (height, value) in enumerate(zip(heights, values, strict=True))
    ]
    found = taken(
        "Ref;Height (mm);Reading\n" + "\n".join(lines),
        fixed__method="capacitance",
        fixed__material="brick",
        fixed__instrument="M1",
    )
    assert found.usable, found.problems[:3]
    assert [record.height_m for record in found.records] == pytest.approx(heights / 1000, abs=1e-12)
    assert [float(record.value) for record in found.records] == values.tolist()
