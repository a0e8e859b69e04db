"""Train the turn network: ``python -m paddlebrief.turn.training --out DIR``."""

import argparse
import contextlib
import importlib.util
import itertools
import json
import logging
import multiprocessing
import os
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from paddlebrief.errors import PaddlebriefError
from paddlebrief.model_store import ensure_models
from paddlebrief.rehearsal.bodies import bake_bodies
from paddlebrief.turn.training.cast import checking_cast, training_cast
from paddlebrief.turn.training.worker import STOP, RenderJob, render

log = logging.getLogger("paddlebrief.turn.training")

_RENDERING_SHARE = 0.93
_RENDERING_SHARE_ON_ONE_CARD = 0.64  # rendering and learning get in each other's way there
_LEFT_OVER_S = 18.0
_BYTES = 5 * 224 * 160
_CARD_SHARE = 0.65


def main() -> None:
    options = _options()
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    started = time.monotonic()
    options.out.mkdir(parents=True, exist_ok=True)
    if importlib.util.find_spec("onnx") is None:
        raise PaddlebriefError("weights could not be written", todo="install onnx")
    if options.workers:
        ensure_models()
        bake_bodies(training_cast(options.bodies) + checking_cast(options.check_bodies))
    with _shards(options) as folder:
        workers = _start(options, folder)
        try:
            _learn_and_check(options, folder, workers, started)
        finally:
            if workers:
                (folder / STOP).touch()
            for worker in workers:
                worker.join(timeout=20)
                if worker.is_alive():
                    worker.terminate()
                    worker.join()


@contextlib.contextmanager
def _shards(options: argparse.Namespace) -> Iterator[Path]:
    """The folder through which samples pass: one shared with other learners, or one of our own."""
    if options.shards is not None:
        options.shards.mkdir(parents=True, exist_ok=True)
        if options.workers:
            (options.shards / STOP).unlink(missing_ok=True)
        yield options.shards
        return
    with tempfile.TemporaryDirectory(dir=options.out, prefix=".shards-") as name:
        yield Path(name)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="paddlebrief.turn.training", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder for weights and reports")
    parser.add_argument("--minutes", type=float, default=30, help="time for everything, minutes")
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    parser.add_argument("--samples", type=int, default=400_000, help="most samples kept at a time")
    parser.add_argument("--batch", type=int, default=512, help="samples a step")
    parser.add_argument("--width", type=float, default=1.0, help="times the usual channels")
    parser.add_argument("--skip", type=float, default=0.1, help="stochastic depth, 0 to 1")
    parser.add_argument("--strength", type=float, default=1.0, help="of unreal looks, 0 to 2")
    parser.add_argument("--agreement", type=float, default=0.3,
                        help="weight of two views of a sample disagreeing")  # fmt: skip
    parser.add_argument("--shard", type=int, default=256, help="samples a worker hands on at once")
    parser.add_argument("--bodies", type=int, default=88, help="bodies to train on")
    parser.add_argument("--check-bodies", type=int, default=10, help="bodies to check with")
    parser.add_argument("--check-samples", type=int, default=256, help="a worker's, to check with")
    parser.add_argument("--strokes", type=int, default=8, help="a worker's strokes to check with")
    parser.add_argument("--venues", type=int, default=4, help="a worker's venues as backgrounds")
    parser.add_argument("--start", type=Path, help="state.pt of an earlier run to go on from")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--shards", type=Path, help="folder for samples on their way, in memory if possible; it "
        "stays. A second learner names the same one and has no workers"
    )  # fmt: skip
    parser.add_argument("--readers", type=int, default=1, help="learners that share the shards")
    parser.add_argument("--card", type=int, help="graphics card to learn on; default: the last")
    parser.add_argument("--render-cards", help="cards to render on, dealt out in turn, as 0,0,1")
    return parser.parse_args()


def _cards() -> int:
    import torch

    return torch.cuda.device_count()


def _start(options: argparse.Namespace, folder: Path) -> list:
    named = [int(k) for k in (options.render_cards or "").split(",") if k]
    cards = named or ([0] if _cards() else [None])
    context = multiprocessing.get_context("spawn")
    workers = []
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"  # for the workers, which are as many as there are cores
    for number in range(options.workers):
        job = RenderJob(
            folder=folder, number=number, seed=options.seed, bodies=options.bodies,
            check_bodies=options.check_bodies, samples=options.shard,
            check_samples=options.check_samples, strokes=options.strokes, venues=options.venues,
            card=cards[number % len(cards)], draws_on_card=bool(named),
        )  # fmt: skip
        workers.append(context.Process(target=render, args=(job,)))
        workers[-1].start()
    return workers


def _learn_and_check(options, folder: Path, workers: list, started: float) -> None:
    import torch

    from paddlebrief.turn.training.checking import check, sheet, shown, write_strokes
    from paddlebrief.turn.training.learning import Pool, Recipe, learn
    from paddlebrief.turn.training.network import export

    cards, capacity, device = _cards(), options.samples, "cpu"
    if cards:
        device = f"cuda:{cards - 1 if options.card is None else options.card}"
        memory = torch.cuda.get_device_properties(device).total_memory
        capacity = min(capacity, int(_CARD_SHARE * memory / _BYTES))
    pool = Pool(
        folder, capacity=capacity, device=device, readers=options.readers, name=options.out.name
    )
    end = started + 60 * options.minutes - _LEFT_OVER_S
    share = _RENDERING_SHARE_ON_ONE_CARD if cards == 1 else _RENDERING_SHARE
    stop_s = started + share * 60 * options.minutes

    told = itertools.count()

    def report(module, state: dict) -> None:
        if workers and time.monotonic() > stop_s:
            (folder / STOP).touch()
        beside = options.out / ".state.pt"
        torch.save(module.state_dict(), beside)
        beside.replace(options.out / "state.pt")
        log.info("%s %s", json.dumps(state), json.dumps(check(module, folder)))
        if next(told) % 6 == 0:  # something to look at, and to go on from if the run is cut off
            shown(pool, options.out / "shown.png", strength=options.strength)
            sheet(module, folder, options.out / "sheet.png")
            export(module, options.out / "turn.onnx")

    recipe = Recipe(
        width=options.width, skip=options.skip, strength=options.strength,
        agreement=options.agreement, batch=options.batch,
    )  # fmt: skip
    module = learn(
        pool, seconds=end - time.monotonic(), recipe=recipe, start=options.start,
        report=report, alive=lambda: all(w.exitcode is None for w in workers),
    )  # fmt: skip
    if workers:
        (folder / STOP).touch()
    export(module, options.out / "turn.onnx")
    result = {"samples": pool.seen, "seed": options.seed, "bodies": options.bodies,
              "minutes": options.minutes, **asdict(recipe),
              "check": check(module, folder)}  # fmt: skip
    log.info("%s", json.dumps(result))
    (options.out / "check.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    sheet(module, folder, options.out / "sheet.png")
    if any(folder.glob("stroke-*.npz")):
        write_strokes(module, folder, options.out / "strokes.npz")
        _calibrate(options.out)
    else:
        log.warning("no stroke was filmed in time: there is no calibration")


def _calibrate(out: Path) -> None:
    from paddlebrief.turn.training.calibrating import calibrate, load_strokes, table

    strokes = load_strokes(out / "strokes.npz")
    calibration = calibrate(strokes)
    beside = out / ".calibration.json"
    beside.write_text(calibration.model_dump_json(indent=1) + "\n", encoding="utf-8")
    beside.replace(out / "calibration.json")
    log.info("%s", json.dumps(table(strokes, calibration)))


if __name__ == "__main__":
    main()
