"""The level book: set-ups round the house, closing back on the bench mark."""

from __future__ import annotations

from scenarios.hand import Book, Hand
from scenarios.record import SiteFolder
from scenarios.semi.drains import LIP_G2, PLACES, rim
from scenarios.semi.ground import B1, DAY, DPC_HIGH, DPC_LOW, FLOOR, OUTLETS, STEP_FRONT, WALLS, ground


def add_levels(site: SiteFolder, hand: Hand) -> None:
    """One book, three set-ups: front, flank, patio, back to the front step."""
    book = Book(hand, ((4.3, -0.5), 10.000))

    def pairs(chainages: tuple[float, ...], patch: str, *, hardness: str = "hard") -> None:
        for chainage in chainages:
            for offset in (0.05, 1.55):
                where = hand.by_chainage(WALLS, chainage, offset) | {"offset_m": offset}
                true = ground(*WALLS.at(chainage, offset))
                book.shoot(true, "ground", where, patch_id=patch, hardness=hardness)

    def on(role: str, asset: str, level: float) -> None:
        where = (
            hand.by_chainage(WALLS, *OUTLETS[asset])
            if asset in OUTLETS
            else hand.by_coordinates(PLACES[asset], 0.05)
        )
        book.shoot(level, role, where, of_id=asset)

    book.open(11.30)
    pairs((30.9, 32.5, 34.1, 35.7, 37.2), "P-front", hardness="soft")
    for gully in ("G1", "G4"):
        on("rim", gully, rim(gully))
    for chainage in (33.2, 35.0):
        level = DPC_HIGH if chainage < STEP_FRONT else DPC_LOW
        book.shoot(level, "dpc", hand.by_chainage(WALLS, chainage))
    book.shoot(FLOOR, "threshold", hand.by_chainage(WALLS, 32.4), of_id="O1")
    on("cover", "C1", ground(*PLACES["C1"]) + 0.004)
    book.turn(ground(-2.0, 0.5), (-2.0, 0.5), 11.10)
    pairs((0.6, 2.2, 3.8, 5.4, 7.0, 8.6, 10.2, 11.2), "P-drive")
    for chainage, level in ((2.0, DPC_LOW), (9.0, DPC_HIGH)):
        book.shoot(level, "dpc", hand.by_chainage(WALLS, chainage))
    book.shoot(9.985, "sill", hand.by_chainage(WALLS, 7.7), of_id="O7")
    on("cover", "C2", ground(*PLACES["C2"]) + 0.004)
    book.turn(ground(-0.8, 13.6), (-0.8, 13.6), 11.25)
    pairs((12.1, 13.5, 14.8), "P-patio")
    pairs((15.7, 16.9, 18.1), "P-patio")
    pairs((18.8, 20.2, 21.6), "P-patio")
    for gully in ("G2", "G3"):
        on("rim", gully, rim(gully))
    on("lip", "G2", LIP_G2)
    on("cover", "C3", ground(*PLACES["C3"]) + 0.004)
    on("invert", "C3", 9.380)
    on("cover", "SA1", ground(*PLACES["SA1"]))
    for chainage in (14.2, 20.9):
        book.shoot(DPC_HIGH, "dpc", hand.by_chainage(WALLS, chainage))
    book.turn(ground(-2.4, 1.0), (-2.4, 1.0), 11.20)
    book.close()
    for row in book.rows:
        site.add("level", **({"building_id": B1} | row | {"taken_at": DAY}))
