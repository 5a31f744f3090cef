"""The command ``wallfoot``."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from geo.cli_causes import causes as _causes
from geo.cli_causes import weights as _weights
from geo.cli_demo import demo as _demo
from geo.cli_drying import drying as _drying
from geo.cli_houses import houses as _houses
from geo.cli_portfolio import register_app
from geo.cli_report import report as _report
from geo.cli_said import CAUTIONS
from geo.cli_said import count as _count
from geo.cli_said import or_stop as _or_stop
from geo.cli_said import printable as _printable
from geo.cli_said import stop as _stop
from geo.cli_screen import screen as _screen
from geo.cli_store import store_app
from geo.cli_works import works as _works

app = typer.Typer(
    help="Maps the perimeter of a house: where ground and outlets wet its walls, and what is not known.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
app.add_typer(store_app, name="store")
app.command("screen")(_screen)
app.command("demo")(_demo)
app.command("houses")(_houses)
app.add_typer(register_app, name="register")
app.command("causes")(_causes)
app.command("weights")(_weights)
app.command("works")(_works)
app.command("report")(_report)
app.command("drying")(_drying)
SiteFolder = Annotated[Path, typer.Argument(help="A site folder", metavar="SITE")]


@app.command("app")
def serve(
    sites: Annotated[
        list[Path] | None, typer.Argument(help="Site folders, or folders of them; default: demo_sites")
    ] = None,
    port: Annotated[int | None, typer.Option(help="Port; the first free one from 8501 by default")] = None,
    browser: Annotated[bool, typer.Option(help="Open the browser")] = True,
    lan: Annotated[
        bool, typer.Option("--lan", help="Let a tablet on the same network in, once it is paired with a code")
    ] = False,
    certificate: Annotated[
        Path | None, typer.Option(help="Certificate to serve https with", metavar="FILE")
    ] = None,
    key: Annotated[Path | None, typer.Option(help="The certificate's private key", metavar="FILE")] = None,
    login: Annotated[
        Path | None, typer.Option(help="Let people log in: who may see what, by this file", metavar="FILE")
    ] = None,
) -> None:
    """Open the app in the browser: on this machine only, or with --lan on paired devices as well."""
    from geo.cli_app import serve_app  # noqa: PLC0415 - only this command needs it

    serve_app(
        sites or [Path("demo_sites")],
        port=port, browser=browser, lan=lan, certificate=certificate, key=key, login=login,
    )  # fmt: skip


@app.command()
def check(site: SiteFolder) -> None:
    """List everything wrong with a site folder; exit 1 when there is an error."""
    from geo.findings.check import check_folder  # noqa: PLC0415

    problems = _or_stop(lambda: check_folder(site))
    errors = sum(problem.severity == "error" for problem in problems)
    for problem in problems:
        typer.echo(_printable(f"{'error' if problem.severity == 'error' else 'note '}  {problem}"))
    warnings = len(problems) - errors
    typer.echo(f"{_count(errors, 'error')}, {_count(warnings, 'note')}: {site}")
    raise typer.Exit(1 if errors else 0)


@app.command()
def template(
    folder: Annotated[Path, typer.Argument(help="A new folder", metavar="FOLDER")],
) -> None:
    """Write a blank site folder with a field guide."""
    from geo.site.template import write_template  # noqa: PLC0415

    names = _or_stop(lambda: write_template(folder))
    typer.echo(f"{len(names)} files in {folder}; open FIELD_GUIDE.html to see what goes where.")


@app.command()
def findings(
    site: SiteFolder,
    out: Annotated[Path, typer.Option("--out", help="Folder to write to; new, or one written before")],
    seed: Annotated[int, typer.Option(help="Seed of the permutations")] = 1,
) -> None:
    """Examine a site and write its map, strip, ring, tables, layers and findings.json."""
    from geo.exchange.bundle import refuse_site, write_findings  # noqa: PLC0415
    from geo.findings.check import read_checked  # noqa: PLC0415
    from geo.findings.examine import examine  # noqa: PLC0415

    def work() -> list[Path]:
        refuse_site(out)
        found = examine(read_checked(site), seed=seed, tell=_tell)
        return write_findings(found, out, tell=_tell)

    written = _or_stop(work)
    typer.echo(f"{len(written)} files in {out}", err=True)
    typer.echo(CAUTIONS, err=True)


@app.command("setting-out")
def setting_out(
    site: SiteFolder,
    out: Annotated[Path, typer.Option("--out", help="Folder to write to; new, or one written before")],
    foundation: Annotated[
        float | None,
        typer.Option(help="Level of the foundation's underside, m, in place of those recorded"),
    ] = None,
) -> None:
    """Write the drainage contractor's pack: sheet, drawing, map files, ties, depths and quantities."""
    from geo.exchange.csv_files import refuse_site  # noqa: PLC0415
    from geo.exchange.setting_out import write_setting_out  # noqa: PLC0415
    from geo.findings.check import read_checked  # noqa: PLC0415
    from geo.verdict import Measured  # noqa: PLC0415

    def work() -> list[Path]:
        refuse_site(out)
        read = read_checked(site)
        sigma = read.reference.value("levels.invert_sigma_m")
        exposed = None if foundation is None else Measured(foundation, sigma)
        return write_setting_out(read, out, foundation=exposed, tell=_tell)

    written = _or_stop(work)
    typer.echo(f"{len(written)} files in {out}", err=True)
    typer.echo(CAUTIONS, err=True)


