"""The map: offline, exact to a millimetre, and no text a user typed is ever markup."""

from __future__ import annotations

import base64
from typing import Any

import folium
from branca.element import MacroElement
from folium.template import Template
from folium.utilities import JsCode

from geo.draw import layers
from geo.draw.offline import inline_html, new_map
from geo.draw.overlay import Overlay, shade_overlay
from geo.draw.scene import Scene
from geo.draw.theme import ACCENT, DRAIN, FONT, HATCH, INK, PANEL, PAPER, RULE, SOFT_INK, WET_STEPS
from geo.site.crs import to_lonlat

CARD_JS = """
function (feature, layer) {
  var card = feature.properties.card || [];
  if (!card.length) { return; }
  function build(full) {
    var box = document.createElement('div');
    box.className = 'wf-card';
    card.slice(0, full ? card.length : 1).forEach(function (pair) {
      var row = document.createElement('div');
      if (pair[0]) {
        var name = document.createElement('span');
        name.textContent = pair[0];
        row.appendChild(name);
      } else { row.className = 'wf-head'; }
      row.appendChild(document.createTextNode(pair[1]));
      box.appendChild(row);
    });
    return box;
  }
  layer.bindPopup(function () { return build(true); }, {maxWidth: 340});
  layer.bindTooltip(function () { return build(false); }, {sticky: true});
}
"""
MARK_JS = """
function (feature, latlng) {
  var p = feature.properties;
  var box = document.createElement('div');
  box.className = 'wf-mark wf-' + (/^[a-z_]+$/.test(p.look) ? p.look : 'sign');
  if (p.known && p.known !== 'seen') { box.className += ' wf-unseen'; }
  var words = document.createElement('span');
  words.textContent = p.text;
  box.appendChild(words);
  return L.marker(latlng, {icon: L.divIcon({html: box, className: 'wf-icon', iconSize: [0, 0]})});
}
"""
DOT_JS = "function (feature, latlng) { return L.circleMarker(latlng, feature.properties.style); }"

CSS = f"""
.leaflet-container {{ background: {PANEL}; font-family: {FONT}; }}
.wf-icon {{ overflow: visible; }}
.wf-mark {{ position: absolute; transform: translate(-50%, -50%); white-space: nowrap;
  font: 700 11px {FONT}; color: {INK}; text-align: center; }}
.wf-corner {{ background: {INK}; color: {PAPER}; border-radius: 50%; width: 18px; height: 18px; line-height: 18px; }}
.wf-face {{ color: {SOFT_INK}; font-weight: 400; }}
.wf-sign {{ color: {SOFT_INK}; font-size: 13px; }}
.wf-gully, .wf-chamber, .wf-soakaway, .wf-downpipe {{ background: {PAPER}; border: 2px solid {DRAIN};
  padding: 1px 4px; line-height: 14px; }}
.wf-gully {{ border-radius: 2px; }}
.wf-chamber {{ outline: 2px solid {PAPER}; border-width: 3px; border-style: double; }}
.wf-downpipe {{ border-radius: 10px; }}
.wf-soakaway {{ border-radius: 2px; transform: translate(-50%, -50%) skewX(-14deg); }}
.wf-unseen {{ border-style: dashed; }}
.wf-card {{ font: 12px/1.45 {FONT}; color: {INK}; max-width: 320px; white-space: normal; }}
.wf-card span {{ color: {SOFT_INK}; margin-right: 6px; }}
.wf-card span::after {{ content: ':'; }}
.wf-head {{ font-weight: 700; }}
.wf-box {{ background: {PAPER}; border: 1px solid {RULE}; border-radius: 4px; padding: 7px 10px;
  font: 11.5px/1.5 {FONT}; color: {INK}; max-width: 300px; }}
.wf-box summary {{ font-weight: 700; cursor: pointer; font-size: 12.5px; min-height: 22px; }}
.wf-box i {{ display: inline-block; width: 22px; height: 10px; margin-right: 7px; vertical-align: middle; }}
.wf-north {{ font: 700 15px {FONT}; background: {PAPER}; border: 1px solid {RULE}; border-radius: 4px;
  padding: 3px 8px; text-align: center; line-height: 1.1; }}
.leaflet-control-layers-toggle {{ width: 40px !important; height: 40px !important; }}
.leaflet-control-layers label {{ font: 13px/1.7 {FONT}; color: {INK}; }}
.leaflet-touch .leaflet-bar a, .leaflet-bar a {{ width: 34px; height: 34px; line-height: 34px; }}
"""

