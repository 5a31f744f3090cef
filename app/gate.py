"""The gate before every request: page, file, upload and socket alike.

Nothing of the app answers a device that is not paired: it sees one page, which asks for the code.
"""

from __future__ import annotations

import asyncio
import contextlib
from html import escape
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

import streamlit as st

from app.access import MEDIA, has_login
from app.pairing import CODE_LENGTH, LAPTOP, OPEN_DOORS, STAMP, VISITOR, Door, is_this_machine
from geo.draw.theme import ACCENT, INK, PANEL, PAPER, RULE, SOFT_INK

PAIR_PATH = "/pair"
LONGEST_BODY = 2000
SAFE = ("GET", "HEAD", "OPTIONS")
POLICY = "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; frame-ancestors 'none'"
ASKING = f"""<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>wallfoot: pair this device</title>
<style>body {{ margin: 0; background: {PAPER}; color: {INK}; font: 18px/1.45 sans-serif; }}
main {{ max-width: 26rem; margin: 12vh auto 0; padding: 0 1.25rem; }} h1 {{ font-size: 1.5rem; }}
p {{ color: {SOFT_INK}; }} .said {{ color: {INK}; font-weight: 600; min-height: 1.45em; }}
input {{ box-sizing: border-box; width: 100%; height: 60px; font: 600 28px/1 monospace; text-align: center;
letter-spacing: .12em; text-transform: uppercase; border: 1px solid {RULE}; border-radius: 4px;
background: {PANEL}; color: {INK}; }}
button {{ width: 100%; height: 56px; margin-top: 12px; border: 0; border-radius: 4px; background: {ACCENT};
color: {PAPER}; font: 600 18px sans-serif; }}</style>
<main><h1>Pair this device</h1><p>Type the code of {CODE_LENGTH} signs that stands on the laptop: in its
terminal, and there on the page Devices. It pairs one device, for as long as the app runs.</p>
<form method="post" action="{PAIR_PATH}"><input name="code" aria-label="Code" autocomplete="off"
autocapitalize="characters" spellcheck="false" maxlength="16" autofocus required>
<button>Pair</button></form><p class="said" role="status"><!--said--></p></main></html>"""


