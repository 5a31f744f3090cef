"""Who read what: noted before it is shown, once an hour, never altered, and seen only of one's own sites."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from app import access, audit
from geo.access import ALONE, NotAllowedError, Rules, Visitor, shipped_roles
from geo.cli import app
from geo.portfolio.register import open_register
from geo.site.model import SiteInfo
from geo.site.records import Account, Visit
from geo.store.changes import Put, PutFile, Remove
from geo.store.engine import writing
from geo.store.read_log import KINDS_READ, READ_LOG, Read
from geo.store.said import StoreError
from geo.store.store import Store, open_store

INFO = SiteInfo(name="Little house", crs="EPSG:27700", datum="step, 10.000")
SAID = Account(id="AC1", speaker="occupant", said="the wall behind the bed is wet again")
HAZARD = Visit(id="V1", arrived_at="2026-01-05T10:00", hazards="a dog")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty workspace; nothing is noted yet."""
    audit._NOTED.clear()
    with open_store(tmp_path / "w.sqlite", cache=tmp_path / "cache") as opened:
        yield opened
    audit._NOTED.clear()


def begun(store: Store, *records: Any, owner: str = "north") -> str:
    """Return a new site that holds some records."""
    site_id = store.create_site(INFO, by="surveyor", owner=owner)
    if records:
        store.save(site_id, [Put(record) for record in records], by="surveyor")
    return site_id


def visitor(role: str, who: str = "0123456789") -> Visitor:
    """Return somebody of a role who acts for north."""
    return Visitor(who=who, role=role, may=shipped_roles()[role], owners=frozenset({"north"}))


def kinds(store: Store, site_id: str) -> list[str]:
    """Return the kinds noted for a site, in the order of the alphabet."""
    return sorted(read.kind for read in store.read_log.rows(site_ids=[site_id]))


def test_a_site_opened_is_noted_for_what_it_holds(store: Store) -> None:
    """Accounts, hazards and photographs where there are any; a site without leaves no row."""
    full, bare = begun(store, SAID, HAZARD), begun(store)
    seen = access.Guarded(store, visitor("surveyor"))
    began = datetime.now(UTC)
    for site_id in (full, bare):
        seen.version(site_id)
    assert kinds(store, full) == ["accounts", "hazards"]
    assert kinds(store, bare) == []
    row = store.read_log.rows(site_ids=[full])[0]
    assert (row.who, row.role) == ("0123456789", "surveyor")
    assert began <= row.at <= datetime.now(UTC)


def test_it_is_noted_once_for_an_hour_and_again_when_more_is_there(store: Store) -> None:
    """A page run again adds nothing; another person does, and so does an account put in meanwhile."""
    site_id = begun(store, SAID)
    seen = access.Guarded(store, visitor("surveyor"))
    for _ in range(3):
        seen.version(site_id)
        seen.site(site_id)
    assert kinds(store, site_id) == ["accounts"]
    access.Guarded(store, visitor("contractor", "another")).versions(site_id)
    assert kinds(store, site_id) == ["accounts"] * 2
    store.save(site_id, [Put(HAZARD)], by="surveyor")
    seen.version(site_id)
    assert kinds(store, site_id) == ["accounts", "accounts", "hazards"]


def test_a_photograph_is_known_by_its_folder(store: Store) -> None:
    """A file under photos is one; a plan is not."""
    site_id = begun(store)
    store.save(site_id, [PutFile("plans/p.txt", b"plan")], by="surveyor")
    assert store.read_log.held(site_id) == ()
    store.save(site_id, [PutFile("photos/p.jpg", b"\xff\xd8\xff\xd9")], by="surveyor")
    assert store.read_log.held(site_id) == ("photographs",)


def test_who_reads_the_letter_only_is_noted_so(store: Store, tmp_path: Path) -> None:
    """A resident's reading is the letter's; a folder handed out is an export, and one row."""
    site_id = begun(store, SAID)
    access.Guarded(store, visitor("resident", "r")).site(site_id)
    assert kinds(store, site_id) == ["letter"]
    access.Guarded(store, visitor("landlord", "l")).hand_out(site_id, tmp_path / "out")
    assert kinds(store, site_id) == ["export", "letter"]


def test_what_cannot_be_noted_is_not_shown(store: Store) -> None:
    """The read is refused in a sentence; once it can be noted again, it is shown and noted."""
    site_id = begun(store, SAID)
    seen = access.Guarded(store, visitor("surveyor"))
    with writing(store._engine) as connection:
        connection.exec_driver_sql(
            "create trigger full before insert on read_log begin select raise(abort, 'disk is full'); end"
        )
    for name in ("version", "site", "file_versions"):
        with pytest.raises(NotAllowedError, match="cannot be noted"):
            getattr(seen, name)(site_id)
    with writing(store._engine) as connection:
        connection.exec_driver_sql("drop trigger full")
    assert seen.version(site_id) == store.version(site_id)
    assert kinds(store, site_id) == ["accounts"]


