"""The demo sites' true causes come out supported, and what has nothing to do with it does not."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from geo.evidence.ledger import Ledger, StretchLedger, ledger_of
from geo.findings.check import read_checked
from geo.findings.examine import examine

DEMO = Path(__file__).parents[2] / "demo_sites"
SITES = ("semi_on_a_slope", "three_cottages", "old_school")
BEST_FIRST = (
    "proven", "well supported", "supported", "possible", "possible, not examined", "open", "unlikely",
    "contradicted", "excluded",
)  # fmt: skip


@cache
def ledger(site: str) -> Ledger:
    """Return a site's ledger, worked out once."""
    return ledger_of(examine(read_checked(DEMO / site)))


def truth(site: str) -> dict[str, Any]:
    """Return what is true of a site."""
    return tomllib.loads((DEMO / site / "truth.toml").read_text(encoding="utf-8"))


def stretches_of(site: str, wet: dict[str, Any]) -> list[StretchLedger]:
    """Return the stretches that lie on a truly wet length."""
    key = f"{wet['building_id']}/{wet['ring']}" if wet["ring"] else wet["building_id"]
    return [
        one
        for one in ledger(site).stretches
        if (one.ring_key, one.side) == (key, wet["side"])
        and one.from_m < wet["chainage_to_m"]
        and one.to_m > wet["chainage_from_m"]
    ]


def words(site: str, row: dict[str, Any]) -> list[str]:
    """Return how a cause came out at each stretch of its wet length, the best first."""
    wet = next(one for one in truth(site)["wet"] if one["id"] == row["wet"])
    found = [
        each.word
        for one in stretches_of(site, wet)
        for each in one.supports
        if each.candidate.cause == row["cause"] and row["of_id"] in ("", each.candidate.of_id)
    ]
    return sorted(found, key=BEST_FIRST.index)


@pytest.mark.parametrize(
    ("site", "row"), [(site, row) for site in SITES for row in truth(site)["cause"]], ids=str
)
def test_a_true_cause_is_supported_or_better(site: str, row: dict[str, Any]) -> None:
    """Each stated cause of each wet length stands at supported or above where the length was found wet."""
    assert words(site, row)[0] in BEST_FIRST[:3]


@pytest.mark.parametrize(
    ("site", "row"), [(site, row) for site in SITES for row in truth(site)["not_cause"]], ids=str
)
def test_what_has_nothing_to_do_with_it_is_no_more_than_possible(site: str, row: dict[str, Any]) -> None:
    """Sound gullies and downpipes beside a wet wall are not blamed."""
    found = words(site, row)
    assert found
    assert found[0] in BEST_FIRST[3:]


@pytest.mark.parametrize("site", SITES)
def test_every_code_names_what_it_rests_on(site: str) -> None:
    """Whatever speaks for or against a cause says why and names records of the site."""
    known = set(read_checked(DEMO / site).ids)
    for one in ledger(site).stretches:
        for each in one.supports:
            for piece in (*each.speaks_for, *each.speaks_against):
                assert piece.because
                assert set(piece.rests_on) <= known
