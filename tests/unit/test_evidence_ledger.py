"""The ledger of causes of whole sites, as a table, as JSON and on the command line."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from geo.cli import app
from geo.evidence.decisions import decision_record
from geo.evidence.ledger import Ledger, ledger_of
from geo.evidence.ledger_lines import ledger_lines
from geo.evidence.ledger_matrix import matrix_of
from geo.evidence.ledger_tables import decisions_table, trials_of
from geo.evidence.support import HOLDS
from geo.findings.check import read_checked
from geo.findings.drains import Drains, lay_out_drains
from geo.findings.examine import Findings, examine
from geo.site.record import Record

SITES = Path(__file__).resolve().parents[2] / "demo_sites"
NAMES = ("semi_on_a_slope", "old_school")


@cache
def looked_at(name: str) -> tuple[Findings, Drains]:
    """Examine a demo site once."""
    found = examine(read_checked(SITES / name))
    return found, lay_out_drains(found)


@cache
def ledger(name: str) -> Ledger:
    """The ledger of a demo site."""
    return ledger_of(*looked_at(name))


def with_records(name: str, kind: str, change: Callable[[tuple[Record, ...]], tuple[Record, ...]]) -> Ledger:
    """The ledger of a demo site with the records of one kind changed."""
    found, drains = looked_at(name)
    records = {**found.site.records, kind: change(found.site.of(kind))}
    other = replace(found, site=replace(found.site, records=records))
    return ledger_of(other, drains)


def weighed(of: Ledger) -> dict[tuple[str, str], tuple[float, str]]:
    """Points and word of every cause of every stretch."""
    return {
        (each.stretch_id, one.key): (one.points, one.word) for each in of.stretches for one in each.supports
    }


@pytest.mark.parametrize("name", NAMES)
def test_every_stretch_has_its_ledger(name: str) -> None:
    """Each wet stretch is there, its lengths add up, its causes are ranked, and something comes next."""
    found, _ = looked_at(name)
    whole = ledger(name)
    assert [each.stretch_id for each in whole.stretches] == list(found.stretches.index)
    for each in whole.stretches:
        cover = each.coverage
        assert cover.wet_m == pytest.approx(each.length_m, abs=0.01)
        assert cover.explained_m + cover.unexplained_m == pytest.approx(cover.wet_m, abs=0.1)
        assert {one.kind for one in each.supports} == {"source", "route", "mimic"}
        assert set(each.accepted) >= {one.key for one in each.supports if one.holds} - {
            one.key for one in each.decisions
        }
        assert each.next.best is not None or each.next.because
        assert each.said.endswith(".")
    for place in whole.places:
        assert len({whole[name].side for name in place.stretch_ids}) == 1
    assert sorted(name for place in whole.places for name in place.stretch_ids) == sorted(
        found.stretches.index
    )


def test_two_methods_at_one_place_are_one_place_and_stay_apart() -> None:
    """Skirting and plaster read wet at one place: one place for a person, two stretches with values of their own."""
    whole = ledger("semi_on_a_slope")
    both = [place for place in whole.places if len(place.stretch_ids) == 2]
    assert both
    for place in both:
        one, other = (whole[name] for name in place.stretch_ids)
        assert one.group != other.group
        assert place.seen_by == "seen by 2 methods"


def test_a_test_that_could_not_show_moves_nothing() -> None:
    """TR4 poured 30 l where 219 l are needed: without its record every cause stands where it stood."""
    whole = ledger("semi_on_a_slope")
    row = next(one for one in whole.trials if one.trial_id == "TR4")
    assert row.verdict == "no information"
    assert not row.moved
    without = with_records(
        "semi_on_a_slope", "trial", lambda records: tuple(one for one in records if one.id != "TR4")
    )
    assert weighed(without) == weighed(whole)


def test_what_a_test_moved_is_what_its_absence_moves() -> None:
    """A cause a test speaks of stands elsewhere without it; one it does not speak of by name stays."""
    whole = ledger("semi_on_a_slope")
    row = next(one for one in whole.trials if one.moved)
    without = with_records(
        "semi_on_a_slope", "trial", lambda records: tuple(one for one in records if one.id != row.trial_id)
    )
    before, after = weighed(whole), weighed(without)
    changed = {key for key in before if before[key] != after[key]}
    assert changed == {(one.stretch_id, one.key) for one in row.moved}


def decided(stretch_id: str, state: str, *keys: str) -> Ledger:
    """The semi with a decision about each of some causes of one stretch."""
    found, _ = looked_at("semi_on_a_slope")
    each, row = ledger("semi_on_a_slope")[stretch_id], found.stretches.loc[stretch_id]

    def add(records: tuple[Record, ...]) -> tuple[Record, ...]:
        made: dict[str, Record] = {}
        for key in keys:
            record = decision_record(
                key=key, state=state, reason="as discussed", side=each.side,
                building_id=str(row["building_id"]), ring=str(row["ring"]), from_m=each.from_m,
                to_m=each.to_m, at=datetime(2030, 1, 1, tzinfo=UTC), by="surveyor",
                taken={*found.site.ids, *made},
            )  # fmt: skip
            made[record.id] = record
        return (*records, *made.values())

    return with_records("semi_on_a_slope", "hypothesis", add)


def test_decisions_change_what_is_explained_and_no_points() -> None:
    """Every accepted cause set aside, nothing of the stretch is explained; points and words are untouched."""
    whole = ledger("semi_on_a_slope")
    each = next(one for one in whole.stretches if one.coverage.explained_m > 0)
    after = decided(each.stretch_id, "set_aside", *each.accepted)
    assert weighed(after) == weighed(whole)
    assert not after[each.stretch_id].accepted
    assert after[each.stretch_id].coverage.unexplained_m == pytest.approx(each.length_m, abs=0.01)
    assert after[each.stretch_id].decisions[-1].state == "set_aside"


def test_a_cause_accepted_by_hand_says_so() -> None:
    """A cause that is only possible counts once a person accepts it, and keeps its word."""
    whole = ledger("semi_on_a_slope")
    each, one = next(
        (each, one)
        for each in whole.stretches
        for one in each.sources
        if one.word not in HOLDS and one.key in each.reaches and one.key not in each.accepted
    )
    after = decided(each.stretch_id, "accepted", one.key)[each.stretch_id]
    assert one.key in after.decided
    assert after.support(one.key).word == one.word
    assert one.key in after.coverage.by


def test_a_cause_put_forward_is_weighed_with_the_others() -> None:
    """A cause nobody listed stands in the ledger, with the surveyor's reason for its path."""
    after = decided("W1", "put_forward", "S20:CH9")["W1"]
    assert "as discussed" in after.support("S20:CH9").candidate.path


