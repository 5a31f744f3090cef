"""What a column's title says: which field it is, and in what unit."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from geo.site.fields import UNITS, type_of
from geo.site.records import Record


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit by what it takes to turn it into the one its kind is kept in: value × factor + offset."""

    kind: str
    factor: float
    offset: float = 0.0


UNIT_WORDS: dict[str, Unit] = {
    "m": Unit("length", 1.0),
    "mm": Unit("length", 0.001),
    "cm": Unit("length", 0.01),
    "ft": Unit("length", 0.3048),
    "in": Unit("length", 0.0254),
    "m2": Unit("area", 1.0),
    "ft2": Unit("area", 0.3048**2),
    "m3": Unit("volume", 1.0),
    "l": Unit("volume", 0.001),
    "ml": Unit("volume", 1e-6),
    "l/s": Unit("flow", 1.0),
    "l/min": Unit("flow", 1 / 60),
    "l/h": Unit("flow", 1 / 3600),
    "m3/h": Unit("flow", 1000 / 3600),
    "g": Unit("mass", 1.0),
    "mg": Unit("mass", 0.001),
    "kg": Unit("mass", 1000.0),
    "c": Unit("temperature", 1.0),
    "f": Unit("temperature", 5 / 9, -160 / 9),
    "s": Unit("time", 1.0),
    "min": Unit("time", 60.0),
    "h": Unit("time", 3600.0),
    "%": Unit("share", 1.0),
    "deg": Unit("angle", 1.0),
    "rad": Unit("angle", 57.29577951308232),
    "m/s": Unit("speed", 1.0),
    "mm/h": Unit("speed", 0.001 / 3600),
    "mg/l": Unit("strength", 1.0),
    "g/l": Unit("strength", 1000.0),
    "kwh": Unit("energy", 1.0),
    "kg/m3": Unit("density", 1.0),
}
"""Units a title or a cell may name; a foot is 0.3048 m and an inch 0.0254 m by definition (1959)."""

_WRITTEN = {
    "m": "metre metres meter meters mtr",
    "mm": "millimetre millimetres millimeter millimeters",
    "cm": "centimetre centimetres centimeter centimeters",
    "ft": "feet foot '",
    "in": 'inch inches "',
    "m2": "m² sqm sq_m",
    "ft2": "ft² sq_ft",
    "m3": "m³",
    "l": "litre litres ltr",
    "l/s": "lps l_s l/sec",
    "l/h": "l/hr l_h",
    "g": "gram grams",
    "c": "°c degc deg_c celsius",
    "f": "°f degf deg_f fahrenheit",
    "s": "sec secs seconds",
    "min": "mins minutes",
    "h": "hr hrs hours",
    "%": "percent per_cent pct %_rh %rh rh%",
    "deg": "° degree degrees",
    "rad": "radians",
    "m/s": "m_s",
    "mg/l": "mg_l",
}
_SAME = {word.replace("_", " "): unit for unit, words in _WRITTEN.items() for word in words.split()}
_OF_END = {"percent": "%", "l_s": "l/s", "l_h": "l/h", "m_s": "m/s", "mg_l": "mg/l", "kg_m3": "kg/m3"}
_FIELD_UNIT = {end: _OF_END.get(end[1:], end[1:]) for end in UNITS if end != "_count"}

TITLES: dict[str, tuple[str, ...]] = {
    "id": (
        "ref",
        "reference",
        "no",
        "number",
        "name",
        "code",
        "label",
        "mark",
        "point",
        "node",
        "point id",
        "point no",
    ),
    "value": (
        "reading",
        "moisture",
        "moisture reading",
        "moisture content",
        "mc",
        "wme",
        "result",
        "measurement",
    ),
    "height_m": ("height", "ht", "height above floor", "height above ground", "h"),
    "chainage_m": ("chainage", "ch", "running distance", "distance along", "station"),
    "offset_m": ("offset", "os", "distance out"),
    "distance_m": ("distance", "dist", "distance from corner"),
    "depth_mm": ("depth", "probe depth"),
    "face": ("wall", "elevation", "face"),
    "method": ("meter type", "how read", "mode"),
    "instrument": ("meter", "instrument no", "serial", "serial no", "serial number"),
    "material": ("substrate", "surface", "wall material"),
    "basis": ("wet or dry", "wet/dry", "wet dry basis"),
    "side": ("inside or outside", "in/out"),
    "control": ("dry reference", "control reading"),
    "repeats_count": ("repeats", "times"),
    "easting_m": ("easting", "e", "x", "east", "eastings"),
    "northing_m": ("northing", "n", "y", "north", "northings"),
    "position_sigma_m": ("accuracy", "position accuracy", "hz precision", "precision"),
    "level_m": ("level", "rl", "reduced level", "z", "elevation", "height datum", "ele"),
    "known_level_m": ("bm", "bench mark", "benchmark"),
    "backsight_m": ("bs", "backsight", "back sight"),
    "intermediate_sight_m": ("is", "intermediate", "intermediate sight"),
    "foresight_m": ("fs", "foresight", "fore sight"),
    "setup_id": ("set up", "setup", "set-up", "instrument station"),
    "cover_level_m": ("cl", "cover", "cover level"),
    "invert_level_m": ("il", "invert", "invert level"),
    "rim_level_m": ("rim", "rim level", "grating level", "grate level"),
    "outlet_invert_level_m": ("outlet", "outlet invert", "outlet level"),
    "invert_up_level_m": ("upstream invert", "us il", "us invert", "upstream il"),
    "invert_down_level_m": ("downstream invert", "ds il", "ds invert", "downstream il"),
    "from_id": ("from", "upstream", "us node", "start"),
    "to_id": ("to", "downstream", "ds node", "end"),
    "bore_mm": ("bore", "diameter", "dia", "pipe size", "size", "pipe dia"),
    "pipe_material": ("pipe", "pipe material", "material"),
    "use": ("type", "system"),
    "state": ("condition", "status"),
    "taken_at": (
        "date",
        "time",
        "date time",
        "datetime",
        "taken",
        "when",
        "timestamp",
        "date and time",
        "date/time",
    ),
    "seen_on": ("date", "seen", "date seen", "inspected"),
    "taken_by": ("by", "surveyor", "role"),
    "air_c": ("temperature", "temp", "air temp", "air temperature", "t", "celsius"),
    "humidity_percent": ("humidity", "rh", "relative humidity", "rel humidity"),
    "surface_c": ("surface temp", "surface temperature", "wall temp"),
    "note": ("notes", "comment", "comments", "remark", "remarks", "observation", "observations"),
    "photo_ids": ("photo", "photos", "photo no", "image"),
    "wet_g": ("wet", "wet mass", "wet weight"),
    "dry_g": ("dry", "dry mass", "dry weight"),
    "dish_g": ("dish", "tin", "tare"),
    "chainage_from_m": ("from", "chainage from", "start chainage"),
    "chainage_to_m": ("to", "chainage to", "end chainage"),
    "taped_length_m": ("length", "taped length", "measured length"),
}
"""Titles in common use for a field, besides its own name."""


