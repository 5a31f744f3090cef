"""A drawing that may be wider than the page."""

from __future__ import annotations

import base64

import streamlit as st


def show_svg(svg: str, *, alt: str, natural: bool = True) -> None:
    """Show an SVG; a wide one keeps its size and scrolls under a finger.

    It goes in as a picture, so nothing in it can run.
    """
    source = "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()
    width = "" if natural else "width:100%;"
    st.html(
        f'<div class="wf-scroll"><img alt="{alt}" src="{source}" style="{width}display:block;max-width:none"></div>'
    )
