"""What a person wears: read off the body's own pixels, and remembered."""

from dataclasses import dataclass, field

import cv2
import numpy as np

from paddlebrief.pose_net import Pose

__all__ = ["Clothes", "look_lab", "looks_apart"]

_SHOULDERS, _HIPS, _KNEES = (11, 12), (23, 24), (25, 26)
_ARMS = ((11, 13), (13, 15), (12, 14), (14, 16))
_SURE = 0.6  # of a pixel, to be the person's
_TRUNK_WIDE, _THIGH_WIDE, _ARM_WIDE = 0.34, 0.2, 0.14  # in trunk lengths, within clothes
_FEWEST_PIXELS = 12
_SIDE_PX = 128  # of the crop that is looked at

_LONGEST = 300.0  # looks that a memory weighs at most, so that it follows the light
_MOMENT = 5.0  # looks that make a moment
_ENOUGH = 6.0  # looks from which clothes are known


def _unknown() -> np.ndarray:
    return np.full(6, np.nan)


@dataclass(kw_only=True)
class Clothes:
    """What one person wears.

    Attributes
    ----------
    known_lab, looks
        (6,) CIE L*a*b* of shirt and legs as learnt where nobody else was near, NaN where never
        seen, and the number of looks behind it.
    lately_lab
        (6,) the same over the last few looks, whoever was near.
    """

    known_lab: np.ndarray = field(default_factory=_unknown)
    looks: float = 0.0
    lately_lab: np.ndarray = field(default_factory=_unknown)

    @property
    def known(self) -> bool:
        """Whether there have been looks enough to tell the person by clothes."""
        return self.looks >= _ENOUGH

    def note(self, look: np.ndarray, *, alone: bool) -> None:
        """Take a look (6,) in; ``alone`` when it can be nobody else's."""
        self.lately_lab = _blend(self.lately_lab, look, 1 / _MOMENT)
        if alone and np.isfinite(look).any():
            self.looks = min(self.looks + 1, _LONGEST)
            self.known_lab = _blend(self.known_lab, look, 1 / self.looks)

    def apart(self, look: np.ndarray) -> float:
        """Colour distance of a look (6,) from what is known; NaN where nothing is."""
        return float(looks_apart(self.known_lab, look))


def look_lab(picture_bgr: np.ndarray, pose: Pose) -> np.ndarray:
    """(6,) CIE L*a*b* of shirt and legs in a picture (h, w, 3), medians over the person's pixels.

    Pixels count where the network's mask says person: along the middle of the trunk without the
    arms, and along both thighs. A part with too few pixels is NaN. A trunk seen from the
    side is as wide as one seen from behind here; the four landmarks of the trunk then enclose next
    to nothing.
    """
    matrix = pose.crop.to_crop(_SIDE_PX)
    points = pose.landmarks_px @ matrix[:, :2].T + matrix[:, 2]
    shoulders, hips = points[list(_SHOULDERS)].mean(axis=0), points[list(_HIPS)].mean(axis=0)
    length = float(np.hypot(*(hips - shoulders)))
    if not 4.0 < length < 4 * _SIDE_PX:
        return _unknown()
    every = pose.mask.shape[0] // _SIDE_PX
    own = (pose.mask[::every, ::every] > _SURE).astype(np.uint8)
    low, high = shoulders + 0.15 * (hips - shoulders), shoulders + 0.85 * (hips - shoulders)
    shirt = _lines(own.shape, [(low, high)], _TRUNK_WIDE * length)
    shirt &= ~_lines(own.shape, [points[list(a)] for a in _ARMS], _ARM_WIDE * length)
    thighs = [
        (points[h] + 0.15 * (points[k] - points[h]), points[h] + 0.8 * (points[k] - points[h]))
        for h, k in zip(_HIPS, _KNEES, strict=True)
    ]
    legs = _lines(own.shape, thighs, _THIGH_WIDE * length)
    square = cv2.warpAffine(picture_bgr, matrix, own.shape, flags=cv2.INTER_NEAREST)
    return np.concatenate([_median_lab(square, own & part) for part in (shirt, legs)])


def looks_apart(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Colour distance (CIE 1976) of looks (..., 6): root mean square of the known parts.

    NaN where no part is known on both sides.
    """
    parts = np.square(np.asarray(a) - b).reshape(*np.broadcast_shapes(a.shape, b.shape)[:-1], 2, 3)
    squares = parts.sum(axis=-1)
    known = np.isfinite(squares)
    count = known.sum(axis=-1)
    total = np.where(known, squares, 0.0).sum(axis=-1)
    return np.where(count > 0, np.sqrt(total / np.maximum(count, 1)), np.nan)


def _lines(shape: tuple[int, int], lines, wide_px: float) -> np.ndarray:
    drawn = np.zeros(shape, np.uint8)
    for a, b in lines:
        start, end = np.round(a).astype(int).tolist(), np.round(b).astype(int).tolist()
        cv2.line(drawn, start, end, 1, thickness=max(1, round(wide_px)))
    return drawn


def _median_lab(square_bgr: np.ndarray, mask: np.ndarray) -> np.ndarray:
    pixels = square_bgr[mask > 0]
    if len(pixels) < _FEWEST_PIXELS:
        return np.full(3, np.nan)
    pixels = pixels[None].astype(np.float32) / 255
    return np.median(cv2.cvtColor(pixels, cv2.COLOR_BGR2LAB)[0], axis=0)


def _blend(old: np.ndarray, new: np.ndarray, share: float) -> np.ndarray:
    mixed = np.where(np.isfinite(old), (1 - share) * old + share * new, new)
    return np.where(np.isfinite(new), mixed, old)
