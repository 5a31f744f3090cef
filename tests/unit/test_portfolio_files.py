"""Events come in from CSV and XLSX once, and go out as tables and as evidence that cannot be altered unseen."""

from __future__ import annotations

import csv
import datetime as dt
import getpass
import hashlib
import io
import json
import shutil
import zipfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from typer.testing import CliRunner

from geo import reference
from geo.cli import app
from geo.errors import InputError
from geo.exchange.workbook import xlsx_bytes
from geo.portfolio.bundle import bundle
from geo.portfolio.events import EVENTS, STEMS
from geo.portfolio.files import packed_bytes, read_events, template, write_events
from geo.portfolio.periods import default
from geo.portfolio.register import Register, open_register
from geo.portfolio.viewer import Viewer
from geo.store.read_log import sign_of_this_user
from geo.store.said import StoreError

REF = reference.default()
MANAGER = Viewer(role="manager", landlord_id="L1")
HOSTILE = "=cmd|' /C calc'!A0"
HOMES = "id,home_id,at,by_role,estate,nation,tenure\na,H1,2026-01-05,manager,Ash,england,social_rent\n"
REPORTS = f'id,home_id,at,by_role,channel,said\nb,H1,2026-12-01T09:00,call_handler,phone,"{HOSTILE}"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two files of events."""
    made = tmp_path / "in"
    made.mkdir()
    (made / "homes.csv").write_text(HOMES, encoding="utf-8")
    (made / "reports.csv").write_text(REPORTS, encoding="utf-8")
    return made


@pytest.fixture
def register(blank_workspace: Path, tmp_path: Path) -> Iterator[Register]:
    """A register with one landlord."""
    shutil.copyfile(blank_workspace, tmp_path / "workspace.sqlite")
    with open_register(tmp_path / "workspace.sqlite") as opened:
        opened.begin("L1")
        yield opened


def filled(register: Register, folder: Path) -> Register:
    """Return a register with one home, a document whose bytes are kept and one whose are not."""
    register.append(MANAGER, read_events(sorted(folder.iterdir()), ref=REF), by="manager")
    kept = register.keep_file(MANAGER, b"%PDF the letter")
    missing = hashlib.sha256(b"never sent").hexdigest()
    given = {"home_id": "H1", "by_role": "manager"}
    register.append(
        MANAGER,
        [
            EVENTS["triage"](id="c", at="2026-12-01T10:00", hazard="significant", reason="wet", **given),
            EVENTS["document"](id="d", at="2026-12-02", name="letter <b>.pdf", sha256=kept, **given),
            EVENTS["document"](id="e", at="2026-12-02", name="lost.pdf", sha256=missing, **given),
            EVENTS["report"](
                id="f",
                at="2026-12-01T08:00",
                channel="phone",
                said="<script>x</script>",
                corrects="b",
                **given,
            ),
            EVENTS["cost"](id="g", at="2026-12-03", amount=12.5, currency="GBP", cost_for="survey", **given),
        ],
        by="manager",
    )
    return register


def test_files_come_in_once(register: Register, folder: Path) -> None:
    """The same files twice add nothing; what goes out comes in again as the same."""
    events = read_events(sorted(folder.iterdir()), ref=REF)
    assert register.append(MANAGER, events, by="manager").added == 2
    assert register.append(MANAGER, read_events(sorted(folder.iterdir()), ref=REF), by="manager").already == 2
    out = write_events(events)
    assert b"'=cmd" in out["reports.csv"], "a cell that would start a formula is text"
    for name, content in out.items():
        (folder / name).write_bytes(content)
    assert register.append(MANAGER, read_events(sorted(folder.iterdir()), ref=REF), by="manager").already == 2


