"""Impacts in made sounds whose instants are known."""

import numpy as np
import pytest

from paddlebrief.ears import EarSettings, find_impacts, travel_s
from paddlebrief.footage import Sound

RATE = 48_000


def sound(instants_s, *, noise=0.003, seconds=4.0, tone_hz=1400.0, start_s=0.0) -> Sound:
    """Bursts with a rise of 2 ms and a decay of 6 ms in white noise."""
    time = np.arange(int(seconds * RATE)) / RATE
    wave = np.random.default_rng(0).normal(0, noise, len(time))
    for instant in instants_s:
        t = time - instant
        envelope = np.where(t >= 0, np.minimum(t / 0.002, 1) * np.exp(-np.maximum(t, 0) / 0.006), 0)
        wave += 0.3 * envelope * np.sin(2 * np.pi * tone_hz * t)
    return Sound(samples=wave.astype(np.float32), rate_hz=RATE, start_s=start_s)


def test_impacts_are_found_within_four_milliseconds():
    instants = [0.513, 1.2, 2.718, 3.3]
    found = find_impacts([sound(instants, start_s=10.0)], EarSettings())
    assert len(found) == len(instants)
    for impact, instant in zip(found, instants, strict=True):
        assert impact.heard_s - 10.0 == pytest.approx(instant, abs=0.004)


def test_silence_noise_and_low_thuds_hold_no_impact():
    silence = Sound(samples=np.zeros(RATE, np.float32), rate_hz=RATE, start_s=0.0)
    assert find_impacts([silence], EarSettings()) == []
    assert find_impacts([sound([])], EarSettings()) == []
    assert find_impacts([sound([1.0], tone_hz=90.0, noise=0.01)], EarSettings()) == []


def test_no_sound_no_impacts():
    assert find_impacts([], EarSettings()) == []


def test_ten_metres_of_air_take_29_milliseconds():
    # 343 m/s at 20 °C: 10 m take 29 ms, 1.75 frames at 60 a second (worked out).
    assert travel_s(10.0) == pytest.approx(0.029, abs=5e-4)
    assert travel_s(10.0) * 60 == pytest.approx(1.75, abs=0.005)
