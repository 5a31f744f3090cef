"""Words and small facts every part of the setting-out pack says alike."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from geo.drains.setting_out import SettingOut
from geo.drains.setting_runs import is_line
from geo.perimeter.build import Perimeter
from geo.site.model import Site
from geo.verdict import NOT_KNOWN

SHORT_CAUTION = (
    "Certifies nothing. Support the sides of every dig; never undermine a wall. Services may be there that"
    " are not drawn: plans, locator, hand digging. Never enter a chamber. Sewage carries disease: gloves,"
    " wash."
)


TRACED = ("seen", "sonde", "camera")


OWNERS = {
    "private": "private",
    "shared_private": "shared",
    "public": "public",
    "not_known": "owner not known",
}
Xy = tuple[float, float]


def tie_of(site: Site) -> tuple[float, float, float] | None:
    """Return longitude, latitude and bearing that tie a local grid to the earth; ``None`` without."""
    info = site.info
    if info.tie_longitude_deg is None or info.tie_latitude_deg is None:
        return None
    return info.tie_longitude_deg, info.tie_latitude_deg, info.grid_bearing_deg or 0.0


def services_of(site: Site) -> Any:
    """Return the services that were drawn."""
    table = site.table("service")
    return table[np.array([is_line(shape) for shape in table.geometry], dtype=bool)]


def xy_of(shape: Any) -> list[Xy]:
    """Return a shape's corners as pairs of numbers."""
    return [(float(x), float(y)) for x, y in shapely.get_coordinates(shape)]


def extent_of(found: SettingOut, perimeter: Perimeter) -> tuple[float, float, float, float]:
    """Return west, south, east and north of all that is set out and of the surveyed buildings."""
    surveyed = perimeter.footprints[perimeter.footprints["role"] == "subject"].geometry.to_numpy()
    shapes = [*surveyed, *found.runs.geometry, *found.boxes.geometry]
    shapes += list(shapely.points(found.targets[["x", "y"]].to_numpy()))
    west, south, east, north = shapely.total_bounds(np.array(shapes, dtype=object))
    return float(west), float(south), float(east), float(north)


def word_of(site: Site, group: str, key: str) -> str:
    """Return the word people use for a key of the vocabulary."""
    return site.reference.word(group, key) if key else ""


def what(row: Any) -> str:
    """Say what a target is, and its state."""
    state = f", {str(row['state']).replace('_', ' ')}" if row["state"] else ""
    return f"{row['kind']}{state}"


def level_words(value: float) -> str:
    """Return a level to the millimetre, or that it is not known."""
    return f"{value:.3f}" if math.isfinite(value) else NOT_KNOWN


def between(row: Any, part: str) -> str:
    """Return a pipe's level at a target, or the two it lies between."""
    low, high = row[f"{part}_low_m"], row[f"{part}_high_m"]
    if not math.isfinite(low) or not math.isfinite(high):
        return NOT_KNOWN
    return level_words(low) if high - low < 1e-9 else f"{low:.3f} to {high:.3f}"


def tie_words(row: Any) -> str:
    """Say the two tapes that fix a target, their side and the check; or why there are none."""
    if row["tied"] != "yes":
        return f"no tie: {row['why_no_tie']}"
    tapes = " and ".join(f"{row[f'tape_{k}_from']} {row[f'tape_{k}_m']:.2f} m" for k in (1, 2))
    check = f", check {row['check_from']} {row['check_m']:.2f} m" if row["check_from"] else ""
    line = f"{row['tape_1_from']} to {row['tape_2_from']}"
    return f"{row['tie_ring_key']}: {tapes}, {row['tape_side']} of the line {line}{check}"


def wall_words(row: Any) -> str:
    """Say where along a wall and how far square off it a target lies."""
    if not math.isfinite(row["offset_m"]):
        return "–"
    from_corner = f"{row['wall_corner_m']:.2f} m from corner {row['wall_corner']}"
    where = f"{row['wall_ring_key']} {row['wall_face']} at chainage {row['chainage_m']:.2f}"
    return f"{from_corner} along {where}, {row['offset_m']:.2f} m out"


def set_out_words(target: Any) -> str:
    """Say by what a place is set out, and how well that holds it."""
    peg = f"; peg σ {amount(target['set_out_sigma_m'])} m."
    if target["tied"] == "yes":
        return f"Tapes: {tie_words(target)}{peg}"
    if math.isfinite(target["offset_m"]):
        return f"Set out {wall_words(target)}{peg}"
    return f"Nothing to set it out from: {target['wall_note']}, and {target['why_no_tie']}."


def depth_words(row: Any) -> str:
    """Say how deep crown and invert lie, or what would settle it."""
    if row["depth"] == NOT_KNOWN:
        return f"depth not known: {row['depth_because']}. {row['depth_settle']}"
    crown, invert = (depth_range(row, part) for part in ("crown", "invert"))
    return f"crown {crown} m down, invert {invert} m down"


def depth_range(row: Any, part: str) -> str:
    """Return a depth and its 95 % range; a dash where there is no depth."""
    low, high, middle = (row[f"depth_{part}_{end}m"] for end in ("low_", "high_", ""))
    if not math.isfinite(low):
        return "–"
    if not math.isfinite(middle):
        low = max(low, 0.0)
    ends = f"{low:.2f} to {high:.2f}"
    return f"{middle:.2f} ({ends})" if math.isfinite(middle) else ends


def run_words(run: Any) -> str:
    """Say what a run carries, its bore, whose it is and what proved it."""
    bore = f"{1000 * run['bore_m']:.0f} mm" if math.isfinite(run["bore_m"]) else "bore not known"
    use = "use not known" if run["use"] == "not_known" else str(run["use"])
    return f"{use} {bore}, {owner_words(run)}, {proved_by(run)}"


def owner_words(run: Any) -> str:
    """Say in a word or two whose a run is."""
    return OWNERS.get(str(run["owner"]), str(run["owner"]).replace("_", " "))


def proved_by(run: Any) -> str:
    """Say by what the ends of a run were proved."""
    ends = [str(run[end]).replace("_", " ") for end in ("from_evidence", "to_evidence")]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} above, {ends[1]} below"


def fall_words(run: Any, z: float) -> str:
    """Say the fall of a run, with its 95 % range."""
    fall, n = run["fall_m"], run["gradient"]
    if not math.isfinite(fall):
        return NOT_KNOWN
    sigma = 1000 * math.sqrt(2.0) * run["level_sigma_m"]
    if fall == 0:
        return f"level ± {z * sigma:.0f} mm"
    way = "" if fall > 0 else " BACKWARDS"
    return f"1:{abs(n):.0f}{way} ({1000 * fall:.0f} ± {z * sigma:.0f} mm)"


def amount(value: float, places: int = 2) -> str:
    """Return an amount, or that it is not known."""
    return f"{value:.{places}f}" if math.isfinite(value) else NOT_KNOWN
