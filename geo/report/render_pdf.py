"""A report as PDF: tagged for who listens to it, fonts in the file, every record one click away."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from geo.exchange.typeset import typeset
from geo.report.drawings import for_print, shape_of
from geo.report.links import Places, nature_words, places_of
from geo.report.parts import (
    Beside,
    Block,
    Cell,
    Document,
    Figure,
    Ids,
    Items,
    Note,
    Paragraph,
    Part,
    Table,
    figures_of,
)
from geo.report.wording import day_words

COMMON = """
#let ink = rgb("#1f2a30")
#let soft = rgb("#5b6870")
#let accent = rgb("#27566b")
#let rule = rgb("#c9c6bc")
#set text(fill: ink)
#set par(leading: .55em, spacing: .9em, justify: false)
#show link: it => text(fill: accent, it)
#let links(found) = for (i, one) in found.enumerate() {
  if i > 0 [, ]
  if one.to != "" { link(label(one.to), one.said) } else { one.said }
}
#let told(p, small: 7.5pt) = {
  if p.lead != "" [*#p.lead.* ]
  p.said
  if p.nature != "" {
    linebreak()
    text(small, fill: soft)[#p.nature#if p.links.len() > 0 [ ]#links(p.links)#if p.links.len() > 0 [.]]
  }
}
#let note(n) = block(width: 100%, breakable: false, above: 3mm, below: 3mm, inset: (x: 3mm, y: 2.4mm),
  stroke: (left: (if n.urgent { 2.4pt } else { 1pt }) + accent), fill: luma(246))[
  *#n.head* \\
  #for (i, line) in n.lines.enumerate() { if i > 0 { linebreak() }; line }
]
#let cell(c, right, mark) = {
  let body = if type(c) == str { c } else { links(c) }
  let marked = if mark == "" { body } else [#metadata(none)#label(mark)#body]
  if right { align(std.right, marked) } else { marked }
}
#let rows-of(t, size) = {
  if t.caption != "" { block(sticky: true, above: 4mm, below: 1.6mm, text(9pt, strong(t.caption))) }
  [
    #set text(size)
    #set par(leading: .42em)
    #table(columns: t.widths.map(w => w * 1fr), stroke: none, inset: (x: 1mm, y: .85mm), align: left + top,
      fill: (_, y) => if y > 0 and calc.even(y) { luma(247) },
      table.header(
        table.hline(stroke: .7pt + ink),
        ..t.header.enumerate().map(((i, h)) => cell(h, t.numbers.contains(i), "")).map(strong),
        table.hline(stroke: .4pt + ink)),
      ..t.rows.enumerate().map(((k, row)) => row.enumerate().map(((i, c)) =>
        table.cell(breakable: not t.firm, cell(c, t.numbers.contains(i),
          if i == 0 and t.marks.len() > 0 { t.marks.at(k) } else { "" })))).flatten(),
      table.hline(stroke: .4pt + ink))
  ]
  if t.nature != "" { block(above: 1.4mm, text(7.2pt, fill: soft, t.nature)) }
}
#let sheet(t, size: 7.8pt) = if t.whole {
  block(breakable: false, width: 100%, above: 4mm, rows-of(t, size))
} else { rows-of(t, size) }
#let drawn(f) = block(width: 100%, breakable: false, above: 4mm, below: 4mm)[
  #set align(center)
  #figure(image(f.file, alt: f.alt, width: f.share * 100%), caption: none, gap: 0mm, numbering: none)
  #block(above: 1.6mm, width: 100%)[#set align(left)
    #text(7.8pt, fill: soft)[#f.caption#if f.links.len() > 0 [ ]#links(f.links)]]
]
#let small-pictures(found) = grid(columns: (1fr, 1fr), column-gutter: 6mm, row-gutter: 5mm,
  ..found.map(f => block(breakable: false, width: 100%)[
    #figure(image(f.file, alt: f.alt, width: 100%, height: 62mm, fit: "contain"), numbering: none)
    #block(above: 1.4mm)[#text(7.8pt, fill: soft)[#f.caption #links(f.links)]]]))
"""
REPORT = """
#set page(paper: "a4", margin: (x: 16mm, top: 17mm, bottom: 20mm), footer: [
  #set text(7.2pt, fill: soft)
  #block(width: 100%, stroke: (top: .4pt + rule), inset: (top: 1.6mm))[
    #set par(leading: .5em)
    #d.caution #h(1fr) page #context counter(page).display("1 of 1", both: true)#linebreak()
    #d.foot]
])
#set text(9.2pt)
#show heading.where(level: 1): it => block(above: 9mm, below: 4mm, sticky: true, width: 100%,
  stroke: (bottom: .8pt + accent), inset: (bottom: 1.6mm), text(15pt, fill: accent, it.body))
