"""The sound of a session: impacts that arrive late by their distance, over wind and voices.

Impacts are narrow-band, peak between 1 and 2 kHz and rise within about 2 ms (Spendiarian &
Willis acoustic report, 2019, §2); sound travels 343 m/s at 20 °C.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel, ConfigDict, Field
from scipy.signal import butter, sosfilt

__all__ = [
    "SOUND_MPS",
    "SOUND_RATE_HZ",
    "Impact",
    "SoundSettings",
    "heard_s",
    "impact_wave",
    "other_court_impacts",
    "render_sound",
]

SOUND_MPS = 343.0
SOUND_RATE_HZ = 48_000
RISE_S = 0.002
_WAVE_S = 0.12
_REFERENCE_M = 8.0
_PEAK = 0.5
_BURST_S = 0.02


class SoundSettings(BaseModel):
    """What the microphone in the camera hears."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    recorded: bool = Field(True, description="False leaves the recording without sound.")
    snr_db: float = Field(
        24.0,
        ge=-10,
        le=80,
        description="Impact over background (dB): power of the first 20 ms of a paddle impact "
        "8 m away over the mean power of wind, voices and hiss.",
    )
    wind_share: float = Field(
        0.4, ge=0, le=1, description="Share of wind in the background's power (no unit)."
    )
    voices_share: float = Field(
        0.4,
        ge=0,
        le=1,
        description="Share of voice-like noise in the background's power (no unit).",
    )
    other_impacts_per_min: float = Field(
        8.0, ge=0, le=200, description="Impacts heard from other courts (1/min)."
    )


@dataclass(frozen=True)
class Impact:
    """Something that makes a sound.

    Attributes
    ----------
    kind
        ``"paddle"``, ``"feed"`` (the feeder's paddle), ``"bounce"``, ``"net"`` or
        ``"other court"``.
    time_s
        When it happens.
    place_m
        (3,) where, court frame.
    strength
        Pressure relative to a usual paddle impact.
    """

    kind: str
    time_s: float
    place_m: np.ndarray
    strength: float = 1.0


# Frequencies (Hz), their shares and the decay (s) of each kind of impact.
_VOICES = {
    "paddle": ((1250.0, 1.0), (1700.0, 0.35), 0.009),
    "feed": ((1150.0, 1.0), (1600.0, 0.35), 0.009),
    "bounce": ((820.0, 1.0), (1350.0, 0.3), 0.006),
    "net": ((300.0, 1.0), (520.0, 0.5), 0.020),
    "other court": ((1180.0, 1.0), (1620.0, 0.3), 0.011),
}
_LOUDNESS = {"paddle": 1.0, "feed": 0.8, "bounce": 0.28, "net": 0.15, "other court": 1.0}


def heard_s(impact: Impact, microphone_m: np.ndarray) -> float:
    """When the first sound of an impact reaches the microphone."""
    return impact.time_s + float(np.linalg.norm(impact.place_m - microphone_m)) / SOUND_MPS


def impact_wave(kind: str, since_s: np.ndarray, *, pitch: float = 1.0) -> np.ndarray:
    """Pressure of an impact, peak near 1, at times since it arrives; 0 before.

    Parameters
    ----------
    kind
        See `Impact`.
    since_s
        Any shape, seconds.
    pitch
        Factor on its frequencies.
    """
    *tones, decay = _VOICES[kind]
    since = np.maximum(since_s, 0.0)
    rise = np.where(since < RISE_S, 0.5 - 0.5 * np.cos(np.pi * since / RISE_S), 1.0)
    envelope = rise * np.exp(-np.maximum(since - RISE_S, 0.0) / decay)
    tone = sum(share * np.sin(2 * np.pi * hz * pitch * since) for hz, share in tones)
    return np.where(since_s > 0, envelope * tone / sum(share for _, share in tones), 0.0)


