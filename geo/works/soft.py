"""What the order of the works should heed besides: what each constraint is, and what breaks it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import networkx as nx

from geo.works.kinds import Work
from geo.works.measure import House
from geo.works.order import Order
from geo.works.order_graph import STEP
from geo.works.rules import Rules


@dataclass(frozen=True, slots=True, kw_only=True)
class Constraint:
    """Something no step has to wait for, but that goes wrong when it is not heeded.

    Parameters
    ----------
    said
        What is asked.
    breaks
        What would break it here and now, ``""`` where nothing would.
    repair_ids
        Repairs it concerns.
    """

    said: str
    breaks: str
    repair_ids: tuple[str, ...]


def constraints_of(
    works: Sequence[Work], order: Order, house: House, *, rules: Rules
) -> tuple[Constraint, ...]:
    """Return the constraints that concern these repairs."""
    live = [work for work in works if work.asked.stage not in ("finished", "dropped")]
    found: Iterable[Constraint] = (
        *_trenches(live, order, rules),
        *_fixtures(live, house),
        *_rainwater(live, house),
        *_weather(live, rules),
    )
    return tuple(found)


def _ids(works: Sequence[Work], kinds: Sequence[str]) -> tuple[str, ...]:
    return tuple(work.repair_id for work in works if work.kind in kinds)


def _trenches(works: Sequence[Work], order: Order, rules: Rules) -> Iterable[Constraint]:
    own = _ids(works, rules.groups["digging"])
    if not own:
        return
    free = [
        step.repair_id
        for step in order.steps.values()
        if step.sort == STEP and step.state in ("may start", "under way") and step.repair_id in own
    ]
    free = list(dict.fromkeys(free))
    breaks = f"{' and '.join(free)} could be open together" if len(free) > 1 else ""
    yield Constraint(
        said="One open trench on each way in and out; never a long wall undermined at once.", breaks=breaks,
        repair_ids=own,
    )  # fmt: skip
    yield Constraint(said="Open ground and open walls are covered against rain.", breaks="", repair_ids=own)


def _fixtures(works: Sequence[Work], house: House) -> Iterable[Constraint]:
    own = [work for work in works if work.kind in ("r04", "r05", "r06", "r07")]
    if not own:
        return
    table = house.site.table("run")
    foul = [
        work
        for work in own
        if any(name in table.index and table.loc[name, "use"] != "surface" for name in work.asked.of_ids)
    ]
    if foul:
        ids = tuple(work.repair_id for work in foul)
        names = ", ".join(dict.fromkeys(name for work in foul for name in work.asked.of_ids))
        yield Constraint(
            said="One WC and one kitchen drain stay in use, or others are provided.",
            breaks=f"{names} may carry them: nothing can be used above it while it is open",
            repair_ids=ids,
        )  # fmt: skip


def _rainwater(works: Sequence[Work], house: House) -> Iterable[Constraint]:
    if house.drains is None:
        return
    network = house.drains.network
    feet = network.nodes.index[network.nodes["kind"] == "downpipe"]
    for work in works:
        if work.kind != "r08":
            continue
        graph = network.graph
        named = [name for name in work.asked.of_ids if name in graph]
        above = {str(up) for name in named for up in nx.ancestors(graph, name)}
        pipes = sorted(
            {str(name) for name in feet if str(name) in above}
            | {name for name, into in network.discharge.items() if into in above and name in feet}
        )
        if pipes:
            yield Constraint(
                said="Downpipes are led elsewhere while the soakaway is dug, never onto the wall.",
                breaks=f"{', '.join(pipes)} {'runs' if len(pipes) == 1 else 'run'} to it",
                repair_ids=(work.repair_id,),
            )  # fmt: skip


def _weather(works: Sequence[Work], rules: Rules) -> Iterable[Constraint]:
    for name, said in (
        ("concrete", "Concrete is not laid below 5 °C, nor where it may freeze before it has set."),
        ("lime", "Lime is not used below 5 to 8 °C, nor where it may freeze."),
    ):
        own = _ids(works, rules.groups[name])
        if own:
            yield Constraint(said=said, breaks="", repair_ids=own)
