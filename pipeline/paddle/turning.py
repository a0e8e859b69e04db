"""Rotations of many things at once: exponential, logarithm and the derivatives of the latter.

Rotation vectors act from the left: a small one ``d`` turns ``R`` into ``exp(d) R``. Formulas as in
any text on SO(3) (Solà, Deray & Atchuthan 2018, "A micro Lie theory"; from memory).
"""

import numpy as np
from scipy.spatial.transform import Rotation

__all__ = ["angle_between", "cross_matrix", "exp", "log", "log_derivatives"]


def exp(vectors: np.ndarray) -> np.ndarray:
    """(…, 3, 3) rotations of (…, 3) rotation vectors."""
    vectors = np.asarray(vectors, float)
    return Rotation.from_rotvec(vectors.reshape(-1, 3)).as_matrix().reshape(*vectors.shape, 3)


def log(rotations: np.ndarray) -> np.ndarray:
    """(…, 3) rotation vectors, at most π long, of (…, 3, 3) rotations."""
    rotations = np.asarray(rotations, float)
    flat = Rotation.from_matrix(rotations.reshape(-1, 3, 3)).as_rotvec()
    return flat.reshape(rotations.shape[:-1])


def cross_matrix(vectors: np.ndarray) -> np.ndarray:
    """(…, 3, 3) matrices that form the cross product with (…, 3) vectors from the left."""
    x, y, z = np.moveaxis(np.asarray(vectors, float), -1, 0)
    zero = np.zeros_like(x)
    rows = [[zero, -z, y], [z, zero, -x], [-y, x, zero]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def log_derivatives(steps: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How log(exp(b) E exp(−a)) follows small b and −a, for E with logarithms (…, 3) ``steps``.

    Returns
    -------
    by_later, by_earlier
        (…, 3, 3) each, the inverse left and right Jacobians to second order.
    """
    half = cross_matrix(steps) / 2
    square = np.eye(3) + half @ half / 3
    return square - half, square + half


def angle_between(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """(…,) angle of the turn from one rotation to another, radians; shapes broadcast."""
    trace = np.sum(a * b, axis=(-2, -1))
    return np.arccos(np.clip((trace - 1) / 2, -1, 1))
