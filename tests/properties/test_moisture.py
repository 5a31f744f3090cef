"""What must hold of moisture whatever the readings are."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString

from geo import reference
from geo.moisture.bases import contents_from_masses, dry_from_wet, wet_from_dry
from geo.moisture.censor import summary
from geo.moisture.coverage import wall_coverage
from geo.moisture.places import wall_places
from geo.moisture.stretches import cut_stretches
from geo.moisture.wetness import score_wetness
from geo.reference import Reference
from geo.verdict import NOT_KNOWN

REF = reference.default()
SIDES = np.array([7.0, 11.0, 5.0, 3.0, 2.0, 8.0])  # an L-shaped house: 36 m round
RING = float(SIDES.sum())
COLUMNS = [
    "ring_key",
    "side",
    "group",
    "chainage_from_m",
    "chainage_to_m",
    "length_m",
    "n",
    "n_wet",
    "highest",
]


def faces(turn: int = 0) -> gpd.GeoDataFrame:
    """Return the faces of a ring, chainage beginning ``turn`` corners on."""
    sides = np.roll(SIDES, -turn)
    ends = np.cumsum(sides)
    names = [f"F{i + 1}" for i in range(len(sides))]
    return gpd.GeoDataFrame(
        {
            "ring_key": "B1",
            "building_id": "B1",
            "ring": "",
            "face": names,
            "chainage_from_m": ends - sides,
            "chainage_to_m": ends,
            "exposure": "free",
            "outside": True,
        },
        geometry=[LineString([(a, 0), (b, 0)]) for a, b in zip(ends - sides, ends, strict=True)],
        index=pd.Index([f"B1:{name}" for name in names]),
        crs="EPSG:27700",
    )


def line(ring_key: str, start: float, end: float) -> LineString:
    """Return a line as long as the wall it stands for."""
    return LineString([(start, 0), (end if end > start else end + RING, 0)])


@st.composite
def surveys(draw: st.DrawFn) -> pd.DataFrame:
    """Draw joined readings of two methods round the ring, some off the scale, some controls."""
    n = draw(st.integers(1, 40))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    controls = draw(st.integers(0, 8))
    size = n + controls
    # Centimetres, and never so near a corner that rounding could move a reading to the other face.
    chainage = np.round(rng.uniform(0.0, RING, size), 2)
    corners = np.concatenate([[0], np.cumsum(SIDES)])
    chainage = np.where(np.abs(chainage[:, None] - corners).min(axis=1) < 0.02, 1.0, chainage)
    face = np.searchsorted(np.cumsum(SIDES), chainage, side="right")
    dense = draw(st.booleans())
    value = rng.choice([20.0, 33.0, 90.0], size) if dense else np.round(rng.uniform(0, 100, size), 0)
    table = pd.DataFrame(
        {
            "method": rng.choice(["microwave", "resistance_deep"], size),
            "material": "brick",
            "basis": "",
            "instrument": "A",
            "value": value,
            "censored": rng.choice(["none", "above", "below"], size, p=[0.8, 0.15, 0.05]),
            "control": [False] * n + [True] * controls,
            "status": "joined",
            "ring_key": "B1",
            "face": [f"F{i + 1}" for i in face],
            "side": rng.choice(["outside", "inside"], size),
            "chainage_m": chainage,
            "height_m": rng.choice([0.1, 0.3, 0.6, 0.9], size),
        },
        index=[f"r{i}" for i in range(size)],
    )
    table.loc[table["control"], "value"] = np.round(rng.normal(20, 2, controls), 0)
    table.loc[table["control"], "censored"] = "none"
    return table


def with_spread(factor: float) -> Reference:
    """Return the reference data with every method's spread multiplied."""
    return replace(REF, methods={k: replace(m, spread=m.spread * factor) for k, m in REF.methods.items()})


def cut(table: pd.DataFrame, turn: int = 0) -> gpd.GeoDataFrame:
    """Return the wet stretches of a survey."""
    return cut_stretches(table, score_wetness(table, ref=REF), faces(turn), {"B1": RING}, line, ref=REF)


mass = st.floats(1.0, 500.0)


@given(
    st.lists(st.tuples(mass, mass, mass, mass), min_size=1, max_size=5),
    st.sampled_from([1e-3, 1e3, 28.349523]),
)
def test_the_unit_of_mass_changes_no_percentage(rows: list[tuple[float, ...]], factor: float) -> None:
    """Masses in kilograms, grams or ounces give the same contents, sigmas and refusals."""
    names = ["dish_g", "dry_g", "wet_g", "humid_g"]
    table = pd.DataFrame([np.cumsum(row) for row in rows], columns=names).assign(mass_sigma_g=0.01)
    one = contents_from_masses(table, ref=REF)
    two = contents_from_masses(table * factor, ref=REF)
    numbers = one.columns.drop(["refused", "caution"])
    assert np.allclose(one[numbers], two[numbers], rtol=1e-9, equal_nan=True)
    assert one["refused"].tolist() == two["refused"].tolist()