def test_a_workbook_with_a_sheet_a_kind(register: Register, tmp_path: Path) -> None:
    """Sheets named as the files; dates typed as dates; a sheet with another name is said."""
    book = openpyxl.Workbook()
    book.active.title = "homes"
    for row in csv.reader(io.StringIO(HOMES)):
        book.active.append(row)
    sheet = book.create_sheet("access attempts")
    sheet.append(["id", "home_id", "at", "by_role", "method", "result"])
    sheet.append(
        ["x1", "H1", pd.Timestamp("2026-12-04 14:05").to_pydatetime(), "contractor", "visit", "no_answer"]
    )
    sheet.append(["x2", "H1", pd.Timestamp("2026-12-05").to_pydatetime(), "contractor", "visit", "refused"])
    book.save(tmp_path / "all.xlsx")
    events = read_events([tmp_path / "all.xlsx"], ref=REF)
    assert register.append(MANAGER, events, by="manager").added == 3
    assert [one.get("at") for one in register.events(MANAGER, "H1")][1:] == ["2026-12-04T14:05", "2026-12-05"]
    sheet.title = "tries"
    book.save(tmp_path / "all.xlsx")
    with pytest.raises(InputError, match="no kind of event is called 'tries'"):
        read_events([tmp_path / "all.xlsx"], ref=REF)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (
            REPORTS.replace("phone", "pigeon"),
            r"reports.csv, row 2, channel: 'pigeon' is not one of its words",
        ),
        (REPORTS.replace("2026-12-01T09:00", "01/12/2026"), "row 2, at: '01/12/2026'; allowed: a date"),
        (REPORTS.replace(",channel", ",chanel"), "chanel: no such column"),
        (REPORTS.replace("b,H1", ",H1"), "row 2, id: is blank"),
        (REPORTS + "\n\n" + REPORTS.splitlines()[1].replace("phone", "x"), "row 5, channel"),
        ("", "is empty"),
        (REPORTS.replace(",", ";").replace(HOSTILE, "x"), ""),
    ],
)
def test_a_slip_is_named_with_its_row(tmp_path: Path, content: str, said: str) -> None:
    """File, row and column as the spreadsheet counts; semicolons between columns are read all the same."""
    path = tmp_path / "reports.csv"
    path.write_text(content, encoding="utf-8")
    if not said:
        assert read_events([path], ref=REF)[0].id == "b"
        return
    with pytest.raises(InputError, match=said):
        read_events([path], ref=REF)