# --- as text, tables and JSON ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_the_document_is_plain_and_whole(name: str) -> None:
    """It goes through JSON unchanged, names every cause, and speaks of no chances."""
    whole = ledger(name)
    document = whole.document()
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert [each["stretch_id"] for each in document["stretches"]] == [
        each.stretch_id for each in whole.stretches
    ]
    for each, own in zip(document["stretches"], whole.stretches, strict=True):
        assert [one["key"] for one in each["causes"]] == [one.key for one in own.supports]
        assert each["coverage"]["unexplained_m"] == pytest.approx(own.coverage.unexplained_m, abs=1e-4)


@pytest.mark.parametrize("name", NAMES)
def test_the_lines_say_it_without_chances(name: str) -> None:
    """Every stretch and every test is told; nothing is called likely by so many per cent."""
    whole = ledger(name)
    ref = looked_at(name)[0].site.reference
    text = "\n".join(ledger_lines(whole, ref=ref))
    for each in whole.stretches:
        assert each.stretch_id in text
        assert each.said in text
    for row in whole.trials:
        assert row.trial_id in text
    assert not re.search(r"probab|likelihood|\bodds\b", text)
    assert not any("%" in one.said + one.coverage.said for one in whole.stretches)


def test_tables_for_the_pages() -> None:
    """Tests with what they moved, decisions the latest first, sources against ways in."""
    whole = ledger("semi_on_a_slope")
    found, _ = looked_at("semi_on_a_slope")
    ref = found.site.reference
    table = trials_of(whole, ref=ref)
    assert list(table["test"]) == [row.trial_id for row in whole.trials]
    assert table.set_index("test").loc["TR4", "what it moved"] == "nothing"
    assert "30 l of the 219 l" in table.set_index("test").loc["TR4", "poured"]
    each = next(one for one in whole.stretches if one.pairs and one.pairs[0].route)
    ring_m = float(found.perimeter.rings.loc[each.ring_key, "length_m"])
    grid = matrix_of(each, ring_m=ring_m)
    assert len(grid.cells) == len(grid.sources)
    assert all(len(row) == len(grid.routes) for row in grid.cells)
    assert any(cell.pairs for row in grid.cells for cell in row)
    decisions = decisions_table(decided("W1", "set_aside", "S18")["W1"], ref=ref)
    assert decisions["decided"].iloc[0] == "set aside"


