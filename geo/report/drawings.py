"""Drawings cut and set for a page: strips in windows, rings without their margins, letters that print."""

from __future__ import annotations

import io
import math
import re
from xml.etree import ElementTree as ET

from geo.draw.strip import LEGEND_PX, TOP
from geo.draw.strip_sheet import LEFT, RIGHT
from geo.draw.svg import NAMESPACE, Drawing, markup, number
from geo.draw.theme import (
    ACCENT,
    COURSE,
    EARTH,
    HATCH,
    INK,
    LETTERS,
    PANEL,
    SOFT_INK,
    SYMBOLS,
    WET_STEPS,
    ink_on,
)

PRINT_FONT = "Libertinus Serif"
PRINT_GROWS = 1.2
"""The letters of the page are so much narrower than those the drawings are made for."""
LABELS_FROM, LABELS_WIDE = 10.0, 242.0
BEFORE_PX = 14.0
LETTER_PX = 7.0
NUMBERS = re.compile(r"-?\d+(?:\.\d+)?")
Reach = dict[ET.Element, tuple[float, float] | None]
"""How far each element of a drawing reaches across."""
RING_BOX = (40.0, 62.0, 1060.0, 1086.0)


def strip_windows(svg: str, length_m: float, window_m: float) -> list[tuple[float, float, str]]:
    """Cut a developed strip into windows of about equal length, each with the names of its lanes.

    Parameters
    ----------
    svg
        As :func:`geo.draw.strip.draw_strip` gives it.
    window_m
        A window is no longer than this.

    Returns
    -------
    Chainage from, to, and the window as SVG.
    """
    root = _read(svg)
    width, height = _size(root)
    scale = (width - LEFT - RIGHT) / length_m
    count = max(1, math.ceil(length_m / window_m - 1e-9))
    top, tall = TOP - 6.0, height - LEGEND_PX - TOP + 6.0
    wide = BEFORE_PX + length_m / count * scale + RIGHT
    reach = {element: _span(element) for element in root.iter()}
    windows = []
    for k in range(count):
        start, end = length_m * k / count, length_m * (k + 1) / count
        left = LEFT + start * scale - BEFORE_PX
        sheet = _sheet(root, LABELS_WIDE + wide, tall)
        _view(sheet, root, reach, (0.0, LABELS_WIDE), (LABELS_FROM, top, LABELS_WIDE, tall), labels=True)
        _view(sheet, root, reach, (LABELS_WIDE, wide), (left, top, wide, tall), labels=False)
        windows.append((start, end, markup(sheet)))
    return windows


def ring_cut(svg: str) -> str:
    """Return a ring of falls without its heading and legend, which the page says in words."""
    root = _read(svg)
    left, top, wide, tall = RING_BOX
    root.set("viewBox", " ".join(number(value) for value in RING_BOX))
    root.set("width", number(wide))
    root.set("height", number(tall))
    for parent in root.iter():
        for child in list(parent):
            span = _span(child)
            if (
                child.tag.endswith("text")
                and span is not None
                and (span[0] >= left + wide - 1 or float(child.get("y", "0")) < top - 2)
            ):
                parent.remove(child)
    return markup(root)


def for_print(svg: str) -> str:
    """Return a drawing in the letters of the page, and without tips, which paper has not."""
    root = _read(svg)
    own = root.get("font-family") == PRINT_FONT
    root.set("font-family", PRINT_FONT)
    for parent in root.iter():
        for child in list(parent):
            if child.tag.endswith("title") and parent is not root:
                parent.remove(child)
    if not own:
        for element in root.iter():
            size = element.get("font-size")
            if size is not None:
                element.set("font-size", number(PRINT_GROWS * float(size)))
            if element.get("font-family") not in (None, PRINT_FONT):
                element.set("font-family", PRINT_FONT)
    return markup(root)