def test_files_that_are_none(tmp_path: Path) -> None:
    """A missing file, a picture and a file of no kind are each one sentence, all at once."""
    (tmp_path / "reports.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(40))
    (tmp_path / "secrets.csv").write_text(REPORTS, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_events([tmp_path / name for name in ("reports.csv", "secrets.csv", "gone.csv")], ref=REF)
    said = str(caught.value)
    assert "is no table" in said
    assert "no kind of event is called 'secrets'" in said
    assert "No such file" in said


def test_the_blank_files_are_read(tmp_path: Path) -> None:
    """Every blank file is accepted as it is, and the guide names every column."""
    files = template()
    assert set(files) == {f"{stem}.csv" for stem in STEMS} | {"FIELD_GUIDE.html"}
    guide = files["FIELD_GUIDE.html"].decode()
    for model in EVENTS.values():
        for column in model.columns():
            assert f"<code>{column}</code>" in guide
        row = ",".join(model.columns())
        assert files[f"{model.stem}.csv"].decode() == row + "\n"


def test_a_workbook_holds_no_formula_and_is_the_same_twice() -> None:
    """Text stays text whatever it begins with; numbers stay numbers; the same table gives the same bytes."""
    table = pd.DataFrame(
        {
            "a": ["=1+1", "+x", "plain", None],
            "n": [1, 2.5, float("nan"), -3],
            "yes": [True, False, True, False],
            "at": [dt.datetime(2026, 12, 1, 9, 30, tzinfo=dt.UTC), None, None, None],
            "on": [dt.date(2026, 12, 1), None, None, None],
        }
    )
    raw = xlsx_bytes({"one": table, "a very long name of a sheet, longer than may be": table})
    assert raw == xlsx_bytes({"one": table, "a very long name of a sheet, longer than may be": table})
    book = openpyxl.load_workbook(io.BytesIO(raw))
    sheet = book["one"]
    assert [cell.data_type for cell in sheet["A"]][:4] == ["s"] * 4
    assert sheet["A2"].value == "=1+1"
    assert [sheet[f"B{n}"].value for n in (2, 3, 4, 5)] == [1, 2.5, None, -3]
    assert sheet["C2"].value == "yes"
    assert [sheet[f"{one}2"].value for one in "DE"] == ["2026-12-01T09:30:00+00:00", "2026-12-01"]
    assert sheet["D3"].value is None
    assert sheet["A2"].quotePrefix  # a program that saves it again keeps it text
    assert not sheet["A4"].quotePrefix
    assert sheet["A1"].font.b
    assert sheet.freeze_panes == "A2"
    assert "<f>" not in zipfile.ZipFile(io.BytesIO(raw)).read("xl/worksheets/sheet1.xml").decode()


def test_evidence_is_the_same_bytes_and_checks_itself(register: Register, folder: Path) -> None:
    """Index, tables, documents and hashes; the same twice; every hash right; the chain follows by itself."""
    filled(register, folder)
    raw = bundle(register, MANAGER, "H1")
    assert raw == bundle(register, MANAGER, "H1")
    with zipfile.ZipFile(io.BytesIO(raw)) as packed:
        files = {name: packed.read(name) for name in packed.namelist()}
    for line in files["SHA256SUMS"].decode().splitlines():
        sha256, name = line.split("  ")
        assert hashlib.sha256(files[name]).hexdigest() == sha256
    assert len(files["SHA256SUMS"].decode().splitlines()) == len(files) - 1
    kept = hashlib.sha256(b"%PDF the letter").hexdigest()
    assert files[f"documents/{kept}.pdf"] == b"%PDF the letter"
    page = files["index.html"].decode()
    assert "<script>" not in page
    assert "&lt;script&gt;x" in page
    assert "replaced by f" in page
    assert hashlib.sha256(b"never sent").hexdigest() in page
    assert "complian" not in page.lower()
    whole = json.loads(files["events.json"])
    before = bytes(32)
    for one in whole["events"]:
        said = [whole["landlord_id"], whole["home_id"], one["line"], one["event_id"], one["kind"], one["case_id"],
                one["by_role"], one["corrects"], one["payload"]]  # fmt: skip
        text = json.dumps(said, ensure_ascii=False, separators=(",", ":"))
        before = hashlib.sha256(before + text.encode()).digest()
        assert before.hex() == one["sha256"]
    assert whole["head_of_register"] == register.head(MANAGER)
    assert "Tue 15 Dec 2026" in files["clocks.csv"].decode("utf-8-sig")
    assert "'=cmd" in files["events.csv"].decode("utf-8-sig") or "said: =cmd" in files["events.csv"].decode(
        "utf-8-sig"
    )


def test_evidence_for_somebody_who_is_shown_less(register: Register, folder: Path) -> None:
    """What a role is not shown is not in the file, and the file says that something is left out."""
    filled(register, folder)
    surveyor = Viewer(role="surveyor", landlord_id="L1", home_ids=frozenset({"H1"}))
    with zipfile.ZipFile(io.BytesIO(bundle(register, surveyor, "H1"))) as packed:
        assert b"12.5" not in packed.read("events.csv")
        assert b"1 events of kinds a surveyor is not shown" in packed.read("README.txt")
    with pytest.raises(StoreError, match="no home 'H2' among yours"):
        bundle(register, surveyor, "H2")
    with pytest.raises(StoreError, match="among yours"):
        bundle(register, Viewer(role="manager", landlord_id="L2"), "H1")


def test_a_packed_file_is_in_order() -> None:
    """Whatever order files come in, the packed bytes are the same, with one time on all of them."""
    one, other = packed_bytes({"b": b"2", "a": b"1"}), packed_bytes({"a": b"1", "b": b"2"})
    assert one == other
    with zipfile.ZipFile(io.BytesIO(one)) as packed:
        assert {info.date_time for info in packed.infolist()} == {(1980, 1, 1, 0, 0, 0)}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("[period.x]\nlabel = 'a'\n", "period.x.starts_at: is missing"),
        ("[period.written_summary]\nlength = 0\n", "a whole number"),
        ("[period.written_summary]\nunit = 'moons'\n", "moons"),
        ("[period.written_summary]\nnations = ['atlantis']\n", "atlantis"),
        ("[period.written_summary]\ncolour = 'red'\n", "no such key"),
        ("[period.written_summary]\nfrom_date = '2026-01-01'\n", "a date as"),
        ("[counting]\nfirst_day = 'never'\n", "never"),
        ("[score]\nx = 1\n", "is not a table here"),
        ("[period\n", "not readable as TOML"),
    ],
)
def test_a_practice_s_calendar_with_a_slip(tmp_path: Path, content: str, said: str) -> None:
    """Refused, with the key named; nothing is counted by half a period."""
    path = tmp_path / "calendars.toml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=said):
        default().with_changes(path)


def test_a_practice_s_own_length(tmp_path: Path) -> None:
    """One key changed keeps the rest, says where it was changed, and counts differently."""
    path = tmp_path / "calendars.toml"
    path.write_text("[period.written_summary]\nlength = 2\n", encoding="utf-8")
    changed = default().with_changes(path)
    assert changed.periods["written_summary"].length == 2
    assert changed.periods["written_summary"].changed_by == "calendars.toml"
    assert changed.periods["written_summary"].unit == "working_days"
    assert changed.digest != default().digest


