"""Renders the training pictures, several processes at a time."""

import logging
import multiprocessing
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from paddlebrief.errors import RehearsalError
from paddlebrief.eyes.training.photographs import Photographs
from paddlebrief.eyes.training.pictures import BallSample, PaddleSample, Shoot
from paddlebrief.eyes.training.samples import SampleSet, as_set, joined, load_set
from paddlebrief.eyes.training.situations import BODIES, draw_take
from paddlebrief.rehearsal.bodies import bake_bodies
from paddlebrief.rehearsal.drawing import open_drawing
from paddlebrief.rehearsal.scenery import FAR_M
from paddlebrief.rehearsal.staging import Staging

__all__ = ["HELD_OUT", "RenderPlan", "load_rendered", "render_all"]

logger = logging.getLogger(__name__)

HELD_OUT = 1_000_000
"""Added to the seed of takes that nothing is trained on."""

_SHOOTS_PER_TAKE = 8
_INSTANTS_PER_SHOOT = 12
PADDLE_SHAPE = {"points": 5, "most": 3}
BALL_SHAPE = {"points": 2, "most": 8}


@dataclass(frozen=True, kw_only=True)
class RenderPlan:
    """What one process renders: ``takes`` takes from ``seed``, or fewer when ``limit_s`` is up.

    ``number`` tells processes of one run apart.
    """

    seed: int
    number: int
    takes: int
    limit_s: float


def render_all(
    folder: Path, *, seed: int, processes: int, takes: int, limit_s: float
) -> dict[str, int]:
    """Render training and held-out samples into ``folder``; the counts of takes and samples.

    The last of the processes renders the held-out ones. ``takes`` is for each process.
    """
    bake_bodies(BODIES)
    plans = [
        RenderPlan(seed=seed, number=k, takes=takes, limit_s=limit_s) for k in range(processes)
    ]
    plans.append(RenderPlan(seed=seed + HELD_OUT, number=0, takes=max(1, takes), limit_s=limit_s))
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(len(plans), mp_context=spawn) as pool:
        done = list(pool.map(_render, plans, [folder] * len(plans)))
    return {key: sum(d[key] for d in done) for key in done[0]}


def _render(plan: RenderPlan, folder: Path) -> dict[str, int]:
    started = time.monotonic()
    cv2.setNumThreads(1)
    photographs = Photographs()
    made = {"takes": 0, "paddle": 0, "ball": 0}
    for take in range(plan.takes):
        rng = np.random.default_rng([plan.seed, plan.number, take])
        paddles, balls = [], []
        staging = draw_take(rng)
        for _ in range(_SHOOTS_PER_TAKE):
            if time.monotonic() - started > plan.limit_s:
                break
            for sample in _shot(staging, photographs, rng):
                (paddles if isinstance(sample, PaddleSample) else balls).append(sample)
        name = f"{plan.seed}-{plan.number}-{take}"
        if paddles:
            as_set(paddles, **PADDLE_SHAPE).save(folder / "paddle" / name)
        if balls:
            as_set(balls, **BALL_SHAPE).save(folder / "ball" / name)
        made["takes"] += 1
        made["paddle"] += len(paddles)
        made["ball"] += len(balls)
        if time.monotonic() - started > plan.limit_s:
            break
    logger.info("process %d: %s", plan.number, made)
    return made


def _shot(
    staging: Staging, photographs: Photographs, rng: np.random.Generator
) -> list[PaddleSample | BallSample]:
    with open_drawing(FAR_M) as drawing:
        try:
            shoot = Shoot(drawing, staging, photographs, rng)
            samples = list(shoot.samples(_INSTANTS_PER_SHOOT))
            shoot.release()
        except RehearsalError as error:
            # Hundreds of drawn venues and cameras: one that cannot be must not end the run.
            logger.warning("a shoot was left out: %s", error)
            return []
    return samples


def load_rendered(folder: Path, what: str, *, seed: int) -> tuple[SampleSet, SampleSet]:
    """Training and held-out samples of ``what``, ``"paddle"`` or ``"ball"``."""
    parts = sorted((folder / what).iterdir())
    held = [p for p in parts if int(p.name.split("-")[0]) == seed + HELD_OUT]
    trained = [p for p in parts if p not in held]
    return joined(load_set(p) for p in trained), joined(load_set(p) for p in held)
