"""Time the ledger of causes: whole demo sites, and the weighing alone on growing numbers of causes.

Run: ``python tests/benchmarks/bench_ledger.py``. Times are of the processor, in milliseconds, the median of
several; the last column is what moving the weights 500 times costs. Cold is a site nobody has asked of yet;
asked again, what the causes rest on is laid out already.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from geo import weights
from geo.evidence.candidates import candidates_of
from geo.evidence.codes import raise_codes
from geo.evidence.kinds import Candidate, Raised
from geo.evidence.ledger import ledger_of
from geo.evidence.robust import steadiness
from geo.evidence.support import weigh
from geo.evidence.support_board import lay_board
from geo.findings.check import read_checked
from geo.findings.drains import lay_out_drains
from geo.findings.examine import Findings, examine
from geo.findings.trials import judge_trials
from geo.site.model import Site

SITES = Path(__file__).resolve().parents[2] / "demo_sites"
SHIPPED = weights.default()
ASSETS = ("gully", "downpipe", "gutter", "soakaway", "chamber", "run")


def timed(work: Callable[..., object], *given: Any, repeats: int = 7, **named: Any) -> float:
    """Return the median processor time in milliseconds, one warm-up before."""
    work(*given, **named)
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work(*given, **named)
        times.append(time.process_time() - start)
    return 1000 * statistics.median(times)


def cold(found: Findings, *rest: Any) -> object:
    """Work the ledger out of findings nobody has asked of yet."""
    return ledger_of(replace(found), *rest)


def crowded(site: Site, wanted: int) -> Site:
    """Return a site with gullies, downpipes and their runs copied half a metre on until it has so many assets."""
    records = dict(site.records)
    count = sum(len(site.of(kind)) for kind in ASSETS)
    for turn in range(1, 9):
        names: dict[str, str] = {}
        for kind in ("gully", "downpipe", "run"):
            for one in site.of(kind):
                if count >= wanted or (kind != "run" and one.chainage_m is None):
                    continue
                given = one.model_dump() | {"id": f"{one.id}-{turn}", "geometry": one.geometry}
                if kind == "run":
                    given["from_id"] = names.get(one.from_id, one.from_id)
                else:
                    names[one.id] = f"{one.id}-{turn}"
                    given["chainage_m"] = one.chainage_m + 0.5 * turn
                    given["face"] = ""
                records[kind] = (*records[kind], type(one)(**given))
                count += 1
    return replace(site, records=records)


def whole_sites() -> None:
    """Print what the ledger of each demo site takes, its drains laid out and its tests judged before."""
    print(
        "site                stretches  assets  causes    cold   again  without litres  candidates  codes  (ms)"
    )
    sites: list[tuple[str, Site]] = []
    for folder in sorted(path.parent for path in SITES.glob("*/site.toml")):
        if not (folder / "readings.csv").exists():
            continue
        sites.append((folder.name, read_checked(folder)))
    sites.append((f"{sites[0][0]}, crowded", crowded(sites[0][1], 60)))
    for name, site in sites:
        found = examine(site)
        drains = lay_out_drains(found)
        judged = judge_trials(site, drains)
        ledger = ledger_of(found, drains, judged)
        candidates = candidates_of(found, drains)
        causes = sum(len(each.supports) for each in ledger.stretches)
        assets = sum(len(site.of(kind)) for kind in ASSETS)
        print(
            f"{name:20}{len(ledger.stretches):9}{assets:8}{causes:8}"
            f"{timed(cold, found, drains, judged):8.0f}"
            f"{timed(ledger_of, found, drains, judged):8.0f}"
            f"{timed(ledger_of, found, drains, judged, exact=False):16.0f}"
            f"{timed(candidates_of, found, drains):12.0f}"
            f"{timed(raise_codes, found, drains, judged, candidates):7.0f}"
        )


def weighed(candidates: list[Candidate], raised: list[Raised]) -> object:
    """Lay out and weigh."""
    return weigh(lay_board(candidates, raised, weights=SHIPPED))


def weighing() -> None:
    """Print what weighing takes for so many stretches of forty causes with eight codes each."""
    print("\nstretches  causes   weigh   500 draws  (ms)")
    for stretches in (3, 12, 48, 192):
        random = np.random.default_rng(1)
        causes = random.choice([cause.key for cause in SHIPPED.causes], (stretches, 40))
        codes = [code.key for code in SHIPPED.codes]
        candidates = [
            Candidate(cause=str(cause), of_id=f"A{at}", stretch_id=f"W{row}", path="")
            for row, own in enumerate(causes)
            for at, cause in enumerate(own)
        ]
        raised = [
            Raised(code=str(code), stretch_id=each.stretch_id, candidate=each.key)
            for each in candidates
            for code in random.choice(codes, 8, replace=False)
        ]

        board = lay_board(candidates, raised, weights=SHIPPED)
        print(
            f"{stretches:9}{len(candidates):8}"
            f"{timed(weighed, candidates, raised):8.1f}"
            f"{timed(steadiness, board):12.1f}"
        )


if __name__ == "__main__":
    whole_sites()
    weighing()