class Gate:
    """Lets in this machine and paired devices, under the addresses the app was started for, and nobody else.

    Parameters
    ----------
    inner
        The app behind it, as an ASGI application.
    port
        Part of the cookie's name: two apps on one machine do not take each other's.
    """

    def __init__(self, inner: Any, door: Door, *, port: int) -> None:
        self.inner = inner
        self.door = door
        self.cookie = f"wallfoot-device-{port}"

    async def __call__(self, scope: dict[str, Any], receive: Any, send: Any) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] not in ("http", "websocket"):
            await self.inner(scope, receive, send)
            return
        headers = [
            (name.lower().decode("latin-1"), value.decode("latin-1")) for name, value in scope["headers"]
        ]
        hosts = [value for name, value in headers if name == "host"]
        if len(hosts) != 1 or not self.door.knows_host(hosts[0]):
            await _refuse(scope, receive, send, 403, "wallfoot was not started for this address.")
            return
        if scope["type"] == "websocket" or scope["method"] not in SAFE:
            origins = [value for name, value in headers if name == "origin"]
            if any(urlsplit(origin).netloc.lower() != hosts[0].lower() for origin in origins):
                await _refuse(scope, receive, send, 403, "Asked for by a page from elsewhere.")
                return
        who = self._who(scope, headers)
        if self.door.login and scope["path"].startswith(MEDIA) and not has_login(headers):
            await _refuse(scope, receive, send, 401, "Log in first.")
        elif who:
            await self._let_in(scope, receive, send, who)
        elif not self.door.lan:
            await _refuse(scope, receive, send, 403, "This app is open to its own machine only.")
        else:
            await self._ask(scope, receive, send, headers)

    def _who(self, scope: dict[str, Any], headers: list[tuple[str, str]]) -> str:
        # What a proxy on this machine passes on comes from somebody else.
        passed_on = any(name in ("forwarded", "x-forwarded-for", "via") for name, _ in headers)
        if is_this_machine((scope.get("client") or ("",))[0]) and not passed_on:
            return LAPTOP
        if self.door.login:
            return VISITOR
        if not self.door.lan:
            return ""
        for name, value in headers:
            if name == "cookie":
                with contextlib.suppress(CookieError):
                    found = SimpleCookie(value).get(self.cookie)
                    device = self.door.device_of(found.value) if found else ""
                    if device:
                        return device
        return ""

    async def _let_in(self, scope: dict[str, Any], receive: Any, send: Any, who: str) -> None:
        stamp = (STAMP.encode(), self.door.stamp(who).encode())
        kept = [(name, value) for name, value in scope["headers"] if name.lower() != STAMP.encode()]
        scope = {**scope, "headers": [*kept, stamp]}
        if scope["type"] == "websocket" and who not in (LAPTOP, VISITOR):
            await self._let_in_while_paired(scope, receive, send, who)
            return

        async def framed(message: dict[str, Any]) -> None:
            if message["type"] == "http.response.start":
                own = (b"content-security-policy", b"frame-ancestors 'self'")
                message = {**message, "headers": [*message.get("headers", []), own]}
            await send(message)

        await self.inner(scope, receive, framed if scope["type"] == "http" else send)

    async def _let_in_while_paired(self, scope: dict[str, Any], receive: Any, send: Any, who: str) -> None:
        """Keep a socket open until its device is unpaired."""
        gone, loop = asyncio.Event(), asyncio.get_running_loop()
        call_off = self.door.on_leaving(who, lambda: loop.call_soon_threadsafe(gone.set))

        async def hear() -> Any:
            heard, left = asyncio.ensure_future(receive()), asyncio.ensure_future(gone.wait())
            try:
                await asyncio.wait({heard, left}, return_when=asyncio.FIRST_COMPLETED)
                if not gone.is_set():
                    return heard.result()
                with contextlib.suppress(RuntimeError):
                    await send({"type": "websocket.close", "code": 1008, "reason": "no longer paired"})
                return {"type": "websocket.disconnect", "code": 1008}
            finally:
                left.cancel()
                if not heard.done():
                    heard.cancel()

        async def say(message: dict[str, Any]) -> None:
            if not gone.is_set():
                await send(message)

        try:
            await self.inner(scope, hear, say)
        finally:
            call_off()

    async def _ask(
        self, scope: dict[str, Any], receive: Any, send: Any, headers: list[tuple[str, str]]
    ) -> None:
        """Show the page that asks for the code, or take the code it sends."""
        if scope["type"] == "websocket":
            await _refuse(scope, receive, send, 403, "")
            return
        if scope["path"] == PAIR_PATH and scope["method"] == "POST":
            await self._pair(scope, receive, send, headers)
            return
        wants_page = any(name == "accept" and "text/html" in value for name, value in headers)
        if scope["method"] == "GET" and wants_page:
            await _answer(send, 200, ASKING.encode(), kind="text/html; charset=utf-8")
            return
        await _refuse(scope, receive, send, 401, "This device is not paired.")

    async def _pair(
        self, scope: dict[str, Any], receive: Any, send: Any, headers: list[tuple[str, str]]
    ) -> None:
        body = b""
        while True:
            message = await receive()
            body += message.get("body", b"")
            if message["type"] != "http.request" or len(body) > LONGEST_BODY:
                await _refuse(scope, receive, send, 413, "That is no code.")
                return
            if not message.get("more_body"):
                break
        typed = parse_qs(body.decode("utf-8", "replace")).get("code", [""])[0]
        told = next((value for name, value in headers if name == "user-agent"), "")
        answer = self.door.pair(typed, address=(scope.get("client") or ("",))[0], browser=told)
        if not answer.token:
            page = ASKING.replace("<!--said-->", escape(answer.said)).encode()
            await _answer(send, 403, page, kind="text/html; charset=utf-8")
            return
        kept = f"{self.cookie}={answer.token}; Path=/; HttpOnly; SameSite=Strict"
        secure = "; Secure" if self.door.secure else ""
        more = [(b"location", b"/"), (b"set-cookie", (kept + secure).encode())]
        await _answer(send, 303, b"", kind="text/plain; charset=utf-8", more=more)


def door() -> Door | None:
    """Return the door of this run, or nothing when the app was started some other way."""
    return OPEN_DOORS[0] if OPEN_DOORS else None


def scheme() -> str:
    """Return how the app is asked for."""
    own = door()
    return "https" if own is not None and own.secure else "http"


def who_asks() -> str:
    """Return who looks at this page: the laptop, a paired device's id, or nobody."""
    own = door()
    return own.stamped(st.context.headers) if own else ""


def stop_strangers() -> None:
    """Go no further for anybody the gate did not let in; nothing was read until here."""
    headers = st.context.headers
    own = door()
    if own is not None and own.stamped(headers):
        return
    if own is None and (not len(headers) or is_this_machine(st.get_option("server.address") or "")):
        return  # run by a test without a browser, or served to this machine alone
    if own is None:
        st.text(
            "Started like this, everybody on the network could look in. Start it with: wallfoot app --lan"
        )
    else:
        st.text("This device is no longer paired. Load the page again and type the code from the laptop.")
    st.stop()


async def _refuse(scope: dict[str, Any], receive: Any, send: Any, status: int, said: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": said})
        return
    await _answer(send, status, f"{said}\n".encode(), kind="text/plain; charset=utf-8")


async def _answer(
    send: Any, status: int, body: bytes, *, kind: str, more: list[tuple[bytes, bytes]] | None = None
) -> None:
    headers = [
        (b"content-type", kind.encode()),
        (b"content-length", str(len(body)).encode()),
        (b"cache-control", b"no-store"),
        (b"content-security-policy", POLICY.encode()),
        (b"referrer-policy", b"same-origin"),
        (b"x-content-type-options", b"nosniff"),
        *(more or []),
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
