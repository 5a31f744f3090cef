"""Levels of a site: the book reduced, or levels reduced elsewhere, each with its sigma."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geo.findings.places import ring_keys
from geo.levels.book import LevelBook, reduce_book
from geo.reference import Reference
from geo.site.model import Site

SIGMAS = {
    "rim": "levels.rim_sigma_m",
    "lip": "levels.rim_sigma_m",
    "cover": "levels.rim_sigma_m",
    "foot": "levels.rim_sigma_m",
    "fixture": "levels.rim_sigma_m",
    "invert": "levels.invert_sigma_m",
    "foundation": "levels.invert_sigma_m",
    "water": "levels.invert_sigma_m",
    "dpc": "levels.dpc_sigma_m",
    "soffit": "levels.soffit_sigma_m",
    "debris": "levels.debris_sigma_m",
    "cavity_base": "levels.cavity_base_sigma_m",
}
BOOK_COLUMNS = [
    "role",
    "setup_id",
    "backsight_m",
    "intermediate_sight_m",
    "foresight_m",
    "known_level_m",
    "point",
    "sight_sigma_m",
]


def site_levels(site: Site, *, stage: str = "as_found") -> tuple[pd.DataFrame, LevelBook | None]:
    """Reduce the levels of a site.

    Parameters
    ----------
    stage
        ``"as_found"`` for the survey's levels, ``"as_built"`` for those taken after the works. The book is
        reduced as one whatever is asked for.

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
    book = booked_lines(site)
    asked = table["stage"] == stage
    if book.empty:
        return found[asked], None
    reduced = reduce_book(book, ref=site.reference)
    own = reduced.levels
    found.loc[own.index, "level_m"] = own["level_m"].to_numpy()
    found.loc[own.index, "sigma_m"] = table["level_sigma_m"].fillna(own["sigma_m"])[own.index].to_numpy()
    return found[asked], reduced


def booked_lines(site: Site) -> pd.DataFrame:
    """Return the lines with a staff reading, as :func:`geo.levels.book.reduce_book` takes them.

    A bench mark booked without its level is the site's own, and has the level the site's facts give it,
    unless its note names another.
    """
    table = site.table("level")
    sighted = table[["backsight_m", "intermediate_sight_m", "foresight_m"]].notna().any(axis=1)
    booked = table[sighted]
    known = booked["known_level_m"].astype(float)
    if site.info.bench_mark_level_m is not None:
        known = known.mask(_own_mark(booked, site) & known.isna(), site.info.bench_mark_level_m)
    sigma = usual_sigma(table, ref=site.reference)
    return booked.assign(known_level_m=known, point=point_names(booked), sight_sigma_m=sigma[sighted])[
        BOOK_COLUMNS
    ]


def _own_mark(booked: pd.DataFrame, site: Site) -> pd.Series[bool]:
    """Tell which lines are on the site's own bench mark: all booked as one whose note names no other."""
    marks = booked["role"] == "bench_mark"
    if not marks.any():
        return marks
    notes = booked["note"].str.casefold().str.strip()
    same = {"", notes[marks].iloc[0], site.info.bench_mark.casefold().strip()}
    return marks & notes.isin(same)


def point_names(booked: pd.DataFrame) -> pd.Series[str]:
    """Return the point each line was sighted on; a change point booked on two lines is one point."""
    names = booked["id"].to_numpy(dtype=object).copy()
    foresight, backsight = booked["foresight_m"].notna(), booked["backsight_m"].notna()
    change = (booked["role"] == "change_point").to_numpy()
    again = change[1:] & change[:-1] & foresight.to_numpy()[:-1] & backsight.to_numpy()[1:]
    for i in np.flatnonzero(again):
        names[i + 1] = names[i]
    return pd.Series(names, index=booked.index, dtype=object)


