"""One wall unrolled in a band: its wet stretches, what is explained, and what each cause would wet."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from geo.draw.scene import Scene
from geo.draw.svg import Drawing, shortened, spread
from geo.draw.theme import (
    ACCENT,
    BRICK_LIGHT,
    FAINT,
    HATCH,
    INK,
    LETTERS,
    NEIGHBOUR,
    PANEL,
    PAPER,
    RULE,
    SOFT_INK,
    SYMBOLS,
    WET_STEPS,
)
from geo.evidence.coverage import Range, laid
from geo.evidence.ledger import Ledger, StretchLedger
from geo.evidence.support import Support
from geo.weights import MIMIC

WIDTH, LEFT, RIGHT = 1180.0, 190.0, 16.0
BAR_PX, ROW_PX, WALL_PX, AXIS_PX = 13.0, 19.0, 16.0, 26.0
MOST_CAUSES = 6
MOST_LETTERS = 27


class _Band:
    """A ring laid straight across the sheet."""

    def __init__(self, scene: Scene, ledger: Ledger, chosen: StretchLedger) -> None:
        self.scene, self.ledger, self.chosen = scene, ledger, chosen
        self.ring_m = float(scene.perimeter.rings.loc[chosen.ring_key, "length_m"])
        title = f"Causes of {chosen.stretch_id} on {scene.place(chosen.ring_key)} of {scene.site_name}"
        self.drawing = Drawing(WIDTH, 400, title=title)
        self.hatch = self.drawing.hatch("unread", HATCH, gap=5)
        self.open = self.drawing.hatch("open", INK, gap=5)

    def x(self, at_m: float) -> float:
        """Return a chainage's place across the sheet, px."""
        return LEFT + at_m / self.ring_m * (WIDTH - LEFT - RIGHT)

    def parts(self, parts: Sequence[Range]) -> Iterator[tuple[float, float]]:
        """Yield lengths as left and right edge, px; two where one runs through the origin corner."""
        for part in parts:
            for a, b in laid(part.from_m, part.to_m, self.ring_m):
                yield self.x(a), self.x(b)


def draw_ledger(scene: Scene, ledger: Ledger, stretch_id: str) -> str:
    """Return the band of the wall a stretch lies on, as SVG.

    From the top: the drains and pipes at the wall, the wall with its faces and chainage, wet stretches of
    the same side, what of the chosen one is explained and what is not, and what each cause would wet.
    Wall nobody read is hatched; what only reads wet is drawn as an outline.
    """
    band = _Band(scene, ledger, ledger[stretch_id])
    y = _assets(band, 20.0)
    y = _wall(band, y)
    y = _stretches(band, y + 8)
    y = _coverage(band, y + 6)
    y = _causes(band, y + 6)
    _caption(band, y + 16)
    band.drawing.resize(y + 42)
    return band.drawing.text()


def _assets(band: _Band, y: float) -> float:
    """Draw the drains and pipes at the wall, their names kept apart."""
    drawing = band.drawing
    drawing.group()
    assets = band.scene.assets
    own = assets[(assets["ring_key"] == band.chosen.ring_key) & assets["chainage_m"].notna()]
    own = own[own["kind"].isin(LETTERS)].sort_values("chainage_m")
    named = {each.candidate.of_id for each in band.chosen.supports if each.key in band.chosen.accepted}
    drawing.words(14, y + 4, "drains and pipes", font_size=11, fill=SOFT_INK)
    if own.empty:
        drawing.words(LEFT, y + 4, "none placed on this wall", font_size=11, fill=SOFT_INK)
        return y + 18
    places = [band.x(float(at)) for at in own["chainage_m"]]
    labels = spread(places, least=34, low=LEFT + 8, high=WIDTH - RIGHT - 8)
    for row, at, label in zip(own.itertuples(), places, labels, strict=True):
        name, strong = str(row.asset_id), str(row.asset_id) in named
        tip = f"{row.label}: {row.state}"
        drawing.words(
            label, y, shortened(name, 7), font_size=10.5, text_anchor="middle", tip=tip,
            font_weight=700 if strong else 400, fill=INK if strong else SOFT_INK,
        )  # fmt: skip
        drawing.line(label, y + 4, at, y + 11, stroke=RULE)
        drawing.symbol(
            SYMBOLS[str(row.kind)], at, y + 18, 12, tip=tip, stroke=ACCENT if strong else SOFT_INK,
            stroke_width=2 if strong else 1.2,
        )  # fmt: skip
    return y + 28


