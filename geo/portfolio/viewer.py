"""Who looks, and what they may see: every question to the register names its viewer."""

from __future__ import annotations

from dataclasses import dataclass

from geo.errors import InputError, Problem
from geo.portfolio.events import EVENTS

ADMINISTRATOR, MANAGER, CALL_HANDLER, SURVEYOR, CONTRACTOR, RESIDENT, ADVISER = (
    "administrator",
    "manager",
    "call_handler",
    "surveyor",
    "contractor",
    "resident",
    "adviser",
)
ROLES = (ADMINISTRATOR, MANAGER, CALL_HANDLER, SURVEYOR, CONTRACTOR, RESIDENT, ADVISER)
WHOLE = (ADMINISTRATOR, MANAGER, CALL_HANDLER, ADVISER)
"""Roles that see every home of their landlord; the others see the homes they are given."""
WRITES = (ADMINISTRATOR, MANAGER, CALL_HANDLER, SURVEYOR)
_MONEY = frozenset({"cost"})
_PERSONS = frozenset({"report", "triage", "told", "accommodation", "notice"})
HIDDEN = {
    CONTRACTOR: _MONEY | _PERSONS,
    SURVEYOR: _MONEY | {"notice"},
    CALL_HANDLER: _MONEY,
    RESIDENT: _MONEY,
}
"""Kinds of event a role is not shown."""
HIDDEN_KEYS = {
    CONTRACTOR: frozenset({"cost_hundredths", "currency", "vulnerable"}),
    SURVEYOR: frozenset({"cost_hundredths", "currency"}),
    CALL_HANDLER: frozenset({"cost_hundredths", "currency"}),
    RESIDENT: frozenset({"cost_hundredths", "currency"}),
}
"""Columns of a home's state a role is not shown, and may not sort by."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Viewer:
    """Who asks.

    Parameters
    ----------
    role
        One of :data:`ROLES`.
    landlord_id
        Whose homes; one landlord at a time, whatever the role.
    home_ids
        The homes given to them; ``None`` for every home of the landlord, which only some roles may have.

    Raises
    ------
    InputError
        When there is no such role, no landlord, or the role needs homes of its own.
    """

    role: str
    landlord_id: str
    home_ids: frozenset[str] | None = None

    def __post_init__(self) -> None:
        if self.role not in ROLES:
            raise _refused("role", f"{self.role!r}", ", ".join(ROLES))
        if not self.landlord_id.strip():
            raise _refused("landlord_id", "is blank", "a landlord's number")
        if self.home_ids is None and self.role not in WHOLE:
            raise _refused("home_ids", f"a {self.role} without homes of their own", "the homes given to them")

    @property
    def writes(self) -> bool:
        """Whether they may add events."""
        return self.role in WRITES

    @property
    def kinds(self) -> tuple[str, ...]:
        """Kinds of event they are shown."""
        hidden = HIDDEN.get(self.role, frozenset())
        return tuple(kind for kind in EVENTS if kind not in hidden)

    @property
    def hidden_keys(self) -> frozenset[str]:
        """Columns of a home's state they are not shown."""
        return HIDDEN_KEYS.get(self.role, frozenset())

    def sees(self, home_id: str) -> bool:
        """Tell whether a home of their landlord's is theirs to see."""
        return self.home_ids is None or home_id in self.home_ids


def _refused(column: str, found: str, allowed: str) -> InputError:
    return InputError(
        [Problem(file="viewer", column=column, found=found, allowed=allowed, mend="Say who looks.")]
    )
