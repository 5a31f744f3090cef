"""The level book: set-ups round the house, closing back on the bench mark."""

from __future__ import annotations

from scenarios.hand import Book, Hand
from scenarios.plan import Ring
from scenarios.record import SiteFolder
from scenarios.school.drains import LIP_GK, PLACES, rim
from scenarios.school.ground import BOILER_SILL, DAY, DPC, FLOOR, HALL, OUTER, OUTLETS, YARD, ground


def add_levels(site: SiteFolder, hand: Hand) -> None:
    """Level round the house and close back on the bench mark."""
    book = Book(hand, ((13.4, -0.1), 30.000))

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

    book.open(31.40)
    pairs(OUTER, tuple(60.8 + 1.8 * k for k in range(13)), "P-front")
    for gully in ("G2", "G3"):
        on("rim", gully, rim(gully))
    book.shoot(DPC, "dpc", hand.by_chainage(OUTER, 74.0))
    book.shoot(30.430, "threshold", hand.by_chainage(OUTER, 72.0), of_id="O1")
    book.turn(ground(-1.0, 0.5), (-1.0, 0.5), 31.45)
    # The hedge keeps the staff off the middle of the left side: levels at its two ends only.
    pairs(OUTER, (0.8, 13.0, 14.7, 16.4), "P-left", hardness="soft")
    book.turn(ground(-0.8, 19.0), (-0.8, 19.0), 31.60)
    pairs(OUTER, tuple(18.8 + 1.8 * k for k in range(13)), "P-play")
    for gully in ("GK", "G1"):
        on("rim", gully, rim(gully))
    on("lip", "GK", LIP_GK)
    for chamber in ("M1", "M4"):
        on("cover", chamber, ground(*PLACES[chamber]) + 0.003)
    book.shoot(DPC, "dpc", hand.by_chainage(OUTER, 38.0))
    book.turn(ground(25.0, 16.5), (25.0, 16.5), 31.55)
    pairs(OUTER, tuple(43.0 + 1.8 * k for k in range(9)), "P-strip")
    book.shoot(30.330, "sill", hand.by_chainage(OUTER, 46.1), of_id="O6")
    # Through the hall door: one more set-up in the courtyard.
    book.turn(FLOOR, (12.5, 4.5), 31.50)
    pairs(YARD, (0.7, 2.2, 3.9, 5.4), "P-yard-west")
    pairs(YARD, (15.7, 17.4, 19.4, 21.2), "P-yard-east")
    for gully in ("GY1", "GY2"):
        on("rim", gully, rim(gully))
    book.shoot(BOILER_SILL, "threshold", hand.by_chainage(YARD, 16.7), of_id="O8")
    book.shoot(DPC, "dpc", hand.by_chainage(YARD, 21.6))
    book.shoot(
        ground(12.0, 9.5),
        "other",
        hand.by_coordinates((12.0, 9.5), 0.05),
        note="top of the paving between the gullies",
    )
    book.turn(FLOOR, (12.0, 4.0), 31.45)
    book.close()
    for row in book.rows:
        site.add("level", **({"building_id": HALL} | row | {"taken_at": DAY}))
