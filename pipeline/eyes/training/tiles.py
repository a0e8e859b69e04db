"""Tiles of three neighbouring frames for the ball net."""

import cv2
import numpy as np

from paddlebrief.eyes.training.examples import CROP_PX, BallSample, ball_boxes
from paddlebrief.eyes.training.painting import Painted, paint_balls, paint_distractors
from paddlebrief.eyes.training.photographs import Photographs
from paddlebrief.eyes.training.spoil import spoil_colours, spoil_frames

__all__ = ["ball_tile", "stands_out"]

_MOST_BALLS = 8
_LEAST_CONTRAST = 5.0  # grey levels; what is fainter is no fair question
_SHAKE_PX = 0.9


def ball_tile(
    part: np.ndarray,
    shown: list[dict],
    corner: tuple[int, int],
    *,
    photographs: Photographs,
    rng: np.random.Generator,
) -> BallSample:
    """A sample from a part (3, s, s, 3) of three frames whose upper left corner is ``corner``.

    ``shown`` are the labels of the balls in it, in picture pixels. Balls and distractors are
    painted into some tiles, and some are photographs.
    """
    part = part.copy()
    tile = part.shape[1]
    factor = CROP_PX / tile
    painted = Painted()
    if len(photographs) and rng.uniform() < 0.12:
        part = np.stack([photographs.piece(tile, rng)] * 3)
        shown = []
    if rng.uniform() < (0.15 if shown else 0.4):
        paint_distractors(part, rng)
        # What was painted may hide a ball of the scene: such tiles keep painted balls only.
        if shown:
            part, shown = part[[0, 0, 0]].copy(), []
    if rng.uniform() < (0.12 if shown else 0.5):
        painted = paint_balls(part, rng, count=int(rng.integers(1, 4)))
    part = spoil_colours(part, rng)
    if factor != 1:
        part = np.stack(
            [cv2.resize(f, (CROP_PX, CROP_PX), interpolation=cv2.INTER_AREA) for f in part]
        )
    part = spoil_frames(part, rng)
    moved = rng.normal(0, _SHAKE_PX, (3, 2)) * (rng.uniform() < 0.3)
    moved[1] = 0
    grey = [cv2.cvtColor(f, cv2.COLOR_BGR2GRAY) for f in part]
    for k in (0, 2):
        if moved[k].any():
            matrix = np.array([[1, 0, moved[k, 0]], [0, 1, moved[k, 1]]])
            grey[k] = cv2.warpAffine(
                grey[k], matrix, (CROP_PX, CROP_PX), borderMode=cv2.BORDER_REPLICATE
            )
    ends = [b["ends"] - corner for b in shown] + [b["ends"] for b in painted]
    radii = [b["radius"] for b in shown] + [b["radius"] for b in painted]
    ends = ((np.array(ends).reshape(-1, 2, 2) + 0.5) * factor - 0.5)[:_MOST_BALLS]
    radii = np.array(radii)[:_MOST_BALLS] * factor
    boxes = ball_boxes(ends.min(axis=1), ends.max(axis=1), radii[:, None])
    return BallSample(np.stack(grey, axis=-1), np.concatenate(boxes, axis=1), ends, radii)


def stands_out(frames: np.ndarray, ends: np.ndarray, radius: float) -> bool:
    """True when the middle frame differs from both others where the ball is, beyond the noise."""
    box = np.concatenate([ends.min(axis=0) - radius - 1, ends.max(axis=0) + radius + 1])
    x0, y0, x1, y1 = np.clip(np.round(box), 0, CROP_PX - 1).astype(int)
    part = frames[y0 : y1 + 1, x0 : x1 + 1].astype(float)
    soft = np.stack([cv2.blur(part[..., k], (2, 2)) for k in range(3)])
    return bool(np.abs(soft[1] - (soft[0] + soft[2]) / 2).max() >= _LEAST_CONTRAST)
