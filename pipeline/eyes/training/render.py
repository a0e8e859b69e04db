"""Renders training pictures in processes of their own, which leave shards in a folder.

This module and what it imports keep clear of torch: beside a software GL driver it crashes the
interpreter.
"""

import logging
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from paddlebrief.errors import RehearsalError
from paddlebrief.eyes.training.closeups import CloseUps
from paddlebrief.eyes.training.examples import BallSample, PaddleSample
from paddlebrief.eyes.training.photographs import Photographs
from paddlebrief.eyes.training.pictures import Shoot
from paddlebrief.eyes.training.samples import SHAPES, as_set
from paddlebrief.eyes.training.situations import draw_take
from paddlebrief.rehearsal.bodies import BodySpec
from paddlebrief.rehearsal.drawing import open_drawing
from paddlebrief.rehearsal.scenery import FAR_M
from paddlebrief.turn.training.cast import checking_cast, training_cast

__all__ = ["HELD_OUT", "STOP", "RenderJob", "render", "taking_part"]

logger = logging.getLogger(__name__)

HELD_OUT = 1_000_000
"""Added to the seed of what nothing is trained on."""
STOP = "stop"
"""Name of the file whose presence ends the processes."""

_SHARD = 64
_SHOOTS_PER_TAKE, _INSTANTS_PER_SHOOT = 10, 14  # a take costs as much as a hundred instants
_VENUES, _BODIES_PER_SITTING = 3, 6
_MOST_WAITING = 40  # shards of one process that nobody has read yet

_MOST_FAILURES = 50

Sample = PaddleSample | BallSample


@dataclass(frozen=True, kw_only=True)
class RenderJob:
    """What one process does.

    Attributes
    ----------
    folder
        Shards go to ``folder / purpose / what``, ``what`` being ``"paddle"`` or ``"ball"``.
    kind
        ``"scenes"`` gives crops and tiles of whole scenes, ``"close-ups"`` crops alone.
    purpose
        ``"train"`` or ``"held"``.
    number, seed
        Of the process.
    bodies
        How many bodies to draw from.
    most
        Samples after which it ends by itself.
    limit_s
        Seconds after which it ends.
    """

    folder: Path
    kind: str
    purpose: str
    number: int
    seed: int
    bodies: int
    most: int = 10**9
    limit_s: float = 1e9


def taking_part(purpose: str, count: int) -> list[tuple[BodySpec, int]]:
    """Bodies of the pictures of one purpose, shared with the turn network's recipe.

    No body of the one purpose is in the other.
    """
    make = training_cast if purpose == "train" else checking_cast
    return make(count)


def render(job: RenderJob) -> None:
    """Render until the file ``STOP`` appears in the folder, or enough is made."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    cv2.setNumThreads(1)
    seed = job.seed + (HELD_OUT if job.purpose == "held" else 0)
    rng = np.random.default_rng([seed, job.number, job.kind == "scenes"])
    make = _scenes if job.kind == "scenes" else _close_ups
    waiting: dict[str, list[Sample]] = {"paddle": [], "ball": []}
    made, shards, started, cpu = 0, 0, time.monotonic(), time.process_time()
    for sample in _unbroken(make, taking_part(job.purpose, job.bodies), rng):
        what = "paddle" if isinstance(sample, PaddleSample) else "ball"
        waiting[what].append(sample)
        made += 1
        if len(waiting[what]) == _SHARD:
            _leave(job, what, shards, waiting[what])
            waiting[what] = []
            shards += 1
        late = time.monotonic() - started > job.limit_s
        if late or made >= job.most or (made % 8 == 0 and (job.folder / STOP).exists()):
            break
    for what, rest in waiting.items():
        if rest:
            _leave(job, what, shards, rest)
            shards += 1
    logger.info(
        "%s %s %d: %d samples, %.0f s, %.0f s of processor time",
        job.purpose, job.kind, job.number, made, time.monotonic() - started,
        time.process_time() - cpu,
    )  # fmt: skip


def _unbroken(make, cast: Sequence[tuple[BodySpec, int]], rng) -> Iterator[Sample]:
    """Samples without end: a scene that cannot be drawn must not end hours of others."""
    for _ in range(_MOST_FAILURES):
        try:
            yield from make(cast, rng)
        except Exception:
            logger.exception("something could not be drawn and is left out")


def _leave(job: RenderJob, what: str, shard: int, samples: list[Sample]) -> None:
    folder = job.folder / job.purpose / what
    name = f"{job.kind}-{job.number:03d}-{shard:05d}"
    as_set(samples, **SHAPES[what]).save(folder / name)
    mine = f"{job.kind}-{job.number:03d}-*"
    while len(list(folder.glob(mine))) > _MOST_WAITING and not (job.folder / STOP).exists():
        time.sleep(0.5)


def _close_ups(
    cast: Sequence[tuple[BodySpec, int]], rng: np.random.Generator
) -> Iterator[PaddleSample]:
    while True:
        # A new context now and then: what was drawn with the old one is freed with it.
        with open_drawing(FAR_M) as drawing:
            close = CloseUps(drawing, cast, venues=_VENUES, rng=rng)
            yield from close.samples(_BODIES_PER_SITTING)


def _scenes(cast: Sequence[tuple[BodySpec, int]], rng: np.random.Generator) -> Iterator[Sample]:
    photographs = Photographs()
    while True:
        try:
            staging = draw_take(cast, rng)
        except RehearsalError as error:
            logger.warning("a take was left out: %s", error)
            continue
        for _ in range(_SHOOTS_PER_TAKE):
            with open_drawing(FAR_M) as drawing:
                try:
                    shoot = Shoot(drawing, staging, photographs, rng)
                    yield from shoot.samples(_INSTANTS_PER_SHOOT)
                    shoot.release()
                except RehearsalError as error:
                    # Hundreds of drawn venues and cameras: one that cannot be must not end all.
                    logger.warning("a shoot was left out: %s", error)
