"""Places, wet stretches and unread wall on a square house whose chainages are plain to see.

The house is 10 m by 10 m, so F1 runs from 0 to 10, F2 to 20, F3 to 30, F4 to 40.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString

from geo import reference
from geo.moisture.coverage import wall_coverage
from geo.moisture.places import wall_places
from geo.moisture.stretches import cut_stretches
from geo.moisture.wetness import score_wetness

REF = reference.default()
CORNERS = np.array([(0.0, 0.0), (0.0, 10.0), (10.0, 10.0), (10.0, 0.0), (0.0, 0.0)])


def square(*, party: tuple[str, ...] = (), **exposure: str) -> gpd.GeoDataFrame:
    """Return the faces of the square house, walked clockwise."""
    faces = ["F1", "F2", "F3", "F4"]
    open_air = [exposure.get(face, "party" if face in party else "free") for face in faces]
    return gpd.GeoDataFrame(
        {
            "ring_key": "B1",
            "building_id": "B1",
            "ring": "",
            "face": faces,
            "chainage_from_m": [0.0, 10.0, 20.0, 30.0],
            "chainage_to_m": [10.0, 20.0, 30.0, 40.0],
            "exposure": open_air,
            "outside": [word != "party" for word in open_air],
        },
        geometry=[LineString(pair) for pair in pairwise(CORNERS)],
        index=pd.Index([f"B1:{face}" for face in faces]),
        crs="EPSG:27700",
    )


def line(ring_key: str, start: float, end: float) -> LineString:
    """Return the wall of the square house between two chainages."""
    end = end if end > start else end + 40
    stops = [start, *[c for c in range(0, 81, 10) if start < c < end], end]
    at = [(s % 40 if s != 40 else 0.0) for s in stops]
    return LineString(
        [
            (np.interp(c, range(0, 41, 10), CORNERS[:, 0]), np.interp(c, range(0, 41, 10), CORNERS[:, 1]))
            for c in at
        ]
    )


def readings(
    wet: list[float],
    dry: list[float] | tuple[float, ...] = (),
    *,
    unsure: tuple[float, ...] = (),
    **more: Any,
) -> pd.DataFrame:
    """Return microwave readings at chainages, wet 90, dry 20, not known 33, over five controls at 20."""
    chainage = [*wet, *dry, *unsure, *[np.nan] * 5]
    value = [90.0] * len(wet) + [20.0] * len(dry) + [33.0] * len(unsure) + [20.0] * 5
    where = np.array(chainage, dtype=float)
    on = np.isfinite(where)
    table = pd.DataFrame(
        {
            "method": "microwave",
            "material": "brick",
            "basis": "",
            "instrument": "M1",
            "value": value,
            "censored": "none",
            "control": ~on,
            "status": np.where(on, "joined", "unjoined"),
            "ring_key": np.where(on, "B1", ""),
            "face": np.where(
                on, np.char.add("F", (np.nan_to_num(where) % 40 // 10 + 1).astype(int).astype(str)), ""
            ),
            "side": "outside",
            "chainage_m": where,
            "height_m": 0.3,
        },
        index=[f"r{i}" for i in range(len(chainage))],
    )
    return table.assign(**more)


def stretches(table: pd.DataFrame, faces: gpd.GeoDataFrame | None = None) -> gpd.GeoDataFrame:
    """Return the wet stretches of the square house."""
    walls = square() if faces is None else faces
    return cut_stretches(table, score_wetness(table, ref=REF), walls, {"B1": 40.0}, line, ref=REF)


def ends(found: gpd.GeoDataFrame) -> list[tuple[float, float]]:
    """Return where stretches begin and end."""
    pairs = zip(found["chainage_from_m"], found["chainage_to_m"], strict=True)
    return [(round(a, 3), round(b, 3)) for a, b in pairs]


def test_neighbouring_wet_places_are_one_stretch() -> None:
    """Wet at 2, 3, 4, dry at 1, 5, 6: one stretch from half way to the dry ones, 1.5 to 4.5."""
    found = stretches(readings([2, 3, 4], [1, 5, 6]))
    assert ends(found) == [(1.5, 4.5)]
    row = found.loc["W1"]
    assert (row["length_m"], row["n"], row["n_wet"], row["highest"]) == (pytest.approx(3.0), 3, 3, "90")
    assert row["peak_excess"] == 14.0
    assert row["reading_ids"] == ("r0", "r1", "r2")
    assert found.crs == "EPSG:27700"
    assert row.geometry.length == pytest.approx(3.0)
    assert (row["building_id"], row["ring"], row["side"]) == ("B1", "", "outside")


@pytest.mark.parametrize(("dry", "unsure"), [((3.0,), ()), ((), (3.0,))])
def test_a_place_between_cuts(dry: tuple[float, ...], unsure: tuple[float, ...]) -> None:
    """A dry place, or one that is not known, between two wet ones cuts the stretch."""
    found = stretches(readings([2, 4], [1, 5, *dry], unsure=unsure))
    assert ends(found) == [(1.5, 2.5), (3.5, 4.5)]


def test_a_stretch_never_runs_through_unread_wall() -> None:
    """Wet every 0.4 m but for 1.5 m without a reading: two stretches, each half a spacing past its last."""
    found = stretches(readings([1.0, 1.4, 1.8, 3.3, 3.7, 4.1]))
    assert ends(found) == [(0.8, 2.0), (3.1, 4.3)]


def test_sparse_readings_speak_only_for_their_reach() -> None:
    """Wet every 3 m: each is a stretch of its own, 0.5 m either side, however even the spacing."""
    found = stretches(readings([2, 5, 8]))
    assert ends(found) == [(1.5, 2.5), (4.5, 5.5), (7.5, 8.5)]


def test_a_stretch_goes_through_the_origin() -> None:
    """Wet at 39.4, 39.9, 0.4: one stretch through chainage 0, its beginning above its end."""
    found = stretches(readings([39.4, 39.9, 0.4], [38.9, 0.9]))
    assert ends(found) == [(39.15, 0.65)]
    assert found.loc["W1", "length_m"] == pytest.approx(1.5)
    assert found.loc["W1"].geometry.length == pytest.approx(1.5)
    assert found.loc["W1", "reading_ids"] == ("r2", "r0", "r1")


def test_a_reach_ends_at_the_corner() -> None:
    """9.2 reaches 9.7 and 10.1 no further back than 10: 0.3 m by the corner is unread, so two stretches."""
    found = stretches(readings([9.2, 10.1, 10.9], [8.3, 11.7]))
    assert len(found) == 2
    near = stretches(readings([9.6, 10.4], [8.8, 11.2]))
    assert ends(near) == [(9.2, 10.8)]


def test_a_party_wall_is_never_crossed_from_outside() -> None:
    """With F2 only 0.1 m of party wall, wet at both its ends are two stretches outside and one inside."""
    faces = square()
    faces["chainage_to_m"] = [10.0, 10.1, 20.1, 40.0]
    faces["chainage_from_m"] = [0.0, 10.0, 10.1, 20.1]
    faces["outside"] = [True, False, True, True]
    table = readings([9.7, 10.4], [9.2, 10.9]).assign(face=["F1", "F3", "F1", "F3", *[""] * 5])
    assert len(stretches(table, faces)) == 2
    assert len(stretches(table.assign(side="inside"), faces)) == 1


def test_the_whole_ring_wet_is_one_closed_stretch() -> None:
    """Wet every 0.5 m all round: one stretch of 40 m."""
    found = stretches(readings(np.arange(0.25, 40, 0.5).tolist()))
    assert ends(found) == [(0.0, 40.0)]
    assert found.loc["W1", "length_m"] == 40.0


def test_the_highest_reading_at_a_place_stands() -> None:
    """Dry at 1.2 m does not make a place dry that is wet at 0.1 m, and heights are never averaged."""
    table = pd.concat(
        [readings([2.0], [1.0, 3.0]), readings([2.05], ()).assign(value=20.0, height_m=1.2)[:1]]
    )
    table.index = [f"q{i}" for i in range(len(table))]
    found = stretches(table)
    assert found[["n", "n_wet", "n_places"]].to_numpy().tolist() == [[2, 1, 1]]


def test_a_stretch_takes_the_profile_of_its_tallest_place() -> None:
    """Four heights at chainage 2 make a profile; single heights beside it take no part."""
    table = readings([2.0, 2.0, 2.5, 3.0], [2.0, 2.0, 1.5, 3.5])
    table["height_m"] = [0.1, 0.3, 0.1, 0.1, 0.6, 0.9, 0.1, 0.1, *[0.3] * 5]
    row = stretches(table).loc["W1"]
    assert row["profile"] == "highest at the foot, falling"
    assert row["n_places"] == 3
    flat = stretches(readings([2.0, 2.5], [1.5, 3.0])).loc["W1"]
    assert flat["profile"] == "not known"
    assert flat["profile_settle"].startswith("read at")


def test_off_scale_readings_keep_their_sign() -> None:
    """A stretch off the scale has ">100" as its highest and a lower bound as its peak."""
    table = readings([2.0, 2.5], [1.5, 3.0])
    table.loc["r0", ["value", "censored"]] = [100.0, "above"]
    row = stretches(table).loc["W1"]
    assert (row["highest"], row["peak_excess"], row["peak_chainage_m"]) == (">100", 16.0, 2.0)


def test_two_groups_make_two_stretches() -> None:
    """The same wet wall read by two instruments is two stretches, one for each, never one."""
    one = readings([2.0, 2.5], [1.5, 3.0])
    two = one.assign(instrument="M2").set_axis([f"s{i}" for i in range(len(one))])
    found = stretches(pd.concat([one, two]))
    assert found.index.tolist() == ["W1", "W2"]
    assert found["group"].nunique() == 2


def test_no_wet_no_stretch() -> None:
    """Dry walls, or no readings at all, give an empty table with every column."""
    assert stretches(readings([], [1, 2, 3])).empty
    none = stretches(readings([]).iloc[:0])
    assert none.empty
    assert "reading_ids" in none.columns


def test_without_controls_there_are_no_stretches() -> None:
    """Ranks alone call nothing wet, so nothing is drawn as wet."""
    table = readings([2.0, 2.5], [1.5, 3.0])
    assert stretches(table[~table["control"]]).empty


def test_readings_close_together_are_one_place() -> None:
    """0, 0.1 and 5 m are two places; a chain of ten, 0.1 m apart (0.9 m), is cut into six of 0.15 m."""
    table = readings([1.0, 1.1, 5.0])
    assert len(wall_places(table, score_wetness(table, ref=REF).wetness, ref=REF).table) == 2
    chain = readings(np.arange(1.0, 1.95, 0.1).tolist())
    places = wall_places(chain, score_wetness(chain, ref=REF).wetness, ref=REF)
    assert len(places.table) == 6
    assert places.table["n"].sum() == 10


# --- coverage -----------------------------------------------------------------------------------


def covered(
    table: pd.DataFrame, faces: gpd.GeoDataFrame | None = None, unread: list[tuple[Any, ...]] | None = None
) -> tuple[pd.DataFrame, list[tuple[Any, ...]]]:
    """Return the sums by side, and the outside's unread lengths with their reasons."""
    columns = ["ring_key", "side", "chainage_from_m", "chainage_to_m", "state"]
    declared = None if unread is None else pd.DataFrame(unread, columns=columns)
    found = wall_coverage(table, square() if faces is None else faces, unread_lengths=declared, ref=REF)
    outside = found.unread[found.unread["side"] == "outside"]
    pieces = [
        (round(r.chainage_from_m, 3), round(r.chainage_to_m, 3), r.reason) for r in outside.itertuples()
    ]
    return found.coverage.set_index("side"), pieces


