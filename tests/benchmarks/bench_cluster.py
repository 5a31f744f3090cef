"""How often the outlet question is answered "clustered" when it should not be, and when it should.

Sites are made up: a house ring with a few outlets, most readings crowded round them, and a wall that is
wet in lengths (an exponential likeness of neighbours) which knows nothing of the outlets. Every chance
the tool shows is then asked how often it falls to 0.05 or below. The reported one must do so on no more
than 6 sites in 100.

Run: python tests/benchmarks/bench_cluster.py [--sites 2000]     (about eight minutes on one core)
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import binom, norm

from geo import reference
from geo.outlets.cluster import RadiusResult
from geo.outlets.report import OutletReport, examine_outlets

ALPHA = 0.05
CEILING = 0.06


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What sites of one kind have in common.

    ``alike_m``: distance at which likeness of neighbours has fallen to 1/e; a pair is drawn from
    evenly for each site. ``pull``: how much wetter the wall is at an outlet, in standard deviations of
    the wall, dying away over 1 m. ``crowd``: share of readings taken within 1 m of an outlet.
    ``known_by``: "rank" (wet, dry, and how wet), "class" (wet or dry only), "no control" (ranks only).
    ``leaks``, ``elsewhere``: instead of the above, each outlet leaks with this chance and so many other
    wet lengths lie anywhere; at each the wall reads 8 spreads of the instrument over dry, dying away over
    0.8 m, every reading is off by one spread, and above 3 it is called wet.
    """

    name: str
    alike_m: tuple[float, float] = (0.5, 4.0)
    pull: float = 0.0
    crowd: tuple[float, float] = (0.5, 0.7)
    wet_share: tuple[float, float] = (0.25, 0.45)
    places: tuple[int, int] = (24, 60)
    party: bool = False
    known_by: str = "rank"
    leaks: float = 0.0
    elsewhere: int = 0


NULL = (
    Scene(name="wet in lengths of 0.5-4 m"),
    Scene(name="the same, wet or dry only", known_by="class"),
    Scene(name="the same, ranks only (no controls)", known_by="no control"),
    Scene(name="the same, one party wall", party=True),
    Scene(name="the same, 75-85 % taken at outlets", crowd=(0.75, 0.85), places=(40, 60)),
    Scene(name="lengths of 1 m", alike_m=(1.0, 1.0)),
    Scene(name="lengths of 4 m", alike_m=(4.0, 4.0)),
    Scene(name="every place for itself", alike_m=(0.01, 0.01)),
    Scene(name="four wet lengths anywhere", elsewhere=4),
    Scene(name="four wet lengths, ranks only", elsewhere=4, known_by="no control"),
)
PULLED = (
    Scene(name="1 sd wetter at outlets", alike_m=(1.0, 1.0), pull=1.0),
    Scene(name="2 sd wetter at outlets", alike_m=(1.0, 1.0), pull=2.0),
    Scene(name="3 sd wetter at outlets", alike_m=(1.0, 1.0), pull=3.0),
    Scene(name="3 sd, wet or dry only", alike_m=(1.0, 1.0), pull=3.0, known_by="class"),
    Scene(name="3 sd, ranks only (no controls)", alike_m=(1.0, 1.0), pull=3.0, known_by="no control"),
    Scene(name="3 sd, lengths of 4 m", alike_m=(4.0, 4.0), pull=3.0),
    Scene(name="half the outlets leak, 1 wet length more", leaks=0.5, elsewhere=1),
    Scene(name="8 of 10 leak, 1 wet length more", leaks=0.8, elsewhere=1),
    Scene(name="8 of 10 leak, ranks only", leaks=0.8, elsewhere=1, known_by="no control"),
    Scene(name="3 sd, read evenly", alike_m=(1.0, 1.0), pull=3.0, crowd=(0.2, 0.3)),
)


