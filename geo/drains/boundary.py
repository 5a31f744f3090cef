"""Water that stands outside the drains: a surcharged sewer, a high ditch."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from geo.drains.network import Doubt, Network
from geo.drains.rising import Case, crests_from, if_instead, make_case
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict, decide


def boundary_heads(water_levels: pd.DataFrame, *, ref: Reference) -> dict[str, Measured]:
    """Return the highest level a sewer or ditch stood at outside, by the outfall or run it was taken at.

    Parameters
    ----------
    water_levels
        Records of standing water: ``of_id``, ``level_m``, ``level_sigma_m``, ``condition``. Only those of
        a surcharged sewer or high ditch are used; what stood in the drains themselves bounds nothing.

    Returns
    -------
    Heads for :meth:`geo.drains.network.Network.with_boundary`, m.
    """
    if water_levels.empty:
        return {}
    outside = water_levels[(water_levels["condition"] == "surcharged") & water_levels["level_m"].notna()]
    usual = ref.value("levels.invert_sigma_m")
    heads: dict[str, Measured] = {}
    for row in outside.sort_values("level_m", kind="stable").to_dict("records"):
        sigma = float(row.get("level_sigma_m", math.nan))
        heads[str(row["of_id"])] = Measured(float(row["level_m"]), usual if math.isnan(sigma) else sigma)
    return heads


def surcharged(network: Network, outfall: str, head: Measured, *, ref: Reference) -> pd.DataFrame:
    """Say which nodes a full sewer or ditch outside would flood through the drains.

    Parameters
    ----------
    outfall
        The outfall it stands at.
    head
        Level of the water there, m.

    Returns
    -------
    DataFrame, index node: ``reach_m``, ``margin_mm``, ``sigma_mm``, ``word`` (yes, no, not known),
    ``because``, ``settle``; lowest first. Nothing passes a non-return valve or a pump backwards; a valve
    nobody tried may or may not hold it, and what lies behind it is then not known.
    """
    case = make_case(network, ())
    row, start = case.rows[-1], network.place(outfall)
    z = ref.value("drains.rival_sigmas")
    level = _reach_levels(case, start, row)
    tried: dict[int, Doubt] = {}
    for doubt in network.doubts:
        for outcome in doubt.others:
            held = _reach_levels(if_instead(case, doubt.edge, outcome), start, row)
            for i in np.flatnonzero(held > level + 1e-9):
                tried.setdefault(int(i), doubt)
    rows = {}
    for i in np.argsort(level, kind="stable").tolist():
        if i == start or case.w.outfall[i] or not math.isfinite(level[i]):
            continue
        margin = Measured(1000 * head.value, 1000 * head.sigma) - Measured(
            1000 * float(level[i]), 1000 * case.w.spill_sigma[i]
        )
        said = decide(margin, z=z, unit="mm", settle=f"Level {case.w.ids[i]} and the water at {outfall}.")
        if said.word != "no" and i in tried:
            doubt = tried[i]
            said = Verdict(
                word=NOT_KNOWN,
                because=f"{doubt.fitting_id} in {doubt.run_id} may hold it back: nobody tried it",
                settle=f"Try {doubt.fitting_id}.",
            )
        rows[case.w.ids[i]] = {
            "reach_m": float(level[i]),
            "margin_mm": margin.value,
            "sigma_mm": margin.sigma,
            "word": said.word,
            "because": said.because,
            "settle": said.settle,
        }
    columns = ["reach_m", "margin_mm", "sigma_mm", "word", "because", "settle"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=columns)


def _reach_levels(case: Case, start: int, row: int) -> np.ndarray:
    """Return the level an outside water must have to leave at each node."""
    crest, _ = crests_from(case, start, row)
    return np.asarray(np.maximum(np.array(case.spill[row]), crest))
