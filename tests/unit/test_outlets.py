"""Do wet readings gather at outlets, or were they merely taken there."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom
from shapely.geometry import box

from geo import reference
from geo.outlets.cluster import near_to_show
from geo.outlets.places import CONTROL, NOT_OUTSIDE, POORLY_PLACED, UNJOINED
from geo.outlets.report import OutletReport, examine_outlets
from geo.outlets.words import odds
from geo.perimeter.build import build_perimeter
from geo.perimeter.path import free_arcs, outside_distance
from geo.stats import rotation_upper
from geo.verdict import NOT_KNOWN

REF = reference.default()
LENGTH = 40.0
STANDS = (4.0, 13.0, 25.0, 33.0)

# Fourteen places within a metre of the four outlets, six further off.
NEAR = (3.2, 3.7, 4.4, 4.8, 12.3, 12.8, 13.5, 13.9, 24.4, 25.2, 25.7, 32.3, 33.2, 33.6)
AWAY = (1.0, 7.0, 9.0, 17.0, 21.0, 37.0)
# Nine within a metre, fifteen further off.
FEW_NEAR = (3.2, 4.4, 12.3, 13.5, 24.4, 25.2, 25.7, 32.3, 33.2)
MANY_AWAY = (0.5, 2.0, 6.0, 7.5, 9.0, 10.5, 15.5, 17.0, 18.5, 20.0, 22.0, 28.0, 30.0, 36.0, 38.0)


def walk(here: Any, there: Any, *, length: float = LENGTH) -> Any:
    """Return the walk round a closed ring."""
    direct = np.abs(np.asarray(here)[:, None] - np.asarray(there)[None, :])
    return np.minimum(direct, length - direct)


def readings_at(chainages: Sequence[float], wet: Sequence[int], **columns: Any) -> pd.DataFrame:
    """Return readings of one group on ring B1."""
    frame = pd.DataFrame(
        {
            "ring_key": "B1",
            "chainage_m": list(chainages),
            "wet": np.where(np.asarray(wet, dtype=bool), "wet", "dry"),
            "group": "pins|brick|relative|P1",
            "height_m": 0.3,
        },
        index=pd.Index([f"r{i}" for i in range(len(chainages))], name="reading_id"),
    )
    return frame.assign(**columns)


def outlets_at(chainages: Sequence[float]) -> pd.DataFrame:
    """Return gullies on ring B1."""
    return pd.DataFrame(
        {
            "outlet_id": [f"G{i}" for i in range(1, len(chainages) + 1)],
            "kind": "gully",
            "building_id": "B1",
            "ring_key": "B1",
            "chainage_m": list(chainages),
            "chainage_sigma_m": 0.02,
        }
    )


def ask(readings: pd.DataFrame, stands: Sequence[float] = STANDS, **changes: Any) -> OutletReport:
    """Examine readings on one closed ring of 40 m."""
    given: dict[str, Any] = {
        "distance": lambda _a, here, _b, there: walk(here, there),
        "ring_lengths": {"B1": LENGTH},
        "arcs": [("B1", 0.0, LENGTH, True)],
        "ref": REF,
        "seed": 1,
    }
    return examine_outlets(readings, outlets_at(stands), **(given | changes))


def sampled_at_outlets() -> pd.DataFrame:
    """Return 20 readings, 14 of them at outlets, half wet in both places."""
    return readings_at(NEAR + AWAY, [1, 0] * 7 + [1, 0] * 3)


def gathered() -> pd.DataFrame:
    """Return 24 readings of which 8 are wet, 7 of those among the 9 at outlets."""
    return readings_at(FEW_NEAR + MANY_AWAY, [1, 1, 1, 1, 1, 0, 1, 0, 1] + [0] * 5 + [1] + [0] * 9)


def bench() -> ModuleType:
    """Return the benchmark, whose made-up sites are used here too."""
    path = Path(__file__).resolve().parents[1] / "benchmarks" / "bench_cluster.py"
    spec = importlib.util.spec_from_file_location("bench_cluster", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_readings_taken_at_outlets_are_no_cluster() -> None:
    """Seven of 14 wet at outlets and 3 of 6 away is no cluster, though 70 % of the wet ones are at outlets.

    By hand: sum over k >= 7 of C(14,k) C(6,10-k) / C(20,10) = 0.686. Set against the fifth of the wall
    that lies within 1 m of the outlets, 7 of 10 would have looked like 0.00086.
    """
    found = ask(sampled_at_outlets()).clusters[0]
    middle = found.radii[1]
    assert (middle.near, middle.away, middle.wet_near, middle.wet_away) == (14, 6, 7, 3)
    assert middle.p_exact == pytest.approx(0.686, abs=5e-4)
    assert binom.sf(6, 10, 0.2) == pytest.approx(0.00086, abs=5e-6)
    assert found.p > 0.05
    assert found.verdict.word == "no clustering shown"


def test_more_readings_away_are_asked_for() -> None:
    """With 14 near and 6 away, 8 more away are wanted: as many away as near, the usual sampling rule.

    Were they all dry, 8 would give a chance of 0.118 and 13 the first below 0.05 (0.0419): the
    hypergeometric tail of 7 in 14 near, 10 wet, among 20 + m.
    """
    found = ask(sampled_at_outlets()).clusters[0]
    assert found.away_wanted == 8
    assert found.away_to_show == 13
    assert "at least 8 more places" in found.verdict.settle
    assert "at least 8 more places away from outlets are wanted" in found.sentence
    assert "Most of the readings were taken at outlets" in found.sentence


def test_a_true_gathering_is_found() -> None:
    """Seven of 9 wet at outlets against 1 of 15 away gives 0.00075 exactly, and 1 in 24 by turning."""
    report = ask(gathered())
    found = report.clusters[0]
    assert found.radii[1].p_exact == pytest.approx(0.00075, abs=5e-6)
    assert found.p_rotation == pytest.approx(1 / 24)
    assert found.p == max(found.p_permutation, found.p_rotation)
    assert found.verdict.word == "clustered"
    assert "about 1 time in 24" in found.sentence


def test_gathering_is_found_wherever_the_readings_stand() -> None:
    """The same counts on 100 other layouts are found on at least 85 of them.

    Wet neighbours are discounted, so a few layouts whose wet lengths also fit when turned are not.
    """
    random = np.random.default_rng(11)
    found = 0
    for _ in range(100):
        near = np.r_[STANDS, STANDS, random.choice(STANDS)] + random.uniform(-0.95, 0.95, 9)
        wall = random.uniform(0.0, LENGTH, 400)
        away = wall[walk(wall, STANDS).min(axis=1) > 1.05][:15]
        wet = np.r_[random.permutation([1] * 7 + [0] * 2), random.permutation([1] + [0] * 14)]
        cluster = ask(readings_at(np.r_[near, away].tolist(), wet.tolist(), height_m=0.3)).clusters[0]
        found += cluster.verdict.word == "clustered"
    assert found >= 85


def test_every_radius_is_shown_and_none_decides() -> None:
    """Three radii, 0.5, 1.0 and 1.5 m, each with its counts, shares and the larger of its chances."""
    found = ask(sampled_at_outlets()).clusters[0]
    assert [at.radius_m for at in found.radii] == [0.5, 1.0, 1.5]
    for at in found.radii:
        assert at.near + at.away == found.n
        assert at.share_near == at.wet_near / at.near
        assert at.p == max(at.p_exact, at.p_rotation)


def test_the_sentences_claim_no_more_than_is_so() -> None:
    """A cluster is a reason to test, never proof; no cluster clears nothing, because cavities carry water."""
    report = ask(gathered())
    assert "a reason to test the outlets, never proof" in report.clusters[0].sentence
    named = report.outlets[report.outlets["verdict"] == "clustered"]
    assert len(named)
    assert named["sentence"].str.contains("never proof").all()
    assert "cavity" in ask(sampled_at_outlets()).clusters[0].sentence


def test_a_second_height_is_no_second_place() -> None:
    """Reading every place again at 1.0 m, wet or drier, changes no count and no chance."""
    once = gathered()
    again = once.assign(height_m=1.0).rename(index=lambda name: f"{name}b")
    drier = again.assign(wet="dry")
    for more in (again, drier):
        twice = ask(pd.concat([once, more]))
        for name in ("n", "n_wet", "p", "p_permutation", "p_rotation", "radii", "sentence"):
            assert getattr(twice.clusters[0], name) == getattr(ask(once).clusters[0], name)
        assert len(twice.places) == len(once)


def test_a_place_is_as_wet_as_its_wettest_height() -> None:
    """A plumb line dry at the foot and wet at 1 m is a wet place; dry and not known is not known."""
    readings = readings_at([5.0, 5.02, 9.0, 9.01], [0, 1, 0, 0])
    readings.loc["r3", "wet"] = "not known"
    places = ask(readings).places
    assert places["wet"].tolist() == [2, 1]
    assert places["chainage_m"].tolist() == pytest.approx([5.01, 9.005])
    assert places["reading_ids"].tolist() == [("r0", "r1"), ("r2", "r3")]


def test_a_plumb_line_across_the_origin_corner_is_one_place() -> None:
    """Readings 20 mm before and 20 mm after chainage 0 are one place at chainage 0."""
    places = ask(readings_at([39.98, 0.02, 20.0], [1, 0, 0])).places
    assert sorted(np.mod(places["chainage_m"] + 1.0, LENGTH)) == pytest.approx([1.0, 21.0])


def test_a_close_sweep_is_not_one_place() -> None:
    """Readings every 40 mm over 2 m do not run together into one place."""
    assert 20 <= len(ask(readings_at(np.arange(5.0, 7.0, 0.04).tolist(), [0] * 50)).places) <= 50


def test_what_is_left_out_is_said() -> None:
    """Controls, unjoined readings, party walls and vague positions each have their reason."""
    readings = readings_at([1.0, 2.0, np.nan, 25.0, 5.0, 6.0, 7.0], [0] * 7, chainage_sigma_m=0.02)
    readings["wet"] = ["control", "dry", "dry", "dry", "dry", "not known", "dry"]
    readings.loc["r1", "ring_key"] = ""
    readings.loc["r4", "chainage_sigma_m"] = 0.6
    left_out = ask(readings, arcs=[("B1", 0.0, 20.0, False)]).left_out
    assert left_out.to_dict() == {
        "r0": CONTROL,
        "r1": UNJOINED,
        "r2": UNJOINED,
        "r3": NOT_OUTSIDE,
        "r4": POORLY_PLACED,
    }


def test_controls_may_be_flagged_in_their_own_column() -> None:
    """A reading flagged as a control is left out even where it is called dry."""
    flagged = sampled_at_outlets().assign(control=False)
    flagged.loc["r19", "control"] = True
    assert ask(flagged).left_out.to_dict() == {"r19": CONTROL}


def test_groups_are_never_pooled() -> None:
    """A second instrument's readings leave the first's answer as it was, and have their own."""
    first = gathered()
    second = sampled_at_outlets().assign(group="pad|brick|relative|P2").rename(index=lambda name: f"{name}x")
    both = ask(pd.concat([first, second]))
    assert [found.group for found in both.clusters] == ["pad|brick|relative|P2", "pins|brick|relative|P1"]
    assert both.clusters[1] == ask(first).clusters[0]
    assert both.clusters[0] == ask(second).clusters[0]


def test_a_party_wall_keeps_wet_places_from_an_outlet() -> None:
    """A place 0.4 m from an outlet as the crow flies, beyond the party wall, is away from it.

    The party wall is chainage 19.8 to 20.2: the ring is cut there, and the far way round is open.
    """
    perimeter = [("B1", 20.2, 59.8, False)]

    def distance(_a: Any, here: Any, _b: Any, there: Any) -> Any:
        turned = np.mod(np.asarray(here) - 20.2, LENGTH), np.mod(np.asarray(there) - 20.2, LENGTH)
        return np.abs(turned[0][:, None] - turned[1][None, :])

    places = ask(readings_at([19.7, 20.3], [1, 1]), stands=[20.3], distance=distance, arcs=perimeter).places
    by_chainage = places.set_index(places["chainage_m"].round(3))["distance_m"]
    assert by_chainage[19.7] == pytest.approx(39.4)
    assert by_chainage[20.3] == 0.0


def test_a_wall_out_of_reach_counts_as_away() -> None:
    """Places from which no outlet can be reached along the outside are away, and have no nearest outlet."""
    readings = pd.concat(
        [
            readings_at(NEAR, [1] * 10 + [0] * 4),
            readings_at(AWAY, [0] * 6).rename(index=lambda name: f"{name}b").assign(ring_key="B2"),
        ]
    )

    def distance(ring_a: Any, here: Any, ring_b: Any, there: Any) -> Any:
        same = np.asarray(ring_a)[:, None] == np.asarray(ring_b)[None, :]
        return np.where(same, walk(here, there), np.inf)

    report = ask(
        readings,
        distance=distance,
        ring_lengths={"B1": LENGTH, "B2": LENGTH},
        arcs=[("B1", 0.0, LENGTH, True), ("B2", 0.0, LENGTH, True)],
    )
    assert report.clusters[0].radii[1].away == 6
    assert (report.places.loc[report.places["ring_key"] == "B2", "outlet_id"] == "").all()
    assert report.clusters[0].rotations == 14 * 6


@pytest.mark.parametrize(
    ("readings", "stands", "because", "settle"),
    [
        (sampled_at_outlets(), (), "no outlet", "every gully"),
        (sampled_at_outlets().assign(wet="dry"), STANDS, "no place is wet", "after rain"),
        (sampled_at_outlets().assign(wet="wet"), STANDS, "every place read is wet", "until the wall is dry"),
        (
            readings_at(AWAY, [1, 0] * 3),
            STANDS,
            "nothing was read within 1 m",
            "at least 6 places within 1 m",
        ),
        (readings_at(NEAR + AWAY[:5], [1] * 7 + [0] * 12), STANDS, "only 5 places", "at least 9 more places"),
        (readings_at(NEAR, [1] * 7 + [0] * 7), STANDS, "no place read more than 1 m", "14 more places"),
        (readings_at(NEAR[:10] + AWAY, [1] * 8 + [0] * 8), STANDS, "16 places", "at least 4 more places"),
    ],
    ids=["no outlet", "all dry", "all wet", "none near", "few away", "none away", "few places"],
)
def test_what_cannot_be_told_is_not_known(
    readings: pd.DataFrame, stands: tuple[float, ...], because: str, settle: str
) -> None:
    """Each way of not being able to tell says why, and what would end it."""
    report = ask(readings, stands=stands)
    found = report.clusters[0]
    assert found.verdict.word == NOT_KNOWN
    assert because in found.verdict.because
    assert settle in found.verdict.settle
    assert found.verdict.because in found.sentence
    assert found.verdict.settle in found.sentence
    assert set(report.outlets["verdict"]) <= {NOT_KNOWN}


def test_six_dry_places_away_are_the_fewest_that_show() -> None:
    """Seven wet of 14 near and 0 of 6 away is C(14,7)/C(20,7) = 3432/77520 = 0.044; with 5 away 0.068."""
    six = ask(readings_at(NEAR + AWAY, [1] * 7 + [0] * 13)).clusters[0]
    assert six.radii[1].p_exact == pytest.approx(3432 / 77520)
    five = ask(readings_at(NEAR + AWAY[:5], [1] * 7 + [0] * 12)).clusters[0]
    assert five.radii[1].p_exact == pytest.approx(3432 / 50388)
    assert five.verdict.word == NOT_KNOWN


def test_without_controls_the_ranks_still_answer() -> None:
    """Where nothing can be called wet, the higher readings can still be seen to gather, and it is said so."""
    wetter = gathered()
    rank = np.where(wetter["wet"] == "wet", 0.9, 0.2)
    found = ask(wetter.assign(wet="not known", rank=rank)).clusters[0]
    assert (found.n_wet, found.n_dry, found.n_unknown) == (0, 0, 24)
    assert found.compared_by == "rank"
    assert found.verdict.word == "clustered"
    assert "which of them are wet is not known" in found.sentence
    assert np.isnan(found.radii[1].p_exact)


def test_without_controls_or_ranks_nothing_is_known() -> None:
    """Readings neither classed nor ranked are places all the same, and dry references are asked for."""
    found = ask(gathered().assign(wet="not known")).clusters[0]
    assert (found.n, found.n_unknown) == (24, 24)
    assert found.verdict.word == NOT_KNOWN
    assert "dry references" in found.verdict.settle


def test_dry_readings_are_all_alike() -> None:
    """How dry the dry places are is the instrument's spread, and moves nothing."""
    wet = gathered()["wet"] == "wet"
    random = np.random.default_rng(4)
    one, other = (
        ask(gathered().assign(rank=np.where(wet, 0.9, random.uniform(0.0, 0.6, 24)))) for _ in range(2)
    )
    assert one.clusters[0] == other.clusters[0]
    assert one.clusters[0].compared_by == "rank"


