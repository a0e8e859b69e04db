"""What is known of a recording before its pictures are looked at: timing, size, sound, faults."""

import hashlib
import re
from fractions import Fraction
from pathlib import Path

import numpy as np

from paddlebrief.footage.facts import RecordingFacts, read_facts
from paddlebrief.records import FootageInfo
from paddlebrief.session import Session

__all__ = ["content_hash", "inspect"]

VARIABLE_SHARE = 0.2
"""Intervals further than this share from the typical one make a recording's rate variable."""

NOMINAL_SHARE = 0.05
"""A stated capture rate this near to the presented one is its rounded name (30 for 29.97)."""

SLOW_MOTION_RATIO = 1.5
"""A rate in the metadata counts as slow motion only beyond this: phones also write the rate that
was asked for into plain recordings whose camera slowed down in poor light."""

GAP_INTERVALS, GAP_S = 10, 0.5
"""A hole without pictures is told when it is longer than both."""

END_TOLERANCE_S = 0.5
"""A recording that ends this much before its declared end breaks off; less is rounding."""

_CAPTURE_TAG = re.compile(r"capture[._ -]?(fps|frame[._ -]?rate)$")


def inspect(path: Path, *, session: Session | None = None) -> FootageInfo:
    """Find out what a recording is, without decoding a picture.

    Parameters
    ----------
    path
        A recording.
    session
        What the club wrote about it; its ``capture_fps`` goes before the container's metadata.

    Returns
    -------
    FootageInfo
        ``faults`` tells in plain sentences what is wrong; empty when nothing was noticed.

    Raises
    ------
    FootageError
        When the file is missing or empty, is no recording, or holds no moving picture.
    SettingsError
        When there is no ffprobe.
    """
    facts = read_facts(path)
    rate = _presented_rate(facts)
    stated = None if session is None else session.capture_fps_of(Path(path).name)
    capture, source, rate_fault = _capture_rate(facts.tags, rate, stated)
    times_s = facts.times_s
    width, height = facts.geometry.size_px
    faults = (*_end_faults(facts, rate), *_gap_faults(times_s, rate), *rate_fault)
    if facts.interlaced:
        faults += ("the pictures are interlaced: each mixes two instants, fast limbs look combed",)
    return FootageInfo(
        path=Path(path),
        content_hash=content_hash(path),
        width_px=width,
        height_px=height,
        rotation_deg=facts.geometry.rotation_deg,
        frame_rate=rate,
        capture_rate=capture,
        capture_rate_source=source,
        start_s=float(times_s[0]),
        end_s=float(times_s[-1]),
        frames=len(times_s),
        variable_rate=_is_variable(facts, rate),
        sound_rate_hz=None if facts.sound is None else facts.sound.rate_hz,
        faults=faults,
    )


def content_hash(path: Path) -> str:
    """SHA-256 of a file's bytes, 64 hex digits, read in pieces."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _presented_rate(facts: RecordingFacts) -> Fraction:
    """1 / typical frame interval, frames per second of playback.

    The median alone is off by whole ticks in containers that round times to milliseconds, so
    the intervals around it are averaged; and the nearest rate that the container states or that
    is common is meant when the two agree to the rounding of the ticks.
    """
    intervals = np.diff(facts.pts)
    median = float(np.median(intervals))
    usual = intervals[np.abs(intervals - median) <= VARIABLE_SHARE * median + 1]
    rate = len(usual) / (int(usual.sum()) * facts.time_base)
    meant = min(
        (*facts.declared_rates, *_common_rates(rate)), key=lambda candidate: abs(candidate - rate)
    )
    # The sum over a run of intervals is off by a tick at most, whatever the run's length.
    runs = len(intervals) - len(usual) + 1
    rounding = runs * facts.time_base / len(usual)
    if abs(1 / meant - 1 / rate) <= rounding:
        return meant
    return rate.limit_denominator(1001)


def _common_rates(near: Fraction) -> tuple[Fraction, ...]:
    """The whole rate and the whole rate over 1.001, as television has it, next to a rate."""
    television = Fraction(1000, 1001)
    return Fraction(max(1, round(near))), max(1, round(near / television)) * television


def _is_variable(facts: RecordingFacts, rate: Fraction) -> bool:
    typical = float(1 / (rate * facts.time_base))
    # One tick of slack: 240 pictures a second in whole milliseconds come 4 or 5 ms apart.
    away = np.abs(np.diff(facts.pts) - typical)
    return bool(np.any(away > VARIABLE_SHARE * typical + 1))


def _capture_rate(
    tags: dict[str, str], rate: Fraction, stated: float | None
) -> tuple[Fraction, str, tuple[str, ...]]:
    """The camera's true rate, where it is known from, and a fault when the two can't both be."""
    if stated is not None:
        ratio = stated / float(rate)
        if abs(ratio - 1) <= NOMINAL_SHARE:
            return rate, "session file", ()
        if ratio > 1:
            return _as_rate(stated), "session file", ()
        sentence = (
            f"session.yaml says capture_fps {stated:g}, but the recording shows "
            f"{float(rate):.4g} pictures a second: not used, playback is taken as real time"
        )
        return rate, "presentation times", (sentence,)
    tagged = _tagged_rate(tags)
    if tagged is not None and tagged / float(rate) >= SLOW_MOTION_RATIO:
        return _as_rate(tagged), "container", ()
    return rate, "presentation times", ()


def _as_rate(number: float) -> Fraction:
    return Fraction(number).limit_denominator(1001)


def _tagged_rate(tags: dict[str, str]) -> float | None:
    """A capture rate in the metadata, such as ``com.android.capture.fps``, or None."""
    for key, value in tags.items():
        if _CAPTURE_TAG.search(key):
            try:
                rate = float(Fraction(value.strip()))
            except (ValueError, ZeroDivisionError):
                continue
            if rate > 0:
                return rate
    return None


def _end_faults(facts: RecordingFacts, rate: Fraction) -> tuple[str, ...]:
    times_s = facts.times_s
    if facts.declared_end_s is None:
        return ()
    reached_s = float(times_s[-1] - times_s[0] + 1 / rate)
    promised_s = facts.declared_end_s - float(times_s[0])
    if facts.declared_frames is not None:
        broken = facts.stored_frames < facts.declared_frames
    else:
        broken = promised_s - reached_s > END_TOLERANCE_S
    return (f"breaks off after {reached_s:.1f} s of {promised_s:.1f} s",) if broken else ()


def _gap_faults(times_s: np.ndarray, rate: Fraction) -> tuple[str, ...]:
    intervals = np.diff(times_s)
    gaps = np.flatnonzero(intervals > max(GAP_S, GAP_INTERVALS / float(rate)))
    if not len(gaps):
        return ()
    longest = gaps[np.argmax(intervals[gaps])]
    where = f"{times_s[longest]:.1f} s and {times_s[longest + 1]:.1f} s"
    if len(gaps) == 1:
        return (f"there are no pictures between {where}",)
    return (f"there are {len(gaps)} gaps without pictures, the longest between {where}",)
