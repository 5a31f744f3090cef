"""The page of reports runs without a browser, on a site of which only the outline is known as well."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

DEMO = Path(__file__).parents[2] / "demo_sites"


def page() -> None:
    """Run the page as the app does (this function's text is run by itself)."""
    from app import session
    from app.views import report

    head, aside = session.site_open()
    session.offer_sites(aside)
    report.show(head)


def test_the_page_says_what_would_fill_the_report(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """With an outline only the letter has one page; the full report says what is left out, and why."""
    folder = tmp_path / "outline"
    folder.mkdir()
    for name in ("site.toml", "buildings.geojson"):
        shutil.copy(DEMO / "semi_on_a_slope" / name, folder)
    monkeypatch.setenv("WALLFOOT_SITES", str(folder))
    shown = AppTest.from_function(page, default_timeout=120).run()
    assert not shown.exception
    said = "\n".join(part.proto.body for part in shown.get("html"))
    assert "1 page, in plain words" in said
    shown.button_group(key="report-which").select("Full report").run()
    assert not shown.exception
    said = "\n".join(part.proto.body for part in shown.get("html"))
    assert "Readings by method" in said
    assert "no reading is recorded" in said
