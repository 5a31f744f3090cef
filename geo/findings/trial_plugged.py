"""A run plugged, filled with water and watched: whether it holds what a drain may lose."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from geo.drains.network import Network
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict, decide

HOLDS, LEAKS = "holds", "leaks"
NOMINAL_M = 0.012


def judge_plugged(
    trial: pd.Series[Any], minutes: Measured, *, network: Network | None, ref: Reference
) -> tuple[Verdict, list[str]]:
    """Judge the water test of a plugged run by the fall of its water.

    The water lost is the fall times the section of a stand pipe of the run's own bore, ``h π d²/4``; it
    may be ``plugged_l_m2`` times the wetted inside, ``π d L``, in 30 minutes (BS EN 1610).

    Parameters
    ----------
    trial
        A record of kind trial: ``source_id`` (the run), ``fall_mm``, ``rise_level_m``.
    minutes
        How long it was watched.

    Returns
    -------
    Verdict ``holds``, ``leaks`` or not known, its margin in ml; and what one should know beside it.
    """
    run_id = str(trial["source_id"])
    rests = (str(trial.name), run_id)
    pieces = network.pieces(run_id) if network is not None else []
    missing, settle = "", ""
    length = bore = math.nan
    if network is not None and pieces:
        runs = network.runs.iloc[pieces]
        length, bore = float(runs["length_m"].sum()), float(runs["bore_m"].iloc[0])
    if not pieces:
        missing, settle = f"{run_id} is no run on the map", "Name the run that was plugged as source_id."
    elif not (length > 0 and bore > 0):
        missing, settle = (
            f"the length or the bore of {run_id} is not known",
            f"Draw {run_id}, and measure its bore.",
        )
    elif math.isnan(trial["fall_mm"]):
        missing, settle = (
            "the fall of the water is not recorded",
            "Mark the level, wait, and measure the fall.",
        )
    elif not minutes.value > 0:
        missing, settle = "how long it was watched is not recorded", "Write down start and stop."
    if missing or network is None:
        return Verdict(word=NOT_KNOWN, because=missing, settle=settle, rests_on=rests), []
    section = math.pi * bore**2 / 4.0
    fall_sigma = math.sqrt(2.0) * ref.value("trials.plugged_fall_mm")
    # One millimetre over a square metre is a litre, so mm times m2 times 1000 is millilitres.
    lost = Measured(1000.0 * trial["fall_mm"] * section, 1000.0 * fall_sigma * section)
    share = minutes.value / ref.value("trials.plugged_minutes")
    may = 1000.0 * ref.value("trials.plugged_l_m2") * math.pi * bore * length * share
    margin = Measured(may - lost.value, math.hypot(lost.sigma, may * minutes.sigma / minutes.value))
    found = decide(
        margin, z=ref.value("confidence.z_95"), unit="ml", above=HOLDS, below=LEAKS, rests_on=rests,
        settle="Watch it for longer, or read the fall in a narrower pipe.",
    )  # fmt: skip
    said = (
        f"{lost.value / 1000:.2f} l went in {minutes.value:.0f} min from {length:.1f} m"
        f" of {1000 * bore:.0f} mm drain that may lose {may / 1000:.2f} l"
    )
    verdict = Verdict(
        word=found.word, because=said + ("" if found.known else ": within the error"), settle=found.settle,
        margin=found.margin, sigma=found.sigma, unit=found.unit, rests_on=rests,
    )  # fmt: skip
    told = [f"The water lost is reckoned in a stand pipe of {1000 * bore:.0f} mm, the bore of {run_id}."]
    told += _by_the_metre(bore, length, share, ref)
    told += _head(trial, network, pieces, ref)
    if minutes.value < ref.value("trials.plugged_minutes") - 2.0 * minutes.sigma:
        told.append("It was watched for less than 30 min; what it may lose is taken in proportion.")
    return verdict, told


def _by_the_metre(bore: float, length: float, share: float, ref: Reference) -> list[str]:
    for nominal in (100, 150):
        if abs(bore - nominal / 1000.0) <= NOMINAL_M:
            may = ref.value(f"trials.plugged_{nominal}_l_m") * length * share
            return [f"By the metre, as Approved Document H is remembered, it may lose {may:.2f} l."]
    return []


def _head(trial: pd.Series[Any], network: Network, pieces: list[int], ref: Reference) -> list[str]:
    """Say how high the water stood over the run, where it is known, and whether that is a test's head."""
    up = network.runs.iloc[pieces[0]][["up_low_m", "up_high_m"]].to_numpy(float)
    level = float(trial["rise_level_m"])
    wanted = ref.value("trials.plugged_head_m")
    if math.isnan(level) or up[0] != up[1]:
        return [f"How high the water stood over the run is not known; {wanted:g} m is the head of a test."]
    head = level - float(up[0])
    if head < wanted:
        return [f"The water stood {head:.2f} m over the upper invert, less than the {wanted:g} m of a test."]
    return []
