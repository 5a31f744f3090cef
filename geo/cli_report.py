"""The command ``wallfoot report``."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from geo.cli_said import CAUTIONS, count, or_stop

if TYPE_CHECKING:
    from geo.findings.telling import Tell

EXAMINED, GATHERED = 0.30, 0.45
"""Shares of the work that are done once the site is examined, and its causes are worked out."""
BAR = 30


def report(
    site: Annotated[Path, typer.Argument(help="A site folder", metavar="SITE")],
    out: Annotated[Path, typer.Option("--out", help="Folder to write to; new, or one written before")],
    letter_only: Annotated[
        bool, typer.Option("--letter-only", help="Only the two-page letter for who lives there")
    ] = False,
) -> None:
    """Write the full report and the two-page plain letter, as PDF and HTML, with the hash of each file."""
    with _unswept():
        written = or_stop(lambda: _write(site, out, letter_only=letter_only))
    typer.echo(f"{count(len(written), 'file')} in {out}", err=True)
    typer.echo(CAUTIONS, err=True)


@contextmanager
def _unswept() -> Iterator[None]:
    """Let what is made lie until the end: the command is short, and searching it for rings takes time."""
    swept = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if swept:
            gc.enable()


def _write(folder: Path, out: Path, *, letter_only: bool) -> list[Path]:
    from geo.exchange.csv_files import refuse_site  # noqa: PLC0415 - only this command needs these
    from geo.findings.check import read_checked  # noqa: PLC0415
    from geo.findings.examine import examine  # noqa: PLC0415
    from geo.report.pack import write_report  # noqa: PLC0415
    from geo.report.source import gather  # noqa: PLC0415

    refuse_site(out)
    found = examine(read_checked(folder), tell=_part(0.0, EXAMINED))
    tell(EXAMINED, "working out drains and causes")
    return write_report(gather(found), out, letter_only=letter_only, tell=_part(GATHERED, 1.0))


def _part(begin: float, end: float) -> Tell:
    """Return what shows the progress of one part of the work."""
    return lambda share, doing: tell(begin + (end - begin) * share, doing)


def tell(share: float, doing: str) -> None:
    """Show a bar on a terminal; keep quiet in a pipe."""
    if sys.stderr.isatty():
        full = round(BAR * min(share, 1.0))
        typer.echo(f"\r[{'#' * full}{'-' * (BAR - full)}] {doing:<40}", err=True, nl=share >= 1)
