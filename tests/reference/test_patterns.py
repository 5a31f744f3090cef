"""Rates across an estate: the worked case, and other ways to the same number."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import betabinom, binomtest, fisher_exact

from geo import reference
from geo.errors import InputError
from geo.portfolio.patterns import (
    draw_sample,
    once_each,
    patterns_of,
    sample_for,
    shared_out_tail,
    shrunk,
    shrunk_range,
    upper_tail,
)

REF = reference.default()


def estate() -> tuple[pd.DataFrame, pd.DataFrame]:
    """240 inspected soakaways with 31 failed, 18 with 7 of them in one estate; 300 homes."""
    rows = []
    for n in range(240):
        failed = n < 7 or 18 <= n < 18 + 24
        rows.append(
            (f"S{n}", f"H{n:03d}", "soakaway", "failed" if failed else "sound", "2026-05-01", "complaint")
        )
    rows.append(("S900", "H240", "soakaway", "not_looked", "", "complaint"))
    assets = pd.DataFrame(
        rows, columns=["asset_id", "home_id", "asset_kind", "state", "inspected_on", "chosen_by"]
    )
    homes = pd.DataFrame(
        {
            "home_id": [f"H{n:03d}" for n in range(300)],
            "estate": ["Ash" if n < 18 or n >= 280 else "Other" for n in range(300)],
            "reports": [1 if n < 241 else 0 for n in range(300)],
        }
    )
    return assets, homes


def test_the_worked_estate() -> None:
    """Worked by hand: 31 / 240 = 12.9 %; 7 / 18 = 38.9 %; (0.129 · 10 + 7) / 28 = 29.6 %; chance 0.005."""
    assert pytest.approx(0.129, abs=0.0005) == 31 / 240
    assert float(shrunk(7, 18, rate=31 / 240, strength=10)) == pytest.approx(0.296, abs=0.0005)
    chance = float(upper_tail(7, 18, 31 / 240))
    assert round(chance, 3) == 0.005
    assert chance == pytest.approx(binomtest(7, 18, 31 / 240, alternative="greater").pvalue, rel=1e-12)
    by_hand = sum(math.comb(18, k) * (31 / 240) ** k * (209 / 240) ** (18 - k) for k in range(7, 19))
    assert chance == pytest.approx(by_hand, rel=1e-9)


def test_the_worked_estate_from_its_rows() -> None:
    """The same numbers from 240 rows, with their denominators, and 12 of the 20 quiet homes to look at."""
    assets, homes = estate()
    found = patterns_of(assets, homes, asset_kind="soakaway", by=["estate"], ref=REF)
    assert (found.failed, found.inspected) == (31, 240)
    first = found.groups.iloc[0]
    assert first["estate"] == "Ash"
    assert (first["failed"], first["inspected"], first["from_reports"]) == (7, 18, 18)
    assert first["shrunk"] == pytest.approx(0.296, abs=0.0005)
    assert round(first["chance"], 3) == 0.005
    assert (first["sample_homes"], first["sample_of"]) == (12, 20)
    assert "7 failed of 18 inspected (38.9 %)" in first["said"]
    assert "31 of 240 (12.9 %)" in first["said"]
    assert "Among inspected" in found.remarks[0]
    other = found.groups.iloc[1]
    assert (other["failed"], other["inspected"]) == (24, 222)
    assert "Look at" not in other["said"], "a group no worse than the rest asks for no sample"


def test_the_mean_is_that_of_the_distribution() -> None:
    """The next inspection fails with the shrunk rate: the mean of scipy's beta-binomial with one draw."""
    prior = 31 / 240
    expected = betabinom.mean(1, prior * 10 + 7, (1 - prior) * 10 + 11)
    assert float(shrunk(7, 18, rate=prior, strength=10)) == pytest.approx(expected, rel=1e-12)
    low, high = shrunk_range(7, 18, rate=prior, strength=10)
    draws = np.random.default_rng(1).beta(prior * 10 + 7, (1 - prior) * 10 + 11, 400_000)
    assert float(low) == pytest.approx(np.quantile(draws, 0.025), abs=0.002)
    assert float(high) == pytest.approx(np.quantile(draws, 0.975), abs=0.002)


