"""The plain letter: two pages for who lives in or owns the home, in words they need not look up."""

from __future__ import annotations

import re

from geo.report.letter_next import to_call, to_do, what_next
from geo.report.letter_parts import Facts, Room, found_part, unseen, unsure, urgent
from geo.report.parts import (
    Document,
    Part,
    listed,
)
from geo.report.render_pdf import report_pdf
from geo.report.source import Source
from geo.report.wording import day_words, last_day

MOST_PAGES = 2
PAGE = re.compile(rb"/Type\s*/Page\b")
LONGEST, SHORTEST = 240, 60

ROOMS = (
    *(Room(most=most, words=LONGEST) for most in (8, 7, 6, 5, 4)),
    *(Room(most=most, words=120) for most in (4, 3)),
    *(Room(most=most, words=SHORTEST, plan=False) for most in (3, 2, 1)),
)


def letter_of(source: Source) -> tuple[Document, bytes]:
    """Return the letter, as long as it may be on two pages, and as PDF.

    What there is no room for is counted, never left out in silence: the full report has all of it.
    """
    for room in ROOMS:
        document = write_letter(source, room)
        made = report_pdf(document)
        if pages_of(made) <= MOST_PAGES:
            break
    return document, made


def pages_of(pdf: bytes) -> int:
    """Return how many pages a PDF of ours has."""
    return len(PAGE.findall(pdf))


def write_letter(source: Source, room: Room) -> Document:
    """Return the letter with so much room."""
    facts = Facts(source=source, room=room)
    parts = [
        Part(key="letter-urgent", title="Do this first", blocks=urgent(facts)),
        Part(key="letter-found", title="What we found", blocks=found_part(facts)),
        Part(key="letter-unsure", title="What is not certain", blocks=unsure(facts)),
        Part(key="letter-unseen", title="What we did not look at", blocks=unseen(facts)),
        Part(key="letter-next", title="What happens next", blocks=what_next(facts)),
        Part(key="letter-do", title="What you can do now", blocks=to_do(facts)),
        Part(key="letter-call", title="Who to call", blocks=to_call(facts)),
    ]
    info = source.site.info
    visits = [day_words(visit.arrived_at[:10]) for visit in facts.any("visit") if visit.arrived_at]
    lines = [
        ("Home", facts.short(info.name)),
        ("Visited", listed(dict.fromkeys(visits)) or day_words(info.surveyed_on)),
        ("Written for", "whoever lives in or owns the home"),
        ("By", facts.short(info.surveyed_by)),
    ]
    return Document(
        key="letter",
        title="Damp in your home: what we found",
        subtitle="A short letter in plain words. The full report has every measurement behind it.",
        facts=tuple((label, words) for label, words in lines if words),
        parts=tuple(part for part in parts if part.blocks),
        dated=last_day(source.site),
        version=source.site.digest,
        tool=source.tool,
        foot=f"{facts.short(info.name, 60)} · data {source.site.digest[:12]} · certifies nothing",
        ids=frozenset(),
    )
