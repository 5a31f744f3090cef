"""Levels of drains: what a record lacks, from the level book, and where the two disagree."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from geo.drains.faults import Fault
from geo.findings.heights import SIGMAS
from geo.reference import Reference
from geo.verdict import Measured, Verdict

NAN = math.nan
BOOKED = {
    ("gully", "rim"): "rim_level_m",
    ("gully", "lip"): "lip_level_m",
    ("gully", "invert"): "outlet_invert_level_m",
    ("chamber", "cover"): "cover_level_m",
    ("chamber", "invert"): "invert_level_m",
    ("soakaway", "cover"): "cover_level_m",
    ("soakaway", "invert"): "inlet_invert_level_m",
    ("downpipe", "foot"): "foot_level_m",
    ("fixture", "fixture"): "level_m",
    ("foundation", "foundation"): "underside_level_m",
    ("water_level", "water"): "level_m",
    ("opening", "sill"): "sill_level_m",
    ("opening", "threshold"): "sill_level_m",
    ("cavity", "cavity_base"): "base_level_m",
    ("cavity", "debris"): "debris_top_level_m",
    ("floor_zone", "floor"): "top_level_m",
    ("floor_zone", "soffit"): "soffit_level_m",
}
"""Which field of a record a line of the level book fills, by kind and role."""


def fill_levels(
    tables: Mapping[str, pd.DataFrame], levels: pd.DataFrame, *, ref: Reference
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame, tuple[Fault, ...]]:
    """Fill levels a record does not have from the level book, and say where the two disagree.

    Parameters
    ----------
    tables
        Records by kind, indexed by id.
    levels
        Reduced levels indexed by id: role, of_id, level_m, sigma_m; x, y for inverts of runs.

    Returns
    -------
    The tables; what was filled (of_id, column, level_m, sigma_m, level_ids); and a fault for each record
    whose own level lies further from the book's than two sigma. A level booked twice counts once, at the
    mean, with the larger sigma.
    """
    made = {kind: table.copy() for kind, table in tables.items()}
    z = ref.value("drains.rival_sigmas")
    rows, faults = [], []
    booked = levels[(levels["of_id"] != "") & levels["level_m"].notna()]
    for kind, table in made.items():
        own = booked[booked["of_id"].isin(table.index)]
        if own.empty:
            continue
        columns = [_column(kind, row, table) for row in own.itertuples()]
        for (name, column), same in own.groupby([own["of_id"].to_numpy(), np.array(columns, dtype=object)]):
            if not column:
                continue
            level, sigma = float(same["level_m"].mean()), float(same["sigma_m"].max())
            ids = tuple(str(each) for each in same.index)
            recorded = float(table.loc[name, column])
            if math.isnan(recorded):
                table.loc[name, column] = level
                held = float(table.loc[name, "level_sigma_m"])
                table.loc[name, "level_sigma_m"] = sigma if math.isnan(held) else max(held, sigma)
                rows.append((name, column, level, sigma, " ".join(ids)))
                continue
            usual = ref.value(SIGMAS.get(str(same["role"].iloc[0]), "levels.staff_sigma_m"))
            held = float(table.loc[name, "level_sigma_m"])
            gap = Measured(recorded, usual if math.isnan(held) else held) - Measured(level, sigma)
            if abs(gap.value) > z * gap.sigma:
                faults.append(_clash(str(name), column, recorded, level, gap, ids))
    names = ["of_id", "column", "level_m", "sigma_m", "level_ids"]
    return made, pd.DataFrame(rows, columns=names), tuple(faults)


def _column(kind: str, row: Any, table: pd.DataFrame) -> str:
    """Return the field a booked level belongs to; for a run, the invert of the nearer end."""
    if kind != "run":
        return BOOKED.get((kind, str(row.role)), "")
    line = table.loc[row.of_id, "geometry"]
    if row.role != "invert" or line is None or line.is_empty or not math.isfinite(getattr(row, "x", NAN)):
        return ""
    start, end = (math.dist((row.x, row.y), line.coords[i][:2]) for i in (0, -1))
    return "invert_up_level_m" if start < end else "invert_down_level_m"


def _clash(
    name: str, column: str, recorded: float, level: float, gap: Measured, ids: tuple[str, ...]
) -> Fault:
    what = column.removesuffix("_level_m").replace("_", " ")
    said = f"{name}: its {what} is recorded at {recorded:.3f} and booked at {level:.3f} m ({', '.join(ids)})"
    verdict = Verdict(
        word="yes", because=said, settle=f"Shoot the {what} of {name} again.", margin=1000 * abs(gap.value),
        sigma=1000 * gap.sigma, unit="mm", rests_on=(name, *ids),
    )  # fmt: skip
    return Fault(rule="contradiction", ids=(name, *ids), said=said, verdict=verdict)
