"""Quantities of drains: runs cleared, laid again, patched; chambers; land drains."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from geo.drains.setting_materials import outside_diameter, relay_quantities
from geo.works.kinds import INFERRED, MEASURED, NAN, PROVISIONAL, Asked, Line
from geo.works.lines import broken_out, first_known, items, num, quantity, unknown
from geo.works.measure import House


def cleared_run(asked: Asked, house: House) -> list[Line]:
    """R4: runs jetted, cut or cleared: metres, blockages, visits."""
    length, said, ids, told = _run_length(asked, house)
    blocked = float(max(1, len(asked.of_ids)))
    lines = [
        quantity(asked, "blockages", first_known(asked.count, blocked), "nr", "counted, one a run named")
    ]
    if math.isnan(length):
        lines.insert(0, unknown(asked, "run", "m", missing=said, settle="Draw the run, or give its length."))
    else:
        lines.insert(0, quantity(asked, "run", length, "m", said, of_ids=ids, basis=told or MEASURED))
    return [*lines, quantity(asked, "visits", 1.0, "nr", "one, if it clears")]


def relaid_run(asked: Asked, house: House) -> list[Line]:
    """R5: runs dug and laid again: pipe, dig, bed, backfill, what is carted away, surface."""
    frame = _relay_inputs(asked, house)
    if isinstance(frame, Line):
        return [frame]
    ref = house.ref
    found = relay_quantities(
        frame["length_m"],
        frame["depth_m"],
        outside_diameter(frame["bore_m"], ref=ref),
        ref=ref,
        length_sigma_m=frame["length_sigma_m"],
        depth_sigma_m=frame["depth_sigma_m"],
    )
    basis = INFERRED if frame["told"].any() else MEASURED
    lines = _relay_lines(asked, house, frame, found, basis)
    deep = frame["depth_m"] > ref.value("drains.deep_chamber_m")
    if deep.any():
        said = "; ".join(f"{name} {depth:.2f} m" for name, depth in frame["depth_m"][deep].items())
        settle = "A competent person decides the support of the trench before anybody enters it."
        lines.append(unknown(asked, "trench support", "m2", missing=f"deep: {said}", settle=settle))
    return lines


def _relay_inputs(asked: Asked, house: House) -> pd.DataFrame | Line:
    """Return length, depth, bore of each run to be laid again, or the line that says what is missing."""
    columns = ["length_m", "length_sigma_m", "depth_m", "depth_sigma_m", "bore_m", "told"]
    if math.isfinite(asked.length_m):
        whole_run = [asked.length_m, 0.0, asked.depth_m, 0.0, asked.bore_m, ""]
        frame = pd.DataFrame([whole_run], columns=columns, index=[" ".join(asked.of_ids) or "as given"])
    else:
        runs = house.setting.runs if house.setting is not None else pd.DataFrame()
        names = [name for name in asked.of_ids if name in runs.index]
        if not names:
            missing = "no run that is drawn is named, and no length is given"
            return unknown(
                asked, "pipe", "m", missing=missing, settle="Draw the run, or give length and depth."
            )
        rows = []
        for name in names:
            run = runs.loc[name]
            ends = np.array([run["up_depth_m"], run["down_depth_m"]], dtype=np.float64)
            sigma = np.array([run["up_depth_sigma_m"], run["down_depth_sigma_m"]], dtype=np.float64)
            traced = {run["from_evidence"], run["to_evidence"]} - {"seen"}
            told = " and ".join(sorted(str(word).replace("_", " ") for word in traced))
            depth = first_known(asked.depth_m, float(ends.mean()))
            spread = 0.0 if math.isfinite(asked.depth_m) else float(np.hypot(*sigma)) / 2.0
            rows.append([run["pipe_m"], 0.0, depth, spread, first_known(asked.bore_m, run["bore_m"]), told])
        frame = pd.DataFrame(rows, columns=columns, index=names)
    numbers = ["length_m", "length_sigma_m", "depth_m", "depth_sigma_m", "bore_m"]
    frame = frame.astype(dict.fromkeys(numbers, "float64"))
    frame["depth_sigma_m"] = frame["depth_sigma_m"].fillna(0.0)
    if frame["depth_m"].isna().any():
        lost = " ".join(frame.index[frame["depth_m"].isna()])
        missing = f"the depth of {lost} is not known at both ends"
        return unknown(
            asked, "dig", "m3", missing=missing, settle="Level inverts and ground, or give a depth."
        )
    outside = outside_diameter(frame["bore_m"], ref=house.ref)
    if np.isnan(outside).any():
        lost = " ".join(frame.index[np.isnan(outside)])
        missing = f"the bore of {lost} is not recorded, or is of no pipe sold"
        return unknown(asked, "pipe", "m", missing=missing, settle="Measure the bore at a chamber.")
    return frame


def _relay_lines(
    asked: Asked, house: House, frame: pd.DataFrame, found: pd.DataFrame, basis: str
) -> list[Line]:
    ref, z = house.ref, house.ref.value("confidence.z_95")
    sums = found.drop(columns=["shallow", "trench_m"]).sum()
    spread = z * float(np.hypot.reduce(found["dig_sigma_m3"].to_numpy(float)))
    width = ", ".join(dict.fromkeys(num(value) for value in found["trench_m"]))
    bed, bulk = ref.value("setting_out.bed_m"), ref.value("setting_out.bulking")
    length = num(sums["pipe_m"], 2)
    depth = ", ".join(num(value, 2) for value in frame["depth_m"])
    told = "; ".join(f"{name} {said}" for name, said in frame["told"].items() if said)
    told = f"traced by {told}" if told else ""
    away, tonnes = sums["cart_away_m3"], sums["cart_away_m3"] / bulk * ref.value("density.soil")
    more: dict[str, Any] = {"basis": basis, "missing": told}
    waste = ref.value("setting_out.pipe_waste")
    piece = ref.value("setting_out.pipe_length_m")
    lines = [
        quantity(
            asked, "pipe", sums["pipe_m"], "m",
            f"{length} m along the slope; ⌈{num(1 + waste)} × L / {num(piece)} m⌉", waste=waste,
            order=sums["pipes"], order_unit="nr", order_said=f"lengths of {num(piece)} m", **more,
        ),
        quantity(
            asked, "dig", sums["dig_m3"], "m3", f"{width} m × {length} m × ({depth} + {num(bed)}) m",
            low=sums["dig_m3"] - spread if spread else NAN, high=sums["dig_m3"] + spread if spread else NAN,
            order=sums["dig_loose_m3"], order_said=f"loose, × {num(bulk)}", **more,
        ),
        quantity(
            asked, "bed and surround", sums["bed_m3"], "m3",
            f"{width} m × ({num(2 * bed)} + outside) × {length} m − pipe",
            waste=ref.value("setting_out.stone_waste"), order=sums["bed_t"], order_unit="t", **more,
        ),
        quantity(
            asked, "backfill", sums["backfill_m3"], "m3", "dig − bed and surround − pipe", **more
        ),
        quantity(
            asked, "cart away", sums["bed_m3"] + sums["pipe_m3"], "m3", "bed and surround + pipe",
            order=away, order_said=f"loose, × {num(bulk)}", loose_m3=away, tonnes=tonnes, **more,
        ),
        quantity(
            asked, "surface", sums["surface_m2"], "m2",
            f"({width} + {num(2 * ref.value('setting_out.reinstate_m'))}) m × {length} m"
            + _surface_said(asked, house),
            **more,
        ),
    ]  # fmt: skip
    if found["shallow"].any():
        missing = "the bed stands above the ground: too shallow for a surround of stone"
        lines.append(
            unknown(
                asked, "protection", "m", missing=missing, settle="Ask for a slab over, or lay it deeper."
            )
        )
    return lines


def _surface_said(asked: Asked, house: House) -> str:
    if asked.surface:
        return f": {house.ref.word('surface', asked.surface)}"
    if house.setting is None:
        return ""
    table = house.setting.materials
    own = table[table["of_id"].isin(asked.of_ids) & table["item"].str.startswith("break out")]
    said = ", ".join(str(cell).removeprefix("surface: ") for cell in own["rests_on"])
    return f": {said}" if said else ""


def _run_length(asked: Asked, house: House) -> tuple[float, str, tuple[str, ...], str]:
    """Return the length of the runs named, m, how it was found, their ids, and its basis if not measured."""
    if math.isfinite(asked.length_m):
        return asked.length_m, "as given", (), ""
    table = house.site.table("run")
    shapes = table.geometry if len(table) else pd.Series(dtype=object)
    names = [name for name in asked.of_ids if name in shapes.index and shapes[name] is not None]
    names = [name for name in names if not shapes[name].is_empty]
    if not names:
        return NAN, "no run that is drawn is named", (), ""
    lengths = [float(shapes[name].length) for name in names]
    said = " + ".join(f"{name} {length:.2f}" for name, length in zip(names, lengths, strict=True))
    evidence = table.loc[names, ["from_evidence", "to_evidence"]].to_numpy().ravel()
    return sum(lengths), f"as drawn: {said}", tuple(names), "" if (evidence == "seen").all() else INFERRED


def patched_run(asked: Asked, house: House) -> list[Line]:
    """R6: a run patched at a point, or lined over its length."""
    ref = house.ref
    if math.isfinite(asked.length_m) or not asked.of_ids:
        length = asked.length_m
        short, long = ref.value("works.point_repair_m"), ref.value("works.point_repair_long_m")
        if math.isfinite(length) and length > long:
            return [quantity(asked, "liner", length, "m", "as given")]
        size = short if not length > short else long
        return [items(asked, "patch", usual=1.0), quantity(asked, "patch length", size, "m", "as sold")]
    runs = house.site.table("run")
    own = runs[runs.index.isin(asked.of_ids)]
    at = own["fault_at_m"]
    lines: list[Line] = []
    if at.notna().any():
        size = ref.value("works.point_repair_m")
        where = ", ".join(f"{name} at {value:.2f} m" for name, value in at.dropna().items())
        count = float(at.notna().sum())
        lines.append(quantity(asked, "patch", count, "nr", f"{where}; patches of {num(size)} m"))
    lost = [str(name) for name in own.index[at.isna()]]
    if lost or not len(own):
        missing = f"where the fault of {' '.join(lost) or 'the run'} lies is not recorded"
        lines.append(
            unknown(asked, "patch", "nr", missing=missing, settle="Pass a camera and note the metres.")
        )
    return lines


def chamber(asked: Asked, house: House) -> list[Line]:
    """R7: chambers rebuilt or raised: number, depth, cover."""
    lines = [items(asked, "chamber")]
    table = house.site.table("chamber")
    own = table[table.index.isin(asked.of_ids)]
    for name, row in own.iterrows():
        depth = first_known(asked.depth_m, float(row["cover_level_m"] - row["invert_level_m"]))
        if math.isnan(depth):
            settle = "Level the cover and the lowest invert."
            missing = f"the depth of {name} is not known"
            lines.append(unknown(asked, "depth", "m", missing=missing, settle=settle, of_ids=[str(name)]))
            continue
        sigma = first_known(float(row["level_sigma_m"]), house.ref.value("levels.invert_sigma_m"))
        band = house.ref.value("confidence.z_95") * math.sqrt(2.0) * sigma
        formula = f"cover {row['cover_level_m']:.3f} − invert {row['invert_level_m']:.3f}"
        lines.append(
            quantity(
                asked, "depth", depth, "m", formula, low=depth - band, high=depth + band, of_ids=[str(name)]
            )
        )
    settle = "Say who drives over it: foot, cars, lorries."
    lines.append(
        unknown(asked, "cover class", "nr", missing="what passes over it is not recorded", settle=settle)
    )
    return lines


def land_drain(asked: Asked, house: House) -> list[Line]:
    """R10: a land drain or channel, to an outlet that is named."""
    ref = house.ref
    length = first_known(
        asked.length_m, float(house.pieces(asked)["length_m"].sum()) if asked.on_wall else NAN
    )
    if not length > 0:
        return [unknown(asked, "drain", "m", missing="no length is given", settle="Give its chainages.")]
    width = first_known(asked.width_m, ref.value("works.drain_width_m"))
    depth = first_known(asked.depth_m, ref.value("works.drain_depth_m"))
    given = math.isfinite(asked.width_m) and math.isfinite(asked.depth_m)
    basis = MEASURED if given else PROVISIONAL
    dig = length * width * depth
    loose, tonnes = broken_out(ref, "soil", dig)
    pipe = 0.0
    said = ""
    if math.isfinite(asked.bore_m):
        outside = float(outside_diameter(asked.bore_m, ref=ref)[0])
        pipe = math.pi * first_known(outside, asked.bore_m) ** 2 / 4.0 * length
        said = " − pipe"
    size = f"{num(length, 2)} m × {num(width)} m × {num(depth)} m"
    waste = ref.value("waste.stone")
    return [
        quantity(asked, "drain", length, "m", f"to {asked.to_id}", of_ids=[asked.to_id]),
        quantity(
            asked, "dig", dig, "m3", size, basis=basis, loose_m3=loose, tonnes=tonnes, order=loose,
            order_said=f"loose, × {num(ref.value('setting_out.bulking'))}",
        ),
        quantity(asked, "stone", dig - pipe, "m3", size + said, waste=waste, basis=basis),
    ]  # fmt: skip
