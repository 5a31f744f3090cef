"""Who else may look in?"""

from __future__ import annotations

from functools import partial
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from app import gate
from app.pairing import LAPTOP, Door, shown_code
from app.parts import part
from app.widgets import chrome

SECONDS = 3


def own_page(head: DeltaGenerator) -> dict[str, list[Any]]:
    """Return the page for the navigation: on the laptop, while other devices may pair, and else none."""
    door = gate.door()
    if door is None or not door.lan or gate.who_asks() != LAPTOP:
        return {}
    return {"Devices": [st.Page(partial(show, head), title="Devices", url_path="devices")]}


def show(head: DeltaGenerator) -> None:
    """Draw the page."""
    chrome.heading(
        head,
        "Devices on this network",
        "Only this machine shows this page. Pairing lasts until the app is stopped.",
    )
    _paired()


@partial(part, run_every=SECONDS)
def _paired() -> None:
    door = gate.door()
    if door is None or gate.who_asks() != LAPTOP:
        return
    addresses = sorted(host for host in door.hosts if not host.startswith(("127.", "localhost:")))
    chrome.note("On the other device open one of these, and type the code; it pairs one device.")
    for address in addresses:
        st.text(f"{gate.scheme()}://{address}")
    st.code(shown_code(door.code), language=None)
    chrome.note(_heard())
    if not door.devices:
        chrome.note("No device is paired.")
    for device in door.devices:
        with st.container(horizontal=True, vertical_alignment="center"):
            st.text(
                f"{device.address} · since {device.paired_at:%H:%M} UTC · {device.browser}", width="stretch"
            )
            if st.button("Unpair", key=f"unpair-{device.device_id}"):
                _unpair(door, device.device_id)


def _unpair(door: Door, device_id: str) -> None:
    door.unpair(device_id)
    st.rerun(scope="fragment")


def _heard() -> str:
    if gate.scheme() == "https":
        return "Sent under the certificate you named."
    return (
        "Sent in plain http: whoever shares this network can listen in. Use it on a network you trust, or"
        " start it with --certificate and --key."
    )
