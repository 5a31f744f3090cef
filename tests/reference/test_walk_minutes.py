"""A day's walk adds up to the minutes worked by hand."""

from __future__ import annotations

import pytest

from geo import reference
from geo.walk.minutes import add_up, count_lines, pour_task, task

REF = reference.default()
COUNTED = {
    "set_up": 1, "corner": 4, "gully": 5, "downpipe": 6, "chamber": 3, "ground_pair": 24, "grid_point": 90,
    "profile": 5, "sample": 6, "borescope": 6, "junction": 2, "close_down": 1,
}  # fmt: skip
BY_HAND = {
    "set_up": 20, "corner": 8, "gully": 25, "downpipe": 24, "chamber": 24, "ground_pair": 48, "grid_point": 27,
    "profile": 15, "sample": 36, "borescope": 60, "junction": 70, "dyed": 48, "close_down": 15,
}  # fmt: skip


def test_the_worked_day() -> None:
    """Worked by hand: 36 m of perimeter and the counts above, three dyed tests of 120 l at 0.25 l/s.

    A test pours 120 / 0.25 / 60 = 8 min and takes 8 min besides: 16, three of them 48. The lines add up to
    420, walking 36 m at 10 m a minute makes 423.6, a tenth more makes 465.96: 424 and 466 in whole minutes.
    """
    tasks = [task(work, count, ref=REF) for work, count in COUNTED.items()]
    tasks += [pour_task(120, 0.25, ref=REF)] * 3
    total = add_up(count_lines(tasks), walked_m=36.0, ref=REF)
    assert {line.work: line.minutes for line in total.lines} == pytest.approx(BY_HAND)
    assert total.stops_min == pytest.approx(420)
    assert total.walking_min == pytest.approx(3.6)
    assert total.stops_min + total.walking_min == pytest.approx(423.6)
    assert total.whole_min == pytest.approx(465.96)
    assert round(total.whole_min) == 466
