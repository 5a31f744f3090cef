"""What tests of poured water need: where to pour, how much, and how much earlier ones were short of."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from geo.errors import WallfootError
from geo.findings.drains import Drains
from geo.findings.meters import LOSES, NONE_SHOWN, leak_tests
from geo.findings.trial_needs import enters_at, needed_before, stops_below
from geo.findings.trials import NEGATIVE, POSITIVE, POURED_KINDS, JudgedTrial
from geo.site.model import Site
from geo.verdict import Measured

NAN = math.nan
KINDS_OF = {
    "dyed": ("hose", "dye"),
    "foot": ("hose", "dye"),
    "gutter": ("hose", "dye"),
    "appliance": ("appliance",),
}
"""Kinds of trial records that are tests of each kind poured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pour:
    """What a test at one place must pour: litres, at which rate, for how long; NaN where not known."""

    litres: float = NAN
    rate_l_s: float = NAN
    minutes: float = NAN
    known: bool = False
    first: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class Pours:
    """Everything about pouring at one site; each litre is worked out once.

    Parameters
    ----------
    leaks
        What the meter says with everything off (:func:`geo.findings.meters.leak_tests`), where that is known
        already.
    """

    site: Site
    drains: Drains | None
    judged: Sequence[JudgedTrial]
    leaks: pd.DataFrame | None = None
    _kept: dict[str, Pour] = field(default_factory=dict, repr=False)
    _guessed: dict[str, Pour] = field(default_factory=dict, repr=False)

    @cached_property
    def rate(self) -> Measured:
        """The hose as it was last measured here, else the usual one."""
        for one in reversed(self.judged):
            if one.trial_kind in ("hose", "dye") and math.isfinite(one.rate.value):
                return one.rate
        usual = self.site.reference.value("walk.hose_l_s")
        return Measured(usual, usual * self.site.reference.value("trials.rate_share"))

    @cached_property
    def colour(self) -> str:
        """A colour not yet used here, in words; ``""`` when none is left."""
        ref = self.site.reference
        used = {str(getattr(record, "dye", "")) for record in self.site.of("trial")} | {"none"}
        free = next((key for key in ref.vocabulary.get("dye", {}) if key not in used), "")
        return ref.word("dye", free) if free else ""

    def needed(self, at_id: str, *, exact: bool = True) -> Pour:
        """Return what must be poured at a record; the usual litres where that is not known.

        Parameters
        ----------
        exact
            Work it out; without it the litres are taken from what each stop below holds back by itself, which
            is quick and near enough to rank tests by.
        """
        kept = self._kept if exact else self._guessed
        if at_id not in kept:
            kept[at_id] = self._worked_out(at_id) if exact else self._guess(at_id)
        return kept[at_id]

    def _guess(self, at_id: str) -> Pour:
        kind = self.kind(at_id)
        if self.drains is None or kind == "gutter":
            return self._usual(known=kind == "gutter")
        stops = self.below.get(at_id)
        if stops is None:
            return self._usual(known=kind == "downpipe")
        own = self.drains.every.reindex(list(stops))
        litres = float(own["litres"].max()) if len(own) else NAN
        if not litres > 0:
            return self._usual(known=False)
        litres *= self.site.reference.value("drains.pour_factor")
        known = bool((own["litres"] > 0).all())
        rate = self.rate.value
        return Pour(litres=litres, rate_l_s=rate, minutes=litres / rate / 60, known=known)

    def _usual(self, *, known: bool, first: str = "") -> Pour:
        litres = self.site.reference.value("walk.pour_l")
        rate = self.rate.value
        return Pour(litres=litres, rate_l_s=rate, minutes=litres / rate / 60, known=known, first=first)

    def _worked_out(self, at_id: str) -> Pour:
        kind = self.kind(at_id)
        if kind == "gutter":
            return self._usual(known=True)
        if self.drains is None:
            return self._usual(known=False, first="Mend what is wrong with the records of the drains.")
        try:
            needed = needed_before(self.site, self.drains, at_id, self.rate)
        except WallfootError:
            return self._usual(known=False)
        if not needed.enters and kind == "downpipe":
            # It runs onto the ground: there is nothing to fill first.
            return self._usual(known=True)
        if not math.isfinite(needed.wanted_l):
            return self._usual(known=False, first=needed.settle)
        minutes = needed.wanted_minutes
        if not math.isfinite(minutes):
            minutes = needed.wanted_l / self.rate.value / 60
        return Pour(
            litres=needed.wanted_l, rate_l_s=self.rate.value, minutes=minutes, known=needed.known,
            first="" if needed.known else needed.settle,
        )  # fmt: skip

    @cached_property
    def below(self) -> dict[str, frozenset[str]]:
        """Runs and soakaways below each gully and downpipe that is joined to the drains."""
        found: dict[str, frozenset[str]] = {}
        if self.drains is None:
            return found
        stops: dict[str, frozenset[str]] = {}
        for record in (*self.site.of("gully"), *self.site.of("downpipe")):
            enters = enters_at(self.site, self.drains, record.id)
            if not enters:
                continue
            if enters not in stops:
                stops[enters] = frozenset(stops_below(self.drains, enters))
            found[record.id] = stops[enters]
        return found

    def gullies_above(self, of_id: str) -> tuple[str, ...]:
        """Return the gullies whose water comes to a run or a soakaway."""
        return tuple(name for name in self._takes if of_id in self.below.get(name, ()))

    @cached_property
    def _takes(self) -> dict[str, str]:
        return {record.id: str(getattr(record, "takes", "")) for record in self.site.of("gully")}

    def kind(self, name: str) -> str:
        """Return what kind of record an id is of; ``""`` for none."""
        return self.site.ids.get(name, "")

    def takes(self, gully_id: str) -> str:
        """Return what a gully takes: ``waste``, ``rain``, ``both`` or ``not_known``."""
        return self._takes.get(gully_id, "not_known")

    def lacking(self, test: str, at_id: str) -> str:
        """Say what the last test of a kind at a record was short of; ``""`` where none was too small."""
        kinds = KINDS_OF.get(test, ())
        own = [one for one in self.judged if one.source_id == at_id and one.trial_kind in kinds]
        small = [one for one in own if one.verdict.word not in (POSITIVE, NEGATIVE)]
        if not small or len(small) < len(own):
            return ""
        last = small[-1]
        wants = last.needed.wanted_l if last.needed is not None else NAN
        short = wants - last.litres.value
        if math.isfinite(short) and short > 0:
            return (
                f"Test {last.trial_id} poured {last.litres.value:.0f} l of the {wants:.0f} l it takes:"
                f" {short:.0f} l were lacking."
            )
        return f"Test {last.trial_id} settled nothing: {last.verdict.because.rstrip('.')}."

    @cached_property
    def _meter(self) -> pd.DataFrame | None:
        if self.leaks is not None or not self.site.of("meter_reading"):
            return self.leaks
        return leak_tests(self.site.table("meter_reading"), ref=self.site.reference)

    @cached_property
    def meter_read(self) -> bool:
        """Whether the meter was read with everything off, long enough to say whether water is lost."""
        return self._meter is not None and bool(self._meter["word"].isin((LOSES, NONE_SHOWN)).any())

    @property
    def meter_lacking(self) -> str:
        """Say what the last reading of the meter with everything off was short of."""
        if self._meter is None or self._meter.empty:
            return ""
        last = self._meter.iloc[-1]
        return f"The meter was read before: {last['because']}. {last['settle']}".strip()

    def consent_words(self, purpose: str) -> str:
        """Return what leave is for, in words."""
        return self.site.reference.word("consent_for", purpose)

    def state_words(self, state: str) -> str:
        """Return how leave stands, in words."""
        return self.site.reference.word("consent_state", state) if state else "not asked"


def leave_of(site: Site) -> Mapping[str, str]:
    """Return how leave for each purpose stands: the last record of it holds."""
    return {
        str(getattr(record, "consent_for", "")): str(getattr(record, "state", ""))
        for record in site.of("consent")
    }


def put_in(judged: Sequence[JudgedTrial]) -> dict[str, str]:
    """Return where the water of each test was put in."""
    return {one.trial_id: one.source_id for one in judged}


def passed_below(judged: Sequence[JudgedTrial]) -> dict[str, frozenset[str]]:
    """Return the runs and soakaways below that the water of each test went on to."""
    return {
        one.trial_id: frozenset(map(str, one.needed.stops.index))
        for one in judged
        if one.needed is not None and len(one.needed.stops)
    }


def proof_lacks(judged: Sequence[JudgedTrial]) -> dict[str, tuple[str, ...]]:
    """Return what each test of poured water that showed lacks to prove its source."""
    return {
        one.trial_id: one.lacks
        for one in judged
        if one.verdict.word == POSITIVE and one.trial_kind in POURED_KINDS
    }
