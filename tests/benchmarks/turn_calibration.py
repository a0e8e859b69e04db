"""Sets the fusion's calibration by strokes of rehearsals, for networks joined after training.

Run with ``python -m tests.benchmarks.turn_calibration SESSION… --keep DIR --out FILE``; sessions
and the folder are those of ``tests.benchmarks.turn``. Every other stroke of a session sets the
calibration, the others tell what it is worth: errors in every frame and the share of the truth
inside 95 % intervals. ``FILE`` belongs beside the weights, as ``calibration.json``.
``--directions`` sets anew only how limb directions are doubted and leaves the rest as packaged.
"""

import argparse
import json
from pathlib import Path

import numpy as np

from paddlebrief.body import body_height_px
from paddlebrief.turn.fusion import Calibration, load_calibration, wrapped
from paddlebrief.turn.net import SEGMENTS, TurnNet
from paddlebrief.turn.training.calibrating import (
    calibrate,
    calibrate_directions,
    direction_errors,
    stroke_errors,
    swing_frames,
)
from tests.benchmarks.turn import Look, kept_looks, spread, true_headings

LEAST_FRAMES = 8
SIDES = ("left", "right")
FORWARD_S = (-0.25, 0.0)  # from contact
ROUND_TWO = 2.45  # two components across a direction: 95 % lie within so many deviations


def true_ways(seen: Look) -> np.ndarray:
    """(n, 5, 3) true directions of ``net.SEGMENTS``, each in its frame's line-of-sight frame."""
    joints = seen.joints_m

    def middle(name: str) -> np.ndarray:
        return (joints[f"left_{name}"] + joints[f"right_{name}"]) / 2

    ways = [middle("shoulder") - middle("hip")]
    for side in SIDES:
        upper, elbow, wrist = (joints[f"{side}_{n}"] for n in ("shoulder", "elbow", "wrist"))
        ways += [elbow - upper, wrist - elbow]
    x, y, z = np.moveaxis(np.stack(ways, axis=1), -1, 0)
    turn = (np.pi / 2 - seen.sight_rad)[:, None]
    cos, sin = np.cos(turn), np.sin(turn)
    turned = np.stack([cos * x - sin * y, sin * x + cos * y, z], axis=-1)
    return turned / np.linalg.norm(turned, axis=-1, keepdims=True)


def labelled(seen: Look) -> dict:
    """A stroke as ``training.calibrating`` takes it."""
    true = true_headings(seen)
    lines = [wrapped(true[name] - seen.sight_rad) for name in ("hip", "shoulder")]
    label = np.column_stack([*lines, true_ways(seen).reshape(len(seen.time_s), -1)])
    return {
        "output": seen.output,
        "time_s": seen.time_s - seen.true["contact_s"],
        "label": label,
        "height_px": body_height_px(seen.track),
        "hand": seen.true["hand"],
    }


def worth(strokes: list[dict], calibration: Calibration) -> dict:
    """Errors of each line in every frame, degrees, with the coverage of 95 % intervals."""
    found = [stroke_errors(s, calibration) for s in strokes]
    lines = {
        name: spread(*(np.degrees(np.concatenate(part)) for part in zip(*rows, strict=True)))
        for name in ("hip", "shoulder", "separation")
        for rows in [[f[name] for f in found]]
    }
    return lines | {
        f"hitting {part}, forward swing": _hitting(strokes, calibration, part)
        for part in ("upper arm", "forearm")
    }


def _hitting(strokes: list[dict], calibration: Calibration, part: str) -> dict:
    errors, sds = [], []
    for stroke in strokes:
        error, sd = direction_errors(stroke, calibration)
        time_s = stroke["time_s"][swing_frames(stroke)]
        forward = (time_s >= FORWARD_S[0]) & (time_s <= FORWARD_S[1])
        segment = SEGMENTS.index(f"{stroke['hand']} {part}")
        errors.append(np.degrees(error[forward, segment]))
        sds.append(np.degrees(sd[forward, segment]))
    error, sd = np.concatenate(errors), np.concatenate(sds)
    return spread(error) | {"coverage95": round(float(np.mean(error <= ROUND_TWO * sd)), 3)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("sessions", nargs="+", type=Path, metavar="SESSION")
    parser.add_argument("--out", type=Path, required=True, help="file for the calibration")
    parser.add_argument("--keep", type=Path, help="folder that keeps what the networks said")
    parser.add_argument("--directions", action="store_true", help="set limb directions only")
    options = parser.parse_args()
    net = TurnNet()
    halves: tuple[list[dict], list[dict]] = ([], [])
    for session in options.sessions:
        looks = kept_looks(session, keep=options.keep, most=1000, net=net)
        long = [labelled(seen) for seen in looks if len(seen.time_s) >= LEAST_FRAMES]
        halves[0].extend(long[::2])
        halves[1].extend(long[1::2])
    if options.directions:
        calibration = calibrate_directions(halves[0], load_calibration())
    else:
        calibration = calibrate(halves[0])
    beside = options.out.with_suffix(".part")
    beside.write_text(calibration.model_dump_json(indent=1) + "\n", encoding="utf-8")
    beside.replace(options.out)
    for name, half in zip(("set on", "held out"), halves, strict=True):
        print(name, len(half), "strokes", json.dumps(worth(half, calibration), indent=1))


if __name__ == "__main__":
    main()
