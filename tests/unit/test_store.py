"""Nothing saved is lost, nobody overwrites anybody, and a site comes out of the store as it went in."""

from __future__ import annotations

import hashlib
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import shapely

from geo.errors import InputError
from geo.findings.examine import examine
from geo.site.folder import read_site
from geo.site.model import GroundInfo, SiteInfo
from geo.site.records import KINDS, Account, Building, Downpipe, Gully, Level, Reading, Run, Salt, Sample
from geo.store.changes import Put, PutFile, PutGround, PutInfo, Remove, safe_name
from geo.store.content import place_between, place_of, toml_bytes
from geo.store.said import StaleError, StoreError
from geo.store.store import Store

DEMO = Path(__file__).parents[2] / "demo_sites"
SITES = ("semi_on_a_slope", "old_school", "three_cottages")
INFO = SiteInfo(name="Little house", crs="EPSG:27700", datum="step, 10.000")
ME, THEM = "surveyor", "assistant"
SQUARE = shapely.box(412300.0, 287600.0, 412308.0, 287606.0)


def files_of(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file of a folder."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


def begin(store: Store, *records: Any) -> str:
    """Return a new site with some records."""
    site_id = store.create_site(INFO, by=ME)
    if records:
        store.save(site_id, [Put(record) for record in records], by=ME)
    return site_id


# --- in and out ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SITES)
def test_a_folder_comes_out_as_it_went_in(store: Store, tmp_path: Path, name: str) -> None:
    """Records, facts and every byte of every file are the same after taking in and handing out."""
    read = read_site(DEMO / name)
    site_id = store.take_in(read, by=ME)
    kept = store.site(site_id)
    assert (kept.records, kept.info, kept.ground) == (read.records, read.info, read.ground)
    assert kept.crs == read.crs
    store.hand_out(site_id, tmp_path / "out")
    assert files_of(tmp_path / "out") == files_of(DEMO / name)
    again = read_site(tmp_path / "out")
    assert (again.records, again.digest) == (read.records, read.digest)


def test_a_site_of_the_store_can_be_examined(store: Store) -> None:
    """What is found at a site of the store is what is found at its folder, raster included."""
    read = read_site(DEMO / SITES[0])
    kept = store.site(store.take_in(read, by=ME))
    assert kept.raster_path is not None
    ours, theirs = examine(kept, seed=1), examine(read, seed=1)
    assert repr(ours.outlets.rows()) == repr(theirs.outlets.rows())  # NaN equals nothing, but reads the same


def test_photographs_and_unknown_files_keep_their_bytes(store: Store, tmp_path: Path) -> None:
    """Files in photos, and text files of no kind, come out byte for byte; hidden files are left."""
    folder = Path(shutil.copytree(DEMO / SITES[2], tmp_path / "site"))
    (folder / "photos" / "north").mkdir(parents=True)
    picture = bytes(range(256)) * 9000  # more than two of the pieces it is kept in
    (folder / "photos" / "north" / "gully 1.jpg").write_bytes(picture)
    (folder / "notes for later.txt").write_bytes(b"\xff\xfe odd \r\n")
    (folder / ".hidden").write_bytes(b"x")
    site_id = store.take_in(read_site(folder), by=ME)
    store.hand_out(site_id, tmp_path / "out")
    expected = files_of(folder)
    del expected[".hidden"]
    assert files_of(tmp_path / "out") == expected
    assert (store.site(site_id).folder / "photos" / "north" / "gully 1.jpg").read_bytes() == picture
    assert store.file(site_id, "photos/north/gully 1.jpg") == picture


def test_a_link_in_a_folder_is_refused(store: Store, tmp_path: Path) -> None:
    """A link could bring any file of the machine along: it is refused, and no site is made."""
    folder = Path(shutil.copytree(DEMO / SITES[2], tmp_path / "site"))
    (folder / "photos").mkdir(exist_ok=True)
    (folder / "photos" / "one.jpg").symlink_to("/etc/hostname")
    with pytest.raises(InputError, match="no plain file"):
        store.take_in(read_site(folder), by=ME)
    assert store.sites() == ()


def test_only_what_changed_is_written_anew(store: Store, tmp_path: Path) -> None:
    """After one reading is changed, readings.csv says so and every other file keeps its bytes."""
    read = read_site(DEMO / SITES[0])
    site_id = store.take_in(read, by=ME)
    reading = read.of("reading")[3]
    store.save(site_id, [Put(reading.model_copy(update={"note": "again"}), 1)], by=ME)
    store.hand_out(site_id, tmp_path / "out")
    before, after = files_of(DEMO / SITES[0]), files_of(tmp_path / "out")
    assert {name for name in before if before[name] != after[name]} == {"readings.csv"}
    again = read_site(tmp_path / "out")
    assert again.records == store.site(site_id).records
    assert again.of("reading")[3].note == "again"


def test_undoing_brings_the_bytes_back(store: Store, tmp_path: Path) -> None:
    """A change that was undone leaves no trace in the folder handed out, nor in the data version."""
    read = read_site(DEMO / SITES[1])
    site_id = store.take_in(read, by=ME)
    first = store.site(site_id).digest
    gone = store.save(site_id, [Remove("reading", record.id, 1) for record in read.of("reading")], by=ME)
    assert store.site(site_id).of("reading") == ()
    assert store.site(site_id).digest != first
    store.undo(site_id, gone.save_id, by=ME)
    assert store.site(site_id).digest == first
    store.hand_out(site_id, tmp_path / "out")
    assert files_of(tmp_path / "out") == files_of(DEMO / SITES[1])


def test_a_layer_emptied_is_written_empty(store: Store, tmp_path: Path) -> None:
    """Records removed do not come back through the bytes their file once had."""
    read = read_site(DEMO / SITES[0])
    site_id = store.take_in(read, by=ME)
    store.save(site_id, [Remove("gutter", record.id, 1) for record in read.of("gutter")], by=ME)
    store.hand_out(site_id, tmp_path / "out")
    assert read_site(tmp_path / "out").of("gutter") == ()


def test_facts_are_written_and_read_back(store: Store, tmp_path: Path) -> None:
    """The site's facts, changed in the store, read back the same from site.toml, odd signs included."""
    site_id = begin(store, Building(id="B1", geometry=SQUARE))
    odd = 'Hill "House" \\ no. 4\nrear; é £ \x7f'
    info = INFO.model_copy(update={"name": odd, "bench_mark_level_m": 10.05, "scenario": "a = [1]"})
    assert store.save(site_id, [PutInfo(info, store.file_versions(site_id)["site.toml"])], by=ME).save_id
    store.hand_out(site_id, tmp_path / "out")
    assert read_site(tmp_path / "out").info == info == store.site(site_id).info
    assert store.sites()[0].name == odd


def test_a_new_site_of_every_shape_reads_back(store: Store, tmp_path: Path) -> None:
    """Drawn and undrawn kinds made in the store alone come out as a folder with equal records."""
    made = (
        Building(id="B1", geometry=SQUARE, note="brick, “soft”"),
        Gully(id="G1", chainage_m=3.25, offset_m=0.2, rim_level_m=9.905),
        Run(id="R1", geometry=shapely.LineString([(412300, 287600), (412301.5, 287590.25)])),
        Sample(id="S1", material="brick", wet_g=31.4, chainage_m=1, height_m=0.3),
        Salt(id="T1", ion="nitrate", sample_id="S1"),
        Account(id="A1", speaker="occupant", said="it floods, they say: 'every'\nwinter"),
    )
    site_id = begin(store, *made)
    store.hand_out(site_id, tmp_path / "out")
    read = read_site(tmp_path / "out")
    assert read.records == store.site(site_id).records
    assert {record.id for records in read.records.values() for record in records} == {r.id for r in made}


def test_points_read_from_geojson_stay_points(store: Store, tmp_path: Path) -> None:
    """A kind of points read from GeoJSON is written back as GeoJSON after a change, and reads the same."""
    folder = Path(shutil.copytree(DEMO / SITES[2], tmp_path / "site"))
    (folder / "gullies.csv").unlink()
    points = [
        {
            "type": "Feature",
            "properties": {"id": f"GP{n}"},
            "geometry": {"type": "Point", "coordinates": [412300.5 + n, 287600.25]},
        }
        for n in range(2)
    ]
    whole = {"type": "FeatureCollection", "features": points}
    (folder / "gullies.geojson").write_text(json.dumps(whole), encoding="utf-8")
    site_id = store.take_in(read_site(folder), by=ME)
    first = store.site(site_id).of("gully")[0]
    store.save(site_id, [Put(first.model_copy(update={"note": "moved nothing"}), 1)], by=ME)
    store.hand_out(site_id, tmp_path / "out")
    assert read_site(tmp_path / "out").of("gully") == store.site(site_id).of("gully")


def test_a_layer_half_drawn_is_not_handed_out(store: Store, tmp_path: Path) -> None:
    """No file of a site folder holds drawn and undrawn runs together: that is said, and nothing written."""
    line = shapely.LineString([(412300, 287600), (412301.5, 287590.25)])
    site_id = begin(store, Run(id="R1", geometry=line), Run(id="R2"))
    with pytest.raises(InputError, match="'R2' is not drawn"):
        store.hand_out(site_id, tmp_path / "out")
    assert not (tmp_path / "out").exists()


# --- saving --------------------------------------------------------------------------------------


def test_a_stale_save_is_refused_with_both_versions(store: Store) -> None:
    """Two change what both read: the second is told who and what, and nothing of theirs is lost."""
    site_id = begin(store, Gully(id="G1", state="sound"), Gully(id="G2"))
    seen = store.versions(site_id)
    store.save(site_id, [Put(Gully(id="G1", note="theirs"), seen["G1"])], by=THEM, why="looked again")
    mine = [Put(Gully(id="G2", note="mine"), seen["G2"]), Put(Gully(id="G1", note="mine"), seen["G1"])]
    with pytest.raises(StaleError, match="G1 was changed by assistant") as caught:
        store.save(site_id, mine, by=ME)
    (conflict,) = caught.value.conflicts
    assert (conflict.mine.note, conflict.theirs.note) == ("mine", "theirs")
    assert (conflict.by, conflict.why, conflict.version, conflict.base) == (THEM, "looked again", 3, 2)
    assert [gully.note for gully in store.site(site_id).of("gully")] == ["theirs", ""]


def test_everything_that_can_be_stale(store: Store) -> None:
    """A new record whose id was taken, one removed meanwhile, facts, and files are each a conflict."""
    site_id = begin(store, Gully(id="G1"), Gully(id="G2"))
    store.save(site_id, [PutFile("plan.pdf", b"first")], by=THEM)
    store.save(site_id, [Put(Gully(id="G3", note="theirs"))], by=THEM)
    store.save(site_id, [Remove("gully", "G2", 2)], by=THEM)
    store.save(site_id, [PutInfo(INFO.model_copy(update={"name": "Theirs"}), 1)], by=THEM)
    changes = [
        Put(Gully(id="G3", note="mine")),
        Put(Gully(id="G2", note="mine"), 2),
        PutInfo(INFO.model_copy(update={"name": "Mine"}), 1),
        PutFile("plan.pdf", b"second"),
    ]
    with pytest.raises(StaleError) as caught:
        store.save(site_id, changes, by=ME)
    told = {conflict.record_id: conflict for conflict in caught.value.conflicts}
    assert set(told) == {"G3", "G2", "site.toml", "plan.pdf"}
    assert told["G2"].theirs is None
    assert told["site.toml"].theirs.name == "Theirs"
    assert told["plan.pdf"].theirs == hashlib.sha256(b"first").hexdigest()
    assert "removed" in str(told["G2"])


def test_saying_the_same_is_no_change(store: Store) -> None:
    """What already stands makes no event and no conflict, whoever typed it first."""
    site_id = begin(store, Gully(id="G1"))
    store.save(site_id, [Put(Gully(id="G1", note="both"), 2)], by=THEM)
    same = store.save(site_id, [Put(Gully(id="G1", note="both"), 2)], by=ME)
    assert (same.save_id, same.version, store.version(site_id)) == (0, 3, 3)
    store.save(site_id, [Remove("gully", "G1", 3)], by=THEM)
    assert store.save(site_id, [Remove("gully", "G1", 3)], by=ME).save_id == 0


def test_a_save_is_all_or_nothing(store: Store) -> None:
    """One record that its declaration refuses keeps the whole save out, with every problem said."""
    site_id = begin(store)
    wrong = Gully.model_construct(**{**Gully(id="G2").__dict__, "state": "very bad", "riser_mm": -4.0})
    with pytest.raises(InputError) as caught:
        store.save(site_id, [Put(Gully(id="G1")), Put(wrong)], by=ME)
    assert {str(problem).split(":")[0] for problem in caught.value.problems} == {
        "gully G2, state",
        "gully G2, riser_mm",
    }
    assert store.version(site_id) == 1
    assert store.versions(site_id) == {}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (Put(Downpipe(id="G1")), "is the id of a gully"),
        (Put(Building(id="B1")), "has no outline"),
        (Put(Building(id="B1", geometry=shapely.Point(1, 2))), "drawn as a Point"),
        (
            Put(Building(id="B1", geometry=shapely.Polygon([(0, 0), (9, 9), (9, 0), (0, 9)]))),
            "crosses or touches itself",
        ),
        (Put(Run(id="R1", geometry=shapely.LineString([(0, 0), (float("inf"), 1)]))), "no number"),
        (Put(Gully.model_construct(**{**Gully(id="x").__dict__, "note": "\ud800"})), "note"),
        (Put(Gully(id="G9"), after="G7"), "which is not there"),
        (PutInfo(INFO.model_copy(update={"crs": "EPSG:4326"}), 1), "crs"),
        (PutInfo(INFO.model_copy(update={"crs": "nonsense"}), 1), "no known grid"),
        (PutFile("../evil", b""), "no name for a file"),
        (PutFile("readings.csv", b""), "kept as records"),
        (PutFile("site.toml", b""), "kept as records"),
        (PutFile("photos/a.jpg", b"x", sha256="00"), "not the file that was sent"),
        (PutFile("limits.toml", b"[nosuch]\nthing = 1\n"), "no limit is called"),
        (PutFile("ground.tif", b"x"), "has no facts beside it"),
        (PutGround(GroundInfo(model="DTM")), "is missing"),
        (Remove("ghost", "G1", 1), "no kind of record"),
    ],
    ids=lambda value: value if isinstance(value, str) else type(value).__name__,
)
def test_what_cannot_be_saved_is_said(store: Store, change: Any, said: str) -> None:
    """Each wrong change is one clear sentence, and the site stays as it was."""
    site_id = begin(store, Gully(id="G1"))
    with pytest.raises(InputError, match=said):
        store.save(site_id, [change], by=ME)
    assert store.version(site_id) == 2
    assert store.verify() == ()


