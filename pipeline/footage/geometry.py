"""How a stored picture becomes the upright picture with square pixels that people see."""

from dataclasses import dataclass
from fractions import Fraction

import cv2
import numpy as np

__all__ = ["PictureGeometry"]

_SQUARE_ENOUGH = Fraction(1, 100)
"""Pixels this near to square are left alone: phones state 4320:4321 after rounding."""


@dataclass(frozen=True, kw_only=True)
class PictureGeometry:
    """The quarter turn, mirroring and pixel shape that a container states for its pictures.

    Attributes
    ----------
    stored_width_px, stored_height_px
        Size of the pictures as they are decoded.
    swap_axes, flip_x, flip_y
        Transpose first, then mirror left-right and top-bottom.
    pixel_aspect
        Width of a stored pixel over its height.
    """

    stored_width_px: int
    stored_height_px: int
    swap_axes: bool = False
    flip_x: bool = False
    flip_y: bool = False
    pixel_aspect: Fraction = Fraction(1)

    @classmethod
    def from_stream(cls, stream: dict) -> "PictureGeometry":
        """Take the geometry from a video stream as ffprobe describes it.

        The display matrix sends a stored point (x, y) to (a x + c y, b x + d y), in fixed-point
        numbers (ISO/IEC 14496-12, track header, from memory). Turns that are no quarter turns
        are taken as the nearest one.
        """
        a, b, c, d = _matrix(stream)
        swap = abs(b) + abs(c) > abs(a) + abs(d)
        return cls(
            stored_width_px=stream["width"],
            stored_height_px=stream["height"],
            swap_axes=swap,
            flip_x=(c if swap else a) < 0,
            flip_y=(b if swap else d) < 0,
            pixel_aspect=_pixel_aspect(stream),
        )

    @property
    def rotation_deg(self) -> int:
        """Clockwise turn that makes the stored picture upright: 0, 90, 180 or 270.

        Of a mirrored picture it is the turn before left and right are exchanged.
        """
        if self.swap_axes:
            return 90 if not self.flip_y else 270
        return 180 if self.flip_y else 0

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the upright picture."""
        width = round(self.stored_width_px * self.pixel_aspect)
        height = self.stored_height_px
        return (height, width) if self.swap_axes else (width, height)

    def upright(self, stored: np.ndarray) -> np.ndarray:
        """Turn a stored picture (h, w, 3) into the upright one with square pixels.

        Returns
        -------
        ndarray (height, width, 3) uint8
            Of `size_px`; the array itself when nothing is to be done.
        """
        if self.pixel_aspect != 1:
            width = round(self.stored_width_px * self.pixel_aspect)
            stored = cv2.resize(stored, (width, self.stored_height_px))
        if self.swap_axes:
            stored = cv2.transpose(stored)
        if self.flip_x or self.flip_y:
            code = -1 if self.flip_x and self.flip_y else int(self.flip_x)
            stored = cv2.flip(stored, code)
        return stored


def _matrix(stream: dict) -> tuple[int, int, int, int]:
    for data in stream.get("side_data_list", []):
        if "displaymatrix" in data:
            rows = [
                line.split(":")[1].split() for line in data["displaymatrix"].split("\n") if line
            ]
            return int(rows[0][0]), int(rows[0][1]), int(rows[1][0]), int(rows[1][1])
    return 1, 0, 0, 1


def _pixel_aspect(stream: dict) -> Fraction:
    wide, _, high = stream.get("sample_aspect_ratio", "1:1").partition(":")
    if int(wide) <= 0 or int(high or 0) <= 0:
        return Fraction(1)
    aspect = Fraction(int(wide), int(high))
    return Fraction(1) if abs(aspect - 1) < _SQUARE_ENOUGH else aspect
