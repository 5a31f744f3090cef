"""The register on a server: the same facts, and landlords the database itself keeps apart."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from geo.portfolio.register import Register, open_register
from geo.portfolio.viewer import Viewer
from geo.store.engine import connect
from geo.store.register_tables import GUARDED
from geo.store.said import StoreError
from geo.store.store import open_store

pytestmark = pytest.mark.postgres

PATH = Path(__file__).parents[1] / "unit" / "test_portfolio.py"
SPEC = importlib.util.spec_from_file_location("facts_of_a_register", PATH)
if SPEC is None or SPEC.loader is None:
    raise ImportError(PATH)
FACTS = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(FACTS)
globals().update({name: fact for name, fact in vars(FACTS).items() if name.startswith("test_")})

TWO = {landlord: Viewer(role="manager", landlord_id=landlord) for landlord in ("L1", "L2")}


@pytest.fixture
def register(address: str) -> Iterator[Register]:
    """A register of two landlords without homes, on the server."""
    with open_register(address) as opened:
        opened.begin("L1")
        opened.begin("L2")
        yield opened


@pytest.fixture
def two(register: Register) -> Iterator[Register]:
    """Two landlords with homes, a document each, and a database role each."""
    for landlord, viewer in TWO.items():
        register.append(viewer, FACTS.some_homes(), by="manager")
        register.keep_file(viewer, f"letter of {landlord}".encode())
    with register._engine.begin() as connection:
        for name in ("reads one", "reads two", "reads nobody"):
            connection.exec_driver_sql(
                f'do $$ begin create role "{name}" login; exception when duplicate_object then null; end $$'
            )
    register.let_in("reads one", "L1")
    register.let_in("reads two", "L2")
    yield register
    with register._engine.begin() as connection:
        for name in ("reads one", "reads two", "reads nobody"):
            connection.exec_driver_sql(f'drop owned by "{name}"')


def as_role(register: Register, name: str) -> sa.Engine:
    """Return a connection of a role's own, as any program may make one."""
    return connect(register._engine.url.set(username=name, drivername="postgresql").render_as_string())


def test_the_facts_are_here() -> None:
    """The tests of the register in a file were found, and are run here too."""
    assert len([name for name in globals() if name.startswith("test_")]) > 30


@pytest.mark.parametrize(("role", "landlord"), [("reads one", "L1"), ("reads two", "L2")])
def test_a_landlord_s_role_reads_its_own_rows_only(two: Register, role: str, landlord: str) -> None:
    """Whatever it asks in SQL of its own: by landlord, all, by join, by count."""
    other = "L2" if landlord == "L1" else "L1"
    engine = as_role(two, role)
    with engine.connect() as connection:
        for table in GUARDED:
            own = connection.exec_driver_sql(f"select distinct landlord_id from {table.name}").scalars().all()
            assert own in ([landlord], []), table.name
            theirs = f"select count(*) from {table.name} where landlord_id = '{other}'"
            assert connection.exec_driver_sql(theirs).scalar() == 0
        assert connection.exec_driver_sql("select count(*) from register_event").scalar() == len(
            FACTS.some_homes()
        )
        assert (
            connection.exec_driver_sql("select content from register_file").scalar()
            == f"letter of {landlord}".encode()
        )
        assert connection.exec_driver_sql("select landlord_id from register_reader").scalars().all() == [
            landlord
        ]
        joined = "select count(*) from home_state a join home_state b on a.landlord_id <> b.landlord_id"
        assert connection.exec_driver_sql(joined).scalar() == 0
    engine.dispose()


