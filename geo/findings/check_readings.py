"""Readings, samples, instruments and meters."""

from __future__ import annotations

from collections.abc import Iterator

from geo.errors import Problem
from geo.findings.check_said import at
from geo.findings.trial_amounts import wall_seconds
from geo.moisture.censor import parse_value
from geo.moisture.wetness import spread_of
from geo.site.model import Site


def readings(site: Site) -> Iterator[Problem]:
    """Ask of each reading that it is a number, or off a scale that ends there."""
    for record in site.of("reading"):
        value = getattr(record, "value", "")
        method = site.reference.methods[getattr(record, "method", "")]
        try:
            number, censored = parse_value(value)
        except ValueError:
            yield at(
                site,
                record.id,
                "value",
                "reading",
                found=f"{value!r} is not a reading",
                allowed="a number, or >100 or <6 when off the scale",
                mend="Write a number with a point; write off-scale with > or <.",
            )
            continue
        if censored == "none" and number >= method.scale_max:
            yield at(
                site,
                record.id,
                "value",
                "reading",
                found=f"{number:g} is at or beyond the end of the scale of {method.name}",
                allowed=f"below {method.scale_max:g}, or >{method.scale_max:g}",
                mend=f"If the instrument read full scale, write >{number:g}; it is not a value.",
                severity="warning",
            )


def samples(site: Site) -> Iterator[Problem]:
    """Hold the masses of each sample against each other."""
    for record in site.of("sample"):
        dish = getattr(record, "dish_g", None) or 0.0
        dry, wet = getattr(record, "dry_g", None), getattr(record, "wet_g", None)
        if dry is not None and dry <= dish:
            yield at(
                site,
                record.id,
                "dry_g",
                "sample",
                found=f"{dry:g} g is not above the empty dish, {dish:g} g",
                allowed="masses with the dish",
                mend="Weigh with the dish, or leave dish_g blank.",
            )
        if dry is not None and wet is not None and dry > wet:
            yield at(
                site,
                record.id,
                "dry_g",
                "sample",
                found=f"dry {dry:g} g is above wet {wet:g} g",
                allowed="a dry mass at or below the wet one",
                mend="The two may be the wrong way round.",
            )
        humid = getattr(record, "humid_g", None)
        if dry is not None and humid is not None and humid < dry <= (wet or dry):
            yield at(
                site,
                record.id,
                "dry_g",
                "sample",
                found=f"dry {dry:g} g is above {humid:g} g in damp air",
                allowed="a dry mass at or below the one in damp air",
                mend="The two may be the wrong way round.",
            )


def instruments(site: Site) -> Iterator[Problem]:
    """Note instruments out on their check by more than they scatter, and readings by one never checked."""
    known = {record.id: record for record in site.of("instrument")}
    if not known:
        return
    methods: dict[str, set[str]] = {}
    first: dict[str, str] = {}
    for record in site.of("reading"):
        name = getattr(record, "instrument", "")
        methods.setdefault(name, set()).add(getattr(record, "method", ""))
        first.setdefault(name, record.id)
    for name, record in known.items():
        wanted, read = getattr(record, "check_expected", None), getattr(record, "check_read", None)
        spreads = [spread_of(site.reference.methods[method]) for method in sorted(methods.get(name, ()))]
        if wanted is None or read is None or not spreads:
            continue
        if abs(read - wanted) > min(spreads) * (1 + 1e-9):
            yield at(
                site,
                record.id,
                "check_read",
                "instrument",
                found=f"it read {read:g} on a check of {wanted:g}, out by {abs(read - wanted):g}",
                allowed=f"within {min(spreads):g}, what it scatters on one spot",
                mend="Have it checked; keep its readings apart from those of another, and say so.",
                severity="warning",
            )
    for name in methods.keys() - known.keys():
        yield at(
            site,
            first[name],
            "instrument",
            "reading",
            found=f"no check of {name!r} is recorded",
            allowed="an instrument of instruments.csv",
            mend="Add it with what it read on its check block; if it was not checked, say so in its note.",
            severity="warning",
        )


def meters(site: Site) -> Iterator[Problem]:
    """Note a water meter that ran backwards between two readings."""
    table = site.table("meter_reading")
    table = table[table["taken_at"].str.len() >= 10]
    ordered = table.assign(at=wall_seconds(table["taken_at"])).dropna(subset=["at"])
    ordered = ordered.sort_values(["service_id", "at"], kind="stable")
    before = ordered.groupby("service_id", sort=False)["reading_m3"].shift()
    for name in ordered.index[ordered["reading_m3"] < before]:
        yield at(
            site,
            str(name),
            "reading_m3",
            "meter_reading",
            found=f"{ordered.loc[name, 'reading_m3']:g} m³ is below the reading before it, {before[name]:g}",
            allowed="a reading at or above the one before",
            mend="One of the two is a slip, or of another meter: give each its service_id.",
            severity="warning",
        )
