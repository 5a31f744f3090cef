"""A store in a file of its own."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from geo.store.store import Store, open_store


@pytest.fixture(scope="session")
def blank_workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace without sites, to be copied."""
    folder = tmp_path_factory.mktemp("blank")
    with open_store(folder / "open.sqlite", cache=folder) as opened:
        opened.back_up(folder / "blank.sqlite")
    return folder / "blank.sqlite"


@pytest.fixture
def store(blank_workspace: Path, tmp_path: Path) -> Iterator[Store]:
    """A workspace without sites, in one file."""
    path = tmp_path / "workspace.sqlite"
    path.touch(mode=0o600)
    shutil.copyfile(blank_workspace, path)
    with open_store(path, cache=tmp_path / "cache") as opened:
        yield opened
