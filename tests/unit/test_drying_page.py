"""The page of drying without a browser, and readings typed at fixed points."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app.parts import CANNOT
from geo.drying.report import Drying, drying_of
from geo.entry.drying import lines_to_type, readings_typed
from geo.findings.check import read_checked
from geo.findings.examine import examine

DEMO = Path(__file__).resolve().parents[2] / "demo_sites"
PATIENCE_S = 240


@cache
def found() -> Drying:
    """Return the drying of the demo site once; its tests do not matter here."""
    return drying_of(examine(read_checked(DEMO / "semi_on_a_slope")))


def one_view() -> None:
    """Run the page as the app does (this function's text is run by itself)."""
    from app import session
    from app.views import drying

    head, aside = session.site_open()
    session.offer_sites(aside)
    drying.show(head)


def run(monkeypatch: pytest.MonkeyPatch, name: str) -> AppTest:
    """Run the page on a demo site."""
    monkeypatch.setenv("WALLFOOT_SITES", str(DEMO / name))
    return AppTest.from_function(one_view, default_timeout=PATIENCE_S).run()


def said(page: AppTest) -> str:
    """Return everything a page says, as HTML and as text; none of it is that a part could not be shown."""
    assert not [text.value for text in page.text if CANNOT in text.value]
    return "\n".join([*(part.proto.body for part in page.get("html")), *(part.value for part in page.text)])


def test_the_page_opens_on_the_slowest_point_and_says_what_settles_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The slowest is the one whose source runs; picking DR1 gives its range of dates and no single one."""
    page = run(monkeypatch, "semi_on_a_slope")
    assert not page.exception
    assert "seepage with the source open" in said(page)
    page.get("button_group")[0].set_value("DR1").run()
    assert not page.exception
    told = said(page)
    assert "not before day 43 (29 May 2026); latest date not known" in told
    assert "A reading near day 70 (25 June 2026) settles" in told
    assert "day 54" not in told
    assert "Readings are typed on a copy in the workspace" in told
    assert [button.label for button in page.button] == ["Take a copy into the workspace"]


def test_a_site_without_drying_is_told_how_to_begin(monkeypatch: pytest.MonkeyPatch) -> None:
    """No table of nothing: what to mark, to read, to log, and when the clock starts."""
    page = run(monkeypatch, "old_school")
    assert not page.exception
    assert "Nothing of drying is on record." in said(page)
    assert "hold point HP2" in said(page)


def test_every_point_has_a_line_and_keeps_its_instrument() -> None:
    """The instrument offered is that of the last reading; sealed hours are asked of a sleeve only."""
    lines = {line.point_id: line for line in lines_to_type(found())}
    assert set(lines) == {record.id for record in found().site.of("drying_point")}
    assert lines["DR7"].instrument == "PIN-5"
    assert [name for name, line in lines.items() if line.sealed] == ["DR3"]
    assert lines["DR4"].last == "15.2 on 14 May 2026"


def test_a_reading_takes_everything_but_its_value_from_the_point() -> None:
    """Method, material, depth, side and the mark of a dry reference; a line without a value is left out."""
    typed = {
        "DR1": {"value": "4.4", "instrument": "BAL-1"},
        "DR3": {"value": "84", "instrument": "RH-4", "sealed_h": "74"},
        "DR4": {"value": "", "instrument": "PIN-3"},
        "DR9": {"value": "2.4", "instrument": "BAL-1"},
    }
    kept = readings_typed(found().site, typed, taken_at="2026-05-21T11:00", taken_by="surveyor")
    assert kept.said == {}
    one, sleeve, dry = (record.model_dump() for record in kept.records)
    assert (one["point_id"], one["method"], one["material"], one["depth_mm"]) == (
        "DR1",
        "gravimetric",
        "brick",
        60,
    )
    assert sleeve["sealed_h"] == 74
    assert (dry["control"], one["control"]) == ("yes", "no")
    assert len({record.id for record in kept.records} | set(found().site.ids)) == len(found().site.ids) + 3


@pytest.mark.parametrize(
    ("cells", "at", "wrong"),
    [
        ({"value": "4,4", "instrument": "BAL-1"}, "2026-05-21", "not a reading"),
        ({"value": "4.4", "instrument": ""}, "2026-05-21", "instrument"),
        ({"value": "4.4", "instrument": "BAL-1"}, "", "say when"),
        ({"value": "4.4", "instrument": "BAL-1"}, "yesterday", "taken at"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_kept_of_that_line(
    cells: dict[str, str], at: str, wrong: str
) -> None:
    """A decimal comma, a missing instrument, no time, a time that is none."""
    kept = readings_typed(found().site, {"DR1": cells}, taken_at=at)
    assert kept.records == ()
    assert wrong in kept.said["DR1"]


def test_a_point_taken_out_meanwhile_is_said() -> None:
    """Somebody else removed it while its line was typed."""
    kept = readings_typed(found().site, {"DR77": {"value": "3", "instrument": "X"}}, taken_at="2026-05-21")
    assert "no such point" in kept.said["DR77"]
