"""Batches for ultralytics' trainers, made where the network is: no files, no worker processes.

All pictures are kept on the device; each time one is shown it is turned, shifted, scaled,
mirrored and recoloured anew, labels with it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import torch

from paddlebrief.eyes.training.samples import SampleSet

__all__ = ["Batches", "Handling", "warped"]


@dataclass(frozen=True, kw_only=True)
class Handling:
    """How samples may be altered each time they are shown.

    Attributes
    ----------
    mirrored_points
        Keypoint numbers after mirroring left and right.
    reversible
        True when the channels are three frames that may be shown backwards; keypoints then
        change places.
    turn_deg, shift, scale
        Greatest turn, shift as a share of the side, and standard deviation of the logarithm of
        the scale.
    smallest_box_px
        Boxes are not made smaller than this on a side.
    """

    mirrored_points: Sequence[int]
    reversible: bool
    turn_deg: float
    shift: float
    scale: float
    smallest_box_px: float


class _Labels(Sequence):
    """What ultralytics asks of a data set: its length and the classes of each picture."""

    def __init__(self, samples: SampleSet) -> None:
        self._samples = samples
        self.labels = self

    def __len__(self) -> int:
        return len(self._samples)

    def __getitem__(self, k):
        return {"cls": self._samples.kinds[k, : self._samples.counts[k]][:, None]}


class Batches:
    """An endless loader in ultralytics' sense: each pass over it shows every sample once."""

    def __init__(
        self,
        samples: SampleSet,
        handling: Handling | None,
        *,
        batch_size: int,
        device: torch.device,
        seed: int,
    ) -> None:
        self.dataset = _Labels(samples)
        self.sampler, self.batch_size, self.drop_last, self.num_workers = (
            self.dataset, batch_size, True, 0,
        )  # fmt: skip
        self._handling, self._device = handling, device
        self._pictures = torch.from_numpy(samples.pictures).to(device)
        self._labels = {
            name: torch.from_numpy(getattr(samples, name)).to(device)
            for name in ("counts", "kinds", "boxes", "keypoints")
        }
        self._generator = torch.Generator(device=device)
        self._generator.manual_seed(seed)

    def __len__(self) -> int:
        return max(1, len(self.dataset) // self.batch_size)

    def reset(self) -> None:
        """Nothing is kept between passes."""

    def __iter__(self) -> Iterator[dict[str, torch.Tensor]]:
        order = torch.randperm(len(self.dataset), generator=self._generator, device=self._device)
        for k in range(len(self)):
            yield self._batch(order[k * self.batch_size : (k + 1) * self.batch_size])

    def _batch(self, index: torch.Tensor) -> dict[str, torch.Tensor]:
        pictures = self._pictures[index].permute(0, 3, 1, 2).float()
        boxes, points = self._labels["boxes"][index], self._labels["keypoints"][index].clone()
        most = boxes.shape[1]
        real = torch.arange(most, device=self._device) < self._labels["counts"][index, None]
        if self._handling is not None:
            pictures, boxes, points = self._altered(pictures, boxes, points)
        side = pictures.shape[-1]
        middle = (boxes[..., :2] + boxes[..., 2:]) / 2
        inside = ((middle > 0) & (middle < side - 1)).all(-1) & real
        rows = torch.arange(len(index), device=self._device)[:, None].expand(-1, most)
        low, high = boxes[..., :2].clamp(0, side - 1), boxes[..., 2:].clamp(0, side - 1)
        # Labels count pixel centres, ultralytics counts from the picture's edge.
        xywh = torch.cat([(low + high) / 2 + 0.5, high - low], -1) / side
        points = torch.cat([(points[..., :2] + 0.5) / side, points[..., 2:]], -1)
        return {
            "img": pictures.round().clamp(0, 255).to(torch.uint8),
            "cls": self._labels["kinds"][index][inside].float()[:, None],
            "bboxes": xywh[inside],
            "keypoints": points[inside],
            "batch_idx": rows[inside].float(),
        }

    def _uniform(self, count: int, low: float, high: float) -> torch.Tensor:
        share = torch.rand(count, generator=self._generator, device=self._device)
        return low + (high - low) * share

    def _normal(self, *shape: int) -> torch.Tensor:
        return torch.randn(shape, generator=self._generator, device=self._device)

    def _altered(self, pictures, boxes, points):
        rule, count = self._handling, len(pictures)
        turn = torch.deg2rad(self._uniform(count, -rule.turn_deg, rule.turn_deg))
        scale = torch.exp(rule.scale * self._normal(count)).clamp(0.6, 1.6)
        mirror = torch.where(self._uniform(count, 0, 1) < 0.5, -1.0, 1.0)
        shift = torch.stack([self._uniform(count, -rule.shift, rule.shift) for _ in range(2)], -1)
        c, s = torch.cos(turn) * scale, torch.sin(turn) * scale
        matrix = torch.stack(
            [torch.stack([mirror * c, -s], -1), torch.stack([mirror * s, c], -1)], 1
        )
        side = pictures.shape[-1]
        pictures = warped(pictures, matrix, shift * side)
        points = points.clone()
        flat = points[..., :2] - (side - 1) / 2
        points[..., :2] = torch.einsum("bij,bmkj->bmki", matrix, flat) + (
            (side - 1) / 2 + shift[:, None, None] * side
        )
        swap = torch.tensor(list(rule.mirrored_points), device=self._device)
        points = torch.where((mirror < 0)[:, None, None, None], points[:, :, swap], points)
        boxes = self._moved_boxes(boxes, matrix, shift * side, side)
        if rule.reversible:
            back = self._uniform(count, 0, 1) < 0.5
            pictures = torch.where(back[:, None, None, None], pictures.flip(1), pictures)
            points = torch.where(back[:, None, None, None], points.flip(2), points)
        gain = torch.exp(0.12 * self._normal(count, 1, 1, 1))
        lift = 12 * self._normal(count, 1, 1, 1)
        if not rule.reversible:
            gain = gain * torch.exp(0.08 * self._normal(count, 3, 1, 1))
        outside = (points[..., :2] < 0) | (points[..., :2] > side - 1)
        points[..., 2] = torch.where(outside.any(-1), 0.0, points[..., 2])
        return pictures * gain + lift, boxes, points

    def _moved_boxes(self, boxes, matrix, shift, side: int):
        middle = (side - 1) / 2
        x0, y0, x1, y1 = (boxes - middle).unbind(-1)
        corners = torch.stack(
            [torch.stack(p, -1) for p in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))], 2
        )
        # Edge middles lie nearer to a turned shape's own box than corners do.
        mids = (corners + corners.roll(1, 2)) / 2
        found = []
        for places in (corners, mids):
            moved = torch.einsum("bij,bmkj->bmki", matrix, places) + middle + shift[:, None, None]
            found.append(torch.cat([moved.amin(2), moved.amax(2)], -1))
        box = (found[0] + found[1]) / 2
        grow = (self._handling.smallest_box_px - (box[..., 2:] - box[..., :2])).clamp(min=0) / 2
        return torch.cat([box[..., :2] - grow, box[..., 2:] + grow], -1)


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
