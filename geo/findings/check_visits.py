"""What was done on site: litres against rate and time, valves against their run, leave against holes."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from geo.errors import Problem
from geo.findings.check_dates import after
from geo.findings.check_said import at
from geo.findings.trial_amounts import clashes, trial_amounts
from geo.site.model import Site

SHEET_FACES = ("room_face", "wall_face", "both_faces")


def trial_litres(site: Site) -> Iterator[Problem]:
    """Hold litres written down against rate by time, and the seconds to show against the test's length."""
    trials = site.table("trial")
    if trials.empty:
        return
    yield from _faces_of_a_sheet(site, trials)
    amounts = trial_amounts(trials, ref=site.reference)
    for name in trials.index[clashes(amounts, ref=site.reference)]:
        row = amounts.loc[name]
        yield at(
            site,
            str(name),
            "volume_l",
            "trial",
            found=f"{row['litres']:.0f} l are written down, and {row['rate_l_s']:.2g} l/s for"
            f" {row['minutes']:.1f} min gives {row['by_rate_l']:.0f} l",
            allowed="litres that rate and time give, within their errors",
            mend="Look at the bucket, its seconds, start and stop; leave volume_l blank if not measured.",
            severity="warning",
        )
    seconds = 60.0 * (amounts["minutes"] + 2.0 * amounts["minutes_sigma"])
    # Water may still come after the hose is shut: an hour more is taken for granted.
    late = amounts["stops_s"].notna() & (trials["shown_after_s"] > seconds + 3600.0)
    for name in trials.index[late]:
        yield at(
            site,
            str(name),
            "shown_after_s",
            "trial",
            found=f"it showed after {trials.loc[name, 'shown_after_s']:.0f} s of a test of"
            f" {amounts.loc[name, 'minutes']:.0f} min",
            allowed="seconds from the start of the test",
            mend="Write seconds, not a time of day.",
            severity="warning",
        )


def _faces_of_a_sheet(site: Site, trials: pd.DataFrame) -> Iterator[Problem]:
    """Refuse the wet face of a sheet as what came of any other test."""
    wrong = trials["shown"].isin(SHEET_FACES) & (trials["trial_kind"] != "sheet")
    for name in trials.index[wrong]:
        yield at(
            site,
            str(name),
            "shown",
            "trial",
            found=f"{trials.loc[name, 'shown']}, of a test that is no sealed sheet",
            allowed="shown, not_shown or stopped; the faces are those of a sheet",
            mend="Write what came of it.",
        )


def fittings(site: Site) -> Iterator[Problem]:
    """Ask of each valve, pump or trap that it lies within the length of its run."""
    lengths = {
        run.id: run.geometry.length
        for run in site.of("run")
        if run.geometry is not None and not run.geometry.is_empty
    }
    most = site.reference.value("input.run_end_m")
    for record in site.of("fitting"):
        where, length = getattr(record, "at_m", None), lengths.get(getattr(record, "run_id", ""))
        if where is not None and length is not None and where > length + most:
            yield at(
                site,
                record.id,
                "at_m",
                "fitting",
                found=f"{where:g} m is past the end of {getattr(record, 'run_id', '')}, {length:.1f} m long",
                allowed=f"0 to {length:.1f} m from its upstream end",
                mend="Count from the upstream end, or draw the whole run.",
            )


def leave(site: Site) -> Iterator[Problem]:
    """Note holes opened without leave that was given, or before it was."""
    consents = {record.id: record for record in site.of("consent")}
    for record in site.of("opening_up"):
        named = getattr(record, "consent_id", "")
        consent = consents.get(named)
        opened = getattr(record, "opened_at", "")
        given = getattr(consent, "given_on", "")
        state = getattr(consent, "state", "")
        if not named:
            found = "no consent is named for this opening"
        elif consent is None:
            continue  # said where ids are held against records
        elif state != "given":
            found = f"{named} is {site.reference.word('consent_state', state)}, not given"
        elif (purpose := getattr(consent, "consent_for", "")) not in ("opening_up", "drilling"):
            found = f"{named} is for {site.reference.word('consent_for', purpose)}"
        elif after(given, opened):
            found = f"{named} was given on {given}, after the opening of {opened}"
        else:
            continue
        yield at(
            site,
            record.id,
            "consent_id",
            "opening_up",
            found=found,
            allowed="a consent for opening up, given before",
            mend="Get leave before opening, and record who gave it, by role, and when.",
            severity="warning",
        )
