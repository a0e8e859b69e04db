"""Tiles of five frames for the ball net."""

import cv2
import numpy as np

from paddlebrief.eyes.training.examples import CROP_PX, MIDDLE, BallSample, ball_boxes
from paddlebrief.eyes.training.painting import Painted, paint_balls, paint_distractors
from paddlebrief.eyes.training.photographs import Photographs
from paddlebrief.eyes.training.spoil import spoil_colours, spoil_frames

__all__ = ["ball_tile", "stands_out"]

_MOST_BALLS = 8
_LEAST_CONTRAST = 5.0  # grey levels; what is fainter is no fair question
_SHAKE_PX, _DRIFT_PX = 0.4, 0.7  # a shaken camera: of each frame, and a frame interval
_MOST_DRIFT = 4


def ball_tile(
    part: np.ndarray,
    shown: list[dict],
    corner: tuple[int, int],
    *,
    steps: np.ndarray,
    photographs: Photographs,
    rng: np.random.Generator,
) -> BallSample:
    """A sample from a part (5, s, s, 3) of five frames whose upper left corner is ``corner``.

    ``shown`` are the labels of the balls in it, in picture pixels; ``steps`` are the frames'
    places from the middle one. Balls and distractors are painted into some tiles, and some are
    photographs.
    """
    part = part.copy()
    tile = part.shape[1]
    factor = CROP_PX / tile
    painted = Painted()
    if len(photographs) and rng.uniform() < 0.12:
        part = np.stack([photographs.piece(tile, rng)] * len(part))
        shown = []
    if rng.uniform() < (0.15 if shown else 0.4):
        paint_distractors(part, rng, steps=steps)
        # What was painted may hide a ball of the scene: such tiles keep painted balls only.
        if shown:
            part, shown = np.stack([part[0]] * len(part)), []
    if rng.uniform() < (0.12 if shown else 0.5):
        painted = paint_balls(part, rng, count=int(rng.integers(1, 4)), steps=steps)
    part = spoil_colours(part, rng)
    if factor != 1:
        part = np.stack(
            [cv2.resize(f, (CROP_PX, CROP_PX), interpolation=cv2.INTER_AREA) for f in part]
        )
    part = spoil_frames(part, rng)
    moved = _shaken(steps, rng) if rng.uniform() < 0.3 else np.zeros((len(part), 2))
    grey = [cv2.cvtColor(f, cv2.COLOR_BGR2GRAY) for f in part]
    for k in range(len(part)):
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


def _shaken(steps: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """(5, 2) pixels by which a shaken camera moves the frames against the middle one."""
    drift = rng.normal(0, _DRIFT_PX, 2) * np.clip(steps, -_MOST_DRIFT, _MOST_DRIFT)[:, None]
    moved = drift + rng.normal(0, _SHAKE_PX, (len(steps), 2))
    moved[MIDDLE] = 0
    return moved


def stands_out(frames: np.ndarray, ends: np.ndarray, radius: float) -> bool:
    """True when the middle frame differs from a pair of others where the ball is."""
    box = np.concatenate([ends.min(axis=0) - radius - 1, ends.max(axis=0) + radius + 1])
    x0, y0, x1, y1 = np.clip(np.round(box), 0, CROP_PX - 1).astype(int)
    part = frames[y0 : y1 + 1, x0 : x1 + 1].astype(float)
    soft = np.stack([cv2.blur(part[..., k], (2, 2)) for k in range(part.shape[-1])])
    others = [(soft[k] + soft[-1 - k]) / 2 for k in range(MIDDLE)]
    return bool(np.abs(soft[MIDDLE] - others).max() >= _LEAST_CONTRAST)
