"""Read a stranger's file in a process of its own, which may be killed and takes nothing with it.

A nursery (:mod:`geo.intake.nursery`) has the parsers loaded and forks one child for each file. The child
has a limit of memory, of processor time and of seconds, can write no file, and answers in JSON and plain
bytes: nothing it sends back is ever unpickled. Where a system cannot fork, each file gets a fresh
interpreter instead: slower, with the limit of seconds and, where the system has them, the others.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pyogrio

from geo.errors import InputError, Problem
from geo.reference import Reference

GRACE_S = 5.0
MOST_ANSWER = 2_000_000_000
WANTED = ("GPKG", "ESRI Shapefile", "MEM", "Memory", "GTiff")
KEPT = ("PATH", "LANG", "LC_ALL", "SYSTEMROOT", "LD_LIBRARY_PATH", "PROJ_DATA", "PROJ_LIB", "GDAL_DATA")
CAN_FORK = hasattr(os, "fork") and hasattr(socket, "send_fds")

Answer = tuple[Any, list[bytes]]


def read_guarded(
    job: str,
    raw: bytes,
    *,
    file: str,
    ref: Reference,
    options: Mapping[str, Any] | None = None,
    fork: bool = CAN_FORK,
) -> Answer:
    """Run one parser over a file's bytes in a child process.

    Parameters
    ----------
    job
        Name of the parser, a key of ``geo.intake.nursery.JOBS``.
    raw
        The file.
    file
        Its name as it is shown.
    ref
        Limits in force: ``intake.seconds``, ``intake.memory_mb``.
    options
        What the parser needs to know, as JSON has it.
    fork
        Whether the nursery forks, or each file gets a fresh interpreter.

    Returns
    -------
    The parser's answer as JSON has it, and its blocks of bytes.

    Raises
    ------
    InputError
        When the parser refuses the file, breaks on it, or passes a limit.
    """
    seconds = ref.value("intake.seconds")
    order = {
        "job": job,
        "options": dict(options or {}),
        "seconds": seconds,
        "memory_mb": ref.value("intake.memory_mb"),
    }
    request = packed(order, [raw])
    start = time.monotonic()
    reply = _nursery.ask(request, seconds=seconds) if fork else _once(request, seconds=seconds)
    took = time.monotonic() - start
    if reply is None and took >= seconds - 0.5:
        mend = "Cut it to the site; if it is small, it is damaged: export it again."
        raise _refused(file, f"was not read within {seconds:g} seconds", "a file that is", mend)
    if reply is None:
        raise _refused(file, "stops its reader", "an undamaged file", "Export it again.")
    answer, blocks = unpacked(reply)
    if answer.get("told"):
        raise InputError(
            [
                Problem(file=file, found=one["found"], allowed=one["allowed"], mend=one["mend"])
                for one in answer["told"]
            ]
        )
    return answer["answer"], blocks


def packed(head: Mapping[str, Any], blocks: list[bytes]) -> bytes:
    """Return a message: a JSON head and blocks of bytes, each with its length before it."""
    first = json.dumps({**head, "lengths": [len(block) for block in blocks]}).encode()
    return b"".join([struct.pack(">QQ", len(first), sum(map(len, blocks))), first, *blocks])


def unpacked(message: bytes) -> tuple[Any, list[bytes]]:
    """Return the head and the blocks of a message."""
    first, _ = struct.unpack(">QQ", message[:16])
    head = json.loads(message[16 : 16 + first])
    blocks, at = [], 16 + first
    for length in head.pop("lengths"):
        blocks.append(message[at : at + length])
        at += length
    return head, blocks


def received(source: socket.socket) -> bytes | None:
    """Receive one message, or ``None`` when the other end closes before its end."""
    head = _exactly(source, 16)
    if head is None:
        return None
    first, rest = struct.unpack(">QQ", head)
    if first + rest > MOST_ANSWER:
        return None
    body = _exactly(source, first + rest)
    return None if body is None else head + body


def _exactly(source: socket.socket, length: int) -> bytes | None:
    parts = bytearray()
    while len(parts) < length:
        part = source.recv(min(1 << 20, length - len(parts)))
        if not part:
            return None
        parts += part
    return bytes(parts)


def _refused(file: str, found: str, allowed: str, mend: str) -> InputError:
    return InputError([Problem(file=file, found=found, allowed=allowed, mend=mend)])


class _Nursery:
    """The one nursery of this process, started when it is first needed."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._control: socket.socket | None = None
        self._process: subprocess.Popen[bytes] | None = None

    def ask(self, request: bytes, *, seconds: float) -> bytes | None:
        """Send a request to a child of its own and wait for the answer."""
        mine, theirs = socket.socketpair()
        with mine:
            with theirs:
                self._hand_over(theirs)
            mine.settimeout(seconds + GRACE_S)
            try:
                mine.sendall(request)
                return received(mine)
            except TimeoutError:
                self.close()  # the child did not heed its own limits: nothing of it is left alive
                return None
            except OSError:
                return None

    def _hand_over(self, theirs: socket.socket) -> None:
        with self._lock:
            for last in (False, True):
                if self._process is None or self._process.poll() is not None:
                    self._start()
                try:
                    socket.send_fds(self._running(), [b"j"], [theirs.fileno()])
                except OSError:
                    self._process = None
                    if last:
                        raise
                else:
                    return

    def _running(self) -> socket.socket:
        if self._control is None:
            raise OSError("there is no nursery")
        return self._control

    def _start(self) -> None:
        if self._control is not None:
            self._control.close()
        self._control, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(  # noqa: S603 - this interpreter, this package's own module
                [*_python(), "--serve", str(theirs.fileno())],
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env=_environment(),
                cwd=Path(__file__).anchor,
                start_new_session=True,
            )

    def close(self) -> None:
        """End the nursery and whatever it forked."""
        with self._lock:
            if self._control is not None:
                self._control.close()
                self._control = None
            if self._process is not None:
                with contextlib.suppress(ProcessLookupError, PermissionError):
                    os.killpg(self._process.pid, 9)
                self._process.wait()
                self._process = None