BOX_TEMPLATE = """
{% macro header(this, kwargs) %}<style>{{ this.css }}</style>{% endmacro %}
{% macro script(this, kwargs) %}
(function () {
  var map = {{ this._parent.get_name() }}, said = {{ this.said|tojson }};
  function line(host, parts) {
    var row = document.createElement('div');
    if (parts.css) { var mark = document.createElement('i'); mark.style.cssText = parts.css; row.appendChild(mark); }
    row.appendChild(document.createTextNode(parts.text));
    host.appendChild(row);
  }
  var legend = L.control({position: 'bottomright'});
  legend.onAdd = function () {
    var box = L.DomUtil.create('details', 'wf-box');
    box.open = map.getSize().x > 700;
    var title = document.createElement('summary');
    title.textContent = said.title;
    box.appendChild(title);
    said.lines.forEach(function (parts) { line(box, parts); });
    L.DomEvent.disableClickPropagation(box);
    L.DomEvent.disableScrollPropagation(box);
    return box;
  };
  legend.addTo(map);
  var north = L.control({position: 'topleft'});
  north.onAdd = function () {
    var box = L.DomUtil.create('div', 'wf-north');
    box.textContent = '\\u2191 N';
    return box;
  };
  north.addTo(map);
})();
{% endmacro %}
"""


class Captions(MacroElement):
    """The legend with the caption, and the north arrow; every word goes in as text."""

    _template = Template(BOX_TEMPLATE)

    def __init__(self, scene: Scene) -> None:
        super().__init__()
        self._name = "captions"
        self.css = CSS
        self.said = {"title": scene.site_name, "lines": _legend(scene)}


def base_map(scene: Scene, overlay_url: str | None = None, overlay: Overlay | None = None) -> folium.Map:
    """Return the part of the map that does not change: ground, outlines, runs and assets.

    Parameters
    ----------
    overlay, overlay_url
        The shaded ground, made once; given an address the picture is not put into the page itself.
    """
    outlines = scene.perimeter.footprints
    west, south, east, north = outlines[outlines["role"] == "subject"].total_bounds
    reach = 0.25 * max(east - west, north - south) + 1.5
    ends = to_lonlat([[west - reach, south - reach], [east + reach, north + reach]], scene.crs, tie=scene.tie)
    made = new_map(
        location=ends.mean(axis=0)[::-1].tolist(), zoom_start=20, control_scale=True, zoom_snap=0.25
    )
    made.options["scrollWheelZoom"] = True
    if overlay is not None:
        address = overlay_url or "data:image/png;base64," + base64.b64encode(overlay.png).decode()
        image = folium.raster_layers.ImageOverlay(
            "data:image/png;base64,", bounds=[list(corner) for corner in overlay.bounds], name="Shaded ground"
        )
        image.url = address
        image.add_to(made)
    _add(made, "Buildings", layers.footprints(scene))
    _add(made, "Drain runs", layers.runs(scene))
    _marks(made, "Faces and corners", layers.corners(scene))
    _marks(made, "Gullies, downpipes, chambers, soakaways", layers.assets(scene))
    made.fit_bounds([ends[0][::-1].tolist(), ends[1][::-1].tolist()])
    Captions(scene).add_to(made)
    return made


