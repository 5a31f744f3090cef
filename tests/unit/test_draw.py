"""The developed strip and the ring: all of it drawn, nothing invented, and text never more than text."""

from __future__ import annotations

import colorsys
import io
import math
import re
from collections.abc import Callable
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from geo.draw.ring import CX, CY, FALLS, by_face, draw_ring, shown
from geo.draw.scene import Scene
from geo.draw.strip import draw_strip
from geo.draw.strip_lanes import lanes_of
from geo.draw.strip_sheet import LEFT, levels_of
from geo.draw.svg import Drawing, markup, shortened, spread, to_png, wrapped
from geo.draw.theme import COURSE, STREAMLIT_THEME, WET_STEPS, ink_on, wet_colour

SVG = "{http://www.w3.org/2000/svg}"
TAGS = {"svg", "title", "defs", "pattern", "clipPath", "g", "rect", "line", "path", "circle", "text"}
LINKS = re.compile(r"^url\(#[a-z]+-[0-9a-f]{8}\)$")
DRAWN = {"strip": draw_strip, "ring": draw_ring}
Maker = Callable[..., Scene]


def tree(svg: str) -> ET.Element:
    """Return a drawing parsed."""
    return ET.fromstring(svg)


def tips(svg: str, tag: str | None = None) -> list[str]:
    """Return the tooltips of a drawing, or of one kind of its elements."""
    return [
        element.findtext(f"{SVG}title", "")
        for element in tree(svg).iter(f"{SVG}{tag}" if tag else None)
        if element.find(f"{SVG}title") is not None
    ]


def words(svg: str) -> list[str]:
    """Return the texts of a drawing."""
    return [element.text or "" for element in tree(svg).iter(f"{SVG}text")]


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour (WCAG 2.1, definition of relative luminance)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


@pytest.mark.parametrize("kind", DRAWN)
def test_text_is_only_text(kind: str, hostile_scene: Scene) -> None:
    """Names full of markup make no element, attribute or link of their own, and are all still there."""
    svg = DRAWN[kind](hostile_scene, "H1")
    found = tree(svg)
    assert {element.tag.removeprefix(SVG) for element in found.iter()} <= TAGS
    for element in found.iter():
        assert not {
            name for name in element.attrib if name.startswith("on") or "href" in name or name == "style"
        }
        links = [value for value in element.attrib.values() if "url(" in value]
        assert all(LINKS.match(link) for link in links)
    assert any("<script>alert(1)</script>" in word for word in words(svg))


@pytest.mark.parametrize("kind", DRAWN)
def test_same_bytes(kind: str, scene: Scene, make_scene: Maker) -> None:
    """The same data give the same bytes, and twice its pixels at scale 2."""
    svg = DRAWN[kind](scene, "H1")
    assert svg == DRAWN[kind](make_scene(), "H1")
    small, large = (Image.open(io.BytesIO(to_png(svg, scale=scale))) for scale in (0.5, 1.0))
    assert large.size == pytest.approx((2 * small.width, 2 * small.height), abs=2)


@pytest.mark.parametrize("kind", DRAWN)
def test_every_drawing_says_what_it_is(kind: str, scene: Scene) -> None:
    """Site, datum, date and data version stand on every drawing."""
    said = " ".join(words(DRAWN[kind](scene, "H1")))
    for part in ("12 Quarry Lane", "bench mark on the step", "2026-11-20", "5b1d0c77aa"):
        assert part in said


@pytest.mark.parametrize("kind", DRAWN)
def test_nothing_known_is_drawn_as_nothing(kind: str, make_scene: Maker) -> None:
    """Without a single reading or level both drawings still show the faces, and invent no number."""
    said = words(DRAWN[kind](make_scene(empty=True), "H1"))
    assert {"A", "F3"} <= set(said)
    assert not [word for word in said if re.fullmatch(r"-?\d+\.\d+!?\??", word)]


def test_two_drawings_share_no_name(scene: Scene) -> None:
    """Hatches and windows of two drawings on one page have different names."""
    names = [
        {element.get("id") for element in tree(draw(scene, "H1")).iter() if element.get("id")}
        for draw in DRAWN.values()
    ]
    assert names[0]
    assert not names[0] & names[1]


