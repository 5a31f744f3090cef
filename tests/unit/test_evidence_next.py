"""Which test to make next, and how it is said."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from scipy.stats import entropy

from geo import weights
from geo.evidence.coverage import Range
from geo.evidence.kinds import Candidate, Raised, Reach
from geo.evidence.next_trial import next_at
from geo.evidence.next_trial_gain import belief, bits, gain_bits
from geo.evidence.next_trial_kinds import Asked, Next
from geo.evidence.next_trial_pours import Pours, leave_of
from geo.evidence.pairing import Wall
from geo.evidence.support import weigh
from geo.evidence.support_board import lay_board
from geo.findings.check import read_checked
from geo.findings.drains import Drains, lay_out_drains
from geo.findings.examine import examine
from geo.findings.trials import JudgedTrial, judge_trials
from geo.site.model import Site

SHIPPED = weights.default()
SEMI = Path("demo_sites/semi_on_a_slope")


@pytest.mark.parametrize(
    ("p", "sensitivity", "specificity", "minutes", "bit", "mbit_min"),
    [
        # Worked by hand from H(p) - [P+ H(p+) + P- H(p-)]: a dyed test, a quick squirt, a camera, a plug.
        (0.5, 0.85, 0.97, 20, 0.587, 29),
        (0.5, 0.10, 0.97, 2, 0.015, 8),
        (0.5, 0.90, 0.95, 45, 0.620, 14),
        (0.5, 0.95, 0.85, 60, 0.545, 9),
    ],
)
def test_gains_worked_by_hand(
    p: float, sensitivity: float, specificity: float, minutes: float, bit: float, mbit_min: float
) -> None:
    """The gain in bits, and in thousandths of a bit a minute: the quick squirt is the worst buy."""
    found = float(gain_bits(p, sensitivity, specificity))
    assert found == pytest.approx(bit, abs=0.0006)
    assert 1000 * found / minutes == pytest.approx(mbit_min, abs=0.7)


@pytest.mark.parametrize("p", [0.03, 0.11, 0.5, 0.97, 0.0, 1.0])
@pytest.mark.parametrize(("sensitivity", "specificity"), [(0.85, 0.97), (0.1, 0.97), (0.5, 0.5), (1.0, 1.0)])
def test_gain_is_the_mutual_information(p: float, sensitivity: float, specificity: float) -> None:
    """Cause and outcome share what scipy's entropies say: H(cause) + H(outcome) - H(both)."""
    shows = [p * sensitivity, (1 - p) * (1 - specificity)]
    silent = [p * (1 - sensitivity), (1 - p) * specificity]
    both = entropy([*shows, *silent], base=2)
    outcome = entropy([sum(shows), sum(silent)], base=2)
    assert float(gain_bits(p, sensitivity, specificity)) == pytest.approx(
        entropy([p, 1 - p], base=2) + outcome - both, abs=1e-12
    )
    assert float(bits(p)) == pytest.approx(entropy([p, 1 - p], base=2), abs=1e-12)


def test_belief_is_nominal() -> None:
    """Three points are even chances, none about one in nine, and nothing is surer than 0.97."""
    assert belief([3, 0, 30, -30], weights=SHIPPED) == pytest.approx([0.5, 1 / 9, 0.97, 0.03])


# --- choosing -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def semi() -> tuple[Site, Drains, tuple[JudgedTrial, ...]]:
    """A demo site with its drains and tests."""
    found = examine(read_checked(SEMI))
    drains = lay_out_drains(found)
    return found.site, drains, judge_trials(found.site, drains)


