"""The contractor's setting-out pack: sheet, drawing, map files and tables, each whole or not at all."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from geo.drains.setting_out import SettingOut
from geo.exchange.atomic import put_files
from geo.exchange.csv_files import csv_bytes
from geo.exchange.setting_dxf import LAYERS, dxf_bytes
from geo.exchange.setting_open import geojson_bytes, gpx_bytes
from geo.exchange.setting_plan import plan_svg
from geo.exchange.setting_sheet import pdf_bytes
from geo.exchange.setting_words import tie_of
from geo.exchange.setting_work import setting_out_of
from geo.findings.telling import Tell, quietly
from geo.site.model import Site
from geo.verdict import Measured

__all__ = [
    "LAYERS",
    "MAP_FILES",
    "dxf_bytes",
    "geojson_bytes",
    "gpx_bytes",
    "pack_files",
    "pack_zip",
    "pdf_bytes",
    "plan_svg",
    "setting_out_of",
    "tables_of",
    "write_setting_out",
]

MAP_FILES = ("setting-out.geojson", "setting-out.gpx")
INTERNAL = ("var_xx", "var_xy", "var_yy", "set_xx", "set_xy", "set_yy")


def pack_files(site: Site, *, foundation: Measured | None = None, tell: Tell = quietly) -> dict[str, bytes]:
    """Return every file of the pack by name: sheet, drawing, map files, then tables.

    A local grid that is tied to nothing has no longitude and latitude: then the GeoJSON and GPX are left
    out, and the sheet says so.

    Parameters
    ----------
    foundation
        Level of the underside of the surveyed buildings' foundation, in place of those recorded.
    tell
        Told the share done and what is being done.

    Raises
    ------
    InputError
        When the raster of the ground, or the level book, cannot be used.
    """
    tell(0.1, "setting out")
    found, perimeter = setting_out_of(site, foundation=foundation)
    notes = list(found.notes)
    on_earth = site.info.crs != "local" or tie_of(site) is not None
    if not on_earth:
        notes.append("The site's grid is tied to nothing, so nothing is written in longitude and latitude.")
    tell(0.4, "printing the sheet")
    made = {"setting-out.pdf": pdf_bytes(site, found, perimeter, notes=notes)}
    tell(0.8, "drawing")
    made["setting-out.dxf"] = dxf_bytes(site, found, perimeter)
    if on_earth:
        made["setting-out.geojson"] = geojson_bytes(site, found)
        made["setting-out.gpx"] = gpx_bytes(site, found)
    made |= {f"{name}.csv": csv_bytes(table) for name, table in sorted(tables_of(found).items())}
    return made


def pack_zip(files: Mapping[str, bytes], *, names: Iterable[str] | None = None) -> bytes:
    """Return files of a pack as one zip; the same files give the same bytes.

    Parameters
    ----------
    names
        Which of them, all by default.
    """
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as whole:
        for name in files if names is None else names:
            entry = zipfile.ZipInfo(name)
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            whole.writestr(entry, files[name])
    return out.getvalue()


def write_setting_out(
    site: Site, folder: Path, *, foundation: Measured | None = None, tell: Tell = quietly
) -> list[Path]:
    """Write the pack into a folder (see :func:`pack_files`); map files of before go where there are none now.

    Returns
    -------
    The paths written, in order.

    Raises
    ------
    InputError
        When the folder is a file, or the raster of the ground or the level book cannot be used.
    """
    written = put_files(folder, pack_files(site, foundation=foundation, tell=tell), remove=MAP_FILES)
    tell(1.0, "done")
    return written


def tables_of(found: SettingOut) -> dict[str, pd.DataFrame]:
    """Return the tables that are written as CSV, by name."""
    return {
        "targets": _named(found.targets.drop(columns=list(INTERNAL)), "target_id"),
        "dig-boxes": _named(found.boxes.drop(columns="geometry"), "target_id"),
        "runs": _named(found.runs.drop(columns="geometry"), "run_id"),
        "camera": found.reel,
        "camera-marks": found.marks,
        "materials": found.materials,
        "warnings": found.warnings,
        "corners": found.corners,
    }


def _named(table: Any, name: str) -> pd.DataFrame:
    return pd.DataFrame(table).rename_axis(name).reset_index()