def course_points(site: Site, levels: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the points of the damp proof course: those typed, and those levelled where none is typed.

    A level booked on the damp proof course fills a typed point of the same leaf at the same place that has
    no level. Where none is typed there it is a point of its own, in the state typed for that length. A
    typed level is never replaced: both are told.

    Parameters
    ----------
    levels
        Levels indexed by id with their places: role, of_id, level_m, sigma_m, side, ring_key, chainage_m.

    Returns
    -------
    Indexed by id of the typed point or of the line of the book: leaf, chainage_m, level_m, state, lap,
    evidence, ring_key, sigma_m; and a sentence for each level that lies beside a typed one.
    """
    ref = site.reference
    table = site.table("dpc_point")
    columns = ["leaf", "chainage_m", "level_m", "state", "lap", "evidence"]
    sigma = table["level_sigma_m"].fillna(ref.value("levels.dpc_sigma_m"))
    points = table[columns].assign(ring_key=ring_keys(table, site), sigma_m=sigma)
    shot = levels[(levels["role"] == "dpc") & levels["level_m"].notna() & levels["chainage_m"].notna()]
    rows, told, typed = [], [], points.copy()
    for name, line in shot[shot["ring_key"] != ""].iterrows():
        leaf = _leaf(typed, line)
        own = typed[(typed["ring_key"] == line["ring_key"]) & (typed["leaf"] == leaf)]
        apart = (own["chainage_m"] - line["chainage_m"]).abs()
        beside = own[(apart <= ref.value("levels.same_course_m")) | (own.index == line["of_id"])]
        held = beside[beside["level_m"].notna()]
        if len(held):
            near = held.loc[(held["level_m"] - line["level_m"]).abs().idxmin()]
            gap = 1000.0 * (line["level_m"] - near["level_m"])
            told.append(
                f"{name} has the damp proof course at {line['level_m']:.3f}, {near.name} beside it"
                f" {near['level_m']:.3f} as typed ({gap:+.0f} mm): the typed one counts"
            )
        elif len(beside):
            first = (beside["chainage_m"] - line["chainage_m"]).abs().idxmin()
            points.loc[first, ["level_m", "sigma_m"]] = [line["level_m"], line["sigma_m"]]
        else:
            rows.append((name, leaf, line, _state_there(own, float(line["chainage_m"]))))
    if rows:
        added = pd.DataFrame(
            [
                {"leaf": leaf, "chainage_m": line["chainage_m"], "level_m": line["level_m"], "state": state,
                 "lap": "", "evidence": "seen", "ring_key": line["ring_key"], "sigma_m": line["sigma_m"]}
                for _, leaf, line, state in rows
            ],
            index=[name for name, *_ in rows],
        )  # fmt: skip
        points = added if points.empty else pd.concat([points, added])
    return points, tuple(told)


def _leaf(typed: pd.DataFrame, line: pd.Series[Any]) -> str:
    """Return the leaf a line was levelled on: that of the point it names, the side it was taken from."""
    if line["of_id"] in typed.index:
        return str(typed.loc[line["of_id"], "leaf"])
    own = typed[typed["ring_key"] == line["ring_key"]]
    if len(own) and (own["leaf"] == "solid").all():
        return "solid"
    return "inner" if line["side"] == "inside" else "outer"


def _state_there(own: pd.DataFrame, chainage_m: float) -> str:
    """Return the state typed for the length a place lies in; seen at the place itself where none is typed."""
    if own.empty:
        return "continuous"
    ordered = own.sort_values("chainage_m", kind="stable")
    before = ordered[ordered["chainage_m"] <= chainage_m]
    return str((before if len(before) else ordered)["state"].iloc[-1])


def usual_sigma(table: pd.DataFrame, *, ref: Reference) -> pd.Series[float]:
    """Return how well a staff is held on each kind of point."""
    role = table["role"].to_numpy(dtype=object)
    sigma = np.full(len(table), ref.value("levels.staff_sigma_m"))
    for name, key in SIGMAS.items():
        sigma[role == name] = ref.value(key)
    ground = np.isin(role, ("ground", "kerb"))
    soft = table["hardness"].to_numpy(dtype=object) == "soft"
    sigma[ground & ~soft] = ref.value("ground.hard_level_sigma_m")
    sigma[ground & soft] = ref.value("ground.soft_level_sigma_m")
    return pd.Series(sigma, index=table.index, dtype="float64")
