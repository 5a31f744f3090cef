"""``wallfoot drains`` asked in all its ways: a rate, rain, pours, a high sewer, nothing blocked, JSON."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from geo.cli import app
from geo.errors import InputError
from geo.findings.check import read_checked
from geo.findings.drain_flow import read_pours
from geo.findings.drains import Drains, lay_out_drains
from geo.findings.examine import examine

SITES = Path(__file__).resolve().parents[2] / "demo_sites"


@cache
def laid_out(folder: Path) -> Drains:
    """Lay out the drains of a demo site once for all questions."""
    return lay_out_drains(examine(read_checked(folder)))


@pytest.fixture(autouse=True)
def _once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the command ask the drains laid out before, so that each question takes no second examination."""
    monkeypatch.setattr("geo.findings.examine.examine", lambda site, **_: site)
    monkeypatch.setattr("geo.findings.drains.lay_out_drains", lambda site: laid_out(site.folder))


def run(site: str, *options: str) -> Any:
    """Run the command on a demo site."""
    return CliRunner().invoke(app, ["drains", str(SITES / site), *options])


def answer(site: str, *options: str) -> dict[str, Any]:
    """Return the answer the command prints as JSON."""
    done = run(site, "--json", *options)
    assert done.exit_code == 0, done.output
    document: dict[str, Any] = json.loads(done.stdout)["answer"]
    return document


def test_the_third_pump_out_is_the_first_to_spill() -> None:
    """Four pump-outs of 25 l in 80 s, ten minutes apart: nothing spills until the third has begun.

    Worked by hand in the site's truth: 29.9 l of room, 0.030 l/s through the grease. The third begins 1360 s
    in and ends 1440 s in.
    """
    options = ("--blocked", "RK", "--source", "WP1", "--wait", "600")
    four = answer("old_school", *options, "--pour", "25:80x4")
    assert 1360 / 60 < four["minutes"] < 1440 / 60
    assert "4 × 25 l in 80 s, 600 s between" in four["inflow"]
    two = answer("old_school", *options, "--pour", "25:80", "--pour", "25:80")
    assert two["minutes"] is None  # after two nothing has come up yet


def test_rain_falls_on_the_roofs_that_drain_to_the_stop() -> None:
    """25 mm/h on DP4's 12 m² at 35° is 0.1125 l/s: 12 (1 + tan(35°)/2) 25 / 3600 (A_eff i / 3600)."""
    found = answer("semi_on_a_slope", "--blocked", "SA1", "--rain", "25")
    assert "0.113 l/s" in found["inflow"]
    assert found["minutes"] == pytest.approx(found["litres"] / 0.1125 / 60, rel=0.01)
    short = answer("semi_on_a_slope", "--blocked", "SA1", "--rain", "25", "--minutes", "10")
    assert short["minutes"] is None  # 68 l of the 219 that fit


def test_with_a_source_alone_nothing_is_blocked() -> None:
    """Water put in at GA with nothing stopped runs off down the sewer."""
    found = answer("three_cottages", "--source", "GA")
    assert found["blocked"] == ""
    assert found["verdict"]["word"] == "no spill"


def test_a_high_sewer_is_let_stand_only_when_asked() -> None:
    """Behind the shut valve GK spills with the sewer at its highest, and the text says so."""
    done = run("old_school", "--source", "WP1", "--rate", "0.3", "--surcharged")
    assert done.exit_code == 0, done.output
    assert "nothing blocked, the water outside as high as it has stood" in done.output
    assert "GK, over its lip" in done.output
    assert answer("old_school", "--source", "WP1")["water_outside_at_its_highest"] is False


def test_json_is_one_document_and_nothing_else() -> None:
    """What goes to standard output is JSON alone; cautions go to standard error."""
    done = run("three_cottages", "--json")
    document = json.loads(done.stdout)
    assert document["answer"] is None
    assert {row["blocked"]: row["whose"] for row in document["every_blockage"]}["S3"].startswith("public")
    assert "certifies nothing" in done.stderr


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--blocked", "RX"], "nothing that can be blocked is called 'RX'"),
        (["--blocked", "R1 "], "Did you mean R1?"),
        (["--blocked", "RK", "--source", "ZZ"], "nothing that can be a source of water is called 'ZZ'"),
        (["--rain", "20"], "--blocked ID"),
        (["--source", "GK", "--at", "2"], "name the run with --blocked ID"),
        (["--blocked", "RK", "--rate", "0.2", "--rain", "20"], "choose one"),
        (["--blocked", "RK", "--minutes", "5"], "--rate or --rain"),
        (["--blocked", "RK", "--wait", "5"], "give --pour"),
        (["--blocked", "RK", "--rain", "inf"], "--rain: a plain number"),
        (["--blocked", "RK", "--pour", "a bucket"], "litres:seconds"),
        (["--blocked", "RK", "--pour", "20:0"], "litres:seconds"),
        (["--blocked", "RK", "--pour", "1:1x1001"], "1000 pours at most"),
    ],
)
def test_a_wrong_question_is_refused_in_a_sentence(options: list[str], said: str) -> None:
    """Wrong ids and options that do not go together end with exit 1 and a sentence."""
    done = run("old_school", *options)
    assert done.exit_code == 1
    assert said in done.output
    assert "Traceback" not in done.output


litres = st.integers(1, 500)
seconds = st.integers(1, 3600)


@given(pours=st.lists(st.tuples(litres, seconds, st.integers(1, 5)), min_size=1, max_size=6), wait=seconds)
def test_pours_keep_their_litres_and_their_waits(pours: list[tuple[int, int, int]], wait: int) -> None:
    """Litres in all are those said; each pour begins so long after the one before it ended."""
    inflow = read_pours([f"{v}:{s}x{n}" for v, s, n in pours], wait_s=wait)
    assert inflow.litres == pytest.approx(sum(v * n for v, _, n in pours))
    gaps = [b[0] - a[1] for a, b in zip(inflow.pieces, inflow.pieces[1:], strict=False)]
    assert gaps == pytest.approx([wait] * (sum(n for *_, n in pours) - 1))


@given(said=st.text(max_size=12).filter(lambda said: ":" not in said))
def test_what_has_no_colon_is_no_pour(said: str) -> None:
    """Text without litres and seconds is refused with what it should look like."""
    with pytest.raises(InputError, match="litres:seconds"):
        read_pours([said], wait_s=0.0)
