"""Events in from CSV and XLSX, and out to CSV; no cell that leaves here starts a formula."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import cast

import pandas as pd

from geo.errors import InputError, Problem
from geo.exchange.bundle import FORMULA_SIGNS, csv_bytes
from geo.intake.sheet import Sheet, look_at
from geo.portfolio.events import STEMS, Happened
from geo.reference import Reference
from geo.site.tables import read_csv, write_csv
from geo.site.template import guide_of

_WHOLE_MINUTE = re.compile(r"^(\d{4}-\d{2}-\d{2}T\d{2}:\d{2}):00$")
STILL = (1980, 1, 1, 0, 0, 0)
"""Time written on every file of a packed file, so that the same content gives the same bytes."""


def read_events(paths: Iterable[Path], *, ref: Reference) -> list[Happened]:
    """Read events from files: a CSV for each kind, named as in the template, or a workbook with such sheets.

    Returns
    -------
    Facts of homes first, then everything in the order it happened: files hold it kind by kind.

    Raises
    ------
    InputError
        With everything wrong in any of them; then nothing is to be added.
    """
    records: list[Happened] = []
    problems: list[Problem] = []
    for path in paths:
        try:
            raw = path.read_bytes()
        except OSError as error:
            found = error.strerror or str(error)
            problems.append(Problem(file=path.name, found=found, allowed="a file", mend="Name another."))
            continue
        some, wrong = events_in(path.name, raw, ref=ref)
        records += some
        problems += wrong
    if problems:
        raise InputError(problems)
    return sorted(records, key=lambda one: (one.kind != "home", one.at))


def events_in(name: str, raw: bytes, *, ref: Reference) -> tuple[list[Happened], list[Problem]]:
    """Return the events of one file, and everything wrong in it."""
    looked = look_at(name, raw, ref=ref, header_row=1)
    problems = [one for one in looked.problems if one.severity == "error"]
    records: list[Happened] = []
    for sheet in looked.sheets:
        stem = sheet.name or Path(looked.file).stem
        model = STEMS.get(stem.strip().casefold().replace(" ", "_"))
        if model is None:
            allowed = "names of the template: " + ", ".join(STEMS)
            problems.append(
                Problem(
                    file=sheet.place,
                    found=f"no kind of event is called {stem!r}",
                    allowed=allowed,
                    mend="Rename it.",
                )
            )
            continue
        layer = read_csv(sheet.place, _as_csv(sheet), model, max_rows=int(ref.value("input.max_rows")))
        records += cast("tuple[Happened, ...]", layer.records)
        problems += layer.problems
    return records, problems


def _as_csv(sheet: Sheet) -> bytes:
    """Return a sheet as CSV with its rows where they were, so that a problem names the row a person sees."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(sheet.header)
    at = 1
    for number, row in zip(sheet.numbers, sheet.rows, strict=True):
        while at + 1 < number:
            writer.writerow([""] * len(sheet.header))
            at += 1
        writer.writerow([_plain(cell) for cell in row])
        at += 1
    return out.getvalue().encode()


def _plain(cell: str) -> str:
    """Return a cell without what a spreadsheet put there.

    The apostrophe that kept it from taking the cell for a formula, and seconds of a time nobody wrote any
    for: the same event from a workbook and from a CSV file is the same.
    """
    text = cell[1:] if cell.startswith("'") and cell[1:].startswith(FORMULA_SIGNS) else cell
    return _WHOLE_MINUTE.sub(r"\1", text)


def write_events(records: Iterable[Happened]) -> dict[str, bytes]:
    """Return events as CSV files, one a kind, by name: what :func:`read_events` reads back the same."""
    kinds: dict[str, list[Happened]] = {}
    for record in records:
        kinds.setdefault(record.stem, []).append(record)
    files = {}
    for stem, some in kinds.items():
        table = pd.read_csv(io.BytesIO(write_csv(some, type(some[0]))), dtype=str, keep_default_na=False)
        files[f"{stem}.csv"] = csv_bytes(table)
    return files


def template() -> dict[str, bytes]:
    """Return blank files for every kind of event, and the field guide."""
    files = {f"{model.stem}.csv": (",".join(model.columns()) + "\n").encode() for model in STEMS.values()}
    head = (
        "One file for each kind of event. Columns in bold must be filled in. An event is never changed: a"
        " corrected one has a number of its own and names the first in corrects. No names and no addresses of"
        " people: the landlord's number of the home is enough."
    )
    guide = guide_of("Field guide to the register of homes", head, STEMS.values())
    files["FIELD_GUIDE.html"] = guide.encode()
    return files


def packed_bytes(files: Mapping[str, bytes]) -> bytes:
    """Return files in one ZIP file, unpacked in it, in order of name: the same files give the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as packed:
        for name in sorted(files):
            info = zipfile.ZipInfo(name, date_time=STILL)
            info.external_attr = 0o644 << 16
            info.create_system = 3
            packed.writestr(info, files[name])
    return out.getvalue()
