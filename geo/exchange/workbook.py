"""Tables as one XLSX workbook: text is always text, and the same tables give the same bytes."""

from __future__ import annotations

import datetime as dt
import io
import math
import re
import zipfile
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

import openpyxl  # type: ignore[import-untyped]
import pandas as pd
from openpyxl.styles import Alignment, Font, PatternFill  # type: ignore[import-untyped]
from openpyxl.utils import get_column_letter  # type: ignore[import-untyped]

from geo.draw.svg import plain
from geo.draw.theme import PANEL
from geo.exchange.csv_files import FORMULA_SIGNS

STILL = (1980, 1, 1, 0, 0, 0)
"""Time written on every file of the package, so that the same tables give the same bytes."""
SAVED = re.compile(rb"(<dcterms:(?:created|modified)[^>]*>)[^<]*(</dcterms:)")
LONGEST_CELL = 32_000
NARROWEST, WIDEST = 9, 48
FORBIDDEN = re.compile(r"[\[\]:*?/\\']")


def xlsx_bytes(tables: Mapping[str, pd.DataFrame], *, heads: Sequence[str] = ()) -> bytes:
    """Return tables as a workbook, one sheet each, in order.

    Numbers stay numbers, whatever they are rounded to on paper; text is written as text, so that nothing a
    person typed can be a formula. What is not known is an empty cell.

    Parameters
    ----------
    heads
        Lines above every table: what it is of, its date and data version.
    """
    book = openpyxl.Workbook()
    book.remove(book.active)
    book.properties.creator = "wallfoot"
    taken: set[str] = set()
    for name, table in tables.items():
        sheet = book.create_sheet(title=_title(name, taken))
        _write_table(sheet, table, heads)
    if not tables:
        book.create_sheet(title="empty")
    out = io.BytesIO()
    book.save(out)
    return _still(out.getvalue())


def _title(name: str, taken: set[str]) -> str:
    """Return a sheet's name a workbook allows, and no other sheet has."""
    stem = FORBIDDEN.sub(" ", plain(name)).strip()[:28] or "table"
    title, count = stem, 2
    while title.casefold() in taken:
        title, count = f"{stem} {count}", count + 1
    taken.add(title.casefold())
    return title


HEAD = {
    "font": Font(bold=True),
    "fill": PatternFill("solid", start_color=PANEL.lstrip("#")),
    "alignment": Alignment(wrap_text=True, vertical="bottom"),
}
NUMBER, LONG = Alignment(vertical="top"), Alignment(wrap_text=True, vertical="top")
# Looks are made once: to make them for every cell takes far longer than to write it.


def _write_table(sheet: Any, table: pd.DataFrame, heads: Sequence[str]) -> None:
    for at, line in enumerate(heads, start=1):
        _fill(sheet.cell(row=at, column=1), line)
    top = len(heads) + (2 if heads else 1)
    widths = [NARROWEST] * len(table.columns)
    for column, name in enumerate(table.columns, start=1):
        cell = sheet.cell(row=top, column=column)
        _fill(cell, str(name))
        for look, how in HEAD.items():
            setattr(cell, look, how)
        widths[column - 1] = max(NARROWEST, min(WIDEST, len(str(name))))
    for row, values in enumerate(table.itertuples(index=False, name=None), start=top + 1):
        for column, value in enumerate(values, start=1):
            cell = sheet.cell(row=row, column=column)
            _fill(cell, value)
            text = cell.data_type == "s"
            cell.alignment = LONG if text else NUMBER
            length = len(cell.value) if text and cell.value else 10
            widths[column - 1] = max(widths[column - 1], min(WIDEST, length))
    for column, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(column)].width = width + 2
    sheet.freeze_panes = sheet.cell(row=top + 1, column=1)
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = f"{top}:{top}"


def _fill(cell: Any, value: Any) -> None:
    """Write one value; text always as text, moments and dates as text too."""
    if value is None or value is pd.NA or value is pd.NaT:
        return
    if hasattr(value, "dtype"):
        value = value.item()
    if isinstance(value, bool):
        value = "yes" if value else "no"
    if isinstance(value, Decimal):
        cell.value, cell.number_format = value, "#,##0.00"
        return
    if isinstance(value, int | float):
        if math.isfinite(value):
            cell.value = value
            cell.number_format = "0" if float(value).is_integer() else "0.000"
        return
    if isinstance(value, list | tuple):
        value = " ".join(str(each) for each in value)
    text = plain(value.isoformat() if isinstance(value, dt.date) else str(value))[:LONGEST_CELL]
    cell.value = text
    cell.data_type = "s"
    if text.startswith(FORMULA_SIGNS):
        cell.quotePrefix = True


def _still(raw: bytes) -> bytes:
    """Return a package with one time on everything in it, the workbook's own time of saving too."""
    said = dt.datetime(*STILL, tzinfo=dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(raw)) as packed,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made,
    ):
        for name in packed.namelist():
            content = packed.read(name)
            if name == "docProps/core.xml":
                content = SAVED.sub(rb"\g<1>" + said + rb"\g<2>", content)
            entry = zipfile.ZipInfo(name, date_time=STILL)
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            made.writestr(entry, content)
    return out.getvalue()
