"""A scanned plan laid on the site by points seen on both."""

from __future__ import annotations

from functools import partial

import streamlit as st

from app import workspace
from app.desk import Desk
from app.views.bring_in_said import Given, bring_in, refused
from app.widgets import chrome
from app.widgets.picture import Mark, show_picture
from app.widgets.table import show_table
from geo.entry.importing import kept_name
from geo.entry.plans import (
    FOLDER,
    ControlPoint,
    fit_points,
    outline_corners,
    residual_table,
    told_fit,
    touched_picture,
    why_not,
)
from geo.intake.plan import AFFINE, SIMILARITY, PlanPicture, look_at_plan, place_plan
from geo.reference import Reference
from geo.store.changes import Change, PutFile

TYPED = "typed"
KINDS = {
    SIMILARITY: "as a scan to scale: moved, turned, scaled",
    AFFINE: "as paper that stretched: two scales and a skew besides",
}
METRES = ("easting, m", "northing, m", "residual east, m", "residual north, m", "from the others, m")
DIGITS = {"column, px": 1, "row, px": 1, **dict.fromkeys(METRES, 3)}


def plan(at: Desk, given: Given) -> None:
    """Take a plan through to a placed one under the Draw page's map."""
    key = f"{given.key}-plan"
    look, jpeg = _looked(given.key, at.site_id, _given=given, _ref=at.site.reference)
    if refused(look.problems, key=key, file=look.file):
        return
    chrome.note(
        "Tap a point on the plan whose place on the ground is known, say where it is, and add it: three"
        " points or more, far apart and not in a line. Corners of the outline are offered by name.",
        *look.remarks,
    )
    points: list[ControlPoint] = st.session_state.setdefault(f"{key}-points", [])
    fresh = st.session_state.get(f"{key}-fresh")
    marks = [Mark(name=one.name, column=one.column, row=one.row) for one in points]
    if fresh is not None:
        marks.append(Mark(name="new", column=fresh[0], row=fresh[1], fresh=True))
    show_picture(
        key,
        jpeg,
        (look.width, look.height),
        marks,
        alt=f"The plan {look.file}",
        told=f"{look.width:,} × {look.height:,} pixels; tap to mark a point",
        on_tap=partial(_tapped, key),
    )
    _new_point(at, look, points, key=key)
    _placed(at, given, look, points, key=key)


@st.cache_resource(show_spinner="opening the plan", max_entries=3)
def _looked(
    key: str,  # noqa: ARG001
    site_id: str,  # noqa: ARG001
    *,
    _given: Given,
    _ref: Reference,
) -> tuple[PlanPicture, bytes]:
    look = look_at_plan(_given.name, _given.raw, ref=_ref)
    return look, touched_picture(look.png) if look.png else b""


def _tapped(key: str, column: float, row: float) -> None:
    st.session_state[f"{key}-fresh"] = (column, row)
    count = len(st.session_state[f"{key}-points"])
    st.session_state[f"{key}-column-{count}"], st.session_state[f"{key}-row-{count}"] = column, row


def _new_point(at: Desk, look: PlanPicture, points: list[ControlPoint], *, key: str) -> None:
    """Ask where on the ground the point is that was tapped last."""
    corners = outline_corners(at.perimeter)
    left = [name for name in corners if name not in {one.name for one in points}]
    with st.container(horizontal=True, vertical_alignment="bottom"):
        column = st.number_input(
            "Column, px",
            0.0,
            float(look.width),
            None,
            1.0,
            "%.1f",
            key=f"{key}-column-{len(points)}",
            width=150,
        )
        row = st.number_input(
            "Row, px", 0.0, float(look.height), None, 1.0, "%.1f", key=f"{key}-row-{len(points)}", width=150
        )
        where = TYPED
        if left:
            where = st.selectbox(
                "On the ground it is",
                [*left, TYPED],
                index=None,
                format_func=lambda name: "at easting and northing" if name == TYPED else f"corner {name}",
                key=f"{key}-corner-{len(points)}",
                placeholder="choose",
                width=260,
            )
        east = north = None
        name = str(where or "")
        if where == TYPED:
            name = st.text_input(
                "Called", value=f"P{len(points) + 1}", key=f"{key}-name-{len(points)}", width=120
            )
            east = st.number_input(
                "Easting, m", value=None, format="%.3f", key=f"{key}-east-{len(points)}", width=190
            )
            north = st.number_input(
                "Northing, m", value=None, format="%.3f", key=f"{key}-north-{len(points)}", width=190
            )
        elif where:
            east, north = corners[where]
        ready = None not in (column, row, east, north)
        if st.button("Add the point", key=f"{key}-add", type="primary", disabled=not ready):
            points.append(
                ControlPoint(
                    name=name.strip() or f"P{len(points) + 1}",
                    column=column,
                    row=row,
                    easting_m=east,
                    northing_m=north,
                )
            )
            st.session_state[f"{key}-fresh"] = None
            st.rerun(scope="fragment")


def _placed(at: Desk, given: Given, look: PlanPicture, points: list[ControlPoint], *, key: str) -> None:
    """Show how well the points agree, and keep the plan when they do."""
    kind = st.radio(
        "The plan lies", list(KINDS), format_func=KINDS.__getitem__, key=f"{key}-kind", horizontal=True
    )
    fit, said = fit_points(points, kind=kind, ref=at.site.reference)
    show_table(residual_table(points, fit), digits=DIGITS, empty="No control points yet.")
    _take_out(points, key=key)
    if said:
        st.text(said)
    if fit is not None:
        st.text(told_fit(fit))
    because = "" if said else why_not(points, fit)
    if because:
        st.text(because)
    if said or because or fit is None:
        return
    names = workspace.store().file_versions(at.site_id)
    wanted = kept_name(FOLDER, given.name, names, end=".tif")

    def changes() -> list[Change]:
        return [
            PutFile(wanted, place_plan(given.name, given.raw, fit, crs=at.site.crs, ref=at.site.reference))
        ]

    bring_in(
        at,
        "Keep the plan under the map",
        changes,
        file=look.file,
        told=f"{look.file} is placed and kept as {wanted}: it lies under the map of the page Draw.",
    )


def _take_out(points: list[ControlPoint], *, key: str) -> None:
    if not points:
        return
    with st.container(horizontal=True):
        for number, one in enumerate(points):
            if st.button(f"Take out {_short(one.name)}", key=f"{key}-out-{number}-{one.name}"):
                points.pop(number)
                st.rerun(scope="fragment")


def _short(name: str) -> str:
    return "".join(sign for sign in name if sign.isalnum() or sign in " -")[:30] or "point"
