"""Where a site of the workspace lies open to be recorded in."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import streamlit as st
from pydantic import BaseModel
from streamlit.delta_generator import DeltaGenerator

from app import access, session, workspace
from app.widgets import chrome
from geo.errors import InputError, WallfootError
from geo.findings.places import perimeter_of
from geo.perimeter.build import Perimeter
from geo.site.folder import read_site
from geo.site.model import Site
from geo.site.tables import cell_text
from geo.store.changes import Change
from geo.store.entries import Event
from geo.store.said import Conflict, StaleError, StoreError

MOST_KEPT = 8
TO_RECORD = (
    "To record in it, take a copy into the workspace: every change there is kept with who, when and what"
    " was before, and the folder itself is not touched."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """A site as it stands now, with the version of everything in it.

    Parameters
    ----------
    perimeter
        Its walls; ``None`` while there is no outline to build them of.
    because
        Why there are no walls yet.
    """

    site_id: str
    version: int
    site: Site
    versions: Mapping[str, int]
    perimeter: Perimeter | None
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a save: kept, or why not, with both versions where two people changed one thing."""

    saved: bool
    told: str = ""
    save_id: int = 0
    conflicts: tuple[Conflict, ...] = ()
    wrong: tuple[str, ...] = ()


def open_desk(head: DeltaGenerator, question: str) -> Desk | None:
    """Show the head of a page one records on and return the site, or offer a way to one."""
    chosen = session.chosen()
    if chosen.folder is not None:
        chrome.heading(head, question, f"{chosen.label}: a folder, to look at.")
        offer_copy(TO_RECORD)
        return None
    try:
        desk = current(chosen.site_id)
    except WallfootError as error:
        chrome.heading(head, question, str(error))
        return None
    chrome.heading(
        head, question, f"{desk.site.info.name} · version {desk.version} · writing as {workspace.role()}"
    )
    return desk


def current(site_id: str) -> Desk:
    """Return a site of the workspace as it stands now, or, while that cannot be read, as it last stood here.

    A save then says what is the matter, and what is typed stays on the page.

    Raises
    ------
    StoreError
        When the workspace cannot be read and never was by this visitor.
    """
    seen = f"desk-seen-{site_id}"
    try:
        found = _desk(site_id, workspace.store().version(site_id))
    except StoreError:
        if seen not in st.session_state:
            raise
        return st.session_state[seen]
    st.session_state[seen] = found
    return found


@st.cache_resource(show_spinner=False, max_entries=MOST_KEPT)
def _desk(site_id: str, version: int) -> Desk:
    store = workspace.store()
    site = store.site(site_id)
    perimeter, because = None, ""
    if not site.of("building"):
        because = "There is no outline yet: draw it on the page Draw, or bring one in on the page Import."
    else:
        outline = hashlib.sha256(
            repr(
                (site.info, site.files.get("limits.toml"), [*_drawn(site, "building"), *_drawn(site, "face")])
            ).encode()
        )
        perimeter, because = _walls(outline.hexdigest(), site)
    return Desk(
        site_id=site_id,
        version=version,
        site=site,
        versions=store.versions(site_id),
        perimeter=perimeter,
        because=because,
    )


def _drawn(site: Site, kind: str) -> list[tuple[str, str]]:
    return [(repr(record), record.geometry.wkb_hex if record.geometry else "") for record in site.of(kind)]


@st.cache_resource(show_spinner=False, max_entries=MOST_KEPT)
def _walls(outline: str, _site: Site) -> tuple[Perimeter | None, str]:  # noqa: ARG001 - the key
    """Return the walls, built once for an outline and its tapes, or why there are none."""
    try:
        return perimeter_of(_site), ""
    except WallfootError as error:
        return None, str(error).splitlines()[0]


def save(site_id: str, changes: Sequence[Change], *, why: str = "") -> Outcome:
    """Save changes, all or none; whatever stands in the way is told and nothing is thrown away."""
    if not changes:
        return Outcome(saved=True)
    try:
        done = workspace.store().save(site_id, changes, by=workspace.role(), why=why)
    except StaleError as error:
        return Outcome(saved=False, told=str(error), conflicts=error.conflicts)
    except InputError as error:
        said = tuple(str(problem) for problem in error.problems)
        return Outcome(saved=False, told=said[0], wrong=said)
    except WallfootError as error:
        return Outcome(saved=False, told=str(error))
    return Outcome(saved=True, save_id=done.save_id)


def told_change(event: Event) -> str:
    """Say in a line what an event changed."""
    was, now = (_fields(content) for content in (event.was, event.now))
    if now is None:
        return "taken out"
    if was is None:
        return "added: " + ", ".join(f"{name} {value}" for name, value in now.items() if name != "id")[:300]
    changed = [
        f"{name}: {was.get(name, '–')} → {now.get(name, '–')}"
        for name in {**was, **now}
        if was.get(name) != now.get(name)
    ]
    return "; ".join(changed)[:300]


def _fields(content: object) -> dict[str, str] | None:
    if content is None:
        return None
    if not isinstance(content, BaseModel):
        return {"content": str(content)}
    fields = {name: cell_text(value) for name, value in content.model_dump().items()}
    shape = getattr(content, "geometry", None)
    drawn = {} if shape is None else {"drawn": f"{shape.geom_type} of {shape.length:.3f} m"}
    return {name: text for name, text in fields.items() if text} | drawn


def offer_copy(told: str, *, key: str = "take-copy") -> None:
    """Offer to take the folder that is open into the workspace, where it can be recorded in.

    Parameters
    ----------
    told
        What that would be for.
    key
        Name of the button, where there are several on a page.
    """
    chosen = session.chosen()
    if chosen.folder is None or not access.visitor().allows("record"):
        return
    chrome.note(told)
    if st.button("Take a copy into the workspace", type="primary", key=key):
        try:
            site_id = workspace.store().take_in(read_site(chosen.folder), by=workspace.role())
        except WallfootError as error:
            st.text(str(error))
            return
        session.turn_to(site_id)
        st.rerun()
