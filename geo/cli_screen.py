"""The command ``wallfoot screen``: many homes against ground models."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Self

import typer

from geo.cli_said import or_stop, printable, stop

if TYPE_CHECKING:
    from geo.screen.run import Screening


def screen(
    footprints: Annotated[
        str, typer.Argument(help="Outlines of the homes: any file of shapes", metavar="FOOTPRINTS")
    ],
    heights: Annotated[
        list[str], typer.Argument(help="GeoTIFF tiles or a VRT of the bare ground", metavar="DEM...")
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out", help="File to write; its walls and squares go beside it", metavar="FILE.parquet"
        ),
    ],
    id_field: Annotated[
        str, typer.Option("--id", help="Field of the ids; id by default", metavar="FIELD")
    ] = "",
    layer: Annotated[str, typer.Option(help="Layer of the footprints; the first by default")] = "",
    crs: Annotated[
        str, typer.Option(help="Grid of the footprints, where the file does not say", metavar="EPSG:N")
    ] = "",
    surface: Annotated[
        list[str] | None,
        typer.Option(help="Tile of what stands on the ground, same cells; repeat for more", metavar="DSM"),
    ] = None,
    model: Annotated[
        str, typer.Option(help="What the tiles show, as their makers say: DTM or DSM")
    ] = "not stated",
    error: Annotated[
        float | None,
        typer.Option(help="Standard error of a cell against its neighbours, m", min=0.001, max=5.0),
    ] = None,
    limits: Annotated[
        Path | None, typer.Option(help="Your own limits, as in shared/limits.toml", metavar="FILE.toml")
    ] = None,
    jobs: Annotated[
        int | None, typer.Option(help="Processes; as many as there are processors by default", min=1)
    ] = None,
    cluster: Annotated[
        str,
        typer.Option(help="A running Dask scheduler, whose workers see the tiles", metavar="tcp://HOST:PORT"),
    ] = "",
) -> None:
    """Say of many homes which walls the ground surely falls to, and what is not known.

    From ground models alone: never whether a damp proof course is clear of the ground. Stopped half way, the
    same command goes on where it was.
    """
    if model not in ("not stated", "DTM", "DSM"):
        stop([], said=f"--model {model}: DTM (bare ground) or DSM (with what stands on it).")

    def work() -> Screening:
        try:
            from geo.screen.run import screen_homes  # noqa: PLC0415 - compiled at its first use, in half a minute
        except ImportError as lacking:
            stop([], said=f"{lacking.name} is not installed: install wallfoot[screen].")
        from geo import reference  # noqa: PLC0415

        ref = reference.default() if limits is None else reference.default().with_changes(limits)
        with _Bar() as bar:
            return screen_homes(
                footprints,
                heights,
                out,
                ref=ref,
                surface=surface or (),
                layer=layer,
                id_field=id_field,
                crs=crs,
                model=model,
                relative_error_m=error,
                jobs=jobs or os.cpu_count() or 1,
                cluster=cluster,
                tell=bar.tell,
            )

    try:
        done = or_stop(work)
    except KeyboardInterrupt:
        stop([], said="Stopped. What is done is kept: the same command goes on from there.")
    for note in done.notes:
        typer.echo(printable(note), err=True)
    typer.echo(
        f"{done.homes:,} homes, {done.examined:,} examined: the ground surely falls to a wall of"
        f" {done.toward:,}; of {done.not_known:,} it is not known."
    )
    typer.echo(printable("Written: " + ", ".join(str(file) for file in done.files)), err=True)
    from geo.screen.said import CAUTION  # noqa: PLC0415

    typer.echo(CAUTION, err=True)


class _Bar:
    """A progress bar on a terminal; nothing in a pipe."""

    def __init__(self) -> None:
        self._bar: Any = None
        self._done = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.__exit__(None, None, None)

    def tell(self, done: int, total: int) -> None:
        """Show how many homes of how many are done."""
        if not sys.stderr.isatty():
            return
        if self._bar is None:
            shown = typer.progressbar(length=total, label="homes", file=sys.stderr, show_pos=True)
            self._bar = shown.__enter__()
        self._bar.update(done - self._done)
        self._done = done
