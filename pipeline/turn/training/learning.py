"""Learns from shards as they arrive, for a given time."""

import copy
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch

from paddlebrief.errors import PaddlebriefError
from paddlebrief.turn.inputs import CROP_SIZE_PX, PLANES, SCALARS
from paddlebrief.turn.training.augmenting import augmented
from paddlebrief.turn.training.network import (
    TurnModule,
    disagreement,
    loss_of,
    mirrored,
    wide_input,
)

__all__ = ["Pool", "Recipe", "learn", "outputs_of"]

log = logging.getLogger(__name__)

_RATE, _DECAY, _AVERAGE = 2.5e-3, 0.05, 0.999
_LABELS = 17
_FIRST_AT_LEAST = 6_000
_REPORT_S = 20.0
_PATIENCE_S = 90.0


class Pool:
    """Samples on the learning device, filled from shards; the oldest make room.

    Parameters
    ----------
    folder
        Where shards appear; the last of ``readers`` deletes them.
    capacity
        Most samples to keep.
    device
        Where to keep them.
    readers
        How many learners read the same shards.
    name
        Tells this learner from the others.
    """

    def __init__(
        self, folder: Path, *, capacity: int, device: str, readers: int = 1, name: str = "only"
    ) -> None:
        width, height = CROP_SIZE_PX
        self._readers, self._name, self._read = readers, name, set()
        self._folder, self.capacity, self.device = folder, capacity, device
        shape = (capacity, len(PLANES), height, width)
        self.planes = torch.empty(shape, dtype=torch.uint8, device=device)
        self.scalars = torch.empty((capacity, len(SCALARS)), device=device)
        self.labels = torch.empty((capacity, _LABELS), device=device)
        self.seen = 0

    def __len__(self) -> int:
        return min(self.seen, self.capacity)

    def gather(self, most: int = 4) -> None:
        """Take in up to ``most`` shards that are ready and were not read before."""
        found = sorted(self._folder.glob("train-*.npz"))
        self._read.intersection_update(p.name for p in found)
        for path in [p for p in found if p.name not in self._read][:most]:
            try:
                with np.load(path) as shard:
                    parts = [torch.from_numpy(shard[n]) for n in ("planes", "scalars", "labels")]
            except FileNotFoundError:
                continue  # it waited for too long and another learner cleared it away
            rows = (self.seen + torch.arange(len(parts[0]), device=self.device)) % self.capacity
            for kept, part in zip((self.planes, self.scalars, self.labels), parts, strict=True):
                kept[rows] = part.to(self.device)
            self.seen += len(parts[0])
            self._done_with(path)

    def _done_with(self, path: Path) -> None:
        """Mark a shard as read; delete it once everybody has, or has had time to."""
        self._read.add(path.name)
        path.with_suffix(f".{self._name}").touch()
        parts = list(path.parent.glob(f"{path.stem}.*"))  # the shard itself and its marks
        try:
            late = time.time() - path.stat().st_mtime > _PATIENCE_S
        except FileNotFoundError:
            late = True
        if len(parts) > self._readers or late:
            for part in parts:
                part.unlink(missing_ok=True)

    def draw(self, count: int) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Random planes (uint8), scalars and labels."""
        rows = torch.randint(len(self), (count,), device=self.device)
        return self.planes[rows], self.scalars[rows], self.labels[rows]


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """How a network is built and taught.

    Attributes
    ----------
    width
        Times the usual number of channels.
    skip
        Share of residual blocks left out at random while learning (stochastic depth).
    strength
        Of ``augmenting.augmented``.
    agreement
        Weight of the disagreement between two unlike views of one sample, one of them mirrored.
    batch
        Samples a step.
    """

    width: float = 1.0
    skip: float = 0.1
    strength: float = 1.0
    agreement: float = 0.3
    batch: int = 512


@dataclass(kw_only=True)
class _Learner:
    module: TurnModule
    average: TurnModule
    optimizer: torch.optim.Optimizer
    recipe: Recipe
    steps: int = 0

    def step(self, pool: Pool, *, rate: float) -> torch.Tensor:
        for group in self.optimizer.param_groups:
            group["lr"] = rate
        planes, scalars, labels = self._views(pool)
        with torch.autocast(planes.device.type, torch.bfloat16, enabled=planes.is_cuda):
            outputs = self.module(planes, scalars)
        loss = loss_of(outputs, labels)
        if self.recipe.agreement > 0:
            loss = loss + self.recipe.agreement * disagreement(outputs)
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

    def _views(self, pool: Pool) -> list[torch.Tensor]:
        """A batch whose first half is mirrored; with agreement both halves show the same."""
        recipe, half = self.recipe, self.recipe.batch // 2
        if recipe.agreement > 0:
            planes, scalars, labels = (torch.cat([v, v]) for v in pool.draw(half))
        else:
            planes, scalars, labels = pool.draw(2 * half)
        planes, scalars = augmented(planes, scalars, strength=recipe.strength)
        turned = mirrored(planes[:half], scalars[:half], labels[:half])
        rest = planes[half:], scalars[half:], labels[half:]
        mixed = [torch.cat(pair) for pair in zip(turned, rest, strict=True)]
        mixed[0] = mixed[0].contiguous(memory_format=torch.channels_last)
        return mixed


def learn(
    pool: Pool,
    *,
    seconds: float,
    recipe: Recipe,
    report: Callable[[TurnModule, dict], None],
    alive: Callable[[], bool],
    start: Path | None = None,
) -> TurnModule:
    """Learn for a time and return the running average of the weights.

    Parameters
    ----------
    pool
        Where samples arrive.
    seconds, recipe
        How long, and how.
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
    module = TurnModule(width=recipe.width, skip=recipe.skip)
    if start is not None:
        module.load_state_dict(torch.load(start, map_location="cpu", weights_only=True))
    module = module.to(pool.device, memory_format=torch.channels_last)
    learner = _Learner(
        module=module,
        average=copy.deepcopy(module).requires_grad_(False),
        recipe=recipe,
        optimizer=torch.optim.AdamW(
            module.parameters(), lr=_RATE, weight_decay=_DECAY, fused=pool.planes.is_cuda
        ),
    )
    first = min(_FIRST_AT_LEAST, pool.capacity)
    begin = told = time.monotonic()
    while len(pool) < first:
        pool.gather()
        if not alive():
            raise PaddlebriefError("a renderer has failed", todo="see the workers' messages")
        if time.monotonic() - begin > 0.6 * seconds and len(pool):
            break
        if time.monotonic() - told > _REPORT_S:
            told = time.monotonic()
            log.info("%d samples so far; learning begins with %d", len(pool), first)
        time.sleep(0.2)
    end = begin + seconds
    first_step = told = time.monotonic()
    while (now := time.monotonic()) < end:
        if learner.steps % 4 == 0:
            pool.gather(2)
        share = (now - first_step) / (end - first_step)
        warm = min(1.0, (learner.steps + 1) / 300)
        rate = _RATE * warm * (0.5 + 0.5 * np.cos(np.pi * share**1.7)) + 1e-6
        loss = learner.step(pool, rate=rate)
        if now - told > _REPORT_S:
            told = now
            state = {"share": round(share, 3), "steps": learner.steps, "samples": pool.seen,
                     "loss": round(float(loss), 3)}  # fmt: skip
            report(learner.average, state)
    log.info("learned for %d steps of %d from %d samples", learner.steps, recipe.batch, pool.seen)
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
