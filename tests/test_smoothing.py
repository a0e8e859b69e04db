"""Smoothing against published numbers, scipy and motions with a closed form."""

import numpy as np
import pytest
from scipy import signal

from paddlebrief.smoothing import (
    butterworth_two_pass,
    corrected_cutoff_hz,
    residual_noise,
    smooth_paths,
)

RATE_HZ = 120.0


def _gain(cutoff_hz: float, frequency_hz: float) -> float:
    time = np.arange(0, 20, 1 / RATE_HZ)
    wave = np.sin(2 * np.pi * frequency_hz * time)
    smooth = butterworth_two_pass(wave, rate_hz=RATE_HZ, cutoff_hz=cutoff_hz)
    middle = slice(600, 1800)
    return float(np.dot(smooth[middle], wave[middle]) / np.dot(wave[middle], wave[middle]))


def test_two_pass_correction_is_the_published_one():
    # C = (2^(1/2) − 1)^(1/4) = 0.8022 for order 2 (Winter's correction, from memory). Where the
    # rate is far above the cut-off the design is plain cutoff / C.
    assert 10 / corrected_cutoff_hz(10.0, rate_hz=1e5) == pytest.approx(0.8022, abs=5e-5)


def test_correction_at_120_hz_is_the_worked_one():
    # Order 2 at 10 Hz and 120 Hz sampling has gain 0.7071 when designed at 12.313 Hz (worked
    # out with scipy.signal).
    assert corrected_cutoff_hz(10.0, rate_hz=RATE_HZ) == pytest.approx(12.313, abs=5e-4)


def test_plain_filtfilt_halves_the_gain_at_its_design_frequency():
    # Worked check with scipy.signal: order 2, 10 Hz, 120 Hz sampling, two passes: gain 0.500.
    b, a = signal.butter(2, 10 / 60)
    time = np.arange(0, 20, 1 / RATE_HZ)
    wave = np.sin(2 * np.pi * 10 * time)
    both = signal.filtfilt(b, a, wave)
    middle = slice(600, 1800)
    gain = np.dot(both[middle], wave[middle]) / np.dot(wave[middle], wave[middle])
    assert gain == pytest.approx(0.500, abs=1e-3)


def test_corrected_filter_has_its_half_power_point_at_the_cutoff():
    assert _gain(10.0, 10.0) == pytest.approx(np.sqrt(0.5), abs=1e-3)


def test_slow_motion_passes_and_fast_noise_does_not():
    assert _gain(10.0, 1.0) == pytest.approx(1.0, abs=1e-3)
    assert abs(_gain(10.0, 40.0)) < 0.01


@pytest.mark.parametrize("missing", [[], [50], [50, 51, 52], list(range(40, 70))])
def test_smoothing_keeps_missing_missing_and_a_line_straight(missing):
    time = np.arange(100) / RATE_HZ
    path = np.column_stack([3 + 2 * time, 1 - 5 * time])
    path[missing] = np.nan
    smooth = smooth_paths(path, time, cutoff_hz=10.0)
    assert np.isnan(smooth[missing]).all()
    known = ~np.isnan(path)
    np.testing.assert_allclose(smooth[known], path[known], atol=2e-3)  # the filter's start


def test_smoothing_never_crosses_a_break():
    time = np.arange(200) / RATE_HZ
    contact = time[100]
    path = np.where(time < contact, 0.0, 1.0)  # a jump that any filter would smear
    across = smooth_paths(path, time, cutoff_hz=10.0)
    apart = smooth_paths(path, time, cutoff_hz=10.0, breaks_s=[contact])
    np.testing.assert_allclose(apart, path, atol=1e-9)
    assert np.abs(across - path).max() > 0.2


def test_smoothing_uneven_times_equals_even_times_for_a_slow_wave():
    rng = np.random.default_rng(4)
    time = np.cumsum(rng.uniform(0.8, 1.2, 300)) / RATE_HZ
    wave = np.sin(2 * np.pi * 1.0 * time)
    smooth = smooth_paths(wave, time, cutoff_hz=10.0)
    np.testing.assert_allclose(smooth[30:-30], wave[30:-30], atol=0.01)


def test_residual_noise_finds_the_noise_put_in():
    rng = np.random.default_rng(1)
    clean = np.zeros((4000, 2))
    raw = clean + rng.normal(0, [1.0, 3.0], clean.shape)
    np.testing.assert_allclose(residual_noise(raw, clean), [1.0, 3.0], rtol=0.06)


def test_residual_noise_of_nothing_is_missing():
    assert np.isnan(residual_noise(np.full((5, 2), np.nan), np.zeros((5, 2)))).all()


def test_short_pieces_come_back_as_they_are():
    time = np.arange(6) / RATE_HZ
    path = np.array([0.0, 5.0, 0.0, 5.0, 0.0, 5.0])
    np.testing.assert_array_equal(smooth_paths(path, time, cutoff_hz=10.0), path)


def test_paths_without_a_sample_stay_without():
    smooth = smooth_paths(np.empty((0, 33, 2)), np.empty(0), cutoff_hz=10.0)
    assert smooth.shape == (0, 33, 2)