@app.command()
def drains(
    site: SiteFolder,
    blocked: Annotated[
        str, typer.Option(help="Run, gully, chamber or soakaway taken as blocked", metavar="ID")
    ] = "",
    at: Annotated[float | None, typer.Option(help="Where along a run, m from its upper end", min=0)] = None,
    source: Annotated[
        str, typer.Option(help="Where water is put in; just above the stop by default", metavar="ID")
    ] = "",
    rate: Annotated[float | None, typer.Option(help="Water put in at one rate, l/s", min=0)] = None,
    rain: Annotated[
        float | None, typer.Option(help="Rain on the roofs that drain to the stop, mm/h", min=0)
    ] = None,
    minutes: Annotated[
        float | None, typer.Option(help="How long the rate or the rain lasts; without end by default", min=0)
    ] = None,
    pour: Annotated[
        list[str] | None,
        typer.Option(
            help="Pour so many litres in so many seconds, 20:80, or 20:80x3 for three; repeat for more",
            metavar="LITRES:SECONDS",
        ),
    ] = None,
    wait: Annotated[
        float | None, typer.Option(help="Seconds from the end of one pour to the next", min=0)
    ] = None,
    surcharged: Annotated[
        bool, typer.Option("--surcharged", help="Let the water outside stand as high as it has stood")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text")] = False,
    out: Annotated[Path | None, typer.Option("--out", help="Folder to write to as well")] = None,
) -> None:
    """Say what is wrong with the drains, where each would spill if blocked, and what then gets in.

    With --source alone, nothing is blocked: water is put in there, and followed.
    """
    from geo.drains.backup import Blockage  # noqa: PLC0415
    from geo.drains.storage import Inflow  # noqa: PLC0415
    from geo.exchange.csv_files import refuse_site  # noqa: PLC0415
    from geo.findings.check import read_checked  # noqa: PLC0415
    from geo.findings.drain_flow import read_pours, wrong_flow  # noqa: PLC0415
    from geo.findings.drains import (  # noqa: PLC0415
        DrainFindings,
        drain_document,
        drain_lines,
        examine_drains,
        lay_out_drains,
        rain_on,
    )
    from geo.findings.examine import examine  # noqa: PLC0415

    pours = pour or []
    said = wrong_flow(
        blocked=blocked, source=source, at=at, rate=rate, rain=rain, minutes=minutes, pours=pours, wait=wait,
        surcharged=surcharged,
    )  # fmt: skip
    if said:
        _stop([], said=said)
    stop = Blockage(asset_id=blocked, at_m=at) if blocked else None
    lasts = math.inf if minutes is None else minutes

    def work() -> tuple[DrainFindings, list[Path]]:
        if out is not None:
            refuse_site(out)
        inflow = read_pours(pours, wait_s=wait or 0.0) if pours else None
        inflow = Inflow.steady(rate, minutes=lasts) if rate else inflow
        laid = lay_out_drains(examine(read_checked(site), tell=_tell))

        def ask(water: Inflow | None) -> DrainFindings:
            return examine_drains(
                laid, blocked=stop, source=source or None, inflow=water, surcharged=surcharged
            )

        found = ask(inflow)
        if rain and found.answer is not None:
            found = ask(rain_on(found.answer, rain, minutes=lasts))
        return found, _write_drains(found, out) if out is not None else []

    found, written = _or_stop(work)
    if as_json:
        typer.echo(json.dumps(drain_document(found), indent=1, ensure_ascii=False, allow_nan=False))
    else:
        typer.echo("\n".join(drain_lines(found)))
    if out is not None:
        typer.echo(f"{len(written)} files in {out}", err=True)
    typer.echo(CAUTIONS, err=True)


def _write_drains(found: Any, folder: Path) -> list[Path]:
    """Write what was found about the drains: JSON, tables and sections; each file whole or not at all."""
    from geo.draw.section import draw_long_section, heads_of  # noqa: PLC0415
    from geo.draw.svg import to_png  # noqa: PLC0415
    from geo.draw.wall_section import draw_wall_section, wet_place  # noqa: PLC0415
    from geo.exchange.atomic import plain_name, put_files  # noqa: PLC0415
    from geo.exchange.csv_files import csv_bytes  # noqa: PLC0415
    from geo.findings.drains import drain_document, drain_tables, path_of  # noqa: PLC0415

    laid, answer = found.drains, found.answer
    document = json.dumps(drain_document(found), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    files = {"drains.json": document.encode()}
    files |= {f"{name}.csv": csv_bytes(table) for name, table in drain_tables(found).items()}
    if answer is None:
        drawn = {
            f"section-{head}": draw_long_section(laid, path=path_of(laid, start=head))
            for head in heads_of(laid)
        }
    else:
        drawn = {"section": draw_long_section(laid, answer=answer)}
        place = wet_place(answer)
        if place is not None:
            drawn["wall-section"] = draw_wall_section(laid, *place, answer=answer)
    for name, svg in drawn.items():
        stem = plain_name(name, taken=[made.removesuffix(".svg") for made in files])
        files |= {f"{stem}.svg": svg.encode(), f"{stem}.png": to_png(svg)}
    return put_files(folder, files)


@app.command()
def walk(
    site: SiteFolder,
    half_day: Annotated[
        bool, typer.Option("--half-day", help="Say what to leave out for half a day")
    ] = False,
    until: Annotated[
        str, typer.Option(help="Say what to leave out to be away by then, from now", metavar="HH:MM")
    ] = "",
    out: Annotated[Path | None, typer.Option("--out", help="Sheet to write as well, FILE.pdf")] = None,
) -> None:
    """Plan the walk round a site: stops in order, what to do at each, minutes, and what is still open."""
    from geo.exchange.walk_sheet import site_walk  # noqa: PLC0415
    from geo.findings.check import read_checked  # noqa: PLC0415

    if out is not None and out.suffix.lower() != ".pdf":
        _stop([], said=f"{out}: the sheet is a PDF; name it FILE.pdf.")
    lines = _or_stop(
        lambda: site_walk(read_checked(site), half_day=half_day, until=until, out=out, tell=_tell)
    )
    typer.echo("\n".join(_printable(line) for line in lines))
    if out is not None:
        typer.echo(f"1 file: {out}", err=True)
    typer.echo(CAUTIONS, err=True)


@app.command()
def schema() -> None:
    """Print the JSON Schema of findings.json."""
    from geo.findings.document import document_schema  # noqa: PLC0415

    typer.echo(json.dumps(document_schema(), indent=2, ensure_ascii=False))


@app.command()
def limits() -> None:
    """Print every limit in force, with its source."""
    from geo import reference  # noqa: PLC0415

    for limit in reference.default().limits.values():
        typer.echo(f"{limit.key} = {limit.value:g} {limit.unit}\n    {limit.status}: {limit.source}")


def main() -> None:
    """Run the command; whatever goes wrong is said in a sentence."""
    try:
        app()
    except BrokenPipeError:
        sys.stderr.close()


def _tell(share: float, doing: str) -> None:
    """Show progress on a terminal; keep quiet in a pipe."""
    if sys.stderr.isatty():
        typer.echo(f"\r{share:4.0%} {doing:<40}", err=True, nl=share >= 1)
