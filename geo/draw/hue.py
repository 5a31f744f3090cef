"""The tint of shaded ground."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

DARK, LIGHT = np.array([112, 106, 92]), np.array([252, 250, 244])
ALPHA = 215


def shade_colours(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return (rows, columns, 4) colours of light 0 to 1; clear where there is none."""
    known = np.isfinite(light)
    low, high = np.nanpercentile(light, [2, 98]) if known.any() else (0.0, 1.0)
    share = np.clip((np.nan_to_num(light) - low) / max(high - low, 1e-3), 0.0, 1.0)[..., None]
    colours = DARK + (LIGHT - DARK) * share
    return np.dstack([colours.astype(np.uint8), np.where(known, ALPHA, 0).astype(np.uint8)])
