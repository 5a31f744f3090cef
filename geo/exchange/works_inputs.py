"""The works of a site from its findings: everything they are worked out from, gathered once."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

from geo.drains.setting_out import SettingOut
from geo.drains.soakage import StormDepths, own_depths
from geo.drying.goals import MET, NOT_MET
from geo.drying.report import Drying, drying_of
from geo.errors import GeometryError, InputError, Problem, WallfootError
from geo.evidence.ledger import ledger_of
from geo.evidence.ledger_kinds import Ledger
from geo.exchange.setting_work import setting_out_of
from geo.findings.drains import Drains, lay_out_drains
from geo.findings.examine import Findings
from geo.findings.trials import JudgedTrial, judge_trials
from geo.site.works_records import Rate
from geo.verdict import Verdict
from geo.works.whole import Works, works_of


def works_for(
    found: Findings,
    drains: Drains | None = None,
    *,
    judged: Sequence[JudgedTrial] | None = None,
    ledger: Ledger | None = None,
    drying: Drying | None = None,
    rates: Sequence[Rate] = (),
    rain: StormDepths | None = None,
    setting: SettingOut | None = None,
) -> Works:
    """Work out the works of a site; what is not given is worked out here.

    Drains that cannot be laid out are left out: the rest of the works is measured all the same.

    Raises
    ------
    InputError
        When repairs are recorded as waiting for one another, or the site's own files cannot be used.
    """
    if drains is None:
        drains = _laid_out(found)
    tests = judge_trials(found.site, drains) if judged is None else judged
    causes = ledger_of(found, drains, tests) if ledger is None else ledger
    if drying is None and found.site.of("drying_point"):
        drying = drying_of(found, tests)
    if setting is None:
        setting, _ = setting_out_of(found.site, perimeter=found.perimeter)
    return works_of(
        found, drains, causes, tests, setting=setting, rates=rates, rain=rain, goals=goals_by_reading(drying)
    )  # fmt: skip


def goals_by_reading(drying: Drying | None) -> Mapping[str, Verdict]:
    """Return, for every reading at a drying point, whether that point has reached its goal."""
    if drying is None:
        return {}
    words = {MET: "yes", NOT_MET: "no"}
    points = {each.point_id: each for each in drying.points}
    found: dict[str, Verdict] = {}
    for record in drying.site.of("reading"):
        point = points.get(getattr(record, "point_id", ""))
        if point is not None:
            own = point.verdict
            found[record.id] = Verdict(
                word=words.get(own.word, own.word), because=f"{point.point_id}: {own.because}",
                settle=own.settle, rests_on=own.rests_on,
            )  # fmt: skip
    return found


def read_rain(path: Path) -> StormDepths:
    """Read depths of rain at the place: a CSV with the columns minutes and depth_mm.

    Raises
    ------
    InputError
        When it cannot be read, or a row is no duration with a depth.
    """
    allowed, mend = "minutes and depth_mm, one duration a row", "Correct it."
    try:
        rows = list(csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines()))
        minutes, depth = ([float(row[name]) for row in rows] for name in ("minutes", "depth_mm"))
        return own_depths(minutes, depth_mm=depth, source=path.name)
    except OSError as error:
        found = f"cannot be read ({error.strerror})"
    except UnicodeDecodeError:
        found = "is not UTF-8 text"
    except (KeyError, TypeError):
        found = "has no such column, or a row without a value"
    except ValueError as error:
        found = f"holds no number: {error}"
    except IndexError:
        found = "holds no row"
    except GeometryError as error:
        found = str(error)
    raise InputError([Problem(file=path.name, found=found, allowed=allowed, mend=mend)])


def _laid_out(found: Findings) -> Drains | None:
    try:
        return lay_out_drains(found)
    except WallfootError:
        return None
