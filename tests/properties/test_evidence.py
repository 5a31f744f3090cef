"""What must hold of causes, coverage and tests whatever was recorded."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo import weights
from geo.evidence.coverage import cover, laid, total, union
from geo.evidence.kinds import Candidate, Raised
from geo.evidence.next_trial_gain import belief, bits, gain_bits
from geo.evidence.support import EXCLUDED, WORDS, Support, weigh
from geo.evidence.support_board import lay_board
from geo.weights import ROUTE

SHIPPED = weights.default()
CAUSES = [cause.key for cause in SHIPPED.causes]
CODES = [code.key for code in SHIPPED.codes]
RING = 36.0
raised_codes = st.lists(st.sampled_from(CODES), max_size=12)
chance = st.floats(0, 1)
spans = st.lists(st.tuples(st.floats(0, RING - 0.01), st.floats(0.1, 12.0)), max_size=4)


def weighed(cause: str, codes: list[str]) -> Support:
    """Weigh one cause with codes."""
    candidate = Candidate(cause=cause, of_id="X1", stretch_id="W1", path="")
    raised = [Raised(code=code, stretch_id="W1", candidate=candidate.key) for code in codes]
    return weigh(lay_board([candidate], raised, weights=SHIPPED))[0]


@given(st.sampled_from(CAUSES), raised_codes, st.randoms())
def test_order_and_repetition_do_not_matter(cause: str, codes: list[str], random: object) -> None:
    """Evidence is a set: told twice or in another order it is worth the same."""
    shuffled = codes + codes
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = weighed(cause, codes), weighed(cause, shuffled)
    assert (one.raw, one.points, one.word) == (other.raw, other.points, other.word)


@given(st.sampled_from(CAUSES), raised_codes)
def test_points_stay_within_what_groups_allow(cause: str, codes: list[str]) -> None:
    """No sum passes the largest plus and the largest minus of every group, and caps only lower it."""
    found = weighed(cause, codes)
    row = SHIPPED.points[SHIPPED.row_of[cause]]
    most = sum(max(0.0, row[block].max()) for block in SHIPPED.blocks)
    least = sum(min(0.0, row[block].min()) for block in SHIPPED.blocks)
    assert least <= found.raw <= most
    assert found.points <= found.raw
    assert found.word in WORDS


@given(st.sampled_from(CAUSES), raised_codes)
def test_a_negative_test_big_enough_never_raises_a_source(cause: str, codes: list[str]) -> None:
    """With it a cause has no more points than without, and a source or mimic at most none."""
    before, after = weighed(cause, codes), weighed(cause, [*codes, "TEST-"])
    if cause == "S19":
        assert after.points == before.points
        return
    row = SHIPPED.points[SHIPPED.row_of[cause]]
    if after.kind != ROUTE:
        assert after.points <= 0
    if row[SHIPPED.column_of["TEST-"]] < 0:
        assert after.raw <= before.raw
    assert after.points <= max(before.points, 0) or "not_examined" in {cap.name for cap in before.caps}


@given(st.sampled_from(CAUSES), raised_codes)
def test_what_was_found_sound_is_never_supported(cause: str, codes: list[str]) -> None:
    """Logic goes before arithmetic: a sound thing is at most open, whatever else speaks for it."""
    found = weighed(cause, [*codes, "SOUND"])
    assert found.points <= 0
    assert not found.holds


@given(st.sampled_from(CAUSES), raised_codes)
def test_excluded_means_sound_and_tested(cause: str, codes: list[str]) -> None:
    """Nothing is excluded but what was found sound and tested with enough water."""
    found = weighed(cause, codes)
    if found.word == EXCLUDED:
        assert {"SOUND", "TEST-"} <= set(codes)


@given(spans, spans, spans, st.floats(0, RING))
def test_lengths_add_up_and_do_not_depend_on_the_origin(
    wet: list[tuple[float, float]],
    one: list[tuple[float, float]],
    dry: list[tuple[float, float]],
    turn: float,
) -> None:
    """Explained and unexplained make the wet length, wherever the ring begins."""

    def at(parts: list[tuple[float, float]], shift: float) -> list[tuple[float, float]]:
        return union(
            span
            for a, length in parts
            for span in laid((a + shift) % RING, (a + shift) % RING + length, RING)
        )

    made = [
        cover(at(wet, shift), {"a": at(one, shift)}, ring_m=RING, dry=at(dry, shift)) for shift in (0.0, turn)
    ]
    for found in made:
        assert found.explained_m + found.unexplained_m == pytest.approx(found.wet_m, abs=1e-6)
        assert found.predicted_dry_m <= total(union(at(one, 0.0))) + 1e-6
    for name in ("wet_m", "explained_m", "unexplained_m", "predicted_dry_m"):
        assert getattr(made[0], name) == pytest.approx(getattr(made[1], name), abs=1e-6)


@given(chance, st.floats(0.5, 1), st.floats(0.5, 1))
def test_a_test_never_adds_uncertainty(p: float, sensitivity: float, specificity: float) -> None:
    """What a test tells is between nothing and all there was to know."""
    gain = float(gain_bits(p, sensitivity, specificity))
    assert -1e-12 <= gain <= float(bits(p)) + 1e-12


@given(chance, st.floats(0.5, 0.95), st.floats(0.5, 0.95), st.floats(0.0, 0.05))
def test_a_better_test_tells_more(p: float, sensitivity: float, specificity: float, better: float) -> None:
    """A test that shows more of what is there, and no more of what is not, tells no less."""
    worse = float(gain_bits(p, sensitivity, specificity))
    assert float(gain_bits(p, sensitivity + better, specificity)) >= worse - 1e-12


@given(st.lists(st.floats(-12, 15), min_size=2, max_size=6))
def test_belief_rises_with_points(points: list[float]) -> None:
    """More points are never less belief."""
    assert (np.diff(belief(sorted(points), weights=SHIPPED)) >= 0).all()
