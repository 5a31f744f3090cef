"""Levels held against each other, and the level book."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from geo.errors import InputError, Problem
from geo.findings.check_said import at
from geo.findings.heights import site_levels
from geo.site.model import Site
from geo.site.records import KINDS

PAIRS = {
    "gully": (("rim_level_m", "outlet_invert_level_m"), ("rim_level_m", "lip_level_m")),
    "chamber": (("cover_level_m", "invert_level_m"),),
    "soakaway": (("cover_level_m", "inlet_invert_level_m"),),
    "opening": (("head_level_m", "sill_level_m"),),
    "floor_zone": (("top_level_m", "soffit_level_m"),),
    "cavity": (("debris_top_level_m", "base_level_m"),),
    "opening_up": (("slab_top_level_m", "soffit_level_m"),),
}


def units(site: Site) -> Iterator[Problem]:
    """Find levels so far from the others that they are most likely millimetres, or of another datum."""
    spread = site.reference.value("input.level_spread_m")
    found: list[tuple[float, str, str, str]] = []
    for kind, records in site.records.items():
        names = [name for name in KINDS[kind].columns() if name.endswith("_level_m") or name == "level_m"]
        found += [
            (value, record.id, name, kind)
            for record in records
            for name in names
            if (value := getattr(record, name)) is not None
        ]
    if not found:
        return
    middle = float(np.median([value for value, *_ in found]))
    for value, record_id, name, kind in found:
        if abs(value - middle) > spread:
            yield at(
                site,
                record_id,
                name,
                kind,
                found=f"{value:g} lies {abs(value - middle):.0f} m from the middle of the site's levels",
                allowed=f"metres above the site datum, within {spread:g} m of it",
                mend=f"If that is in millimetres, write {value / 1000:.3f}; or raise input.level_spread_m.",
            )


def levels_in_order(site: Site) -> Iterator[Problem]:
    """Hold levels against each other: a cover lies above its invert, a rim above its outlet."""
    for kind, pairs in PAIRS.items():
        for record in site.of(kind):
            for upper, lower in pairs:
                high, low = getattr(record, upper), getattr(record, lower)
                if high is not None and low is not None and low > high + 0.05 * (lower == "lip_level_m"):
                    yield at(
                        site,
                        record.id,
                        lower,
                        kind,
                        found=f"{low:g} is above {upper} {high:g}",
                        allowed=f"a level at or below {upper}",
                        mend="Look at the level book: one of the two is wrong.",
                    )


def book(site: Site) -> Iterator[Problem]:
    """Ask of the level book that it can be followed, from a known level on."""
    try:
        _, reduced = site_levels(site)
    except InputError as error:
        yield from error.problems
        return
    if reduced is None:
        return
    for number, run in reduced.runs[~reduced.runs["tied"].astype(bool)].iterrows():
        line = reduced.sights.loc[reduced.sights["run"] == number, "line"].iloc[0]
        yield at(
            site,
            str(line),
            "known_level_m",
            "level",
            found=f"not known: {run['because']}",
            allowed="a level above the site's datum on the first bench mark",
            mend="Give the bench mark a level; any round figure makes a datum of the site's own.",
            severity="warning",
        )


COVERS = {"gully": "rim_level_m", "chamber": "cover_level_m", "soakaway": "cover_level_m"}
STANDS = ("resting", "standing")


def standing_water(site: Site) -> Iterator[Problem]:
    """Note water said to stand at rest above its own cover by more than the levels' errors."""
    z = site.reference.value("drains.rival_sigmas")
    usual = site.reference.value("levels.rim_sigma_m")
    covers = {record.id: (record, COVERS[kind]) for kind in COVERS for record in site.of(kind)}
    for record in site.of("water_level"):
        asset, column = covers.get(getattr(record, "of_id", ""), (None, ""))
        cover = getattr(asset, column, None) if asset is not None else None
        if cover is None or getattr(record, "condition", "") not in STANDS:
            continue
        level = float(getattr(record, "level_m", 0.0))
        sigma = math.hypot(
            getattr(record, "level_sigma_m", None) or usual, getattr(asset, "level_sigma_m", None) or usual
        )
        if level - cover > z * sigma:
            yield at(
                site,
                record.id,
                "level_m",
                "water_level",
                found=f"water at {level:g} stands {1000 * (level - cover):.0f} mm over {column} {cover:g}",
                allowed="at rest, a level at or below the cover",
                mend="Look at the dip and the datum; if it came up over the cover, say surcharged or mark.",
                severity="warning",
            )
