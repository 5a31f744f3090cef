"""A table as it came: its cells as text, where its header is, and how its numbers are written."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from geo.errors import InputError, Problem
from geo.intake.arrival import TABLE, WORKBOOK, Arrival, arrive
from geo.intake.guarded import read_guarded
from geo.reference import Reference

ASK = "?"
"""How decimals are written when both ways fit: a person has to say."""

DELIMITERS = (";", "\t", "|", ",")
DELIMITER_WORDS = {";": "semicolons", "\t": "tabs", "|": "bars", ",": "commas"}
HEADER_WITHIN = 30
_NUMBER = re.compile(r"[<>≤≥=~\s]*[-+−]?[\d.,\s\u00a0\u202f]*\d[\d.,]*\s*(%|mm|cm|m|ft|in)?")
_DATE = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}([T ].*)?|\d{1,2}:\d{2}(:\d{2})?")
_SIGN = r"[<>≤≥=\s]*[-+−]?"
_COMMA_SURE = re.compile(
    rf"{_SIGN}(\d{{1,3}}([. \u00a0\u202f']\d{{3}})+,\d+|0*,\d+"
    r"|\d+,(\d{1,2}|\d{4,})|\d{4,},\d+)\s*[^\d,.]*"
)
_POINT_SURE = re.compile(
    rf"{_SIGN}(\d{{1,3}}([, \u00a0\u202f']\d{{3}})+\.\d+|0*\.\d+"
    r"|\d+\.(\d{1,2}|\d{4,})|\d{4,}\.\d+)\s*[^\d,.]*"
)
_COMMA_EITHER = re.compile(rf"{_SIGN}[1-9]\d{{0,2}}(,\d{{3}})+\s*[^\d,.]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One table of text.

    Parameters
    ----------
    file, name
        File as it is shown, and the sheet of a workbook or layer of a drawing (``""`` where there is one
        only).
    header
        Column names, each different; a column without a name is called by its letter.
    rows
        Cells below the header, each row as long as the header.
    numbers
        Row of each as the spreadsheet counts.
    header_row
        Row of the header, or 0 where there is none.
    encoding, delimiter
        How the text was written, ``""`` for a workbook.
    decimal
        ``"."``, ``","``, or ``"?"`` when both ways fit and a person has to say.
    remarks
        What was found out and what should be looked at, in sentences.
    """

    file: str
    name: str = ""
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    header_row: int
    encoding: str = ""
    delimiter: str = ""
    decimal: str = "."
    remarks: tuple[str, ...] = ()

    def column(self, name: str) -> list[str]:
        """Return the cells of one column."""
        at = self.header.index(name)
        return [row[at] for row in self.rows]

    @property
    def place(self) -> str:
        """File, and the sheet where the file has several."""
        return f"{self.file}, {self.name}" if self.name else self.file


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What a file of tables holds; ``sheets`` is empty when there is an error."""

    file: str
    sheets: tuple[Sheet, ...]
    problems: tuple[Problem, ...] = ()


def look_at(name: str, raw: bytes, *, ref: Reference, header_row: int | None = None) -> Looked:
    """Read a CSV file or a workbook as tables of text, and say how they are written.

    Parameters
    ----------
    name
        Name as it was given.
    raw
        Its bytes.
    ref
        Limits in force (``intake``, ``input.max_rows``).
    header_row
        Row that holds the column names, where a person says; 0 for none. ``None`` finds it.
    """
    arrival = arrive(name, raw, ref=ref)
    if arrival.problems:
        return Looked(file=arrival.file, sheets=(), problems=arrival.problems)
    try:
        if arrival.what == WORKBOOK:
            sheets, problems = _workbook(arrival, raw, ref=ref, header_row=header_row)
        elif arrival.what == TABLE:
            sheets, problems = _text(arrival, raw, ref=ref, header_row=header_row)
        else:
            mend = "Bring it in as a map layer or a picture."
            said = Problem(file=arrival.file, found="is no table", allowed="CSV or XLSX", mend=mend)
            return Looked(file=arrival.file, sheets=(), problems=(said,))
    except InputError as error:
        return Looked(file=arrival.file, sheets=(), problems=error.problems)
    if any(problem.severity == "error" for problem in problems):
        sheets = []
    return Looked(file=arrival.file, sheets=tuple(sheets), problems=tuple(problems))


def with_header(sheet: Sheet, row: int) -> Sheet:
    """Return a sheet whose header is another of its rows; rows above it are dropped.

    Raises
    ------
    InputError
        When the sheet has no such row.
    """
    if row not in sheet.numbers:
        mend = "Name a row below the present header."
        allowed = f"a row from {sheet.numbers[0]} to {sheet.numbers[-1]}" if sheet.numbers else "none"
        raise InputError(
            [Problem(file=sheet.place, row=row, found="no such row", allowed=allowed, mend=mend)]
        )
    at = sheet.numbers.index(row)
    laid = _laid_out(
        sheet.file, sheet.name, [list(one) for one in sheet.rows[at:]], list(sheet.numbers[at:]), row
    )
    return replace(laid, encoding=sheet.encoding, delimiter=sheet.delimiter)


def decoded(file: str, raw: bytes) -> tuple[str, str]:
    """Return the text of a file and how it was encoded: UTF-8, UTF-16 or Windows-1252.

    Raises
    ------
    InputError
        When it is none of them.
    """
    pairs = (
        (b"\xef\xbb\xbf", "utf-8-sig", "UTF-8"),
        (b"\xff\xfe", "utf-16", "UTF-16"),
        (b"\xfe\xff", "utf-16", "UTF-16"),
    )
    tries = [(codec, said) for start, codec, said in pairs if raw.startswith(start)]
    even, odd = raw[:4096:2].count(0), raw[1:4096:2].count(0)
    if not tries and even + odd:
        tries = [("utf-16-le" if odd > even else "utf-16-be", "UTF-16")]
    if not tries:
        tries = [("utf-8", "UTF-8"), ("cp1252", "Windows-1252")]
    for codec, said in tries:
        try:
            return raw.decode(codec), said
        except UnicodeDecodeError:
            continue
    mend = "Save it again as CSV UTF-8."
    allowed = "UTF-8, UTF-16 or Windows-1252"
    found = f"is not readable as {tries[-1][1]}"
    raise InputError([Problem(file=file, found=found, allowed=allowed, mend=mend)])


def decimal_of(cells: Sequence[str]) -> tuple[str, str]:
    """Return how decimals are written in some cells, and an example of what shows it."""
    comma = next((cell for cell in cells if "," in cell and _COMMA_SURE.fullmatch(cell)), "")
    point = next((cell for cell in cells if "." in cell and _POINT_SURE.fullmatch(cell)), "")
    either = next((cell for cell in cells if "," in cell and _COMMA_EITHER.fullmatch(cell)), "")
    if comma and point:
        return ASK, f"{comma} and {point}"
    if comma:
        return ",", comma
    if point:
        return ".", point
    return (ASK, either) if either else (".", "")


def _workbook(
    arrival: Arrival, raw: bytes, *, ref: Reference, header_row: int | None
) -> tuple[list[Sheet], list[Problem]]:
    found, _ = read_guarded("workbook", raw, file=arrival.file, ref=ref, options=table_limits(ref))
    sheets: list[Sheet] = []
    problems: list[Problem] = []
    several = sum(bool(one["rows"]) for one in found["sheets"]) > 1
    for one in found["sheets"]:
        if not one["rows"]:
            continue
        title = _one_line(one["name"]) if several else ""
        sheet = _laid_out(arrival.file, title, one["rows"], one["numbers"], header_row)
        if one["state"] != "visible":
            sheet = replace(sheet, remarks=(*sheet.remarks, "This sheet is hidden in the workbook."))
        if one["unsaved"]:
            named = ", ".join(one["unsaved"][:5])
            problems.append(
                Problem(
                    file=sheet.place,
                    found=f"{len(one['unsaved'])} formulas whose results were not saved ({named})",
                    allowed="values, or formulas saved with their results",
                    mend="Open it in the spreadsheet and save it again, or paste the values.",
                )
            )
        sheets.append(sheet)
    if not sheets and not problems:
        problems.append(_no_rows(arrival.file))
    return sheets, problems


def table_limits(ref: Reference) -> dict[str, float]:
    """Return the limits of tables in the form the parsers take."""
    keys = {"unpacked_mb": "unpacked_mb", "ratio": "packed_ratio", "members": "packed_members"}
    limits = {name: ref.value(f"intake.{key}") for name, key in keys.items()}
    limits |= {name: ref.value(f"intake.{name}") for name in ("columns", "cells", "nesting", "vertices")}
    return {**limits, "rows": ref.value("input.max_rows"), "curve_m": ref.value("intake.curve_m")}


def _text(
    arrival: Arrival, raw: bytes, *, ref: Reference, header_row: int | None
) -> tuple[list[Sheet], list[Problem]]:
    content, encoding = decoded(arrival.file, raw)
    remarks: list[str] = []
    stated = re.match(r"sep=(.)\r?\n", content)
    delimiter = stated[1] if stated and stated[1] in DELIMITERS else _delimiter(content)
    if content.split("\n", 1)[0].count(delimiter) >= ref.value("intake.columns"):
        raise InputError([_too_wide(arrival.file, 1, content.split("\n", 1)[0].count(delimiter) + 1, ref)])
    rows, numbers = _split(arrival.file, content, delimiter, skip=bool(stated), ref=ref)
    if not rows:
        return [], [_no_rows(arrival.file)]
    sheet = _laid_out(arrival.file, "", rows, numbers, header_row)
    if encoding == "Windows-1252":
        strange = next((sign for sign in content if ord(sign) > 127), "")
        remarks.append(f"Read as Windows-1252, not UTF-8: look whether {strange!r} and its like are right.")
    remarks.append(f"Columns are parted by {DELIMITER_WORDS[delimiter]}; the text is {encoding}.")
    return [replace(sheet, encoding=encoding, delimiter=delimiter, remarks=(*sheet.remarks, *remarks))], []


def _split(
    file: str, content: str, delimiter: str, *, skip: bool, ref: Reference
) -> tuple[list[list[str]], list[int]]:
    rows: list[list[str]] = []
    numbers: list[int] = []
    cells = 0
    most, widest, whole = (
        ref.value("input.max_rows") + HEADER_WITHIN,
        ref.value("intake.columns"),
        ref.value("intake.cells"),
    )
    lines = csv.reader(io.StringIO(content, newline=""), delimiter=delimiter)
    try:
        for number, row in enumerate(lines, start=1):
            written = [cell.strip() for cell in row]
            while written and not written[-1]:
                written.pop()
            if not written or (skip and number == 1):
                continue
            if len(written) > widest:
                raise InputError([_too_wide(file, number, len(written), ref)])
            cells += len(written)
            if len(rows) >= most or cells > whole:
                found = f"more than {len(rows):,} rows of {cells:,} cells"
                allowed = f"at most {ref.value('input.max_rows'):,.0f} rows and {whole:,.0f} cells"
                raise InputError([Problem(file=file, found=found, allowed=allowed, mend="Split the file.")])
            rows.append(written)
            numbers.append(number)
    except csv.Error as error:
        mend = "Look for a quote that is not closed."
        found = f"cannot be read as CSV ({error})"
        raise InputError(
            [Problem(file=file, row=lines.line_num, found=found, allowed="CSV", mend=mend)]
        ) from None
    return rows, numbers


def _delimiter(content: str) -> str:
    """Return the sign that parts the columns: the one by which most lines have the same number of cells."""
    sample = content[:65536].splitlines()
    sample = [line for line in (sample[:-1] if len(content) > 65536 else sample) if line.strip()][:60]
    best, most = ",", (0.0, 0)
    for sign in DELIMITERS:
        try:
            widths = [len(row) for row in csv.reader(sample, delimiter=sign)]
        except csv.Error:
            continue
        wide = Counter(width for width in widths if width > 1)
        if not wide:
            continue
        width, times = wide.most_common(1)[0]
        score = (round(times / len(widths), 2), width)
        if score > most:
            best, most = sign, score
    return best


def _laid_out(
    file: str, name: str, rows: list[list[str]], numbers: list[int], header_row: int | None
) -> Sheet:
    """Make a sheet of rows of any length: find its header, name its columns, tell its decimals."""
    if header_row is None:
        at = _header_at(rows)
    else:
        at = numbers.index(header_row) if header_row in numbers else -1
    body = rows[at + 1 :]
    width = max(map(len, [rows[at], *body] if at >= 0 else body), default=0)
    titles = (rows[at] if at >= 0 else []) + [""] * width
    header = _names(titles[:width])
    filled = tuple(tuple(row + [""] * (width - len(row))) for row in body)
    decimal, shown = decimal_of([cell for row in filled for cell in row if "," in cell or "." in cell])
    remarks = []
    if at < 0:
        remarks.append("No row of column names was found: columns are called by their letters.")
    elif at > 0:
        remarks.append(f"The column names stand in row {numbers[at]}; what is above them is not read.")
    if decimal == ",":
        remarks.append(f"Decimals are written with a comma ({shown}).")
    elif decimal == ASK:
        remarks.append(f"Decimals may be written with a comma or a point ({shown}): say which.")
    return Sheet(
        file=file,
        name=name,
        header=header,
        rows=filled,
        numbers=tuple(numbers[at + 1 :]),
        header_row=numbers[at] if at >= 0 else 0,
        decimal=decimal,
        remarks=tuple(remarks),
    )


def _header_at(rows: list[list[str]]) -> int:
    """Return which row names the columns: the first that is words throughout and as wide as the rest."""
    usual = Counter(len(row) for row in rows[:200]).most_common(1)[0][0]
    for at, row in enumerate(rows[:HEADER_WITHIN]):
        named = [cell for cell in row if cell]
        wide = len(named) >= max(1, (usual + 1) // 2) and (len(named) > 1 or usual == 1)
        plain = not any(_NUMBER.fullmatch(cell) or _DATE.fullmatch(cell) for cell in named)
        if wide and plain and len({cell.casefold() for cell in named}) == len(named):
            return at
    first = [cell for cell in rows[0] if cell]
    repeated = not any(_NUMBER.fullmatch(cell) for cell in first)
    return 0 if repeated and len(rows) > 1 and len(first) > 1 else -1


def _names(titles: list[str]) -> tuple[str, ...]:
    """Return names that are all different; a column without one is called by its letter."""
    names: list[str] = []
    for at, title in enumerate(titles):
        name = _one_line(title) or f"column {letter(at)}"
        count = 2
        while name in names:
            name = f"{_one_line(title)} ({count})"
            count += 1
        names.append(name)
    return tuple(names)


def letter(at: int) -> str:
    """Return a column's letter as a spreadsheet has it, counting from 0."""
    out = ""
    at += 1
    while at:
        at, rest = divmod(at - 1, 26)
        out = chr(65 + rest) + out
    return out


def _one_line(title: str) -> str:
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in title).split())
    return line[:80]


def _no_rows(file: str) -> Problem:
    return Problem(file=file, found="has no rows", allowed="a table", mend="Export it again.")


def _too_wide(file: str, row: int, width: int, ref: Reference) -> Problem:
    allowed = f"at most {ref.value('intake.columns'):g}"
    mend = "Copy the columns that matter to a file of their own."
    return Problem(file=file, row=row, found=f"{width:,} columns", allowed=allowed, mend=mend)
