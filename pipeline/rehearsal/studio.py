"""Small pictures of single bodies, many at once, with mask and distance: training material."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from paddlebrief.rehearsal.drawing import ActorBuffers, Drawing, PropBuffers, clip_matrix
from paddlebrief.rehearsal.dress import Dressed
from paddlebrief.rehearsal.gear import Prop
from paddlebrief.rehearsal.shadows import ShadowMap
from paddlebrief.rehearsal.venue import Light

__all__ = ["PADDLE_LABEL", "Shot", "Shots", "Studio"]

PADDLE_LABEL = 255


@dataclass(frozen=True, kw_only=True)
class Shot:
    """One picture to take.

    Attributes
    ----------
    actor
        Number of the body in the studio's cast.
    positions_m, rotations
        (m, J, 3) and (m, J, 3, 3): m moments inside the exposure, as ``Body.joints`` gives.
    eye_m, view
        (3,) place of the camera and (3, 3) rotation into the camera frame (x right, y down).
    matrix
        (3, 3) intrinsic matrix in pixels of the small picture.
    light
        Light of the picture.
    paddle, paddle_poses
        Number of a paddle and its (m, 4, 4) poses, or None.
    """

    actor: int
    positions_m: np.ndarray
    rotations: np.ndarray
    eye_m: np.ndarray
    view: np.ndarray
    matrix: np.ndarray
    light: Light
    paddle: int | None = None
    paddle_poses: np.ndarray | None = None


@dataclass(frozen=True, kw_only=True)
class Shots:
    """What was taken.

    Attributes
    ----------
    colour
        (n, side, side, 4) uint8: sRGB red, green, blue (not multiplied by coverage) and coverage.
    distance_m
        (n, side, side) along the camera's axis; NaN where nothing is.
    label
        (n, side, side) uint8: 1 body, ``PADDLE_LABEL`` paddle, 0 nothing; the nearer of the two
        that covers most of the pixel.
    """

    colour: np.ndarray
    distance_m: np.ndarray
    label: np.ndarray


class Studio:
    """Takes small square pictures in batches.

    Parameters
    ----------
    side_px
        Side of a picture, pixels.
    columns, rows
        Pictures taken at once.
    """

    def __init__(
        self,
        drawing: Drawing,
        cast: Sequence[Dressed],
        paddles: Sequence[Prop] = (),
        *,
        side_px: int = 256,
        columns: int = 8,
        rows: int = 4,
    ) -> None:
        self._drawing, self._side, self._columns = drawing, side_px, columns
        self.batch = columns * rows
        self._actors = [ActorBuffers(drawing, d) for d in cast]
        self._paddles = [PropBuffers(drawing, p) for p in paddles]
        self._shadow = ShadowMap(drawing, 512, unit=6)
        context, size = drawing.context, (columns * side_px, rows * side_px)
        fine = [context.renderbuffer(size, 4, samples=4, dtype="f4") for _ in range(2)]
        self._fine = context.framebuffer(fine, context.depth_renderbuffer(size, samples=4))
        self._flat = context.framebuffer([context.texture(size, 4, dtype="f4") for _ in range(2)])
        self._sum = context.framebuffer([context.texture(size, 4, dtype="f4") for _ in range(2)])
        self._colour = context.framebuffer([context.texture(size, 4, dtype="f1")])
        self._size = size

    def shoot(self, shots: Sequence[Shot]) -> Shots:
        """Take any number of pictures; those of one batch must have equally many moments."""
        parts = [
            self._batch(shots[start : start + self.batch])
            for start in range(0, len(shots), self.batch)
        ]
        if not parts:
            side = self._side
            parts = [(np.empty((0, side, side, 4), np.uint8), np.empty((0, side, side, 4)))]
        colour, covered = (np.concatenate(p) for p in zip(*parts, strict=True))
        share = covered[..., 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            distance = np.where(share > 0.02, covered[..., 1] / share, np.nan)
            mean = np.where(share > 0.02, covered[..., 2] / share, 0.0)
        middle = (1 + PADDLE_LABEL) / 2
        label = np.where(share <= 0.5, 0, np.where(mean > middle, PADDLE_LABEL, 1))
        return Shots(colour=colour, distance_m=distance, label=label.astype(np.uint8))

    def _batch(self, shots: Sequence[Shot]) -> tuple[np.ndarray, np.ndarray]:
        context = self._drawing.context
        counts = {len(shot.positions_m) for shot in shots}
        if len(counts) != 1:
            raise ValueError(f"shots of a batch: expected equally many moments, got {counts}")
        (count,) = counts
        self._sum.use()
        self._sum.clear(0, 0, 0, 0)
        for moment in range(count):
            self._fine.use()
            self._fine.viewport = (0, 0, *self._size)
            self._fine.clear(0, 0, 0, 0)
            for place, shot in enumerate(shots):
                self._draw(shot, moment, place)
            context.copy_framebuffer(self._flat, self._fine)
            context.enable_only(context.BLEND)
            context.blend_func = context.ONE, context.ONE
            for k in range(2):
                self._flat.color_attachments[k].use(k)
            self._sum.use()
            self._drawing.full_pass("accumulate_two", colour=0, covered=1, share=1 / count)
        return self._read(len(shots))

    def _draw(self, shot: Shot, moment: int, place: int) -> None:
        drawing, context, actor = self._drawing, self._drawing.context, self._actors[shot.actor]
        drawing.light(shot.light, shot.eye_m)
        positions, rotations = shot.positions_m[moment], shot.rotations[moment]
        actor.pose(actor.dressed.body.skin_transforms(positions, rotations))
        box = np.stack([positions.min(axis=0) - 0.45, positions.max(axis=0) + 0.45])
        paddle = None if shot.paddle is None else self._paddles[shot.paddle]
        with self._shadow.over(box, shot.light):
            actor.draw("shadow", self._shadow.to_clip)
            if paddle is not None:
                paddle.draw_shadow(self._shadow.to_clip, shot.paddle_poses[moment])
        self._shadow.show(shot.light, still=False)
        side = self._side
        row, column = divmod(place, self._columns)
        self._fine.viewport = (column * side, row * side, side, side)
        self._fine.use()
        context.enable_only(context.DEPTH_TEST)
        view = np.eye(4)
        view[:3, :3], view[:3, 3] = shot.view, -shot.view @ shot.eye_m
        to_clip = clip_matrix(shot.matrix, (side, side), drawing.far_m) @ view
        actor.draw("moving", to_clip, label=1.0)
        if paddle is not None:
            pose = shot.paddle_poses[moment]
            paddle.draw(to_clip, pose, label=float(PADDLE_LABEL))

    def _read(self, count: int) -> tuple[np.ndarray, np.ndarray]:
        context = self._drawing.context
        for k in range(2):
            self._sum.color_attachments[k].use(k)
        context.enable_only(context.NOTHING)
        self._colour.use()
        self._drawing.full_pass("develop_cut", colour=0, covered=1)
        colour = np.frombuffer(self._colour.read(components=4), np.uint8)
        covered = np.frombuffer(self._sum.read(components=4, attachment=1, dtype="f4"), np.float32)
        return self._cut(colour)[:count], self._cut(covered)[:count]

    def _cut(self, atlas: np.ndarray) -> np.ndarray:
        """(batch, side, side, 4) pictures of an atlas."""
        side, columns = self._side, self._columns
        grid = atlas.reshape(-1, side, columns, side, 4)
        return np.swapaxes(grid, 1, 2).reshape(-1, side, side, 4)
