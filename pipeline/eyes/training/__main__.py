"""``python -m paddlebrief.eyes.training --out DIR``: render, train, judge, export both networks."""

import argparse
import json
import logging
import os
import platform
import time
from importlib import metadata
from pathlib import Path

from paddlebrief.eyes.ball_net import BALL_LAYOUT
from paddlebrief.eyes.network import Network
from paddlebrief.eyes.paddle_net import PADDLE_LAYOUT
from paddlebrief.eyes.training.photographs import Photographs
from paddlebrief.eyes.training.pictures import BODY_HEIGHTS, CROP_PX, FRAME_LONG_PX
from paddlebrief.eyes.training.render import HELD_OUT, load_rendered, render_all
from paddlebrief.eyes.training.samples import SampleSet

logger = logging.getLogger("paddlebrief.eyes.training")

_PACKAGES = (
    "ultralytics", "torch", "numpy", "opencv-python", "opencv-python-headless", "moderngl",
    "scipy", "scikit-image", "scikit-learn", "matplotlib", "onnx",
)  # fmt: skip


_MOST_JUDGED = 3000


def main() -> None:
    """Command line of the recipe."""
    parser = argparse.ArgumentParser(prog="python -m paddlebrief.eyes.training")
    parser.add_argument("--out", type=Path, required=True, help="folder for weights and record")
    parser.add_argument("--seed", type=int, default=5, help="seed of everything that is drawn")
    parser.add_argument("--processes", type=int, default=1, help="processes that render")
    parser.add_argument("--takes", type=int, default=40, help="takes rendered by each process")
    parser.add_argument("--render-limit-s", type=float, default=1e9, help="stop rendering after, s")
    parser.add_argument("--epochs", type=int, default=40, help="passes over the samples")
    parser.add_argument("--hours", type=float, help="train each network for this long instead")
    parser.add_argument("--batch", type=int, default=128, help="samples in a batch")
    parser.add_argument("--device", default="cpu", help="cpu, or the number of a GPU")
    parser.add_argument("--only", choices=["render", "paddle", "ball", "finish"], action="append",
                        help="do a part alone; several may be named")  # fmt: skip
    options = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(name)s %(message)s")
    parts = options.only or ["render", "paddle", "ball", "finish"]
    options.out.mkdir(parents=True, exist_ok=True)
    samples = options.out / "samples"
    if "render" in parts:
        _render(options, samples)
    for what in ("paddle", "ball"):
        if what in parts:
            _train(options, samples, what)
    if "finish" in parts:
        _finish(options, samples)


def _render(options: argparse.Namespace, samples: Path) -> None:
    started = time.monotonic()
    made = render_all(
        samples,
        seed=options.seed,
        processes=options.processes,
        takes=options.takes,
        limit_s=options.render_limit_s,
    )
    made["seconds"] = round(time.monotonic() - started)
    logger.info("rendered %s", made)
    _note(options.out, {"rendered": made})
    _sheets(options, samples)


def _sheets(options: argparse.Namespace, samples: Path) -> None:
    from paddlebrief.eyes.training.pictures import BallSample, PaddleSample
    from paddlebrief.eyes.training.sheets import contact_sheet, drawn_ball, drawn_paddle

    for what in ("paddle", "ball"):
        chosen, _ = load_rendered(samples, what, seed=options.seed)
        pictures = []
        for k in range(0, len(chosen), max(1, len(chosen) // 48)):
            n = chosen.counts[k]
            args = chosen.pictures[k], chosen.boxes[k, :n], chosen.keypoints[k, :n]
            if what == "paddle":
                sample = PaddleSample(args[0], chosen.kinds[k, :n], *args[1:], chosen.extras[k, :n])
                pictures.append(drawn_paddle(sample))
            else:
                sample = BallSample(*args[:2], args[2][..., :2], chosen.extras[k, :n])
                pictures.append(drawn_ball(sample))
        contact_sheet(options.out / f"{what}_samples.png", pictures[:48], 8)


def _train(options: argparse.Namespace, samples: Path, what: str) -> None:
    from paddlebrief.eyes.training.fit import fit

    train, held = load_rendered(samples, what, seed=options.seed)
    started = time.monotonic()
    fit(
        what,
        train,
        held,
        options.out,
        seed=options.seed,
        batch_size=min(options.batch, len(train)),
        hours=options.hours,
        epochs=options.epochs,
        device=options.device,
    )
    seconds = round(time.monotonic() - started)
    _note(options.out, {f"{what}_training": {
        "samples": len(train), "held_out": len(held), "seconds": seconds, "batch": options.batch,
        "hours": options.hours, "epochs": options.epochs, "device": options.device,
        "empty": _empty_share(train),
    }})  # fmt: skip


def _empty_share(samples: SampleSet) -> float:
    return float((samples.counts == 0).mean())


def _finish(options: argparse.Namespace, samples: Path) -> None:
    from paddlebrief.eyes.training import judge
    from paddlebrief.eyes.training.export import export_onnx

    held_out, noise = {}, {}
    for what, layout, overlap in (("paddle", PADDLE_LAYOUT, 0.5), ("ball", BALL_LAYOUT, 0.3)):
        _, held = load_rendered(samples, what, seed=options.seed)
        held = held.first(_MOST_JUDGED)
        path = export_onnx(options.out / f"{what}.pt", options.out / f"{what}.onnx")
        network = Network(path, layout, threads=os.cpu_count() or 2, backend="onnx")
        found = judge.findings(network, held, overlap=overlap)
        if what == "paddle":
            held_out[what] = judge.judge_paddle(found, held)
            noise["keypoint_noise"] = judge.keypoint_noise(found, held)
        else:
            held_out[what] = judge.judge_ball(found, held)
            noise["ball_noise"] = judge.ball_noise(found, held)
        logger.info("%s on held-out samples: %s", what, held_out[what])
    _note(
        options.out,
        {
            "seed": options.seed,
            "held_out_seed": options.seed + HELD_OUT,
            "crop_px": CROP_PX,
            "crop_body_heights": BODY_HEIGHTS,
            "frame_long_px": FRAME_LONG_PX,
            "photographs": Photographs().names,
            "versions": {"python": platform.python_version(), **_versions()},
            "held_out": held_out,
            **noise,
        },
    )


def _versions() -> dict[str, str]:
    found = {}
    for name in _PACKAGES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return found


def _note(folder: Path, facts: dict) -> None:
    """Add facts to the record beside the weights; written beside, then renamed."""
    path = folder / "eyes.json"
    known = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    beside = path.with_suffix(".part")
    beside.write_text(json.dumps({**known, **facts}, indent=1), encoding="utf-8")
    beside.replace(path)


if __name__ == "__main__":
    main()
