"""Batches for ultralytics' losses, made where the network is: no files, no worker processes.

Each time a sample is shown it is turned, shifted, scaled and recoloured anew, labels with it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import torch

from paddlebrief.eyes.training.pool import Pool

__all__ = ["Batches", "Handling", "warped"]


@dataclass(frozen=True, kw_only=True)
class Handling:
    """How samples may be altered each time they are shown.

    Attributes
    ----------
    boxes
        Gives corners (b, m, 2) and (b, m, 2) of boxes from keypoints (b, m, k, 2) and extras
        (b, m).
    mirrored_points
        Keypoint numbers after mirroring left and right; None when nothing is mirrored.
    reversible
        True when the channels are frames that may be shown backwards; keypoints then
        change places.
    turn_deg, shift, scale
        Greatest turn, shift as a share of the side, and standard deviation of the logarithm of
        the scale.
    sized
        True when the extras are lengths in pixels.
    """

    boxes: Callable[[torch.Tensor, torch.Tensor], tuple[torch.Tensor, torch.Tensor]]
    mirrored_points: Sequence[int] | None
    reversible: bool
    turn_deg: float
    shift: float
    scale: float
    sized: bool


class Batches:
    """Draws batches from a pool, altered by a rule."""

    def __init__(self, pool: Pool, rule: Handling, *, device: torch.device, seed: int) -> None:
        self._pool, self._rule, self._device = pool, rule, device
        self._generator = torch.Generator(device=device)
        self._generator.manual_seed(seed)

    def draw(self, count: int) -> dict[str, torch.Tensor]:
        """A batch of ``count`` samples drawn at random, altered."""
        index = torch.randint(
            len(self._pool), (count,), generator=self._generator, device=self._device
        )
        return self.batch(index, altered=True)

    def batch(self, index: torch.Tensor, *, altered: bool) -> dict[str, torch.Tensor]:
        """The samples at these places in ultralytics' terms.

        ``img`` is float from 0 to 1; the third value of ``keypoints`` is 1 where the place can
        be made out and 0 where it is hidden or outside.
        """
        kept = self._pool.draw(index)
        pictures = kept["pictures"].permute(0, 3, 1, 2).float()
        points, extras = kept["keypoints"].clone(), kept["extras"]
        real = (
            torch.arange(points.shape[1], device=self._device) < kept["counts"][:, None]
        )
        if altered:
            pictures, points, extras = self._altered(pictures, points, extras)
        side = pictures.shape[-1]
        low, high = self._rule.boxes(points[..., :2], extras)
        middle = (low + high) / 2
        inside = ((middle > 0) & (middle < side - 1)).all(-1) & real
        rows = torch.arange(len(index), device=self._device)[:, None].expand(real.shape)
        low, high = low.clamp(0, side - 1), high.clamp(0, side - 1)
        outside = ((points[..., :2] < 0) | (points[..., :2] > side - 1)).any(-1)
        visible = torch.where(outside, 0.0, points[..., 2])
        # Labels count pixel centres, ultralytics counts from the picture's edge.
        xywh = torch.cat([(low + high) / 2 + 0.5, high - low], -1) / side
        places = torch.cat([(points[..., :2] + 0.5) / side, visible[..., None]], -1)
        return {
            "img": pictures.round().clamp(0, 255) / 255,
            "cls": kept["kinds"][inside].float()[:, None],
            "bboxes": xywh[inside],
            "keypoints": places[inside],
            "batch_idx": rows[inside].float(),
        }

    def _uniform(self, count: int, low: float, high: float) -> torch.Tensor:
        share = torch.rand(count, generator=self._generator, device=self._device)
        return low + (high - low) * share

    def _normal(self, *shape: int) -> torch.Tensor:
        return torch.randn(shape, generator=self._generator, device=self._device)

    def _altered(self, pictures, points, extras):
        rule, count = self._rule, len(pictures)
        turn = torch.deg2rad(self._uniform(count, -rule.turn_deg, rule.turn_deg))
        scale = torch.exp(rule.scale * self._normal(count)).clamp(0.6, 1.6)
        mirror = torch.ones_like(scale)
        if rule.mirrored_points is not None:
            mirror = torch.where(self._uniform(count, 0, 1) < 0.5, -1.0, 1.0)
        shift = torch.stack([self._uniform(count, -rule.shift, rule.shift) for _ in range(2)], -1)
        c, s = torch.cos(turn) * scale, torch.sin(turn) * scale
        matrix = torch.stack(
            [torch.stack([mirror * c, -s], -1), torch.stack([mirror * s, c], -1)], 1
        )
        side = pictures.shape[-1]
        pictures = warped(pictures, matrix, shift * side)
        flat = points[..., :2] - (side - 1) / 2
        points[..., :2] = torch.einsum("bij,bmkj->bmki", matrix, flat) + (
            (side - 1) / 2 + shift[:, None, None] * side
        )
        if rule.mirrored_points is not None:
            swap = torch.tensor(list(rule.mirrored_points), device=self._device)
            points = torch.where((mirror < 0)[:, None, None, None], points[:, :, swap], points)
        if rule.sized:
            extras = extras * scale[:, None]
        if rule.reversible:
            back = (self._uniform(count, 0, 1) < 0.5)[:, None, None, None]
            pictures = torch.where(back, pictures.flip(1), pictures)
            points = torch.where(back, points.flip(2), points)
        gain = torch.exp(0.12 * self._normal(count, 1, 1, 1))
        lift = 12 * self._normal(count, 1, 1, 1)
        if not rule.reversible:
            gain = gain * torch.exp(0.08 * self._normal(count, 3, 1, 1))
        return pictures * gain + lift, points, extras


def warped(pictures: torch.Tensor, matrix: torch.Tensor, shift_px: torch.Tensor) -> torch.Tensor:
    """(n, c, s, s) pictures moved about their middles by (n, 2, 2) matrices and (n, 2) shifts."""
    side = pictures.shape[-1]
    back = torch.linalg.inv(matrix)
    offset = -(back @ (shift_px[..., None] * 2 / side))
    grid = torch.nn.functional.affine_grid(
        torch.cat([back, offset], -1), list(pictures.shape), align_corners=False
    )
    moved = torch.nn.functional.grid_sample(
        pictures - 114, grid, mode="bilinear", padding_mode="zeros", align_corners=False
    )
    return moved + 114