def test_somebody_must_say_who_saves(store: Store) -> None:
    """A change by nobody is refused, and so is one thing changed twice at once."""
    site_id = begin(store)
    with pytest.raises(InputError, match="nobody is named"):
        store.save(site_id, [Put(Gully(id="G1"))], by=" ")
    with pytest.raises(InputError, match="changed twice"):
        store.save(site_id, [Put(Gully(id="G1")), Put(Gully(id="G1"))], by=ME)


def test_a_token_saves_nothing_twice(store: Store) -> None:
    """A save sent again because its answer was lost is acknowledged as it was the first time."""
    site_id = begin(store)
    first = store.save(site_id, [Put(Gully(id="G1"))], by=ME, token="page-7")
    again = store.save(site_id, [Put(Gully(id="G1"))], by=ME, token="page-7")
    assert (again.save_id, dict(again.versions)) == (first.save_id, dict(first.versions))
    assert store.version(site_id) == 2


def test_records_keep_their_order(store: Store, tmp_path: Path) -> None:
    """The order of a level book is part of what was booked: lines go in between, first and last."""
    line = lambda name: Level(id=name, role="ground", foresight_m=1.0)
    site_id = begin(store, line("L1"), line("L3"))
    store.save(site_id, [Put(line("L2"), after="L1"), Put(line("L0"), after="")], by=ME)
    store.save(site_id, [Put(line("L4")), Put(line("L5"))], by=ME)
    store.save(site_id, [Put(line("L2b"), after="L2"), Put(line("L2c"), after="L2b")], by=ME)
    order = [level.id for level in store.site(site_id).of("level")]
    assert order == ["L0", "L1", "L2", "L2b", "L2c", "L3", "L4", "L5"]
    store.save(site_id, [Put(line("L5"), store.versions(site_id)["L5"], after="")], by=ME)
    assert [level.id for level in store.site(site_id).of("level")][:2] == ["L5", "L0"]
    store.hand_out(site_id, tmp_path / "out")
    assert read_site(tmp_path / "out").records == store.site(site_id).records