def for_screen(svg: str, key: str, alt: str) -> str:
    """Return a drawing to stand in a page among others: ids of its own, as wide as it is given room."""
    root = _read(svg)
    ids = {element.get("id") for element in root.iter() if element.get("id")}
    for element in root.iter():
        name = element.get("id")
        if name:
            element.set("id", f"{key}-{name}")
        for attribute, value in list(element.attrib.items()):
            if value.startswith("url(#") and value[5:-1] in ids:
                element.set(attribute, f"url(#{key}-{value[5:-1]})")
    root.attrib.pop("width", None)
    root.attrib.pop("height", None)
    root.set("role", "img")
    root.set("aria-label", alt)
    return markup(root)


def shape_of(svg: str) -> tuple[float, float]:
    """Return a drawing's width and height."""
    _, root = next(ET.iterparse(io.StringIO(svg), events=("start",)))  # noqa: S314 - our own drawing
    return _size(root)


def _read(svg: str) -> ET.Element:
    return ET.fromstring(svg)  # noqa: S314 - our own drawing, from an XML tree of ours


def _size(root: ET.Element) -> tuple[float, float]:
    _, _, wide, tall = (float(value) for value in root.get("viewBox", "0 0 1 1").split())
    return wide, tall


def _sheet(root: ET.Element, wide: float, tall: float) -> ET.Element:
    sheet = ET.Element(root.tag, {**root.attrib, "viewBox": f"0 0 {number(wide)} {number(tall)}"})
    sheet.set("width", number(wide))
    sheet.set("height", number(tall))
    for child in root:
        if child.tag.endswith(("title", "defs")):
            sheet.append(child)
    return sheet


def _view(
    sheet: ET.Element,
    root: ET.Element,
    reach: Reach,
    at: tuple[float, float],
    box: tuple[float, float, float, float],
    *,
    labels: bool,
) -> None:
    """Put what lies in a box of a drawing onto a sheet, at a place and width of it."""
    left, _, wide, tall = box
    view = ET.SubElement(
        sheet,
        f"{{{NAMESPACE}}}svg",
        {
            "x": number(at[0]),
            "y": "0",
            "width": number(at[1]),
            "height": number(tall),
            "viewBox": " ".join(number(value) for value in box),
            "overflow": "hidden",
        },
    )
    for child in root:
        if child.tag.endswith(("title", "defs")):
            continue
        kept = _kept(child, reach, left, left + wide, labels=labels)
        if kept is not None:
            view.append(kept)


def _kept(element: ET.Element, reach: Reach, low: float, high: float, *, labels: bool) -> ET.Element | None:
    """Return what reaches into a range across; names of lanes only where they are wanted."""
    if element.tag.endswith("}g"):
        inner = [
            kept for child in element if (kept := _kept(child, reach, low, high, labels=labels)) is not None
        ]
        if not inner:
            return None
        group = ET.Element(element.tag, element.attrib)
        group.extend(inner)
        return group
    span = reach[element]
    if span is None:
        return element
    if element.tag.endswith("text"):
        name = float(element.get("x", "0")) < LEFT
        repeated = element.get("font-size") == "9" and (element.text or "").startswith(
            ("inside: ", "outside: ")
        )
        if name != labels or repeated:
            return None
    elif labels:
        return None
    return element if span[1] >= low and span[0] <= high else None


def _span(element: ET.Element) -> tuple[float, float] | None:
    """Return how far an element reaches across; ``None`` where it cannot be told."""
    tag = element.tag.rsplit("}", 1)[-1]
    told = element.attrib
    if tag == "rect":
        x = float(told.get("x", "0"))
        return x, x + float(told.get("width", "0"))
    if tag == "line":
        ends = sorted((float(told["x1"]), float(told["x2"])))
        return ends[0], ends[1]
    if tag == "circle":
        x, r = float(told["cx"]), float(told["r"])
        return x - r, x + r
    if tag == "path":
        across = [float(value) for value in NUMBERS.findall(told.get("d", ""))][::2]
        return (min(across), max(across)) if across else None
    if tag == "text":
        x, reach = float(told.get("x", "0")), LETTER_PX * len(element.text or "")
        back, on = {"middle": (0.5, 0.5), "end": (1.0, 0.0)}.get(told.get("text-anchor", ""), (0.0, 1.0))
        return x - back * reach, x + on * reach
    return None


