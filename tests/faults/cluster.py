"""A PostgreSQL server of its own for one run: made, started, stopped and thrown away."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Self


def programs() -> Path:
    """Return the folder of the server's programs, the newest where there are several."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    named = shutil.which("initdb")
    if found:
        return found[-1].parent
    if named:
        return Path(named).parent
    raise RuntimeError("PostgreSQL is not installed: install postgresql and its PostGIS package")


class Cluster:
    """A throw-away server that listens on a free port of this machine only.

    Parameters
    ----------
    durable
        Let it wait for the disk at each commit, as a server in use does. Without, it is quicker, and what
        it said it kept outlives the death of any program, only not a power cut.
    """

    def __init__(self, *, durable: bool = False) -> None:
        self._bin = programs()
        # The server refuses to run as root; then its own user runs it, who must be able to read the folder.
        self._user = "postgres" if os.geteuid() == 0 else None
        self._folder = Path(tempfile.mkdtemp(prefix="wallfoot-server-"))
        if self._user:
            shutil.chown(self._folder, self._user)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]
        self._run("initdb", "-D", str(self._at), "-U", "wallfoot", "-A", "trust", "-E", "UTF8", "--locale=C")
        with (self._at / "postgresql.conf").open("a", encoding="utf-8") as settings:
            settings.write(
                f"port = {self.port}\nlisten_addresses = '127.0.0.1'\n"
                f"unix_socket_directories = '{self._folder}'\nmax_connections = 60\n"
                f"fsync = {'on' if durable else 'off'}\nrecovery_init_sync_method = syncfs\n"
            )

    @property
    def _at(self) -> Path:
        return self._folder / "cluster"

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
        shutil.rmtree(self._folder, ignore_errors=True)

    def start(self) -> None:
        """Start it, and wait until it answers."""
        self._run("pg_ctl", "-D", str(self._at), "-l", str(self._folder / "log"), "-w", "-s", "start")

    def stop(self, mode: str = "fast") -> None:
        """Stop it; ``immediate`` as a power cut would."""
        self._run("pg_ctl", "-D", str(self._at), "-m", mode, "-w", "-s", "stop")

    def database(self, name: str, *, like: str = "template0") -> str:
        """Make an empty database, or a copy of another, and return its address."""
        where = ("-h", "127.0.0.1", "-p", str(self.port), "-U", "wallfoot")
        self._run("createdb", *where, "-T", like, name)
        return f"postgresql://wallfoot@127.0.0.1:{self.port}/{name}"

    def _run(self, program: str, *arguments: str) -> None:
        user = None if self._user is None else pwd.getpwnam(self._user).pw_uid
        group = None if self._user is None else pwd.getpwnam(self._user).pw_gid
        done = subprocess.run(
            [str(self._bin / program), *arguments],
            user=user,
            group=group,
            cwd=self._folder,
            env={"PATH": os.environ["PATH"], "LC_ALL": "C"},
            capture_output=program != "pg_ctl",  # the server would inherit the pipe and never close it
            text=True,
            check=False,
        )
        if done.returncode:
            raise RuntimeError(f"{program} {' '.join(arguments)}: {done.stderr}")
