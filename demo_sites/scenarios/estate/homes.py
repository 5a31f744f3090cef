"""Six invented estates of forty homes, and the soakaways that serve them."""

from __future__ import annotations

from dataclasses import dataclass

ESTATES = ("Alder Field", "Birch Hollow", "Cinder Row", "Damson Court", "Elder Bank", "Furze End")
EACH = 40
BUILT = {
    "Alder Field": (1938, "two-bay semi", "firm A", "clay"),
    "Birch Hollow": (1954, "short terrace", "firm A", "sand over clay"),
    "Cinder Row": (1906, "long terrace", "", "made ground"),
    "Damson Court": (1972, "cross-wall terrace", "firm C", "clay"),
    "Elder Bank": (1972, "cross-wall terrace", "firm B", "chalk"),
    "Furze End": (1988, "two-bay semi", "firm B", "sand over clay"),
}
"""Year built, type of drawing, who laid the drains, soil."""

INSPECTED = {
    "Alder Field": (2, 16),
    "Birch Hollow": (1, 14),
    "Cinder Row": (1, 15),
    "Damson Court": (7, 18),
    "Elder Bank": (2, 17),
    "Furze End": (1, 16),
}
"""Soakaways that had failed, of those inspected, each counted once: 14 of 96 in all."""
SHARED = ("Damson Court", (20, 21, 22, 23))
"""One soakaway serves four homes of an estate; it is one of the seven that failed, found from two of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Home:
    """One home by its number, and where it is."""

    home_id: str
    estate: str
    number: int
    easting_m: float
    northing_m: float


def homes() -> list[Home]:
    """Return the 240 homes: estate by estate, in rows of ten."""
    return [
        Home(
            home_id=f"{estate[0]}{n + 1:02d}",
            estate=estate,
            number=n,
            easting_m=431_000.0 + 600.0 * (at % 3) + 8.0 * (n % 10),
            northing_m=302_000.0 + 500.0 * (at // 3) + 30.0 * (n // 10),
        )
        for at, estate in enumerate(ESTATES)
        for n in range(EACH)
    ]


def soakaway_of(home: Home) -> str:
    """Return the number of the soakaway that serves a home."""
    estate, numbers = SHARED
    return (
        f"SK-{home.estate[0]}-shared"
        if home.estate == estate and home.number in numbers
        else f"SK-{home.home_id}"
    )
