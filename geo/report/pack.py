"""The files of a report: full and letter, PDF and HTML, the quantities, and a list with the hash of each."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

from geo.exchange.atomic import put_files
from geo.exchange.works_files import BOOK, works_files
from geo.findings.telling import Tell, quietly
from geo.report.full import full_report
from geo.report.letter import letter_of
from geo.report.parts import Document
from geo.report.render_html import report_html
from geo.report.render_pdf import report_pdf
from geo.report.source import Source

REPORT_FILES = ("report.pdf", "report.html")
LETTER_FILES = ("letter.pdf", "letter.html")
QUANTITY_FILES = {"quantities.xlsx": BOOK, "quantities.csv": "quantities.csv"}
"""Files of the quantities, and what the works call them."""
MANIFEST = "manifest.json"


def report_files(source: Source, *, letter_only: bool = False, tell: Tell = quietly) -> dict[str, bytes]:
    """Return the files of a site's reports by name, the list of them last.

    The same data and the same program give the same bytes.

    Parameters
    ----------
    letter_only
        Leave out the full report and the quantities.
    tell
        Told the share done and what is being done.
    """
    tell(0.05, "writing the letter")
    letter, letter_pdf = letter_of(source)
    made = {"letter.pdf": letter_pdf, "letter.html": report_html(letter)}
    if not letter_only:
        tell(0.20, "writing the report")
        report = full_report(source)
        tell(0.65, "setting its pages")
        made |= {"report.pdf": report_pdf(report), "report.html": report_html(report)}
        made |= quantity_files(source)
    made[MANIFEST] = manifest_bytes(
        made, version=source.site.digest, tool=source.tool, dated=dated_words(letter)
    )
    return made


def dated_words(document: Document) -> str:
    """Return the day a report bears, or nothing."""
    return document.dated.isoformat() if document.dated is not None else ""


def quantity_files(source: Source) -> dict[str, bytes]:
    """Return the quantities of the works, where any can be worked out."""
    if source.works is None or not source.works.works:
        return {}
    files = works_files(source.works, ref=source.ref)
    return {name: files[own] for name, own in QUANTITY_FILES.items() if own in files}


def manifest_bytes(files: Mapping[str, bytes], *, version: str, tool: str, dated: str) -> bytes:
    """Return the list of files as JSON, each with its size and SHA-256.

    Parameters
    ----------
    version
        SHA-256 of the data they were made from.
    """
    told = {
        "made_by": tool,
        "data_version": version,
        "as_of": dated,
        "files": [
            {"name": name, "bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
            for name, content in sorted(files.items())
        ],
    }
    return (json.dumps(told, indent=1, ensure_ascii=False) + "\n").encode()


def write_report(
    source: Source, folder: Path, *, letter_only: bool = False, tell: Tell = quietly
) -> list[Path]:
    """Write the files of a site's reports into a folder, all of them or none.

    Returns
    -------
    The paths written, in order.

    Raises
    ------
    InputError
        When the folder is a file.
    """
    files = report_files(source, letter_only=letter_only, tell=tell)
    tell(0.97, "writing the files")
    written = put_files(folder, files)
    tell(1.0, "done")
    return written
