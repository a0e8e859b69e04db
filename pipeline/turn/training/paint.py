"""Colours and patterns far beyond real ones, so that no network learns to lean on real ones."""

import numpy as np

__all__ = ["painted"]

_COLOUR, _SECOND, _PATTERN, _SCALE_M, _WRINKLE, _SHINE = slice(0, 3), slice(4, 7), 8, 9, 10, 11
_PATTERNS = 9


def painted(materials: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Materials as ``dress.Material.row`` gives them, (M, 12), painted over at random.

    Two fifths are only made lighter or darker, each part by itself; of the others every part,
    skin and hair too, gets colours and a pattern of its own.
    """
    rows = np.array(materials, np.float32)
    count = len(rows)
    if rng.uniform() < 0.4:
        gain = np.exp(rng.normal(0, 0.45, (count, 1)))
        rows[:, _COLOUR] = np.clip(rows[:, _COLOUR] * gain, 0, 1)
        rows[:, _SECOND] = np.clip(rows[:, _SECOND] * gain, 0, 1)
        return rows
    for part in (_COLOUR, _SECOND):
        level = np.exp(rng.uniform(np.log(0.01), np.log(0.95), (count, 1)))
        rows[:, part] = np.clip(level * np.exp(rng.normal(0, 0.3, (count, 3))), 0.003, 1)
    rows[:, _PATTERN] = np.where(
        rng.uniform(size=count) < 0.45, rng.integers(0, _PATTERNS, count), 0
    )
    rows[:, _SCALE_M] = np.exp(rng.uniform(np.log(0.015), np.log(0.4), count))
    rows[:, _WRINKLE] = rng.uniform(0, 1.3, count)
    rows[:, _SHINE] = rng.exponential(0.1, count)
    return rows
