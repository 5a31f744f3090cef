"""The full report: every statement has its nature and its records, and what is not recorded is not said."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from geo import reference
from geo.findings.check import read_checked
from geo.findings.examine import examine
from geo.report.as_left import left_part
from geo.report.full import full_report
from geo.report.letter import ROOMS, letter_of, pages_of, write_letter
from geo.report.letter_parts import wet_lengths
from geo.report.pack import MANIFEST, report_files, write_report
from geo.report.parts import (
    ADVICE,
    FACT,
    INFERENCE,
    NATURES,
    OPINION,
    Block,
    Document,
    Ids,
    Items,
    Paragraph,
    Part,
    Table,
    figures_of,
)
from geo.report.photographs import thumbnail
from geo.report.render_html import report_html
from geo.report.rules import rule_words
from geo.report.source import Source, gather
from geo.site.fields import type_of
from geo.site.model import Site
from geo.site.records import KINDS

DEMO = Path(__file__).parents[2] / "demo_sites"
HOSTILE = "<script>alert(1)</script> #panic(1) \\ \" ' & {{7*7}} [x](y) =cmd()"
KEPT = (
    "value",
    "instrument",
    "face",
    "ring",
    "corner",
    "file",
    "stop",
    "line",
    "currency",
    "sha256",
    "hole_kinds",
)


@pytest.fixture(scope="module")
def source() -> Source:
    """Return what the report of the semi is written from."""
    return gather(examine(read_checked(DEMO / "semi_on_a_slope")))


@pytest.fixture(scope="module")
def report(source: Source) -> Document:
    """Return the full report of the semi."""
    return full_report(source)


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Source:
    """Return a site of which only the outline is known."""
    folder = tmp_path_factory.mktemp("bare") / "outline"
    folder.mkdir()
    for name in ("site.toml", "buildings.geojson"):
        shutil.copy(DEMO / "semi_on_a_slope" / name, folder)
    return gather(examine(read_checked(folder)))


def paragraphs(document: Document) -> Iterator[Paragraph]:
    """Go through every paragraph, those of lists included."""
    for block in document.blocks():
        if isinstance(block, Paragraph):
            yield block
        elif isinstance(block, Items):
            yield from block.items


def parts(found: tuple[Part, ...]) -> Iterator[Part]:
    """Go through every section."""
    for part in found:
        yield part
        yield from parts(part.parts)


def cells(block: Block) -> Iterator[Any]:
    """Go through the cells of a table."""
    if isinstance(block, Table):
        for row in block.rows:
            yield from row


def test_every_statement_has_a_nature_and_every_inference_its_rule(source: Source, report: Document) -> None:
    """Facts need no rule; an inference names one that is written out in the report."""
    written = {
        one.lead.lower()
        for part in parts(report.parts)
        if part.key == "rules"
        for block in part.blocks
        for one in block.items
    }
    seen = set()
    for block in (*paragraphs(report), *(each for each in report.blocks() if isinstance(each, Table))):
        assert block.nature in NATURES
        if block.nature == INFERENCE:
            assert block.rule, block
            assert rule_words(block.rule, source.ref)
            assert block.rule.lower() in written
            seen.add(block.rule)
    assert len(seen) > 10


def test_every_record_named_stands_in_the_last_part(source: Source, report: Document) -> None:
    """Each id a statement rests on is a record of the site and has a row of its own, every record exactly one."""
    rows = [name for block in report.blocks() if isinstance(block, Table) for name in block.anchors]
    assert sorted(rows) == sorted(source.site.ids)
    named = {name for one in paragraphs(report) for name in one.rests_on}
    named |= {
        name
        for block in report.blocks()
        for cell in cells(block)
        if isinstance(cell, Ids)
        for name in cell.names
    }
    strangers = named - set(source.site.ids)
    assert not strangers


def test_the_surveyors_sentences_are_printed_as_what_they_are(source: Source, report: Document) -> None:
    """Each recorded statement stands word for word, with its own nature, and opinion is signed by role."""
    for one in source.site.of("statement"):
        found = [each for each in paragraphs(report) if each.said == one.said and one.id in each.rests_on]
        assert found, one.id
        assert found[0].nature == one.statement_kind
        if one.statement_kind in (OPINION, ADVICE):
            assert found[0].signed


def test_every_table_is_as_wide_as_its_header(report: Document) -> None:
    """Rows, header and widths of a table agree, and its number columns exist."""
    for block in report.blocks():
        if isinstance(block, Table):
            assert len(block.header) == len(block.widths)
            assert all(len(row) == len(block.header) for row in block.rows), block.caption
            assert all(0 <= i < len(block.header) for i in block.numbers)
            assert not block.anchors or len(block.anchors) == len(block.rows)


def test_figures_have_names_of_their_own_and_words_for_who_cannot_see(report: Document) -> None:
    """No two figures have one name; each says what it shows."""
    from geo.report.parts import figures_of

    figures = figures_of(report)
    assert len({figure.name for figure in figures}) == len(figures)
    assert all(figure.alt and figure.caption for figure in figures)
    assert {"plan", "strip-key"} <= {figure.name for figure in figures}


def test_what_is_not_recorded_is_not_said(bare: Source) -> None:
    """With an outline only: no reading, test, drain or cause is spoken of, and each gap says what would fill it."""
    report = full_report(bare)
    titles = {part.title for part in parts(report.parts)}
    for title in ("Readings by method", "Samples and salts", "Tests, and what each is worth", "Photographs"):
        assert title not in titles
    gone = {part.title: part for part in report.missing}
    assert {"Readings by method", "Samples and salts", "Tests, and what each is worth"} <= set(gone)
    assert all(part.why for part in gone.values())
    told = " ".join(one.said for one in paragraphs(report))
    for word in (" nan", "None", "NaN", "m wet"):
        assert word not in told, word
    letter, pdf = letter_of(bare)
    assert pages_of(pdf) == 1
    words = " ".join(one.said for one in paragraphs(letter))
    assert "reads wet" not in words
    assert "water comes" not in words


def test_nothing_missing_shows_as_a_number(source: Source, report: Document) -> None:
    """No cell and no sentence of the semi says nan, None or an object of Python."""
    words = [one.said for one in paragraphs(report)]
    words += [cell for block in report.blocks() for cell in cells(block) if isinstance(cell, str)]
    for word in words:
        assert not re.search(r"\bnan\b|\bNone\b|np\.float|object at 0x|\{\w*\}", word), word


def test_the_limits_come_from_the_gaps(source: Source, report: Document) -> None:
    """Each gap that is no piece of unread wall stands in the table of what is not known, with how to end it."""
    table = next(
        block
        for block in report.blocks()
        if isinstance(block, Table) and block.caption.startswith("What is not known")
    )
    said = {(str(row[0]).lower(), str(row[4]).lower().rstrip(".")) for row in table.rows}
    for gap in source.found.gaps:
        if "wall not read" not in gap.what:
            assert (gap.what.lower(), gap.settle.lower().rstrip(".")) in said


def test_unread_wall_is_counted_whole(source: Source, report: Document) -> None:
    """Long pieces stand one by one; with the short ones in the sentence below they make all that was not read."""
    table = next(
        block
        for block in report.blocks()
        if isinstance(block, Table) and block.caption.startswith("Lengths not read")
    )
    shorter = source.ref.value("report.unread_short_m")
    unread = source.found.unread["length_m"]
    assert len(table.rows) == int((unread >= shorter).sum())
    assert sum(float(row[2]) for row in table.rows) == pytest.approx(
        unread[unread >= shorter].sum(), abs=0.05 * len(table.rows)
    )
    rest = unread[unread < shorter]
    also = next(one.said for one in paragraphs(report) if one.said.startswith("Also not read"))
    assert f"{len(rest)} pieces" in also
    assert f"{rest.sum():.1f} m in all" in also


def test_causes_are_never_given_a_share_or_a_chance(report: Document) -> None:
    """The ledger's sentences and cells hold no per cent sign beside a cause and no word of chance for one."""
    ledger = next(part for part in parts(report.parts) if part.key == "causes")
    words = []
    for part in parts((ledger,)):
        for block in part.blocks:
            if isinstance(block, Table):
                words += [str(row[k]) for row in block.rows for k in (0, 1, 2, 3)]
            elif isinstance(block, Paragraph):
                words.append(block.said)
    assert words
    assert not [word for word in words if "%" in word or "likelihood" in word or "chance" in word]


