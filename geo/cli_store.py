"""The commands ``wallfoot store …``: sites in one database, with everything that was ever changed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from geo.cli_said import count, or_stop, printable, stop

if TYPE_CHECKING:
    from geo.store.entries import Event
    from geo.store.store import Store

T = TypeVar("T")

store_app = typer.Typer(
    help="Keep sites in one workspace: nothing saved is lost, every change is told with who and when.",
    no_args_is_help=True,
)
Workspace = Annotated[
    str,
    typer.Option(
        envvar="WALLFOOT_WORKSPACE",
        help="A workspace file, or postgresql://USER@HOST/NAME; your own by default",
        metavar="FILE",
    ),
]
SiteId = Annotated[str, typer.Argument(help="A site's id, as the list shows it", metavar="SITE")]
By = Annotated[str, typer.Option("--by", help="Who does it, by role, not by name", metavar="ROLE")]


@store_app.command("list")
def list_sites(
    workspace: Workspace = "",
    removed: Annotated[bool, typer.Option("--removed", help="Those removed as well")] = False,
) -> None:
    """List the sites: id, records, last change, name."""
    sites = _with(workspace, lambda store: store.sites(removed=removed))
    for site in sites:
        gone = " (removed)" if site.removed_at else ""
        when = f"{site.changed_at:%Y-%m-%d %H:%M} UTC"
        typer.echo(printable(f"{site.site_id}  {site.records_count:>6}  {when}  {site.name}{gone}"))
    typer.echo(count(len(sites), "site"), err=True)


@store_app.command("take-in")
def take_in(
    folder: Annotated[Path, typer.Argument(help="A site folder", metavar="FOLDER")],
    workspace: Workspace = "",
    by: By = "surveyor",
) -> None:
    """Take a site folder in, with every file in it, and print the site's id."""
    from geo.site.folder import read_site  # noqa: PLC0415 - only this command needs it

    site = or_stop(lambda: read_site(folder))
    why = f"taken in from the folder {folder.resolve().name}"
    typer.echo(_with(workspace, lambda store: store.take_in(site, by=by, why=why), create=True))


@store_app.command("hand-out")
def hand_out(
    site: SiteId,
    folder: Annotated[Path, typer.Argument(help="A new folder", metavar="FOLDER")],
    workspace: Workspace = "",
) -> None:
    """Write a site as a folder; files whose content has not changed keep their bytes."""

    def work(store: Store) -> None:
        store.version(site)
        store.read_log.note_command(["export"], site_id=site)
        store.hand_out(site, folder)

    _with(workspace, work)
    typer.echo(f"{printable(str(folder))} is written.", err=True)


@store_app.command()
def history(
    site: SiteId,
    record: Annotated[
        str | None, typer.Argument(help="A record's id or a file's name", metavar="RECORD")
    ] = None,
    workspace: Workspace = "",
) -> None:
    """Tell every change of a site, or of one record of it: when, who, what was, what is."""

    def work(store: Store) -> tuple[Event, ...]:
        store.version(site)
        store.read_log.note_command(store.read_log.held(site), site_id=site)
        return store.history(site, record)

    events = _with(workspace, work)
    for event in events:
        undone = f" (undoes save {event.undoes})" if event.undoes else ""
        why = f": {event.why}" if event.why else ""
        head = f"{event.at:%Y-%m-%d %H:%M:%S} UTC  save {event.save_id}  {event.by}"
        typer.echo(printable(f"{head}  {event.kind} {event.record_id}  {_told(event)}{undone}{why}"))
    typer.echo(count(len(events), "change"), err=True)


@store_app.command()
def old(
    years: Annotated[
        float | None,
        typer.Option(help="Unchanged for longer than this; privacy.keep_years by default", min=0),
    ] = None,
    workspace: Workspace = "",
) -> None:
    """List files, photographs and accounts unchanged for years; nothing is erased."""
    from datetime import UTC, datetime, timedelta  # noqa: PLC0415 - only this command counts years

    from geo import reference  # noqa: PLC0415

    long = reference.default().value("privacy.keep_years") if years is None else years
    try:
        before = datetime.now(UTC) - timedelta(days=365.25 * long)
    except OverflowError:
        stop([], said=f"{long:g} years ago is before any calendar: give fewer.")
    found = _with(workspace, lambda store: store.kept_since(before))
    for one in found:
        gone = "" if one.there else " (removed, still in the history)"
        last = (
            ""
            if one.site_changed_at >= before
            else f"; nothing of the site since {one.site_changed_at:%Y-%m-%d}"
        )
        told = f"{one.site_id}  {one.saved_at:%Y-%m-%d}  {one.kind} {one.name}{gone}{last}"
        typer.echo(printable(told))
    said = f"{count(len(found), 'thing')} unchanged for {long:g} years or more; nothing was erased."
    typer.echo(f"{said} Whether they are to be kept is for their keeper.", err=True)


@store_app.command("back-up")
def back_up(
    file: Annotated[Path, typer.Argument(help="A file to write, outside this machine best", metavar="FILE")],
    workspace: Workspace = "",
) -> None:
    """Copy the whole workspace into one file, which opens as a workspace itself."""
    path = _with(workspace, lambda store: store.back_up(file))
    typer.echo(f"{printable(str(path))}: {path.stat().st_size / 1e6:.1f} MB.", err=True)


@store_app.command("bring-back")
def bring_back(
    file: Annotated[Path, typer.Argument(help="A back-up", metavar="FILE")],
    workspace: Workspace = "",
) -> None:
    """Fill a workspace that holds no site from a back-up."""

    def work(store: Store) -> int:
        store.bring_back(file)
        return len(store.sites(removed=True))

    typer.echo(f"{count(_with(workspace, work, create=True), 'site')} brought back.", err=True)


@store_app.command()
def verify(workspace: Workspace = "") -> None:
    """Look whether the workspace is sound: its pages, its files, and its tables against its events."""
    problems = _with(workspace, lambda store: store.verify())
    if problems:
        stop(problems)
    typer.echo("The workspace is sound.")


def _with(workspace: str, work: Callable[[Store], T], *, create: bool = False) -> T:
    """Open the workspace, do the work, close it; whatever goes wrong is one sentence."""
    from geo.store.engine import default_workspace  # noqa: PLC0415 - only these commands need a database
    from geo.store.store import open_store  # noqa: PLC0415

    def done() -> T:
        with open_store(workspace or default_workspace(), create=create) as store:
            return work(store)

    return or_stop(done)


def _told(event: Event) -> str:
    """Return what an event changed, in a line."""
    if event.action in ("remove_site", "restore_site"):
        return "site removed" if event.action == "remove_site" else "site restored"
    if event.now is None:
        return "removed"
    if event.was is None:
        return "added"
    if isinstance(event.now, str):
        return "file replaced"
    fields = type(event.now).model_fields
    changed = [name for name in fields if _field(event.was, name) != _field(event.now, name)]
    if not changed:
        return "moved to another place in its file"
    return ", ".join(
        "drawn anew"
        if name == "geometry"
        else f"{name} {_field(event.was, name)!r} → {_field(event.now, name)!r}"
        for name in changed
    )


def _field(thing: Any, name: str) -> Any:
    return getattr(thing, name, None)
