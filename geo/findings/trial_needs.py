"""What a test of a drain must pour, and for how long, before its silence means anything."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import networkx as nx
import pandas as pd

from geo.drains.backup import Blockage, back_up, required_pour
from geo.drains.storage import Inflow
from geo.errors import InputError
from geo.findings.drains import Drains
from geo.reference import Reference
from geo.site.model import Site
from geo.verdict import NOT_KNOWN, Measured

NAN = math.nan
COLUMNS = ["litres", "litres_sigma", "litres_low", "litres_high", "minutes", "wanted_l", "wanted_minutes"]
COLUMNS += ["first", "level_m", "below_ground", "at_least", "word", "because", "settle"]
POURED, ELSEWHERE, PASSES = "poured", "runs off by another way", "passes it all"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Needed:
    """What water put in at one place must fill before it shows somewhere.

    Parameters
    ----------
    source_id, enters
        Where it is put in, and the node of the drains it comes to; ``""`` when none is known.
    rate
        Flow of the test, l/s; NaN where not measured yet.
    litres, minutes
        V* and t*: to the first spill with the stop that takes most below the source; NaN when not known.
    wanted_l, wanted_minutes
        The same times the factor a test is given.
    stop, first, below_ground
        That stop, the node where it would first leave, and whether nothing need show at the surface there.
    because, settle
        A sentence for the page shown before the test; what is missing and how to end it.
    stops
        Every stop below the source, by id: ``litres`` (poured, to the first spill), ``litres_sigma``,
        ``litres_low`` and ``litres_high`` where a level is missing, ``minutes``, ``wanted_l``,
        ``wanted_minutes``, ``first``, ``level_m``, ``below_ground``, ``at_least`` (a size is not
        recorded), ``word`` (``poured``, ``runs off by another way``, ``passes it all``, ``not known``),
        ``because``, ``settle``.
    """

    source_id: str
    enters: str
    rate: Measured
    litres: Measured
    minutes: float
    wanted_l: float
    wanted_minutes: float
    stop: str
    first: str
    below_ground: bool
    because: str
    settle: str
    stops: pd.DataFrame = field(repr=False)

    @property
    def known(self) -> bool:
        """Whether the litres are known for every stop below the source."""
        return math.isfinite(self.litres.value) and not (self.stops["word"] == NOT_KNOWN).any()


def needed_before(
    site: Site, drains: Drains, source_id: str, rate: Measured, *, stop: str | None = None
) -> Needed:
    """Say before a test what it must pour for its silence to mean something.

    Every run and soakaway below the source is stopped in turn, and the pour that first makes water
    leave somewhere is worked out for each. The largest decides: with it every one of them has been asked.

    Parameters
    ----------
    drains
        The site's drains, laid out.
    source_id
        Gully, downpipe, chamber, fixture or run at which water is put in.
    rate
        Flow of the hose, l/s, by bucket and stopwatch; NaN when not taken yet (litres only).
    stop
        One stop to ask of; by default all that lie below the source.
    """
    ref = drains.ref
    enters = enters_at(site, drains, source_id)
    if not enters:
        said = f"{source_id} is joined to no drain on the map, so what it must fill is not known"
        settle = f"Trace where {source_id} goes: run a tap into it with the chambers open."
        return _unknown(source_id, "", rate, said, settle, pd.DataFrame(columns=COLUMNS))
    names = [stop] if stop else stops_below(drains, enters)
    rows = [_row(drains, enters, name, rate, ref) for name in names]
    stops = pd.DataFrame(rows, index=pd.Index(names, dtype=object), columns=COLUMNS)
    if stops.empty:
        said = f"no run or soakaway is recorded below {enters}, so what it must fill is not known"
        settle = f"Trace the drain below {enters}, and level its ends."
        return _unknown(source_id, enters, rate, said, settle, stops)
    known = stops[stops["word"] == POURED]
    missing = stops[stops["word"] == NOT_KNOWN]
    because = "; ".join(f"{name} stopped: {why}" for name, why in missing["because"].items())
    settle = " ".join(dict.fromkeys(missing["settle"]))
    if known.empty:
        said = because or f"whatever is stopped below {enters}, this water finds another way out"
        return _unknown(source_id, enters, rate, said, settle, stops)
    top = str(known["litres"].astype(float).idxmax())
    most = known.loc[top]
    return Needed(
        source_id=source_id,
        enters=enters,
        rate=rate,
        litres=Measured(float(most["litres"]), float(most["litres_sigma"])),
        minutes=float(most["minutes"]),
        wanted_l=float(most["wanted_l"]),
        wanted_minutes=float(most["wanted_minutes"]),
        stop=top,
        first=str(most["first"]),
        below_ground=bool(most["below_ground"]),
        because=_sentence(top, most) + (f" Not known: {because}." if because else ""),
        settle=settle,
        stops=stops,
    )


def enters_at(site: Site, drains: Drains, source_id: str) -> str:
    """Return the node of the drains that water put in at a record comes to, ``""`` when none is known."""
    network = drains.network
    pieces = network.pieces(source_id)
    if pieces:
        return str(network.runs["from_node"].iloc[pieces[0]])
    seen: set[str] = set()
    while source_id and source_id not in seen:
        seen.add(source_id)
        try:
            return str(network.nodes.index[network.place(source_id)])
        except InputError:
            kind = site.ids.get(source_id, "")
            named = (record for record in site.of(kind) if record.id == source_id)
            source_id = str(getattr(next(named, None), "into_id", ""))
            if network.pieces(source_id):
                return enters_at(site, drains, source_id)
    return ""


def stops_below(drains: Drains, enters: str) -> list[str]:
    """Return runs and soakaways that water from a node passes, by id, the nearest first."""
    graph, allowed = drains.network.graph, set(drains.can_be_blocked)
    runs = drains.network.runs["run_id"]
    found: dict[str, None] = {}
    order = [enters, *(below for _, below in nx.bfs_edges(graph, enters))]
    for node in order:
        for _, below, key in graph.out_edges(node, keys=True):
            found[str(runs.loc[key])] = None
            if drains.network.nodes.loc[below, "kind"] == "soakaway":
                found[str(below)] = None
    return [name for name in found if name in allowed]


def _row(drains: Drains, enters: str, stop: str, rate: Measured, ref: Reference) -> dict[str, Any]:
    """Return what one stop asks of the test."""
    flow = Inflow.steady(rate.value) if rate.value > 0 else None
    result = back_up(
        drains.network, blocked=Blockage(asset_id=stop), source=enters, inflow=flow, ref=ref, changes=False
    )
    low, high = result.litres_between
    row: dict[str, Any] = dict.fromkeys(COLUMNS, NAN) | {
        "first": result.first, "level_m": result.level.value, "below_ground": result.below_ground,
        "at_least": bool(result.at_least), "litres_low": low, "litres_high": high,
        "because": "", "settle": "",
    }  # fmt: skip
    if result.drains:
        return row | {"word": ELSEWHERE, "because": f"the water leaves by {result.first} instead"}
    if not (result.litres.value > 0 and math.isfinite(result.litres.value)):
        because = (
            f"the level of {', '.join(result.decides)} decides" if result.decides else "no way out is known"
        )
        settle = f"Level {', '.join(result.decides)}." if result.decides else f"Level what lies above {stop}."
        return row | {"word": NOT_KNOWN, "because": because, "settle": settle}
    if math.isnan(rate.value):
        if result.passes_l_s > 0:
            because = f"{result.passes_l_s:g} l/s still passes, and the rate of the test is not taken"
            return row | {"word": NOT_KNOWN, "because": because, "settle": "Take the rate with a bucket."}
        factor = ref.value("drains.pour_factor")
        return row | {
            "word": POURED, "litres": result.litres.value, "litres_sigma": result.litres.sigma,
            "wanted_l": factor * result.litres.value,
        }  # fmt: skip
    pour = required_pour(result, rate_l_s=rate.value, ref=ref)
    if not math.isfinite(pour.to_spill_l.value):
        because = f"{rate.value:.2g} l/s is no more than the {result.passes_l_s:g} l/s that still passes"
        return row | {"word": PASSES, "because": because, "settle": "Pour faster."}
    share = pour.to_spill_l.value / result.litres.value
    return row | {
        "word": POURED, "litres": pour.to_spill_l.value, "litres_sigma": pour.to_spill_l.sigma,
        "minutes": pour.to_spill_minutes, "wanted_l": pour.wanted_l, "wanted_minutes": pour.wanted_minutes,
        "litres_low": low * share, "litres_high": high * share,
    }  # fmt: skip


def _sentence(stop: str, row: pd.Series[Any]) -> str:
    where = f"at {row['first']}" + (", below ground" if row["below_ground"] else "")
    said = f"With {stop} stopped it takes {row['litres']:.1f} l"
    if math.isfinite(row["minutes"]):
        said += f" and {row['minutes']:.1f} min"
    said += f" before water leaves {where}; pour {row['wanted_l']:.0f} l"
    said += f" over {row['wanted_minutes']:.0f} min" if math.isfinite(row["wanted_minutes"]) else ""
    return said + "."


def _unknown(
    source_id: str, enters: str, rate: Measured, because: str, settle: str, stops: pd.DataFrame
) -> Needed:
    blank = Measured(NAN, NAN)
    return Needed(
        source_id=source_id, enters=enters, rate=rate, litres=blank, minutes=NAN, wanted_l=NAN,
        wanted_minutes=NAN, stop="", first="", below_ground=False, because=because, settle=settle,
        stops=stops,
    )  # fmt: skip


def read_beside(needed: Needed) -> Iterator[str]:
    """Yield what one should read beside the litres: buried ways out, and sizes not recorded."""
    if needed.below_ground:
        yield (
            f"The first way out, {needed.first}, is below ground: nothing need show at the surface,"
            " so watch the level in the gully and the wall."
        )
    if needed.stop and needed.stops.loc[needed.stop, "at_least"]:
        yield "The size of something on the way is not recorded, so the litres are at least."