def test_off_scale_readings_tie_at_the_top() -> None:
    """However far an off-scale reading is beyond its scale changes nothing; it is above all on the scale."""
    wetter = gathered()
    on_scale = np.where(wetter["wet"] == "wet", 8.0, 1.0) + np.linspace(0.0, 0.5, len(wetter))
    censored = np.where(wetter["wet"] == "wet", "above", "none")
    blank = wetter.assign(excess=np.where(wetter["wet"] == "wet", np.nan, on_scale), censored=censored)
    guessed = wetter.assign(excess=on_scale, censored=censored)
    assert ask(blank).clusters[0] == ask(guessed).clusters[0]
    scores = ask(blank).places["score"]
    assert np.isposinf(scores).sum() == 8
    assert ask(blank).clusters[0].compared_by == "excess"


def test_a_gully_and_the_downpipe_over_it_share_their_readings() -> None:
    """Two outlets 0.2 m apart both have the readings beside them, and say they cannot be told apart."""
    table = ask(gathered(), stands=(4.0, 4.2, 13.0, 25.0, 33.0)).outlets.set_index("outlet_id")
    assert table.loc["G1", "near"] == table.loc["G2", "near"] == 2
    assert table.loc["G1", "shared_with"] == ("G2",)
    assert "cannot tell it from G1" in table.loc["G2", "because"]
    assert table.loc["G3", "shared_with"] == ()


