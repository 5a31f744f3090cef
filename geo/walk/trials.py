"""Water tests in an order that keeps walls dry for the next one, each with its litres and minutes."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Sequence

from geo.drains.network import Network
from geo.reference import Reference
from geo.walk.ground_plan import Lie
from geo.walk.inside import missing_leave
from geo.walk.minutes import Task, pour_task, task
from geo.walk.outside import words
from geo.walk.sources import Source, settled_by, sources_of
from geo.walk.stops import Pouring, Stop
from geo.walk.words import DROP_RANK, LEFT_OUT


def trial_stops(lie: Lie, network: Network) -> list[Stop]:
    """Return the water tests: of sources near wet lengths, or time kept free before walls are read.

    A source a test on record already answers for comes last, with nothing to do.
    """
    if not lie.read:
        return _reserved(lie.ref)
    sources = sources_of(lie, network)
    settled = {source.id: settled_by(lie, source) for source in sources}
    due = [source for source in sources if not settled[source.id][0]]
    stops = [
        _stop(lie, source, pouring, settled[source.id][1])
        for source, pouring in schedule(due, dyes=_dyes(lie), ref=lie.ref)
    ]
    done = [
        Stop(
            id=f"trial:{source.id}",
            part="tests",
            kind="trial",
            title=f"Water into {source.id}",
            expected=settled[source.id][1],
            settled=settled[source.id][1],
            rests_on=(source.id,),
        )
        for source in sources
        if settled[source.id][0]
    ]
    return [*stops, *done]


def schedule(
    sources: Sequence[Source], *, dyes: Sequence[str], ref: Reference
) -> list[tuple[Source, Pouring]]:
    """Order tests and give each its colour and its wait.

    The lowest source comes first, except that what lies downstream of a source comes before it; a source
    whose level is not known comes after those that are. One source at a time, each its own colour; two
    sources that may feed one wet length are kept ``walk.drain_min`` apart.

    Parameters
    ----------
    dyes
        Colours free to be used, in the order they are given out.
    """
    rate = ref.value("walk.hose_l_s")
    rest = ref.value("walk.drain_min")
    colours = iter(dyes)
    clock = 0.0
    ended: dict[str, float] = {}
    found = []
    for source in in_dry_order(sources):
        known = math.isfinite(source.litres)
        litres = source.litres if known else ref.value("walk.pour_l")
        ready = max((ended[wet] + rest for wet in source.wet_ids if wet in ended), default=0.0)
        wait = max(0.0, ready - clock)
        begin = clock + wait
        clock = begin + _work(source, litres, ref).minutes
        ended |= dict.fromkeys(source.wet_ids, clock)
        found.append(
            (
                source,
                Pouring(
                    source_id=source.id,
                    level_m=source.level_m,
                    litres=litres,
                    rate_l_s=rate,
                    known=known,
                    because=source.because,
                    dye="" if source.kind == "soakaway" else next(colours, ""),
                    wet_ids=source.wet_ids,
                    wait_min=wait,
                    starts_min=begin,
                    ends_min=clock,
                ),
            )
        )
    return found


def in_dry_order(sources: Iterable[Source]) -> list[Source]:
    """Return sources lowest first, but never one before another that lies downstream of it."""
    own = {source.id: source for source in sources}
    waits_for = {name: {each for each in source.onward if each in own} for name, source in own.items()}

    def key(name: str) -> tuple[bool, float, str]:
        level = own[name].level_m
        return not math.isfinite(level), level if math.isfinite(level) else 0.0, name

    ready = [key(name) for name, others in waits_for.items() if not others]
    heapq.heapify(ready)
    found: list[Source] = []
    taken: set[str] = set()
    while len(found) < len(own):
        # a ring of drains has no lowest end: then the lowest that is left goes first
        name = heapq.heappop(ready)[2] if ready else min(set(own) - taken, key=key)
        if name in taken:
            continue
        taken.add(name)
        found.append(own[name])
        for other, others in waits_for.items():
            if name in others:
                others.discard(name)
                if not others and other not in taken:
                    heapq.heappush(ready, key(other))
    return found


def _work(source: Source, litres: float, ref: Reference) -> Task:
    if source.kind == "soakaway":
        return task("soakaway_fill", ref=ref)
    return pour_task(litres, ref.value("walk.hose_l_s"), ref=ref)


def _dyes(lie: Lie) -> list[str]:
    """Return colours not yet used at this site: a colour speaks for one source only."""
    used = {str(getattr(record, "dye", "")) for record in lie.site.of("trial")}
    return [key for key in lie.ref.vocabulary.get("dye", {}) if key != "none" and key not in used]


def _stop(lie: Lie, source: Source, pouring: Pouring, told: str) -> Stop:
    ref = lie.ref
    where = " and ".join(wet.where for wet in lie.wet if wet.id in pouring.wet_ids)
    tasks: list[Task] = []
    if pouring.wait_min > 0:
        tasks.append(Task(work="wait", count=1, each_min=pouring.wait_min))
    tasks.append(_work(source, pouring.litres, ref))
    colour = ref.word("dye", pouring.dye) if pouring.dye else "no colour left: keep it for another visit"
    usual = "" if pouring.known else f"not known: {pouring.because}; the usual litres taken"
    said = [
        "fill it and time it to half empty"
        if source.kind == "soakaway"
        else f"pour {pouring.litres:.0f} l at {pouring.rate_l_s:g} l/s ({colour})",
        pouring.because if pouring.known or source.kind == "soakaway" else usual,
        f"watch {where}",
        *([told] if told else []),
    ]
    if pouring.wait_min > 0:
        said.insert(0, f"wait {pouring.wait_min:.0f} min after the test before")
    row = lie.assets.loc[source.id]
    return Stop(
        id=f"trial:{source.id}",
        part="tests",
        kind="trial",
        title=f"{'Fill soakaway' if source.kind == 'soakaway' else 'Water into'} {source.id}",
        expected="; ".join(said),
        ring_key=str(row["ring_key"]),
        face=str(row["face"]),
        chainage_m=float(row["chainage_m"]),
        x=float(row["x"]),
        y=float(row["y"]),
        state_group="trial_shown",
        states=words(ref, "trial_shown"),
        photos=("the wall before, from where it will be watched", "the wall after"),
        if_seen=("water stands and does not fall: leave what drains to it for another day",)
        if source.kind == "soakaway"
        else ("it shows below or elsewhere: stop, write the minute, and leave the next source dry",),
        tasks=tuple(tasks),
        needs=missing_leave(lie, "water_test"),
        left_out=LEFT_OUT["soakaway_fill" if source.kind == "soakaway" else "trial"].format(
            name=source.id, where=where
        ),
        drop_rank=DROP_RANK["soakaway_fill" if source.kind == "soakaway" else "trial"],
        rests_on=(source.id,),
        pouring=pouring,
    )


def _reserved(ref: Reference) -> list[Stop]:
    """Return time kept free for tests that only the readings can choose."""
    litres, rate = ref.value("walk.pour_l"), ref.value("walk.hose_l_s")
    return [
        Stop(
            id=f"trial:reserved:{count}",
            part="tests",
            kind="reserved",
            title=f"Time for a dyed test ({count})",
            expected=f"chosen once the walls are read: lowest first; {litres:.0f} l at {rate:g} l/s taken",
            state_group="trial_shown",
            states=words(ref, "trial_shown"),
            tasks=(pour_task(litres, rate, ref=ref),),
            left_out=LEFT_OUT["reserved"],
            drop_rank=DROP_RANK["reserved"],
        )
        for count in range(1, round(ref.value("walk.tests_reserved_count")) + 1)
    ]
