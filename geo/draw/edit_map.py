"""The map one draws on: a fixed ground, what is there already, and one kind of thing that can be edited."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import Any

import folium
import numpy as np
from branca.element import MacroElement
from folium.plugins import Draw
from folium.template import Template

from geo.draw.features import Features, page_json
from geo.draw.map import CARD_JS, CSS, POINT_JS
from geo.draw.offline import new_map
from geo.draw.overlay import Overlay
from geo.draw.theme import ACCENT

TOOLS = {"Polygon": "polygon", "LineString": "polyline", "Point": "marker"}
SHAPE = {"color": ACCENT, "weight": 3, "opacity": 1, "fillColor": ACCENT, "fillOpacity": 0.12}
OWN_CSS = (
    CSS
    + """
.leaflet-draw-toolbar { zoom: 1.35; }
.leaflet-draw-actions a { height: 30px; line-height: 30px; }
.leaflet-draw-tooltip { font-size: 13px; }
"""
)


class Styled(MacroElement):
    """The map's own rules of style, and its scale bar."""

    _template = Template(
        "{% macro header(this, kwargs) %}<style>{{ this.css }}</style>{% endmacro %}"
        "{% macro script(this, kwargs) %}{{ this._parent.get_name() }}.attributionControl.setPrefix(false);"
        "L.control.scale({imperial: false}).addTo({{ this._parent.get_name() }});{% endmacro %}"
    )

    def __init__(self, css: str) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self._name, self.css = "styled", css


class Editable(MacroElement):
    """What can be edited: it replaces what the drawing tool holds, each shape under its id."""

    _template = Template(
        """
        {% macro script(this, kwargs) %}
        (function () {
          var held = window.drawnItems, told = {{ this.told }};
          if (!held || !held.clearLayers) { return; }
          held.clearLayers();
          L.geoJSON(told, {
            style: {{ this.style }},
            pointToLayer: function (feature, latlng) {
              var box = document.createElement('div');
              box.className = 'wf-grip';
              return L.marker(latlng, {icon: L.divIcon({html: box, className: 'wf-icon', iconSize: [0, 0]})});
            }
          }).eachLayer(function (layer) { held.addLayer(layer); });
          var kept = window.__GLOBAL_DATA__;
          if (kept) { kept.all_drawings = held.toGeoJSON().features; }
        })(); /* {{ this.version }} */
        {% endmacro %}
        """
    )

    def __init__(self, features: Sequence[Mapping[str, Any]], *, version: int) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self._name, self.version = "editable", int(version)
        self.told = page_json({"type": "FeatureCollection", "features": list(features)})
        self.style = page_json(SHAPE)


GRIP_CSS = f"""
.wf-grip {{ position: absolute; width: 26px; height: 26px; left: -13px; top: -13px; border-radius: 50%;
  border: 3px solid {ACCENT}; background: {ACCENT}22; box-sizing: border-box; }}
"""


def drawing_map(
    bounds: Sequence[Sequence[float]], *, shape: str, overlay: Overlay | None = None, overlay_url: str = ""
) -> folium.Map:
    """Return the part of the map that stays while one kind of thing is drawn.

    Parameters
    ----------
    bounds
        South-west and north-east corner, latitude before longitude.
    shape
        What is drawn: ``Polygon``, ``LineString`` or ``Point``.
    overlay, overlay_url
        A plan or the shaded ground under it.
    """
    middle = np.asarray(bounds, dtype=np.float64).mean(axis=0).tolist()
    made = new_map(location=middle, zoom_start=21, zoom_snap=0.25)
    if overlay is not None:
        address = overlay_url or "data:image/png;base64," + base64.b64encode(overlay.png).decode()
        image = folium.raster_layers.ImageOverlay(
            "data:image/png;base64,", bounds=[list(corner) for corner in overlay.bounds], name="Under it"
        )
        image.url = address
        image.add_to(made)
    tools: dict[str, Any] = dict.fromkeys(
        ("polygon", "polyline", "marker", "circle", "circlemarker", "rectangle"), False
    )
    options = {"shapeOptions": SHAPE, "showLength": True, "metric": True, "repeatMode": False}
    tools[TOOLS[shape]] = {"repeatMode": False} if shape == "Point" else options
    tool: Any = Draw
    tool(show_geometry_on_click=False, draw_options=tools, edit_options={"remove": True}).add_to(made)
    Styled(OWN_CSS + GRIP_CSS).add_to(made)
    made.fit_bounds([list(corner) for corner in bounds])
    return made


def looking_map(bounds: Sequence[Sequence[float]]) -> folium.Map:
    """Return a small map to look at, with nothing on it yet.

    Parameters
    ----------
    bounds
        South-west and north-east corner, latitude before longitude.
    """
    middle = np.asarray(bounds, dtype=np.float64).mean(axis=0).tolist()
    made = new_map(location=middle, zoom_start=19, zoom_snap=0.25)
    Styled(OWN_CSS).add_to(made)
    made.fit_bounds([list(corner) for corner in bounds])
    return made


def looking_layer(
    features: Sequence[dict[str, Any]], coming: Sequence[dict[str, Any]]
) -> folium.FeatureGroup:
    """Return what is there and, over it, what would come in."""
    shown = folium.FeatureGroup(name="shown")
    for some in (features, coming):
        if some:
            Features(list(some), point=POINT_JS, each=CARD_JS).add_to(shown)
    return shown


def drawing_layer(
    passive: Sequence[dict[str, Any]], editable: Sequence[Mapping[str, Any]], *, version: int
) -> list[folium.FeatureGroup]:
    """Return what changes on it: what is only looked at, and what can be edited."""
    shown = folium.FeatureGroup(name="shown")
    if passive:
        Features(list(passive), point=POINT_JS, each=CARD_JS).add_to(shown)
    held = folium.FeatureGroup(name="held")
    Editable(editable, version=version).add_to(held)
    return [shown, held]
