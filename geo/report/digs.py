"""Where to dig: each hole of the setting-out pack, what for, set out by what, how deep, and what to mind."""

from __future__ import annotations

import math
import re
from typing import Any

import pandas as pd

from geo.drains.setting_out import SettingOut
from geo.exchange.setting_words import SHORT_CAUTION, depth_range, set_out_words, what
from geo.report import rules
from geo.report.parts import (
    INFERENCE,
    Cell,
    Ids,
    Note,
    Paragraph,
    Part,
    Table,
    blocks,
    items,
    listed,
    paragraph,
    sentences,
)
from geo.report.source import Source
from geo.report.wording import found_ids

MINDED = ("foundation", "service", "neighbour", "sewer")
NEAR = {
    "foundation": "foundation of",
    "service": "service",
    "neighbour": "neighbour",
    "sewer": "a sewer, or may be, near",
}
ONLY_HERE = (
    "Each is the hole of the setting-out pack, where its sketch stands. No hole need be dug because it stands"
    " here: one that no work asks for is for whoever comes to need it. Tapes run from corners named as on the"
    " plan; after σ stands one standard deviation of the peg. In brackets: whether concrete or notice is due;"
    " why, and what settles it, stands under the table."
)


def digs_part(source: Source) -> Part:
    """Return a row a hole: what it is for, what sets it out, its size and depth, and what lies near."""
    setting = source.setting
    if setting is None or setting.boxes.empty:
        return Part(
            key="digs",
            title="Where to dig",
            why=source.setting_refused or "nothing recorded has to be dug for",
            fills="drains with their places and levels",
        )
    asked = {str(name): _asked_by(source, setting, str(name)) for name in setting.boxes.index}
    order = sorted(
        setting.boxes.index, key=lambda name: (not asked[str(name)][0], not _broken(setting, name))
    )
    table = Table(
        caption="Holes, those that works on record or proposed ask for first",
        header=("Hole", "What for", "Set out by", "Dig, m", "Down, m (95 %)", "Mind", "Records"),
        widths=(1.0, 1.4, 2.5, 1.1, 1.5, 3.2, 0.8),
        rows=tuple(_row(source, setting, name, asked[str(name)]) for name in order),
        nature=INFERENCE,
        rule=rules.DIGS,
    )
    told = _told(source, setting)
    return Part(
        key="digs",
        title="Where to dig",
        blocks=blocks(
            Note(head="Before you dig", lines=(SHORT_CAUTION,), urgent=True),
            paragraph(ONLY_HERE),
            table,
            items(told),
        ),
    )


def _runs_of(setting: SettingOut, name: Any) -> tuple[str, ...]:
    """Return the run a hole lies on, or those that end at what it is dug for."""
    run = setting.targets.loc[name, "run_id"]
    if run in setting.runs.index:
        return (str(run),)
    ends = (setting.runs["from_id"] == name) | (setting.runs["to_id"] == name)
    return tuple(str(each) for each in setting.runs.index[ends])


def _broken(setting: SettingOut, name: Any) -> bool:
    return str(setting.boxes.loc[name, "kind"]) == "fault"


def _asked_by(source: Source, setting: SettingOut, name: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the repairs for what is dug for, or for the fault's own run: those to do, those done."""
    own = {name, *(_runs_of(setting, name) if _broken(setting, name) else ())}
    works = source.works.works if source.works is not None else ()
    found = [work for work in works if own & set(work.asked.of_ids) and work.asked.stage != "dropped"]
    done = tuple(work.repair_id for work in found if work.asked.stage == "finished")
    return tuple(work.repair_id for work in found if work.repair_id not in done), done


def _for_what(asked: tuple[tuple[str, ...], tuple[str, ...]]) -> str:
    to_do, done = asked
    if to_do:
        return f"for {listed(to_do)}"
    return f"{listed(done)} {'is' if len(done) == 1 else 'are'} done" if done else "no work asks for it"


def _row(
    source: Source, setting: SettingOut, name: Any, asked: tuple[tuple[str, ...], tuple[str, ...]]
) -> tuple[Cell, ...]:
    target, box = setting.targets.loc[name], setting.boxes.loc[name]
    runs = _runs_of(setting, name)
    size = f"{box['length_m']:.2f} × {box['width_m']:.2f}, long side to {box['bearing_deg']:.0f}°"
    crown, invert = (depth_range(target, part) for part in ("crown", "invert"))
    down = (
        f"hole {box['depth_from_m']:.2f} to {box['depth_to_m']:.2f}; crown {crown}; invert {invert}"
        if math.isfinite(box["depth_to_m"])
        else sentences(f"not known: {target['depth_because']}", str(target["depth_settle"]))
    )
    records = found_ids(_recorded(source, (*_parts(name), *runs)))
    return (
        str(name),
        f"{what(target)}; {_for_what(asked)}",
        sentences(set_out_words(target), f"first: {box['first']}" if box["first"] else ""),
        size,
        down,
        _mind(setting, name, runs),
        Ids(records),
    )


def _recorded(source: Source, names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(name for name in names if name in source.site.ids)


def _mind(setting: SettingOut, name: Any, runs: tuple[str, ...]) -> str:
    """Return the nearest foundation, service, neighbour and sewer of a hole, each with its answer."""
    told = []
    for about in MINDED:
        own = _warned(setting, about, name, runs)
        if own.empty:
            if about == "service":
                told.append("service: none drawn within reach, which proves none absent")
            continue
        near = own.loc[own["distance_m"].idxmin()]
        far = f", {near['distance_m']:.2f} m clear" if math.isfinite(near["distance_m"]) else ""
        said = f": {near['said']}" if about == "service" else f"{far} ({near['word']})"
        told.append(f"{NEAR[about]} {near['near_id']}{said}")
    return sentences(*told)


def _warned(setting: SettingOut, about: str, name: Any, runs: tuple[str, ...]) -> pd.DataFrame:
    """Return the warnings of one sort about a hole; of its runs where there is none of the hole's own."""
    own = setting.warnings[setting.warnings["about"] == about]
    of_hole = own[own["of_id"] == name]
    return of_hole if len(of_hole) else own[own["of_id"].isin(runs) & (about == "sewer")]


def _told(source: Source, setting: SettingOut) -> list[Paragraph | None]:
    """Return why the answers about holes are what they are, each once, with what settles it."""
    told, names = setting.warnings, setting.boxes.index
    runs = {run for name in names for run in _runs_of(setting, name)}
    of_hole = (told["about"] != "service") & told["of_id"].isin(names)
    own = told[of_hole | ((told["about"] == "sewer") & told["of_id"].isin(runs))]
    found: dict[tuple[str, str, str], tuple[dict[str, None], dict[str, None]]] = {}
    for row in own.to_dict("records"):
        key = (str(row["about"]), CLEAR.sub("", str(row["said"])), str(row["settle"]))
        near, of = found.setdefault(key, ({}, {}))
        near[str(row["near_id"])] = of[str(row["of_id"])] = None
    return [
        paragraph(
            sentences(f"{listed(of)}: {said}", settle),
            lead=f"{NEAR[about][:1].upper()}{NEAR[about][1:]} {listed(near)}",
            nature=INFERENCE,
            rule=rules.DIGS,
            rests_on=_recorded(source, tuple(part for name in of for part in _parts(name))),
        )
        for (about, said, settle), (near, of) in found.items()
    ]


CLEAR = re.compile(r"^\d+\.\d+ m clear: ")


def _parts(name: Any) -> list[str]:
    """Return the ids a hole is named by: ``R5 fault`` and ``R10:down`` are of runs."""
    return str(name).replace(":", " ").split()
