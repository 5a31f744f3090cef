"""The demo estate is what its script makes of the stated truths, and the register finds them."""

from __future__ import annotations

import importlib
import shutil
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from geo import reference
from geo.errors import InputError
from geo.portfolio.counting import moment_of
from geo.portfolio.files import read_events
from geo.portfolio.periods import default
from geo.portfolio.register import Register, open_register
from geo.portfolio.viewer import Viewer

DEMO = Path(__file__).parents[2] / "demo_sites"
TRUTH = tomllib.loads((DEMO / "estate" / "truth.toml").read_text(encoding="utf-8"))
MANAGER = Viewer(role="manager", landlord_id="demo")
NOW = moment_of(TRUTH["as_of"], default().nations["england"])[0]


@pytest.fixture(scope="module")
def register(blank_workspace: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Register]:
    """The estate in a register."""
    path = tmp_path_factory.mktemp("estate") / "workspace.sqlite"
    shutil.copyfile(blank_workspace, path)
    with open_register(path) as opened:
        opened.begin("demo")
        files = sorted((DEMO / "estate").glob("*.csv"))
        opened.append(MANAGER, read_events(files, ref=reference.default()), by="manager")
        yield opened


def test_the_script_writes_the_same_files_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every file of the estate is, byte for byte, what the script writes."""
    monkeypatch.setattr(sys, "path", [str(DEMO), *sys.path])
    folder = importlib.import_module("scenarios.estate.site").build(tmp_path)
    kept = {path.name: path.read_bytes() for path in (DEMO / "estate").iterdir()}
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == kept


def test_the_register_is_sound(register: Register) -> None:
    """Every home is there, and what is shown follows from the events."""
    assert len(register.homes(MANAGER)) == TRUTH["homes"]
    assert register.verify(MANAGER) == ()


def test_the_dates_by_law(register: Register) -> None:
    """The earliest date by law that runs, worked by hand beside each case."""
    due = register.due(MANAGER, before=NOW.replace(year=2028), now=NOW)
    law = due[due["by"] == "law"].groupby("home_id")["due_on"].min()
    assert {home: law[home] for home in TRUTH["law"]} == TRUTH["law"]
    assert due[due["by"] == "promise"][["home_id", "due_on"]].to_numpy().tolist() == [["F30", "2026-12-11"]]
    assert "E40" not in set(due["home_id"]), "a withdrawn report opens no case"
    page = register.next_homes(MANAGER, ["law"], limit=240, now=NOW)
    stated = [home for home in page.table["home_id"] if home in TRUTH["law"]]
    assert stated == sorted(TRUTH["law"], key=lambda home: (TRUTH["law"][home], home != "A03")), (
        "an hour of a day before its end"
    )


@pytest.mark.parametrize("own", [None, frozenset({"A05", "B07", "D05", "D08", "E19", "F30", "nobody's"})])
def test_a_list_cut_down_holds_the_homes_the_tables_name(
    register: Register, own: frozenset[str] | None
) -> None:
    """Wet again, not borne out, no way in, open: as the tables of each say, for all homes and for a few."""
    viewer = MANAGER if own is None else Viewer(role="surveyor", landlord_id="demo", home_ids=own)
    wanted = {
        "again": set(register.repeats(viewer)["home_id"]),
        "unproven": set(register.unproven(viewer, now=NOW)["home_id"]),
        "no_access": set(register.no_access(viewer, now=NOW)["home_id"]),
        "all": set(register.homes(viewer)["home_id"]),
    }
    facts = register.homes(viewer)
    wanted["open"] = set(facts.loc[facts["open_cases_count"] > 0, "home_id"])
    assert all(wanted.values()) or own is not None
    for only, homes in wanted.items():
        page = register.next_homes(viewer, ["law"], only=only, limit=500, now=NOW)
        assert set(page.table["home_id"]) == homes, only
        assert page.homes == len(page.table) == len(homes)
    with pytest.raises(InputError, match="urgent"):
        register.next_homes(viewer, ["law"], only="urgent", now=NOW)


def test_what_is_wet_again_and_why(register: Register) -> None:
    """Each planted repeat has its verdict; the place 1.2 m further along has none."""
    found = register.repeats(MANAGER)
    assert dict(zip(found["home_id"], found["flag"], strict=True)) == {
        home: said for home, said in TRUTH["again"].items() if said
    }


def test_what_goes_stale_and_what_is_unproven(register: Register) -> None:
    """Tries and days without access as stated; diagnoses as stated, a tested one not among them."""
    stale = register.no_access(MANAGER, now=NOW)
    told = {row.home_id: [row.tries, row.days] for row in stale.itertuples()}
    assert told == TRUTH["stale"]
    found = register.unproven(MANAGER, now=NOW)
    assert dict(zip(found["home_id"], found["flag"], strict=True)) == {
        home: said for home, said in TRUTH["unproven"].items() if said
    }


def test_failed_soakaways_by_estate(register: Register) -> None:
    """Counts as stated, the shared one once; Damson Court is the odd one: (14/96·10 + 7) / 28 = 30.2 %."""
    found = register.patterns(MANAGER, "soakaway", ["estate"])
    own = TRUTH["soakaways"]
    assert (found.failed, found.inspected) == (own["failed"], own["inspected"])
    counted = {
        row.estate: {"failed": row.failed, "inspected": row.inspected} for row in found.groups.itertuples()
    }
    assert counted == own["estate"]
    first = found.groups.iloc[0]
    assert first["estate"] == "Damson Court"
    assert first["shrunk"] == pytest.approx((14 / 96 * 10 + 7) / 28)
    assert found.shared["asset_id"].tolist() == [own["shared"]]
    assert found.shared["homes"].tolist() == [own["shared_homes"]]
    assert register.shared(MANAGER)["pays"].tolist() == ["landlord, four homes"]
    assert (
        register.next_homes(MANAGER, ["spread"], only="all", limit=4, now=NOW).table["spread_count"].tolist()
        == [3] * 4
    )
    firms = register.patterns(MANAGER, "soakaway", ["drawing_type", "installer"]).groups
    assert firms.iloc[0][["drawing_type", "installer"]].tolist() == ["cross-wall terrace", "firm C"]


def test_a_sample_is_of_homes_nobody_complained_of(register: Register) -> None:
    """Twelve homes of the estate, none with a report, none inspected, the same twice."""
    drawn = register.sample(MANAGER, "soakaway", {"estate": "Damson Court"}, seed=3)
    assert len(drawn) == 12
    assert drawn == register.sample(MANAGER, "soakaway", {"estate": "Damson Court"}, seed=3)
    homes = register.homes(MANAGER).set_index("home_id")
    assert (homes.loc[list(drawn), "reports"] == 0).all()
    assert (homes.loc[list(drawn), "estate"] == "Damson Court").all()
    assets = register.assets(MANAGER)
    looked = assets[assets["state"].isin(["failed", "sound"])]
    assert not set(drawn) & set(looked["home_id"])


def test_money(register: Register) -> None:
    """Spent as stated, and on repairs that failed."""
    found = register.costs(MANAGER, [])
    assert found["currency"].tolist() == [TRUTH["money"]["currency"]]
    assert found["amount"].tolist() == [TRUTH["money"]["spent"]]
    assert found["failed_amount"].tolist() == [TRUTH["money"]["on_repairs_that_failed"]]
