"""Train the turn network: ``python -m paddlebrief.turn.training --out DIR``."""

import argparse
import json
import logging
import multiprocessing
import os
import tempfile
import time
from pathlib import Path

from paddlebrief.model_store import ensure_models
from paddlebrief.rehearsal.bodies import bake_bodies
from paddlebrief.turn.training.cast import checking_cast, training_cast
from paddlebrief.turn.training.worker import STOP, RenderJob, render

log = logging.getLogger("paddlebrief.turn.training")

_RENDERING_SHARE = 0.93
_RENDERING_SHARE_ON_ONE_CARD = 0.64  # rendering and learning get in each other's way there
_LEFT_OVER_S = 18.0
_BYTES = 5 * 224 * 160
_CARD_SHARE = 0.55


def main() -> None:
    options = _options()
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    started = time.monotonic()
    options.out.mkdir(parents=True, exist_ok=True)
    ensure_models()
    bake_bodies(training_cast(options.bodies) + checking_cast(options.check_bodies))
    base = options.scratch or options.out
    base.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=base, prefix=".shards-") as name:
        folder = Path(name)
        workers = _start(options, folder)
        try:
            _learn_and_check(options, folder, workers, started)
        finally:
            (folder / STOP).touch()
            for worker in workers:
                worker.join(timeout=20)
                if worker.is_alive():
                    worker.terminate()
                    worker.join()


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="paddlebrief.turn.training", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder for weights and reports")
    parser.add_argument("--minutes", type=float, default=30, help="time for everything, minutes")
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    parser.add_argument("--samples", type=int, default=400_000, help="most samples kept at a time")
    parser.add_argument("--batch", type=int, default=512, help="samples a step")
    parser.add_argument("--bodies", type=int, default=88, help="bodies to train on")
    parser.add_argument("--check-bodies", type=int, default=10, help="bodies to check with")
    parser.add_argument("--check-samples", type=int, default=256, help="a worker's, to check with")
    parser.add_argument("--strokes", type=int, default=8, help="a worker's strokes to check with")
    parser.add_argument("--venues", type=int, default=4, help="a worker's venues as backgrounds")
    parser.add_argument("--start", type=Path, help="state.pt of an earlier run to go on from")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--scratch", type=Path, help="folder for samples on their way; fast is good"
    )
    return parser.parse_args()


def _cards() -> list[str]:
    import torch

    return [f"cuda:{k}" for k in range(torch.cuda.device_count())]


def _start(options: argparse.Namespace, folder: Path) -> list:
    cards = _cards()
    context = multiprocessing.get_context("spawn")
    workers = []
    for number in range(options.workers):
        job = RenderJob(
            folder=folder, number=number, seed=options.seed, bodies=options.bodies,
            check_bodies=options.check_bodies, check_samples=options.check_samples,
            strokes=options.strokes, venues=options.venues,
            card=cards[0] if cards else None,
        )  # fmt: skip
        workers.append(context.Process(target=render, args=(job,)))
        workers[-1].start()
    return workers


def _learn_and_check(options, folder: Path, workers: list, started: float) -> None:
    import torch

    from paddlebrief.turn.training.checking import check, sheet, write_strokes
    from paddlebrief.turn.training.learning import Pool, learn
    from paddlebrief.turn.training.network import export

    cards = _cards()
    device = cards[-1] if cards else "cpu"
    capacity = options.samples
    if cards:
        memory = torch.cuda.get_device_properties(device).total_memory
        capacity = min(capacity, int(_CARD_SHARE * memory / _BYTES))
    pool = Pool(folder, capacity=capacity, device=device)
    end = started + 60 * options.minutes - _LEFT_OVER_S
    share = _RENDERING_SHARE_ON_ONE_CARD if len(cards) == 1 else _RENDERING_SHARE
    stop_s = started + share * 60 * options.minutes

    def report(module, state: dict) -> None:
        if time.monotonic() > stop_s:
            (folder / STOP).touch()
        beside = options.out / ".state.pt"
        torch.save(module.state_dict(), beside)
        beside.replace(options.out / "state.pt")
        log.info("%s %s", json.dumps(state), json.dumps(check(module, folder)))

    module = learn(
        pool, seconds=end - time.monotonic(), batch=options.batch, start=options.start,
        report=report, alive=lambda: all(w.exitcode is None for w in workers),
    )  # fmt: skip
    (folder / STOP).touch()
    export(module, options.out / "turn.onnx")
    result = {"samples": pool.seen, "check": check(module, folder)}
    log.info("%s", json.dumps(result))
    (options.out / "check.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    write_strokes(module, folder, options.out / "strokes.npz")
    _calibrate(options.out)
    sheet(module, folder, options.out / "sheet.png")


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