def test_a_place_belongs_to_its_nearest_outlet() -> None:
    """Two outlets 1.2 m apart split the places between them; a place near the other is no place away."""
    table = ask(readings_at([10.1, 10.9, 11.1, 20.0, 22.0], [1, 1, 0, 0, 0]), stands=(10.0, 11.2)).outlets
    assert table["near"].tolist() == [1, 2]
    assert table["wet_near"].tolist() == [1, 1]
    assert table["away"].tolist() == [2, 2]


def test_an_outlet_is_named_only_where_the_group_clusters() -> None:
    """One wet length at one of four outlets has a small exact chance, yet by itself names nothing."""
    chainages = NEAR + AWAY + (0.2, 10.0, 16.0, 19.0, 28.5, 30.0)
    wet = [1, 1, 1, 1] + [0] * (len(chainages) - 4)
    report = ask(readings_at(chainages, wet))
    row = report.outlets.set_index("outlet_id").loc["G1"]
    assert row["q"] < 0.05
    assert report.clusters[0].verdict.word == "no clustering shown"
    assert row["verdict"] == "no clustering shown"
    assert "over all outlets" in row["because"]


def test_an_outlet_nobody_read_is_not_known() -> None:
    """An outlet without a reading within 1 m (those at 22.0 and 24.4 are 1.2 m off) says so."""
    row = ask(gathered(), stands=(*STANDS, 23.2)).outlets.set_index("outlet_id").loc["G5"]
    assert row["verdict"] == NOT_KNOWN
    assert "nothing was read within 1 m" in row["because"]
    assert "G5" in row["settle"]


