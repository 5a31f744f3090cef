"""How often each word is true, drawn: a bar with its interval for every word of the ledger."""

from __future__ import annotations

import xml.etree.ElementTree as ET

from geo.scoring.table import Report

LEFT, WIDE, ROW, TOP = 190, 420, 26, 44
INK, PAPER, BAR, LINE = "#1c2733", "#ffffff", "#7fa3c4", "#1c2733"


def words_chart(report: Report) -> str:
    """Return an SVG: by word, the share of its claims that are true, with the 95 % interval."""
    height = TOP + ROW * len(report.words) + 40
    root = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg", "viewBox": f"0 0 {LEFT + WIDE + 150} {height}",
            "font-family": "sans-serif", "font-size": "12", "fill": INK, "role": "img",
        },
    )  # fmt: skip
    ET.SubElement(root, "title").text = "Share of claims that are true, by word"
    _box(root, 0, 0, LEFT + WIDE + 150, height, PAPER)
    _text(root, 12, 22, f"Share of claims that are true, by word ({report.houses} simulated houses)")
    for place, (word, one) in enumerate(report.words.items()):
        y = TOP + ROW * place
        _text(root, LEFT - 10, y + 14, word, anchor="end")
        if not one.of:
            _text(root, LEFT + 4, y + 14, "none")
            continue
        _box(root, LEFT, y + 3, WIDE * one.value, ROW - 10, BAR)
        low, high = LEFT + WIDE * one.low, LEFT + WIDE * one.high
        for x1, x2, y1, y2 in (
            (low, high, y + 11, y + 11), (low, low, y + 7, y + 15), (high, high, y + 7, y + 15)
        ):  # fmt: skip
            ET.SubElement(
                root, "line",
                {"x1": f"{x1:.1f}", "x2": f"{x2:.1f}", "y1": f"{y1:.1f}", "y2": f"{y2:.1f}", "stroke": LINE},
            )  # fmt: skip
        _text(root, LEFT + WIDE + 12, y + 14, f"{one.hits} of {one.of}")
    base = TOP + ROW * len(report.words) + 6
    for percent in (0, 25, 50, 75, 100):
        _text(root, LEFT + WIDE * percent / 100, base + 14, f"{percent} %", anchor="middle")
    return ET.tostring(root, encoding="unicode")


def _box(root: ET.Element, x: float, y: float, width: float, height: float, fill: str) -> None:
    ET.SubElement(
        root, "rect",
        {"x": f"{x:.1f}", "y": f"{y:.1f}", "width": f"{width:.1f}", "height": f"{height:.1f}", "fill": fill},
    )  # fmt: skip


def _text(root: ET.Element, x: float, y: float, content: str, *, anchor: str = "start") -> None:
    element = ET.SubElement(root, "text", {"x": f"{x:.1f}", "y": f"{y:.1f}", "text-anchor": anchor})
    element.text = content
