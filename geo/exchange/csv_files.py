"""Tables as CSV, in which no cell starts a formula; and folders no table may be written to."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd

from geo.errors import InputError, Problem

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")


def refuse_site(folder: Path) -> None:
    """Refuse a folder findings must not be written to: tables there are named as a site's own files are.

    Raises
    ------
    InputError
        When the folder is a site folder, or is a file.
    """
    if (folder / "site.toml").exists() or folder.is_file():
        found = "is a file" if folder.is_file() else "is a site folder, whose own files would be overwritten"
        mend = "Name another folder with --out."
        raise InputError([Problem(file=str(folder), found=found, allowed="a folder of its own", mend=mend)])


def csv_bytes(table: pd.DataFrame) -> bytes:
    """Return a table as CSV in which no cell starts a spreadsheet formula.

    Text that begins with ``= + - @`` or a control character gets an apostrophe before it, as
    spreadsheets themselves do for text; numbers are left alone.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(table.columns)
    for row in table.itertuples(index=False):
        writer.writerow([_cell(value) for value in row])
    return out.getvalue().encode("utf-8-sig")


def _cell(value: object) -> object:
    if isinstance(value, list | tuple):
        value = " ".join(str(entry) for entry in value)
    if isinstance(value, str):
        return f"'{value}" if value.startswith(FORMULA_SIGNS) else value
    return "" if value is None or value != value else value  # noqa: PLR0124 - NaN is not itself
