"""Impacts in the sound: when they were heard, and how long they travelled."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from pydantic import BaseModel, ConfigDict, Field
from scipy import signal

from paddlebrief.footage import Sound

__all__ = ["EarSettings", "Impact", "find_impacts", "travel_s"]

SPEED_OF_SOUND_MPS = 343.0  # at 20 °C

_CARRY_S = 0.3
"""Sound kept from one block to the next, so that an impact at their border is heard whole."""
_FINE_S = 0.001
_LOOK_BACK_S = 0.008
_BEFORE_S = (0.016, 0.004)
_AFTER_S = (0.04, 0.07)
_OVER_BEFORE_DB, _OVER_AFTER_DB = 7.0, 3.0
"""An impact rises within 2 ms and is gone after some 40; a syllable does neither."""
_ONSET_SD_S = 0.0006
_RISE_S = 0.002

_TONE_HZ = 1300.0


class EarSettings(BaseModel):
    """How impacts are heard."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    low_hz: float = Field(900.0, gt=0, description="lower edge of the impact band, Hz")
    high_hz: float = Field(2500.0, gt=0, description="upper edge of the impact band, Hz")
    frame_s: float = Field(0.002, gt=0, description="length of an energy frame, s of playback")
    floor_s: float = Field(1.0, gt=0, description="stretch whose median is the noise floor, s")
    rise_db: float = Field(9.0, gt=0, description="least rise over the noise floor, dB")
    apart_s: float = Field(0.08, gt=0, description="least time between two impacts, s of playback")
    distance_m: float = Field(
        8.0,
        ge=0,
        description="assumed distance from player to microphone while no court is solved, m",
    )


@dataclass(frozen=True, kw_only=True)
class Impact:
    """An impact as heard.

    Attributes
    ----------
    heard_s
        Presentation time of its start at the microphone, between samples of the envelope.
    rise_db
        Its loudest energy frame over the noise floor.
    heard_s_sd
        Standard uncertainty of ``heard_s``.
    """

    heard_s: float
    rise_db: float
    heard_s_sd: float = 0.001


def travel_s(distance_m: float) -> float:
    """Seconds that sound needs through air at 20 °C (343 m/s): 10 m take 29 ms."""
    return distance_m / SPEED_OF_SOUND_MPS


def find_impacts(blocks: Iterable[Sound], settings: EarSettings) -> list[Impact]:
    """Impacts in consecutive blocks of sound, in order; empty for silence or no sound.

    Energy in the band (fourth-order Butterworth, causal so that nothing sounds before its start)
    is compared with the median of its surroundings. An impact also stands out from what was just
    before it and is gone soon after: a paddle's impact is narrow-band at about 1–2 kHz and rises
    within about 2 ms (Spendiarian & Willis, acoustic report, 2019). Its start is where the
    envelope's rise, drawn on as a straight line, leaves zero.
    """
    impacts: list[Impact] = []
    for sound, start_s, end_s in _overlapping(blocks):
        if len(sound.samples) < 4 * settings.frame_s * sound.rate_hz:
            continue
        for impact in _impacts_of(sound, settings):
            inside = start_s <= impact.heard_s < end_s
            if inside and (not impacts or impact.heard_s - impacts[-1].heard_s >= settings.apart_s):
                impacts.append(impact)
    return impacts


def _overlapping(blocks: Iterable[Sound]) -> Iterator[tuple[Sound, float, float]]:
    """Blocks with the end of the one before, and the stretch whose impacts each one answers for."""
    held: Sound | None = None
    answered = -np.inf
    for block in blocks:
        if held is None or block.rate_hz != held.rate_hz or not _follows(held, block):
            if held is not None:
                yield held, answered, np.inf
            answered = -np.inf
        else:
            carry = held.samples[-round(_CARRY_S * held.rate_hz) :]
            border = block.start_s - _CARRY_S / 2
            yield held, answered, border
            answered = border
            block = replace(
                block,
                samples=np.concatenate([carry, block.samples]),
                start_s=block.start_s - len(carry) / block.rate_hz,
            )
        held = block
    if held is not None:
        yield held, answered, np.inf


def _follows(before: Sound, after: Sound) -> bool:
    gap = after.start_s - before.start_s - len(before.samples) / before.rate_hz
    return bool(abs(gap) < 1.5 / after.rate_hz)


