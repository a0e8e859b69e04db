"""Takes a shaken camera's movement off the places of balls.

A solved camera describes the middle of a shaken picture's places. Frames are compared with the
first one that was looked at; the mean of their movements says where the middle lies.
"""

import numpy as np

from paddlebrief.court.movement import movement_between

__all__ = ["STEADIED_PX_SHARE", "Steadier"]

STEADIED_PX_SHARE = 0.0003
"""Standard deviation of what movement is left, picture widths a coordinate (rendered sessions)."""

_STAY = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


class Steadier:
    """Movements of frames against the first one, in the order they were given."""

    def __init__(self) -> None:
        self._reference: np.ndarray | None = None
        self._maps: list[np.ndarray] = []

    def add(self, picture_bgr: np.ndarray) -> None:
        """Compare the next frame; one that matches nothing is taken to lie like the last."""
        if self._reference is None:
            self._reference = picture_bgr
            self._maps.append(_STAY)
            return
        moved = movement_between(self._reference, picture_bgr)
        self._maps.append(self._maps[-1] if moved is None else moved.onto)

    def steadied(self, px: np.ndarray, number: np.ndarray) -> np.ndarray:
        """(n, 2) places in the middle picture.

        Parameters
        ----------
        px
            (n, 2) places in frames.
        number
            (n,) int, place of each one's frame among those added.
        """
        if len(self._maps) == 0:
            return px
        maps = np.array(self._maps)
        inverse = np.linalg.inv(maps[:, :, :2])
        middle = inverse.mean(axis=0)
        shift = -np.einsum("nij,nj->ni", inverse, maps[:, :, 2]).mean(axis=0)
        at_first = np.einsum("nij,nj->ni", maps[number, :, :2], px) + maps[number, :, 2]
        return at_first @ middle.T + shift
