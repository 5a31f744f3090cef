"""Points, caps and words of causes, and the file they come from."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geo import weights
from geo.errors import InputError
from geo.evidence.kinds import Candidate, Raised
from geo.evidence.ledger import weights_of
from geo.evidence.robust import steadiness
from geo.evidence.support import Support, weigh
from geo.evidence.support_board import lay_board, raw_points
from geo.findings.trials import not_stopped
from geo.site.drain_records import Gully, Run
from geo.site.folder import read_site, try_site, write_site
from geo.store.changes import PutFile
from geo.store.store import Store

STATUSES = {
    "CONFIRMED", "CONFIRMED-2", "CORROBORATED", "FROM MEMORY", "COMMON PRACTICE", "JUDGEMENT", "SETTING"
}  # fmt: skip
SHIPPED = weights.default()


def one(cause: str, *codes: str, of_id: str = "", lacks: dict[str, tuple[str, ...]] | None = None) -> Support:
    """Weigh one cause with codes of its own; a test rests on trial T1, poured into the cause's record."""
    candidate = Candidate(cause=cause, of_id=of_id, stretch_id="W1", path="")
    raised = [Raised(code=code, stretch_id="W1", candidate=candidate.key, rests_on=("T1",)) for code in codes]
    return weigh(lay_board([candidate], raised, weights=SHIPPED), lacks=lacks)[0]


# --- words and caps ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cause", "codes", "points", "word"),
    [
        # Sums by hand from the table of points; words by the bounds 8, 4, 1, -1, -4.
        ("S01", ("NEAR", "SEEN", "CAV", "USE"), 8, "well supported"),
        ("S01", ("NEAR", "SEEN"), 4, "supported"),
        ("S01", ("NEAR", "HIGH"), 0, "open"),
        ("S01", ("NEAR",), 2, "possible"),
        ("S01", ("CAV", "USE", "ORG"), 3, "possible, not examined"),
        ("S01", ("FAR",), -2, "unlikely"),
        ("S01", ("FAR", "HIGH"), -4, "contradicted"),
        ("S01", ("NEAR", "SOUND", "TEST-"), -2, "excluded"),
        ("S01", ("NEAR", "USE", "CAV", "SOUND"), 0, "open"),
        ("S04", ("NEAR", "SEEN", "RAIN", "LEV-"), -1, "unlikely"),
        ("S01", ("NEAR", "SEEN", "CAV", "USE", "DRYCORE"), -1, "unlikely"),
        ("S15", ("SEEN", "DRYCORE", "COLD"), 8, "well supported"),
        # No way leads there: uphill of what runs over the ground, and too far to be soaked; a run's leak is
        # under it. Far off with no way known it is no more than possible, unless a test or a level shows one.
        ("S02", ("UP", "SEEN", "OUT", "RAIN"), -1, "unlikely"),
        ("S02", ("UP", "NEAR", "SEEN", "OUT"), 5, "supported"),
        ("S05", ("UP", "SEEN", "BASE", "RAIN", "ORG"), 4, "supported"),
        ("S05", ("FAR", "UP", "SEEN", "BASE", "CAV", "ORG"), -1, "unlikely"),
        ("S02", ("FAR", "SEEN", "OUT", "RAIN"), 3, "possible"),
        ("S02", ("FAR", "SEEN", "OUT", "RAIN", "TEST+"), 7, "supported"),
        ("S06", ("FAR", "SEEN", "CAV", "USE", "LEV+"), 7, "supported"),
    ],
)
def test_points_caps_and_words(cause: str, codes: tuple[str, ...], points: float, word: str) -> None:
    """Groups are added, caps go before points, and the word follows."""
    found = one(cause, *codes)
    assert (found.points, found.word) == (points, word)


def test_only_the_largest_of_a_group_counts() -> None:
    """Evidence of one group is one thing: the largest plus and the largest minus count, the rest is told."""
    found = one("S10", "BASE", "BAND", "EDGE", "SEEN")
    assert found.raw == 2 - 1 + 2
    assert [each.code for each in found.speaks_for if each.counted] == ["BASE", "SEEN"]
    assert [each.code for each in found.speaks_for if not each.counted] == ["BAND"]
    assert [each.code for each in found.speaks_against] == ["EDGE"]


