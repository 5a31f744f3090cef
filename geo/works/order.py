"""In which order the works are done: a directed graph with holds, and what may start now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import networkx as nx

from geo.errors import InputError, Problem
from geo.reference import Reference
from geo.weights import SOURCE
from geo.weights import default as weights
from geo.works.asked import FINISHED, STARTED
from geo.works.holds import FAILED, Hold
from geo.works.kinds import Asked, Work
from geo.works.measure import House
from geo.works.order_graph import ENABLING, HOLD, LAST_CHECK, STEP, Node, edges_of, nodes_of
from geo.works.rules import Rules

DONE, UNDER_WAY, MAY_START, HELD = "done", "under way", "may start", "held"
DAYS = {0: "", 1: "hour", 2: "day", 3: "days", 4: "weeks"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do, or one check to pass.

    Parameters
    ----------
    key
        ``R5.first``, ``hp1:R5``, ``asbestos`` …
    sort
        ``step``, ``hold`` or ``enabling``.
    repair_id
        Repair it belongs to; ``""`` for what belongs to none.
    label, part
        What it is, and which part of the repair.
    effort
        0 for a check or for leave, 1 for an hour, 2 a day, 3 days, 4 weeks.
    state
        ``done``, ``under way``, ``may start`` or ``held``.
    held_by
        Keys of what it still waits for, nearest first.
    because
        Why, in words.
    """

    key: str
    sort: str
    repair_id: str
    label: str
    part: str
    effort: int
    state: str
    held_by: tuple[str, ...] = ()
    because: str = ""

    @property
    def said(self) -> str:
        """What it is, short: ``R5, dug, laid, bedded``, ``HP1 of R5``."""
        if self.sort == HOLD:
            return f"{self.part} of {self.repair_id}" if self.repair_id else self.part
        return ", ".join(part for part in (self.repair_id, self.part) if part) or self.label


@dataclass(frozen=True, kw_only=True, eq=False)
class Order:
    """The order of the works.

    Parameters
    ----------
    graph
        Steps, holds and what enables them; an edge for each "waits for", with its ``why``.
    steps
        Every one by key, in an order in which they can be done: small things first.
    critical
        Keys along the chain that takes longest.
    conflicts
        What was recorded against the order: done before what it waits for was passed.
    """

    graph: Any
    steps: Mapping[str, Step]
    critical: tuple[str, ...]
    conflicts: tuple[str, ...]

    @property
    def may_start(self) -> tuple[Step, ...]:
        """What may start now."""
        return tuple(step for step in self.steps.values() if step.state == MAY_START)

    @property
    def edges(self) -> tuple[tuple[str, str, str], ...]:
        """What waits for what, and why."""
        return tuple((str(a), str(b), str(data["why"])) for a, b, data in self.graph.edges(data=True))


def wanted_holds(works: Sequence[Work], *, rules: Rules) -> list[tuple[str, Asked | None]]:
    """Return the hold points the repairs ask for: which, and of which repair."""
    found: list[tuple[str, Asked | None]] = []
    for work in works:
        split = rules.splits.get(work.kind)
        if split is not None and split.hold:
            found.append((split.hold, work.asked))
        if work.kind in rules.groups["source"] and _answers_source(work.asked, rules):
            found.append(("hp2", work.asked))
        if work.kind in rules.groups["drying"] and _stopped_elsewhere(work.asked, rules):
            found.append(("hp2", work.asked))
        if work.kind in rules.groups["floor"]:
            found.append(("hp6", work.asked))
    return [*found, (LAST_CHECK, None)] if found or works else found


def _answers_source(asked: Asked, rules: Rules) -> bool:
    """Whether a repair stops a source, so that its test is to be repeated."""
    if not asked.answers:
        return asked.kind in rules.groups["outlet"]
    causes = weights().cause_of
    return any(each.cause in causes and causes[each.cause].kind == SOURCE for each in asked.answers)


def _stopped_elsewhere(asked: Asked, rules: Rules) -> bool:
    """Whether it answers a source no kind of repair stops: it waits for that source's own test."""
    causes = weights().cause_of
    return any(each.cause in rules.apart and causes[each.cause].kind == SOURCE for each in asked.answers)


def order_of(
    works: Sequence[Work],
    holds: Mapping[str, Hold],
    *,
    house: House,
    rules: Rules,
    consents: Mapping[str, str],
) -> Order:
    """Put the works in order and say what may start now.

    Parameters
    ----------
    works
        Repairs that are not dropped; skips are not put in order.
    holds
        Hold points by key (:func:`geo.works.holds.holds_of`).
    consents
        Newest state of each consent, by what it is for: asked, given, refused.

    Raises
    ------
    InputError
        When repairs wait for one another in a ring.
    """
    own = [work for work in works if work.kind != "r25"]
    nodes = nodes_of(own, holds, house.ref, rules)
    graph = nx.DiGraph()
    graph.add_nodes_from(nodes)
    for first, then, why in edges_of(nodes, own, house, rules):
        if not graph.has_edge(first, then):
            graph.add_edge(first, then, why=why)
    _refuse_rings(graph)
    ordered = cheapest_first(graph, {key: node.effort for key, node in nodes.items()}, tuple(nodes))
    leave = {one.key: consents.get(one.consent, "") for one in rules.enabling}
    done = {key: _done(node, holds, leave) for key, node in nodes.items()}
    steps = {key: _step(nodes[key], graph, done, nodes, holds, leave) for key in ordered}
    return Order(
        graph=graph,
        steps=steps,
        critical=longest_chain(graph, {key: _days(node.effort, house.ref) for key, node in nodes.items()}),
        conflicts=tuple(_conflicts(nodes, graph, done)),
    )