#show heading.where(level: 2): it => block(above: 6mm, below: 2.6mm, sticky: true, text(11.5pt, it.body))
#show heading.where(level: 3): it => block(above: 5mm, below: 2.2mm, sticky: true, text(10pt, it.body))
#show outline.entry.where(level: 1): set block(above: 2.4mm)
#show outline.entry.where(level: 1): set text(weight: "bold")
#let show-block(b) = {
  if b.kind == "paragraph" { block(above: 2.6mm, below: 2.6mm, told(b)) }
  else if b.kind == "items" {
    for (i, p) in b.items.enumerate() {
      block(above: 2.2mm, below: 2.2mm, inset: (left: 3.4mm), stroke: (left: .5pt + rule), told(p))
    }
  }
  else if b.kind == "table" { sheet(b) }
  else if b.kind == "note" { note(b) }
  else if b.kind == "pictures" { small-pictures(b.pictures) }
  else if b.across { page(flipped: true, drawn(b)) }
  else { drawn(b) }
}
#v(6mm)
#show title: set text(24pt, fill: accent)
#block(below: 4mm, title())
#block(below: 7mm, text(15pt, d.subtitle))
#grid(columns: (32mm, 1fr), row-gutter: 2.4mm,
  ..d.facts.map(((label, words)) => (text(fill: soft, label), words)).flatten())
#v(5mm)
#note((head: "What this is", lines: d.preface, urgent: false))
#v(3mm)
#block(sticky: true, text(11.5pt, weight: "bold")[Contents])
#columns(2, gutter: 8mm)[
  #set text(8.6pt)
  #outline(title: none, depth: 2, indent: 4mm)
]
#pagebreak()
#for part in d.parts [
  #if part.fresh { pagebreak(weak: true) }
  #heading(level: part.level, outlined: part.outlined, bookmarked: true, part.title)
  #for b in part.blocks { show-block(b) }
]
"""
LETTER = """
#set page(paper: "a4", margin: (x: 20mm, top: 17mm, bottom: 19mm), footer: [
  #set text(8pt, fill: soft)
  #block(width: 100%, stroke: (top: .4pt + rule), inset: (top: 1.6mm))[
    #d.foot #h(1fr) page #context counter(page).display("1 of 1", both: true)]
])
#set text(11pt)
#set par(leading: .6em, spacing: .85em)
#show heading.where(level: 1): it => block(above: 5.4mm, below: 2.4mm, sticky: true,
  text(13pt, fill: accent, it.body))
#let said(p) = { if p.lead != "" [*#p.lead.* ]; p.said }
#let show-block(b) = {
  if b.kind == "paragraph" { par(said(b)) }
  else if b.kind == "items" {
    if b.numbered { enum(spacing: 2mm, ..b.items.map(said)) }
    else { list(spacing: 2mm, marker: [–], ..b.items.map(said)) }
  }
  else if b.kind == "note" { note(b) }
  else if b.kind == "table" { sheet(b, size: 10pt) }
  else if b.kind == "beside" {
    grid(columns: (1fr, 74mm), column-gutter: 6mm,
      for own in b.blocks { show-block(own) },
      [#figure(image(b.figure.file, alt: b.figure.alt, width: 100%), numbering: none)
       #text(8.5pt, fill: soft, b.figure.caption)])
  }
  else { drawn(b) }
}
#show title: set text(17pt, fill: accent)
#block(below: 2.4mm, title())
#block(below: 3.5mm, d.subtitle)
#grid(columns: (auto, 1fr), column-gutter: 4mm, row-gutter: 1.6mm,
  ..d.facts.map(((label, words)) => (text(fill: soft, label), words)).flatten())
