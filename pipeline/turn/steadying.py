"""Joints of single frames made one motion: a smoother that knows how hard a body can accelerate.

A Rauch–Tung–Striebel smoother (Rauch, Tung & Striebel 1965) over place and velocity of every
joint. Along the line of sight, where single frames say little, it leans on the neighbours most.
"""

import numpy as np

__all__ = ["steadied"]

_PERSISTENCE_S = 0.05  # of an acceleration (common practice, no source)
_FASTEST_START_MPS = 3.0


def steadied(
    places_m: np.ndarray,
    covariance_m2: np.ndarray,
    time_s: np.ndarray,
    *,
    acceleration_mps2: np.ndarray,
    correlation_s: float,
) -> np.ndarray:
    """Smooth paths from places that were found frame by frame.

    Parameters
    ----------
    places_m
        (n, k, 3) places of k joints.
    covariance_m2
        (n, 3k, 3k) of all coordinates of a frame.
    time_s
        (n,) strictly rising seconds on court.
    acceleration_mps2
        (k,) accelerations that are usual for each joint.
    correlation_s
        Time over which errors of frames look alike: a frame counts for less the closer they are.

    Returns
    -------
    ndarray
        (n, k, 3) smoothed places; those of a single frame as they are.
    """
    n, k, _ = places_m.shape
    if n < 2:
        return places_m
    size = 3 * k
    spectral = np.repeat(np.asarray(acceleration_mps2, float) ** 2 * _PERSISTENCE_S, 3)
    gaps = np.diff(time_s)
    around = np.r_[gaps[0], (gaps[1:] + gaps[:-1]) / 2, gaps[-1]]
    crowd = np.maximum(correlation_s / around, 1.0)
    seen = places_m.reshape(n, size)
    state = np.r_[seen[0], np.zeros(size)]
    start = np.trace(covariance_m2[0]) + 1.0
    cover = np.diag(np.r_[np.full(size, start), np.full(size, _FASTEST_START_MPS**2)])
    means, covers = np.empty((n, 2 * size)), np.empty((n, 2 * size, 2 * size))
    ahead_means, ahead_covers = means.copy(), covers.copy()
    for t in range(n):
        if t:
            move, wander = _motion(gaps[t - 1], spectral)
            state, cover = move @ state, move @ cover @ move.T + wander
        ahead_means[t], ahead_covers[t] = state, cover
        doubt = cover[:size, :size] + covariance_m2[t] * crowd[t]
        gain = np.linalg.solve(doubt, cover[:size]).T
        state = state + gain @ (seen[t] - state[:size])
        cover = cover - gain @ cover[:size]
        means[t], covers[t] = state, cover
    for t in range(n - 2, -1, -1):
        move, _ = _motion(gaps[t], spectral)
        gain = np.linalg.solve(ahead_covers[t + 1], move @ covers[t]).T
        means[t] += gain @ (means[t + 1] - ahead_means[t + 1])
        covers[t] += gain @ (covers[t + 1] - ahead_covers[t + 1]) @ gain.T
    return means[:, :size].reshape(n, k, 3)


def _motion(dt: float, spectral: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Transition and noise of coordinates with speeds whose accelerations are white."""
    one, noise = np.eye(len(spectral)), np.diag(spectral)
    move = np.block([[one, dt * one], [0 * one, one]])
    wander = np.block([[noise * dt**3 / 3, noise * dt**2 / 2], [noise * dt**2 / 2, noise * dt]])
    return move, wander
