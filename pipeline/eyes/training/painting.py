"""Balls, and what only looks like one, painted onto neighbouring frames."""

import cv2
import numpy as np

__all__ = ["Painted", "paint_balls", "paint_distractors"]

_STEPS_PER_PX = 1.5


class Painted(list):
    """Labels of painted balls: dicts with ``ends`` (2, 2), ``middle`` (2,) and ``radius``."""


def _smear(
    frame: np.ndarray, path: np.ndarray, radius: float, colour: np.ndarray, shade: float
) -> None:
    """Paint a disc that travels along (n, 2) path points while the shutter is open."""
    margin = radius + 2
    low = np.floor(path.min(axis=0) - margin).astype(int)
    high = np.ceil(path.max(axis=0) + margin).astype(int) + 1
    low, high = np.maximum(low, 0), np.minimum(high, frame.shape[1::-1])
    if (high <= low).any():
        return
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]))
    cover = np.zeros(x.shape)
    light = np.zeros(x.shape)
    for point in path:
        dx, dy = (x - point[0]) / radius, (y - point[1]) / radius
        disc = np.clip((1 - np.hypot(dx, dy)) * radius + 0.5, 0, 1)
        cover += disc
        # Lit from above: the lower half of a ball is darker.
        light += disc * (1 - shade * np.clip(0.5 + 0.6 * dy, 0, 1))
    light = light / np.maximum(cover, 1e-6)
    cover = (cover / len(path))[..., None]
    part = frame[low[1] : high[1], low[0] : high[0]]
    mixed = part * (1 - cover) + np.clip(colour * light[..., None], 0, 255) * cover
    frame[low[1] : high[1], low[0] : high[0]] = np.round(mixed).astype(np.uint8)


def _colour(rng: np.random.Generator) -> np.ndarray:
    """BGR of a ball: yellow, lime, orange, or nearly white where the light is strong."""
    base = np.array(
        [(60, 225, 235), (70, 235, 195), (40, 140, 245), (190, 250, 250), (230, 245, 245)][
            int(rng.integers(5))
        ]
    )
    return np.clip(base * np.exp(rng.normal(-0.12, 0.3)) + rng.normal(0, 12, 3), 0, 255)


def paint_balls(
    frames: np.ndarray, rng: np.random.Generator, *, count: int, steps: np.ndarray
) -> Painted:
    """Paint moving balls into (n, h, w, 3) uint8 frames, in place; their labels are returned.

    ``steps`` (n,) are the frames' places from the one in question, whose is 0.
    """
    height, width = frames.shape[1:3]
    found = Painted()
    for _ in range(count):
        radius = float(np.exp(rng.uniform(np.log(1.4), np.log(11))))
        middle = rng.uniform(0.06, 0.94, 2) * [width, height]
        heading = rng.uniform(0, 2 * np.pi)
        step_px = float(np.exp(rng.uniform(np.log(0.8), np.log(7 * radius + 40))))
        step = step_px * np.array([np.cos(heading), np.sin(heading)])
        bend = rng.normal(0, 0.05 * step_px + 0.2, 2)
        breaks = rng.uniform() < 0.12
        after = step.copy()
        if breaks:
            turn = rng.uniform(0, 2 * np.pi)
            after = step_px * rng.uniform(0.5, 1.6) * np.array([np.cos(turn), np.sin(turn)])
        open_share = float(np.exp(rng.uniform(np.log(0.03), np.log(0.9))))
        colour, shade = _colour(rng), rng.uniform(0.1, 0.75)

        def place(u, middle=middle, step=step, after=after, bend=bend):
            u = np.asarray(u, float)[:, None]
            return middle + np.where(u < 0, u * step, u * after) + bend * u * u

        ends = None
        for k, u in enumerate(steps.astype(float)):
            span = open_share * 0.5
            count_steps = int(np.clip(open_share * step_px * _STEPS_PER_PX, 1, 60)) + 1
            path = place(np.linspace(u - span, u + span, count_steps))
            _smear(frames[k], path, radius, colour, shade)
            if u == 0:
                ends = place([u - span, u + span])
        found.append({"ends": ends, "middle": middle, "radius": radius})
    return found


def paint_distractors(
    frames: np.ndarray, rng: np.random.Generator, *, steps: np.ndarray
) -> None:
    """Still discs and lamps, dead balls, and big, dark or ragged things that move, in place."""
    height, width = frames.shape[1:3]
    for _ in range(int(rng.integers(0, 5))):
        middle = rng.uniform(0, 1, 2) * [width, height]
        radius = float(np.exp(rng.uniform(np.log(1.5), np.log(20))))
        colour = _colour(rng) if rng.uniform() < 0.6 else rng.uniform(0, 255, 3)
        for frame in frames:
            _smear(frame, middle[None], radius, colour, rng.uniform(0, 0.1))
    for _ in range(int(rng.integers(0, 3))):
        _moving_patch(frames, rng, steps)


def _moving_patch(frames: np.ndarray, rng: np.random.Generator, steps: np.ndarray) -> None:
    """A limb-like or leaf-like thing that moves: a polygon many ball widths across."""
    height, width = frames.shape[1:3]
    middle = rng.uniform(0, 1, 2) * [width, height]
    size = float(np.exp(rng.uniform(np.log(9), np.log(70))))
    turn = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 9))))
    shape = np.stack([np.cos(turn), np.sin(turn)], 1) * rng.uniform(0.5, 1.0, (len(turn), 1))
    shape *= size * np.array([1.0, rng.uniform(0.2, 1.0)])
    step, spin = rng.normal(0, 6, 2), rng.normal(0, 0.12)
    colour = rng.uniform(0, 255, 3)
    soft = rng.uniform(0.3, 3)
    for u, frame in zip(steps, frames, strict=True):
        angle = u * spin
        rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        points = middle + u * step + shape @ rotation.T
        mask = np.zeros((height, width), np.float32)
        cv2.fillPoly(mask, [np.round(points * 8).astype(np.int32)], 1.0, cv2.LINE_AA, 3)
        mask = cv2.GaussianBlur(mask, (0, 0), soft)[..., None]
        frame[:] = np.round(frame * (1 - mask) + colour * mask).astype(np.uint8)
