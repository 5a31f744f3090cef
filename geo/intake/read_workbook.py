"""Read an XLSX workbook as text, cell by cell; runs in the guarded child. No formula is ever worked out."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Mapping
from datetime import date, datetime, time, timedelta
from typing import Any

import openpyxl  # type: ignore[import-untyped]
from defusedxml.ElementTree import iterparse  # type: ignore[import-untyped]

from geo.intake.refused import Refused

_FORBIDDEN = re.compile(rb"<!\s*(DOCTYPE|ENTITY)", re.IGNORECASE)
_FORMULA = re.compile(rb"<f[ >/]")
_PIECE = 1 << 20
MOST_NAMED = 100
MOST_BLANK = 10_000
"""More blank rows than this between two cells are a slip of the hand; nothing below them is left out."""


def read_workbook(raw: bytes, options: Mapping[str, Any]) -> tuple[Any, list[bytes]]:
    """Return every sheet as rows of text.

    Parameters
    ----------
    raw
        The workbook.
    options
        ``unpacked_mb``, ``ratio`` and ``members`` of the archive; ``rows``, ``columns`` and ``cells`` of
        a sheet.

    Raises
    ------
    Refused
        When the archive is not what a spreadsheet writes, or the sheets are larger than a survey is.
    """
    with_formulas = check_archive(raw, options)
    book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=True, keep_links=False)
    try:
        sheets = [_rows(sheet, options) for sheet in book.worksheets]
        if with_formulas:
            with zipfile.ZipFile(io.BytesIO(raw)) as packed:
                for sheet, found in zip(book.worksheets, sheets, strict=True):
                    found["unsaved"] = _unsaved(packed, str(sheet._worksheet_path))  # noqa: SLF001 - said nowhere else
    finally:
        book.close()
    return {"sheets": sheets}, []


def check_archive(raw: bytes, options: Mapping[str, Any]) -> bool:
    """Refuse an archive that unpacks to more than it should, or whose XML defines entities.

    The sizes an archive states may be lies, so every member is unpacked, and counted as it comes.

    Returns
    -------
    Whether a sheet holds formulas.
    """
    most, formulas, whole = options["unpacked_mb"] * 1e6, False, 0
    with zipfile.ZipFile(io.BytesIO(raw)) as packed:
        members = packed.infolist()
        if len(members) > options["members"]:
            mend = "Save it again from the spreadsheet, without pictures."
            raise Refused(f"holds {len(members):,} files", f"at most {options['members']:,.0f}", mend)
        for member in members:
            if member.flag_bits & 1:
                raise Refused("is locked with a password", "a workbook without one", "Save it again without.")
            size = 0
            last = b""
            with packed.open(member) as stream:
                while piece := stream.read(_PIECE):
                    size += len(piece)
                    whole += len(piece)
                    if whole > most or size > max(1e6, options["ratio"] * max(member.compress_size, 1)):
                        found = f"unpacks to more than {whole / 1e6:,.0f} MB from {len(raw) / 1e6:,.2f} MB"
                        allowed = (
                            f"at most {options['unpacked_mb']:g} MB, and {options['ratio']:g} times its size"
                        )
                        raise Refused(found, allowed, "Save it again with only the cells that are needed.")
                    joined = last + piece
                    if member.filename.lower().endswith((".xml", ".rels", ".vml")):
                        if _FORBIDDEN.search(joined.replace(b"\x00", b"")):
                            mend = "Save it again from the spreadsheet; do not open it elsewhere."
                            raise Refused("defines entities in its XML", "what a spreadsheet writes", mend)
                        formulas = formulas or ("sheet" in member.filename and bool(_FORMULA.search(joined)))
                    last = piece[-32:]
    return formulas


def _rows(sheet: Any, options: Mapping[str, Any]) -> dict[str, Any]:
    """Return a sheet's cells as text, empty rows left out but counted."""
    rows: list[list[str]] = []
    numbers: list[int] = []
    cells = 0
    blank = 0
    for number, row in enumerate(_values(sheet), start=1):
        written = [text_of(value) for value in row]
        while written and not written[-1]:
            written.pop()
        if not written:
            blank += 1
            if blank > MOST_BLANK:
                raise Refused(
                    f"sheet {sheet.title!r} has more than {MOST_BLANK:,} blank rows up to row {number:,}",
                    "rows below each other",
                    "Copy the cells that matter to a sheet of their own.",
                )
            continue
        blank = 0
        if len(written) > options["columns"]:
            mend = "Copy the columns that matter to a sheet of their own."
            raise Refused(
                f"sheet {sheet.title!r} has more than {options['columns']:g} columns",
                f"at most {options['columns']:g}",
                mend,
            )
        cells += len(written)
        if len(rows) >= options["rows"] or cells > options["cells"]:
            raise Refused(
                f"sheet {sheet.title!r} has more than {len(rows):,} rows of {cells:,} cells",
                f"at most {options['rows']:,.0f} rows and {options['cells']:,.0f} cells",
                "Split it, or raise the limits [input] of the site's limits.toml.",
            )
        rows.append(written)
        numbers.append(number)
    return {
        "name": str(sheet.title),
        "rows": rows,
        "numbers": numbers,
        "unsaved": [],
        "state": sheet.sheet_state,
    }


def _values(sheet: Any) -> Iterator[tuple[Any, ...]]:
    sheet.reset_dimensions()  # the size a sheet states of itself may be a lie of a million rows
    yield from sheet.iter_rows(values_only=True)


def _unsaved(packed: zipfile.ZipFile, path: str) -> list[str]:
    """Return the cells whose formula was saved without its result, as B7; a result of no text has a type."""
    missing: list[str] = []
    with packed.open(path) as stream:
        for _, cell in iterparse(stream, forbid_dtd=True):
            if not cell.tag.endswith("}c"):
                continue
            parts = {part.tag.rpartition("}")[2]: part.text for part in cell}
            if "f" in parts and not parts.get("v") and cell.get("t") != "str" and "is" not in parts:
                missing.append(str(cell.get("r")))
            cell.clear()
            if len(missing) >= MOST_NAMED:
                break
    return missing


def text_of(value: Any) -> str:
    """Return a cell's value as text: numbers as short as they read back the same, dates as 2026-11-03."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return repr(value).removesuffix(".0") if abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        plain = value.time() == time(0, 0)
        return value.date().isoformat() if plain else value.isoformat(timespec="seconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return value.isoformat(timespec="seconds")
    if isinstance(value, timedelta):
        return str(value)
    return str(value)
