"""The command ``wallfoot app``: the pages in a browser, on this machine or on paired devices too."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import typer

from geo.access import read_rules
from geo.cli_said import stop
from geo.draw.theme import STREAMLIT_THEME
from geo.errors import InputError, Problem

MOST_UPLOAD_MB = 50


def serve_app(
    folders: Sequence[Path],
    *,
    port: int | None,
    browser: bool,
    lan: bool,
    certificate: Path | None,
    key: Path | None,
    login: Path | None = None,
) -> None:
    """Serve the app until it is stopped, and exit as it did.

    Parameters
    ----------
    folders
        Site folders, or folders of them.
    port
        Port; the first free one by default.
    lan
        Listen on this machine's addresses in its networks as well.
    certificate, key
        Files to serve https with; both or neither.
    login
        File that says how people log in, and who may see what (:func:`geo.access.read_rules`).
    """
    missing = [str(folder) for folder in folders if not folder.is_dir()]
    if missing:
        mend = "Name a site folder, or run it where demo_sites is."
        stop([Problem(file=", ".join(missing), found="no such folder", allowed="site folders", mend=mend)])
    if (certificate is None) != (key is None):
        stop([], said="A certificate needs its key: name both, --certificate FILE --key FILE.")
    for file in (certificate, key):
        if file is not None and not file.is_file():
            stop([], said=f"{file}: no such file.")
    if login is not None:
        try:
            read_rules(login)
        except InputError as error:
            stop(error.problems)
    asked = {
        "port": port,
        "login": "" if login is None else str(login.resolve()),
        "browser": browser,
        "lan": lan,
        "certificate": str(certificate or ""),
        "key": str(key or ""),
        "options": {
            "server.headless": True,
            "server.fileWatcherType": "none",
            "server.maxUploadSize": MOST_UPLOAD_MB,
            "browser.gatherUsageStats": False,
            "client.toolbarMode": "minimal",
            "client.showErrorDetails": "none",
            **{f"theme.{name}": value for name, value in STREAMLIT_THEME.items()},
        },
    }
    page = Path(__file__).resolve().parents[1] / "app" / "serve.py"
    shown = os.pathsep.join(str(folder.resolve()) for folder in folders)
    command = [sys.executable, "-P", str(page), json.dumps(asked)]
    try:
        done = subprocess.run(command, env={**os.environ, "WALLFOOT_SITES": shown}, check=False)  # noqa: S603
    except KeyboardInterrupt:
        raise typer.Exit(0) from None
    raise typer.Exit(done.returncode)