def test_how_many_readings_an_outlet_wants() -> None:
    """Beside 15 dry-but-one places away, 2 wet ones at an outlet show: C(3,2)/C(17,2) = 3/136 = 0.022.

    One shows nothing: 2/16 = 0.125.
    """
    assert near_to_show(0, 15, 1, alpha=0.05) == 2
    assert near_to_show(1, 15, 1, alpha=0.05) == 1


def test_an_outlet_on_no_wall_is_left_out_and_said() -> None:
    """An outlet that joined no wall takes no part, and its id is kept."""
    lost = pd.concat([outlets_at(STANDS), outlets_at([1.0]).assign(outlet_id="X9", ring_key="")])
    report = examine_outlets(
        gathered(),
        lost,
        distance=lambda _a, here, _b, there: walk(here, there),
        ring_lengths={"B1": LENGTH},
        arcs=[("B1", 0.0, LENGTH, True)],
        ref=REF,
        seed=1,
    )
    assert report.outlets_left_out == ("X9",)
    assert report.clusters[0] == ask(gathered()).clusters[0]


def test_a_place_that_could_be_either_side_of_a_radius_is_counted_as_such() -> None:
    """A place at 1.03 ± 0.03 m (tape and outlet together 0.036 m) is within its error of 1.0 m."""
    readings = readings_at([5.03, 9.0], [1, 0], chainage_sigma_m=0.03)
    found = ask(readings, stands=[4.0]).clusters[0]
    assert [at.edge for at in found.radii] == [0, 1, 0]


