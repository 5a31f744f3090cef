"""What leave the works need, each with why: derived from what is proposed, and never called complete."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd
import shapely

from geo.site.model import Site
from geo.verdict import NOT_KNOWN
from geo.works.kinds import Work
from geo.works.measure import House
from geo.works.rules import Rules

CAUTION = (
    "This list is drawn up from what is proposed; it is not complete, and whoever does the works asks each"
    " body what it wants."
)
NOTHING = "nothing recorded"


@dataclass(frozen=True, slots=True, kw_only=True)
class Leave:
    """Leave the works need, or may need.

    Parameters
    ----------
    consent_for
        Key of the group ``consent_for``.
    label, whom
        What it is, and whom to ask.
    needed
        ``yes``, or ``not known`` where what decides it was not measured.
    why
        What asks for it, with the numbers where there are any.
    repair_ids
        Repairs that wait for it.
    state
        ``asked``, ``given``, ``refused`` or ``nothing recorded``.
    """

    consent_for: str
    label: str
    whom: str
    needed: str
    why: str
    repair_ids: tuple[str, ...]
    state: str


def consent_states(site: Site) -> dict[str, str]:
    """Return the newest state of every consent, by what it is for."""
    table = site.table("consent")
    ordered = table.sort_values("given_on", kind="stable")
    return {str(row["consent_for"]): str(row["state"]) for _, row in ordered.iterrows()}


def consents_of(works: Sequence[Work], house: House, *, rules: Rules) -> tuple[Leave, ...]:
    """Return the leave that the repairs need, each with why."""
    states = consent_states(house.site)
    live = [work for work in works if work.asked.stage != "dropped"]
    found = []
    for consent_for, whom, needed, why, own in _asked(live, house, rules):
        if own:
            found.append(
                Leave(
                    consent_for=consent_for, label=house.ref.word("consent_for", consent_for), whom=whom,
                    needed=needed, why=why, repair_ids=tuple(own), state=states.get(consent_for, NOTHING),
                )
            )  # fmt: skip
    return tuple(found)


Row = tuple[str, str, str, str, list[str]]


def _asked(works: Sequence[Work], house: House, rules: Rules) -> Iterable[Row]:
    digs = _ids(works, rules.groups["digging"])
    broken = _ids(works, rules.groups["breaking_out"])
    built = house.site.table("building")
    when = ", ".join(str(cell) for cell in built.loc[built["role"] == "subject", "built"] if cell)
    age = f"built {when}" if when else "when it was built is not recorded"
    yield (
        "asbestos_information", "an asbestos surveyor", "yes",
        f"{age}: before 2000 asbestos is assumed until a refurbishment survey says otherwise",
        broken,
    )  # fmt: skip
    yield (
        "services_located", "the owners of the services, and a locator", "yes",
        "somebody digs, or cuts a floor",
        _ids(works, (*rules.groups["digging"], *rules.groups["floor"], "r01")),
    )  # fmt: skip
    yield (
        "isolation", "a competent electrician, and a plumber", "yes",
        "wet walls are opened or stripped", _ids(works, ("r12", "r15", "r18", "r20")),
    )  # fmt: skip
    yield (
        "building_control", "building control", "yes",
        "new and altered drains and soakaways are notifiable building work (Approved Document H)",
        _ids(works, ("r05", "r07", "r08", "r10")),
    )  # fmt: skip
    insulated = _ids(works, ("r16", "r23"))
    yield (
        "building_control", "building control", NOT_KNOWN,
        "a renewed floor or a lined wall may have to be insulated to today's rules", insulated,
    )  # fmt: skip
    yield from _near(works, house, digs)
    yield (
        "listed_building", "the planning authority", NOT_KNOWN,
        f"{age}; whether it is listed or in a conservation area is not recorded",
        _ids(works, ("r03", "r05", "r09", "r11", "r13", "r14", "r18", "r22", "r23")),
    )  # fmt: skip
    yield (
        "neighbour_ground", "the neighbour", "yes", "a wall or asset shared with them is worked on",
        [work.repair_id for work in works if any(each.cause == "S19" for each in work.asked.answers)],
    )  # fmt: skip


def _near(works: Sequence[Work], house: House, digs: list[str]) -> Iterable[Row]:
    """Yield what digs come near: a neighbour's building, a sewer that may be public."""
    own = [work for work in works if work.repair_id in digs]
    warned = house.setting.warnings if house.setting is not None else pd.DataFrame()
    for about, consent_for, whom in (
        ("neighbour", "party_wall", "the neighbour, by notice under the Party Wall etc. Act 1996"),
        ("sewer", "build_over", "the water company"),
    ):
        table = warned[warned["about"] == about] if len(warned) else warned
        for sure in (True, False):
            said = table[(table["word"] == "yes") == sure] if len(table) else table
            names = set(said["of_id"].astype(str)) if len(said) else set()
            ids = [work.repair_id for work in own if set(work.asked.of_ids) & names]
            reasons = [
                f"{of_id}: {text}"
                for of_id, text in (zip(said["of_id"], said["said"], strict=True) if len(said) else ())
                if any(of_id in work.asked.of_ids for work in own)
            ]
            if about == "neighbour" and not sure:
                beside = [work.repair_id for work in own if _beside_neighbour(work, house)]
                ids = list(dict.fromkeys([*ids, *beside]))
                reach = house.ref.value("setting_out.neighbour_near_m")
                reasons += (
                    [f"{' '.join(beside)}: within {reach:g} m of a neighbour's building"] if beside else []
                )
            yield consent_for, whom, "yes" if sure else NOT_KNOWN, "; ".join(dict.fromkeys(reasons)), ids


def _beside_neighbour(work: Work, house: House) -> bool:
    """Whether ground is dug along a wall within reach of a neighbour's building."""
    if not work.asked.on_wall or work.asked.ring_key not in house.found.perimeter.rings.index:
        return False
    footprints = house.found.perimeter.footprints
    walls = footprints[footprints["role"] == "neighbour"]
    if walls.empty:
        return False
    line = house.found.perimeter.line(work.asked.ring_key, work.asked.from_m, work.asked.to_m)
    near = house.ref.value("setting_out.neighbour_near_m")
    return bool((shapely.distance(walls.geometry.to_numpy(), line) <= near).any())


def _ids(works: Sequence[Work], kinds: Sequence[str]) -> list[str]:
    return [work.repair_id for work in works if work.kind in kinds]
