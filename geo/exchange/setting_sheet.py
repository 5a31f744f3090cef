"""The setting-out sheet as PDF."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import Any

from geo.drains.setting_out import CAUTIONS, SettingOut
from geo.exchange.setting_plan import PAGE_MM, key_svg, plan_svg
from geo.exchange.setting_sketch import sketch_svg
from geo.exchange.setting_words import (
    SHORT_CAUTION,
    amount,
    between,
    depth_range,
    depth_words,
    fall_words,
    level_words,
    owner_words,
    proved_by,
    run_words,
    set_out_words,
    tie_words,
    wall_words,
    what,
    word_of,
)
from geo.exchange.typeset import typeset
from geo.perimeter.build import Perimeter
from geo.site.crs import absolute_note
from geo.site.model import Site

TEMPLATE = """
#set page(paper: "a4", flipped: true, margin: (x: 13mm, top: 12mm, bottom: 21mm), footer: [
  #set text(7.5pt)
  #line(length: 100%, stroke: .4pt)
  #v(-2mm)
  *#d.caution*
  #v(-1.5mm)
  #d.foot #h(1fr) #page-number
])
= #d.title
#d.summary
#grid(columns: (PLANmm, 1fr), gutter: 5mm,
  image("plan.svg", width: PLANmm, alt: "Plan of the drains"),
  [#set text(8.5pt)
   #set par(spacing: 2mm)
   *Before you dig*
   #for line in d.cautions [#par(line)]
   *Key*
   #image("key.svg", width: 100%, alt: "Key to the plan")])
#if d.notes.len() > 0 [
  *Notes* #h(2mm) #d.notes.join(" ")
]
#let card(c) = block(breakable: false, width: 100%, stroke: .4pt + luma(150), inset: 2mm)[
  #set text(8pt)
  #set par(leading: .45em, spacing: 1.3mm)
  #text(11pt, strong(c.id)) #h(1.5mm) #c.what
  #image(c.sketch, width: 100%, alt: "Tie sketch of " + c.id)
  #for line in c.facts [#par(line)]
]
#pagebreak()
== Where to dig
#d.dig
#v(1mm)
#grid(columns: (1fr, 1fr, 1fr), gutter: 3mm, ..d.cards.map(card))
#for s in d.sections [
  == #s.head
  #if s.note != "" [#s.note]
  #if s.rows.len() > 0 { ruled(s.header, s.widths, s.rows) } else if s.note == "" [None.]
]
""".replace("PLAN", f"{PAGE_MM:g}")


def pdf_bytes(site: Site, found: SettingOut, perimeter: Perimeter, *, notes: Sequence[str] = ()) -> bytes:
    """Return the sheet as PDF, its fonts embedded; whatever a person wrote reaches it as data.

    Parameters
    ----------
    notes
        What the first page says under the plan, the notes of the setting-out by default.
    """
    info = site.info
    facts = [
        f"Grid {info.crs}: {absolute_note(site.crs)}",
        f"Levels in m above {info.datum}.",
        f"Surveyed {info.surveyed_on}." if info.surveyed_on else "Not dated.",
        "Sigmas are one standard deviation; ranges are 95 %.",
    ]
    drawings = {"plan.svg": plan_svg(site, found, perimeter), "key.svg": key_svg()}
    cards = []
    for k, name in enumerate(found.boxes.index, start=1):
        drawings[f"dig-{k}.svg"] = sketch_svg(site, found, perimeter, name)
        cards.append({"id": str(name), "sketch": f"dig-{k}.svg", **_card(found, name)})
    content = {
        "summary": " ".join(facts),
        "foot": f"{info.name} · data {site.digest[:12]}",
        "caution": SHORT_CAUTION,
        "cautions": CAUTIONS,
        "dig": DIG if cards else "Nothing recorded has to be dug for.",
        "cards": cards,
        "notes": list(notes or found.notes),
        "sections": _sections(site, found),
    }
    title = f"Setting-out: {info.name}"
    return typeset(TEMPLATE, content, title=title, dated=_day(info.surveyed_on), drawings=drawings)


def _day(said: str) -> dt.date | None:
    try:
        return dt.date.fromisoformat(said[:10])
    except ValueError:
        return None


DIG = (
    "Each hatched box holds the 95 % ellipse of the peg and room to work, from just over the crown to under"
    " the bed. Where no two tapes meet at a good angle, measure along the wall from the corner, then square"
    " off it. Sketches have north up, each to its own scale."
)
SECTIONS = {
    "Positions and ties": "Site x runs along the first face from the origin corner, y out from it.",
    "Depths": "",
    "Runs": "The line between two ends is only as good as what proved it.",
    "Camera": (
        "Reel set to nought where the camera goes in; along the pipe, slopes and bends included. Every metre"
        " of every run stands in camera-marks.csv."
    ),
    "To lay again": (
        "Order quantities, waste and bulking included; formulae and net amounts stand in materials.csv. No"
        " run need be laid again because it stands here."
    ),
    "Take care": "",
}
COLUMNS = {
    "Positions and ties": (
        "Target 1.1|Easting 1.2|Northing 1.2|σ, m .6|Site x, y 1.2|Tapes 4.4|Angle .6|Chainage and offset 2.1"
    ),
    "Depths": (
        "Target 1.1|What 1.5|Ground .8|Taken from 1.5|Crown level 1.1|Invert level 1.1|Crown, m down 1.5"
        "|Invert, m down 1.5|Not known 2.6"
    ),
    "Runs": (
        "Run .7|From → to 1.4|Use, bore 1.6|Whose 1.2|Pipe, m .7|Fall 1.8|Invert, m down 1.3|Proved by 1.7"
        "|Line σ, m .8|State 1.1"
    ),
    "Camera": (
        "Run 1|From → to 1.6|Whole run, m 1.6|Fault from upper end, m 1.6|Fault from lower end, m 1.6"
        "|Ends off the line, m 1.2"
    ),
    "To lay again": (
        "Of 1|Pipes of 3 m 1|Trench, m 1|Dig, m³ 1.6|Spoil, loose m³ 1.2|Bed, t 1|Backfill, m³ 1"
        "|Cart away, m³ 1|Surface, m² 1|Rests on 3"
    ),
    "Take care": "Where (m clear) 2.4|About .8|Near .6|Answer .8|Why 4.6|To settle it 2.6",
}


def _sections(site: Site, found: SettingOut) -> list[dict[str, Any]]:
    rows = {
        "Positions and ties": [_tie_row(name, row) for name, row in found.targets.iterrows()],
        "Depths": [_depth_row(name, row) for name, row in found.targets.iterrows()],
        "Runs": [_run_row(site, name, run) for name, run in found.runs.iterrows()],
        "Camera": _camera_rows(found),
        "To lay again": _material_rows(found, site.reference.value("confidence.z_95")),
        "Take care": _warning_rows(found),
    }
    made = []
    for head, note in SECTIONS.items():
        columns = [column.rsplit(" ", 1) for column in COLUMNS[head].split("|")]
        names, widths = zip(*columns, strict=True)
        table = {"header": names, "widths": [float(width) for width in widths]}
        made.append({"head": head, "note": note, **table, "rows": [[str(c) for c in r] for r in rows[head]]})
    return made


def _card(found: SettingOut, name: Any) -> dict[str, Any]:
    """Return the words beside one tie sketch."""
    target, box = found.targets.loc[name], found.boxes.loc[name]
    from_m, to_m = amount(box["depth_from_m"]), amount(box["depth_to_m"])
    size = f"{box['length_m']:.2f} × {box['width_m']:.2f} m, long side to {box['bearing_deg']:.0f}°"
    depth = f"{from_m} to {to_m} m down" if math.isfinite(box["depth_to_m"]) else "depth not known"
    facts = [
        f"Dig {size}, {depth}; {amount(box['volume_m3'])} m³.",
        f"{depth_words(target)}.".replace("..", ".").capitalize(),
        set_out_words(target),
    ]
    runs = found.runs[(found.runs["from_id"] == name) | (found.runs["to_id"] == name)]
    if target["run_id"] in found.runs.index:
        runs = found.runs.loc[[target["run_id"]]]
    facts += [f"{run_id}: {run_words(run)}." for run_id, run in runs.iterrows()]
    facts += [f"First: {box['first']}"] if box["first"] else []
    return {"what": what(target), "facts": facts}


def _camera_rows(found: SettingOut) -> list[list[str]]:
    """Return a row a run: its whole length on the reel, and its fault from either end."""
    rows = []
    for run_id, run in found.runs.iterrows():
        own = found.reel[found.reel["run_id"] == run_id].set_index(["from_id", "target_id"])
        fault = f"{run_id} fault"
        ways = [
            (run["from_id"], run["to_id"]),
            (run["from_id"], fault),
            (run["to_id"], fault),
        ]
        told = [
            f"{own.loc[way, 'reel_m']:.2f} (σ {own.loc[way, 'sigma_m']:.2f})" if way in own.index else "–"
            for way in ways
        ]
        off = f"{own['off_m'].max():.2f}" if len(own) else "–"
        rows.append([str(run_id), f"{run['from_id']} → {run['to_id']}", *told, off])
    return rows


def _tie_row(name: Any, row: Any) -> list[str]:
    angle = f"{row['angle_deg']:.0f}°" if row["tied"] == "yes" else "–"
    where = [f"{row['x']:.3f}", f"{row['y']:.3f}", f"{row['sigma_m']:.3f}"]
    site_xy = f"{row['site_x_m']:.2f}, {row['site_y_m']:.2f}"
    return [name, *where, site_xy, tie_words(row), angle, wall_words(row)]


def _depth_row(name: Any, row: Any) -> list[str]:
    source = f"{row['ground_from']}, {row['ground_away_m']:.1f} m off" if row["ground_from"] else "–"
    levels = [between(row, "crown"), between(row, "invert")]
    open_ = f"{row['depth_because']}. {row['depth_settle']}" if row["depth_because"] else ""
    depths = [depth_range(row, "crown"), depth_range(row, "invert")]
    return [name, what(row), level_words(row["ground_m"]), source, *levels, *depths, open_]


def _run_row(site: Site, name: Any, run: Any) -> list[str]:
    return [
        name,
        f"{run['from_id']} → {run['to_id']}",
        _run_use(site, run),
        owner_words(run),
        f"{run['pipe_m']:.2f}",
        fall_words(run, site.reference.value("confidence.z_95")),
        f"{amount(run['up_depth_m'])} → {amount(run['down_depth_m'])}",
        proved_by(run),
        f"{run['route_sigma_m']:.2f}",
        word_of(site, "run_state", run["state"]),
    ]


def _run_use(site: Site, run: Any) -> str:
    bore = f"{1000 * run['bore_m']:.0f} mm" if math.isfinite(run["bore_m"]) else "bore not known"
    material = f" {run['pipe_material']}" if run["pipe_material"] else ""
    return f"{word_of(site, 'run_use', run['use'])}, {bore}{material}"


ORDERED = {
    "pipe": 0,
    "trench width": 2,
    "spoil": 2,
    "bed and surround": 2,
    "backfill": 2,
    "cart away": 2,
    "break out and make good": 1,
}


def _material_rows(found: SettingOut, z: float) -> list[list[str]]:
    rows = []
    for of_id, lines in found.materials.groupby("of_id", sort=False):
        own = lines.set_index("item")
        if "pipe" not in own.index:
            dig = own.loc["dig, whole soakaway"]
            amounts = ["–", "–", amount(dig["net"]), amount(dig["order"]), "–", "–", "–", "–"]
            rows.append([str(of_id), *amounts, f"{dig['rests_on']}; whole soakaway"])
            continue
        dig = own.loc["dig"]
        spread = f" ± {z * dig['sigma']:.2f}" if math.isfinite(dig["sigma"]) else ""
        amounts = [amount(own.loc[item, "order"], places) for item, places in ORDERED.items()]
        amounts.insert(2, f"{amount(dig['net'])}{spread}")
        surface = own.loc["break out and make good", "rests_on"]
        rows.append([str(of_id), *amounts, f"{dig['rests_on']}; {surface}"])
    return rows


def _warning_rows(found: SettingOut) -> list[list[str]]:
    rows: dict[tuple[str, ...], list[str]] = {}
    order = found.warnings["word"].map({"yes": 0, "crosses": 0, "near": 1}).fillna(2)
    ranked = found.warnings.assign(rank=order).sort_values(["rank", "about", "of_id"], kind="stable")
    for warning in ranked.to_dict("records"):
        first, last = warning["from_m"], warning["to_m"]
        along = f" at {first:.1f} m" if first == last else f" from {first:.1f} to {last:.1f} m"
        where = f"{warning['of_id']}{along if math.isfinite(first) else ''}"
        if warning["about"] == "foundation":
            where += f" ({warning['distance_m']:.2f})"
        told = (
            warning["about"],
            str(warning["near_id"]),
            warning["word"],
            warning["said"],
            warning["settle"],
        )
        rows.setdefault(told, []).append(where)
    return [[", ".join(where), *told] for told, where in rows.items()]
