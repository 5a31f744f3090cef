"""The command ``wallfoot drying``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from geo.cli_said import CAUTIONS, or_stop, printable


def drying(
    site: Annotated[Path, typer.Argument(help="A site folder", metavar="SITE")],
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text")] = False,
    out: Annotated[Path | None, typer.Option("--out", help="Folder to write to as well")] = None,
) -> None:
    """Say whether it dries, when at the earliest, which reading settles it, and what may be handed on."""
    from geo.drying.document import drying_document, drying_lines  # noqa: PLC0415

    found, written = or_stop(lambda: _work(site, out))
    if as_json:
        typer.echo(json.dumps(drying_document(found), indent=1, ensure_ascii=False, allow_nan=False))
    else:
        typer.echo("\n".join(printable(line) for line in drying_lines(found)))
    if out is not None:
        typer.echo(f"{len(written)} files in {out}", err=True)
    typer.echo(CAUTIONS, err=True)


def _work(site: Path, out: Path | None) -> tuple[Any, list[Path]]:
    from geo.drying.report import drying_of  # noqa: PLC0415
    from geo.exchange.csv_files import refuse_site  # noqa: PLC0415
    from geo.findings.check import read_checked  # noqa: PLC0415
    from geo.findings.drains import lay_out_drains  # noqa: PLC0415
    from geo.findings.examine import examine  # noqa: PLC0415
    from geo.findings.trials import judge_trials  # noqa: PLC0415

    if out is not None:
        refuse_site(out)
    found = examine(read_checked(site))
    judged = judge_trials(found.site, lay_out_drains(found))
    answer = drying_of(found, judged)
    return answer, _write(answer, out) if out is not None else []


def _write(found: Any, folder: Path) -> list[Path]:
    """Write the tables, the document and the drawing; each file whole or not at all."""
    from geo.draw.drying import draw_drying  # noqa: PLC0415
    from geo.draw.svg import to_png  # noqa: PLC0415
    from geo.drying.document import drying_document, drying_tables  # noqa: PLC0415
    from geo.exchange.atomic import put_files  # noqa: PLC0415
    from geo.exchange.csv_files import csv_bytes  # noqa: PLC0415

    document = json.dumps(drying_document(found), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    files = {"drying.json": document.encode()}
    files |= {f"{name}.csv": csv_bytes(table) for name, table in drying_tables(found).items()}
    if found.points:
        svg = draw_drying(found)
        files |= {"drying.svg": svg.encode(), "drying.png": to_png(svg)}
    return put_files(folder, files)
