"""Trains one network with ultralytics' losses on samples that are rendered meanwhile."""

import copy
import json
import logging
import math
import shutil
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import torch

from paddlebrief.errors import PaddlebriefError
from paddlebrief.eyes.training.batches import Batches, Handling
from paddlebrief.eyes.training.examples import ball_boxes, paddle_boxes
from paddlebrief.eyes.training.losses import criterion
from paddlebrief.eyes.training.models import built, stored
from paddlebrief.eyes.training.pool import Pool
from paddlebrief.eyes.training.samples import load_set

__all__ = ["FitPlan", "fit"]

logger = logging.getLogger(__name__)

_RATE = {"paddle": 0.002, "ball": 0.002}
_WARM_UP, _LAST_RATE = 0.04, 0.01  # shares of the time and of the learning rate
_WEIGHT_DECAY = 5e-4
_TELL_S = 20.0
_AT_LEAST_S = 5.0


@dataclass(frozen=True, kw_only=True)
class FitPlan:
    """How one network is trained.

    Attributes
    ----------
    what
        ``"paddle"`` or ``"ball"``.
    shards, out
        Folder that ``render`` fills, with ``train`` and ``held`` in it; folder for the checkpoint.
    until_s
        Time, as ``time.time`` gives it, at which training ends.
    fewest
        Samples to wait for before the first step.
    most
        Samples kept on the device.
    batch
        Samples in a step.
    device
        ``"cpu"`` or ``"cuda"``.
    start
        Checkpoint to start from; None starts from scratch.
    keep
        Leave the shards on the disk after they were read.
    """

    what: str
    shards: Path
    out: Path
    seed: int
    until_s: float
    fewest: int = 4000
    most: int = 60_000
    batch: int = 256
    device: str = "cuda"
    start: Path | None = None
    keep: bool = False


def fit(plan: FitPlan) -> None:
    """Train until the time is up; writes ``what.pt``, and steps and samples into ``what.json``.

    Raises
    ------
    PaddlebriefError
        When no samples came.
    """
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    torch.manual_seed(plan.seed)
    device = torch.device(plan.device)
    model = built(plan.what, plan.start).to(device, memory_format=torch.channels_last)
    averaged = copy.deepcopy(model).eval().requires_grad_(False)
    pool = Pool(plan.most, device)
    batches = Batches(pool, _handling(plan.what), device=device, seed=plan.seed)
    done = threading.Event()
    reader = threading.Thread(target=_read, args=(plan, pool, done), daemon=True)
    reader.start()
    while len(pool) < plan.fewest and time.time() < plan.until_s:
        time.sleep(0.2)
    if not len(pool):
        done.set()
        raise PaddlebriefError(
            "there is nothing to train on", file=plan.shards, expected="rendered samples",
            todo="look for what ended the processes that render",
        )  # fmt: skip
    started = time.time()
    steps = 0
    try:
        for steps, losses in _steps(plan, model, averaged, batches, started):
            logger.info(
                "%s: step %d, %d samples (%d kept), losses %s",
                plan.what, steps, pool.seen, len(pool), " ".join(f"{v:.3f}" for v in losses),
            )  # fmt: skip
            _save(plan, averaged, pool, steps=steps, started=started)
    finally:
        done.set()
        reader.join()
    _save(plan, averaged, pool, steps=steps, started=started)


def _save(plan: FitPlan, averaged, pool: Pool, *, steps: int, started: float) -> None:
    """Write what there is so far: a course that is cut off leaves its last networks."""
    stored(averaged, plan.out / f"{plan.what}.pt")
    facts = {
        "samples": pool.seen,
        "steps": steps,
        "shown": steps * plan.batch,
        "seconds": round(time.time() - started),
        "batch": plan.batch,
        "warm_start": plan.start is not None,
    }
    (plan.out / f"{plan.what}.json").write_text(json.dumps(facts), encoding="utf-8")


def _handling(what: str) -> Handling:
    if what == "paddle":
        return Handling(
            boxes=_paddle_boxes, mirrored_points=None, reversible=False, turn_deg=15, shift=0.06,
            scale=0.14, sized=False,
        )  # fmt: skip
    return Handling(
        boxes=_ball_boxes, mirrored_points=(0, 1), reversible=True, turn_deg=14, shift=0.08,
        scale=0.16, sized=True,
    )  # fmt: skip