def unit_of_title(title: str) -> tuple[str, str]:
    """Return a title's words without its unit, and the unit it names (``""`` for none).

    Reads ``Height (mm)``, ``height_mm``, ``Height [mm]``, ``Height, mm`` and ``Height mm``.
    """
    plain = " ".join(title.replace("\u00a0", " ").split())
    match = re.fullmatch(r"(.*?)\s*[(\[{]\s*([^()\[\]{}]*?)\s*[)\]}]\s*", plain)
    if match and (unit := known_unit(match[2])):
        return words_of_title(match[1]), unit
    for end in sorted(_FIELD_UNIT, key=len, reverse=True):
        if plain.casefold().endswith(end):
            return words_of_title(plain[: -len(end)]), _FIELD_UNIT[end]
    match = re.fullmatch(r"(.+?)(?:\s*[,/]\s*|[\s_])([^\s,_]+)", plain)
    if match and (unit := known_unit(match[2])) and (unit not in ("h", "s", "c", "f") or "," in plain):
        return words_of_title(match[1]), unit
    if plain.endswith("%"):
        return words_of_title(plain[:-1]), "%"
    return words_of_title(plain), ""


def words_of_title(title: str) -> str:
    """Return a title as it is compared: small letters, single spaces."""
    return " ".join(re.sub(r"[_\-.:#?*]+", " ", title.casefold()).split())


def known_unit(written: str) -> str:
    """Return the unit a word means, or ``""``."""
    low = written.strip().casefold().rstrip(".")
    low = _SAME.get(low, low)
    return low if low in UNIT_WORDS else ""


def field_unit(name: str) -> str:
    """Return the unit a field is kept in, as a word of ``UNIT_WORDS``; ``""`` where it has none."""
    ends = [end for end in UNITS if name.endswith(end)]
    return _FIELD_UNIT.get(max(ends, key=len), "") if ends else ""


def units_for(name: str) -> tuple[str, ...]:
    """Return the units a field's numbers may be given in."""
    own = field_unit(name)
    if not own:
        return ()
    kind = UNIT_WORDS[own].kind
    return tuple(unit for unit, found in UNIT_WORDS.items() if found.kind == kind)


def conversion(unit: str, name: str) -> tuple[float, float]:
    """Return factor and offset that turn a number in a unit into the field's own unit."""
    own = field_unit(name)
    if not own or not unit or unit == own:
        return 1.0, 0.0
    given, kept = UNIT_WORDS[unit], UNIT_WORDS[own]
    return given.factor / kept.factor, (given.offset - kept.offset) / kept.factor


def field_of_title(title: str, model: type[Record], *, taken: Iterable[str] = ()) -> str:
    """Return the field a column's title most plainly means, or ``""``.

    Its own name comes first, then its name without the unit, then the titles in common use. A unit in
    the title that the field cannot have speaks against it.
    """
    words, unit = unit_of_title(title)
    whole = words_of_title(title)
    free = [name for name in model.columns() if name not in set(taken)]
    fit = [
        name
        for name in free
        if not unit or type_of(model.model_fields[name]) != "number" or unit in units_for(name)
    ]
    own = [name for name in fit if words_of_title(name) == whole]
    own += [name for name in fit if words_of_title(_bare(name)) == words]
    own += [name for name in fit if {words, whole} & set(TITLES.get(name, ()))]
    return own[0] if own else ""


def _bare(name: str) -> str:
    ends = [end for end in _FIELD_UNIT if name.endswith(end)]
    return name[: -len(max(ends, key=len))] if ends else name
