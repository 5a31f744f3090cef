"""The map: offline, exact to a millimetre, and no text a user typed is ever markup."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import folium
from branca.element import MacroElement
from folium.template import Template

from geo.draw import layers
from geo.draw.features import Features, page_json
from geo.draw.offline import inline_html, new_map
from geo.draw.overlay import Overlay, shade_overlay
from geo.draw.scene import Scene
from geo.draw.theme import ACCENT, DRAIN, EARTH, FONT, HATCH, INK, PANEL, PAPER, RULE, SOFT_INK, WET_STEPS
from geo.site.crs import to_lonlat

START_HIDDEN = ("Fall by raster", "Ground draining to the wall", "Values of readings")
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
    if (full && feature.properties.pick && window.offerChoices) {
      window.offerChoices(box, feature.properties.pick);
    }
    return box;
  }
  layer.bindPopup(function () { return build(true); }, {maxWidth: 340});
  layer.bindTooltip(function () { return build(false); }, {sticky: true});
}
"""
POINT_JS = "L.wallfoot.point"
"""How a point is drawn: the function of the page that also finds room for its name."""

CSS = f"""
.leaflet-container {{ background: {PANEL}; font-family: {FONT}; }}
.wf-icon {{ overflow: visible; }}
.wf-mark, .wf-label {{ position: absolute; white-space: nowrap; text-align: center; color: {INK};
  font: 700 11px {FONT}; }}
.wf-mark {{ transform: translate(-50%, -50%); }}
.wf-label {{ left: 0; top: 0; visibility: hidden; }}
.wf-label.wf-placed, .wf-label.wf-asked {{ visibility: visible; }}
.wf-label span {{ display: inline-block; max-width: 150px; overflow: hidden; text-overflow: ellipsis;
  vertical-align: top; }}
.wf-name {{ background: {PAPER}; border-radius: 3px; padding: 0 3px; line-height: 15px; font-size: 11.5px; }}
.wf-lead {{ position: absolute; left: 0; top: 0; height: 0; transform-origin: 0 0; pointer-events: none;
  border-top: 1.2px solid {INK}; }}
.wf-lead.wf-from::before {{ content: ''; position: absolute; left: -3.5px; top: -4px; width: 7px; height: 7px;
  border-radius: 50%; background: {INK}; box-shadow: 0 0 0 1px {PAPER}; }}
.wf-corner {{ background: {INK}; color: {PAPER}; border-radius: 50%; width: 18px; height: 18px;
  line-height: 18px; }}
.wf-face {{ color: {INK}; font-weight: 400; }}
.wf-face, .wf-run {{ background: {PAPER}e6; border-radius: 3px; padding: 0 4px; line-height: 15px; }}
.wf-run {{ color: {DRAIN}; font-weight: 400; }}
.wf-stretch {{ color: {PAPER}; background: {WET_STEPS[4]}; border-radius: 3px; padding: 0 4px;
  line-height: 15px; }}
.wf-off {{ font-size: 15px; line-height: 15px; -webkit-text-stroke: 1.2px {INK}; }}
.wf-value {{ pointer-events: none; line-height: 12px;
  text-shadow: 0 0 2px {PAPER}, 0 0 2px {PAPER}, 0 0 3px {PAPER}; }}
.wf-sign {{ color: {SOFT_INK}; font-size: 13px; line-height: 13px; }}
.wf-gully, .wf-chamber, .wf-soakaway, .wf-downpipe {{ width: 12px; height: 12px; background: {PAPER};
  border: 2px solid {DRAIN}; }}
.wf-gully {{ border-radius: 1px; box-shadow: inset 0 0 0 2px {PAPER}, inset 0 0 0 8px {DRAIN}66; }}
.wf-chamber {{ width: 16px; height: 16px; border-width: 4px; border-style: double; }}
.wf-downpipe {{ border-radius: 50%; box-shadow: inset 0 0 0 3px {PAPER}, inset 0 0 0 9px {DRAIN}; }}
.wf-soakaway {{ transform: translate(-50%, -50%) rotate(45deg); }}
.wf-other {{ width: 7px; height: 7px; border-radius: 50%; background: {PAPER};
  border: 2px solid {SOFT_INK}; }}
.wf-unseen {{ border-style: dashed; }}
.wf-card {{ font: 12px/1.45 {FONT}; color: {INK}; max-width: 320px; white-space: normal; }}
.wf-card span {{ color: {SOFT_INK}; margin-right: 6px; }}
.wf-card span::after {{ content: ':'; }}
.wf-head {{ font-weight: 700; }}
.wf-box {{ background: {PAPER}; border: 1px solid {RULE}; border-radius: 4px; padding: 7px 10px;
  font: 11.5px/1.5 {FONT}; color: {INK}; max-width: 300px; }}
.wf-box b {{ font-size: 13px; overflow-wrap: anywhere; }}
.wf-box summary {{ font-weight: 700; cursor: pointer; padding: 5px 0; }}
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
  var map = {{ this._parent.get_name() }}, said = {{ this.said }};
  function line(host, parts) {
    var row = document.createElement('div');
    if (parts.css) {
      var mark = document.createElement('i');
      mark.style.cssText = parts.css;
      row.appendChild(mark);
    }
    row.appendChild(document.createTextNode(parts.text));
    host.appendChild(row);
  }
  var legend = L.control({position: 'bottomright'});
  legend.onAdd = function () {
    var box = L.DomUtil.create('div', 'wf-box');
    var title = document.createElement('b');
    title.textContent = said.title;
    box.appendChild(title);
    line(box, {text: said.caption});
    var more = document.createElement('details');
    more.open = map.getSize().x > 1000 && map.getSize().y > 640;
    var name = document.createElement('summary');
    name.textContent = 'What is drawn';
    more.appendChild(name);
    said.lines.forEach(function (parts) { line(more, parts); });
    box.appendChild(more);
    L.DomEvent.disableClickPropagation(box);
    L.DomEvent.disableScrollPropagation(box);
    return box;
  };
  legend.addTo(map);
  var north = L.control({position: 'topleft'});
  north.onAdd = function () {
    var box = L.DomUtil.create('div', 'wf-north');
    box.textContent = '\\u2191 ' + said.north;
    return box;
  };
  north.addTo(map);
  L.control.scale({imperial: false, maxWidth: 160}).addTo(map);
  map.attributionControl.setPrefix(false);
})();
{% endmacro %}
"""


