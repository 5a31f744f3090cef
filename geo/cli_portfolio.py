"""The commands ``wallfoot register …``: many homes, what happened in each, what is due, what comes back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from geo.cli_said import count, or_stop, printable, stop

if TYPE_CHECKING:
    import pandas as pd

    from geo.portfolio.register import Register

T = TypeVar("T")

register_app = typer.Typer(
    help="A landlord's homes: which next and why, what is due, what failed twice, what can be shown."
    " It gives dates and what they rest on; it never says that a duty was met.",
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
Landlord = Annotated[str, typer.Option("--landlord", help="The landlord's number", metavar="ID")]
HomeId = Annotated[str, typer.Argument(help="The landlord's number of the home", metavar="HOME")]
By = Annotated[str, typer.Option("--by", help="Who does it, by role, not by name", metavar="ROLE")]
Own = Annotated[
    Path | None,
    typer.Option("--calendars", help="A practice's own periods and promises", metavar="FILE", exists=True),
]
At = Annotated[
    str,
    typer.Option("--at", help="Tell it as at this date, or date and time; now by default", metavar="DATE"),
]
Out = Annotated[Path | None, typer.Option("--out", help="A .csv or .xlsx file to write", metavar="FILE")]


@register_app.command()
def template(
    folder: Annotated[Path, typer.Argument(help="A new or empty folder", metavar="FOLDER")],
) -> None:
    """Write a blank file for each kind of event, and a field guide."""
    from geo.exchange.atomic import put_files  # noqa: PLC0415 - only this command needs it
    from geo.portfolio.files import template as blank  # noqa: PLC0415

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        stop([], said=f"{folder} is not empty: name a new folder.")
    names = or_stop(lambda: put_files(folder, blank()))
    typer.echo(f"{count(len(names), 'file')} in {folder}; open FIELD_GUIDE.html to see what goes where.")


@register_app.command("import")
def bring_in(
    files: Annotated[
        list[Path], typer.Argument(help="CSV files named as in the template, workbooks, or folders of them")
    ],
    landlord: Landlord,
    workspace: Workspace = "",
    by: By = "manager",
    why: Annotated[str, typer.Option(help="Why, in a sentence")] = "",
    calendars: Own = None,
) -> None:
    """Add events from files: all of them or none, and none a second time."""
    from geo.portfolio.files import read_events  # noqa: PLC0415
    from geo.portfolio.viewer import Viewer  # noqa: PLC0415

    paths = [
        path
        for given in files
        for path in (
            sorted(one for one in given.iterdir() if one.suffix.lower() in (".csv", ".xlsx"))
            if given.is_dir()
            else [given]
        )
    ]

    def work(register: Register) -> str:
        records = read_events(paths, ref=register.ref)
        register.begin(landlord)
        viewer = Viewer(role="manager", landlord_id=landlord)
        done = register.append(viewer, records, by=by, why=why or "from files")
        return (
            f"{count(done.added, 'event')} added, {done.already} there already.\n"
            f"Hash of the register: {done.head}"
        )

    typer.echo(_with(workspace, work, create=True, calendars=calendars))


@register_app.command("next")
def next_homes(
    landlord: Landlord,
    workspace: Workspace = "",
    order: Annotated[
        str, typer.Option(help="Keys, the strongest first, parted by commas; - before one turns it round")
    ] = "",
    limit: Annotated[int, typer.Option(help="Homes of the page", min=1, max=10_000)] = 20,
    offset: Annotated[int, typer.Option(help="Homes before it", min=0)] = 0,
    estate: Annotated[str, typer.Option(help="Homes of one estate only")] = "",
    keys: Annotated[bool, typer.Option("--keys", help="List what homes may be put in order by")] = False,
    at: At = "",
    out: Out = None,
    calendars: Own = None,
) -> None:
    """Say which homes next, in an order of your choosing, each place explained in a line."""
    from geo.portfolio.keys import KEYS, USUAL  # noqa: PLC0415
    from geo.portfolio.viewer import Viewer  # noqa: PLC0415

    if keys:
        for key in KEYS.values():
            typer.echo(f"{key.name:<12} {key.label} ({key.ends[0]} first)")
        return
    chosen = tuple(name.strip() for name in order.split(",") if name.strip()) or USUAL
    now = _moment(at)
    page = _with(
        workspace,
        lambda register: register.next_homes(
            Viewer(role="manager", landlord_id=landlord),
            chosen,
            limit=limit,
            offset=offset,
            estate=estate,
            now=now,
        ),
        calendars=calendars,
        reads=_reads("register", out),
        landlord_id=landlord,
    )
    typer.echo(f"In the order of: {'; '.join(page.keys)}; then by age and number.")
    for row in page.table.itertuples():
        after = f"  [before the next by: {row.before_next}]" if row.before_next else ""
        where = f" ({row.estate})" if row.estate else ""
        typer.echo(printable(f"{row.place:>5}  {row.home_id}{where}: {row.said}{after}"))
    typer.echo(f"{len(page.table)} of {count(page.homes, 'home')} with an open case.", err=True)
    _write(out, {"next": page.table})


@register_app.command()
def due(
    landlord: Landlord,
    workspace: Workspace = "",
    days: Annotated[int, typer.Option(help="Dates up to so many days ahead", min=0, max=3660)] = 14,
    at: At = "",
    out: Out = None,
    calendars: Own = None,
) -> None:
    """List what runs out, by law and as promised, the earliest first; what has passed as well."""
    from geo.portfolio.viewer import Viewer  # noqa: PLC0415

    now = _moment(at) or dt.datetime.now(dt.UTC)
    table = _with(
        workspace,
        lambda register: register.due(
            Viewer(role="manager", landlord_id=landlord), before=now + dt.timedelta(days=days), now=now
        ),
        calendars=calendars,
        reads=_reads("register", out),
        landlord_id=landlord,
    )
    for row in table.itertuples():
        left = f"{count(row.working_days, 'working day')} left" if row.working_days >= 0 else (
            f"passed {count(-row.working_days, 'working day')} ago"
        )  # fmt: skip
        told = " (if it is significant)" if row.assumed else ""
        typer.echo(printable(f"{row.due_on}{row.hour}  {row.home_id}  {row.label}{told} ({row.by}), {left}"))
    typer.echo(count(len(table), "date"), err=True)
    _write(out, {"due": table})


@register_app.command()
def home(
    home_id: HomeId, landlord: Landlord, workspace: Workspace = "", at: At = "", calendars: Own = None
) -> None:
    """Tell one home: its cases with their dates, what to look at again, its events."""
    from geo.portfolio.bundle import clocks_table, events_table  # noqa: PLC0415
    from geo.portfolio.placed import narrowed  # noqa: PLC0415
    from geo.portfolio.viewer import Viewer  # noqa: PLC0415

    now = _moment(at) or dt.datetime.now(dt.UTC)
    viewer = Viewer(role="manager", landlord_id=landlord)

    def work(register: Register) -> tuple[list[str], list[str], list[str]]:
        entries = register.events(viewer, home_id)
        if not entries:
            stop([], said=f"There is no home {home_id[:80]!r} in the register of {landlord[:80]!r}.")
        dates = clocks_table(register.cases(viewer, home_id), now)["said"].tolist()
        own = narrowed(viewer, frozenset({home_id}))
        notes = [*register.repeats(own)["said"], *register.unproven(own, now=now)["said"]]
        table = events_table(entries)
        lines = [
            f"{row.happened_at}  {row.what} ({row.event}), {row.by_role}"
            f"{'' if row.stands else ', corrected since'}: {row.says}"
            for row in table.itertuples()
        ]
        return dates, notes, lines

    told = _with(workspace, work, calendars=calendars, reads=("home",), landlord_id=landlord, home_id=home_id)
    for title, lines in zip(("Dates", "To look at again", "Events"), told, strict=True):
        typer.echo(title)
        for line in lines or ["none"]:
            typer.echo(printable(f"  {line}"))


@register_app.command()
def patterns(
    landlord: Landlord,
    workspace: Workspace = "",
    kind: Annotated[str, typer.Option(help="Kind of asset: soakaway, gully, run …")] = "soakaway",
    by: Annotated[
        str,
        typer.Option(
            help="What makes a group, parted by commas: estate, built_year, drawing_type, installer, soil"
        ),
    ] = "estate",
    seed: Annotated[int, typer.Option(help="Seed the sample is drawn with")] = 1,
    out: Out = None,
) -> None:
    """Say how often assets of a kind failed among inspected, by group, and which homes to look at besides."""
    from geo.portfolio.viewer import Viewer  # noqa: PLC0415

    viewer = Viewer(role="manager", landlord_id=landlord)
    names = [name.strip() for name in by.split(",") if name.strip()]

    def work(register: Register) -> tuple[list[str], dict[str, pd.DataFrame]]:
        found = register.patterns(viewer, kind, names)
        lines = list(found.remarks)
        for row in found.groups.to_dict("records"):
            group = ", ".join(str(row[name]) for name in found.by)
            lines.append(f"{group}: {row['said']}")
            lines.append(
                f"    chance of so many {row['chance']:.3f}; for {len(found.groups)} groups looked at"
                f" {row['chance_adjusted']:.3f}; {row['from_reports']} inspected because somebody complained"
            )
            if "Look at" in row["said"]:
                drawn = register.sample(viewer, kind, {name: row[name] for name in found.by}, seed=seed)
                lines.append(f"    drawn at random (seed {seed}): {' '.join(drawn)}")
        lines += [
            f"{row.asset_id} serves {row.homes} homes ({row.state}): {row.home_ids}"
            f"{f'; pays: {row.pays}' if row.pays else ''}"
            for row in found.shared.itertuples()
        ]
        return lines, {"groups": found.groups, "shared": found.shared}

    lines, tables = _with(workspace, work, reads=_reads("register", out), landlord_id=landlord)
    for line in lines:
        typer.echo(printable(line))
    _write(out, tables)


@register_app.command()
def again(landlord: Landlord, workspace: Workspace = "", at: At = "", out: Out = None) -> None:
    """List what should be looked at again: wet after repair, diagnoses nothing bears out, no access."""
    from geo.portfolio.viewer import Viewer  # noqa: PLC0415

    viewer = Viewer(role="manager", landlord_id=landlord)
    now = _moment(at)

    def work(register: Register) -> dict[str, pd.DataFrame]:
        return {
            "wet again": register.repeats(viewer),
            "not borne out": register.unproven(viewer, now=now),
            "no access": register.no_access(viewer, now=now),
        }

    tables = _with(workspace, work, reads=_reads("register", out), landlord_id=landlord)
    for title, table in tables.items():
        typer.echo(f"{title}: {len(table)}")
        for row in table.to_dict("records"):
            verdict = f" [{row['verdict']}]" if "verdict" in row else ""
            typer.echo(printable(f"  {row['home_id']}: {row['said']}{verdict}"))
    _write(out, tables)


@register_app.command("bundle")
def hand_over(
    home_id: HomeId,
    landlord: Landlord,
    file: Annotated[Path, typer.Option("--out", help="A .zip file to write", metavar="FILE")],
    workspace: Workspace = "",
    calendars: Own = None,
) -> None:
    """Write one home's evidence into a ZIP file: events, dates, documents, each with its hash."""
    from geo.exchange.atomic import put_file  # noqa: PLC0415
    from geo.portfolio.bundle import bundle  # noqa: PLC0415
    from geo.portfolio.viewer import Viewer  # noqa: PLC0415

    viewer = Viewer(role="manager", landlord_id=landlord)
    content = _with(
        workspace, lambda register: bundle(register, viewer, home_id), calendars=calendars,
        reads=("home", "export"), landlord_id=landlord, home_id=home_id,
    )  # fmt: skip
    or_stop(lambda: put_file(file, content))
    typer.echo(f"{printable(str(file))}: {len(content) / 1e6:.1f} MB.", err=True)