def test_every_joined_reading_is_drawn_once(scene: Scene) -> None:
    """Each joined reading is one cell; an ambiguous one is in no lane."""
    cells = [tip.split(":")[0] for tip in tips(draw_strip(scene, "H1"), "rect") if re.match(r"R\d+:", tip)]
    joined = scene.readings[scene.readings["status"] == "joined"]
    assert sorted(cells) == sorted(joined.index)


def test_lanes_never_mix(scene: Scene) -> None:
    """A lane holds one side and one group of method, material and instrument."""
    for lane in lanes_of(scene, "H1", 52.0):
        rows = scene.readings.loc[[reading.Index for row in lane.rows for reading in row.readings]]
        assert set(rows["group"]) == {lane.group}
        assert set(rows["side"]) == {lane.side}


def test_readings_at_one_place_do_not_hide_each_other(scene: Scene) -> None:
    """Three readings at one chainage and height are drawn in three rows."""
    one = scene.readings.iloc[[0]]
    thrice = pd.concat([one.rename(index=lambda name, k=k: f"{name}-{k}") for k in range(3)])
    lane = lanes_of(replace(scene, readings=thrice), "H1", 52.0)[0]
    assert [len(row.readings) for row in lane.rows] == [1, 1, 1]
    assert [row.first for row in lane.rows] == [True, False, False]


def test_off_the_scale_is_marked(scene: Scene) -> None:
    """Every off-scale cell has its triangle, no other has, and its tip says at least."""
    off = scene.readings[(scene.readings["censored"] == "above") & (scene.readings["status"] == "joined")]
    marks = [tip for tip in tips(draw_strip(scene, "H1"), "path") if "off the scale, at least" in tip]
    assert len(marks) == len(off) > 0


def test_a_lane_without_control_says_rank(scene: Scene) -> None:
    """Readings without a dry control are shaded by rank, and their lane says so."""
    lanes = {lane.method: lane for lane in lanes_of(scene, "H1", 52.0)}
    assert lanes["calcium carbide"].ranked
    assert not lanes["capacitance"].ranked
    assert any("by rank" in word for word in words(draw_strip(scene, "H1")))


def test_both_panels_have_one_scale(scene: Scene) -> None:
    """A level stands as far above another outside as inside."""
    marks = [
        (element.text, float(element.get("y")))
        for element in tree(draw_strip(scene, "H1")).iter(f"{SVG}text")
    ]
    low, high = ([y for text, y in marks if text == label] for label in ("49.90", "50.10"))
    gaps = np.array(low) - np.array(high)
    assert len(gaps) >= 2
    assert gaps == pytest.approx(np.full(len(gaps), gaps[0]), abs=0.02)


def test_the_scale_of_levels_is_not_stretched_by_a_far_chamber(scene: Scene) -> None:
    """An asset three metres below the ground does not flatten the courses."""
    deep = scene.assets.assign(level_m=46.0, ring_key="H1")
    assert levels_of(replace(scene, assets=deep), "H1").low > 49.0


def test_a_party_wall_has_no_outside(scene: Scene) -> None:
    """No course and no ground is drawn outside along the party wall (chainage 0 to 8)."""
    through = pd.concat([scene.dpc.assign(chainage_m=scene.dpc["chainage_m"].replace(8.0, 0.5))])
    svg = draw_strip(replace(scene, dpc=through), "H1")
    scale = _scale(svg)
    for element in tree(svg).iter(f"{SVG}path"):
        title = element.findtext(f"{SVG}title", "")
        if title.startswith("outer damp"):
            places = [
                (float(pair.split()[0]) - LEFT) / scale for pair in element.get("d", "")[1:].split(" L")
            ]
            assert min(places) >= 8.0 - 0.01
    assert "party: no outside" in words(svg)


def _scale(svg: str) -> float:
    """Return pixels a metre, from the places of chainage 0 and 10 on the axis."""
    at = {
        element.text: float(element.get("x"))
        for element in tree(svg).iter(f"{SVG}text")
        if element.text in ("0", "10")
    }
    return (at["10"] - at["0"]) / 10