def _paddle_boxes(points: torch.Tensor, extras: torch.Tensor):
    low, high = points.amin(-2), points.amax(-2)
    return paddle_boxes(low, high, (high - low).amax(-1, keepdim=True))


def _ball_boxes(points: torch.Tensor, radii: torch.Tensor):
    return ball_boxes(points.amin(-2), points.amax(-2), radii[..., None])


def _read(plan: FitPlan, pool: Pool, done: threading.Event) -> None:
    """Take shards over as they appear."""
    folder = plan.shards / "train" / plan.what
    known: set[str] = set()
    while not done.is_set():
        new = [p for p in sorted(folder.glob("[!.]*")) if p.name not in known]
        for shard in new:
            known.add(shard.name)
            pool.add(load_set(shard))
            if not plan.keep:
                shutil.rmtree(shard)
            if done.is_set():
                break
        done.wait(0.2)


def _steps(
    plan: FitPlan, model, averaged, batches: Batches, started: float
) -> Iterator[tuple[int, list[float]]]:
    """Train; now and then the number of steps and the mean losses since the last time."""
    loss_of = criterion(model, plan.what)
    fast = plan.device != "cpu"
    if fast:
        torch.backends.cudnn.benchmark = True
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    _precise_head(model, plan.device)
    optimizer = _optimizer(model, _RATE[plan.what])
    end = max(plan.until_s, started + _AT_LEAST_S)
    total, told, steps, since = None, time.time(), 0, 0
    model.train()
    while (now := time.time()) < end:
        share = (now - started) / (end - started)
        for group in optimizer.param_groups:
            group["lr"] = _RATE[plan.what] * _schedule(share)
        batch = batches.draw(plan.batch)
        with torch.autocast(plan.device, torch.bfloat16, enabled=fast):
            found = model(batch["img"].contiguous(memory_format=torch.channels_last))
        parts, _ = loss_of(found, batch)
        optimizer.zero_grad(set_to_none=True)
        (parts.sum() / plan.batch).backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 10.0)
        optimizer.step()
        steps += 1
        _average(averaged, model, min(0.999, steps / (steps + 20)))
        part = parts.detach() / plan.batch
        total = part if total is None else total + part
        since += 1
        if now - told > _TELL_S:
            yield steps, (total / since).tolist()
            total, since, told = None, 0, now
    if since:
        yield steps, (total / since).tolist()


def _precise_head(model, device: str) -> None:
    """Let the head compute in full precision: a place in half precision is off by a pixel."""
    head = model.model[-1]
    plain = head.forward

    def forward(values):
        with torch.autocast(device, enabled=False):
            return plain([v.float() for v in values])

    head.forward = forward


def _schedule(share: float) -> float:
    """Factor of the learning rate after a share of the time: a ramp, then half a cosine."""
    if share < _WARM_UP:
        return 0.05 + 0.95 * share / _WARM_UP
    rest = min((share - _WARM_UP) / (1 - _WARM_UP), 1.0)
    return _LAST_RATE + (1 - _LAST_RATE) * 0.5 * (1 + math.cos(math.pi * rest))


def _optimizer(model, rate: float) -> torch.optim.Optimizer:
    heavy = [p for p in model.parameters() if p.requires_grad and p.ndim > 1]
    light = [p for p in model.parameters() if p.requires_grad and p.ndim <= 1]
    groups = [{"params": heavy, "weight_decay": _WEIGHT_DECAY},
              {"params": light, "weight_decay": 0.0}]  # fmt: skip
    return torch.optim.AdamW(groups, lr=rate, betas=(0.9, 0.99))


@torch.no_grad()
def _average(averaged, model, keep: float) -> None:
    for name in ("parameters", "buffers"):
        old = [v for v in getattr(averaged, name)() if v.is_floating_point()]
        new = [v for v in getattr(model, name)() if v.is_floating_point()]
        torch._foreach_lerp_(old, new, 1 - keep)
