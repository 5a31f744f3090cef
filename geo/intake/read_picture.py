"""Open a scanned plan and write it again as a clean PNG or a placed GeoTIFF; runs in the guarded child."""

from __future__ import annotations

import io
import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
from PIL import Image, ImageOps
from rasterio.io import MemoryFile
from rasterio.transform import Affine

from geo.intake.refused import Refused

FORMATS = ("PNG", "JPEG", "TIFF")
ORIENTATION = 274


def read_picture(raw: bytes, options: Mapping[str, Any]) -> tuple[Any, list[bytes]]:
    """Return a picture's size, and the picture as a PNG without anything but its pixels.

    Parameters
    ----------
    raw
        PNG, JPEG or TIFF.
    options
        ``pixels`` that it may have; ``longest`` side of the PNG, in pixels.
    """
    image, turned, form, pages = _opened(raw, options)
    width, height = image.size
    longest = int(options.get("longest", 0))
    factor = 1.0
    if longest and max(width, height) > longest:
        factor = longest / max(width, height)
        image = image.resize((max(1, round(width * factor)), max(1, round(height * factor))))
    out = io.BytesIO()
    image.save(out, format="PNG", compress_level=1)
    said = {
        "width": width,
        "height": height,
        "shown": list(image.size),
        "format": form,
        "turned": turned,
        "pages": pages,
    }
    return said, [out.getvalue()]


def write_placed(raw: bytes, options: Mapping[str, Any]) -> tuple[Any, list[bytes]]:
    """Return a picture as a GeoTIFF with the transform given.

    Parameters
    ----------
    raw
        PNG, JPEG or TIFF.
    options
        ``pixels`` that it may have; ``transform`` as a, b, c, d, e, f; ``crs`` as WKT, or ``None``.
    """
    image, _, _, _ = _opened(raw, options)
    bands = np.asarray(image)
    bands = bands[None] if bands.ndim == 2 else np.moveaxis(bands, 2, 0)
    with MemoryFile(ext=".tif") as held:
        with held.open(
            driver="GTiff",
            width=bands.shape[2],
            height=bands.shape[1],
            count=bands.shape[0],
            dtype="uint8",
            crs=options["crs"],
            transform=Affine(*options["transform"]),
            compress="deflate",
            tiled=True,
        ) as target:
            target.write(bands)
        return {"bands": int(bands.shape[0])}, [bytes(held.getbuffer())]


def _opened(raw: bytes, options: Mapping[str, Any]) -> tuple[Image.Image, bool, str, int]:
    """Return a picture in grey or colour, upright as its camera says, and what it was."""
    most = int(options["pixels"])
    Image.MAX_IMAGE_PIXELS = None  # the limit below is the one in force
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        image = Image.open(io.BytesIO(raw), formats=FORMATS)
        if image.width * image.height > most:
            found = f"{image.width:,} × {image.height:,} pixels"
            raise Refused(found, f"at most {most:,}", "Scan it at 300 dots an inch, or cut it to the house.")
        image.load()
        form, pages = str(image.format), int(getattr(image, "n_frames", 1))
        turned = image.getexif().get(ORIENTATION, 1) not in (0, 1)
        upright = ImageOps.exif_transpose(image)
        if upright.mode.startswith("I;16"):  # PIL cuts sixteen bits off at white instead of scaling them
            upright = Image.fromarray((np.asarray(upright) >> 8).astype(np.uint8))
        kept = (
            upright
            if upright.mode in ("L", "RGB")
            else upright.convert("L" if upright.mode in ("1", "I", "F") else "RGB")
        )
    clean = Image.new(kept.mode, kept.size)
    clean.paste(kept)
    return clean, turned, form, pages