def test_seen_inferred_unseen_and_absent_courses_differ(scene: Scene) -> None:
    """Seen is a whole line, inferred dashed, not seen dotted, and absent has no line at all."""
    table = scene.dpc.assign(
        state=["absent", "continuous", "not_seen", "continuous", *scene.dpc["state"][4:]]
    )
    lines: dict[str, set[str | None]] = {}
    for element in tree(draw_strip(replace(scene, dpc=table), "H1")).iter(f"{SVG}path"):
        title = element.findtext(f"{SVG}title", "")
        if element.get("stroke") == COURSE and title.startswith("outer"):
            lines.setdefault(title.split(", ", 1)[1], set()).add(element.get("stroke-dasharray"))
            if "absent" in title:
                width = np.ptp([float(pair.split()[0]) for pair in element.get("d", "")[1:].split(" L")])
                assert width < 10
    assert lines["not seen, seen"] == {"2 4"}
    assert lines["continuous, inferred"] == {"8 3"}
    assert lines["continuous, seen"] == {None}


def test_unread_wall_is_hatched_with_its_reason(scene: Scene) -> None:
    """What was not looked at and what could not be got to are hatched and named differently."""
    svg = draw_strip(scene, "H1")
    said = words(svg)
    assert {"unread", "no access", "behind the kitchen units"} <= set(said)
    hatched = [tip for tip in tips(svg, "rect") if tip.startswith("not read")]
    assert {tip.split(",")[0] for tip in hatched} == {
        f"not read: {reason}" for reason in scene.unread["reason"]
    }


def test_a_stretch_through_the_origin_is_drawn_in_two_parts(scene: Scene) -> None:
    """A wet stretch from chainage 36 through the origin corner to 1 is two brackets of one name."""
    table = scene.stretches.iloc[[0]].assign(
        chainage_from_m=36.6, chainage_to_m=1.0, length_m=2.0, side="inside"
    )
    brackets = [
        tip
        for tip in tips(draw_strip(replace(scene, stretches=table), "H1"), "path")
        if tip.startswith("W1:")
    ]
    assert len(brackets) == 2


def test_arrows_point_the_way_the_water_runs(scene: Scene) -> None:
    """A fall to the wall points to the middle of the ring, a fall away from it points outward."""
    seen = set()
    for element in tree(draw_ring(scene, "H1")).iter(f"{SVG}path"):
        title = element.findtext(f"{SVG}title", "")
        corners = re.findall(r"(-?[\d.]+) (-?[\d.]+)", element.get("d", ""))
        if not element.get("d", "").endswith("Z") or len(corners) != 3 or "falls" not in title:
            continue
        wing, tip, _ = (math.hypot(float(x) - CX, float(y) - CY) for x, y in corners)
        inward = "falls to the wall" in title
        assert (tip < wing) == inward
        seen.add(inward)
    assert seen == {True, False}


def test_what_is_not_known_has_no_arrow(scene: Scene) -> None:
    """A fall that is not known has a question mark with the reason and what would settle it."""
    svg = draw_ring(scene, "H1")
    unknown = int((scene.falls["verdict"] == "not known").sum())
    marks = [
        element
        for element in tree(svg).iter(f"{SVG}text")
        if element.text == "?" and element.find(f"{SVG}title") is not None
    ]
    assert len(marks) == unknown > 0
    assert all("two levels at chainage" in element.findtext(f"{SVG}title", "") for element in marks)
    assert not [tip for tip in tips(svg, "path") if "not known" in tip and "falls" in tip.split(";")[0]]


def test_evidence_is_never_merged(scene: Scene) -> None:
    """Each piece of wall outside the party wall has one mark by levels and one by raster."""
    svg = draw_ring(scene, "H1")
    pieces = int(scene.stations["outside"].sum())
    for evidence in FALLS:
        places = {tip.split(",")[0] for tip in tips(svg) if f", {evidence}: " in tip}
        assert len(places) == pieces


