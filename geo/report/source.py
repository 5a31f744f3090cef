"""Everything a report is written from, gathered once."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from importlib import metadata

from geo.drains.setting_out import SettingOut
from geo.draw.scene import Scene
from geo.drying.report import Drying, drying_of
from geo.errors import WallfootError
from geo.evidence.ledger import Ledger, ledger_of
from geo.exchange.scene import scene_of
from geo.exchange.setting_work import setting_out_of
from geo.exchange.works_inputs import works_for
from geo.findings.drains import Drains, lay_out_drains
from geo.findings.examine import Findings
from geo.findings.trials import JudgedTrial, judge_trials
from geo.reference import Reference
from geo.report.places import Places, WetPlace, wet_places
from geo.site.model import Site
from geo.walk.close import OpenEnd, close_down
from geo.works.as_built import STAGE_NOW, AsBuilt, as_built
from geo.works.whole import Works


@dataclass(frozen=True, eq=False, kw_only=True)
class Source:
    """What a report is written from.

    Parameters
    ----------
    drains
        ``None`` where they cannot be laid out; ``drains_refused`` then says why.
    judged
        The tests on site, judged.
    ledger
        The causes; ``None`` where nothing is wet.
    works
        The repairs measured and put in order; ``None`` where they cannot be, and ``works_refused`` says why.
    drying
        How it dries; ``None`` where nothing of it is recorded.
    laid
        The setting-out of the drains, or why there is none, where it is worked out already.
    """

    found: Findings
    drains: Drains | None
    drains_refused: str
    judged: tuple[JudgedTrial, ...]
    ledger: Ledger | None
    works: Works | None
    works_refused: str
    drying: Drying | None
    scene: Scene = field(repr=False)
    laid: tuple[SettingOut | None, str] | None = field(default=None, repr=False)

    @property
    def site(self) -> Site:
        """The site."""
        return self.found.site

    @property
    def ref(self) -> Reference:
        """The limits in force."""
        return self.found.site.reference

    @cached_property
    def places(self) -> Places:
        """The walls in words."""
        return Places(found=self.found)

    @cached_property
    def wet(self) -> tuple[WetPlace, ...]:
        """Wet places, named A, B … by :attr:`wet_names`."""
        return tuple(wet_places(self.found))

    @cached_property
    def wet_names(self) -> tuple[str, ...]:
        """A letter for each wet place: A to Z, then AA, AB …."""
        return tuple(letter_name(i) for i in range(len(self.wet)))

    @cached_property
    def open_ends(self) -> tuple[OpenEnd, ...]:
        """What is still open, as before leaving."""
        return tuple(close_down(self.site, self.found, self.drains))

    @cached_property
    def levelled_after(self) -> bool:
        """Whether anything was levelled after works."""
        return any(getattr(record, "stage", "") == STAGE_NOW for record in self.site.of("level"))

    @cached_property
    def _left(self) -> tuple[AsBuilt | None, str]:
        try:
            return as_built(self.found, self.drains), ""
        except WallfootError as error:
            return None, f"the levels after the works cannot be used as recorded: {error}"

    @property
    def left(self) -> AsBuilt | None:
        """The house as the works left it; ``None`` where nothing was levelled after them."""
        return self._left[0]

    @property
    def left_refused(self) -> str:
        """Why the levels after the works cannot be used, where they cannot."""
        return self._left[1]

    @cached_property
    def _setting(self) -> tuple[SettingOut | None, str]:
        return self.laid if self.laid is not None else _set_out(self.found)

    @property
    def setting(self) -> SettingOut | None:
        """The setting-out of the drains; ``None`` where it cannot be worked out."""
        return self._setting[0]

    @property
    def setting_refused(self) -> str:
        """Why there is no setting-out, where there is none."""
        return self._setting[1]

    @property
    def tool(self) -> str:
        """Name and version of the program."""
        return f"wallfoot {metadata.version('wallfoot')}"


def letter_name(i: int) -> str:
    """Return the name of the i-th of a row: A to Z, then AA, AB …."""
    first, last = divmod(i, 26)
    return (letter_name(first - 1) if first else "") + chr(ord("A") + last)


def gather(
    found: Findings,
    *,
    drains: Drains | None = None,
    scene: Scene | None = None,
    ledger: Ledger | None = None,
    drying: Drying | None = None,
    works: Works | None = None,
) -> Source:
    """Gather what a report is written from.

    Parameters
    ----------
    drains, scene, ledger, drying, works
        Where they are worked out already.
    """
    refused = ""
    if drains is None:
        try:
            drains = lay_out_drains(found)
        except WallfootError as error:
            refused = str(error)
    judged = judge_trials(found.site, drains)
    if ledger is None and len(found.stretches):
        ledger = ledger_of(found, drains, judged)
    drying = drying or drying_of(found, judged)
    held = ""
    laid = None
    if works is None:
        laid = _set_out(found)
        works, held = _works(found, drains, judged, ledger, drying, laid[0])
    return Source(
        found=found,
        drains=drains,
        drains_refused=refused,
        judged=judged,
        ledger=ledger if len(found.stretches) else None,
        works=works,
        works_refused=held,
        drying=drying if drying.recorded else None,
        scene=scene or scene_of(found),
        laid=laid,
    )


def _set_out(found: Findings) -> tuple[SettingOut | None, str]:
    """Work out the setting-out of the drains, or say why it cannot be."""
    try:
        return setting_out_of(found.site, perimeter=found.perimeter)[0], ""
    except WallfootError as error:
        return None, f"the drains cannot be set out as recorded: {error}"


def _works(
    found: Findings,
    drains: Drains | None,
    judged: tuple[JudgedTrial, ...],
    ledger: Ledger | None,
    drying: Drying,
    setting: SettingOut | None,
) -> tuple[Works | None, str]:
    """Work out the works, or say why they cannot be."""
    try:
        works = works_for(found, drains, judged=judged, ledger=ledger, drying=drying, setting=setting)
    except WallfootError as error:
        return None, f"the works cannot be worked out as recorded: {error}"
    return works, ""
