"""What a stranger's file is taken for, how a mapping is completed, how a plan lies under the map."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from affine import Affine
from PIL import Image
from pyproj import CRS

from geo import reference
from geo.draw.overlay import mercator
from geo.draw.plan_overlay import plan_overlay
from geo.entry.importing import (
    answered,
    field_labels,
    guess_kind,
    kept_name,
    layer_kinds,
    looks_like_logger,
    preview_table,
    problem_csv,
    same_for_all,
    satellite_question,
    side_of_air,
    spare_fields,
    table_kinds,
    told_counts,
    with_columns,
    with_unit,
)
from geo.entry.plans import (
    ControlPoint,
    fit_points,
    kept_plans,
    overlay_of,
    residual_table,
    told_fit,
    why_not,
)
from geo.errors import InputError
from geo.intake.apply import apply
from geo.intake.logger import propose_logger
from geo.intake.mapping import Question, propose_mapping, questions
from geo.intake.plan import place_plan
from geo.intake.sheet import Sheet, look_at
from geo.intake.vector import look_at_vector
from geo.site.crs import to_lonlat
from geo.site.folder import read_site, write_site
from geo.store.changes import PutFile, safe_name
from geo.store.store import Store

REF = reference.default()
DEMO = Path(__file__).parents[2] / "demo_sites" / "semi_on_a_slope"
TIES = [(0, 0), (800, 0), (800, 600), (0, 600)]


def table(text: str, name: str = "a.csv") -> Sheet:
    """Return a table of text."""
    (sheet,) = look_at(name, text.encode(), ref=REF).sheets
    return sheet


@pytest.mark.parametrize(
    ("header", "kind"),
    [
        ("Ref;Wall;Height (cm);Moisture;Meter;Wall material", "reading"),
        ("Ref;Cover level;Invert level;Easting;Northing", "chamber"),
        ("Ref;role;Backsight;Intermediate;Foresight", "level"),
        ("id;rim_level_m;outlet_invert_level_m;easting_m;northing_m", "gully"),
    ],
)
def test_the_titles_of_a_table_tell_what_it_likely_is(header: str, kind: str) -> None:
    """Titles in common use lead to the kind of record a surveyor would say they are."""
    assert guess_kind(table(f"{header}\n{';'.join('1' for _ in header.split(';'))}"), table_kinds()) == kind


@pytest.mark.parametrize("time", ["Date/Time", "Timestamp", "Date Time"])
def test_a_loggers_table_is_known_by_its_time_and_its_air(time: str) -> None:
    """A time, a temperature and a humidity make a series; a table of readings with a date does not."""
    sheet = table(f"{time},Temperature (°C),Humidity (%RH)\n2026-10-25 00:00,14.1,61\n")
    assert looks_like_logger(sheet)
    assert propose_logger(sheet).time == time
    assert not looks_like_logger(table("Ref;Date;Wall;Height (cm);Moisture;Meter\n1;1/2/2026;F1;2;3;M\n"))


def test_a_column_taken_for_another_field_asks_its_unit_again() -> None:
    """A unit that no title states is open until a person says it; one that was said stays with its column."""
    sheet = table("Ref;Wall;Up;Reading\nX1;F1;40;12.5\n")
    mapping = propose_mapping(sheet, "reading")
    assert mapping.use_of("height_m") is None
    changed = with_columns(
        mapping, {"Ref": "id", "Wall": "face", "Up": "height_m", "Reading": "value"}, sheet
    )
    asked = {one.key for one in questions(sheet, changed, ref=REF)}
    assert "unit:Up" in asked
    done = with_unit(changed, "Up", "cm")
    assert "unit:Up" not in {one.key for one in questions(sheet, done, ref=REF)}
    again = with_columns(done, {"Wall": "face", "Up": "height_m"}, sheet)
    assert [(use.column, use.unit) for use in again.columns] == [("Wall", ""), ("Up", "cm")]


def test_every_question_is_put_once_and_an_answer_may_open_another() -> None:
    """The method stated opens the basis, which is asked in the same round; blank answers are counted."""
    sheet = table("Ref;Wall;Height (cm);Moisture;Meter;Wall material\nX1;F1;40;12.5;M;brick\n")
    put: list[str] = []

    def ask(question: Question) -> str:
        put.append(question.key)
        return "carbide" if question.key == "fixed:method" else ""

    done = answered(propose_mapping(sheet, "reading"), ask, lambda one: questions(sheet, one, ref=REF))
    assert put == ["fixed:method", "basis:carbide"]
    assert done.open == 1
    assert done.mapping.fixed == {"method": "carbide"}


def test_what_is_the_same_for_every_row_is_in_every_record() -> None:
    """A side given once stands in each record, and is no longer offered."""
    sheet = table(
        "Ref;Wall;Height (cm);Moisture;Meter;Wall material\nX1;F1;40;12.5;M;brick\nX2;F1;50;9;M;brick\n"
    )
    mapping = same_for_all(propose_mapping(sheet, "reading"), {"side": "inside", "note": "  "})
    mapping = same_for_all(mapping, {"method": "resistance_masonry"})
    assert "side" in spare_fields(propose_mapping(sheet, "reading"))
    taken = apply(sheet, mapping, ref=REF)
    assert [one.side for one in taken.records] == ["inside", "inside"]
    assert told_counts(taken) == "2 of 2 rows are right."
    shown = preview_table(taken, REF)
    assert list(shown["row"]) == [2, 3]
    assert list(shown["method"]) == ["Resistance, two pins, on masonry or plaster"] * 2
    assert list(shown["height, m"]) == ["0.4", "0.5"]


def test_the_file_of_problems_holds_every_one_and_no_formula() -> None:
    """Each wrong cell is a line; a cell that would start a formula is text."""
    sheet = table(
        "id,face,height_m,value,instrument,material,method\n" + "X{0},=1+1,high,1,M,brick,capacitance\n" * 3
    )
    taken = apply(sheet, propose_mapping(sheet, "reading"), ref=REF)
    lines = problem_csv(taken.problems).decode("utf-8-sig").splitlines()
    assert len(lines) == 1 + len(taken.problems)
    assert sum("'high' is not a number" in line for line in lines) == 3
    assert not any(cell.startswith(("=", "+", "@")) for line in lines for cell in line.split(","))


def test_a_layer_of_lines_may_be_outlines_or_runs_but_no_places() -> None:
    """Closed lines of a drawing become outlines; points are offered as what stands at a place."""
    line = {"type": "LineString", "coordinates": [[0, 0], [0.001, 0], [0.001, 0.001]]}
    point = {"type": "Point", "coordinates": [0, 51]}

    def layer(geometry: object) -> object:
        feature = {"type": "Feature", "properties": {}, "geometry": geometry}
        raw = json.dumps({"type": "FeatureCollection", "features": [feature]}).encode()
        return look_at_vector("a.geojson", raw, ref=REF).layers[0]

    lines, points = layer_kinds(layer(line)), layer_kinds(layer(point))
    assert {"run", "building"} <= set(lines)
    assert lines.index("run") < lines.index("building")
    assert "gully" not in lines
    assert {"gully", "reading"} <= set(points)
    assert "building" not in points


def test_places_of_a_receiver_are_asked_for_their_error_until_it_is_known() -> None:
    """A GPX file never comes in as if its places were exact."""
    raw = b'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><wpt lat="52.1" lon="-2.1"><name>G9</name></wpt></gpx>'
    layer = look_at_vector("walk.gpx", raw, ref=REF).layers[0]
    mapping = propose_mapping(layer.sheet, "gully")
    asked = satellite_question(layer, mapping)
    assert asked is not None
    assert asked.key == "fixed:position_sigma_m"
    assert satellite_question(layer, same_for_all(mapping, {"position_sigma_m": "4"})) is None


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("plan of 1974.png", "plans/plan of 1974.tif"),
        ("../../etc/passwd", "plans/passwd.tif"),
        ("a:b*?.png", "plans/a-b-.tif"),
        ("...", "plans/file.tif"),
        ("x" * 400, ""),
        ("Plan.PNG", "plans/Plan-2.tif"),
    ],
)
def test_a_file_is_kept_under_a_name_every_machine_allows(name: str, wanted: str) -> None:
    """No path, no sign a system refuses, no name another file has, small and capital letters alike."""
    kept = kept_name("plans", name, ["plans/plan.tif"], end=".tif")
    assert safe_name(kept)
    assert kept == wanted or not wanted


def test_air_hung_in_a_room_is_inside_and_out_of_doors_outside() -> None:
    """The side of a logger follows from the word for its place."""
    assert [side_of_air(word) for word in ("room", "outdoors", "cavity")] == ["inside", "outside", "inside"]


def test_fields_are_named_with_their_unit_and_those_needed_are_marked() -> None:
    """A person sees which fields a record cannot be without, and in what they are kept."""
    labels = field_labels("reading", without=("easting_m",))
    assert labels["height_m"] == "height, m"
    assert labels["value"] == "value (needed)"
    assert "easting_m" not in labels


# --- plans -------------------------------------------------------------------------------------------


def points_of(transform: Affine, places: list[tuple[float, float]]) -> list[ControlPoint]:
    """Return control points that a transform puts exactly where they are."""
    return [
        ControlPoint(name=f"P{at}", column=column, row=row, easting_m=east, northing_m=north)
        for at, (column, row) in enumerate(places, 1)
        for east, north in [transform * (column, row)]
    ]


def test_a_plan_is_kept_only_when_three_points_agree() -> None:
    """Two points show no slip, three in a line carry nothing, three well apart that agree are enough."""
    true = Affine.translation(389210, 251100) * Affine.rotation(-7) * Affine.scale(0.025, -0.025)
    two, line = points_of(true, TIES[:2]), points_of(true, [(0, 0), (400, 0), (800, 1)])
    fit, said = fit_points(two, kind="similarity", ref=REF)
    assert "2 of at least 3" in why_not(two, fit)
    assert said == ""
    fit, said = fit_points(line, kind="similarity", ref=REF)
    assert fit is None
    assert "nearly in a line" in said
    three = points_of(true, TIES[:3])
    fit, said = fit_points(three, kind="similarity", ref=REF)
    assert (why_not(three, fit), said) == ("", "")
    assert fit is not None
    assert "25.00 mm a pixel" in told_fit(fit)
    assert np.abs(residual_table(three, fit)["residual east, m"]).max() < 1e-6
    affine, _ = fit_points(three, kind="affine", ref=REF)
    assert "mark one more point" in why_not(three, affine)


def test_a_slip_of_three_metres_is_named_and_the_plan_refused() -> None:
    """The point the others agree with least is the one that was moved."""
    true = Affine.translation(389210, 251100) * Affine.scale(0.025, -0.025)
    points = points_of(true, TIES)
    wrong = ControlPoint(name="P4", column=0, row=600, easting_m=389213.0, northing_m=points[3].northing_m)
    fit, _ = fit_points([*points[:3], wrong], kind="similarity", ref=REF)
    assert fit is not None
    assert fit.worst == "P4"
    assert "P4 lies 3.00 m" in why_not([*points[:3], wrong], fit)


@pytest.mark.parametrize("turn", [0.0, 7.0, -35.0])
def test_a_mark_on_the_plan_comes_out_where_the_lines_go(turn: float) -> None:
    """A black square drawn round a known place is found again at that place on the screen, to half a pixel."""
    crs = CRS.from_epsg(27700)
    true = Affine.translation(389210, 251100) * Affine.rotation(turn) * Affine.scale(0.05, -0.05)
    picture = np.full((300, 400, 3), 255, dtype=np.uint8)
    column, row = 231, 117
    picture[row - 5 : row + 6, column - 5 : column + 6] = 0
    laid = plan_overlay(picture, true, crs=crs)
    seen = np.asarray(Image.open(io.BytesIO(laid.png)))
    dark = (seen[..., 3] > 0) & (seen[..., 0] < 128)
    rows, columns = np.nonzero(dark)
    (south, west), (north, east) = laid.bounds
    x, y = mercator(np.array([[west, south], [east, north]]))
    pixel = (x[1] - x[0]) / seen.shape[1]
    found = (x[0] + pixel * (columns.mean() + 0.5), y[1] - pixel * (rows.mean() + 0.5))
    wanted = mercator(to_lonlat([true * (column + 0.5, row + 0.5)], crs))
    assert found == pytest.approx((wanted[0][0], wanted[1][0]), abs=0.5 * pixel)


def test_a_placed_plan_is_kept_with_the_site_and_comes_back_from_its_folder(
    store: Store, tmp_path: Path
) -> None:
    """Plans and loggers' files go out and come in byte for byte, and the plan can be laid under the map."""
    site_id = store.take_in(read_site(DEMO), by="surveyor")
    site = store.site(site_id)
    house = next(one.geometry for one in site.of("building") if one.role == "subject")
    west, _, _, north = house.bounds
    true = Affine.translation(west - 2, north + 2) * Affine.scale(0.05, -0.05)
    fit, _ = fit_points(points_of(true, TIES), kind="similarity", ref=REF)
    assert fit is not None
    raw = io.BytesIO()
    Image.new("RGB", (900, 700), (250, 240, 230)).save(raw, "PNG")
    placed = place_plan("plan.png", raw.getvalue(), fit, crs=site.crs, ref=REF)
    store.save(
        site_id, [PutFile("plans/plan.tif", placed), PutFile("loggers/log.csv", b"a,b\n")], by="surveyor"
    )
    site = store.site(site_id)
    laid = overlay_of(kept_plans(site)["plan.tif"], site, ref=REF)
    (south, _), (top, _) = laid.bounds
    assert (top - south) * 111_200 == pytest.approx(700 * 0.05, rel=0.01)
    store.hand_out(site_id, tmp_path / "out")
    assert (tmp_path / "out" / "plans" / "plan.tif").read_bytes() == placed
    back = read_site(tmp_path / "out")
    assert not [one for one in back.warnings if "plans" in one.file or "loggers" in one.file]
    write_site(back, tmp_path / "again")
    assert (tmp_path / "again" / "loggers" / "log.csv").read_bytes() == b"a,b\n"
    other = store.take_in(back, by="surveyor")
    assert store.file(other, "plans/plan.tif") == placed


def test_a_plan_of_another_grid_is_not_laid_under_the_map(tmp_path: Path) -> None:
    """A plan placed while the site was in another grid is refused with one sentence, not drawn a mile off."""
    site = read_site(DEMO)
    fit, _ = fit_points(
        points_of(Affine(0.05, 0, 300000, 0, -0.05, 200000), TIES), kind="similarity", ref=REF
    )
    assert fit is not None
    raw = io.BytesIO()
    Image.new("L", (900, 700), 255).save(raw, "PNG")
    path = tmp_path / "plan.tif"
    path.write_bytes(place_plan("plan.png", raw.getvalue(), fit, crs=CRS.from_epsg(29903), ref=REF))
    with pytest.raises(InputError, match="another grid"):
        overlay_of(path, site, ref=REF)