@register_app.command()
def verify(landlord: Landlord, workspace: Workspace = "", calendars: Own = None) -> None:
    """Look whether nothing was altered or taken out, and whether what is shown follows from the events."""
    from geo.portfolio.viewer import Viewer  # noqa: PLC0415

    viewer = Viewer(role="administrator", landlord_id=landlord)
    problems, head = _with(workspace, lambda one: (one.verify(viewer), one.head(viewer)), calendars=calendars)
    if problems:
        stop(problems)
    typer.echo(f"The register is sound.\nHash of the register: {head}")


@register_app.command()
def rebuild(landlord: Landlord, workspace: Workspace = "", calendars: Own = None) -> None:
    """Work out everything shown again from the events, with the periods and settings in force."""
    from geo.portfolio.viewer import Viewer  # noqa: PLC0415

    viewer = Viewer(role="administrator", landlord_id=landlord)
    homes = _with(workspace, lambda register: register.rebuild(viewer), calendars=calendars)
    typer.echo(f"{count(homes, 'home')} worked out again.")


@register_app.command("let-in")
def let_in(
    role_name: Annotated[str, typer.Argument(help="A role of the database server", metavar="ROLE")],
    landlord: Landlord,
    workspace: Workspace = "",
) -> None:
    """Let a database role of a PostgreSQL server read one landlord's rows, and no others."""
    _with(workspace, lambda register: register.let_in(role_name, landlord))
    typer.echo(printable(f"{role_name} may read the register of {landlord}."))


