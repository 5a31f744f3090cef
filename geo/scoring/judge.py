"""One house held against its truth: which claims are true, which causes were found, what guessing finds."""

from __future__ import annotations

import time
from collections.abc import Iterable

import numpy as np

from geo.errors import WallfootError
from geo.evidence.ledger import ledger_of
from geo.evidence.ledger_kinds import Ledger, StretchLedger
from geo.evidence.support import HOLDS, WORDS
from geo.findings.drain_layout import lay_out_drains
from geo.findings.examine import Findings, examine
from geo.findings.trials import judge_trials
from geo.houses.house import InventedHouse, draw_house
from geo.houses.truth import Range, TrueCause
from geo.perimeter.path import outside_distance
from geo.scoring.kinds import MIMICS, NAMED, Claim, Guess, Scored, StretchRow, Truth
from geo.weights import Weights

LEAST_OVERLAP_M = 0.1
HIGHEST_REACH_M = 0.5
CAUSE_OF_OUTLET = {"gully": "S01", "downpipe": "S02"}


def score_house(seed: int, number: int, *, weights: Weights | None = None) -> Scored:
    """Draw one house, go all the way through with it, and hold what comes out against the truth."""
    clock = [time.process_time()]
    house = draw_house(seed, number)
    clock.append(time.process_time())
    found = examine(house.site)
    clock.append(time.process_time())
    trouble = ""
    try:
        drains = lay_out_drains(found)
        judged = judge_trials(house.site, drains)
    except WallfootError as error:
        drains, judged, trouble = None, judge_trials(house.site, None), str(error).splitlines()[0]
    clock.append(time.process_time())
    ledger = ledger_of(found, drains, judged, weights=weights, exact=False)
    clock.append(time.process_time())
    return held_against(house, found, ledger, seconds=tuple(np.diff(clock).tolist()), trouble=trouble)


def held_against(
    house: InventedHouse,
    found: Findings,
    ledger: Ledger,
    *,
    seconds: tuple[float, ...] = (),
    trouble: str = "",
) -> Scored:
    """Hold a ledger against the truth of its house."""
    judge = _Judge(house, found)
    claims = tuple(
        Claim(
            stretch_id=one.stretch_id, side=one.side, cause=each.candidate.cause, of_id=each.candidate.of_id,
            word=each.word, points=each.points,
            true=judge.is_true(one, each.candidate.cause, each.candidate.of_id),
        )
        for one in ledger.stretches
        for each in one.supports
    )  # fmt: skip
    guesses = (*judge.nearest_outlet(), *judge.highest_reading())
    return Scored(
        seed=house.seed, number=house.number, readings=len(found.readings), claims=claims,
        truths=tuple(judge.became_of(true, ledger, guesses) for true in house.causes), guesses=guesses,
        stretches=tuple(judge.row(one) for one in ledger.stretches),
        seconds=seconds, trouble=trouble,
    )  # fmt: skip