@pytest.mark.parametrize(
    "statement",
    [
        "insert into register_reader values ('reads one', 'L2')",
        "update register_reader set landlord_id = 'L2'",
        "update home_state set landlord_id = 'L1'",
        "delete from register_event",
        "insert into home_flag (landlord_id, home_id, line, since) values ('L1', 'H1', 99, now())",
        "select * from site",
        "select * from chunk",
        "alter table register_event disable row level security",
        "set role wallfoot",
        'set role "reads two"',
        "set session authorization wallfoot",
        "drop policy own_landlord on register_event",
    ],
)
def test_a_landlord_s_role_changes_nothing(two: Register, statement: str) -> None:
    """Neither what it may read, nor any row, nor the rules."""
    engine = as_role(two, "reads one")
    with engine.connect() as connection, pytest.raises(sa.exc.ProgrammingError):
        connection.exec_driver_sql(statement)
    engine.dispose()


def test_a_role_nobody_let_in_reads_nothing(two: Register) -> None:
    """Without being let in a role has no right at all; with the right and no landlord it sees no row."""
    engine = as_role(two, "reads nobody")
    with engine.connect() as connection, pytest.raises(sa.exc.ProgrammingError, match="permission denied"):
        connection.exec_driver_sql("select count(*) from register_event")
    with two._engine.begin() as connection:
        connection.exec_driver_sql('grant select on register_event, register_reader to "reads nobody"')
    with engine.connect() as connection:
        assert connection.exec_driver_sql("select count(*) from register_event").scalar() == 0
    engine.dispose()


def test_questions_are_asked_under_the_landlord_s_role(two: Register) -> None:
    """The program itself asks under that role: with the condition on the landlord gone, still no stranger's row."""
    from geo.portfolio import ask

    stranger = Viewer(role="manager", landlord_id="L2")
    with two._asking(TWO["L1"]) as connection:
        assert connection.exec_driver_sql("select current_user").scalar() == "reads one"
        assert ask.state_of(connection, stranger, "H1") is None
        assert ask.events_of(connection, stranger, "H1") == []
    with two._engine.connect() as connection:
        assert connection.exec_driver_sql("select current_user").scalar() == "wallfoot", (
            "and not beyond the question"
        )
    assert two.next_homes(TWO["L1"], ["law"], now=FACTS.NOW).homes == 4
    assert two.verify(TWO["L1"]) == ()


def test_homes_of_a_box_are_found_by_the_index_under_the_landlord_s_own_role(two: Register) -> None:
    """A policy of rows lets no comparison of geometries near an index before it; those of numbers it does."""
    with two._engine.begin() as connection:
        connection.exec_driver_sql("set local enable_seqscan = off")
        connection.exec_driver_sql('set local role "reads one"')
        plan = connection.exec_driver_sql(
            "explain select home_id from home_state where landlord_id = 'L1' and easting_m >= 0"
            " and easting_m <= 10 and northing_m >= 0 and northing_m <= 10"
        ).scalars()
        told = "\n".join(plan)
    assert "ix_home_state_landlord_id_easting_m_northing_m" in told
    assert "easting_m <=" in told.split("Index Cond:")[1].splitlines()[0]


def test_a_register_carried_from_server_to_file(two: Register, tmp_path: Path) -> None:
    """A back-up of the server opens as a workspace in a file, with both landlords, sound and with the same hash."""
    heads = {landlord: two.head(viewer) for landlord, viewer in TWO.items()}
    address = two._engine.url.render_as_string(hide_password=False)
    with open_store(address, cache=tmp_path / "cache") as store:
        store.back_up(tmp_path / "up.sqlite")
    with open_register(tmp_path / "up.sqlite", create=False) as copy:
        for landlord, viewer in TWO.items():
            assert copy.verify(viewer) == ()
            assert copy.head(viewer) == heads[landlord]


def test_which_roles_may_be_let_in(two: Register) -> None:
    """A role that does not exist, is bound by no policy, or reads another landlord is refused in a sentence."""
    for role, landlord, said in (
        ("nobody at all", "L1", "no database role"),
        ("wallfoot", "L1", "bound by no policy"),
        ("reads one", "L2", "another landlord's rows already"),
        ("reads nobody", "L9", "no register of the landlord"),
    ):
        with pytest.raises(StoreError, match=said):
            two.let_in(role, landlord)
    two.let_in("reads one", "L1")
