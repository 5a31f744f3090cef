"""How a fixed point dries: a fall towards an end nobody knows, and the dates that leaves open.

The model is m = a + (m0 - a) exp(-t / tau). The end a is not known: salts, a live feed or the air may
hold it above the goal. For every end there is one best curve; those ends that the readings cannot
reject are all kept, and a date is the range over them, never one curve's own error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2 as chi_squared

from geo.moisture.censor import ABOVE, BELOW, NONE
from geo.reference import Reference

Numbers = npt.NDArray[np.float64]

TREND, DATED, EARLIEST, NEVER = "trend only", "dated", "not before", "not by drying"
_ENDS, _SPEEDS, _ZOOM, _ROUNDS, _SETTLE = 121, 161, 13, 7, 6
_SLOWEST, _FASTEST, _FURTHEST = 50.0, 20.0, 20.0
_MISFIT = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The straight line of ln(m - a) against time, for an end a taken as known.

    Parameters
    ----------
    slope_d
        Per day.
    tau_d, start, rms
        Time constant, d; value at day 0; root mean square of what is left, in the readings' own unit.
    end
        The end taken as known.
    """

    slope_d: float
    tau_d: float
    start: float
    rms: float
    end: float

    def goal_day(self, goal: float) -> float:
        """Return the day on which the goal is reached; infinite where the end is at or above it."""
        return float(_crossing(np.array([self.end]), np.array([self.tau_d]), np.array([self.start]), goal)[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curves:
    """The best curve for each of several ends.

    Parameters
    ----------
    end, tau_d, start, misfit
        (n,) end, time constant in days, value at day 0, and sum of squared residuals in sigmas.
    """

    end: Numbers
    tau_d: Numbers
    start: Numbers
    misfit: Numbers

    def at(self, days: npt.ArrayLike) -> Numbers:
        """Return the (n, k) values at k days."""
        t = np.atleast_1d(np.asarray(days, dtype=float))
        fall = np.exp(-t[None, :] / self.tau_d[:, None])
        return np.asarray(self.end[:, None] + (self.start - self.end)[:, None] * fall)

    def goal_day(self, goal: float) -> Numbers:
        """Return the (n,) days on which the goal is reached; infinite where it never is."""
        return _crossing(self.end, self.tau_d, self.start, goal)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile:
    """What the readings of one point leave open.

    Parameters
    ----------
    curves
        The best curve for every end looked at.
    kept
        (n,) which ends the readings do not reject.
    best
        Row of the best of all.
    days, numbers, censored, sigma
        The readings: (k,) days, values, whether they are bounds, and standard deviation of one of them.
    follows
        Whether the best curve fits at all within the sigma.
    """

    curves: Curves
    kept: npt.NDArray[np.bool_]
    best: int
    days: Numbers
    numbers: Numbers
    censored: npt.NDArray[np.object_]
    sigma: float
    follows: bool

    @property
    def span_d(self) -> float:
        """Time watched, d."""
        return float(self.days[-1] - self.days[0])

    @property
    def tau_d(self) -> float:
        """Time constant of the best curve, d."""
        return float(self.curves.tau_d[self.best])

    @property
    def ends(self) -> tuple[float, float]:
        """Lowest and highest end not rejected."""
        own = self.curves.end[self.kept]
        return float(own[0]), float(own[-1])

    def band(self, days: npt.ArrayLike) -> tuple[Numbers, Numbers]:
        """Return the lowest and the highest value at each day over the curves not rejected."""
        own = self.curves.at(days)[self.kept]
        return own.min(axis=0), own.max(axis=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """When one point may reach its goal.

    Parameters
    ----------
    word
        ``"dated"`` (earliest and latest), ``"not before"`` (latest not known), ``"not by drying"`` (no end
        that the readings allow is below the goal), or ``"trend only"``.
    earliest_d, latest_d
        First whole day on which the goal may be met, and the last; NaN where there is none, infinite where
        there may be none.
    scatter_d
        The earliest day if the readings' own scatter is let in as well; NaN without a fit.
    because
        Why no more can be said.
    settle_d
        Day of the reading that settles more; NaN where no one reading does.
    whether
        Whether it is open that the goal will be met at all; otherwise only how late is.
    """

    word: str
    earliest_d: float = math.nan
    latest_d: float = math.nan
    scatter_d: float = math.nan
    because: str = ""
    settle_d: float = math.nan
    whether: bool = False


def straight_line(days: npt.ArrayLike, values: npt.ArrayLike, *, end: float) -> Line:
    """Fit ln(m - a) by a straight line, the end a taken as known.

    Parameters
    ----------
    days, values
        (k,) days and values, all above ``end``.

    Notes
    -----
    The usual hand method. It gives each reading the weight of its logarithm; :func:`best_curves` does not.
    """
    t, m = np.asarray(days, dtype=float), np.asarray(values, dtype=float)
    slope, at_0 = np.polyfit(t, np.log(m - end), 1)
    start = end + math.exp(at_0)
    left = m - (end + (start - end) * np.exp(slope * t))
    return Line(
        slope_d=float(slope),
        tau_d=float(-1.0 / slope),
        start=start,
        rms=float(np.sqrt(np.mean(left**2))),
        end=end,
    )


def best_curves(
    days: npt.ArrayLike,
    values: npt.ArrayLike,
    ends: npt.ArrayLike,
    *,
    sigma: float,
    censored: npt.ArrayLike = NONE,
) -> Curves:
    """Return for each end the curve with the least squares of residuals.

    For a given end and time constant the start is linear, so only the time constant is searched, on a
    grid that is drawn closer round the best of each end. A reading off its scale is a bound: it counts
    only where a curve is on the wrong side of it.

    Parameters
    ----------
    days, values
        (k,) days and values.
    ends
        (n,) ends.
    sigma
        Standard deviation of one reading.
    censored
        ``"none"``, ``"above"`` or ``"below"`` for each reading.
    """
    t, m = np.asarray(days, dtype=float), np.asarray(values, dtype=float)
    word = np.broadcast_to(np.asarray(censored, dtype=object), m.shape)
    a = np.atleast_1d(np.asarray(ends, dtype=float))
    first = float(t.min())
    span = max(float(t.max()) - first, 1e-6)
    speeds = np.linspace(math.log(span / _FASTEST), math.log(span * _SLOWEST), _SPEEDS)
    step = float(speeds[1] - speeds[0])
    grid = np.broadcast_to(speeds, (len(a), _SPEEDS))
    rows = np.arange(len(a))
    for _ in range(_ROUNDS):
        fall, misfit = _starts(t - first, m, word, a, np.exp(grid))
        best = np.argmin(misfit, axis=1)
        middle = grid[rows, best]
        grid = middle[:, None] + np.linspace(-step, step, _ZOOM)[None, :]
        step *= 2.0 / (_ZOOM - 1)
    tau = np.exp(middle)
    start = a + fall[rows, best] * np.exp(first / tau)
    return Curves(end=a, tau_d=tau, start=start, misfit=misfit[rows, best] / sigma**2)


def profile_ends(
    days: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    sigma: float,
    lowest: float,
    censored: npt.ArrayLike = NONE,
    also: tuple[float, ...] = (),
    ref: Reference,
) -> Profile:
    """Return the ends that the readings cannot reject at ``confidence.z_95``, each with its best curve.

    An end is rejected when its best curve misfits by more than the square of that many sigmas worse than
    the best curve of all.

    Parameters
    ----------
    days, values, censored
        Readings of one point, in order of time.
    sigma
        Standard deviation of one reading.
    lowest
        Least end there can be: nothing for a content, the end of the scale for an instrument's own.
    also
        Ends to look at besides the grid, as that of the dry reference.
    """
    t, m = np.asarray(days, dtype=float), np.asarray(values, dtype=float)
    word = np.broadcast_to(np.asarray(censored, dtype=object), m.shape)
    top = float(m.max())
    more = [end for end in also if lowest <= end <= top]
    ends = np.unique(np.concatenate([np.linspace(lowest, top, _ENDS), more]))
    curves = best_curves(t, m, ends, sigma=sigma, censored=word)
    best = int(np.argmin(curves.misfit))
    least = float(curves.misfit[best])
    free = int(np.count_nonzero(word == NONE)) - 3
    follows = free < 1 or least <= float(chi_squared.isf(_MISFIT, free))
    return Profile(
        curves=curves,
        kept=curves.misfit - least <= ref.value("confidence.z_95") ** 2,
        best=best,
        days=t,
        numbers=m,
        censored=word,
        sigma=sigma,
        follows=follows,
    )


def look_ahead(profile: Profile, goal: float, *, rhythm_d: float, ref: Reference) -> Outlook:
    """Say when a goal may be reached, and which reading tells whether it will be.

    Parameters
    ----------
    goal
        Value to come down to, in the readings' unit.
    rhythm_d
        Days between readings as they are kept; the settling reading falls on one of them.
    """
    t = profile.days
    if len(t) < ref.value("drying.points_min"):
        return Outlook(
            word=TREND, because=f"{len(t)} readings; {ref.value('drying.points_min'):g} are wanted"
        )
    if not profile.follows:
        return Outlook(word=TREND, because="the readings do not fall on one drying curve within their error")
    taus = profile.span_d / profile.tau_d
    if taus < ref.value("drying.taus_min"):
        said = f"watched for {profile.span_d:.0f} days, {taus:.1f} of the time constant"
        return Outlook(word=TREND, because=said)
    own = profile.curves.end[profile.kept]
    dates = profile.curves.goal_day(goal)[profile.kept]
    reached = np.isfinite(dates)
    ends = f"{own[0]:.1f} to {own[-1]:.1f}"
    if not reached.any():
        said = f"the readings let it stop falling anywhere from {ends}, and the goal is {goal:.1f}"
        return Outlook(word=NEVER, because=said)
    earliest, latest = _whole(float(dates[reached].min())), float(dates.max())
    scatter = min(earliest, _whole(scatter_day(profile, goal, ref=ref)))
    furthest = float(t[-1]) + ref.value("drying.extrapolate_spans") * profile.span_d
    if reached.all() and latest <= furthest:
        return Outlook(word=DATED, earliest_d=earliest, latest_d=_whole(latest), scatter_d=scatter)
    if reached.all():
        said = f"the slowest curve reaches it past day {furthest:.0f}, further ahead than the watch allows"
        wanted = (latest + float(t[0])) / 2.0
        settles = _on_rhythm(wanted, float(t[-1]), rhythm_d)
    else:
        said = f"the readings leave open where it stops falling, from {ends}, and the goal is {goal:.1f}"
        settles = settling_day(profile, goal, rhythm_d=rhythm_d)
    return Outlook(
        word=EARLIEST,
        earliest_d=earliest,
        latest_d=math.inf,
        scatter_d=scatter,
        because=said,
        settle_d=settles,
        whether=not bool(reached.all()),
    )


def settling_day(profile: Profile, goal: float, *, rhythm_d: float) -> float:
    """Return the day of the first reading that tells whether a goal will be met at all.

    That is when the curve that ends one sigma below the goal and the one that ends one sigma above it
    have drawn apart by more than the scatter between two readings, sqrt 2 sigma, put on the next day of
    the rhythm; NaN where no one reading can.
    """
    low, high = profile.ends
    pair = np.array([max(low, goal - profile.sigma), min(high, goal + profile.sigma)])
    if not pair[1] > pair[0]:
        return math.nan
    last = float(profile.days[-1])
    # The kept curves pass through the same readings; those of the pair are got by the same fit.
    curves = _between(profile, pair)
    days = np.arange(math.floor(last) + 1.0, last + _FURTHEST * max(profile.span_d, 1.0))
    apart = np.diff(curves.at(days), axis=0)[0]
    far = np.flatnonzero(apart > math.sqrt(2.0) * profile.sigma)
    return _on_rhythm(float(days[far[0]]), last, rhythm_d) if far.size else math.nan


def scatter_day(profile: Profile, goal: float, *, ref: Reference) -> float:
    """Return the earliest day over every curve, not only the best of each end, that is not rejected.

    For an end and a time constant the misfit is a parabola in the start, so the lowest start not
    rejected, and the day it reaches the goal, come in closed form.
    """
    exact = profile.censored == NONE
    t, m = (profile.days - profile.days[0])[exact], profile.numbers[exact]
    own = profile.kept & (profile.curves.end < goal)
    a, middle = profile.curves.end[own], profile.curves.tau_d[own]
    if not a.size:
        return math.inf
    allowed = ref.value("confidence.z_95") ** 2 + float(profile.curves.misfit[profile.best])

    def lowest(tau: Numbers) -> tuple[Numbers, Numbers]:
        """Return the room left below the misfit allowed, and the lowest fall from the start it leaves."""
        fall = np.exp(-t[None, None, :] / tau[:, :, None])
        weight = (fall**2).sum(axis=2)
        over = (m[None, :] - a[:, None])[:, None, :]
        mid = (fall * over).sum(axis=2) / weight
        left = ((over - mid[:, :, None] * fall) ** 2).sum(axis=2) / profile.sigma**2
        room = allowed - left
        return room, mid - profile.sigma * np.sqrt(np.maximum(room, 0.0) / weight)

    # How far the time constant may go from the best of each end, either way, before it is rejected.
    steps = np.geomspace(1e-4, math.log(_SLOWEST), _ENDS)
    tau = middle[:, None] * np.exp(np.concatenate([-steps[::-1], [0.0], steps]))[None, :]
    room, low = lowest(tau)
    above = (goal - a)[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        day = np.where(low > 0, tau * np.log(low / above), -math.inf)
    return float(np.where(room >= -1e-9, day, math.inf).min() + profile.days[0])


def _starts(
    t: Numbers, m: Numbers, word: npt.NDArray[np.object_], a: Numbers, tau: Numbers
) -> tuple[Numbers, Numbers]:
    """Return the best fall and its sum of squares, (n, s), over (n,) ends and (n, s) time constants."""
    fall = np.exp(-t[None, None, :] / tau[:, :, None])
    over = (m[None, :] - a[:, None])[:, None, :]
    bound = word != NONE
    counts = np.broadcast_to(~bound, fall.shape).astype(float)
    for _ in range(_SETTLE if bound.any() else 1):
        weight = np.maximum((counts * fall**2).sum(axis=2), 1e-300)
        start = (counts * fall * over).sum(axis=2) / weight
        left = over - start[:, :, None] * fall
        if not bound.any():
            break
        wrong = np.where(word == ABOVE, left > 0, left < 0)
        counts = np.where(bound & ((word == ABOVE) | (word == BELOW)), wrong, True).astype(float)
    return start, (counts * left**2).sum(axis=2)


def _between(profile: Profile, ends: Numbers) -> Curves:
    """Return the curves of ends between those looked at, by their neighbours' speeds and starts."""
    known = profile.curves
    tau = np.exp(np.interp(ends, known.end, np.log(known.tau_d)))
    start = np.interp(ends, known.end, known.start)
    return Curves(end=ends, tau_d=tau, start=start, misfit=np.interp(ends, known.end, known.misfit))


def _crossing(end: Numbers, tau: Numbers, start: Numbers, goal: float) -> Numbers:
    with np.errstate(invalid="ignore", divide="ignore"):
        day = tau * np.log((start - end) / (goal - end))
    return np.asarray(np.where(end < goal, np.where(start > end, day, -math.inf), math.inf))


def _whole(day: float) -> float:
    """Return the first whole day at or after a time."""
    return float(math.ceil(day - 1e-9)) if math.isfinite(day) else day


def _on_rhythm(day: float, last: float, rhythm_d: float) -> float:
    return last + rhythm_d * math.ceil((day - last) / rhythm_d - 1e-9) if rhythm_d > 0 else day