class _Judge:
    """What is true of one house, asked many times."""

    def __init__(self, house: InventedHouse, found: Findings) -> None:
        self.house, self.found = house, found
        self.ring_m = house.length_m
        self.recorded = house.site.ids

    def overlap(self, true: TrueCause, side: str, start: float, end: float) -> float:
        """Return how much of a length of wall a cause wets on that side, m."""
        return sum(_overlap(one, start, end, self.ring_m) for one in true.ranges if one.side == side)

    def named(self, true: TrueCause, cause: str, of_id: str) -> bool:
        """Whether a claim names a true cause: its kind, and the thing itself where there is one on record."""
        if true.cause != cause:
            return False
        if cause not in NAMED or of_id in true.of_ids:
            return True
        return not any(name in self.recorded for name in true.of_ids)

    def is_true(self, one: StretchLedger, cause: str, of_id: str) -> bool:
        """Whether a claim about a stretch is true."""
        return any(
            self.named(true, cause, of_id)
            and self.overlap(true, one.side, one.from_m, one.to_m) > LEAST_OVERLAP_M
            for true in self.house.causes
        )

    def became_of(self, true: TrueCause, ledger: Ledger, guesses: Iterable[Guess]) -> Truth:
        """Say what became of one true cause."""
        here = [
            one for one in ledger.stretches
            if self.overlap(true, one.side, one.from_m, one.to_m) > LEAST_OVERLAP_M
        ]  # fmt: skip
        words = [
            each.word for one in here for each in one.supports
            if self.named(true, each.candidate.cause, each.candidate.of_id)
        ]  # fmt: skip
        ways = {guess.way for guess in guesses if guess.true and self.named(true, guess.cause, guess.of_id)}
        return Truth(
            cause=true.cause, of_id=true.of_ids[0] if true.of_ids else "", inside=true.wets_inside,
            read=bool(here), word=min(words, key=WORDS.index, default=""), nearest="nearest outlet" in ways,
            highest="highest reading" in ways,
        )  # fmt: skip

    def row(self, one: StretchLedger) -> StretchRow:
        """Say what is true of one stretch, and what was made of it."""
        here = [
            true for true in self.house.causes
            if self.overlap(true, one.side, one.from_m, one.to_m) > LEAST_OVERLAP_M
        ]  # fmt: skip
        holds = [each for each in one.supports if each.word in HOLDS]
        right = [
            key for key in one.accepted
            if (each := one.support(key)) and self.is_true(one, each.candidate.cause, each.candidate.of_id)
        ]  # fmt: skip
        rightly = max((one.coverage.by.get(key, 0.0) for key in right), default=0.0)
        return StretchRow(
            stretch_id=one.stretch_id, liquid=any(not true.mimic for true in here),
            mimic=any(true.mimic for true in here),
            says_liquid=any(each.candidate.cause not in MIMICS for each in holds),
            says_mimic=any(each.candidate.cause in MIMICS for each in holds), wet_m=one.coverage.wet_m,
            unexplained_m=one.coverage.unexplained_m, rightly_m=rightly,
        )  # fmt: skip

    def nearest_outlet(self) -> list[Guess]:
        """Blame for every wet stretch the gully or downpipe nearest its peak along the outside."""
        found = []
        for _, row in self.found.stretches.iterrows():
            outlet = self._nearest(str(row["ring_key"]), float(row["peak_chainage_m"]))
            if outlet is None:
                continue
            cause, of_id = outlet
            true = any(
                self.named(one, cause, of_id)
                and self.overlap(
                    one, str(row["side"]), float(row["chainage_from_m"]), float(row["chainage_to_m"])
                )
                > LEAST_OVERLAP_M
                for one in self.house.causes
            )
            found.append(Guess(way="nearest outlet", cause=cause, of_id=of_id, true=true))
        return list(dict.fromkeys(found))

    def highest_reading(self) -> list[Guess]:
        """Blame for the whole house the gully or downpipe nearest its highest reading."""
        table = self.found.readings
        table = table[(table["status"] == "joined") & ~table["control"] & np.isfinite(table["chainage_m"])]
        if table.empty:
            return []
        most = table["group"].value_counts().index[0]
        top = table[table["group"] == most].sort_values("value", ascending=False, kind="stable").iloc[0]
        at = float(top["chainage_m"])
        outlet = self._nearest(str(top["ring_key"]), at)
        if outlet is None:
            return []
        cause, of_id = outlet
        true = any(
            self.named(one, cause, of_id)
            and self.overlap(one, str(top["side"]), at - HIGHEST_REACH_M, at + HIGHEST_REACH_M) > 0
            for one in self.house.causes
        )
        return [Guess(way="highest reading", cause=cause, of_id=of_id, true=true)]

    def _nearest(self, ring_key: str, chainage_m: float) -> tuple[str, str] | None:
        assets = self.found.assets
        outlets = assets[assets["kind"].isin(CAUSE_OF_OUTLET) & (assets["ring_key"] == ring_key)]
        if outlets.empty:
            return None
        apart = outside_distance(
            self.found.perimeter, [ring_key], [chainage_m], outlets["ring_key"], outlets["chainage_m"]
        )[0]
        place = int(np.argmin(apart))
        if not np.isfinite(apart[place]):
            return None
        return CAUSE_OF_OUTLET[str(outlets["kind"].iloc[place])], str(outlets.index[place])


def _overlap(one: Range, start: float, end: float, ring_m: float) -> float:
    """Return the length two lengths of a ring share, m, either of which may run through the origin."""
    own = (one.to_m - one.from_m) % ring_m or (ring_m if one.to_m != one.from_m else 0.0)
    other = (end - start) % ring_m or (ring_m if end != start else 0.0)
    shift = (start - one.from_m) % ring_m
    first = max(0.0, min(own, shift + other) - shift)
    again = max(0.0, min(own, shift + other - ring_m))
    return first + again
