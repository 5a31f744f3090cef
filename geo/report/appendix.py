"""The last part: every record in words, one row each, where every link of the report leads."""

from __future__ import annotations

from geo.report.parts import Cell, Part, Table
from geo.report.source import Source
from geo.report.wording import kind_words, record_words
from geo.site.records import KINDS


def records_part(source: Source) -> Part:
    """Return every record of a site in words, kind by kind."""
    parts = []
    for kind in KINDS:
        records = source.site.of(kind)
        if not records:
            continue
        rows: tuple[tuple[Cell, ...], ...] = tuple(
            (record.id, record_words(record, source.ref)) for record in records
        )
        title = kind_words(kind)
        parts.append(
            Part(
                key=f"records-{kind}",
                title=title,
                blocks=(
                    Table(
                        caption="",
                        header=("Id", "What was recorded"),
                        widths=(1.0, 8.0),
                        rows=rows,
                        anchors=tuple(record.id for record in records),
                    ),
                ),
            )
        )
    return Part(
        key="records",
        title="Every record, in words",
        parts=tuple(parts),
        why="nothing is recorded",
        fills="records",
    )
