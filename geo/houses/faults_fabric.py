"""What goes wrong with walls, floors and the ground, and what only makes a wall read wet."""

from __future__ import annotations

import numpy as np

from geo.houses.home import House, open_joint, steps_of, stretch_on
from geo.houses.truth import Trouble


def draw_raised(rng: np.random.Generator, house: House) -> Trouble | None:
    """Lay ground over the damp proof course along a length."""
    span = stretch_on(rng, house, 1.0, 5.0)
    if span is None:
        return None
    there = steps_of(house, span)
    fabric = house.fabric
    if np.isfinite(fabric.raised[there]).any():
        return None
    top = float(fabric.outer_course[there].max()) + float(rng.uniform(0.02, 0.14))
    fabric.raised[there] = top
    house.plot.ground[there] = top
    return Trouble(cause="S08", start=span[0], end=span[1], level=top, rhythm="steady")


def draw_falls(rng: np.random.Generator, house: House) -> Trouble | None:
    """Let the ground fall to the wall along a length."""
    span = stretch_on(rng, house, 2.0, 6.0)
    if span is None:
        return None
    there = steps_of(house, span)
    house.plot.rise[there] = float(rng.uniform(0.015, 0.045))
    clear = house.fabric.outer_course[there] - house.plot.ground[there]
    house.plot.ground[there] += np.clip(clear - float(rng.uniform(0.06, 0.14)), 0, None)
    house.plot.hard[house.plot.wall.face[there][0]] = True
    middle = (span[0] + span[1]) / 2
    open_joint(rng, house, middle, 0.4)
    return Trouble(
        cause="S09", start=span[0], end=span[1], strength=float(rng.uniform(0.6, 0.95)), rhythm="rain",
        event_l=float(rng.uniform(20, 120)), level=float(house.plot.ground[there].max() + 0.015),
    )  # fmt: skip


def draw_no_course(rng: np.random.Generator, house: House) -> Trouble | None:
    """Let the damp proof course fail along a length."""
    fabric = house.fabric
    if not fabric.solid and rng.random() < 0.8:
        return None
    span = stretch_on(rng, house, 1.5, 8.0)
    if span is None:
        return None
    there = steps_of(house, span)
    fabric.outer_fails[there] = fabric.inner_fails[there] = True
    fabric.soil_wet = max(fabric.soil_wet, 0.5)
    return Trouble(cause="S10", start=span[0], end=span[1], rhythm="steady")


def draw_floor_bridge(rng: np.random.Generator, house: House) -> Trouble | None:
    """Let a floor touch the inner leaf above its damp proof course."""
    fabric, wall = house.fabric, house.plot.wall
    if not (fabric.slab & wall.outside).any() or fabric.slab_bridges.any():
        return None
    zone = fabric.slab & wall.outside
    faces = [int(i) for i in np.unique(wall.face[zone])]
    chosen = [face for face in faces if rng.random() < 0.6] or faces[:1]
    bridged = zone & np.isin(wall.face, chosen)
    fabric.inner_course[bridged] = fabric.floor_level - float(rng.uniform(0.04, 0.1))
    fabric.soffit = min(fabric.soffit, float(fabric.inner_course[bridged].min()) - 0.03)
    if fabric.solid:
        fabric.outer_course[bridged] = fabric.inner_course[bridged]
    fabric.slab_bridges |= bridged
    fabric.membrane = str(rng.choice(["none", "none", "not_lapped"]))
    return Trouble(cause="S11", of_ids=("FZ2", "FZ1"), rhythm="steady")


def draw_debris(rng: np.random.Generator, house: House) -> Trouble | None:
    """Leave debris in the cavity above the inner damp proof course."""
    fabric = house.fabric
    if fabric.solid:
        return None
    span = stretch_on(rng, house, 0.3, 1.2)
    if span is None:
        return None
    there = steps_of(house, span)
    top = float(fabric.inner_course[there].max()) + float(rng.uniform(0.03, 0.15))
    fabric.debris_top[there] = top
    number = f"CV{len(house.cavities) + 1}"
    house.cavities.append((number, *span))
    # What makes it matter is a wet outer leaf beside it: most often ground too near, or a face that leaks.
    return Trouble(cause="S12", of_ids=(number,), start=span[0], end=span[1], level=top, rhythm="rain")


