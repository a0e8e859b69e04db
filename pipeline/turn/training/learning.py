"""Learns from shards as they arrive, for a given time."""

import copy
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch.nn import functional

from paddlebrief.errors import PaddlebriefError
from paddlebrief.turn.inputs import CROP_SIZE_PX, PLANES, SCALARS
from paddlebrief.turn.training.network import TurnModule, loss_of, mirrored, wide_input

__all__ = ["Pool", "learn", "outputs_of"]

log = logging.getLogger(__name__)

_RATE, _DECAY, _AVERAGE = 2.5e-3, 0.03, 0.999
_LABELS = 17
_FIRST_AT_LEAST = 6_000
_REPORT_S = 20.0


class Pool:
    """Samples on the learning device, filled from shards; the oldest make room.

    Parameters
    ----------
    folder
        Where shards appear; they are deleted once read.
    capacity
        Most samples to keep.
    device
        Where to keep them.
    """

    def __init__(self, folder: Path, *, capacity: int, device: str) -> None:
        width, height = CROP_SIZE_PX
        self._folder, self.capacity, self.device = folder, capacity, device
        shape = (capacity, len(PLANES), height, width)
        self.planes = torch.empty(shape, dtype=torch.uint8, device=device)
        self.scalars = torch.empty((capacity, len(SCALARS)), device=device)
        self.labels = torch.empty((capacity, _LABELS), device=device)
        self.seen = 0

    def __len__(self) -> int:
        return min(self.seen, self.capacity)

    def gather(self, most: int = 4) -> None:
        """Take in up to ``most`` shards that are ready."""
        for path in sorted(self._folder.glob("train-*.npz"))[:most]:
            with np.load(path) as shard:
                count = len(shard["labels"])
                rows = (self.seen + torch.arange(count, device=self.device)) % self.capacity
                self.planes[rows] = torch.from_numpy(shard["planes"]).to(self.device)
                self.scalars[rows] = torch.from_numpy(shard["scalars"]).to(self.device)
                self.labels[rows] = torch.from_numpy(shard["labels"]).to(self.device)
            self.seen += count
            path.unlink()

    def draw(self, count: int) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Random planes (uint8), scalars and labels."""
        rows = torch.randint(len(self), (count,), device=self.device)
        return self.planes[rows], self.scalars[rows], self.labels[rows]


@dataclass(kw_only=True)
class _Learner:
    module: TurnModule
    average: TurnModule
    optimizer: torch.optim.Optimizer
    steps: int = 0

    def step(self, batch, *, rate: float, half: bool) -> float:
        planes, scalars, labels = batch
        for group in self.optimizer.param_groups:
            group["lr"] = rate
        kind = "cuda" if planes.is_cuda else "cpu"
        with torch.autocast(kind, torch.bfloat16, enabled=half):
            outputs = self.module(planes, scalars)
        loss = loss_of(outputs, labels)
        self.optimizer.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.module.parameters(), 2.0)
        self.optimizer.step()
        self.steps += 1
        keep = min(_AVERAGE, (1 + self.steps) / (10 + self.steps))
        with torch.no_grad():
            mine = [v for v in self.module.state_dict().values() if v.is_floating_point()]
            theirs = [v for v in self.average.state_dict().values() if v.is_floating_point()]
            torch._foreach_lerp_(theirs, mine, 1 - keep)
        return loss.detach()


def learn(
    pool: Pool,
    *,
    seconds: float,
    batch: int,
    report: Callable[[TurnModule, dict], None],
    alive: Callable[[], bool],
    start: Path | None = None,
) -> TurnModule:
    """Learn for a time and return the running average of the weights.

    Parameters
    ----------
    pool
        Where samples arrive.
    seconds, batch
        How long, and how many samples a step.
    report
        Called now and then with the averaged network and the state of things.
    alive
        Whether all renderers are at work; asked until learning begins, so that a run with half
        of its samples ends before it has cost anything.
    start
        Weights of an earlier run (``state.pt``) to go on from.

    Raises
    ------
    PaddlebriefError
        When a renderer ends before there is enough to learn from.
    """
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    module = TurnModule()
    if start is not None:
        module.load_state_dict(torch.load(start, map_location="cpu", weights_only=True))
    module = module.to(pool.device, memory_format=torch.channels_last)
    learner = _Learner(
        module=module,
        average=copy.deepcopy(module).requires_grad_(False),
        optimizer=torch.optim.AdamW(
            module.parameters(), lr=_RATE, weight_decay=_DECAY, fused=pool.planes.is_cuda
        ),
    )
    first = min(_FIRST_AT_LEAST, pool.capacity)
    begin = time.monotonic()
    while len(pool) < first:
        pool.gather()
        if not alive():
            raise PaddlebriefError("a renderer has failed", todo="see the workers' messages")
        if time.monotonic() - begin > 0.6 * seconds and len(pool):
            break
        time.sleep(0.2)
    end = begin + seconds
    first_step = told = time.monotonic()
    while (now := time.monotonic()) < end:
        if learner.steps % 4 == 0:
            pool.gather(2)
        share = (now - first_step) / (end - first_step)
        warm = min(1.0, (learner.steps + 1) / 300)
        rate = _RATE * warm * (0.5 + 0.5 * np.cos(np.pi * share**1.7)) + 1e-6
        loss = learner.step(_augmented(*pool.draw(batch)), rate=rate, half=pool.planes.is_cuda)
        if now - told > _REPORT_S:
            told = now
            state = {"share": round(share, 3), "steps": learner.steps, "samples": pool.seen,
                     "loss": round(float(loss), 3)}  # fmt: skip
            report(learner.average, state)
    log.info("learned for %d steps of %d from %d samples", learner.steps, batch, pool.seen)
    return learner.average.eval()


def outputs_of(module: TurnModule, planes: np.ndarray, scalars: np.ndarray) -> list[np.ndarray]:
    """Raw outputs for (n, 5, 224, 160) uint8 planes and (n, 3) scalars, as float32 arrays."""
    module.eval()
    device = next(module.parameters()).device
    pieces = []
    with torch.inference_mode():
        for start in range(0, len(planes), 256):
            part = slice(start, start + 256)
            wide = wide_input(torch.from_numpy(planes[part]).to(device))
            given = torch.from_numpy(scalars[part]).float().to(device)
            pieces.append([o.float().cpu().numpy() for o in module(wide, given)])
    return [np.concatenate(column) for column in zip(*pieces, strict=True)]


def _augmented(planes: torch.Tensor, scalars: torch.Tensor, labels: torch.Tensor):
    """Vary what real pictures vary more than rendered ones."""
    n, device = len(planes), planes.device

    def chance(p: float) -> torch.Tensor:
        return torch.rand(n, device=device) < p

    def normal(size: float, *shape: int) -> torch.Tensor:
        return size * torch.randn(shape, device=device)

    wide = wide_input(planes)
    alone = chance(0.4)[:, None, None, None]
    greys = torch.where(alone, wide[:, 1:2].expand(-1, 3, -1, -1), wide[:, :3])
    mask = wide[:, 3:4]
    tone = torch.exp(normal(0.25, n, 1, 1, 1))
    uneven = functional.interpolate(
        normal(0.22, n, 1, 5, 4), greys.shape[2:], mode="bilinear", align_corners=False
    )
    drift = normal(0.03, n, 3, 1, 1)
    greys = greys * tone + (uneven + drift) * mask
    soft = functional.avg_pool2d(greys, 3, 1, 1)
    greys = torch.where(chance(0.25)[:, None, None, None], soft, greys)
    grain = normal(1.0, n, 3, *greys.shape[2:]) * torch.rand(n, 1, 1, 1, device=device) * 0.09
    greys = (greys + grain * mask).clamp(-1, 1)
    limbs = wide[:, 4:] * (~chance(0.04))[:, None, None, None]
    covered = _patch(n, greys.shape[2:], device) & chance(0.2)[:, None, None]
    open_ = (~covered)[:, None].float()
    wide = torch.cat([greys * open_, mask * open_, limbs], dim=1)
    wide = _moved(wide)
    unknown = chance(0.15)[:, None]
    scalars = torch.where(unknown, torch.zeros_like(scalars), scalars)
    half = n // 2
    turned = mirrored(wide[:half], scalars[:half], labels[:half])
    rest = (wide[half:], scalars[half:], labels[half:])
    mixed = [torch.cat(pair) for pair in zip(turned, rest, strict=True)]
    mixed[0] = mixed[0].contiguous(memory_format=torch.channels_last)
    return mixed


def _patch(n: int, size: tuple[int, int], device) -> torch.Tensor:
    """(n, h, w) bool: a box of up to a third of each side, anywhere."""
    boxes = []
    for length in size:
        middle = torch.rand(n, 1, device=device) * length
        half = torch.rand(n, 1, device=device) * length / 6
        line = torch.arange(length, device=device)
        boxes.append((line - middle).abs() < half)
    return boxes[0][:, :, None] & boxes[1][:, None, :]


def _moved(wide: torch.Tensor) -> torch.Tensor:
    """Each sample a little larger or smaller and shifted, as crops follow unsteady landmarks."""
    n = len(wide)
    turn = torch.zeros(n, 2, 3, device=wide.device)
    zoom = torch.exp(0.03 * torch.randn(n, device=wide.device))
    turn[:, 0, 0] = turn[:, 1, 1] = zoom
    turn[:, :, 2] = 0.025 * torch.randn(n, 2, device=wide.device)
    grid = functional.affine_grid(turn, list(wide.shape), align_corners=False)
    return functional.grid_sample(wide, grid, align_corners=False)