def _wall(band: _Band, y: float) -> float:
    """Draw the wall with its faces, and the chainage under it."""
    drawing, faces = band.drawing, band.scene.perimeter.faces
    drawing.group()
    drawing.words(14, y + 12, "wall, faces", font_size=11, fill=SOFT_INK)
    for face in faces[faces["ring_key"] == band.chosen.ring_key].itertuples():
        a, b = band.x(float(face.chainage_from_m)), band.x(float(face.chainage_to_m))
        exposure = str(face.exposure).replace("_", " ")
        tip = f"{face.face}: {face.length_m:.2f} m, {exposure}"
        drawing.rect(
            a, y, b - a, WALL_PX, fill=BRICK_LIGHT if face.outside else NEIGHBOUR, stroke=RULE, tip=tip
        )
        if b - a > 26:
            said = str(face.face) if face.outside or b - a < 70 else f"{face.face} party"
            drawing.words((a + b) / 2, y + 12, said, font_size=10.5, text_anchor="middle", tip=tip)
    y += WALL_PX
    step = next(each for each in (1, 2, 5, 10, 20, 50) if band.ring_m / each <= 26)
    drawing.words(14, y + 16, "chainage, m, clockwise", font_size=11, fill=SOFT_INK)
    for k in range(0, math.floor(band.ring_m) + 1, step):
        drawing.line(band.x(k), y, band.x(k), y + 5, stroke=SOFT_INK)
        drawing.words(band.x(k), y + 16, f"{k}", font_size=10, text_anchor="middle", fill=SOFT_INK)
    return y + AXIS_PX - 4


def _stretches(band: _Band, y: float) -> float:
    """Draw the wet stretches of the chosen side, one lane a method, the chosen one strong; unread hatched."""
    drawing, chosen = band.drawing, band.chosen
    drawing.group()
    own = [
        each for each in band.ledger.stretches if (each.ring_key, each.side) == (chosen.ring_key, chosen.side)
    ]
    for group in dict.fromkeys(each.group for each in own):
        method, material, *_ = group.split("|")
        said = f"{method}, {material}".replace("_", " ")
        drawing.words(14, y + 11, shortened(said, MOST_LETTERS), font_size=11, fill=SOFT_INK, tip=said)
        drawing.rect(LEFT, y, WIDTH - LEFT - RIGHT, BAR_PX, fill=PANEL)
        for each in own:
            if each.group != group:
                continue
            it_is = each.stretch_id == chosen.stretch_id
            tip = f"{each.stretch_id}: {each.length_m:.1f} m wet"
            tip += f", {each.coverage.unexplained_m:.1f} m not explained"
            part = Range(from_m=each.from_m, to_m=each.to_m, length_m=each.length_m)
            for a, b in band.parts([part]):
                drawing.rect(
                    a, y, b - a, BAR_PX, fill=WET_STEPS[4 if it_is else 2], tip=tip,
                    stroke=INK if it_is else "none", stroke_width=1.2,
                )  # fmt: skip
                if b - a > 24:
                    drawing.words(
                        (a + b) / 2, y + 10.5, each.stretch_id, font_size=10, text_anchor="middle",
                        fill=PAPER if it_is else INK, font_weight=700 if it_is else 400, tip=tip,
                    )  # fmt: skip
        y += ROW_PX
    drawing.words(14, y + 11, f"not read, {chosen.side}", font_size=11, fill=SOFT_INK)
    drawing.rect(LEFT, y + 3, WIDTH - LEFT - RIGHT, BAR_PX - 6, fill=PANEL)
    unread = band.scene.unread
    unread = unread[(unread["ring_key"] == chosen.ring_key) & (unread["side"] == chosen.side)]
    for row in unread.itertuples():
        a, b = band.x(float(row.chainage_from_m)), band.x(float(row.chainage_to_m))
        drawing.rect(
            a, y + 3, b - a, BAR_PX - 6, fill=band.hatch, stroke=HATCH, tip=f"not read: {row.reason}"
        )
    return y + ROW_PX


