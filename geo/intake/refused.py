"""What a parser says when it refuses a file; it becomes a problem where the file's name is known."""

from __future__ import annotations


class Refused(Exception):  # noqa: N818 - it is said, not failed
    """A file, or a part of one, that cannot be used, in the three parts of a problem."""

    def __init__(self, found: str, allowed: str, mend: str) -> None:
        self.found, self.allowed, self.mend = found, allowed, mend
        super().__init__(f"{found}; allowed: {allowed}. {mend}")
