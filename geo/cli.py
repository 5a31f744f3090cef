"""The command ``wallfoot``."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, NoReturn, TypeVar

import typer

from geo.errors import Problem, WallfootError

T = TypeVar("T")

app = typer.Typer(
    help="Maps the perimeter of a house: where ground and outlets wet its walls, and what is not known.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
SiteFolder = Annotated[Path, typer.Argument(help="A site folder", metavar="SITE")]
CAUTIONS = (
    "wallfoot records and computes; it certifies nothing. Electricity, asbestos, excavation, chambers,"
    " sewage and silica dust can kill: follow local codes and leave licensed work to those licensed for it."
)


@app.command("app")
def serve(
    sites: Annotated[
        list[Path] | None, typer.Argument(help="Site folders, or folders of them; default: demo_sites")
    ] = None,
    port: Annotated[int | None, typer.Option(help="Port; the first free one from 8501 by default")] = None,
    browser: Annotated[bool, typer.Option(help="Open the browser")] = True,
) -> None:
    """Open the app in the browser, on this machine only."""
    from geo.draw.theme import STREAMLIT_THEME  # noqa: PLC0415 - only this command needs it

    folders = sites or [Path("demo_sites")]
    missing = [str(folder) for folder in folders if not folder.is_dir()]
    if missing:
        mend = "Name a site folder, or run it where demo_sites is."
        _stop([Problem(file=", ".join(missing), found="no such folder", allowed="site folders", mend=mend)])
    page = Path(__file__).resolve().parents[1] / "app" / "main.py"
    options: dict[str, Any] = {
        "server.address": "127.0.0.1",
        "server.headless": str(not browser).lower(),
        "server.fileWatcherType": "none",
        "server.maxUploadSize": 50,
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        **{f"theme.{key}": value for key, value in STREAMLIT_THEME.items()},
    }
    if port is not None:
        options["server.port"] = port
    flags = [f"--{key}={value}" for key, value in options.items()]
    shown = os.pathsep.join(str(folder.resolve()) for folder in folders)
    command = [sys.executable, "-m", "streamlit", "run", str(page), *flags]
    try:
        done = subprocess.run(command, env={**os.environ, "WALLFOOT_SITES": shown}, check=False)  # noqa: S603
    except KeyboardInterrupt:
        raise typer.Exit(0) from None
    raise typer.Exit(done.returncode)


@app.command()
def check(site: SiteFolder) -> None:
    """List everything wrong with a site folder; exit 1 when there is an error."""
    from geo.findings.check import check_folder  # noqa: PLC0415

    problems = check_folder(site)
    errors = sum(problem.severity == "error" for problem in problems)
    for problem in problems:
        typer.echo(f"{'error' if problem.severity == 'error' else 'note '}  {problem}")
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
    from geo.exchange.bundle import write_findings  # noqa: PLC0415
    from geo.findings.check import read_checked  # noqa: PLC0415
    from geo.findings.examine import examine  # noqa: PLC0415

    def work() -> list[Path]:
        found = examine(read_checked(site), seed=seed, tell=_tell)
        return write_findings(found, out, tell=_tell)

    written = _or_stop(work)
    typer.echo(f"{len(written)} files in {out}", err=True)
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


def _or_stop(work: Callable[[], T]) -> T:
    try:
        return work()
    except WallfootError as error:
        problems = getattr(error, "problems", None)
        _stop(problems or [], said="" if problems else str(error))
    except OSError as error:
        _stop([], said=f"{error.filename or 'The disk'}: {error.strerror or error}")


def _stop(problems: list[Problem] | tuple[Problem, ...], *, said: str = "") -> NoReturn:
    for line in [str(problem) for problem in problems if problem.severity == "error"] or [said]:
        typer.echo(line, err=True)
    raise typer.Exit(1)


def _tell(share: float, doing: str) -> None:
    """Show progress on a terminal; keep quiet in a pipe."""
    if sys.stderr.isatty():
        typer.echo(f"\r{share:4.0%} {doing:<40}", err=True, nl=share >= 1)


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
