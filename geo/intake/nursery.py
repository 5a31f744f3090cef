"""The process that reads strangers' files: parsers loaded, one child for each file, limits on each child."""

from __future__ import annotations

import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from geo.intake.guarded import Answer, packed, received, unpacked
from geo.intake.read_dxf import read_dxf
from geo.intake.read_layers import read_geojson, read_geopackage, read_gpx, read_shapefile
from geo.intake.read_picture import read_picture, write_placed
from geo.intake.read_raster import read_raster_facts
from geo.intake.read_workbook import read_workbook
from geo.intake.refused import Refused

try:
    import resource
except ImportError:  # a system without limits of this kind
    resource = None  # type: ignore[assignment]

JOBS: dict[str, Callable[[bytes, Mapping[str, Any]], Answer]] = {
    "workbook": read_workbook,
    "geojson": read_geojson,
    "gpkg": read_geopackage,
    "shapefile": read_shapefile,
    "dxf": read_dxf,
    "gpx": read_gpx,
    "raster": read_raster_facts,
    "picture": read_picture,
    "placed": write_placed,
}
WHOLE = "an undamaged file"


def answer(request: bytes) -> bytes:
    """Run the parser a request names, within its limits, and return the answer or what stopped it."""
    order, blocks = unpacked(request)
    _limit(seconds=float(order["seconds"]), memory_mb=float(order["memory_mb"]))
    try:
        said, given = JOBS[order["job"]](blocks[0], order["options"])
    except Refused as error:
        return packed({"told": [{"found": error.found, "allowed": error.allowed, "mend": error.mend}]}, [])
    except MemoryError:
        mend = "Cut it to the site; if it is small, it is damaged: export it again."
        found = f"needs more than {order['memory_mb']:g} MB of memory to read"
        return packed({"told": [{"found": found, "allowed": "a file that needs less", "mend": mend}]}, [])
    except RecursionError:
        told = {"found": "is nested too deep", "allowed": WHOLE, "mend": "Export it again."}
        return packed({"told": [told]}, [])
    except Exception as error:  # noqa: BLE001 - a parser may raise anything on a damaged file; it is one sentence
        why = " ".join(str(error).split())[:120] or type(error).__name__
        why = "".join(sign for sign in why if sign.isprintable())
        told = {"found": f"cannot be read ({why})", "allowed": WHOLE, "mend": "Export it again."}
        return packed({"told": [told]}, [])
    return packed({"answer": said}, given)


def _limit(*, seconds: float, memory_mb: float) -> None:
    """Bind this process: seconds on the clock and of the processor, memory, and no file written."""
    if not hasattr(signal, "setitimer"):
        watch = threading.Timer(seconds, lambda: os._exit(3))
        watch.daemon = True
        watch.start()
        return
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    if resource is None:
        return
    whole = int(seconds) + 1
    resource.setrlimit(resource.RLIMIT_CPU, (whole, whole))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    most = _taken() + int(memory_mb * 1e6)
    resource.setrlimit(resource.RLIMIT_AS, (most, most))


def _taken() -> int:
    """Return the bytes of address space this process has before it reads anything."""
    try:
        return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * os.sysconf(
            "SC_PAGE_SIZE"
        )
    except (OSError, ValueError, IndexError):
        return 4_000_000_000


def serve(number: int) -> None:
    """Fork a child for every socket that comes over the control socket, until that closes."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    control = socket.socket(fileno=number)
    while True:
        said, given, _, _ = socket.recv_fds(control, 1, 1)
        if not said:
            os._exit(0)  # nothing is held that wants closing, and the parsers take a second to tidy up
        if os.fork() == 0:
            control.close()
            try:
                with socket.socket(fileno=given[0]) as line:
                    request = received(line)
                    if request is not None:
                        line.sendall(answer(request))
            finally:
                os._exit(0)
        os.close(given[0])


def main() -> None:
    """Serve, or answer the one request that stands on the standard input."""
    if sys.argv[1:2] == ["--serve"]:
        serve(int(sys.argv[2]))
        return
    reply = answer(sys.stdin.buffer.read())
    sys.stdout.buffer.write(reply)


if __name__ == "__main__":
    main()
