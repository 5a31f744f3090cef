"""Who may see and do what: roles, whose sites they are, and how long a login holds."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from geo.errors import InputError, Problem, WallfootError

ACTIONS = ("look", "letter", "report", "record", "works", "export", "register", "audit")
EVERY = "*"
MINUTES = 480.0
LONGEST_MINUTES = 1440.0
CLOCKS_APART_S = 120.0
"""How far the clocks of two machines may differ."""


class NotAllowedError(WallfootError):
    """Somebody asked for what is not theirs, or what their role may not do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """Somebody who uses the app.

    Parameters
    ----------
    who
        A name that tells nobody who they are: part of a hash of what the login calls them.
    role
        As in ``shared/access.toml``; ``""`` for the one person at this machine.
    may
        What that role may do.
    owners, sites, homes
        Whose sites, which sites and which homes; ``*`` for all.
    """

    who: str
    role: str = ""
    may: frozenset[str] = frozenset()
    owners: frozenset[str] = frozenset()
    sites: frozenset[str] = frozenset()
    homes: frozenset[str] = frozenset()

    @property
    def own_name(self) -> str:
        """Name under which sites they began are theirs, where they act for no owner."""
        return f"visitor {self.who}"

    def allows(self, action: str) -> bool:
        """Say whether the role may do that at all."""
        return action in self.may

    def sees(self, site_id: str, owner: str = "") -> bool:
        """Say whether a site is theirs to see."""
        named = EVERY in (*self.sites, *self.owners) or site_id in self.sites
        return named or bool(owner and owner in (*self.owners, self.own_name))

    def require(self, action: str, site_id: str = "", owner: str = "") -> None:
        """Go on only if that may be done, at that site where one is named.

        Raises
        ------
        NotAllowedError
            When it may not. It says the same whether there is no such site or it is somebody else's.
        """
        if not self.allows(action):
            label = self.role or "nobody"
            raise NotAllowedError(f"As {label} one may not do that here ({action}).")
        if site_id and not self.sees(site_id, owner):
            raise NotAllowedError("There is no such site here.")


ALONE = Visitor(
    who="this machine",
    may=frozenset(ACTIONS),
    owners=frozenset({EVERY}),
    sites=frozenset({EVERY}),
    homes=frozenset({EVERY}),
)
"""The one person at this machine, where nobody has to log in."""
NOBODY = Visitor(who="nobody")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What a login file says, besides how to log in.

    Parameters
    ----------
    roles
        By role, what it may do.
    people
        By what the login calls them (their subject, or an address it has verified), role and sites.
    claims
        Names of claims that carry the same, where the login provider keeps it: ``role``, ``owners``,
        ``sites``, ``homes``.
    minutes
        How long a login holds.
    """

    roles: Mapping[str, frozenset[str]]
    people: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    claims: Mapping[str, str] = field(default_factory=dict)
    minutes: float = MINUTES

    def visitor(self, user: Mapping[str, Any]) -> Visitor:
        """Return who somebody is, from the claims of their login; nobody when no role is known for them.

        An address counts only where the provider says it has verified it.
        """
        subject = str(user.get("sub") or "")
        if not subject:
            return NOBODY
        address = str(user.get("email") or "").casefold() if user.get("email_verified") is True else ""
        told = self.people.get(f"subject {subject}") or (
            self.people.get(f"email {address}") if address else None
        )
        if told is None:
            told = {name: user.get(claim) for name, claim in self.claims.items()}
        role = str(told.get("role") or "")
        who = hashlib.sha256(f"{user.get('iss', '')}|{subject}".encode()).hexdigest()[:10]
        if role not in self.roles:
            return Visitor(who=who)
        return Visitor(
            who=who, role=role, may=self.roles[role],
            owners=_set(told.get("owners")), sites=_set(told.get("sites")), homes=_set(told.get("homes")),
        )  # fmt: skip

    def holds(self, user: Mapping[str, Any], now_s: float) -> bool:
        """Say whether a login made at ``iat`` (seconds since 1970) still holds."""
        try:
            since = float(user.get("auth_time") or user.get("iat") or 0.0)
        except (TypeError, ValueError):
            return False
        return 0.0 < since <= now_s + CLOCKS_APART_S and now_s < since + 60.0 * self.minutes


@cache
def shipped_roles() -> dict[str, frozenset[str]]:
    """Return what each role may do, as shipped."""
    raw = tomllib.loads((files("shared") / "access.toml").read_text(encoding="utf-8"))
    return _roles(raw["role"], "shared/access.toml")


def read_rules(path: Path) -> tuple[Rules, dict[str, Any]]:
    """Read a login file.

    Returns
    -------
    The rules, and the table ``auth`` as Streamlit's login takes it.

    Raises
    ------
    InputError
        When it cannot be read, lacks something or holds something unknown.
    """

    def wrong(found: str, allowed: str, mend: str = "Correct the login file.") -> InputError:
        return InputError([Problem(file=path.name, found=found, allowed=allowed, mend=mend)])

    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise wrong(f"cannot be read: {error}", "a TOML file") from error
    unknown = sorted(set(raw) - {"auth", "person", "claims", "session", "role"})
    if unknown:
        raise wrong(f"unknown table {unknown[0]!r}", "auth, person, claims, session, role")
    auth = raw.get("auth", {})
    lacking = [
        name
        for name in ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
        if not isinstance(auth.get(name), str) or not auth[name]
    ]
    if lacking:
        raise wrong(f"[auth] has no {', '.join(lacking)}", "what the login provider gave, each as text")
    if len(auth["cookie_secret"]) < 32:
        raise wrong("cookie_secret is too short", "32 signs or more, drawn by chance and kept to yourself")
    roles = dict(shipped_roles()) | _roles(raw.get("role", {}), path.name)
    people: dict[str, Mapping[str, Any]] = {}
    for number, person in enumerate(raw.get("person", []), start=1):
        odd = sorted(set(person) - {"subject", "email", "role", "owners", "sites", "homes"})
        named = [f"subject {person['subject']}"] if person.get("subject") else []
        named += [f"email {str(person['email']).casefold()}"] if person.get("email") else []
        if odd or not named or person.get("role") not in roles:
            found = f"unknown entry {odd[0]!r}" if odd else f"role {person.get('role')!r}, named {named}"
            raise wrong(
                f"person {number}: {found}", "subject or email, a role of " + ", ".join(sorted(roles))
            )
        for name in named:
            people[name] = person
    claims = raw.get("claims", {})
    if set(claims) - {"role", "owners", "sites", "homes"}:
        raise wrong(f"claims {sorted(claims)}", "role, owners, sites, homes")
    minutes = raw.get("session", {}).get("minutes", MINUTES)
    if not isinstance(minutes, (int, float)) or not 1 <= minutes <= LONGEST_MINUTES:
        raise wrong(f"session minutes {minutes!r}", f"1 to {LONGEST_MINUTES:g}")
    return Rules(roles=roles, people=people, claims=claims, minutes=float(minutes)), dict(auth)


def _roles(table: Mapping[str, Any], name: str) -> dict[str, frozenset[str]]:
    found = {}
    for role, told in table.items():
        may = told.get("may", [])
        odd = [action for action in may if action not in ACTIONS]
        if odd:
            what = f"role {role} may {odd[0]!r}"
            raise InputError(
                [Problem(file=name, found=what, allowed=", ".join(ACTIONS), mend="Correct the word.")]
            )
        found[role] = frozenset(may)
    return found


def _set(told: Any) -> frozenset[str]:
    if isinstance(told, str):
        return frozenset(told.split())
    return frozenset(str(one) for one in told or ())
