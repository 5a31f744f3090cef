"""Everything about the works of a site: repairs measured, held, ordered, priced, done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from geo.drains.setting_out import SettingOut
from geo.drains.soakage import StormDepths
from geo.evidence.ledger_kinds import Ledger
from geo.findings.drains import Drains
from geo.findings.examine import Findings
from geo.findings.trials import JudgedTrial
from geo.site.works_records import Rate
from geo.verdict import Verdict
from geo.works.accepted import accepted_of
from geo.works.asked import apart_m, overridden, recorded
from geo.works.consents import Leave, consent_states, consents_of
from geo.works.done import Done, Variation, done_of, variations_of
from geo.works.hold_rules import Checks, Hold
from geo.works.holds import holds_of
from geo.works.kinds import MEASURED, Asked, Work
from geo.works.measure import House
from geo.works.order import Order, order_of, wanted_holds
from geo.works.propose import Accepted, propose_repairs
from geo.works.quantities import SKIPS, quantities_of, skips_of
from geo.works.rates import Costs, costs_of, rates_of
from geo.works.rules import default as shipped_rules
from geo.works.soft import Constraint, constraints_of

LANE_M = 4.0
"""Repairs that begin within such a length of wall are drawn together."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Works:
    """Everything about the works of a site.

    Parameters
    ----------
    works
        Repairs with their quantities, skips last.
    holds
        Hold points by key.
    order
        What waits for what, and what may start now.
    constraints
        What else the order should heed, and what breaks it.
    leave
        Consents the works need.
    costs
        By the user's own prices.
    done, variations
        What was done against the estimate; repairs that change others.
    notes
        What an accepted cause asks for that is no repair of this list.
    site_name, data_version
        What it is of.
    """

    works: tuple[Work, ...]
    holds: Mapping[str, Hold]
    order: Order
    constraints: tuple[Constraint, ...]
    leave: tuple[Leave, ...]
    costs: Costs
    done: tuple[Done, ...]
    variations: tuple[Variation, ...]
    notes: tuple[str, ...]
    site_name: str
    data_version: str

    def __getitem__(self, repair_id: str) -> Work:
        """Return one repair by its id."""
        for work in self.works:
            if work.repair_id == repair_id:
                return work
        raise KeyError(repair_id)

    @property
    def lanes(self) -> tuple[str, ...]:
        """Ids of the repairs as they are drawn: what stops a source, then place by place along the walls."""
        first = list(dict.fromkeys(step.repair_id for step in self.order.steps.values() if step.repair_id))
        source = shipped_rules().groups["source"]
        by_id = {work.repair_id: work.asked for work in self.works}

        def place(name: str) -> tuple[bool, str, float, int]:
            asked = by_id[name]
            at_source = asked.kind in source or not asked.on_wall
            start = 0.0 if at_source else round(asked.from_m / LANE_M) * LANE_M
            return not at_source, "" if at_source else asked.ring_key, start, first.index(name)

        return tuple(sorted(first, key=place))

    @property
    def open_lines(self) -> int:
        """How many quantities are not known."""
        return sum(len(work.missing) for work in self.works)


def works_of(
    found: Findings,
    drains: Drains | None,
    ledger: Ledger | None,
    judged: Sequence[JudgedTrial] = (),
    *,
    setting: SettingOut | None = None,
    rates: Sequence[Rate] = (),
    rain: StormDepths | None = None,
    goals: Mapping[str, Verdict] | None = None,
) -> Works:
    """Work out the works of a site.

    Parameters
    ----------
    found, drains
        What was found, and the drains laid out.
    ledger
        Causes accepted; ``None`` proposes nothing, and what was recorded is measured all the same.
    judged
        Tests on site, judged.
    setting
        The setting-out, for the depths of runs and what lies near them.
    rates
        Prices of the user's own, before those of the site.
    rain
        Depths of rain at the place, for soakaways.
    goals
        By reading at a drying point, whether its goal is met: ``yes``, ``no`` or not known.

    Raises
    ------
    InputError
        When repairs are recorded as waiting for one another in a ring.
    """
    house = House(found=found, drains=drains, setting=setting)
    rules, site = shipped_rules(), found.site
    accepted: tuple[Accepted, ...] = accepted_of(ledger, house) if ledger is not None else ()
    proposal = propose_repairs(accepted, house)
    rings = {str(key): float(length) for key, length in found.perimeter.rings["length_m"].items()}
    asked = overridden(proposal.repairs, recorded(site), rings)
    answered = [_answering(each, accepted, house) for each in asked if each.kind != SKIPS]
    works = [quantities_of(each, house, rain=rain) for each in answered]
    skips = next((each for each in asked if each.kind == SKIPS), None)
    own_skips = skips or Asked(repair_id="P-R25", kind=SKIPS, basis=MEASURED)
    counted = skips_of(works, own_skips, house)
    if counted.lines or skips is not None:
        works.append(counted)
    checks = Checks(house=house, judged={each.trial_id: each for each in judged}, goals=goals or {})
    holds = holds_of(wanted_holds(works, rules=rules), checks)
    order = order_of(works, holds, house=house, rules=rules, consents=consent_states(site))
    return Works(
        works=tuple(works),
        holds=holds,
        order=order,
        constraints=constraints_of(works, order, house, rules=rules),
        leave=consents_of(works, house, rules=rules),
        costs=costs_of(works, rates_of(site, rates)),
        done=done_of(works, site),
        variations=variations_of(works),
        notes=proposal.notes,
        site_name=site.info.name,
        data_version=site.digest,
    )


def _answering(asked: Asked, accepted: Sequence[Accepted], house: House) -> Asked:
    """Link a recorded repair that names its cause to the stretches that cause is accepted at.

    One along a wall answers only for what is wet there, or near enough.
    """
    if asked.proposed or not asked.answers:
        return asked
    own = asked.answers[0]
    matched = tuple(
        each.answers
        for each in accepted
        if each.cause == own.cause
        and own.of_id in ("", each.of_id)
        and (own.of_id or _there(asked, each, house))
    )
    return replace(asked, answers=matched) if matched else asked


def _there(asked: Asked, cause: Accepted, house: House) -> bool:
    if not asked.on_wall:
        return True
    if asked.ring_key != cause.ring_key:
        return False
    place = replace(asked, from_m=cause.from_m, to_m=cause.to_m)
    return apart_m(asked, place, house.ring_length(asked.ring_key)) <= house.ref.value("works.reach_m")
