"""After training: export, judge on held-out samples, contact sheets, and the record."""

import json
import logging
import os
import platform
from importlib import metadata
from pathlib import Path

from paddlebrief.eyes.ball_net import BALL_LAYOUT
from paddlebrief.eyes.network import Network
from paddlebrief.eyes.paddle_net import PADDLE_LAYOUT
from paddlebrief.eyes.training import judge
from paddlebrief.eyes.training.examples import BODY_HEIGHTS, CROP_PX, FRAME_LONG_PX
from paddlebrief.eyes.training.photographs import Photographs
from paddlebrief.eyes.training.render import HELD_OUT
from paddlebrief.eyes.training.samples import SampleSet, joined, load_set
from paddlebrief.eyes.training.sheets import sheet_of
from paddlebrief.eyes.weights import shipped

__all__ = ["finish", "note"]

logger = logging.getLogger(__name__)

_LAYOUTS = {"paddle": PADDLE_LAYOUT, "ball": BALL_LAYOUT}
_OVERLAPS = {"paddle": 0.5, "ball": 0.3}
_MOST_JUDGED, _SHOWN = 2500, 48
_PACKAGES = (
    "ultralytics", "torch", "numpy", "opencv-python", "opencv-python-headless", "moderngl",
    "scipy", "scikit-image", "scikit-learn", "onnx",
)  # fmt: skip


def finish(out: Path, held: Path, made: list[str], *, seed: int) -> None:
    """Export and judge the networks of which ``out`` holds checkpoints, and write the record.

    Held-out figures are kept by kind of sample; ball networks of the package's own are judged on
    the same samples for comparison.
    """
    from paddlebrief.eyes.training.export import export_onnx

    note(out, _facts(seed))
    for what in made:
        path = export_onnx(out / f"{what}.pt", out / f"{what}.onnx")
        facts = json.loads((out / f"{what}.json").read_text(encoding="utf-8"))
        note(out, {f"{what}_training": facts})
        sets = {
            kind: joined(parts).first(_MOST_JUDGED)
            for kind in ("scenes", "close-ups")
            if (parts := [load_set(p) for p in sorted((held / what).glob(f"{kind}-*"))])
        }
        figures = {}
        for kind, samples in sets.items():
            found = _found(path, what, samples)
            figures[kind] = _judged(what, found, samples)
            logger.info("%s on held-out %s: %s", what, kind, figures[kind])
            worst = judge.worst_paddles if what == "paddle" else judge.worst_balls
            chosen = worst(found, samples, _SHOWN)
            sheet_of(out / f"{what}_{kind}_worst.jpg", what, samples, chosen, found)
            some = range(0, len(samples), max(1, len(samples) // _SHOWN))[:_SHOWN]
            sheet_of(out / f"{what}_{kind}.jpg", what, samples, some, found)
            if kind == "scenes":
                note(out, _noise(what, found, samples))
            if what == "ball":
                figures["shipped before"] = _judged(
                    what, _found(shipped("ball.onnx"), what, samples), samples
                )
                logger.info("ball shipped so far: %s", figures["shipped before"])
        known = json.loads((out / "eyes.json").read_text(encoding="utf-8")).get("held_out", {})
        note(out, {"held_out": {**known, what: figures}})


def _found(path: Path, what: str, samples: SampleSet) -> list:
    network = Network(path, _LAYOUTS[what], threads=os.cpu_count() or 2, backend="onnx")
    return judge.findings(network, samples, overlap=_OVERLAPS[what])


def _judged(what: str, found: list, samples: SampleSet) -> dict:
    if what == "paddle":
        return judge.judge_paddle(found, samples)
    return judge.judge_ball(found, samples)


def _noise(what: str, found: list, samples: SampleSet) -> dict:
    if what == "paddle":
        return {"keypoint_noise": judge.keypoint_noise(found, samples)}
    return {"ball_noise": judge.ball_noise(found, samples)}


def _facts(seed: int) -> dict:
    return {
        "seed": seed,
        "held_out_seed": seed + HELD_OUT,
        "crop_px": CROP_PX,
        "crop_body_heights": BODY_HEIGHTS,
        "left_hands_mirrored": True,
        "frame_long_px": FRAME_LONG_PX,
        "photographs": Photographs().names,
        "versions": {"python": platform.python_version(), **_versions()},
    }


def _versions() -> dict[str, str]:
    found = {}
    for name in _PACKAGES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return found


def note(folder: Path, facts: dict) -> None:
    """Add facts to the record beside the weights; written beside, then renamed."""
    path = folder / "eyes.json"
    known = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    beside = path.with_suffix(".part")
    beside.write_text(json.dumps({**known, **facts}, indent=1), encoding="utf-8")
    beside.replace(path)