@given(st.floats(0, 95), st.floats(0, 5))
def test_a_basis_turned_there_and_back_is_itself(percent: float, sigma: float) -> None:
    """Wet to dry to wet gives the value and its sigma again; the dry share is never the smaller."""
    dry = dry_from_wet(percent, sigma)
    assert wet_from_dry(*dry)[0] == pytest.approx(percent, abs=1e-9)
    assert wet_from_dry(*dry)[1] == pytest.approx(sigma, abs=1e-9)
    assert dry[0] >= percent - 1e-9


@given(st.lists(st.floats(0, 100).map(lambda x: round(x, 1)), min_size=1, max_size=15), st.floats(0, 100))
def test_the_bounds_hold_the_truth(truth: list[float], top: float) -> None:
    """Whatever the readings off the scale really are, the median and the mean lie within their bounds."""
    values = np.minimum(truth, top)
    said = ["above" if value > top else "none" for value in truth]
    found = summary(values, said)
    assert found.median_low - 1e-9 <= np.median(truth) <= found.median_high + 1e-9
    assert found.mean_low - 1e-9 <= np.mean(truth) <= found.mean_high + 1e-9
    assert np.isnan(found.mean) == ("above" in said)


@settings(max_examples=20, deadline=None)
@given(surveys(), st.floats(1.0, 1.5), st.floats(1.0, 50.0))
def test_more_spread_makes_nothing_wet(survey: pd.DataFrame, little: float, much: float) -> None:
    """More spread moves wet only toward not known, and never makes a reading wet.

    Up to half as much again (the ratio of the two thresholds, 3 over 2) no wet reading is called dry;
    when the spread swallows the scale, nothing is called wet or dry at all.
    """
    before = score_wetness(survey, ref=REF).wetness["wet"]
    after = score_wetness(survey, ref=with_spread(little)).wetness["wet"]
    assert set(after[before == "wet"]) <= {"wet", NOT_KNOWN}
    larger = score_wetness(survey, ref=with_spread(much)).wetness["wet"]
    assert (before[larger == "wet"] == "wet").all()
    none = score_wetness(survey, ref=with_spread(1000)).wetness["wet"]
    assert set(none) <= {"control", NOT_KNOWN}


