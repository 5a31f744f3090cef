"""The reference data says where each number comes from, and a user may change it."""

from __future__ import annotations

from pathlib import Path

import pytest

from geo import reference
from geo.errors import InputError

STATUSES = {
    "CONFIRMED",
    "CONFIRMED-2",
    "CORROBORATED",
    "FROM MEMORY",
    "COMMON PRACTICE",
    "JUDGEMENT",
    "SETTING",
}
LIMITS = reference.default().limits


@pytest.mark.parametrize("key", LIMITS)
def test_a_limit_is_traceable(key: str) -> None:
    """A limit without a unit, a source and an honest status may not be printed."""
    limit = LIMITS[key]
    assert limit.unit
    assert limit.source
    assert limit.status in STATUSES


@pytest.mark.parametrize("key", reference.default().methods)
def test_a_method_is_traceable(key: str) -> None:
    """A method names its principle, unit, scale and source."""
    method = reference.default().methods[key]
    assert method.scale_max > method.scale_min
    assert method.spread > 0
    assert method.spread_kind in {"absolute", "of span"}
    assert method.basis in reference.default().vocabulary["basis"]
    assert method.source
    assert method.status in STATUSES


def test_a_user_changes_one_limit(tmp_path: Path) -> None:
    """A site's limits.toml replaces the value it names, says so, and leaves the rest."""
    path = tmp_path / "limits.toml"
    path.write_text("[ground]\ndpc_clearance_mm = { value = 75 }\n", encoding="utf-8")
    changed = reference.default().with_changes(path)
    assert changed.value("ground.dpc_clearance_mm") == 75
    assert changed.limit("ground.dpc_clearance_mm").changed_by == "limits.toml"
    assert changed.value("ground.cells_min") == reference.default().value("ground.cells_min")
    assert reference.default().value("ground.dpc_clearance_mm") == 150


@pytest.mark.parametrize(
    ("content", "found"),
    [
        ("[ground]\ndpc_clearence_mm = 75\n", "no limit is called"),
        ('[ground]\ndpc_clearance_mm = "75"\n', "is not a number"),
        ("[ground\n", "not readable as TOML"),
        ("ground = 3\n", "is not a table"),
        ("[ground]\nstrip_dem_to_m = -1\n", "a number from"),
        ("[ground]\nstrip_dem_to_m = 0\n", "a number from"),
        ("[confidence]\npermutations = nan\n", "a number from"),
        ("[input]\nmax_cells = inf\n", "a number from"),
    ],
)
def test_a_slip_in_the_limits_is_named(tmp_path: Path, content: str, found: str) -> None:
    """A key that does not exist or a value that is no number is refused, never ignored."""
    path = tmp_path / "limits.toml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=found):
        reference.default().with_changes(path)
