"""The map: exact, offline, and what a user typed is never run by browser or program."""

from __future__ import annotations

import io
import json
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from branca.element import Link
from folium.plugins import Draw, MeasureControl
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from geo.draw import layers
from geo.draw.features import page_json
from geo.draw.map import START_HIDDEN, base_map, changing_layers, draw_map, standalone_html
from geo.draw.offline import file_name, inline_html, new_map, served_from, source, sources, write_sources
from geo.draw.overlay import mercator, shade_overlay
from geo.draw.scene import Scene
from geo.site.crs import from_lonlat, to_lonlat

Maker = Callable[..., Scene]
JSON = st.recursive(
    st.text()
    | st.integers(-1000, 1000)
    | st.none()
    | st.sampled_from(["{{", "{%", "{#", "</script>", "{{{x}}}"]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=12,
)


class Tags(HTMLParser):
    """The tags of a page as a browser takes them, and the addresses they would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.counts: Counter[str] = Counter()
        self.addresses: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Count a tag and note where it would fetch from."""
        self.counts[tag] += 1
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "srcset", "data")]


def tags(page: str) -> Tags:
    """Return the tags of a page."""
    found = Tags()
    found.feed(page)
    return found


def drawn(features: list[dict[str, Any]], scene: Scene) -> list[Any]:
    """Return features' shapes brought back to the site's grid."""
    shapes = [shapely.geometry.shape(feature["geometry"]) for feature in features]
    return [
        shapely.transform(shape, lambda xy: from_lonlat(xy, scene.crs, tie=scene.tie)) for shape in shapes
    ]


@given(JSON)
def test_page_json_is_data(content: Any) -> None:
    """What is put in a page reads back as itself and holds no sign that ends a script or opens a template."""
    told = page_json(content)
    assert json.loads(told) == content
    assert not re.search(r"[<>&'\u2028\u2029]|\{[{%#]", told)


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_page_json_refuses_what_is_no_number(number: float) -> None:
    """A coordinate that is not a number would empty the whole map: it is refused here."""
    with pytest.raises(ValueError, match="not JSON compliant"):
        page_json({"at": [number]})


def test_a_template_in_a_name_is_not_run(make_scene: Maker) -> None:
    """A name that is a template of the page writer is shown as it stands: 7·191 is not worked out."""
    scene = make_scene(names=("{{ 7*191 }}", "{% raw %}", "{# no #}", "{{ cycler.__init__.__globals__ }}"))
    page = standalone_html(scene)
    assert "1337" not in page
    assert r"\u007b{ 7*191 }}" in page
    assert "__globals__ }}" in page


def test_a_page_names_no_address(hostile_scene: Scene) -> None:
    """The page has no link, script, picture or style with an address outside itself."""
    page = standalone_html(hostile_scene)
    assert not tags(page).addresses
    assert not re.findall(r"""url\(["']?https?:""", page)
    assert "<title>&lt;script&gt;alert(1)&lt;/script&gt; 12 Quarry Lane: map</title>" in page


def test_a_page_has_only_its_own_scripts(scene: Scene, hostile_scene: Scene) -> None:
    """A page full of hostile names has as many script tags as one without."""
    counts = [tags(standalone_html(one)).counts for one in (scene, hostile_scene)]
    assert counts[0] == counts[1]
    assert "img" not in counts[1]


def test_every_script_our_maps_name_is_carried() -> None:
    """Map, drawing and measuring tools name no address of which there is no copy."""
    made = new_map()
    for tool in (Draw(), MeasureControl()):
        tool.add_to(made)
        for _, address in [*tool.default_js, *tool.default_css]:
            assert source(address)
    assert not tags(inline_html(made, title="tools")).addresses


def test_a_missing_script_is_an_error() -> None:
    """An address that is not carried is refused when the map is made, not missed when it is opened."""
    with pytest.raises(LookupError, match="no offline copy"):
        source("https://example.org/none.js")


def test_a_map_served_by_ourselves(scene: Scene, tmp_path: Path) -> None:
    """Every link of a served map leads to a file that was written, and other maps are left as they are."""
    write_sources(tmp_path)
    made = served_from(base_map(scene), lambda name: f"../own/{name}")
    figure: Any = made.get_root()
    figure.render()
    links = [link.url for link in figure.header._children.values() if isinstance(link, Link)]
    assert len(links) >= 2
    for link in links:
        assert link.startswith("../own/")
        assert (tmp_path / link.removeprefix("../own/")).read_text(encoding="utf-8")
    assert all(address.startswith("http") for _, address in type(made).default_js)


def test_files_have_one_name_each() -> None:
    """No two scripts share a file name."""
    assert len({file_name(address) for address in sources()}) == len(sources())