def draw_face(rng: np.random.Generator, house: House) -> Trouble | None:
    """Open a sill, a face, an abutment, or leave out a cavity tray."""
    span = stretch_on(rng, house, 0.6, 2.4)
    if span is None:
        return None
    solid = house.fabric.solid
    kinds = ["sill", "wall_face", "abutment"] if solid else ["sill", "cavity_tray", "abutment"]
    kind = str(rng.choice(kinds))
    height = {"sill": 0.9, "wall_face": 1.6, "abutment": 2.2, "cavity_tray": 2.1}[kind]
    level = house.fabric.floor_level + height + float(rng.uniform(-0.1, 0.2))
    number = f"WF{len(house.features) + 1}"
    state = "missing" if kind == "cavity_tray" else str(rng.choice(["cracked", "open"]))
    house.features.append(
        {"id": number, "kind": kind, "start": span[0], "end": span[1], "state": state, "level": level}
    )
    return Trouble(
        cause="S13", of_ids=(number,), start=span[0], end=span[1], level=level,
        strength=float(rng.uniform(0.5, 0.9)), rhythm="rain",
    )  # fmt: skip


def draw_plumbing(rng: np.random.Generator, house: House) -> Trouble | None:
    """Let a pipe inside leak."""
    span = stretch_on(rng, house, 0.5, 0.9)
    if span is None:
        return None
    at = (span[0] + span[1]) / 2
    kind = str(rng.choice(["water_pipe", "waste", "heating", "water_main"]))
    number = f"SV{len(house.services) + 1}"
    radius = float(rng.uniform(0.4, 1.1))
    house.services.append({"id": number, "kind": kind, "at": at, "loses": True})
    return Trouble(
        cause="S14", of_ids=(number,), at_m=at, away_m=radius, strength=0.9,
        level=house.fabric.floor_level + float(rng.uniform(0.05, 0.9)),
        rhythm="use" if kind == "waste" else "steady", rate_l_day=float(rng.uniform(2, 40)),
    )  # fmt: skip


def draw_retained(rng: np.random.Generator, house: House) -> Trouble | None:
    """Retain wet ground above the floor along a length."""
    span = stretch_on(rng, house, 2.5, 7.0)
    if span is None:
        return None
    there = steps_of(house, span)
    fabric = house.fabric
    if np.isfinite(fabric.raised[there]).any():
        return None
    top = fabric.floor_level + float(rng.uniform(0.1, 0.5))
    fabric.raised[there] = top
    house.plot.ground[there] = top
    number = f"WF{len(house.features) + 1}"
    house.features.append(
        {
            "id": number, "kind": "retained_ground", "start": span[0], "end": span[1], "state": "wet",
            "level": top,
        }
    )  # fmt: skip
    return Trouble(
        cause="S18", of_ids=(number,), start=span[0], end=span[1], level=top - 0.1, strength=0.95,
        rhythm="steady",
    )  # fmt: skip


def draw_neighbour(rng: np.random.Generator, house: House) -> Trouble | None:
    """Let water in from the neighbour's side of a party wall."""
    span = stretch_on(rng, house, 1.0, 3.5, faces="party")
    if span is None:
        return None
    number = f"WF{len(house.features) + 1}"
    house.features.append(
        {
            "id": number,
            "kind": "neighbours_side",
            "start": span[0],
            "end": span[1],
            "state": "wet",
            "level": None,
        }
    )
    return Trouble(
        cause="S19", of_ids=(number,), start=span[0], end=span[1], strength=float(rng.uniform(0.4, 0.8)),
        rhythm=str(rng.choice(["rain", "use", "steady"])),
    )  # fmt: skip


