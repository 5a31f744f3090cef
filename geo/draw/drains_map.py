"""The drains on the map: what may be stopped, the way the water takes, where it comes up."""

from __future__ import annotations

import folium
import numpy as np
import shapely
from branca.element import MacroElement
from folium.template import Template

from geo.draw.drains_sketches import (
    Lines,
    comes_up,
    crossings,
    entries,
    node_marks,
    pools,
    run_lines,
    standing,
    wet_wall,
)
from geo.draw.features import Features, page_json
from geo.draw.layers import Sketch, assets, corners, footprints, placed, runs
from geo.draw.map import CARD_JS, POINT_JS, framed_map
from geo.draw.overlay import Overlay
from geo.draw.scene import Scene
from geo.draw.theme import ACCENT, DRAIN, FONT, INK, PAPER, RULE, WET_STEPS
from geo.findings.drains import DrainAnswer, Drains

CHOICES = {"blocked": "Blocked here", "source": "Water put in here"}
"""What a card offers, by the key that comes back from the page."""
CSS = f"""
.wf-card button {{ display: block; width: 100%; min-height: 44px; margin-top: 6px; cursor: pointer;
  font: 700 13px {FONT}; color: {INK}; background: {PAPER}; border: 1.5px solid {DRAIN};
  border-radius: 4px; }}
.wf-card button:hover, .wf-card button:focus-visible {{ background: {WET_STEPS[1]}; }}
.leaflet-container a.leaflet-popup-close-button {{ width: 32px; height: 32px; line-height: 30px; }}
.wf-gully::after, .wf-chamber::after, .wf-soakaway::after, .wf-downpipe::after {{ content: '';
  position: absolute; inset: -14px; }}
.wf-spill, .wf-rival {{ width: 20px; height: 20px; line-height: 20px; border-radius: 50%;
  background: {ACCENT}; color: {PAPER}; border: 2px solid {PAPER}; font-size: 12px;
  box-shadow: 0 0 0 1px {ACCENT}; }}
.wf-rival {{ background: {PAPER}; color: {ACCENT}; border: 2px dashed {ACCENT}; box-shadow: none; }}
.wf-stop, .wf-put {{ height: 18px; line-height: 18px; padding: 0 5px; border-radius: 3px; background: {INK};
  color: {PAPER}; border: 1px solid {PAPER}; }}
.wf-put {{ background: {PAPER}; color: {ACCENT}; border: 1px solid {ACCENT}; }}
.wf-pool, .wf-way {{ background: {PAPER}f0; border: 1px solid {RULE}; border-radius: 3px; padding: 1px 5px;
  line-height: 14px; }}
.wf-pool {{ color: {WET_STEPS[5]}; }}
.wf-pool span, .wf-way span {{ max-width: none; }}
.wf-entry {{ width: 18px; height: 18px; line-height: 17px; background: {PAPER};
  border: 2px solid {WET_STEPS[5]}; border-radius: 3px; color: {WET_STEPS[5]}; }}
"""
CHOOSE_TEMPLATE = """
{% macro header(this, kwargs) %}<style>{{ this.css }}</style>{% endmacro %}
{% macro script(this, kwargs) %}
(function () {
  var map = {{ this._parent.get_name() }};
  var carrier = L.layerGroup().addTo(map), choices = {{ this.choices }};
  // A choice goes back to the program as a feature that was clicked; opening a card sends nothing.
  window.offerChoices = function (box, pick) {
    choices.forEach(function (choice) {
      if (!pick[choice[0]]) { return; }
      var button = document.createElement('button');
      button.type = 'button';
      button.textContent = choice[1];
      button.addEventListener('click', function () {
        var told = {
          type: 'Feature', geometry: null,
          properties: {chosen: choice[0], id: pick.id, moment: Date.now()}
        };
        carrier.fire('click', {layer: {toGeoJSON: function () { return told; }}});
        map.closePopup();
      });
      box.appendChild(button);
    });
  };
  var page = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
  page.setAttribute('width', '0');
  page.setAttribute('height', '0');
  page.style.position = 'absolute';
  page.innerHTML = '<defs><pattern id="wallfoot-hatch" width="7" height="7" patternUnits="userSpaceOnUse"' +
    ' patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="7" stroke="{{ this.ink }}"' +
    ' stroke-width="2.4"/></pattern></defs>';
  document.body.appendChild(page);
})();
{% endmacro %}
"""
SILENT_CARD_JS = f"""
function (feature, layer) {{
  layer.toGeoJSON = undefined;
  ({CARD_JS.strip()})(feature, layer);
}}
"""
LEGEND = [
    {"text": "Tap a run, gully, chamber, downpipe or soakaway: blocked here, or water put in here."},
    {"css": f"background:{WET_STEPS[2]};height:8px", "text": "water stands in the drain; arrows: its way"},
    {"css": f"background:{INK}", "text": "✕ taken as blocked; ? where along it is not known"},
    {"css": f"background:{ACCENT};border-radius:50%;width:12px;height:12px", "text": "1 comes up first"},
    {
        "css": f"border:2px dashed {ACCENT};border-radius:50%;width:10px;height:10px",
        "text": "could equally be first, or next",
    },
    {"css": f"border:1px solid {ACCENT};background:{WET_STEPS[2]}", "text": "stands on the ground"},
    {
        "css": f"border:1px dashed {ACCENT};background:repeating-linear-gradient(45deg,{WET_STEPS[3]} 0 2px,"
        f"{PAPER} 2px 5px)",
        "text": "may stand there: not known",
    },
    {"css": f"background:{WET_STEPS[4]};height:6px", "text": "wall it reaches; dashed: length taken"},
    {"css": f"border:2px solid {WET_STEPS[5]};width:10px", "text": "▶ enters by an opening; ? not known"},
    {"css": f"background:{INK};height:3px", "text": "K1-K7 inside the wall: past the barrier; dashed ?"},
    {
        "css": f"border-top:3px solid {DRAIN};height:0",
        "text": "foul; long dashes surface; dash and dot combined; dotted not known; thin: assumed",
    },
]