def other_court_impacts(
    settings: SoundSettings, *, length_s: float, rng: np.random.Generator
) -> list[Impact]:
    """Impacts of play elsewhere: Poisson in time, 9 to 30 m to either side."""
    count = rng.poisson(settings.other_impacts_per_min * length_s / 60)
    impacts = []
    for time_s in np.sort(rng.uniform(0, length_s, count)):
        side = rng.choice([-1.0, 1.0])
        place = np.array([side * rng.uniform(9, 30), rng.uniform(-12, 12), 1.0])
        impacts.append(Impact("other court", float(time_s), place, float(rng.uniform(0.6, 1.2))))
    return impacts


def render_sound(
    impacts: Sequence[Impact],
    *,
    length_s: float,
    microphone_m: np.ndarray,
    settings: SoundSettings,
    rng: np.random.Generator,
) -> np.ndarray:
    """Mono sound of a session that starts at time 0.

    Parameters
    ----------
    impacts
        What makes sound; what arrives after the end is not heard.
    length_s
        Seconds of sound.
    microphone_m
        (3,) place of the microphone, court frame.
    settings
        Levels.
    rng
        Draws the background and small differences of pitch.

    Returns
    -------
    ndarray
        (n,) float32 at `SOUND_RATE_HZ`, within −1 to 1.
    """
    count = round(length_s * SOUND_RATE_HZ)
    burst = impact_wave("paddle", np.arange(int(_BURST_S * SOUND_RATE_HZ)) / SOUND_RATE_HZ)
    power = np.mean((_PEAK * burst) ** 2) / 10 ** (settings.snr_db / 10)
    sound = np.sqrt(power) * _background(count, settings, rng)
    for impact in impacts:
        pitch = float(np.exp(rng.normal(0, 0.03)))
        _add_impact(sound, impact, microphone_m, pitch)
    return np.clip(sound, -1.0, 1.0).astype(np.float32)


def _add_impact(sound: np.ndarray, impact: Impact, microphone_m: np.ndarray, pitch: float) -> None:
    arrival = heard_s(impact, microphone_m)
    start = max(int(np.floor(arrival * SOUND_RATE_HZ)), 0)
    end = min(start + int(_WAVE_S * SOUND_RATE_HZ), len(sound))
    if start >= end:
        return
    since = np.arange(start, end) / SOUND_RATE_HZ - arrival
    distance = max(float(np.linalg.norm(impact.place_m - microphone_m)), 0.5)
    loud = _PEAK * impact.strength * _LOUDNESS[impact.kind] * _REFERENCE_M / distance
    sound[start:end] += loud * impact_wave(impact.kind, since, pitch=pitch)


def _background(count: int, settings: SoundSettings, rng: np.random.Generator) -> np.ndarray:
    """Wind, voices and hiss with mean power 1 together."""
    hiss_share = max(0.02, 1.0 - settings.wind_share - settings.voices_share)
    parts = (
        (settings.wind_share, _band(count, 20.0, 250.0, rng) * _gusts(count, 0.4, rng)),
        (settings.voices_share, _band(count, 250.0, 2800.0, rng) * _gusts(count, 4.0, rng) ** 2),
        (hiss_share, rng.standard_normal(count)),
    )
    mix = np.zeros(count)
    for share, part in parts:
        mix += np.sqrt(share) * part / max(float(np.sqrt(np.mean(part**2))), 1e-12)
    return mix / max(float(np.sqrt(np.mean(mix**2))), 1e-12)


def _band(count: int, low_hz: float, high_hz: float, rng: np.random.Generator) -> np.ndarray:
    sos = butter(2, (low_hz, high_hz), "bandpass", fs=SOUND_RATE_HZ, output="sos")
    return sosfilt(sos, rng.standard_normal(count))


def _gusts(count: int, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """A slow, positive swell: gusts for wind, syllables for voices."""
    knots = int(np.ceil(count / SOUND_RATE_HZ * rate_hz * 2)) + 2
    level = np.abs(rng.normal(0.7, 0.5, knots)) + 0.1
    return np.interp(np.arange(count) * (knots - 1) / max(count - 1, 1), np.arange(knots), level)