def test_face_by_face(scene: Scene) -> None:
    """The words beside the ring give each face's verdicts: made to fall to the wall at the rear."""
    lines = dict(line.split(": ", 1) for line in by_face(scene, "H1"))
    assert lines["F1"] == "party wall, no outside"
    assert lines["F3"].startswith("by levels falls to the wall; by raster falls to the wall")
    assert lines["F7"].startswith("by levels falls away")
    assert "clearance short of the rule" in lines["F3"]
    assert "by levels not known" in lines["F2"]


def test_numbers_of_a_long_wall_thin_out() -> None:
    """Round a ring of 100 pieces whose arcs are 16 px long, every second number is printed."""
    printed = [shown(k + 0.5, 1.0, 100.0, 250.0) for k in range(100)]
    assert sum(printed) == 50


def test_wetness_is_one_hue_from_light_to_dark() -> None:
    """The steps get darker in grey print by at least a tenth of full light in L*, and keep one hue."""
    lightness = [116 * luminance(colour) ** (1 / 3) - 16 for colour in WET_STEPS]
    assert np.all(np.diff(lightness) < -8)
    hues = [
        colorsys.rgb_to_hls(*(int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)))[0] for colour in WET_STEPS
    ]
    assert np.ptp(hues) < 20 / 360


def test_numbers_can_be_read_on_every_step() -> None:
    """Ink on each step has at least the contrast of 4.5 to 1 (WCAG 2.1, criterion 1.4.3)."""
    for colour in WET_STEPS:
        light, dark = sorted((luminance(colour), luminance(ink_on(colour))), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, colour


@given(st.floats(-5, 60), st.floats(-5, 60))
def test_wetter_is_never_lighter(a: float, b: float) -> None:
    """Of two readings the one further over its control is at least as dark."""
    low, high = sorted((a, b))
    assert WET_STEPS.index(wet_colour(low)) <= WET_STEPS.index(wet_colour(high))


def test_theme_for_the_app() -> None:
    """The app's theme has the keys its settings know, as colours."""
    for key in ("primaryColor", "backgroundColor", "secondaryBackgroundColor", "textColor"):
        assert re.fullmatch(r"#[0-9a-f]{6}", STREAMLIT_THEME[key])


@given(st.lists(st.floats(0, 400), min_size=1, max_size=12))
def test_labels_keep_their_order_and_distance(places: list[float]) -> None:
    """Labels moved apart keep their order and, where there is room, their least distance."""
    found = np.array(spread(places, least=20, low=-200, high=600))
    order = np.argsort(places, kind="stable")
    assert np.all(np.diff(found[order]) >= 20 - 0.5)


@given(st.text(), st.integers(2, 40))
def test_wrapping_fits(content: str, most: int) -> None:
    """No line is longer than asked, and text that fits is not changed."""
    assert all(len(line) <= most for line in wrapped(content, most))
    assert shortened(content, max(most, len(content))) == content


@given(st.text())
def test_any_text_makes_a_drawing_that_can_be_read(content: str) -> None:
    """Whatever is typed, the drawing is well-formed and shows it, less what XML cannot hold."""
    drawing = Drawing(100, 50, title=content)
    drawing.words(1, 1, f"x{content}", tip=f"x{content}")
    found = tree(drawing.text()).find(f"{SVG}text")
    assert found is not None
    kept = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]", "\ufffd", f"x{content}")
    assert (found.text or "").replace("\r\n", "\n").replace("\r", "\n") == kept.replace("\r\n", "\n").replace(
        "\r", "\n"
    )


@given(st.text(), st.text())
def test_a_drawing_is_written_as_the_standard_library_writes_it(content: str, value: str) -> None:
    """Text, tips and attributes leave as ElementTree writes them, before and after the drawing was read."""
    drawing = Drawing(100, 50, title=content)
    drawing.group(clip_path=value)
    drawing.words(1, 1, content, tip=value, fill=value)
    drawing.line(0, 0, 1, 1)
    assert markup(drawing.root) == ET.tostring(drawing.root, encoding="unicode")
    ET.register_namespace("", SVG.strip("{}"))
    root = tree(drawing.text())
    assert markup(root) == ET.tostring(root, encoding="unicode")
