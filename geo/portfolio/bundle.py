"""The file of one home, to hand to somebody: every event, its dates, its documents, each with its hash."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

import pandas as pd

from geo.exchange.bundle import csv_bytes
from geo.portfolio.cases import Case
from geo.portfolio.clocks import Clock
from geo.portfolio.entry import Entry
from geo.portfolio.events import EVENTS, event_words
from geo.portfolio.files import packed_bytes
from geo.portfolio.register import Register
from geo.portfolio.viewer import Viewer
from geo.reference import Reference
from geo.site.fields import UNITS, group_of, unit_of
from geo.site.template import STYLE
from geo.store.said import StoreError

READ_ME = """The file of one home, taken out of its register.

index.html    every event in the order it was entered, to be read
events.csv    the same as a table; events.json the same for a program
clocks.csv    periods and promises: what they are counted from, their dates, what was recorded
documents/    documents, named after their SHA-256; those never sent to the register are listed without bytes
SHA256SUMS    the hash of every file here: sha256sum -c SHA256SUMS

Events are chained: the hash of each is made of the hash of the one before it and of all it says, so that none
can be altered, put in or taken out without every later hash changing. Corrected events stay, and the one that
stands in their place names them. {hidden}
Dates are shown with what they rest on. Nothing here says that a duty was met or was not.
"""


def bundle(register: Register, viewer: Viewer, home_id: str, *, as_of: dt.datetime | None = None) -> bytes:
    """Return the evidence of one home as a ZIP file; the same events give the same bytes.

    Parameters
    ----------
    as_of
        The moment dates are told against; the home's last event when left out.

    Raises
    ------
    StoreError
        When the viewer has no such home.
    """
    entries = register.events(viewer, home_id)
    if not entries:
        raise StoreError(f"There is no home {home_id[:80]!r} among yours.")
    now = as_of or max(one.at for one in entries)
    documents, missing = _documents(register, viewer, entries)
    cases = register.cases(viewer, home_id)
    head = register.head(viewer)
    files = {
        "events.csv": csv_bytes(events_table(entries)),
        "events.json": _json(viewer, home_id, entries, head=head),
        "clocks.csv": csv_bytes(clocks_table(cases, now)),
        "index.html": _page(
            viewer, home_id, entries, cases, missing=missing, now=now, head=head, ref=register.ref
        ).encode(),
        **documents,
    }
    whole = register.state(viewer, home_id) or {}
    left_out = int(whole.get("events_count", len(entries))) - len(entries)
    hidden = ""
    if left_out:
        hidden = (
            f"{left_out} events of kinds a {viewer.role} is not shown are left out: links of the chain"
            " are missing."
        )
    files["README.txt"] = READ_ME.format(hidden=hidden).encode()
    sums = "".join(f"{hashlib.sha256(files[name]).hexdigest()}  {name}\n" for name in sorted(files))
    files["SHA256SUMS"] = sums.encode()
    return packed_bytes(files)


def events_table(entries: Sequence[Entry]) -> pd.DataFrame:
    """Return events as a table: one row each, what it says as text, its hash."""
    standing = {one.corrects for one in entries if one.corrects}
    rows = [
        {
            "line": one.line,
            "event": one.event_id,
            "what": event_words(one.kind),
            "case": one.case_id,
            "happened_at": str(one.payload.get("at", "")),
            "happened_at_utc": one.at.isoformat(),
            "by_role": one.by_role,
            "corrects": one.corrects,
            "stands": one.event_id not in standing,
            "saving": one.batch,
            "says": "; ".join(f"{name}: {_plain(value)}" for name, value in _told(one).items()),
            "sha256": one.digest.hex(),
        }
        for one in entries
    ]
    return pd.DataFrame(rows)


def clocks_table(cases: Iterable[tuple[Case, tuple[Clock, ...]]], now: dt.datetime) -> pd.DataFrame:
    """Return every clock of a home's cases as a table, with a sentence each and what it rests on."""
    columns = [
        "case",
        "period",
        "by",
        "state",
        "start",
        "due_on",
        "due_at_utc",
        "end",
        "said",
        "remarks",
        "rests_on",
        "source",
        "status",
        "checked",
    ]
    rows = [
        (
            case.case_id,
            clock.period.label,
            clock.period.by,
            clock.state.replace("_", " "),
            "" if clock.start is None else clock.start.event_id,
            "" if clock.due_on is None else clock.due_on.isoformat(),
            "" if clock.due_at is None else clock.due_at.isoformat(),
            "" if clock.end is None else clock.end.event_id,
            clock.said(now),
            " ".join(clock.remarks),
            " ".join(clock.rests_on),
            clock.period.source,
            clock.period.status,
            "" if clock.period.checked is None else clock.period.checked.isoformat(),
        )
        for case, clocks in cases
        for clock in clocks
    ]
    return pd.DataFrame(rows, columns=columns)


def _documents(
    register: Register, viewer: Viewer, entries: Sequence[Entry]
) -> tuple[dict[str, bytes], list[str]]:
    files: dict[str, bytes] = {}
    missing = []
    for one in entries:
        sha256 = str(one.get("sha256"))
        if not re.fullmatch(r"[0-9a-f]{64}", sha256):
            continue
        content = register.file(viewer, sha256)
        if content is None:
            missing.append(sha256)
            continue
        end = re.sub(r"[^a-z0-9]", "", str(one.get("name")).rpartition(".")[2].lower())[:5]
        files[f"documents/{sha256}{f'.{end}' if end and '.' in str(one.get('name')) else ''}"] = content
    return files, sorted(set(missing))


