"""The register keeps every event, shows what follows from them, and shows it to whom it belongs."""

from __future__ import annotations

import datetime as dt
import shutil
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from geo import reference
from geo.errors import InputError
from geo.portfolio.entry import NOTHING, Entry, standing
from geo.portfolio.events import EVENTS, Happened
from geo.portfolio.keys import KEYS, sorts_of
from geo.portfolio.periods import default
from geo.portfolio.register import Register, open_register
from geo.portfolio.saving import GrownError
from geo.portfolio.viewer import Viewer
from geo.portfolio.walls import repeats_of, walls_of
from geo.store.register_tables import DERIVED
from geo.store.said import StoreError

REF = reference.default()
MANAGER = Viewer(role="manager", landlord_id="L1")
NOW = dt.datetime(2026, 12, 10, 12, 0, tzinfo=dt.UTC)
NUMBERS = iter(range(10**9))


@pytest.fixture
def register(blank_workspace: Path, tmp_path: Path) -> Iterator[Register]:
    """A register of two landlords without homes."""
    shutil.copyfile(blank_workspace, tmp_path / "workspace.sqlite")
    with open_register(tmp_path / "workspace.sqlite") as opened:
        opened.begin("L1")
        opened.begin("L2")
        yield opened


def event(kind: str, home_id: str, at: str, **fields: Any) -> Happened:
    """Return one event, by a manager and with a number of its own unless said otherwise."""
    given = {"id": f"e{next(NUMBERS)}", "by_role": "manager", **fields}
    return EVENTS[kind](home_id=home_id, at=at, **given)


def listed(home_id: str, **fields: Any) -> Happened:
    """Return the facts of a home in England let by a social landlord."""
    return event("home", home_id, "2026-01-05", **{"nation": "england", "tenure": "social_rent", **fields})


def reported(home_id: str, at: str, **fields: Any) -> Happened:
    """Return a report."""
    return event("report", home_id, at, **{"channel": "phone", **fields})


def triaged(home_id: str, at: str, **fields: Any) -> Happened:
    """Return a first decision."""
    return event("triage", home_id, at, **{"hazard": "significant", "reason": "wet wall", **fields})


def read(home_id: str, at: str, begin: float, end: float, wetness: str = "wet", **fields: Any) -> Happened:
    """Return a length of wall read."""
    return event("stretch", home_id, at, chainage_from_m=begin, chainage_to_m=end, wetness=wetness, **fields)


def finished(home_id: str, at: str, begin: float, end: float, **fields: Any) -> Happened:
    """Return a repair finished."""
    given = {"repair_id": "R", "cause": "S04", "asset_id": "K1", "stage": "finished", **fields}
    return event("works", home_id, at, chainage_from_m=begin, chainage_to_m=end, **given)


def dump(register: Register) -> dict[str, list[tuple[Any, ...]]]:
    """Return every row of every derived table."""
    with register._engine.connect() as connection:
        return {
            table.name: sorted((tuple(row) for row in connection.execute(sa.select(table))), key=repr)
            for table in DERIVED
        }


# --- events --------------------------------------------------------------------------------------


def test_every_kind_has_a_file_of_its_own() -> None:
    """Kinds and file names are different, and every kind is told by a word of its own."""
    assert len({model.stem for model in EVENTS.values()}) == len(EVENTS)
    assert len({model.named for model in EVENTS.values()}) == len(EVENTS)
    for model in EVENTS.values():
        assert model.about
        assert {"id", "home_id", "at", "by_role", "corrects", "case_id"} <= set(model.columns())


def test_an_event_is_kept_once(register: Register) -> None:
    """The same events a second time add nothing; the same number with other words is refused, whole."""
    events = [listed("H1"), reported("H1", "2026-12-01T09:00")]
    first = register.append(MANAGER, events, by="manager")
    again = register.append(MANAGER, events, by="manager")
    assert (first.added, first.already, first.batch) == (2, 0, 1)
    assert (again.added, again.already, again.batch, again.head) == (0, 2, 0, first.head)
    other = events[1].model_copy(update={"said": "something else"})
    with pytest.raises(InputError, match="says something else there"):
        register.append(MANAGER, [reported("H1", "2026-12-02"), other], by="manager")
    assert register.head(MANAGER) == first.head
    assert len(register.events(MANAGER, "H1")) == 2


def seen(register: Register) -> dict[str, int]:
    """Return how many events the file of H1 has, as a page shows it."""
    state = register.state(MANAGER, "H1")
    assert state is not None
    return {"H1": state["events_count"]}


