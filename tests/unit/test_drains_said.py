"""Every sentence about every blockage of every demo site, read as a contractor would read it."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from geo.drains.storage import Inflow
from geo.draw.drains_tables import asked, change_rows, crossing_rows, fact_rows, headline, order_rows
from geo.draw.section import draw_long_section
from geo.draw.wall_section import draw_wall_section, wet_place
from geo.exchange.setting_out import pack_files
from geo.findings.check import read_checked
from geo.findings.drains import (
    Drains,
    ask_drains,
    drain_document,
    drain_lines,
    drain_tables,
    examine_drains,
    lay_out_drains,
)
from geo.findings.examine import examine

SITES = Path(__file__).resolve().parents[2] / "demo_sites"
NAMES = ("semi_on_a_slope", "old_school", "three_cottages")
WILD = re.compile(r"(?<![\w-])[+-]?(nan|inf|None|NaN|null|Measured|np\.float64)(?![\w-])")
FLOWS = (
    None,
    Inflow.steady(0.25),
    Inflow.steady(0.001),
    Inflow.pours(20.0, over_s=80.0, times=3, wait_s=600.0),
)


@pytest.fixture(scope="module", params=NAMES)
def drains(request: pytest.FixtureRequest) -> Drains:
    """Return the drains of a demo site, laid out."""
    return lay_out_drains(examine(read_checked(SITES / request.param)))


def sentences(value: Any) -> Iterator[str]:
    """Yield every text in a document."""
    if isinstance(value, dict):
        for each in value.values():
            yield from sentences(each)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from sentences(each)
    elif isinstance(value, str):
        yield value


def read(texts: Iterator[str] | list[str], what: object) -> None:
    """Fail on the first text that holds a number which is none, or words run together."""
    for text in texts:
        assert not WILD.search(text), (what, text)
        assert not re.search(r"\.\.|;;|: :|  \.| ,|; \.|\(\)", text), (what, text)


@pytest.mark.parametrize("flow", FLOWS, ids=["no_flow", "hose", "drip", "pours"])
def test_no_sentence_about_a_blockage_holds_a_number_that_is_none(
    drains: Drains, flow: Inflow | None
) -> None:
    """Every asset blocked in turn, with water or without: no nan, inf or None in a sentence, no mark doubled.

    What is not known carries what would settle it; the document is JSON without NaN.
    """
    for name in drains.can_be_blocked:
        found = examine_drains(drains, blocked=name, inflow=flow)
        assert found.answer is not None
        document = drain_document(found)
        json.dumps(document, allow_nan=False)
        read(sentences(document), name)
        read([line for line in drain_lines(found) if not line.startswith("  blocked ")], name)
        answer = found.answer
        read([headline(answer), asked(answer)], name)
        for table in (fact_rows(drains, answer), order_rows(drains, answer), change_rows(answer)):
            read([str(cell) for cell in table.to_numpy().ravel()], name)
        read([str(cell) for cell in crossing_rows(drains, answer).to_numpy().ravel()], name)
        facts = fact_rows(drains, answer).set_index("what")["answer"]
        if minutes := re.search(r"((?:at most )?[\d.]+) minutes\.$", headline(answer)):
            assert facts["minutes until then"].startswith(minutes[1]), name
        for row in document["answer"]["on_the_ground"]:
            assert row["word"] != "not known" or row["settle"], (name, row)
        assert document["answer"]["verdict"]["word"] != "not known" or document["answer"]["verdict"]["settle"]


def test_no_word_on_a_section_is_a_number_that_is_none(drains: Drains) -> None:
    """The long section and the wall of every blockage can be drawn, and nothing on them reads nan or inf."""
    for name in drains.can_be_blocked:
        answer = ask_drains(drains, blocked=name, inflow=Inflow.steady(0.25))
        drawn = [draw_long_section(drains, answer=answer)]
        place = wet_place(answer)
        drawn += [draw_wall_section(drains, *place, answer=answer)] if place is not None else []
        for svg in drawn:
            words = re.findall(r">([^<>]+)<", svg) + re.findall(r'="([^"]*)"', svg)
            assert not [each for each in words if WILD.search(each)], name


def test_water_put_in_with_nothing_blocked_is_said_plainly(drains: Drains) -> None:
    """Water put in at every source with nothing stopped: the same sentences, and no stop of no name."""
    for source in drains.sources:
        found = examine_drains(drains, source=source, inflow=Inflow.steady(0.1))
        assert found.answer is not None
        read(sentences(drain_document(found)), source)
        read(list(drain_lines(found)), source)
        read([headline(found.answer), asked(found.answer)], source)
        assert not asked(found.answer).startswith(" ")


def test_tables_keep_a_blank_for_what_is_not_known(drains: Drains) -> None:
    """No cell of a table that goes into CSV reads inf or None."""
    for name in drains.can_be_blocked:
        for title, table in drain_tables(examine_drains(drains, blocked=name, inflow=FLOWS[1])).items():
            if title in ("drain-order", "drain-blockages"):
                continue
            for cell in table.select_dtypes(exclude="number").to_numpy().ravel():
                assert not (isinstance(cell, float) and math.isinf(cell)), (name, title)
                assert not (isinstance(cell, str) and WILD.search(cell)), (name, title, cell)


def test_no_spill_is_not_followed_to_the_wall(drains: Drains) -> None:
    """Half a litre put in comes up nowhere, so nothing is said of ground, wall or barrier."""
    for name in drains.every.index[drains.every["litres_fewest"] > 5.0]:
        answer = ask_drains(drains, blocked=str(name), inflow=Inflow.pours(0.5, over_s=10.0))
        if answer.result.verdict.word == "no spill":
            assert not answer.on_ground
            assert not answer.water
            assert answer.crossings.empty


@pytest.mark.parametrize("name", NAMES)
def test_the_setting_out_pack_reads_plainly(name: str) -> None:
    """No text file of the pack of any demo site holds a number that is none."""
    for path, content in pack_files(read_checked(SITES / name)).items():
        if path.endswith((".csv", ".geojson", ".gpx", ".md", ".txt")):
            text = content.decode("utf-8-sig")
            found = [
                line
                for line in text.splitlines()
                if re.search(r"(?<![\w-])(nan|inf|None|NaN)(?![\w-])", line)
            ]
            assert not found, (path, found[:2])


def test_bare_ground_still_reads_plainly(drains: Drains) -> None:
    """With no ground to follow water on, the sentences stay whole."""
    bare = replace(drains, surfaces=())
    for name in drains.can_be_blocked:
        read(sentences(drain_document(examine_drains(bare, blocked=name))), name)
    assert isinstance(bare.every, pd.DataFrame)
