"""Serve the app behind its gate; started by the command ``wallfoot app``."""

from __future__ import annotations

import contextlib
import ipaddress
import json
import socket
import sys
import threading
import webbrowser
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import streamlit as st
import uvicorn
from streamlit.web import bootstrap

from app.access import RULES
from app.downloads import keep_asked
from app.gate import Gate
from app.pairing import OPEN_DOORS, Door, is_this_machine, shown_code
from geo.access import Rules, read_rules
from geo.errors import InputError

FIRST_PORT = 8501
PORTS_TRIED = 100
MOST_MESSAGE_MB = 200


class _Server(uvicorn.Server):
    """Says where it is, and opens the browser, once it answers."""

    def __init__(self, settings: uvicorn.Config, greeting: str, page: str) -> None:
        super().__init__(settings)
        self.greeting, self.page = greeting, page

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets=sockets)
        if self.started:
            print(self.greeting, flush=True)  # noqa: T201 - this is what a person at the laptop reads
            if self.page:
                threading.Thread(target=webbrowser.open, args=(self.page,), daemon=True).start()


def own_addresses() -> list[str]:
    """Return this machine's addresses on the networks it is in; those of IPv4 first.

    The name server is not asked: the sockets say by which address they would go out, and the host's own
    name is looked up as the machine itself knows it. Link-local addresses are left out.
    """
    found: list[str] = []
    for family, far in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as one:  # nothing is sent by connecting it
                one.connect((far, 9))
                found.append(str(one.getsockname()[0]))
        except OSError:
            continue
    with contextlib.suppress(OSError):
        found += [str(entry[4][0]) for entry in socket.getaddrinfo(socket.gethostname(), None)]
    kept = [text for text in dict.fromkeys(found) if _is_outward(text)]
    return sorted(kept, key=lambda text: ":" in text)


def _is_outward(text: str) -> bool:
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return False
    return not (address.is_loopback or address.is_link_local or address.is_unspecified)


def listen(addresses: list[str], port: int | None) -> tuple[list[socket.socket], int]:
    """Listen at one port on every address; without a named port, on the first that is free everywhere.

    Raises
    ------
    OSError
        When the named port, or every port tried, is taken.
    """
    tried = [port] if port is not None else range(FIRST_PORT, FIRST_PORT + PORTS_TRIED)
    last = OSError("no free port")
    for number in tried:
        made: list[socket.socket] = []
        try:
            for address in addresses:
                made.append(_listening(address, number))  # noqa: PERF401 - those made must be closed
        except OSError as error:
            last = error
            for one in made:
                one.close()
            continue
        return made, number
    raise last


def _listening(address: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    made = socket.socket(family)
    try:
        if sys.platform != "win32":
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        made.bind((address, port))
        made.listen(128)
        made.setblocking(False)
        made.set_inheritable(True)
    except OSError:
        made.close()
        raise
    return made


def host_of(address: str, port: int) -> str:
    """Return an address and port as a browser writes them."""
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"


def greeting(door: Door, addresses: list[str], port: int) -> str:
    """Return what the laptop's terminal says at the start."""
    scheme = "https" if door.secure else "http"
    lines = ["", f"  On this machine:   {scheme}://127.0.0.1:{port}"]
    outer = [address for address in addresses if not is_this_machine(address)]
    lines += [f"  On another device: {scheme}://{host_of(address, port)}" for address in outer]
    if door.login:
        lines.append("  People log in there, and see what is theirs.")
    elif door.lan:
        lines += [f"  Code to pair it:   {shown_code(door.code)}   (one device; then there is a new one)", ""]
        lines += (
            ["  Sent under the certificate you named."]
            if door.secure
            else [
                "  Sent in plain http: whoever shares this network can listen in.",
                "  Use it on a network you trust, or name a certificate with --certificate and --key.",
            ]
        )
    return "\n".join([*lines, "  Stop with Ctrl C.", ""])


def _tell_code(code: str) -> None:
    print(f"  New code to pair a device: {shown_code(code)}", flush=True)  # noqa: T201 - as above


def _rules(file: Path) -> tuple[list[Rules], dict[str, Any]]:
    try:
        rules, auth = read_rules(file)
    except InputError as error:
        sys.exit(str(error))
    return [rules], auth


def main() -> None:
    """Serve until stopped; the one argument is the settings, as JSON."""
    asked: dict[str, Any] = json.loads(sys.argv[1])
    lan, secure = bool(asked["lan"]), bool(asked["certificate"])
    outer = own_addresses() if lan else []
    if lan and not outer:
        sys.exit("This machine is in no network that another device could share.")
    try:
        sockets, port = listen(["127.0.0.1", *outer], asked["port"])
    except OSError as error:
        sys.exit(f"Port {asked['port'] or FIRST_PORT} cannot be used: {error.strerror or error}.")
    inner = [f"127.0.0.1:{port}", f"localhost:{port}"]
    login = str(asked["login"])
    if login:
        RULES[:], auth = _rules(Path(login))
        inner.append(urlsplit(auth["redirect_uri"]).netloc)
        asked["options"]["secrets.files"] = [login]
    hosts = frozenset([*inner, *(host_of(address, port) for address in outer)])
    door = Door(hosts=hosts, lan=lan, login=bool(login), secure=secure, tell=_tell_code)
    OPEN_DOORS[:] = [door]
    keep_asked()
    bootstrap.load_config_options({**asked["options"], "server.port": port, "server.address": "127.0.0.1"})
    gate = Gate(st.App(Path(__file__).with_name("main.py")), door, port=port)
    settings = uvicorn.Config(
        gate,
        port=port,
        ssl_certfile=asked["certificate"] or None,
        ssl_keyfile=asked["key"] or None,
        ws_max_size=MOST_MESSAGE_MB * 1024 * 1024,
        ws_ping_interval=30,
        ws_ping_timeout=30,
        ws_per_message_deflate=False,
        proxy_headers=False,
        server_header=False,
        access_log=False,
        log_level="warning",
        timeout_graceful_shutdown=3,
    )
    scheme = "https" if secure else "http"
    page = f"{scheme}://127.0.0.1:{port}" if asked["browser"] else ""
    with contextlib.suppress(KeyboardInterrupt):  # Ctrl C is how one stops it
        _Server(settings, greeting(door, outer, port), page).run(sockets=sockets)


if __name__ == "__main__":
    main()
