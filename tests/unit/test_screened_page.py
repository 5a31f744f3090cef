"""The page of screened homes: squares where they are too many, homes where they are few, the surest falls listed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app import cache_homes
from app.views.screened import ON_PAGE, SQUARE
from geo.screen.places import box_of, view_of

HOMES = 144


def one_view() -> None:
    """Run the page as the app does (this function's text is run by itself)."""
    import streamlit as st

    from app.views import screened

    screened.show(st.container())


@pytest.fixture(scope="module")
def results(screened_slope: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A screening of 144 houses, 60 m apart, on ground that rises 5 % to the east."""
    folder = tmp_path_factory.mktemp("screened")
    return screened_slope(folder, (400_000.0, 300_000.0), across=12, apart_m=60.0, ground_m=800)


@pytest.fixture
def run(results: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    """Return a runner of the page on that screening."""
    monkeypatch.setenv(cache_homes.SCREENED, str(results))

    def start(**state: object) -> AppTest:
        page = AppTest.from_function(one_view, default_timeout=120)
        for name, value in state.items():
            page.session_state[name] = value
        return page.run()

    return start


def map_of(page: AppTest) -> str:
    """Return what the map is given."""
    assert not page.exception, page.exception
    return "\n".join(str(part.proto) for part in page.get("bidi_component"))


def test_few_homes_are_shown_one_by_one_and_the_surest_listed(run: Callable[..., AppTest]) -> None:
    """Every home is on the map; the list has a page of those the ground falls to, and the next follows it."""
    page = run()
    assert f"{HOMES} homes." in map_of(page)
    html = "\n".join(part.proto.body for part in page.get("html"))
    assert html.count("<td>H") == ON_PAGE
    assert f"1 to {ON_PAGE} of {HOMES}" in [text.value for text in page.text]
    page.button(key="screened-down").click().run()
    assert f"{ON_PAGE + 1} to {2 * ON_PAGE} of {HOMES}" in [text.value for text in page.text]
    assert not page.button(key="screened-up").disabled


def test_many_homes_are_squares_that_open(
    run: Callable[..., AppTest], results: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Past what one map shows, squares are counted; an opened one shows its own homes, and there is a way back."""
    monkeypatch.setattr(cache_homes, "MOST_POINTS", 50)
    cache_homes.screened_view.clear()
    assert "Each square is" in map_of(run())
    square = str(view_of(results, most=50).table["home_id"].iloc[0])
    held = view_of(results, box_of(square)).homes
    page = run(**{SQUARE: square})
    assert f"{held} homes." in map_of(page)
    page.button(key="screened-back").click().run()
    assert f"{HOMES} homes. Each square is" in map_of(page)
    cache_homes.screened_view.clear()


def test_a_home_that_is_not_there_is_said(run: Callable[..., AppTest]) -> None:
    """What was asked for is told, as text."""
    page = run(**{"screened-home": "<b>no</b>"})
    assert "There is no home <b>no</b> in this file." in [text.value for text in page.text]