def test_there_is_always_a_place_between() -> None:
    """However often one inserts at the same spot, there is room, and text order stays the order."""
    low, high = place_of(1), place_of(2)
    for turn in range(300):
        between = place_between(low, high)
        assert low < between < high
        low, high = (between, high) if turn % 2 else (low, between)
    assert place_of(99) < place_of(100) == place_between(place_of(99), None)
    assert place_between("", place_of(1)) < place_of(1)


def test_rasters_come_with_their_facts(store: Store, tmp_path: Path) -> None:
    """A raster is saved with its facts, is laid out to be read, and goes with them."""
    site_id = begin(store, Building(id="B1", geometry=SQUARE))
    raster = (DEMO / SITES[0] / "ground.tif").read_bytes()
    store.save(site_id, [PutFile("ground.tif", raster), PutGround(GroundInfo(model="DTM"))], by=ME)
    path = store.site(site_id).raster_path
    assert path is not None
    assert path.read_bytes() == raster
    store.hand_out(site_id, tmp_path / "out")
    assert read_site(tmp_path / "out").ground == GroundInfo(model="DTM")
    gone = store.save(site_id, [PutGround(None, store.file_versions(site_id)["ground.toml"])], by=ME)
    assert store.site(site_id).raster_path is None
    store.undo(site_id, gone.save_id, by=ME)
    assert store.site(site_id).raster_path is not None