class Captions(MacroElement):
    """The legend with the caption, and the north arrow; every word goes in as text."""

    _template = Template(BOX_TEMPLATE)

    def __init__(self, scene: Scene, lines: list[dict[str, str]]) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self._name = "captions"
        self.css = CSS
        self.said = page_json(
            {
                "title": scene.site_name,
                "caption": scene.when_and_what(),
                "north": _north(scene),
                "lines": lines,
            }
        )


def base_map(scene: Scene, overlay_url: str | None = None, overlay: Overlay | None = None) -> folium.Map:
    """Return the part of the map that does not change: ground, outlines, runs and assets.

    Parameters
    ----------
    overlay, overlay_url
        The shaded ground, made once; given an address the picture is not put into the page itself.
    """
    parts = {
        "Buildings": layers.footprints(scene),
        "Drain runs": layers.runs(scene),
        "Faces and corners": layers.corners(scene),
        "Gullies, downpipes, chambers, soakaways": layers.assets(scene),
    }
    drawn = {name: map_layer(features, name=name) for name, features in parts.items() if features}
    outlines = scene.perimeter.footprints
    extent = outlines[outlines["role"] == "subject"].total_bounds
    return framed_map(scene, drawn, extent, lines=_legend(scene), overlay=overlay, overlay_url=overlay_url)


def framed_map(
    scene: Scene,
    drawn: Mapping[str, Features],
    extent: Sequence[float],
    *,
    lines: list[dict[str, str]],
    margin: float = 0.25,
    overlay: Overlay | None = None,
    overlay_url: str | None = None,
) -> folium.Map:
    """Return a map of layers over the shaded ground, with its caption, scale, north and legend.

    Parameters
    ----------
    extent
        West, south, east, north of what is to be seen, m in the site's grid.
    lines
        What the legend says: ``text``, and ``css`` of a swatch.
    margin
        Ground shown on every side, as a share of the extent's longer side.
    overlay, overlay_url
        As for :func:`base_map`.
    """
    west, south, east, north = extent
    reach = margin * max(east - west, north - south) + 1.5
    ends = to_lonlat([[west - reach, south - reach], [east + reach, north + reach]], scene.crs, tie=scene.tie)
    made = new_map(location=ends.mean(axis=0)[::-1].tolist(), zoom_start=20, zoom_snap=0.25)
    if overlay is not None:
        address = overlay_url or "data:image/png;base64," + base64.b64encode(overlay.png).decode()
        image = folium.raster_layers.ImageOverlay(
            "data:image/png;base64,", bounds=[list(corner) for corner in overlay.bounds], name="Shaded ground"
        )
        image.url = address
        image.add_to(made)
    for layer in drawn.values():
        layer.add_to(made)
    made.fit_bounds([ends[0][::-1].tolist(), ends[1][::-1].tolist()])
    Captions(scene, lines).add_to(made)
    return made