def test_the_same_data_give_the_same_bytes(source: Source, bare: Source, tmp_path: Path) -> None:
    """Letter and HTML of one site, written twice, and a whole pack written twice, do not differ in a byte."""
    again = gather(examine(read_checked(DEMO / "semi_on_a_slope")))
    assert letter_of(source)[1] == letter_of(again)[1]
    first, second = report_files(bare), report_files(bare)
    assert first == second
    written = write_report(bare, tmp_path / "out")
    assert {path.name for path in written} == set(first)
    told = json.loads((tmp_path / "out" / MANIFEST).read_text(encoding="utf-8"))
    assert told["data_version"] == bare.site.digest
    assert {entry["name"] for entry in told["files"]} == set(first) - {MANIFEST}
    for entry in told["files"]:
        content = (tmp_path / "out" / entry["name"]).read_bytes()
        assert entry["sha256"] == hashlib.sha256(content).hexdigest()
        assert entry["bytes"] == len(content)


def test_levels_after_the_works_stand_beside_the_surveys(report: Document) -> None:
    """What was levelled again is told with its own sigma, and what it changes with both ranges.

    By hand, from the book: bench mark 10.000 + 1.339 - 1.704 + 1.466 - 1.142 + 1.294 = 11.253 is the
    collimation of set-up S3, the sight on the ground at 13.49 m is 1.307, so 9.946; the run closes at
    10.000 + 1.339 - 1.704 + 1.466 - 1.142 + 1.294 - 1.606 + 1.583 - 1.226 = 10.004, and three of its four
    set-ups carry 3 of those 4 mm: 9.943. The course at 14.195 m is 11.253 - 0.003 - 1.200 = 10.050, and
    9.884 below it leaves 166 mm. Before, the ground half-way along that piece, 13.85 m, lies between
    9.943 at 13.49 m and 11.253 - 0.003 - 1.275 = 9.975 at 14.78 m, so at 9.952: 98 mm.
    """
    part = next(part for part in parts(report.parts) if part.key == "left")
    levels, clear = (block for block in part.blocks if isinstance(block, Table))
    (row,) = levels.rows
    assert row[0] == Ids(("LB1",))
    assert row[-1] == Ids(("L044",))
    assert (row[3], row[5], row[6]) == ("9.943", "9.884", "5")
    assert [name for name in levels.header if "mm" in name] == ["σ, mm", "σ, mm"]
    told = next(row for row in clear.rows if "13.4 to 14.3" in str(row[0]))
    assert str(told[1]).startswith("98 (")
    assert told[2] == "short of the rule"
    assert str(told[3]).startswith("166 (")
    assert told[4] == "clear"


