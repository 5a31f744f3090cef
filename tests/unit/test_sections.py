"""The sections are to scale and true to level, and show what is not known as not known."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from geo.drains.backup import Blockage
from geo.drains.storage import Inflow
from geo.draw.section import draw_long_section, heads_of
from geo.draw.svg import to_png
from geo.draw.wall_section import cut_wall, draw_wall_section, wet_place
from geo.errors import GeometryError
from geo.findings.check import read_checked
from geo.findings.drains import DrainAnswer, Drains, ask_drains, lay_out_drains, path_of
from geo.findings.examine import examine

SITES = Path(__file__).resolve().parents[2] / "demo_sites"
SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = "<script>alert(1)</script> \"'><img src=x onerror=alert(2)> ${x}"


@pytest.fixture(scope="module")
def semi() -> Drains:
    """Return the drains of the semi on a slope."""
    return lay_out_drains(examine(read_checked(SITES / "semi_on_a_slope")))


@pytest.fixture(scope="module")
def cottages() -> Drains:
    """Return the drains of the three cottages."""
    return lay_out_drains(examine(read_checked(SITES / "three_cottages")))


@pytest.fixture(scope="module")
def backed_up(semi: Drains) -> DrainAnswer:
    """Return the failed soakaway of the semi."""
    return ask_drains(semi, blocked="SA1", inflow=Inflow.steady(0.25))


def tips(svg: str, tag: str) -> dict[str, ET.Element]:
    """Return elements of a kind by their tooltip, the first of each; of a run, its fill from invert to soffit."""
    found: dict[str, ET.Element] = {}
    for element in ET.fromstring(svg).iter(SVG + tag):
        title = element.find(SVG + "title")
        if title is not None and title.text:
            found.setdefault(title.text, element)
    return found


def said(svg: str) -> str:
    """Return all the words on a drawing."""
    root = ET.fromstring(svg)
    return "\n".join(element.text or "" for element in root.iter(SVG + "text"))


def axis(svg: str) -> tuple[float, float]:
    """Return metres of level and pixels of two labels of the axis, as (pixels a metre, page's zero)."""
    root = ET.fromstring(svg)
    marks = [
        (float(each.text or ""), float(each.get("y", "0")) - 3.5)
        for each in root.iter(SVG + "text")
        if each.get("text-anchor") == "end" and re.fullmatch(r"\d+\.\d+", each.text or "")
    ]
    (low, y_low), (high, y_high) = min(marks), max(marks)
    per_metre = (y_low - y_high) / (high - low)
    return per_metre, y_low + low * per_metre


def corners(element: ET.Element) -> list[tuple[float, float]]:
    """Return the points of a path."""
    pairs = re.findall(r"(-?[\d.]+) (-?[\d.]+)", element.get("d", ""))
    return [(float(x), float(y)) for x, y in pairs]


def test_a_run_is_drawn_at_its_own_inverts(semi: Drains, backed_up: DrainAnswer) -> None:
    """R8 falls from 9.378 to 9.339 over its length: both ends lie there on the axis, and in proportion."""
    svg = draw_long_section(semi, answer=backed_up)
    per_metre, zero = axis(svg)
    run = semi.network.runs.loc["R8"]
    line = next(v for k, v in tips(svg, "path").items() if k.startswith("R8: 100 mm") and "1 in 118" in k)
    points = corners(line)
    first, last = points[0], points[len(points) // 2 - 1]
    assert (zero - first[1]) / per_metre == pytest.approx(run["up_m"], abs=0.001)
    assert (zero - last[1]) / per_metre == pytest.approx(run["down_m"], abs=0.001)
    exaggeration = float(re.search(r"drawn ([\d.]+) times taller", said(svg)).group(1))  # type: ignore[union-attr]
    across = (last[0] - first[0]) / float(run["length_m"])
    assert per_metre / across == pytest.approx(exaggeration, abs=0.06)


def test_fall_and_back_fall_are_told_apart(semi: Drains) -> None:
    """4.611 m falling 39 mm is 1 in 118; the same run turned up by 39 mm falls back as steeply."""
    runs = semi.network.runs.copy()
    length = float(runs.loc["R8", "length_m"])
    text = said(draw_long_section(semi, path=("R8",)))
    assert f"1 in {length / 0.039:.0f}" in text
    runs.loc["R8", ["up_m", "up_low_m", "up_high_m"]] = 9.300
    turned = replace(semi, network=replace(semi.network, runs=runs))
    assert f"falls back 1 in {length / 0.039:.0f}" in said(draw_long_section(turned, path=("R8",)))


def test_the_level_is_drawn_where_it_is(semi: Drains, backed_up: DrainAnswer) -> None:
    """The dashed level of the first spill stands at 9.902 on the axis, and its number beside it."""
    svg = draw_long_section(semi, answer=backed_up)
    per_metre, zero = axis(svg)
    root = ET.fromstring(svg)
    lines = [each for each in root.iter(SVG + "line") if each.get("stroke-dasharray") == "9 4"]
    assert len(lines) == 1
    assert (zero - float(lines[0].get("y1", "0"))) / per_metre == pytest.approx(9.902, abs=0.001)
    assert "9.902 m" in said(svg)
    assert "spills first, over its rim" in said(svg)


def test_no_water_is_drawn_below_a_stop(semi: Drains) -> None:
    """With R2 stopped 4 m down, water fills R1 and the first 4 m of R2, and nothing further down."""
    answer = ask_drains(semi, blocked=Blockage(asset_id="R2", at_m=4.0))
    svg = draw_long_section(semi, answer=answer)
    root = ET.fromstring(svg)
    wet = [each for each in root.iter(SVG + "path") if each.get("fill-opacity") == "0.85"]
    runs = semi.network.runs
    path = path_of(semi, answer)
    assert path == ("R1", "R2", "R3")
    line = next(v for k, v in tips(svg, "path").items() if k.startswith("R1: "))
    across = (max(x for x, _ in corners(line)) - min(x for x, _ in corners(line))) / runs.loc[
        "R1", "length_m"
    ]
    start = min(x for x, _ in corners(line))
    stop = start + (runs.loc["R1", "length_m"] + 4.0) * across
    furthest = max(x for each in wet for x, _ in corners(each))
    assert furthest <= stop + 1.0
    assert furthest > stop - 0.25 * across


def test_water_rests_only_behind_a_hump(cottages: Drains) -> None:
    """Nothing blocked: the root hump in S1 holds water in X1 and half of S1; S2 and S3 run dry."""
    svg = draw_long_section(cottages, path=("RA", "S1", "S2", "S3"))
    root = ET.fromstring(svg)
    resting = [each for each in root.iter(SVG + "path") if each.get("fill-opacity") == "0.35"]
    assert resting
    hump = next(v for k, v in tips(svg, "path").items() if k.startswith("S1: "))
    xs = [x for x, _ in corners(hump)]
    assert max(x for each in resting for x, _ in corners(each)) <= (min(xs) + max(xs)) / 2 + 10
    assert "over a hump" in said(svg)


def test_an_invert_nobody_measured_is_dashed(cottages: Drains) -> None:
    """TA's inverts are not recorded: its lines are dashed and its fall says the levels are taken."""
    root = ET.fromstring(draw_long_section(cottages, path=("TA",)))
    own = [
        each
        for each in root.iter(SVG + "path")
        if (each.findtext(SVG + "title") or "").startswith("TA: ") and each.get("stroke") != "none"
    ]
    assert [each.get("stroke-dasharray") for each in own] == ["6 4", "6 4"]
    assert all("levels taken" in (each.findtext(SVG + "title") or "") for each in own)


def test_every_head_of_every_site_can_be_drawn(cottages: Drains, semi: Drains) -> None:
    """From each node where a drain begins, and from a spot with no run, there is a drawing."""
    for laid in (cottages, semi):
        assert heads_of(laid)
        for head in heads_of(laid):
            ET.fromstring(draw_long_section(laid, path=path_of(laid, start=head)))
    assert "No run leads on" in said(draw_long_section(semi, path=()))


def test_the_wall_is_cut_true_to_level(semi: Drains, backed_up: DrainAnswer) -> None:
    """Outer course, inner course, soffit and water lie on the axis at their own levels."""
    svg = draw_wall_section(semi, "B1", 16.3, answer=backed_up)
    per_metre, zero = axis(svg)
    cut = cut_wall(semi, "B1", 16.3, answer=backed_up)
    lines = tips(svg, "line")
    for name in ("outer_dpc", "inner_dpc"):
        level = float(cut.row[name])
        line = next(v for k, v in lines.items() if k.startswith(f"damp proof course {level:.3f}"))
        assert (zero - float(line.get("y1", "0"))) / per_metre == pytest.approx(level, abs=0.001)
    water = next(v for k, v in lines.items() if k.startswith("water from G3"))
    head = backed_up.water[0].head.value
    assert (zero - float(water.get("y1", "0"))) / per_metre == pytest.approx(head, abs=0.001)
    slab = next(v for k, v in tips(svg, "rect").items() if "soffit 9.900" in k)
    assert float(slab.get("height", "0")) / per_metre == pytest.approx(0.150, abs=0.001)
    assert "one scale both ways" in said(svg)


def test_what_was_not_seen_is_dashed_or_hatched(semi: Drains, backed_up: DrainAnswer) -> None:
    """The inner course is inferred: dashed. The outer was seen: full. The cavity nobody opened is hatched."""
    svg = draw_wall_section(semi, "B1", 16.3, answer=backed_up)
    dashes = [each.get("stroke-dasharray") for key, each in tips(svg, "line").items() if "damp proof" in key]
    assert sorted(dashes, key=str) == ["5 4", None]
    assert any("not looked into" in key for key in tips(svg, "rect"))
    opened = draw_wall_section(semi, "B1", 13.3)
    assert not any("not looked into" in key for key in tips(opened, "rect"))
    assert any(key.startswith("debris up to 9.840") for key in tips(opened, "rect"))


def test_every_way_stands_beside_the_wall_with_its_margin(semi: Drains, backed_up: DrainAnswer) -> None:
    """K1 at the kitchen: water 9.972 less outer course 10.052 is some -80 mm; it stands in the table so."""
    cut = cut_wall(semi, "B1", 16.3, answer=backed_up)
    text = said(draw_wall_section(semi, "B1", 16.3, answer=backed_up))
    k1 = cut.ways[cut.ways["way"] == "K1"].iloc[0]
    assert k1["margin_mm"] == pytest.approx(1000 * (9.972 - 10.052), abs=6)
    assert f"{k1['margin_mm']:+.0f} mm" in text
    assert "K4 ? not known" in text.replace("  ", " ")


def test_a_solid_wall_is_drawn_solid(cottages: Drains) -> None:
    """No cavity, one course through the wall, and neither K2 nor K3 in the table."""
    svg = draw_wall_section(cottages, "CB", 9.0)
    assert any(key.startswith("solid wall") for key in tips(svg, "rect"))
    text = said(svg)
    assert "K2" not in text
    assert "K3" not in text
    assert "K7" in text


def test_chainage_wraps_and_an_unknown_ring_is_refused(semi: Drains) -> None:
    """One turn on is the same wall; a ring that is not surveyed is a sentence."""
    length = semi.ring_lengths["B1"]
    assert cut_wall(semi, "B1", 3.0 + length).face == cut_wall(semi, "B1", 3.0).face
    with pytest.raises(GeometryError, match="no surveyed wall 'B9'"):
        draw_wall_section(semi, "B9", 1.0)


def test_the_wall_is_cut_where_most_gets_past(semi: Drains, backed_up: DrainAnswer) -> None:
    """The place to cut lies on the wall the water wets."""
    place = wet_place(backed_up)
    assert place is not None
    (water,) = backed_up.water
    assert place[0] == water.ring_key
    assert water.chainage_from_m <= place[1] <= water.chainage_to_m
    assert wet_place(ask_drains(semi, blocked="C0")) is None


def test_names_are_only_ever_text(semi: Drains, backed_up: DrainAnswer) -> None:
    """A name that is an attack stands on both sections as its own letters."""
    info = semi.site.info.model_copy(update={"name": HOSTILE, "datum": HOSTILE})
    laid = replace(semi, site=replace(semi.site, info=info))
    for svg in (
        draw_long_section(laid, answer=backed_up),
        draw_wall_section(laid, "B1", 16.3, answer=backed_up),
    ):
        assert "<script" not in svg
        assert "<img" not in svg
        assert HOSTILE in said(svg)


def test_the_same_data_give_the_same_bytes_and_a_picture(semi: Drains, backed_up: DrainAnswer) -> None:
    """Drawing twice gives the same SVG, and it turns into a PNG."""
    for draw in (
        lambda: draw_long_section(semi, answer=backed_up),
        lambda: draw_wall_section(semi, "B1", 16.3, answer=backed_up),
    ):
        assert draw() == draw()
        assert to_png(draw(), scale=0.5).startswith(b"\x89PNG")


def test_a_belly_nobody_measured_is_drawn_where_it_was_found(semi: Drains) -> None:
    """A belly 4.0 m down R2 is dashed there, told as not measured; without its place it bears a query."""
    runs = semi.network.runs.copy()
    runs.loc["R2", ["state", "fault_at_m"]] = ["belly", 4.0]
    laid = replace(semi, network=replace(semi.network, runs=runs))
    svg = draw_long_section(laid, path=("R2",))
    sag = next(e for key, e in tips(svg, "path").items() if "how deep was not measured" in key)
    pipe = next(e for key, e in tips(svg, "path").items() if key.startswith("R2: 100 mm"))
    xs, own = [x for x, _ in corners(sag)], [x for x, _ in corners(pipe)]
    share = ((min(xs) + max(xs)) / 2 - min(own)) / (max(own) - min(own))
    assert share * runs.loc["R2", "length_m"] == pytest.approx(4.0, abs=0.1)
    assert "belly" in said(svg)
    runs.loc["R2", "fault_at_m"] = float("nan")
    unplaced = replace(semi, network=replace(semi.network, runs=runs))
    assert "belly ?" in said(draw_long_section(unplaced, path=("R2",)))
    assert "belly" not in said(draw_long_section(semi, path=("R2",)))


def test_a_belly_that_was_measured_is_drawn_to_its_depth(semi: Drains) -> None:
    """R2 sags 4.0 m down and holds water 40 mm deep: drawn in full, its lowest point 40 mm under the water."""
    runs = semi.network.runs.copy()
    runs.loc["R2", ["state", "fault_at_m", "sag_m"]] = ["belly", 4.0, 0.040]
    laid = replace(semi, network=replace(semi.network, runs=runs))
    svg = draw_long_section(laid, path=("R2",))
    per_metre, _ = axis(svg)
    pool = next(e for key, e in tips(svg, "path").items() if "40 mm deep" in key)
    heights = [y for _, y in corners(pool)]
    low, water = heights[: len(heights) // 2], heights[len(heights) // 2 :]
    assert (max(low) - max(water)) / per_metre == pytest.approx(0.040, abs=0.003)
    assert "belly, 40 mm" in said(svg)


def test_a_hump_is_drawn_where_it_lies(semi: Drains) -> None:
    """A crest 2.0 m down R2 has its highest point of the invert there, not half-way."""
    runs = semi.network.runs.copy()
    top = runs.loc["R2", "up_m"] + 0.05
    runs.loc["R2", ["crest_low_m", "crest_high_m"]] = top
    runs.loc["R2", "hump_share"] = 2.0 / runs.loc["R2", "length_m"]
    laid = replace(semi, network=replace(semi.network, runs=runs))
    svg = draw_long_section(laid, path=("R2",))
    pipe = next(e for key, e in tips(svg, "path").items() if key.startswith("R2: 100 mm") and "hump" in key)
    points = corners(pipe)[: len(corners(pipe)) // 2]
    xs = [x for x, _ in corners(pipe)]
    crest = min(points, key=lambda each: each[1])
    share = (crest[0] - min(xs)) / (max(xs) - min(xs))
    assert share * runs.loc["R2", "length_m"] == pytest.approx(2.0, abs=0.3)


def test_water_that_was_seen_stands_at_its_level(semi: Drains) -> None:
    """Every level recorded at a node of the path is marked at that level, and written under it."""
    table = semi.site.table("water_level")
    own = table[table["of_id"] == "C3"]
    assert len(own)
    svg = draw_long_section(semi, path=("R6", "R8"))
    per_metre, zero = axis(svg)
    for row in own.itertuples():
        mark = next(
            e for key, e in tips(svg, "path").items() if key.startswith(f"C3: water {row.level_m:.3f}")
        )
        lowest = max(y for _, y in corners(mark))
        assert (zero - lowest) / per_metre == pytest.approx(row.level_m, abs=0.002)
    assert "water seen, m" in said(svg)


def test_a_stop_at_the_last_chamber_still_has_its_section(semi: Drains) -> None:
    """With C0, where the drains end, blocked, the section is of a path that comes by it."""
    answer = ask_drains(semi, blocked="C0")
    text = said(draw_long_section(semi, answer=answer))
    assert "No run leads on" not in text
    assert "C0" in text


@pytest.mark.parametrize("site", ["semi", "cottages"])
def test_no_words_lie_on_one_another(site: str, request: pytest.FixtureRequest) -> None:
    """On the sections of every head, words below the panel and beside it keep clear of each other."""
    laid = request.getfixturevalue(site)
    for head in heads_of(laid):
        root = ET.fromstring(draw_long_section(laid, path=path_of(laid, start=head)))
        boxes = []
        for each in root.iter(SVG + "text"):
            size = float(each.get("font-size", "12"))
            wide, x, y = (
                0.56 * size * len(each.text or ""),
                float(each.get("x", "0")),
                float(each.get("y", "0")),
            )
            left = x - {"middle": wide / 2, "end": wide}.get(each.get("text-anchor", ""), 0.0)
            boxes.append((left, y - 0.75 * size, left + wide, y + 0.2 * size, each.text))
        for i, a in enumerate(boxes):
            for b in boxes[i + 1 :]:
                apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
                assert apart, (head, a[4], b[4])
