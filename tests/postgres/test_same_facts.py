"""Every fact proved of a store in a file holds of one in PostgreSQL."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

pytestmark = pytest.mark.postgres

PATH = Path(__file__).parents[1] / "unit" / "test_store.py"
SPEC = importlib.util.spec_from_file_location("facts_of_a_store", PATH)
if SPEC is None or SPEC.loader is None:
    raise ImportError(PATH)
FACTS = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(FACTS)
globals().update({name: fact for name, fact in vars(FACTS).items() if name.startswith("test_")})


def test_the_facts_are_here() -> None:
    """The tests of the file store were found, and are run here too."""
    assert len([name for name in globals() if name.startswith("test_")]) > 30