def cheapest_first(graph: Any, effort: Mapping[str, int], keys: Sequence[str]) -> tuple[str, ...]:
    """Return an order in which everything can be done: of what is free, always the smallest next.

    Parameters
    ----------
    graph
        Directed, without rings.
    effort
        Size of each node.
    keys
        Every node; where two are as small, the one that stands first here goes first.
    """
    place = {key: at for at, key in enumerate(keys)}
    return tuple(
        nx.lexicographical_topological_sort(graph, key=lambda key: (effort[key], place[key]))
    )  # fmt: skip


def longest_chain(graph: Any, days: Mapping[str, float]) -> tuple[str, ...]:
    """Return the chain of nodes, each waiting for the one before, whose days add up to most."""
    best: dict[str, float] = {}
    before: dict[str, str] = {}
    for key in nx.topological_sort(graph):
        longest = max(graph.predecessors(key), key=lambda name: best[name], default="")
        if longest:
            before[key] = longest
        best[key] = days[key] + (best[longest] if longest else 0.0)
    if not best:
        return ()
    chain = [max(best, key=lambda key: best[key])]
    while chain[-1] in before:
        chain.append(before[chain[-1]])
    return tuple(reversed(chain))


def _days(effort: int, ref: Reference) -> float:
    return ref.value(f"effort_days.{DAYS[effort]}") if DAYS[effort] else 0.0


def _refuse_rings(graph: Any) -> None:
    try:
        ring = nx.find_cycle(graph)
    except nx.NetworkXNoCycle:
        return
    names = " → ".join(str(a) for a, _ in ring)
    raise InputError(
        [
            Problem(
                file="repairs.csv", column="after_ids", found=f"{names} → {ring[0][0]} wait for one another",
                allowed="an order that can be done", mend="Take one id out of after_ids.",
            )
        ]
    )  # fmt: skip


def _done(node: Node, holds: Mapping[str, Hold], consents: Mapping[str, str]) -> bool:
    if node.sort == HOLD:
        return holds[node.key].passed
    if node.sort == ENABLING:
        return consents.get(node.key, "") == "given"
    asked = node.asked
    if asked is None:
        return False
    if asked.stage == FINISHED:
        return True
    return node.tag.endswith(".first") and any(
        hold.repair_id == asked.repair_id and hold.tested and hold.hold_point not in ("hp2", "hp6")
        for hold in holds.values()
    )


def _step(
    node: Node,
    graph: Any,
    done: Mapping[str, bool],
    nodes: Mapping[str, Node],
    holds: Mapping[str, Hold],
    consents: Mapping[str, str],
) -> Step:
    waits = [key for key in graph.predecessors(node.key) if not done[key]]
    waits.sort(key=lambda key: (nodes[key].sort != HOLD, nodes[key].sort != ENABLING))
    state = DONE if done[node.key] else HELD if waits else MAY_START
    because = ""
    if node.sort == HOLD:
        verdict = holds[node.key].verdict
        because = f"{verdict.word}: {verdict.because}"
        if verdict.word == FAILED:
            state = HELD
    elif node.sort == ENABLING and not done[node.key]:
        said = consents.get(node.key, "")
        because = {"asked": "asked for, not given", "refused": "refused"}.get(said, "nobody recorded it")
    elif state == MAY_START and node.asked is not None and node.asked.stage == STARTED:
        state = UNDER_WAY
    return Step(
        key=node.key,
        sort=node.sort,
        repair_id=node.asked.repair_id if node.asked is not None else "",
        label=node.label,
        part=node.part,
        effort=node.effort,
        state=state,
        held_by=tuple(waits),
        because=because,
    )


def _conflicts(nodes: Mapping[str, Node], graph: Any, done: Mapping[str, bool]) -> Iterable[str]:
    """Say what was done before what it waits for was passed: what lies under it is not known."""
    for key, node in nodes.items():
        if node.sort != STEP or not done[key] or node.asked is None:
            continue
        for before in graph.predecessors(key):
            if not done[before] and nodes[before].sort == HOLD:
                yield f"{_told(node)} is recorded as done; not passed before it: {nodes[before].label}."
            elif not done[before] and nodes[before].sort == ENABLING:
                yield f"{_told(node)} is recorded as done; {nodes[before].label}: nobody recorded it."


def _told(node: Node) -> str:
    name = node.asked.repair_id if node.asked is not None else node.key
    return f"{name} ({node.part})" if node.part else name