# --- the command -------------------------------------------------------------------------------------------


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Run the command; its site is read, examined and its drains laid out once."""
    found, drains = looked_at("semi_on_a_slope")
    monkeypatch.setattr("geo.findings.check.read_checked", lambda _: found.site)
    monkeypatch.setattr("geo.findings.examine.examine", lambda _: found)
    monkeypatch.setattr("geo.evidence.ledger.lay_out_drains", lambda _: drains)

    def start(*options: str) -> Any:
        return CliRunner().invoke(app, ["causes", str(SITES / "semi_on_a_slope"), *options])

    return start


def test_the_command_prints_the_ledger(run: Callable[..., Any]) -> None:
    """Text by default, one JSON document with --json, cautions beside both."""
    told = run()
    assert told.exit_code == 0
    assert "Next for the whole site" in told.stdout
    assert "certifies nothing" in told.stderr
    made = json.loads(run("--json").stdout)
    assert made["id"] == "urn:wallfoot:causes:1"
    assert made["weights_changed"] == []


def test_a_practice_brings_its_own_points(run: Callable[..., Any], tmp_path: Path) -> None:
    """The answer says which values were changed; a wrong file or none is one sentence and exit 1."""
    own = tmp_path / "practice.toml"
    own.write_bytes(b"[points.S12]\nSEEN = 0\n")
    made = json.loads(run("--json", "--evidence", str(own)).stdout)
    assert made["weights_changed"] == [
        {"key": "points.S12.SEEN", "was": "2", "now": "0", "changed_by": "practice.toml"}
    ]
    own.write_bytes(b"[points.S12]\nSEEN = 'much'\n")
    refused = run("--evidence", str(own))
    assert refused.exit_code == 1
    assert "practice.toml, points.S12.SEEN: 'much' is not a number" in refused.stderr
    assert run("--evidence", str(tmp_path / "none.toml")).exit_code == 1


def test_every_weight_can_be_printed() -> None:
    """Points, groups, caps and tests are printed with their sources, and what is printed can be changed."""
    told = CliRunner().invoke(app, ["weights"])
    assert told.exit_code == 0
    assert "[points.S01]  # source: Gully head or surround leaking at the wall" in told.stdout
    assert '"TEST+" = 3' in told.stdout
    assert "caps.sound = 0 points" in told.stdout
    assert "JUDGEMENT" in told.stdout
    assert "[test.camera] sensitivity = 0.9" in told.stdout


def test_what_nobody_examined_leads_nothing() -> None:
    """A cause that has most points by what is at hand, but was not looked at, is not called the leader."""
    seen = 0
    for name in NAMES:
        for one in ledger(name).stretches:
            for leader in (one.leader, one.route_leader):
                support = one.support(leader.key) if leader else None
                if leader and support and support.word == "possible, not examined":
                    seen += 1
                    assert not leader.clear
                    assert "leads" not in leader.said
                    assert "was not examined" in leader.said
    assert seen
