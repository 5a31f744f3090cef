"""Quantities of walls and the ground beside them: lowering, render, cavities, joints, plaster."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from geo.works.amounts import lowered, opening_m2, openings_count, plaster_height_m, pointing_m3, whole
from geo.works.kinds import INFERRED, MEASURED, NAN, PROVISIONAL, Asked, Line
from geo.works.lines import broken_out, first_known, items, num, quantity, unknown
from geo.works.measure import House


def lower_ground(asked: Asked, house: House) -> list[Line]:
    """R9: ground or paving lowered so far that the damp proof course stands clear.

    The clearance is taken piece by piece along the wall; where it was not levelled nothing is worked out,
    and its metres are named.
    """
    ref = house.ref
    if not asked.on_wall:
        return [
            unknown(asked, "ground", "m2", missing="no length of wall is given", settle="Give its chainages.")
        ]
    stations = house.found.stations
    table = house.found.ground.clearance.set_index("station_id")
    own = stations[(stations["ring_key"] == asked.ring_key) & stations["outside"]]
    along = house.overlap(own, asked)
    own, along = own[along > 1e-6], along[along > 1e-6]
    rows = table.loc[own["station_id"]]
    staffed = (rows["verdict"] != "party").to_numpy() & np.isfinite(rows["clearance_mm"].to_numpy(float))
    raster = rows["because"].str.contains("from the raster", regex=False).to_numpy()
    known = staffed & ~raster
    wanted = ref.value("ground.dpc_clearance_mm") + ref.value("works.lowered_margin_mm")
    width = first_known(asked.width_m, ref.value("works.lowered_width_m"))
    lines: list[Line] = []
    if known.any():
        lines += _lowered_lines(asked, house, rows[known], along[known], width, wanted)
    lost = float(along[~known].sum())
    if lost > ref.value("hold.place_slack_m"):
        settle = str(rows["settle"][~known].iloc[0]) or "Level the ground at the wall and the course."
        missing = f"{num(lost, 1)} m of this length have no clearance by levels, so nothing is counted there"
        lines.append(unknown(asked, "ground not levelled", "m", missing=missing, settle=settle))
    settle = "Say where water on the lower ground goes: to a working gully, or away over open ground."
    missing = "where the new low edge drains is not recorded"
    if asked.to_id:
        lines.append(quantity(asked, "outlet", 1.0, "nr", f"drains to {asked.to_id}", of_ids=[asked.to_id]))
    else:
        lines.append(unknown(asked, "outlet", "nr", missing=missing, settle=settle))
    return lines


def _lowered_lines(
    asked: Asked, house: House, rows: Any, along: Any, width: float, wanted: float
) -> list[Line]:
    ref = house.ref
    clear = rows["clearance_mm"].to_numpy(float)
    bands = {name: rows[name].to_numpy(float) for name in ("low_mm", "high_mm")}
    area, volume = (part.sum() for part in lowered(clear, length_m=along, width_m=width, wanted_mm=wanted))
    most = [
        float(part.sum())
        for part in lowered(bands["low_mm"], length_m=along, width_m=width, wanted_mm=wanted)
    ]
    least = [
        float(part.sum())
        for part in lowered(bands["high_mm"], length_m=along, width_m=width, wanted_mm=wanted)
    ]
    ids = tuple(dict.fromkeys(name for cell in rows["rests_on"] for name in cell))
    below = clear < wanted
    loose, tonnes = broken_out(ref, "soil", float(volume))
    short = float(along[below].sum())
    deepest = float((wanted - clear[below]).max()) if below.any() else 0.0
    basis = MEASURED if math.isfinite(asked.width_m) else INFERRED
    told = "" if math.isfinite(asked.width_m) else f"a width of {num(width)} m is taken"
    more: dict[str, Any] = {"basis": basis, "of_ids": ids, "missing": told}
    span = f"{num(along.sum(), 1)} m levelled, {num(short, 1)} m of it under {num(wanted, 0)} mm"
    deep = f"deepest {num(deepest, 0)} mm"
    return [
        quantity(
            asked, "ground", float(area), "m2", f"{span}; × {num(width)} m wide",
            low=least[0], high=most[0], **more,
        ),
        quantity(
            asked, "dig", float(volume), "m3",
            f"∫ max(0, {num(wanted, 0)} mm − clearance) × {num(width)} m along it; {deep}",
            low=least[1], high=most[1], order=loose,
            order_said=f"loose, × {num(ref.value('setting_out.bulking'))}",
            loose_m3=loose, tonnes=tonnes, **more,
        ),
        quantity(
            asked, "edging", short, "m", f"{num(short, 1)} m under {num(wanted, 0)} mm",
            waste=ref.value("waste.paving"), **more,
        ),
    ]  # fmt: skip


def cut_render(asked: Asked, house: House) -> list[Line]:
    """R11: render or plinth cut back, with a bell-cast bead."""
    ref = house.ref
    length = first_known(asked.length_m, _wall(asked, house))
    if not length > 0:
        return [unknown(asked, "render", "m2", missing="no length is given", settle="Give its chainages.")]
    height, told = asked.height_m, ""
    ids: tuple[str, ...] = ()
    if math.isnan(height):
        height, told, ids = _render_height(asked, house)
    area = length * height
    waste = ref.value("waste.render")
    basis = PROVISIONAL if told else MEASURED
    return [
        quantity(
            asked, "render", area, "m2", f"{num(length, 2)} m × {num(height, 2)} m", waste=waste,
            basis=basis, missing=told, of_ids=ids,
            settle="Measure the height to cut back to." if told else "",
        ),
        quantity(asked, "bead", length, "m", "along its lower edge", waste=waste),
    ]  # fmt: skip


def _render_height(asked: Asked, house: House) -> tuple[float, str, tuple[str, ...]]:
    table = house.tables["finish_zone"]
    own = table[
        (table["ring_key"] == asked.ring_key)
        & (table["side"] == "outside")
        & (table["finish"] == "cement_render")
    ]
    own = own[house.overlap(own, asked) > 0] if len(own) and asked.on_wall else own.iloc[:0]
    tall = (own["height_to_m"] - own["height_from_m"]).dropna()
    usual = house.ref.value("works.plinth_height_m")
    if len(tall):
        return float(tall.max()), "", tuple(str(name) for name in own.index)
    return usual, "the height is not recorded: a usual one is taken", ()


def clean_cavity(asked: Asked, house: House) -> list[Line]:
    """R12: a cavity opened at intervals and cleaned out."""
    ref = house.ref
    pieces = house.pieces(asked)
    pieces = pieces[pieces["outside"].astype(bool)] if len(pieces) else pieces
    if pieces.empty:
        return [
            unknown(
                asked, "openings", "nr", missing="no length of wall is given", settle="Give its chainages."
            )
        ]
    lengths = pieces["length_m"].to_numpy(float)
    shared = int((pieces["corner"] != "").sum())
    spacing = first_known(asked.width_m, ref.value("works.opening_spacing_m"))
    count = openings_count(lengths, spacing, shared=shared)
    ends = [
        openings_count(lengths, ref.value(f"works.opening_spacing_{end}_m"), shared=shared)
        for end in ("high", "low")
    ]
    parts = " + ".join(f"(⌈{num(length, 2)} / {num(spacing)}⌉ + 1)" for length in lengths)
    said = parts + (f" − {shared} at shared corners" if shared else "")
    chosen = math.isfinite(asked.width_m)
    each = [ref.value(f"works.bricks_each{end}") for end in ("", "_low", "_high")]
    waste = ref.value("waste.bricks")
    lines = [
        quantity(
            asked, "openings", count, "nr", said,
            low=NAN if chosen else ends[0], high=NAN if chosen else ends[1],
        ),
        quantity(
            asked, "bricks", count * each[0], "nr", f"{num(count, 0)} × {num(each[0])}",
            low=count * each[1], high=count * each[2], waste=waste,
            order=float(whole(count * each[0] * (1 + waste))), order_said="to match, whole bricks",
        ),
    ]  # fmt: skip
    return [*lines, *_debris(asked, house, float(lengths.sum()))]


def _debris(asked: Asked, house: House, length: float) -> list[Line]:
    """Return the debris of a length of cavity: as seen where it was, as far as that reaches."""
    ref = house.ref
    width, height, seen, told = asked.thickness_m, asked.height_m, length, ""
    ids: tuple[str, ...] = ()
    if math.isnan(width) or math.isnan(height):
        table = house.tables["cavity"]
        own = table[table["ring_key"] == asked.ring_key]
        along = house.overlap(own, asked)
        own, along = own[along > 0], along[along > 0]
        deep = (own["debris_top_level_m"] - own["base_level_m"]).to_numpy(float)
        wide = own["width_mm"].to_numpy(float) / 1000.0
        good = np.isfinite(deep) & np.isfinite(wide)
        if not good.any() and math.isnan(height):
            settle = "Pass a borescope and level the debris top and the base; measure the cavity's width."
            lost = "how deep and wide the debris lies is not known at both top and base"
            ids = tuple(str(name) for name in own.index)
            return [
                unknown(asked, line, unit, missing=lost, settle=settle, of_ids=ids)
                for line, unit in (("debris", "m3"), ("bags", "nr"))
            ]
        if good.any():
            ids = tuple(str(name) for name in own.index[good])
            seen = float(along[good].sum())
            height = first_known(height, float(np.average(deep[good], weights=along[good])))
            width = first_known(width, float(np.average(wide[good], weights=along[good])))
        else:
            width = first_known(width, float(np.nanmean(wide)) if np.isfinite(wide).any() else NAN)
        if math.isnan(width):
            settle = "Measure the width of the cavity."
            return [unknown(asked, "debris", "m3", missing="the cavity's width is not known", settle=settle)]
        if seen < length - ref.value("hold.place_slack_m"):
            told = f"seen over {num(seen, 1)} m of {num(length, 1)} m, and taken on over the rest"
    net = length * width * height
    low = seen * width * height
    loose, tonnes = broken_out(ref, "debris", net)
    bag = ref.value("works.bag_m3")
    said = f"{num(length, 2)} × {num(width)} × {num(height)}"
    more: dict[str, Any] = {
        "basis": PROVISIONAL if told else MEASURED,
        "missing": told,
        "settle": "Look into the rest of it." if told else "",
        "of_ids": ids,
    }
    return [
        quantity(
            asked, "debris", net, "m3", said, low=low if told else NAN, high=net if told else NAN,
            order=loose, order_said=f"loose, × {num(ref.value('bulking.debris'))}", loose_m3=loose,
            tonnes=tonnes, **more,
        ),
        quantity(asked, "bags", float(whole(loose / bag)), "nr", f"⌈{num(loose)} / {num(bag)} m³⌉", **more),
    ]  # fmt: skip


def pointing(asked: Asked, house: House) -> list[Line]:
    """R13: open joints, entries and perpends closed; re-pointing by area."""
    ref = house.ref
    lines: list[Line] = []
    if math.isfinite(asked.count) or asked.of_ids:
        lines.append(items(asked, "entries"))
    length = first_known(asked.length_m, _wall(asked, house))
    area = first_known(asked.area_m2, length * asked.height_m)
    if math.isnan(area):
        if lines or math.isfinite(length):
            if math.isfinite(length):
                lines.append(quantity(asked, "joints", length, "m", "along it"))
            return lines
        settle = "Count the open joints, or give the height to re-point."
        return [unknown(asked, "pointing", "m2", missing="neither number nor area is given", settle=settle)]
    deep = first_known(asked.depth_m, ref.value("works.joint_depth_m"))
    mortar = float(
        pointing_m3(
            area, depth_m=deep, joint_m=ref.value("works.joint_m"), long_m=ref.value("works.brick_long_m"),
            high_m=ref.value("works.brick_high_m"),
        )
    )  # fmt: skip
    said = "as given" if math.isfinite(asked.area_m2) else f"{num(length, 2)} m × {num(asked.height_m, 2)} m"
    deep_said = f"{num(area, 2)} m² of brickwork, joints {num(1000 * ref.value('works.joint_m'), 0)} mm"
    lines.append(quantity(asked, "pointing", area, "m2", said))
    lines.append(
        quantity(
            asked, "mortar", 1000.0 * mortar, "l", f"{deep_said}, raked {num(1000 * deep, 0)} mm",
            waste=ref.value("waste.mortar"), basis=MEASURED if math.isfinite(asked.depth_m) else INFERRED,
        )
    )  # fmt: skip
    return lines


def damp_course(asked: Asked, house: House) -> list[Line]:
    """R14: a damp proof course inserted or injected, and the vertical laps at its steps."""
    ref = house.ref
    steps, ids = _steps(asked, house)
    lines = []
    if math.isfinite(asked.count) or steps:
        laps = first_known(asked.count, float(len(steps)))
        where = ", ".join(num(at, 2) for at in steps) or "counted"
        lines.append(quantity(asked, "laps", laps, "nr", f"steps at {where}", of_ids=ids))
        if not any(answer.cause == "S10" for answer in asked.answers) and math.isnan(asked.length_m):
            return lines
    length = first_known(asked.length_m, _wall(asked, house))
    if not length > 0:
        return lines or [
            unknown(asked, "course", "m", missing="no length is given", settle="Give its chainages.")
        ]
    spacing = ref.value("works.hole_spacing_m")
    holes = float(whole(length / spacing))
    leaf = "for each face of leaf drilled, where it is injected"
    return [
        *lines,
        quantity(asked, "course", length, "m", "length of wall"),
        quantity(asked, "holes", holes, "nr", f"⌈{num(length, 2)} / {num(spacing)} m⌉, {leaf}"),
    ]


def _steps(asked: Asked, house: House) -> tuple[list[float], tuple[str, ...]]:
    """Return chainages at which the damp proof course steps with no lap seen, in the length asked for."""
    table = house.tables["dpc_point"]
    own = table[(table["ring_key"] == asked.ring_key) & (table["lap"].isin(("absent", "not_seen")))]
    if own.empty or not asked.on_wall:
        return [], ()
    own = own[house.within(own["chainage_m"].to_numpy(float), asked)]
    places = sorted(dict.fromkeys(round(float(at), 2) for at in own["chainage_m"]))
    return places, tuple(str(name) for name in own.index)


def replaster(asked: Asked, house: House) -> list[Line]:
    """R18: plaster hacked off to above the last sign of damp or salts, and renewed."""
    ref = house.ref
    pieces = house.pieces(asked)
    partition = math.isfinite(asked.length_m)
    sides = first_known(asked.count, ref.value("works.partition_sides")) if partition else 1.0
    length = asked.length_m * sides if partition else float(pieces["inside_m"].sum())
    if not length > 0:
        return [unknown(asked, "plaster", "m2", missing="no length is given", settle="Give its chainages.")]
    least, over, step = (ref.value(f"works.plaster_{name}_m") for name in ("least", "over", "step"))
    told = ""
    ids: tuple[str, ...] = ()
    if math.isfinite(asked.height_m):
        heights = [asked.height_m] * 3
        tall = f"{num(asked.height_m, 2)} m as given"
    else:
        damp = house.damp(asked) if asked.on_wall else None
        if damp is None or math.isnan(damp.low_m):
            settle = "Read a height profile here, up to two dry heights."
            missing = "how high the damp or the salts reach was not read"
            return [
                quantity(asked, "length", length, "m", "inside faces"),
                unknown(asked, "plaster", "m2", missing=missing, settle=settle),
            ]
        ids = damp.of_ids
        high = damp.high_m if math.isfinite(damp.high_m) else damp.low_m
        most = ref.value("works.plaster_over_high_m")
        heights = [
            float(plaster_height_m(top, least_m=least, over_m=above, step_m=step))
            for top, above in ((damp.low_m, over), (damp.low_m, over), (high, most))
        ]
        tall = f"max({num(least)}, {num(damp.low_m, 2)} + {num(over)}) = {num(heights[0], 2)} m"
        if math.isinf(damp.high_m):
            told = f"still wet at the highest height read, {num(damp.low_m, 2)} m: at least so much"
    holes = house.openings(asked) if asked.on_wall else None
    gone = [0.0, 0.0, 0.0]
    if holes is not None and len(holes):
        cut = holes["sill_m"].isna() | (holes["sill_m"] < heights[2])
        ids = (*ids, *(str(name) for name in holes.index[cut]))
        gone = [_holes_m2(holes, tall_m) for tall_m in heights]
        lost = holes.index[holes["sill_m"].isna()]
        if len(lost):
            told = (f"{told}; " if told else "") + f"sill of {' '.join(lost)} not levelled, not taken off"
    net, low, high_m2 = (length * tall_m - off for tall_m, off in zip(heights, gone, strict=True))
    ranged = heights[2] > heights[0] + 1e-9
    off = f" − openings {num(gone[0], 2)}" if gone[0] > 0 else ""
    across = f"{num(asked.length_m, 2)} m × {num(sides, 0)} sides" if partition else f"{num(length, 2)} m"
    thick, bulk = ref.value("works.plaster_thick_m"), ref.value("bulking.plaster")
    loose, tonnes = broken_out(ref, "plaster", net * thick)
    more: dict[str, Any] = {
        "missing": told, "of_ids": ids, "settle": "Read higher, to two dry heights." if told else "",
        "basis": INFERRED if told or math.isnan(asked.height_m) else MEASURED,
    }  # fmt: skip
    return [
        quantity(
            asked, "plaster", net, "m2", f"{across} × {tall}{off}", waste=ref.value("waste.plaster"),
            low=low if ranged else NAN, high=high_m2 if ranged else NAN, **more,
        ),
        quantity(
            asked, "skip", loose, "m3",
            f"{num(net, 2)} m² × {num(thick)} m × {num(bulk)} loose",
            loose_m3=loose, tonnes=tonnes, order_said="loose", **more,
        ),
    ]  # fmt: skip


def _holes_m2(holes: pd.DataFrame, height_m: float) -> float:
    each = opening_m2(holes["width_m"], sill_m=holes["sill_m"], head_m=holes["head_m"], height_m=height_m)
    return float(np.nansum(each))


def _wall(asked: Asked, house: House) -> float:
    """Return the metres of wall asked for, outside or along the inner face; NaN without a place."""
    if not asked.on_wall:
        return NAN
    column = "inside_m" if asked.side in ("inside", "floor") else "length_m"
    return float(house.pieces(asked)[column].sum())
