"""A file asked for while its page is being drawn again is still given."""

# ruff: noqa: SLF001 - Streamlit has no public way to keep what makes a file a little longer

from __future__ import annotations

import time
from collections.abc import Callable

from streamlit.runtime.media_file_manager import MediaFileManager

KEPT_S = 30.0


def keep_asked(clock: Callable[[], float] = time.monotonic) -> None:
    """Let every file a page offered still be asked for half a minute after the page offers it anew.

    Each run of a page gives its buttons new signs, and Streamlit forgets how to make a file by its old sign
    as the run ends; a touch made before the browser was told the new one then comes to nothing. A button that
    is switched off is still forgotten at once. Call it once, before the server starts. Should a newer
    Streamlit keep its signs otherwise, it does as it would without this.
    """
    usual = MediaFileManager._remove_orphaned_deferred_callables
    left_at: dict[str, float] = {}

    def forget(manager: MediaFileManager) -> None:
        try:
            mapped, known = manager._files_by_session_and_coord, manager._deferred_callables
            drop = manager._drop_deferred_id
        except AttributeError:
            usual(manager)
            return
        held = {sign for places in mapped.values() for sign in places.values()}
        now = clock()
        left = {sign for sign in known if sign not in held}
        late = {sign for sign in left if now - left_at.setdefault(sign, now) >= KEPT_S}
        for sign in late:
            drop(sign)
        for sign in late | (left_at.keys() - left):
            left_at.pop(sign, None)

    MediaFileManager._remove_orphaned_deferred_callables = forget  # type: ignore[method-assign]
