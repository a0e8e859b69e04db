"""How steady the turn network is on real people: clips against their own mirror images.

Needs no truth. Run with ``python -m tests.benchmarks.real_bodies CLIP… --json FILE``. For each
clip, over every player-frame of people followed for a second or more, picture by picture and
before any fusion over time:

``frames``
    player-frames compared.
``mirror_hip_deg``, ``mirror_shoulder_deg``, ``mirror_separation_deg``
    disagreement between a picture's answer and the mirrored answer of its mirror image, degrees:
    median and 90th percentile.
``left_right_agreement``
    share of hip and shoulder lines whose left and right ends stand in the order of the landmarks,
    of lines whose ends lie a twentieth of the body's height apart or more.
``frame_to_frame_deg``
    change of hip and shoulder headings from one frame to the next: median and 90th percentile.
"""

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from paddlebrief.footage import open_frames
from paddlebrief.footage.frames import Frame
from paddlebrief.model_store import ensure_models
from paddlebrief.pose_net import PoseNet
from paddlebrief.records import Track
from paddlebrief.sight.sides import settle_sides
from paddlebrief.sight.tracker import SightSettings, Tracker
from paddlebrief.turn.fusion import wrapped
from paddlebrief.turn.inputs import View
from paddlebrief.turn.net import CIRCLE_RAD, SEPARATION_RAD, TurnNet
from paddlebrief.turn.reading import Reading, read_frames

LEAST_S = 1.0
CLEARLY_APART = 0.05  # body heights
PAIRS = {"hip": (23, 24), "shoulder": (11, 12)}


def frames_of(clip: Path, *, mirror: bool):
    """The clip's frames, mirrored or not."""
    with open_frames(clip) as frames:
        for frame in frames:
            if mirror:
                flipped = np.ascontiguousarray(frame.picture_bgr[:, ::-1])
                frame = replace(frame, picture_bgr=flipped)
            yield frame


def tracks_of(frames, net: PoseNet) -> list[Track]:
    """Everybody's track with left and right settled; short ones are left out."""
    tracker = Tracker(net, SightSettings())
    rows: dict[int, list] = {}
    for frame in frames:
        if frame.repeat:
            continue
        for seen in tracker.step(frame.picture_bgr, frame.time_s):
            rows.setdefault(seen.person, []).append((frame.index, frame.time_s, seen))
    tracks = []
    for person, seen in rows.items():
        times = np.array([r[1] for r in seen])
        if times[-1] - times[0] < LEAST_S:
            continue
        marks, _ = settle_sides(np.stack([r[2].landmarks_px for r in seen]), times)
        tracks.append(
            Track(
                person=person,
                frame=np.array([r[0] for r in seen]),
                time_s=times,
                landmarks_px=marks,
                visibility=np.stack([r[2].visibility for r in seen]),
                noise_px=np.full(33, np.nan),
            )
        )
    return tracks


def answers(reading: Reading) -> dict[str, np.ndarray]:
    """Point answers of each frame, radians."""
    found = {}
    for name in ("hip", "shoulder"):
        weights = np.exp(getattr(reading.output, name))
        found[name] = np.angle(weights @ np.exp(1j * CIRCLE_RAD))
    found["separation"] = np.exp(reading.output.separation) @ SEPARATION_RAD
    return found


def counterpart(track: Track, others: list[Track], width: int) -> Track | None:
    """The track of the same person in the mirrored clip."""

    def apart(other: Track) -> float:
        shared, mine, theirs = np.intersect1d(track.frame, other.frame, return_indices=True)
        if len(shared) < 0.5 * len(track.frame):
            return np.inf
        a = track.landmarks_px[mine][:, [23, 24]].mean(axis=1)
        b = other.landmarks_px[theirs][:, [23, 24]].mean(axis=1)
        b[:, 0] = width - 1 - b[:, 0]
        return float(np.median(np.linalg.norm(a - b, axis=1)))

    best = min(others, key=apart, default=None)
    size = np.median(np.ptp(track.landmarks_px[..., 1], axis=1))
    return best if best is not None and apart(best) < 0.2 * size else None


def measure(clip: Path, *, pose_net: PoseNet, turn_net: TurnNet) -> dict:
    """The figures of one clip."""
    first: Frame = next(frames_of(clip, mirror=False))
    height, width = first.picture_bgr.shape[:2]
    view = View.assumed(width, height)
    plain = tracks_of(frames_of(clip, mirror=False), pose_net)
    turned = tracks_of(frames_of(clip, mirror=True), pose_net)
    gaps: dict[str, list] = {"hip": [], "shoulder": [], "separation": []}
    agreed, steps, count = [], [], 0
    for track in plain:
        mate = counterpart(track, turned, width)
        if mate is None:
            continue
        readings = [
            read_frames(
                frames_of(clip, mirror=mirror), t, pose_net=pose_net, turn_net=turn_net, view=view
            )
            for t, mirror in ((track, False), (mate, True))
        ]
        found, mirrored = map(answers, readings)
        _, mine, theirs = np.intersect1d(*(r.frame for r in readings), return_indices=True)
        count += len(mine)
        for name in gaps:
            gaps[name].append(np.abs(wrapped(found[name][mine] + mirrored[name][theirs])))
        for name, pair in PAIRS.items():
            agreed.append(in_order(track, readings[0], found[name], pair))
            steps.append(np.abs(wrapped(np.diff(found[name]))))
    result: dict = {"frames": count}
    for name in gaps:
        result[f"mirror_{name}_deg"] = spread(gaps[name])
    flags = np.concatenate(agreed) if agreed else np.empty(0)
    result["left_right_agreement"] = round(float(flags.mean()), 4) if len(flags) else None
    result["frame_to_frame_deg"] = spread(steps)
    return result


def in_order(track: Track, reading: Reading, heading: np.ndarray, pair) -> np.ndarray:
    """Whether clear lines stand the way round that the landmarks have them."""
    _, rows, mine = np.intersect1d(track.frame, reading.frame, return_indices=True)
    marks = track.landmarks_px[rows]
    across = marks[:, pair[1], 0] - marks[:, pair[0], 0]
    clear = np.abs(across) > CLEARLY_APART * np.ptp(marks[..., 1], axis=1)
    return np.sign(np.cos(heading[mine]))[clear] == np.sign(across)[clear]


def spread(parts_rad: list[np.ndarray]) -> dict[str, float | None]:
    """Median and 90th percentile in degrees; None when there is nothing."""
    values = np.degrees(np.concatenate(parts_rad)) if parts_rad else np.empty(0)
    if not len(values):
        return {"median": None, "p90": None}
    return {
        "median": round(float(np.median(values)), 2),
        "p90": round(float(np.percentile(values, 90)), 2),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("clips", nargs="+", type=Path, metavar="CLIP")
    parser.add_argument("--json", type=Path, required=True, help="file for the figures")
    parser.add_argument("--weights", type=Path, help="other weights than the package's")
    options = parser.parse_args()
    models = ensure_models()
    pose_net = PoseNet(
        detector=models["pose_detection.tflite"], landmarker=models["pose_landmark_full.tflite"]
    )
    turn_net = TurnNet(options.weights)
    found = {c.name: measure(c, pose_net=pose_net, turn_net=turn_net) for c in options.clips}
    beside = options.json.with_suffix(".part")
    beside.write_text(json.dumps(found, indent=1), encoding="utf-8")
    beside.replace(options.json)
    print(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