@settings(max_examples=20, deadline=None)
@given(surveys(), st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(survey: pd.DataFrame, random: object) -> None:
    """Shuffled, every reading has its word and rank, and stretches and unread wall are the same."""
    order = list(survey.index)
    random.shuffle(order)  # type: ignore[attr-defined]
    mixed = survey.loc[order]
    one, two = score_wetness(survey, ref=REF), score_wetness(mixed, ref=REF)
    pd.testing.assert_frame_equal(one.wetness, two.wetness.loc[survey.index])
    pd.testing.assert_frame_equal(one.groups, two.groups)
    pd.testing.assert_frame_equal(pd.DataFrame(cut(survey)), pd.DataFrame(cut(mixed)))
    read = [wall_coverage(table, faces(), ref=REF) for table in (survey, mixed)]
    pd.testing.assert_frame_equal(read[0].coverage, read[1].coverage)
    pd.testing.assert_frame_equal(read[0].unread, read[1].unread)


@settings(max_examples=20, deadline=None)
@given(surveys(), st.integers(0, 10**6))
def test_another_height_at_a_place_is_not_another_place(survey: pd.DataFrame, pick: int) -> None:
    """A reading repeated at another height adds no place and moves no stretch."""
    chosen = survey[~survey["control"]]
    again = chosen.iloc[[pick % len(chosen)]].assign(height_m=1.5).set_axis(["again"])
    more = pd.concat([survey, again])
    counts = [len(wall_places(t, score_wetness(t, ref=REF).wetness, ref=REF).table) for t in (survey, more)]
    assert counts[0] == counts[1]
    one, two = cut(survey), cut(more)
    pd.testing.assert_frame_equal(one[COLUMNS[:6]], two[COLUMNS[:6]])


@settings(max_examples=20, deadline=None)
@given(surveys(), st.integers(1, 5))
def test_the_origin_corner_only_shifts_chainage(survey: pd.DataFrame, turn: int) -> None:
    """Named from another corner, the same stretches and unread lengths lie at shifted chainages."""
    shift = float(SIDES[:turn].sum())
    number = survey["face"].str[1:].astype(int) - 1
    moved = survey.assign(
        chainage_m=(survey["chainage_m"] - shift) % RING,
        face=[f"F{(i - turn) % len(SIDES) + 1}" for i in number],
    )
    one, two = cut(survey), cut(moved, turn)
    assert len(one) == len(two)

    def places(found: gpd.GeoDataFrame, back: float) -> list[tuple[object, ...]]:
        start = np.round((found["chainage_from_m"] + back) % RING, 6) % RING
        keys = [
            found["side"],
            found["group"],
            start,
            found["length_m"].round(6),
            found["n"],
            found["highest"],
        ]
        return sorted(zip(*keys, strict=True))

    here, there = places(one, 0.0), places(two, shift)
    closed = one["length_m"].eq(RING).any()
    assert closed or here == there
    sums = [wall_coverage(s, faces(t), ref=REF).coverage["read_m"] for s, t in ((survey, 0), (moved, turn))]
    assert np.allclose(sums[0], sums[1])


@settings(max_examples=20, deadline=None)
@given(surveys())
def test_a_stretch_lies_on_read_wall(survey: pd.DataFrame) -> None:
    """No stretch overlaps another of its group, and none covers unread wall of its own group and side.

    Less than a sliver (0.15 m) may lie between two reaches inside it.
    """
    found = cut(survey)
    for (side, group), some in found.groupby(["side", "group"]):
        assert some["length_m"].sum() <= RING + 1e-6
        scored = score_wetness(survey, ref=REF).wetness
        own = survey[(scored["group"] == group) & (survey["side"] == side)]
        unread = wall_coverage(own, faces(), ref=REF).unread
        unread = unread[unread["side"] == side]
        for stretch in some.itertuples():
            end = stretch.chainage_to_m + (RING if stretch.chainage_to_m < stretch.chainage_from_m else 0)
            for lap in (0.0, RING):
                low = np.maximum(unread["chainage_from_m"] + lap, stretch.chainage_from_m)
                high = np.minimum(unread["chainage_to_m"] + lap, end)
                assert np.maximum(high - low, 0).sum() <= 0.15 + 1e-6


@settings(max_examples=20, deadline=None)
@given(
    surveys(),
    st.lists(
        st.tuples(st.floats(0, RING), st.floats(0, RING), st.sampled_from(["not_looked", "no_access"])),
        max_size=3,
    ),
)
def test_read_and_unread_make_the_wall(survey: pd.DataFrame, lengths: list[tuple[float, float, str]]) -> None:
    """Read and unread add up to what can be read, unread rows to the unread sum, and more is never less."""
    declared = pd.DataFrame(
        [("B1", "outside", *row) for row in lengths],
        columns=["ring_key", "side", "chainage_from_m", "chainage_to_m", "state"],
    )
    found = wall_coverage(survey, faces(), unread_lengths=declared, ref=REF)
    sums = found.coverage.set_index("side")
    assert np.allclose(sums["read_m"] + sums["unread_m"], RING)
    assert (sums["read_m"] >= -1e-9).all()
    rows = found.unread.groupby("side")["length_m"].sum().reindex(sums.index, fill_value=0)
    assert np.allclose(rows, sums["unread_m"])
    assert np.allclose(
        found.unread["chainage_to_m"] - found.unread["chainage_from_m"], found.unread["length_m"]
    )
    fewer = wall_coverage(survey.iloc[1:], faces(), unread_lengths=declared, ref=REF).coverage
    assert (fewer["read_m"].to_numpy() <= sums["read_m"].to_numpy() + 1e-9).all()


@settings(max_examples=20, deadline=None)
@given(surveys())
def test_ranks_are_counted_right(survey: pd.DataFrame) -> None:
    """Each rank is the share of the group's other readings that are not surely higher, counted one by one."""
    found = score_wetness(survey, ref=REF).wetness
    for _, some in survey.groupby(found["group"]):
        for name, mine in some.iterrows():
            others = some.drop(index=name)
            strict = (others["censored"] == "above") | (mine["censored"] == "below")
            above = (others["value"] > mine["value"]) | ((others["value"] == mine["value"]) & strict)
            surely = above & (others["censored"] != "below") & (mine["censored"] != "above")
            if len(others):
                assert found.loc[name, "rank"] == pytest.approx(1 - surely.mean())
            else:
                assert np.isnan(found.loc[name, "rank"])
