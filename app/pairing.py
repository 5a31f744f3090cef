"""Which devices may look in: the one-time code, the devices paired with it, and the slowing of guesses."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

LETTERS = "ACDEFHJKMNPRTVWXY3479"
"""Signs that are not taken for one another when they are read off a screen."""
CODE_LENGTH = 8
MOST_WRONG = 10
LONGEST_WAIT_S = 30.0
WAIT_FOR_ALL_S = 1.0
"""After any wrong code nobody's next one is looked at sooner: many addresses guess no faster than one."""
MOST_ADDRESSES = 1000
STAMP = "x-wallfoot-admitted"
LAPTOP = "laptop"
VISITOR = "visitor"
"""Somebody let in to log in, where people have to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A paired device, for this run of the app.

    Parameters
    ----------
    address
        Where it paired from.
    browser
        What it says it is; text somebody else wrote.
    """

    device_id: str
    address: str
    browser: str
    paired_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of a code: a token for the device, or a sentence why not."""

    token: str = ""
    said: str = ""


@dataclass
class _Guesses:
    wrong: int = 0
    next_at: float = 0.0


@dataclass
class Door:
    """Who is let in. One for each run of the app; safe to use from several threads.

    Parameters
    ----------
    hosts
        ``host:port`` under which the app may be asked for.
    lan
        Other devices may pair; otherwise only this machine is let in.
    login
        People log in, so whoever asks under those hosts is let in to do so.
    secure
        Served with a certificate.
    tell
        Called with each new code.
    clock
        Seconds, never going back.
    """

    hosts: frozenset[str]
    lan: bool = False
    login: bool = False
    secure: bool = False
    tell: Callable[[str], None] = lambda _: None
    clock: Callable[[], float] = time.monotonic
    _code: str = ""
    _wrong: int = 0
    _all_next_at: float = 0.0
    _guesses: dict[str, _Guesses] = field(default_factory=dict)
    _devices: dict[str, Device] = field(default_factory=dict)
    _tokens: dict[str, str] = field(default_factory=dict)
    _leaving: dict[str, list[Callable[[], None]]] = field(default_factory=dict)
    _stamp: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    _lock: threading.RLock = field(default_factory=threading.RLock)

    def __post_init__(self) -> None:
        self.hosts = frozenset(host.lower() for host in self.hosts)
        self._code = new_code()

    @property
    def code(self) -> str:
        """The code that pairs the next device."""
        return self._code

    @property
    def devices(self) -> tuple[Device, ...]:
        """The paired devices, the first paired first."""
        with self._lock:
            return tuple(self._devices.values())

    def knows_host(self, host: str) -> bool:
        """Say whether the app was started for this host and port."""
        return host.strip().lower() in self.hosts

    def pair(self, typed: str, *, address: str, browser: str = "") -> Answer:
        """Pair a device that gives the right code; the code is then used up."""
        with self._lock:
            now = self.clock()
            guesses = self._guesses_of(address)
            wait = max(guesses.next_at, self._all_next_at) - now
            if wait > 0:
                return Answer(said=f"Too soon: wait {wait:.0f} s, then type the code again.")
            if not hmac.compare_digest(plain_code(typed).encode(), self._code.encode()):
                return Answer(said=self._count_wrong(guesses, now))
            self._guesses.pop(address, None)
            token, device_id = secrets.token_urlsafe(32), secrets.token_hex(8)
            self._tokens[_digest(token)] = device_id
            self._devices[device_id] = Device(
                device_id=device_id, address=address, browser=browser[:200], paired_at=datetime.now(UTC)
            )
            self._change_code()
            return Answer(token=token)

    def device_of(self, token: str) -> str:
        """Return the id of the paired device that holds a token; nothing for any other."""
        with self._lock:
            return self._tokens.get(_digest(token), "") if token else ""

    def unpair(self, device_id: str) -> None:
        """Let a device in no longer; its open pages are closed."""
        with self._lock:
            self._devices.pop(device_id, None)
            self._tokens = {digest: own for digest, own in self._tokens.items() if own != device_id}
            leaving = self._leaving.pop(device_id, [])
        for leave in leaving:
            leave()

    def on_leaving(self, device_id: str, leave: Callable[[], None]) -> Callable[[], None]:
        """Have something called when a device is unpaired; return what calls that off."""
        with self._lock:
            if device_id not in self._devices:
                leave()
                return lambda: None
            self._leaving.setdefault(device_id, []).append(leave)

        def call_off() -> None:
            with self._lock:
                waiting = self._leaving.get(device_id, [])
                if leave in waiting:
                    waiting.remove(leave)

        return call_off

    def stamp(self, who: str) -> str:
        """Return what the gate writes into a request it let in; nobody outside can know it."""
        return f"{self._stamp}:{who}"

    def stamped(self, headers: Mapping[str, str]) -> str:
        """Return who a request was let in as: the laptop, a device still paired, or nobody."""
        mark, _, who = (headers.get(STAMP) or "").partition(":")
        if not hmac.compare_digest(mark.encode(), self._stamp.encode()):
            return ""
        with self._lock:
            if who == VISITOR:
                return who if self.login else ""
            return who if who == LAPTOP or who in self._devices else ""

    def _guesses_of(self, address: str) -> _Guesses:
        if address not in self._guesses and len(self._guesses) >= MOST_ADDRESSES:
            self._guesses.pop(next(iter(self._guesses)))
        return self._guesses.setdefault(address, _Guesses())

    def _count_wrong(self, guesses: _Guesses, now: float) -> str:
        guesses.wrong += 1
        self._wrong += 1
        wait = min(2.0 ** min(guesses.wrong, 10), LONGEST_WAIT_S)
        guesses.next_at = now + wait
        self._all_next_at = now + WAIT_FOR_ALL_S
        if self._wrong >= MOST_WRONG:
            self._change_code()
            return "Not the code. After so many wrong ones it was changed: the new one is on the laptop."
        return f"Not the code. Look at the laptop, wait {wait:.0f} s, and type it again."

    def _change_code(self) -> None:
        self._code = new_code()
        self._wrong = 0
        self.tell(self._code)


OPEN_DOORS: list[Door] = []
"""The door of this run; empty when the app was not started by its own command."""


def new_code() -> str:
    """Return a code nobody can guess."""
    return "".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH))


def plain_code(typed: str) -> str:
    """Return a typed code as it was made: without gaps, in capitals."""
    return "".join(sign for sign in typed.upper() if sign.isalnum())[:64]


def shown_code(code: str) -> str:
    """Return a code as people read it, in two halves."""
    return f"{code[: CODE_LENGTH // 2]}-{code[CODE_LENGTH // 2 :]}"


def is_this_machine(address: str) -> bool:
    """Say whether an address is the machine's own inner one."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return False
    inner = getattr(found, "ipv4_mapped", None)
    return (inner or found).is_loopback


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
