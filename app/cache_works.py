"""The works of a site and their files, kept by the data they were made from."""

# ruff: noqa: ARG001 - an argument that is only hashed is the key

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from app import cache, cache_causes, cache_drying
from geo.drains.soakage import StormDepths
from geo.draw.order import draw_order
from geo.errors import InputError, WallfootError
from geo.exchange.works_files import works_files
from geo.exchange.works_inputs import read_rain, works_for
from geo.findings.drains import Drains
from geo.findings.examine import Findings
from geo.reference import Reference
from geo.site.works_records import Rate
from geo.works.as_built import AsBuilt, as_built
from geo.works.rates import read_rates
from geo.works.whole import Works

DRAWING = "order.svg"


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What a visitor gave beside a site's records, for this visit: it is not kept with the site.

    Parameters
    ----------
    rates
        Own prices; they come before those of the site.
    rain
        Depths of rain at the place.
    told
        What that is, in words.
    version
        Changes whenever any of it does.
    """

    rates: tuple[Rate, ...] = ()
    rain: StormDepths | None = None
    told: str = ""
    version: str = ""


NOTHING_GIVEN = Given()


def given(ref: Reference, *, rates: bytes, rain: str) -> Given:
    """Read a file of prices, and depths of rain as they were typed; a blank is nothing given.

    Raises
    ------
    InputError
        With what is wrong in either.
    """
    told, prices, storms = [], (), None
    with tempfile.TemporaryDirectory(prefix="wallfoot-") as place:
        if rates:
            path = Path(place) / "rates.csv"
            path.write_bytes(rates)
            prices = read_rates(path, ref=ref)
            told.append("1 price" if len(prices) == 1 else f"{len(prices)} prices")
        if rain.strip():
            path = Path(place) / "the depths of rain"
            path.write_text(f"minutes,depth_mm\n{rain.strip()}\n", encoding="utf-8")
            storms = read_rain(path)
            told.append("your depths of rain")
    version = hashlib.sha256(repr((rates, rain.strip())).encode()).hexdigest()
    return Given(rates=prices, rain=storms, told=" and ".join(told), version=version)


def works(found: Findings, beside: Given = NOTHING_GIVEN) -> Works | str:
    """Return the works of a site, worked out once for its data, or why they cannot be."""
    return _works(found.site.digest, beside.version, found, beside)


@st.cache_resource(show_spinner="measuring the works", max_entries=cache.MOST_KEPT)
def _works(digest: str, version: str, _found: Findings, _beside: Given) -> Works | str:
    try:
        return works_for(
            _found,
            _drains(digest, _found),
            ledger=cache_causes.ledger(_found),
            drying=cache_drying.drying(_found),
            rates=_beside.rates,
            rain=_beside.rain,
        )
    except InputError as error:
        return str(error).splitlines()[0]


def left(found: Findings) -> AsBuilt | str | None:
    """Return what the levels after the works say, ``None`` where there are none, or what is wrong."""
    return _left(found.site.digest, found)


@st.cache_resource(show_spinner="working the levels after the works out", max_entries=cache.MOST_KEPT)
def _left(digest: str, _found: Findings) -> AsBuilt | str | None:
    try:
        return as_built(_found, _drains(digest, _found))
    except WallfootError as error:
        return str(error).splitlines()[0]


@st.cache_data(show_spinner="drawing the order", max_entries=cache.MOST_KEPT)
def order_svg(digest: str, dated: str, _works: Works) -> str:
    """Return the order drawn."""
    title = f"Order of the works, {_works.site_name}"
    return draw_order(_works.order, _works.holds, title=title, dated=dated, lanes=_works.lanes)


def files(digest: str, dated: str, works: Works, found: Findings, beside: Given) -> dict[str, bytes]:
    """Return every file of the works, with the drawing."""
    return _files(digest, dated, beside.version, works, found)


@st.cache_data(show_spinner="writing the files", max_entries=cache.MOST_KEPT)
def _files(digest: str, dated: str, version: str, _works: Works, _found: Findings) -> dict[str, bytes]:
    made = works_files(_works, ref=_found.site.reference)
    return made | {DRAWING: order_svg(digest, dated, _works).encode()}


def _drains(digest: str, found: Findings) -> Drains | None:
    """Return the drains already laid out for the other pages; none where they cannot be."""
    try:
        return cache.drains(digest, found)
    except WallfootError:
        return None