def asked(
    raised: dict[str, tuple[str, ...]],
    *candidates: tuple[str, str],
    side: str = "inside",
    wall_type: str = "cavity",
    open_parts: tuple[tuple[float, float], ...] = ((2.0, 6.0),),
    reaches: dict[str, tuple[float, float]] | None = None,
) -> Asked:
    """A stretch of 2 to 6 m with causes."""
    own = [
        Candidate(
            cause=cause, of_id=of_id, stretch_id="W1", path="",
            reach=tuple(
                Reach(ring_key="B1", side=side, from_m=a, to_m=b, basis="usual")
                for key, (a, b) in (reaches or {}).items()
                if key == (f"{cause}:{of_id}" if of_id else cause)
            ),
        )
        for cause, of_id in candidates
    ]  # fmt: skip
    every = [
        Raised(code=code, stretch_id="W1", candidate=key) for key, codes in raised.items() for code in codes
    ]
    at = Wall(
        stretch_id="W1", ring_key="B1", side=side, ring_m=40.0, wet=((2.0, 6.0),), solid=wall_type == "solid",
        open_ids=(), peak_m=2.5,
    )  # fmt: skip
    supports = weigh(lay_board(own, every, weights=SHIPPED))
    parts = tuple(Range(from_m=a, to_m=b, length_m=b - a) for a, b in open_parts)
    return Asked(
        wall=at, supports=supports, open_parts=parts, open_spans=open_parts, name="W1", wall_type=wall_type
    )


def choose(
    what: Asked, semi: tuple[Site, Drains, tuple[JudgedTrial, ...]], leave: dict[str, str] | None = None
) -> Next:
    """Choose with the semi's drains."""
    site, drains, judged = semi
    pours = Pours(site=site, drains=drains, judged=judged)
    return next_at(what, weights=SHIPPED, pours=pours, leave=leave if leave is not None else leave_of(site))


def test_a_poured_test_says_litres_minutes_colour_and_place(
    semi: tuple[Site, Drains, tuple[JudgedTrial, ...]],
) -> None:
    """What it must pour is what the drains need times 1.5, and it says what each outcome would mean."""
    found = choose(asked({"S01:G2": ("NEAR", "SEEN")}, ("S01", "G2")), semi)
    option = found.best
    assert option is not None
    assert (option.test, option.at_id) in {("dyed", "G2"), ("appliance", "G2")}
    dyed = next(each for each in (option, *found.others) if each.test == "dyed")
    # Stopped in turn, the runs below G2 hold at most 473.4 l before water leaves (see the drains page).
    assert found.proof is not None
    assert found.proof.at_id == "G2"
    assert dyed.litres == pytest.approx(1.5 * 473.4, abs=1.0)
    assert dyed.minutes == pytest.approx(dyed.litres / dyed.rate_l_s / 60 + 5, abs=0.1)
    do, watch, yes, no = dyed.sentences
    assert "710 l of" in do
    assert dyed.colour in do
    assert dyed.colour not in ("green", "red")  # used on site already
    assert "chainage 2.0–6.0 m inside" in watch
    assert "G2" in yes
    assert "gully G2" in no


def test_what_was_tested_enough_is_not_offered_again(
    semi: tuple[Site, Drains, tuple[JudgedTrial, ...]],
) -> None:
    """A gully with a negative that was big enough is not poured again; one without is."""
    done = choose(asked({"S01:G2": ("NEAR", "SEEN", "TEST-")}, ("S01", "G2")), semi)
    assert not [each for each in (done.best, *done.others) if each and each.at_id == "G2"]
    assert done.best is None
    assert done.because


def test_a_test_that_was_too_small_says_what_was_lacking(
    semi: tuple[Site, Drains, tuple[JudgedTrial, ...]],
) -> None:
    """TR4 put 30 l into DP4, where 329 l are wanted: 299 l were lacking, and it is offered again."""
    found = choose(asked({"S02:DP4": ("NEAR",)}, ("S02", "DP4")), semi)
    assert found.best is not None
    assert found.best.at_id == "DP4"
    needed = next(one.needed for one in semi[2] if one.trial_id == "TR4")
    assert needed is not None
    short = round(needed.wanted_l - 30)
    assert f"{short} l were lacking" in found.best.lacking


