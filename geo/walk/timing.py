"""Whether a walk is over in time, in words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta

from geo.reference import Reference

QUARTER_MIN = 15
LAST_QUARTER = time(23, 45)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """A walk held against a time to be away by.

    Parameters
    ----------
    begins_at, ends_at, away_at
        When what is left begins and ends, and when one has to be away.
    left_min
        Minutes of what is left.
    within_min
        Minutes there are; 0 when the time has passed.
    verdict
        ``yes`` or ``no``.
    """

    begins_at: datetime
    ends_at: datetime
    away_at: datetime
    left_min: float
    within_min: float
    verdict: str

    @property
    def over_min(self) -> float:
        """Minutes by which it is too long; below 0 what is to spare."""
        return self.left_min - self.within_min

    @property
    def ends_words(self) -> str:
        """When it ends, and on which day where that is another one."""
        days = (self.ends_at.date() - self.begins_at.date()).days
        day = "" if days == 0 else " the next day" if days == 1 else f" {days} days later"
        return f"{self.ends_at:%H:%M}{day}"

    @property
    def sentence(self) -> str:
        """Whether one is away in time, in a sentence."""
        away = f"{self.away_at:%H:%M}"
        if self.left_min <= 0:
            return "Nothing is left to do."
        if self.within_min <= 0:
            return f"{away} has passed, and {span_words(self.left_min)} are left."
        if self.verdict == "no":
            late = span_words(self.over_min)
            return f"Not done by {away}: it ends at {self.ends_words}, {late} too late."
        spare = span_words(-self.over_min)
        return f"Done by {away}: it ends at {self.ends_words}, with {spare} to spare."


def timing(left_min: float, *, begins_at: datetime, away: time) -> Timing:
    """Hold what is left of a walk against a time of the same day.

    Parameters
    ----------
    left_min
        Minutes of what is left, 0 or more.
    begins_at
        When it begins: now, once the walk is under way.
    away
        Time of day to be away by. One before the beginning has passed: a walk never runs past midnight.
    """
    away_at = begins_at.replace(hour=away.hour, minute=away.minute, second=0, microsecond=0)
    within = max(0.0, (away_at - begins_at).total_seconds() / 60)
    return Timing(
        begins_at=begins_at,
        ends_at=begins_at + timedelta(minutes=left_min),
        away_at=away_at,
        left_min=left_min,
        within_min=within,
        verdict="yes" if left_min <= within + 1e-9 else "no",
    )


def usual_away(left_min: float, *, begins_at: datetime) -> time:
    """Return the quarter of an hour a walk is over by; late at night the last of the day."""
    end = begins_at + timedelta(minutes=left_min)
    late = timedelta(minutes=-(end.hour * 60 + end.minute + end.second / 60) % QUARTER_MIN)
    end = (end + late).replace(second=0, microsecond=0)
    return end.time() if end.date() == begins_at.date() else LAST_QUARTER


def day_words(minutes: float, *, ref: Reference) -> str:
    """Say how much of a working day a time is; a day is twice ``walk.half_day_min``."""
    day = 2 * ref.value("walk.half_day_min")
    share = minutes / day
    bounds = (
        (0.35, "less than half a day"),
        (0.5, "half a day"),
        (0.6, "a little more than half a day"),
        (0.9, "most of a day"),
        (1.0, "nearly a day"),
        (1.1, "a long day"),
        (2.0, "more than a day"),
    )
    return next((said for most, said in bounds if share <= most + 1e-9), "more than two days")


def span_words(minutes: float) -> str:
    """Return a length of time in whole hours and minutes, rounded up."""
    whole = int(-(-(minutes - 1e-6) // 1))
    hours, rest = divmod(max(0, whole), 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"
