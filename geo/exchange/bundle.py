"""The folder of findings: map, strip, ring, layers, tables and ``findings.json``."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd

from geo.draw.map import standalone_html
from geo.draw.ring import draw_ring
from geo.draw.scene import Scene
from geo.draw.strip import draw_strip
from geo.draw.svg import to_png
from geo.exchange.atomic import plain_name, staged
from geo.exchange.csv_files import FORMULA_SIGNS, csv_bytes, refuse_site
from geo.exchange.scene import scene_of
from geo.findings.document import document_of
from geo.findings.examine import Findings
from geo.findings.telling import Tell, quietly

__all__ = ["FORMULA_SIGNS", "csv_bytes", "refuse_site", "tables_of", "write_findings"]
PNG_SCALE = 2.0


def write_findings(found: Findings, folder: Path, *, tell: Tell = quietly) -> list[Path]:
    """Write everything found into a folder; its files change only when every one of them is whole.

    Returns
    -------
    The paths written, in order.

    Raises
    ------
    InputError
        When the folder is a site's own (see :func:`refuse_site`).
    """
    refuse_site(folder)
    with staged(folder) as work:
        made = _write_all(found, work, tell)
    tell(1.0, "done")
    return [folder / path.name for path in made]


def _write_all(found: Findings, folder: Path, tell: Tell) -> list[Path]:
    scene = scene_of(found)
    document = document_of(found)
    written = [_write(folder / "findings.json", _json(document.model_dump()))]
    tell(0.70, "drawing the map")
    written.append(_write(folder / "map.html", standalone_html(scene).encode()))
    stems: list[str] = []
    for i, ring_key in enumerate(scene.drawn_rings):
        tell(0.75 + 0.15 * i / max(1, len(scene.drawn_rings)), f"drawing {ring_key}")
        stems.append(plain_name(ring_key, taken=stems))
        written += _drawings(scene, ring_key, folder, stem=stems[-1])
    tell(0.92, "writing the layers")
    written.append(_write_layers(found, folder / "layers.gpkg"))
    tell(0.96, "writing the tables")
    written += [_write(folder / f"{name}.csv", csv_bytes(table)) for name, table in tables_of(found).items()]
    return written


def tables_of(found: Findings) -> dict[str, pd.DataFrame]:
    """Return the tables that are written as CSV, by name."""
    document = document_of(found)
    parts = (
        "readings",
        "samples",
        "stretches",
        "coverage",
        "unread",
        "falls",
        "clearance",
        "ponds",
        "uphill",
        "gaps",
    )
    tables = {name: pd.DataFrame([row.model_dump() for row in getattr(document, name)]) for name in parts}
    tables["outlets"] = pd.DataFrame(document.outlets)
    return {name: table for name, table in tables.items() if len(table.columns)}


def _drawings(scene: Scene, ring_key: str, folder: Path, *, stem: str) -> list[Path]:
    drawings = {f"strip-{stem}": draw_strip(scene, ring_key), f"ring-{stem}": draw_ring(scene, ring_key)}
    written = []
    for name, svg in drawings.items():
        written.append(_write(folder / f"{name}.svg", svg.encode()))
        written.append(_write(folder / f"{name}.png", to_png(svg, scale=PNG_SCALE)))
    return written


def _write_layers(found: Findings, path: Path) -> Path:
    """Write the map's layers as a GeoPackage."""
    for name, layer in found.layers().items():
        if len(layer):
            _flat(layer).to_file(path, layer=name, driver="GPKG", engine="pyogrio")
    return path


def _flat(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Turn lists into text, which a GeoPackage column can hold."""
    lists = [
        name
        for name in layer.columns
        if name != "geometry" and layer[name].map(type).isin([tuple, list, dict]).any()
    ]
    return layer.assign(
        **{
            name: [
                " ".join(map(str, entry)) if isinstance(entry, tuple | list) else str(entry)
                for entry in layer[name]
            ]
            for name in lists
        }
    )


def _json(content: object) -> bytes:
    return (json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _write(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path
