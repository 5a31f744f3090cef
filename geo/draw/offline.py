"""folium maps that need no network: scripts and styles come from an installed package, never an address."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from functools import lru_cache
from html import escape
from pathlib import Path
from typing import Any

import folium
from branca.element import Link
from folium.elements import JSCSSMixin

PRECISION = "wallfoot:precision.js"
PRECISION_JS = """
(function () {
  if (!window.L || L.wallfootPrecision) { return; }
  L.wallfootPrecision = true;
  [L.Marker, L.CircleMarker, L.Polyline, L.Polygon, L.LayerGroup].forEach(function (Kind) {
    var own = Object.prototype.hasOwnProperty.call(Kind.prototype, 'toGeoJSON');
    if (!own) { return; }
    var plain = Kind.prototype.toGeoJSON;
    Kind.prototype.toGeoJSON = function (digits) {
      return plain.call(this, digits === undefined ? 10 : digits);
    };
  });
})();
"""
"""Leaflet rounds what it gives back to six decimals, 66 mm here; ten are a hundredth of a millimetre."""
LABELS = "wallfoot:labels.js"
NEEDED_JS, NEEDED_CSS = ("leaflet",), ("leaflet_css",)


@lru_cache(1)
def sources() -> dict[str, str]:
    """Return every script and style folium can name, by the address it names it with."""
    from offlinefolium.elements import _res  # noqa: PLC0415 - a private name, used here only

    labels = (Path(__file__).parent / "map_files" / "labels.js").read_text(encoding="utf-8")
    carried = {address: content.strip() for address, content in _res.items()}
    return {**carried, PRECISION: PRECISION_JS, LABELS: labels}


def source(address: str) -> str:
    """Return one script or style.

    Raises
    ------
    LookupError
        When the package carries no copy: without it the whole map would be missing.
    """
    try:
        return sources()[address]
    except KeyError:
        raise LookupError(f"no offline copy of {address}") from None


def new_map(**options: Any) -> folium.Map:
    """Return a map with no tiles and only the scripts it needs."""
    made = folium.Map(tiles=None, max_zoom=26, **options)
    made.default_js = [
        *[(name, address) for name, address in folium.Map.default_js if name in NEEDED_JS],
        ("wallfoot_precision", PRECISION),
        ("wallfoot_labels", LABELS),
    ]
    made.default_css = [(name, address) for name, address in folium.Map.default_css if name in NEEDED_CSS]
    return made


def inline_html(made: folium.Map, *, title: str) -> str:
    """Return a map as one HTML file with everything inside."""
    figure: Any = made.get_root()
    figure.title = escape(title)
    figure.render()
    links: list[Any] = [link for link in figure.header._children.values() if isinstance(link, Link)]  # noqa: SLF001
    for link in links:  # branca has no public way to its links
        link.code = source(link.url).replace("</script", "<\\/script")
    return str(figure._template.render(this=figure, kwargs={"embedded": True}))  # noqa: SLF001


def write_sources(folder: Path) -> None:
    """Write every script and style into a folder, for a server of one's own."""
    folder.mkdir(parents=True, exist_ok=True)
    for address, content in sources().items():
        path = folder / file_name(address)
        if not path.exists():
            path.write_text(content, encoding="utf-8")
    (folder / "index.html").write_text("<!doctype html><title>map files</title>", encoding="utf-8")


def file_name(address: str) -> str:
    """Return the file a script or style is written to."""
    end = ".css" if address.split("?", maxsplit=1)[0].endswith(".css") else ".js"
    return hashlib.sha256(address.encode()).hexdigest()[:16] + end


def served_from(made: folium.Map, base: Callable[[str], str]) -> folium.Map:
    """Point every link of a map at a server of one's own; ``base`` turns a file name into an address."""
    for element in _elements(made):
        if isinstance(element, JSCSSMixin):
            for kind in ("default_js", "default_css"):
                links = getattr(element, kind)
                setattr(element, kind, [(name, _own(address, base)) for name, address in links])
    return made


def _own(address: str, base: Callable[[str], str]) -> str:
    if address.startswith("../"):
        return address
    source(address)
    return base(file_name(address))


def _elements(element: Any) -> Iterator[Any]:
    yield element
    for child in list(element._children.values()):  # noqa: SLF001
        yield from _elements(child)
