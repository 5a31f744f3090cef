"""The one gate of what a visitor may see and do; everybody is let through where nobody has to log in."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from http.cookies import CookieError, SimpleCookie
from typing import Any

import streamlit as st
from streamlit.runtime.scriptrunner import add_script_run_ctx, get_script_run_ctx

from app import audit
from geo.access import ALONE, NOBODY, NotAllowedError, Rules, Visitor
from geo.store.changes import Put
from geo.store.entries import SiteEntry
from geo.store.store import Store

RULES: list[Rules] = []
"""The rules of this run; empty where nobody has to log in."""
WORKS_KINDS = frozenset({"work_done", "hold_point", "photo"})
"""What somebody who only does the works may record."""
READ = ("site", "site_at", "version", "versions", "file_versions", "file", "history", "saves")
CHANGE = ("remove_site", "restore_site", "undo", "restore")
PAGES = {
    "map": "look", "strip": "look", "ground": "look", "outlets": "look", "drains": "look",
    "not-known": "look", "causes": "look", "test-log": "look", "drying": "look", "works": "look",
    "report": "letter",
    "site": "record", "draw": "record", "type-in": "record", "levels": "record", "tests": "record",
    "photos": "record", "import": "record", "walk": "record", "before-you-leave": "record",
    "devices": "record",
    "homes": "register", "estate": "register", "home": "register", "screened": "register",
    "read-log": "audit",
}  # fmt: skip
"""What each page asks of a visitor, by the last part of its address; a page not named here is nobody's."""
MEDIA = ("/media/", "/_stcore/upload_file/", "/~/+/media/")
USER_COOKIE = "_streamlit_user"


def login_asked() -> bool:
    """Say whether people have to log in."""
    return bool(RULES)


def visitor() -> Visitor:
    """Return who looks at this page."""
    if not RULES:
        return ALONE
    user = _user()
    if not user or not RULES[0].holds(user, time.time()):
        return NOBODY
    return RULES[0].visitor(user)


def _user() -> Mapping[str, Any]:
    return dict(st.user) if st.user.get("is_logged_in") else {}


def stop_nobody() -> Visitor:
    """Offer to log in and go no further for anybody who has not, or whose login has run out."""
    found = visitor()
    if found.may:
        return found
    user = _user()
    st.title("wallfoot", anchor=False)
    if user and not RULES[0].holds(user, time.time()):
        st.text("Your login has run out.")
        st.button("Log in again", on_click=st.logout, type="primary")
    elif user:
        st.text(f"You are logged in, and nothing here is yours to see yet. Your sign: {found.who}.")
        st.button("Log out", on_click=st.logout)
    else:
        st.text("Log in to see what is yours.")
        st.button("Log in", on_click=st.login, type="primary")
    st.stop()
    return NOBODY


def allowed(groups: Mapping[str, Sequence[Any]]) -> dict[str, list[Any]]:
    """Return the pages a visitor may open."""
    who = visitor()
    kept = {
        name: [page for page in pages if who.allows(PAGES.get(page.url_path or "map", "nobody"))]
        for name, pages in groups.items()
    }
    return {name: pages for name, pages in kept.items() if pages}


def download(label: str, data: Any, **options: Any) -> bool:
    """Offer a file to take away, to those who may take files away.

    Parameters
    ----------
    label, data, options
        As :func:`streamlit.download_button` takes them; ``place`` is where it stands, the page by default,
        ``action`` what it asks of a visitor, ``export`` by default; ``of`` names what it is taken from, the
        site that is open by default. Where people log in, the file is given only once that is noted.
    """
    place, action = options.pop("place", st), options.pop("action", "export")
    of = options.pop("of", None)
    if not visitor().allows(action):
        return False
    if login_asked():
        data = _noted(data, action if action in ("letter", "report") else "export", of)
    return bool(place.download_button(label, data, **options))


def _noted(data: Any, kind: str, of: Mapping[str, str] | None) -> Callable[[], Any]:
    """Return a file as made when it is asked for, once that is noted, in another thread as this visitor.

    A page left open offers nothing once the login it was drawn for has run out.
    """
    who, user, context = visitor(), _user(), get_script_run_ctx()
    about = dict(of or {"site_id": str(st.session_state.get("site") or "")})

    def give() -> Any:
        if not RULES[0].holds(user, time.time()):
            raise NotAllowedError("The login has run out, so the file is not given.")
        thread = threading.current_thread()
        before = get_script_run_ctx(suppress_warning=True)
        add_script_run_ctx(thread, context)
        try:
            audit.note_read(kind, each=True, who=who, **about)
            return data() if callable(data) else data
        finally:
            add_script_run_ctx(thread, before)

    return give


