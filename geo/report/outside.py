"""What was levelled outside: the book, the falls, the clearances, water that would stand, the outlets."""

from __future__ import annotations

import math
from typing import Any

from geo.draw.ring import by_face
from geo.report import rules
from geo.report.parts import (
    INFERENCE,
    Cell,
    Ids,
    Paragraph,
    Part,
    Table,
    blocks,
    items,
    paragraph,
    sentence,
    sentences,
)
from geo.report.places import tenth
from geo.report.source import Source
from geo.report.wording import amount, count_words, found_ids
from geo.verdict import NOT_KNOWN

FALL_WORDS = {"toward": "falls to the wall", "away": "falls away", "level": "level", NOT_KNOWN: NOT_KNOWN}
CLEAR_WORDS = {"short": "short of the rule", "clear": "clear", NOT_KNOWN: NOT_KNOWN}


def levels_part(source: Source) -> Part:
    """Return the level book: each run with its misclosure and what is allowed."""
    book = source.found.book
    runs = book.runs.itertuples() if book is not None else ()
    rows: list[tuple[Cell, ...]] = [
        (
            Ids((str(run.from_point),)),
            Ids((str(run.to_point),)),
            str(run.n_setups),
            amount(float(run.misclosure_mm), "", digits=1),
            amount(float(run.allowed_setups_mm), "", digits=1),
            str(run.word),
            sentences(str(run.because), str(run.settle)),
        )
        for run in runs
    ]
    table = Table(
        caption="Level book, run by run",
        header=("From", "To", "Set-ups", "Misses by, mm", "Allowed, mm", "Closes", "Because"),
        widths=(0.7, 0.7, 0.7, 1.0, 0.9, 0.9, 3.6),
        numbers=(2, 3, 4),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.BOOK,
    )
    levels = source.found.levels
    count = (
        f"{count_words(len(levels), 'level')} in all, above {source.site.info.datum}." if len(levels) else ""
    )
    notes = [paragraph(sentence(note)) for note in source.found.ground.notes]
    return Part(
        key="levels",
        title="Levels",
        blocks=blocks(paragraph(count, rests_on=found_ids(levels.index[:1])), table, items(notes)),
        why="no level is recorded",
        fills="a level book closed on its bench mark: ground, damp proof course, rims and inverts",
    )


def falls_part(source: Source) -> Part:
    """Return falls and clearances piece by piece, face by face in words, and pools."""
    found = source.found
    places = found.stations.drop(columns="geometry").to_dict("records")
    falls = {(row["station_id"], row["evidence"]): row for row in found.ground.falls.to_dict("records")}
    clear = {row["station_id"]: row for row in found.ground.clearance.to_dict("records")}
    parts = []
    for ring_key in source.scene.drawn_rings:
        rows: list[tuple[Cell, ...]] = []
        for place in places:
            name = place["station_id"]
            levels, raster = falls.get((name, "levels"), {}), falls.get((name, "raster"), {})
            clearance = clear.get(name, {})
            party = "party" in (clearance.get("verdict"), levels.get("verdict"))
            if place["ring_key"] != ring_key or party:
                continue
            rests = found_ids((*levels.get("rests_on", ()), *clearance.get("rests_on", ())))
            rows.append(
                (
                    f"{place['face']}, {tenth(place['chainage_from_m'])}–{tenth(place['chainage_to_m'])}",
                    _fall(levels),
                    _verdict(levels, FALL_WORDS),
                    _fall(raster),
                    _verdict(raster, FALL_WORDS),
                    _clearance(clearance),
                    _verdict(clearance, CLEAR_WORDS),
                    Ids(rests),
                )
            )
        if not any(cell for row in rows for cell in row[1:7]):
            continue
        told = [paragraph(sentence(line)) for line in by_face(source.scene, ring_key)]
        name = source.places.ring(ring_key)
        parts.append(
            Part(
                key=f"falls-{ring_key}",
                title=name,
                blocks=blocks(
                    items(told),
                    Table(
                        caption=f"{name}: fall of the ground toward the wall, and damp proof course above it",
                        header=(
                            "Face, chainage",
                            "By levels, %",
                            "",
                            "By raster, %",
                            "",
                            "Clearance, mm",
                            "",
                            "Rests on",
                        ),
                        widths=(1.2, 1.6, 1.05, 1.6, 1.05, 1.5, 1.15, 1.9),
                        numbers=(1, 3, 5),
                        rows=tuple(rows),
                        nature=INFERENCE,
                        rule=rules.FALLS,
                    ),
                ),
            )
        )
    return Part(
        key="falls",
        title="Falls of the ground and clearances",
        blocks=blocks(_pools(source), items(_pool_lines(source))),
        parts=tuple(parts),
        why="neither ground nor damp proof course is levelled, and there is no raster of the ground",
        fills="levels of ground at the wall and 1.5 m out, and of the damp proof course above them",
    )


def _fall(row: dict[str, Any]) -> str:
    if not math.isfinite(row.get("fall_percent", math.nan)):
        return ""
    return f"{row['fall_percent']:+.1f} ({row['low_percent']:+.1f} to {row['high_percent']:+.1f})"


def _clearance(row: dict[str, Any]) -> str:
    if not math.isfinite(row.get("clearance_mm", math.nan)):
        return ""
    return f"{row['clearance_mm']:.0f} ({row['low_mm']:.0f} to {row['high_mm']:.0f})"


