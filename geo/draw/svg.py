"""A small SVG builder on the standard library's XML tree: text can only ever be text."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Sequence
from typing import Any
from xml.etree import ElementTree as ET

import vl_convert

from geo.draw.theme import FONT, INK, PAPER

NAMESPACE = "http://www.w3.org/2000/svg"
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")
UNSAFE = re.compile(r"""[&<>"\r\n\t]""")
Point = tuple[float, float]


class Drawing:
    """An SVG of a given size, in pixels."""

    def __init__(self, width: float, height: float, *, title: str) -> None:
        self.width, self.height = width, height
        self.key = hashlib.sha256(title.encode("utf-8", "replace")).hexdigest()[:8]
        self.root = ET.Element(
            "svg",
            {
                "xmlns": NAMESPACE,
                "viewBox": f"0 0 {number(width)} {number(height)}",
                "width": number(width),
                "height": number(height),
                "font-family": FONT,
                "font-size": "12",
                "fill": INK,
                "role": "img",
            },
        )
        ET.SubElement(self.root, "title").text = plain(title)
        self.defs = ET.SubElement(self.root, "defs")
        self.here = self.root
        self.paper = self.add("rect", {"width": width, "height": height, "fill": PAPER})

    def resize(self, height: float) -> None:
        """Give the drawing its height, once it is known."""
        self.height = height
        self.root.set("viewBox", f"0 0 {number(self.width)} {number(height)}")
        self.root.set("height", number(height))
        self.paper.set("height", number(height))

    def add(self, tag: str, attributes: dict[str, Any], *, tip: str = "", content: str = "") -> ET.Element:
        """Add an element; ``tip`` becomes its tooltip."""
        named = {
            key.rstrip("_").replace("_", "-"): text(value)
            for key, value in attributes.items()
            if value is not None
        }
        element = ET.SubElement(self.here, tag, named)
        if content:
            element.text = plain(content)
        if tip:
            ET.SubElement(element, "title").text = plain(tip)
        return element

    def group(self, **attributes: Any) -> ET.Element:
        """Open a group under the root; what follows goes into it."""
        self.here = self.root
        self.here = self.add("g", attributes)
        return self.here

    def rect(
        self, x: float, y: float, width: float, height: float, *, tip: str = "", **attributes: Any
    ) -> None:
        """Add a rectangle."""
        size = {"x": x, "y": y, "width": max(0.0, width), "height": max(0.0, height)}
        self.add("rect", {**size, **attributes}, tip=tip)

    def line(self, x1: float, y1: float, x2: float, y2: float, *, tip: str = "", **attributes: Any) -> None:
        """Add a straight line."""
        self.add("line", {"x1": x1, "y1": y1, "x2": x2, "y2": y2, "stroke": INK, **attributes}, tip=tip)

    def path(
        self, points: Sequence[Point], *, closed: bool = False, tip: str = "", **attributes: Any
    ) -> None:
        """Add a path through points."""
        if len(points) < 2:
            return
        steps = " L".join(f"{number(x)} {number(y)}" for x, y in points)
        given = {"d": f"M{steps}{' Z' if closed else ''}", "fill": "none", "stroke": INK, **attributes}
        self.add("path", given, tip=tip)

    def circle(self, x: float, y: float, r: float, *, tip: str = "", **attributes: Any) -> None:
        """Add a circle."""
        self.add("circle", {"cx": x, "cy": y, "r": r, **attributes}, tip=tip)

    def words(self, x: float, y: float, content: str, *, tip: str = "", **attributes: Any) -> None:
        """Add a line of text."""
        self.add("text", {"x": x, "y": y, **attributes}, content=content, tip=tip)

    def clip(self, name: str, x: float, y: float, width: float, height: float) -> str:
        """Define a window and return the clip that shows only what lies in it."""
        made = ET.SubElement(self.defs, "clipPath", {"id": f"{name}-{self.key}"})
        box = {"x": number(x), "y": number(y), "width": number(width), "height": number(height)}
        ET.SubElement(made, "rect", box)
        return f"url(#{name}-{self.key})"

    def hatch(self, name: str, colour: str, *, gap: float = 6.0) -> str:
        """Define a hatch and return the fill that uses it."""
        made = ET.SubElement(
            self.defs,
            "pattern",
            {
                "id": f"{name}-{self.key}",
                "width": number(gap),
                "height": number(gap),
                "patternUnits": "userSpaceOnUse",
                "patternTransform": "rotate(45)",
            },
        )
        ET.SubElement(made, "line", {"x1": "0", "y1": "0", "x2": "0", "y2": number(gap), "stroke": colour})
        return f"url(#{name}-{self.key})"

    def symbol(self, kind: str, x: float, y: float, size: float, *, tip: str = "", **attributes: Any) -> None:
        """Add an asset's symbol, centred."""
        half = size / 2
        given = {"stroke": INK, "stroke_width": 1.2, "fill": PAPER, **attributes}
        if kind == "square":
            self.rect(x - half, y - half, size, size, tip=tip, **given)
            self.line(x - half, y - half, x + half, y + half, stroke=given["stroke"])
        elif kind == "diamond":
            corners = [(x, y - half), (x + half, y), (x, y + half), (x - half, y)]
            self.path(corners, closed=True, tip=tip, **given)
        elif kind == "box":
            self.rect(x - half, y - half, size, size, tip=tip, **given)
            self.rect(x - half / 2, y - half / 2, half, half, fill="none", stroke=given["stroke"])
        else:
            self.circle(x, y, half, tip=tip, **given)
            self.circle(x, y, half / 3, fill=given["stroke"])

    def text(self) -> str:
        """Return the drawing as SVG; the same data give the same bytes."""
        return markup(self.root)


