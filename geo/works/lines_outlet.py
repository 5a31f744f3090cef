"""Quantities of outlets: gullies, feet of downpipes, gutters."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from geo.drains.capacity import use_of_capacity
from geo.drains.gutters import gutter_capacity
from geo.drains.roofs import run_off
from geo.drains.tables import amount
from geo.drains.tables import default as pipe_tables
from geo.works.amounts import brackets_count, joints_count, surround_m2, whole
from geo.works.kinds import INFERRED, MEASURED, NAN, PROVISIONAL, Asked, Line
from geo.works.lines import first_known, items, num, quantity, unknown
from geo.works.measure import House


def gully(asked: Asked, house: House) -> list[Line]:
    """R1: gullies re-bedded or renewed, with a concrete lip and surround."""
    ref = house.ref
    table = house.site.table("gully")
    own = table[table.index.isin(asked.of_ids)]
    lines = [items(asked, "gully")]
    count = lines[0].net
    if math.isnan(count):
        return lines
    each, thick = ref.value("works.surround_m"), ref.value("works.surround_thick_m")
    thick = first_known(asked.thickness_m, thick)
    sides = own["riser_mm"].to_numpy(float) / 1000.0
    side = first_known(asked.width_m, float(np.nanmax(sides)) if np.isfinite(sides).any() else NAN)
    told, basis = "", MEASURED
    if math.isnan(side):
        side, basis = ref.value("works.gully_side_m"), PROVISIONAL
        told = "the side of the grating is not recorded: a small one is taken"
    area = float(surround_m2(side, side, each)) * count
    said = f"{num(count, 0)} × (({num(side)} + {num(2 * each)})² − {num(side)}²)"
    settle = "Measure the side of the grating." if told else ""
    more: dict[str, Any] = {"basis": basis, "missing": told, "settle": settle}
    return [
        *lines,
        quantity(asked, "surround", area, "m2", said, **more),
        quantity(
            asked, "concrete", area * thick, "m3", f"{num(area)} m² × {num(thick)} m",
            waste=ref.value("waste.concrete"), **more,
        ),
    ]  # fmt: skip


def downpipe_foot(asked: Asked, house: House) -> list[Line]:
    """R2: feet of downpipes joined, with pipe, adaptor and brackets."""
    ref = house.ref
    lines = [items(asked, "foot")]
    length, said, ids, told = _foot_pipe(asked, house)
    if math.isfinite(length):
        lines.append(
            quantity(
                asked, "pipe", length, "m", said, waste=ref.value("waste.pipe"), of_ids=ids,
                basis=INFERRED if told else MEASURED, missing=told,
                order=float(whole((1 + ref.value("waste.pipe")) * length)), order_said="whole metres",
            )
        )  # fmt: skip
    else:
        settle = "Name the gully it is to be joined to, or tape the length."
        lines.append(unknown(asked, "pipe", "m", missing=said, settle=settle))
    if math.isfinite(asked.height_m):
        spacing = ref.value("works.bracket_m")
        count = float(brackets_count(asked.height_m, spacing))
        formula = f"⌈{num(asked.height_m, 2)} m / {num(spacing)} m⌉ + 1"
        lines.append(quantity(asked, "brackets", count, "nr", formula))
    if math.isnan(asked.bore_m):
        bores = house.site.table("downpipe")["bore_mm"].reindex(list(asked.of_ids))
        if bores.isna().any():
            missing = "the bore is not recorded, so no adaptor can be ordered"
            lines.append(unknown(asked, "adaptor", "nr", missing=missing, settle="Measure the pipe across."))
            return lines
    if lines[0].known:
        lines.append(quantity(asked, "adaptor", lines[0].net, "nr", "one for each foot"))
    return lines


def _foot_pipe(asked: Asked, house: House) -> tuple[float, str, tuple[str, ...], str]:
    """Return the pipe from the feet to what they are joined to: length, formula, ids, what is unsure."""
    if math.isfinite(asked.length_m):
        return asked.length_m, "as given", (), ""
    assets = house.found.assets
    if not asked.to_id:
        return NAN, "what it is to be joined to is not named", (), ""
    names = [name for name in asked.of_ids if name in assets.index]
    if asked.to_id not in assets.index or not names:
        return NAN, f"{asked.to_id} has no place on the map", (), ""
    ends = assets.loc[[*names, asked.to_id]]
    if not np.isfinite(ends["x"]).all():
        return NAN, "one of the two has no place on the map", (), ""
    to = ends.loc[asked.to_id]
    plan = np.hypot(ends.loc[names, "x"] - to["x"], ends.loc[names, "y"] - to["y"]).to_numpy(float)
    drop = (ends.loc[names, "level_m"] - to["level_m"]).to_numpy(float)
    told = "" if np.isfinite(drop).all() else "levels are missing, so the length is that on plan"
    length = float(np.hypot(plan, np.nan_to_num(drop)).sum())
    said = " + ".join(
        f"√({num(p, 2)}² + {num(d, 2)}²)" for p, d in zip(plan, np.nan_to_num(drop), strict=True)
    )
    return length, f"from {' '.join(names)} to {asked.to_id}: {said}", (asked.to_id,), told


def gutter(asked: Asked, house: House) -> list[Line]:
    """R3: gutters by length, their outlets and joints, and what they carry against their roof."""
    ref = house.ref
    table = house.tables["gutter"]
    own = table[table.index.isin(asked.of_ids)]
    spans = (own["chainage_to_m"] - own["chainage_from_m"]).to_numpy(float)
    spans = np.where(spans > 0, spans, [house.ring_length(key) for key in own["ring_key"]] + spans)
    if math.isfinite(asked.length_m):
        spans = np.array([asked.length_m])
    elif not len(spans) and asked.on_wall:
        spans = house.pieces(asked)["length_m"].to_numpy(float)
    if not len(spans):
        return [unknown(asked, "gutter", "m", missing="no length is given", settle="Give its chainages.")]
    total = float(spans.sum())
    piece = ref.value("works.gutter_length_m")
    joints = float(joints_count(spans, piece).sum())
    parts = " + ".join(num(length, 2) for length in spans)
    outlets = len({name for cell in own["outlet_ids"] for name in str(cell).split()})
    lines = [
        quantity(
            asked, "gutter", total, "m", f"{parts}, to 1 in {num(ref.value('works.gutter_fall'), 0)} or more",
            waste=ref.value("waste.gutter"),
        ),
        quantity(
            asked, "joints", joints, "nr",
            " + ".join(f"(⌈{num(length, 2)} / {num(piece)}⌉ − 1)" for length in spans),
        ),
    ]  # fmt: skip
    if outlets:
        lines.append(quantity(asked, "outlets", float(outlets), "nr", "as recorded"))
    else:
        settle = "Record which downpipes it drains to."
        lines.append(unknown(asked, "outlets", "nr", missing="its outlets are not recorded", settle=settle))
    return lines


def gutter_notes(asked: Asked, house: House) -> tuple[str, ...]:
    """Say of each gutter what it carries against what its roof asks, or why that is not known."""
    table = house.tables["gutter"]
    roofs = house.site.table("downpipe")["roof_m2"]
    tables, z = pipe_tables(), house.ref.value("confidence.z_95")
    told = []
    for name, row in table[table.index.isin(asked.of_ids)].iterrows():
        outlets = str(row["outlet_ids"]).split()
        span = (row["chainage_to_m"] - row["chainage_from_m"]) % house.ring_length(row["ring_key"])
        area = float(roofs.reindex(outlets).sum(skipna=False)) if outlets else NAN
        rain = tables.value("rain.roof_l_s_m2")
        each = span / max(1, len(outlets))
        found = gutter_capacity(row["width_mm"], profile=row["profile"], length_m=each, tables=tables)
        demand = run_off(amount(area / max(1, len(outlets)), unit="m²"), rain_l_s_m2=rain, tables=tables)
        answer = use_of_capacity(
            demand, found.flow, z=z, settle="Measure the gutter's width and its roof."
        ).iloc[0]
        said = str(answer["because"]) or f"{demand.value[0]:.2f} l/s of {found.flow.value[0]:.2f} l/s"
        told.append(f"{name}: {answer['verdict']}: {said}")
    return tuple(told)
