"""The code, the devices paired with it, and the gate that asks for it."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from app.gate import Gate
from app.pairing import (
    CODE_LENGTH,
    LETTERS,
    MOST_WRONG,
    STAMP,
    Door,
    is_this_machine,
    new_code,
    shown_code,
)

HOST = "192.168.7.2:8501"
INNER = "127.0.0.1:8501"


class Clock:
    """Seconds that pass when told to."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        """Return the seconds."""
        return self.now


def door_of(*, lan: bool = True) -> tuple[Door, Clock, list[str]]:
    """Return a door, its clock, and the codes it told."""
    clock, told = Clock(), []
    return Door(hosts=frozenset([HOST, INNER]), lan=lan, tell=told.append, clock=clock), clock, told


def wrong_for(door: Door) -> str:
    """Return a code that is not the door's."""
    return next(sign for sign in LETTERS if sign != door.code[0]) + door.code[1:]


def ask(
    door: Door, *, peer: str = "192.168.7.9", path: str = "/", method: str = "GET", kind: str = "http",
    body: bytes = b"", **headers: str,
) -> tuple[list[dict[str, Any]], dict[str, Any] | None]:  # fmt: skip
    """Send one request through the gate; return what came back, and what reached the app behind it."""
    reached: list[dict[str, Any]] = []
    sent: list[dict[str, Any]] = []

    async def inner(scope: dict[str, Any], receive: Any, send: Any) -> None:
        reached.append(scope)

    async def receive() -> dict[str, Any]:
        return {"type": f"{kind}.request" if kind == "http" else "websocket.connect", "body": body}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    named = {"host": HOST, **{name.replace("_", "-"): value for name, value in headers.items()}}
    scope = {
        "type": kind,
        "method": method,
        "path": path,
        "client": (peer, 40000),
        "headers": [(name.encode(), value.encode()) for name, value in named.items()],
    }
    asyncio.run(Gate(inner, door, port=8501)(scope, receive, send))
    return sent, reached[0] if reached else None


def cookie_after_pairing(door: Door) -> str:
    """Pair a device over the gate and return the cookie it was given."""
    sent, reached = ask(door, path="/pair", method="POST", body=f"code={door.code.lower()}".encode())
    assert reached is None
    headers = dict(sent[0]["headers"])
    assert sent[0]["status"] == 303
    return headers[b"set-cookie"].decode()


def test_codes_are_of_signs_that_are_not_taken_for_one_another() -> None:
    """Neither 0 nor O, 1 nor I nor L, 2 nor Z, 5 nor S, 6 nor G, 8 nor B is in a code; each is another."""
    codes = {new_code() for _ in range(200)}
    assert len(codes) == 200
    assert not set("".join(codes)) & set("0O1IL2Z5S6G8B")
    assert {len(code) for code in codes} == {CODE_LENGTH}
    assert shown_code("ACDEFHJK") == "ACDE-FHJK"


def test_a_code_pairs_one_device_and_is_used_up() -> None:
    """The right code, however it is spaced, gives a token; the same code a second time does not."""
    door, clock, told = door_of()
    first = door.code
    answer = door.pair(f" {shown_code(first).lower()} ", address="192.168.7.9", browser="tablet")
    assert door.device_of(answer.token) == door.devices[0].device_id
    assert told == [door.code]
    assert door.code != first
    clock.now += 100
    again = door.pair(first, address="192.168.7.10")
    assert not again.token
    assert len(door.devices) == 1


def test_wrong_codes_are_slowed_and_the_tenth_changes_the_code() -> None:
    """Each wrong code doubles the wait of its address; a right one too soon is not looked at."""
    door, clock, told = door_of()
    first = door.code
    waits = []
    for number in range(MOST_WRONG):
        assert door.code == first
        said = door.pair(wrong_for(door), address="192.168.7.9").said
        assert said.startswith("Not the code")
        if number < MOST_WRONG - 1:
            assert not door.pair(first, address="192.168.7.9").token
        begun = clock.now
        while door.pair("", address="192.168.7.9").said.startswith("Too soon") and len(waits) == number:
            clock.now += 0.5
            if clock.now - begun >= 2 ** min(number + 1, 5) or clock.now - begun >= 30:
                waits.append(clock.now - begun)
                break
    assert waits[:4] == [2, 4, 8, 16]
    assert max(waits) == 30
    assert told == [door.code]
    assert door.code != first


def test_many_addresses_guess_no_faster_than_one() -> None:
    """After a wrong code from one address, another's right one has to wait a second as well."""
    door, clock, _ = door_of()
    door.pair(wrong_for(door), address="192.168.7.9")
    assert not door.pair(door.code, address="192.168.7.10").token
    clock.now += 1.01
    assert door.pair(door.code, address="192.168.7.10").token