def draw_chimney(rng: np.random.Generator, house: House) -> Trouble | None:
    """Leave a chimney open to rain, or its flue full."""
    faces = "party" if not house.plot.wall.free.all() and rng.random() < 0.6 else "free"
    span = stretch_on(rng, house, 1.2, 1.7, faces=faces)
    if span is None:
        return None
    number = f"WF{len(house.features) + 1}"
    house.features.append(
        {
            "id": number, "kind": "chimney_breast", "start": span[0], "end": span[1],
            "state": str(rng.choice(["open", "blocked"])), "level": house.fabric.floor_level + 7.0,
        }
    )  # fmt: skip
    return Trouble(
        cause="S20", of_ids=(number,), start=span[0], end=span[1], strength=float(rng.uniform(0.4, 0.7)),
        rhythm="rain",
    )  # fmt: skip


def draw_condensation(rng: np.random.Generator, house: House) -> Trouble | None:
    """Let a cold corner or foot of wall sweat."""
    wall = house.plot.wall
    if "room_c" not in house.cold:
        house.cold = {
            "room_c": float(rng.uniform(16.5, 20)), "room_rh": float(rng.uniform(62, 78)),
            "out_c": float(rng.uniform(2, 7)),
        }  # fmt: skip
    corners = [i for i in range(len(wall.corners)) if wall.free[i] and wall.free[i - 1]]
    if rng.random() < 0.6 and corners:
        corner = float(wall.starts[int(rng.choice(corners))])
        reach = float(rng.uniform(0.5, 1.0))
        span = (float(np.mod(corner - reach, wall.length)), float(np.mod(corner + reach, wall.length)))
    else:
        found = stretch_on(rng, house, 1.0, 2.5)
        if found is None:
            return None
        span = found
    return Trouble(
        cause="S15", start=span[0], end=span[1], level=float(rng.uniform(0.25, 0.7)),
        strength=float(rng.uniform(0.25, 0.6)), rhythm="cold",
    )  # fmt: skip


def draw_salts(rng: np.random.Generator, house: House) -> Trouble | None:
    """Leave the salts of a past rise in a band of the wall."""
    span = stretch_on(rng, house, 1.5, 5.0)
    if span is None:
        return None
    low = float(rng.uniform(0.25, 0.6))
    return Trouble(
        cause="S16", start=span[0], end=span[1], level=low, away_m=float(rng.uniform(0.4, 0.7)),
        strength=float(rng.uniform(0.5, 1.0)), rhythm="steady",
    )  # fmt: skip


def draw_drying(rng: np.random.Generator, house: House) -> Trouble | None:
    """Leave the water of a past leak or wet trade drying in the wall."""
    span = stretch_on(rng, house, 1.5, 4.5)
    if span is None:
        return None
    new = rng.random() < 0.5
    number: tuple[str, ...] = ()
    if new:
        name = f"WF{len(house.features) + 1}"
        house.features.append(
            {
                "id": name,
                "kind": "new_wet_work",
                "start": span[0],
                "end": span[1],
                "state": "present",
                "level": None,
            }
        )
        number = (name,)
    return Trouble(
        cause="S17", of_ids=number, start=span[0], end=span[1], level=float(rng.uniform(0.7, 1.6)),
        strength=float(rng.uniform(0.25, 0.45)), rhythm="falling",
    )  # fmt: skip


def draw_artefact(rng: np.random.Generator, house: House) -> Trouble | None:
    """Put foil or metal behind the plaster."""
    span = stretch_on(rng, house, 0.8, 3.0)
    if span is None:
        return None
    name = f"WF{len(house.features) + 1}"
    house.features.append(
        {
            "id": name,
            "kind": "metal_or_foil",
            "start": span[0],
            "end": span[1],
            "state": "present",
            "level": None,
        }
    )
    return Trouble(
        cause="S21", of_ids=(name,), start=span[0], end=span[1], strength=float(rng.uniform(0.5, 1.0)),
        rhythm="steady",
    )  # fmt: skip
