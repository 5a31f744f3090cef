"""A drawing that may be wider than the page."""

from __future__ import annotations

import re

import streamlit as st

POLICY = "default-src 'none'; style-src 'unsafe-inline'"
PAGE = """<!doctype html><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<style>html, body {{ margin: 0; }} svg {{ display: block; {size} }}</style>{svg}"""
VIEW_BOX = re.compile(r'viewBox="0 0 ([\d.]+) ([\d.]+)"')
SCROLLBAR_PX = 18


def show_svg(svg: str, *, alt: str, key: str, least_px: int | None = None) -> None:
    """Show an SVG with its tips; a wide one scrolls under a finger.

    It stands in a frame of its own whose policy lets no script run and asks for nothing outside.

    Parameters
    ----------
    alt
        What the drawing is, for those who do not see it.
    key
        Name of its place on the page, in letters and hyphens; ``fitted-...`` when it is fitted.
    least_px
        Fitted to the page, but never narrower than this; ``None`` for its own size.
    """
    found = VIEW_BOX.search(svg)
    if found is None:
        raise ValueError("the drawing does not say its size")
    width, height = (float(number) for number in found.groups())
    size = "" if least_px is None else f"width: 100%; height: auto; min-width: {least_px}px;"
    with st.container(key=key):
        if least_px is not None:
            least = least_px * height / width
            st.html(  # the rules that use these are with the others
                f"<style>.st-key-{key} {{ --wide: {width}; --tall: {height};"
                f" --least: {least + SCROLLBAR_PX * bool(least_px):.0f}px; }}</style>"
            )
        frame = PAGE.format(policy=POLICY, size=size, svg=svg)
        st.iframe(frame, alt=alt, height=round(height) + SCROLLBAR_PX)
