"""As the works left it: levels before and after, clearances, ways past the barrier, first spills."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import pandas as pd

from geo.crossings import WAYS
from geo.findings.heights import site_levels
from geo.report import rules
from geo.report.outside import CLEAR_WORDS
from geo.report.parts import (
    INFERENCE,
    Cell,
    Ids,
    Part,
    Table,
    blocks,
    items,
    paragraph,
    sentence,
    sentences,
)
from geo.report.source import Source
from geo.report.wording import amount, day_words, found_ids
from geo.works.as_built import STAGE_NOW, AsBuilt

NAN = math.nan


def left_part(source: Source) -> Part:
    """Return what was levelled after the works beside what the survey found, each with its sigma."""
    left = source.left
    told = [paragraph(sentences(source.left_refused))]
    if left is not None:
        told += [paragraph(sentence(note)) for note in left.notes]
    return Part(
        key="left",
        title="As the works left it",
        blocks=blocks(
            items(told),
            _levels(source) if source.levelled_after else None,
            *(_worked_out(source, left) if left is not None else ()),
        ),
        why="nothing was levelled after works",
        fills="levels taken after the works, booked as built",
    )


def _levels(source: Source) -> Table:
    """Return every level taken after the works, beside the survey's nearest of the same thing."""
    now, _ = site_levels(source.site, stage=STAGE_NOW)
    taken = {record.id: record for record in source.site.of("level")}
    rows: list[tuple[Cell, ...]] = []
    for name, level in now[now["level_m"].notna()].iterrows():
        before, away = _before(source, str(name), level)
        record: Any = taken[str(name)]
        rows.append(
            (
                Ids((str(name),)),
                " ".join(filter(None, (source.ref.word("level_role", level["role"]), level["of_id"]))),
                _spot(source, str(name)),
                amount(float(before["level_m"]), "", digits=3) if before is not None else "",
                amount(1000 * float(before["sigma_m"]), "", digits=0) if before is not None else "",
                amount(float(level["level_m"]), "", digits=3),
                amount(1000 * float(level["sigma_m"]), "", digits=0),
                " ".join(filter(None, (day_words(record.taken_at[:10]), away))),
                Ids((str(before.name),)) if before is not None else Ids(),
            )
        )
    return Table(
        caption="Levels after the works, beside the survey's own of the same thing",
        header=(
            "Level", "What", "Where", "Before, m", "σ, mm", "After, m", "σ, mm", "When, and how far apart",
            "Before",
        ),
        widths=(0.6, 1.2, 2.0, 0.9, 0.6, 0.9, 0.6, 2.0, 0.7),
        numbers=(3, 4, 5, 6),
        rows=tuple(rows),
    )  # fmt: skip


def _before(source: Source, name: str, level: pd.Series[Any]) -> tuple[pd.Series[Any] | None, str]:
    """Return the survey's level of the same thing, or of the same kind nearest along the same wall."""
    then = source.found.levels
    then = then[then["level_m"].notna() & (then["role"] == level["role"])]
    if level["of_id"]:
        own = then[then["of_id"] == level["of_id"]]
        return (own.iloc[0], "") if len(own) else (None, "")
    places = source.found.placed["level"]
    here = places.loc[name]
    if not here["ring_key"] or not math.isfinite(here["chainage_m"]):
        return None, ""
    near = places.loc[[key for key in then.index if key in places.index]]
    beside = (near["offset_m"] - here["offset_m"]).abs() <= source.ref.value("ground.wall_level_reach_m")
    near = near[(near["ring_key"] == here["ring_key"]) & beside]
    if near.empty:
        return None, ""
    length = source.places.lengths[str(here["ring_key"])]
    ahead = (near["chainage_m"] - here["chainage_m"]) % length
    apart = ahead.where(ahead <= length / 2, length - ahead)
    nearest = str(apart.idxmin())
    if not apart[nearest] <= source.ref.value("ground.level_reach_m"):
        return None, ""
    return then.loc[nearest], f"({apart[nearest]:.2f} m apart)"


def _spot(source: Source, name: str) -> str:
    places = source.found.placed.get("level")
    if places is None or name not in places.index or not places.loc[name, "ring_key"]:
        return ""
    at = float(places.loc[name, "chainage_m"])
    return source.places.spot(str(places.loc[name, "ring_key"]), at) if math.isfinite(at) else ""


def _worked_out(source: Source, left: AsBuilt) -> Iterable[Table]:
    sigma, z = _sigma_before(source), source.ref.value("confidence.z_95")
    yield Table(
        caption="Damp proof course above the ground, before and after the works",
        header=("Where", "Before, mm (95 % range)", "", "After, mm (95 % range)", "", "Because"),
        widths=(2.2, 1.3, 1.2, 1.3, 1.2, 2.6),
        numbers=(1, 3),
        rows=tuple(
            (
                source.places.span(row["ring_key"], row["chainage_from_m"], row["chainage_to_m"]),
                _range(row["before_mm"], sigma.get((row["ring_key"], row["chainage_from_m"]), NAN), z),
                CLEAR_WORDS.get(row["before"], row["before"]),
                _range(row["after_mm"], row["sigma_mm"], z),
                CLEAR_WORDS.get(row["after"], row["after"]),
                sentence(row["because"]),
            )
            for row in left.clearance.to_dict("records")
        ),
        nature=INFERENCE,
        rule=rules.FALLS,
    )
    yield Table(
        caption="Ways past the damp proof course, before and after the works",
        header=("Way", "Where", "Before", "After", "Because"),
        widths=(2.0, 2.2, 0.9, 0.9, 3.4),
        rows=tuple(
            (
                f"{row['way']}: {WAYS[row['way']]}",
                source.places.span(row["ring_key"], row["chainage_from_m"], row["chainage_to_m"]),
                row["word_before"],
                row["word_after"],
                sentence(row["because"]),
            )
            for row in left.ways.to_dict("records")
        ),
        nature=INFERENCE,
        rule=rules.BARRIER,
    )
    yield Table(
        caption="If one thing were blocked: where the first spill has moved",
        header=("Blocked", "Before, at", "Level, m", "After, at", "Level, m"),
        widths=(1.0, 1.4, 1.0, 1.4, 1.0),
        numbers=(2, 4),
        rows=tuple(
            (
                Ids((row["blocked"],)),
                *_named(source, row["before"], row["before_level_m"]),
                *_named(source, row["after"], row["level_m"]),
            )
            for row in left.spills.to_dict("records")
        ),
        nature=INFERENCE,
        rule=rules.SPILL,
    )


def _range(value: float, sigma: float, z: float) -> str:
    """Return a value with its range, as the clearances of the survey are told."""
    if not math.isfinite(value):
        return ""
    return (
        f"{value:.0f} ({value - z * sigma:.0f} to {value + z * sigma:.0f})" if sigma > 0 else f"{value:.0f}"
    )


def _named(source: Source, name: str, level_m: float) -> tuple[Cell, Cell]:
    known = found_ids((name,)) if name in source.site.ids else ()
    return Ids(known) if known else name, amount(level_m, "", digits=3)


def _sigma_before(source: Source) -> dict[tuple[str, float], float]:
    """Return the sigma of each clearance the survey found, by ring and the chainage it begins at."""
    stations = source.found.stations.set_index("station_id")[["ring_key", "chainage_from_m"]]
    clear = source.found.ground.clearance
    own = stations.loc[clear["station_id"]]
    keys = zip(own["ring_key"], own["chainage_from_m"], strict=True)
    return dict(zip(keys, clear["sigma_mm"].tolist(), strict=True))
