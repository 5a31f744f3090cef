"""A TIFF on its way in: heights of the ground, or a plan."""

from __future__ import annotations

from typing import Any

import streamlit as st

from app import workspace
from app.desk import Desk
from app.views.bring_in_plan import plan
from app.views.bring_in_said import Given, ask, bring_in, facts_table, show_problems
from app.widgets import chrome
from geo.entry.importing import ground_question, raster_facts, site_bounds
from geo.intake.raster import RasterLook, ground_info, look_at_raster, raster_questions
from geo.store.changes import Change, PutFile, PutGround

HEIGHTS, PLAN = "heights", "plan"
WORDS = {HEIGHTS: "heights of the ground", PLAN: "a scanned plan"}
OFFSETS = {
    "datum_offset_m": "Add to its levels to get levels above the site datum, m",
    "datum_offset_sigma_m": "Standard deviation of that, m",
}


def ground(at: Desk, given: Given) -> None:
    """Take a TIFF through to the site's ground, or to a plan."""
    what = st.radio(
        "What is it?",
        list(WORDS),
        index=None,
        format_func=WORDS.__getitem__,
        key=f"{given.key}-what",
        horizontal=True,
    )
    if what == PLAN:
        plan(at, given)
    elif what == HEIGHTS:
        _heights(at, given)


def _heights(at: Desk, given: Given) -> None:
    look = _looked(given.key, at.site_id, at.version, _given=given, _at=at)
    facts_table(raster_facts(look))
    show_problems(look.problems, key=f"{given.key}-raster", file=look.file)
    if not look.usable:
        st.text("It cannot be the site's ground; nothing was taken from it.")
        return
    answers: dict[str, Any] = {}
    for question in raster_questions():
        answers[question.key] = ask(ground_question(question, at.site.reference), key=given.key)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        for name, words in OFFSETS.items():
            answers[name] = st.text_input(words, key=f"{given.key}-{name}", width=420)
    chrome.note(
        "An error or a date nobody knows stays blank: the usual error is then taken, and that is said.",
        "Levels by staff and levels of the raster stand side by side and are never mixed.",
    )
    names = workspace.store().file_versions(at.site_id)
    if "ground.tif" in names:
        st.text(
            "The site has ground heights already: these take their place, and Undo brings the others back."
        )

    def changes() -> list[Change]:
        info = ground_info(look, answers)
        return [
            PutFile("ground.tif", given.raw, base=names.get("ground.tif")),
            PutGround(info, base=names.get("ground.toml")),
        ]

    bring_in(
        at,
        "Bring in the ground",
        changes,
        file=look.file,
        told=f"The ground heights of {look.file} brought in.",
    )


@st.cache_resource(show_spinner="reading every cell", max_entries=4)
def _looked(key: str, site_id: str, version: int, *, _given: Given, _at: Desk) -> RasterLook:  # noqa: ARG001
    site = _at.site
    return look_at_raster(
        _given.name, _given.raw, site_crs=site.crs, footprint=site_bounds(site), ref=site.reference
    )
