"""The tint of shaded ground."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

DARK, LIGHT = np.array([168, 161, 145]), np.array([252, 250, 245])
ALPHA = 225
LEAST_SPAN = 0.35


def shade_colours(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return (rows, columns, 4) colours of light 0 to 1; clear where there is none.

    Small differences of light stay small, so that the raster's own noise does not look like hills.
    """
    known = np.isfinite(light)
    middle = float(np.nanmedian(light)) if known.any() else 0.5
    low, high = np.nanpercentile(light, [2, 98]) if known.any() else (0.0, 1.0)
    span = max(float(high - low), LEAST_SPAN)
    share = np.clip((np.nan_to_num(light) - middle) / span + 0.6, 0.0, 1.0)[..., None]
    colours = DARK + (LIGHT - DARK) * share
    return np.dstack([colours.astype(np.uint8), np.where(known, ALPHA, 0).astype(np.uint8)])