def changing_layers(scene: Scene, *, show: dict[str, Any] | None = None) -> list[folium.FeatureGroup]:
    """Return the layers that filters change, each under the name the layer switch shows.

    Parameters
    ----------
    show
        ``readings``: ids to draw, all by default; ``sides``: sides whose stretches are drawn;
        ``hidden``: names of layers that start switched off; ``layers``: names of layers made at all.
    """
    show = show or {}
    sides = tuple(show.get("sides", ("outside", "inside", "cavity", "floor")))
    hidden = set(show.get("hidden", START_HIDDEN))
    parts: dict[str, Callable[[], list[layers.Feature]]] = {
        "Pools": lambda: layers.ponds(scene),
        "Ground draining to the wall": lambda: layers.uphill(scene),
        "Fall by raster": lambda: layers.falls(scene, "raster"),
        "Fall by levels": lambda: layers.falls(scene, "levels"),
        "Wet stretches": lambda: layers.stretches(scene, sides),
        "Readings": lambda: layers.readings(scene, show.get("readings")),
        "Values of readings": lambda: layers.values(scene, show.get("readings")),
    }
    groups = []
    for name, make in parts.items():
        if name not in show.get("layers", parts):
            continue
        features = make()
        group = folium.FeatureGroup(name=name, show=name not in hidden)
        if features:
            map_layer(features).add_to(group)
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


def map_layer(features: list[layers.Feature], *, name: str | None = None) -> Features:
    """Return features as one layer whose cards open at a tap."""
    return Features(features, point=POINT_JS, each=CARD_JS, name=name)


def on_earth(scene: Scene) -> bool:
    """Return whether the site has true longitudes and latitudes: a grid tied to nothing has none."""
    return scene.tie is not None or not scene.crs.to_wkt().startswith("ENGCRS")


def _north(scene: Scene) -> str:
    """Return what the north arrow says: a local grid that is not tied has only its own north."""
    return "N" if on_earth(scene) else "grid N"


def _legend(scene: Scene) -> list[dict[str, str]]:
    taken = scene.counts
    swatch = "border:1px solid #777;background:"
    return [
        {
            "text": f"Readings taken {taken['taken']} = joined {taken['joined']} + ambiguous "
            f"{taken['ambiguous']} + unjoined {taken['unjoined']}"
        },
        {"css": f"{swatch}{WET_STEPS[5]}", "text": "over 12 σ above the dry control"},
        {"css": f"{swatch}{WET_STEPS[3]}", "text": "3 to 6 σ above it"},
        {"css": f"{swatch}{WET_STEPS[0]}", "text": "no excess; thick edge: called wet"},
        {"text": "▲ off the scale: at least"},
        {"css": f"background:{WET_STEPS[4]};height:6px", "text": "wet stretch, outside or inside the wall"},
        {"css": f"background:{EARTH};height:6px", "text": "ground draining to the wall, wider: more of it"},
        {"css": f"background:{WET_STEPS[5]};height:3px", "text": "arrow to the wall: ground falls to it"},
        {
            "css": f"background:{WET_STEPS[2]};height:3px",
            "text": "arrow from the wall: falls away; ? not known",
        },
        {
            "css": f"border-top:3px dashed {DRAIN};height:0",
            "text": "drain, arrows downstream (thin: assumed)",
        },
        {
            "css": f"border:1px dashed {ACCENT};background:{HATCH}22",
            "text": "pool; dashed: only when no gully works",
        },
        {"text": "Readings of one place are fanned out from the wall, lowest nearest."},
        {"text": scene.grid_note},
    ]
