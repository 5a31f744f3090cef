"""What does it look like?"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import access, desk, workspace
from app.desk import Desk
from app.parts import part
from app.widgets import chrome
from app.widgets.conflict import show_conflicts
from app.widgets.text import plain
from geo.entry.photos import FOLDER, TIED_KINDS, bring_photos, offered_ties, photos_zip, tie_photo
from geo.entry.whereabouts import Whereabouts, whereabouts
from geo.errors import WallfootError
from geo.photos.take import thumbnail
from geo.site.visit_records import Photo
from geo.store.changes import Change, Put, PutFile, Remove
from geo.store.said import Conflict
from geo.verdict import NOT_KNOWN

ACROSS, SHOWN = 6, 24
SCALE = {"yes": "yes", "no": "no", "not_known": NOT_KNOWN}


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = desk.open_desk(head, "Photographs")
    if opened is not None:
        _page(opened.site_id)


@part
def _page(site_id: str) -> None:
    at = desk.current(site_id)
    _take(at)
    at = desk.current(site_id)
    for sentence in st.session_state.get(f"photos-told-{site_id}", ()):
        st.text(sentence)
    show_conflicts(
        st.session_state.get(f"photos-conflicts-{site_id}", ()),
        name=f"photos-{site_id}",
        keep_mine=lambda conflict: _settle(at, conflict, mine=True),
        take_theirs=lambda conflict: _settle(at, conflict, mine=False),
    )
    photos = [photo for photo in at.site.of("photo") if isinstance(photo, Photo)][::-1]
    chosen = [photo for photo in photos if photo.id in _chosen(at)]
    if chosen:
        _tie(at, chosen)
    _strip(at, photos)
    if photos:
        _way_out(at, photos)


def _chosen(at: Desk) -> set[str]:
    found: set[str] = st.session_state.setdefault(f"photos-chosen-{at.site_id}", set())
    return found


def _take(at: Desk) -> None:
    """Take in what is uploaded or shot, at once."""
    turn = st.session_state.setdefault(f"photos-turn-{at.site_id}", 0)
    given = st.file_uploader(
        "Add photographs: JPEG or PNG, several at once; a tablet or phone offers its camera here",
        accept_multiple_files=True,
        key=f"photos-given-{at.site_id}-{turn}",
    )
    files = list(given or ())
    if st.toggle("Camera of this machine", key="photos-camera"):
        shot = st.camera_input("Take a picture", key=f"photos-shot-{at.site_id}-{turn}", width=640)
        if shot is not None:
            files.append(shot)
        chrome.note("A browser lets a page use the camera here only on this machine itself or over https.")
    tried = f"photos-tried-{at.site_id}"
    ids = tuple(str(file.file_id) for file in files)
    if not ids:
        return
    if ids == st.session_state.get(tried) and not st.button("Try to keep them again", type="primary"):
        return
    st.session_state[tried] = ids
    brought = bring_photos([(file.name, file.getvalue()) for file in files], at.site)
    changes: list[Change] = [
        PutFile(name, raw, hashlib.sha256(raw).hexdigest()) for name, raw in brought.originals.items()
    ]
    changes += [Put(record) for record in brought.records]
    outcome = desk.save(at.site_id, changes)
    told = brought.told
    if outcome.saved:
        names = [record.id for record in brought.records]
        st.session_state[f"photos-chosen-{at.site_id}"] = set(names)
        st.session_state[f"photos-turn-{at.site_id}"] = turn + 1
        if names:
            count = "1 photograph" if len(names) == 1 else f"{len(names)} photographs"
            told = (f"{count} kept as taken. Say what is in the picture below.", *told)
    else:
        told = (f"Nothing was kept: {outcome.told}", *(outcome.wrong[1:]), *told)
    st.session_state[f"photos-told-{at.site_id}"] = told
    if outcome.saved:
        st.rerun(scope="fragment")


def _tie(at: Desk, photos: Sequence[Photo]) -> None:
    """Say of one or several photographs what they show, by one tap each."""
    first = photos[0]
    key = f"{at.site_id}-{'-'.join(photo.id for photo in photos)}"[:160]
    version = "-".join(str(at.versions.get(photo.id, 0)) for photo in photos)[:60]
    place = _places(at, [first]).get(first.id, Whereabouts())
    with st.container(border=True):
        names = ", ".join(photo.id for photo in photos[:4])
        st.text(f"{names}{' …' if len(photos) > 4 else ''}: {_told(first, place)}")
        offers = list(
            dict.fromkeys(
                [
                    *([first.of_id] if first.of_id else []),
                    *offered_ties(
                        at.site,
                        _chainages(at, place.ring_key),
                        chainage_m=place.chainage_m,
                        ring_length_m=_length(at, place.ring_key),
                    ),
                ]
            )
        )
        st.pills(
            "It shows",
            offers,
            default=first.of_id or None,
            format_func=plain,
            key=f"tie-{key}-{version}",
            on_change=_tapped,
            args=(at, photos, "of_id", f"tie-{key}-{version}"),
        )
        st.segmented_control(
            "A scale is in the picture",
            list(SCALE),
            format_func=SCALE.__getitem__,
            default=first.scale_in_frame,
            required=True,
            key=f"scale-{key}-{version}",
            on_change=_tapped,
            args=(at, photos, "scale_in_frame", f"scale-{key}-{version}"),
        )
        _where(at, photos, first, f"{key}-{version}")
        with st.container(horizontal=True):
            if st.button("Done", key=f"done-{key}"):
                _chosen(at).clear()
                st.rerun(scope="fragment")
            if st.button("Take out", key=f"out-{key}", help="It stays in the history"):
                _remove(at, photos)


def _where(at: Desk, photos: Sequence[Photo], first: Photo, key: str) -> None:
    """Ask for the place on the wall, and for the id of anything the pills do not offer."""
    with st.form(f"where-{key}", border=False), st.container(horizontal=True, vertical_alignment="bottom"):
        given = {
            "chainage_m": st.text_input(
                "Chainage, m", value="" if first.chainage_m is None else f"{first.chainage_m:g}", width=120
            ),
            "offset_m": st.text_input(
                "Off the wall, m", value="" if first.offset_m is None else f"{first.offset_m:g}", width=120
            ),
            "face": st.text_input("or face", value=first.face, width=90),
            "corner": st.text_input("from corner", value=first.corner, width=110),
            "distance_m": st.text_input(
                "distance, m", value="" if first.distance_m is None else f"{first.distance_m:g}", width=110
            ),
            "of_id": st.text_input("It shows (id)", value=first.of_id, width=130),
            "direction_deg": st.text_input(
                "Looking toward, °",
                value="" if first.direction_deg is None else f"{first.direction_deg:g}",
                width=130,
            ),
            "note": st.text_input("Note", value=first.note, width=240),
        }
        if st.form_submit_button("Keep"):
            changed = {
                name: text.strip() for name, text in given.items() if text.strip() != _shown(first, name)
            }
            _keep(at, photos, changed)
            st.rerun(scope="fragment")


def _shown(photo: Photo, name: str) -> str:
    value = getattr(photo, name)
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _tapped(at: Desk, photos: Sequence[Photo], name: str, key: str) -> None:
    """Keep what was tapped."""
    _keep(at, photos, {name: st.session_state[key] or ""})


def _keep(at: Desk, photos: Sequence[Photo], fields: Mapping[str, Any]) -> None:
    """Keep what was said of photographs, all of them or none."""
    told: list[str] = []
    changes: list[Change] = []
    named = str(fields.get("of_id", ""))
    if named and named not in at.site.ids:
        told.append(f"{named} is no record of this site.")
    for photo in photos if fields and not told else ():
        record, wrong = tie_photo(photo, fields)
        told += wrong
        if record is not None:
            changes.append(Put(record, at.versions.get(photo.id)))
    if not told:
        outcome = desk.save(at.site_id, changes)
        told = [outcome.told] if outcome.told else []
        st.session_state[f"photos-conflicts-{at.site_id}"] = outcome.conflicts
    st.session_state[f"photos-told-{at.site_id}"] = tuple(told)


def _settle(at: Desk, conflict: Conflict, *, mine: bool) -> None:
    """Keep one's own version over the other, or let it go."""
    key = f"photos-conflicts-{at.site_id}"
    if mine and isinstance(conflict.mine, Photo):
        base = conflict.version if conflict.theirs is not None else None
        outcome = desk.save(at.site_id, [Put(conflict.mine, base)])
        st.session_state[f"photos-told-{at.site_id}"] = (outcome.told,) if outcome.told else ()
    st.session_state[key] = tuple(other for other in st.session_state[key] if other is not conflict)


