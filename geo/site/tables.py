"""One CSV or GeoJSON file of records: read with every problem found, written so that it diffs."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import shapely
from pydantic import ValidationError
from pydantic_core import ErrorDetails
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry import mapping, shape
from shapely.geometry.base import BaseMultipartGeometry

from geo.errors import Problem
from geo.site.fields import allowed
from geo.site.records import Placed, Record

LONGEST_NAME = 60


@dataclass(frozen=True, slots=True)
class Layer:
    """What one file gave."""

    records: tuple[Record, ...]
    problems: tuple[Problem, ...]
    rows: tuple[int, ...] = ()


def decode(name: str, raw: bytes) -> tuple[str, list[Problem]]:
    """Return the text of a UTF-8 file, or one problem that says what it seems to be instead."""
    if b"\x00" in raw[:65536]:
        found = "holds zero bytes: it is not a text file, or is UTF-16"
    else:
        try:
            return raw.decode("utf-8-sig"), []
        except UnicodeDecodeError as error:
            row = raw[: error.start].count(b"\n") + 1
            sign = raw[error.start : error.start + 1].decode("cp1252", errors="replace")
            found = f"is not UTF-8 (row {row}; as Windows-1252 the sign there would be {sign!r})"
    mend = "In the spreadsheet, save it again as CSV UTF-8."
    return "", [Problem(file=name, found=found, allowed="a text file in UTF-8", mend=mend)]


def read_csv(name: str, raw: bytes, model: type[Record], *, max_rows: int) -> Layer:
    """Read one CSV file of records.

    Every row that is right becomes a record and every cell that is wrong becomes a problem; the
    caller uses the records only when no file has an error.
    """
    content, problems = decode(name, raw)
    if problems:
        return Layer((), tuple(problems))
    lines = csv.reader(io.StringIO(content, newline=""), strict=True)
    try:
        header = next(lines, [])
    except csv.Error as error:
        return Layer((), (_broken_csv(name, 1, error),))
    header = [cell.strip() for cell in header]
    problems = _header_problems(name, header, content, model)
    if problems:
        return Layer((), tuple(problems))
    found = content.count("\n")
    if found > max_rows + 1:
        return Layer((), (_too_many(name, found, max_rows),))
    records: list[Record] = []
    rows: list[int] = []
    row = 1
    try:
        for cells in lines:
            row += 1
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(header):
                problems.append(_ragged(name, row, cells, len(header)))
                continue
            given = {key: cell for key, cell in zip(header, cells, strict=True) if cell.strip()}
            record, wrong = build(model, given, file=name, row=row)
            problems += wrong
            if record is not None:
                records.append(record)
                rows.append(row)
    except csv.Error as error:
        problems.append(_broken_csv(name, row + 1, error))
    return Layer(tuple(records), tuple(problems), tuple(rows))


def build(
    model: type[Record], given: Mapping[str, Any], *, file: str, row: int
) -> tuple[Record | None, list[Problem]]:
    """Make one record, or say what is wrong with each of its cells."""
    try:
        return model.model_validate(given), []
    except ValidationError as error:
        return None, [_cell_problem(model, detail, file=file, row=row) for detail in error.errors()]


def write_csv(records: Iterable[Record], model: type[Record]) -> bytes:
    """Write records as CSV: declared columns in order, those empty throughout left out."""
    rows = [record.model_dump() for record in records]
    needed = {name for name, field in model.model_fields.items() if field.is_required()}
    columns = [
        name
        for name in model.columns()
        if name in needed
        or any(row[name] not in (None, "", model.model_fields[name].default) for row in rows)
    ]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([[cell_text(row[name]) for name in columns] for row in rows])
    return out.getvalue().encode()


def cell_text(value: Any) -> str:
    """Return a value as a file shows it: the shortest number that reads back the same."""
    if value is None:
        return ""
    return repr(value).removesuffix(".0") if isinstance(value, float) else str(value)


def read_geojson(
    name: str, raw: bytes, model: type[Record], *, crs: CRS, local: bool, max_rows: int
) -> Layer:
    """Read one GeoJSON file of records, whose coordinates must be in the site's grid."""
    content, problems = decode(name, raw)
    if problems:
        return Layer((), tuple(problems))
    try:
        whole = json.loads(content)
        features = list(_features(whole))
    except (ValueError, RecursionError, TypeError, KeyError, AttributeError) as error:
        return Layer((), (_not_geojson(name, error),))
    if len(features) > max_rows:
        return Layer((), (_too_many(name, len(features), max_rows),))
    if said := _crs_problem(name, whole, crs, local=local):
        return Layer((), (said,))
    records: list[Record] = []
    rows: list[int] = []
    for row, (properties, geometry) in enumerate(features, start=1):
        drawn, wrong = _shape(name, row, geometry, model, local=local)
        given = {key: value for key, value in properties.items() if value not in (None, "")}
        unknown = [key for key in given if key not in model.columns()]
        wrong += [_unknown_column(name, key, model, row=row) for key in unknown]
        given = {key: value for key, value in given.items() if key not in unknown}
        if drawn is not None and issubclass(model, Placed) and "position_by" not in given:
            given |= {"position_by": "coordinates", "easting_m": drawn.x, "northing_m": drawn.y}
        record, cells = build(model, {**given, "geometry": drawn}, file=name, row=row)
        problems += wrong + cells
        if record is not None and not wrong:
            records.append(record)
            rows.append(row)
    return Layer(tuple(records), tuple(problems), tuple(rows))


