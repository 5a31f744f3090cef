"""Sources against ways in: where the two meet, and which of them are taken as pairs."""

from __future__ import annotations

from dataclasses import dataclass

from geo.evidence.ledger_kinds import StretchLedger
from geo.evidence.pairing import meeting_m
from geo.evidence.support import HOLDS, NOT_EXAMINED, POSSIBLE

WORTH = (*HOLDS, POSSIBLE, NOT_EXAMINED)
MOST_SOURCES, MOST_ROUTES = 6, 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One source with one way in: what to say of it, and whether the two are taken as a pair."""

    said: str
    pairs: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrix:
    """Sources down, ways in across, the best supported first; the last way in is none of these.

    Parameters
    ----------
    sources, routes
        As they are named in a sentence, with their word.
    cells
        By source, a cell for each way in.
    """

    sources: tuple[str, ...]
    routes: tuple[str, ...]
    cells: tuple[tuple[Cell, ...], ...]


def matrix_of(stretch: StretchLedger, *, ring_m: float) -> Matrix:
    """Return the sources of a stretch against its ways in; nothing for an outer face, which needs none.

    Parameters
    ----------
    ring_m
        Length of the stretch's ring, m.
    """
    if stretch.side == "outside":
        return Matrix(sources=(), routes=(), cells=())
    sources = [each for each in stretch.sources if each.word in WORTH or each.key in stretch.accepted]
    routes = [each for each in stretch.routes if each.word in WORTH or each.key in stretch.accepted]
    sources, routes = sources[:MOST_SOURCES], routes[:MOST_ROUTES]
    paired = {(one.source, one.route): one for one in stretch.pairs}
    rows = []
    for source in sources:
        row = []
        for route in routes:
            shared = meeting_m(
                stretch.reaches.get(source.key, ()), stretch.reaches.get(route.key, ()), ring_m=ring_m
            )
            own = (source.key, route.key) in paired
            said = "not known" if shared is None else f"meet, {shared:.1f} m" if shared > 0 else "apart"
            row.append(Cell(said=said, pairs=own))
        alone = paired.get((source.key, ""))
        row.append(Cell(said=alone.way if alone is not None else "–", pairs=alone is not None))
        rows.append(tuple(row))
    return Matrix(
        sources=tuple(f"{each.short} ({each.word})" for each in sources),
        routes=(*(f"{each.short} ({each.word})" for each in routes), "none needed"),
        cells=tuple(rows),
    )