def _verdict(row: dict[str, Any], words: dict[str, str]) -> str:
    word = str(row.get("verdict", ""))
    return words.get(word, word)


def _pools(source: Source) -> Paragraph | None:
    ponds = source.found.ground.ponds
    at_wall = ponds[ponds["at_wall"]] if len(ponds) else ponds
    if at_wall.empty:
        return None
    known = at_wall[at_wall["verdict"] != NOT_KNOWN]
    surer = "none of them is" if known.empty else f"{len(known)} of them {'is' if len(known) == 1 else 'are'}"
    return paragraph(
        "Asked by levels and by raster, each with the gullies as found and with none working, so that one"
        f" hollow may stand here more than once: {count_words(len(at_wall), 'pool')} against the wall;"
        f" {surer} surer than the error of the levels.",
        nature=INFERENCE,
        rule=rules.POOLS,
        rests_on=[name for row in at_wall.itertuples() for name in _levels_at(source, row)],
    )


def _levels_at(source: Source, pool: Any) -> tuple[str, ...]:
    """Return the levels on record along a pool found by levels; a raster is no record."""
    if pool.evidence != "levels":
        return ()
    stations, falls = source.found.stations, source.found.ground.falls
    own = stations[stations["ring_key"] == pool.ring_key]
    first, last = float(pool.chainage_from_m), float(pool.chainage_to_m)
    from_m, to_m = own["chainage_from_m"], own["chainage_to_m"]
    inside = (from_m < last) & (to_m > first) if last >= first else (from_m < last) | (to_m > first)
    along = falls[(falls["evidence"] == "levels") & falls["station_id"].isin(own.loc[inside, "station_id"])]
    return found_ids(name for names in along["rests_on"] for name in names)


def _pool_lines(source: Source) -> list[Paragraph | None]:
    ponds = source.found.ground.ponds
    told = []
    for row in ponds[ponds["at_wall"]].itertuples() if len(ponds) else ():
        where = source.places.span(str(row.ring_key), float(row.chainage_from_m), float(row.chainage_to_m))
        told.append(
            paragraph(
                sentence(f"{where}, gullies {row.gullies}, by {row.evidence}: {row.verdict}, {row.because}"),
                nature=INFERENCE,
                rule=rules.POOLS,
                lead=str(row.pond_id),
                rests_on=_levels_at(source, row),
            )
        )
    return told


def outlets_part(source: Source) -> Part:
    """Return whether wet readings gather at the outlets, method by method, and outlet by outlet."""
    clusters = source.found.cluster_rows
    told = [
        paragraph(
            sentence(str(row["sentence"])),
            lead=_group(source, str(row["group"])),
            nature=INFERENCE,
            rule=rules.GATHER,
            rests_on=row["rests_on"],
        )
        for row in clusters
    ]
    told_of = {str(row["group"]) for row in clusters if row["verdict"] != NOT_KNOWN}
    rows: list[tuple[Cell, ...]] = [
        (
            Ids((str(row["outlet_id"]),)),
            _group(source, str(row["group"])),
            str(row["verdict"]),
            sentences(str(row["because"])),
            sentences(str(row["settle"])),
        )
        for row in source.found.outlet_rows
        if str(row["group"]) in told_of
    ]
    table = Table(
        caption="Outlet by outlet",
        header=("Outlet", "Method", "Wet beside it", "Because", "To settle it"),
        widths=(0.7, 1.7, 0.9, 3.0, 1.7),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.OUTLET,
    )
    return Part(
        key="outlets",
        title="Do wet places gather at the outlets?",
        blocks=blocks(items(told), _radii(source, told_of), table),
        why="no outlet, or no reading outside",
        fills="gullies and downpipes with their chainage, and readings outside both near them and away",
    )


def _radii(source: Source, groups: set[str]) -> Table:
    """Return the counts near outlets and away from them, at every distance they were asked at."""
    rows: list[tuple[Cell, ...]] = [
        (
            _group(source, str(row["group"])),
            f"{at['radius_m']:g}",
            f"{at['wet_near']} of {at['near']}",
            f"{at['wet_away']} of {at['away']}",
            str(at["edge"]),
            _chance(at["p_exact"]),
            _chance(at["p_rotation"]),
        )
        for row in source.found.cluster_rows
        if str(row["group"]) in groups
        for at in row["radii"]
        if math.isfinite(at["p"])
    ]
    return Table(
        caption="Wet places near outlets and further off, at each distance, and how often luck does as much",
        header=(
            "Method", "Near: within, m", "Wet, near", "Wet, further off", "Too near the line to tell",
            "Chance, dealt out", "Chance, turned round the wall",
        ),
        widths=(2.4, 1.0, 0.9, 1.1, 1.2, 1.0, 1.3),
        numbers=(1, 2, 3, 4, 5, 6),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.GATHER,
    )  # fmt: skip


def _chance(value: float) -> str:
    return "under 0.001" if value < 0.001 else amount(value, "", digits=3)


def _group(source: Source, group: str) -> str:
    method, material, _, instrument = group.split("|", 3)
    known = source.ref.methods.get(method)
    named = known.name if known else method.replace("_", " ")
    return f"{named}, {source.ref.word('material', material)}, {instrument}"