def test_a_code_raised_twice_counts_once() -> None:
    """Two methods that see the same are told both and counted once."""
    candidate = Candidate(cause="S01", of_id="", stretch_id="W1", path="")
    twice = [Raised(code="BASE", stretch_id="W1", because=method) for method in ("pins", "carbide")]
    found = weigh(lay_board([candidate], twice, weights=SHIPPED))[0]
    assert found.raw == 1
    assert [each.because for each in found.speaks_for] == ["pins", "carbide"]


def test_caps_say_why_and_whether_they_bit() -> None:
    """Every cap that holds is told, in order; only one that lowered the points bites."""
    found = one("S04", "NEAR", "SEEN", "CAV", "RAIN", "TEST-", "LEV-")
    assert [(cap.name, cap.most, cap.bites) for cap in found.caps] == [
        ("test_negative", 0, True),
        ("level_no", -1, True),
    ]
    assert all(cap.because for cap in found.caps)


def test_a_negative_test_does_not_close_a_way_in() -> None:
    """A test that showed nothing clears what was tested, not the floor the water did not come to."""
    assert one("S11", "SEEN", "LEV+", "FLED", "TEST-").points == 2 + 2 + 3 - 1
    assert one("S01", "SEEN", "NEAR", "CAV", "TEST-").points == 0


# --- proof ------------------------------------------------------------------------------------------


def test_proven_needs_a_test_that_lacks_nothing() -> None:
    """Colour, time, a picture from before and dry rivals prove; a test that lacks one says which."""
    assert one("S01", "TEST+", lacks={"T1": ()}).word == "proven"
    short = one("S01", "TEST+", "NEAR", lacks={"T1": ("a photograph from before",)})
    assert short.word == "supported"
    assert "Not proven: test T1 lacks a photograph from before." in short.told


def test_a_test_without_coloured_water_proves_nothing() -> None:
    """A spray or a pressure test supports; it is not in the list of those that can prove."""
    found = one("S13", "TEST+", "NEAR", lacks={})
    assert found.word == "supported"
    assert any("only coloured water" in said for said in found.told)


def test_a_contradiction_is_told() -> None:
    """A test that showed what was found sound is not called excluded nor proven, and the clash is said."""
    found = one("S01", "TEST+", "TEST-", "SOUND", lacks={"T1": ()})
    assert found.word not in ("proven", "excluded")
    assert any("find out which is wrong" in said for said in found.told)


# --- what depends on records ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cause", "record", "codes", "points"),
    [
        ("S01", Gully(id="X", takes="waste"), ("NEAR", "USE"), 4),
        ("S01", Gully(id="X", takes="rain"), ("NEAR", "USE"), 1),
        ("S01", Gully(id="X", takes="rain"), ("NEAR", "RAIN"), 4),
        ("S01", Gully(id="X", takes="both"), ("NEAR", "RAIN"), 3),
        ("S05", Run(id="X", use="surface"), ("NEAR", "RAIN"), 2),
        ("S05", Run(id="X", use="surface"), ("NEAR", "USE"), 1),
        ("S05", Run(id="X", use="foul"), ("NEAR", "RAIN"), 1),
        ("S05", Run(id="X", use="foul"), ("NEAR", "USE"), 2),
    ],
)
def test_what_a_gully_takes_decides_what_it_can_follow(
    cause: str, record: Gully | Run, codes: tuple[str, ...], points: float
) -> None:
    """A gully of rain follows rain, not use; a surface-water run likewise; a foul run follows use."""
    candidate = Candidate(cause=cause, of_id="X", stretch_id="W1", path="")
    raised = [Raised(code=code, stretch_id="W1", candidate=candidate.key) for code in codes]
    board = lay_board([candidate], raised, weights=SHIPPED, record_of={"X": record})
    assert weigh(board)[0].points == points


def test_own_tests_do_not_clear_the_neighbour() -> None:
    """Water poured on one's own side says nothing of the other; poured into the shared thing itself, it does."""
    candidate = Candidate(cause="S19", of_id="D9", stretch_id="W1", path="")
    raised = [
        Raised(code=code, stretch_id="W1", candidate="S19:D9", rests_on=rests)
        for code, rests in (("NEAR", ()), ("TEST-", ("T1",)))
    ]
    own, shared = (
        weigh(lay_board([candidate], raised, weights=SHIPPED, source_of={"T1": source}))[0]
        for source in ("G1", "D9")
    )
    assert (own.points, shared.points) == (2, 0)


