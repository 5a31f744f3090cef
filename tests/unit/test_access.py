"""Who may see what: the rules, the guarded store, and that no page, file or call is outside them."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Any

import pytest

from app import access
from geo.access import ALONE, EVERY, NOBODY, NotAllowedError, Rules, Visitor, read_rules, shipped_roles
from geo.errors import InputError
from geo.site.folder import read_site
from geo.site.records import HoldPoint, Sign, WorkDone
from geo.store.changes import Put, Remove
from geo.store.store import Store, open_store

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_sites" / "three_cottages"
LOGIN = """
[auth]
redirect_uri = "http://127.0.0.1:8501/oauth2callback"
cookie_secret = "drawn by chance and longer than 32 signs"
client_id = "wallfoot"
client_secret = "kept"
server_metadata_url = "http://127.0.0.1:9400/.well-known/openid-configuration"

[[person]]
subject = "s-1"
role = "surveyor"
owners = ["north"]

[[person]]
email = "Anybody@example.invalid"
role = "landlord"
owners = ["north"]

[claims]
role = "job"
sites = "houses"

[session]
minutes = 30
"""


def rules(tmp_path: Path, text: str = LOGIN) -> Rules:
    """Return the rules of a login file."""
    path = tmp_path / "login.toml"
    path.write_text(text, encoding="utf-8")
    return read_rules(path)[0]


def test_people_are_known_by_subject_by_a_verified_address_or_by_claims(tmp_path: Path) -> None:
    """An address the provider has not verified is nobody's; a role the file does not know may do nothing."""
    known = rules(tmp_path)
    assert known.visitor({"sub": "s-1"}).role == "surveyor"
    address = {"sub": "x", "email": "anybody@example.invalid"}
    assert known.visitor(address | {"email_verified": True}).role == "landlord"
    assert known.visitor(address).may == frozenset()
    assert known.visitor({"sub": "anybody@example.invalid"}).may == frozenset()
    assert known.visitor(address | {"email_verified": "true"}).may == frozenset()
    assert known.visitor({"sub": "y", "job": "contractor", "houses": "a b"}).sites == {"a", "b"}
    assert known.visitor({"sub": "y", "job": "emperor"}).may == frozenset()
    assert known.visitor({"job": "surveyor"}) == NOBODY


def test_who_somebody_is_tells_no_name(tmp_path: Path) -> None:
    """The sign under which things are written is a hash, another one with another provider."""
    known = rules(tmp_path)
    here = known.visitor({"sub": "s-1", "iss": "a", "email": "anna@example.invalid"})
    assert "anna" not in here.who
    assert "s-1" not in here.who
    assert here.who != known.visitor({"sub": "s-1", "iss": "b"}).who


@pytest.mark.parametrize(
    ("made_s_ago", "holds"), [(0, True), (29 * 60, True), (30 * 60, False), (-60, True), (-600, False)]
)
def test_a_login_holds_so_long_and_no_longer(tmp_path: Path, made_s_ago: float, holds: bool) -> None:
    """Thirty minutes by the file; a clock a minute ahead is forgiven, ten minutes are not."""
    assert rules(tmp_path).holds({"iat": 1e9 - made_s_ago}, 1e9) is holds
    assert not rules(tmp_path).holds({}, 1e9)
    assert not rules(tmp_path).holds({"iat": "then"}, 1e9)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("drawn by chance and longer than 32 signs", "short"), "too short"),
        (('client_id = "wallfoot"\n', ""), "client_id"),
        (('role = "landlord"', 'role = "emperor"'), "emperor"),
        (("[session]", "[sesion]"), "sesion"),
        (("minutes = 30", "minutes = 0"), "minutes 0"),
        (("[[person]]\nsubject", "[[person]]\nsubjet"), "subjet"),
    ],
)
def test_a_wrong_login_file_is_refused_in_one_sentence(
    tmp_path: Path, change: tuple[str, str], said: str
) -> None:
    """The app does not start half open."""
    with pytest.raises(InputError, match=said):
        rules(tmp_path, LOGIN.replace(*change))


def test_every_role_has_a_table_and_only_known_words() -> None:
    """A resident reads the letter and nothing else; only surveyors record."""
    roles = shipped_roles()
    assert set(roles) == {"surveyor", "contractor", "landlord", "resident"}
    assert roles["resident"] == {"letter"}
    assert [role for role, may in roles.items() if "record" in may] == ["surveyor"]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """Return a store with one site of north's and one of south's."""
    kept = open_store(str(tmp_path / "w.sqlite"))
    site = read_site(DEMO)
    kept.take_in(site, by="surveyor", owner="north")
    kept.take_in(site, by="surveyor", owner="south")
    return kept