def _remove(at: Desk, photos: Sequence[Photo]) -> None:
    """Take photographs out with their files; both stay in the history."""
    try:
        files = workspace.store().file_versions(at.site_id)
    except WallfootError as error:
        st.text(str(error))
        return
    changes: list[Change] = [Remove("photo", photo.id, at.versions.get(photo.id)) for photo in photos]
    names = [f"{FOLDER}/{photo.file}" for photo in photos]
    changes += [Remove("file", name, files[name]) for name in names if name in files]
    outcome = desk.save(at.site_id, changes)
    said = f"{', '.join(photo.id for photo in photos)} taken out."
    st.session_state[f"photos-told-{at.site_id}"] = (said if outcome.saved else outcome.told,)
    _chosen(at).clear()
    st.rerun(scope="fragment")


def _strip(at: Desk, photos: Sequence[Photo]) -> None:
    """Show the photographs small, the last first; a tap under one chooses it."""
    if not photos:
        st.text("No photograph yet.")
        return
    shown = photos if st.session_state.get("photos-all") else photos[:SHOWN]
    places = _places(at, shown)
    untied = sum(not photo.of_id and photo.chainage_m is None and not photo.face for photo in photos)
    counted = "1 photograph" if len(photos) == 1 else f"{len(photos)} photographs"
    chrome.note(f"{counted}, {untied} not tied to anything yet.")
    chosen = _chosen(at)
    for begin in range(0, len(shown), ACROSS):
        for column, photo in zip(st.columns(ACROSS), shown[begin : begin + ACROSS], strict=False):
            with column:
                small = _small(at, photo)
                if isinstance(small, bytes):
                    st.image(small, alt=f"{photo.id} {photo.of_id}", width="stretch")
                else:
                    st.text(small)
                picked = photo.id in chosen
                label = f"{photo.of_id or 'tie it'}{' ✓' if picked else ''}"
                if st.button(
                    plain(label),
                    key=f"pick-{photo.id}",
                    type="primary" if picked else "secondary",
                    width="stretch",
                ):
                    (chosen.discard if picked else chosen.add)(photo.id)
                    st.rerun(scope="fragment")
                chrome.note(photo.id, _told(photo, places.get(photo.id, Whereabouts())))
    if len(photos) > SHOWN:
        st.toggle(f"Show all {len(photos)}", key="photos-all")