def test_wet_places_near_outlets_are_counted_at_three_distances(source: Source, report: Document) -> None:
    """At each distance near and further off make up the readings of a method, and a wider ring loses none."""
    part = next(part for part in parts(report.parts) if part.key == "outlets")
    table = next(
        block for block in part.blocks if isinstance(block, Table) and "each distance" in block.caption
    )
    whole = next(row for row in source.found.cluster_rows if row["group"].startswith("capacitance"))
    assert [row[1] for row in table.rows] == ["0.5", "1", "1.5"]
    before = 0
    for row in table.rows:
        (wet, near), (dry_wet, away) = (map(int, str(row[k]).split(" of ")) for k in (2, 3))
        assert near + away == whole["n"]
        assert wet + dry_wet == whole["n_wet"]
        assert near >= before
        before = near


def test_nothing_levelled_after_works_is_no_section(bare: Source) -> None:
    """Where nothing was levelled after works there is no before and after."""
    assert left_part(bare).empty


def test_the_order_of_works_is_drawn_on_pages_it_can_be_read_on(source: Source, report: Document) -> None:
    """Every repair stands once in the drawings, each on a page laid on its side."""
    figures = [figure for figure in figures_of(report) if figure.name.startswith("order")]
    assert len(figures) == 2
    assert all(figure.across for figure in figures)
    most = source.ref.value("report.lanes_a_page")
    assert source.works is not None
    for name in source.works.lanes:
        assert sum(f">{name}<" in figure.svg for figure in figures) == 1
    for figure in figures:
        assert 1 <= sum(f">{name}<" in figure.svg for name in source.works.lanes) <= most


def attacked(site: Site, words: str, many: int = 1) -> Site:
    """Return a site in which every free text says something else, and some kinds stand many times."""
    made: dict[str, tuple[Any, ...]] = {}
    for kind, records in site.records.items():
        model = KINDS[kind]
        free = [
            name
            for name in model.columns()
            if type_of(model.model_fields[name]) == "text"
            and name not in KEPT
            and name != "id"
            and not name.endswith(("_id", "_ids", "_from"))
            and not (kind == "asset_state" and name == "state")
        ]
        changed = [
            record.model_copy(update={name: words[:180] if name == "scale" else words for name in free})
            for record in records
        ]
        if kind in ("statement", "account", "consent", "asset_state", "repair", "unread_length"):
            more = [
                record.model_copy(update={"id": f"{record.id}-{k}"})
                for k in range(1, many)
                for record in changed
            ]
            changed += more
        made[kind] = tuple(changed)
    info = site.info.model_copy(
        update={"name": words[:200], "datum": words, "bench_mark": words, "surveyed_by": words}
    )
    return replace(site, records=made, info=info)


