"""The command ``wallfoot works``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from geo.cli_said import CAUTIONS, or_stop, printable

if TYPE_CHECKING:
    from geo.reference import Reference
    from geo.site.model import Site
    from geo.works.whole import Works


def works(
    site: Annotated[Path, typer.Argument(help="A site folder", metavar="SITE")],
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder to write to; new, or one written before")
    ] = None,
    rates: Annotated[
        Path | None, typer.Option(help="Your own prices, laid out as rates.csv", metavar="FILE")
    ] = None,
    rain: Annotated[
        Path | None,
        typer.Option(help="Depths of rain at the place: minutes, depth_mm; for soakaways", metavar="FILE"),
    ] = None,
    limits: Annotated[
        Path | None, typer.Option(help="A practice's own sizes, waste and limits", metavar="FILE")
    ] = None,
    before: Annotated[
        Path | None, typer.Option(help="The same site before something was found", metavar="SITE")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text")] = False,
) -> None:
    """Measure the repairs, put them in order, and say what may start and what holds what up."""
    found, ref, changes = or_stop(lambda: _work(site, rates, rain, limits, before))
    if as_json:
        from geo.exchange.works_files import works_document  # noqa: PLC0415

        document = works_document(found) | ({"changes": changes} if before is not None else {})
        typer.echo(json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False))
    else:
        from geo.exchange.works_files import order_lines, quantity_lines  # noqa: PLC0415

        lines = [*quantity_lines(found, ref=ref), "", *order_lines(found)]
        if before is not None:
            lines += ["", "What was found since:", *(f"  {said}" for said in changes or ("nothing moved.",))]
        typer.echo("\n".join(printable(line) for line in lines))
    if out is not None:
        from geo.exchange.works_files import write_works  # noqa: PLC0415

        written = or_stop(lambda: write_works(found, out, ref=ref))
        typer.echo(f"{len(written)} files in {out}", err=True)
    typer.echo(CAUTIONS, err=True)


def _work(
    folder: Path, rates: Path | None, rain: Path | None, limits: Path | None, before: Path | None
) -> tuple[Works, Reference, list[str]]:
    from geo.exchange.works_inputs import read_rain, works_for  # noqa: PLC0415
    from geo.findings.examine import examine  # noqa: PLC0415
    from geo.works.rates import read_rates  # noqa: PLC0415

    site = _site(folder, limits)
    prices = read_rates(rates, ref=site.reference) if rates is not None else ()
    storms = read_rain(rain) if rain is not None else None
    found = examine(site)
    made = works_for(found, rates=prices, rain=storms)
    return made, site.reference, _changes(before, site, limits) if before is not None else []


def _site(folder: Path, limits: Path | None) -> Site:
    from dataclasses import replace  # noqa: PLC0415

    from geo.findings.check import read_checked  # noqa: PLC0415

    site = read_checked(folder)
    return site if limits is None else replace(site, reference=site.reference.with_changes(limits))


def _changes(before: Path, now: Site, limits: Path | None) -> list[str]:
    """Say what the finds since an earlier state of the site changed."""
    from geo.evidence.ledger import ledger_of  # noqa: PLC0415
    from geo.findings.examine import examine  # noqa: PLC0415
    from geo.works.changed import what_changed  # noqa: PLC0415

    was, found = examine(_site(before, limits)), examine(now)
    rings = {str(key): float(value) for key, value in found.perimeter.rings["length_m"].items()}
    return [change.said for change in what_changed(ledger_of(was), ledger_of(found), rings)]