# --- robustness --------------------------------------------------------------------------------------


def test_a_leader_alone_holds_and_a_tie_does_not() -> None:
    """Far ahead a leader holds in every draw; level with another it holds in less than half."""
    pair = [Candidate(cause="S01", of_id=name, stretch_id="W1", path="") for name in ("G1", "G2")]
    ahead = [
        Raised(code=code, stretch_id="W1", candidate="S01:G1") for code in ("NEAR", "SEEN", "TEST+", "LEV+")
    ]
    found = steadiness(lay_board(pair, ahead, weights=SHIPPED))["W1"].feed
    assert found is not None
    assert (found.held, found.of, found.clear) == (500, 500, True)
    level = [Raised(code="NEAR", stretch_id="W1", candidate=one.key) for one in pair]
    tied = steadiness(lay_board(pair, level, weights=SHIPPED))["W1"].feed
    assert tied is not None
    assert (tied.held, tied.clear, tied.level_with) == (0, False, ("S01:G2",))
    assert tied.said.startswith("No clear leader")


def test_many_sets_of_points_add_up_as_one_does() -> None:
    """The points in force, given as one draw among others, give what they give alone."""
    random = np.random.default_rng(3)
    causes = [cause.key for cause in SHIPPED.causes]
    candidates = [Candidate(cause=cause, of_id="", stretch_id="W1", path="") for cause in causes]
    raised = [
        Raised(code=code.key, stretch_id="W1", candidate=cause)
        for cause in causes
        for code in SHIPPED.codes
        if random.random() < 0.4
    ]
    board = lay_board(candidates, raised, weights=SHIPPED)
    cube = np.stack([SHIPPED.points.T] * 3, axis=2)
    cube[:, :, 1] += 1
    found = raw_points(board, cube)
    assert (found[:, 0] == raw_points(board)).all()
    assert (found[:, 2] == found[:, 0]).all()
    assert (found[:, 1] != found[:, 0]).any()


# --- the file ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", SHIPPED.numbers)
def test_a_number_is_traceable(key: str) -> None:
    """A number without a unit, a source and an honest status may not be used."""
    number = SHIPPED.limit(key)
    assert number.unit
    assert number.source
    assert number.status in STATUSES


def test_every_code_has_a_group_and_every_cause_its_points() -> None:
    """Twenty-one causes and twenty-nine codes, none without a place."""
    assert len(SHIPPED.causes) == 21
    assert len(SHIPPED.codes) == 29
    assert {code.group for code in SHIPPED.codes} == set(SHIPPED.groups)
    assert (np.abs(SHIPPED.points).sum(axis=1) > 0).all()
    for test in SHIPPED.tests.values():
        assert set(test.splits) <= set(SHIPPED.cause_of)
        assert set(test.settles) <= set(SHIPPED.column_of)