def with_site(source: Source, site: Site) -> Source:
    """Return the same findings over other records."""
    return replace(source, found=replace(source.found, site=site))


def test_hostile_text_comes_out_as_text(source: Source) -> None:
    """Every text a person typed attacks: the HTML has no element of theirs, and the words themselves are there."""
    hostile = with_site(source, attacked(source.site, HOSTILE))
    page = report_html(full_report(hostile)).decode()
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "javascript:" not in page
    letter, pdf = letter_of(hostile)
    assert "<script" not in report_html(letter).decode()
    assert pages_of(pdf) <= 2


@pytest.mark.parametrize("words", ["damp wall " * 199, "W" * 1990])
def test_the_letter_never_takes_more_than_two_pages(source: Source, words: str) -> None:
    """Texts of 1,990 letters in every field, even without a space, and twenty times the records: two pages."""
    for kept in (source, replace(source, ledger=None)):
        document, pdf = letter_of(with_site(kept, attacked(source.site, words, many=20)))
        assert pages_of(pdf) <= 2
        assert {part.key for part in document.parts} >= {
            "letter-found",
            "letter-unseen",
            "letter-do",
        }


def test_what_there_is_no_room_for_is_counted(source: Source) -> None:
    """With room for one line a list says how many more there are."""
    small = write_letter(source, ROOMS[-1])
    said = " ".join(one.said for one in paragraphs(small))
    count = len(wet_lengths(source))
    assert count > 1
    assert f"And {count - 1} wet lengths: the full report has all of them." in said


def test_the_letter_shows_no_points_and_no_shares(source: Source) -> None:
    """A householder sees words; neither points nor per cent, and no jargon such as chainage."""
    letter, _ = letter_of(source)
    words = " ".join(f"{one.lead} {one.said}" for one in paragraphs(letter)).lower()
    for word in ("%", "points", "probab", "chainage", "lifestyle", "s01", "s04", "excess"):
        assert word not in words, word
    assert "not proven" in words or "not known yet" in words


def test_proven_is_said_only_of_what_a_test_proved(source: Source) -> None:
    """The letter says a test has shown where water comes from exactly where the ledger has a proven cause."""
    assert source.ledger is not None
    letter, _ = letter_of(source)
    lines = {one.lead: one.said for one in paragraphs(letter) if one.lead.isdigit()}
    for k, length in enumerate(wet_lengths(source), start=1):
        proven = any(
            one.word == "proven" and one.key in source.ledger[stretch].accepted
            for stretch in length.stretch_ids
            for one in source.ledger[stretch].supports
        )
        assert ("A test has shown" in lines[str(k)]) == proven


def test_a_thumbnail_tells_no_place_and_is_upright(tmp_path: Path) -> None:
    """A picture of 3000 x 2000 on its side, with a place in its notes: 1100 high, upright, without notes."""
    path = tmp_path / "a.jpg"
    picture = Image.new("RGB", (3000, 2000), "white")
    picture.paste("black", (0, 0, 300, 300))
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
    picture.save(path, exif=exif)
    raw = path.read_bytes()
    made = thumbnail(raw, 1100)
    assert made is not None
    assert made == thumbnail(raw, 1100)
    path.write_bytes(made)
    with Image.open(path) as shown:
        assert shown.size == (733, 1100)
        assert not shown.getexif()
        dark = shown.convert("L")
        assert dark.getpixel((700, 30)) < 60
        assert dark.getpixel((30, 30)) > 200
    assert thumbnail(b"no picture", 1100) is None
    assert thumbnail(raw[:4000], 1100) is None


def test_facts_are_counted_not_judged(report: Document) -> None:
    """Rows of the last part are facts: what was recorded, with no rule over it."""
    for block in report.blocks():
        if isinstance(block, Table) and block.anchors:
            assert block.nature == FACT
            assert not block.rule


def test_limits_changed_for_a_site_are_said(source: Source) -> None:
    """A site's own limit stands on the first page with its value."""
    from geo.report.front import first_facts

    ref = reference.default()
    changed = replace(ref.limit("ground.dpc_clearance_mm"), value=100.0, changed_by="limits.toml")
    own = replace(ref, limits={**ref.limits, changed.key: changed})
    site = replace(source.site, reference=own)
    told = dict(first_facts(replace(source, found=replace(source.found, site=site))))
    assert told["Limits changed"] == "ground.dpc_clearance_mm = 100 mm"
