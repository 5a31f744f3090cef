"""What is done of a screening: blocks kept as they come, and joined in order into the files asked for."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import pyarrow as pa  # type: ignore[import-untyped]
from pyproj import CRS

from geo.errors import InputError, Problem
from geo.screen.block import Done
from geo.screen.footprints import Block
from geo.screen.results import cells_of, is_word
from geo.screen.tables import Writer
from geo.verdict import NOT_KNOWN

MANIFEST = "manifest.json"
KINDS = {"": ("Polygon", "MultiPolygon"), "-walls": ("LineString",)}
"""Files a screening joins blocks into, by the end of their names, and the shapes of each."""


def parts_folder(out: Path, asked: Mapping[str, Any]) -> tuple[Path, list[str]]:
    """Return the folder of finished blocks; emptied, and said so, where they are of other inputs."""
    folder = out.with_name(f"{out.name}.parts")
    manifest = folder / MANIFEST
    wanted = json.dumps(asked, indent=1, sort_keys=True)
    notes: list[str] = []
    if folder.exists():
        kept = manifest.read_text(encoding="utf-8") if manifest.is_file() else ""
        if kept == wanted:
            return folder, notes
        if any(not one.name.endswith((".arrow", ".new", MANIFEST)) for one in folder.iterdir()):
            mend = "Move it away."
            raise refused(str(folder), "holds other files", "a folder of a screening", mend)
        shutil.rmtree(folder)
        notes.append("the inputs or the settings have changed since it was interrupted: it began anew")
    folder.mkdir()
    _put(manifest, wanted.encode())
    return folder, notes


def part(parts: Path, key: str) -> Path:
    """Return the file of a block, there only once all of the block is kept."""
    return parts / f"{key}.arrow"


def keep(parts: Path, found: Done) -> None:
    """Keep a block's answers: the walls first, so that a block with homes has both."""
    for name, made in ((f"{found.key}-walls", found.walls), (found.key, found.homes)):
        kept = made.replace_schema_metadata({"faults": json.dumps(found.faults)})
        sink = pa.BufferOutputStream()
        with pa.ipc.new_file(sink, kept.schema, options=pa.ipc.IpcWriteOptions(compression="lz4")) as file:
            file.write_table(kept)
        _put(part(parts, name), sink.getvalue())


def table(parts: Path, key: str) -> pa.Table:
    """Return a block's table as it was kept."""
    with pa.ipc.open_file(part(parts, key)) as file:
        return file.read_all()


def _put(path: Path, content: Any) -> None:
    """Write a file whole or not at all."""
    new = path.with_name(f"{path.name}.new")
    with new.open("wb") as sink:
        sink.write(content)
        sink.flush()
        os.fsync(sink.fileno())
    new.replace(path)


class Join:
    """The files asked for, written while blocks are still worked out; each stands at the end, or not at all.

    Nothing of it is needed to go on after an interruption: that goes by the blocks kept.
    """

    def __init__(
        self, out: Path, parts: Path, blocks: Sequence[Block], crs: CRS, told: Mapping[str, str]
    ) -> None:
        self._out, self._parts, self._blocks, self._crs, self._told = out, parts, blocks, crs, told
        self._writers: dict[str, Writer] = {}
        self._at = 0
        self.counts = dict.fromkeys(("examined", "toward", "not_known"), 0)
        self.faults: dict[str, None] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for writer in self._writers.values():
            with suppress(OSError):
                writer.close()
        for suffix in (*KINDS, "-squares"):
            self._new(suffix).unlink(missing_ok=True)

    def go_on(self) -> None:
        """Write as many blocks as are done without a gap."""
        while self._at < len(self._blocks) and part(self._parts, self._blocks[self._at].key).is_file():
            for suffix, kinds in KINDS.items():
                self._write(suffix, kinds, self._blocks[self._at].key)
            self._at += 1

    def finish(self, side_m: float) -> tuple[Path, ...]:
        """Put the files in place, with the counts by squares beside them, and return their names."""
        if self._at < len(self._blocks):
            raise RuntimeError(self._blocks[self._at].key)
        for writer in self._writers.values():
            writer.close()
        self._writers = {}
        cells_of(self._new(""), side_m).to_parquet(self._new("-squares"), write_covering_bbox=True)
        final = {
            suffix: self._out.with_name(f"{self._out.stem}{suffix}.parquet")
            for suffix in (*KINDS, "-squares")
        }
        for suffix, file in final.items():
            self._new(suffix).replace(file)
        return tuple(final.values())

    def _new(self, suffix: str) -> Path:
        return self._out.with_name(f".{self._out.stem}{suffix}.new")

    def _write(self, suffix: str, kinds: tuple[str, ...], key: str) -> None:
        block = table(self._parts, key + suffix)
        if suffix not in self._writers:
            self._writers[suffix] = Writer(
                self._new(suffix), block.schema.remove_metadata(), crs=self._crs,
                kinds=kinds if suffix else (), told=self._told,
            )  # fmt: skip
        if not suffix:
            self.faults |= dict.fromkeys(json.loads((block.schema.metadata or {}).get(b"faults", b"[]")))
            self.counts["examined"] += int(block["examined"].to_numpy().sum())
            self.counts["toward"] += int(is_word(block["verdict"], "toward").sum())
            self.counts["not_known"] += int(is_word(block["verdict"], NOT_KNOWN).sum())
        if block.num_rows:
            self._writers[suffix].write(block)


def refused(name: str, found: str, allowed: str, mend: str) -> InputError:
    """Return why something given cannot be used."""
    return InputError([Problem(file=name, found=found, allowed=allowed, mend=mend)])
