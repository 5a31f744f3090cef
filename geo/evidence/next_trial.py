"""Which test to make next: what it would settle in a minute, and whether it may be made."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import replace

from geo.evidence.coverage import both, union
from geo.evidence.next_trial_gain import gain_of
from geo.evidence.next_trial_kinds import Asked, Next, Option, Rivals
from geo.evidence.next_trial_pours import Pour, Pours
from geo.evidence.next_trial_words import say
from geo.evidence.pairing import reach_of
from geo.evidence.support import EXCLUDED, HOLDS, NOT_EXAMINED, POSSIBLE, PROVEN, Support
from geo.evidence.support_board import TEST_NO, TEST_YES
from geo.weights import ROUTE, SOURCE, FieldTest, Separator, Weights

RIVALS = (*HOLDS, POSSIBLE, NOT_EXAMINED)
MOST_SEPARATORS = 3


def next_at(
    asked: Asked, *, weights: Weights, pours: Pours, leave: Mapping[str, str], exact: bool = True
) -> Next:
    """Rank the tests that could be made for one stretch.

    Parameters
    ----------
    pours
        What poured tests must pour, and what was poured before.
    leave
        Latest state of the leave for each purpose: ``given``, ``asked``, ``refused``.
    exact
        Work out the litres of the test that comes first; without it they are near enough to rank by.
    """
    exactly: set[str] = set()
    tests = weights.tests.values()
    codes = {each.key: each.codes for each in asked.supports}

    def options(test: FieldTest) -> list[Option]:
        return list(_options(test, asked, codes, weights=weights, pours=pours, leave=leave, exactly=exactly))

    made = {test.key: options(test) for test in tests}
    while True:
        found = _ranked([option for own in made.values() for option in own], weights)
        proof, proves = _proof(made, asked, weights)
        wanted = {
            option.at_id
            for option in (found.best, proof)
            if exact and option is not None and weights.tests[option.test].poured
        } - exactly
        if not wanted:
            return replace(found, proof=proof, proves=proves, rivals=_rivals(asked, weights))
        exactly |= wanted
        made |= {test.key: options(test) for test in tests if test.poured}


def _proof(made: Mapping[str, Sequence[Option]], asked: Asked, weights: Weights) -> tuple[Option | None, str]:
    """Return the poured test of the best supported source that is not proven, and that source."""
    poured = [option for key, own in made.items() if weights.tests[key].poured for option in own]
    for each in asked.supports:
        if each.kind != SOURCE or not each.holds or each.word == PROVEN:
            continue
        own = [option for option in poured if (asked.wall.stretch_id, each.key) in option.splits]
        if own:
            return min(own, key=lambda option: (bool(option.barred), option.minutes)), each.short
    return None, ""


def next_of_all(
    every: Mapping[str, Next], places: Mapping[str, str], spots: Mapping[str, str], *, weights: Weights
) -> Next:
    """Rank the tests for a whole site: one made at an asset tells of every stretch it could feed.

    Parameters
    ----------
    every
        By stretch.
    places
        Wet place of each stretch: of stretches at one place only the one it tells most of counts.
    spots
        Length of wall of each stretch, both sides together: what is made along the wall is made once.
    """
    together: dict[tuple[str, str, str], list[Option]] = defaultdict(list)
    for each in every.values():
        for option in (*((each.best,) if each.best else ()), *each.others):
            first, at = option.stretch_ids[0], weights.tests[option.test].at
            where = {"house": "", "along": spots[first], "stretch": places[first]}.get(at, option.at_id)
            together[option.test, where, option.barred].append(option)
    options = []
    for own in together.values():
        most: dict[str, Option] = {}
        for option in own:
            place = places[option.stretch_ids[0]]
            if place not in most or option.gain_bits > most[place].gain_bits:
                most[place] = option
        lead = max(own, key=lambda option: option.gain_bits)
        options.append(
            replace(
                lead,
                stretch_ids=tuple(dict.fromkeys(name for option in own for name in option.stretch_ids)),
                splits=tuple(dict.fromkeys(split for option in own for split in option.splits)),
                gain_bits=sum(option.gain_bits for option in most.values()),
                minutes=max(option.minutes for option in own),
            )
        )
    return _ranked(options, weights)


def _ranked(options: Sequence[Option], weights: Weights) -> Next:
    least = weights.number("belief.least_gain")
    worth = [option for option in options if option.gain_bits >= least]
    worth.sort(key=lambda option: (bool(option.barred), -option.value, option.test, option.at_id))
    best = worth[0] if worth and not worth[0].barred else None
    others = tuple(worth[1:] if best is not None else worth)
    because = ""
    if best is None:
        because = (
            f"Every test that would still tell something waits: {others[0].barred}."
            if others
            else "No test on the list would tell much more: what could be told apart has been."
        )
    return Next(best=best, others=others, because=because)


def _options(
    test: FieldTest,
    asked: Asked,
    codes: Mapping[str, AbstractSet[str]],
    *,
    weights: Weights,
    pours: Pours,
    leave: Mapping[str, str],
    exactly: AbstractSet[str],
) -> Iterator[Option]:
    """Yield a test at every place it could be made for one stretch, given the codes raised for each cause."""
    if test.only_side and asked.wall.side not in test.only_side:
        return
    if test.at == "house" and pours.meter_read:
        return
    if test.only_wall and asked.wall_type not in test.only_wall:
        return
    if test.needs and not any(need in own for need in test.needs for own in codes.values()):
        return
    if test.done_cause and any(
        each.candidate.cause == test.done_cause and codes[each.key] & set(test.done_codes)
        for each in asked.supports
    ):
        return
    settles = set(test.settles)
    unsettled = [
        each
        for each in asked.supports
        if each.candidate.cause in test.splits
        and each.word not in (PROVEN, EXCLUDED)
        and (not codes[each.key] & settles or (test.poured and _to_prove(each, codes[each.key])))
    ]
    number = weights.number
    bounds = number("belief.even"), number("belief.least"), number("belief.most")
    for at_id, own in _targets(test, _aimed(unsettled, asked), pours):
        pour = pours.needed(at_id, exact=at_id in exactly) if test.poured else Pour(known=True)
        sensitivity = test.sensitivity if pour.known else weights.number("pour.unknown_sensitivity")
        gains = [gain_of(each.points, sensitivity, test.specificity, bounds) for each in own]
        gain = sum(gains) if test.answers == "each" else max(gains)
        minutes = test.minutes
        if test.poured and math.isfinite(pour.minutes):
            minutes = pour.minutes + test.extra_min
        state = leave.get(test.consent, "")
        made = Option(
            test=test.key, at_id=at_id, stretch_ids=(asked.wall.stretch_id,), label="", where="",
            splits=tuple((asked.wall.stretch_id, each.key) for each in own),
            gain_bits=gain, minutes=minutes, return_days=test.return_days,
            litres=pour.litres, rate_l_s=pour.rate_l_s, litres_known=pour.known,
            colour=pours.colour if test.poured or "{colour}" in test.do else "",
            lacking=pours.meter_lacking if test.at == "house" else pours.lacking(test.key, at_id),
            first=pour.first, leave=_leave(test, state, pours), barred=_barred(test, state, pours),
        )  # fmt: skip
        yield say(made, test, asked.wall, asked.open_parts, [each.short for each in own], asked.name)


def _to_prove(each: Support, codes: AbstractSet[str]) -> bool:
    """Whether a test showed a cause and something is lacking to prove it: then it is worth making again."""
    return TEST_YES in codes and TEST_NO not in codes and each.word != PROVEN


def _aimed(supports: Sequence[Support], asked: Asked) -> list[Support]:
    """Return the causes that could wet what is not explained; all of them where that leaves none."""
    open_spans = union(asked.open_spans)
    near = [each for each in supports if not (reach := reach_of(each, asked.wall)) or both(reach, open_spans)]
    return near or list(supports)


def _targets(
    test: FieldTest, supports: Sequence[Support], pours: Pours
) -> Iterator[tuple[str, list[Support]]]:
    """Yield every record a test could be made at, with the causes it would then tell of."""
    if test.at in ("stretch", "along", "house"):
        if supports:
            yield "", list(supports)
        return
    own: dict[str, list[Support]] = defaultdict(list)
    for each in supports:
        of_id = each.candidate.of_id
        if not of_id:
            continue
        if test.at == "gully":
            names = (of_id,) if each.candidate.cause == "S01" else pours.gullies_above(of_id)
            for name in names:
                if not test.for_kind or pours.takes(name) in test.for_kind:
                    own[name].append(each)
        elif not test.of_kinds or pours.kind(of_id) in test.of_kinds:
            own[of_id].append(each)
    yield from own.items()


def _leave(test: FieldTest, state: str, pours: Pours) -> str:
    if not test.consent or state == "given":
        return ""
    return f"{pours.consent_words(test.consent)}: {pours.state_words(state)}"


def _barred(test: FieldTest, state: str, pours: Pours) -> str:
    """Say why a test is not offered yet: leave refused, or something opened up without leave given."""
    if not test.consent or state == "given":
        return ""
    if state == "refused":
        return f"leave for {pours.consent_words(test.consent)} was refused"
    return (
        f"it opens something up, and leave for {pours.consent_words(test.consent)} is not given"
        if test.intrusive
        else ""
    )


def _rivals(asked: Asked, weights: Weights) -> tuple[Rivals, ...]:
    """Return the pairs of causes that could both be, the best supported pair first."""
    could = sorted((each for each in asked.supports if each.word in RIVALS), key=lambda each: -each.points)
    found: list[tuple[float, Rivals]] = []
    told: set[str] = set()
    for place, one in enumerate(could):
        for other in could[place + 1 :]:
            how = _separator(one, other, weights)
            if how is None or how.test in told:
                continue
            told.add(how.test)
            rivals = Rivals(
                a=one.key, b=other.key, names=(one.short, other.short), test=how.test, decides=how.decides
            )  # fmt: skip
            found.append((min(one.points, other.points), rivals))
    found.sort(key=lambda entry: -entry[0])
    return tuple(rivals for _, rivals in found[:MOST_SEPARATORS])


def _separator(one: Support, other: Support, weights: Weights) -> Separator | None:
    """Return what tells two causes apart; one named for the pair goes before one for any source or mimic."""
    causes = {one.candidate.cause, other.candidate.cause}
    if len(causes) == 1:
        return None
    for how in weights.separators:
        if {how.a, how.b} == causes:
            return how
    if ROUTE in (one.kind, other.kind):
        return None
    return next((how for how in weights.separators if how.b == "*" and how.a in causes), None)