def write_geojson(records: Iterable[Record], model: type[Record], *, crs: CRS) -> bytes:
    """Write records as GeoJSON, one feature a line, coordinates to a tenth of a millimetre."""
    lines = []
    for record in records:
        row = record.model_dump()
        properties = {
            name: row[name]
            for name in model.columns()
            if row[name] not in (None, "") and (name == "id" or row[name] != model.model_fields[name].default)
        }
        drawn = shapely.set_precision(record.geometry, 0.0001, mode="pointwise") if record.geometry else None
        feature = {"type": "Feature", "properties": properties, "geometry": mapping(drawn) if drawn else None}
        lines.append(json.dumps(feature, ensure_ascii=False))
    code = crs.to_epsg()
    named = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{code}"}} if code else None
    head = '{"type": "FeatureCollection",' + (f'\n"crs": {json.dumps(named)},' if named else "")
    return (head + '\n"features": [\n' + ",\n".join(lines) + "\n]}\n").encode()


def _features(whole: Any) -> Iterator[tuple[dict[str, Any], Any]]:
    if whole["type"] != "FeatureCollection":
        raise TypeError(f"its type is {whole['type']!r}")
    for feature in whole["features"]:
        yield dict(feature.get("properties") or {}), feature.get("geometry")


def _shape(
    name: str, row: int, geometry: Any, model: type[Record], *, local: bool
) -> tuple[Any, list[Problem]]:
    wanted = model.shape or "Point"
    if geometry is None:
        return None, [_bad_shape(name, row, "has no geometry", f"a {wanted}", "Draw it.")]
    try:
        drawn = shape(geometry)
    except Exception as error:  # noqa: BLE001 - whatever a broken geometry raises, it is one sentence
        return None, [_bad_shape(name, row, f"cannot be drawn ({error})", f"a {wanted}", "Draw it again.")]
    if isinstance(drawn, BaseMultipartGeometry) and len(drawn.geoms) == 1:
        drawn = drawn.geoms[0]
    if drawn.geom_type != wanted or drawn.is_empty:
        said = "is empty" if drawn.is_empty else f"is a {drawn.geom_type}"
        return None, [_bad_shape(name, row, said, f"one {wanted}", "Draw one shape for each record.")]
    drawn = shapely.force_2d(drawn)
    ends = shapely.get_coordinates(drawn)
    if not bool((abs(ends) < 1e8).all()):
        return None, [_bad_shape(name, row, "has a coordinate that is no number", "metres", "Draw it again.")]
    if not local and bool((abs(ends[:, 0]) <= 180).all() and (abs(ends[:, 1]) <= 90).all()):
        found = f"looks like longitude and latitude ({ends[0][0]:.6f}, {ends[0][1]:.6f})"
        mend = "Export the layer again in the grid that site.toml names."
        return None, [_bad_shape(name, row, found, "metres in the site's grid", mend)]
    if wanted == "Polygon" and not drawn.is_valid:
        found = f"crosses or touches itself: {shapely.is_valid_reason(drawn)}"
        return None, [
            _bad_shape(name, row, found, "an outline that does not cross itself", "Move the corner named.")
        ]
    if wanted == "LineString" and drawn.length < 0.01:
        return None, [
            _bad_shape(name, row, "has no length", "a line of two points or more", "Draw it again.")
        ]
    return drawn, []


def _crs_problem(name: str, whole: Mapping[str, Any], crs: CRS, *, local: bool) -> Problem | None:
    """Refuse a stated grid that is not the site's own; none stated is taken to be."""
    stated = whole.get("crs")
    if not stated:
        return None
    try:
        given = CRS.from_user_input(stated["properties"]["name"])
    except (CRSError, KeyError, TypeError):
        given = None
    if given is not None and not local and given.equals(crs, ignore_axis_order=True):
        return None
    found = f"is in {given.name if given else 'a grid nobody knows'}"
    return Problem(
        file=name,
        column="crs",
        found=found,
        allowed=f"the site's grid, {crs.name}",
        mend="Export the layer again in the grid that site.toml names.",
    )


