"""A store in PostgreSQL with PostGIS, on a server started for these tests alone; run with ``-m postgres``."""

from __future__ import annotations

import importlib.util
import itertools
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from geo.store.store import Store, open_store

TESTS = Path(__file__).parents[1]


def pytest_configure(config: pytest.Config) -> None:
    """Name the marker."""
    config.addinivalue_line("markers", "postgres: starts a PostgreSQL server; run with -m postgres")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave these tests out unless they are asked for by their marker."""
    if "postgres" in str(config.option.markexpr).replace("not postgres", ""):
        return
    ours = [item for item in items if item.get_closest_marker("postgres")]
    if ours:
        config.hook.pytest_deselected(items=ours)
        items[:] = [item for item in items if item not in ours]


def load(path: Path) -> ModuleType:
    """Return a file of the tests as a module."""
    spec = importlib.util.spec_from_file_location(f"shared_{path.stem}", path)
    if spec is None or spec.loader is None:
        raise ImportError(path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


NUMBERS = itertools.count(1)


@pytest.fixture(scope="session")
def cluster() -> Iterator[object]:
    """A server of its own on a free port."""
    with load(TESTS / "faults" / "cluster.py").Cluster() as started:
        open_store(started.database("blank")).close()
        yield started


@pytest.fixture
def address(cluster: object) -> str:
    """The address of a workspace without sites."""
    return cluster.database(f"w{next(NUMBERS)}", like="blank")  # type: ignore[attr-defined, no-any-return]


@pytest.fixture
def store(address: str, tmp_path: Path) -> Iterator[Store]:
    """An empty store on the server."""
    with open_store(address, cache=tmp_path / "cache") as opened:
        yield opened
