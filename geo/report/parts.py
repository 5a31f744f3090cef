"""What a report is made of, before anybody decides what it looks like.

Nothing here is markup: every word is data, and each block says what it rests on.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

FACT, INFERENCE, OPINION, ADVICE = "fact", "inference", "opinion", "advice"
NATURES = {
    FACT: "recorded on site, or counted from what is recorded",
    INFERENCE: "worked out from records by a rule that is named",
    OPINION: "the surveyor's own judgement, signed by role",
    ADVICE: "what the surveyor recommends, signed by role",
}


@dataclass(frozen=True, slots=True)
class Ids:
    """Records a cell or a sentence rests on; each leads to its row in the appendix."""

    names: tuple[str, ...] = ()


Cell = str | Ids


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """A sentence or two of one nature.

    Parameters
    ----------
    said
        The words.
    nature
        ``fact``, ``inference``, ``opinion`` or ``advice``.
    rule
        For an inference, the rule it was worked out by.
    rests_on
        Ids of the records behind it.
    lead
        Words before it that say what it is about.
    signed
        For an opinion or advice, whose it is, by role.
    """

    said: str
    nature: str = FACT
    rule: str = ""
    rests_on: tuple[str, ...] = ()
    lead: str = ""
    signed: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Items:
    """Short paragraphs one under another; ``numbered`` where their order matters."""

    items: tuple[Paragraph, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under one header, all of one nature.

    Parameters
    ----------
    widths
        Share of the width of each column.
    numbers
        Columns, from 0, whose cells are numbers and stand to the right.
    anchors
        For the appendix: the record each row is, so that links find it; empty otherwise.
    """

    caption: str
    header: tuple[str, ...]
    widths: tuple[float, ...]
    rows: tuple[tuple[Cell, ...], ...]
    nature: str = FACT
    rule: str = ""
    numbers: tuple[int, ...] = ()
    anchors: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A drawing as SVG, or a photograph as JPEG or PNG.

    Parameters
    ----------
    name
        Plain name, unique in the report.
    alt
        What it shows, for who cannot see it.
    share
        Width, as a share of the page's.
    across
        Whether it is printed on a page of its own, laid on its side.
    """

    name: str
    alt: str
    caption: str
    svg: str = ""
    picture: bytes = b""
    share: float = 1.0
    across: bool = False
    rests_on: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A caution or remark that stands out; ``urgent`` ones more so."""

    head: str
    lines: tuple[str, ...]
    urgent: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Blocks with a figure beside them."""

    blocks: tuple[Block, ...]
    figure: Figure


Block = Paragraph | Items | Table | Figure | Note | Beside


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A section: its blocks, then its own sections.

    Parameters
    ----------
    why, fills
        Where nothing can be said in it: what is missing, and what would fill it.
    """

    key: str
    title: str
    blocks: tuple[Block, ...] = ()
    parts: tuple[Part, ...] = ()
    why: str = ""
    fills: str = ""

    @property
    def empty(self) -> bool:
        """Whether there is nothing to print in it."""
        return not self.blocks and all(part.empty for part in self.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A whole report.

    Parameters
    ----------
    key
        ``report`` or ``letter``; it decides the look.
    facts
        What stands on its first page: label and words.
    parts
        Sections with something in them, in order.
    missing
        Sections with nothing in them, each saying why and what would fill it.
    dated
        Last day anything was recorded; ``None`` where nothing has a day.
    version
        SHA-256 of the data.
    tool
        Name and version of the program.
    """

    key: str
    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    parts: tuple[Part, ...]
    missing: tuple[Part, ...] = ()
    dated: dt.date | None = None
    version: str = ""
    tool: str = ""
    foot: str = ""
    caution: str = ""
    ids: frozenset[str] = field(default_factory=frozenset)

    def blocks(self) -> Iterator[Block]:
        """Go through every block of every section, those beside figures included."""
        for part in self.parts:
            yield from _blocks(part)


def _blocks(part: Part) -> Iterator[Block]:
    for block in part.blocks:
        yield block
        if isinstance(block, Beside):
            yield from block.blocks
            yield block.figure
    for own in part.parts:
        yield from _blocks(own)


def figures_of(document: Document) -> list[Figure]:
    """Return the figures of a report in order."""
    return [block for block in document.blocks() if isinstance(block, Figure)]


def said(pattern: str, **values: Any) -> str:
    """Return a sentence with its values filled in, or nothing when any of them is missing.

    A value is missing when it is ``None``, NaN or an empty text.

    Parameters
    ----------
    pattern
        As for ``str.format``; ours alone, never a person's words.
    """
    return "" if any(map(missing, values.values())) else pattern.format(**values)


def missing(value: Any) -> bool:
    """Return whether a value is not there: ``None``, NaN, or an empty text."""
    return value is None or value == "" or (isinstance(value, float) and math.isnan(value))


def paragraph(
    words: str,
    *,
    nature: str = FACT,
    rule: str = "",
    rests_on: Iterable[str] = (),
    lead: str = "",
    signed: str = "",
) -> Paragraph | None:
    """Return a paragraph, or ``None`` when there is nothing to say."""
    if not words:
        return None
    rests = tuple(dict.fromkeys(str(name) for name in rests_on if name))
    return Paragraph(said=words, nature=nature, rule=rule, rests_on=rests, lead=lead, signed=signed)


def items(found: Iterable[Paragraph | None], *, numbered: bool = False) -> Items | None:
    """Return paragraphs as a list, or ``None`` when there is none."""
    kept = tuple(one for one in found if one is not None)
    return Items(items=kept, numbered=numbered) if kept else None


def blocks(*found: Block | None) -> tuple[Block, ...]:
    """Return the blocks there are."""
    return tuple(one for one in found if one is not None and not (isinstance(one, Table) and not one.rows))


def sentences(*found: str) -> str:
    """Join what was said into one text; each begins with a capital and ends with a full stop."""
    return " ".join(sentence(one) for one in found if one)


def sentence(words: str) -> str:
    """Return words as a sentence: a capital first, a full stop last."""
    words = words.strip()
    if not words:
        return ""
    words = words[0].upper() + words[1:]
    return words if words[-1] in ".!?…" else f"{words}."


def listed(names: Iterable[str], *, last: str = "and") -> str:
    """Return names as people list them: ``a, b and c``."""
    found = list(names)
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} {last} {found[-1]}" if found else ""


def spans_of(names: Iterable[str]) -> list[tuple[str, ...]]:
    """Draw ids that follow one another together: ``r075`` to ``r080`` are one span.

    Returns
    -------
    Spans in order: one id, or the first and the last of three or more.
    """
    found: list[list[str]] = []
    for name in names:
        before = found[-1][-1] if found else ""
        if before and _next(before) == name:
            found[-1].append(name)
        else:
            found.append([name])
    spans: list[tuple[str, ...]] = []
    for run in found:
        if len(run) < 3:
            spans += [(name,) for name in run]
        else:
            spans.append((run[0], run[-1]))
    return spans


def _next(name: str) -> str:
    """Return the id that would follow, or nothing."""
    found = re.fullmatch(r"(.*?)(\d+)", name)
    if found is None:
        return ""
    stem, number = found.groups()
    return f"{stem}{int(number) + 1:0{len(number)}d}"