def test_a_sites_own_limits_are_in_force(store: Store) -> None:
    """limits.toml saved in the store changes the limit for that site, and the answer says so."""
    site_id = begin(store)
    store.save(site_id, [PutFile("limits.toml", b"[input]\nfar_asset_m = 45\n")], by=ME)
    limit = store.site(site_id).reference.limit("input.far_asset_m")
    assert (limit.value, limit.changed_by) == (45.0, "limits.toml")


def test_the_data_version_is_that_of_the_content(store: Store) -> None:
    """Two sites of the same content have one digest; a record or its order changed gives another."""
    read = read_site(DEMO / SITES[2])
    first, second = (store.take_in(read, by=ME) for _ in range(2))
    assert first != second
    assert store.site(first).digest == store.site(second).digest
    level = store.site(second).of("level")[0]
    store.save(second, [Put(level, 1, after=store.site(second).of("level")[2].id)], by=ME)
    assert store.site(first).digest != store.site(second).digest


def test_safe_names() -> None:
    """Only plain names below the site folder, on any machine, are names of files."""
    good = ("plan.pdf", "photos/IMG 1.jpg", "photos/a/b.png", "Größe.txt")
    bad = (
        "",
        "/etc/x",
        "..",
        "photos/../x",
        "a\\b",
        "c:x",
        "photos//x",
        "x\n",
        ".x",
        "~x",
        "a/b",
        "x. ",
        "*",
    )
    assert [safe_name(name) for name in good] == [True] * len(good)
    assert [name for name in bad if safe_name(name)] == []


