"""The tables of a scored lot of houses: recall, precision, words, metres, each with its interval."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd
from scipy.stats import norm

from geo.evidence.support import HOLDS, PROVEN, WELL, WORDS
from geo.scoring.kinds import MIMICS, ROUTE_CAUSES, Scored

LEVELS = {"supported or better": HOLDS, "well supported or better": (PROVEN, WELL), "proven": (PROVEN,)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A share with its 95 % interval (Wilson 1927); NaN of nothing.

    Parameters
    ----------
    hits, of
        Counts.
    low, high
        Ends of the interval.
    """

    hits: int
    of: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The share."""
        return self.hits / self.of if self.of else math.nan

    @property
    def said(self) -> str:
        """As it is read: ``62 % (58-66), 310 of 500``."""
        if not self.of:
            return "none"
        return (
            f"{100 * self.value:.0f} % ({100 * self.low:.0f}-{100 * self.high:.0f}), {self.hits} of {self.of}"
        )


def share(hits: int, of: int) -> Share:
    """Return a share with its 95 % interval after Wilson (1927)."""
    if of == 0:
        return Share(hits=0, of=0, low=math.nan, high=math.nan)
    z = float(norm.ppf(0.975))
    p = hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    # Of none or of all the interval ends there; rounding must not carry it past.
    low = 0.0 if hits == 0 else middle - half
    high = 1.0 if hits == of else middle + half
    return Share(hits=hits, of=of, low=low, high=high)


def share_of(flags: Iterable[bool]) -> Share:
    """Return the share of those that hold."""
    every = [bool(flag) for flag in flags]
    return share(sum(every), len(every))


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """Everything printed of a lot of houses.

    Parameters
    ----------
    houses, stretches, causes
        Counts.
    found
        By level: recall of all true causes, recall of those that were read, precision of the claims.
    guessing
        By way of guessing: recall and precision of the same kinds.
    words
        By word: share of its claims about sources, routes and mimics that are true.
    proven_wrong
        Claims proven that are not true, of all proven.
    mimics
        What became of stretches where nothing but a mimic is at work, and of those with none.
    metres
        Wet metres, unexplained, and explained by a true cause.
    by_cause
        By cause: how many, read, listed, supported or better; claims at that level, and how many true.
    seconds
        Processor seconds a house: drawing, examining, drains, ledger.
    troubles
        Houses whose drains could not be laid out.
    """

    houses: int
    stretches: int
    causes: int
    found: dict[str, tuple[Share, Share, Share]]
    guessing: dict[str, tuple[Share, Share, Share]]
    words: dict[str, Share]
    proven_wrong: Share
    mimics: dict[str, Share]
    metres: tuple[float, float, float]
    by_cause: pd.DataFrame
    seconds: tuple[float, ...]
    troubles: int


def report_of(scored: Sequence[Scored]) -> Report:
    """Put the tables of a lot of houses together.

    A claim is one cause of one record of one house at its best word: said of three stretches it counts
    once, and is true when it is true of any of those that give it that word or better.
    """
    truths = [(one, true) for one in scored for true in one.truths]
    claims = [claim for one in scored for claim in one.claims]
    found = {}
    for level, words in LEVELS.items():
        said = _said(scored, words)
        found[level] = (
            share_of(true.word in words for _, true in truths),
            share_of(true.word in words for _, true in truths if true.read),
            share_of(said),
        )
    guessing = {}
    for way, field in (("nearest outlet", "nearest"), ("highest reading", "highest")):
        guessing[way] = (
            share_of(getattr(true, field) for _, true in truths),
            share_of(getattr(true, field) for _, true in truths if true.read),
            share_of(guess.true for one in scored for guess in one.guesses if guess.way == way),
        )
    proven = _said(scored, (PROVEN,))
    rows = [row for one in scored for row in one.stretches]
    alone = [row for row in rows if row.mimic and not row.liquid]
    return Report(
        houses=len(scored), stretches=len(rows), causes=len(truths), found=found, guessing=guessing,
        words={word: share_of(claim.true for claim in claims if claim.word == word) for word in WORDS},
        proven_wrong=share(sum(not true for true in proven), len(proven)),
        mimics={
            "only a mimic at work: mimic named": share_of(row.says_mimic for row in alone),
            "only a mimic at work: water blamed": share_of(row.says_liquid for row in alone),
            "only water at work: mimic named": share_of(
                row.says_mimic for row in rows if row.liquid and not row.mimic
            ),
            "both at work: both named": share_of(
                row.says_mimic and row.says_liquid for row in rows if row.liquid and row.mimic
            ),
        },
        metres=(
            sum(row.wet_m for row in rows), sum(row.unexplained_m for row in rows),
            sum(row.rightly_m for row in rows),
        ),
        by_cause=_by_cause(scored),
        seconds=tuple(sum(one.seconds[i] for one in scored) / max(len(scored), 1) for i in range(4)),
        troubles=sum(bool(one.trouble) for one in scored),
    )  # fmt: skip


def _said(scored: Sequence[Scored], words: Sequence[str]) -> list[bool]:
    """Return of every claim at a level, house by house, whether it is true."""
    found = []
    for one in scored:
        own: dict[tuple[str, str], bool] = {}
        for claim in one.claims:
            if claim.word in words:
                key = claim.cause, claim.of_id
                own[key] = own.get(key, False) or claim.true
        found += list(own.values())
    return found


def _by_cause(scored: Sequence[Scored]) -> pd.DataFrame:
    """Lay out cause by cause what was true, found and claimed."""
    rows: dict[str, dict[str, float | str]] = {}
    for one in scored:
        for true in one.truths:
            row = rows.setdefault(true.cause, _blank(true.cause))
            row["true"] += 1  # type: ignore[operator]
            row["read"] += true.read  # type: ignore[operator]
            row["listed"] += bool(true.word)  # type: ignore[operator]
            row["found"] += true.word in HOLDS  # type: ignore[operator]
            row["nearest"] += true.nearest  # type: ignore[operator]
        said: dict[tuple[str, str], bool] = {}
        for claim in one.claims:
            if claim.word in HOLDS:
                key = claim.cause, claim.of_id
                said[key] = said.get(key, False) or claim.true
        for (cause, _), true_ in said.items():
            row = rows.setdefault(cause, _blank(cause))
            row["claims"] += 1  # type: ignore[operator]
            row["right"] += true_  # type: ignore[operator]
    table = pd.DataFrame.from_dict(rows, orient="index").sort_index()
    table.index.name = "cause"
    return table


def _blank(cause: str) -> dict[str, float | str]:
    kind = "mimic" if cause in MIMICS else "route" if cause in ROUTE_CAUSES else "source"
    return {"kind": kind} | dict.fromkeys(
        ("true", "read", "listed", "found", "nearest", "claims", "right"), 0
    )


def report_lines(report: Report, *, title: str) -> list[str]:
    """Return the tables as lines of text."""
    wet, left, right = report.metres
    lines = [
        title,
        f"{report.houses} houses, {report.causes} true causes, {report.stretches} wet stretches",
        "",
        f"{'':28}{'recall, all true':26}{'recall, where read wet':28}precision",
    ]
    for name, shares in (*report.found.items(), *((f"guess: {k}", v) for k, v in report.guessing.items())):
        lines.append(f"{name:28}{shares[0].said:26}{shares[1].said:28}{shares[2].said}")
    lines += [
        "",
        f"proven and wrong: {report.proven_wrong.said}",
        "",
        "share of claims that are true, by word",
    ]
    lines += [f"  {word:26}{one.said}" for word, one in report.words.items()]
    lines += ["", *(f"{name:42}{one.said}" for name, one in report.mimics.items())]
    lines += [
        "",
        f"wet {wet:.0f} m, unexplained {100 * left / wet:.0f} %,"
        f" explained by a true cause {100 * right / wet:.0f} %"
        if wet
        else "no wet metre",
        "",
        report.by_cause.to_string(),
        "",
        "processor seconds a house: "
        + ", ".join(
            f"{name} {value:.3f}"
            for name, value in zip(("drawing", "examining", "drains", "ledger"), report.seconds, strict=True)
        ),
    ]
    if report.troubles:
        lines.append(f"{report.troubles} houses whose drains could not be laid out")
    return lines