def changing_layers(scene: Scene, *, show: dict[str, Any] | None = None) -> list[folium.FeatureGroup]:
    """Return the layers that filters change, each under the name the layer switch shows.

    Parameters
    ----------
    show
        ``readings``: ids to draw, all by default; ``sides``: sides whose stretches are drawn;
        ``hidden``: names of layers that start switched off.
    """
    show = show or {}
    sides = tuple(show.get("sides", ("outside", "inside", "cavity", "floor")))
    hidden = set(show.get("hidden", ("Fall by raster",)))
    parts = {
        "Pools": layers.ponds(scene),
        "Fall by raster": layers.falls(scene, "raster"),
        "Fall by levels": layers.falls(scene, "levels"),
        "Wet stretches": layers.stretches(scene, sides),
        "Readings": layers.readings(scene, show.get("readings")),
    }
    groups = []
    for name, features in parts.items():
        group = folium.FeatureGroup(name=name, show=name not in hidden)
        lines = [feature for feature in features if "text" not in feature["properties"]]
        marks = [feature for feature in features if "text" in feature["properties"]]
        if lines:
            _geojson(lines).add_to(group)
        if marks:
            _geojson(marks, point=MARK_JS).add_to(group)
        groups.append(group)
    return groups


def draw_map(scene: Scene) -> folium.Map:
    """Return the whole map, every layer in the layer switch."""
    made = base_map(scene, overlay=shade_overlay(scene))
    for group in changing_layers(scene):
        group.add_to(made)
    folium.LayerControl(collapsed=True).add_to(made)
    return made


def standalone_html(scene: Scene) -> str:
    """Return the map as one HTML file that opens without a network."""
    made = draw_map(scene)
    return inline_html(made, title=f"{scene.site_name}: map")


def _add(made: folium.Map, name: str, features: list[layers.Feature]) -> None:
    if features:
        _geojson(features, name=name).add_to(made)


def _marks(made: folium.Map, name: str, features: list[layers.Feature]) -> None:
    if features:
        _geojson(features, name=name, point=MARK_JS).add_to(made)


def _geojson(
    features: list[layers.Feature], *, name: str | None = None, point: str = DOT_JS
) -> folium.GeoJson:
    """Return one layer whose style and card are read from each feature in the browser."""
    whole = {"type": "FeatureCollection", "features": features}
    return folium.GeoJson(
        whole,
        name=name,
        point_to_layer=JsCode(point),
        on_each_feature=JsCode(CARD_JS),
        smooth_factor=0,
        zoom_on_click=False,
    )


def _legend(scene: Scene) -> list[dict[str, str]]:
    taken = scene.counts
    swatch = "border:1px solid #777;background:"
    return [
        {"text": scene.caption()},
        {
            "text": f"Readings taken {taken['taken']} = joined {taken['joined']} + ambiguous "
            f"{taken['ambiguous']} + unjoined {taken['unjoined']}"
        },
        {"css": f"{swatch}{WET_STEPS[5]}", "text": "over 12 σ above the dry control"},
        {"css": f"{swatch}{WET_STEPS[3]}", "text": "3 to 6 σ above it"},
        {"css": f"{swatch}{WET_STEPS[0]}", "text": "no excess; thick edge: called wet"},
        {"css": f"background:{WET_STEPS[4]};height:6px", "text": "wet stretch, outside or inside the wall"},
        {"css": f"background:{WET_STEPS[5]};height:3px", "text": "arrow to the wall: ground falls to it"},
        {
            "css": f"background:{WET_STEPS[2]};height:3px",
            "text": "arrow from the wall: falls away; ? not known",
        },
        {
            "css": f"border-top:3px dashed {DRAIN};height:0",
            "text": "drain, arrows downstream (thin: assumed)",
        },
        {"css": f"border:1px dashed {ACCENT};background:{HATCH}22", "text": "pool; dashed: only when no gully works"},
        {"text": "Readings of one place are fanned out from the wall, lowest nearest."},
        {"text": scene.grid_note},
    ]