def test_leave_and_holes_are_a_veto(semi: tuple[Site, Drains, tuple[JudgedTrial, ...]]) -> None:
    """What opens the floor waits for leave; what was refused is not offered; leave given, it comes first."""
    what = asked({"S11:F1": ("LEV+",)}, ("S11", "F1"))
    waits = choose(what, semi, {})
    assert waits.best is None
    assert [each.test for each in waits.others] == ["junction"]
    assert "leave" in waits.others[0].barred
    given = choose(what, semi, {"opening_up": "given"})
    assert given.best is not None
    assert given.best.test == "junction"
    assert "refused" in choose(what, semi, {"opening_up": "refused"}).others[0].barred


def test_the_wall_decides_what_can_be_looked_into(semi: tuple[Site, Drains, tuple[JudgedTrial, ...]]) -> None:
    """There is no cavity to look into in a solid wall."""
    codes = {"S12": ("LEV+",)}
    assert choose(asked(codes, ("S12", "")), semi, {"opening_up": "given"}).best is not None
    assert choose(asked(codes, ("S12", ""), wall_type="solid"), semi, {"opening_up": "given"}).best is None


def test_the_length_not_explained_is_aimed_at(semi: tuple[Site, Drains, tuple[JudgedTrial, ...]]) -> None:
    """Of two runs the one that could wet what is not explained is looked into, at the place left open."""
    what = asked(
        {"S05:R1": ("NEAR",), "S05:R2": ("NEAR",)}, ("S05", "R1"), ("S05", "R2"),
        open_parts=((4.5, 6.0),), reaches={"S05:R1": (1.0, 3.0), "S05:R2": (4.0, 6.0)},
    )  # fmt: skip
    found = choose(what, semi, {})
    assert found.best is not None
    assert {each.at_id for each in (found.best, *found.others)} == {"R2"}
    hole = choose(replace(what, supports=asked({"S12": ("LEV+",)}, ("S12", "")).supports), semi, {})
    assert hole.best is not None
    assert "chainage 5.2 m" in hole.best.label or "chainage 5.3 m" in hole.best.label


def test_rivals_have_one_test_that_tells_them_apart(
    semi: tuple[Site, Drains, tuple[JudgedTrial, ...]],
) -> None:
    """Gully and downpipe side by side: two colours, the gully first."""
    what = asked({"S01:G2": ("NEAR", "SEEN"), "S02:DP4": ("NEAR", "SEEN")}, ("S01", "G2"), ("S02", "DP4"))
    rivals = choose(what, semi).rivals
    assert [(each.a, each.b) for each in rivals] == [("S01:G2", "S02:DP4")]
    assert "gully first" in rivals[0].test


def test_water_is_tested_only_where_there_is_some(semi: tuple[Site, Drains, tuple[JudgedTrial, ...]]) -> None:
    """Without water seen in the cavity there is nothing to put a strip into."""
    tests = [
        {each.test for each in (found.best, *found.others) if each}
        for found in (
            choose(asked({"S14": codes}, ("S14", "")), semi) for codes in (("NEAR",), ("NEAR", "CAV"))
        )
    ]
    assert "chemistry" not in tests[0]
    assert "chemistry" in tests[1]


def test_every_option_is_ranked_by_bits_a_minute(semi: tuple[Site, Drains, tuple[JudgedTrial, ...]]) -> None:
    """The first settles most in a minute of those that may be made."""
    what = asked(
        {"S01:G2": ("NEAR",), "S15": ("COLD",)}, ("S01", "G2"), ("S15", ""), ("S12", ""), ("S14", "")
    )
    found = choose(what, semi)
    assert found.best is not None
    free = [each.value for each in (found.best, *found.others) if not each.barred]
    assert free == sorted(free, reverse=True)
    assert all(math.isfinite(value) for value in free)
