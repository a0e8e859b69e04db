"""Zero-lag smoothing of landmark paths that never crosses a contact, and the noise it removed."""

from collections.abc import Sequence

import numpy as np
from scipy import signal

__all__ = ["butterworth_two_pass", "corrected_cutoff_hz", "residual_noise", "smooth_paths"]

ORDER = 2  # a pass; two passes make a fourth-order, zero-lag filter
MAX_CUTOFF_SHARE = 0.7  # of the Nyquist frequency: the filter's design breaks down above
MIN_SAMPLES = 9  # a shorter piece is left as it is: the filter's start would be all of it


def corrected_cutoff_hz(cutoff_hz: float, *, rate_hz: float, order: int = ORDER) -> float:
    """Design frequency whose two passes together give half power at ``cutoff_hz``.

    Two passes of one filter narrow it by C = (2^(1/2) − 1)^(1/(2·order)), 0.8022 for order 2
    (Winter, Biomechanics and Motor Control of Human Movement; from memory). C belongs to the
    analogue frequency, so it is applied to tan(π·f/rate), as the bilinear design does.
    """
    narrowing = (np.sqrt(2) - 1) ** (1 / (2 * order))
    warped = np.tan(np.pi * cutoff_hz / rate_hz) / narrowing
    return float(rate_hz / np.pi * np.arctan(warped))


def butterworth_two_pass(values: np.ndarray, *, rate_hz: float, cutoff_hz: float) -> np.ndarray:
    """Zero-lag Butterworth along axis 0 of evenly sampled values without NaN.

    The −3 dB point after both passes lies at ``cutoff_hz``, or at 0.7 of the Nyquist frequency
    where that is lower.
    """
    nyquist = rate_hz / 2
    design = corrected_cutoff_hz(min(cutoff_hz, MAX_CUTOFF_SHARE * nyquist), rate_hz=rate_hz)
    b, a = signal.butter(ORDER, design / nyquist)
    padding = min(3 * max(len(a), len(b)), len(values) - 1)
    return signal.filtfilt(b, a, values, axis=0, padlen=padding)


def smooth_paths(
    values: np.ndarray,
    time_s: np.ndarray,
    *,
    cutoff_hz: float,
    breaks_s: Sequence[float] = (),
    max_gap_s: float = 0.12,
) -> np.ndarray:
    """Smooth paths (n, …) sampled at times (n,), in pieces that end at breaks and long gaps.

    Parameters
    ----------
    values
        Time first; NaN where missing. Each column's gaps up to ``max_gap_s`` are bridged for
        the filter and stay NaN in the result.
    time_s
        Strictly rising seconds on court (presentation time over the slow factor).
    cutoff_hz
        Half-power frequency of the two passes together.
    breaks_s
        Instants that no smoothing crosses, such as contacts.

    Returns
    -------
    ndarray
        Same shape as ``values``; pieces under 9 samples come back unsmoothed.
    """
    values = np.asarray(values, float)
    flat = values.reshape(len(values), int(np.prod(values.shape[1:])))
    out = flat.copy()
    piece = np.searchsorted(np.asarray(sorted(breaks_s), float), time_s, side="right")
    for column in range(flat.shape[1]):
        known = np.flatnonzero(np.isfinite(flat[:, column]))
        if len(known) < MIN_SAMPLES:
            continue
        cut = (np.diff(time_s[known]) > max_gap_s) | (np.diff(piece[known]) > 0)
        for run in np.split(known, np.flatnonzero(cut) + 1):
            if len(run) >= MIN_SAMPLES:
                out[run, column] = _smooth_run(time_s[run], flat[run, column], cutoff_hz)
    return out.reshape(np.shape(values))


def _smooth_run(time_s: np.ndarray, values: np.ndarray, cutoff_hz: float) -> np.ndarray:
    interval = float(np.median(np.diff(time_s)))
    even = np.arange(time_s[0], time_s[-1] + interval / 2, interval)
    if len(even) < MIN_SAMPLES:
        return values
    resampled = np.interp(even, time_s, values)
    smoothed = butterworth_two_pass(resampled, rate_hz=1 / interval, cutoff_hz=cutoff_hz)
    return np.interp(time_s, even, smoothed)


def residual_noise(raw: np.ndarray, smoothed: np.ndarray) -> np.ndarray:
    """Robust standard deviation of raw − smoothed along axis 0 (1.4826 × the median deviation).

    All-NaN columns give NaN.
    """
    residual = np.asarray(raw, float) - smoothed
    known = np.isfinite(residual).any(axis=0)
    spread = np.full(residual.shape[1:], np.nan)
    spread[known] = 1.4826 * np.nanmedian(np.abs(residual[:, known]), axis=0)
    return spread
