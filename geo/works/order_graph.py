"""The graph of the works: what enables, repairs in their parts, hold points, and what waits for what."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from geo.reference import Reference
from geo.works.asked import apart_m
from geo.works.holds import Hold
from geo.works.kinds import Asked, Work
from geo.works.measure import House
from geo.works.rules import Edge, Enabling, Rules

STEP, HOLD, ENABLING = "step", "hold", "enabling"
LAST_CHECK = "hp7"


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """A node of the graph before its state is known; ``tag`` is what rules call it."""

    key: str
    sort: str
    tag: str
    asked: Asked | None
    label: str
    part: str
    effort: int


def nodes_of(
    works: Sequence[Work], holds: Mapping[str, Hold], ref: Reference, rules: Rules
) -> dict[str, Node]:
    """Lay out the nodes: what enables, then repair by repair, then the last check."""
    nodes: dict[str, Node] = {}
    tags = {f"{work.kind}.first" for work in works}
    for one in rules.enabling:
        if tags & set(one.before):
            nodes[one.key] = Node(
                key=one.key, sort=ENABLING, tag=one.key, asked=None, label=one.label, part="", effort=0
            )  # fmt: skip
    for work in works:
        for node in _of_work(work, holds, ref, rules):
            nodes[node.key] = node
    if LAST_CHECK in holds:
        nodes[LAST_CHECK] = _hold_node(holds[LAST_CHECK], None, LAST_CHECK)
    return nodes


def _of_work(work: Work, holds: Mapping[str, Hold], ref: Reference, rules: Rules) -> list[Node]:
    effort = int(ref.value(f"effort.{work.kind}"))
    split = rules.splits.get(work.kind)
    name, asked = work.repair_id, work.asked
    if split is None:
        parts = [("", f"{work.kind}.only", "")]
    else:
        parts = [(".first", f"{work.kind}.first", split.first), (".last", f"{work.kind}.last", split.last)]
    found = []
    for end, tag, part in parts:
        found.append(
            Node(
                key=f"{name}{end}",
                sort=STEP,
                tag=tag,
                asked=asked,
                label=work.label,
                part=part,
                effort=effort,
            )
        )
        hold = holds.get(f"{split.hold}:{name}") if split is not None and split.hold else None
        if end == ".first" and hold is not None:
            found.append(_hold_node(hold, asked, f"{work.kind}.hold"))
    for extra in ("hp2", "hp6"):
        hold = holds.get(f"{extra}:{name}")
        if hold is not None and (split is None or split.hold != extra):
            first = extra == "hp2" and work.kind in rules.groups["drying"]
            found.insert(0 if first else len(found), _hold_node(hold, asked, extra))
    return found


def _hold_node(hold: Hold, asked: Asked | None, tag: str) -> Node:
    return Node(
        key=hold.key, sort=HOLD, tag=tag, asked=asked, label=hold.label, part=hold.hold_point.upper(),
        effort=0,
    )  # fmt: skip


def edges_of(
    nodes: Mapping[str, Node], works: Sequence[Work], house: House, rules: Rules
) -> Iterable[tuple[str, str, str]]:
    """Yield what waits for what: within a repair, by what is enabled, by the rules, and as recorded."""
    own: dict[str, list[Node]] = {}
    for node in nodes.values():
        if node.asked is not None:
            own.setdefault(node.asked.repair_id, []).append(node)
    for chain in own.values():
        for first, then in pairwise(chain):
            yield first.key, then.key, "nothing passes the hold" if first.sort == HOLD else "the one repair"
    for one in rules.enabling:
        yield from _enabled(one, nodes)
    for rule in rules.edges:
        yield from _ruled(rule, nodes, house)
    for work in works:
        for name in work.asked.after_ids:
            if name in own and own[name] and work.repair_id in own:
                yield own[name][-1].key, own[work.repair_id][0].key, "recorded so"
    if LAST_CHECK in nodes:
        for chain in own.values():
            yield chain[-1].key, LAST_CHECK, "the last readings come last"


def _enabled(one: Enabling, nodes: Mapping[str, Node]) -> Iterable[tuple[str, str, str]]:
    if one.key in nodes:
        for node in nodes.values():
            if _is(node, one.before):
                yield one.key, node.key, one.why


def _is(node: Node, tags: Sequence[str]) -> bool:
    """Whether a node is one of those named; a repair done in one go is its own first and last."""
    if node.tag.endswith(".only"):
        kind = node.tag.removesuffix(".only")
        return f"{kind}.first" in tags or f"{kind}.last" in tags
    return node.tag in tags


def _ruled(rule: Edge, nodes: Mapping[str, Node], house: House) -> Iterable[tuple[str, str, str]]:
    for first in nodes.values():
        if not _is(first, rule.first):
            continue
        for then in nodes.values():
            apart = first.asked is None or then.asked is None or first.asked is then.asked
            if not apart and _is(then, rule.then) and _together(rule.where, first, then, house):
                yield first.key, then.key, rule.why


def _together(where: str, first: Node, then: Node, house: House) -> bool:
    """Whether a rule holds between two repairs where they are."""
    one, other = first.asked, then.asked
    if where == "site" or one is None or other is None:
        return True
    if where == "cause":
        answers = {each.stretch_id for each in one.answers}, {each.stretch_id for each in other.answers}
        if all(answers) and "" not in answers[0] | answers[1]:
            return bool(answers[0] & answers[1])
        return True
    if not one.on_wall or not other.on_wall:
        return True
    if one.ring_key != other.ring_key:
        return False
    gap = apart_m(one, other, house.ring_length(one.ring_key))
    return not gap > house.ref.value("works.reach_m")