def test_a_portfolio_without_a_failure_or_with_nothing_else() -> None:
    """The range ends at 0 or 1 and nothing divides by nothing."""
    assert [float(one) for one in shrunk_range(0, 5, rate=0.0, strength=10)] == [0.0, 0.0]
    assert [float(one) for one in shrunk_range(5, 5, rate=1.0, strength=10)] == [1.0, 1.0]
    assets, homes = estate()
    sound = assets.assign(state="sound")
    found = patterns_of(sound, homes, asset_kind="soakaway", by=["estate"], ref=REF)
    assert found.rate == 0.0
    assert list(found.groups["chance"]) == [1.0, 1.0]
    unseen = patterns_of(
        assets.assign(state="no_access"), homes, asset_kind="soakaway", by=["estate"], ref=REF
    )
    assert math.isnan(unseen.rate)
    assert unseen.groups.empty


def test_the_chance_that_knows_the_group_is_a_part() -> None:
    """Fisher's exact test of the fourfold table, as scipy has it."""
    chance = float(shared_out_tail(7, 18, all_failed=31, all_inspected=240))
    assert chance == pytest.approx(fisher_exact([[7, 11], [24, 198]], alternative="greater").pvalue, rel=1e-9)


def test_a_shared_asset_is_counted_once() -> None:
    """One soakaway for four homes, found failed from two of them, is one failure of one inspected."""
    rows = [("S1", f"H{n}", "soakaway", state, on, "complaint") for n, state, on in
            ((1, "failed", "2026-03-01"), (2, "failed", "2026-03-01"), (3, "not_looked", ""), (4, "no_access", "2026-04-01"))]  # fmt: skip
    assets = pd.DataFrame(
        rows, columns=["asset_id", "home_id", "asset_kind", "state", "inspected_on", "chosen_by"]
    )
    each = once_each(assets)
    assert len(each) == 1
    assert each.iloc[0][["state", "homes", "home_ids", "home_id"]].tolist() == [
        "failed",
        4,
        "H1 H2 H3 H4",
        "H1",
    ]
    homes = pd.DataFrame({"home_id": ["H1", "H2", "H3", "H4"], "estate": "Ash", "reports": 1})
    found = patterns_of(assets, homes, asset_kind="soakaway", by=["estate"], ref=REF)
    assert (found.failed, found.inspected) == (1, 1)
    assert found.shared["homes"].tolist() == [4]


def test_the_last_look_counts() -> None:
    """Failed in March and sound in May is sound; of two of one day the failure stands; a later no access is no look."""
    rows = [("S1", "H1", "soakaway", "failed", "2026-03-01", ""), ("S1", "H1", "soakaway", "sound", "2026-05-01", ""),
            ("S2", "H2", "soakaway", "sound", "2026-05-01", ""), ("S2", "H3", "soakaway", "failed", "2026-05-01", ""),
            ("S3", "H4", "soakaway", "failed", "2026-05-01", ""), ("S3", "H4", "soakaway", "no_access", "2026-06-01", "")]  # fmt: skip
    assets = pd.DataFrame(
        rows, columns=["asset_id", "home_id", "asset_kind", "state", "inspected_on", "chosen_by"]
    )
    assert once_each(assets)["state"].tolist() == ["sound", "failed", "failed"]


def test_a_sample_and_what_a_clean_one_means() -> None:
    """0.704^12 = 0.0148 and 0.871^12 = 0.190: a clean dozen speaks against the estate's rate, not against 12.9 %."""
    found = sample_for(40, wanted=12, rate=0.296, portfolio_rate=0.129)
    assert (found.homes, found.of) == (12, 40)
    assert found.none_if_shrunk == pytest.approx(0.0148, abs=0.0001)
    assert found.none_if_portfolio == pytest.approx(0.1907, abs=0.0005)
    assert sample_for(5, wanted=12, rate=0.3, portfolio_rate=0.1).homes == 5
    ids = [f"H{n}" for n in range(50)]
    drawn = draw_sample(ids, 12, seed=7)
    assert drawn == draw_sample(ids[::-1], 12, seed=7)
    assert len(set(drawn)) == 12
    assert drawn != draw_sample(ids, 12, seed=8)


def test_groups_of_several_columns_and_a_wrong_one() -> None:
    """Build year, drawing type, installer and soil make a group together; a column not there is said."""
    assets, homes = estate()
    homes = homes.assign(installer=["" if n % 2 else "A" for n in range(300)], soil="clay")
    found = patterns_of(assets, homes, asset_kind="soakaway", by=["installer", "soil"], ref=REF)
    assert set(found.groups["installer"]) == {"A", "not recorded"}
    assert found.groups["inspected"].sum() == 240
    with pytest.raises(InputError, match="no such column"):
        patterns_of(assets, homes, asset_kind="soakaway", by=["colour"], ref=REF)
