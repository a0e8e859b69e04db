"""A process that renders: shards of training samples, samples to check with, whole strokes."""

import logging
import os
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from paddlebrief.model_store import ensure_models

__all__ = ["STOP", "RenderJob", "render"]

log = logging.getLogger(__name__)

STOP = "stop"
"""Name of the file whose presence ends the workers."""
_FAR_M = 200.0
_MOST_WAITING = 48
_STROKE_HEIGHTS_PX = ((300, 560), (300, 560), (195, 205), (145, 155))


@dataclass(frozen=True, kw_only=True)
class RenderJob:
    """What one worker does.

    Attributes
    ----------
    folder
        Where shards are left, each under its final name once whole.
    number, seed
        Of the worker.
    bodies, check_bodies
        How many bodies to train on and to check with.
    samples, check_samples, strokes
        Rows of a shard; samples and strokes to check with that are made first.
    venues
        Venues drawn for backgrounds.
    card
        Number of the graphics card for the pose network; None uses the processor.
    draws_on_card
        Draw on that card too; otherwise the driver chooses.
    """

    folder: Path
    number: int
    seed: int
    bodies: int
    check_bodies: int
    samples: int = 256
    check_samples: int = 256
    strokes: int = 8
    venues: int = 4
    card: int | None = None
    draws_on_card: bool = False


def render(job: RenderJob) -> None:
    """Render until the file ``STOP`` appears in the folder."""
    import cv2

    from paddlebrief.rehearsal.drawing import open_drawing
    from paddlebrief.turn.training.backgrounds import Backgrounds
    from paddlebrief.turn.training.cast import checking_cast, training_cast
    from paddlebrief.turn.training.placing import card_placer, processor_placer
    from paddlebrief.turn.training.samples import take_samples
    from paddlebrief.turn.training.studio import Studio

    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    cv2.setNumThreads(1)
    if job.draws_on_card and job.card is not None:
        os.environ["GLCONTEXT_DEVICE_INDEX"] = str(job.card)
    landmarker = ensure_models()["pose_landmark_full.tflite"]
    placer = (
        processor_placer(landmarker)
        if job.card is None
        else card_placer(landmarker, f"cuda:{job.card}")
    )
    rng = np.random.default_rng([job.seed, job.number])
    with open_drawing(_FAR_M) as drawing:
        studio = Studio(drawing)
        backgrounds = Backgrounds(drawing, venues=job.venues, rng=rng)
        check = take_samples(
            studio, backgrounds, cast=checking_cast(job.check_bodies), placer=placer, rng=rng,
            looks=1,
        )  # fmt: skip
        _shard(job, "check", 0, _gathered(check, job.check_samples))
        train = take_samples(
            studio, backgrounds, cast=training_cast(job.bodies), placer=placer, rng=rng
        )
        done, filmed, started = 0, False, time.monotonic()
        while not (job.folder / STOP).exists():
            if done == 2 and not filmed:
                _strokes(job, studio, backgrounds, placer, rng)
                filmed = True
            if len(list(job.folder.glob("train-*.npz"))) > _MOST_WAITING:
                time.sleep(0.5)
                continue
            _shard(job, "train", done, _gathered(train, job.samples))
            done += 1
            if job.number == 0 and done % 8 == 1:
                pace = done * job.samples / (time.monotonic() - started)
                log.info("worker 0: %d shards, %.1f samples a second", done, pace)
        pace = done * job.samples / max(time.monotonic() - started, 1e-3)
        log.info("worker %d: %d shards, %.1f samples a second", job.number, done, pace)


def _gathered(batches, count: int) -> list:
    samples: list = []
    while len(samples) < count:
        samples += next(batches)
    return samples[:count]


def _shard(job: RenderJob, kind: str, number: int, samples: Sequence) -> None:
    _written(
        job.folder / f"{kind}-{job.number:03d}-{number:05d}.npz",
        planes=np.stack([s.planes for s in samples]),
        scalars=np.stack([s.scalars for s in samples]),
        labels=np.stack([s.label for s in samples]).astype(np.float32),
        height_px=np.array([s.height_px for s in samples], np.float32),
    )


def _strokes(job: RenderJob, studio, backgrounds, placer, rng) -> None:
    from paddlebrief.turn.training.cast import checking_cast
    from paddlebrief.turn.training.strokes import film_stroke

    cast = checking_cast(job.check_bodies)
    for k in range(job.strokes):
        stroke = film_stroke(
            studio, backgrounds, cast=cast, placer=placer, rng=rng,
            height_px=_STROKE_HEIGHTS_PX[k % len(_STROKE_HEIGHTS_PX)],
        )  # fmt: skip
        if stroke is None:
            continue
        _written(
            job.folder / f"stroke-{job.number:03d}-{k:05d}.npz",
            planes=np.stack([i.planes for i in stroke.inputs]),
            scalars=np.stack([i.scalars for i in stroke.inputs]),
            time_s=stroke.time_s,
            label=stroke.label,
            sight_rad=stroke.sight_rad,
            own_rad=stroke.own_rad,
            height_px=stroke.height_px,
            place=stroke.place,
            hand=stroke.hand,
        )


def _written(path: Path, **arrays) -> None:
    beside = path.with_name("." + path.name)
    with beside.open("wb") as out:
        np.savez(out, **arrays)
    beside.replace(path)
