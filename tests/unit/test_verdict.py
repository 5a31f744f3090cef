"""Values carry their sigma, and a comparison may answer that it cannot tell."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.verdict import NOT_KNOWN, Measured, decide

numbers = st.floats(-1e4, 1e4)
sigmas = st.floats(0.01, 1e3)


def test_sigmas_add_in_quadrature() -> None:
    """3 mm and 8 mm give root of 73, 8.5 mm, worked by hand."""
    gap = Measured(1742, 3) - Measured(1507, 8)
    assert gap.value == 235
    assert gap.sigma == pytest.approx(8.544, abs=5e-4)


@given(numbers, sigmas, st.floats(1, 10))
def test_more_error_only_moves_to_not_known(value: float, sigma: float, factor: float) -> None:
    """Raising a sigma never turns a yes into a no, nor an unknown into either."""
    before = decide(Measured(value, sigma), z=1.96, unit="mm", settle="a level")
    after = decide(Measured(value, sigma * factor), z=1.96, unit="mm", settle="a level")
    assert after.word in (before.word, NOT_KNOWN)


@given(numbers, sigmas)
def test_not_known_says_why_and_what_would_settle_it(value: float, sigma: float) -> None:
    """An answer of not known always carries a reason and a measurement."""
    said = decide(Measured(value, sigma), z=1.96, unit="mm", settle="a level")
    assert said.because
    assert said.known or said.settle == "a level"