def test_a_reading_speaks_for_its_reach() -> None:
    """One reading at 5 m reads 4.5-5.5 of 40 m; the inside is wholly unread. A control reads nothing."""
    sums, pieces = covered(readings([5.0]))
    assert sums.loc["outside", ["readable_m", "read_m", "unread_m"]].tolist() == pytest.approx([40, 1, 39])
    assert sums.loc["inside", ["readable_m", "read_m", "unread_m"]].tolist() == pytest.approx([40, 0, 40])
    assert pieces == [(0.0, 4.5, "not looked"), (5.5, 40.0, "not looked")]
    table = readings([5.0, 20.0])
    table.loc["r1", "control"] = True
    assert covered(table)[0].loc["outside", "read_m"] == pytest.approx(1.0)


def test_a_reading_does_not_read_round_the_corner() -> None:
    """At 9.8 m it reads 9.3-10.0, not 10.3."""
    sums, pieces = covered(readings([9.8]))
    assert sums.loc["outside", "read_m"] == pytest.approx(0.7)
    assert pieces == [(0.0, 9.3, "not looked"), (10.0, 40.0, "not looked")]


def test_party_walls_cannot_be_read_from_outside() -> None:
    """With F2 a party wall 30 m can be read outside and 40 m inside."""
    sums, pieces = covered(readings([5.0]), square(party=("F2",)))
    assert sums["readable_m"].to_dict() == {"outside": 30.0, "inside": 40.0}
    assert pieces == [(0.0, 4.5, "not looked"), (5.5, 10.0, "not looked"), (20.0, 40.0, "not looked")]


