"""Photographs: that they are there, and are the ones that were taken in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from geo.errors import Problem
from geo.findings.check_said import at
from geo.photos.take import verify_photo
from geo.site.model import Site


def photos(site: Site) -> Iterator[Problem]:
    """Ask of each photograph that its file is there and is still the one that was taken in."""
    for record in site.of("photo"):
        name = getattr(record, "file", "")
        outside = Path(name).name != name
        state = (
            "missing"
            if outside
            else verify_photo(site.folder / "photos" / name, getattr(record, "sha256", ""))
        )
        if state == "missing":
            yield at(
                site,
                record.id,
                "file",
                "photo",
                found=f"{name!r} is not in the folder photos",
                allowed="the name of a file in photos",
                mend="Copy the original there, or correct the name.",
                severity="error" if outside else "warning",
            )
        elif state == "changed":
            yield at(
                site,
                record.id,
                "sha256",
                "photo",
                found=f"{name!r} is not the file that was taken in: its hash differs",
                allowed="the original, byte for byte",
                mend="Put the original back; a copy that was turned or cut goes in under a name of its own.",
                severity="warning",
            )
