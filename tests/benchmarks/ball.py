"""How well balls are tracked: simulated sessions from three places, frame rates and noises.

Run with ``python -m tests.benchmarks.ball [--seeds N] [--places …] [--rates …]``; prints a table
of errors and of the share of true values inside the stated 95 % intervals.
"""

import argparse
import time
from collections import defaultdict
from dataclasses import replace

import numpy as np

from paddlebrief.ball import BallTrackSettings, find_shot, measure_shot, track_balls
from tests.ball_scenes import Scene, SceneSpec, make_scene, solved_camera, true_outcome

CASES = {30.0: ((1280, 720), 0.8, 1 / 250), 60.0: ((1920, 1080), 1.0, 1 / 1000),
         120.0: ((1920, 1080), 1.0, 1 / 1000)}  # fmt: skip
SETTINGS = BallTrackSettings()
CONTACT_SD_S = 0.008


def grade(scene: Scene, tracks, rng: np.random.Generator) -> dict[str, list]:
    """Errors and errors over stated uncertainties of every shot of a scene."""
    out = defaultdict(list)
    for number, shot in enumerate(scene.shots):
        truth = true_outcome(shot)
        asked = shot.contact_s + rng.normal(0, CONTACT_SD_S)
        found = find_shot(tracks, asked)
        own = found is not None and any(
            scene.ball[r] == number for r in found[0].flights[found[1]].rows
        )
        out["shots found"].append(own)
        if not own:
            continue
        got = measure_shot(*found, contact_s=asked, contact_s_sd=CONTACT_SD_S, settings=SETTINGS)
        for name, true in truth.items():
            value = getattr(got, name)
            out[f"{name} measured"].append(value.reason is None)
            if value.reason is None:
                error = value.value - true
                out[name].append(error / true if "speed" in name else error)
                out[f"{name} z"].append(error / value.sd)
    true_rows = scene.ball >= 0
    kept = np.zeros(len(true_rows), bool)
    for track in tracks:
        rows = np.concatenate([f.rows for f in track.flights])
        kept[rows] = True
        out["false tracks"].append(np.mean(true_rows[rows]) < 0.5)
    out["recall"].append(np.mean(kept[true_rows]))
    out["precision"].append(np.mean(true_rows[kept]))
    for name, kind in (("bounce", "bounce"), ("hit", "hit")):
        _grade_breaks(scene, tracks, name, kind, out)
    return out


def _grade_breaks(scene: Scene, tracks, name: str, kind: str, out) -> None:
    breaks = [b for t in tracks for b in t.breaks if b.kind.value == kind]
    found = np.array([b.time_s for b in breaks])
    for number, shot in enumerate(scene.shots):
        bounces = (*shot.incoming.events, *shot.outgoing.events[:1])
        times = [e.time_s for e in bounces] if kind == "bounce" else [shot.contact_s]
        for at in (t for t in times if _in_sight(scene, number, t)):
            off = np.abs(found - at) if len(found) else np.array([np.inf])
            best = int(np.argmin(off))
            out[f"{name} found"].append(off[best] < 0.03)
            if off[best] < 0.03:
                error = found[best] - at
                out[f"{name} ms"].append(1e3 * error)
                out[f"{name} z"].append(error / breaks[best].time_s_sd)


def _in_sight(scene: Scene, ball: int, at_s: float) -> bool:
    """Whether the ball was detected three times in the fifth of a second before and after."""
    since = scene.candidates.time_s[scene.ball == ball] - at_s
    return bool(
        np.sum((since > -0.2) & (since < 0)) >= 3 and np.sum((since > 0) & (since < 0.2)) >= 3
    )


def row(name: str, out: dict[str, list], minutes: float, seconds: float) -> str:
    """One line of the table."""
    text = f"{name:16} points {np.mean(out['precision']):.3f}/{np.mean(out['recall']):.3f}"
    text += f", false tracks {sum(out['false tracks']) / minutes:.1f}/min"
    for kind in ("bounce", "hit"):
        error = np.abs(out[f"{kind} ms"])
        text += (
            f", {kind} {np.mean(out[f'{kind} found']):.2f} {np.median(error):.1f} ms"
            f" (90 %: {np.percentile(error, 90):.1f}) in {_inside(out[f'{kind} z']):.2f}"
        )
    text += f"\n{'':16} shots {np.mean(out['shots found']):.2f}"
    units = {
        "launch_speed_mps": ("launch", 100, "%"),
        "mean_speed_mps": ("mean speed", 100, "%"),
        "landing_depth_m": ("depth", 100, "cm"),
        "net_clearance_m": ("net", 100, "cm"),
    }
    for key, (label, factor, unit) in units.items():
        error = factor * np.abs(out[key])
        text += (
            f", {label} {np.mean(out[f'{key} measured']):.2f}: {np.median(error):.1f} {unit}"
            f" (90 %: {np.percentile(error, 90):.1f}) in {_inside(out[f'{key} z']):.2f}"
        )
    return text + f"; {seconds / minutes:.1f} s/min"


def _inside(z) -> float:
    return float(np.mean(np.abs(z) < 1.96))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=4, help="sessions of each kind")
    parser.add_argument("--shots", type=int, default=8, help="shots in a session")
    parser.add_argument("--places", nargs="+", default=["behind", "side", "corner"])
    parser.add_argument("--rates", nargs="+", type=float, default=list(CASES))
    parser.add_argument("--noise", type=float, default=0.0, help="pixels; 0 for the usual ones")
    parser.add_argument("--movers", type=int, default=2, help="hands or shoes taken for balls")
    parser.add_argument(
        "--court", type=float, default=0.0,
        help="solve the camera from line corners with so many pixels of noise; 0: known camera",
    )  # fmt: skip
    given = parser.parse_args()
    everything = defaultdict(list)
    for rate in given.rates:
        size, noise, shutter = CASES[rate]
        for place in given.places:
            out, minutes, seconds = defaultdict(list), 0.0, 0.0
            spec = SceneSpec(
                place=place, rate=rate, size_px=size, noise_px=given.noise or noise,
                shutter_s=shutter, shots=given.shots, movers=given.movers,
            )  # fmt: skip
            for seed in range(given.seeds):
                scene = make_scene(replace(spec, seed=seed))
                eye = scene.eye
                if given.court:
                    eye = solved_camera(eye, noise_px=given.court, seed=seed)
                start = time.process_time()
                tracks = track_balls(
                    scene.candidates, camera=eye, width_px=size[0], settings=SETTINGS
                )
                seconds += time.process_time() - start
                minutes += float(np.ptp(scene.candidates.frame_time_s)) / 60
                for key, values in grade(scene, tracks, np.random.default_rng(seed)).items():
                    out[key] += values
                    everything[key] += values
            print(row(f"{place} {rate:.0f} fps", out, minutes, seconds), flush=True)
    print("all: inside 95 % intervals:", end=" ")
    print(", ".join(f"{k[:-2]} {_inside(v):.3f} of {len(v)}" for k, v in everything.items()
                    if k.endswith(" z")))  # fmt: skip


if __name__ == "__main__":
    main()