def test_somebody_elses_site_is_refused_without_a_row(store: Store) -> None:
    """What was not given was not read."""
    south = begun(store, SAID, owner="south")
    with pytest.raises(NotAllowedError, match="no such site"):
        access.Guarded(store, visitor("landlord")).version(south)
    assert kinds(store, south) == []


@pytest.mark.parametrize("change", [READ_LOG.delete(), READ_LOG.update().values(who="nobody")])
def test_no_row_is_ever_altered(store: Store, change: Any) -> None:
    """The database itself refuses."""
    store.read_log.add([Read(at=datetime.now(UTC), who="a", role="surveyor", kind="home", landlord_id="L1")])
    with pytest.raises(StoreError, match="never altered"), writing(store._engine) as connection:
        connection.execute(change)
    assert len(store.read_log.rows(homes={"L1": None})) == 1


def test_rows_are_given_of_what_was_asked_and_no_more(store: Store) -> None:
    """By site, by landlord, by home; the latest first."""
    start = datetime(2026, 1, 1, tzinfo=UTC)
    of = [
        {"site_id": "a"}, {"site_id": "b"}, {"landlord_id": "L1"}, {"landlord_id": "L1", "home_id": "H1"},
        {"landlord_id": "L1", "home_id": "H2"}, {"landlord_id": "L2", "home_id": "H1"},
    ]  # fmt: skip
    store.read_log.add(
        [
            Read(at=start + timedelta(hours=n), who="w", role="r", kind="home", **one)
            for n, one in enumerate(of)
        ]
    )

    def found(**asked: Any) -> list[int]:
        return [int((read.at - start).total_seconds()) // 3600 for read in store.read_log.rows(**asked)]

    assert found() == []
    assert found(site_ids=["a"]) == [0]
    assert found(homes={"L1": None}) == [4, 3, 2]
    assert found(homes={"L1": {"H1"}}) == [3]
    assert found(homes={"L1": set()}) == []
    assert found(site_ids=["a", "b"], homes={"L2": None}) == [5, 1, 0]
    assert found(site_ids=["a", "b"], homes={"L2": None}, limit=2) == [5, 1]


def test_a_kind_that_is_not_noted_is_refused(store: Store) -> None:
    """A slip in the app does not write a word nobody knows."""
    assert set(KINDS_READ) >= {"accounts", "photographs", "hazards", "home", "report", "letter", "export"}
    with pytest.raises(ValueError, match="odd"):
        store.read_log.add([Read(at=datetime.now(UTC), who="a", role="r", kind="odd")])


def test_alone_nothing_is_noted(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nobody has to log in the store is given as it is, and there is no workspace to look for."""
    monkeypatch.setattr(audit, "own_log", lambda: pytest.fail("nothing is to be noted"))
    audit.note_read("report", site_id="a")
    assert access.guarded(store) is store
    assert access.visitor() == ALONE


def test_a_file_taken_away_is_noted_each_time_and_refused_where_it_cannot(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bytes come only after the row; without the row they do not come."""
    made: list[str] = []
    logged_in_by(monkeypatch, time.time())
    monkeypatch.setattr(access, "visitor", lambda: visitor("surveyor"))
    monkeypatch.setattr(audit, "own_log", lambda: store.read_log)
    give = access._noted(lambda: made.append("made") or b"bytes", "report", {"site_id": "a"})
    assert (give(), give()) == (b"bytes", b"bytes")
    assert access._noted(b"ready", "export", {"site_id": "a"})() == b"ready"
    assert kinds(store, "a") == ["export", "report", "report"]
    with writing(store._engine) as connection:
        connection.exec_driver_sql(
            "create trigger full before insert on read_log begin select raise(abort, 'disk is full'); end"
        )
    with pytest.raises(NotAllowedError, match="cannot be noted"):
        give()
    assert made == ["made", "made"]


def test_a_page_left_open_gives_no_file_once_the_login_has_run_out(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A login holds for its minutes; a file offered while it held is neither made nor noted after."""
    made: list[str] = []
    monkeypatch.setattr(audit, "own_log", lambda: store.read_log)
    monkeypatch.setattr(access, "visitor", lambda: visitor("surveyor"))
    logged_in_by(monkeypatch, time.time() - 61 * 60)
    give = access._noted(lambda: made.append("made") or b"bytes", "report", {"site_id": "a"})
    with pytest.raises(NotAllowedError, match="run out"):
        give()
    assert made == []
    assert kinds(store, "a") == []


def logged_in_by(monkeypatch: pytest.MonkeyPatch, at_s: float) -> None:
    """Have somebody logged in since a moment, by a login that holds an hour."""
    monkeypatch.setattr(access, "RULES", [Rules(roles=shipped_roles(), minutes=60.0)])
    monkeypatch.setattr(access, "_user", lambda: {"sub": "a", "iat": at_s})


def test_a_workspace_that_cannot_be_written_to_is_rescued_and_the_copy_tells_who_took_it(
    store: Store, tmp_path: Path
) -> None:
    """On a disk that is full nothing can be noted in it, and the work on it must not be held there for that."""
    site_id = begun(store, SAID)
    with open_store(store.name, cache=tmp_path / "cache") as full:
        sa.event.listen(full._engine, "connect", lambda raw, _: raw.execute("pragma query_only = on"))
        full._engine.dispose()
        with pytest.raises(StoreError):
            full.save(site_id, [Put(SAID)], by="surveyor")
        full.back_up(tmp_path / "up.sqlite")
        assert full.read_log.rows(site_ids=[site_id]) == ()
    with open_store(tmp_path / "up.sqlite", create=False, cache=tmp_path / "cache") as copy:
        assert [read.kind for read in copy.read_log.rows(site_ids=[site_id])] == ["back_up"]
        assert copy.site(site_id).records == store.site(site_id).records
        assert copy.verify() == ()


def test_a_back_up_that_cannot_be_noted_is_not_given(store: Store, tmp_path: Path) -> None:
    """No file is left behind, not even one begun; once it can be noted again, the back-up is made."""
    begun(store, SAID)
    with writing(store._engine) as connection:
        connection.exec_driver_sql(
            "create trigger full before insert on read_log begin select raise(abort, 'disk is full'); end"
        )
    (tmp_path / "away").mkdir()
    with pytest.raises(StoreError, match="cannot be noted; so nothing is given"):
        store.back_up(tmp_path / "away" / "up.sqlite")
    assert list((tmp_path / "away").iterdir()) == []
    with writing(store._engine) as connection:
        connection.exec_driver_sql("drop trigger full")
    assert store.back_up(tmp_path / "away" / "up.sqlite").exists()


def test_a_back_up_carries_the_rows_and_is_kept_out_of_a_register(store: Store, tmp_path: Path) -> None:
    """Brought back elsewhere they are the same, and who did is one more; a register alone is refused as such."""
    site_id = begun(store, SAID)
    access.Guarded(store, visitor("surveyor")).version(site_id)
    store.back_up(tmp_path / "up.sqlite")
    with open_store(tmp_path / "new.sqlite", cache=tmp_path / "c") as new:
        new.bring_back(tmp_path / "up.sqlite")
        latest, *older = new.read_log.rows(site_ids=[site_id])
        assert latest.kind == "bring_back"
        assert tuple(older) == store.read_log.rows(site_ids=[site_id])
    with open_register(tmp_path / "homes.sqlite") as register:
        register.begin("L1")
    with open_store(tmp_path / "homes.sqlite", cache=tmp_path / "c") as homes:
        with pytest.raises(StoreError, match="register of homes"):
            homes.bring_back(tmp_path / "up.sqlite")
        assert homes.sites() == ()


def test_what_is_old_is_listed_and_stays(store: Store, tmp_path: Path) -> None:
    """Seven years old: an account, a removed one and a photograph; a new account is not among them."""
    site_id = begun(store, SAID, SAID.model_copy(update={"id": "AC2"}))
    store.save(
        site_id, [PutFile("photos/p.jpg", b"\xff\xd8\xff\xd9"), Remove("account", "AC2", 2)], by="surveyor"
    )
    with store._engine.begin() as connection:  # as though saved long ago: the clock cannot be turned back
        for trigger in connection.scalars(
            sa.text("select name from sqlite_master where type = 'trigger' and tbl_name = 'save'")
        ).all():
            connection.exec_driver_sql(f"drop trigger {trigger}")
        connection.exec_driver_sql("update save set saved_at = '2019-01-01 00:00:00.000000'")
    store.save(site_id, [Put(SAID.model_copy(update={"id": "AC3"}))], by="surveyor")

    def listed(*more: str) -> tuple[str, str]:
        done = CliRunner().invoke(app, ["store", "old", "--workspace", str(tmp_path / "w.sqlite"), *more])
        assert done.exit_code == 0
        return done.stdout, done.stderr

    told, said = listed()
    assert [line.split("  ")[2] for line in told.splitlines()] == [
        "account AC1", "account AC2 (removed, still in the history)", "file photos/p.jpg",
    ]  # fmt: skip
    assert "3 things unchanged for 6 years" in said
    assert "AC3" in listed("--years", "0")[0]
    assert listed("--years", "100")[0] == ""
    assert store.file(site_id, "photos/p.jpg") == b"\xff\xd8\xff\xd9"