def test_labels_are_turned_exactly() -> None:
    """Two wet neighbours on both near places of six: 1 turn of 6 does it; with a second run of four, 1 of 24."""
    six = (np.array([1.0, 1, 0, 0, 0, 0]), np.array([1.0, 1, 0, 0, 0, 0]))
    four = (np.array([0.0, 1, 0, 0]), np.array([0.0, 1, 0, 0]))
    random = np.random.default_rng(0)
    alone = rotation_upper([six], draws=99, random=random)
    assert (alone.p, alone.smallest, alone.count, alone.exact) == (1 / 6, 1 / 6, 6, True)
    both = rotation_upper([six, four], draws=99, random=random)
    assert (both.p, both.count, both.exact) == (1 / 24, 24, True)


def test_too_many_turns_are_drawn() -> None:
    """With fewer draws than turns the chance is drawn, and meets the counted one within four sigma."""
    random = np.random.default_rng(2)
    runs = [
        (random.integers(0, 2, 12).astype(float), random.integers(0, 2, 12).astype(float)) for _ in range(3)
    ]
    exact = rotation_upper(runs, draws=2000, random=random)
    drawn = rotation_upper(runs, draws=1700, random=np.random.default_rng(5))
    assert exact.exact
    assert not drawn.exact
    assert drawn.p == pytest.approx(exact.p, abs=4 * np.sqrt(exact.p * (1 - exact.p) / 1700) + 1 / 1700)


