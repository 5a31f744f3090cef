"""Every kind of repair measured by its own formula, and what they throw away into skips."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

from geo.drains.soakage import StormDepths
from geo.works.amounts import skips_count
from geo.works.kinds import INFERRED, MEASURED, Asked, Line, Work, least_sure
from geo.works.lines import Maker, num, quantity, unknown
from geo.works.lines_drain import (
    chamber,
    cleared_run,
    land_drain,
    patched_run,
    relaid_run,
)
from geo.works.lines_floor import floor_edge, liquid_membrane, slab
from geo.works.lines_outlet import downpipe_foot, gully, gutter, gutter_notes
from geo.works.lines_rest import against_condensation, drying, finishes, fittings, flue, joinery
from geo.works.lines_soakaway import soakaway
from geo.works.lines_wall import clean_cavity, cut_render, damp_course, lower_ground, pointing, replaster
from geo.works.measure import House

MAKERS: dict[str, Maker] = {
    "r01": gully,
    "r02": downpipe_foot,
    "r03": gutter,
    "r04": cleared_run,
    "r05": relaid_run,
    "r06": patched_run,
    "r07": chamber,
    "r08": soakaway,
    "r09": lower_ground,
    "r10": land_drain,
    "r11": cut_render,
    "r12": clean_cavity,
    "r13": pointing,
    "r14": damp_course,
    "r15": floor_edge,
    "r16": slab,
    "r17": liquid_membrane,
    "r18": replaster,
    "r19": joinery,
    "r20": fittings,
    "r21": drying,
    "r22": flue,
    "r23": against_condensation,
    "r24": finishes,
}
SKIPS = "r25"


def quantities_of(asked: Asked, house: House, *, rain: StormDepths | None = None) -> Work:
    """Measure one repair.

    Parameters
    ----------
    asked
        The repair, as typed or proposed.
    house
        The site it is measured on.
    rain
        Depths of rain at the place, for soakaways.

    Returns
    -------
    Work. A repair that may not be measured as it stands is refused, with the reason; a line that cannot be
    worked out says what would settle it.
    """
    refused = asked.refused or _refusal(asked, house)
    lines: tuple[Line, ...] = ()
    if not refused and asked.kind != SKIPS:
        maker = partial(soakaway, rain=rain) if asked.kind == "r08" else MAKERS[asked.kind]
        lines = tuple(maker(asked, house))
    return Work(
        asked=asked,
        label=house.ref.word("repair_kind", asked.kind),
        where=house.place(asked),
        lines=lines,
        refused=refused,
        notes=gutter_notes(asked, house) if asked.kind == "r03" else (),
    )


def _refusal(asked: Asked, house: House) -> str:
    """Say why a repair may not be measured: a drain with no outlet is a ditch that fills."""
    if asked.on_wall and asked.ring_key not in house.found.perimeter.rings.index:
        return f"there is no wall {asked.ring_key} on this site"
    if asked.kind == "r10" and not asked.to_id:
        return "a land drain without an outlet is not measured: name what it drains to"
    return ""


def skips_of(works: Sequence[Work], asked: Asked, house: House) -> Work:
    """Count skips for everything the repairs throw away (R25): by volume, and by weight.

    Parameters
    ----------
    asked
        The repair of kind ``r25``; ``area_m2`` and the like are not read, ``thickness_m`` neither. Its skip
        is the one of ``works.skip_m3`` and ``works.skip_t``.
    """
    ref = house.ref
    thrown = [line for work in works if not work.refused for line in work.lines]
    thrown = [line for line in thrown if math.isfinite(line.loose_m3) and math.isfinite(line.tonnes)]
    open_ids = [
        work.repair_id
        for work in works
        if any(line.line in ("skip", "debris", "dig", "cart away") for line in work.missing)
    ]
    throw = "throws" if len(open_ids) == 1 else "throw"
    missing = f"what {' and '.join(open_ids)} {throw} away is not known: at least so much" if open_ids else ""
    lines: list[Line] = []
    if thrown:
        loose = sum(line.loose_m3 for line in thrown)
        tonnes = sum(line.tonnes for line in thrown)
        size, most = ref.value("works.skip_m3"), ref.value("works.skip_t")
        count, decides = skips_count(loose, tonnes, skip_m3=size, skip_t=most)
        basis = least_sure(*(line.basis for line in thrown), INFERRED if missing else MEASURED)
        ids = tuple(dict.fromkeys(name for line in thrown for name in line.of_ids))
        said = f"⌈max({num(loose, 2)} m³ / {num(size)}, {num(tonnes, 2)} t / {num(most)})⌉, by {decides}"
        lines = [
            quantity(
                asked, "skips", count, "nr", said, basis=basis, of_ids=ids, missing=missing,
                settle="Measure those." if missing else "",
            ),
            quantity(asked, "loose", loose, "m3", "sum of what is thrown away, loose", basis=basis),
            quantity(asked, "weight", tonnes, "t", "sum of what is thrown away", basis=basis),
        ]  # fmt: skip
    elif open_ids:
        lines = [unknown(asked, "skips", "nr", missing=missing, settle="Measure those.")]
    return Work(asked=asked, label=ref.word("repair_kind", SKIPS), where="", lines=tuple(lines))
