"""The ledger of causes: by wet stretch which sources, by which ways in, how far proven, what is open."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from geo.errors import WallfootError
from geo.evidence.candidates import candidates_of
from geo.evidence.candidates_laid import lay_out_evidence
from geo.evidence.codes import raise_codes
from geo.evidence.coverage import Span, cover, minus, rolled, union
from geo.evidence.decisions import Decision, accepted_causes, decisions_at, put_forward
from geo.evidence.kinds import Candidate, Raised
from geo.evidence.ledger_kinds import Ledger, Place, StretchLedger
from geo.evidence.ledger_walls import Sides, dry_and_unread, places_of, plain_stretches, spots_of, walls_of
from geo.evidence.next_trial import next_at, next_of_all
from geo.evidence.next_trial_kinds import Asked, Next, Option
from geo.evidence.next_trial_pours import Pours, leave_of, passed_below, proof_lacks, put_in
from geo.evidence.next_trial_words import listed
from geo.evidence.pairing import Paired, Wall, pair, reach_of
from geo.evidence.robust import Leader, Steadiness, steadiness
from geo.evidence.support import NOT_EXAMINED, PROVEN, WORDS, Support, weigh
from geo.evidence.support_board import lay_board
from geo.evidence.trial_log import trial_log
from geo.findings.drain_answer import Drains
from geo.findings.drain_layout import lay_out_drains
from geo.findings.examine import Findings
from geo.findings.places import ring_keys
from geo.findings.trials import JudgedTrial, judge_trials
from geo.site.model import Site
from geo.site.reasoning_records import Hypothesis
from geo.weights import EVIDENCE_FILE, MIMIC, ROUTE, Weights, changed_by, default

__all__ = ["Ledger", "Place", "StretchLedger", "ledger_of", "reckon", "weights_of"]
NO_STEADINESS = Steadiness(feed=None, route=None)


def weights_of(site: Site, given: Weights | None = None) -> Weights:
    """Return the weights in force for a site: those given, else its own file's, else those shipped."""
    if given is not None:
        return given
    own = site.files.get(EVIDENCE_FILE)
    return default() if own is None else changed_by(own)


def ledger_of(
    found: Findings,
    drains: Drains | None = None,
    judged: Sequence[JudgedTrial] | None = None,
    *,
    weights: Weights | None = None,
    exact: bool = True,
) -> Ledger:
    """Work out the ledger of causes.

    Parameters
    ----------
    found
        What was found at the site.
    drains
        Its drains laid out; laid out here where they are not given and can be.
    judged
        Its tests judged; judged here where they are not given.
    weights
        A practice's own weights, in place of those of the site.
    exact
        Work out the litres of poured tests; without it the usual ones are taken, which is quicker where
        many sites are gone through.

    Raises
    ------
    InputError
        When the site's own evidence.toml cannot be used.
    """
    own = weights_of(found.site, weights)
    told: list[str] = []
    if drains is None:
        drains, told = _laid_out(found)
    tests = judge_trials(found.site, drains) if judged is None else tuple(judged)
    candidates, decisions = _candidates(found, drains)
    raised = raise_codes(found, drains, of_the_survey(tests), candidates)
    return reckon(
        found, drains, tests, candidates, raised, decisions=decisions, weights=own, told=told, exact=exact
    )


def reckon(
    found: Findings,
    drains: Drains | None,
    judged: Sequence[JudgedTrial],
    candidates: Sequence[Candidate],
    raised: Iterable[Raised],
    *,
    decisions: Mapping[str, tuple[Decision, ...]],
    weights: Weights,
    told: Sequence[str] = (),
    exact: bool = True,
) -> Ledger:
    """Put a ledger together from candidates and what was raised for and against them.

    Parameters
    ----------
    decisions
        By stretch, what people decided, the earliest first.
    """
    site, codes = found.site, tuple(raised)
    board = lay_board(
        candidates, codes, weights=weights, source_of=put_in(judged), record_of=_records(site, candidates)
    )
    weighed = weigh(board, lacks=proof_lacks(judged), passed=passed_below(judged))
    supports: dict[str, list[Support]] = {str(name): [] for name in found.stretches.index}
    for each in weighed:
        supports[each.candidate.stretch_id].append(each)
    steady = steadiness(board)
    dry, unread = dry_and_unread(found, weights=weights)
    maker = _Maker(
        found=found, weights=weights, dry=dry, unread=unread, exact=exact, leave=leave_of(site),
        pours=Pours(
            site=site, drains=drains, judged=of_the_survey(judged),
            leaks=lay_out_evidence(found, drains).notes.leaks if len(found.stretches) else None,
        ),
    )  # fmt: skip
    stretches = [
        maker.stretch(wall, kind, supports[name], decisions.get(name, ()), steady.get(name, NO_STEADINESS))
        for name, (wall, kind) in walls_of(found, drains, codes, weights=weights).items()
    ]
    ring_m = found.perimeter.rings["length_m"].to_dict()
    places, spots = places_of(stretches, ring_m), spots_of(stretches, ring_m)
    place_of = {name: place.place_id for place in places for name in place.stretch_ids}
    every = {each.stretch_id: each.next for each in stretches}
    together = next_of_all(every, place_of, spots, weights=weights)
    return Ledger(
        stretches=tuple(stretches), places=places, next=_watched(together), changed=weights.changed,
        trials=trial_log(judged, weighed), weights=weights, site_name=site.info.name,
        data_version=site.digest, told=tuple(told),
    )  # fmt: skip


def of_the_survey(judged: Sequence[JudgedTrial]) -> tuple[JudgedTrial, ...]:
    """Return the tests that speak of what the survey found; those made after the works do not."""
    return tuple(one for one in judged if not one.after_works)


