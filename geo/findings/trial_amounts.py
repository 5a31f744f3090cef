"""How much water each test on site put in, how fast and for how long, each with its sigma."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.reference import Reference

NAN = math.nan
Numbers = NDArray[np.float64]
BUCKET, WRITTEN, OVER_TIME = "bucket and stopwatch", "written down", "litres over time"


def trial_amounts(trials: pd.DataFrame, *, ref: Reference) -> pd.DataFrame:
    """Work out the rate, the time and the litres of tests.

    A rate by bucket and stopwatch goes before one written down, and that before litres over time; litres
    written down go before rate by time.

    Parameters
    ----------
    trials
        Records of kind trial, indexed by id: ``volume_l``, ``volume_sigma_l``, ``bucket_l``, ``bucket_s``,
        ``rate_l_s``, ``started_at``, ``stopped_at``.

    Returns
    -------
    Same index: ``rate_l_s``, ``rate_sigma_l_s``, ``rate_by``, ``minutes``, ``minutes_sigma``,
    ``litres``, ``litres_sigma``, ``litres_by``, ``by_rate_l``, ``by_rate_sigma_l`` (rate by time, to hold
    against litres written down), ``starts_s`` and ``stops_s`` (clock on the wall, s); NaN where not known.
    """
    with np.errstate(all="ignore"):  # an impossible number in a record is said where records are checked
        return _amounts(trials, ref).replace([np.inf, -np.inf], NAN)


def _amounts(trials: pd.DataFrame, ref: Reference) -> pd.DataFrame:
    bucket, bucket_sigma = bucket_rate(trials["bucket_l"], trials["bucket_s"], ref=ref)
    given = trials["rate_l_s"].to_numpy(float)
    by_bucket = np.isfinite(bucket)
    rate = np.where(by_bucket, bucket, given)
    rate_sigma = np.where(by_bucket, bucket_sigma, ref.value("trials.rate_share") * given)
    clocks = [_clock(trials[name], ref) for name in ("started_at", "stopped_at")]
    (start, start_wall, start_sigma), (stop, stop_wall, stop_sigma) = clocks
    seconds, seconds_sigma = stop - start, np.hypot(start_sigma, stop_sigma)
    seconds[~(seconds > 0)] = NAN
    written = trials["volume_l"].to_numpy(float)
    sigma = trials["volume_sigma_l"].to_numpy(float)
    sigma = np.where(np.isnan(sigma), ref.value("trials.volume_share") * written, sigma)
    by_rate = rate * seconds
    by_rate_sigma = np.hypot(rate_sigma * seconds, rate * seconds_sigma)
    said = np.isfinite(written)
    over_time = np.isnan(rate) & said & np.isfinite(seconds)
    rate_by = np.select([by_bucket, np.isfinite(rate), over_time], [BUCKET, WRITTEN, OVER_TIME], "")
    mean = written / seconds
    mean_sigma = np.hypot(sigma / seconds, mean * seconds_sigma / seconds)
    # Without its stopping time a test lasted as long as its litres take at its rate.
    drawn = np.isnan(seconds) & said & (rate > 0)
    takes = written / rate
    takes_sigma = np.hypot(sigma / rate, takes * rate_sigma / rate)
    return pd.DataFrame(
        {
            "rate_l_s": np.where(over_time, mean, rate),
            "rate_sigma_l_s": np.where(over_time, mean_sigma, rate_sigma),
            "rate_by": rate_by,
            "minutes": np.where(drawn, takes, seconds) / 60.0,
            "minutes_sigma": np.where(drawn, takes_sigma, seconds_sigma) / 60.0,
            "litres": np.where(said, written, by_rate),
            "litres_sigma": np.where(said, sigma, by_rate_sigma),
            "litres_by": np.select([said, np.isfinite(by_rate)], [WRITTEN, "rate and time"], ""),
            "by_rate_l": by_rate,
            "by_rate_sigma_l": by_rate_sigma,
            "starts_s": start_wall,
            "stops_s": stop_wall,
        },
        index=trials.index,
    )


def bucket_rate(
    bucket_l: pd.Series[float], bucket_s: pd.Series[float], *, ref: Reference
) -> tuple[Numbers, Numbers]:
    """Return the rate by bucket and stopwatch and its sigma, l/s.

    ``q = V / t`` with independent errors of the fill and of the watch:
    ``sigma = q √((sigma_V / V)² + (sigma_t / t)²)``.

    Parameters
    ----------
    bucket_l, bucket_s
        Litres of the bucket, and seconds to fill it.
    """
    litres, seconds = bucket_l.to_numpy(float), bucket_s.to_numpy(float)
    with np.errstate(all="ignore"):
        rate = litres / seconds
        sigma = rate * np.hypot(ref.value("trials.bucket_share"), ref.value("trials.watch_s") / seconds)
    return rate, sigma


def clashes(amounts: pd.DataFrame, *, ref: Reference) -> pd.Series[bool]:
    """Return which tests have litres written down that rate by time does not give, within the errors."""
    columns = ["litres", "by_rate_l", "litres_sigma", "by_rate_sigma_l"]
    litres, by_rate, *sigmas = (amounts[name].to_numpy(float) for name in columns)
    with np.errstate(all="ignore"):
        far = np.abs(litres - by_rate) > ref.value("trials.volume_clash_sigmas") * np.hypot(*sigmas)
    return (amounts["litres_by"] == WRITTEN) & far


def clock_seconds(said: pd.Series[str], *, ref: Reference) -> tuple[Numbers, Numbers]:
    """Return times as seconds that can be subtracted, and their sigmas, s; NaN without a time of day.

    A time written to the minute is somewhere in it: its sigma is 60 s / √12.
    """
    found, _, sigma = _clock(said, ref)
    return found, sigma


def wall_seconds(said: pd.Series[str]) -> Numbers:
    """Return times as the clock on the wall had them, s; NaN without a time of day."""
    times = [_parsed(text) for text in said]
    return np.array(
        [NAN if time is None else _seconds(time.replace(tzinfo=None)) for time in times], dtype=float
    )


def _clock(said: pd.Series[str], ref: Reference) -> tuple[Numbers, Numbers, Numbers]:
    """Return times as seconds, as the clock on the wall had them, and their sigmas; NaN without a time."""
    times = [_parsed(text) for text in said]
    found = np.array([NAN if time is None else _seconds(time) for time in times], dtype=float)
    watch, minute = ref.value("trials.watch_s"), ref.value("trials.minute_s")
    # Written to the second, the sign after the minutes (2026-11-03T14:05) is a colon.
    sigma = np.where(said.str.slice(16, 17) == ":", watch, minute)
    return found, wall_seconds(said), sigma


def _parsed(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text) if "T" in text else None
    except ValueError:
        return None


def _seconds(time: datetime) -> float:
    """Return seconds from the start of the century: from UTC where a zone is said, else by the wall."""
    return (time - datetime(2000, 1, 1, tzinfo=UTC if time.tzinfo else None)).total_seconds()
