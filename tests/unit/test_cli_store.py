"""The commands of the store take in, hand out, tell and check, and end in a sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from geo.cli import app
from geo.site.records import Account, Gully
from geo.store.changes import Put, Remove
from geo.store.read_log import sign_of_this_user
from geo.store.store import open_store

DEMO = Path(__file__).parents[2] / "demo_sites"


@pytest.fixture
def workspace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A place for a workspace, and a cache of its own."""
    monkeypatch.setenv("WALLFOOT_CACHE", str(tmp_path / "cache"))
    return tmp_path / "w.sqlite"


def run(workspace: Path, *arguments: object) -> Result:
    """Return what a command of the store did."""
    words = [str(argument) for argument in arguments]
    done = CliRunner().invoke(app, ["store", words[0], "--workspace", str(workspace), *words[1:]])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def test_a_folder_goes_in_and_comes_out(workspace: Path, tmp_path: Path) -> None:
    """take-in prints the id, list shows it, hand-out writes the same bytes, verify finds it sound."""
    site_id = run(workspace, "take-in", DEMO / "three_cottages").stdout.strip()
    assert site_id in run(workspace, "list").stdout
    assert run(workspace, "hand-out", site_id, tmp_path / "out").exit_code == 0
    for path in (DEMO / "three_cottages").iterdir():
        assert (tmp_path / "out" / path.name).read_bytes() == path.read_bytes()
    assert "sound" in run(workspace, "verify").stdout
    again = run(workspace, "hand-out", site_id, tmp_path / "out")
    assert again.exit_code == 1
    assert "is not empty" in again.stderr


def test_history_is_told(workspace: Path) -> None:
    """History tells each change of a record by role with the old and the new value, safe for a terminal."""
    site_id = run(workspace, "take-in", DEMO / "three_cottages").stdout.strip()
    with open_store(workspace) as store:
        store.save(site_id, [Put(Gully(id="N1", note="a"))], by="assistant")
        store.save(site_id, [Put(Gully(id="N1", note="b"), 2)], by="surveyor", why="typed\nwrong")
        store.save(site_id, [Remove("gully", "N1", 3)], by="surveyor")
    lines = run(workspace, "history", site_id, "N1").stdout.splitlines()
    assert len(lines) == 3
    assert "assistant  gully N1  added" in lines[0]
    assert "note 'a' → 'b': typed\N{REPLACEMENT CHARACTER}wrong" in lines[1]
    assert lines[2].endswith("removed")


def test_what_a_command_hands_out_is_noted(workspace: Path, tmp_path: Path) -> None:
    """A folder handed out, and the history of a site with accounts; a site there is none of leaves no row."""
    site_id = run(workspace, "take-in", DEMO / "three_cottages").stdout.strip()
    with open_store(workspace) as store:
        store.save(site_id, [Put(Account(id="NEW1", speaker="occupant", said="wet again"))], by="surveyor")
    assert run(workspace, "hand-out", site_id, tmp_path / "out").exit_code == 0
    assert run(workspace, "hand-out", "nowhere", tmp_path / "no").exit_code == 1
    assert run(workspace, "history", site_id).exit_code == 0
    with open_store(workspace) as store:
        read = store.read_log.rows(site_ids=[site_id, "nowhere"])
        assert {"export", "accounts"} <= {one.kind for one in read}
        assert {(one.site_id, one.role) for one in read} == {(site_id, "command")}


def test_a_back_up_is_made_and_brought_back(workspace: Path, tmp_path: Path) -> None:
    """back-up writes one file, and bring-back fills an empty workspace from it; both tell in it who did."""
    site_id = run(workspace, "take-in", DEMO / "three_cottages").stdout.strip()
    assert run(workspace, "back-up", tmp_path / "up.sqlite").exit_code == 0
    other = tmp_path / "other.sqlite"
    assert "1 site" in run(other, "bring-back", tmp_path / "up.sqlite").stderr
    assert site_id in run(other, "list").stdout
    for place, kinds in ((workspace, ["back_up"]), (other, ["bring_back", "back_up"])):
        with open_store(place) as store:
            read = store.read_log.rows(site_ids=[site_id])
            assert [one.kind for one in read] == kinds
            assert {(one.role, one.who) for one in read} == {("command", sign_of_this_user())}
    itself = run(workspace, "back-up", workspace)
    assert itself.exit_code == 1
    assert "the workspace itself" in itself.stderr


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("list",), "no such workspace"),
        (("take-in", "nowhere"), "no such folder"),
        (("history", "nowhere"), "no such workspace"),
    ],
)
def test_what_goes_wrong_is_a_sentence(workspace: Path, arguments: tuple[str, ...], said: str) -> None:
    """A missing workspace or folder is said in a sentence with exit 1, and no workspace is made."""
    done = run(workspace, *arguments)
    assert done.exit_code == 1
    assert said in done.stderr
    assert not workspace.exists()


def test_a_damaged_workspace_is_told(workspace: Path) -> None:
    """Verify exits 1 and names what does not follow from the events."""
    import sqlite3

    run(workspace, "take-in", DEMO / "three_cottages")
    with sqlite3.connect(workspace) as raw:
        raw.execute("update record_gully set note = 'forged' where id = 'GA'")
    raw.close()
    done = run(workspace, "verify")
    assert done.exit_code == 1
    assert "GA: the gully is not what its events say" in done.stderr
