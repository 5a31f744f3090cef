"""Does the same thing fail across an estate, and where to look before a programme?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import cache_homes
from app.views import homes_parts as parts
from app.widgets import chrome, drawing
from app.widgets.table import show_table
from geo.draw.estate_rates import draw_rates
from geo.portfolio.rate_words import chance_said
from geo.site.fields import words_of

if TYPE_CHECKING:
    from geo.portfolio.patterns import Patterns

BY = {
    "estate": "Estate", "built_year": "Year built", "drawing_type": "Type of drawing",
    "installer": "Who laid the drains", "soil": "Soil",
}  # fmt: skip
SHOWN = 40
LEAST_PX = 760
FIRST = "soakaway"


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    parts.go_if_chosen()
    at = parts.open_desk(head, "Estates")
    if at is None:
        return
    chrome.heading(
        head,
        "The same defect across estates",
        parts.told_as_at(at),
        "Rates are among what was inspected, never among what is on the books.",
    )
    word = at.register.ref.word
    kinds = list(words_of("asset_kind"))
    with st.container(horizontal=True, vertical_alignment="bottom"):
        kind = st.selectbox(
            "Assets", kinds, index=kinds.index(FIRST) if FIRST in kinds else 0,
            format_func=lambda one: word("asset_kind", one, "plural"), key="estate-kind", width=260,
        )  # fmt: skip
        by = st.multiselect(
            "Grouped by", list(BY), default=["estate"], format_func=BY.__getitem__, key="estate-by", width=420
        )
    found = cache_homes.patterns(at, str(kind), tuple(by) or ("estate",))
    plural = word("asset_kind", str(kind), "plural")
    if found.groups.empty:
        chrome.note(f"No {word('asset_kind', str(kind))} was inspected in any home: no rate is known.")
    else:
        _rates(found, plural)
        _sample(at, found)
    _shared(at)
    _money(at)


def _rates(found: Patterns, plural: str) -> None:
    """Show the rates drawn, and in a table with what they mean."""
    parts.figures(
        [
            (f"{found.failed} of {found.inspected}", f"{plural} inspected had failed, each counted once"),
            (str(len(found.groups)), "groups"),
        ]
    )
    top = found.groups.head(SHOWN)
    svg = draw_rates(top, list(found.by), rate=found.rate, title=f"Failed {plural} among inspected")
    drawing.show_svg(svg, alt=f"Rates of failed {plural} by group", key="fitted-rates", least_px=LEAST_PX)
    table = pd.DataFrame(
        {
            **{BY[name].lower(): top[name] for name in found.by},
            "failed": top["failed"],
            "inspected": top["inspected"],
            "of them after a complaint": top["from_reports"],
            "if it were like all homes": [chance_said(one) for one in top["chance"]],
            "allowing for the groups looked at": [chance_said(one) for one in top["chance_adjusted"]],
            "in a sentence": top["said"],
        }
    )
    show_table(table)
    first = "The least likely to be chance stands first."
    if len(found.groups) > SHOWN:
        first += f" The first {SHOWN} of {len(found.groups)} groups; all of them are in the files."
    chrome.note(first, *found.remarks)
    parts.take_away("patterns", found.groups, key="take-patterns")


def _sample(at: cache_homes.Desk, found: Patterns) -> None:
    """Draw homes that nobody complained of, to look at before a programme."""
    parts.sub("Look before a programme")
    groups = found.groups.to_dict("records")
    if not any(one["sample_of"] for one in groups):
        chrome.note("No group has homes that nobody complained of and where none was inspected.")
        return
    chrome.note(
        "Homes nobody complained of and where no such asset was inspected, drawn at random: a rate from"
        " complaints alone says nothing about the others. The same number draws the same homes."
    )
    with st.container(horizontal=True, vertical_alignment="bottom"):
        number = st.selectbox(
            "Group",
            [n for n, one in enumerate(groups) if one["sample_of"]],
            format_func=lambda n: ", ".join(str(groups[n][name]) for name in found.by),
            key=f"estate-group-{found.asset_kind}-{'-'.join(found.by)}",
            width=340,
        )
        wanted = int(at.register.ref.value("portfolio.sample_homes"))
        count = st.number_input("How many", 1, 500, value=wanted, key="estate-count", width=140)
        seed = st.number_input("Number to draw by", 0, 10**6, value=1, key="estate-seed", width=180)
    group = groups[int(number)]
    chosen = {name: str(group[name]) for name in found.by}
    drawn = at.register.sample(at.viewer, found.asset_kind, chosen, seed=int(seed), count=int(count))
    told = ", ".join(chosen.values())
    chrome.note(f"{len(drawn)} of {group['sample_of']} such homes of {told}:")
    st.text("  ".join(drawn))
    table = pd.DataFrame(
        {"home_id": list(drawn), **chosen, "asset_kind": found.asset_kind, "drawn_by": int(seed)}
    )
    parts.take_away("sample", table, key="take-sample")


def _shared(at: cache_homes.Desk) -> None:
    """Show assets that serve several homes, each once."""
    parts.sub("Assets that serve several homes, each counted once")
    table = cache_homes.shared(at)
    word = at.register.ref.word
    show_table(
        pd.DataFrame(
            {
                "asset": table["asset_id"],
                "what": [word("asset_kind", one) for one in table["asset_kind"]],
                "found": [word("inspected_state", one) for one in table["state"]],
                "homes": table["homes"],
                "which": table["home_ids"],
                "who pays": [one or "not settled" for one in table["pays"]],
            }
        ).head(5 * SHOWN),
        empty="None recorded.",
        tall=True,
    )


def _money(at: cache_homes.Desk) -> None:
    """Show money by cause, for those who are shown money."""
    if "cost_hundredths" in at.viewer.hidden_keys:
        return
    parts.sub("Money by cause")
    table = cache_homes.costs(at).sort_values(["currency", "amount"], ascending=[True, False], kind="stable")
    word = at.register.ref.word
    show_table(
        pd.DataFrame(
            {
                "cause": [word("cause", one) if one else "no cause named" for one in table["cause"]],
                "currency": table["currency"],
                "spent": table["amount"],
                "of it on repairs that failed": table["failed_amount"],
                "for each metre of wall": table["per_m"],
            }
        ),
        empty="No cost is recorded.",
    )
    if len(table):
        chrome.note(
            "Of each currency the largest sum stands first. For each metre: a row's whole sum over the"
            " lengths of wall recorded with it; – where none is."
        )
