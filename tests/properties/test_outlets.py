"""What must not move the answer about outlets, and what must always hold of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import fisher_exact

from geo import reference
from geo.outlets.report import OutletReport, examine_outlets
from geo.stats import hypergeometric_upper, rotation_upper

DRAWS = reference.default().limit("confidence.permutations")
REF = replace(
    reference.default(), limits={**reference.default().limits, DRAWS.key: replace(DRAWS, value=199.0)}
)
LENGTH = 36.0
STANDS = np.array([2.37, 11.71, 20.13, 29.59])
ANSWERS = ("n", "n_wet", "n_dry", "n_unknown", "radii", "p", "p_permutation", "p_rotation", "away_wanted")

quick = settings(max_examples=40, deadline=None)


@st.composite
def surveys(draw: st.DrawFn) -> pd.DataFrame:
    """Draw readings of one group, most of them about outlets, on chainages 0.1 m apart or on one another."""
    steps = draw(st.lists(st.integers(0, 359), min_size=8, max_size=50))
    classes = st.sampled_from(["wet", "dry", "dry", "not known"])
    count = len(steps)
    return pd.DataFrame(
        {
            "ring_key": "B1",
            "chainage_m": np.array(steps) * 0.1,
            "wet": draw(st.lists(classes, min_size=count, max_size=count)),
            "group": "pins|brick|relative|P1",
            "rank": np.array(draw(st.lists(st.integers(0, 20), min_size=count, max_size=count))) / 20.0,
        },
        index=pd.Index([f"r{i:02d}" for i in range(count)], name="reading_id"),
    )


def ask(readings: pd.DataFrame, stands: Any = STANDS, *, party: float | None = None) -> OutletReport:
    """Examine readings on one ring of 36 m, cut at a party corner where one is given."""

    def distance(_a: Any, here: Any, _b: Any, there: Any) -> Any:
        if party is not None:
            turned = np.mod(np.asarray(here) - party, LENGTH), np.mod(np.asarray(there) - party, LENGTH)
            return np.abs(turned[0][:, None] - turned[1][None, :])
        direct = np.abs(np.asarray(here)[:, None] - np.asarray(there)[None, :])
        return np.minimum(direct, LENGTH - direct)

    return examine_outlets(
        readings,
        pd.DataFrame(
            {
                "outlet_id": [f"G{i}" for i in range(len(stands))],
                "kind": "gully",
                "ring_key": "B1",
                "chainage_m": np.asarray(stands),
            }
        ),
        distance=distance,
        ring_lengths={"B1": LENGTH},
        arcs=[("B1", 0.0, LENGTH, True) if party is None else ("B1", party, party + LENGTH - 0.01, False)],
        ref=REF,
        seed=3,
    )


def same_answer(one: OutletReport, other: OutletReport) -> None:
    """Hold two reports of one group to the same counts, chances and words."""
    first, second = one.clusters[0], other.clusters[0]
    for name in ANSWERS:
        assert repr(getattr(first, name)) == repr(getattr(second, name)), name
    assert first.sentence == second.sentence
    words = ["outlet_id", "near", "wet_near", "away", "wet_away", "verdict"]
    pd.testing.assert_frame_equal(one.outlets[words], other.outlets[words])


@quick
@given(surveys(), st.integers(0, 359))
def test_another_origin_corner_changes_nothing(readings: pd.DataFrame, steps: int) -> None:
    """Measured from another corner, the same wall gives the same answer at shifted chainages."""
    shift = 0.1 * steps
    moved = readings.assign(chainage_m=np.mod(readings["chainage_m"] + shift, LENGTH))
    same_answer(ask(readings), ask(moved, np.mod(STANDS + shift, LENGTH)))


@quick
@given(surveys(), st.integers(0, 359))
def test_another_origin_corner_beside_a_party_wall(readings: pd.DataFrame, steps: int) -> None:
    """The same holds of an open run of wall, wherever it passes the origin corner."""
    shift = 0.1 * steps
    moved = readings.assign(chainage_m=np.mod(readings["chainage_m"] + shift, LENGTH))
    party = 7.04
    same_answer(
        ask(readings, party=party),
        ask(moved, np.mod(STANDS + shift, LENGTH), party=float(np.mod(party + shift, LENGTH))),
    )


@quick
@given(surveys())
def test_walked_the_other_way_nothing_changes(readings: pd.DataFrame) -> None:
    """A mirrored house gives the mirrored answer."""
    mirrored = readings.assign(chainage_m=np.mod(LENGTH - readings["chainage_m"], LENGTH))
    same_answer(ask(readings), ask(mirrored, np.mod(LENGTH - STANDS, LENGTH)))


@quick
@given(surveys(), st.randoms(use_true_random=False))
def test_the_order_of_the_table_changes_nothing(readings: pd.DataFrame, shuffled: Any) -> None:
    """Readings may come in any order."""
    order = list(range(len(readings)))
    shuffled.shuffle(order)
    same_answer(ask(readings), ask(readings.iloc[order]))


@quick
@given(surveys(), st.data())
def test_a_reading_repeated_at_another_height_changes_nothing(
    readings: pd.DataFrame, data: st.DataObject
) -> None:
    """Two heights on one chainage are one place: the chances are as they were."""
    chosen = data.draw(st.lists(st.sampled_from(list(readings.index)), unique=True))
    again = readings.loc[chosen].assign(height_m=1.2).rename(index=lambda name: f"{name}-high")
    same_answer(ask(readings), ask(pd.concat([readings.assign(height_m=0.3), again])))


@quick
@given(surveys())
def test_every_reading_is_somewhere_once(readings: pd.DataFrame) -> None:
    """Each reading is in one place or left out with a reason, and near and away make up the places told."""
    readings = readings.assign(wet=readings["wet"].where(readings["rank"] < 0.95, "control"))
    report = ask(readings)
    held = [name for ids in report.places["reading_ids"] for name in ids]
    assert sorted([*held, *report.left_out.index]) == sorted(readings.index)
    assert (report.left_out != "").all()
    for found in report.clusters:
        assert found.n == found.n_wet + found.n_dry + found.n_unknown
        for at in found.radii:
            assert at.near + at.away == found.n_wet + found.n_dry
            assert at.wet_near + at.wet_away == found.n_wet


@quick
@given(surveys())
def test_chances_are_chances(readings: pd.DataFrame) -> None:
    """The larger chance is reported, none is below what the turning can give, and q is no less than p."""
    report = ask(readings)
    found = report.clusters[0]
    if not np.isnan(found.p):
        assert found.p == max(found.p_permutation, found.p_rotation)
        assert found.smallest_p <= found.p_rotation <= 1.0
        assert found.rotations == found.n
    for at in found.radii:
        assert np.isnan(at.p) or at.p == max(at.p_exact, at.p_rotation)
    told = report.outlet_counts.dropna(subset=["p_exact"])
    assert (told["q"] >= told["p_exact"] - 1e-12).all()
    assert report.outlets["sentence"].str.len().gt(0).all()
    if found.verdict.word == "clustered":
        assert found.p <= 0.05
    elif found.verdict.word == "not known":
        assert found.verdict.because
        assert found.verdict.settle


@quick
@given(surveys(), surveys())
def test_another_group_changes_nothing(readings: pd.DataFrame, others: pd.DataFrame) -> None:
    """A group's answer is the same whether or not others were taken."""
    others = others.rename(index=lambda name: f"{name}-pad").assign(group="pad|brick|relative|P2")
    both = ask(pd.concat([readings, others]))
    alone = ask(readings)
    mine = next(found for found in both.clusters if found.group == alone.clusters[0].group)
    assert repr(mine) == repr(alone.clusters[0])


