"""A whole screening: blocks handed to processes or to a cluster, kept as they come, joined at the end."""

from __future__ import annotations

import hashlib
import json
import shutil
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import rasterio

from geo.errors import WallfootError
from geo.reference import Reference
from geo.screen import said
from geo.screen.block import Done, Job, Settings, examine_block
from geo.screen.footprints import Block, Footprints, allot, homes_of, read_footprints
from geo.screen.heights import Ground, open_ground
from geo.screen.parts import Join, keep, part, parts_folder, refused

Tell = Callable[[int, int], None]
LIMITS = ("screen.", "ground.", "perimeter.", "confidence.")
HEAD_BYTES = 65_536
PATIENCE = "10s"  # for a scheduler to answer
BESIDE = ("-walls", "-squares")


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """What a screening did: files written, homes by what became of them, and remarks for a person."""

    files: tuple[Path, ...]
    homes: int
    examined: int
    toward: int
    not_known: int
    kept: int
    notes: tuple[str, ...]


class ScreenError(WallfootError):
    """A screening stopped; what was done is kept and the same command goes on from there."""


def screen_homes(
    footprints: str,
    heights: Sequence[str],
    out: Path,
    *,
    ref: Reference,
    surface: Sequence[str] = (),
    layer: str = "",
    id_field: str = "",
    crs: str = "",
    model: str = "not stated",
    relative_error_m: float | None = None,
    half_m: float | None = None,
    jobs: int = 1,
    cluster: str = "",
    tell: Tell | None = None,
) -> Screening:
    """Screen every home of a file against ground models, and write what was found.

    Parameters
    ----------
    footprints
        A file of outlines that OGR reads, or GeoParquet.
    heights, surface
        GeoTIFF tiles or a VRT of the ground, and of what stands on it, on the same cells.
    out
        ``NAME.parquet``: a row a home. ``NAME-walls.parquet`` beside it has a row a wall, and
        ``NAME-squares.parquet`` counts homes by squares.
    model
        ``DTM`` or ``DSM``, as the tiles' makers say.
    relative_error_m, half_m
        See :class:`geo.screen.block.Settings`; the usual error by default.
    jobs
        Processes on this machine; 1 works in this one.
    cluster
        Address of a Dask scheduler; its workers must see the tiles under the same names.
    tell
        Told the homes done and the homes in all, as they come.

    Raises
    ------
    InputError
        When something given cannot be used; nothing is written.
    ScreenError
        When the work stopped; the blocks done are kept beside ``out``.
    """
    if out.suffix.lower() != ".parquet":
        raise refused(str(out), "no name for results", "NAME.parquet", "Name the file so.")
    written = {out.with_name(f"{out.stem}{suffix}.parquet").resolve() for suffix in ("", *BESIDE)}
    if written & {Path(one).resolve() for one in (footprints, *heights, *surface)}:
        raise refused(str(out), "would write over what it reads", "another name", "Name the results anew.")
    if not out.absolute().parent.is_dir():
        raise refused(str(out), "its folder is not there", "a file in a folder that is", "Make the folder.")
    ground = open_ground(heights, ref=ref)
    above = open_ground(surface, ref=ref) if surface else None
    if above is not None and (above.lattice != ground.lattice or above.crs != ground.crs):
        name = Path(surface[0]).name
        raise refused(name, "on other cells than the ground", "the same grid and cells", "Leave it out.")
    relative = ref.value("ground.dem_relative_sigma_m") if relative_error_m is None else relative_error_m
    settings = Settings(ref=ref, relative_error_m=relative, half_m=half_m)
    told = {
        "version": version("wallfoot"),
        "model": model,
        "relative_error_m": f"{relative:g}",
        "strip_half_m": "whole face" if half_m is None else f"{half_m:g}",
        "limits": json.dumps(
            {key: limit.value for key, limit in ref.limits.items() if key.startswith(LIMITS)}
        ),
        "caution": said.CAUTION,
    }
    asked = {**told, "layer": layer, "id_field": id_field, "crs": crs, **_marks(footprints, heights, surface)}
    homes = read_footprints(footprints, ground_crs=ground.crs, layer=layer, id_field=id_field, crs=crs)
    blocks = allot(
        homes,
        ground.lattice,
        side_cells=int(ref.value("screen.block_cells")),
        reach_m=ref.value("screen.reach_m"),
    )
    with _workers(min(jobs, len(blocks)), cluster) as pool:
        parts, notes = parts_folder(out, asked)
        kept = {block.key for block in blocks if part(parts, block.key).is_file()}
        if kept:
            notes.append(f"{len(kept)} of {len(blocks)} blocks were done before and are kept")
        total, done = len(homes.bounds), sum(len(block.own) for block in blocks if block.key in kept)
        if tell is not None:
            tell(done, total)
        made = (_job(one, homes, ground, above, settings) for one in blocks if one.key not in kept)
        with Join(out, parts, blocks, ground.crs, told) as join:
            join.go_on()
            for found in _worked(made, pool):
                keep(parts, found)
                join.go_on()
                done += found.homes.num_rows
                if tell is not None:
                    tell(done, total)
            files = join.finish(ref.value("screen.summary_m"))
    shutil.rmtree(parts)
    if model == "DSM":
        notes.append("a surface model shows shrubs and cars as ground: falls from it are no better than that")
    return Screening(files=files, homes=total, kept=len(kept), notes=(*notes, *join.faults), **join.counts)


