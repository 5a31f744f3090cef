"""Several people at once on a server: nothing acknowledged is lost, nobody overwrites anybody."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.postgres

PATH = Path(__file__).parents[1] / "benchmarks" / "bench_users.py"
SPEC = importlib.util.spec_from_file_location("bench_users", PATH)
if SPEC is None or SPEC.loader is None:
    raise ImportError(PATH)
USERS = importlib.util.module_from_spec(SPEC)
sys.modules["bench_users"] = USERS
SPEC.loader.exec_module(USERS)


def test_six_users_at_once_lose_nothing(address: str, tmp_path: Path) -> None:
    """What they were told is what is there, no more and no less; those who met were told so."""
    homes = USERS.take_in(address, tmp_path, [USERS.DEMO / "three_cottages"])
    told = USERS.run(address, tmp_path, homes, users=6, seconds=3.0, pause_s=0.0)
    assert told.failed == []
    assert set(told.took) == set(USERS.MIX)
    assert told.saved
    assert told.added
    assert told.conflicts
    assert USERS.missing(address, tmp_path, homes, told) == ([], [], [])


def test_a_loss_is_found(address: str, tmp_path: Path) -> None:
    """A save and an event that were told of and are not there are named, and so is a save nobody was told of."""
    homes = USERS.take_in(address, tmp_path, [USERS.DEMO / "three_cottages"])
    told = USERS.run(address, tmp_path, homes, users=1, seconds=0.5, pause_s=0.0)
    told.added["E-lost"] = homes[0]
    told.saved["no site", "R-lost", 9] = "1"
    saves, events, unsound = USERS.missing(address, tmp_path, homes, told)
    assert (saves, events, unsound) == ([str(("no site", "R-lost", 9))], ["E-lost"], [])
    told.saved.clear()
    assert USERS.missing(address, tmp_path, homes, told)[2]