def test_lines_come_back_to_a_hundredth_of_a_millimetre(scene: Scene) -> None:
    """The outline drawn on the map is the outline in the grid: ten decimals of a degree are 0.01 mm."""
    outlines = drawn(layers.footprints(scene), scene)
    for found, given_ in zip(outlines, scene.perimeter.footprints.geometry, strict=True):
        assert shapely.hausdorff_distance(found, given_) < 2e-5


def test_a_local_grid_is_drawn_true(make_scene: Maker) -> None:
    """The same house on a local grid is drawn too, and comes back the same."""
    scene = make_scene(local=True)
    found = drawn(layers.footprints(scene), scene)
    assert shapely.hausdorff_distance(found[0], scene.perimeter.footprints.geometry.iloc[0]) < 2e-5
    assert "grid N" in standalone_html(scene)


def test_stretches_lie_on_their_side(scene: Scene) -> None:
    """A stretch outside is drawn outside the house, one inside within it."""
    house = scene.perimeter.footprints.geometry.iloc[0]
    for side in ("outside", "inside"):
        bands = [f for f in layers.stretches(scene, (side,)) if "style" in f["properties"]]
        assert len(bands) == (scene.stretches["side"] == side).sum() > 0
        for band in drawn(bands, scene):
            middle = band.interpolate(0.5, normalized=True)
            assert house.contains(middle) == (side == "inside")


def test_stretches_at_one_place_share_a_label(scene: Scene) -> None:
    """Two stretches of two groups at the same place are named on one label, all others on their own."""
    twice = pd.concat([scene.stretches, scene.stretches.iloc[[0]].rename(index={"W1": "W9"})])
    labels = [
        feature["properties"]["text"]
        for feature in layers.stretches(replace(scene, stretches=twice), ("outside", "inside"))
        if "text" in feature["properties"]
    ]
    assert sorted(labels) == ["W1 W9", "W2", "W3"]


def test_fall_arrows_point_to_the_wall_or_from_it(scene: Scene) -> None:
    """An arrow's head is nearer the house than its tail when the ground falls to the wall, and only then."""
    house = scene.perimeter.footprints.geometry.iloc[0]
    seen = set()
    for feature in layers.falls(scene, "levels"):
        if "text" in feature["properties"]:
            continue
        shaft = drawn([feature], scene)[0].geoms[0]
        tail, head = (house.distance(shapely.Point(xy)) for xy in shaft.coords)
        toward = "to the wall" in feature["properties"]["card"][0][1]
        assert (head < tail) == toward
        seen.add(toward)
    assert seen == {True, False}


def test_falls_not_known_say_why(scene: Scene) -> None:
    """A fall that is not known is a question mark with a reason and what would settle it; party walls have none."""
    features = layers.falls(scene, "levels")
    unknown = [f for f in features if f["properties"].get("text") == "?"]
    rows = scene.falls[scene.falls["evidence"] == "levels"]
    assert len(unknown) == (rows["verdict"] == "not known").sum() > 0
    assert all("to settle it" in dict(f["properties"]["card"]) for f in unknown)
    assert len(features) == (rows["verdict"] != "party").sum()


def test_readings_of_one_place_are_fanned_out(scene: Scene) -> None:
    """Three heights at one place are three marks, the lowest nearest the wall, on the side they were taken."""
    house = scene.perimeter.footprints.geometry.iloc[0]
    place = scene.readings[
        (scene.readings["side"] == "outside") & np.isclose(scene.readings["chainage_m"], 9.6)
    ]
    assert len(place) == 3
    chosen = layers.readings(scene, list(place.index))
    height = {
        f["properties"]["card"][0][1].split()[1].rstrip(":"): shape
        for f, shape in zip(chosen, drawn(chosen, scene), strict=True)
    }
    distances = [house.distance(height[name]) for name in place.sort_values("height_m").index]
    assert np.all(np.diff(distances) > 0.1)


def test_readings_carry_number_shade_and_sign(scene: Scene) -> None:
    """Every reading has its value in its card; off the scale it is a triangle, called wet it has a thick edge."""
    features = layers.readings(scene)
    assert len(features) == len(scene.readings)
    by_id = {f["properties"]["card"][0][1].split()[1].rstrip(":"): f["properties"] for f in features}
    for name, row in scene.readings.iterrows():
        mark = by_id[str(name)]
        assert f"{row['value']} {row['unit']}" in mark["card"][0][1]
        if row["censored"] == "above":
            assert mark["text"] == "▲"
        else:
            assert (mark["style"]["weight"] > 2) == (row["wet"] == "wet")


