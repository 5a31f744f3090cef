"""The command ``wallfoot houses``: how well causes are found, on invented houses whose causes are known."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from geo.cli_said import or_stop, printable, stop

if TYPE_CHECKING:
    from geo.houses.house import InventedHouse
    from geo.scoring.kinds import Scored
    from geo.scoring.table import Report
    from geo.weights import Weights

HALVES = ("report", "tune", "both")


def houses(
    count: Annotated[int, typer.Option(help="How many houses, both halves together", min=1)] = 1000,
    seed: Annotated[int, typer.Option(help="The same seed gives the same houses", min=0)] = 1,
    out: Annotated[Path | None, typer.Option(help="Folder for the tables and the chart")] = None,
    half: Annotated[
        str, typer.Option(help="Which half: report (even numbers), tune (odd numbers) or both")
    ] = "report",
    evidence: Annotated[
        Path | None, typer.Option(help="A practice's own points, caps and tests", metavar="FILE")
    ] = None,
    jobs: Annotated[
        int | None, typer.Option(help="Processes; as many as there are processors by default", min=1)
    ] = None,
    write_site: Annotated[
        tuple[int, Path] | None,
        typer.Option(help="Write house N as a site folder and stop", metavar="N FOLDER"),
    ] = None,
) -> None:
    """Say how well causes are found: recall, precision, what is proven wrongly, against guessing.

    The houses are simulated apart from what infers: true sources, routes and mimics, water by physics, a
    surveyor with habits and blind spots. Weights are tuned on odd houses; even ones are reported.
    """
    if half not in HALVES:
        stop([], said=f"--half {half}: one of {', '.join(HALVES)}.")
    if write_site is not None:
        number, folder = write_site
        or_stop(lambda: write_house(seed, number, folder))
        typer.echo(printable(f"House {number} of seed {seed}: {folder}; what is true of it: truth.toml"))
        return
    from geo.scoring.table import report_lines, report_of  # noqa: PLC0415

    weights = or_stop(lambda: _weights(evidence))
    scored = _score(count, seed=seed, half=half, weights=weights, jobs=jobs)
    report = report_of(scored)
    title = f"seed {seed}, {count} houses, half: {half}"
    lines = report_lines(report, title=title)
    typer.echo("\n".join(lines))
    if out is not None:
        for path in or_stop(lambda: write_report(scored, report, lines, out)):
            typer.echo(printable(str(path)))


def _weights(evidence: Path | None) -> Weights | None:
    from geo.weights import default  # noqa: PLC0415

    return None if evidence is None else default().with_changes(evidence.read_bytes(), name=evidence.name)


def _score(count: int, *, seed: int, half: str, weights: Weights | None, jobs: int | None) -> list[Scored]:
    """Score the houses of a half behind a progress bar."""
    from geo.scoring.run import numbers_of, score_houses  # noqa: PLC0415

    numbers = numbers_of(count, half)
    if not numbers:
        stop([], said=f"Of {count} houses none is of the half {half!r}: ask for more.")
    scored: list[Scored] = []
    with typer.progressbar(length=len(numbers), label="houses") as bar:
        for one in score_houses(numbers, seed=seed, weights=weights, workers=jobs):
            scored.append(one)
            bar.update(1)
    return scored


def write_report(scored: list[Scored], report: Report, lines: list[str], folder: Path) -> list[Path]:
    """Write the tables as CSV, the text as printed and the chart, all of them or none.

    Returns
    -------
    The files written.
    """
    import pandas as pd  # noqa: PLC0415

    from geo.exchange.atomic import put_files  # noqa: PLC0415
    from geo.exchange.csv_files import csv_bytes  # noqa: PLC0415
    from geo.scoring.chart import words_chart  # noqa: PLC0415

    files = {"report.txt": ("\n".join(lines) + "\n").encode(), "words.svg": words_chart(report).encode()}
    for name in ("truths", "claims", "guesses", "stretches"):
        rows = [{"house": one.number, **asdict(row)} for one in scored for row in getattr(one, name)]
        files[f"{name}.csv"] = csv_bytes(pd.DataFrame(rows))
    files["by_cause.csv"] = csv_bytes(report.by_cause.reset_index())
    return put_files(folder, files)


def write_house(seed: int, number: int, folder: Path) -> None:
    """Write one invented house as a site folder, with its truth beside it.

    Raises
    ------
    InputError
        When the folder holds something already.
    """
    from geo.houses.house import draw_house  # noqa: PLC0415
    from geo.site.folder import write_site  # noqa: PLC0415
    from geo.store.content import toml_bytes  # noqa: PLC0415

    house = draw_house(seed, number)
    site = replace(house.site, files={"site.toml": toml_bytes(house.site.info)})
    write_site(site, folder)
    (folder / "truth.toml").write_text(_truth(house), encoding="utf-8")
    _pictures(house, folder)


def _truth(house: InventedHouse) -> str:
    """Return what is true of a house as TOML."""
    lines = ["# What is true of this invented house. The tool never reads this file."]
    for true in house.causes:
        lines += [
            "",
            "[[cause]]",
            *(
                f"{name} = {json.dumps(value)}"
                for name, value in (
                    ("cause", true.cause), ("of_ids", list(true.of_ids)), ("routes", list(true.routes))
                )
            ),
            "ranges = ["
            + ", ".join(
                f'{{ side = "{one.side}", from_m = {one.from_m:.2f}, to_m = {one.to_m:.2f} }}'
                for one in true.ranges
            )
            + "]",
        ]  # fmt: skip
    for cause, of_ids in house.idle:
        lines += [
            "",
            "[[wets_nothing]]",
            f"cause = {json.dumps(cause)}",
            f"of_ids = {json.dumps(list(of_ids))}",
        ]
    return "\n".join(lines) + "\n"


def _pictures(house: InventedHouse, folder: Path) -> None:
    """Draw a plain sheet in place of each photograph, saying so."""
    from PIL import Image, ImageDraw  # noqa: PLC0415

    photos: tuple[Any, ...] = house.site.of("photo")
    if not photos:
        return
    (folder / "photos").mkdir(exist_ok=True)
    for photo in photos:
        sheet = Image.new("L", (480, 320), 236)
        ImageDraw.Draw(sheet).text(
            (16, 16), "drawn in place of a photograph: the wall before the test", fill=60
        )
        sheet.save(folder / "photos" / photo.file)
