"""How long ten thousand rows take to come in, and what the guarded process costs a file."""

from __future__ import annotations

import io
import statistics
import time
from collections.abc import Callable

import numpy as np
import openpyxl

from geo import reference
from geo.intake.apply import apply
from geo.intake.guarded import read_guarded
from geo.intake.mapping import answer, propose_mapping
from geo.intake.pasted import check_pasted, read_pasted
from geo.intake.read_workbook import read_workbook
from geo.intake.sheet import look_at, table_limits

REF = reference.default()
ROWS = 10_000
FIXED = {"method": "resistance_wood", "material": "brick", "instrument": "M1"}


def written() -> list[list[str]]:
    """Return rows of readings: id, face, distance in mm, height in cm, value, date."""
    random = np.random.default_rng(1)
    distance, height = random.integers(0, 8000, ROWS), random.integers(5, 150, ROWS)
    value = np.round(random.uniform(7, 29, ROWS), 1)
    return [
        [
            f"R{at}",
            f"F{1 + at % 4}",
            str(distance[at]),
            str(height[at]),
            str(value[at]) if at % 7 else ">30",
            f"{1 + at % 28}/11/2026",
        ]
        for at in range(ROWS)
    ]


def took(run: Callable[[], object]) -> float:
    """Return the middle of three times, in seconds."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> None:
    """Print the times."""
    header = ["Ref", "Wall", "Distance (mm)", "Height (cm)", "Reading", "Date"]
    rows = written()
    raw = "\n".join(";".join(row) for row in [header, *rows]).encode()
    (sheet,) = look_at("a.csv", raw, ref=REF).sheets
    mapping = propose_mapping(sheet, "reading")
    for name, said in FIXED.items():
        mapping = answer(mapping, f"fixed:{name}", said)
    found = apply(sheet, mapping, ref=REF)
    print(f"{len(found.records):,} records of {found.read:,} rows, {len(found.problems)} problems")
    print(f"CSV looked at    {took(lambda: look_at('a.csv', raw, ref=REF)):6.2f} s")
    print(f"CSV validated    {took(lambda: apply(sheet, mapping, ref=REF)):6.2f} s")
    wrong = answer(answer(mapping, "unit:Height (cm)", "m"), "fixed:method", "nothing")
    bad = apply(sheet, wrong, ref=REF)
    print(f"with {len(bad.problems):,} problems {took(lambda: apply(sheet, wrong, ref=REF)):6.2f} s")
    pasted = "\n".join("\t".join([row[1], str(int(row[3]) / 100), row[4]]) for row in rows)
    columns = ["face", "height_m", "value"]
    print(
        "pasted cells     "
        f"{took(lambda: check_pasted(read_pasted(pasted, columns, ref=REF), 'reading', ref=REF, fixed=FIXED)):6.2f} s"
    )
    book = openpyxl.Workbook()
    for row in [header, *rows]:
        book.active.append(row)
    held = io.BytesIO()
    book.save(held)
    whole, options = held.getvalue(), table_limits(REF)
    print(f"workbook         {took(lambda: look_at('a.xlsx', whole, ref=REF)):6.2f} s")
    book = openpyxl.Workbook()
    book.active.append(header)
    book.active.append(rows[0])
    held = io.BytesIO()
    book.save(held)
    small = held.getvalue()
    plain = took(lambda: read_workbook(small, options))
    guarded = took(lambda: read_guarded("workbook", small, file="a.xlsx", ref=REF, options=options))
    alone = took(lambda: read_guarded("workbook", small, file="a.xlsx", ref=REF, options=options, fork=False))
    print(
        f"a small workbook: read here {1000 * plain:.0f} ms, in a forked child {1000 * guarded:.0f} ms, in a fresh interpreter {1000 * alone:.0f} ms"
    )


if __name__ == "__main__":
    main()
