"""The answer in words: a verdict with its reason and the cheapest way on, and a plain sentence."""

from __future__ import annotations

import math

from geo.outlets.cluster import Association, RadiusResult, away_to_show, away_wanted, near_to_show
from geo.reference import Reference
from geo.verdict import NOT_KNOWN, Verdict

CLUSTERED, NOT_SHOWN = "clustered", "no clustering shown"

ONLY_A_REASON = "That is a reason to test the outlets, never proof that they leak."
NOT_CLEARED = (
    "That does not clear the outlets: water that gets into a cavity can come out far from where it went in."
)

NOT_CLEARED_ELSEWHERE = (
    "Outlets without wet readings are not cleared by it: water that gets into a cavity can come out far "
    "from where it went in."
)


def judge_group(
    *,
    outlets: int,
    near: int,
    away: int,
    wet: tuple[int, int, int],
    radii: tuple[RadiusResult, ...],
    found: Association,
    reading_ids: tuple[str, ...],
    ref: Reference,
) -> Verdict:
    """Return the verdict on one group of readings.

    Parameters
    ----------
    outlets
        Outlets placed on a wall.
    near, away
        Places compared, within the middle radius of an outlet and beyond.
    wet
        Places wet, dry and not known.
    """
    because, settle = _why_not_known(outlets, near, away, wet, found, ref)
    if because:
        return Verdict(word=NOT_KNOWN, because=because, settle=settle, rests_on=reading_ids)
    alpha = ref.value("confidence.cluster_alpha")
    said = (
        f"chance {found.p:.2g} (dealt out among the places {found.p_permutation:.2g}, "
        f"turned round the wall {found.p_rotation:.2g}), rank correlation {found.correlation:+.2f}"
    )
    gathered = wet[0] == 0 or any(at.share_near > at.share_away for at in radii)
    if found.p <= alpha + 1e-12 and gathered:
        return Verdict(word=CLUSTERED, because=said, rests_on=reading_ids)
    if found.p <= alpha + 1e-12:
        said += "; yet wet places are no commoner near outlets at any of the radii"
    return Verdict(
        word=NOT_SHOWN, because=said, settle=_more_away(near, away, radii, ref), rests_on=reading_ids
    )


def _why_not_known(
    outlets: int, near: int, away: int, wet: tuple[int, int, int], found: Association, ref: Reference
) -> tuple[str, str]:
    """Return why the question cannot be answered and what would let it; blank when it can."""
    radius, least = ref.value("outlets.radius_b_m"), int(ref.value("outlets.away_min"))
    alpha = ref.value("confidence.cluster_alpha")
    n_wet, n_dry, n_unknown = wet
    if not outlets:
        return "no outlet is placed on a wall", "place every gully, downpipe and waste along the walls"
    if not near + away:
        return (
            "no place of this group is known to be wet or dry, and none is ranked",
            "take dry references with the same instrument on the same material",
        )
    if n_wet == 0 and n_dry:
        surely = "surely " if n_unknown else ""
        return (
            f"no place is {surely}wet: there is nothing to gather",
            "read again after rain or with the outlets in use",
        )
    if n_dry == 0 and n_unknown == 0:
        return "every place read is wet: there is no dry one to set against", "read on until the wall is dry"
    if not near:
        return (
            f"nothing was read within {radius:g} m of an outlet",
            f"read at least {least} places within {radius:g} m of outlets",
        )
    if away < least:
        few = f"only {away} {_places(away)}" if away else "no place"
        wanted = away_wanted(near, away, ref=ref)
        few += f" read more than {radius:g} m from every outlet"
        return (
            f"{few}; with fewer than {least} no pattern can show",
            f"read at least {wanted} more {_places(wanted)} more than {radius:g} m from every outlet",
        )
    if math.isnan(found.correlation):
        return "all places read alike", "read at outlets and away from them"
    if found.smallest_p > alpha + 1e-12:
        wanted = math.ceil(1.0 / alpha - 1e-9) - found.rotations
        return (
            f"as neighbours are alike, {near + away} places can give no chance below {found.smallest_p:.2g}",
            f"read at least {wanted} more {_places(wanted)}, away from outlets",
        )
    return "", ""


def _more_away(near: int, away: int, radii: tuple[RadiusResult, ...], ref: Reference) -> str:
    """Return how many more places away from outlets are wanted; blank when there are enough."""
    wanted = away_wanted(near, away, ref=ref)
    if not wanted:
        return ""
    middle = radii[1]
    said = (
        f"read at least {wanted} more {_places(wanted)} more than {middle.radius_m:g} m from every outlet, "
        f"so that as many are away as near"
    )
    show = away_to_show(middle, ref=ref)
    if show:
        said += f" (the wet count near outlets would stand out from {show} more, were every one of them dry)"
    return said


