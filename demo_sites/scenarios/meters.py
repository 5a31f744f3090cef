"""What each instrument shows on dry and on wet fabric, in its own numbers and up to its own end."""

from __future__ import annotations

from dataclasses import dataclass

from scenarios.hand import Hand

# Share of the wet signal left at a height above the floor, for damp fed at the foot of the wall.
BY_HEIGHT = {0.1: 1.15, 0.3: 1.0, 0.6: 0.75, 0.9: 0.4, 1.2: 0.0, 1.5: 0.0}


@dataclass(frozen=True)
class Meter:
    """One instrument on one material: invented numbers, far enough apart to be told from each other."""

    method: str
    material: str
    instrument: str
    dry: float
    dry_scatter: float
    wet: float
    wet_scatter: float
    top: float
    decimals: int = 0

    @property
    def names(self) -> dict[str, str]:
        """Return the columns that name the group of its readings."""
        return {"method": self.method, "material": self.material, "instrument": self.instrument}

    @property
    def group(self) -> str:
        """Return the group in words."""
        return f"{self.method}, {self.material}, {self.instrument}"

    def shows(self, hand: Hand, share: float) -> str:
        """Return what is booked where ``share`` of the wet signal is there; off the scale as ``>top``."""
        scatter = self.dry_scatter + share * (self.wet_scatter - self.dry_scatter)
        value = self.dry + share * (self.wet - self.dry) + hand.slip(scatter, widest=1.5)
        if round(value, self.decimals) >= self.top:
            return f">{self.top:g}"
        return f"{max(value, 0.0):.{self.decimals}f}"


def pad(instrument: str, material: str = "brick") -> Meter:
    """Capacitance pad."""
    return Meter("capacitance", material, instrument, 46, 4, 168, 10, 200)


def pins(instrument: str, material: str) -> Meter:
    """Two pins on masonry or plaster."""
    return Meter("resistance_masonry", material, instrument, 15, 3, 88, 5, 100)


def timber_pins(instrument: str) -> Meter:
    """Two pins in softwood."""
    return Meter("resistance_wood", "softwood", instrument, 11.4, 0.5, 28, 2, 30, 1)


def core_head(instrument: str, material: str = "brick") -> Meter:
    """Microwave head."""
    return Meter("microwave", material, instrument, 20, 2, 68, 4, 100)


def carbide(instrument: str) -> Meter:
    """Carbide pressure vessel."""
    return Meter("carbide", "mortar", instrument, 0.9, 0.2, 19, 1.5, 20, 1)
