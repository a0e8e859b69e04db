"""What a training sample of each network is: a square picture and the labels in it."""

from dataclasses import dataclass

import numpy as np

from paddlebrief.eyes.crops import Square

__all__ = [
    "BODY_HEIGHTS", "CROP_PX", "FRAME_LONG_PX", "HIDDEN", "MIDDLE", "SEEN", "BallSample",
    "PaddleSample", "ball_boxes", "empty", "grown", "paddle_boxes", "paddle_sample",
]  # fmt: skip

CROP_PX = 320
BODY_HEIGHTS = 0.8
"""Side of a crop round a hand, in body heights."""
FRAME_LONG_PX = 1280
"""Longer side of the frames that the ball net sees; larger recordings are shrunk to it."""
MIDDLE = 2
"""Place of the frame in question among the five that the ball net sees."""
SEEN, HIDDEN = 0.4, 0.1
"""Shares of a thing in view from which on it must be found, and up to which it must not be."""

_MOST_PADDLES = 3
_THINNEST, _ROOM = 0.4, 0.12  # of a paddle's box, of its longer side
_SMALLEST_PX = {"paddle": 16.0, "ball": 14.0}


@dataclass(frozen=True)
class PaddleSample:
    """A crop (320, 320, 3) uint8 BGR and the paddles in it.

    ``kinds`` (n,), ``boxes`` (n, 4) x0 y0 x1 y1, ``keypoints`` (n, 5, 3) in crop pixels, and
    ``cosines`` (n,) between the front face's normal and the way to the eye.
    """

    picture: np.ndarray
    kinds: np.ndarray
    boxes: np.ndarray
    keypoints: np.ndarray
    cosines: np.ndarray


@dataclass(frozen=True)
class BallSample:
    """A tile (320, 320, 5) uint8, grey frames in order of time, and the balls that move in it.

    The middle frame is the one in question; `ball_net.BallNet.look` says which the others are.

    ``boxes`` (n, 4) and ``ends`` (n, 2, 2), the streak's start and end, in tile pixels, and
    ``radii`` (n,).
    """

    picture: np.ndarray
    boxes: np.ndarray
    ends: np.ndarray
    radii: np.ndarray


def grown(low, high, *, least, margin):
    """Corners of boxes, arrays or tensors (…, 2), with room and at least so long a side.

    A network's score follows the overlap of its box with the labelled one: of a tight box round
    a paddle seen edge-on or a small ball a pixel's error leaves half.
    """
    more = (least - (high - low)).clip(min=0) / 2 + margin
    return low - more, high + more


def paddle_boxes(low, high, longest):
    """Boxes round the keypoints' corners ``low`` and ``high``, the longer side being given."""
    least = (_THINNEST * longest).clip(min=_SMALLEST_PX["paddle"])
    return grown(low, high, least=least, margin=_ROOM * longest)


def ball_boxes(low, high, radius):
    """Boxes round streaks whose centre runs between the corners ``low`` and ``high``."""
    low, high = low - radius - 1, high + radius + 1
    return grown(low, high, least=_SMALLEST_PX["ball"], margin=0.0)


def empty(picture: np.ndarray) -> PaddleSample:
    """A crop without a paddle."""
    return PaddleSample(
        picture, np.zeros(0, int), np.zeros((0, 4)), np.zeros((0, 5, 3)), np.zeros(0)
    )


def paddle_sample(picture: np.ndarray, square: Square, labels: list[dict]) -> PaddleSample | None:
    """The crop with its paddles; None when one is half hidden or half outside."""
    matrix = square.matrix(CROP_PX)
    kept = []
    for label in labels:
        keypoints = label["keypoints"].copy()
        keypoints[:, :2] = keypoints[:, :2] * np.diag(matrix) + matrix[:, 2]
        if square.mirrored:
            keypoints = keypoints[[0, 1, 2, 4, 3]]
        inside = ((keypoints[:, :2] >= 0) & (keypoints[:, :2] <= CROP_PX - 1)).all(axis=1)
        if not inside.any() or label["seen"] < HIDDEN:
            continue
        if inside.mean() < 0.6 or label["seen"] < SEEN:
            return None
        keypoints[~inside, 2] = 0
        low, high = keypoints[:, :2].min(axis=0), keypoints[:, :2].max(axis=0)
        box = np.concatenate(paddle_boxes(low, high, (high - low).max()))
        kept.append((label["kind"], np.clip(box, 0, CROP_PX - 1), keypoints, label["cosine"]))
    if not kept:
        return empty(picture)
    kinds, boxes, keypoints, cosines = zip(*kept[:_MOST_PADDLES], strict=True)
    return PaddleSample(
        picture, np.array(kinds), np.stack(boxes), np.stack(keypoints), np.array(cosines)
    )