def say_group(verdict: Verdict, *, middle: RadiusResult, p: float, wanted: int) -> str:
    """Return the answer for a reader who knows no statistics.

    Parameters
    ----------
    middle
        The counts at the middle radius.
    p
        The chance reported.
    wanted
        Further places wanted away from outlets.
    """
    if not verdict.known:
        return (
            f"Whether wet readings gather at outlets is not known: {verdict.because}. "
            f"To settle it, {verdict.settle}."
        )
    counted = (
        f"within {middle.radius_m:g} m of an outlet {_share(middle.wet_near, middle.near)} wet, "
        f"further off {_share(middle.wet_away, middle.away)}"
    )
    told = bool(middle.near + middle.away)
    if verdict.word == CLUSTERED:
        first = (
            f"Wet readings gather at the outlets: {counted}"
            if told
            else "The higher readings gather at the outlets, though which of them are wet is not known"
        )
        luck = f"luck and wet neighbours alone do this {odds(p)}"
        return f"{first}; {luck}. {ONLY_A_REASON} {NOT_CLEARED_ELSEWHERE}"
    first = f"No clustering at outlets is shown: {counted}" if told else "No clustering at outlets is shown"
    sampled = ""
    if wanted:
        sampled = (
            f" Most of the readings were taken at outlets, so many of the wet ones are there too: at least "
            f"{wanted} more {_places(wanted)} away from outlets {'is' if wanted == 1 else 'are'} wanted."
        )
    return f"{first}.{sampled} {NOT_CLEARED}"


def judge_outlet(
    name: str,
    *,
    near: int,
    wet_near: int,
    away: int,
    wet_away: int,
    p_exact: float,
    q: float,
    p_best: float,
    group: Verdict,
    shared_with: tuple[str, ...],
    ref: Reference,
) -> Verdict:
    """Return the verdict on one outlet in one group of readings.

    An outlet is named only when the group as a whole clusters: next to each other, wall is wet or
    dry together, so one wet length at one outlet is weak evidence by itself.
    """
    radius, alpha = ref.value("outlets.radius_b_m"), ref.value("outlets.false_discovery")
    here, elsewhere = _share(wet_near, near), _share(wet_away, away)
    said = f"{here} wet within {radius:g} m of it, {elsewhere} away from every outlet"
    if shared_with:
        said += f"; readings here cannot tell it from {_list(shared_with)}"
    if not near:
        said, more = (
            f"nothing was read within {radius:g} m of it",
            near_to_show(0, away, wet_away, alpha=alpha),
        )
        settle = f"read {more or 3} {_places(more or 3)} within {radius:g} m of {name}"
        return Verdict(word=NOT_KNOWN, because=said, settle=settle)
    if not group.known:
        return Verdict(word=NOT_KNOWN, because=group.because, settle=group.settle)
    if p_best > alpha:
        more = near_to_show(near, away, wet_away, alpha=alpha)
        settle = (
            f"read {more} more {_places(more)} within {radius:g} m of {name}"
            if more
            else "read more places away from every outlet"
        )
        return Verdict(word=NOT_KNOWN, because=f"{said}: too few to show anything", settle=settle)
    if math.isnan(q):
        return Verdict(word=NOT_SHOWN, because=said)
    said += f"; chance {p_exact:.2g}, {q:.2g} allowing for the number of outlets"
    if q > alpha:
        return Verdict(word=NOT_SHOWN, because=said)
    if group.word != CLUSTERED:
        return Verdict(word=NOT_SHOWN, because=f"{said}, but over all outlets no clustering is shown")
    return Verdict(word=CLUSTERED, because=said)


def say_outlet(name: str, verdict: Verdict) -> str:
    """Return the answer on one outlet for a reader who knows no statistics."""
    if not verdict.known:
        return f"{name}: not known, {verdict.because}. To settle it, {verdict.settle}."
    if verdict.word == CLUSTERED:
        return f"{name}: wet readings gather here ({verdict.because}). A reason to test {name}, never proof."
    return f"{name}: no gathering shown ({verdict.because}). {name} is not cleared by that."


def odds(p: float) -> str:
    """Return a chance as people say it: "about 1 time in 24"."""
    if p >= 0.5:
        return "more often than not"
    if p >= 0.095:
        return f"about {round(p * 10)} {'time' if round(p * 10) == 1 else 'times'} in 10"
    return f"about 1 time in {round(1.0 / p):,}"


def _share(wet: int, total: int) -> str:
    """Return "7 of 14 places are"."""
    if not total:
        return "nothing was read that could be"
    return f"{wet} of {total} {_places(total)} {'is' if wet == 1 else 'are'}"


def _places(count: int | None) -> str:
    return "place" if count == 1 else "places"


def _list(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
