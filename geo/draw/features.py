"""A layer of the map whose data cannot be taken for anything but data.

The library that writes the page reads what it has written a second time, as a template: a note with
double braces in it would be run by this program. What goes into a page goes through here only.
"""

from __future__ import annotations

import json
import re
from typing import Any

from folium.map import Layer
from folium.template import Template

TEMPLATE_SIGN = re.compile(r"\{(?=[{%#])")
HTML_SIGNS = {sign: f"\\u{ord(sign):04x}" for sign in "<>&'\u2028\u2029"}


def page_json(content: Any) -> str:
    """Return content as JSON that is safe inside a script of a page and inside a template.

    Raises
    ------
    ValueError
        On a number that is none: the browser could not read it.
    """
    told = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign, written in HTML_SIGNS.items():
        told = told.replace(sign, written)
    return TEMPLATE_SIGN.sub(r"\\u007b", told)


class Features(Layer):
    """Features whose style and card the browser reads from their properties.

    Parameters
    ----------
    features
        GeoJSON features, longitude and latitude.
    name
        As the layer switch shows it; without one it is not in the switch.
    point, each
        Functions of the page: how a point is drawn, and what is bound to each feature.
    quiet
        Drawn only: a tap goes through to what lies under it.
    """

    _template = Template(
        """
        {% macro script(this, kwargs) %}
        var {{ this.get_name() }} = L.geoJSON({{ this.told }}, {
          smoothFactor: 0,
          interactive: {{ this.interactive }},
          style: function (feature) { return feature.properties.style; },
          pointToLayer: {{ this.point }},
          onEachFeature: {{ this.each }}
        });
        {% endmacro %}
        """
    )

    def __init__(
        self,
        features: list[dict[str, Any]],
        *,
        point: str,
        each: str,
        name: str | None = None,
        quiet: bool = False,
    ) -> None:
        super().__init__(name=name, overlay=True, control=name is not None)
        self._name = "features"
        self.told = page_json({"type": "FeatureCollection", "features": features})
        self.point, self.each = point, each
        self.interactive = "false" if quiet else "true"
