"""What is explained of a wet length, what belongs together, and what people decided."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
import pytest

from geo import weights
from geo.evidence.coverage import Range, both, cover, laid, minus, read_dry, rolled, total, union
from geo.evidence.decisions import Decision, accepted_causes, decisions_at, put_forward, standing
from geo.evidence.kinds import Candidate, Raised, Reach
from geo.evidence.pairing import AT_THE_FACE, BY_ITSELF, BY_OPEN_LEAF, BY_ROUTE, Paired, Wall, pair
from geo.evidence.support import Support, weigh
from geo.evidence.support_board import lay_board
from geo.site.reasoning_records import Hypothesis

SHIPPED = weights.default()
RING = 40.0


def said(ranges: Iterable[Range]) -> list[tuple[float, float]]:
    """Return ranges as pairs, to the centimetre."""
    return [(round(part.from_m, 2), round(part.to_m, 2)) for part in ranges]


# --- coverage -----------------------------------------------------------------------------------------


def test_two_causes_explain_part() -> None:
    """Wet 2.0-9.4; a downpipe foot predicts 1.5-4.5, a ground bridge 6.0-8.2; 1.5-2.0 was read dry.

    Invented; by hand: explained 2.5 + 2.2 = 4.7, unexplained 4.5-6.0 and 8.2-9.4 = 2.7, dry 0.5.
    """
    found = cover([(2.0, 9.4)], {"S02:D1": [(1.5, 4.5)], "S08": [(6.0, 8.2)]}, ring_m=RING, dry=[(0.5, 2.0)])
    assert (found.explained_m, found.unexplained_m, found.predicted_dry_m) == pytest.approx((4.7, 2.7, 0.5))
    assert said(found.unexplained) == [(4.5, 6.0), (8.2, 9.4)]
    assert said(found.predicted_dry) == [(1.5, 2.0)]
    assert found.by == pytest.approx({"S02:D1": 2.5, "S08": 2.2})


def test_a_ring_that_passes_the_origin() -> None:
    """The same case moved so that the origin corner falls in the wet length gives the same metres."""
    for shift in (33.0, 36.0, 38.0):

        def at(a: float, b: float, shift: float = shift) -> list[tuple[float, float]]:
            return laid((a + shift) % RING, (b + shift) % RING, RING)

        found = cover(
            at(2.0, 9.4), {"a": at(1.5, 4.5), "b": at(6.0, 8.2)}, ring_m=RING, dry=at(0.5, 2.0), least_m=0.05
        )
        assert (found.explained_m, found.unexplained_m) == pytest.approx((4.7, 2.7))
        assert found.predicted_dry_m == pytest.approx(0.5)
        assert len(found.unexplained) == 2


def test_unread_is_not_dry() -> None:
    """What is predicted and nobody read speaks neither for nor against."""
    found = cover([(2.0, 4.0)], {"a": [(1.0, 4.0)]}, ring_m=RING, unread=[(0.0, 2.0)])
    assert (found.predicted_dry_m, found.predicted_unread_m) == (0.0, 1.0)


def test_a_mimic_explains_readings_and_predicts_no_water() -> None:
    """What only a mimic explains is told apart, and a dry wall beside it says nothing against it."""
    found = cover(
        [(2.0, 6.0)],
        {"S01": [(2.0, 3.0)], "S16": [(2.0, 8.0)]},
        ring_m=RING,
        mimics=["S16"],
        dry=[(6.0, 9.0)],
    )
    assert (found.explained_m, found.mimic_m, found.predicted_dry_m) == (4.0, 3.0, 0.0)


def test_lengths_on_a_ring() -> None:
    """Unions, overlaps and differences, and the parts on both sides of the origin as one."""
    assert laid(38.0, 2.0, RING) == [(0.0, 2.0), (38.0, 40.0)]
    assert laid(38.0, 42.0, RING) == [(0.0, 2.0), (38.0, 40.0)]
    assert laid(0.0, 40.0, RING) == [(0.0, 40.0)]
    assert union([(3, 4), (1, 2), (1.5, 3)]) == [(1, 4)]
    assert both([(0, 2), (4, 6)], [(1, 5)]) == [(1, 2), (4, 5)]
    assert minus([(0, 6)], [(1, 2), (5, 9)]) == [(0, 1), (2, 5)]
    whole = rolled([(0.0, 2.0), (38.0, 40.0)], RING)
    assert [(part.from_m, part.to_m, part.length_m) for part in whole] == [(38.0, 2.0, 4.0)]
    assert total(laid(38.0, 2.0, RING)) == 4.0


def test_what_was_read_dry() -> None:
    """A dry reading speaks for its reach on its own face; wet, unsure and high readings do not."""
    faces = pd.DataFrame(
        {"chainage_from_m": [0.0, 5.0], "chainage_to_m": [5.0, 10.0]}, index=["B1:F1", "B1:F2"]
    )
    rows = [
        ("F1", 1.0, 0.1, "dry"), ("F1", 2.0, 0.1, "wet"), ("F1", 4.8, 0.1, "dry"),
        ("F2", 6.0, 1.5, "dry"), ("F2", 8.0, 0.1, "not known"), ("F2", 8.0, 0.3, "dry"),
    ]  # fmt: skip
    readings = pd.DataFrame(rows, columns=["face", "chainage_m", "height_m", "wet"]).assign(
        ring_key="B1", side="inside", status="joined", control=False
    )
    found = read_dry(readings, faces, {("B1", "inside"): [(1.4, 2.6)]}, reach_m=0.5, highest_m=0.6)
    spans = np.array(found["B1", "inside"]).round(2).tolist()
    assert spans == [[0.5, 1.4], [4.3, 5.0], [7.5, 7.75], [8.25, 8.5]]


# --- pairing ------------------------------------------------------------------------------------------


def candidate(cause: str, of_id: str, *spans: tuple[float, float]) -> Candidate:
    """A candidate that would wet these lengths of the inside."""
    reach = tuple(Reach(ring_key="B1", side="inside", from_m=a, to_m=b, basis="levels") for a, b in spans)
    return Candidate(cause=cause, of_id=of_id, stretch_id="W1", path="", reach=reach)


def wall(*, side: str = "inside", solid: bool = False, open_ids: tuple[str, ...] = ()) -> Wall:
    """The wall at a stretch from 2 to 9 m."""
    return Wall(
        stretch_id="W1", ring_key="B1", side=side, ring_m=RING, wet=((2.0, 9.0),), solid=solid,
        open_ids=open_ids, peak_m=4.0,
    )  # fmt: skip


def paired(
    at: Wall, raised: dict[str, tuple[str, ...]], *candidates: Candidate, decided: tuple[str, ...] = ()
) -> Paired:
    """Pair candidates, each with codes of its own."""
    every = [
        Raised(code=code, stretch_id="W1", candidate=key) for key, codes in raised.items() for code in codes
    ]
    supports = weigh(lay_board(candidates, every, weights=SHIPPED))
    accepted = [each.key for each in supports if each.holds] + list(decided)
    return pair(supports, at, accepted=accepted, decided=decided, weights=SHIPPED)


GULLY = {"S01:G1": ("NEAR", "SEEN")}


def test_a_source_and_a_route_that_meet_wet_what_they_share() -> None:
    """A gully that floods 3-6 m and a floor that touches 4-9 m wet 4-6 m between them."""
    found = paired(
        wall(),
        GULLY | {"S11": ("SEEN", "LEV+")},
        candidate("S01", "G1", (3.0, 6.0)),
        candidate("S11", "", (4.0, 9.0)),
    )
    assert [(one.source, one.route, one.way) for one in found.pairs] == [("S01:G1", "S11", BY_ROUTE)]
    assert found.predicted == {"S01:G1": ((4.0, 6.0),)}
    assert not found.questions


def test_a_route_open_by_level_is_a_way_in() -> None:
    """Levels that show a floor can be reached are enough, even where the route is only possible."""
    found = paired(
        wall(),
        GULLY | {"S11": ("LEV+",)},
        candidate("S01", "G1", (3.0, 6.0)),
        candidate("S11", "", (4.0, 9.0)),
    )
    assert [(one.route, one.by_level) for one in found.pairs] == [("S11", True)]


def test_halves_ask_for_the_other_half() -> None:
    """A source without a way in asks where to open up; a route without a source asks what feeds it."""
    source = paired(wall(), GULLY, candidate("S01", "G1", (3.0, 6.0)))
    assert [one.key for one in source.questions] == ["S01:G1"]
    assert "chainage 4.0 m" in source.questions[0].said
    assert not source.predicted
    route = paired(wall(), {"S12:C1": ("SEEN", "LEV+")}, candidate("S12", "C1", (3.0, 4.0)))
    assert "What feeds debris across the cavity C1?" in route.questions[0].said
    apart = paired(
        wall(),
        GULLY | {"S11": ("SEEN", "LEV+")},
        candidate("S01", "G1", (2.0, 3.0)),
        candidate("S11", "", (7.0, 9.0)),
    )
    assert not apart.pairs
    assert {one.key for one in apart.questions} == {"S01:G1", "S11"}


def test_what_needs_no_route() -> None:
    """The ground feeds itself, rain brings its way in, an open face lets it into a solid wall, a face is a face."""
    ground = paired(wall(), {"S08": ("SEEN", "LEV+")}, candidate("S08", "", (6.0, 8.0)))
    assert [(one.source, one.route, one.way) for one in ground.pairs] == [("", "S08", BY_ITSELF)]
    assert ground.predicted == {"S08": ((6.0, 8.0),)}
    rain = paired(wall(), {"S13": ("NEAR", "TEST+")}, candidate("S13", "", (3.0, 4.0)))
    assert [one.way for one in rain.pairs] == [BY_ITSELF]
    solid = paired(wall(solid=True, open_ids=("O1",)), GULLY, candidate("S01", "G1", (3.0, 6.0)))
    assert [(one.way, one.rests_on) for one in solid.pairs] == [(BY_OPEN_LEAF, ("O1",))]
    assert not paired(wall(solid=True), GULLY, candidate("S01", "G1", (3.0, 6.0))).pairs
    assert [one.way for one in paired(wall(side="outside"), GULLY, candidate("S01", "G1")).pairs] == [
        AT_THE_FACE
    ]


def test_ground_over_a_course_wets_all_of_its_length() -> None:
    """A pool against part of high ground comes in by it, and the rest of the high ground is wet as well."""
    found = paired(
        wall(),
        {"S09": ("SEEN", "NEAR", "OUT"), "S08": ("SEEN", "LEV+")},
        candidate("S09", "", (3.0, 4.0)),
        candidate("S08", "", (2.5, 6.0)),
    )
    assert [(one.source, one.route) for one in found.pairs] == [("S09", "S08")]
    assert found.predicted == {"S09": ((3.0, 4.0),), "S08": ((2.5, 6.0),)}


def test_what_a_person_accepted_counts_with_its_own_reach() -> None:
    """A cause accepted by hand explains what it would wet, and still asks for its way in."""
    found = paired(wall(), {"S01:G1": ("NEAR",)}, candidate("S01", "G1", (3.0, 6.0)), decided=("S01:G1",))
    assert found.predicted == {"S01:G1": ((3.0, 6.0),)}
    assert [one.key for one in found.questions] == ["S01:G1"]


# --- decisions ----------------------------------------------------------------------------------------


def decision(
    name: str,
    state: str,
    at: str = "",
    *,
    cause: str = "S01",
    of_id: str = "G1",
    span: tuple[float, float] = (2.0, 4.0),
) -> Hypothesis:
    """A decision on the inside."""
    return Hypothesis(
        id=name, side="inside", cause=cause, of_id=of_id, state=state, reason=f"because {name}", decided_at=at,
        decided_by="surveyor", because_ids="r1 r2", chainage_from_m=span[0], chainage_to_m=span[1],
    )  # fmt: skip


def here(*records: Hypothesis, from_m: float = 3.0, to_m: float = 5.0) -> tuple[Decision, ...]:
    """Decisions that speak of a stretch of the inside of ring B1."""
    rings = {record.id: "B1" for record in records}
    return decisions_at(
        records, ring_key_of=rings, ring_key="B1", side="inside", from_m=from_m, to_m=to_m, ring_m=RING
    )


def supports_of(*raised: str) -> tuple[Support, ...]:
    """One gully with codes."""
    codes = [Raised(code=code, stretch_id="W1", candidate="S01:G1") for code in raised]
    return weigh(lay_board([candidate("S01", "G1")], codes, weights=SHIPPED))


def test_the_latest_decision_holds_and_nothing_is_lost() -> None:
    """Decisions are kept in order of time, not of filing; the last of a cause holds."""
    first = decision("H1", "set_aside", "2026-05-02T10:00:00+01:00")
    later = decision("H2", "accepted", "2026-05-02T09:30:00+00:00")
    before = decision("H3", "put_forward", "2026-05-01T12:00:00+01:00")
    found = here(first, later, before)
    assert [one.id for one in found] == ["H3", "H1", "H2"]
    assert standing(found)["S01:G1"].state == "accepted"


def test_a_decision_speaks_only_where_it_overlaps() -> None:
    """Another side, another wall, or a length that only touches is not meant; one through the origin is."""
    assert not here(decision("H1", "accepted", span=(1.0, 3.0)))
    assert here(decision("H1", "accepted", span=(39.0, 3.1)))
    assert here(decision("H1", "accepted", span=(0.5, 1.0)), from_m=39.0, to_m=0.6)


def test_decisions_change_what_is_accepted_and_never_the_points() -> None:
    """Set aside is out, accepted by hand is in, reopened is as computed; points and word stay."""
    strong, weak = supports_of("NEAR", "SEEN"), supports_of("NEAR")
    assert accepted_causes(strong, ()) == (["S01:G1"], [])
    assert accepted_causes(weak, ()) == ([], [])
    aside, accepted, again = (here(decision("H1", state)) for state in ("set_aside", "accepted", "reopened"))
    assert accepted_causes(strong, aside) == ([], [])
    assert accepted_causes(weak, accepted) == (["S01:G1"], ["S01:G1"])
    assert accepted_causes(strong, again) == (["S01:G1"], [])
    assert accepted_causes(weak, again) == ([], [])


def test_what_is_put_forward_is_weighed() -> None:
    """A cause no path was found to is weighed all the same, and says that there is none."""
    made = put_forward(here(decision("H1", "put_forward", cause="S14", of_id="")), [], "W1")
    assert [(one.key, one.stretch_id) for one in made] == [("S14", "W1")]
    assert "no path" in made[0].path
    assert not put_forward(here(decision("H1", "accepted")), [candidate("S01", "G1")], "W1")
