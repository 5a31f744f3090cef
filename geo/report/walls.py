"""What was read of the walls: wet places, methods and instruments, readings, samples, air."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

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
    listed,
    paragraph,
    said,
    sentence,
    sentences,
)
from geo.report.places import WetPlace, stretch_span
from geo.report.source import Source
from geo.report.wording import amount, count_words, day_words, found_ids, plain_number

SIDE_WORDS = {"inside": "inside", "outside": "outside", "cavity": "in the cavity", "floor": "on the floor"}


def wet_sentence(source: Source, place: WetPlace, name: str) -> Paragraph | None:
    """Say where a wet place is, how long, and by which methods, which are not pooled."""
    stretches = source.found.stretches.loc[list(place.stretch_ids)]
    methods = source.ref.methods
    seen = []
    for row in stretches.itertuples():
        method, material = str(row.group).split("|")[:2]
        known = methods[method].name if method in methods else method
        unit = methods[method].unit if method in methods else ""
        seen.append(
            f"{row.Index} by {known[:1].lower()}{known[1:]} ({source.ref.word('material', material)}):"
            f" {row.n_wet} of {row.n} readings wet, highest {row.highest} {unit}".rstrip()
        )
    where = source.places.span(place.ring_key, place.from_m, place.to_m)
    rests = found_ids(name for row in stretches["reading_ids"] for name in row)
    return paragraph(
        f"{SIDE_WORDS.get(place.side, place.side).capitalize()}, {where}: {place.length_m:.1f} m wet."
        f" {'; '.join(seen)}.",
        lead=f"Place {name}",
        nature=INFERENCE,
        rule=rules.WET,
        rests_on=rests,
    )


def wet_part(source: Source) -> Part:
    """Return the wet places one by one."""
    told = [
        wet_sentence(source, place, name) for place, name in zip(source.wet, source.wet_names, strict=True)
    ]
    coverage = coverage_sentences(source)
    return Part(
        key="wet",
        title="Where it is wet",
        blocks=blocks(paragraph(coverage), items(told)) if told else blocks(_none_wet(source)),
        why="no reading is recorded" if source.found.readings.empty else "",
        fills="moisture readings with at least five dry references of the same method and material",
    )


def _none_wet(source: Source) -> Paragraph | None:
    read = source.found.readings
    if read.empty:
        return None
    return paragraph(
        f"{count_words(len(read), 'reading')} taken, and none is wet against this house's own dry readings.",
        nature=INFERENCE,
        rule=rules.WET,
        rests_on=found_ids(read.index),
    )


def coverage_sentences(source: Source) -> str:
    """Say how much wall was read, side by side and ring by ring."""
    found = []
    for row in source.found.coverage.itertuples():
        if not row.readable_m > 0:
            continue
        named = source.places.ring(str(row.ring_key))
        found.append(
            f"{named}, {row.side}: {row.read_m:.1f} m read of {row.readable_m:.1f} m that can be read"
        )
    return sentences(*found)


def method_part(source: Source) -> Part:
    """Return methods, instruments with their checks, and dry references."""
    instruments: list[Any] = list(source.site.of("instrument"))
    rows: list[tuple[Cell, ...]] = [
        (
            Ids((one.id,)),
            one.principle,
            one.scale,
            day_words(one.checked_on),
            "" if one.check_expected is None else plain_number(one.check_expected),
            "" if one.check_read is None else plain_number(one.check_read),
        )
        for one in instruments
    ]
    groups = source.found.groups
    controls: list[Any] = list(source.site.of("control_set"))
    return Part(
        key="method",
        title="Method and instruments",
        blocks=blocks(
            *(_instrument_table(rows),) if rows else (),
            _groups_table(source, groups),
            _sees(source, groups),
            items(
                paragraph(
                    sentence(
                        f"{_method_name(source, one.method)}, {source.ref.word('material', one.material)}:"
                        f" {one.place}{'; ' if one.place and one.reason else ''}{one.reason}"
                    )
                    if one.place or one.reason
                    else "",
                    lead="Dry reference",
                    rests_on=(one.id,),
                )
                for one in controls
            ),
        ),
        why="no instrument and no reading is recorded",
        fills="instruments with the day and the numbers of their check, and readings",
    )


def _instrument_table(rows: list[tuple[Cell, ...]]) -> Table:
    return Table(
        caption="Instruments and the check made of each",
        header=("Instrument", "Measures by", "Scale", "Checked", "Should read", "Read"),
        widths=(1.0, 2.2, 2.0, 1.4, 0.9, 0.8),
        numbers=(4, 5),
        rows=tuple(rows),
    )


def _method_name(source: Source, key: str) -> str:
    method = source.ref.methods.get(key)
    return method.name if method else key.replace("_", " ")


def _groups_table(source: Source, groups: pd.DataFrame) -> Table | None:
    if groups.empty:
        return None
    rows: list[tuple[Cell, ...]] = []
    for row in groups.itertuples():
        by = "excess over control" if row.basis_of_comparison == "excess" else "ranks only"
        rows.append(
            (
                _method_name(source, str(row.method)),
                source.ref.word("material", str(row.material)),
                str(row.instrument),
                str(row.n),
                str(row.n_control),
                amount(float(row.control_median), "", digits=1),
                amount(float(row.robust_sigma), "", digits=1),
                str(row.because) or by,
            )
        )
    return Table(
        caption="Methods, each with its own dry readings; they are never pooled",
        header=("Method", "Material", "Instrument", "Read", "Dry refs", "Middle", "Spread", "Compared by"),
        widths=(2.2, 1.2, 0.9, 0.6, 0.6, 0.7, 0.7, 2.0),
        numbers=(3, 4, 5, 6),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.DRY_REFS,
    )


def _sees(source: Source, groups: pd.DataFrame) -> Any:
    """Say what each method used sees, and what spoils it."""
    found = []
    for key in dict.fromkeys(groups["method"]) if len(groups) else ():
        method = source.ref.methods.get(str(key))
        if method is not None:
            spoiled = f"; misled by {listed(method.spoiled_by)}" if method.spoiled_by else ""
            found.append(paragraph(sentence(f"{method.sees}{spoiled}"), lead=method.name))
    return items(found)


def readings_part(source: Source) -> Part:
    """Return every reading by method, dry references included, with what it was compared with."""
    read = source.found.readings
    parts = []
    for _, own in read.groupby("group", sort=True) if len(read) else ():
        first = own.iloc[0]
        rows: list[tuple[Cell, ...]] = []
        for row in own.sort_values(["control", "side", "ring_key", "chainage_m"]).itertuples():
            where = (
                source.places.spot(str(row.ring_key), float(row.chainage_m))
                if row.status == "joined"
                else f"{row.status}: {row.reason}"
            )
            rows.append(
                (
                    Ids((str(row.Index),)),
                    str(row.side),
                    where,
                    amount(float(row.height_m), "", digits=2),
                    str(row.value_text),
                    amount(float(row.excess), "", digits=1) or _at_least(row),
                    "dry reference" if row.control else str(row.wet),
                )
            )
        material = source.ref.word("material", str(first["material"]))
        named = f"{_method_name(source, str(first['method']))}, {material}"
        parts.append(
            Table(
                caption=f"{named}, instrument {first['instrument']}, values in {first['unit']}",
                header=("Reading", "Side", "Where", "Height, m", "Value", "Excess", "Called"),
                widths=(0.8, 0.8, 3.4, 0.8, 0.7, 0.8, 1.2),
                numbers=(3, 4, 5),
                rows=tuple(rows),
                nature=INFERENCE,
                rule=rules.WET,
            )
        )
    return Part(
        key="readings",
        title="Readings by method",
        blocks=tuple(parts),
        why="no reading is recorded",
        fills="moisture readings with their method, material and instrument",
    )


def _at_least(row: Any) -> str:
    least = float(getattr(row, "excess_at_least", math.nan))
    return f"≥ {least:.1f}" if math.isfinite(least) else ""


def profile_part(source: Source) -> Part:
    """Return each stretch with its profile by height."""
    stretches = source.found.stretches
    rows: list[tuple[Cell, ...]] = []
    for name, row in stretches.iterrows():
        settle = f" To settle: {row['profile_settle']}." if row["profile_settle"] else ""
        rows.append(
            (
                str(name),
                str(row["side"]),
                stretch_span(source.places, row),
                f"{row['length_m']:.1f}",
                str(row["highest"]),
                f"{row['profile']}: {row['profile_because']}.{settle}",
                Ids(tuple(row["reading_ids"])),
            )
        )
    table = Table(
        caption="Wet stretches, one method each",
        header=("Stretch", "Side", "Where", "Wet, m", "Highest", "By height", "Rests on"),
        widths=(0.7, 0.7, 2.0, 0.6, 0.7, 2.4, 1.2),
        numbers=(3, 4),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.WET,
    )
    return Part(
        key="stretches",
        title="Stretches and their profiles",
        blocks=blocks(table),
        why="no stretch is wet",
        fills="readings that are wet against their own dry references",
    )


def samples_part(source: Source) -> Part:
    """Return samples on both bases, and salts."""
    table = source.found.samples
    masses = source.site.table("sample")
    rows: list[tuple[Cell, ...]] = []
    for name, row in table.iterrows():
        where = source.places.spot(str(row["ring_key"] or ""), float(row["chainage_m"]))
        depth = masses.loc[name]
        deep = (
            f"{depth['depth_from_mm']:.0f}–{depth['depth_to_mm']:.0f}"
            if math.isfinite(depth["depth_from_mm"]) and math.isfinite(depth["depth_to_mm"])
            else ""
        )
        rows.append(
            (
                Ids((str(name),)),
                where,
                amount(float(row["height_m"]), "", digits=2),
                deep,
                source.ref.word("material", str(row["material"])),
                _percent(row, "mc_dry"),
                _percent(row, "mc_wet"),
                _percent(row, "hmc_dry"),
                _percent(row, "hmc_wet"),
                str(row["refused"] or row["word"]),
            )
        )
    content = Table(
        caption="Samples: moisture content (MC) and held at 75 % RH (HMC), in % of dry and wet mass",
        header=(
            "Sample",
            "Where",
            "Height, m",
            "Depth, mm",
            "Material",
            "MC dry",
            "MC wet",
            "HMC dry",
            "HMC wet",
            "Shows",
        ),
        widths=(0.7, 2.3, 0.7, 0.8, 0.8, 0.9, 0.9, 0.9, 0.9, 1.0),
        numbers=(2, 5, 6, 7, 8),
        rows=tuple(rows),
        nature=INFERENCE,
        rule=rules.CONTENT,
    )
    told = []
    for (key, at), own in table.groupby(["ring_key", table["chainage_m"].round(1)]) if len(table) else ():
        first = own.iloc[0]
        told.append(
            paragraph(
                sentences(
                    f"{source.places.spot(str(key), float(at))}: {first['place_word']}"
                    + (f", {first['place_because']}" if first["place_because"] else ""),
                    said("to settle it: {settle}", settle=str(first["place_settle"])),
                ),
                nature=INFERENCE,
                rule=rules.CONTENT,
                rests_on=found_ids(own.index),
            )
        )
    salts: list[Any] = list(source.site.of("salt"))
    salt_rows: list[tuple[Cell, ...]] = [
        (
            Ids((one.id,)),
            one.sample_id,
            source.ref.word("ion", one.ion),
            source.ref.word("salt_method", one.salt_method),
            source.ref.word("salt_class", one.salt_class) if one.salt_class else "",
            amount(one.content_percent, "%", digits=2),
            amount(one.extract_mg_l, "mg/l", digits=0),
            amount(one.extract_ratio, ": 1", digits=0),
        )
        for one in salts
    ]
    return Part(
        key="samples",
        title="Samples and salts",
        blocks=blocks(
            content,
            items(told),
            Table(
                caption="Salts",
                header=(
                    "Salt",
                    "In sample",
                    "Ion",
                    "Found by",
                    "Class",
                    "Share",
                    "Extract",
                    "Water to sample",
                ),
                widths=(0.7, 0.9, 1.0, 1.3, 1.0, 0.8, 0.9, 1.0),
                rows=tuple(salt_rows),
                numbers=(5, 6, 7),
            ),
        ),
        why="no sample and no salt is recorded",
        fills="drilled samples with their masses wet, at 75 % RH and dry, at four heights",
    )


def _percent(row: Any, name: str) -> str:
    return amount(float(row[name]), "", digits=2, sigma=float(row[f"{name}_sigma"]))


def air_part(source: Source) -> Part:
    """Return air and surface readings as taken."""
    found: list[Any] = list(source.site.of("environment"))
    rows: list[tuple[Cell, ...]] = [
        (
            Ids((one.id,)),
            source.ref.word("air_place", one.place),
            day_words(one.taken_at),
            amount(one.air_c, "", digits=1),
            amount(one.humidity_percent, "", digits=0),
            amount(one.surface_c, "", digits=1),
            one.instrument,
        )
        for one in found[:MOST_AIR]
    ]
    more = len(found) - MOST_AIR
    table = Table(
        caption="Air and surfaces, as read; one reading is one moment",
        header=("Record", "Where", "When", "Air, °C", "RH, %", "Surface, °C", "Instrument"),
        widths=(0.8, 1.4, 1.8, 0.8, 0.8, 1.0, 1.0),
        numbers=(3, 4, 5),
        rows=tuple(rows),
    )
    rest = f"{count_words(more, 'further reading')} of the air stand in the last part." if more > 0 else ""
    return Part(
        key="air",
        title="Air",
        blocks=blocks(table, paragraph(rest)),
        why="no air reading is recorded",
        fills="air temperature and humidity, inside and outside, and surface temperature at the wet places",
    )


MOST_AIR = 40