def test_the_same_seed_gives_the_same_answer() -> None:
    """The draws hang on the seed alone; another seed moves the drawn chance by its resolution only."""
    readings = sampled_at_outlets()
    assert ask(readings).clusters == ask(readings).clusters
    assert ask(readings, seed=2).clusters[0].p_permutation == pytest.approx(
        ask(readings).clusters[0].p_permutation, abs=0.02
    )


def test_nothing_given_is_changed() -> None:
    """The caller's tables are as they were."""
    readings, stands = gathered(), outlets_at(STANDS)
    before = readings.copy(), stands.copy()
    ask(readings)
    pd.testing.assert_frame_equal(readings, before[0])
    pd.testing.assert_frame_equal(stands, before[1])


def test_no_readings_at_all_is_an_empty_report() -> None:
    """A site without readings has no groups, no rows, and fails nowhere."""
    report = ask(gathered().iloc[:0])
    assert report.clusters == ()
    assert report.outlets.empty
    assert report.outlet_counts.empty
    assert report.rows() == []


def test_rows_are_flat_but_for_the_radii() -> None:
    """The rows carry verdict, reason and settling measurement in words, and the readings they rest on."""
    row = ask(sampled_at_outlets()).rows()[0]
    assert row["verdict"] == "no clustering shown"
    assert row["because"]
    assert row["settle"]
    assert len(row["rests_on"]) == 20
    assert row["radii"][1]["near"] == 14


