"""One course of training: processes that render and processes that train, side by side."""

import argparse
import logging
import multiprocessing
import shutil
import time
from pathlib import Path

from paddlebrief.eyes.training.finish import finish, note
from paddlebrief.eyes.training.render import STOP, RenderJob, render
from paddlebrief.eyes.weights import shipped

__all__ = ["run"]

logger = logging.getLogger(__name__)

_HELD = ("close-ups", "scenes", "scenes")  # what the first processes render at first, held out
_ENDING_S = 20.0


def run(options: argparse.Namespace) -> None:
    """Render, train, judge and export as the command line asks for."""
    started = time.time()
    options.out.mkdir(parents=True, exist_ok=True)
    shards = options.out / "samples"
    shutil.rmtree(shards, ignore_errors=True)
    for purpose in ("train", "held"):
        for what in ("paddle", "ball"):
            (shards / purpose / what).mkdir(parents=True)
    until = started + 60 * (options.minutes - options.finish_minutes)
    spawn = multiprocessing.get_context("spawn")
    jobs = _jobs(options, shards)
    renderers = [spawn.Process(target=_render_all, args=(j,), daemon=True) for j in jobs]
    for process in renderers:
        process.start()
    wanted = options.only or ["paddle", "ball"]
    trained = [
        spawn.Process(target=_train, args=(options, what, shards, until), daemon=True)
        for what in wanted
    ]
    for process in trained:
        process.start()
    while any(process.is_alive() for process in trained):
        trained[0].join(5)
        if not any(p.is_alive() for p in renderers) and not any(shards.glob("*/*/*")):
            logger.error("all processes that render have ended before they made anything")
            for process in trained:
                process.terminate()
    for process in trained:
        process.join()
    (shards / STOP).touch()
    _ended(renderers)
    names = ("minutes", "render_minutes", "processes", "close_ups", "bodies", "held_bodies")
    note(options.out, {"course": {name: getattr(options, name) for name in names}})
    made = [what for what in wanted if (options.out / f"{what}.pt").exists()]
    finish(options.out, shards / "held", made, seed=options.seed)
    logger.info("all done after %.0f s", time.time() - started)


def _jobs(options: argparse.Namespace, shards: Path) -> list[list[RenderJob]]:
    """For each process what it renders, one thing after the other."""
    close = round(options.close_ups * options.processes)
    limit_s = 60 * min(options.render_minutes, options.minutes)
    rows = []
    for k in range(options.processes):
        common = {"folder": shards, "number": k, "seed": options.seed}
        held = [kind for n, kind in enumerate(_HELD) if n % options.processes == k]
        row = [
            RenderJob(kind=kind, purpose="held", bodies=options.held_bodies, most=options.held,
                      limit_s=limit_s / 2, **common)
            for kind in held
        ]  # fmt: skip
        kind = "close-ups" if k < close else "scenes"
        row.append(
            RenderJob(kind=kind, purpose="train", bodies=options.bodies, limit_s=limit_s, **common)
        )
        rows.append(row)
    return rows


def _render_all(jobs: list[RenderJob]) -> None:
    for job in jobs:
        render(job)


def _train(options: argparse.Namespace, what: str, shards: Path, until_s: float) -> None:
    from paddlebrief.eyes.training.fit import FitPlan, fit

    start = None if what in options.scratch else shipped(f"{what}.pt")
    fit(
        FitPlan(
            what=what,
            shards=shards,
            out=options.out,
            seed=options.seed,
            until_s=until_s,
            fewest=options.fewest,
            most=options.most if what == "paddle" else max(1, round(0.6 * options.most)),
            batch=options.batch if what == "paddle" else max(1, options.batch // 2),
            device=options.device,
            start=start,
            keep=options.keep,
        )
    )


def _ended(processes: list) -> None:
    late = time.time() + _ENDING_S
    for process in processes:
        process.join(max(0.1, late - time.time()))
        if process.is_alive():
            logger.warning("a process that renders did not end in time and is ended now")
            process.terminate()