def _laid_out(found: Findings) -> tuple[Drains | None, list[str]]:
    """Lay the drains out, or say why they cannot be."""
    try:
        return lay_out_drains(found), []
    except WallfootError as error:
        said = str(error).splitlines()[0]
        return None, [f"The drains cannot be laid out, so nothing is said of what backs up: {said}"]


def _candidates(
    found: Findings, drains: Drains | None
) -> tuple[tuple[Candidate, ...], dict[str, tuple[Decision, ...]]]:
    """Return the candidates, those people put forward among them, and what was decided by stretch."""
    candidates = list(candidates_of(found, drains))
    records = [each for each in found.site.of("hypothesis") if isinstance(each, Hypothesis)]
    if not records:
        return tuple(candidates), {}
    keys = ring_keys(found.site.table("hypothesis"), found.site)
    rings = {str(name): str(key) for name, key in keys.items()}
    decisions = {}
    lengths = found.perimeter.rings["length_m"].to_dict()
    for name, row in plain_stretches(found).items():
        here = decisions_at(
            records, ring_key_of=rings, ring_key=str(row["ring_key"]), side=str(row["side"]),
            from_m=float(row["chainage_from_m"]), to_m=float(row["chainage_to_m"]),
            ring_m=float(lengths[row["ring_key"]]),
        )  # fmt: skip
        if here:
            decisions[name] = here
            candidates += put_forward(here, candidates, name)
    return tuple(candidates), decisions


def _records(site: Site, candidates: Sequence[Candidate]) -> dict[str, Any]:
    """Return the gullies and runs, whose points depend on what they take and carry."""
    wanted = {each.of_id for each in candidates}
    return {record.id: record for kind in ("gully", "run") for record in site.of(kind) if record.id in wanted}


class _Maker:
    """Makes the ledger of one stretch after another; what they share is worked out once."""

    def __init__(
        self, *, found: Findings, weights: Weights, dry: Sides, unread: Sides, pours: Pours,
        leave: Mapping[str, str], exact: bool,
    ) -> None:  # fmt: skip
        self.found, self.weights, self.exact = found, weights, exact
        self.rows = plain_stretches(found)
        self.dry, self.unread, self.pours, self.leave = dry, unread, pours, leave

    def stretch(
        self,
        wall: Wall,
        kind: str,
        supports: Sequence[Support],
        decisions: tuple[Decision, ...],
        steady: Steadiness,
    ) -> StretchLedger:
        """Return the ledger of one stretch."""
        ranked = tuple(
            sorted(supports, key=lambda each: (_rank(each), -each.points, each.candidate.cause, each.key))
        )
        accepted, decided = accepted_causes(ranked, decisions)
        paired = pair(ranked, wall, accepted=accepted, decided=decided, weights=self.weights)
        side = wall.ring_key, wall.side
        coverage = cover(
            wall.wet, paired.predicted, ring_m=wall.ring_m, dry=self.dry.get(side, ()),
            unread=self.unread.get(side, ()), least_m=self.weights.number("coverage.least_m"),
            mimics=[each.key for each in ranked if each.kind == MIMIC],
        )  # fmt: skip
        row = self.rows[wall.stretch_id]
        return StretchLedger(
            stretch_id=wall.stretch_id, ring_key=wall.ring_key, side=wall.side, group=str(row["group"]),
            from_m=float(row["chainage_from_m"]), to_m=float(row["chainage_to_m"]),
            length_m=float(row["length_m"]), peak_m=wall.peak_m, wall_type=kind, supports=ranked,
            accepted=tuple(accepted), decided=tuple(decided), pairs=paired.pairs,
            questions=paired.questions, coverage=coverage, decisions=decisions,
            leader=_proven_first(steady.feed, [each for each in ranked if each.kind != ROUTE]),
            route_leader=_proven_first(steady.route, [each for each in ranked if each.kind == ROUTE]),
            next=self._next(wall, kind, ranked, paired),
            reaches={
                each.key: rolled(spans, wall.ring_m) for each in ranked if (spans := reach_of(each, wall))
            },
        )  # fmt: skip

    def _next(self, wall: Wall, kind: str, ranked: tuple[Support, ...], paired: Paired) -> Next:
        explained = union(span for spans in paired.predicted.values() for span in spans)
        left: Sequence[Span] = minus(union(wall.wet), explained) or wall.wet
        asked = Asked(
            wall=wall, supports=ranked, open_parts=rolled(left, wall.ring_m), open_spans=tuple(left),
            name=wall.stretch_id, wall_type=kind,
        )  # fmt: skip
        return next_at(asked, weights=self.weights, pours=self.pours, leave=self.leave, exact=self.exact)


def _proven_first(leader: Leader | None, ranked: Sequence[Support]) -> Leader | None:
    """Return the leader by points, said to be unexamined where it is; what a test proved settles it."""
    if leader is None or not ranked:
        return leader
    if ranked[0].word != PROVEN:
        word = next((each.word for each in ranked if each.key == leader.key), "")
        return replace(leader, examined=word != NOT_EXAMINED, clear=leader.clear and word != NOT_EXAMINED)
    return replace(leader, key=ranked[0].key, short=ranked[0].short, clear=True, proven=True, level_with=())


def _rank(each: Support) -> int:
    """Return where a cause stands by its word; ``excluded`` last."""
    return WORDS.index(each.word)


def _watched(together: Next) -> Next:
    """Say of a test that tells of several stretches which of them to watch as well."""

    def also(option: Option) -> Option:
        _, *more = option.stretch_ids
        if not more:
            return option
        return replace(
            option, sentences=(*option.sentences, f"It tells of {listed(more)} too: watch there as well.")
        )

    return replace(
        together,
        best=also(together.best) if together.best is not None else None,
        others=tuple(also(option) for option in together.others),
    )