#for part in d.parts [
  #heading(level: 1, part.title)
  #for b in part.blocks { show-block(b) }
]
"""
WHAT_IT_IS = (
    "Working papers of a survey: what was seen, read, levelled and tested, what follows from it by named"
    " rules, and what is not known."
)
WHAT_IT_IS_NOT = "It certifies nothing and gives no structural, electrical, medical or legal advice."
PREFACE = (WHAT_IT_IS, WHAT_IT_IS_NOT)
FRESH = ("place", "strips", "readings", "photographs", "records")
QUIET = ("records-", "if-", "causes-at-", "falls-", "work-")
"""Sections too many to stand in the contents; they are bookmarks all the same."""
LETTERS_ACROSS, WHOLE_LINES, FIRM_LINES = 105, 24, 30
"""Letters that surely stand in one line of a table; lines up to which a table, and a row, is never cut."""
PAGE_WIDE_MM, PAGE_TALL_MM = 178.0, 238.0
ACROSS_WIDE_MM, ACROSS_TALL_MM = 265.0, 158.0


def report_pdf(document: Document) -> bytes:
    """Return a report, or a letter, as PDF/UA-1 (and PDF/A-2a where it is dated).

    Whatever a person wrote reaches the page as data. The same document gives the same bytes.
    """
    places = places_of(document)
    files: dict[str, str | bytes] = {}
    names: dict[str, str] = {}
    for k, figure in enumerate(figures_of(document), start=1):
        name = f"figure-{k}.svg" if figure.svg else f"figure-{k}.{_picture_kind(figure.picture)}"
        files[name] = for_print(figure.svg) if figure.svg else figure.picture
        names[figure.name] = name
    dated = day_words(document.dated.isoformat()) if document.dated is not None else ""
    foot = " · ".join(
        filter(None, (document.foot, f"as of {dated}" if dated else "not dated", document.tool))
    )
    content = {
        "subtitle": document.subtitle,
        "facts": [list(pair) for pair in document.facts],
        "preface": list(PREFACE),
        "foot": foot,
        "caution": document.caution,
        "parts": list(_flat(document.parts, names, places, level=1)),
    }
    template = COMMON + (LETTER if document.key == "letter" else REPORT)
    return typeset(
        template, content, title=document.title, dated=document.dated, drawings=files, accessible=True
    )


def _picture_kind(raw: bytes) -> str:
    return "png" if raw.startswith(b"\x89PNG") else "jpg"


def _flat(
    parts: Iterable[Part], names: dict[str, str], places: Places, *, level: int
) -> Iterable[dict[str, Any]]:
    for part in parts:
        yield {
            "title": part.title,
            "level": level,
            "fresh": part.key in FRESH,
            "outlined": not part.key.startswith(QUIET),
            "blocks": _blocks(part.blocks, names, places),
        }
        yield from _flat(part.parts, names, places, level=level + 1)


def _blocks(found: Sequence[Block], names: dict[str, str], places: Places) -> list[dict[str, Any]]:
    """Return blocks as data; small pictures that follow one another stand side by side."""
    made: list[dict[str, Any]] = []
    for block in found:
        told = _block(block, names, places)
        if isinstance(block, Figure) and block.picture:
            if made and made[-1]["kind"] == "pictures":
                made[-1]["pictures"].append(told)
            else:
                made.append({"kind": "pictures", "pictures": [told]})
        else:
            made.append(told)
    return made


def _block(block: Block, names: dict[str, str], places: Places) -> dict[str, Any]:
    if isinstance(block, Paragraph):
        return {"kind": "paragraph", **_told(block, places)}
    if isinstance(block, Items):
        items = [_told(one, places) for one in block.items]
        return {"kind": "items", "numbered": block.numbered, "items": items}
    if isinstance(block, Table):
        return _table(block, places)
    if isinstance(block, Note):
        return {"kind": "note", "head": block.head, "lines": list(block.lines), "urgent": block.urgent}
    if isinstance(block, Beside):
        figure = _figure(block.figure, names, places)
        return {"kind": "beside", "blocks": _blocks(block.blocks, names, places), "figure": figure}
    return _figure(block, names, places)


def _told(one: Paragraph, places: Places) -> dict[str, Any]:
    links = _links(one.rests_on, places)
    quiet = not one.rests_on and not one.rule and not one.signed
    nature = "" if quiet else nature_words(one, rests=bool(links))
    return {"said": one.said, "lead": one.lead, "nature": nature, "links": links}


def _links(names: tuple[str, ...], places: Places) -> list[dict[str, str]]:
    return [{"said": link.said, "to": link.to} for link in places.links(names)]


def _table(table: Table, places: Places) -> dict[str, Any]:
    quiet = not table.rule
    lines = _lines_of(table)
    return {
        "kind": "table",
        "caption": table.caption,
        "header": list(table.header),
        "widths": list(table.widths),
        "numbers": list(table.numbers),
        "rows": [[_cell(cell, places) for cell in row] for row in table.rows],
        "marks": [places.of[name] for name in table.anchors],
        "whole": sum(lines) <= WHOLE_LINES,
        "firm": max(lines, default=0) <= FIRM_LINES,
        "nature": "" if quiet else nature_words(table, rests=False),
    }


def _lines_of(table: Table) -> list[int]:
    """Return how many lines each row of a table takes, nearly; more rather than fewer."""
    wide = [LETTERS_ACROSS * width / sum(table.widths) for width in table.widths]
    return [
        max(math.ceil(_letters(cell) / room) for cell, room in zip(row, wide, strict=True))
        for row in table.rows
    ]


def _letters(cell: Cell) -> int:
    return len(cell) if isinstance(cell, str) else sum(len(name) + 2 for name in cell.names)


def _cell(cell: Cell, places: Places) -> Any:
    return _links(cell.names, places) if isinstance(cell, Ids) else cell


def _figure(figure: Figure, names: dict[str, str], places: Places) -> dict[str, Any]:
    share = figure.share
    if figure.svg:
        wide, tall = shape_of(figure.svg)
        room = ACROSS_TALL_MM / ACROSS_WIDE_MM if figure.across else PAGE_TALL_MM / PAGE_WIDE_MM
        share = min(share, room * wide / tall)
    return {
        "kind": "figure",
        "file": names[figure.name],
        "alt": figure.alt,
        "caption": figure.caption,
        "share": share,
        "across": figure.across,
        "links": _links(figure.rests_on, places),
    }
