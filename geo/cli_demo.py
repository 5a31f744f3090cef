"""The command ``wallfoot demo``: the invented houses and the invented estate in a workspace of their own."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Annotated

import typer

from geo.cli_said import count, or_stop, stop

LANDLORD = "demo"
AS_OF = "2026-12-10T12:00"
"""The moment the invented estate is told as at; its README says the same."""
FOLDER = "demo_sites"


def demo(
    workspace: Annotated[
        Path | None,
        typer.Option(help="A new file to keep it in; a temporary one by default", metavar="FILE"),
    ] = None,
    start: Annotated[bool, typer.Option(help="Open the app on it")] = True,
    port: Annotated[int | None, typer.Option(help="Port; the first free one from 8501 by default")] = None,
    browser: Annotated[bool, typer.Option(help="Open the browser")] = True,
) -> None:
    """Fill a fresh workspace with the invented houses and an invented estate of 240 homes, and open it."""
    folder = _demo_sites()
    if workspace is not None and workspace.exists():
        stop([], said=f"{workspace} is there already: name a new file.")
    where = workspace or Path(tempfile.mkdtemp(prefix="wallfoot-demo-")) / "workspace.sqlite"
    houses, events = or_stop(lambda: fill(where, folder))
    typer.echo(f"{count(houses, 'house')} and {count(events, 'event')} of an estate in {where}", err=True)
    typer.echo("All of it is invented. Dates of the estate are told as at 10 December 2026.", err=True)
    if not start:
        typer.echo(f"WALLFOOT_WORKSPACE={where} WALLFOOT_AT={AS_OF} wallfoot app {folder}")
        return
    from geo.cli_app import serve_app  # noqa: PLC0415 - only where it is started

    os.environ.update(WALLFOOT_WORKSPACE=str(where), WALLFOOT_AT=AS_OF)
    serve_app([folder], port=port, browser=browser, lan=False, certificate=None, key=None)


def fill(where: Path, folder: Path) -> tuple[int, int]:
    """Copy the invented houses and the estate into a workspace.

    Returns
    -------
    How many houses, and how many events of the estate.

    Raises
    ------
    InputError, StoreError
        When something of it cannot be read, or the workspace cannot be written.
    """
    from geo.portfolio.files import read_events  # noqa: PLC0415 - this command only
    from geo.portfolio.register import open_register  # noqa: PLC0415
    from geo.portfolio.viewer import Viewer  # noqa: PLC0415
    from geo.site.folder import read_site  # noqa: PLC0415
    from geo.store.store import open_store  # noqa: PLC0415

    where.parent.mkdir(parents=True, exist_ok=True)
    sites = sorted(path.parent for path in folder.glob("*/site.toml"))
    with open_store(where) as store:
        for site in sites:
            store.take_in(read_site(site), by="surveyor", why="invented, to try things on")
    with open_register(where) as register:
        register.begin(LANDLORD)
        files = sorted((folder / "estate").glob("*.csv"))
        records = read_events(files, ref=register.ref)
        viewer = Viewer(role="manager", landlord_id=LANDLORD)
        done = register.append(viewer, records, by="manager", why="invented, to try things on")
    return len(sites), done.added


def _demo_sites() -> Path:
    """Return where the invented data are: here, or beside the tool."""
    beside = Path(__file__).resolve().parents[1] / FOLDER
    found = next((folder for folder in (Path(FOLDER), beside) if (folder / "estate").is_dir()), None)
    if found is None:
        stop([], said=f"There is no folder {FOLDER} here: run it where {FOLDER} is.")
    return found