KEY_WIDE, KEY_ROW = 800.0, 22.0
KEY_SIGNS = (
    ("wet", "called wet"),
    ("dry", "dry or not known"),
    ("control", "dry reference"),
    ("off", "off the scale: at least"),
    ("stretch", "wet stretch"),
    ("unread", "wall nobody read"),
    ("opening", "opening (dashed: no level)"),
    ("course", "damp proof course, seen"),
    ("inferred", "… inferred"),
    ("unseen", "… not seen"),
    ("none", "… none there"),
    ("ground", "ground at the wall ± 2 σ"),
)


def strip_key() -> str:
    """Return the key of the developed strip as a drawing of its own."""
    drawing = Drawing(KEY_WIDE, 10, title="Key of the developed strip")
    drawing.root.set("font-family", PRINT_FONT)
    drawing.root.set("font-size", "13")
    drawing.paper.set("fill", "#ffffff")
    drawing.group()
    x, y = 6.0, 8.0
    for colour, word in zip(
        WET_STEPS, ("no excess", "to 2 σ", "to 3 σ", "to 6 σ", "to 12 σ", "over 12 σ"), strict=True
    ):
        drawing.rect(x, y, 66, 18, fill=colour, stroke=SOFT_INK, stroke_width=0.6)
        drawing.words(x + 33, y + 13, word, font_size=12, text_anchor="middle", fill=ink_on(colour))
        x += 67
    drawing.words(x + 10, y + 13, "excess over this house's own dry readings;", font_size=12.5)
    drawing.words(
        x + 10,
        y + 13 + KEY_ROW * 0.8,
        "with rounded cells, rank within the lane (too few dry readings)",
        font_size=12.5,
    )
    y += 2 * KEY_ROW + 2
    hatch = drawing.hatch("unread", HATCH)
    signs = [*KEY_SIGNS, *((kind, kind) for kind in LETTERS)]
    for i, (sign, said) in enumerate(signs):
        cx, cy = 6 + (i % 4) * KEY_WIDE / 4, y + (i // 4) * KEY_ROW
        _key_sign(drawing, sign, cx, cy, hatch)
        drawing.words(cx + 42, cy + 11, said, font_size=12.5)
    drawing.resize(y + math.ceil(len(signs) / 4) * KEY_ROW + 4)
    return drawing.text()


def _key_sign(drawing: Drawing, sign: str, x: float, y: float, hatch: str) -> None:
    edge = {"wet": (INK, 1.9, None), "dry": (SOFT_INK, 0.8, None), "control": (SOFT_INK, 0.8, "2 2")}
    course = {"course": None, "inferred": "8 3", "unseen": "2 4"}
    if sign in edge:
        stroke, weight, dash = edge[sign]
        drawing.rect(
            x, y, 30, 14, fill=PANEL, stroke=stroke, stroke_width=weight, stroke_dasharray=dash, rx=2
        )
    elif sign == "off":
        drawing.path(
            [(x + 10, y + 12), (x + 16, y + 2), (x + 22, y + 12)], closed=True, fill=INK, stroke="none"
        )
    elif sign == "stretch":
        drawing.path(
            [(x, y + 3), (x, y + 9), (x + 32, y + 9), (x + 32, y + 3)], stroke=WET_STEPS[4], stroke_width=4
        )
    elif sign == "unread":
        drawing.rect(x, y, 32, 14, fill=hatch, stroke=HATCH)
    elif sign == "opening":
        drawing.rect(x, y, 30, 14, fill="none", stroke=ACCENT, stroke_width=1.2)
    elif sign in course:
        drawing.line(x, y + 7, x + 34, y + 7, stroke=COURSE, stroke_width=2.8, stroke_dasharray=course[sign])
    elif sign == "none":
        for k in (0, 14):
            drawing.path([(x + k, y + 4), (x + k + 6, y + 10)], stroke=COURSE)
            drawing.path([(x + k, y + 10), (x + k + 6, y + 4)], stroke=COURSE)
    elif sign == "ground":
        drawing.rect(x, y + 3, 34, 8, fill=EARTH, fill_opacity=0.28)
        drawing.line(x, y + 7, x + 34, y + 7, stroke=EARTH, stroke_width=2.6)
    else:
        drawing.symbol(SYMBOLS[sign], x + 16, y + 7, 13)
