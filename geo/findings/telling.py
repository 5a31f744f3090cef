"""How progress is told."""

from __future__ import annotations

from collections.abc import Callable

Tell = Callable[[float, str], None]


def quietly(share: float, doing: str) -> None:
    """Tell nobody.

    Parameters
    ----------
    share
        How much is done, 0 to 1.
    doing
        What is being done.
    """
    del share, doing