def _coverage(band: _Band, y: float) -> float:
    """Draw what of the chosen stretch is explained, what is not, and what should be wet and was read dry."""
    drawing, found = band.drawing, band.chosen.coverage
    drawing.group()
    drawing.line(14, y - 4, WIDTH - RIGHT, y - 4, stroke=FAINT)
    said = f"{band.chosen.stretch_id} explained, m"
    drawing.words(14, y + 11, said, font_size=11, font_weight=700)
    drawing.rect(LEFT, y, WIDTH - LEFT - RIGHT, BAR_PX, fill=PANEL)
    for parts, fill, stroke, word in (
        (found.explained, WET_STEPS[3], "none", "explained"),
        (found.unexplained, band.open, INK, "not explained"),
        (found.predicted_dry, PAPER, SOFT_INK, "should be wet, read dry"),
    ):
        for part in parts:
            for a, b in band.parts([part]):
                tip = f"{word}: {part.said}, {part.length_m:.1f} m"
                dash = "3 2" if word.startswith("should") else None
                drawing.rect(a, y, b - a, BAR_PX, fill=fill, stroke=stroke, stroke_dasharray=dash, tip=tip)
    return y + ROW_PX


def _causes(band: _Band, y: float) -> float:
    """Draw what each cause would wet, the accepted ones full, the others an outline."""
    drawing, chosen = band.drawing, band.chosen
    drawing.group()
    own = [each for each in chosen.supports if each.key in chosen.reaches]
    shown = [each for each in own if each.key in chosen.accepted]
    shown += [each for each in own if each.points > 0 and each not in shown]
    for each in shown[:MOST_CAUSES]:
        y = _cause(band, each, y)
    if not shown:
        said = "what any cause would wet is not known"
        drawing.words(LEFT, y + 11, said, font_size=11, fill=SOFT_INK)
        y += ROW_PX
    return y


def _cause(band: _Band, each: Support, y: float) -> float:
    drawing, accepted = band.drawing, each.key in band.chosen.accepted
    tip = f"{each.name}: {each.word}"
    drawing.words(
        14, y + 11, shortened(each.short, MOST_LETTERS), font_size=11, tip=tip,
        font_weight=700 if accepted else 400, fill=INK if accepted else SOFT_INK,
    )  # fmt: skip
    for a, b in band.parts(band.chosen.reaches[each.key]):
        full = accepted and each.kind != MIMIC
        drawing.rect(
            a, y + 2, b - a, BAR_PX - 4, fill=ACCENT if full else PAPER, fill_opacity=0.85,
            stroke=ACCENT if accepted else SOFT_INK, stroke_dasharray=None if accepted else "4 3",
            tip=f"{each.short} would wet this",
        )  # fmt: skip
    return y + ROW_PX


def _caption(band: _Band, y: float) -> None:
    """Write the scale, what the marks mean, and what the drawing is of."""
    drawing = band.drawing
    drawing.group()
    metre = (WIDTH - LEFT - RIGHT) / band.ring_m
    bar = next(each for each in (1.0, 2.0, 5.0, 10.0, 20.0) if each * metre > 40)
    drawing.line(14, y - 3, 14 + bar * metre, y - 3, stroke_width=3)
    drawing.words(20 + bar * metre, y, f"{bar:g} m", font_size=10.5, fill=SOFT_INK)
    x = LEFT
    for fill, stroke, dash, said in (
        (ACCENT, ACCENT, None, "accepted: would wet this"),
        (PAPER, SOFT_INK, "4 3", "not accepted"),
        (WET_STEPS[3], "none", None, "explained"),
        (band.open, INK, None, "not explained"),
        (PAPER, SOFT_INK, "3 2", "should be wet, read dry"),
        (band.hatch, HATCH, None, "not read"),
    ):
        drawing.rect(x, y - 9, 18, 9, fill=fill, stroke=stroke, stroke_dasharray=dash)
        drawing.words(x + 23, y - 1, said, font_size=10, fill=SOFT_INK)
        x += 42 + 5.9 * len(said)
    caption = band.scene.caption()
    drawing.words(LEFT, y + 17, shortened(caption, 130), font_size=10, fill=SOFT_INK, tip=caption)