def test_declared_lengths_keep_their_own_word() -> None:
    """Units from 6 to 8 m: "no access" there, "not looked" beside; a reach stops where they begin."""
    sums, pieces = covered(readings([5.8]), unread=[("B1", "outside", 6.0, 8.0, "no_access")])
    assert pieces == [(0.0, 5.3, "not looked"), (6.0, 8.0, "no access"), (8.0, 40.0, "not looked")]
    assert sums.loc["outside", "read_m"] == pytest.approx(0.7)


def test_a_reading_taken_inside_a_declared_length_counts() -> None:
    """Somebody read at 7.0 after all: 6.5-7.5 is read, the rest keeps its word; "taken" is no gap."""
    _, pieces = covered(readings([7.0]), unread=[("B1", "outside", 6.0, 8.0, "no_access")])
    assert (6.0, 6.5, "no access") in pieces
    assert (7.5, 8.0, "no access") in pieces
    _, taken = covered(readings([7.0]), unread=[("B1", "outside", 6.0, 8.0, "taken")])
    assert taken == [(0.0, 6.5, "not looked"), (7.5, 40.0, "not looked")]


def test_a_declared_length_may_pass_the_origin() -> None:
    """From 39 to 1 m: two pieces, one at each end of the chainage, and the side it was declared for only."""
    sums, pieces = covered(readings([5.0]), unread=[("B1", "outside", 39.0, 1.0, "not_looked")])
    assert sums.loc["outside", "unread_m"] == pytest.approx(39)
    assert pieces[0][2] == "not looked"
    _, other = covered(readings([5.0]), unread=[("B1", "outside", 39.0, 1.0, "no_access")])
    assert other[0] == (0.0, 1.0, "no access")
    assert other[-1] == (39.0, 40.0, "no access")


def test_slivers_are_not_called_unread() -> None:
    """Readings 1.1 m apart leave 0.1 m between their reaches, which is nobody's gap; 1.2 m leave 0.2."""
    _, pieces = covered(readings([5.0, 6.1]))
    assert pieces == [(0.0, 4.5, "not looked"), (6.6, 40.0, "not looked")]
    _, wider = covered(readings([5.0, 6.2]))
    assert (5.5, 5.7, "not looked") in wider


def test_what_keeps_the_outside_from_being_read_is_named() -> None:
    """Below ground, or with something built against it, the outside says so; the inside does not."""
    _, pieces = covered(readings([5.0]), square(F2="below_ground", F3="abutment"))
    assert (10.0, 20.0, "below ground") in pieces
    assert (20.0, 30.0, "something built against it") in pieces


def test_readings_that_belong_to_no_wall_read_none() -> None:
    """An ambiguous or unjoined reading covers nothing, and no readings leave everything unread."""
    sums, _ = covered(readings([5.0]).assign(status="ambiguous"))
    assert sums["read_m"].sum() == 0
    empty, pieces = covered(readings([]).iloc[:0])
    assert empty["unread_m"].sum() == 80
    assert pieces == [(0.0, 40.0, "not looked")]