def _small(at: Desk, photo: Photo) -> bytes | str:
    try:
        return _thumbnail(photo.sha256, at.site_id, photo.file)
    except WallfootError:
        return "The file is not in the workspace."
    except (OSError, ValueError):
        return "The picture cannot be read."


@st.cache_data(show_spinner=False, max_entries=600)
def _thumbnail(sha256: str, site_id: str, file: str) -> bytes:  # noqa: ARG001 - the hash is the key
    raw = workspace.store().file(site_id, f"{FOLDER}/{file}")
    return thumbnail(raw, ref=desk.current(site_id).site.reference)


def _told(photo: Photo, place: Whereabouts) -> str:
    parts = [photo.taken_at.replace("T", " ") or "time not known"]
    if photo.of_id:
        parts.append(f"shows {photo.of_id}")
    if math.isfinite(place.chainage_m):
        parts.append(place.told)
    if photo.scale_in_frame == "yes":
        parts.append("with a scale")
    return " · ".join(parts)


def _way_out(at: Desk, photos: Sequence[Photo]) -> None:
    with st.expander("Photographs as a zip", key="photos-out", on_change="rerun"):
        keep = st.toggle("Leave in where each was taken", key="photos-keep-place")
        chrome.note(
            "The originals, byte for byte, with whatever place the camera wrote into them."
            if keep
            else "Copies that do not tell where they were taken; every pixel is as it was. A picture whose"
            " place cannot be taken out is left out, and the zip says so."
        )
        access.download(
            "Save the zip",
            lambda: photos_zip(
                photos, lambda name: workspace.store().file(at.site_id, name), keep_place=keep
            )[0],
            file_name=f"{at.site_id}-photographs.zip",
            mime="application/zip",
            on_click="ignore",
        )


def _places(at: Desk, photos: Sequence[Photo]) -> dict[str, Whereabouts]:
    if at.perimeter is None:
        return {}
    return whereabouts(photos, at.site, perimeter=at.perimeter)


def _chainages(at: Desk, ring_key: str) -> dict[str, float]:
    """Return where on the wall everything stands that a photograph may be tied to."""
    if at.perimeter is None:
        return {}
    records = [record for kind in TIED_KINDS for record in at.site.of(kind)]
    places = whereabouts(records, at.site, perimeter=at.perimeter)
    return {name: place.chainage_m for name, place in places.items() if place.ring_key in (ring_key, "")}


def _length(at: Desk, ring_key: str) -> float:
    if at.perimeter is None or ring_key not in at.perimeter.rings.index:
        return math.nan
    return float(at.perimeter.rings.loc[ring_key, "length_m"])
