"""A stranger's file on its way in: its likely kind, what it would become, what is wrong with it."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry import Point

from geo.draw.layers import Feature, Sketch, sketch
from geo.draw.theme import ACCENT
from geo.entry.backdrop import on_screen
from geo.entry.columns import SHORT_UNITS, label_of, word_labels
from geo.entry.drawing import tie_of
from geo.entry.sheets import SHEETS
from geo.errors import InputError, Problem
from geo.exchange.bundle import csv_bytes
from geo.intake.apply import Intake
from geo.intake.arrival import shown_name
from geo.intake.columns import field_of_title, field_unit, unit_of_title, units_for
from geo.intake.logger import propose_logger
from geo.intake.mapping import ColumnMap, ColumnUse, Question, answer, propose_mapping
from geo.intake.raster import RasterLook
from geo.intake.sheet import ASK, Sheet
from geo.intake.vector import VectorLayer
from geo.reference import Reference
from geo.site.crs import to_lonlat
from geo.site.fields import group_of, type_of, unit_of
from geo.site.model import Site
from geo.site.records import KINDS, Placed, Record
from geo.store.changes import LONGEST_NAME, safe_name

PREVIEWED = 20
UNIT_LABELS = {"c": "°C", "f": "°F", "deg": "°", "m2": "m²", "m3": "m³", "ft2": "ft²", "m3/h": "m³/h"}
"""How units are written where the file's word for them is not what people read."""
EXAMPLES, EXAMPLE_LETTERS = 3, 24
OUTLINES, LINES, PLACES = (
    ("Polygon", "MultiPolygon"),
    ("LineString", "MultiLineString"),
    ("Point", "MultiPoint"),
)
FROM_DRAWING = ("position_by", "easting_m", "northing_m")
"""Fields a drawn place fills itself."""
ROOM_M = 3.0
"""Room left round what would come in, on the map."""
NOT_ASKED = ("id", "note", "photo_ids")