def test_an_unpaired_device_reaches_nothing() -> None:
    """Page, file, upload and socket: none gets behind the gate; the page that asks names no site."""
    door, _, _ = door_of()
    for path in ("/", "/map", "/media/a.png", "/_stcore/health", "/component/x/index.html"):
        sent, reached = ask(door, path=path, accept="text/html")
        assert reached is None
        assert b"Pair this device" in sent[1]["body"]
        assert door.code.encode() not in sent[1]["body"]
    sent, reached = ask(door, path="/_stcore/upload_file/a/b", method="PUT", body=b"x")
    assert (reached, sent[0]["status"]) == (None, 401)
    sent, reached = ask(door, path="/_stcore/stream", kind="websocket", origin=f"http://{HOST}")
    assert (reached, sent[0]["type"]) == (None, "websocket.close")


def test_a_paired_device_gets_in_until_it_is_unpaired() -> None:
    """Its cookie is not to be read by scripts nor sent from elsewhere, and ends with the run."""
    door, _, _ = door_of()
    cookie = cookie_after_pairing(door)
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(cookie.split("; "))
    assert "expires" not in cookie.lower()
    assert "max-age" not in cookie.lower()
    own = cookie.split(";")[0]
    _, reached = ask(door, cookie=own)
    assert reached is not None
    stamp = dict(reached["headers"])[STAMP.encode()].decode()
    assert door.stamped({STAMP: stamp}) == door.devices[0].device_id
    door.unpair(door.devices[0].device_id)
    assert ask(door, cookie=own)[1] is None
    assert door.stamped({STAMP: stamp}) == ""


def test_a_socket_is_closed_when_its_device_is_unpaired() -> None:
    """What the laptop unpairs sees nothing from that moment, though its page stays open."""
    door, _, _ = door_of()
    own = cookie_after_pairing(door).split(";")[0]
    heard: list[dict[str, Any]] = []
    sent: list[dict[str, Any]] = []

    async def inner(scope: dict[str, Any], receive: Any, send: Any) -> None:
        heard.append(await receive())
        await send({"type": "websocket.send", "bytes": b"data"})

    async def run() -> None:
        async def never() -> dict[str, Any]:
            await asyncio.sleep(3600)
            return {}

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        headers = [(b"host", HOST.encode()), (b"cookie", own.encode())]
        scope = {"type": "websocket", "path": "/", "client": ("192.168.7.9", 1), "headers": headers}
        task = asyncio.ensure_future(Gate(inner, door, port=8501)(scope, never, send))
        await asyncio.sleep(0.05)
        assert not heard
        door.unpair(door.devices[0].device_id)
        await asyncio.wait_for(task, 5)

    asyncio.run(run())
    assert heard[0]["type"] == "websocket.disconnect"
    assert [message["type"] for message in sent] == ["websocket.close"]


@pytest.mark.parametrize("lan", [False, True])
def test_this_machine_needs_no_code_but_its_own_name(lan: bool) -> None:
    """From the inner address one is let in; under another host's name, or for a foreign page, one is not."""
    door, _, _ = door_of(lan=lan)
    for peer in ("127.0.0.1", "::1", "::ffff:127.0.0.1"):
        assert ask(door, peer=peer, host=INNER)[1] is not None
    assert ask(door, peer="127.0.0.1", host="evil.example:8501")[1] is None
    assert ask(door, peer="127.0.0.1", host=INNER, x_forwarded_for="192.168.7.9")[1] is None
    socket = {"peer": "127.0.0.1", "host": INNER, "kind": "websocket"}
    assert ask(door, **socket, origin="http://evil.example")[1] is None
    assert ask(door, **socket, origin=f"http://{INNER}")[1] is not None


def test_without_lan_no_code_helps() -> None:
    """An app that was not opened to the network takes no code, even the right one."""
    door, _, _ = door_of(lan=False)
    sent, _ = ask(door, path="/pair", method="POST", body=f"code={door.code}".encode())
    assert sent[0]["status"] == 403
    assert not door.devices


def test_a_stamp_from_outside_is_worth_nothing() -> None:
    """A device that writes the gate's own mark into its request is not let in, and its mark is taken off."""
    door, _, _ = door_of()
    assert ask(door, **{STAMP: "guess:laptop"})[1] is None
    _, reached = ask(door, peer="127.0.0.1", host=INNER, **{STAMP: "guess:laptop"})
    assert reached is not None
    stamps = [value for name, value in reached["headers"] if name == STAMP.encode()]
    assert stamps == [door.stamp("laptop").encode()]
    assert door.stamped({STAMP: "guess:laptop"}) == ""


def test_a_long_body_is_not_read_through() -> None:
    """A code of a megabyte is turned away."""
    door, _, _ = door_of()
    sent, _ = ask(door, path="/pair", method="POST", body=b"code=" + b"A" * 1_000_000)
    assert sent[0]["status"] == 413


@pytest.mark.parametrize(("address", "inner"), [("127.0.0.1", True), ("10.0.0.1", False), ("", False)])
def test_the_inner_address_is_told_from_others(address: str, inner: bool) -> None:
    """Loopback is this machine; nothing else is, nor an address nobody has."""
    assert is_this_machine(address) is inner