class Guarded:
    """The store as one visitor may use it: what is not named here is refused."""

    def __init__(self, inner: Store, who: Visitor) -> None:
        self._inner, self._who = inner, who

    @property
    def name(self) -> str:
        """Where records are kept."""
        return self._inner.name

    def sites(self, *, removed: bool = False) -> tuple[SiteEntry, ...]:
        """Return the sites that are theirs to see."""
        found = self._inner.sites(removed=removed)
        return tuple(entry for entry in found if self._who.sees(entry.site_id, entry.owner))

    def create_site(self, info: Any, *, by: str, why: str = "", owner: str = "") -> str:
        """Begin a site, which is then its maker's own."""
        self._who.require("record")
        return self._inner.create_site(info, by=by, why=why, owner=self._own(owner))

    def take_in(self, site: Any, *, by: str, why: str = "", owner: str = "") -> str:
        """Take a site in, which is then its bringer's own."""
        self._who.require("record")
        return self._inner.take_in(site, by=by, why=why, owner=self._own(owner))

    def hand_out(self, site_id: str, folder: Any) -> None:
        """Write a site's folder."""
        self._ask("export", site_id)
        audit.note(self._inner.read_log, self._who, ["export"], site_id=site_id)
        self._inner.hand_out(site_id, folder)

    def save(self, site_id: str, changes: Sequence[Any], **more: Any) -> Any:
        """Save changes; who only does the works may record what was done, and nothing else."""
        if not self._who.allows("record") and all(_of_the_works(change) for change in changes):
            self._ask("works", site_id)
        else:
            self._ask("record", site_id)
        return self._inner.save(site_id, changes, **more)

    def __getattr__(self, name: str) -> Callable[..., Any]:
        action = "look" if name in READ else "record" if name in CHANGE else ""
        if not action:
            raise NotAllowedError(f"That is done by the command, not here ({name}).")

        def asked(site_id: str, *args: Any, **more: Any) -> Any:
            self._ask(action, site_id)
            return getattr(self._inner, name)(site_id, *args, **more)

        return asked

    def _own(self, owner: str) -> str:
        own = sorted(one for one in self._who.owners if one != "*")
        if owner in own or (owner and "*" in self._who.owners):
            return owner
        return next(iter(own), self._who.own_name)

    def _ask(self, action: str, site_id: str) -> None:
        entry = next((one for one in self._inner.sites(removed=True) if one.site_id == site_id), None)
        looks = action == "look"
        if looks and not self._who.allows("look"):
            action = "letter"
        self._who.require(action, site_id, "" if entry is None else entry.owner)
        if looks and entry is not None:
            audit.opened(self._inner.read_log, self._who, site_id, version=entry.version)


def _of_the_works(change: Any) -> bool:
    return (
        isinstance(change, Put)
        and change.record.kind in WORKS_KINDS
        and change.base is None
        and change.after is None
    )


def guarded(store: Store) -> Any:
    """Return the store as this visitor may use it."""
    return Guarded(store, visitor()) if RULES else store


def has_login(headers: Iterable[tuple[str, str]]) -> bool:
    """Say whether a request for a file, which asks no page, carries a login that still holds."""
    if not RULES:
        return True
    from streamlit.auth_util import get_cookie_with_chunks, get_signing_secret  # noqa: PLC0415
    from streamlit.web.server.starlette.starlette_app_utils import decode_signed_value  # noqa: PLC0415

    cookies: dict[str, str] = {}
    for name, value in headers:
        if name == "cookie":
            try:
                cookies |= {key: found.value for key, found in SimpleCookie(value).items()}
            except CookieError:
                return False

    def one(name: str) -> bytes | None:
        return decode_signed_value(get_signing_secret(), name, cookies[name]) if name in cookies else None

    raw = get_cookie_with_chunks(one, USER_COOKIE)
    if not raw:
        return False
    import json  # noqa: PLC0415

    try:
        user = json.loads(raw)
    except ValueError:
        return False
    return RULES[0].holds(user, time.time()) and bool(RULES[0].visitor(user).may)