def test_toml_escapes() -> None:
    """Text with quotes, backslashes, line ends and DEL reads back from TOML as it was."""
    import tomllib

    info = INFO.model_copy(update={"scenario": 'a "b" \\ c\nd\te \x7f é'})
    assert tomllib.loads(toml_bytes(info).decode())["scenario"] == info.scenario


# --- the past ------------------------------------------------------------------------------------


def test_history_tells_who_when_what(store: Store) -> None:
    """Each change of a record is told with role, moment, reason, what was and what is."""
    site_id = begin(store, Gully(id="G1"))
    store.save(site_id, [Put(Gully(id="G1", state="grating_blocked"), 2)], by=THEM, why="leaves")
    store.save(site_id, [Remove("gully", "G1", 3)], by=ME)
    added, changed, removed = store.history(site_id, "G1")
    assert (added.was, added.now) == (None, Gully(id="G1"))
    assert (changed.was, changed.now.state) == (Gully(id="G1"), "grating_blocked")
    assert (changed.by, changed.why, changed.was_version) == (THEM, "leaves", 2)
    assert (removed.action, removed.was.state, removed.now) == ("remove", "grating_blocked", None)
    assert added.at <= changed.at <= removed.at
    assert added.at.utcoffset().total_seconds() == 0
    assert [save.save_id for save in store.saves(site_id)] == [4, 3, 2, 1]
    assert [event.save_id for event in store.history(site_id, since=2)] == [3, 4]


