"""Settle left and right over time: a pose network swaps them for single frames and from behind.

For the arms and for the legs the least-cost sequence of "as labelled" and "swapped" is found
by dynamic programming (Viterbi 1967). Moving the joints costs the squared distance moved;
being swapped costs a little in each frame, so that the label held longest wins.
"""

import numpy as np

from paddlebrief.records import LANDMARKS

__all__ = ["ARM_PAIRS", "LEG_PAIRS", "settle_sides"]


def _pairs(*names: str) -> np.ndarray:
    return np.array([(LANDMARKS.index(f"left_{n}"), LANDMARKS.index(f"right_{n}")) for n in names])


ARM_PAIRS = _pairs("shoulder", "elbow", "wrist", "pinky", "index", "thumb", "eye", "ear")
"""(k, 2) landmark numbers that swap with the arms; the head turns with the shoulders."""

LEG_PAIRS = _pairs("hip", "knee", "ankle", "heel", "foot_index")
"""(k, 2) landmark numbers that swap with the legs."""

_EXTRA_ARM_PAIRS = np.array([(1, 4), (3, 6), (9, 10)])  # inner and outer eyes, mouth corners

SWAP_COST = 0.02  # a frame's cost of contradicting the network, in squared trunk lengths
MOVE_CAP = 1.0  # a joint that jumps further than this (squared trunk lengths) says no more
GAP_S = 0.5  # after a longer gap the past says nothing


def settle_sides(
    landmarks_px: np.ndarray, time_s: np.ndarray, before: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Landmarks with left and right settled over a stretch of one person's frames.

    Parameters
    ----------
    landmarks_px
        (n, 33, 2) as the network labelled them.
    time_s
        (n,) presentation times.
    before
        (33, 2) settled landmarks of the frame just before the stretch, or None.

    Returns
    -------
    settled
        (n, 33, 2), a new array.
    swapped
        (n, 2) bool: arms swapped, legs swapped.
    """
    settled = np.array(landmarks_px, float)
    swapped = np.zeros((len(settled), 2), bool)
    if not len(settled):
        return settled, swapped
    trunk = _trunk_length(settled)
    for group, pairs in enumerate((ARM_PAIRS, LEG_PAIRS)):
        states = _best_states(settled[:, pairs], time_s, trunk=trunk, before=_pick(before, pairs))
        moved = np.concatenate([pairs, _EXTRA_ARM_PAIRS]) if group == 0 else pairs
        rows = np.flatnonzero(states)
        for left, right in moved:
            settled[rows, left], settled[rows, right] = (
                settled[rows, right],
                settled[rows, left].copy(),
            )
        swapped[:, group] = states.astype(bool)
    return settled, swapped


def _pick(before: np.ndarray | None, pairs: np.ndarray) -> np.ndarray | None:
    return None if before is None else np.asarray(before, float)[pairs]


def _trunk_length(landmarks_px: np.ndarray) -> float:
    shoulders = landmarks_px[:, [11, 12]].mean(axis=1)
    hips = landmarks_px[:, [23, 24]].mean(axis=1)
    length = np.linalg.norm(shoulders - hips, axis=1)
    return float(max(np.nanmedian(length), 1.0)) if np.isfinite(length).any() else 1.0


def _best_states(
    pairs_px: np.ndarray, time_s: np.ndarray, *, trunk: float, before: np.ndarray | None
) -> np.ndarray:
    """(n,) 0 for "as labelled", 1 for "swapped"; pairs_px is (n, k, 2 sides, 2)."""
    n = len(pairs_px)
    points = pairs_px / trunk
    stay = _move(points[:-1], points[1:])
    turn = _move(points[:-1], points[1:, :, ::-1])
    fresh = np.diff(time_s) > GAP_S
    stay[fresh] = turn[fresh] = 0
    step = np.array([0.0, SWAP_COST])
    cost = step.copy()
    if before is not None:
        past = before[None] / trunk
        cost += np.array([_move(past, points[:1])[0], _move(past, points[:1, :, ::-1])[0]])
    back = np.zeros((n, 2), int)
    for t in range(1, n):
        paths = cost[:, None] + [[stay[t - 1], turn[t - 1]], [turn[t - 1], stay[t - 1]]]
        back[t] = paths.argmin(axis=0)
        cost = paths.min(axis=0) + step
    states = np.zeros(n, int)
    states[-1] = cost.argmin()
    for t in range(n - 1, 0, -1):
        states[t - 1] = back[t, states[t]]
    return states


def _move(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    squared = ((a - b) ** 2).sum(axis=-1)
    return np.nan_to_num(np.minimum(squared, MOVE_CAP), nan=0.0).sum(axis=(1, 2))