def test_a_practice_changes_what_it_names() -> None:
    """Its file replaces the values it names, says from what to what, and leaves the rest."""
    own = SHIPPED.with_changes(
        b'[points.S01]\nNEAR = 1\n"LEV-" = -3\n[caps]\nsound = { value = -1 }\n[words]\nsupported = 5\n'
        b'[code.EDGE]\ngroup = "floor"\n[test.camera]\nminutes = 60\n',
        name="practice.toml",
    )
    assert [(each.key, each.was, each.now) for each in own.changed] == [
        ("points.S01.NEAR", "2", "1"),
        ("points.S01.LEV-", "-2", "-3"),
        ("caps.sound", "0", "-1"),
        ("words.supported", "4", "5"),
        ("code.EDGE.group", "profile", "floor"),
        ("test.camera.minutes", "45", "60"),
    ]
    assert own.limit("caps.sound").changed_by == "practice.toml"
    assert own.number("caps.not_examined") == SHIPPED.number("caps.not_examined")
    candidate = Candidate(cause="S01", of_id="", stretch_id="W1", path="")
    near = [Raised(code="NEAR", stretch_id="W1")]
    assert weigh(lay_board([candidate], near, weights=own))[0].points == 1
    assert weigh(lay_board([candidate], near, weights=SHIPPED))[0].points == 2


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"[points.S99]\nNEAR = 1\n", "no such cause or code"),
        (b"[points.S01]\nNAER = 1\n", "no such cause or code"),
        (b'[points.S01]\nNEAR = "1"\n', "is not a number"),
        (b"[points.S01]\nNEAR = 50\n", "50"),
        (b"[points.S01]\nNEAR = nan\n", "nan"),
        (b"[points.S01]\nNEAR = true\n", "is not a number"),
        (b"[caps]\nsuond = 0\n", "no such entry"),
        (b'[code.EDGE]\ngroup = "flor"\n', "is no group"),
        (b"[words]\nsupported = 9\n", "supported 9"),
        (b"[test.camera]\nsensitivity = 1.5\n", "1.5"),
        (b'[test.camera]\ndo = "x"\n', "no such entry"),
        (b"[cause.S01]\nkind = 'mimic'\n", "no such entry"),
        (b"points = 3\n", "no such cause or code"),
        (b"[points\n", "not readable as TOML"),
        (b"\xff\xfe", "not readable as TOML"),
    ],
)
def test_a_wrong_file_is_refused_with_a_sentence(content: bytes, found: str) -> None:
    """What cannot be used is said with its key, what it may be and the way out; nothing is half changed."""
    with pytest.raises(InputError) as caught:
        SHIPPED.with_changes(content)
    assert len(caught.value.problems) == 1
    problem = caught.value.problems[0]
    assert found in problem.found
    assert problem.allowed
    assert problem.mend


def test_a_sites_own_file_is_checked_with_the_site_and_kept(tmp_path: Path) -> None:
    """A folder's evidence.toml is read with it, written back byte for byte, and refused where it is wrong."""
    site, _ = try_site(Path("demo_sites/three_cottages"))
    assert site is not None
    write_site(site, tmp_path / "own")
    (tmp_path / "own/evidence.toml").write_bytes(b"[points.S01]\nNEAR = 1\n")
    read, problems = try_site(tmp_path / "own")
    assert read is not None
    assert not [said for said in problems if said.file == "evidence.toml"]
    write_site(read, tmp_path / "again")
    assert (tmp_path / "again/evidence.toml").read_bytes() == b"[points.S01]\nNEAR = 1\n"
    (tmp_path / "own/evidence.toml").write_bytes(b"[points.S01]\nNAER = 1\n")
    _, problems = try_site(tmp_path / "own")
    assert [(said.file, said.severity) for said in problems if said.file == "evidence.toml"] == [
        ("evidence.toml", "error")
    ]


def test_the_workspace_keeps_a_sites_own_file_and_refuses_a_wrong_one(store: Store) -> None:
    """A practice's points go into the workspace byte for byte, count there, and change the data version."""
    site_id = store.take_in(read_site(Path("demo_sites/three_cottages")), by="surveyor")
    before = store.site(site_id).digest
    own = b"[points.S01]\nNEAR = 1\n"
    store.save(site_id, [PutFile("evidence.toml", own)], by="surveyor")
    site = store.site(site_id)
    assert site.files["evidence.toml"] == own
    assert site.digest != before
    assert [each.key for each in weights_of(site).changed] == ["points.S01.NEAR"]
    version = store.file_versions(site_id)["evidence.toml"]
    with pytest.raises(InputError, match="no such cause or code"):
        store.save(
            site_id, [PutFile("evidence.toml", b"[points.S01]\nNAER = 1\n", base=version)], by="surveyor"
        )


def test_water_that_passed_two_things_proves_neither_of_them() -> None:
    """Poured into the gully it may have left at its lip or at the run below: a rival was wet at the time.

    With the run found sound the gully is the one left, and is proven.
    """
    gully = Candidate(cause="S01", of_id="G1", stretch_id="W1", path="")
    run = Candidate(cause="S05", of_id="R1", stretch_id="W1", path="")

    def words(*sound: Candidate) -> list[str]:
        showed = [
            Raised(code="TEST+", stretch_id="W1", candidate=each.key, rests_on=("T1",))
            for each in (gully, run)
        ]
        clear = [Raised(code="SOUND", stretch_id="W1", candidate=each.key) for each in sound]
        board = lay_board([gully, run], [*showed, *clear], weights=SHIPPED)
        return [each.word for each in weigh(board, lacks={"T1": ()})]

    assert "proven" not in words()
    assert words(run)[0] == "proven"
    assert words(run)[1] != "proven"


