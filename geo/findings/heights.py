"""Levels of a site: the book reduced, or levels reduced elsewhere, each with its sigma."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geo.levels.book import LevelBook, reduce_book
from geo.reference import Reference
from geo.site.model import Site

SIGMAS = {
    "rim": "levels.rim_sigma_m",
    "lip": "levels.rim_sigma_m",
    "cover": "levels.rim_sigma_m",
    "invert": "levels.invert_sigma_m",
    "dpc": "levels.dpc_sigma_m",
}


def site_levels(site: Site) -> tuple[pd.DataFrame, LevelBook | None]:
    """Reduce the levels of a site.

    Returns
    -------
    Indexed by id: role, of_id, hardness, patch_id, level_m, sigma_m (NaN where no level comes out), and
    the reduced book where staff readings were booked.

    Raises
    ------
    InputError
        When the book cannot be followed.
    """
    table = site.table("level")
    found = table[["role", "of_id", "hardness", "patch_id", "level_m"]].copy()
    sigma = usual_sigma(table, ref=site.reference)
    found["sigma_m"] = table["level_sigma_m"].fillna(sigma)
    sighted = table[["backsight_m", "intermediate_sight_m", "foresight_m"]].notna().any(axis=1)
    booked = table[sighted]
    if booked.empty:
        return found, None
    columns = ["setup_id", "backsight_m", "intermediate_sight_m", "foresight_m", "known_level_m"]
    book = booked[columns].assign(point=point_names(booked), sight_sigma_m=sigma[sighted])
    reduced = reduce_book(book, ref=site.reference)
    own = reduced.levels
    found.loc[own.index, "level_m"] = own["level_m"].to_numpy()
    found.loc[own.index, "sigma_m"] = table["level_sigma_m"].fillna(own["sigma_m"])[own.index].to_numpy()
    return found, reduced


def point_names(booked: pd.DataFrame) -> pd.Series[str]:
    """Return the point each line was sighted on; a change point booked on two lines is one point."""
    names = booked["id"].to_numpy(dtype=object).copy()
    foresight, backsight = booked["foresight_m"].notna(), booked["backsight_m"].notna()
    change = (booked["role"] == "change_point").to_numpy()
    again = change[1:] & change[:-1] & foresight.to_numpy()[:-1] & backsight.to_numpy()[1:]
    for i in np.flatnonzero(again):
        names[i + 1] = names[i]
    return pd.Series(names, index=booked.index, dtype=object)


def usual_sigma(table: pd.DataFrame, *, ref: Reference) -> pd.Series[float]:
    """Return how well a staff is held on each kind of point."""
    staff = ref.value("levels.staff_sigma_m")
    sigma = pd.Series(staff, index=table.index, dtype="float64")
    for role, key in SIGMAS.items():
        sigma[table["role"] == role] = ref.value(key)
    ground = table["role"].isin(("ground", "kerb"))
    soft = table["hardness"] == "soft"
    sigma[ground & ~soft] = ref.value("ground.hard_level_sigma_m")
    sigma[ground & soft] = ref.value("ground.soft_level_sigma_m")
    return sigma
