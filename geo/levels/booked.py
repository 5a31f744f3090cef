"""Somebody's own reduction held against what the sights of the book give."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geo.levels.sights import BACK

_ROUNDING_M = 0.0005


def agreement(by_sights: float, by_rises: float, by_levels: float) -> dict[str, Any]:
    """Say whether three counts of one change of level agree within the rounding of a book."""
    ways = (by_sights, by_rises, by_levels)
    fine = max(ways) - min(ways) <= _ROUNDING_M
    named = ("sights", "rises less falls", "last less first level")
    said = ", ".join(f"{name} {way:+.3f} m" for name, way in zip(named, ways, strict=True))
    return {"arithmetic_ok": fine, "arithmetic_because": said if fine else f"{said}: the three must agree"}


def onward_sights(sights: pd.DataFrame) -> pd.DataFrame:
    """Return the one sight of each line that gives it a level, by line label."""
    ranked = sights.assign(last=sights["kind"] != BACK).sort_values("last", kind="stable")
    return ranked.drop_duplicates("line", keep="last").set_index("line")


def differences_booked(book: pd.DataFrame, sights: pd.DataFrame) -> pd.DataFrame:
    """Return where somebody's own rise, fall or level is not what the sights give."""
    columns = ["line", "point", "column", "booked_m", "reduced_m", "said"]
    if not any(str(name).startswith("booked_") for name in book.columns):
        return pd.DataFrame(columns=columns)
    own = onward_sights(sights).reindex(book.index)
    change = own["rise_m"].fillna(-own["fall_m"])
    reduced = {"rise_m": change, "fall_m": -change, "level_m": own["level_m"]}
    rows: list[dict[str, Any]] = []
    for column, given in reduced.items():
        name = f"booked_{column}"
        if name not in book:
            continue
        off = book[name].notna() & given.notna() & ((book[name] - given).abs() > _ROUNDING_M)
        for line in book.index[off]:
            booked, right = float(book.loc[line, name]), float(given[line])
            what = (
                "level"
                if column == "level_m"
                else ("rise" if (column == "rise_m") == (right >= 0) else "fall")
            )
            verb = column.removesuffix("_m")
            size = right if what == "level" else abs(right)
            said = f"booked as a {verb} of {booked:.3f} m; the sights give a {what} of {size:.3f} m"
            rows.append(
                {
                    "line": line,
                    "point": book.loc[line, "point"],
                    "column": name,
                    "booked_m": booked,
                    "reduced_m": right,
                    "said": said,
                }
            )
    return pd.DataFrame(rows, columns=columns)


def with_booked(runs: pd.DataFrame, book: pd.DataFrame, sights: pd.DataFrame) -> pd.DataFrame:
    """Put somebody's own sums in place of ours in the arithmetic check, where they were booked."""
    if not any(str(name).startswith("booked_") for name in book.columns):
        return runs
    out = runs.copy()
    blank = pd.Series(np.nan, index=book.index)
    rise, fall = book.get("booked_rise_m", blank), book.get("booked_fall_m", blank)
    level = book.get("booked_level_m", blank).fillna(book["known_level_m"])
    first_sight = sights.groupby("run")["line"].first()
    for number, run in runs.iterrows():
        onward = sights[(sights["run"] == number) & (sights["kind"] != BACK)]["line"]
        ups, downs = rise[onward].sum(), fall[onward].sum()
        begun, ended = level[first_sight[number]], level[onward.iloc[-1]] if len(onward) else np.nan
        by_sights = run["sum_backsights_m"] - run["sum_foresights_m"]
        by_rises = ups - downs if rise[onward].notna().any() or fall[onward].notna().any() else by_sights
        by_levels = ended - begun if pd.notna(ended) and pd.notna(begun) else by_sights
        for column, value in agreement(float(by_sights), float(by_rises), float(by_levels)).items():
            out.loc[number, column] = value
    return out
