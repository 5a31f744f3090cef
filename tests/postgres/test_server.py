"""What is PostgreSQL's own: true geometry, one writer a site, a server lost and found."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest
import shapely
import sqlalchemy as sa

from geo.site.folder import read_site
from geo.site.model import SiteInfo
from geo.site.records import Building, Gully
from geo.store import migrate
from geo.store.changes import Put
from geo.store.said import StaleError, StoreError
from geo.store.store import Store, open_store

pytestmark = pytest.mark.postgres

DEMO = Path(__file__).parents[2] / "demo_sites"
INFO = SiteInfo(name="Little house", crs="EPSG:27700", datum="step, 10.000")


def test_the_last_step_is_the_declarations(store: Store) -> None:
    """A database made by the steps differs in nothing from the declarations."""
    with store._engine.connect() as connection:
        assert migrate.differences(connection) == []


def test_shapes_are_true_geometry(store: Store) -> None:
    """PostGIS knows grid and area of an outline (8 × 6 = 48 m²), and has an index over it."""
    site_id = store.create_site(INFO, by="surveyor")
    square = shapely.box(412300, 287600, 412308, 287606)
    store.save(site_id, [Put(Building(id="B1", geometry=square))], by="surveyor")
    with store._engine.connect() as connection:
        found = connection.execute(
            sa.text("select st_srid(shape), st_area(shape), x0, y0, x1, y1 from record_building")
        ).one()
        index = connection.execute(
            sa.text("select indexdef from pg_indexes where indexname = 'ix_record_building_shape'")
        ).scalar_one()
    assert tuple(found) == (27700, 48.0, 412300.0, 287600.0, 412308.0, 287606.0)
    assert "USING gist" in index


def test_sites_carried_from_server_to_file_and_back(store: Store, cluster: object, tmp_path: Path) -> None:
    """A back-up of a server is a workspace in a file; brought back to a server it verifies and is equal."""
    site_id = store.take_in(read_site(DEMO / "old_school"), by="surveyor")
    store.back_up(tmp_path / "up.sqlite")
    with open_store(tmp_path / "up.sqlite", create=False, cache=tmp_path / "c") as copy:
        assert copy.verify() == ()
        assert copy.site(site_id).digest == store.site(site_id).digest
    address = cluster.database("brought_back")  # type: ignore[attr-defined]
    with open_store(address, cache=tmp_path / "c") as again:
        again.bring_back(tmp_path / "up.sqlite")
        assert again.verify() == ()
        assert again.site(site_id).digest == store.site(site_id).digest
        assert again.save(site_id, [Put(Gully(id="NEW"))], by="surveyor").version == 2


def test_two_writers_of_one_record(store: Store, address: str, tmp_path: Path) -> None:
    """Two who save the same record at the same moment: one is acknowledged, the other told."""
    site_id = store.create_site(INFO, by="surveyor")
    version = store.save(site_id, [Put(Gully(id="G1"))], by="surveyor").version
    told: list[str] = []
    ready = threading.Barrier(2)

    def edit(name: str) -> None:
        with open_store(address, cache=tmp_path / "cache") as own:
            ready.wait()
            try:
                own.save(site_id, [Put(Gully(id="G1", note=name), version)], by=name)
                told.append("saved")
            except StaleError as error:
                told.append(f"told of {error.conflicts[0].by}")

    writers = [threading.Thread(target=edit, args=(name,)) for name in ("one", "two")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    kept = store.site(site_id).of("gully")[0].note
    assert sorted(told) == ["saved", f"told of {kept}"]


def test_two_programs_make_one_database_at_once(cluster: object, tmp_path: Path) -> None:
    """Four programs that open an empty database at the same moment all find it made, once."""
    address = cluster.database("at_once")  # type: ignore[attr-defined]
    ready, wrong = threading.Barrier(4), []

    def begin() -> None:
        ready.wait()
        try:
            open_store(address, cache=tmp_path / "c").close()
        except StoreError as error:
            wrong.append(str(error))

    openers = [threading.Thread(target=begin) for _ in range(4)]
    for opener in openers:
        opener.start()
    for opener in openers:
        opener.join()
    assert wrong == []


def test_a_server_gone_and_back(cluster: object, tmp_path: Path) -> None:
    """While the server is away a save is a sentence; when it is back, the same save is done, once."""
    with type(cluster)() as own, open_store(own.database("one"), cache=tmp_path / "c") as store:  # type: ignore[attr-defined]
        site_id = store.create_site(INFO, by="surveyor")
        own.stop("immediate")
        try:
            with pytest.raises(StoreError, match="cannot be reached"):
                store.save(site_id, [Put(Gully(id="G1"))], by="surveyor", token="t")
            with pytest.raises(StoreError, match="cannot be reached"):
                store.site(site_id)
        finally:
            own.start()
        assert store.save(site_id, [Put(Gully(id="G1"))], by="surveyor", token="t").save_id == 2
        assert store.verify() == ()


def test_a_writer_that_holds_on_is_told_of(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A save that waits too long for another writer of the site ends in a sentence, not in a hang."""
    site_id = store.create_site(INFO, by="surveyor")
    monkeypatch.setattr("geo.store.engine.WAIT_S", 1)
    impatient = open_store(store._engine.url.render_as_string(hide_password=False), cache=Path("unused"))
    with store._engine.begin() as holding:
        holding.execute(sa.text("select 1 from site where site_id = :own for update"), {"own": site_id})
        began = time.monotonic()
        with pytest.raises(StoreError, match="did not finish in time"):
            impatient.save(site_id, [Put(Gully(id="G1"))], by="surveyor")
        assert time.monotonic() - began < 15
    impatient.close()