def _header_problems(name: str, header: list[str], content: str, model: type[Record]) -> list[Problem]:
    if not header or not any(header):
        return [Problem(file=name, found="is empty", allowed="a header row", mend="Start from a template.")]
    first = content.split("\n", 1)[0]
    if len(header) == 1 and (";" in first or "\t" in first):
        sign = "semicolons" if ";" in first else "tabs"
        mend = "Save it again with commas between columns and a point in decimals."
        return [Problem(file=name, row=1, found=f"columns parted by {sign}", allowed="commas", mend=mend)]
    problems = [
        Problem(
            file=name,
            row=1,
            column=_in_a_line(key),
            found="column stands twice",
            allowed="once",
            mend="Remove one.",
        )
        for key in sorted({key for key in header if key and header.count(key) > 1})
    ]
    problems += [_unknown_column(name, key, model, row=1) for key in header if key not in model.columns()]
    problems += [
        Problem(
            file=name,
            row=1,
            column=key,
            found="the column is missing",
            allowed=allowed(key, field),
            mend="Add it; the template has every column.",
        )
        for key, field in model.model_fields.items()
        if field.is_required() and key not in header
    ]
    return problems


def _unknown_column(name: str, key: str, model: type[Record], *, row: int) -> Problem:
    stem = key.rsplit("_", 1)[0]
    near = [column for column in model.columns() if stem and column.rsplit("_", 1)[0] == stem]
    hint = f"Did you mean {near[0]}?" if near else "Take it out, or rename it as in the template."
    return Problem(
        file=name,
        row=row,
        column=_in_a_line(key) or "(blank)",
        found="no such column",
        allowed="the columns of the template",
        mend=hint,
    )


def _in_a_line(key: str) -> str:
    """Return a column's name as a sentence can hold it: one line, and not longer than a name is."""
    name = "".join(sign if sign.isprintable() else " " for sign in key)
    return name if len(name) <= LONGEST_NAME else name[:LONGEST_NAME] + "…"


def _cell_problem(model: type[Record], detail: ErrorDetails, *, file: str, row: int) -> Problem:
    column = str(detail["loc"][0]) if detail["loc"] else None
    field = model.model_fields.get(column or "")
    may_be = allowed(column, field) if column and field is not None else "a record as in the field guide"
    shown = repr(detail["input"])[:60] if not isinstance(detail["input"], dict) else ""
    mend = "Correct the cell."
    if detail["type"] == "missing":
        found, mend = "is blank", "Fill it in."
    elif detail["type"] == "decimal_comma":
        found, mend = f"{shown} is written with a decimal comma", "Write a point: 1.5, not 1,5."
    elif detail["type"] in ("float_parsing", "float_type"):
        found = f"{shown} is not a number"
    elif detail["type"] == "string_too_long":
        found = f"text of {len(str(detail['input']))} letters"
        may_be = f"at most {detail['ctx']['max_length']}"
    elif detail["type"] in ("unknown_word", "control_character"):
        found = f"{shown} {detail['msg']}"
    else:
        found = shown
        if (column or "").endswith("_m") and (metres := _as_metres(detail["input"])) is not None:
            mend = f"If that is in millimetres, write {metres:.3f}."
    return Problem(file=file, row=row, column=column, found=found, allowed=may_be, mend=mend)


def _as_metres(value: Any) -> float | None:
    """Return a number that is out of range in metres as if it were millimetres."""
    try:
        given = float(value)
    except (TypeError, ValueError):
        return None
    return given / 1000 if abs(given) >= 100 else None


def _ragged(name: str, row: int, cells: list[str], width: int) -> Problem:
    mend = "Put a text with commas in quotes; write decimals with a point."
    return Problem(
        file=name, row=row, found=f"{len(cells)} cells", allowed=f"{width}, as the header", mend=mend
    )


def _broken_csv(name: str, row: int, error: Exception) -> Problem:
    mend = "Look for a quote that is not closed."
    return Problem(file=name, row=row, found=f"cannot be read as CSV ({error})", allowed="CSV", mend=mend)


def _too_many(name: str, found: int, most: int) -> Problem:
    mend = "Split the site, or raise input.max_rows in its limits.toml."
    return Problem(file=name, found=f"{found:,} rows", allowed=f"at most {most:,}", mend=mend)


def _not_geojson(name: str, error: Exception) -> Problem:
    mend = "Export it again as GeoJSON."
    return Problem(
        file=name, found=f"cannot be read as GeoJSON ({error})", allowed="a FeatureCollection", mend=mend
    )


def _bad_shape(name: str, row: int, found: str, may_be: str, mend: str) -> Problem:
    return Problem(file=name, row=row, column="geometry", found=found, allowed=may_be, mend=mend)
