"""How far off hips, shoulders and limbs are on rendered strokes of bodies that were not trained on.

Run with ``python -m tests.benchmarks.turn --json FILE [--strokes N] [--rate HZ]``, which renders
(some ten seconds a stroke) and takes the way that a recording takes: pose network, left and
right settled, turn network, fusion. ``--stored FILE`` reads the answers that a training run left
in ``strokes.npz`` instead. Beside the turn network stand the pose network's own points in space.
"""

import argparse
import json
import time
from pathlib import Path

import numpy as np

from paddlebrief.turn.fusion import load_calibration
from paddlebrief.turn.net import TurnNet
from paddlebrief.turn.training.calibrating import load_strokes, stroke_errors, table

HEIGHTS_PX = ((300, 480), (195, 205), (145, 155))
BODIES, SEED = 7, 71


def film(count: int, rate_hz: float, net: TurnNet) -> tuple[list[dict], float]:
    """Strokes in the form of ``load_strokes``, and milliseconds a player-frame of the network."""
    from paddlebrief.model_store import ensure_models
    from paddlebrief.rehearsal.bodies import bake_bodies
    from paddlebrief.rehearsal.drawing import open_drawing
    from paddlebrief.turn.training.backgrounds import Backgrounds
    from paddlebrief.turn.training.cast import checking_cast
    from paddlebrief.turn.training.placing import processor_placer
    from paddlebrief.turn.training.strokes import film_stroke
    from paddlebrief.turn.training.studio import Studio

    cast = checking_cast(BODIES)
    bake_bodies(cast)
    placer = processor_placer(ensure_models()["pose_landmark_full.tflite"])
    rng = np.random.default_rng(SEED)
    strokes, spent, frames = [], 0.0, 0
    with open_drawing(200.0) as drawing:
        studio, behind = Studio(drawing), Backgrounds(drawing, venues=1, rng=rng)
        for k in range(count):
            filmed = film_stroke(
                studio, behind, cast=cast, placer=placer, rng=rng, rate_hz=rate_hz,
                height_px=HEIGHTS_PX[k % len(HEIGHTS_PX)],
            )  # fmt: skip
            if filmed is None:
                continue
            begin = time.perf_counter()
            output = net(filmed.inputs)
            spent += time.perf_counter() - begin
            frames += len(filmed.inputs)
            names = ("time_s", "label", "sight_rad", "own_rad", "height_px", "place", "hand")
            strokes.append({n: getattr(filmed, n) for n in names} | {"output": output})
            print(f"stroke {k + 1} of {count}: {filmed.place}, {filmed.height_px:.0f} px")
    return strokes, 1e3 * spent / max(frames, 1)


def overall(strokes: list[dict]) -> dict:
    """Errors over all frames of all strokes, degrees, and the intervals' coverage."""
    calibration = load_calibration()
    parts = [stroke_errors(s, calibration) for s in strokes]
    found = {}
    for name in ("hip", "shoulder", "separation"):
        error = np.degrees(np.concatenate([p[name][0] for p in parts]))
        sd = np.degrees(np.concatenate([p[name][1] for p in parts]))
        found[name] = {
            "median_deg": round(float(np.median(np.abs(error))), 2),
            "p90_deg": round(float(np.percentile(np.abs(error), 90)), 2),
            "bias_deg": round(float(error.mean()), 2),
            "coverage95": round(float(np.mean(np.abs(error) <= 1.96 * sd)), 3),
        }
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", type=Path, required=True, help="file for the figures")
    parser.add_argument("--strokes", type=int, default=24, help="strokes to render")
    parser.add_argument("--rate", type=float, default=60.0, help="frames a second")
    parser.add_argument("--stored", type=Path, help="strokes.npz of a training run")
    options = parser.parse_args()
    result: dict = {}
    if options.stored:
        strokes = load_strokes(options.stored)
    else:
        strokes, result["ms_a_player_frame"] = film(options.strokes, options.rate, TurnNet())
    result |= {"at_load": table(strokes, load_calibration()), "all_frames": overall(strokes)}
    beside = options.json.with_suffix(".part")
    beside.write_text(json.dumps(result, indent=1), encoding="utf-8")
    beside.replace(options.json)
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
