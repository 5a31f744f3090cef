"""Cautions: which of them a site brings up, in short and in full."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any

from geo.findings.examine import Findings
from geo.site.model import Site

ALWAYS = "always"
FACTS = (
    ALWAYS,
    "wet_inside",
    "old_building",
    "solid_wall",
    "digging",
    "chambers",
    "drains",
    "foul",
    "foul_noticed",
    "cutting",
    "slab",
    "carbide",
    "poured",
    "plugged",
    "air_bricks",
    "gutters",
    "mould",
    "sleepers_at_risk",
    "party",
    "brickwork_out",
    "photographs",
    "accounts",
    "drying",
    "test_next",
)
"""Facts of a site that bring a caution up."""
FOUL_SIGNS = ("foul_smell", "grease")
DIG_REPAIRS = ("r01", "r02", "r05", "r07", "r08", "r09", "r10")
CUT_REPAIRS = ("r11", "r12", "r13", "r14", "r15", "r16", "r18")
SLAB_REPAIRS = ("r15", "r16")
BRICK_REPAIRS = ("r12", "r14")


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One hazard, as in ``shared/cautions.toml``."""

    key: str
    name: str
    short: str
    long: str
    home: str
    when: tuple[str, ...]
    source: str
    status: str


@lru_cache(1)
def every_caution() -> tuple[Caution, ...]:
    """Return the cautions that ship with the tool, in order."""
    text = resources.files("shared").joinpath("cautions.toml").read_text(encoding="utf-8")
    return tuple(
        Caution(key=key, **{**entry, "when": tuple(entry["when"])})
        for key, entry in tomllib.loads(text).items()
    )


def cautions_for(facts: Iterable[str]) -> tuple[Caution, ...]:
    """Return the cautions some facts bring up, in order."""
    known = {ALWAYS, *facts}
    return tuple(caution for caution in every_caution() if known & set(caution.when))


def facts_of(found: Findings, *, repairs: Iterable[str] = (), test_next: bool = False) -> frozenset[str]:
    """Return the facts of a site that bring cautions up.

    Parameters
    ----------
    repairs
        Kinds of repair proposed or ordered, ``r01`` to ``r25``, besides those recorded.
    test_next
        Whether the next test pours water.
    """
    site = found.site
    before = int(site.reference.value("report.asbestos_before_year"))
    kinds = {*repairs, *(record.repair_kind for record in _live_repairs(site))}
    signs = {str(getattr(record, "sign", "")) for record in site.of("sign")}
    trials: list[Any] = list(site.of("trial"))
    openings: list[Any] = list(site.of("opening_up"))
    inside_wet = bool((found.stretches["side"] == "inside").any()) if len(found.stretches) else False
    walls = {getattr(record, "wall_type", "") for record in (*_surveyed(site), *site.of("face"))}
    holds = {
        "wet_inside": inside_wet,
        "old_building": any(_maybe_before(record.built, before) for record in _surveyed(site)),
        "solid_wall": "solid" in walls,
        "digging": bool(kinds & {*DIG_REPAIRS}) or any(hole.opening_up_kind == "ground" for hole in openings),
        "chambers": bool(site.of("chamber")),
        "drains": bool(site.of("run") or site.of("soakaway")),
        "foul": bool(signs & {*FOUL_SIGNS}) or any(run.use in ("foul", "combined") for run in _runs(site)),
        "foul_noticed": bool(signs & {*FOUL_SIGNS}),
        "cutting": bool(kinds & {*CUT_REPAIRS}),
        "slab": bool(kinds & {*SLAB_REPAIRS}) or any(hole.opening_up_kind == "floor" for hole in openings),
        "carbide": bool((found.readings["method"] == "carbide").any()) if len(found.readings) else False,
        "poured": any(trial.trial_kind in ("hose", "dye", "appliance", "spray") for trial in trials),
        "plugged": any(trial.trial_kind == "plugged" for trial in trials),
        "air_bricks": any(getattr(hole, "opening_kind", "") == "air_brick" for hole in site.of("opening")),
        "gutters": bool(site.of("gutter")) or "r03" in kinds,
        "mould": "mould" in signs,
        "sleepers_at_risk": inside_wet or "mould" in signs,
        "party": bool((found.perimeter.faces["exposure"] == "party").any()),
        "brickwork_out": bool(kinds & {*BRICK_REPAIRS})
        or any(hole.opening_up_kind == "brick_out" for hole in openings),
        "photographs": bool(site.of("photo")),
        "accounts": bool(site.of("account")),
        "drying": bool(site.of("drying_log")) or "r21" in kinds,
        "test_next": test_next,
    }
    return frozenset(name for name, true in holds.items() if true)


def _surveyed(site: Site) -> list[Any]:
    return [record for record in site.of("building") if getattr(record, "role", "") == "subject"]


def _runs(site: Site) -> list[Any]:
    return list(site.of("run"))


def _live_repairs(site: Site) -> list[Any]:
    return [record for record in site.of("repair") if getattr(record, "stage", "") != "dropped"]


def _maybe_before(built: str, before: int) -> bool:
    """Return whether a building may be older than a year: one before it is written there, or none at all."""
    years = [int(year) for year in re.findall(r"\b(1[0-9]{3}|20[0-9]{2})\b", built)]
    return not years or min(years) < before