def test_only_chosen_readings_and_layers(scene: Scene) -> None:
    """A filter draws the readings it names; layers not asked for are not made, and some start hidden."""
    two = list(scene.readings.index[:2])
    assert len(layers.readings(scene, two)) == len(layers.values(scene, two)) == 2
    groups = {group.layer_name: group for group in changing_layers(scene)}
    assert {name for name, group in groups.items() if not group.show} == set(START_HIDDEN)
    assert [g.layer_name for g in changing_layers(scene, show={"layers": ("Readings",)})] == ["Readings"]


def test_runs_point_downstream_and_assumed_ones_are_thin(scene: Scene) -> None:
    """A run's arrow heads point to its downstream end; an assumed run is thinner and says so."""
    features = layers.runs(scene)
    lines = [f for f in features if f["geometry"]["type"] == "LineString"]
    heads = [f for f in features if f["geometry"]["type"] == "MultiLineString"]
    for line, head in zip(drawn(lines, scene), drawn(heads, scene), strict=True):
        for chevron in head.geoms:
            wing, tip, _ = (line.project(shapely.Point(xy)) for xy in chevron.coords)
            assert tip > wing
    weights = [f["properties"]["style"]["weight"] for f in lines]
    assert [w < 2 for w in weights] == list(scene.runs["evidence"] == "assumed")
    assert "surface (assumed)" in [f["properties"].get("text") for f in features]


def test_a_name_may_stand_elsewhere_on_its_line(scene: Scene) -> None:
    """Every place offered for the name of a run lies on that run; those of a face inside the house."""
    house = scene.perimeter.footprints.geometry.iloc[0]
    features = layers.runs(scene)
    lines = [line for line in drawn(features, scene) if line.geom_type == "LineString"]
    names = [f for f in features if "text" in f["properties"]]
    assert len(names) == sum(line.length > layers.LABEL_LEAST_M for line in lines) > 0
    for name in names:
        assert name["geometry"]["type"] == "Point"
        also = [{"geometry": {"type": "Point", "coordinates": at}} for at in name["properties"]["also"]]
        spots = drawn([name, *also], scene)
        assert len({spot.wkt for spot in spots}) == len(layers.RUN_SHARES)
        assert min(max(line.distance(spot) for spot in spots) for line in lines) < 1e-4
    faces = [f for f in layers.corners(scene) if f["properties"]["look"] == "face"]
    assert faces
    for face in faces:
        also = [{"geometry": {"type": "Point", "coordinates": at}} for at in face["properties"]["also"]]
        assert all(house.contains(spot) for spot in drawn([face, *also], scene))


def test_uphill_ground_is_wider_where_it_is_more(scene: Scene) -> None:
    """Walls to which no ground drains have no band; at the raster's edge the area is at least."""
    bands = layers.uphill(scene)
    assert len(bands) == (scene.uphill["area_m2"] > 0).sum()
    said = {f["properties"]["card"][0][1].split(" of ")[0]: f["properties"]["style"]["weight"] for f in bands}
    assert set(said) == {"At least 6.0 m²", "21.5 m²"}
    assert said["21.5 m²"] > said["At least 6.0 m²"]


def test_shade_lies_under_the_lines(scene: Scene) -> None:
    """A patch of raster comes to lie on the map where its own corners are, to a fifth of a cell."""
    assert scene.raster is not None
    z = np.full_like(scene.raster.z, np.nan)
    z[30:44, 20:30] = scene.raster.z[30:44, 20:30]
    overlay = shade_overlay(replace(scene, raster=replace(scene.raster, z=z)))
    assert overlay is not None
    seen = np.array(Image.open(io.BytesIO(overlay.png)))[..., 3] > 0
    (south, west), (north, east) = overlay.bounds
    x, y = mercator(np.array([[west, south], [east, north]]))
    rows, columns = np.nonzero(seen)
    pixel = (x[1] - x[0]) / seen.shape[1]
    centre = (x[0] + (columns.mean() + 0.5) * pixel, y[1] - (rows.mean() + 0.5) * pixel)
    t = scene.raster.transform
    wanted = mercator(to_lonlat([t * (25.0, 37.0)], scene.crs))
    stretch = 1 / np.cos(np.radians((south + north) / 2))
    assert np.hypot(centre[0] - wanted[0][0], centre[1] - wanted[1][0]) < 0.2 * 0.5 * stretch


def test_no_raster_no_shade(make_scene: Maker) -> None:
    """Without a raster, and with nothing but outlines, the map is still made."""
    scene = make_scene(empty=True)
    assert shade_overlay(scene) is None
    assert "imageOverlay" not in draw_map(scene).get_root().render()
