"""Does the ground send water to the house, and how sure is that?"""

from __future__ import annotations

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import cache
from app.widgets import chrome, drawing
from app.widgets.table import NOTHING, show_table

RING_LEAST_PX = 1000
POOLS = {
    "gullies": "gullies",
    "level_m": "level, m",
    "depth_max_m": "deepest, m",
    "volume_l": "holds, l",
    "chainage_from_m": "from, m",
    "chainage_to_m": "to, m",
    "verdict": "verdict",
    "because": "because",
}


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    opened = chrome.open_site(head)
    if opened is None:
        return
    found, scene = opened
    ring = chrome.choose_ring(scene)
    drawing.show_svg(
        cache.ring_svg(scene.version, ring, scene),
        alt=f"Falls and clearances of {scene.place(ring)}",
        key="fitted-ring",
        least_px=RING_LEAST_PX,
    )
    chrome.swipe("The key stands to the right of the ring: swipe it into view.")
    chrome.note(*found.notes)
    falls, clearance, ponds, uphill = st.tabs(["Falls", "Clearance", "Pools", "Ground uphill"])
    with falls:
        own = _placed(found.ground.falls, scene.stations, ring)
        own = own.assign(by=own["evidence"], measured=_ranges(own, "fall", "percent", 1))
        _show_verdicts(own, "fall to the wall, % (95 % range)", by=True)
    with clearance:
        own = _placed(found.ground.clearance, scene.stations, ring)
        own = own.assign(measured=_ranges(own, "clearance", "mm", 0))
        _show_verdicts(own, "DPC above ground, mm (95 % range)")
    with ponds:
        own = found.ground.ponds[found.ground.ponds["ring_key"] == ring]
        show_table(
            pd.DataFrame(own)[list(POOLS)].rename(columns=POOLS),
            digits={"level, m": 3, "holds, l": 0},
            empty="No pool stands against this wall in the evidence there is.",
        )
    with uphill:
        own = _placed(found.ground.uphill, scene.stations, ring)
        own = own[own["area_m2"] > 0]
        names = {"area_m2": "drains to it, m²", "reaches_raster_edge": "at least: runs off the raster"}
        show_table(
            own[["chainage, m", "face", *names]].rename(columns=names),
            digits=1,
            tall=True,
            empty="No ground of the raster drains to this wall, or there is no raster.",
        )


def _placed(table: pd.DataFrame, stations: pd.DataFrame, ring: str) -> pd.DataFrame:
    """Put each result beside its place on one ring."""
    place = stations[stations["ring_key"] == ring]
    place = pd.DataFrame(place)[["station_id", "face", "chainage_from_m", "chainage_to_m"]]
    joined = place.merge(table, on="station_id")
    ends = zip(joined["chainage_from_m"], joined["chainage_to_m"], strict=True)
    spans = [f"{start:.1f}–{end:.1f}" for start, end in ends]
    return joined.assign(**{"chainage, m": spans})


def _ranges(table: pd.DataFrame, what: str, unit: str, digits: int) -> pd.Series:
    """Write each measured number with its range; a number nobody has is not written as one."""
    numbers = table[[f"{what}_{unit}", f"low_{unit}", f"high_{unit}"]].round(digits) + 0.0
    said = [
        f"{at:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})" for at, low, high in numbers.to_numpy()
    ]
    return pd.Series(said, index=table.index).where(numbers.notna().all(axis=1), NOTHING)


def _show_verdicts(own: pd.DataFrame, measured: str, *, by: bool = False) -> None:
    own = own[own["verdict"] != "party"].rename(columns={"measured": measured, "settle": "to settle it"})
    columns = ["chainage, m", "face", *(["by"] if by else []), measured, "verdict", "because", "to settle it"]
    show_table(own[columns], tall=True, empty="This wall has no outside.")
