"""Several people at once on a server: nothing acknowledged is lost, nobody overwrites anybody."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from geo.store.said import StaleError

pytestmark = pytest.mark.postgres

PATH = Path(__file__).parents[1] / "benchmarks" / "bench_users.py"
SPEC = importlib.util.spec_from_file_location("bench_users", PATH)
if SPEC is None or SPEC.loader is None:
    raise ImportError(PATH)
USERS = importlib.util.module_from_spec(SPEC)
sys.modules["bench_users"] = USERS
SPEC.loader.exec_module(USERS)


def test_six_users_at_once_lose_nothing(address: str, tmp_path: Path) -> None:
    """What they were told is what is there, no more and no less."""
    homes = USERS.take_in(address, tmp_path, [USERS.DEMO / "three_cottages"])
    told = USERS.run(address, tmp_path, homes, users=6, seconds=0.0, pause_s=0.0, at_least=15)
    assert told.failed == []
    assert len(told.took[USERS.FIRST]) == 6
    assert sum(map(len, told.took.values())) == 6 * 15
    assert told.saved
    assert USERS.missing(address, tmp_path, homes, told) == ([], [], [])


def test_two_who_meet_are_told(address: str, tmp_path: Path) -> None:
    """Both saw the same reading; the second to save it is told, and the first one's value stands."""
    homes = USERS.take_in(address, tmp_path, [USERS.DEMO / "three_cottages"])
    told = USERS.Told()
    with USERS.open_store(address, cache=tmp_path) as store, USERS.open_register(address) as register:
        first, second = (USERS.User(number, store, register, homes, told) for number in (1, 2))
        first._open()
        site_id, readings, versions = second._looked()
        base = versions[readings[0].id]
        first._put(site_id, readings[0].model_copy(update={"value": "301"}), base)
        with pytest.raises(StaleError):
            second._put(site_id, readings[0].model_copy(update={"value": "302"}), base)
    assert list(told.saved.values()) == ["301"]
    assert USERS.missing(address, tmp_path, homes, told) == ([], [], [])


def test_a_loss_is_found(address: str, tmp_path: Path) -> None:
    """A save and an event that were told of and are not there are named, and so is a save nobody was told of."""
    homes = USERS.take_in(address, tmp_path, [USERS.DEMO / "three_cottages"])
    told = USERS.Told()
    with USERS.open_store(address, cache=tmp_path) as store, USERS.open_register(address) as register:
        one = USERS.User(1, store, register, homes, told)
        one._open()
        site_id, readings, versions = one._looked()
        one._put(site_id, readings[0].model_copy(update={"value": "301"}), versions[readings[0].id])
    told.added["E-lost"] = homes[0]
    told.saved["no site", "R-lost", 9] = "1"
    saves, events, unsound = USERS.missing(address, tmp_path, homes, told)
    assert (saves, events, unsound) == ([str(("no site", "R-lost", 9))], ["E-lost"], [])
    told.saved.clear()
    assert USERS.missing(address, tmp_path, homes, told)[2]
