"""What a map and a list show of a screening: as much as the view needs, and nothing is counted twice or lost."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyarrow.parquet as pq
import pytest

from geo.screen.places import (
    FAR_LEGEND,
    LEGEND,
    bounds_of,
    box_of,
    page_of,
    verdict_counts,
    view_of,
)

E, N = 400_000.0, 300_000.0
SIDE = 3_200.0
HOMES_WITH_GROUND = 36


@pytest.fixture(scope="module")
def results(screened_slope: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A screening of 400 houses over 3 km: 36 of them on ground that rises east, one home without a shape.

    The ground rises 5 % to the east, so that each house there has one wall, the eastern, the ground falls to.
    """
    folder = tmp_path_factory.mktemp("places")
    return screened_slope(folder, (E, N), across=20, apart_m=160.0, ground_m=960, shapeless=1)


def test_the_file_has_more_parts_than_one(results: Path) -> None:
    """Else the tests below would not show that parts are left out."""
    assert pq.ParquetFile(results).metadata.num_row_groups > 4


def test_verdicts_are_counted_of_every_home(results: Path) -> None:
    """36 homes on the tile have a wall the ground falls to; of the other 365 nothing is known."""
    assert verdict_counts(results) == {
        "toward": HOMES_WITH_GROUND, "away": 0, "level": 0, "party": 0, "not known": 401 - HOMES_WITH_GROUND,
    }  # fmt: skip


def test_a_near_view_holds_the_homes_of_its_box_and_no_other(results: Path) -> None:
    """As all outlines cut by hand; from the parts of the file that reach the box alone."""
    homes = gpd.read_parquet(results)
    bounds = homes.geometry.bounds
    every = pd.DataFrame(
        {
            "home_id": homes["home_id"].astype(str),
            "x_m": (bounds["minx"] + bounds["maxx"]) / 2,
            "y_m": (bounds["miny"] + bounds["maxy"]) / 2,
            "verdict": homes["verdict"].astype(str),
        }
    )
    box = (E + 500.0, N + 300.0, E + 1500.0, N + 900.0)
    inside = every["x_m"].between(box[0], box[2]) & every["y_m"].between(box[1], box[3])
    view = view_of(results, box)
    assert view.near
    assert view.legend == LEGEND
    assert view.homes == len(view.table) == int(inside.sum()) > 10
    wanted = every[inside].sort_values("home_id").reset_index(drop=True)
    found = view.table.sort_values("home_id").reset_index(drop=True)
    pd.testing.assert_frame_equal(found[wanted.columns], wanted, check_dtype=False)


def test_a_far_view_counts_each_home_once(results: Path) -> None:
    """Squares hold all 400 homes with a place, and each square opened holds the homes it counted."""
    view = view_of(results, most=100)
    assert not view.near
    assert view.legend == FAR_LEGEND
    table = view.table
    assert view.homes == table["homes"].sum() == 400
    assert table["toward"].sum() == HOMES_WITH_GROUND
    assert (table["not_known"] + table["toward"]).tolist() == table["homes"].tolist()
    assert table.loc[table["toward"] == 0, "step"].eq(0).all()
    assert table.loc[table["toward"] == table["homes"], "step"].eq(5).all()
    for row in table.iloc[:: len(table) // 12].itertuples():
        box = box_of(row.home_id)
        assert box is not None
        own = view_of(results, box)
        assert own.near
        assert len(own.table) == row.homes
        assert own.table["verdict"].eq("toward").sum() == row.toward


def test_an_empty_view_has_no_rows(results: Path) -> None:
    """Beyond every home there is none, near and in words."""
    view = view_of(results, (E - 900.0, N - 900.0, E - 800.0, N - 800.0))
    assert (view.near, view.homes, len(view.table)) == (True, 0, 0)
    assert {"home_id", "x_m", "y_m", "verdict", "step"} == set(view.table.columns)


def test_the_box_round_all_is_that_of_the_outlines(results: Path) -> None:
    """The first house begins 40 m in; the last is 19 x 160 m further and 9 x 8 m in size."""
    assert bounds_of(results) == (E + 40, N + 40, E + 40 + 19 * 160 + 9, N + 40 + 19 * 160 + 8)


@pytest.mark.parametrize(
    "name",
    ["H1", "square", "square 1 2", "square a b c", "square 1 2 0", "square nan 1 1", "square 1 2 3 4", ""],
)
def test_another_name_is_no_square(name: str) -> None:
    """A home may be called anything."""
    assert box_of(name) is None


def test_a_page_of_homes_is_in_order_of_the_surest_fall(results: Path) -> None:
    """Pages together are every such home once, the least fall its range leaves never growing; the face is named."""
    pages = [page_of(results, limit=10, offset=at) for at in (0, 10, 20, 30, 40)]
    assert {count for _, count in pages} == {HOMES_WITH_GROUND}
    assert [len(table) for table, _ in pages] == [10, 10, 10, 6, 0]
    ids = [name for table, _ in pages for name in table["home_id"]]
    assert len(set(ids)) == HOMES_WITH_GROUND
    low = [value for table, _ in pages for value in table["steepest_low_percent"]]
    assert low == sorted(low, reverse=True)
    assert pages[0][0]["steepest_fall_percent"].tolist() == pytest.approx([5.0] * 10, abs=0.01)
    unknown, count = page_of(results, verdict="not known", limit=400)
    assert count == 401 - HOMES_WITH_GROUND
    assert "there is no outline" in set(unknown["reason"])
