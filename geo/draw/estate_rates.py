"""Rates by group with their ranges, on one scale: what was counted, and how far that can be trusted."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geo.draw.svg import Drawing, shortened
from geo.draw.theme import ACCENT, FAINT, INK, PAPER, SOFT_INK

WIDE, LEFT, RIGHT, TOP, ROW = 1080.0, 290.0, 200.0, 54.0, 34.0
GAPS = (0.02, 0.05, 0.1, 0.2, 0.25)
MOST_TICKS = 6
LONGEST = 38


def draw_rates(groups: pd.DataFrame, names: list[str], *, rate: float, title: str) -> str:
    """Draw each group's rate among inspected, the rate drawn towards the portfolio's, and its range.

    Parameters
    ----------
    groups
        Columns ``names`` (what makes a group), ``inspected``, ``failed``, ``rate``, ``shrunk``,
        ``shrunk_low``, ``shrunk_high``, the last four as shares of 1.
    rate
        The whole portfolio's, drawn as a line.

    Returns
    -------
    SVG.
    """
    page = Drawing(WIDE, TOP + ROW * len(groups) + 46, title=title)
    most = float(max(groups["shrunk_high"].max(), groups["rate"].max(), rate))
    gap = next((one for one in GAPS if most / one <= MOST_TICKS), GAPS[-1])
    end = min(1.0, float(np.ceil(most / gap - 1e-9)) * gap)
    across = (WIDE - LEFT - RIGHT) / end
    bottom = TOP + ROW * len(groups)
    for tick in np.arange(0.0, end + gap / 2, gap):
        x = LEFT + tick * across
        page.line(x, TOP - 8, x, bottom, stroke=FAINT)
        page.words(x, TOP - 14, f"{100 * tick:.0f} %", text_anchor="middle", fill=SOFT_INK)
    page.words(WIDE - RIGHT + 16, TOP - 32, "failed of inspected", fill=SOFT_INK)
    middle = LEFT + rate * across
    page.line(middle, TOP - 8, middle, bottom, stroke=SOFT_INK, stroke_dasharray="5 4", stroke_width=1.5)
    for at, row in enumerate(groups.to_dict("records")):
        y = TOP + ROW * (at + 0.5)
        name = ", ".join(str(row[one]) for one in names)
        page.words(
            LEFT - 16, y + 4.5, shortened(name, LONGEST), tip=name, text_anchor="end", font_size=13, fill=INK
        )
        low, high, shrunk = (LEFT + row[one] * across for one in ("shrunk_low", "shrunk_high", "shrunk"))
        said = f"{name}: {row['failed']} failed of {row['inspected']} inspected"
        page.line(low, y, high, y, stroke=ACCENT, stroke_width=2, tip=said)
        for edge in (low, high):
            page.line(edge, y - 5, edge, y + 5, stroke=ACCENT, stroke_width=2)
        page.circle(LEFT + row["rate"] * across, y, 5.5, fill=PAPER, stroke=INK, stroke_width=1.5, tip=said)
        page.circle(shrunk, y, 5.5, fill=ACCENT, tip=said)
        told = f"{row['failed']} of {row['inspected']}  ({100 * row['rate']:.1f} %)"
        page.words(WIDE - RIGHT + 16, y + 4.5, told, font_size=13)
    y = bottom + 26
    page.circle(LEFT, y - 4, 5.5, fill=PAPER, stroke=INK, stroke_width=1.5)
    page.words(LEFT + 12, y, "as counted", fill=SOFT_INK)
    page.circle(LEFT + 110, y - 4, 5.5, fill=ACCENT)
    page.words(LEFT + 122, y, "drawn towards all homes, with the range that holds 95 %", fill=SOFT_INK)
    page.line(LEFT + 500, y - 4, LEFT + 530, y - 4, stroke=SOFT_INK, stroke_dasharray="5 4", stroke_width=1.5)
    page.words(LEFT + 538, y, f"all homes, {100 * rate:.1f} %", fill=SOFT_INK)
    return page.text()
