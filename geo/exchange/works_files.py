"""The works as files: quantities, order and holds as CSV, one workbook, one sheet of text, one document."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import networkx as nx
import pandas as pd

from geo.drains.setting_out import CAUTIONS as DIGGING
from geo.exchange.atomic import put_files
from geo.exchange.csv_files import csv_bytes, refuse_site
from geo.exchange.workbook import xlsx_bytes
from geo.reference import Reference
from geo.works.consents import CAUTION
from geo.works.whole import Works

BOOK, DOCUMENT, SHEET = "works.xlsx", "works.json", "order.txt"
BREAKING_OUT = (
    (
        "Electricity and water: isolate the circuits of wet walls and floors before they are opened; a"
        " competent electrician does it."
    ),
    (
        "Asbestos: assume it in what was built before 2000 until a survey says otherwise; do not break, sand"
        " or lift to have a look."
    ),
    "Bricks out of a wall: isolated openings, in sequence, none under a bearing; else ask an engineer.",
    "Cutting concrete, brick and plaster throws silica dust: cut wet or extract it; wear a mask that fits.",
)
EFFORT = {0: "", 1: "an hour", 2: "a day", 3: "days", 4: "weeks"}


def works_files(works: Works, *, ref: Reference) -> dict[str, bytes]:
    """Return every file of the works by name; the same works give the same bytes."""
    tables = works_tables(works, ref=ref)
    heads = _heads(works)
    files = {f"{name}.csv": csv_bytes(table) for name, table in tables.items() if len(table)}
    files[BOOK] = xlsx_bytes({name: table for name, table in tables.items() if len(table)}, heads=heads)
    files[SHEET] = ("\n".join(order_lines(works)) + "\n").encode()
    document = json.dumps(works_document(works), indent=1, ensure_ascii=False, allow_nan=False)
    files[DOCUMENT] = (document + "\n").encode()
    return files


def write_works(works: Works, folder: Path, *, ref: Reference) -> list[Path]:
    """Write the works into a folder; its files change only when every one of them is whole.

    Raises
    ------
    InputError
        When the folder is a site's own, or a file.
    """
    refuse_site(folder)
    names = [f"{name}.csv" for name in works_tables(works, ref=ref)]
    return put_files(folder, works_files(works, ref=ref), remove=names)


def _heads(works: Works) -> tuple[str, ...]:
    return (
        f"Works, {works.site_name}",
        f"Data version {works.data_version[:10]}. Measured, not priced by wallfoot. Nothing here certifies.",
    )


def works_tables(works: Works, *, ref: Reference) -> dict[str, pd.DataFrame]:
    """Return the tables of the works, by name."""
    return {
        "quantities": quantities_table(works, ref=ref),
        "costs": costs_table(works),
        "order": order_table(works),
        "holds": holds_table(works),
        "consents": consents_table(works),
        "constraints": constraints_table(works),
        "done": done_table(works, ref=ref),
        "variations": variations_table(works, ref=ref),
    }


def quantities_table(works: Works, *, ref: Reference) -> pd.DataFrame:
    """Return one row a quantity, with its formula, and its price where there is one."""
    prices = {(cost.repair_id, cost.line): cost for cost in works.costs.lines}
    rows: list[dict[str, Any]] = []
    for work in works.works:
        answers = ", ".join(_answer(each) for each in work.asked.answers)
        shared: dict[str, Any] = {
            "repair": work.repair_id, "what": work.label, "where": work.where,
            "stage": ref.word("repair_stage", work.asked.stage),
            "from": "proposed" if work.asked.proposed else "recorded", "answers": answers,
        }  # fmt: skip
        if work.refused:
            rows.append({**shared, "missing": work.refused})
        for line in work.lines:
            cost = prices.get((work.repair_id, line.line))
            rows.append(
                {
                    **shared, "line": line.line, "net": line.net, "low": line.low, "high": line.high,
                    "unit": ref.word("quantity_unit", line.unit), "waste_percent": line.waste_percent,
                    "order": line.order, "order_unit": ref.word("quantity_unit", line.order_unit),
                    "order_as": line.order_said, "basis": line.basis, "formula": line.formula,
                    "of": " ".join(line.of_ids), "missing": line.missing, "settle": line.settle,
                    "price": cost.price if cost else None, "currency": cost.currency if cost else "",
                    "amount": cost.amount if cost else None,
                }
            )  # fmt: skip
    columns = [
        "repair", "what", "where", "stage", "from", "answers", "line", "net", "low", "high", "unit",
        "waste_percent", "order", "order_unit", "order_as", "basis", "formula", "of", "missing", "settle",
        "price", "currency", "amount",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _answer(each: Any) -> str:
    of = f" {each.of_id}" if each.of_id else ""
    return f"{each.cause}{of}" + (f" at {each.stretch_id}" if each.stretch_id else "")


def costs_table(works: Works) -> pd.DataFrame:
    """Return the lines that have a price, the totals by currency, and what has none."""
    rows: list[dict[str, Any]] = [
        {
            "repair": cost.repair_id, "line": cost.line, "quantity": cost.quantity, "unit": cost.unit,
            "priced_on": cost.priced_on, "price": cost.price, "currency": cost.currency,
            "amount": cost.amount, "rate": cost.rate_id, "source": cost.source,
        }
        for cost in works.costs.lines
    ]  # fmt: skip
    rows += [
        {"line": "total of what has a price", "currency": currency, "amount": amount}
        for currency, amount in sorted(works.costs.totals.items())
    ]
    if rows:
        rows += [{"repair": name, "line": line, "source": "no price"} for name, line in works.costs.without]
        rows += [
            {"repair": name, "line": line, "source": "quantity not known"}
            for name, line in works.costs.not_known
        ]
    columns = [
        "repair", "line", "quantity", "unit", "priced_on", "price", "currency", "amount", "rate", "source",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def order_table(works: Works) -> pd.DataFrame:
    """Return the steps in an order in which they can be done."""
    steps = works.order.steps
    rows: list[dict[str, Any]] = [
        {
            "number": number, "step": step.key, "what": step.label, "part": step.part,
            "repair": step.repair_id, "takes": EFFORT[step.effort], "state": step.state,
            "held_by": " ".join(step.held_by), "because": step.because,
            "on_longest_chain": "yes" if step.key in works.order.critical else "",
        }
        for number, step in enumerate(steps.values(), start=1)
    ]  # fmt: skip
    columns = ["number", "step", "what", "part", "repair", "takes", "state", "held_by", "because"]
    return pd.DataFrame(rows, columns=[*columns, "on_longest_chain"])


def holds_table(works: Works) -> pd.DataFrame:
    """Return the hold points and how each stands."""
    rows: list[dict[str, Any]] = [
        {
            "hold": hold.hold_point.upper(), "repair": hold.repair_id, "what": hold.label,
            "state": hold.verdict.word, "because": hold.verdict.because, "settle": hold.verdict.settle,
            "records": " ".join(hold.record_ids), "told": " ".join(hold.told),
        }
        for hold in works.holds.values()
    ]  # fmt: skip
    columns = ["hold", "repair", "what", "state", "because", "settle", "records", "told"]
    return pd.DataFrame(rows, columns=columns)


def consents_table(works: Works) -> pd.DataFrame:
    """Return the leave the works need."""
    rows: list[dict[str, Any]] = [
        {
            "leave": leave.label, "ask": leave.whom, "needed": leave.needed, "why": leave.why,
            "for": " ".join(leave.repair_ids), "state": leave.state,
        }
        for leave in works.leave
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["leave", "ask", "needed", "why", "for", "state"])


def constraints_table(works: Works) -> pd.DataFrame:
    """Return what the order should heed besides."""
    rows: list[dict[str, Any]] = [
        {"heed": one.said, "here": one.breaks, "for": " ".join(one.repair_ids)} for one in works.constraints
    ]
    return pd.DataFrame(rows, columns=["heed", "here", "for"])


def done_table(works: Works, *, ref: Reference) -> pd.DataFrame:
    """Return what was done against what was estimated."""
    rows: list[dict[str, Any]] = [
        {
            "repair": one.repair_id, "line": one.line, "unit": ref.word("quantity_unit", one.unit),
            "estimated": one.estimated, "done": one.done, "remaining": one.remaining, "over": one.over,
            "because": one.because, "records": " ".join(one.record_ids),
        }
        for one in works.done
    ]  # fmt: skip
    columns = ["repair", "line", "unit", "estimated", "done", "remaining", "over", "because", "records"]
    return pd.DataFrame(rows, columns=columns)


def variations_table(works: Works, *, ref: Reference) -> pd.DataFrame:
    """Return the repairs that change others, and whether each was agreed."""
    rows: list[dict[str, Any]] = [
        {
            "repair": one.repair_id, "changes": one.of_id, "what": one.label, "why": one.why,
            "agreed": one.agreed, "on": one.agreed_on,
            "by": ref.word("speaker", one.agreed_by) if one.agreed_by else "",
            "adds": "; ".join(
                f"{line} {net:.2f} {ref.word('quantity_unit', unit)}" for line, net, unit in one.adds
            ),
        }
        for one in works.variations
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["repair", "changes", "what", "why", "agreed", "on", "by", "adds"])


def quantity_lines(works: Works, *, ref: Reference) -> list[str]:
    """Return the quantities as text: repair by repair, with what is missing."""
    lines = [*_heads(works), ""]
    for work in works.works:
        tail = "" if work.asked.proposed else f" ({ref.word('repair_stage', work.asked.stage)})"
        lines.append(f"{work.repair_id}  {work.label}{tail}" + (f": {work.where}" if work.where else ""))
        answers = ", ".join(dict.fromkeys(_answer(each) for each in work.asked.answers))
        lines += [f"    answers {answers}"] if answers else []
        lines += [f"    not measured: {work.refused}"] if work.refused else []
        lines += [f"    {_line_said(line, ref)}" for line in work.lines]
        lines += [f"    {note}" for note in work.notes]
    for currency, amount in sorted(works.costs.totals.items()):
        none = len(works.costs.without)
        lines.append(f"By your own prices: {amount} {currency}; {none} quantities have no price.")
    return lines


def _line_said(line: Any, ref: Reference) -> str:
    unit = ref.word("quantity_unit", line.unit)
    if not line.known:
        return f"{line.line}: not known: {line.missing}. {line.settle}"
    band = f" ({line.low:.2f} to {line.high:.2f})" if math.isfinite(line.low) else ""
    order = (
        f"; order {line.order:.2f} {ref.word('quantity_unit', line.order_unit)} {line.order_said}".rstrip()
    )
    missing = f"; {line.missing}" if line.missing else ""
    return f"{line.line}: {line.net:.2f} {unit}{band}{order}; {line.basis}: {line.formula}{missing}"


def order_lines(works: Works) -> list[str]:
    """Return the order and the hold points as a sheet to carry."""
    lines = [*_heads(works), ""]
    free = works.order.may_start
    lines.append(f"May start now: {len(free)}")
    lines += [f"  [ ] {_step_said(step)}" for step in free]
    lines += ["", "In order, small things first where nothing holds them:"]
    for number, step in enumerate(works.order.steps.values(), start=1):
        mark = {"done": "[x]", "under way": "[~]"}.get(step.state, "[ ]")
        waits = "; ".join(works.order.steps[key].said for key in step.held_by)
        held = f"   waits for {waits}" if waits and step.state == "held" else ""
        lines.append(f"{number:>3} {mark} {_step_said(step)}{held}")
    lines += ["", "Hold points: nobody passes one without a recorded result."]
    for hold in works.holds.values():
        of = f" of {hold.repair_id}" if hold.repair_id else ""
        lines.append(f"  {hold.hold_point.upper()}{of}, {hold.label}: {hold.verdict.word}")
        lines.append(f"      {hold.verdict.because}" if hold.verdict.because else "      –")
        if hold.verdict.settle:
            lines.append(f"      {hold.verdict.settle}")
    if works.order.conflicts:
        lines += ["", "Done against the order:", *(f"  {said}" for said in works.order.conflicts)]
    if works.constraints:
        lines += ["", "Heed besides:"]
        for one in works.constraints:
            lines.append(f"  {one.said}" + (f" Here: {one.breaks}." if one.breaks else ""))
    if works.leave:
        lines += ["", "Leave to ask:"]
        lines += [f"  {one.label} ({one.state}): {one.why}" for one in works.leave]
        lines.append(f"  {CAUTION}")
    lines += ["", *(f"Not a repair of this list: {note}" for note in works.notes)]
    return [*lines, "", *DIGGING, *BREAKING_OUT]


def _step_said(step: Any) -> str:
    part = f", {step.part}" if step.part else ""
    name = f"{step.repair_id}: " if step.repair_id else ""
    return f"{name}{step.label}{part}"


def works_document(works: Works) -> dict[str, Any]:
    """Return everything about the works as plain values for JSON."""
    graph = nx.to_edgelist(works.order.graph)
    return {
        "site": works.site_name,
        "data_version": works.data_version,
        "works": [_plain(work) for work in works.works],
        "holds": [_plain(hold) for hold in works.holds.values()],
        "order": [_plain(step) for step in works.order.steps.values()],
        "waits": [{"first": a, "then": b, "why": data["why"]} for a, b, data in graph],
        "longest_chain": list(works.order.critical),
        "conflicts": list(works.order.conflicts),
        "constraints": [_plain(each) for each in works.constraints],
        "consents": [_plain(each) for each in works.leave],
        "costs": _plain(works.costs),
        "done": [_plain(each) for each in works.done],
        "variations": [_plain(each) for each in works.variations],
        "notes": list(works.notes),
    }


def _plain(value: Any) -> Any:
    """Return a value JSON can hold: no NaN, amounts as text."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, str | bool) or value is None:
        return value
    if isinstance(value, Sequence):
        return [_plain(each) for each in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if isinstance(value, int) else str(value)