def visitor(role: str, **more: Any) -> Visitor:
    """Return somebody of a role who acts for north."""
    may = shipped_roles()[role]
    return Visitor(who="0123456789", role=role, may=may, **({"owners": frozenset({"north"})} | more))


@pytest.mark.parametrize("role", ["surveyor", "contractor", "landlord", "resident"])
def test_nobody_sees_a_site_that_is_not_theirs(store: Store, role: str) -> None:
    """South's site is not listed, and by every call of the store it is not there."""
    north, south = (
        next(entry.site_id for entry in store.sites() if entry.owner == owner) for owner in ("north", "south")
    )
    seen = access.Guarded(store, visitor(role))
    assert [entry.site_id for entry in seen.sites()] == [north]
    assert seen.site(north).digest == store.site(north).digest
    for name in (*access.READ, *access.CHANGE, "hand_out", "save"):
        with pytest.raises(NotAllowedError):
            getattr(seen, name)(south, ())
    assert store.version(south) == 1


def test_every_call_of_the_store_is_named_or_refused(store: Store) -> None:
    """What nobody thought of is refused, whoever asks."""
    tree = ast.parse((ROOT / "geo" / "store" / "store.py").read_text(encoding="utf-8"))
    methods = [
        item.name
        for node in tree.body
        if isinstance(node, ast.ClassDef) and node.name == "Store"
        for item in node.body
        if isinstance(item, ast.FunctionDef) and not item.name.startswith("_")
    ]
    own = set(vars(access.Guarded)) | {*access.READ, *access.CHANGE}
    seen = access.Guarded(store, visitor("surveyor", sites=frozenset({EVERY})))
    refused = [name for name in methods if name not in own]
    assert {"back_up", "bring_back"} <= set(refused)
    for name in refused:
        with pytest.raises(NotAllowedError):
            getattr(seen, name)


def test_a_contractor_records_what_was_done_and_nothing_else(store: Store) -> None:
    """A hold point and work done are theirs to add; a sign is not, nor is anything taken out."""
    north = next(entry.site_id for entry in store.sites() if entry.owner == "north")
    seen = access.Guarded(store, visitor("contractor"))
    done = WorkDone(id="WD9", repair_id="RPA", line="dig", quantity=1.0, unit="m3")
    point = HoldPoint(id="HP9", hold_point="hp1", result="passed")
    seen.save(north, [Put(done), Put(point)], by="contractor")
    sign = Sign(id="SG9", building_id="CA", chainage_from_m=0.0, chainage_to_m=1.0, sign="mould")
    over = point.model_copy(update={"result": "failed"})
    for changes in (
        [Put(sign)],
        [Put(done), Put(sign)],
        [Put(over, base=1)],
        [Remove("work_done", "WD9", base=1)],
    ):
        with pytest.raises(NotAllowedError):
            seen.save(north, changes, by="contractor")
    assert not [record for record in store.site(north).of("sign") if record.id == "SG9"]


def test_what_one_begins_is_ones_own(store: Store) -> None:
    """A surveyor who acts for north begins north's sites; one who acts for nobody, their own."""
    site = read_site(DEMO)
    for who, owner in (
        (visitor("surveyor"), "north"),
        (visitor("surveyor", owners=frozenset()), "visitor 0123456789"),
    ):
        seen = access.Guarded(store, who)
        site_id = seen.take_in(site, by="surveyor", owner="south")
        entry = next(entry for entry in store.sites() if entry.site_id == site_id)
        assert entry.owner == owner
        assert seen.version(site_id) == 1


def test_alone_at_this_machine_everything_is_allowed() -> None:
    """Without a login file nothing changes for the one who works alone."""
    assert access.visitor() == ALONE
    ALONE.require("record", "any site")


def test_every_page_says_what_it_asks() -> None:
    """Each address in the navigation is in the table; one that is not is nobody's."""
    text = "".join(
        path.read_text(encoding="utf-8")
        for path in [ROOT / "app" / "main.py", *(ROOT / "app" / "views").glob("*.py")]
    )
    addresses = set(re.findall(r'url_path="([a-z-]+)"', text))
    assert {"map", "drains", "type-in"} <= addresses
    assert addresses <= set(access.PAGES)


def test_no_file_is_given_away_beside_the_gate() -> None:
    """Every file to take away is offered through the one function that asks."""
    found = [
        path.name
        for path in (ROOT / "app").rglob("*.py")
        if "download_button(" in path.read_text(encoding="utf-8") and path.name != "access.py"
    ]
    assert found == []
