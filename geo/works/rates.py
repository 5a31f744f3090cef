"""Costs by the user's own prices: only where there is one, and what has none is said."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

from geo.errors import InputError, Problem
from geo.reference import Reference
from geo.site.model import Site
from geo.site.tables import read_csv
from geo.site.works_records import Rate
from geo.works.kinds import Line, Work

PENNY = Decimal("0.01")
ON_ORDER, ON_NET = "quantity to order", "net quantity"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """One line with its price.

    Parameters
    ----------
    quantity, unit, priced_on
        What the price was multiplied with: what is ordered where the price is of that unit, else the net
        quantity.
    amount
        Price times quantity, to a hundredth of the currency.
    rate_id, source
        The price it rests on.
    """

    repair_id: str
    line: str
    quantity: float
    unit: str
    priced_on: str
    price: Decimal
    currency: str
    amount: Decimal
    rate_id: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """Everything that has a price, and everything that has none.

    Parameters
    ----------
    lines
        Lines with a price.
    totals
        By currency; currencies are never added together.
    without
        ``repair_id, line`` of lines that are known and have no price.
    not_known
        ``repair_id, line`` of lines whose quantity is not known.
    told
        Prices that fit no unit, and the like.
    """

    lines: tuple[Cost, ...]
    totals: Mapping[str, Decimal]
    without: tuple[tuple[str, str], ...]
    not_known: tuple[tuple[str, str], ...]
    told: tuple[str, ...]


def read_rates(path: Path, *, ref: Reference) -> tuple[Rate, ...]:
    """Read a file of prices, laid out as ``rates.csv`` of a site.

    Raises
    ------
    InputError
        With every problem in it.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise InputError(
            [
                Problem(
                    file=str(path), found=f"cannot be read ({error.strerror})", allowed="a CSV file",
                    mend="Name a file of prices.",
                )
            ]
        ) from None  # fmt: skip
    layer = read_csv(path.name, raw, Rate, max_rows=int(ref.value("input.max_rows")))
    wrong = [problem for problem in layer.problems if problem.severity == "error"]
    if wrong:
        raise InputError(wrong)
    return tuple(record for record in layer.records if isinstance(record, Rate))


def rates_of(site: Site, given: Sequence[Rate] = ()) -> tuple[Rate, ...]:
    """Return the prices in force: those given come before those of the site."""
    own = [record for record in site.of("rate") if isinstance(record, Rate)]
    named = {(rate.repair_kind, _plain(rate.line), rate.unit) for rate in given}
    return (
        *given,
        *(rate for rate in own if (rate.repair_kind, _plain(rate.line), rate.unit) not in named),
    )  # fmt: skip


def costs_of(works: Sequence[Work], rates: Sequence[Rate]) -> Costs:
    """Price every line that has a rate of its repair, its name and its unit; the newest rate counts."""
    lines: list[Cost] = []
    without: list[tuple[str, str]] = []
    not_known: list[tuple[str, str]] = []
    told: list[str] = []
    for work in works:
        for line in work.lines:
            own = [
                rate
                for rate in rates
                if rate.repair_kind == work.kind and _plain(rate.line) == _plain(line.line)
            ]
            if not line.known:
                not_known.append((work.repair_id, line.line))
                continue
            fits = [rate for rate in own if rate.unit in (line.order_unit, line.unit)]
            if not fits:
                without.append((work.repair_id, line.line))
                told += [f"{rate.id} is by {rate.unit}; {line.line} is in {line.unit}." for rate in own]
                continue
            newest = max(enumerate(fits), key=lambda each: (each[1].from_date, -each[0]))[1]
            lines.append(_cost(work, line, newest))
    totals: dict[str, Decimal] = {}
    for cost in lines:
        totals[cost.currency] = totals.get(cost.currency, Decimal(0)) + cost.amount
    return Costs(
        lines=tuple(lines), totals=totals, without=tuple(without), not_known=tuple(not_known),
        told=tuple(dict.fromkeys(told)),
    )  # fmt: skip


def _cost(work: Work, line: Line, rate: Rate) -> Cost:
    by_order = rate.unit == line.order_unit and math.isfinite(line.order)
    quantity = line.order if by_order else line.net
    price = Decimal(str(rate.price))
    amount = (price * Decimal(repr(quantity))).quantize(PENNY, ROUND_HALF_UP)
    return Cost(
        repair_id=work.repair_id, line=line.line, quantity=quantity, unit=rate.unit,
        priced_on=ON_ORDER if by_order else ON_NET, price=price, currency=rate.currency.upper(),
        amount=amount, rate_id=rate.id, source=rate.source,
    )  # fmt: skip


def _plain(line: str) -> str:
    return " ".join(line.casefold().split())