def _json(viewer: Viewer, home_id: str, entries: Sequence[Entry], *, head: str) -> bytes:
    whole = {
        "landlord_id": viewer.landlord_id,
        "home_id": home_id,
        "head_of_register": head,
        "events": [
            {
                "line": one.line,
                "event_id": one.event_id,
                "kind": one.kind,
                "case_id": one.case_id,
                "by_role": one.by_role,
                "corrects": one.corrects,
                "payload": one.text,
                "batch": one.batch,
                "at_utc": one.at.isoformat(),
                "sha256": one.digest.hex(),
            }
            for one in entries
        ],
    }
    return (json.dumps(whole, indent=1, ensure_ascii=False, sort_keys=True) + "\n").encode()


def _page(
    viewer: Viewer,
    home_id: str,
    entries: Sequence[Entry],
    cases: Sequence[tuple[Case, tuple[Clock, ...]]],
    *,
    missing: Sequence[str],
    now: dt.datetime,
    head: str,
    ref: Reference,
) -> str:
    title = f"Home {home_id}"
    parts = [
        f"<!doctype html><html lang='en-GB'><meta charset='utf-8'><title>{escape(title)}</title>",
        f"<style>{STYLE}</style><h1>{escape(title)}</h1>",
        (
            f"<p>Landlord {escape(viewer.landlord_id)}. Dates are told against {now:%a %d %b %Y %H:%M} UTC."
            f" Hash of the whole register: <code>{escape(head)}</code></p>"
        ),
    ]
    for case, clocks in cases:
        name = f"Case {case.case_id}" if case.case_id else "Case"
        closed = "open" if case.closed is None else f"closed {case.closed.at:%a %d %b %Y}"
        parts.append(f"<h2>{escape(name)}: since {case.opened_at:%a %d %b %Y}, {closed}</h2><ul>")
        parts += [
            f"<li>{escape(clock.said(now))} <small>{escape(' '.join(clock.remarks))} Rests on"
            f" {escape(', '.join(clock.rests_on) or 'nothing yet')}. {escape(_source(clock))}.</small></li>"
            for clock in clocks
        ]
        parts.append("</ul>")
    parts.append("<h2>Events in the order they were entered</h2><table>")
    parts.append(
        "<tr><th>no.</th><th>happened</th><th>what</th><th>by</th><th>says</th><th>SHA-256</th></tr>"
    )
    gone = {one.corrects: one.event_id for one in entries if one.corrects}
    for one in entries:
        says = [f"{escape(name)}: {escape(value)}" for name, value in _in_words(one, ref).items()]
        if one.event_id in gone:
            says.insert(0, f"<b>replaced by {escape(gone[one.event_id])}</b>")
        if one.corrects:
            says.insert(0, f"<b>in place of {escape(one.corrects)}</b>")
        parts.append(
            f"<tr id='{escape(one.event_id, quote=True)}'><td>{one.line}</td>"
            f"<td>{escape(str(one.payload.get('at', '')))}</td><td>{escape(event_words(one.kind))}"
            f" <small>{escape(one.event_id)}</small></td>"
            f"<td>{escape(ref.word('register_role', one.by_role))}</td>"
            f"<td>{'<br>'.join(says)}</td><td><code>{one.digest.hex()[:16]}…</code></td></tr>"
        )
    parts.append("</table>")
    if missing:
        parts.append("<h2>Documents whose bytes were not sent to the register</h2><ul>")
        parts += [f"<li><code>{escape(sha256)}</code></li>" for sha256 in missing]
        parts.append("</ul>")
    parts.append("<p>Nothing here says that a duty was met or was not.</p></html>")
    return "\n".join(parts) + "\n"


def _told(entry: Entry) -> Mapping[str, Any]:
    return {name: value for name, value in entry.payload.items() if name != "at"}


STATUS_WORDS = {
    "CONFIRMED": "read in the source",
    "CONFIRMED-2": "read in documents that quote it, not in the source",
    "FROM MEMORY": "from memory",
    "PLANNED": "as announced; whether it is in force was not checked",
    "SETTING": "own setting",
}


def _source(clock: Clock) -> str:
    """Say where a period comes from, how far that was checked, and when."""
    period = clock.period
    checked = "" if period.checked is None else f", {period.checked:%d %b %Y}"
    return f"{period.source} ({STATUS_WORDS.get(period.status, period.status.lower())}{checked})"


def _in_words(entry: Entry, ref: Reference) -> dict[str, str]:
    """Return what an event says with labels for its words and units for its numbers."""
    fields = EVENTS[entry.kind].model_fields
    told = {}
    for name, value in _told(entry).items():
        group = group_of(fields[name]) if name in fields else ""
        if group == "method":
            said = ref.methods[value].name if value in ref.methods else str(value)
        else:
            said = ref.word(group, value) if group else _plain(value)
        unit = unit_of(name)
        title = name.replace("_", " ")
        if unit and isinstance(value, float):
            end = max((one for one in UNITS if name.endswith(one)), key=len)
            title, said = (
                name.removesuffix(end).replace("_", " "),
                f"{said} {'' if end == '_count' else unit}",
            )
        told[title] = said.strip()
    return told


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