_nursery = _Nursery()
atexit.register(_nursery.close)


def _once(request: bytes, *, seconds: float) -> bytes | None:
    """Answer one request with a fresh interpreter."""
    try:
        done = subprocess.run(  # noqa: S603 - this interpreter, this package's own module
            [*_python(), "--once"],
            input=request,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=_environment(),
            cwd=Path(__file__).anchor,
            timeout=seconds + 2 * GRACE_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return None
    return done.stdout if done.returncode == 0 and len(done.stdout) >= 16 else None


def _python() -> list[str]:
    return [sys.executable, "-s", "-P", "-B", "-m", "geo.intake.nursery"]


def _environment() -> dict[str, str]:
    """Return the child's surroundings: no home, no network for GDAL and PROJ, only the drivers wanted."""
    unwanted = sorted(set(pyogrio.list_drivers()) - set(WANTED))
    nowhere = str(Path(__file__).anchor) + "nowhere"
    return {
        **{key: os.environ[key] for key in KEPT if key in os.environ},
        "PYTHONPATH": str(Path(__file__).parents[2]),
        "HOME": nowhere,
        "XDG_CONFIG_HOME": nowhere,
        "XDG_CACHE_HOME": nowhere,
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
        "OPENPYXL_DEFUSEDXML": "True",
        "OPENPYXL_LXML": "False",
        "PROJ_NETWORK": "OFF",
        "GDAL_SKIP": ",".join(unwanted),
        "OGR_SKIP": ",".join(unwanted),
        "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
        "GDAL_PAM_ENABLED": "NO",
        "GDAL_NUM_THREADS": "1",
        "CPL_TMPDIR": nowhere,
        "CPL_DEBUG": "OFF",
        "OGR_SQLITE_LOAD_EXTENSIONS": "",
        "SQLITE_TMPDIR": nowhere,
        "GTIFF_IGNORE_READ_ERRORS": "NO",
    }
