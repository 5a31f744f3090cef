"""A touch on a download made just as the page is drawn again is not lost."""

from __future__ import annotations

import pytest
from streamlit.runtime.media_file_manager import MediaFileManager
from streamlit.runtime.media_file_storage import MediaFileStorageError
from streamlit.runtime.memory_media_file_storage import MemoryMediaFileStorage

from app.downloads import KEPT_S, keep_asked

NAME = "_remove_orphaned_deferred_callables"
PLACE = "place of the button"


class Clock:
    """A clock that is set by hand."""

    now = 100.0

    def __call__(self) -> float:
        """Return the time, s."""
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Keep what was asked, by this clock, until the test is over."""
    monkeypatch.setattr(MediaFileManager, NAME, getattr(MediaFileManager, NAME))
    clock = Clock()
    keep_asked(clock)
    return clock


def manager() -> MediaFileManager:
    """Return a manager of files in memory."""
    return MediaFileManager(MemoryMediaFileStorage("/media"))


def offered(files: MediaFileManager, said: bytes) -> str:
    """Run a page that offers a file, to the end, and return the sign the button got."""
    files.clear_session_refs()
    sign = files.add_deferred(lambda: said, "text/plain", PLACE, file_name="a.txt")
    files.remove_orphaned_files()
    return sign


def test_streamlit_itself_forgets_the_old_sign_as_the_run_ends() -> None:
    """Without this the sign the browser still holds is dead; when that is mended upstream, this may go."""
    files = manager()
    old = offered(files, b"first")
    offered(files, b"second")
    with pytest.raises(MediaFileStorageError, match="not found"):
        files.execute_deferred(old)


def test_the_old_sign_gives_the_file_for_half_a_minute_and_not_longer(clock: Clock) -> None:
    """The old sign and the new both give their file; the old one is forgotten once its time is up."""
    files = manager()
    old = offered(files, b"first")
    new = offered(files, b"second")
    clock.now += KEPT_S - 1
    third = offered(files, b"third")
    assert all(files.execute_deferred(sign) for sign in (old, new, third))
    clock.now += 2
    offered(files, b"fourth")
    with pytest.raises(MediaFileStorageError, match="not found"):
        files.execute_deferred(old)
    assert files.execute_deferred(new)
    clock.now += KEPT_S + 1
    offered(files, b"fifth")
    for sign in (new, third):
        with pytest.raises(MediaFileStorageError, match="not found"):
            files.execute_deferred(sign)


def test_a_button_switched_off_gives_nothing_from_then_on(clock: Clock) -> None:
    """What may no longer be taken away is not kept for anybody."""
    files = manager()
    sign = offered(files, b"first")
    files.remove_deferred(PLACE)
    files.remove_orphaned_files()
    with pytest.raises(MediaFileStorageError, match="not found"):
        files.execute_deferred(sign)