def markup(root: ET.Element) -> str:
    """Return a tree of ours as text: what :func:`xml.etree.ElementTree.tostring` gives, in less time.

    All of it lies in one namespace at most, which the root then names; nothing has text after its end.
    """
    made: list[str] = []
    _mark(root, made, f' xmlns="{NAMESPACE}"' if root.tag.startswith("{") else "")
    return "".join(made)


def _mark(element: ET.Element, made: list[str], space: str = "") -> None:
    tag = element.tag
    if tag[0] == "{":
        tag = tag.rpartition("}")[2]
    made.append(f"<{tag}{space}")
    for name, value in element.items():
        made.append(f' {name}="{_quoted(value) if UNSAFE.search(value) else value}"')
    content = element.text
    if not content and not len(element):
        made.append(" />")
        return
    made.append(">")
    if content:
        made.append(_escaped(content))
    for child in element:
        _mark(child, made)
    made.append(f"</{tag}>")


def _quoted(value: str) -> str:
    said = _escaped(value).replace('"', "&quot;")
    return said.replace("\r", "&#13;").replace("\n", "&#10;").replace("\t", "&#09;")


def _escaped(content: str) -> str:
    return content.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def plain(content: str) -> str:
    """Return text without the characters XML cannot hold."""
    return CONTROL.sub("\ufffd", str(content))


def shortened(content: str, most: int) -> str:
    """Return text cut to a number of letters, an ellipsis where it was cut."""
    return content if len(content) <= most else content[: most - 1].rstrip() + "…"


def wrapped(content: str, most: int) -> list[str]:
    """Return text broken between words into lines of at most a number of letters."""
    lines = [""]
    for word in content.split():
        if lines[-1] and len(lines[-1]) + len(word) + 1 > most:
            lines.append("")
        lines[-1] = shortened(f"{lines[-1]} {word}".strip(), most)
    return lines


def number(value: float) -> str:
    """Return a coordinate to a hundredth of a pixel."""
    return f"{value:.2f}".rstrip("0").rstrip(".") if value == value else "0"  # noqa: PLR0124 - NaN


def text(value: Any) -> str:
    """Return an attribute's value."""
    return number(value) if isinstance(value, float) else plain(str(value))


def to_png(svg: str, *, scale: float = 2.0) -> bytes:
    """Return an SVG as PNG.

    The installed fonts are used; where there are none, the converter's own sans-serif, which is narrower.
    """
    made: bytes = vl_convert.svg_to_png(svg, scale=scale)
    return made


def spread(places: Iterable[float], *, least: float, low: float, high: float) -> list[float]:
    """Move labels along a line so that they keep a least distance, in order, within bounds."""
    wanted = list(places)
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    found = [wanted[i] for i in order]
    for _ in range(60):
        moved = False
        for i in range(len(found) - 1):
            gap = found[i + 1] - found[i]
            if gap < least - 1e-6:
                push = (least - gap) / 2
                found[i], found[i + 1] = found[i] - push, found[i + 1] + push
                moved = True
        found = [min(max(place, low), high) for place in found]
        if not moved:
            break
    result = [0.0] * len(wanted)
    for place, i in zip(found, order, strict=True):
        result[i] = place
    return result
