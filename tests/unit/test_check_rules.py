"""Records held against each other: what a slip of the pen looks like, and what is fine."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
import shapely

from geo import reference
from geo.errors import Problem
from geo.findings import (
    check_dates,
    check_levels,
    check_photos,
    check_readings,
    check_references,
    check_visits,
)
from geo.findings.check import check_folder, read_checked
from geo.findings.examine import examine
from geo.site.model import Site, SiteInfo
from geo.site.records import KINDS

REF = reference.default()
DEMO = Path(__file__).parents[2] / "demo_sites" / "semi_on_a_slope"
GULLY = {"id": "G1", "rim_level_m": 9.79}


def site_of(folder: Path | None = None, **records: list[dict[str, Any]]) -> Site:
    """Return a site with these records and nothing else."""
    made = {
        kind: tuple(
            KINDS[kind](**{k: v for k, v in row.items() if k != "geometry"}).model_copy(
                update={"geometry": row["geometry"]} if "geometry" in row else {}
            )
            for row in rows
        )
        for kind, rows in records.items()
    }
    info = SiteInfo(name="made up", crs="local", datum="nail")
    return Site(folder=folder or Path(), info=info, ground=None, records=made, reference=REF)


def names(site: Site) -> list[Problem]:
    """Hold ids against records."""
    return [*check_references.references(site, {}), *check_references.lists(site, {})]


def said(found: Iterable[Problem], column: str, *words: str, severity: str = "warning") -> None:
    """See that there is one problem, where it must be, with the way out."""
    problems = list(found)
    assert len(problems) == 1, "\n".join(map(str, problems))
    assert problems[0].column == column
    assert problems[0].severity == severity
    assert problems[0].mend
    for word in words:
        assert word in str(problems[0])


RUN = {"id": "R1", "geometry": shapely.LineString([(0, 0), (6, 0)])}
TRIAL = {"id": "T1", "trial_kind": "hose", "source_id": "G1", "shown": "not_shown"}
HOLE = {"id": "H1", "opening_up_kind": "brick_out", "consent_id": "C1", "opened_at": "2026-11-03T10:00"}
LEAVE = {
    "id": "C1",
    "consent_for": "opening_up",
    "given_by": "owner",
    "state": "given",
    "given_on": "2026-11-01",
}
STATE = {"id": "S1", "of_id": "G1", "state": "loose", "evidence": "seen"}
LEVEL = {"id": "W1", "of_id": "G1", "level_m": 9.70, "condition": "resting"}


@pytest.mark.parametrize(
    ("kind", "row", "column"),
    [
        ("fitting", {"id": "F1", "run_id": "R9", "fitting_kind": "pump"}, "run_id"),
        ("fitting", {"id": "F1", "run_id": "G1", "fitting_kind": "pump"}, "run_id"),
        ("water_level", LEVEL | {"of_id": "G9"}, "of_id"),
        ("salt", {"id": "N1", "ion": "nitrate", "sample_id": "X9"}, "sample_id"),
        ("salt", {"id": "N1", "ion": "nitrate", "sample_id": "G1"}, "sample_id"),
        ("trial", TRIAL | {"source_id": "G9"}, "source_id"),
        ("trial", TRIAL | {"shown_id": "G9"}, "shown_id"),
        ("opening_up", HOLE | {"consent_id": "C9"}, "consent_id"),
        ("opening_up", HOLE | {"consent_id": "G1"}, "consent_id"),
        ("meter_reading", {"id": "M1", "reading_m3": 4.1, "service_id": "R1"}, "service_id"),
        ("event", {"id": "E1", "event_kind": "wc", "of_id": "V9"}, "of_id"),
        ("asset_state", STATE | {"of_id": "G9"}, "of_id"),
    ],
)
def test_an_id_that_is_nobodys_or_anothers_is_an_error(kind: str, row: dict[str, Any], column: str) -> None:
    """Whoever is named must be there, and be of the kind that column names."""
    said(names(site_of(gully=[GULLY], run=[RUN], **{kind: [row]})), column, severity="error")


def test_ids_that_are_somebodys_are_fine() -> None:
    """The same records naming what is there raise nothing; a spray may name a wall."""
    site = site_of(
        gully=[GULLY], run=[RUN], consent=[LEAVE], opening_up=[HOLE], asset_state=[STATE], water_level=[LEVEL],
        fitting=[{"id": "F1", "run_id": "R1", "fitting_kind": "pump"}],
        trial=[TRIAL | {"shown_id": "R1"}, TRIAL | {"id": "T2", "trial_kind": "spray", "source_id": "wall over F2"}],
    )  # fmt: skip
    assert names(site) == []


@pytest.mark.parametrize(
    ("row", "column"),
    [(TRIAL | {"photo_ids": "P1 P9"}, "photo_ids"), (TRIAL | {"photo_ids": "P1 G1"}, "photo_ids")],
)
def test_a_list_of_ids_is_read_one_by_one(row: dict[str, Any], column: str) -> None:
    """Of two photographs only the one that is not there is named."""
    site = site_of(gully=[GULLY], photo=[{"id": "P1", "file": "p.jpg"}], trial=[row])
    found = names(site)
    said(found, column)
    assert "P1" not in found[0].found


def test_a_gutter_names_downpipes() -> None:
    """An outlet of a gutter that is no downpipe is noted; one that is, is not."""
    gutter = {"id": "U1", "chainage_from_m": 0.0, "chainage_to_m": 4.0, "outlet_ids": "D1 G1"}
    said(names(site_of(gully=[GULLY], downpipe=[{"id": "D1"}], gutter=[gutter])), "outlet_ids", "G1")


def test_dates_there_are_not() -> None:
    """The 31st of June and 24:30 pass for digits, and are no times."""
    said(
        check_dates.real_dates(site_of(gully=[GULLY | {"seen_on": "2026-06-31"}])),
        "seen_on",
        severity="error",
    )
    odd = site_of(visit=[{"id": "V1", "arrived_at": "2026-06-30T24:30"}])
    said(check_dates.real_dates(odd), "arrived_at", severity="error")
    assert not list(check_dates.real_dates(site_of(visit=[{"id": "V1", "arrived_at": "2028-02-29T23:59"}])))


@pytest.mark.parametrize(
    ("kind", "row", "column"),
    [
        ("visit", {"id": "V1", "arrived_at": "2026-11-03T14:00", "left_at": "2026-11-03T09:00"}, "left_at"),
        ("trial", TRIAL | {"started_at": "2026-11-03T14:00", "stopped_at": "2026-11-02"}, "stopped_at"),
        (
            "event",
            {"id": "E1", "event_kind": "rain", "began_at": "2026-11-03", "ended_at": "2026-11-01"},
            "ended_at",
        ),
        (
            "account",
            {
                "id": "A1",
                "speaker": "owner",
                "said": "x",
                "about_from": "2026-01-01",
                "about_to": "2025-01-01",
            },
            "about_to",
        ),
    ],
)
def test_nothing_ends_before_it_began(kind: str, row: dict[str, Any], column: str) -> None:
    """An end before its start is a slip; the same moment, or only a date for one of them, is not."""
    said(check_dates.in_order_of_time(site_of(**{kind: [row]})), column, severity="error")
    first = {
        "left_at": "arrived_at",
        "stopped_at": "started_at",
        "ended_at": "began_at",
        "about_to": "about_from",
    }
    same = row | {column: row[first[column]]}
    assert not list(check_dates.in_order_of_time(site_of(**{kind: [same]})))


def test_zones_are_counted_before_times_are_compared() -> None:
    """14:00 at +01:00 is 13:00 UTC, before 13:30Z."""
    row = {"id": "V1", "arrived_at": "2026-11-03T14:00+01:00", "left_at": "2026-11-03T13:30Z"}
    assert not list(check_dates.in_order_of_time(site_of(visit=[row])))


def test_water_at_rest_stands_under_its_cover() -> None:
    """9.85 is 60 mm over a rim of 9.79 with 4 mm on each: noted. 9.795, 5 mm, is within 2 √32 = 11 mm."""
    over = site_of(gully=[GULLY], water_level=[LEVEL | {"level_m": 9.85}])
    said(check_levels.standing_water(over), "level_m", "60 mm over")
    for fine in (
        {"level_m": 9.795},
        {"level_m": 9.85, "condition": "surcharged"},
        {"level_m": 9.85, "level_sigma_m": 0.05},
    ):
        assert not list(check_levels.standing_water(site_of(gully=[GULLY], water_level=[LEVEL | fine])))


def test_a_slab_lies_over_its_soffit() -> None:
    """In a hole too the top is above the underside."""
    hole = HOLE | {"slab_top_level_m": 9.85, "soffit_level_m": 10.0}
    said(check_levels.levels_in_order(site_of(opening_up=[hole])), "soffit_level_m", severity="error")


READING = {"id": "r1", "method": "resistance_wood", "instrument": "M1", "material": "softwood", "value": "12"}


def test_an_instrument_out_on_its_block_is_noted() -> None:
    """Pins in timber scatter by 1.0 (shared/methods.toml): 18.0 read as 19.5 is out, as 18.9 it is not."""
    meter = {"id": "M1", "check_expected": 18.0, "check_read": 19.5}
    said(
        check_readings.instruments(site_of(reading=[READING], instrument=[meter])), "check_read", "out by 1.5"
    )
    fine = meter | {"check_read": 18.9}
    assert not list(check_readings.instruments(site_of(reading=[READING], instrument=[fine])))


def test_readings_by_an_instrument_nobody_checked_are_noted_once() -> None:
    """Two readings by M2 give one note; a site that records no instrument at all gives none."""
    rows = [READING, READING | {"id": "r2", "instrument": "M2"}, READING | {"id": "r3", "instrument": "M2"}]
    site = site_of(reading=rows, instrument=[{"id": "M1"}])
    said(check_readings.instruments(site), "instrument", "'M2'")
    assert not list(check_readings.instruments(site_of(reading=rows)))


def test_a_meter_does_not_run_backwards() -> None:
    """412.30 after 412.31 on one service is noted; on another service it is another meter."""
    rows = [
        {"id": "M1", "service_id": "W", "reading_m3": 412.31, "taken_at": "2026-11-03T09:00"},
        {"id": "M2", "service_id": "W", "reading_m3": 412.30, "taken_at": "2026-11-03T10:00"},
    ]
    said(check_readings.meters(site_of(meter_reading=rows)), "reading_m3", "412.3 m³")
    rows[1]["service_id"] = "H"
    assert not list(check_readings.meters(site_of(meter_reading=rows)))


def test_masses_in_damp_air_are_above_dry_ones() -> None:
    """12.02 g after damp air cannot be below 12.10 g dry."""
    sample = {"id": "X1", "material": "brick", "wet_g": 12.15, "humid_g": 12.02, "dry_g": 12.10}
    said(check_readings.samples(site_of(sample=[sample])), "dry_g", severity="error")


def test_litres_against_rate_and_time() -> None:
    """0.25 l/s for two minutes is 30 l: 60 l is noted, 31 l is not."""
    trial = TRIAL | {
        "bucket_l": 10.0, "bucket_s": 40.0, "volume_l": 60.0,
        "started_at": "2026-11-03T14:05:00", "stopped_at": "2026-11-03T14:07:00",
    }  # fmt: skip
    said(check_visits.trial_litres(site_of(trial=[trial])), "volume_l", "gives 30 l")
    assert not list(check_visits.trial_litres(site_of(trial=[trial | {"volume_l": 31.0}])))
    late = trial | {"volume_l": 30.0, "shown_after_s": 140500.0}
    said(check_visits.trial_litres(site_of(trial=[late])), "shown_after_s")
    assert not list(check_visits.trial_litres(site_of()))


def test_a_valve_lies_in_its_run() -> None:
    """12 m along a run 6 m long is nowhere; 5 m is."""
    valve = {"id": "F1", "run_id": "R1", "fitting_kind": "non_return", "at_m": 12.0}
    said(check_visits.fittings(site_of(run=[RUN], fitting=[valve])), "at_m", "6.0 m long", severity="error")
    assert not list(check_visits.fittings(site_of(run=[RUN], fitting=[valve | {"at_m": 5.0}])))


@pytest.mark.parametrize(
    ("hole", "consent", "word"),
    [
        ({"consent_id": ""}, {}, "no consent is named"),
        ({}, {"state": "asked"}, "asked, not given"),
        ({}, {"state": "refused"}, "refused, not given"),
        ({}, {"consent_for": "photographs"}, "photographs inside"),
        ({}, {"given_on": "2026-11-04"}, "after the opening"),
    ],
)
def test_a_hole_without_leave_is_noted(hole: dict[str, Any], consent: dict[str, Any], word: str) -> None:
    """No consent, one only asked or refused, one for something else, one given the day after."""
    said(check_visits.leave(site_of(consent=[LEAVE | consent], opening_up=[HOLE | hole])), "consent_id", word)


def test_a_hole_with_leave_is_fine() -> None:
    """Given for opening up, two days before: nothing to say."""
    assert not list(check_visits.leave(site_of(consent=[LEAVE], opening_up=[HOLE])))


def test_a_photograph_that_was_changed_is_noted(tmp_path: Path) -> None:
    """A file whose bytes are not those hashed is noted; one without a hash, or unchanged, is not."""
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "p.jpg").write_bytes(b"as taken")
    digest = hashlib.sha256(b"as taken").hexdigest()
    photo = {"id": "P1", "file": "p.jpg", "sha256": digest}
    assert not list(check_photos.photos(site_of(tmp_path, photo=[photo])))
    said(
        check_photos.photos(site_of(tmp_path, photo=[photo | {"sha256": "0" * 64}])), "sha256", "hash differs"
    )
    said(check_photos.photos(site_of(tmp_path, photo=[photo | {"file": "q.jpg"}])), "file")
    assert not list(check_photos.photos(site_of(tmp_path, photo=[photo | {"sha256": ""}])))


def test_a_folder_is_checked_by_all_of_them(tmp_path: Path) -> None:
    """Slips written into a demo site's files come out at their file and row."""
    folder = Path(shutil.copytree(DEMO, tmp_path / "site"))
    before = set(map(str, check_folder(folder)))
    gully = (folder / "gullies.csv").read_text(encoding="utf-8").splitlines()[1].split(",")[0]
    for name, text in {
        "openings_up.csv": "id,opening_up_kind\nHX1,brick_out\n",
        "trials.csv": "id,trial_kind,source_id,shown,started_at,stopped_at\n"
        f"TX1,hose,{gully},not_shown,2026-11-03T14:00,2026-11-03T13:00\n",
        "meter_readings.csv": "id,reading_m3,taken_at\nMX1,5.2,2026-11-03T09:00\nMX2,5.1,2026-11-03T10:00\n",
    }.items():
        (folder / name).write_text(text, encoding="utf-8")
    new = {problem.where for problem in check_folder(folder) if str(problem) not in before}
    assert {
        "openings_up.csv, row 2, consent_id",
        "trials.csv, row 2, stopped_at",
        "meter_readings.csv, row 3, reading_m3",
    } <= new


def test_a_book_without_a_datum_is_noted_and_stops_nothing(tmp_path: Path) -> None:
    """With every known level taken out of book and site it is still examined, its booked levels not known."""
    folder = Path(shutil.copytree(DEMO, tmp_path / "site"))
    facts = [
        line
        for line in (folder / "site.toml").read_text(encoding="utf-8").splitlines()
        if not line.startswith("bench_mark_level_m")
    ]
    (folder / "site.toml").write_text("\n".join(facts) + "\n", encoding="utf-8")
    lines = [line.split(",") for line in (folder / "levels.csv").read_text(encoding="utf-8").splitlines()]
    at = lines[0].index("known_level_m")
    for line in lines[1:]:
        line[at] = ""
    (folder / "levels.csv").write_text("\n".join(",".join(line) for line in lines) + "\n", encoding="utf-8")
    found = [problem for problem in check_folder(folder) if problem.file == "levels.csv"]
    assert [(problem.column, problem.severity) for problem in found] == [("known_level_m", "warning")]
    assert "Give the bench mark a level" in found[0].mend
    levels = examine(read_checked(folder)).levels
    assert levels["level_m"].isna().any()
    assert levels.loc[levels["level_m"].isna(), "sigma_m"].isna().all()
