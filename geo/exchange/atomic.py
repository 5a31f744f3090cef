"""Files and folders that are written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path, PurePosixPath

from geo.errors import InputError, Problem

PREFIX = ".wallfoot-"


@contextmanager
def staged(folder: Path, *, remove: Iterable[str] = ()) -> Iterator[Path]:
    """Give a place to write files in, and put them into a folder once every one of them is whole.

    Each file takes the place of an older one at once; a reader sees the old or the new one, never half of
    either. When anything goes wrong before the end, no file of the folder has changed and nothing is left.
    Files of the folder that were not written again stay.

    Parameters
    ----------
    folder
        Where the files go; made when it is not there.
    remove
        Names of files of an earlier writing that must not stay if they are not written again.

    Yields
    ------
    An empty folder beside the target's files, on the same disk.

    Raises
    ------
    InputError
        When the target is a file.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError(
            [Problem(file=str(folder), found="is a file", allowed="a folder", mend="Name another folder.")]
        )
    old = folder.is_dir()
    beside = folder if old else folder.parent
    beside.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=PREFIX, dir=beside) as private:
        # The inner folder gets the rights new files and folders get; the temporary one is the owner's only.
        work = Path(private) / "files"
        work.mkdir()
        yield work
        made = sorted(path for path in work.rglob("*") if path.is_file())
        for path in made:
            _settle(path)
        names = {path.relative_to(work).as_posix() for path in made}
        if not old and not folder.exists():
            os.replace(work, folder)  # noqa: PTH105 - at once, the whole folder
        else:
            for path in made:
                target = folder / path.relative_to(work)
                target.parent.mkdir(parents=True, exist_ok=True)
                os.replace(path, target)  # noqa: PTH105 - at once, over an older file too
        for name in remove:
            if name not in names:
                (folder / checked_name(name)).unlink(missing_ok=True)


def put_files(folder: Path, files: Mapping[str, bytes], *, remove: Iterable[str] = ()) -> list[Path]:
    """Write files into a folder; not one of them changes before all are whole.

    Parameters
    ----------
    files
        Content by name; a name may lead into a folder below, as ``photos/a.jpg``.
    remove
        Names of an earlier writing that must not stay.

    Returns
    -------
    The paths written, in the order given.

    Raises
    ------
    InputError
        When the target is a file, or a name leads out of the folder.
    """
    names = {name: checked_name(name) for name in files}
    with staged(folder, remove=remove) as work:
        for name, content in files.items():
            path = work / names[name]
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
    return [folder / name for name in names.values()]


def put_file(path: Path, content: bytes) -> Path:
    """Write one file, whole or not at all, and return its path.

    Raises
    ------
    InputError
        When there is a folder of that name.
    """
    if path.is_dir():
        mend = "Name a file."
        raise InputError([Problem(file=str(path), found="is a folder", allowed="a file", mend=mend)])
    return put_files(path.parent, {path.name: content})[0]


def checked_name(name: str) -> PurePosixPath:
    """Return a file's name as a path below its folder.

    Raises
    ------
    InputError
        When it is empty, absolute, or leads out.
    """
    path = PurePosixPath(name)
    wrong = not path.parts or path.is_absolute() or ".." in path.parts or "\0" in name or "\\" in name
    if wrong:
        mend = "Use a plain name."
        raise InputError(
            [Problem(file=repr(name), found="leads out of the folder", allowed="a file's name", mend=mend)]
        )
    return path


def plain_name(words: str, *, taken: Iterable[str] = ()) -> str:
    """Return words as the stem of a file's name: letters and digits, other signs as ``-``.

    Parameters
    ----------
    taken
        Stems in use, in whatever case; a number is added to keep clear of them.
    """
    stem = "".join(sign if sign.isalnum() else "-" for sign in words)[:80] or "-"
    used = {name.casefold() for name in taken}
    found, count = stem, 2
    while found.casefold() in used:
        found, count = f"{stem}-{count}", count + 1
    return found


def _settle(path: Path) -> None:
    """Wait until a file's content is on the disk, so that its name never outlives its content."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())
