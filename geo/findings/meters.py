"""Two readings of a water meter with everything off: is a service losing water, and how much at least."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from geo.findings.trial_amounts import clock_seconds
from geo.reference import Reference
from geo.verdict import NOT_KNOWN

LOSES, NONE_SHOWN = "loses water", "none shown"


def leak_tests(readings: pd.DataFrame, *, ref: Reference) -> pd.DataFrame:
    """Judge each pair of meter readings that follow one another with everything off between.

    The least loss that can be told from nothing is ``meter_factor`` times the last digit over the time
    between; each reading is out by up to half its last digit either way, so their difference has the
    sigma ``digit √(2/12)``.

    Parameters
    ----------
    readings
        Records of kind meter_reading, indexed by id: ``service_id``, ``reading_m3``, ``resolution_l``,
        ``all_off``, ``taken_at``.

    Returns
    -------
    Indexed by the id of the second reading: ``service_id``, ``from_id``, ``hours``, ``loss_l_h``,
    ``sigma_l_h``, ``least_l_h``, ``word`` (``loses water``, ``none shown``, ``not known``), ``because``,
    ``settle``. Pairs between which something was running are no test, and left out.
    """
    columns = ["service_id", "from_id", "hours", "loss_l_h", "sigma_l_h", "least_l_h", "word", "because"]
    columns += ["settle"]
    if readings.empty:
        return pd.DataFrame(columns=columns)
    at, sigma_s = clock_seconds(readings["taken_at"], ref=ref)
    table = readings.assign(at=at, at_sigma=sigma_s, own=readings.index).sort_values(
        ["service_id", "at"], kind="stable"
    )
    before = table.groupby("service_id", sort=False)[
        ["own", "at", "at_sigma", "reading_m3", "resolution_l"]
    ].shift()
    pairs = table[before["own"].notna() & (table["all_off"] != "no")]
    first = before.loc[pairs.index]
    hours = (pairs["at"] - first["at"]) / 3600.0
    hours = hours.where(hours > 0)
    digit = np.maximum(pairs["resolution_l"], first["resolution_l"]).where(
        pairs["resolution_l"].notna() & first["resolution_l"].notna()
    )
    litres = 1000.0 * (pairs["reading_m3"] - first["reading_m3"]).astype(float)
    loss = litres / hours
    time = np.hypot(pairs["at_sigma"], first["at_sigma"].astype(float)) / 3600.0
    found = pd.DataFrame(
        {
            "service_id": pairs["service_id"],
            "from_id": first["own"],
            "hours": hours,
            "loss_l_h": loss,
            "sigma_l_h": np.hypot(digit * math.sqrt(2.0 / 12.0) / hours, loss * time / hours),
            "least_l_h": ref.value("trials.meter_factor") * digit / hours,
        }
    )
    off, z = pairs["all_off"] == "yes", ref.value("confidence.z_95")
    words = [_word(row, said, z) for row, said in zip(found.to_dict("records"), off, strict=True)]
    return found.assign(
        **{name: [each[i] for each in words] for i, name in enumerate(("word", "because", "settle"))}
    )[columns]


def _word(row: dict[str, float], off: bool, z: float) -> tuple[str, str, str]:
    """Return the word for one pair, why, and what would settle it."""
    again = "Turn everything off, read the meter to its last digit, and read it again after half an hour."
    if not off:
        return NOT_KNOWN, "nobody wrote down whether everything was off between the two readings", again
    if math.isnan(row["hours"]):
        return NOT_KNOWN, "the time between the two readings is not known", again
    if row["loss_l_h"] < 0:
        return NOT_KNOWN, "the second reading is below the first", "Read the meter again: one is a slip."
    if math.isnan(row["least_l_h"]):
        missing = "the last digit that can be read on the meter is not recorded"
        return (
            NOT_KNOWN,
            missing,
            "Fill in resolution_l: 0.1 where the meter shows four places of a cubic metre.",
        )
    least = f"{row['least_l_h']:.2g} l/h is the least that {60 * row['hours']:.0f} minutes can show"
    # The readings are whole digits: a difference at the limit is told only from rounding of the sum.
    if row["loss_l_h"] >= row["least_l_h"] * (1 - 1e-9):
        said = f"{row['loss_l_h']:.2g} l/h ± {z * row['sigma_l_h']:.1g} went with everything off; {least}"
        return LOSES, said, ""
    return NONE_SHOWN, f"no loss of {row['least_l_h']:.2g} l/h or more; {least}", ""