@dataclass(frozen=True, kw_only=True)
class MadeUp:
    """One made-up site, ready to be examined."""

    readings: pd.DataFrame
    outlets: pd.DataFrame
    length_m: float
    party: bool

    def distance(self, _ring_a: Any, here: Any, _ring_b: Any, there: Any) -> Any:
        """Return the walk along the ring; the origin corner is a party wall where there is one."""
        direct = np.abs(np.asarray(here)[:, None] - np.asarray(there)[None, :])
        return direct if self.party else np.minimum(direct, self.length_m - direct)

    def examine(self, ref: reference.Reference, seed: int = 0) -> OutletReport:
        """Ask the tool."""
        return examine_outlets(
            self.readings,
            self.outlets,
            distance=self.distance,
            ring_lengths={"B1": self.length_m + (0.1 if self.party else 0.0)},
            arcs=[("B1", 0.0, self.length_m, not self.party)],
            ref=ref,
            seed=seed,
        )

    def against_wall(self, at: RadiusResult) -> float:
        """Return the chance one would find who took readings to be spread evenly along the wall."""
        if not at.wet_near + at.wet_away:
            return float("nan")
        wall = np.arange(0.0, self.length_m, 0.05)
        near = self.distance("", wall, "", self.outlets["chainage_m"]).min(axis=1) <= at.radius_m
        return float(binom.sf(at.wet_near - 1, at.wet_near + at.wet_away, near.mean()))


def make_up(scene: Scene, random: np.random.Generator) -> MadeUp:
    """Make up one site."""
    length = random.uniform(28.0, 50.0)
    stands = random.uniform(0.0, length, random.integers(3, 7))
    count = int(random.integers(*scene.places, endpoint=True))
    crowded = round(count * random.uniform(*scene.crowd))
    chainage = np.r_[
        random.choice(stands, crowded) + random.uniform(-1.0, 1.0, crowded),
        random.uniform(0.0, length, count - crowded),
    ]
    chainage = np.clip(chainage, 0.0, length) if scene.party else np.mod(chainage, length)
    site = MadeUp(
        readings=pd.DataFrame({"chainage_m": np.sort(chainage)}, index=[f"r{i}" for i in range(count)]),
        outlets=pd.DataFrame(
            {
                "outlet_id": [f"G{i}" for i in range(len(stands))],
                "kind": "gully",
                "ring_key": "B1",
                "chainage_m": stands,
            }
        ),
        length_m=length,
        party=scene.party,
    )
    wetness, wet = (_leaking if scene.elsewhere else _alike)(scene, site, random)
    columns: dict[str, Any] = {"ring_key": "B1", "group": "pins", "wet": np.where(wet, "wet", "dry")}
    if scene.known_by == "no control":
        columns["wet"] = "not known"
    if scene.known_by != "class":
        columns["rank"] = pd.Series(wetness).rank(pct=True).to_numpy()
    return replace(site, readings=site.readings.assign(**columns))


def _alike(scene: Scene, site: MadeUp, random: np.random.Generator) -> tuple[Any, Any]:
    """Return how wet each reading is, and which are wet, on a wall that is wet in lengths."""
    place, stands = site.readings["chainage_m"].to_numpy(), site.outlets["chainage_m"].to_numpy()
    alike = np.exp(-site.distance("", place, "", place) / random.uniform(*scene.alike_m))
    root = np.linalg.cholesky(alike + 1e-9 * np.eye(len(place)))
    pull = scene.pull * np.exp(-site.distance("", place, "", stands).min(axis=1))
    wetness = root @ random.standard_normal(len(place)) + pull
    return wetness, wetness > np.quantile(wetness, 1.0 - random.uniform(*scene.wet_share))


def _leaking(scene: Scene, site: MadeUp, random: np.random.Generator) -> tuple[Any, Any]:
    """Return the same where some outlets leak and some other lengths are wet."""
    place, stands = site.readings["chainage_m"].to_numpy(), site.outlets["chainage_m"].to_numpy()
    leaking = stands[random.random(len(stands)) < scene.leaks]
    wet_at = np.r_[leaking, random.uniform(0.0, site.length_m, scene.elsewhere)]
    excess = 8.0 * np.exp(-site.distance("", place, "", wet_at) / 0.8).sum(axis=1)
    excess += random.standard_normal(len(place))
    return excess, excess > 3.0


