"""The page of the works without a browser: totals that say of how much, own prices, rain, results recorded."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from app import cache_works
from app.parts import CANNOT
from geo.errors import InputError
from geo.reference import default
from geo.site.folder import read_site
from geo.store.store import Store
from geo.works.rules import default as default_rules

DEMO = Path(__file__).resolve().parents[2] / "demo_sites"
PATIENCE_S = 240
PRICES = (
    "id,repair_kind,line,unit,price,currency,source,from_date\n"
    "RT9,r02,pipe,m,12.50,GBP,invented quotation,2026-04-01\n"
)
"""A metre of pipe at a downpipe's foot."""


def one_view() -> None:
    """Run the page as the app does (this function's text is run by itself)."""
    from app import session
    from app.views import works

    head, aside = session.site_open()
    session.offer_sites(aside)
    works.show(head)


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[[Path], AppTest]:
    """Return a runner of the page on a demo site, beside an empty workspace."""

    def start(folder: Path) -> AppTest:
        monkeypatch.setenv("WALLFOOT_SITES", str(folder))
        monkeypatch.setenv("WALLFOOT_WORKSPACE", str(tmp_path / "empty.sqlite"))
        return AppTest.from_function(one_view, default_timeout=PATIENCE_S).run()

    return start


@pytest.fixture
def kept(store: Store, tmp_path: Path) -> tuple[Path, Store, str]:
    """Return a workspace with the demo site in it, opened here, and the site's id."""
    site_id = store.take_in(read_site(DEMO / "semi_on_a_slope"), by="surveyor")
    return tmp_path / "workspace.sqlite", store, site_id


def said(page: AppTest) -> str:
    """Return everything a page says, as HTML and as text."""
    return "\n".join([*(part.proto.body for part in page.get("html")), *(part.value for part in page.text)])


def fine(page: AppTest) -> bool:
    """Say whether the page was shown whole."""
    return not page.exception and CANNOT not in said(page)


def view(page: AppTest, name: str) -> AppTest:
    """Turn to another view of the works."""
    return page.button_group(key="works-view").select(name).run()


def rows(page: AppTest) -> dict[str, str]:
    """Return what stands of each quantity, by repair and line, without its tags."""
    found, repair = {}, ""
    for row in re.findall(r"<tr.*?</tr>", next(part for part in _bodies(page) if "wf-works" in part)):
        words = [re.sub(r"<[^>]+>", " ", cell).strip() for cell in re.findall(r"<td.*?</td>", row)]
        if 'class="head"' in row:
            repair = words[0].split()[0]
        elif words:
            found[f"{repair} {words[0]}"] = " | ".join(words[1:])
    return found


def _bodies(page: AppTest) -> list[str]:
    return [part.proto.body for part in page.get("html")]


@pytest.mark.parametrize("name", ["semi_on_a_slope", "three_cottages", "old_school"])
def test_every_view_of_every_site_is_shown_whole(run: Callable[[Path], AppTest], name: str) -> None:
    """Five views, none with an error; causes stand in words, never by their codes."""
    page = run(DEMO / name)
    assert fine(page)
    assert not re.search(r"\bS\d\d\b", "".join(part for part in _bodies(page) if "wf-works" in part))
    for other in ("Order", "Hold points", "Done so far", "Leave to ask"):
        page = view(page, other)
        assert fine(page), other


def test_a_total_says_of_how_many_quantities_it_is(run: Callable[[Path], AppTest]) -> None:
    """The demo site prices its gully alone, at 185: no sum of everything is made to stand there."""
    told = said(run(DEMO / "semi_on_a_slope"))
    found = re.search(r"<b>185\.00</b>GBP for 1 of (\d+) quantities, no total of all", told)
    assert found is not None
    assert int(found[1]) > 40


def test_a_quantity_shows_how_it_was_worked_out(run: Callable[[Path], AppTest]) -> None:
    """RP4 is 2.10 m of wall at 1.05 m as recorded: 2.205 m²; debris nobody measured is not known."""
    found = rows(run(DEMO / "semi_on_a_slope"))
    assert found["RP4 plaster"].startswith("2.20 m²")
    assert "not known" in found["RP3 debris"]
    assert "Pass a borescope" in found["RP3 debris"]


