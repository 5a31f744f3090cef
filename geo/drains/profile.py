"""The invert of a run from end to end: humps, back-falls and bellies, and the water they hold."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geo.drains.network import Network
from geo.drains.storage import pipe_litres
from geo.errors import InputError, Problem
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Measured, Verdict, decide

NAN = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class RunProfile:
    """One piece of run, drawn from its upper end.

    Parameters
    ----------
    distance_m, invert_m
        Points of the invert, straight between; NaN where a level is not recorded.
    crest_known
        Whether the place of the crest was recorded; else it is drawn half-way.
    stands_m
        Level to which water rests in the run; NaN where it drains or is not known.
    sag_m
        Depth of the water a belly holds, at its deepest; NaN where it was not measured.
    holds_l
        Litres it keeps at rest; NaN for a belly, whose length is not among the records.
    verdict
        ``holds water``, ``drains``, or not known.
    """

    run_id: str
    distance_m: tuple[float, ...]
    invert_m: tuple[float, ...]
    crest_known: bool
    stands_m: float
    sag_m: float
    holds_l: Measured
    verdict: Verdict


def run_profile(network: Network, name: str, *, ref: Reference) -> RunProfile:
    """Lay out the invert of a piece of run, and say what water it keeps at rest.

    Water is kept behind a hump up to its crest, and in a run that falls the wrong way up to its lower
    end's invert. A belly holds water where its depth was measured; how many litres hangs on its length.

    Parameters
    ----------
    name
        A piece of run, as in ``network.runs``.

    Raises
    ------
    InputError
        When there is no such piece.
    """
    if name not in network.runs.index:
        some = ", ".join(str(each) for each in network.runs.index[:12]) or "no run is recorded"
        raise InputError(
            [
                Problem(
                    file="network",
                    found=f"no piece of run is called {name!r}",
                    allowed=some,
                    mend="Name one of these.",
                )
            ]
        )
    run = network.runs.loc[name]
    up, down, length, bore = (float(run[key]) for key in ("up_m", "down_m", "length_m", "bore_m"))
    crest, share, sigma = float(run["crest_low_m"]), float(run["hump_share"]), float(run["level_sigma_m"])
    sag = float(run["sag_m"])
    z = ref.value("drains.rival_sigmas")
    run_id = str(run["run_id"])
    length = 0.0 if math.isnan(length) else length
    ends = max(up, down) if not (math.isnan(up) or math.isnan(down)) else NAN
    hump = crest > ends + 1e-9
    at = length * (0.5 if math.isnan(share) else share)
    distance = (0.0, at, length) if hump else (0.0, length)
    invert = (up, crest, down) if hump else (up, down)

    def kept(top: float) -> float:
        """Litres behind a sill, in the leg that rises to it; level with both ends there is none."""
        leg = at if hump else length
        return float(pipe_litres(top, up, top, leg, bore)) if top > up else 0.0

    if math.isnan(ends):
        held, said = (
            Measured(NAN, NAN),
            Verdict(
                word=NOT_KNOWN,
                because=f"an invert of {run_id} is not recorded",
                settle=f"Dip both inverts of {run_id}.",
                rests_on=(run_id,),
            ),
        )
    elif str(run["state"]) == "belly" and not hump and down <= up:
        held = Measured(NAN, NAN)
        said = (
            Verdict(word="holds water", because=f"a belly {1000 * sag:.0f} mm deep", rests_on=(run_id,))
            if sag > 0
            else _unmeasured(run_id)
        )
    else:
        top = crest if hump else down
        margin = Measured(1000.0 * (top - up), 1000.0 * math.sqrt(2.0) * sigma)
        said = decide(
            margin,
            z=z,
            unit="mm",
            settle=f"Dip both inverts of {run_id}.",
            above="holds water",
            below="drains",
            rests_on=(run_id,),
        )
        litres = np.array([kept(top + step) for step in (0.0, sigma, -sigma)])
        held = Measured(float(litres[0]), float(abs(litres[1] - litres[2])) / 2.0)
    risen = hump or down > up
    stands = (crest if hump else down) if said.word == "holds water" and risen else NAN
    return RunProfile(
        run_id=run_id, distance_m=distance, invert_m=invert, crest_known=hump and not math.isnan(share),
        stands_m=stands, sag_m=sag, holds_l=held, verdict=said,
    )  # fmt: skip


def _unmeasured(run_id: str) -> Verdict:
    return Verdict(
        word=NOT_KNOWN,
        because=f"{run_id} has a belly, and how deep it sags is not recorded",
        settle=f"Measure the depth and length of the water in {run_id} by camera.",
        rests_on=(run_id,),
    )