def test_what_nobody_saw_to_leak_is_not_proven_over_a_drain_nobody_found_sound() -> None:
    """Its water went on to the run below: seen broken, or with that run sound, the gully is proven.

    Not by a test that showed beside the stretch only.
    """
    gully = Candidate(cause="S01", of_id="G1", stretch_id="W1", path="")
    run = Candidate(cause="S06", of_id="R1", stretch_id="W1", path="")

    def word(*more: Raised, beside: bool = False) -> str:
        showed = Raised(code="TEST+", stretch_id="W1", candidate=gully.key, rests_on=("T1",), beside=beside)
        board = lay_board([gully, run], [showed, *more], weights=SHIPPED)
        return weigh(board, lacks={"T1": ()}, passed={"T1": frozenset({"R1"})})[0].word

    seen = Raised(code="SEEN", stretch_id="W1", candidate=gully.key)
    clear = Raised(code="SOUND", stretch_id="W1", candidate=run.key)
    assert word() != "proven"
    assert word(seen) == "proven"
    assert word(clear) == "proven"
    assert word(seen, beside=True) != "proven"


def test_a_leak_of_a_run_is_not_told_from_a_stop_in_it_by_water_that_shows() -> None:
    """Roots let water out and hold it up: only where the run was found clear is its leak proven.

    That it may have been stopped is no rival of the stop itself.
    """
    leak = Candidate(cause="S05", of_id="R1", stretch_id="W1", path="")
    stop = Candidate(cause="S06", of_id="R1", stretch_id="W1", path="")

    def words(showed: Candidate, *more: Raised, lacks: tuple[str, ...] = ()) -> list[str]:
        test = Raised(code="TEST+", stretch_id="W1", candidate=showed.key, rests_on=("T1",))
        board = lay_board([leak, stop], [test, *more], weights=SHIPPED)
        return [each.word for each in weigh(board, lacks={"T1": lacks})]

    seen = [Raised(code="SEEN", stretch_id="W1", candidate=each.key) for each in (leak, stop)]
    clear = Raised(code="SOUND", stretch_id="W1", candidate=stop.key)
    assert words(leak, seen[0])[0] != "proven"
    assert words(leak, seen[0], clear)[0] == "proven"
    assert words(leak, seen[0], clear, lacks=(not_stopped("R1"),))[0] != "proven"
    assert words(stop, seen[1], lacks=(not_stopped("R1"),))[1] == "proven"


def test_what_goes_with_one_asset_speaks_for_no_other() -> None:
    """Use of the sink into G1: +2 for G1, nothing for G2, -2 for a downpipe, +2 for pipes nobody recorded."""
    own = [("S01", "G1"), ("S01", "G2"), ("S02", "D1"), ("S14", "")]
    candidates = [Candidate(cause=c, of_id=i, stretch_id="W1", path="") for c, i in own]
    use = Raised(code="USE", stretch_id="W1", goes_with=frozenset({"WP", "G1"}))
    board = lay_board(candidates, [use], weights=SHIPPED)
    assert raw_points(board).tolist() == [2.0, 0.0, -2.0, 2.0]


def test_near_a_run_nobody_traced_is_no_look_at_it() -> None:
    """Points are the same, and what is supposed to lie there was not examined."""
    raised = [Raised(code=code, stretch_id="W1") for code in ("NEAR", "BASE", "USE", "ORG")]
    found = [
        weigh(lay_board([Candidate(cause="S05", of_id="R1", stretch_id="W1", path="", supposed=supposed)],
                        raised, weights=SHIPPED))[0]
        for supposed in (False, True)
    ]  # fmt: skip
    assert [(one.raw, one.word) for one in found] == [(4.0, "supported"), (4.0, "possible, not examined")]
