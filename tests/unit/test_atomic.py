"""What is written is written whole, or the old files stay as they were."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from geo.errors import InputError
from geo.exchange.atomic import plain_name, put_file, put_files, staged


def content(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder, hidden ones too."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_files_replace_older_ones_and_leave_the_rest(tmp_path: Path) -> None:
    """Written ones are new, named ones go, others stay; folders below are made; nothing is left over."""
    out = tmp_path / "deep" / "out"
    written = put_files(out, {"a.txt": b"1", "photos/b.jpg": b"2"})
    assert written == [out / "a.txt", out / "photos" / "b.jpg"]
    (out / "mine.txt").write_bytes(b"kept")
    put_files(out, {"a.txt": b"3"}, remove=("gone.txt", "photos/b.jpg", "a.txt"))
    assert content(tmp_path) == {"deep/out/a.txt": b"3", "deep/out/mine.txt": b"kept"}


@pytest.mark.parametrize("there", [True, False])
def test_what_fails_half_way_changes_nothing(there: bool, tmp_path: Path) -> None:
    """An error after the first of two files: the folder is as before, or still not there."""
    out = tmp_path / "out"
    if there:
        put_files(out, {"a.txt": b"old"})

    def half(work: Path) -> None:
        (work / "a.txt").write_bytes(b"new")
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space"), staged(out, remove=("a.txt",)) as work:
        half(work)
    assert content(tmp_path) == ({"out/a.txt": b"old"} if there else {})
    assert out.exists() is there


def test_a_folder_that_appears_meanwhile_is_not_lost(tmp_path: Path) -> None:
    """Somebody else makes the same new folder while ours is written: both have their files."""
    out = tmp_path / "out"
    with staged(out) as work:
        (work / "ours.txt").write_bytes(b"1")
        out.mkdir()
        (out / "theirs.txt").write_bytes(b"2")
    assert content(out) == {"ours.txt": b"1", "theirs.txt": b"2"}


@pytest.mark.parametrize("name", ["../a", "/a", "", "a/../../b", "a\0b", "..\\a"])
def test_no_name_leads_out(name: str, tmp_path: Path) -> None:
    """A name that would leave the folder is refused before anything is written."""
    with pytest.raises(InputError, match="leads out"):
        put_files(tmp_path / "out", {"fine.txt": b"1", name: b"2"})
    assert content(tmp_path) == {}


def test_a_file_in_the_place_of_a_folder_is_refused(tmp_path: Path) -> None:
    """A file where the folder should be stays; so does a folder where the file should be."""
    (tmp_path / "f").write_bytes(b"mine")
    with pytest.raises(InputError, match="is a file"):
        put_files(tmp_path / "f", {"a": b"1"})
    (tmp_path / "d").mkdir()
    with pytest.raises(InputError, match="is a folder"):
        put_file(tmp_path / "d", b"1")
    assert content(tmp_path) == {"f": b"mine"}


@pytest.mark.skipif(os.name == "nt", reason="rights are of another kind")
def test_others_may_read_what_was_written(tmp_path: Path) -> None:
    """Files and folders get the rights any new one gets, not those of a private temporary file."""
    (tmp_path / "plain.txt").write_bytes(b"")
    (tmp_path / "folder").mkdir()
    put_files(tmp_path / "out", {"a.txt": b"1"})
    assert put_file(tmp_path / "b.txt", b"2").stat().st_mode == (tmp_path / "plain.txt").stat().st_mode
    assert (tmp_path / "out" / "a.txt").stat().st_mode == (tmp_path / "plain.txt").stat().st_mode
    assert (tmp_path / "out").stat().st_mode == (tmp_path / "folder").stat().st_mode


def test_a_name_is_made_of_letters_and_never_taken_twice() -> None:
    """Signs become dashes; two things whose names come to the same, in whatever case, get two names."""
    assert plain_name("../G 1:a") == "---G-1-a"
    assert plain_name("G/1", taken=["g-1", "G-1-2"]) == "G-1-3"
    assert plain_name("") == "-"
