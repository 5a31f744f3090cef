"""The pages of many homes on the invented estate, and what they are made of.

Expected numbers come from ``demo_sites/estate/truth.toml``, which the tool never reads, or are worked out in
the test.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa
from streamlit.testing.v1 import AppTest

from app import access, cache_homes
from app.parts import CANNOT
from app.widgets.many_list import _order
from app.widgets.many_map import packed
from geo import reference
from geo.access import ALONE, Visitor
from geo.cli_demo import AS_OF, LANDLORD, fill
from geo.errors import InputError
from geo.portfolio.keys import KEYS
from geo.portfolio.periods import default
from geo.portfolio.placed import STEPS, estates, listed, narrowed, placed, placed_near, steps_of
from geo.portfolio.rate_words import chance_said
from geo.portfolio.register import Register, open_register
from geo.portfolio.viewer import Viewer

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_sites"
TRUTH = tomllib.loads((DEMO / "estate" / "truth.toml").read_text(encoding="utf-8"))
NOW = dt.datetime.fromisoformat(TRUTH["as_of"]).replace(tzinfo=dt.UTC)
MANAGER = Viewer(role="manager", landlord_id=LANDLORD)
PATIENCE_S = 120


def one_view(name: str) -> None:
    """Run one page as the app does (this function's text is run by itself)."""
    import importlib

    import streamlit as st

    importlib.import_module(f"app.views.{name}").show(st.container())


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a workspace as ``wallfoot demo`` fills it, without the houses."""
    where = tmp_path_factory.mktemp("homes")
    (where / "demo" / "estate").mkdir(parents=True)
    for file in (DEMO / "estate").glob("*.csv"):
        (where / "demo" / "estate" / file.name).write_bytes(file.read_bytes())
    houses, events = fill(where / "w.sqlite", where / "demo")
    assert (houses, events > 1000) == (0, True)
    return where / "w.sqlite"


@pytest.fixture(scope="module")
def register(workspace: Path) -> Iterator[Register]:
    """Return its register."""
    with open_register(workspace) as opened:
        yield opened


@pytest.fixture
def run(workspace: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    """Return a runner of one page on that workspace."""

    def start(view: str, query: dict[str, str] | None = None, **state: object) -> AppTest:
        monkeypatch.setenv("WALLFOOT_WORKSPACE", str(workspace))
        monkeypatch.setenv(cache_homes.AT, AS_OF)
        page = AppTest.from_function(one_view, args=(view,), default_timeout=PATIENCE_S)
        for name, value in (query or {}).items():
            page.query_params[name] = value
        for name, value in state.items():
            page.session_state[name.replace("_", "-")] = value
        return page.run()

    return start


def said(page: AppTest) -> str:
    """Return everything a page says: HTML, text, and what its own components are given."""
    assert not page.exception, page.exception
    assert not [text.value for text in page.text if CANNOT in text.value]
    whole = [part.proto.body for part in page.get("html")] + [part.value for part in page.text]
    whole += [str(part.proto) for part in page.get("bidi_component")]
    return "\n".join(whole)


def test_the_list_gives_a_reason_for_each_place(run: Callable[..., AppTest]) -> None:
    """The page runs, names the moment, and gives no verdict."""
    whole = said(run("homes"))
    assert "Which homes next" in whole
    assert "Thu 10 Dec 2026 12:00" in whole
    assert "somebody at higher risk" in whole
    assert "compliant" not in whole.lower()


def test_an_emergency_stands_above_whatever_order(run: Callable[..., AppTest]) -> None:
    """A03 alone was called an emergency and never made safe; by the date by law it is far down the list."""
    page = run("homes")
    assert "Emergency, not made safe" in said(page)
    assert [button.label for button in page.button if str(button.key).startswith("unsafe-")] == ["A03"]


def test_a_wall_nobody_measured_is_not_told_as_dry(run: Callable[..., AppTest]) -> None:
    """A03 has a report and no length of wall: not known; C11 has a stretch of 4.4 m, 1.2 m unexplained."""
    assert "<b>not known</b>how much wall is wet: none was measured" in said(
        run("home_page", {"home": "A03"})
    )
    told = said(run("home_page", {"home": "C11"}))
    assert "<b>4.4 m</b>wet" in told
    assert "<b>1.2 m</b>of it unexplained" in told


@pytest.mark.parametrize("view", ["map", "dates"])
def test_map_and_dates_run(run: Callable[..., AppTest], view: str) -> None:
    """Neither needs anything but the register."""
    said(run("homes", homes_view=view))


def test_dates_name_the_homes_of_the_truth(run: Callable[..., AppTest]) -> None:
    """Within 14 days of 10 Dec 2026 stand the dates the truth gives for A03, B07, C11 and E19."""
    whole = said(run("homes", homes_view="dates"))
    for home in ("A03", "B07", "C11", "E19"):
        assert f"<td>{home}</td>" in whole
        assert f"{dt.date.fromisoformat(TRUTH['law'][home]):%a %d %b %Y}" in whole
    assert "23 Feb 2027" not in whole  # D05: 75 days ahead
    cells = whole.split("<td>F02</td>")[0].rsplit("<tr>", 1)[1]
    assert "<td>Wed 02 Dec 2026</td><td>passed 6 ago</td>" in cells  # 3, 4, 7, 8, 9, 10 December
    assert "Thu 10 Dec 2026 20:15</td><td>today</td>" in whole, "24 hours from 20:15 of the day before"


def test_a_place_is_told_once_with_its_hour_and_of_how_many(run: Callable[..., AppTest]) -> None:
    """A date among the keys is not said again beside them; the count names which homes it counts."""
    page = run("homes")
    given = json.loads(page.get("bidi_component")[0].proto.json)
    rows = {row["id"]: row for row in given["rows"]}
    assert rows["A03"]["said"].startswith("by law Thu 10 Dec 2026 20:15, ")
    assert rows["A03"]["dates"] == []
    assert rows["F30"]["dates"] == ["promised Fri 11 Dec 2026"]
    assert given["told"].startswith(f"1 to {len(rows)} of {len(rows)} homes (an open case); ")
    ends = {key["name"]: key["ends"] for key in given["keys"]}
    assert ends["emergency"] == ["those with it", "those without"]
    assert ends["law"] == ["earliest", "latest"]
    assert ends["wet"] == ["most", "least"]


@pytest.mark.parametrize(
    ("home", "verdict"),
    [
        ("D08", "the repair failed"),
        ("D09", "a second source was missed"),
        ("E04", "still drying"),
        ("A21", "something new"),
    ],
)
def test_a_home_tells_repeats_apart(run: Callable[..., AppTest], home: str, verdict: str) -> None:
    """Verdicts as in the truth: repair failed, second source missed, still drying, new."""
    assert f"<b>{verdict}</b>" in said(run("home_page", {"home": home}, home_view="walls"))


@pytest.mark.parametrize("view", ["dates", "events", "assets", "money", "map", "add"])
def test_every_part_of_a_home_runs(run: Callable[..., AppTest], view: str) -> None:
    """Each on a home with a repair, a test and costs."""
    whole = said(run("home_page", {"home": "D08"}, home_view=view))
    assert "compliant" not in whole.lower()


def test_a_strange_number_is_said_to_be_none(run: Callable[..., AppTest]) -> None:
    """No such home: a sentence, shown as text."""
    whole = said(run("home_page", {"home": "<script>x</script>"}))
    assert "There is no home" in whole
    assert "<script>" not in whole


def test_an_event_is_added_once_and_a_wrong_one_is_refused(
    run: Callable[..., AppTest], register: Register
) -> None:
    """A number that is none is refused in a sentence; a sound event is added; a stale form is sent back."""
    before = len(register.events(MANAGER, "A05"))
    page = run("home_page", {"home": "A05"}, home_view="add")
    page.selectbox(key="home-add-kind").set_value("cost").run()
    page.text_input(key="add-cost-amount").set_value("a lot")
    page.text_input(key="add-cost-currency").set_value("GBP")
    page.button[-1].click().run()
    assert any("Not added" in part.value and "a number" in part.value for part in page.text)
    assert len(register.events(MANAGER, "A05")) == before
    page.text_input(key="add-cost-amount").set_value("12.50")
    page.button[-1].click().run()
    assert any("Added: cost." in part.value for part in page.text)
    assert len(register.events(MANAGER, "A05")) == before + 1
    assert page.text_input(key="add-cost-amount-1").value == ""  # a second touch sends nothing twice
    page.text_input(key="add-cost-amount-1").set_value("12.50")
    page.text_input(key="add-cost-currency-1").set_value("GBP")
    page.session_state["home-add-seen-A05"] = before
    page.button[-1].click().run()
    assert any("Not added: the file of this home had" in part.value for part in page.text)
    assert len(register.events(MANAGER, "A05")) == before + 1


def test_the_estate_page_has_the_denominators_of_the_truth(run: Callable[..., AppTest]) -> None:
    """14 of 96 soakaways; Damson Court 7 of 18."""
    whole = said(run("estate"))
    assert "14 of 96" in whole
    assert "7 failed of 18 inspected" in whole
    assert TRUTH["soakaways"]["shared"] in whole
    money = whole.split("for each metre of wall")[1].split("</table>")[0]
    sums = [float(one) for one in re.findall(r'GBP</td><td class="wf-number">([\d.]+)', money)]
    assert len(sums) > 1
    assert sums == sorted(sums, reverse=True), "the largest stands first"


def test_screened_says_when_no_file_is_named(
    run: Callable[..., AppTest], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a file there is nothing to show, and no page in the navigation."""
    monkeypatch.delenv(cache_homes.SCREENED, raising=False)
    assert "No file of screened homes is named." in said(run("screened"))
    assert cache_homes.screened() is None


def test_who_sees_which_homes(register: Register) -> None:
    """Roles become viewers; without homes of their own a surveyor or contractor sees none."""

    def visitor(role: str, homes: set[str]) -> Visitor:
        return Visitor(
            who="x",
            role=role,
            may=frozenset({"register"}),
            owners=frozenset({LANDLORD}),
            homes=frozenset(homes),
        )

    assert cache_homes.viewer_of(ALONE, LANDLORD, register) == MANAGER
    assert cache_homes.viewer_of(visitor("landlord", set()), LANDLORD, register) == MANAGER
    assert cache_homes.viewer_of(visitor("surveyor", {"A01"}), LANDLORD, register).home_ids == {"A01"}
    assert cache_homes.viewer_of(visitor("surveyor", set()), LANDLORD, register).home_ids == frozenset()
    odd = cache_homes.viewer_of(visitor("odd", {"A01"}), LANDLORD, register)
    assert (odd.role, odd.writes) == ("contractor", False)
    every = cache_homes.viewer_of(visitor("surveyor", {"*"}), LANDLORD, register)
    assert len(every.home_ids or ()) == TRUTH["homes"]


def test_another_landlords_people_see_no_register(workspace: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whose owner it is not, or whose role may not, is shown no landlord; so there is no page either."""
    monkeypatch.setenv("WALLFOOT_WORKSPACE", str(workspace))
    shown = {}
    for owner, may in ((LANDLORD, "register"), ("other", "register"), (LANDLORD, "look"), ("*", "register")):
        who = Visitor(who="x", role="landlord", may=frozenset({may}), owners=frozenset({owner}))
        monkeypatch.setattr(access, "visitor", lambda who=who: who)
        shown[owner, may] = cache_homes.landlords()
    assert shown == {
        (LANDLORD, "register"): (LANDLORD,),
        ("other", "register"): (),
        (LANDLORD, "look"): (),
        ("*", "register"): (LANDLORD,),
    }


def test_lists_are_cut_down_to_what_the_truth_names(register: Register) -> None:
    """Stale: B02 and F17. Unproven: E33 and C25, not A12. Wet again: those with a verdict, not C02."""

    def ids(only: str) -> set[str]:
        return set(listed(register, MANAGER, ["law"], now=NOW, limit=300, only=only).table["home_id"])

    assert ids("no_access") == set(TRUTH["stale"])
    assert {home for home, what in TRUTH["unproven"].items() if what} <= ids("unproven")
    assert "A12" not in ids("unproven")
    assert ids("again") == {home for home, what in TRUTH["again"].items() if what}
    assert len(ids("all")) == TRUTH["homes"]
    assert estates(register, MANAGER) == tuple(sorted(TRUTH["soakaways"]["estate"]))


def test_a_map_holds_the_viewers_homes_only(register: Register) -> None:
    """Two homes given, two on the map; a hidden key cannot shade it."""
    surveyor = Viewer(role="surveyor", landlord_id=LANDLORD, home_ids=frozenset({"A01", "D08"}))
    found = placed(register, surveyor, "wet", now=NOW, only="all")
    assert set(found.table["home_id"]) == {"A01", "D08"}
    assert found.table.set_index("home_id")["step"].to_dict() == {"A01": 0, "D08": 5}
    assert found.legend[5] == "4.4 m wet"
    with pytest.raises(InputError):
        placed(register, surveyor, "cost", now=NOW)
    assert narrowed(surveyor, frozenset({"D08", "E01"})).home_ids == {"D08"}


def test_the_map_of_a_home_holds_those_round_it_of_whatever_estate(
    register: Register, tmp_path: Path
) -> None:
    """Against every home cut by hand; the ends of the box belong to it; a home without a place has no map."""
    every = placed(register, MANAGER, "wet", now=NOW, only="all").table
    state = register.state(MANAGER, "D21")
    assert state is not None
    for near_m in (20.0, 250.0, 620.0):
        file = tmp_path / f"{near_m}.toml"
        file.write_text(f"[portfolio]\nnear_m = {near_m}\n", encoding="utf-8")
        ref = reference.default().with_changes(file)
        with open_register(register.name, ref=ref) as own:
            found = placed_near(own, MANAGER, "wet", state, now=NOW)
        assert found is not None
        inside = every[
            every["easting_m"].sub(state["easting_m"]).abs().le(near_m)
            & every["northing_m"].sub(state["northing_m"]).abs().le(near_m)
        ]
        assert found.table["home_id"].tolist() == sorted(inside["home_id"])
        assert found.without == 0
    assert {"D21", "E01"} <= set(found.table["home_id"]), "the widest reaches into the next estate"
    assert len(found.table) < TRUTH["homes"]
    assert placed_near(register, MANAGER, "wet", {**state, "easting_m": None}, now=NOW) is None
    one = Viewer(role="surveyor", landlord_id=LANDLORD, home_ids=frozenset({"D21", "A01"}))
    near = placed_near(register, one, "wet", state, now=NOW)
    assert near is not None
    assert near.table["home_id"].tolist() == ["D21"]


def test_homes_of_a_box_are_found_by_the_index_of_places(register: Register) -> None:
    """The very statement the map asks, explained by the database: both ends of the easting narrow it."""
    state = register.state(MANAGER, "D21")
    assert state is not None
    asked: list[tuple[str, object]] = []

    def hear(_connection: object, _cursor: object, statement: str, given: object, *_rest: object) -> None:
        asked.append((statement, given))

    sa.event.listen(register._engine, "before_cursor_execute", hear)
    try:
        placed_near(register, MANAGER, "wet", state, now=NOW)
    finally:
        sa.event.remove(register._engine, "before_cursor_execute", hear)
    ((statement, given),) = [one for one in asked if "easting_m" in one[0]]
    with register._engine.connect() as connection:
        plan = str(connection.exec_driver_sql(f"explain query plan {statement}", given).all())
    assert "ix_home_state_landlord_id_easting_m_northing_m" in plan
    assert "easting_m>?" in plan
    assert "easting_m<?" in plan


def test_steps_by_hand() -> None:
    """Seven different lengths in five parts: two, two, one, one, one; nothing is step 0."""
    nation = default().nations["england"]
    values = np.array([0.0, 1, 2, 3, 4, 5, 6, 7, None], dtype=object)
    steps, legend = steps_of(values, KEYS["wet"], now=NOW, nation=nation)
    assert steps.tolist() == [0, 1, 1, 2, 2, 3, 4, 5, 0]
    assert legend == (
        "no wet length recorded",
        "1 to 2 m wet",
        "3 to 4 m wet",
        "5 m wet",
        "6 m wet",
        "7 m wet",
    )


def test_steps_of_dates_by_hand() -> None:
    """What has passed is the highest step, then the earliest day; midnight at the end of a day is that day."""
    nation = default().nations["england"]
    end = [dt.datetime(2026, 12, day, tzinfo=dt.UTC) for day in (9, 12, 15)]
    hour = dt.datetime(2026, 12, 11, 15, 0, tzinfo=dt.UTC)  # the same day as the 12th's beginning ends
    values = np.array([end[0], end[1], hour, end[2], None], dtype=object)
    steps, legend = steps_of(values, KEYS["law"], now=NOW, nation=nation)
    assert steps.tolist() == [5, 4, 4, 3, 0]
    assert (legend[5], legend[4], legend[3], legend[0]) == (
        "date passed",
        "11 Dec 2026",
        "14 Dec 2026",
        "no date",
    )
    assert len(legend) == STEPS


@pytest.mark.parametrize(
    ("chance", "told"),
    [
        (0.7, "nothing out of the ordinary"),
        (0.005, "so many in about 1 of 200 groups like it"),
        (0.0001, "so many in fewer than 1 of 1,000 groups like it"),
        (float("nan"), "not known"),
    ],
)
def test_chances_in_words(chance: float, told: str) -> None:
    """1 / 0.005 = 200."""
    assert chance_said(chance) == told


def test_what_the_browser_sends_is_taken_for_what_it_is() -> None:
    """Known keys, each once, whatever else comes."""
    keys = {"law": ("", ""), "wet": ("", "")}
    assert _order(["-wet", "law", "wet", "x", 3], keys) == ("wet", "law")
    assert _order("wet", keys) == ()
    assert _order({"law": 1}, keys) == ()


def test_points_are_packed_once_each() -> None:
    """Places are named once; distances are from the middle, in metres."""
    points = packed(["a", "b\nc"], [430000.0, 430010.0], [300000.0, 300000.0], [0, 5], ["E", "E"])
    assert points["middle"] == (430005.0, 300000.0)
    assert points["places"] == ["E"]
    assert points["ids"] == "a\nb c"
    assert json.dumps(points)
    empty = pd.DataFrame({"x": []})
    assert packed([], empty["x"], empty["x"], [], [])["ids"] == ""


def test_a_screening_is_for_those_who_see_every_owner(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A file of screened homes says of no home whose it is: one landlord's people are not shown it."""
    (tmp_path / "s.parquet").write_bytes(b"x")
    monkeypatch.setenv(cache_homes.SCREENED, str(tmp_path / "s.parquet"))
    assert cache_homes.screened() == tmp_path / "s.parquet"
    who = Visitor(who="x", role="landlord", may=frozenset({"register"}), owners=frozenset({LANDLORD}))
    monkeypatch.setattr(access, "visitor", lambda: who)
    assert cache_homes.screened() is None