@quick
@given(st.integers(0, 20), st.integers(0, 20), st.integers(0, 20), st.integers(0, 20))
def test_exact_chance_of_any_table(a: int, b: int, c: int, d: int) -> None:
    """Any fourfold table that is not empty has the one-sided chance of scipy's exact test."""
    assume(a + b + c + d > 0)
    found = hypergeometric_upper(a, total=a + b + c + d, drawn=a + b, marked=a + c)
    expected = fisher_exact([[a, b], [c, d]], alternative="greater").pvalue
    assert float(found) == pytest.approx(expected, rel=1e-9)


@quick
@given(st.lists(st.integers(0, 5), min_size=1, max_size=30), st.integers(0, 29), st.data())
def test_turning_by_hand(labels: list[int], by: int, data: st.DataObject) -> None:
    """The chance is the counted share of turns, and is the same for labels and weights turned together."""
    weights = data.draw(st.lists(st.integers(-5, 5), min_size=len(labels), max_size=len(labels)))
    sums = [
        sum(a * b for a, b in zip(labels[s:] + labels[:s], weights, strict=True)) for s in range(len(labels))
    ]
    expected = sum(value >= sums[0] for value in sums) / len(sums)
    one, other = np.array(labels, dtype=float), np.array(weights, dtype=float)
    random = np.random.default_rng(0)
    assert rotation_upper([(one, other)], draws=99, random=random).p == expected
    turned = [(np.roll(one, by), np.roll(other, by))]
    assert rotation_upper(turned, draws=99, random=random).p == expected