def test_a_site_is_put_back_as_it_stood(store: Store) -> None:
    """One record changed, one added, one taken out: as of the first save all three are as they were."""
    was = read_site(DEMO / "semi_on_a_slope")
    site_id = store.take_in(was, by="surveyor")
    first, versions = store.version(site_id), store.versions(site_id)
    gully = next(one for one in was.of("gully") if isinstance(one, Gully))
    reading = next(one for one in was.of("reading") if isinstance(one, Reading))
    store.save(
        site_id,
        [
            Put(gully.model_copy(update={"rim_level_m": 9.111}), versions[gully.id]),
            Put(reading.model_copy(update={"id": "r999"}), None),
            Remove("stop_mark", was.of("stop_mark")[0].id, versions[was.of("stop_mark")[0].id]),
        ],
        by="surveyor",
    )
    now, put_back = store.site(site_id), store.site_at(site_id, first)
    assert now.of("gully") != was.of("gully")
    for kind in KINDS:
        assert sorted(put_back.of(kind), key=lambda one: one.id) == sorted(
            was.of(kind), key=lambda one: one.id
        )
    assert put_back.digest != now.digest


def test_a_state_that_cannot_be_put_back_is_refused(store: Store) -> None:
    """Without a line of the level book its order is not known, and weights are not kept: the folder is asked for."""
    site_id = store.take_in(read_site(DEMO / "semi_on_a_slope"), by="surveyor")
    first = store.version(site_id)
    level = store.site(site_id).of("level")[-1]
    second = store.save(
        site_id, [Remove("level", level.id, store.versions(site_id)[level.id])], by="surveyor"
    ).save_id
    with pytest.raises(StoreError, match=r"level book .* folder of that time as a zip"):
        store.site_at(site_id, first)
    assert store.site_at(site_id, second).of("level") == store.site(site_id).of("level")
    store.save(site_id, [PutFile("evidence.toml", b"[points.S04]\nNEAR = 1\n")], by="surveyor")
    with pytest.raises(StoreError, match=r"evidence\.toml changed since"):
        store.site_at(site_id, second)


def test_undo_is_a_new_event(store: Store) -> None:
    """Undoing undoes the save and no other; undoing the undoing does it again; all of it is told."""
    site_id = begin(store, Gully(id="G1"), Gully(id="G2"))
    wrong = store.save(
        site_id, [Remove("gully", "G1", 2), Put(Gully(id="G2", note="x"), 2), Put(Gully(id="G3"))], by=ME
    )
    right = store.save(site_id, [Put(Downpipe(id="D1"))], by=ME)
    undone = store.undo(site_id, wrong.save_id, by=THEM, why="slip")
    assert [gully.id for gully in store.site(site_id).of("gully")] == ["G1", "G2"]
    assert store.site(site_id).of("gully")[1].note == ""
    assert store.versions(site_id)["D1"] == right.version
    assert store.saves(site_id)[0].undoes == wrong.save_id
    store.undo(site_id, undone.save_id, by=ME)
    assert [gully.id for gully in store.site(site_id).of("gully")] == ["G2", "G3"]
    assert len(store.history(site_id, "G1")) == 4
    assert store.verify() == ()


def test_undo_refuses_what_was_changed_since(store: Store) -> None:
    """A save whose record was changed again is not undone over that change; the conflict is told."""
    site_id = begin(store, Gully(id="G1"))
    first = store.save(site_id, [Put(Gully(id="G1", note="a"), 2), Put(Gully(id="G2"))], by=ME)
    store.save(site_id, [Put(Gully(id="G1", note="b"), first.version)], by=THEM)
    with pytest.raises(StaleError) as caught:
        store.undo(site_id, first.save_id, by=ME)
    (conflict,) = caught.value.conflicts
    assert (conflict.record_id, conflict.theirs.note, conflict.by) == ("G1", "b", THEM)
    assert "G2" in store.versions(site_id)