def _impacts_of(block: Sound, settings: EarSettings) -> list[Impact]:
    ringing = _in_band(block.samples.astype(float), block.rate_hz, settings)
    step = max(1, round(settings.frame_s * block.rate_hz))
    frames = ringing[: len(ringing) // step * step].reshape(-1, step)
    energy = (frames**2).mean(axis=1) + 1e-12
    level_db = 10 * np.log10(energy)
    frame_s = step / block.rate_hz
    around = min(len(energy), round(settings.floor_s / frame_s)) | 1
    floor_db = _running_median(level_db, around)
    apart = max(1, round(settings.apart_s / frame_s))
    peaks, _ = signal.find_peaks(level_db - floor_db, height=settings.rise_db, distance=apart)
    delay = _delay_s(settings, block.rate_hz)
    impacts = []
    for peak in peaks:
        if not _is_short(energy, int(peak), frame_s):
            continue
        floor = 10 ** (floor_db[peak] / 10)
        start = _onset(ringing, int((peak + 0.5) * step), floor, block.rate_hz)
        rise_db = float(level_db[peak] - floor_db[peak])
        impacts.append(
            Impact(
                heard_s=block.start_s + start - delay,
                rise_db=rise_db,
                heard_s_sd=float(np.hypot(_ONSET_SD_S, _RISE_S * 10 ** (-rise_db / 20))),
            )
        )
    return impacts


def _in_band(samples: np.ndarray, rate_hz: int, settings: EarSettings) -> np.ndarray:
    high = min(settings.high_hz, 0.45 * rate_hz)
    band = signal.butter(2, (settings.low_hz, high), "bandpass", fs=rate_hz, output="sos")
    return signal.sosfilt(band, samples)


def _is_short(energy: np.ndarray, peak: int, frame_s: float) -> bool:
    """Whether the burst stands out from what was just before and from what is left soon after."""

    def over_db(start: int, stop: int) -> float:
        around = energy[max(start, 0) : max(stop, 0)]
        return np.inf if len(around) == 0 else 10 * np.log10(energy[peak] / around.mean())

    start, stop = (peak - round(s / frame_s) for s in _BEFORE_S)
    later, latest = (peak + round(s / frame_s) for s in _AFTER_S)
    return over_db(start, stop) > _OVER_BEFORE_DB and over_db(later, latest) > _OVER_AFTER_DB


def _onset(ringing: np.ndarray, near: int, floor: float, rate_hz: int) -> float:
    """Seconds from the first sample to where the rise up to the peak near a sample starts."""
    fine = max(1, round(_FINE_S * rate_hz))
    first = max(0, near - round(_LOOK_BACK_S * rate_hz))
    power = ringing[first : near + 2 * fine] ** 2
    mean = np.convolve(power, np.full(fine, 1 / fine), "valid")
    if len(mean) == 0:
        return near / rate_hz
    envelope = np.sqrt(np.maximum(mean - floor, 0))
    peak = int(np.argmax(envelope))
    low, high = (_last_below(envelope, peak, share) for share in (0.25, 0.65))
    rise = (high - low) / 0.4
    # The mean at place k is over the samples from k on: its time is half a window later.
    return (first + low - 0.25 * rise + (fine - 1) / 2) / rate_hz


def _last_below(envelope: np.ndarray, peak: int, share: float) -> float:
    """Place before the peak, between samples, where the envelope last passes a share of it."""
    level = share * envelope[peak]
    under = np.flatnonzero(envelope[:peak] < level)
    if len(under) == 0:
        return 0.0
    k = int(under[-1])
    return k + (level - envelope[k]) / (envelope[k + 1] - envelope[k])


@lru_cache(maxsize=8)
def _delay_s(settings: EarSettings, rate_hz: int) -> float:
    """What filter and envelope add to the start of a usual impact, tried on a made one."""
    since = np.arange(round(0.1 * rate_hz)) / rate_hz - 0.05
    rise = np.where(since < _RISE_S, 0.5 - 0.5 * np.cos(np.pi * since / _RISE_S), 1.0)
    burst = rise * np.exp(-np.maximum(since - _RISE_S, 0) / 0.009) * (since > 0)
    ringing = _in_band(burst * np.sin(2 * np.pi * _TONE_HZ * since), rate_hz, settings)
    return _onset(ringing, int(np.argmax(ringing**2)), 0.0, rate_hz) - 0.05


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    """Median of ``width`` values around each one, worked out on a coarser grid."""
    hop = max(1, width // 8)
    centres = np.arange(0, len(values), hop)
    medians = [np.median(values[max(0, c - width // 2) : c + width // 2 + 1]) for c in centres]
    return np.interp(np.arange(len(values)), centres, medians)
