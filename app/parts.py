"""What cannot be shown, of a page or of a part of it, is said in a sentence, never in a box of tracebacks."""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import wraps
from typing import Any, ParamSpec

import streamlit as st

from geo.errors import WallfootError

P = ParamSpec("P")
REFUSED = "refused"
CANNOT = (
    "could not be shown; the reason is in the terminal the app was started from. What was saved is safe, and"
    " the rest goes on working."
)


def run(show: Callable[[], Any], name: str) -> None:
    """Show a page, or say in a sentence why it cannot be shown."""
    say_refused()
    _tell(show, f"The page {name}", "This page")


def part(shown: Callable[P, None], *, run_every: str | float | None = None) -> Callable[P, None]:
    """Make a function that draws a part of a page run by itself, and say its refusals in a sentence."""

    @wraps(shown)
    def told(*args: P.args, **more: P.kwargs) -> None:
        say_refused()
        _tell(lambda: shown(*args, **more), f"The part {shown.__module__}.{shown.__qualname__}", "This part")

    found: Callable[P, None] = st.fragment(told, run_every=run_every)
    return found


def heard(asked: Callable[P, Any]) -> Callable[P, None]:
    """Make what a touch asks for keep its refusal, to be said when the page is drawn again."""

    @wraps(asked)
    def told(*args: P.args, **more: P.kwargs) -> None:
        try:
            asked(*args, **more)
        except WallfootError as error:
            st.session_state[REFUSED] = _first_line(error)

    return told


def say_refused() -> None:
    """Say what was refused since the page was last drawn."""
    if said := st.session_state.pop(REFUSED, ""):
        st.text(said)


def _tell(show: Callable[[], Any], what: str, here: str) -> None:
    try:
        show()
    except WallfootError as error:
        st.text(_first_line(error))
    except Exception:
        logging.getLogger("wallfoot").exception("%s could not be shown", what)
        st.text(f"{here} {CANNOT}")


def _first_line(error: WallfootError) -> str:
    return str(error).splitlines()[0] if str(error) else "That was refused."