def test_nothing_is_added_to_a_file_that_has_grown_since_it_was_seen(register: Register) -> None:
    """Who looked before another added is told so, and adds nothing; looked at again, it goes in."""
    register.append(MANAGER, [listed("H1"), listed("H2")], by="manager")
    before = seen(register)
    first, second = reported("H1", "2026-12-01"), reported("H1", "2026-12-02")
    done = register.append(MANAGER, [first], by="manager", seen=before)
    with pytest.raises(GrownError, match="home H1 had 1 events when it was opened and has 2 now") as refused:
        register.append(MANAGER, [reported("H2", "2026-12-02"), second], by="manager", seen=before)
    assert refused.value.grown == {"H1": (1, 2)}
    assert register.head(MANAGER) == done.head
    assert register.append(MANAGER, [first], by="manager", seen=before).already == 1  # sent again, not lost
    assert register.append(MANAGER, [second], by="manager", seen=seen(register)).added == 1


def test_of_many_who_saw_the_same_file_one_adds(register: Register) -> None:
    """Eight at once, each with what they saw: one event goes in, seven are told; looked at while it is added."""
    register.append(MANAGER, [listed("H1")], by="manager")
    before = seen(register)
    together = threading.Barrier(8)

    def add(number: int) -> bool:
        together.wait()
        try:
            register.append(MANAGER, [reported("H1", f"2026-12-0{number + 1}")], by="manager", seen=before)
        except GrownError:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(add, range(8))) == 1
    assert len(register.events(MANAGER, "H1")) == 2


def test_two_landlords_may_use_the_same_numbers(register: Register) -> None:
    """Numbers of homes and events are each landlord's own."""
    same = [listed("H1", id="a", estate="Ash"), reported("H1", "2026-12-01", id="b")]
    theirs = Viewer(role="manager", landlord_id="L2")
    register.append(MANAGER, same, by="manager")
    assert register.append(theirs, same, by="manager").added == 2
    assert register.head(MANAGER) != register.head(theirs)


