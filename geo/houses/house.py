"""One invented house, from its number: the site as surveyed, and the truth behind it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from geo import reference
from geo.houses.fabric import draw_fabric
from geo.houses.home import House
from geo.houses.masonry import FOOT, SEEN_WET, Shares, moisture_of
from geo.houses.notebook import SURVEYED_ON, Notebook
from geo.houses.pipes import draw_drains
from geo.houses.pouring import Pourer
from geo.houses.probing import Prober
from geo.houses.reading import Reader
from geo.houses.recording import Recorder, draw_habits
from geo.houses.troubles import draw_troubles
from geo.houses.truth import Fields, Range, Trouble, TrueCause
from geo.houses.wall import Flags
from geo.houses.water import supply_of
from geo.reference import Reference
from geo.site.model import Site

SHORTEST_M = 0.2
READ_FROM_TO_M = {"inside": (0.08, 1.6), "outside": (0.15, 1.2)}
"""Heights at which a wall is read: above the floor inside, above the ground outside."""
TRIES = 60


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InventedHouse:
    """A house nobody lives in.

    Parameters
    ----------
    seed, number
        What it was drawn from; the same pair always gives the same house.
    site
        As a surveyor recorded it.
    causes
        What is true of it: sources, routes and mimics that wet a wall or make it read wet.
    idle
        Faults that wet nothing: causes and records.
    length_m
        Its perimeter.
    """

    seed: int
    number: int
    site: Site
    causes: tuple[TrueCause, ...]
    idle: tuple[tuple[str, tuple[str, ...]], ...]
    length_m: float
    fields: Fields = field(repr=False)


def draw_house(seed: int, number: int, *, ref: Reference | None = None) -> InventedHouse:
    """Draw house ``number`` of a seed: alone or among a thousand it is the same.

    Raises
    ------
    RuntimeError
        When no house with a wet wall came of sixty attempts, which has not been seen.
    """
    for attempt in range(TRIES):
        rng = np.random.default_rng([seed, number, attempt])
        house = _sound_house(rng)
        troubles = draw_troubles(rng, house)
        fields, shares = moisture_of(house.plot, house.fabric, troubles, salts_rng=rng)
        causes = [(trouble, _truth(house, trouble, n, shares, fields)) for n, trouble in enumerate(troubles)]
        real = [(trouble, true) for trouble, true in causes if true.ranges]
        if not any(true.wets_inside for _, true in real) or len(real) > 6:
            continue
        fields.shares["standing"] = _standing(house, troubles)
        site = _survey(rng, house, troubles, real, fields, shares, seed, number, ref or reference.default())
        idle = tuple((trouble.cause, trouble.of_ids) for trouble, true in causes if not true.ranges)
        return InventedHouse(
            seed=seed, number=number, site=site, causes=tuple(true for _, true in real), idle=idle,
            length_m=house.plot.wall.length, fields=fields,
        )  # fmt: skip
    raise RuntimeError(f"house {number} of seed {seed} came to nothing")


def _sound_house(rng: np.random.Generator) -> House:
    """Draw a house with gutters, a chimney or two, and small faults that wet nothing."""
    plot, fabric = draw_fabric(rng)
    house = House(plot=plot, fabric=fabric, drains=draw_drains(rng, plot))
    wall = plot.wall
    eaves = sorted(np.flatnonzero(wall.free), key=lambda face: -float(np.diff(wall.starts)[face]))[:3]
    for n, face in enumerate(sorted(int(one) for one in eaves), start=1):
        house.gutters.append(
            {
                "id": f"GT{n}", "start": float(wall.starts[face]) + 0.05,
                "end": float(wall.starts[face + 1]) - 0.05, "state": "sound",
            }
        )  # fmt: skip
    for node in house.drains.of("gully"):
        if rng.random() < 0.1:
            node.state = str(rng.choice(["surround_cracked", "loose", "grating_blocked"]))
    if rng.random() < 0.35:
        on = int(rng.integers(len(wall.free)))
        start = float(
            rng.uniform(wall.starts[on] + 0.1, max(wall.starts[on + 1] - 1.5, wall.starts[on] + 0.2))
        )
        end = min(start + 1.4, float(wall.starts[on + 1]))
        house.features.append(
            {
                "id": "WF1",
                "kind": "chimney_breast",
                "start": start,
                "end": end,
                "state": "sound",
                "level": None,
            }
        )
    for n in range(int(rng.integers(0, 3))):
        on = int(rng.choice(np.flatnonzero(wall.free)))
        at = float(rng.uniform(wall.starts[on] + 0.2, wall.starts[on + 1] - 0.2))
        kind = str(rng.choice(["heating", "water_pipe", "waste", "water_main"]))
        house.services.append({"id": f"SV{n + 1}", "kind": kind, "at": at, "loses": False})
    return house


def _standing(house: House, troubles: list[Trouble]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    levels = [supply_of(house.plot, house.fabric, one).standing for one in troubles if one.cause in FOOT]
    top = np.max(levels, axis=0) if levels else np.full(len(house.plot.wall.s), -np.inf)
    return np.where(np.isfinite(top), top, np.nan)


def _truth(
    house: House, trouble: Trouble, number: int, shares: dict[int, Shares], fields: Fields
) -> TrueCause:
    """Return what a trouble does to the wall, by the physics; nothing when it wets nothing."""
    wall, z = house.plot.wall, fields.z
    over_floor = z - house.fabric.floor_level
    indoors = (over_floor >= READ_FROM_TO_M["inside"][0]) & (over_floor <= READ_FROM_TO_M["inside"][1])
    height = z[None, :] - house.plot.ground[:, None]
    outdoors = (height >= READ_FROM_TO_M["outside"][0]) & (height <= READ_FROM_TO_M["outside"][1])
    routes: list[str] = []
    inside = np.zeros(len(wall.s), dtype=bool)
    outside = np.zeros(len(wall.s), dtype=bool)
    floor = np.zeros(len(wall.s), dtype=bool)
    if number in shares:
        own = shares[number]
        for name, through in own.room.items():
            here = (through[:, indoors] > SEEN_WET).any(axis=1)
            if here.any() and name.startswith("S"):
                routes.append(name)
            inside |= here
        outside = ((own.outer > SEEN_WET) & outdoors).any(axis=1) & wall.outside
        if own.floor is not None:
            floor = own.floor > SEEN_WET
        if (
            trouble.cause not in ("S03", "S13")
            and ((own.outer > SEEN_WET) & outdoors & (z[None, :] > house.fabric.outer_course[:, None])).any()
        ):
            routes += [name for name in ("S08", "S10") if name not in routes and _open(house, name).any()]
    elif trouble.cause in ("S08", "S10", "S11", "S12"):
        zone = _zone(house, trouble)
        for each in shares.values():
            passed = each.room.get(trouble.cause)
            if passed is not None:
                inside |= (passed[:, indoors] > SEEN_WET).any(axis=1) & zone
            if trouble.cause in ("S08", "S10"):
                over = z[None, :] > house.fabric.outer_course[:, None]
                outside |= ((each.outer > SEEN_WET) & outdoors & over).any(axis=1) & zone & wall.outside
            if trouble.cause == "S11" and each.floor is not None and "S11" in each.room:
                floor |= (each.floor > SEEN_WET) & zone
    else:
        field_of = {
            "S15": fields.film, "S16": fields.salts, "S17": fields.shares["residue"], "S21": fields.artefact
        }  # fmt: skip
        there = wall.between(trouble.start, trouble.end)
        inside = (field_of[trouble.cause][:, indoors] > SEEN_WET).any(axis=1) & there
    ranges = [
        Range(side=side, from_m=a, to_m=b)
        for side, wet in (("inside", inside), ("outside", outside), ("floor", floor))
        for a, b in wall.ranges(wet)
        if (b - a) % wall.length > SHORTEST_M or b - a >= wall.length
    ]
    return TrueCause(
        cause=trouble.cause, of_ids=trouble.of_ids, routes=tuple(dict.fromkeys(routes)), ranges=tuple(ranges)
    )


def _open(house: House, route: str) -> Flags:
    raised = np.nan_to_num(house.fabric.raised, nan=-np.inf) > house.fabric.outer_course
    return raised if route == "S08" else house.fabric.outer_fails


def _zone(house: House, trouble: Trouble) -> Flags:
    if trouble.cause == "S11":
        return house.fabric.slab_bridges
    return house.plot.wall.between(trouble.start, trouble.end)


def _survey(
    rng: np.random.Generator, house: House, troubles: list[Trouble],
    real: list[tuple[Trouble, TrueCause]], fields: Fields, shares: dict[int, Shares], seed: int, number: int,
    ref: Reference,
) -> Site:  # fmt: skip
    """Send a surveyor round the house, and return what they recorded."""
    book, habits = Notebook(), draw_habits(rng)
    recorder = Recorder(rng, house, habits, book)
    recorder.walk()
    reader = Reader(rng, house, fields, habits, book)
    reader.read_all()
    wet_at = sorted({*reader.wet_at["inside"], *reader.wet_at["outside"]})
    Prober(rng, house, fields, habits, book, reader.wet_at["inside"]).look(real)
    Pourer(rng, house, habits, book, troubles, shares).pour(wet_at)
    info = {
        "crs": "EPSG:27700", "datum": "site datum, bench mark 10.000", "bench_mark": "front step",
        "bench_mark_level_m": 10.0, "surveyed_on": SURVEYED_ON, "surveyed_by": "surveyor",
        "scenario": "Invented: drawn by the simulator of houses; nothing here is a real home.",
    }  # fmt: skip
    return book.site(name=f"Invented house {number} of seed {seed}", info=info, reference=ref)
