"""A test on site before it is made and after: what it must pour, and what it was worth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from geo.findings.drains import Drains
from geo.findings.meters import leak_tests
from geo.findings.trial_amounts import trial_amounts
from geo.findings.trial_needs import needed_before, read_beside
from geo.findings.trials import NO_INFORMATION, POURED_KINDS, TIMED_KINDS, judge_trials, trials_table
from geo.reference import Reference
from geo.site.model import Site
from geo.verdict import Measured

NUMBERS = ("volume_l", "volume_sigma_l", "bucket_l", "bucket_s", "rate_l_s")
SOURCES = ("gully", "downpipe", "fixture", "chamber", "run", "soakaway", "service")
BEGINNINGS = ("no", "whatever", "the")
HEADS = {
    "what": "test", "source_id": "at", "word": "worth", "because": "because", "poured": "poured, l",
    "minutes": "min", "needs_l": "V*, l", "needs_minutes": "t*, min", "wanted_l": "wanted, l",
    "settle": "to settle it", "lacks": "still lacks", "told": "beside it",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Before:
    """What is shown before a test.

    Parameters
    ----------
    told
        Sentences, the first the answer.
    figures
        Litres and minutes to the first way out, and what to pour, by their labels; none where not known.
    rate
        The rate and its error in words, ``""`` where it was not taken.
    stops
        What each stop below the source asks.
    """

    told: tuple[str, ...]
    figures: Mapping[str, str] = field(default_factory=dict)
    rate: str = ""
    stops: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def known(self) -> bool:
        """Whether there are figures to show."""
        return bool(self.figures)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Log:
    """What was made of tests or readings: a table, newest first, and what must be said plainly."""

    table: pd.DataFrame
    told: tuple[str, ...]


def sources_of(site: Site, drains: Drains | None) -> list[str]:
    """Return where water may be put in: what the drains are laid out with, then everything else."""
    known = list(drains.sources) if drains is not None else []
    return list(dict.fromkeys([*known, *(record.id for kind in SOURCES for record in site.of(kind))]))


def start_fields(typed: Mapping[str, str]) -> dict[str, str]:
    """Return of what is typed what a test needs before it begins."""
    return {name: typed.get(name, "") for name in ("trial_kind", "source_id", *NUMBERS)}


def rate_typed(fields: Mapping[str, str], *, ref: Reference) -> Measured:
    """Return the rate by bucket and stopwatch, or as typed, l/s; NaN where neither is a number."""
    numbers = {name: _number(fields.get(name, "")) for name in NUMBERS}
    blank = {"started_at": "", "stopped_at": "", **numbers, "volume_l": math.nan}
    row = trial_amounts(pd.DataFrame([blank], index=["now"]), ref=ref).iloc[0]
    value, sigma = float(row["rate_l_s"]), float(row["rate_sigma_l_s"])
    usable = math.isfinite(value) and value > 0
    return Measured(value, sigma) if usable else Measured(math.nan, math.nan)


def before_test(site: Site, drains: Drains | None, fields: Mapping[str, str], *, why: str = "") -> Before:
    """Say before a test what it must pour for its silence to mean something.

    Parameters
    ----------
    drains
        The site's drains laid out; ``None`` when they cannot be.
    fields
        As typed: ``trial_kind``, ``source_id``, ``bucket_l``, ``bucket_s``, ``rate_l_s``.
    why
        Why the drains cannot be laid out.
    """
    ref, kind, source = site.reference, fields.get("trial_kind", ""), fields.get("source_id", "")
    if not kind:
        return Before(told=("Choose the test, where the water goes in, and take the rate with a bucket.",))
    if kind in TIMED_KINDS:
        least = ref.value(TIMED_KINDS[kind])
        return Before(told=(f"Give it {least:g} min or more: in less it need not show.",))
    if kind not in POURED_KINDS:
        return Before(told=("What this test finds it shows; finding nothing is no proof by itself.",))
    if not source:
        return Before(told=("Choose where the water is put in.",))
    if drains is None:
        return Before(told=(f"What it must pour is not known: {why or 'the drains cannot be laid out.'}",))
    rate = rate_typed(fields, ref=ref)
    needed = needed_before(site, drains, source, rate)
    told = [_whole(needed.because, site)]
    if needed.settle:
        told.append(f"To know it: {needed.settle}")
    told += read_beside(needed)
    figures = {}
    if math.isfinite(needed.litres.value):
        figures["V*, to the first way out"] = f"{needed.litres.value:.0f} ± {needed.litres.sigma:.0f} l"
        if math.isfinite(needed.minutes):
            figures["t*"] = f"{needed.minutes:.1f} min"
        factor = ref.value("drains.pour_factor")
        over = f" over {needed.wanted_minutes:.0f} min" if math.isfinite(needed.wanted_minutes) else ""
        figures[f"pour {factor:g} V*"] = f"{needed.wanted_l:.0f} l{over}"
    return Before(told=tuple(told), figures=figures, rate=_rate(rate), stops=_stops(needed.stops))


def log_of(site: Site, drains: Drains | None) -> Log:
    """Return what every test was worth, newest first, and those that tell nothing in plain words."""
    judged = judge_trials(site, drains)
    table = trials_table(judged, ref=site.reference)
    pairs = zip(table["litres"], table["litres_sigma"], strict=True)
    table["poured"] = [
        f"{litres:.0f} ± {sigma:.0f}" if math.isfinite(litres) else "" for litres, sigma in pairs
    ]
    table = table[list(HEADS)].rename(columns=HEADS)
    newest = _newest_first(site.table("trial")["started_at"])
    table = table.loc[newest].rename_axis("id").reset_index()
    empty = table.columns[(table == "").all() | table.isna().all()]
    silent = {one.trial_id: one for one in judged if one.verdict.word == NO_INFORMATION}
    told = [
        f"{name} tells nothing either way: {silent[name].verdict.because}. {silent[name].verdict.settle}"
        for name in newest
        if name in silent
    ]
    return Log(table=table.drop(columns=empty), told=tuple(told))


def readings_of_meters(site: Site) -> Log:
    """Return what pairs of meter readings show of a leak, the last pair first."""
    found = leak_tests(site.table("meter_reading"), ref=site.reference)
    heads = {
        "service_id": "service", "from_id": "from", "hours": "hours", "loss_l_h": "loss, l/h",
        "sigma_l_h": "± l/h", "least_l_h": "least that shows, l/h", "word": "verdict", "because": "because",
        "settle": "to settle it",
    }  # fmt: skip
    table = found.iloc[::-1][list(heads)].rename(columns=heads).rename_axis("to").reset_index()
    told = [f"{name}: {row['word']}; {row['because']}." for name, row in found.iloc[-1:].iterrows()]
    return Log(table=table, told=tuple(told))


def _newest_first(started: pd.Series[str]) -> list[str]:
    """Return ids by start, the last first; those without one where they stand in the records."""
    order = pd.DataFrame({"at": started, "row": range(len(started))})
    order["at"] = order["at"].replace("", None).ffill().fillna("")
    return [str(name) for name in order.sort_values(["at", "row"], ascending=False).index]


def _stops(stops: pd.DataFrame) -> pd.DataFrame:
    heads = {"word": "what becomes of it", "first": "first way out", "litres": "l", "litres_sigma": "± l"}
    heads |= {"minutes": "min", "wanted_l": "pour, l", "because": "because", "settle": "to settle it"}
    if stops.empty:
        return pd.DataFrame()
    return stops[list(heads)].rename(columns=heads).rename_axis("stopped").reset_index()


def _rate(rate: Measured) -> str:
    if math.isnan(rate.value):
        return "The rate is not taken: fill a bucket, read the seconds, and the minutes are known too."
    return f"Rate {rate.value:.3f} ± {rate.sigma:.3f} l/s"


def _whole(sentence: str, site: Site) -> str:
    """Return words as a sentence; an id at its beginning stays as it is written."""
    first = sentence.split(" ", 1)[0]
    plain = first in BEGINNINGS and first not in site.ids
    said = sentence[:1].upper() + sentence[1:] if plain else sentence
    return said if said.endswith(".") else f"{said}."


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if value > 0 and math.isfinite(value) else math.nan