def test_a_corrected_event_stays_and_another_stands(register: Register) -> None:
    """A correction takes the place of the first in everything that follows; both are told."""
    register.append(
        MANAGER,
        [listed("H1"), reported("H1", "2026-12-01T09:00", id="r1"), triaged("H1", "2026-12-01")],
        by="m",
    )
    due = register.state(MANAGER, "H1")
    assert due is not None
    assert due["law_due_at"] == dt.datetime(2026, 12, 16, tzinfo=dt.UTC)
    register.append(MANAGER, [reported("H1", "2026-11-30T09:00", id="r2", corrects="r1")], by="m")
    after = register.state(MANAGER, "H1")
    assert after is not None
    assert after["law_due_at"] == dt.datetime(2026, 12, 15, tzinfo=dt.UTC)
    assert after["reports_count"] == 1
    assert [one.event_id for one in register.events(MANAGER, "H1")][-1] == "r2"
    assert len(register.events(MANAGER, "H1")) == 4
    with pytest.raises(InputError, match="corrected already"):
        register.append(MANAGER, [reported("H1", "2026-11-29", corrects="r1")], by="m")
    with pytest.raises(InputError, match="no report of that home"):
        register.append(MANAGER, [listed("H2"), reported("H2", "2026-11-29", corrects="r2")], by="m")
    register.append(
        MANAGER, [event("withdrawn", "H1", "2026-12-03", corrects="r2", reason="wrong home")], by="m"
    )
    gone = register.state(MANAGER, "H1")
    assert gone is not None
    assert gone["reports_count"] == 0


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (lambda: [reported("H9", "2026-12-01")], "does not hold"),
        (lambda: [listed("H1"), read("H1", "2026-12-01", 5, 2)], "runs from 5 to 2 m"),
        (lambda: [listed("H1"), event("works", "H1", "2026-12-01", repair_id="R", stage="started", chainage_from_m=3)], "one chainage"),
        (lambda: [listed("H1"), reported("H1", "2027-03-28T01:30")], "never was"),
        (lambda: [listed("H1"), reported("H1", "2026-02-30")], "day"),
        (lambda: [listed("H1"), reported("H1", "1066-10-14")], "happened in 1066"),
        (lambda: [listed("H1"), event("promise", "H1", "2026-12-01", promised="x", due_on="2026-13-01")], "2026-13-01"),
        (lambda: [listed("H1"), event("withdrawn", "H1", "2026-12-01", reason="x")], "names no event"),
        (lambda: [listed("H1", id="x"), listed("H1", id="x", estate="Ash")], "stands twice"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_said_and_nothing_is_added(register: Register, made: Any, said: str) -> None:
    """One sentence, and the register is as it was."""
    with pytest.raises(InputError, match=said):
        register.append(MANAGER, made(), by="manager")
    assert register.next_homes(MANAGER, only="all").homes == 0
    assert register.head(MANAGER) == NOTHING.hex()


def test_the_database_itself_refuses_to_alter(register: Register) -> None:
    """Neither an update nor a delete of an event or a saving is possible, by whatever program."""
    register.append(MANAGER, [listed("H1")], by="manager")
    for table in ("register_event", "register_batch"):
        for statement in (f"delete from {table}", f"update {table} set landlord_id = 'L2'"):
            with (
                pytest.raises(sa.exc.DBAPIError, match="never altered"),
                register._engine.begin() as connection,
            ):
                connection.exec_driver_sql(statement)


# --- what follows from them ----------------------------------------------------------------------


def some_homes() -> list[Happened]:
    """Six homes whose order by each key is told in the tests."""
    events: list[Happened] = [listed(f"H{n}", estate="Ash" if n < 3 else "Elm") for n in range(1, 7)]
    events += [reported("H1", "2026-12-07T09:00"), triaged("H1", "2026-12-07", electrics="yes")]
    events += [
        reported("H2", "2026-12-01T09:00"),
        triaged("H2", "2026-12-01", bedrooms_count=2, vulnerable="yes"),
    ]
    events += [
        reported("H3", "2026-12-09T20:00"),
        triaged("H3", "2026-12-09", hazard="emergency", sewage="yes"),
    ]
    events += [reported("H4", "2026-12-01T09:00"), triaged("H4", "2026-12-01", hazard="none")]
    events += [reported("H5", "2026-11-02T09:00"), event("closed", "H5", "2026-12-01", reason="dry")]
    events += [read("H1", "2026-12-08", 2.0, 8.4, free_water="yes"), read("H2", "2026-12-08", 0.0, 3.0)]
    events += [read("H1", "2026-12-09", 4.0, 5.0, "dry")]
    for n, state in ((2, "failed"), (3, "not_looked"), (6, "not_looked")):
        events.append(
            event("asset_look", f"H{n}", "2026-12-08", asset_id="SK", asset_kind="soakaway", state=state)
        )
    return events


def order(register: Register, *keys: str, **given: Any) -> list[str]:
    """Return homes in an order."""
    return list(register.next_homes(MANAGER, keys, now=NOW, **given).table["home_id"])


def test_homes_in_the_order_a_user_chose(register: Register) -> None:
    """Each key by itself, keys one after another, turned round, ties by age then number; worked by hand.

    By law: H3 (24 h, 10 Dec 20:00), H2 (10 working days from 1 Dec: 15 Dec), H1 (from 7 Dec: 21 Dec); H4 has
    no clock. Wet: H1 6.4 m less the metre read dry is 5.4, H2 3.0.
    """
    register.append(MANAGER, some_homes(), by="manager")
    assert order(register, "law") == ["H3", "H2", "H1", "H4"]
    assert order(register, "wet") == ["H1", "H2", "H4", "H3"]
    assert order(register, "electrics") == ["H1", "H2", "H4", "H3"]
    assert order(register, "sewage", "wet") == ["H3", "H1", "H2", "H4"]
    assert order(register, "emergency", "-law") == ["H3", "H1", "H2", "H4"]
    assert order(register, "bedrooms", "free_water") == ["H2", "H1", "H4", "H3"]
    assert order(register, "spread") == ["H2", "H3", "H4", "H1"]
    assert order(register, "-age") == ["H3", "H1", "H2", "H4"]
    assert order(register) == ["H2", "H4", "H1", "H3"]
    assert order(register, "wet", only="all") == ["H1", "H2", "H4", "H3", "H5", "H6"]
    assert order(register, "wet", estate="Elm") == ["H4", "H3"]
    assert order(register, "law", limit=2) == ["H3", "H2"]
    assert order(register, "law", limit=2, offset=2) == ["H1", "H4"]
    usual = register.next_homes(MANAGER, now=NOW)
    assert list(usual.table["home_id"]) == ["H3", "H2", "H1", "H4"]
    assert usual.homes == 4


def test_each_place_is_explained_in_a_line(register: Register) -> None:
    """The values of the keys, and the first key that puts it before the next."""
    register.append(MANAGER, some_homes(), by="manager")
    table = register.next_homes(MANAGER, ["vulnerable", "wet", "law"], now=NOW).table
    assert table["said"].tolist()[:2] == [
        "somebody at higher risk, 3 m wet, by law Tue 15 Dec 2026",
        "5.4 m wet, by law Mon 21 Dec 2026",
    ]
    assert table["before_next"].tolist() == ["somebody at higher risk", "wet length", "date by law", ""]
    assert table["place"].tolist() == [1, 2, 3, 4]
    later = register.next_homes(MANAGER, ["law"], now=NOW + dt.timedelta(days=20)).table
    assert later["said"].tolist()[0] == "by law Thu 10 Dec 2026 20:00 (passed)"


def test_a_key_that_does_not_exist(register: Register) -> None:
    """A slip in the order is said, with every key there is; a key twice too."""
    with pytest.raises(InputError, match="no such key") as caught:
        register.next_homes(MANAGER, ["score"])
    assert "law, promise, emergency" in str(caught.value)
    with pytest.raises(InputError, match="stands twice"):
        sorts_of(["wet", "-wet"])


def test_what_follows_is_the_same_worked_out_again(register: Register) -> None:
    """Added at once, one by one, or worked out again from the events: the same rows, and a sound register."""
    events = some_homes()
    for one in events:
        register.append(MANAGER, [one], by="manager")
    by_ones = dump(register)
    assert register.verify(MANAGER) == ()
    assert register.rebuild(MANAGER) == 6
    assert dump(register) == by_ones
    theirs = Viewer(role="manager", landlord_id="L2")
    register.append(theirs, events, by="manager")
    both = dump(register)
    for name, rows in by_ones.items():
        own = [row for row in both[name] if row[0] == "L1"]
        other = [("L1", *row[1:]) for row in both[name] if row[0] == "L2"]
        if name == "home_state":  # the chain of hashes is of each landlord's own
            own, other = [row[:-1] for row in own], [row[:-1] for row in other]
        assert own == other
        assert sorted(row for row in both[name] if row[0] == "L1") == rows or len(rows) == len(own)


def test_verify_finds_what_was_altered(register: Register) -> None:
    """A derived row changed behind its back, an event altered, a saving taken out: each is found."""
    register.append(MANAGER, some_homes(), by="manager")
    register.append(MANAGER, [read("H1", "2026-12-10", 20, 21)], by="manager")
    assert register.verify(MANAGER) == ()
    with register._engine.begin() as connection:
        connection.exec_driver_sql("update home_state set wet_m = 0 where home_id = 'H1'")
    assert "home_state is not what the events say" in str(register.verify(MANAGER)[0])
    register.rebuild(MANAGER)
    assert register.verify(MANAGER) == ()
    _without_guard(
        register,
        "register_event",
        "update register_event set case_id = 'x' where home_id = 'H2' and line = 2",
    )
    said = " ".join(str(one) for one in register.verify(MANAGER))
    assert "does not follow from the one before it" in said


def test_verify_finds_a_saving_cut_off_the_end(register: Register) -> None:
    """Events of the last saving taken out with everything that follows from them: the chain of savings tells."""
    register.append(MANAGER, some_homes(), by="manager")
    register.append(MANAGER, [read("H1", "2026-12-10", 20, 21)], by="manager")
    _without_guard(register, "register_event", "delete from register_event where batch = 2")
    register.rebuild(MANAGER)
    assert "saving 2 is missing" in str(register.verify(MANAGER)[0])


def _without_guard(register: Register, table: str, statement: str) -> None:
    """Do what no program can: take the guard off the table, alter it, put the guard back."""
    with register._engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql(f"alter table {table} disable trigger user")
            connection.exec_driver_sql(statement)
            connection.exec_driver_sql(f"alter table {table} enable trigger user")
            return
        guards = connection.exec_driver_sql(
            f"select name, sql from sqlite_master where type = 'trigger' and tbl_name = '{table}'"
        ).all()
        for name, _ in guards:
            connection.exec_driver_sql(f"drop trigger {name}")
        connection.exec_driver_sql(statement)
        for _, made in guards:
            connection.exec_driver_sql(made)


def test_other_periods_ask_for_working_it_out_again(register: Register, tmp_path: Path) -> None:
    """With a practice's own way of counting, nothing is added until everything is counted by it."""
    register.append(
        MANAGER, [listed("H1"), reported("H1", "2026-12-01"), triaged("H1", "2026-12-01")], by="m"
    )
    path = tmp_path / "calendars.toml"
    path.write_text(
        '[counting]\nfirst_day = "same_day"\n[period.first_call]\nlabel = "Call back"\nby = "promise"\n'
        'starts_at = "report"\nended_by = ["told"]\nlength = 2\nunit = "working_days"\nsource = "our promise"\n'
        'status = "SETTING"\n',
        encoding="utf-8",
    )
    register.periods = default().with_changes(path)
    with pytest.raises(StoreError, match="work it out again"):
        register.append(MANAGER, [reported("H1", "2026-12-02")], by="m")
    assert "other periods" in str(register.verify(MANAGER)[0])
    register.rebuild(MANAGER)
    assert register.verify(MANAGER) == ()
    state = register.state(MANAGER, "H1")
    assert state is not None
    assert state["law_due_at"] == dt.datetime(2026, 12, 15, tzinfo=dt.UTC), "1 December counted as day 1"
    assert state["promise_due_at"] == dt.datetime(2026, 12, 3, tzinfo=dt.UTC)


def test_what_is_due(register: Register) -> None:
    """Clocks and promises up to a date, with working days left; an answered promise is due no more."""
    register.append(MANAGER, some_homes(), by="manager")
    promise = event("promise", "H4", "2026-12-02", promised="a visit", due_on="2026-12-11", id="p1")
    notice = event("notice", "H4", "2026-12-02", notice_kind="claim_letter", reply_by="2026-12-30")
    register.append(MANAGER, [promise, notice], by="manager")
    found = register.due(MANAGER, before=dt.datetime(2026, 12, 20, tzinfo=dt.UTC), now=NOW)
    told = list(zip(found["home_id"], found["due_on"], found["by"], found["working_days"], strict=True))
    assert found["hour"].tolist() == [" 20:00", " 20:00", "", ""]
    assert told == [
        ("H3", "2026-12-10", "law", 0),
        ("H3", "2026-12-10", "law", 0),
        ("H4", "2026-12-11", "promise", 1),
        ("H2", "2026-12-15", "law", 3),
    ]
    register.append(MANAGER, [event("kept", "H4", "2026-12-10", of_id="p1")], by="manager")
    after = register.due(MANAGER, before=dt.datetime(2027, 1, 1, tzinfo=dt.UTC), now=NOW)
    assert after[after["by"] == "promise"]["label"].tolist() == ["Answer to a claim letter"]


def test_a_case_opened_again_counts_from_its_own_report(register: Register) -> None:
    """Closed and reported again: dates run from the second report, and both cases are told."""
    register.append(
        MANAGER,
        [
            listed("H1"),
            reported("H1", "2026-11-02T09:00"),
            triaged("H1", "2026-11-02"),
            event("investigated", "H1", "2026-11-05", hazard="none"),
            event("closed", "H1", "2026-11-20", reason="no_fault"),
            reported("H1", "2026-12-01T09:00"),
        ],
        by="manager",
    )
    first, second = register.cases(MANAGER, "H1")
    assert not first[0].open
    assert second[0].open
    dates = {clock.period.key: clock for clock in second[1]}
    assert dates["significant_investigate"].due_on == dt.date(2026, 12, 15)
    assert dates["significant_investigate"].assumed
    assert {clock.period.key: clock.state for clock in first[1]}["significant_investigate"] == "recorded"


def test_money_by_cause_and_what_failed_cost(register: Register) -> None:
    """Whole hundredths: 0.1 + 0.2 is 0.30; a repair that failed is told apart; currencies are never added."""
    register.append(
        MANAGER,
        [
            listed("H1"),
            finished("H1", "2026-02-01", 2, 4),
            event(
                "cost",
                "H1",
                "2026-02-01",
                amount=0.1,
                currency="GBP",
                cost_for="repair",
                repair_id="R",
                length_m=2,
            ),
            event("cost", "H1", "2026-02-01", amount=0.2, currency="GBP", cost_for="repair", repair_id="R"),
            event("cost", "H1", "2026-02-01", amount=50, currency="EUR", cost_for="survey"),
            event("cost", "H1", "2026-02-02", amount=-5, currency="EUR", cost_for="survey"),
            event("retest", "H1", "2026-06-01", asset_id="K1", result="positive"),
            read("H1", "2026-03-01", 2, 4, "dry"),
            read("H1", "2026-06-01", 2, 4, "wet"),
        ],
        by="manager",
    )
    found = register.costs(MANAGER, ["cause"])
    rows = found[["currency", "cause", "amount", "failed_amount", "per_m"]].to_dict("records")
    assert rows[0]["currency"] == "EUR"
    assert rows[0]["amount"] == 45.0
    assert (rows[1]["cause"], rows[1]["amount"], rows[1]["failed_amount"]) == ("S04", 0.3, 0.3)
    assert rows[1]["per_m"] == pytest.approx(0.15)
    state = register.state(MANAGER, "H1")
    assert state is not None
    assert state["currency"] == "EUR GBP"
    with pytest.raises(InputError, match="no such column"):
        register.costs(MANAGER, ["landlord_id"])


# --- wet again -----------------------------------------------------------------------------------


def entries(*events: Happened) -> list[Entry]:
    """Return events as entries of one home, in the order they happened."""
    made = [
        Entry(
            line=n, event_id=one.id, kind=one.kind, case_id=one.case_id, by_role=one.by_role, corrects=one.corrects,
            at=dt.datetime.fromisoformat(one.at).replace(tzinfo=dt.UTC), with_time=False,
            payload={
                name: getattr(one, name)
                for name in type(one).columns()
                if name not in ("id", "home_id", "case_id", "by_role", "corrects") and getattr(one, name) not in (None, "")
            },
        )
        for n, one in enumerate(events, start=1)
    ]  # fmt: skip
    return standing(made)


def verdicts(*events: Happened) -> list[str]:
    """Return what is said of places wet again."""
    return [one.verdict for one in repeats_of(entries(*events), ref=REF)]


DONE = {"unexplained_m": 0.0}
DRY = ("2025-09-01", 2.0, 4.0, "dry")
AGAIN = ("2026-06-01", 2.5, 3.5, "wet")


def diagnosed(at: str, **fields: Any) -> Happened:
    """Return a supported diagnosis of the place."""
    given = {
        "cause": "S04",
        "asset_id": "K1",
        "state": "supported",
        "chainage_from_m": 2,
        "chainage_to_m": 4,
        **fields,
    }
    return event("diagnosis", "H", at, **given)


def test_the_four_reasons_a_place_is_wet_again() -> None:
    """Repair failed; second source missed; still drying; new: each from what was recorded, worked by hand."""
    done = finished("H", "2025-06-01", 2, 4, **DONE)
    left = finished("H", "2025-06-01", 2, 4, unexplained_m=1.2)
    assert verdicts(done, read("H", *DRY), read("H", *AGAIN), diagnosed("2026-06-20")) == ["repair_failed"]
    assert verdicts(
        done,
        read("H", *DRY),
        read("H", *AGAIN),
        event("retest", "H", "2026-06-20", asset_id="K1", result="positive"),
    ) == ["repair_failed"]
    assert verdicts(left, read("H", *DRY), read("H", *AGAIN)) == ["second_source_missed"]
    assert verdicts(
        left, read("H", *DRY), read("H", *AGAIN), diagnosed("2026-06-20", cause="S12", asset_id="")
    ) == ["second_source_missed"]
    assert verdicts(
        done, read("H", *DRY), read("H", *AGAIN), diagnosed("2026-06-20", cause="S12", asset_id="")
    ) == ["new"]
    assert verdicts(done, read("H", "2025-08-01", 2, 4, "wet")) == ["still_drying"]
    assert verdicts(done, read("H", "2025-08-01", 2, 4, "drying"), read("H", *DRY)) == []


def test_a_repeat_nobody_can_tell_is_not_known() -> None:
    """Wet again with nothing left unexplained and no test since: not known, and the test that would tell."""
    (said,) = repeats_of(
        entries(finished("H", "2025-06-01", 2, 4, **DONE), read("H", *DRY), read("H", *AGAIN)), ref=REF
    )
    assert said.verdict == "not_known"
    assert "Test the repaired source again, with enough water" in said.why
    assert len(said.rests_on) == 2
    unrecorded = repeats_of(
        entries(finished("H", "2025-06-01", 2, 4), read("H", *DRY), read("H", *AGAIN)), ref=REF
    )
    assert "was not recorded" in unrecorded[0].why
    assert verdicts(
        finished("H", "2025-06-01", 2, 4, **DONE), read("H", *DRY), read("H", *AGAIN),
        event("retest", "H", "2026-06-20", asset_id="K1", result="too_small"),
    ) == ["not_known"], "a test too small to count is no information"  # fmt: skip
    assert verdicts(
        finished("H", "2025-06-01", 2, 4, **DONE), read("H", *DRY), read("H", *AGAIN),
        event("retest", "H", "2026-06-20", asset_id="K1", result="negative"),
    ) == ["new"]  # fmt: skip


@pytest.mark.parametrize(
    ("begin", "end", "side", "on", "found"),
    [
        (5.0, 6.0, "inside", "2026-06-01", True),
        (5.1, 6.0, "inside", "2026-06-01", False),
        (0.2, 1.0, "inside", "2026-06-01", True),
        (0.2, 0.9, "inside", "2026-06-01", False),
        (2.0, 4.0, "outside", "2026-06-01", False),
        (2.0, 4.0, "inside", "2027-05-28", True),
    ],
)
def test_the_same_place_is_within_a_metre_on_the_same_side(
    begin: float, end: float, side: str, on: str, found: bool
) -> None:
    """A repair at 2-4 m inside: 5.0 m is 1.0 m off, 5.1 is not; the other side is another place."""
    done, dry = finished("H", "2025-06-01", 2, 4, unexplained_m=1.0), read("H", *DRY)
    assert bool(verdicts(done, dry, read("H", on, begin, end, "wet", side=side))) is found


def test_later_than_two_years_is_new() -> None:
    """24 months after 1 June 2025 is 1 June 2027."""
    done, dry = finished("H", "2025-06-01", 2, 4, unexplained_m=1.0), read("H", *DRY)
    assert verdicts(done, dry, read("H", "2027-05-28", 2, 4)) == ["second_source_missed"]
    assert verdicts(done, dry, read("H", "2027-06-10", 2, 4)) == ["new"]


def test_the_last_reading_of_a_place_holds() -> None:
    """10 m wet, then 4-6 dry and 7-8 drying: 8 m not dry, 8 - 10 = -2 since the day before; 2 of 5 unexplained."""
    found = walls_of(
        entries(
            read("H", "2026-01-01", 0, 10, unexplained_m=5.0),
            read("H", "2026-02-01", 4, 6, "dry"),
            read("H", "2026-02-01", 7, 8, "drying", free_water="yes"),
            read("H", "2026-02-01", 0, 3, "dry", side="outside"),
        )
    )
    assert found.wet_m == pytest.approx(8.0)
    assert found.growing_m == pytest.approx(-2.0)
    assert found.unexplained_m == pytest.approx(5.0 * 7 / 10)
    assert found.free_water


def test_diagnoses_nothing_bears_out(register: Register) -> None:
    """Old and unproven is told after 90 days; condensation without 14 days of logged air at once; proof ends both."""
    register.append(
        MANAGER,
        [
            listed("H1"), reported("H1", "2026-06-01"),
            event("diagnosis", "H1", "2026-06-02", cause="S05", asset_id="D1", state="supported", id="old"),
            event("diagnosis", "H1", "2026-12-01", cause="S06", asset_id="D2", state="suspected"),
            listed("H2"), reported("H2", "2026-12-01"),
            event("diagnosis", "H2", "2026-12-02", cause="S15", state="supported", air_log_days=3, id="air"),
            listed("H3"), reported("H3", "2026-06-01"),
            event("diagnosis", "H3", "2026-06-02", cause="S15", state="supported", air_log_days=20),
            event("diagnosis", "H3", "2026-06-02", cause="S01", asset_id="G1", state="supported"),
            event("retest", "H3", "2026-06-05", asset_id="G1", result="positive"),
            event("diagnosis", "H3", "2026-06-02", cause="S02", asset_id="P1", state="supported"),
            event("diagnosis", "H3", "2026-06-09", cause="S02", asset_id="P1", state="set_aside"),
        ],
        by="manager",
    )  # fmt: skip
    found = register.unproven(MANAGER, now=NOW)
    assert sorted(zip(found["home_id"], found["flag"], found["rests_on"], strict=True))[:2] == [
        ("H1", "unproven", "old"),
        ("H2", "no_air_log", "air"),
    ]
    assert "3 days of logged air: log 14" in " ".join(found["said"])
    assert "S15 (condensation on a cold surface) is supported" in " ".join(found["said"])
    assert list(found[found["home_id"] == "H3"]["flag"]) == ["unproven"], (
        "20 days of air are a log, not a proof"
    )


def test_no_access_that_goes_stale(register: Register) -> None:
    """Two failed tries and nothing for 30 days is told; one let in since, or a week ago, is not."""
    tries = {"method": "visit", "result": "no_answer"}
    events = [listed(f"H{n}") for n in (1, 2, 3)] + [reported(f"H{n}", "2026-10-01") for n in (1, 2, 3)]
    events += [event("access_attempt", "H1", day, **tries) for day in ("2026-10-20", "2026-11-10T14:00")]
    events += [
        event("access_attempt", "H2", "2026-10-20", **tries),
        event("visit", "H2", "2026-10-25", purpose="investigate"),
    ]
    events += [event("access_attempt", "H3", "2026-12-03", **tries)]
    register.append(MANAGER, events, by="manager")
    found = register.no_access(MANAGER, now=NOW)
    assert found[["home_id", "tries", "days"]].to_numpy().tolist() == [["H1", 2, 29]]
    assert order(register, "no_access") == ["H1", "H3", "H2"]


def test_files_nobody_may_need_any_longer(register: Register) -> None:
    """Six years after its last event a home without an open case is told; nothing is taken out."""
    old = [
        event("home", "H1", "2019-01-01", nation="england"),
        event("told", "H1", "2020-11-01", channel="phone", said="x"),
    ]
    still = [event("home", "H2", "2019-01-01"), event("report", "H2", "2019-02-01", channel="phone")]
    register.append(MANAGER, [*old, *still, event("home", "H3", "2021-01-01")], by="manager")
    assert register.past_keeping(MANAGER, now=NOW)["home_id"].tolist() == ["H1"]
    assert len(register.events(MANAGER, "H1")) == 2


def test_a_page_s_length_asks_for_nothing_to_be_worked_out_again(register: Register, tmp_path: Path) -> None:
    """A setting that only decides what is shown changes nothing that is kept; one that decides it does."""
    path = tmp_path / "limits.toml"
    for name, value, ask in (("page_homes", 7, False), ("repeat_m", 2.0, True)):
        path.write_text(f"[portfolio]\n{name} = {value}\n", encoding="utf-8")
        register.ref = REF.with_changes(path)
        assert bool(register.verify(MANAGER)) is ask


# --- who sees what -------------------------------------------------------------------------------


def test_a_viewer_sees_their_own_homes_only(register: Register) -> None:
    """Another landlord's homes, and homes not given to a surveyor, are not there in any answer."""
    register.append(MANAGER, some_homes(), by="manager")
    stranger = Viewer(role="manager", landlord_id="L2")
    surveyor = Viewer(role="surveyor", landlord_id="L1", home_ids=frozenset({"H1"}))
    for viewer, seen in ((stranger, set()), (surveyor, {"H1"})):
        assert set(register.next_homes(viewer, ["law"], now=NOW).table["home_id"]) == seen
        assert register.next_homes(viewer, ["law"], now=NOW, only="all").homes == len(seen)
        assert set(register.due(viewer, before=NOW + dt.timedelta(days=90), now=NOW)["home_id"]) == seen
        assert set(register.homes(viewer)["home_id"]) == seen
        assert set(register.assets(viewer)["home_id"]) <= seen
        assert register.events(viewer, "H2") == ()
        assert register.state(viewer, "H2") is None
        assert register.cases(viewer, "H2") == ()
        assert register.costs(viewer, ["home_id"]).empty
    assert len(register.events(surveyor, "H1")) == 5


def test_what_a_role_is_not_shown(register: Register) -> None:
    """A contractor sees no money, no report, no flag of persons, and cannot put homes in order by them."""
    register.append(
        MANAGER,
        [*some_homes(), event("cost", "H2", "2026-12-02", amount=10, currency="GBP", cost_for="survey")],
        by="manager",
    )
    contractor = Viewer(role="contractor", landlord_id="L1", home_ids=frozenset({"H2"}))
    assert {one.kind for one in register.events(contractor, "H2")} == {"home", "stretch", "asset_look"}
    state = register.state(contractor, "H2")
    assert state is not None
    assert not {"vulnerable", "cost_hundredths", "currency"} & set(state)
    assert "vulnerable" not in register.next_homes(contractor, now=NOW).table
    for key in ("vulnerable", "cost"):
        with pytest.raises(InputError, match="no such key"):
            register.next_homes(contractor, [key])
    assert register.costs(contractor).empty
    dates = register.cases(contractor, "H2")[0][1]
    assert dates[0].due_on == dt.date(2026, 12, 15), "a date is the same for everybody"


def test_who_may_add(register: Register) -> None:
    """A contractor adds nothing; a surveyor adds to their own homes only."""
    register.append(MANAGER, [listed("H1"), listed("H2")], by="manager")
    surveyor = Viewer(role="surveyor", landlord_id="L1", home_ids=frozenset({"H1"}))
    assert register.append(surveyor, [read("H1", "2026-12-01", 1, 2)], by="surveyor").added == 1
    with pytest.raises(InputError, match="homes not theirs"):
        register.append(surveyor, [read("H2", "2026-12-01", 1, 2)], by="surveyor")
    contractor = Viewer(role="contractor", landlord_id="L1", home_ids=frozenset({"H1"}))
    with pytest.raises(InputError, match="a contractor"):
        register.append(contractor, [read("H1", "2026-12-01", 1, 2)], by="contractor")
    for role, given in (("surveyor", {}), ("owner", {}), ("manager", {"landlord_id": " "})):
        with pytest.raises(InputError):
            Viewer(**{"role": role, "landlord_id": "L1", **given})


def test_a_landlord_without_a_register(register: Register) -> None:
    """Said in a sentence; beginning one twice changes nothing."""
    nobody = Viewer(role="manager", landlord_id="L9")
    with pytest.raises(StoreError, match="no register of the landlord 'L9'"):
        register.append(nobody, [listed("H1")], by="manager")
    with pytest.raises(StoreError, match="no register"):
        register.head(nobody)
    assert "has no register here" in str(register.verify(nobody)[0])
    register.append(MANAGER, [listed("H1")], by="manager")
    head = register.head(MANAGER)
    register.begin("L1")
    assert register.head(MANAGER) == head
    assert register.landlords() == ("L1", "L2")
    with pytest.raises(InputError):
        register.begin("  ")


def test_many_homes_given_to_one_viewer(register: Register) -> None:
    """Hundreds of homes given to a surveyor are one question, not hundreds."""
    register.append(MANAGER, [listed(f"N{n:04d}") for n in range(900)], by="manager")
    some = frozenset(f"N{n:04d}" for n in range(0, 900, 2))
    surveyor = Viewer(role="surveyor", landlord_id="L1", home_ids=some)
    found = register.next_homes(surveyor, ["age"], only="all", limit=1000)
    assert set(found.table["home_id"]) == some


def test_files_are_kept_once_and_are_a_landlord_s_own(register: Register) -> None:
    """The same bytes twice are kept once; another landlord has no such file; empty files are files too."""
    content = b"%PDF " + bytes(range(256)) * 9000
    name = register.keep_file(MANAGER, content)
    assert register.keep_file(MANAGER, content) == name
    assert register.file(MANAGER, name) == content
    assert register.file(Viewer(role="manager", landlord_id="L2"), name) is None
    assert register.file(MANAGER, register.keep_file(MANAGER, b"")) == b""


def test_keys_are_columns_and_told_apart() -> None:
    """Every key has a column and a label of its own; none is a mixture."""
    assert (
        len({key.column for key in KEYS.values()}) == len({key.label for key in KEYS.values()}) == len(KEYS)
    )
    assert not any("score" in key.label for key in KEYS.values())
