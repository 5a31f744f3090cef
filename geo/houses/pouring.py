"""Tests of poured and dyed water as a surveyor makes them, and what the house does with the water."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from geo.houses.home import House
from geo.houses.masonry import SEEN_WET, Shares
from geo.houses.notebook import SURVEYED_ON, Notebook
from geo.houses.pipes import BackUp, Node, back_up
from geo.houses.recording import Habits, taped
from geo.houses.truth import Trouble
from geo.site.records import Reading

COLOURS = ("green", "red", "blue", "orange")
WATCHED_M = 2.0
LEAST_L = 4.0
"""Water that has to get to a wall before a colour is seen on it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Came:
    """Where poured water came out: step of wall, side, seconds after the start, or the asset it rose at."""

    step: int
    side: str
    seconds: float
    at_id: str = ""


class Pourer:
    """One surveyor with a hose, a bucket and dyes."""

    def __init__(
        self, rng: np.random.Generator, house: House, habits: Habits, book: Notebook,
        troubles: list[Trouble], shares: dict[int, Shares],
    ) -> None:  # fmt: skip
        self.rng, self.house, self.habits, self.book = rng, house, habits, book
        self.troubles, self.shares, self.wall = troubles, shares, house.plot.wall

    def pour(self, wet_at: list[float]) -> None:
        """Test the outlets nearest the wet places, one after another, an hour apart or so."""
        rng = self.rng
        nodes = [
            node for node in self.house.drains.nodes.values()
            if node.kind in ("gully", "downpipe") and node.foot != "butt"
        ]  # fmt: skip
        if not wet_at or not nodes:
            return

        def away(node: Node) -> float:
            along = self.wall.along(node.chainage)
            return min(abs(float(along[int(self.wall.at(at))])) for at in wet_at)

        near = sorted((node for node in nodes if away(node) < 4.0), key=away)
        start = datetime.fromisoformat(f"{SURVEYED_ON}T11:00")
        colours = [str(name) for name in rng.permutation(COLOURS)]
        for node, colour in zip(near[: self.habits.tests], colours, strict=False):
            self._one(node, colour, start)
            start += timedelta(minutes=float(rng.uniform(45, 150)))

    def _one(self, node: Node, colour: str, start: datetime) -> None:
        rng = self.rng
        rate = float(rng.uniform(0.15, 0.35))
        measured = bool(rng.random() < 0.8)
        minutes = float(rng.choice([2.0, rng.uniform(4, 8), rng.uniform(10, 20), rng.uniform(20, 35)]))
        litres = rate * minutes * 60
        watched = minutes + float(rng.uniform(0, 30))
        came = self._comes(node, litres, rate)
        shown = came is not None and came.seconds < 60 * watched and rng.random() < 0.95
        dyed = bool(rng.random() < 0.8)
        trial = self.book.next_id("T")
        begun = start + timedelta(minutes=2)
        if rng.random() < 0.65:
            self.book.note(
                "photo", "PH", file=f"{trial}_before.png", of_id=trial, building_id="B1", side="outside",
                chainage_m=taped(rng, node.chainage, self.wall.length), offset_m=1.5,
                taken_at=start.isoformat(timespec="minutes"), scale_in_frame="yes",
            )  # fmt: skip
        place: dict[str, Any] = {}
        if shown and came is not None:
            place["shown_after_s"] = round(came.seconds, 0) if rng.random() < 0.85 else None
            if came.at_id:
                place["shown_id"] = came.at_id
            if came.side:
                at = taped(rng, float(self.wall.s[came.step]), self.wall.length)
                inside = came.side == "inside"
                place |= {
                    "building_id": "B1", "side": came.side, "chainage_m": at, "height_m": 0.1,
                    "offset_m": -round(self.house.fabric.thickness_m, 3) if inside else 0.0,
                }  # fmt: skip
        self.book.note(
            "trial", id=trial, trial_kind="dye" if dyed else "hose", source_id=node.id,
            volume_l=round(litres, 0), volume_sigma_l=round(0.06 * litres + 1, 1),
            bucket_l=10.0 if measured else None, bucket_s=round(10 / rate, 0) if measured else None,
            started_at=begun.isoformat(timespec="minutes"),
            stopped_at=(begun + timedelta(minutes=minutes)).isoformat(timespec="minutes"),
            dye=colour if dyed else "none", watched=" ".join([node.id, *self._watched(node)]),
            shown="shown" if shown else "not_shown", **place,
        )  # fmt: skip

    def _watched(self, node: Node) -> list[str]:
        """Return the readings nearest the outlet, inside and out: where one stands and looks."""
        along = self.wall.along(node.chainage)
        found: list[str] = []
        for side in ("inside", "outside"):
            near = [
                (abs(float(along[int(self.wall.at(one.chainage_m))])), one.id)
                for one in self.book.records.get("reading", [])
                if isinstance(one, Reading) and one.side == side and one.chainage_m is not None
                and one.control == "no"
            ]  # fmt: skip
            found += [name for away, name in sorted(near)[:3] if away < WATCHED_M]
        return found

    def _comes(self, node: Node, litres: float, rate: float) -> Came | None:
        """Follow poured water: what leaks beside the outlet, and what comes up above a stop below it."""
        found = [
            self._leaks(number, trouble, node, litres, rate) for number, trouble in enumerate(self.troubles)
        ]
        came = [one for one in found if one is not None]
        return min(came, key=lambda one: one.seconds, default=None)

    def _leaks(self, number: int, trouble: Trouble, node: Node, litres: float, rate: float) -> Came | None:
        if trouble.cause in ("S01", "S02") and node.id in (*trouble.of_ids, *self._fed_by(trouble)):
            lost = litres * self.house.drains.nodes[trouble.of_ids[0]].loss
            return self._at_wall(number, lost, 0.0)
        if trouble.stopped:
            risen = self._rises(trouble, node)
            if risen is not None and litres > risen.litres:
                wait = risen.litres / rate
                wall = self._at_wall(number, litres - risen.litres, wait)
                return wall or Came(step=0, side="", seconds=wait, at_id=risen.node)
        if trouble.cause in ("S05", "S07"):
            below = [pipe.id for pipe in self.house.drains.below(node.id)]
            ends = [pipe.end for pipe in self.house.drains.below(node.id)]
            if trouble.of_ids[0] in (*below, *ends):
                return self._at_wall(number, 0.25 * litres, 300.0)
        return None

    def _fed_by(self, trouble: Trouble) -> list[str]:
        """Return the downpipes whose water passes the gully that leaks."""
        return [node.id for node in self.house.drains.nodes.values() if node.into in trouble.of_ids]

    def _rises(self, trouble: Trouble, node: Node) -> BackUp | None:
        """Return where water poured at a node comes up above a stop, when it gets to that stop."""
        below = self.house.drains.below(node.id)
        gets_there = trouble.stopped in [pipe.id for pipe in below] + [pipe.end for pipe in below]
        return back_up(self.house.drains, stopped=trouble.stopped, start=node.id) if gets_there else None

    def _at_wall(self, number: int, lost_l: float, wait_s: float) -> Came | None:
        """Return where so much water shows: outside in minutes, inside in many, if it gets there at all."""
        if lost_l < LEAST_L:
            return None
        shares = self.shares[number]
        rng = self.rng
        z = shares.outer.max(axis=1) * self.wall.outside
        room = np.max([through.max(axis=1) for through in shares.room.values()], axis=0)
        through = wait_s + LEAST_L / max(lost_l, 1e-6) * 60 * float(rng.uniform(2, 8))
        if room.max() > SEEN_WET and rng.random() < 0.5:
            return Came(
                step=int(room.argmax()), side="inside", seconds=through + 60 * float(rng.uniform(8, 30))
            )
        if z.max() > SEEN_WET:
            return Came(step=int(z.argmax()), side="outside", seconds=through)
        return None