def test_on_a_real_perimeter_with_a_party_wall() -> None:
    """With the perimeter's own walks and runs, a semi-detached house's party face is never walked across.

    The house is 6 by 8 m with its neighbour along the east side: one open run of 6 + 8 + 6 = 20 m.
    """
    buildings = gpd.GeoDataFrame(
        {
            "role": ["subject", "neighbour"],
            "origin_e": np.nan,
            "origin_n": np.nan,
            "front_bearing_deg": np.nan,
            "wall_thickness_m": np.nan,
            "wall_thickness_sigma_m": np.nan,
            "ring_kinds": [{}, {}],
        },
        geometry=[box(0, 0, 6, 8), box(6, 0, 12, 8)],
        index=pd.Index(["B1", "B2"], name="building_id"),
        crs=27700,
    )
    perimeter = build_perimeter(buildings, ref=REF)
    arcs = [arc for arc in free_arcs(perimeter) if arc[0] == "B1"]
    assert [(end - begin, closed) for _, begin, end, closed in arcs] == [(pytest.approx(20.0), False)]
    begin = arcs[0][1]
    chainage = np.mod(begin + np.arange(0.25, 20.0, 0.5), 28.0)
    stand = float(np.mod(begin + 0.5, 28.0))
    report = examine_outlets(
        readings_at(chainage.tolist(), [1, 1, 1] + [0] * 37),
        outlets_at([stand]),
        distance=partial(outside_distance, perimeter),
        ring_lengths=perimeter.rings["length_m"].to_dict(),
        arcs=arcs,
        ref=REF,
    )
    far = report.places["distance_m"].max()
    assert far == pytest.approx(19.25)
    assert report.clusters[0].radii[1].wet_near == 3
    assert report.clusters[0].verdict.word == "clustered"


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (0.686, "more often than not"),
        (0.3, "about 3 times in 10"),
        (0.1, "about 1 time in 10"),
        (1 / 24, "about 1 time in 24"),
        (0.0001, "about 1 time in 10,000"),
    ],
)
def test_a_chance_in_words(p: float, said: str) -> None:
    """Chances are said the way people say them."""
    assert odds(p) == said


def test_it_seldom_cries_wolf() -> None:
    """On 300 made-up sites wet in lengths, read mostly at outlets, no more than 6 % are called clustered.

    The bound is the 99.9 % point of a binomial count with 6 %. The same sites show what is guarded
    against: set against the share of wall near outlets, most of them would be called clustered, and
    dealing the ranks out as if neighbours were strangers errs more often than the reported chance.
    """
    bench_cluster = bench()
    rates = bench_cluster.rates(bench_cluster.run(bench_cluster.NULL[0], sites=300, draws=499))
    assert 300 * rates["clustered"] <= binom.ppf(0.999, 300, 0.06)
    assert rates["REPORTED"] >= rates["clustered"]
    assert rates["share of wall"] > 0.5
    assert rates["rank dealt"] > rates["REPORTED"]


def test_it_finds_outlets_that_wet_the_wall() -> None:
    """Where the wall is 3 sd wetter at outlets, at least 70 of 100 made-up sites are called clustered."""
    bench_cluster = bench()
    scene = replace(bench_cluster.PULLED[2])
    rates = bench_cluster.rates(bench_cluster.run(scene, sites=100, draws=499))
    assert rates["clustered"] >= 0.7
