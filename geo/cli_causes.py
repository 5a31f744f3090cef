"""The command ``wallfoot causes``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from geo.cli_said import CAUTIONS, or_stop, printable

if TYPE_CHECKING:
    from geo.evidence.ledger import Ledger
    from geo.reference import Reference


def causes(
    site: Annotated[Path, typer.Argument(help="A site folder", metavar="SITE")],
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text")] = False,
    evidence: Annotated[
        Path | None, typer.Option(help="A practice's own points, caps and tests", metavar="FILE")
    ] = None,
) -> None:
    """Say of every wet stretch what feeds it, by which way in, how far proven, and what to test next."""
    ledger, ref = or_stop(lambda: _work(site, evidence))
    if as_json:
        typer.echo(json.dumps(ledger.document(), indent=1, ensure_ascii=False, allow_nan=False))
    else:
        from geo.evidence.ledger_lines import ledger_lines  # noqa: PLC0415

        typer.echo("\n".join(printable(line) for line in ledger_lines(ledger, ref=ref)))
    typer.echo(CAUTIONS, err=True)


def weights(
    site: Annotated[
        Path | None,
        typer.Argument(help="A site folder, for what it changes; those shipped without", metavar="SITE"),
    ] = None,
) -> None:
    """Print every point, cap, word and test by which causes are weighed, with its source."""
    from geo.evidence.ledger import weights_of  # noqa: PLC0415
    from geo.evidence.weights_lines import weights_lines  # noqa: PLC0415
    from geo.site.folder import read_site  # noqa: PLC0415
    from geo.weights import default  # noqa: PLC0415

    found = or_stop(lambda: default() if site is None else weights_of(read_site(site)))
    typer.echo("\n".join(printable(line) for line in weights_lines(found)))


def _work(folder: Path, evidence: Path | None) -> tuple[Ledger, Reference]:
    from geo.evidence.ledger import ledger_of, weights_of  # noqa: PLC0415
    from geo.findings.check import read_checked  # noqa: PLC0415
    from geo.findings.examine import examine  # noqa: PLC0415

    site = read_checked(folder)
    weights = weights_of(site)
    if evidence is not None:
        weights = weights.with_changes(evidence.read_bytes(), name=evidence.name)
    return ledger_of(examine(site), weights=weights), site.reference