def _moment(at: str) -> dt.datetime | None:
    """Return the moment somebody asks for, ``None`` for now."""
    from geo.portfolio.counting import moment_of  # noqa: PLC0415
    from geo.portfolio.periods import default  # noqa: PLC0415

    if not at:
        return None
    try:
        return moment_of(at, default().nations["england"])[0]
    except ValueError as error:
        stop([], said=f"--at {at}: {error}. Write a date as 2026-11-03, or 2026-11-03T14:05.")


def _write(out: Path | None, tables: dict[str, pd.DataFrame]) -> None:
    """Write tables into a workbook, or each as CSV, all but the first with its name after the file's."""
    if out is None:
        return
    from geo.exchange.atomic import put_files  # noqa: PLC0415
    from geo.exchange.bundle import csv_bytes  # noqa: PLC0415
    from geo.exchange.workbook import xlsx_bytes  # noqa: PLC0415

    if out.suffix.lower() == ".xlsx":
        files = {out.name: xlsx_bytes(tables)}
    else:
        files = {
            out.name if at == 0 else f"{out.stem}-{name.replace(' ', '-')}{out.suffix}": csv_bytes(table)
            for at, (name, table) in enumerate(tables.items())
        }
    for path in or_stop(lambda: put_files(out.parent, files)):
        typer.echo(f"{printable(str(path))} is written.", err=True)


def _with(
    workspace: str,
    work: Callable[[Register], T],
    *,
    create: bool = False,
    calendars: Path | None = None,
    reads: Sequence[str] = (),
    **of: str,
) -> T:
    """Open the register, do the work, close it; whatever goes wrong is one sentence.

    Parameters
    ----------
    reads, of
        What is read by it, and of whom: noted before anything of it is shown, else nothing is.
    """
    from geo.portfolio.periods import default  # noqa: PLC0415 - only these commands need a database
    from geo.portfolio.register import open_register  # noqa: PLC0415
    from geo.store.engine import default_workspace  # noqa: PLC0415

    def done() -> T:
        periods = default() if calendars is None else default().with_changes(calendars)
        with open_register(workspace or default_workspace(), create=create, periods=periods) as register:
            found = work(register)
            register.read_log.note_command(reads, **of)
            return found

    return or_stop(done)


def _reads(kind: str, out: Path | None) -> tuple[str, ...]:
    """Return what a command reads: what it shows, and a file taken away where it writes one."""
    return (kind,) if out is None else (kind, "export")
