"""Impacts in the sound: short bursts in the band in which a paddle rings."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel, ConfigDict, Field
from scipy import signal

from paddlebrief.footage import Sound

__all__ = ["EarSettings", "Impact", "find_impacts", "travel_s"]

SPEED_OF_SOUND_MPS = 343.0  # at 20 °C


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
    """An impact as heard: presentation time of its start at the microphone, and rise in dB."""

    heard_s: float
    rise_db: float


def travel_s(distance_m: float) -> float:
    """Seconds that sound needs through air at 20 °C (343 m/s): 10 m take 29 ms."""
    return distance_m / SPEED_OF_SOUND_MPS


def find_impacts(blocks: Iterable[Sound], settings: EarSettings) -> list[Impact]:
    """Impacts in consecutive blocks of sound, in order; empty for silence or no sound.

    Energy in the band (fourth-order Butterworth, causal so that nothing sounds before its start)
    is compared with the median of its surroundings; an impact starts where its energy first
    passes half of the burst's peak. A paddle's impact is narrow-band at about 1–2 kHz and rises
    within about 2 ms (Spendiarian & Willis, acoustic report, 2019).
    """
    impacts: list[Impact] = []
    for block in blocks:
        if len(block.samples) < 4 * settings.frame_s * block.rate_hz:
            continue
        for impact in _impacts_of(block, settings):
            if not impacts or impact.heard_s - impacts[-1].heard_s >= settings.apart_s:
                impacts.append(impact)
    return impacts


def _impacts_of(block: Sound, settings: EarSettings) -> list[Impact]:
    high = min(settings.high_hz, 0.45 * block.rate_hz)
    band = signal.butter(2, (settings.low_hz, high), "bandpass", fs=block.rate_hz, output="sos")
    ringing = signal.sosfilt(band, block.samples.astype(float))
    step = max(1, round(settings.frame_s * block.rate_hz))
    frames = ringing[: len(ringing) // step * step].reshape(-1, step)
    energy = (frames**2).mean(axis=1) + 1e-12
    level_db = 10 * np.log10(energy)
    around = min(len(energy), round(settings.floor_s / settings.frame_s)) | 1
    floor_db = _running_median(level_db, around)
    apart = max(1, round(settings.apart_s / settings.frame_s))
    peaks, _ = signal.find_peaks(level_db - floor_db, height=settings.rise_db, distance=apart)
    return [
        Impact(
            heard_s=block.start_s + _onset(energy, int(p)) * step / block.rate_hz,
            rise_db=float(level_db[p] - floor_db[p]),
        )
        for p in peaks
    ]


def _onset(energy: np.ndarray, peak: int) -> int:
    start = peak
    while start > 0 and energy[start - 1] > energy[peak] / 2:
        start -= 1
    return start


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    """Median of ``width`` values around each one, worked out on a coarser grid."""
    hop = max(1, width // 8)
    centres = np.arange(0, len(values), hop)
    medians = [np.median(values[max(0, c - width // 2) : c + width // 2 + 1]) for c in centres]
    return np.interp(np.arange(len(values)), centres, medians)
