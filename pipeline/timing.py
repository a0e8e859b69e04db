"""Time on court, and what frame intervals do to times and speeds."""

import math

from paddlebrief.records import FootageInfo

__all__ = [
    "fixed_duration_spread_s",
    "frame_instant_sd_s",
    "frame_pair_sd_s",
    "seconds_on_court",
    "speed_sd_mps",
]


def seconds_on_court(info: FootageInfo, presentation_s: float) -> float:
    """Turn a difference of presentation times into seconds on court.

    Parameters
    ----------
    info
        The recording.
    presentation_s
        Length of an interval as it plays, seconds; arrays and NaN pass through.

    Returns
    -------
    float
        The same interval as the player lived it: an eighth for 240 fps played at 30.
    """
    return presentation_s / info.slow_factor


def frame_instant_sd_s(interval_s: float) -> float:
    """Standard uncertainty of an instant read off the nearest frame.

    The error is uniform over half a frame interval to either side, so Δt/√12 (JCGM 100:2008,
    4.3.7, from memory).

    Parameters
    ----------
    interval_s
        Time between two frames, seconds; `FootageInfo.frame_interval_s` for time on court.
    """
    return interval_s / math.sqrt(12)


def frame_pair_sd_s(interval_s: float) -> float:
    """Standard uncertainty of a duration between two instants, each read off a frame.

    Two independent ends, each Δt²/12, add up to Δt/√6 (JCGM 100:2008, 4.3.7 and 5.1.2, from
    memory).

    Parameters
    ----------
    interval_s
        Time between two frames, seconds.
    """
    return interval_s / math.sqrt(6)


def fixed_duration_spread_s(*, duration_s: float, interval_s: float) -> float:
    """Standard deviation of one fixed duration when it is counted in frames again and again.

    The count is one of two neighbouring whole numbers, the higher with probability
    f = frac(t/Δt), so the spread is Δt·√(f(1 − f)): worked out, no source. Zero when the
    duration is a whole number of intervals.

    Parameters
    ----------
    duration_s
        The true duration, seconds.
    interval_s
        Time between two frames, seconds.
    """
    fraction = math.fmod(duration_s / interval_s, 1.0)
    return interval_s * math.sqrt(fraction * (1 - fraction))


def speed_sd_mps(
    *, distance_m: float, distance_sd_m: float, duration_s: float, duration_sd_s: float
) -> float:
    """Standard uncertainty of a mean speed, distance over duration.

    Relative variances add, u(v)/v = √((u_d/d)² + (u_t/t)²) (JCGM 100:2008, 5.1.2, from memory);
    distance and duration must be measured independently.

    Parameters
    ----------
    distance_m, distance_sd_m
        Distance and its standard uncertainty, metres.
    duration_s, duration_sd_s
        Duration and its standard uncertainty, seconds on court.

    Returns
    -------
    float
        Metres per second; NaN when a part is NaN.
    """
    speed_mps = distance_m / duration_s
    return speed_mps * math.hypot(distance_sd_m / distance_m, duration_sd_s / duration_s)
