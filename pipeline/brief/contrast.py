"""How well two colours stay apart for colour-blind readers and in black and white."""

from itertools import combinations

import numpy as np

__all__ = ["VISION", "contrast", "linear_rgb", "luminance", "worst_contrast"]

# Machado, Oliveira & Fernandes 2009 (IEEE TVCG 15:1291), severity 1.0, on linear RGB; constants
# from memory, their rows sum to 1 so that white stays white.
VISION: dict[str, np.ndarray] = {
    "full colour vision, and greyscale print": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritanopia": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
"""Kinds of vision by name, as (3, 3) matrices on linear RGB."""


def linear_rgb(colour: str) -> np.ndarray:
    """Linear red, green and blue of a ``#rrggbb`` colour, (3,) from 0 to 1 (IEC 61966-2-1)."""
    coded = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def luminance(rgb: np.ndarray) -> float:
    """Relative luminance of (3,) linear RGB, 0 to 1, as WCAG 2.2 defines it."""
    return float(np.clip(rgb, 0, 1) @ (0.2126, 0.7152, 0.0722))


def contrast(first: str, second: str, *, vision: str = next(iter(VISION))) -> float:
    """Contrast ratio of two ``#rrggbb`` colours, 1 to 21 (WCAG 2.2), under one kind of vision.

    A greyscale print keeps relative luminance, so full colour vision stands for it as well.
    """
    low, high = sorted(luminance(VISION[vision] @ linear_rgb(c)) for c in (first, second))
    return (high + 0.05) / (low + 0.05)


def worst_contrast(colours: dict[str, str]) -> tuple[float, str]:
    """Least contrast between any two named colours under any kind of vision.

    Returns
    -------
    tuple of float and str
        The ratio, and a phrase naming the two and the vision; infinity and an empty phrase for
        fewer than two colours.
    """
    found = [
        (contrast(colours[a], colours[b], vision=vision), f"{a} and {b} in {vision}")
        for a, b in combinations(colours, 2)
        for vision in VISION
    ]
    return min(found, default=(float("inf"), ""))
