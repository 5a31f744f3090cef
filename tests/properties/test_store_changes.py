"""Any sequence of edits by two people leaves what a plain dict would hold, and the events replay to it."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, initialize, invariant, rule

from geo.site.folder import read_site
from geo.site.model import SiteInfo
from geo.site.records import Account, Building, Downpipe, Gully, Reading, Record
from geo.store.changes import Put, PutInfo, Remove
from geo.store.said import StaleError, StoreError
from geo.store.store import Store, open_store

INFO = SiteInfo(name="Little house", crs="EPSG:27700", datum="step, 10.000")
IDS = st.sampled_from(["A", "B", "C", "D"])
EDITORS = st.sampled_from(["surveyor", "assistant"])
NOTES = st.sampled_from(["", "x", "y", '=cmd()|\' "q" é'])
LEVELS = st.none() | st.floats(-1e4, 1e4, allow_nan=False)

# One line of text as somebody types it; control characters are refused by the declarations.
TEXTS = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=20)


@pytest.fixture(scope="module", autouse=True)
def shared_store() -> Iterator[None]:
    """One workspace for all examples; each makes its own site in it."""
    folder = Path(tempfile.mkdtemp())
    with open_store(folder / "w.sqlite", cache=folder / "cache") as opened:
        SHARED.append(opened)
        yield
        assert opened.verify() == ()
    SHARED.clear()
    shutil.rmtree(folder)


SHARED: list[Store] = []


class TwoEditors(RuleBasedStateMachine):
    """Two people with their own view of one site, and a dict that holds what must be there."""

    saves: Bundle[int] = Bundle("saves")

    def __init__(self) -> None:
        super().__init__()
        self.store = SHARED[0]
        self.site_id = self.store.create_site(INFO, by="surveyor")
        self.now: dict[str, Record] = {}
        self.version = 1
        self.versions: dict[str, int] = {}
        self.past: dict[int, tuple[dict[str, Record], dict[str, int], dict[str, Record]]] = {}
        self.last: dict[str, int] = {}
        self.seen: dict[str, dict[str, int]] = {"surveyor": {}, "assistant": {}}

    @initialize(target=saves)
    def first(self) -> int:
        """Begin with one gully."""
        return self._expect([Put(Gully(id="A"))], "surveyor", {"A": Gully(id="A")})

    def _expect(self, changes: list[Any], by: str, after: dict[str, Record | None]) -> int:
        """Save, and see that the dict would have allowed it; return the number of the save, 0 for none."""
        differs = {name: record for name, record in after.items() if self.now.get(name) != record}
        bases = {change.key[1]: change.base for change in changes}
        stale = {name for name in differs if bases[name] != self.versions.get(name)}
        try:
            saved = self.store.save(self.site_id, changes, by=by)
        except StaleError as error:
            told = error.conflicts
        else:
            told = ()
        if told or stale:
            assert {conflict.record_id for conflict in told} == stale
            for conflict in told:
                assert conflict.theirs == self.now.get(conflict.record_id)
                assert conflict.mine == after[conflict.record_id]
            return 0
        self._kept(differs)
        assert saved.save_id == (self.version if differs else 0)
        return saved.save_id

    def _kept(self, differs: dict[str, Record | None]) -> None:
        if not differs:
            return
        self.version += 1
        was = {name: self.now[name] for name in differs if name in self.now}
        for name, record in differs.items():
            self.last[name] = self.version
            if record is None:
                del self.now[name], self.versions[name]
            else:
                self.now[name], self.versions[name] = record, self.version
        self.past[self.version] = (was, dict.fromkeys(differs, self.version), dict(self.now))

    @rule(by=EDITORS)
    def look(self, by: str) -> None:
        """Somebody reads the site anew."""
        self.seen[by] = dict(self.store.versions(self.site_id))

    @rule(target=saves, by=EDITORS, name=IDS, note=NOTES, level=LEVELS)
    def put(self, by: str, name: str, note: str, level: float | None) -> int:
        """Somebody saves a gully as they see it."""
        record = Gully(id=name, note=note, rim_level_m=level)
        return self._expect([Put(record, self.seen[by].get(name))], by, {name: record})

    @rule(target=saves, by=EDITORS, name=IDS)
    def remove(self, by: str, name: str) -> int:
        """Somebody removes a gully they see."""
        return self._expect([Remove("gully", name, self.seen[by].get(name))], by, {name: None})

    @rule(target=saves, by=EDITORS, first=IDS, second=IDS, note=NOTES)
    def two_at_once(self, by: str, first: str, second: str, note: str) -> int:
        """Somebody puts one and removes another in one save: both or none."""
        if first == second:
            return 0
        record = Gully(id=first, note=note)
        seen = self.seen[by]
        changes = [Put(record, seen.get(first)), Remove("gully", second, seen.get(second))]
        return self._expect(changes, by, {first: record, second: None})

    @rule(target=saves, by=EDITORS, save=saves)
    def undo(self, by: str, save: int) -> int:
        """Somebody undoes a save."""
        if save == 0:
            return 0
        was, touched, _ = self.past[save]
        free = all(self.last[name] == save for name in touched)
        try:
            undone = self.store.undo(self.site_id, save, by=by)
        except StaleError:
            assert not free
            return 0
        assert free
        self.version += 1
        before = {name: self.now[name] for name in touched if name in self.now}
        for name in touched:
            self.last[name] = self.version
            self.now.pop(name, None)
            self.versions.pop(name, None)
            if name in was:
                self.now[name], self.versions[name] = was[name], self.version
        self.past[self.version] = (before, dict.fromkeys(touched, self.version), dict(self.now))
        assert undone.save_id == self.version
        return undone.save_id

    @rule(target=saves, by=EDITORS, save=saves, name=IDS)
    def restore(self, by: str, save: int, name: str) -> int:
        """Somebody brings a record back to what it was after a save."""
        if save == 0:
            return 0
        wanted = self.past[save][2].get(name)
        try:
            saved = self.store.restore(self.site_id, name, save, by=by)
        except StoreError:
            assert wanted is None
            return 0
        assert wanted is not None
        self._kept({name: wanted} if self.now.get(name) != wanted else {})
        return saved.save_id

    @invariant()
    def holds_what_the_dict_holds(self) -> None:
        """Records, versions and counts are those of the dict."""
        kept = self.store.site(self.site_id)
        assert {record.id: record for record in kept.of("gully")} == self.now
        self.store._kept.clear()
        anew = self.store.site(self.site_id)
        assert (anew.of("gully"), anew.digest) == (kept.of("gully"), kept.digest)
        assert dict(self.store.versions(self.site_id)) == self.versions
        assert self.store.version(self.site_id) == self.version
        entry = next(entry for entry in self.store.sites() if entry.site_id == self.site_id)
        assert entry.records_count == len(self.now)

    @invariant()
    def history_replays(self) -> None:
        """Told from the beginning, the events lead to what is there, each from where the last left off."""
        told: dict[str, Any] = {}
        for event in self.store.history(self.site_id):
            if event.kind == "gully":
                assert event.was == told.get(event.record_id)
                told[event.record_id] = event.now
        assert {name: record for name, record in told.items() if record is not None} == self.now


TwoEditors.TestCase.settings = settings(max_examples=20, stateful_step_count=15, deadline=None)
test_two_editors = TwoEditors.TestCase


def _number(low: float, high: float) -> st.SearchStrategy[float]:
    return st.none() | st.floats(low, high, allow_nan=False, allow_infinity=False)


@st.composite
def records(draw: st.DrawFn) -> list[Record]:
    """Draw records of several kinds with odd texts and any number, ids unique."""
    names = draw(st.lists(TEXTS.map(str.strip).filter(bool), unique=True, max_size=8))
    made: list[Record] = []
    for name in names:
        which = draw(st.integers(0, 4))
        note = draw(TEXTS)
        if which == 0:
            made.append(Gully(id=name, note=note, rim_level_m=draw(_number(-1e6, 1e6))))
        elif which == 1:
            made.append(Downpipe(id=name, note=note, bore_mm=draw(_number(1e-9, 300)), evidence=""))
        elif which == 2:
            made.append(Account(id=name, speaker="neighbour", said=draw(TEXTS.filter(str.strip))))
        elif which == 3:
            made.append(
                Reading(
                    id=name,
                    method="resistance_wood",
                    instrument="I1",
                    material="brick",
                    value=">100",
                    height_m=draw(_number(0, 30)),
                )
            )
        else:
            east, north = draw(st.integers(0, 7 * 10**9)) / 1e4, draw(st.integers(0, 13 * 10**9)) / 1e4
            wide = draw(st.integers(10, 10**6)) / 1e4
            box = shapely.set_precision(
                shapely.box(east + 200, north + 200, east + 200 + wide, north + 201), 1e-4, mode="pointwise"
            )
            made.append(Building(id=name, note=note, geometry=box))
    return made


@given(made=records(), scenario=TEXTS)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_store_folder_store(made: list[Record], scenario: str) -> None:
    """What was saved, handed out as a folder, read, and taken in again is the same, and so is its digest."""
    store = SHARED[0]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "out"
        site_id = store.create_site(INFO, by="surveyor")
        store.save(site_id, [Put(record) for record in made], by="surveyor")
        store.save(
            site_id, [PutInfo(INFO.model_copy(update={"scenario": scenario.strip()}), 1)], by="surveyor"
        )
        kept = store.site(site_id)
        store.hand_out(site_id, folder)
        read = read_site(folder)
        assert read.records == kept.records
        assert read.info == kept.info
        again = store.take_in(read, by="surveyor")
        assert store.site(again).digest == kept.digest