def _job(block: Block, homes: Footprints, ground: Ground, above: Ground | None, settings: Settings) -> Job:
    """Return all a worker needs for a block."""
    return Job(
        key=block.key,
        homes=homes_of(homes, block),
        ground=ground.within(block.window),
        surface=above.within(block.window) if above is not None else None,
        settings=settings,
    )


@contextmanager
def _workers(jobs: int, cluster: str) -> Iterator[tuple[Executor, int] | None]:
    """Give a pool and how many work in it; ``None`` where the work is done here."""
    if cluster:
        with _cluster(cluster) as pool:
            yield pool
    elif jobs > 1:
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=_heed_no_key) as pool:
            try:
                yield pool, jobs
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise
    else:
        yield None


def _heed_no_key() -> None:
    """Leave it to the process that handed out the work to stop at a key."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _cluster(address: str) -> Iterator[tuple[Any, int]]:
    """Give the workers of a cluster that is already running."""
    try:
        from distributed import Client  # noqa: PLC0415 - only with --cluster
    except ImportError:
        mend = "Install wallfoot[cluster]."
        raise refused("--cluster", "Dask is not installed", "Dask's distributed", mend) from None
    try:
        client: Any = Client(address, timeout=PATIENCE, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        found = f"no scheduler answers at {address} ({str(error).splitlines()[0]})"
        raise refused("--cluster", found, "tcp://HOST:PORT", "Start it, or correct the address.") from None
    with client:
        count = len(client.scheduler_info(n_workers=-1)["workers"])
        if not count:
            raise refused("--cluster", "has no worker", "one or more", "Start workers.")
        yield client.get_executor(pure=False), count


def _worked(jobs: Iterator[Job], pool: tuple[Executor, int] | None) -> Iterator[Done]:
    """Yield answers as they come, with no more jobs handed out than keep the workers busy."""
    if pool is None:
        yield from map(examine_block, jobs)
        return
    executor, count = pool
    waiting: set[Future[Done]] = set()
    try:
        for job in jobs:
            waiting.add(executor.submit(examine_block, job))
            if len(waiting) >= 2 * count:
                ready, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                yield from (one.result() for one in ready)
        while waiting:
            ready, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            yield from (one.result() for one in ready)
    except BrokenProcessPool:
        said_ = "a worker died, perhaps for want of memory: what is done is kept, the same command goes on"
        raise ScreenError(said_) from None
    finally:
        for one in waiting:
            one.cancel()


def _marks(footprints: str, heights: Sequence[str], surface: Sequence[str]) -> dict[str, Any]:
    """Return what tells one input from another: the footprints' content; size, time and ends of the tiles."""
    return {
        "footprints": _content(Path(footprints)),
        "heights": [_tile_mark(one) for path in heights for one in _files_of(path)],
        "surface": [_tile_mark(one) for path in surface for one in _files_of(path)],
    }


def _content(path: Path) -> str:
    files = [path] if path.is_file() else sorted(one for one in path.rglob("*") if one.is_file())
    if path.suffix.lower() == ".shp":
        files = sorted(path.parent.glob(f"{path.stem}.*"))
    mark = hashlib.sha256()
    for file in files:
        mark.update(file.name.encode())
        with file.open("rb") as source:
            while part := source.read(1 << 20):
                mark.update(part)
    return mark.hexdigest()


def _files_of(path: str) -> list[str]:
    """Return a tile's files, those a VRT is put together from among them."""
    with rasterio.open(path) as source:
        return [str(one) for one in source.files] or [path]


def _tile_mark(path: str) -> list[Any]:
    file = Path(path)
    if not file.is_file():
        return [path]
    about = file.stat()
    with file.open("rb") as source:
        mark = hashlib.sha256(source.read(HEAD_BYTES))
        source.seek(max(0, about.st_size - HEAD_BYTES))
        mark.update(source.read(HEAD_BYTES))
    return [path, about.st_size, about.st_mtime_ns, mark.hexdigest()]
