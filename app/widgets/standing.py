"""Where records are kept, and whether the program that keeps them answers."""

from __future__ import annotations

from typing import Any

import streamlit as st
import streamlit.components.v2 as components

from geo.draw.theme import INK, SOFT_INK

HTML = '<p class="kept"></p><p class="off" role="status"></p>'
CSS = f"""p {{ margin: 0; font: 12px/1.35 var(--st-font); color: {SOFT_INK}; overflow-wrap: anywhere; }}
.off {{ color: {INK}; font-weight: 600; }} p:empty {{ display: none; }}"""
CUT_OFF = "Not connected: typed work is kept in this browser and saved once the program answers again."
JS = """
const EVERY_MS = 3000;
export default function (component) {
  const { data, parentElement } = component;
  parentElement.querySelector(".kept").textContent = data.kept;
  const off = parentElement.querySelector(".off");
  let missed = 0;
  const look = async () => {
    if (document.hidden) { return; }
    try {
      const answer = await fetch("/_stcore/health", { cache: "no-store" });
      missed = answer.ok ? 0 : missed + 1;
    } catch (error) { missed += 1; }
    const words = missed ? data.off : "";
    if (off.textContent !== words) { off.textContent = words; }
  };
  const clock = setInterval(look, EVERY_MS);
  window.addEventListener("offline", look);
  window.addEventListener("online", look);
  return () => {
    clearInterval(clock);
    window.removeEventListener("offline", look);
    window.removeEventListener("online", look);
  };
}
"""


@st.cache_resource(show_spinner=False)
def _component() -> Any:
    return components.component("wallfoot_standing", html=HTML, css=CSS, js=JS)


def show_standing(kept: str) -> None:
    """Say in a line where records are kept, and in another when the program no longer answers.

    Parameters
    ----------
    kept
        File or address of the workspace, without a password; ``""`` when it cannot be opened.
    """
    told = f"Records are kept in {kept}" if kept else ""
    _component()(key="standing", data={"kept": told, "off": CUT_OFF}, height="content")