def run(scene: Scene, *, sites: int, draws: int = 999, seed: int = 7) -> pd.DataFrame:
    """Examine sites of one kind until so many could be answered; one row a site."""
    ref = reference.default()
    limit = ref.limit("confidence.permutations")
    ref = replace(ref, limits={**ref.limits, limit.key: replace(limit, value=float(draws))})
    random = np.random.default_rng(seed)
    rows: list[dict[str, float]] = []
    asked = 0
    while len(rows) < sites:
        site = make_up(scene, random)
        report = site.examine(ref, seed=asked)
        asked += 1
        found = report.clusters[0]
        if not found.verdict.known:
            continue
        at = found.radii[1]
        rows.append(
            {
                "share of wall": site.against_wall(at),
                "exact": at.p_exact,
                "turned": at.p_rotation,
                "rank dealt": found.p_permutation,
                "rank turned": found.p_rotation,
                "REPORTED": found.p,
                "clustered": 0.0 if found.verdict.word == "clustered" else 1.0,
                "an outlet, q alone": float(np.fmin.reduce(report.outlets["q"])),
                "an outlet named": 0.0 if (report.outlets["verdict"] == "clustered").any() else 1.0,
                "near": at.share_near,
                "away": at.share_away,
            }
        )
    return pd.DataFrame(rows).assign(not_known=1.0 - sites / asked)


def rates(found: pd.DataFrame) -> pd.Series[float]:
    """Return the share of sites on which each chance falls to 0.05 or below."""
    chances = found.drop(columns=["near", "away", "not_known"])
    return (chances <= ALPHA + 1e-12).where(chances.notna()).mean()


def speed() -> str:
    """Time the whole report on a large site."""
    random = np.random.default_rng(3)
    scene = Scene(name="large", places=(500, 500))
    site = make_up(scene, random)
    length = 600.0
    readings = site.readings.assign(chainage_m=np.sort(random.uniform(0.0, length, 500)))
    outlets = pd.DataFrame(
        {
            "outlet_id": [f"G{i}" for i in range(60)],
            "kind": "gully",
            "ring_key": "B1",
            "chainage_m": random.uniform(0.0, length, 60),
        }
    )
    site = replace(site, readings=readings, outlets=outlets, length_m=length)
    took = []
    for _ in range(8):
        start = time.perf_counter()
        site.examine(reference.default())
        took.append(time.perf_counter() - start)
    took = sorted(took[1:])
    places = len(site.examine(reference.default()).places)
    return f"500 readings ({places} places), 60 outlets, 9,999 permutations: median {took[3] * 1e3:.0f} ms, slowest {took[-1] * 1e3:.0f} ms"


def main() -> int:
    """Print the rates, and fail when the reported chance cries wolf too often."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--sites",
        type=int,
        default=2000,
        help="sites of each kind without a connection; a quarter as many of each other kind",
    )
    sites = parser.parse_args().sites
    error = norm.ppf(0.975) * np.sqrt(ALPHA * (1 - ALPHA) / sites)
    print(
        f"Share of {sites} sites with a chance of 0.05 or below, in %; 5 % itself scatters by ± {100 * error:.1f}"
    )
    print("share of wall: as if readings had been taken evenly (the trap); exact, turned: counts at 1.0 m;")
    print("rank dealt, rank turned: rank correlation, permuted and rotated; REPORTED: the larger of the two;")
    print("an outlet, q alone: an outlet would be named by its exact chance, Benjamini-Hochberg adjusted;")
    print("an outlet named: the same, and only where the group as a whole clusters (the tool's rule).")
    worst = 0.0
    for title, scenes in (("NO CONNECTION WITH OUTLETS", NULL), ("OUTLETS WET THE WALL", PULLED)):
        table = {}
        for scene in scenes:
            found = run(scene, sites=sites if scenes is NULL else max(1, sites // 4))
            row = 100 * rates(found)
            if scenes is NULL:
                worst = max(worst, row["REPORTED"], row["clustered"])
            means = 100 * found[["near", "away", "not_known"]].mean()
            row["wet near"], row["wet away"], row["not known"] = means
            table[scene.name] = row
        print(f"\n{title}")
        print(pd.DataFrame(table).T.astype(float).round(1).to_string())
    print(f"\n{speed()}")
    allowed = 100 * (CEILING if sites >= 2000 else CEILING + error)
    print(
        f"False alarms of the reported chance: {worst:.1f} % at worst; allowed {allowed:.1f} %: "
        f"{'met' if worst <= allowed else 'NOT MET'}"
    )
    return 0 if worst <= allowed else 1


if __name__ == "__main__":
    sys.exit(main())