Ask = Callable[[Question], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A mapping with what was answered, and whether something is still open."""

    mapping: ColumnMap
    open: int


def kind_titles() -> dict[str, str]:
    """Return what people call each kind of record, by its key, in the order they are typed in."""
    own: dict[str, str] = {}
    for sheet in SHEETS.values():
        own.setdefault(sheet.kind, sheet.title)
    own["reading"] = "Readings"
    rest = {kind: kind.replace("_", " ").capitalize() + "s" for kind in KINDS if kind not in own}
    return own | rest


def table_kinds() -> tuple[str, ...]:
    """Return the kinds that rows of a table can become: all but outlines, which are drawn."""
    return tuple(kind for kind in kind_titles() if KINDS[kind].shape != "Polygon")


def guess_kind(sheet: Sheet, kinds: Iterable[str]) -> str:
    """Return the kind of record whose fields a table's titles name best.

    A needed field that is named counts double and a title that is the field's own name counts double;
    of kinds named as well as each other, the first is taken. It is a guess a person confirms.
    """
    best, most = "", -1.0
    for kind in kinds:
        model = KINDS[kind]
        taken: list[str] = []
        score = 0.0
        for title in sheet.header:
            name = field_of_title(title, model, taken=taken)
            if not name or name in NOT_ASKED:
                continue
            taken.append(name)
            score += 1.0 + model.model_fields[name].is_required() + (title.strip().casefold() == name)
        needed = [
            name for name, one in model.model_fields.items() if one.is_required() and name not in NOT_ASKED
        ]
        score -= 0.5 * len(set(needed) - set(taken))  # a kind half of which is missing is likely another
        if model.kind.replace("_", " ") in f"{sheet.file} {sheet.name}".casefold().replace("_", " "):
            score += 1.5
        if score > most:
            best, most = kind, score
    return best


def layer_kinds(layer: VectorLayer) -> tuple[str, ...]:
    """Return the kinds a layer's shapes can become, those its commonest shape fits first."""
    counts = Counter(
        {
            "Polygon": sum(layer.types.get(name, 0) for name in OUTLINES),
            "LineString": sum(layer.types.get(name, 0) for name in LINES),
            "Point": sum(layer.types.get(name, 0) for name in PLACES),
        }
    )
    commonest = counts.most_common(1)[0][0]
    fitting: list[str] = []
    for kind in kind_titles():
        model = KINDS[kind]
        wanted = model.shape or ("Point" if issubclass(model, Placed) else "")
        if not wanted:
            continue
        if wanted == commonest or (wanted == "Polygon" and commonest == "LineString"):
            fitting.append(kind)
    return tuple(sorted(fitting, key=lambda kind: (KINDS[kind].shape or "Point") != commonest))


def looks_like_logger(sheet: Sheet) -> bool:
    """Tell whether a table is likely a data logger's: a time, an air temperature or humidity, little else."""
    found = propose_logger(sheet)
    return bool(found.time and found.columns) and len(sheet.header) <= len(found.columns) + 4


def examples(sheet: Sheet, column: str) -> str:
    """Return the first different cells of a column, to know it by."""
    seen = dict.fromkeys(cell for cell in sheet.column(column)[:200] if cell)
    shown = [cell if len(cell) <= EXAMPLE_LETTERS else cell[:EXAMPLE_LETTERS] + "…" for cell in seen]
    return ", ".join(shown[:EXAMPLES]) or "blank"


def field_labels(kind: str, *, without: Collection[str] = ()) -> dict[str, str]:
    """Return what people read for each field of a kind, with its unit; those needed are marked."""
    model = KINDS[kind]
    out = {}
    for name in model.columns():
        if name in without:
            continue
        unit = SHORT_UNITS.get(unit_of(name), "")
        needed = " (needed)" if model.model_fields[name].is_required() and name != "id" else ""
        out[name] = f"{label_of(name)}{f', {unit}' if unit else ''}{needed}"
    return out


def with_columns(mapping: ColumnMap, chosen: Mapping[str, str], sheet: Sheet) -> ColumnMap:
    """Return a mapping whose columns are taken for other fields; a unit nobody stated is asked.

    Parameters
    ----------
    mapping
        As proposed, or as kept.
    chosen
        Field of each column that is used.
    sheet
        The table.
    """
    before = {use.column: use for use in mapping.columns}
    uses = []
    for column in sheet.header:
        name = chosen.get(column, "")
        if not name:
            continue
        old = before.get(column)
        if old is not None and old.field == name:
            uses.append(old)
            continue
        fits = units_for(name)
        unit = unit_of_title(column)[1]
        if fits and unit not in fits:
            unit = ASK if len(fits) > 1 and any(sheet.column(column)) else field_unit(name)
        uses.append(ColumnUse(column=column, field=name, unit=unit if fits else ""))
    dated = {
        use.field for use in uses if type_of(mapping.model.model_fields[use.field]) in ("date", "moment")
    }
    had = {use.field for use in mapping.columns if use.field in dated}
    order = mapping.date_order
    if dated - had:
        proposed = propose_mapping(sheet, mapping.kind)
        order = proposed.date_order if dated <= {use.field for use in proposed.columns} else ASK
    return replace(mapping, columns=tuple(uses), date_order=order)


def with_unit(mapping: ColumnMap, column: str, unit: str) -> ColumnMap:
    """Return a mapping with the unit of one column as a person says."""
    return answer(mapping, f"unit:{column}", unit)


def answered(mapping: ColumnMap, ask: Ask, open_of: Callable[[ColumnMap], Sequence[Question]]) -> Asked:
    """Ask everything that is open, once each, and what an answer opens in turn.

    Parameters
    ----------
    mapping
        As it stands without any answer, so that an answer given stays on the page and can be changed.
    ask
        Puts a question and returns the answer, ``""`` for none yet.
    open_of
        The questions open for a mapping.
    """
    seen: set[str] = set()
    unanswered = 0
    while new := [one for one in open_of(mapping) if one.key not in seen]:
        for one in new:
            seen.add(one.key)
            said = ask(one).strip()
            if said:
                mapping = answer(mapping, one.key, said)
            else:
                unanswered += 1
    return Asked(mapping=mapping, open=unanswered)


def check_kept(mapping: ColumnMap, sheet: Sheet) -> tuple[str, ...]:
    """Return the columns a kept mapping names and a table has not."""
    return tuple(use.column for use in mapping.columns if use.column not in sheet.header)


def spare_fields(mapping: ColumnMap, *, without: Collection[str] = ()) -> tuple[str, ...]:
    """Return the fields no column fills and every row may be given the same value of."""
    filled = {use.field for use in mapping.columns} | set(without) | {"id"}
    model = mapping.model
    return tuple(
        name for name in model.columns() if name not in filled and not model.model_fields[name].is_required()
    )


def same_for_all(mapping: ColumnMap, given: Mapping[str, str]) -> ColumnMap:
    """Return a mapping with values that are the same for every row."""
    kept = {name: said.strip() for name, said in given.items() if said.strip()}
    return replace(mapping, fixed={**mapping.fixed, **kept})


def choices_of(kind: str, name: str, ref: Reference) -> dict[str, str]:
    """Return the words a field may hold, as people read them; none for text and numbers."""
    group = group_of(KINDS[kind].model_fields[name])
    return word_labels(group, ref) if group else {}


def preview_table(intake: Intake, ref: Reference) -> pd.DataFrame:
    """Return the first records as they would be, in the words people read, with their row of the file."""
    model = KINDS[intake.kind]
    shown = intake.preview.head(PREVIEWED)
    out: dict[str, list[Any]] = {"row": list(shown.index)}
    for name in shown.columns:
        unit = SHORT_UNITS.get(unit_of(name), "")
        words = choices_of(intake.kind, name, ref) if name in model.model_fields else {}
        out[f"{label_of(name)}, {unit}" if unit else label_of(name)] = [
            _cell(value, words) for value in shown[name]
        ]
    return pd.DataFrame(out)


def problem_table(problems: Sequence[Problem]) -> pd.DataFrame:
    """Return every problem as a row: where, what was found, what may be there, how to mend it."""
    return pd.DataFrame(
        [
            {
                "row": "" if one.row is None else str(one.row),
                "column": one.column or "",
                "found": one.found,
                "allowed": one.allowed,
                "to mend it": one.mend,
                "kind": "wrong" if one.severity == "error" else "note",
            }
            for one in problems
        ],
        columns=["row", "column", "found", "allowed", "to mend it", "kind"],
    )


def problem_csv(problems: Sequence[Problem]) -> bytes:
    """Return every problem as CSV in which no cell starts a formula."""
    return csv_bytes(problem_table(problems))


def told_counts(intake: Intake) -> str:
    """Say how many rows are right, of how many, and what stands in the way."""
    errors = sum(one.severity == "error" for one in intake.problems)
    notes = len(intake.problems) - errors
    said = f"{intake.right:,} of {intake.read:,} rows are right"
    if errors:
        said += (
            f"; {errors:,} thing{'s' if errors > 1 else ''} wrong, and nothing comes in until all are mended"
        )
    if notes:
        said += f"; {notes:,} note{'s' if notes > 1 else ''}"
    return said + "."


def told_open(count: int) -> str:
    """Say how many questions are open."""
    return (
        "One question above is not answered." if count == 1 else f"{count} questions above are not answered."
    )


def grid_named(code: str) -> CRS:
    """Return a grid by its code.

    Raises
    ------
    InputError
        When nobody knows it.
    """
    try:
        return CRS.from_user_input(code.strip())
    except CRSError:
        said = Problem(
            file="grid",
            found=f"{code[:60]!r} is no known grid",
            allowed="a code as EPSG:27700",
            mend="Look in the drawing, or ask who made it.",
        )
        raise InputError([said]) from None


def record_shapes(records: Sequence[Record]) -> dict[str, Any]:
    """Return where records lie in the site's grid, those that say so by coordinates or a drawn shape."""
    out = {}
    for record in records:
        east, north = getattr(record, "easting_m", None), getattr(record, "northing_m", None)
        if record.geometry is not None:
            out[record.id] = record.geometry
        elif east is not None and north is not None:
            out[record.id] = Point(east, north)
    return out


def preview_features(records: Sequence[Record], site: Site) -> list[Feature]:
    """Return records that would come in as features for the map, in the colour of what is being drawn."""
    style = {"color": ACCENT, "weight": 3, "fillColor": ACCENT, "fillOpacity": 0.15}
    sketches: list[Sketch] = []
    for name, shape in record_shapes(records).items():
        card = [["", name]]
        if shape.geom_type == "Point":
            sketches.append(sketch(shape, card, {"text": name, "look": "sign", "known": "seen"}))
        else:
            sketches.append(sketch(shape, card, style))
            middle = shape.representative_point()
            sketches.append(sketch(middle, [], {"text": name, "look": "face"}))
    return on_screen(sketches, site)


def preview_window(records: Sequence[Record], site: Site) -> list[list[float]]:
    """Return the south-west and north-east corner of records that would come in and the outlines there are.

    Latitude comes before longitude, as maps take it.
    """
    shapes = [*record_shapes(records).values()]
    shapes += [one.geometry for one in site.of("building") if one.geometry is not None]
    west, south, east, north = shapely.total_bounds(np.array(shapes, dtype=object)).tolist()
    corners = [[west - ROOM_M, south - ROOM_M], [east + ROOM_M, north + ROOM_M]]
    return [[float(end[1]), float(end[0])] for end in to_lonlat(corners, site.crs, tie=tie_of(site))]


def side_of_air(place: str) -> str:
    """Return the side of the wall a logger hung on, by the word for its place."""
    return "outside" if place == "outdoors" else "inside"


def kept_name(folder: str, name: str, taken: Collection[str], *, end: str = "") -> str:
    """Return a name under which a file can be kept in a folder of the site, taken by no other file.

    Parameters
    ----------
    folder
        One of :data:`geo.site.folder.FILE_FOLDERS`.
    name
        Name as the file came.
    taken
        Names of the site's files.
    end
        Its ending instead of its own, as ``.tif``.
    """
    plain = re.sub(r'[\\/:*?"<>|]+', "-", shown_name(name)).strip(" .~") or "file"
    stem, dot, own = plain.rpartition(".")
    stem, own = (stem, f".{own}") if dot and stem else (plain, "")
    stem, end = stem[: LONGEST_NAME - 40].strip(" .~") or "file", end or own
    low = {other.casefold() for other in taken}
    number, wanted = 2, f"{folder}/{stem}{end}"
    while wanted.casefold() in low:
        wanted, number = f"{folder}/{stem}-{number}{end}", number + 1
    return wanted if safe_name(wanted) else f"{folder}/file-{len(low) + 1}{end}"


def _cell(value: Any, words: Mapping[str, str]) -> str:
    text = "" if value is None else str(value)
    return words.get(text, text)


def satellite_question(layer: VectorLayer, mapping: ColumnMap) -> Question | None:
    """Return what must be asked of places from a satellite receiver, ``None`` where it is known already."""
    known = mapping.fixed.get("position_sigma_m") or mapping.use_of("position_sigma_m")
    if not layer.satellite or known or not issubclass(mapping.model, Placed):
        return None
    return Question(
        key="fixed:position_sigma_m",
        ask="Standard deviation of the receiver's places, m (telephone 3 to 10, survey receiver 0.02)?",
    )


def ground_question(question: Question, ref: Reference) -> Question:
    """Return a question on the ground with its choices in the words people read."""
    if not question.choices:
        return question
    return replace(question, choices={key: ref.word("ground_kind", key) for key in question.choices})


def raster_facts(look: RasterLook) -> dict[str, str]:
    """Return what a raster holds, in words; what could not be read is left out."""
    if not look.width:
        return {"file": look.file}
    facts = {
        "cells": f"{look.width:,} × {look.height:,} of {look.cell_m:g} m",
        "grid": look.crs.name if look.crs is not None else "none that can be used",
        "bands": str(look.bands),
        "cells with a height": f"{100 * look.filled:.1f} %",
        "cells without one hold": look.nodata or "nothing is stated",
    }
    if math.isfinite(look.lowest_m):
        facts["heights"] = f"{look.lowest_m:.3f} to {look.highest_m:.3f} m"
    return facts


def site_bounds(site: Site) -> tuple[float, float, float, float] | None:
    """Return west, south, east, north of the buildings in the site's grid, ``None`` before there are any."""
    drawn = [one.geometry for one in site.of("building") if one.geometry is not None]
    if not drawn:
        return None
    west, south, east, north = shapely.total_bounds(np.array(drawn, dtype=object)).tolist()
    return west, south, east, north