def test_what_cannot_be_undone_is_said(store: Store) -> None:
    """A save that is not there, one that began the site, one of the whole site: each a sentence."""
    site_id = begin(store)
    with pytest.raises(StoreError, match="no save 7"):
        store.undo(site_id, 7, by=ME)
    with pytest.raises(StoreError, match="began the site"):
        store.undo(site_id, 1, by=ME)
    store.remove_site(site_id, by=ME)
    back = store.restore_site(site_id, by=ME)
    with pytest.raises(StoreError, match="the whole site"):
        store.undo(site_id, back.save_id, by=ME)


def test_restore_brings_a_record_back(store: Store) -> None:
    """A removed or changed record comes back as it was at a version, in its old place."""
    site_id = begin(store, Gully(id="G1", note="first"), Gully(id="G2"))
    store.save(site_id, [Put(Gully(id="G1", note="second"), 2)], by=ME)
    store.save(site_id, [Remove("gully", "G1", 3)], by=ME)
    with pytest.raises(StoreError, match="not there at version 4"):
        store.restore(site_id, "G1", 4, by=ME)
    with pytest.raises(StoreError, match="had no version 1"):
        store.restore(site_id, "G1", 1, by=ME)
    store.restore(site_id, "G1", 2, by=ME)
    assert [gully.note for gully in store.site(site_id).of("gully")] == ["first", ""]
    assert store.restore(site_id, "G1", 2, by=ME).save_id == 0
    store.save(site_id, [Remove("gully", "G2", 2)], by=ME)
    store.save(site_id, [Put(Downpipe(id="G2"))], by=ME)
    with pytest.raises(InputError, match="is now the id of a downpipe"):
        store.restore(site_id, "G2", 2, by=ME)
    assert store.verify() == ()


def test_a_site_removed_is_kept(store: Store) -> None:
    """A removed site leaves the list, takes no change, and comes back whole."""
    site_id = begin(store, Gully(id="G1"))
    store.remove_site(site_id, by=ME, why="wrong house")
    assert store.sites() == ()
    assert store.sites(removed=True)[0].removed_at is not None
    with pytest.raises(StoreError, match="was removed"):
        store.save(site_id, [Put(Gully(id="G2"))], by=ME)
    store.restore_site(site_id, by=ME)
    assert [entry.site_id for entry in store.sites()] == [site_id]
    assert store.site(site_id).of("gully") == (Gully(id="G1"),)
    assert store.verify() == ()


def test_another_grid_moves_no_coordinate(store: Store) -> None:
    """A grid wrongly named is corrected without moving the drawing, and can be undone."""
    site_id = begin(store, Building(id="B1", geometry=SQUARE))
    saved = store.save(site_id, [PutInfo(INFO.model_copy(update={"crs": "EPSG:25832"}), 1)], by=ME)
    assert store.site(site_id).of("building")[0].geometry == SQUARE
    assert store.verify() == ()
    store.undo(site_id, saved.save_id, by=ME)
    assert store.verify() == ()


def test_sites_do_not_mix(store: Store) -> None:
    """Two sites may use the same ids; what is changed in one does not show in the other."""
    first, second = begin(store, Gully(id="G1")), begin(store, Gully(id="G1"))
    store.save(first, [Put(Gully(id="G1", note="here"), 2)], by=ME)
    assert store.site(second).of("gully")[0].note == ""
    assert len(store.history(second, "G1")) == 1
    with pytest.raises(StoreError, match="no site 'nowhere'"):
        store.site("nowhere")


# --- copies and checks ---------------------------------------------------------------------------


def test_a_back_up_opens_as_a_workspace(store: Store, tmp_path: Path) -> None:
    """A back-up holds every site, file and event, replaces an older one whole, and is one file."""
    from geo.store.store import open_store

    site_id = store.take_in(read_site(DEMO / SITES[1]), by=ME)
    (tmp_path / "back").mkdir()
    target = tmp_path / "back" / "up.sqlite"
    target.write_bytes(b"older")
    store.back_up(target)
    assert [path.name for path in target.parent.iterdir()] == ["up.sqlite"]
    with open_store(target, create=False, cache=tmp_path / "other") as copy:
        assert copy.verify() == ()
        assert copy.site(site_id).digest == store.site(site_id).digest
        assert [save.at for save in copy.saves(site_id)] == [save.at for save in store.saves(site_id)]
        raster = copy.site(site_id).raster_path
        assert raster is not None
        assert raster.read_bytes() == (DEMO / SITES[1] / "ground.tif").read_bytes()


