"""Smooth curves through keyframes: of all curves that pass, the one with the least jerk.

Human reaching follows paths of minimum jerk (Flash & Hogan 1985, J Neurosci 5:1688–1703, from
memory); through several points the minimiser is a quintic spline. Keys may pin value, velocity
and acceleration; whatever is left free is chosen by the minimum. The curve is twice continuously
differentiable everywhere.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded

__all__ = ["Curve", "Key", "ease", "ease_rate"]

_TO_COEFFICIENTS = np.linalg.inv(
    np.array(
        [
            [1, 0, 0, 0, 0, 0],
            [0, 1, 0, 0, 0, 0],
            [0, 0, 2, 0, 0, 0],
            [1, 1, 1, 1, 1, 1],
            [0, 1, 2, 3, 4, 5],
            [0, 0, 2, 6, 12, 20],
        ],
        dtype=float,
    )
)
"""End states (p, v, a at u = 0 and at u = 1) to the coefficients of a quintic in u."""


def _jerk_form() -> np.ndarray:
    """The 6 × 6 form whose value at the end states is the integral of squared jerk, u in 0–1."""
    jerk = np.zeros((3, 6))
    jerk[0, 3], jerk[1, 4], jerk[2, 5] = 6.0, 24.0, 60.0
    power = np.arange(3)
    gram = 1.0 / (power[:, None] + power[None, :] + 1.0)
    rows = jerk @ _TO_COEFFICIENTS
    return rows.T @ gram @ rows


_JERK = _jerk_form()


@dataclass(frozen=True)
class Key:
    """What a curve must meet at one time; None leaves that derivative to the minimum.

    Attributes
    ----------
    time_s
        When.
    value, velocity, acceleration
        Scalars or sequences of the curve's dimension, in its unit per second and second squared.
    """

    time_s: float
    value: float | Sequence[float]
    velocity: float | Sequence[float] | None = None
    acceleration: float | Sequence[float] | None = None

    @classmethod
    def rest(cls, time_s: float, value: float | Sequence[float]) -> "Key":
        """A key with velocity and acceleration zero."""
        return cls(time_s, value, 0.0, 0.0)


def ease(share: np.ndarray) -> np.ndarray:
    """Minimum-jerk progress from rest to rest, 10 s³ − 15 s⁴ + 6 s⁵, clipped to 0–1 outside."""
    s = np.clip(share, 0.0, 1.0)
    return s**3 * (10.0 - 15.0 * s + 6.0 * s**2)


def ease_rate(share: np.ndarray) -> np.ndarray:
    """Derivative of `ease`: 30 s² (1 − s)², greatest (1.875) half-way; 0 outside 0–1."""
    s = np.clip(share, 0.0, 1.0)
    return 30.0 * s**2 * (1.0 - s) ** 2


class Curve:
    """A minimum-jerk curve through keys; before the first key and after the last it rests.

    Parameters
    ----------
    keys
        At least one `Key`, times strictly rising. The first and the last are taken at rest.

    Raises
    ------
    ValueError
        When there is no key or the times do not rise.
    """

    def __init__(self, keys: Sequence[Key]) -> None:
        if not keys:
            raise ValueError("a curve needs at least one key")
        self.times_s = np.array([k.time_s for k in keys], dtype=float)
        if np.any(np.diff(self.times_s) <= 0):
            raise ValueError(f"key times must rise, got {self.times_s.tolist()}")
        value = np.array([np.atleast_1d(np.asarray(k.value, float)) for k in keys])
        dims = value.shape[1]
        velocity = np.array([_or_free(k.velocity, dims) for k in keys])
        acceleration = np.array([_or_free(k.acceleration, dims) for k in keys])
        velocity[[0, -1]], acceleration[[0, -1]] = 0.0, 0.0
        self._states = np.stack([value, velocity, acceleration], axis=1)
        for dim in range(dims):
            self._states[:, :, dim] = _least_jerk(self.times_s, self._states[:, :, dim])

    def __call__(self, time_s: np.ndarray, derivative: int = 0) -> np.ndarray:
        """Value (0), velocity (1) or acceleration (2) of the curve.

        Parameters
        ----------
        time_s
            (n,) seconds.
        derivative
            0, 1 or 2.

        Returns
        -------
        ndarray
            (n, D) in the unit of the keys, per second to the power of ``derivative``.
        """
        t = np.asarray(time_s, dtype=float)
        if len(self.times_s) == 1:
            held = self._states[0, 0] if derivative == 0 else np.zeros_like(self._states[0, 0])
            return np.broadcast_to(held, (len(t), held.shape[0])).copy()
        t = np.clip(t, self.times_s[0], self.times_s[-1])
        index = np.clip(
            np.searchsorted(self.times_s, t, side="right") - 1, 0, len(self.times_s) - 2
        )
        span = (self.times_s[index + 1] - self.times_s[index])[:, None]
        u = (t - self.times_s[index])[:, None] / span
        scale = np.stack([np.ones_like(span), span, span**2], axis=1)
        ends = np.concatenate(
            [self._states[index] * scale, self._states[index + 1] * scale], axis=1
        )
        coefficients = np.einsum("ij,njd->nid", _TO_COEFFICIENTS, ends)
        total = np.zeros_like(coefficients[:, 0])
        for power in range(5, derivative - 1, -1):
            factor = float(np.prod(np.arange(power, power - derivative, -1)))
            total = total * u + factor * coefficients[:, power]
        return total / span**derivative


def _or_free(given: float | Sequence[float] | None, dims: int) -> np.ndarray:
    if given is None:
        return np.full(dims, np.nan)
    return np.broadcast_to(np.asarray(given, float), (dims,)).copy()


def _least_jerk(times_s: np.ndarray, states: np.ndarray) -> np.ndarray:
    """Fill the NaN entries of (K, 3) states so that the integral of squared jerk is least."""
    count = len(times_s)
    free = np.isnan(states).ravel()
    if not free.any():
        return states
    band = np.zeros((6, 3 * count))
    for segment in range(count - 1):
        span = times_s[segment + 1] - times_s[segment]
        scale = np.array([1.0, span, span**2] * 2)
        form = _JERK * np.outer(scale, scale) / span**5
        for i in range(6):
            for j in range(i + 1):
                band[i - j, 3 * segment + j] += form[i, j]
    known = np.where(free, 0.0, states.ravel())
    pull = _banded_times(band, known)
    pull[~free] = 0.0
    for offset in range(6):
        lower = np.arange(3 * count - offset)
        both_free = free[lower] & free[lower + offset]
        band[offset, lower[~both_free]] = 0.0
    band[0, ~free] = 1.0
    solved = solveh_banded(band, -pull, lower=True)
    return np.where(free, solved, states.ravel()).reshape(count, 3)


def _banded_times(band: np.ndarray, vector: np.ndarray) -> np.ndarray:
    """Product of a symmetric matrix in lower banded storage with a vector."""
    product = band[0] * vector
    size = len(vector)
    for offset in range(1, len(band)):
        row = band[offset, : size - offset]
        product[offset:] += row * vector[:-offset]
        product[:-offset] += row * vector[offset:]
    return product
