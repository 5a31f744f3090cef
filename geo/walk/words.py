"""The words of the walk: what to look for, what a thing seen asks for, what stays open without it."""

from __future__ import annotations

from collections.abc import Mapping

SQUARE_ON = "square on, with a scale"
CONTEXT = "one step back, with what stands beside it"

IF_SEEN: Mapping[str, tuple[str, ...]] = {
    "gully": (
        "lip or surround broken: pour dyed water on the wall side, low first",
        "outlet slow or standing: dip it, then lift the next chamber down before anything is poured",
        "a waste falls into it: ask for a full machine cycle, every pump-out, after the dyed test",
    ),
    "downpipe": (
        "foot joined to nothing or open: hose at the foot alone, after the gully beside it",
        "stained or green behind: hose from the gutter outlet down, joint by joint from the foot up",
    ),
    "chamber": (
        "standing water: dip it, and lift the next one down: dry there means a stop between",
        "no flow from a tap that should show: put dye into that tap",
        "flow nobody ran: read the water meter twice, half an hour apart",
    ),
    "soakaway": (
        "water stands in it: dip it again before leaving; a level that holds asks for a timed fill",
    ),
    "gutter": ("sags or overshoots: hose it at the outlet first, with the wall dry",),
    "fixture": ("drips or misses: run it for ten minutes by itself, with dye",),
    "service": ("the meter turns with everything off: shut the stop tap and read again after half an hour",),
    "threshold": ("threshold lower than the ground outside: pour on the paving alone, the gully held off",),
    "vent": ("sill lower than the ground or a rim: add the level of both",),
    "dpc_step": ("no vertical lap seen: look into the cavity on the high side",),
    "party_line": ("the neighbour's outlet within 3 m: ask leave, and see whether it runs",),
    "abutment": ("something drains onto it: follow that water to the wall",),
    "wet": (
        "nothing outside explains it: look for a service in the floor, and read the meter with all off",
        "white salts or a sharp upper edge: drill, and weigh against air of 75 % RH",
    ),
    "wall": (
        "ground falls to the wall or stands within 150 mm of the course: two more levels half-way",
        "plants, a planter or render over the course: say so, and look behind at one place",
    ),
    "corner": ("a taped face that does not fit the plan: tape the diagonal too",),
    "grid": ("a reading jumps: read 0.3 m either way",),
    "profile": ("highest away from the foot: look above and behind, not below",),
    "borescope": ("debris or water: shoot its level and say how far one saw either way",),
    "junction": (
        "the inner course is buried, or no course is found: open no further, photograph with a level",
    ),
}

LOOK_FOR: Mapping[str, str] = {
    "corner": "Look along the next face: number every gully, downpipe, waste and air-brick clockwise.",
    "wall": "Level of the ground at the wall and further out, damp proof course, finish down to the ground.",
    "party_line": "Where the shared wall begins: course, cavity end, the neighbour's outlets within 3 m.",
    "abutment": "Something stands against this wall. What it is, its roof, where that water goes.",
    "below_ground": "Ground stands against this wall. How high, and what holds the water off.",
    "unplaced": "It is on record without a place: find it, and tape it.",
}

LEVELS: Mapping[str, tuple[str, ...]] = {
    "corner": ("ground", "dpc"),
    "wall": ("ground", "dpc"),
    "party_line": ("dpc",),
    "dpc_step": ("dpc",),
    "threshold": ("threshold", "ground"),
    "vent": ("sill", "ground"),
    "gully": ("rim", "lip", "invert", "ground"),
    "downpipe": ("ground",),
    "chamber": ("cover", "invert"),
    "soakaway": ("cover", "invert"),
    "wet": ("ground", "dpc"),
    "junction": ("floor", "soffit", "dpc"),
    "borescope": ("cavity_base", "debris"),
    "fixture": ("other",),
}

LEFT_OUT: Mapping[str, str] = {
    "wall": "whether the ground at {where} sends water to the wall, and whether the course is clear there",
    "gutter": "whether the gutter over {where} overshoots onto the wall",
    "chamber": "what chamber {name} joins, and whether water stands in it",
    "soakaway": "whether soakaway {name} takes water",
    "tracing": "where {name} leads",
    "grid": "whether the wall at {where} is wet inside: unread is not dry",
    "profile_dry": "how this house's dry wall reads by height, so that a profile means less",
    "sample": "whether salts or free water make {where} read high",
    "borescope": "what lies in the cavity at {where}",
    "junction": "whether the floor carries water past the course at {where}",
    "trial": "whether {name} wets {where}",
    "reserved": "whether a source that looks bad outside wets the wall: no test would have been made",
    "soakaway_fill": "how fast soakaway {name} empties, and whether it backs up",
    "search": "whether there is {name} nobody has seen",
}

DROP_RANK: Mapping[str, int] = {
    "junction": 1,
    "sample": 2,
    "borescope": 3,
    "soakaway_fill": 4,
    "soakaway": 5,
    "reserved": 6,
    "trial": 7,
    "tracing": 8,
    "gutter": 9,
    "profile_dry": 10,
    "chamber": 11,
    "grid": 12,
    "wall": 13,
}
"""Which kind of stop is left out first when time is short; what is not here never is."""

CAUTIONS = (
    "Certifies nothing. Electricity: keep water and probes off it, use a cable detector. Built before 2000:"
    " take asbestos as present, break nothing to look. Chambers: never enter; lift with aids, guard, close."
    " Sewage: gloves, cover cuts, wash. Hose: double check valve, dye in private drains only, stop at the"
    " litres agreed, never above a lower flat or in frost. Dig by hand near services. Drilling dust: wet or"
    " extract, mask. Gas smell: leave."
)
"""Short form, printed on every sheet."""