def test_a_back_up_is_brought_back_into_an_empty_store(store: Store, tmp_path: Path) -> None:
    """What was backed up from a file comes back into any empty workspace, and into no other."""
    from geo.store.store import open_store

    with open_store(tmp_path / "old.sqlite", cache=tmp_path / "cache") as old:
        site_id = begin(old, Gully(id="G1"), Building(id="B1", geometry=SQUARE))
        old.back_up(tmp_path / "up.sqlite")
    store.bring_back(tmp_path / "up.sqlite")
    assert store.verify() == ()
    assert store.site(site_id).of("building")[0].geometry == SQUARE
    assert store.save(site_id, [Put(Gully(id="G2"))], by=ME).version == 3
    with pytest.raises(StoreError, match="already holds sites"):
        store.bring_back(tmp_path / "up.sqlite")


def test_who_takes_and_brings_the_whole_store_is_noted_where_it_was(store: Store, tmp_path: Path) -> None:
    """A row of each site and of each landlord, by whom and when, in what it left, in the copy, in what it came into."""
    from geo.portfolio.register import open_register
    from geo.store.read_log import COMMAND, sign_of_this_user
    from geo.store.store import open_store

    began = datetime.now(UTC)
    with open_store(tmp_path / "old.sqlite", cache=tmp_path / "cache") as old:
        sites = {begin(old, Gully(id="G1")), begin(old, Gully(id="G1"))}
        old.remove_site(min(sites), by=ME)
        with open_register(tmp_path / "old.sqlite") as register:
            register.begin("L1")
        everything: dict[str, Any] = {"site_ids": sites, "homes": {"L1": None}}
        with pytest.raises(StoreError, match="the workspace itself"):
            old.back_up(tmp_path / "old.sqlite")
        assert old.read_log.rows(**everything) == ()
        old.back_up(tmp_path / "up.sqlite")
        left = old.read_log.rows(**everything)
    assert {(row.site_id, row.landlord_id) for row in left} == {*((name, "") for name in sites), ("", "L1")}
    assert len(left) == 3
    assert {(row.kind, row.who, row.role) for row in left} == {("back_up", sign_of_this_user(), COMMAND)}
    assert began <= left[0].at <= datetime.now(UTC)
    store.bring_back(tmp_path / "up.sqlite")
    came = store.read_log.rows(**everything)
    assert {row for row in came if row.kind == "back_up"} == set(left), "the copy told of itself"
    brought = [row for row in came if row.kind == "bring_back"]
    assert {(row.site_id, row.landlord_id) for row in brought} == {
        (row.site_id, row.landlord_id) for row in left
    }
    with pytest.raises(StoreError, match="already holds sites"):
        store.bring_back(tmp_path / "up.sqlite")
    assert store.read_log.rows(**everything) == came


def test_what_was_recorded_is_never_altered(store: Store) -> None:
    """The database itself refuses to change or delete an event or a save."""
    import sqlalchemy as sa

    begin(store, Gully(id="G1"))
    for statement in ("update event set now = ''", "delete from event", "delete from save"):
        with pytest.raises(sa.exc.DBAPIError, match="never altered"), store._engine.begin() as connection:
            connection.execute(sa.text(statement))


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("update record_gully set note = 'forged'", "the gully is not what its events say"),
        ("delete from record_gully", "the gully is not what its events say"),
        ("update latest set version = 1", "its version is not"),
        ("update site set records_count = 9", "counts 9 records"),
        ("update site set info = replace(info, 'Little', 'Large')", "is not what its events say"),
        ("update site set version = 9", "saves are missing"),
        ("update blob set bytes_count = 3", "not what its hash says"),
        ("delete from file", "is not the file its events say"),
    ],
)
def test_verify_finds_what_was_tampered_with(store: Store, statement: str, said: str) -> None:
    """A table that does not follow from its events, and a file that is not its hash, are each told."""
    import sqlalchemy as sa

    site_id = begin(store, Gully(id="G1"))
    store.save(site_id, [PutFile("plan.pdf", b"four")], by=ME)
    assert store.verify() == ()
    with store._engine.begin() as connection:
        connection.execute(sa.text(statement))
    assert any(said in str(problem) for problem in store.verify())