def test_the_command(tmp_path: Path, folder: Path) -> None:
    """From blank files to evidence: import twice, next, due, home, patterns, again, bundle, verify."""
    run = CliRunner()
    common = ["--landlord", "L1", "--workspace", str(tmp_path / "w.sqlite")]

    def said(*words: str, code: int = 0) -> str:
        done = run.invoke(app, ["register", *words])
        assert done.exit_code == code, done.output
        return done.output

    said("template", str(tmp_path / "blank"))
    assert (tmp_path / "blank" / "FIELD_GUIDE.html").is_file()
    assert "2 events added, 0 there already" in said("import", str(folder), *common)
    assert "0 events added, 2 there already" in said("import", str(folder), *common)
    (folder / "asset_looks.csv").write_text(
        "id,home_id,at,by_role,asset_id,asset_kind,state\nk,H1,2026-12-02,surveyor,S1,soakaway,failed\n",
        encoding="utf-8",
    )
    said("import", str(folder), *common)
    told = said(
        "next", *common, "--at", "2026-12-10", "--order", "law,-wet", "--out", str(tmp_path / "next.xlsx")
    )
    assert "H1 (Ash): by law Tue 15 Dec 2026" in told
    assert openpyxl.load_workbook(tmp_path / "next.xlsx")["next"]["B2"].value == "H1"
    assert "spread" in said("next", *common, "--keys")
    assert (
        "2026-12-15  H1  Investigate significant damp or mould (if it is significant) (law), 3 working days left"
        in said("due", *common, "--at", "2026-12-10")
    )
    told = said("home", "H1", *common, "--at", "2026-12-10")
    assert "date Tue 15 Dec 2026, 3 working days before it; nothing recorded that ends it." in told
    assert "said: =cmd" in told
    assert "1 failed of 1 inspected" in said(
        "patterns", *common, "--by", "estate", "--out", str(tmp_path / "p.csv")
    )
    assert (tmp_path / "p-shared.csv").is_file()
    assert "no access: 0" in said("again", *common)
    said("bundle", "H1", *common, "--out", str(tmp_path / "H1.zip"))
    assert zipfile.is_zipfile(tmp_path / "H1.zip")
    assert "The register is sound" in said("verify", *common)
    assert "1 home worked out again" in said("rebuild", *common)
    assert "no home 'H9'" in said("home", "H9", *common, code=1)
    assert "no such key" in said("next", *common, "--order", "score", code=1)
    assert "--at soon" in said("next", *common, "--at", "soon", code=1)
    assert "only a PostgreSQL server" in said("let-in", "somebody", *common, code=1)
    assert "is not empty" in said("template", str(folder), code=1)
    with open_register(tmp_path / "w.sqlite") as register:
        read = register.read_log.rows(homes={"L1": None})
    assert Counter((one.kind, one.home_id) for one in read) == {
        ("register", ""): 4,  # next, due, patterns, again; what was refused gave nothing
        ("export", ""): 2,  # next and patterns, each into a file
        ("home", "H1"): 2,
        ("export", "H1"): 1,
    }
    assert {one.role for one in read} == {"command"}
    (who,) = {one.who for one in read}
    assert who == sign_of_this_user()
    assert getpass.getuser() not in who


def test_a_command_shows_nothing_that_cannot_be_noted(tmp_path: Path, folder: Path) -> None:
    """Each reading command says so in a sentence, shows no home and writes no file; adding still works."""
    where = tmp_path / "w.sqlite"
    common = ["--landlord", "L1", "--workspace", str(where)]
    run = CliRunner()
    assert run.invoke(app, ["register", "import", str(folder), *common]).exit_code == 0
    with open_register(where) as register, register._engine.begin() as connection:
        connection.exec_driver_sql(
            "create trigger full before insert on read_log begin select raise(abort, 'disk is full'); end"
        )
    out = tmp_path / "taken.zip"
    for words in (
        ["next"],
        ["due"],
        ["home", "H1"],
        ["patterns"],
        ["again"],
        ["bundle", "H1", "--out", str(out)],
    ):
        done = run.invoke(app, ["register", *words, *common])
        assert done.exit_code == 1, words
        assert "it cannot be noted; so this is not shown" in done.output
        assert "H1" not in done.output
    assert not out.exists()
    assert run.invoke(app, ["register", "import", str(folder), *common]).exit_code == 0