class Choices(MacroElement):
    """What a card on the map offers to do, and how the choice comes back: an id, as data."""

    _template = Template(CHOOSE_TEMPLATE)

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self._name = "choices"
        self.css = CSS
        self.ink = WET_STEPS[3]
        self.choices = page_json([list(pair) for pair in CHOICES.items()])


def drains_base(
    scene: Scene, drains: Drains, *, overlay_url: str | None = None, overlay: Overlay | None = None
) -> folium.Map:
    """Return the part of the map no answer changes; a tap on an asset offers to block it or pour into it.

    Parameters
    ----------
    overlay, overlay_url
        As for :func:`geo.draw.map.base_map`.
    """
    stops, sources = set(drains.can_be_blocked), set(drains.sources)
    picks = {
        name: {"id": name, "blocked": name in stops, "source": name in sources} for name in stops | sources
    }
    parts = {
        "Buildings": footprints(scene),
        "Corners": [each for each in corners(scene) if each["properties"]["look"] == "corner"],
        "Drain runs": runs(scene, picks),
        "Gullies, downpipes, chambers, soakaways": assets(scene, picks),
    }
    drawn = {
        name: Features(features, point=POINT_JS, each=SILENT_CARD_JS, quiet=name == "Buildings")
        for name, features in parts.items()
        if features
    }
    outlines = scene.perimeter.footprints
    shapes = [*outlines.geometry[outlines["role"] == "subject"], *scene.runs.geometry]
    made = framed_map(
        scene,
        drawn,
        shapely.total_bounds(np.array(shapes, dtype=object)).tolist(),
        lines=LEGEND,
        margin=0.02,
        overlay=overlay,
        overlay_url=overlay_url,
    )
    Choices().add_to(made)
    return made


def answer_layers(
    scene: Scene, drains: Drains, answer: DrainAnswer | None = None, *, lines: Lines | None = None
) -> list[folium.FeatureGroup]:
    """Return what an answer draws: the water, the wall it reaches, and the numbered marks.

    Bands let a tap through to the run or the building under them; marks and pools have cards.

    Parameters
    ----------
    lines
        As :func:`run_lines` gives them, where they are kept from one answer to the next.
    """
    lines = run_lines(scene, drains) if lines is None else lines
    bands: list[Sketch] = []
    marks: list[Sketch] = []
    if answer is not None:
        bands += standing(drains, answer, lines)
        if comes_up(answer):
            bands += wet_wall(scene, answer)
            marks += pools(answer)
            marks += crossings(scene, answer)
            marks += entries(scene, answer)
        marks += node_marks(drains, answer, lines)
    groups = []
    for name, sketches, quiet in (("Water", bands, True), ("Marks", marks, False)):
        group = folium.FeatureGroup(name=name)
        Features(placed(scene, sketches), point=POINT_JS, each=SILENT_CARD_JS, quiet=quiet).add_to(group)
        groups.append(group)
    return groups
