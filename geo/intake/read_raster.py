"""Look a GeoTIFF through from corner to corner; runs in the guarded child."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from rasterio.io import MemoryFile

from geo.intake.refused import Refused


def read_raster_facts(raw: bytes, options: Mapping[str, Any]) -> tuple[Any, list[bytes]]:
    """Return what a raster is, having read every block of it once.

    Parameters
    ----------
    raw
        The file.
    options
        ``cells`` that it may have.

    Raises
    ------
    Refused
        When it has more cells, or blocks larger than that.
    """
    with MemoryFile(raw, ext=".tif") as held, held.open(driver="GTiff") as source:
        most = options["cells"]
        if source.width * source.height > most:
            found = f"{source.width:,} × {source.height:,} cells"
            raise Refused(found, f"at most {most:,.0f} cells", "Cut it to the site and 40 m round it.")
        if math.prod(source.block_shapes[0]) > most:
            raise Refused(
                "stored in blocks too large to read", f"at most {most:,.0f} cells", "Export it tiled."
            )
        lowest, highest, filled = math.inf, -math.inf, 0
        for _, window in source.block_windows(1):
            z = source.read(1, window=window, masked=True)
            values = z.compressed()
            values = values[np.isfinite(values)] if values.dtype.kind == "f" else values
            filled += values.size
            if values.size and values.dtype.kind in "fiu":
                lowest, highest = min(lowest, float(values.min())), max(highest, float(values.max()))
        facts = {
            "width": source.width,
            "height": source.height,
            "bands": source.count,
            "dtype": str(source.dtypes[0]),
            "picture": source.count >= 3 and set(source.dtypes) == {"uint8"},
            "crs": source.crs.to_wkt() if source.crs else None,
            "transform": [float(one) for one in tuple(source.transform)[:6]],
            "nodata": None if source.nodata is None else repr(float(source.nodata)),
            "unit": str(source.units[0] or ""),
            "scale": [float(source.scales[0]), float(source.offsets[0])],
            "filled": filled,
            "lowest": lowest if filled else None,
            "highest": highest if filled else None,
            "placed": not source.transform.is_identity,
        }
    return facts, []
