"""What the drying machines did: how long they were off before a reading, and when they changed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geo.drying.series import moments

NO_MACHINE = "none"
HOUR = np.timedelta64(1, "h")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Machines:
    """Times the machines ran, and times they are on record as off.

    Parameters
    ----------
    runs, rests
        Tables ``began`` and ``ended`` (not-a-time where not recorded), indexed by log id, in order.
    """

    runs: pd.DataFrame
    rests: pd.DataFrame

    @property
    def known(self) -> bool:
        """Whether anything is on record of them at all."""
        return len(self.runs) + len(self.rests) > 0

    def off_h(self, at: np.datetime64) -> float:
        """Return for how many hours they had been off at a moment; NaN where that is not on record.

        A run without an end still goes on. Before the first run, and with nothing on record, only a
        line that says they are off tells.
        """
        began, ended = self.runs["began"].to_numpy(), self.runs["ended"].to_numpy()
        if ((began <= at) & (np.isnat(ended) | (ended > at))).any():
            return 0.0
        over = ended[ended <= at]
        if over.size:
            return float((at - over.max()) / HOUR)
        rest = self.rests["began"].to_numpy()
        rest = rest[rest <= at]
        return float((at - rest.min()) / HOUR) if rest.size else math.nan

    def changes(self, after: np.datetime64, until: np.datetime64) -> tuple[str, ...]:
        """Return ids of the logs by which machines began or stopped within a time, moved ones among them."""
        found = []
        for name, row in self.runs.iterrows():
            ends = (row["began"], row["ended"])
            if any(not pd.isna(end) and after < end.to_datetime64() <= until for end in ends):
                found.append(str(name))
        return tuple(found)

    def last_stop(self, until: np.datetime64) -> np.datetime64:
        """Return when they last stopped, all of them, before a moment; not-a-time where they did not."""
        if self.off_h(until) == 0.0:
            return np.datetime64("NaT")
        ended = self.runs["ended"].to_numpy()
        ended = ended[ended <= until]
        return ended.max() if ended.size else np.datetime64("NaT")


def machines_of(logs: pd.DataFrame) -> Machines:
    """Lay the drying logs out.

    Parameters
    ----------
    logs
        Records of kind drying_log, indexed by id.
    """
    table = pd.DataFrame(
        {
            "began": moments(logs["began_at"]),
            "ended": moments(logs["ended_at"]),
            "off": logs["machine_kind"] == NO_MACHINE,
        },
        index=logs.index,
    ).sort_values("began", kind="stable")
    times = table[["began", "ended"]]
    dated = table["began"].notna()
    return Machines(runs=times[dated & ~table["off"]], rests=times[dated & table["off"]])
