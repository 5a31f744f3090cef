"""The level book: set-ups round the house, closing back on the bench mark."""

from __future__ import annotations

from scenarios.cottages.drains import PLACES, rim
from scenarios.cottages.ground import DAY, DPC, MIDDLE, OUTLETS, RINGS, A, B, C, ground
from scenarios.hand import Book, Hand
from scenarios.plan import Ring
from scenarios.record import SiteFolder


def add_levels(site: SiteFolder, hand: Hand) -> None:
    """Level round the house and close back on the bench mark."""
    book = Book(hand, ((7.9, -0.4), 20.000))

    def pairs(ring: Ring, chainages: tuple[float, ...], patch: str, *, hardness: str = "hard") -> None:
        for chainage in chainages:
            for offset in (0.05, 1.55):
                where = hand.by_chainage(ring, chainage, offset) | {"offset_m": offset}
                true = ground(*ring.at(chainage, offset))
                book.shoot(true, "ground", where, patch_id=patch, hardness=hardness)

    def on(role: str, asset: str, level: float) -> None:
        if asset in OUTLETS:
            ring, chainage, offset = OUTLETS[asset]
            where = hand.by_chainage(ring, chainage, offset)
        else:
            where = hand.by_coordinates(PLACES[asset], 0.05)
        book.shoot(level, role, where, of_id=asset)

    book.open(21.25)
    pairs(A, (18.6, 20.2, 21.8), "P-lane")
    pairs(B, (18.7, 20.5, 22.2), "P-lane")
    pairs(C, (18.6, 20.2, 21.8), "P-lane")
    for ring in RINGS:
        book.shoot(DPC[ring.building_id], "dpc", hand.by_chainage(ring, ring.starts[-2] + 2.4))
    book.turn(ground(-1.5, 0.5), (-1.5, 0.5), 21.40)
    pairs(A, (0.7, 2.4, 4.1, 5.8), "P-left")
    book.turn(ground(-0.8, 8.0), (-0.8, 8.0), 21.60)
    for ring in RINGS:
        pairs(ring, (7.2, 8.8, 10.5), "P-yard")
    for gully in ("GA", "GB", "GC"):
        on("rim", gully, rim(gully))
    for chamber in ("X1", "X2", "X3"):
        on("cover", chamber, ground(*PLACES[chamber]) + 0.003)
    on("invert", "X1", 19.560)
    book.turn(ground(14.6, 5.0), (14.6, 5.0), 21.20)
    pairs(C, (12.0, 13.7, 15.4, 17.1), "P-right", hardness="soft")
    book.close()
    for row in book.rows:
        site.add("level", **({"building_id": MIDDLE} | row | {"taken_at": DAY}))
