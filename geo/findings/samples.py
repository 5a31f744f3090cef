"""What the samples say: free water, or water that salts hold, place by place."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geo.moisture.bases import contents_from_masses, free_or_salt
from geo.site.model import Site

WALL_COLUMNS = ("ring_key", "face", "chainage_m", "side")


def sample_contents(site: Site, placed: pd.DataFrame | None) -> pd.DataFrame:
    """Work out every sample's moisture contents and what its place says.

    Samples of one material within ``moisture.same_place_m`` along one side of a wall are one place; the
    answer over its heights stands beside each of them. Masses stay in the records.

    Returns
    -------
    Indexed by sample id: its place, material, height_m, the columns of
    :func:`geo.moisture.bases.contents_from_masses`, word (at this height), because, settle, and
    place_word, place_because, place_settle over the heights of the place.
    """
    table = site.table("sample")
    contents = contents_from_masses(table, ref=site.reference)
    own = table[["material", "height_m", "depth_from_mm", "depth_to_mm"]].join(contents)
    if placed is None:
        own = own.assign(**(dict.fromkeys(WALL_COLUMNS, "") | {"chainage_m": np.nan}))
    else:
        own = own.join(placed[list(WALL_COLUMNS)])
    words = ("word", "because", "settle", "place_word", "place_because", "place_settle")
    own = own.assign(**dict.fromkeys(words, ""))
    for _, rows in own.groupby(_places(own, site.reference.value("moisture.same_place_m"))):
        profile = free_or_salt(rows, rows["height_m"], ref=site.reference)
        for name in words[:3]:
            own.loc[profile.heights.index, name] = profile.heights[name]
        said = profile.verdict
        own.loc[rows.index, list(words[3:])] = [said.word, said.because, said.settle]
    return own


def _places(samples: pd.DataFrame, near_m: float) -> pd.Series[str]:
    """Return a name for each sample's place: one wall, side, material and depth, near each other."""
    depth = samples["depth_from_mm"].fillna(0.0).astype(int).astype(str)
    wall = (
        samples["ring_key"].astype(str)
        + "|"
        + samples["face"].astype(str)
        + "|"
        + samples["side"].astype(str)
    )
    wall = wall + "|" + samples["material"].astype(str) + "|" + depth
    order = samples.assign(wall=wall).sort_values(["wall", "chainage_m"])
    begins = (order["wall"] != order["wall"].shift()) | (order["chainage_m"].diff() > near_m)
    lone = order["chainage_m"].isna()
    return (begins | lone).cumsum().astype(str).reindex(samples.index)