def test_where_no_repair_answers_the_cause_the_page_says_whom_to_call(
    run: Callable[[Path], AppTest], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A leak of a pipe indoors is accepted and nothing else: the page is not silent, and not "no cause accepted"."""
    told = default_rules().apart["S14"]
    whole = cache_works.works

    def alone(*given: Any) -> Any:
        return replace(whole(*given), works=(), notes=(f"WP1: {told.said} {told.call}",))

    monkeypatch.setattr(cache_works, "works", alone)
    page = run(DEMO / "three_cottages")
    assert fine(page)
    assert told.call in said(page)
    assert "no cause is accepted" not in said(page)


@pytest.fixture
def large_roof(tmp_path: Path) -> Path:
    """Return the demo site with 40 m² of roof on DP4, and ground at its soakaway that takes 1e-5 m/s."""
    folder = tmp_path / "large_roof"
    shutil.copytree(DEMO / "semi_on_a_slope", folder)
    for name, right, wrong in (
        ("downpipes.csv", "2026-03-17,68,12,35,sealed", "2026-03-17,68,40,35,sealed"),
        ("soakaways.csv", ",state,note\n", ",state,soakage_m_s,note\n"),
        ("soakaways.csv", ",standing_water,", ",standing_water,0.00001,"),
    ):
        text = (folder / name).read_text(encoding="utf-8")
        assert text.count(right) == 1
        (folder / name).write_text(text.replace(right, wrong), encoding="utf-8")
    return folder


def test_rain_that_was_missing_sizes_the_soakaway(run: Callable[[Path], AppTest], large_roof: Path) -> None:
    """40 m² of roof needs depths of rain; with them the soakaway is sized, and without them again it is not.

    Water in less water out through the sides at half depth, 4 × 1.2 m × 0.5 m = 2.4 m² at 1e-5 m/s (BRE
    Digest 365): 15 min 40 × 0.0124 - 2.4e-5 × 900 = 0.474 m³; 30 min 0.644 - 0.0432 = 0.601 m³; 60 min
    0.832 - 0.0864 = 0.746 m³, the most.
    """
    page = run(large_roof)
    assert "depths of rain for this place" in rows(page)["RP5 storage"]
    page.text_area[0].set_value("15, 12.4\n30, 16.1\n60, 20.8")
    page = next(button for button in page.button if button.label == "Reckon with these").click().run()
    assert fine(page)
    assert "Reckoned with your depths of rain." in said(page)
    assert rows(page)["RP5 storage"].startswith("0.746 m³")
    assert "critical at 60 min" in rows(page)["RP5 storage"]
    page = next(button for button in page.button if button.label == "Reckon without them").click().run()
    assert "depths of rain for this place" in rows(page)["RP5 storage"]


def test_rain_that_is_none_is_refused_in_a_sentence(run: Callable[[Path], AppTest], large_roof: Path) -> None:
    """A word for a depth: what is wrong is said, and nothing is reckoned with it."""
    page = run(large_roof)
    before = rows(page)
    page.text_area[0].set_value("15, much")
    page = next(button for button in page.button if button.label == "Reckon with these").click().run()
    assert fine(page)
    assert "the depths of rain: holds no number" in said(page)
    assert rows(page) == before


def test_prices_of_a_file_are_taken_as_the_sites_own_are() -> None:
    """One line is one price; a file without a price's columns is refused with every fault."""
    found = cache_works.given(default(), rates=PRICES.encode(), rain="")
    assert [(rate.repair_kind, rate.line, float(rate.price)) for rate in found.rates] == [
        ("r02", "pipe", 12.5)
    ]
    assert (found.told, found.rain) == ("1 price", None)
    assert found.version != cache_works.given(default(), rates=b"", rain="").version
    with pytest.raises(InputError, match=r"rates\.csv"):
        cache_works.given(default(), rates=b"id,price\nRT1,twelve\n", rain="")


def test_own_prices_stand_beside_the_quantity(run: Callable[[Path], AppTest]) -> None:
    """0.336 m of pipe is ordered as a whole metre: 12.50; with the gully's 185.00 that makes 197.50."""
    page = run(DEMO / "semi_on_a_slope")
    page.session_state["works-given-semi_on_a_slope"] = cache_works.given(
        default(), rates=PRICES.encode(), rain=""
    )
    page = page.run()
    assert fine(page)
    assert "12.50 GBP" in rows(page)["RP2 pipe"]
    assert "<b>197.50</b>GBP for 2 of" in said(page)


def test_work_done_and_a_result_are_recorded(
    kept: tuple[Path, Store, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One opening more is two of three; a passed result without its numbers passes nothing."""
    path, store, site_id = kept
    monkeypatch.setenv("WALLFOOT_WORKSPACE", str(path))
    monkeypatch.setenv("WALLFOOT_SITES", str(DEMO / "semi_on_a_slope"))
    page = AppTest.from_function(one_view, default_timeout=PATIENCE_S)
    page.query_params["site"] = site_id
    page = view(page.run(), "Done so far")
    assert fine(page)
    page.selectbox(key="done-repair-0").select("RP3")
    page.run()
    page.selectbox(key="done-line-0-RP3").select("openings")
    page.run()
    page.text_input(key="done-amount-0").set_value("1")
    page = page.button(key="done-keep").click().run()
    assert fine(page)
    done = [one for one in store.site(site_id).of("work_done") if one.repair_id == "RP3"]
    assert [float(one.quantity) for one in done] == [1.0, 1.0]
    page = view(page, "Hold points")
    key = next(name for name in page.selectbox(key="hold-pick-0").options if "HP3 RP3" in name)
    page.selectbox(key="hold-pick-0").select(key)
    page.run()
    result = next(box for box in page.selectbox if box.label == "result")
    result.select("passed")
    page = next(button for button in page.button if button.label == "Keep the result").click().run()
    assert fine(page)
    passed = [one for one in store.site(site_id).of("hold_point") if one.result == "passed"]
    assert len(passed) == 2
    assert "<b>1 of 10</b>hold points passed" in said(page)


def test_a_repair_that_is_refused_stays_typed(
    kept: tuple[Path, Store, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A length in words is no length: the sentence names the field and nothing is kept."""
    path, store, site_id = kept
    monkeypatch.setenv("WALLFOOT_WORKSPACE", str(path))
    monkeypatch.setenv("WALLFOOT_SITES", str(DEMO / "semi_on_a_slope"))
    page = AppTest.from_function(one_view, default_timeout=PATIENCE_S)
    page.query_params["site"] = site_id
    page = page.run()
    field = next(box for box in page.text_input if box.label == "length, m")
    field.set_value("a few")
    before = len(store.site(site_id).of("repair"))
    page = next(button for button in page.button if button.label == "Keep the repair").click().run()
    assert fine(page)
    assert "length" in said(page)
    assert next(box for box in page.text_input if box.label == "length, m").value == "a few"
    assert len(store.site(site_id).of("repair")) == before
