"""What was found of the drying as JSON, as tables, and as lines to read."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from geo.drying.clock import SEEPAGE
from geo.drying.follow import Followed
from geo.drying.report import Drying
from geo.verdict import Measured, Verdict

SLOWEST_FIRST = (
    "point", "where, and how it is read", "now", "goal", "state", "a week", "not before", "latest",
    "what settles it",
)  # fmt: skip


def drying_document(found: Drying) -> dict[str, Any]:
    """Return everything found as one JSON document; not known and without end are null."""
    balance = found.balance
    document: dict[str, Any] = plain(
        {
            "site": found.site.info.name,
            "data": found.site.digest,
            "sentence": summary(found),
            "points": [_point(one) for one in found.points],
            "water": {
                "rows": _rows(balance.rows, "point_id"), "expected": _measured(balance.expected),
                "gone_by_readings": _measured(balance.gone), "collected": _measured(balance.collected),
                "verdict": _verdict(balance.verdict),
            },
            "air": [
                {"at": str(one.at), "place": one.place, "other": one.other,
                 "difference_g_m3": _measured(one.difference), "verdict": _verdict(one.verdict)}
                for one in found.drives
            ],
            "tent_alone_wetter": [{"day": str(one.day.date()), "because": one.because} for one in found.tent],
            "releases": [
                {"place": one.place.name, "trade": one.place.trade, "stretch_ids": one.place.stretch_ids,
                 "point_ids": one.place.point_ids, "verdict": _verdict(one.verdict), "lacks": one.lacks}
                for one in found.releases
            ],
            "before_and_after": _rows(found.pairs, "reading_id"),
            "came_back": found.back,
            "told": found.told,
        }
    )  # fmt: skip
    return document


def summary(found: Drying) -> str:
    """Say in one sentence how the drying stands: what the slowest point says decides."""
    if not found.recorded:
        return "Nothing of drying is on record."
    slow = found.slowest
    if slow is None:
        return "No fixed point is set."
    met = sum(one.verdict.word == "met" for one in found.followed)
    return f"{met} of {len(found.followed)} points meet their goal. Slowest: {slow.sentence}"


def points_table(found: Drying) -> pd.DataFrame:
    """Return the points as people read them, the slowest first, dry references last."""
    methods, z = found.ref.methods, found.ref.value("confidence.z_95")
    rows = []
    for one in found.points:
        current = one.used if one.used is not None and len(one.used) else one.series.current
        outlook, dry = one.outlook, one.verdict.word == "met"
        rows.append(
            {
                "point": one.point_id,
                "where, and how it is read": f"{one.place}; {methods[str(one.record['method'])].name}",
                "now": _now(current),
                "goal": one.goal.said or one.goal.lacks, "state": state_of(one),
                "a week": _change(one, z),
                "not before": one.date_of(outlook.earliest_d) if outlook and not dry else "",
                "latest": "" if dry else _latest(one), "what settles it": one.settle,
            }
        )  # fmt: skip
    return pd.DataFrame(rows, columns=list(SLOWEST_FIRST))


def state_of(one: Followed) -> str:
    """Return the state of a point in a word or two."""
    if one.is_control:
        return "dry reference"
    return "seepage, source open" if one.seepage else one.verdict.word


def water_table(found: Drying) -> pd.DataFrame:
    """Return the litres point by point as people read them."""
    rows = found.balance.rows
    heads = {
        "area_m2": "m²", "thickness_mm": "mm", "density_kg_m3": "kg/m³", "from_percent": "from, %",
        "to_percent": "to, %", "kg_m2": "kg/m²", "expected_l": "to lose, l", "gone_l": "gone by readings, l",
        "lacks": "not recorded",
    }  # fmt: skip
    built = rows[["area_m2", "thickness_mm", "density_kg_m3"]].notna().any(axis=1)
    return rows.loc[built, list(heads)].rename(columns=heads).rename_axis("point").reset_index()


def releases_table(found: Drying) -> pd.DataFrame:
    """Return the places to hand on as people read them."""
    return pd.DataFrame(
        [
            {
                "place": one.place.name, "for the": one.place.trade, "verdict": one.verdict.word,
                "because": one.verdict.because, "it lacks": " ".join(_whole(said) for said in one.lacks),
                "by": ", ".join(one.verdict.rests_on),
            }
            for one in found.releases
        ],
        columns=["place", "for the", "verdict", "because", "it lacks", "by"],
    )  # fmt: skip


def pairs_table(found: Drying) -> pd.DataFrame:
    """Return readings held against those they repeat, as people read them."""
    heads = {
        "before_id": "first reading", "method": "method", "before": "then", "after": "now",
        "days": "days between", "word": "what it shows", "because": "because",
    }  # fmt: skip
    table = found.pairs[list(heads)].rename(columns=heads).rename_axis("reading").reset_index()
    return table.assign(**{"days between": table["days between"].astype(float).round(0)})


def air_table(found: Drying) -> pd.DataFrame:
    """Return which way the air drives, as people read it."""
    z = found.ref.value("confidence.z_95")
    rows = [
        {
            "when": str(one.at)[:16].replace("T", " "),
            "from": _place(found, one.place),
            "to": _place(found, one.other),
            "g/m³": f"{one.difference.value:+.2f} ± {z * one.difference.sigma:.2f}",
            "what it does": one.verdict.word, "because": one.verdict.because,
        }
        for one in found.drives
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["when", "from", "to", "g/m³", "what it does", "because"])


def water_lines(found: Drying) -> list[str]:
    """Return what the litres say, line by line."""
    z, balance = found.ref.value("confidence.z_95"), found.balance
    lines = [f"Water: {balance.verdict.word}; {balance.verdict.because}. {balance.verdict.settle}".rstrip()]
    if math.isfinite(balance.gone.value):
        lines.append(
            f"By the readings {balance.gone.value:.0f} ± {z * balance.gone.sigma:.0f} l are gone so far."
        )
    bare = balance.rows[["area_m2", "thickness_mm", "density_kg_m3"]].isna().all(axis=1)
    if bare.any():
        names = ", ".join(map(str, balance.rows.index[bare]))
        lines.append(f"Not reckoned, without area, thickness and density: {names}.")
    return lines


def drying_tables(found: Drying) -> dict[str, pd.DataFrame]:
    """Return everything as tables to write, by file name."""
    air = [
        {"at": str(one.at)[:16], "from": one.place, "to": one.other, "g_m3": one.difference.value,
         "sigma_g_m3": one.difference.sigma, "verdict": one.verdict.word, "because": one.verdict.because}
        for one in found.drives
    ]  # fmt: skip
    return {
        "drying-points": points_table(found),
        "drying-readings": readings_table(found),
        "drying-water": water_table(found),
        "drying-release": releases_table(found),
        "drying-before-after": pairs_table(found),
        "drying-air": pd.DataFrame(
            air, columns=["at", "from", "to", "g_m3", "sigma_g_m3", "verdict", "because"]
        ),
    }


def readings_table(found: Drying) -> pd.DataFrame:
    """Return every reading of the fixed points with its series, its day and whether it counts."""
    rows = []
    for one in found.points:
        for part in one.series.parts:
            for row, name in enumerate(part.ids):
                at = part.when[row]
                counts = one.clock.running and at >= one.clock.starts
                day = (
                    float((at - one.day_0) / np.timedelta64(1, "D")) if not np.isnat(one.day_0) else math.nan
                )
                rows.append(
                    {
                        "point": one.point_id, "series": part.part, "reading": name, "at": str(at)[:16],
                        "day": day if counts else math.nan, "method": part.method,
                        "instrument": part.instrument, "depth_mm": part.depth_mm,
                        "value": float(part.numbers[row]), "censored": str(part.censored[row]),
                        "sigma": part.sigma, "unit": part.unit,
                        "counts": "dry reference" if one.is_control else "drying" if counts else SEEPAGE,
                    }
                )  # fmt: skip
    columns = ["point", "series", "reading", "at", "day", "method", "instrument", "depth_mm", "value"]
    return pd.DataFrame(rows, columns=[*columns, "censored", "sigma", "unit", "counts"])


def drying_lines(found: Drying) -> list[str]:
    """Return what was found, line by line."""
    lines = [f"{found.site.info.name}: drying", summary(found)]
    if not found.recorded:
        return lines
    lines += ["", "Points, the slowest first"]
    for one in found.points:
        lines.append(f"  {one.sentence}  [{one.place}]")
        if one.settle:
            lines.append(f"      {one.settle}")
        lines += [f"      {rise.word}: {rise.because}" for rise in one.rises]
        lines += [f"      {said}" for said in one.cautions]
    lines += ["", *water_lines(found)]
    if found.drives:
        lines += ["", "Air"]
        lines += [f"  {one.verdict.word}: {one.verdict.because} ({str(one.at)[:10]})" for one in found.drives]
    lines += [f"  {one.day.date()}: {one.because}" for one in found.tent]
    lines += ["", "May it be handed on"]
    for held in found.releases:
        lines.append(f"  {held.place.name}, {held.place.trade}: {held.verdict.word} ({held.verdict.because})")
        lines += [f"      {said}" for said in held.lacks]
    if len(found.pairs):
        lines += ["", "The survey's places read again"]
        lines += [
            f"  {name} against {row['before_id']}: {row['word']} ({row['because']})"
            for name, row in found.pairs.iterrows()
        ]
    lines += [f"  {said}" for said in found.back]
    if found.told:
        lines += ["", *found.told]
    return lines


def plain(value: Any) -> Any:
    """Return a value JSON can hold; not known and without end are null."""
    if isinstance(value, Mapping):
        return {str(key): plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [plain(each) for each in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return int(value) if isinstance(value, np.integer) else value


def _point(one: Followed) -> dict[str, Any]:
    outlook, profile = one.outlook, one.profile
    return {
        "id": one.point_id, "where": one.place, "control": one.is_control, "sentence": one.sentence,
        "settle": one.settle, "verdict": _verdict(one.verdict), "source": _verdict(one.clock.verdict),
        "clock_starts": None if not one.clock.running else str(one.clock.starts)[:16],
        "day_0": None if np.isnat(one.day_0) else str(one.day_0)[:16],
        "goal": {
            "kind": one.goal.kind, "value": one.goal.value, "unit": one.goal.unit, "said": one.goal.said,
            "source": one.goal.source,
        },
        "reading_ids": one.used.ids if one.used is not None else (),
        "trend_a_week": _measured(one.trend), "hmc": _measured(one.hmc),
        "ends_not_rejected": profile.ends if profile else None,
        "time_constant_d": profile.tau_d if profile else None,
        "outlook": None if outlook is None else {
            "word": outlook.word, "not_before_day": outlook.earliest_d,
            "not_before": one.date_of(outlook.earliest_d),
            "latest_day": outlook.latest_d, "latest_known": math.isfinite(outlook.latest_d),
            "not_before_day_with_scatter": outlook.scatter_d, "settling_day": outlook.settle_d,
            "settling_date": one.date_of(outlook.settle_d), "because": outlook.because,
        },
        "rises": [
            {"reading_id": rise.reading_id, "from_id": rise.from_id, "word": rise.word,
             "because": rise.because, "settle": rise.settle, "rise": _measured(rise.rise),
             "beside": rise.beside}
            for rise in one.rises
        ],
        "rebound": _verdict(one.rebound), "told": one.series.told, "cautions": one.cautions,
    }  # fmt: skip


def _verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        "word": verdict.word, "because": verdict.because, "settle": verdict.settle, "margin": verdict.margin,
        "sigma": verdict.sigma, "unit": verdict.unit, "rests_on": verdict.rests_on,
    }  # fmt: skip


def _measured(value: Measured) -> dict[str, float]:
    return {"value": value.value, "sigma": value.sigma}


def _rows(table: pd.DataFrame, name: str) -> list[dict[str, Any]]:
    return [{name: index, **row} for index, row in zip(table.index, table.to_dict("records"), strict=True)]


def _now(series: Any) -> str:
    if series is None or not len(series):
        return ""
    sign = {"above": ">", "below": "<"}.get(str(series.censored[-1]), "")
    return f"{sign}{series.numbers[-1]:.1f} {series.unit}"


def _change(one: Followed, z: float) -> str:
    return f"{one.trend.value:+.1f} ± {z * one.trend.sigma:.1f}" if math.isfinite(one.trend.value) else ""


def _latest(one: Followed) -> str:
    if one.outlook is None or math.isnan(one.outlook.latest_d):
        return ""
    return one.date_of(one.outlook.latest_d) or "not known"


def _place(found: Drying, place: str) -> str:
    return found.ref.word("air_place", place)


def _whole(said: str) -> str:
    return said if said.endswith(".") else f"{said}."
