"""The demo sites back up as they were made to; their truths are worked by hand from true levels."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from geo import reference
from geo.drains.backup import Blockage, back_up
from geo.drains.network import build_network
from geo.drains.storage import Inflow
from geo.site.folder import read_site

REF = reference.default()
SITES = Path(__file__).resolve().parents[2] / "demo_sites"
KINDS = ("gully", "downpipe", "soakaway", "chamber", "run")
TRUTHS = [
    pytest.param(folder.parent.name, spill, id=f"{folder.parent.name}-{spill['blocked']}")
    for folder in sorted(SITES.glob("*/truth.toml"))
    for spill in tomllib.loads(folder.read_text(encoding="utf-8")).get("spill", [])
]


@pytest.mark.parametrize(("name", "truth"), TRUTHS)
def test_a_demo_site_spills_where_it_should(name: str, truth: dict[str, Any]) -> None:
    """First node and what it leaves over are the true ones, the level to 15 mm (three sigma), litres to 2 %.

    The recorded levels carry the errors of a survey; the truth does not.
    """
    site = read_site(SITES / name)
    network = build_network({kind: site.table(kind) for kind in KINDS}, ref=REF)
    stop = Blockage(asset_id=truth["blocked"], at_m=truth.get("blocked_at_m"))
    found = back_up(network, blocked=stop, source=truth["source"], ref=REF)
    assert (found.first, found.leaves) == (truth["first"], truth["leaves_at"])
    assert found.level.value == pytest.approx(truth["level_m"], abs=0.015)
    room = truth["store_l"] - truth.get("resting_l", 0.0)
    assert found.litres.value == pytest.approx(room, rel=0.02)
    if "next" in truth:
        assert found.changes[-1].then_first == truth["next"]
        assert found.changes[-1].then_level_m == pytest.approx(truth["next_level_m"], abs=0.015)


def test_the_school_kitchen_spills_on_the_third_pump_out() -> None:
    """Four pump-outs of 25 l in 80 s, ten minutes apart, past 0.03 l/s; the worked truth spills 6.4 l."""
    truth = next(
        p.values[1] for p in TRUTHS if p.values[0] == "old_school" and p.values[1]["blocked"] == "RK"
    )
    site = read_site(SITES / "old_school")
    network = build_network({kind: site.table(kind) for kind in KINDS}, ref=REF)
    wash = Inflow.pours(25.0, over_s=80.0, times=4, wait_s=600.0)
    found = back_up(network, source="GK", inflow=wash, ref=REF)
    assert found.passes_l_s == truth["passes_l_s"]
    assert found.balance is not None
    assert 1 + int(found.balance.first_spill_s // 680.0) == truth["first_spilling_pump"]
    # A level 10 mm out moves the riser's store by 0.2 l, and that of every spilling pump-out after it.
    assert found.balance.spilled_l == pytest.approx(truth["spilt_l"], abs=0.5)
