"""Where links of a report lead: one place for each record."""

from __future__ import annotations

from dataclasses import dataclass, field

from geo.report.parts import Document, Paragraph, Table, spans_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """What a link says, and the name of its place; ``""`` where the report has no row for it."""

    said: str
    to: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """The name of the row of every record the report has one for.

    Names are made by counting, so that no word of a person's becomes part of a link.
    """

    of: dict[str, str] = field(default_factory=dict)

    def links(self, names: tuple[str, ...]) -> list[Link]:
        """Return links to records; three or more that follow one another are one, to the first."""
        return [Link(said=" to ".join(span), to=self.of.get(span[0], "")) for span in spans_of(names)]


def places_of(document: Document) -> Places:
    """Return where every record of a report stands."""
    names: dict[str, str] = {}
    for block in document.blocks():
        if isinstance(block, Table):
            for name in block.anchors:
                names.setdefault(name, f"record-{len(names) + 1}")
    return Places(of=names)


def nature_words(block: Paragraph | Table, *, rests: bool) -> str:
    """Return what kind of statement a block is, and by what rule or whose."""
    said = block.nature.capitalize()
    if block.rule:
        said += f" by the rule “{block.rule}”"
    if isinstance(block, Paragraph) and block.signed:
        said += f", {block.signed}"
    return f"{said}. Rests on" if rests else f"{said}."
