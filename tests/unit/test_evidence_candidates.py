"""Candidates at the demo sites, against what is stated to be true of them, and against the drains' answers."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geo.drains.backup import back_up
from geo.drains.cavity import reach_the_wall
from geo.evidence.candidates import candidates_of
from geo.evidence.candidates_laid import Laid, lay_out_evidence
from geo.evidence.candidates_ways import INTO, section_arrays, ways_along
from geo.evidence.codes import raise_codes
from geo.evidence.reaches import apart_m, clipped, covered_m, on_ring, overlap_m, overlaps
from geo.findings.check import read_checked
from geo.findings.drain_wall import as_far_as_seen, past_the_barrier
from geo.findings.drains import just_above, lay_out_drains
from geo.findings.examine import examine
from geo.findings.trials import judge_trials

SITES = Path(__file__).parents[2] / "demo_sites"
KNOWN = {
    # What is stated to feed each wet length, and what a surveyor could have seen of it.
    ("semi_on_a_slope", "T1"): [("S01:G2", {"NEAR", "SEEN"})],
    ("semi_on_a_slope", "T2"): [("S02:DP3", {"NEAR", "SEEN", "TEST+"})],
    ("semi_on_a_slope", "T3"): [("S12", {"SEEN", "LEV+"})],
    ("semi_on_a_slope", "T4"): [("S01:G2", {"NEAR", "SEEN"})],
    ("semi_on_a_slope", "T5"): [("S12", {"SEEN", "LEV+"})],
    ("three_cottages", "T1"): [("S08", {"NEAR", "SEEN", "LEV+"})],
    ("three_cottages", "T2"): [("S08", {"NEAR", "SEEN", "LEV+"})],
    ("three_cottages", "T3"): [("S08", {"NEAR"})],
    ("three_cottages", "T4"): [("S08", {"NEAR", "SEEN", "LEV+"})],
    ("three_cottages", "T5"): [("S08", {"NEAR", "SEEN", "LEV+"})],
    ("three_cottages", "T6"): [("S08", {"NEAR"})],
    ("old_school", "T1"): [("S01:GY1", {"NEAR", "SEEN", "LEV+"})],
    ("old_school", "T2"): [("S01:GY1", {"NEAR", "SEEN"})],
    ("old_school", "T3"): [("S01:GK", {"NEAR", "SEEN"}), ("S06:RK", {"NEAR", "SEEN"})],
    ("old_school", "T4"): [("S01:GK", {"NEAR", "SEEN"}), ("S06:RK", {"NEAR", "SEEN"})],
    ("old_school", "T5"): [("S08", {"NEAR"})],
    ("old_school", "T6"): [("S08", {"NEAR"})],
}


@cache
def asked(name: str) -> tuple[Laid, Any, Any]:
    """Return a demo site laid out, its candidates and its codes."""
    site = read_checked(SITES / name)
    found = examine(site)
    drains = lay_out_drains(found)
    candidates = candidates_of(found, drains)
    raised = raise_codes(found, drains, judge_trials(site, drains), candidates)
    return lay_out_evidence(found, drains), candidates, raised


@pytest.mark.parametrize(("name", "wet_id"), list(KNOWN))
def test_what_feeds_each_length_gets_the_evidence_it_deserves(name: str, wet_id: str) -> None:
    """Of the stretches on the length stated wet, at least one carries every code of its stated cause."""
    truth = tomllib.loads((SITES / name / "truth.toml").read_text(encoding="utf-8"))
    wet = next(each for each in truth["wet"] if each["id"] == wet_id)
    key = "/".join(filter(None, (wet["building_id"], wet["ring"])))
    laid, _, raised = asked(name)
    span = (wet["chainage_from_m"], wet["chainage_to_m"])
    here = [
        one.stretch_id
        for one in laid.wet
        if (one.ring_key, one.side) == (key, wet["side"]) and overlap_m(one.span, span, one.ring_m) > 0.5
    ]
    assert here
    for cause, wanted in KNOWN[name, wet_id]:
        got = [
            {
                e.code
                for e in raised
                if e.stretch_id == w and (e.candidate == cause or e.candidate.split(":")[0] == cause)
            }
            for w in here
        ]
        assert any(wanted <= codes for codes in got)
        assert not any({"TEST-", "SOUND"} & codes for codes in got)


@pytest.mark.parametrize("name", sorted({name for name, _ in KNOWN}))
def test_candidates_lie_on_the_ring_of_their_stretch_and_are_named_once(name: str) -> None:
    """What a candidate would wet is on the side of its stretch, and no key stands twice."""
    laid, candidates, raised = asked(name)
    rings = {one.stretch_id: one for one in laid.wet}
    assert len({(each.stretch_id, each.key) for each in candidates}) == len(candidates)
    for each in candidates:
        one = rings[each.stretch_id]
        for reach in each.reach:
            assert (reach.ring_key, reach.side) == (one.ring_key, one.side)
            assert 0.0 <= reach.from_m < one.ring_m
            assert reach.from_m <= reach.to_m <= reach.from_m + one.ring_m + 1e-9
    known = {(each.stretch_id, each.key) for each in candidates}
    assert all(not each.candidate or (each.stretch_id, each.candidate) in known for each in raised)
    assert len({(e.code, e.stretch_id, e.candidate, e.because) for e in raised}) == len(raised)


@pytest.mark.parametrize("name", ["semi_on_a_slope", "old_school"])
def test_the_ways_past_the_barrier_are_those_of_the_drains_page(name: str) -> None:
    """Station by station the words agree with the joined lengths that the drains page shows."""
    laid, _, _ = asked(name)
    drains = laid.drains
    assert drains is not None
    z, sections, compared = drains.ref.value("drains.rival_sigmas"), section_arrays(drains), 0
    for stop in drains.can_be_blocked:
        result = back_up(
            drains.network, blocked=stop, source=just_above(drains, stop), ref=drains.ref, changes=False
        )
        if result.verdict.word == "no spill" or not result.spills:
            continue
        for water in reach_the_wall(
            result, drains.network, openings=drains.openings, cavities=drains.cavities, ref=drains.ref,
            ring_lengths=drains.ring_lengths,
        ):  # fmt: skip
            seen = as_far_as_seen(water, drains)
            if seen.ring_key not in sections:
                continue
            size = drains.ring_lengths[seen.ring_key]
            ways = ways_along(sections[seen.ring_key], seen, ring_m=size, z=z)
            table, _ = past_the_barrier(drains, (seen,))
            for way in INTO:
                rows = table[table["way"] == way]
                for a, b, word in zip(ways.from_m, ways.to_m, ways.word[way], strict=True):  # type: ignore[union-attr]
                    middle = ((a + b) / 2.0) % size
                    start, end = rows["chainage_from_m"].to_numpy(), rows["chainage_to_m"].to_numpy()
                    on = np.where(
                        start <= end, (start <= middle) & (middle <= end), (middle >= start) | (middle <= end)
                    )
                    said = set(rows["word"][on])
                    assert word in (said or {"no"})
                    compared += 1
    assert compared > 100


def test_lengths_on_a_ring_wrap_at_the_origin() -> None:
    """Ring of 30 m: 28-32 and 1-3 share 1 m (31-32 is 1-2); 28-29 and 1-3 lie 2 m apart."""
    assert overlap_m((28.0, 32.0), (1.0, 3.0), 30.0) == pytest.approx(1.0)
    assert apart_m((28.0, 29.0), (1.0, 3.0), 30.0) == pytest.approx(2.0)
    assert overlaps((28.0, 32.0), (1.0, 3.0), 30.0)
    assert not overlaps((28.0, 31.0), (1.0, 3.0), 30.0)
    assert covered_m((28.0, 32.0), [(1.0, 3.0), (29.0, 29.5), (29.2, 30.0)], 30.0) == pytest.approx(2.0)
    assert on_ring("B1", "inside", (31.0, 33.0), 30.0, "usual").from_m == pytest.approx(1.0)


def test_a_reach_ends_at_the_party_line() -> None:
    """Free wall 5-12: a metre either side of 11.5 ends at 12; on a whole ring nothing ends it."""
    assert clipped((10.5, 12.5), 11.5, [(5.0, 12.0, False)], 30.0) == ((10.5, 12.0), True)
    assert clipped((10.5, 12.5), 11.5, [(0.0, 30.0, True)], 30.0) == ((10.5, 12.5), False)
