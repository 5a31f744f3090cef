"""The rules inferences are made by: each has a name, which every inference bears, and is written out once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from functools import lru_cache
from importlib import resources

from geo.reference import Reference
from geo.report.parts import Block, Items, Paragraph, Part, Table, blocks, items, paragraph, sentence

WET, DRY_REFS, UNREAD = "wet reading", "dry references", "unread wall"
CONTENT, BOOK, FALLS = "water and salts", "level book", "falls and clearances"
POOLS, GATHER, OUTLET = "pools", "gathering at outlets", "outlet by outlet"
RECORDS, FAULT, SPILL = "records that contradict", "fault of a drain", "first spill"
BARRIER, SIZE, LEDGER = "past the barrier", "size of a test", "ledger of causes"
NOT_KNOWN, OWN = "not known", "the surveyor's own reasoning"
LIMIT = re.compile(r"\{([a-z_]+\.[a-z_0-9]+)\}")
MINUTES, DIGS = "minutes to a spill", "where to dig"
WORKS, HOLDS, DRYING = "measured works", "hold points", "drying"


def rule_words(name: str, ref: Reference) -> str:
    """Return a rule written out, with the limits in force."""
    return LIMIT.sub(lambda found: f"{ref.value(found[1]):g}", _written()[name])


@lru_cache(1)
def _written() -> dict[str, str]:
    text = resources.files("shared").joinpath("report_rules.toml").read_text(encoding="utf-8")
    return {entry["name"]: entry["said"] for entry in tomllib.loads(text).values()}


def rules_part(parts: Iterable[Part], ref: Reference) -> Part:
    """Return every rule that was used in some sections, written out."""
    used = dict.fromkeys(name for part in parts for name in _used(part))
    told = [paragraph(sentence(rule_words(name, ref)), lead=name[:1].upper() + name[1:]) for name in used]
    return Part(key="rules", title="Rules of inference", blocks=blocks(items(told)))


def _used(part: Part) -> Iterable[str]:
    for block in part.blocks:
        yield from _of(block)
    for own in part.parts:
        yield from _used(own)


def _of(block: Block) -> Iterable[str]:
    if isinstance(block, Items):
        for one in block.items:
            yield from _of(one)
    elif isinstance(block, Paragraph | Table) and block.rule:
        yield block.rule
