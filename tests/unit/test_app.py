"""Every page of the app runs on every kind of site, without a browser."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app import ways
from app.parts import CANNOT
from app.widgets.text import group_words, plain
from geo.site.folder import read_site
from geo.site.records import KINDS
from geo.store.store import Store

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_sites"
SITES = ("semi_on_a_slope", "three_cottages", "old_school")
VIEWS = ("plan", "strip", "ground", "outlets", "drains", "gaps", "causes", "test_log")
PATIENCE_S = 120


def one_view(name: str) -> None:
    """Run one page as the app does (this function's text is run by itself)."""
    import importlib

    from app import session

    head, aside = session.site_open()
    session.offer_sites(aside)
    importlib.import_module(f"app.views.{name}").show(head)


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    """Return a runner of one page on one folder."""

    def start(view: str, folder: Path) -> AppTest:
        monkeypatch.setenv("WALLFOOT_SITES", str(folder))
        return AppTest.from_function(one_view, args=(view,), default_timeout=PATIENCE_S).run()

    return start


def said(page: AppTest) -> str:
    """Return everything a page says, as HTML; none of it is that a part could not be shown."""
    assert not [text.value for text in page.text if CANNOT in text.value]
    return "\n".join(part.proto.body for part in page.get("html"))


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return copies of a demo site from which one kind of evidence, or nearly all of it, was taken away."""
    left_out = {
        "raster": ("ground.tif", "ground.toml"),
        "levels": ("levels.csv",),
        "readings": ("readings.csv", "control_sets.csv", "hold_points.csv"),
        "outlets": (
            "gullies.csv",
            "downpipes.csv",
            "runs.geojson",
            "asset_states.csv",
            "gutters.csv",
            "levels.csv",
            "fixtures.csv",
            "trials.csv",
            "water_levels.csv",
            "events.csv",
            "photos.csv",
            *(
                f"{KINDS[kind].stem}.csv"
                for kind in ("sign", "hypothesis", "statement", "repair", "work_done", "hold_point")
            ),
        ),
    }
    made = {}
    for name, files in left_out.items():
        folder = tmp_path_factory.mktemp("sites") / f"without_{name}"
        shutil.copytree(DEMO / "semi_on_a_slope", folder)
        for file in files:
            (folder / file).unlink()
        made[name] = folder
    outline = tmp_path_factory.mktemp("sites") / "outline_only"
    outline.mkdir()
    for file in ("site.toml", "buildings.geojson"):
        shutil.copy(DEMO / "semi_on_a_slope" / file, outline)
    return {**made, "everything but the outline": outline}


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("site", SITES)
def test_page_runs_on_a_demo_site(run: Callable[..., AppTest], view: str, site: str) -> None:
    """A page raises nothing and shows under its head where every reading taken went."""
    page = run(view, DEMO / site)
    assert not page.exception
    again = [
        reading for reading in read_site(DEMO / site).of("reading") if reading.point_id or reading.repeats_id
    ]
    taken = len((DEMO / site / "readings.csv").read_text(encoding="utf-8").splitlines()) - 1 - len(again)
    assert f"readings taken {taken} = joined " in said(page)
    assert (f"{len(again)} read again later" in said(page)) is bool(again)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("missing", ["raster", "levels", "readings", "outlets", "everything but the outline"])
def test_page_runs_without_a_kind_of_evidence(
    run: Callable[..., AppTest], bare: dict[str, Path], view: str, missing: str
) -> None:
    """What was not measured leaves a page with less on it, never with an error."""
    page = run(view, bare[missing])
    assert not page.exception
    assert "readings taken" in said(page)


@pytest.mark.parametrize("view", VIEWS)
def test_broken_folder_lists_every_problem(run: Callable[..., AppTest], view: str, tmp_path: Path) -> None:
    """A folder with two mistakes in two files shows both, and no findings."""
    folder = tmp_path / "broken"
    shutil.copytree(DEMO / "semi_on_a_slope", folder)
    for name, right, wrong in (("gullies.csv", "9.747", "high"), ("readings.csv", "capacitance", "magic")):
        text = (folder / name).read_text(encoding="utf-8")
        assert right in text
        (folder / name).write_text(text.replace(right, wrong, 1), encoding="utf-8")
    page = run(view, folder)
    assert not page.exception
    told = said(page)
    assert "This folder cannot be used yet" in told
    assert "gullies.csv, row 2, rim_level_m" in told
    assert "readings.csv, row 2, method" in told
    assert "readings taken" not in told


def test_the_app_opens_the_site_named_in_the_address(monkeypatch: pytest.MonkeyPatch) -> None:
    """The whole app, started from its own file, opens the asked site; an unknown one is said to be unknown."""
    monkeypatch.setenv("WALLFOOT_SITES", str(DEMO))
    page = AppTest.from_file(str(ROOT / "app" / "main.py"), default_timeout=PATIENCE_S)
    page.query_params["site"] = "old_school"
    page.run()
    assert not page.exception
    assert page.selectbox(key="site").value == "old_school"
    assert "Old school" in said(page)
    lost = AppTest.from_file(str(ROOT / "app" / "main.py"), default_timeout=PATIENCE_S)
    lost.query_params["site"] = "nowhere"
    lost.run()
    assert not lost.exception
    assert any("There is no site nowhere here" in text.value for text in lost.text)


def test_a_site_begun_says_what_comes_first(
    monkeypatch: pytest.MonkeyPatch, store: Store, tmp_path: Path
) -> None:
    """Nothing but a name: no table of faults, one sentence and the way to draw the outline."""
    site_id = store.create_site(read_site(DEMO / "three_cottages").info, by="surveyor")
    monkeypatch.setenv("WALLFOOT_WORKSPACE", str(tmp_path / "workspace.sqlite"))
    monkeypatch.setenv("WALLFOOT_SITES", str(DEMO))
    page = AppTest.from_file(str(ROOT / "app" / "main.py"), default_timeout=PATIENCE_S)
    page.query_params["site"] = site_id
    page.run()
    assert not page.exception
    assert "There is nothing to show yet." in said(page)
    assert any("The outline of the house comes first" in text.value for text in page.text)
    assert not page.get("download_button")


@pytest.mark.parametrize(
    ("error", "told"),
    [
        ("NotAllowedError('That is not yours to record.')", "That is not yours to record."),
        ("ValueError('a secret path')", f"This part {CANNOT}"),
    ],
)
def test_a_refusal_in_a_part_of_a_page_is_a_sentence(error: str, told: str) -> None:
    """A part that is refused says why; one that fails says that it did, without its traceback."""
    page = AppTest.from_string(
        "import streamlit as st\n"
        "from app.parts import part\n"
        "from geo.access import NotAllowedError\n"
        "@part\n"
        "def shown():\n"
        f"    if st.button('Save'):\n        raise {error}\n"
        "shown()\nst.text('and the rest')\n"
    ).run()
    page.button[0].click().run()
    assert not page.exception
    assert [text.value for text in page.text] == [told, "and the rest"]


def test_a_refusal_of_a_touch_is_said_when_the_page_is_drawn_again() -> None:
    """What a button's own function refuses does not end the page."""
    page = AppTest.from_string(
        "import streamlit as st\n"
        "from app import parts\n"
        "from geo.errors import WallfootError\n"
        "def asked():\n    raise WallfootError('Somebody else has it.\\nmore')\n"
        "parts.run(lambda: st.button('Take', on_click=parts.heard(asked)), 'a page')\n"
    ).run()
    assert not page.text
    page.button[0].click().run()
    assert not page.exception
    assert [text.value for text in page.text] == ["Somebody else has it."]
    page.run()
    assert not page.text


def test_the_item_that_holds_a_page_is_counted_past_the_bare_ones() -> None:
    """Two pages stand by themselves, so the second group is the fourth item; a bare page marks none."""
    groups = {"": ["map", "strip"], "Answer": ["causes"], "Record": ["site", "draw"]}
    assert [ways.item_of(page, groups) for page in ("map", "causes", "draw")] == [0, 3, 4]


def test_two_sites_of_one_name_are_both_offered(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Folders of the same name under different parents are told apart."""
    from app import session

    for parent in ("north", "south"):
        (tmp_path / parent / "house").mkdir(parents=True)
        (tmp_path / parent / "house" / "site.toml").touch()
    folders = [str(tmp_path / parent / "house") for parent in ("north", "south")]
    monkeypatch.setenv("WALLFOOT_SITES", ":".join(folders))
    assert {str(path) for path in session.site_folders().values()} == set(folders)


@pytest.mark.parametrize(
    ("typed", "shown"),
    [("*b* [x](y)", r"\*b\* \[x\]\(y\)"), ("$a$ :red[b]", r"\$a\$ \:red\[b\]"), ("<b>", r"\<b\>")],
)
def test_typed_text_is_no_markup(typed: str, shown: str) -> None:
    """Each sign CommonMark or its extensions give a meaning has a backslash before it."""
    assert plain(typed) == shown


def test_an_instrument_keeps_its_own_spelling() -> None:
    """Only the trade's words lose their underscores; an instrument's id, even with a bar in it, does not."""
    assert group_words("resistance_wood|soft_wood|dry|PIN_3|b") == "resistance wood, soft wood, dry, PIN_3|b"


def test_table_cells_are_text_and_say_when_there_is_nothing() -> None:
    """Markup in a cell or a header is escaped, and a number nobody has is a dash, not nan."""

    def table() -> None:
        import pandas as pd

        from app.widgets.table import show_table

        show_table(pd.DataFrame({"<i>": ["<script>1</script>", None], "n": [1.25, float("nan")]}), digits=1)

    told = said(AppTest.from_function(table).run())
    assert "<script>" not in told
    assert "<i>" not in told
    assert "&lt;script&gt;1&lt;/script&gt;" in told
    assert told.count("<td>–</td>") == 1
    assert '<td class="wf-number">1.2</td>' in told
    assert '<td class="wf-number">–</td>' in told
    assert "nan" not in told.lower()


def test_an_empty_table_says_why() -> None:
    """A table without rows is a sentence."""

    def table() -> None:
        import pandas as pd

        from app.widgets.table import show_table

        show_table(pd.DataFrame({"a": []}), empty="No pool here.")

    page = AppTest.from_function(table).run()
    assert page.caption[0].value == "No pool here."
