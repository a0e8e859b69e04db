"""How far off bodies in space are on rehearsals, by the height of the player in the picture.

Run with ``python -m tests.benchmarks.turn SESSION… --json FILE``; each SESSION is what
``paddlebrief rehearse`` left, with its truth of joints in every frame. Strokes, the camera and
the ball's place in the picture at contact are taken from the truth (the ball with 3 px of noise),
landmarks and turns from the networks, so that the table shows what this part alone does. Beside
it stands the pose network's own separation from its points in space. ``--keep DIR`` keeps what
the networks said, and reads it where it is already there; ``--stored FILE`` reads the answers
that a training run left in ``strokes.npz`` instead of sessions.
"""

import argparse
import json
import time
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from paddlebrief.body import body_height_px
from paddlebrief.court.camera import SolvedCamera
from paddlebrief.court.camera import View as SolvedView
from paddlebrief.footage import open_frames
from paddlebrief.mechanics.arm import contact_beside_wrist
from paddlebrief.mechanics.body_view import BodyView
from paddlebrief.mechanics.turns import body_measures
from paddlebrief.model_store import ensure_models
from paddlebrief.records import (
    Handedness,
    Kind,
    Measure,
    Side,
    Stroke,
    Track,
)
from paddlebrief.sight.sides import settle_sides
from paddlebrief.sight.tracker import SightSettings
from paddlebrief.smoothing import residual_noise, smooth_paths
from paddlebrief.turn.crowding import clear_of_others
from paddlebrief.turn.fusion import Calibration, Turns, fuse, load_calibration, wrapped
from paddlebrief.turn.inputs import View, body_crop
from paddlebrief.turn.net import TurnNet, TurnOutput
from paddlebrief.turn.reading import read_frames
from paddlebrief.turn.skeleton import build_path
from paddlebrief.turn.standing import ADULT

BEFORE_S, AFTER_S = 0.95, 0.2  # of track before the forward swing and after the finish
CONTACT_SD_S, BALL_SD_PX = 0.003, 3.0
CAMERA_SDS = (0.003, 2, 2, 2e-3, 2e-3, 5e-4, 5e-4, 5e-4, 0.02, 0.02, 0.02)
HEIGHTS = (("300 px and more", 270, 1e9), ("200 px", 180, 270), ("150 px", 0, 180))
ROUND = 1.96
GONE = 0.1  # trunk this far from the true one, body heights: the crop is on somebody else
APART_DEG = (12.0, 18.0)  # true differences of separation that count as 15°


@dataclass(frozen=True)
class Look:
    """One stroke: what the networks said of it, and what is true. All arrays are time first."""

    track: Track
    output: TurnOutput
    time_s: np.ndarray
    sight_rad: np.ndarray
    own_rad: np.ndarray
    camera: SolvedCamera
    true: dict
    joints_m: dict[str, np.ndarray]
    ms_a_frame: float


class _PoseWithSpace:
    """The pose network, keeping its own points in space for each picture it is shown."""

    def __init__(self, landmarker: Path) -> None:
        from paddlebrief.turn.training.placing import processor_placer

        self._placer = processor_placer(landmarker)
        self.spaces: list[np.ndarray] = []

    def place(self, picture_bgr, crop):
        poses, spaces = self._placer([picture_bgr], [crop])
        self.spaces.append(spaces[0])
        return poses[0]


def camera_of(truth: Path, size_px: tuple[int, int]) -> SolvedCamera:
    """The true camera of a session, said to be known as well as a solved one."""
    row = pq.read_table(truth / "frames.parquet").slice(0, 1).to_pylist()[0]
    matrix = np.reshape(row["matrix"], (3, 3))
    return SolvedCamera(
        view=SolvedView(
            focal_px=float(matrix[0, 0]),
            centre_px=matrix[:2, 2],
            distortion=np.array(row["distortion"][:2]),
            rotation=np.reshape(row["rotation"], (3, 3)),
            position_m=np.array(row["place_m"]),
            size_px=size_px,
        ),
        covariance=np.diag(np.square(CAMERA_SDS)),
    )


def follow(
    recording: Path, *, start_s: float, end_s: float, at: np.ndarray, true_px: np.ndarray, net
) -> Track:
    """One player's landmarks, each frame's crop from the one before, left and right settled.

    Who is who is not judged here: where the crop has gone over to somebody else, it starts anew
    from the true landmarks (n, 33, 2) at times (n,).
    """
    crop, rows = body_crop(true_px[0]), []
    with open_frames(recording, start_s=start_s, end_s=end_s) as frames:
        for frame in frames:
            if frame.repeat:
                continue
            true = true_px[np.abs(at - frame.time_s).argmin()]
            pose = net.place(frame.picture_bgr, crop)
            if _left(pose.landmarks_px, true):
                pose = net.place(frame.picture_bgr, body_crop(true))
            crop = pose.next_crop
            rows.append((frame.index, frame.time_s, pose.landmarks_px, pose.visibility))
    times = np.array([r[1] for r in rows])
    marks, _ = settle_sides(np.stack([r[2] for r in rows]), times)
    return Track(
        person=0,
        frame=np.array([r[0] for r in rows]),
        time_s=times,
        landmarks_px=marks,
        visibility=np.stack([r[3] for r in rows]),
        noise_px=np.full(33, np.nan),
    )


def _left(marks_px: np.ndarray, true_px: np.ndarray) -> bool:
    trunk = [11, 12, 23, 24]
    apart = np.linalg.norm((marks_px[trunk] - true_px[trunk]).mean(axis=0))
    return bool(apart > GONE * np.ptp(true_px[:, 1]))


def look(session: Path, true: dict, *, turn_net: TurnNet) -> Look:
    """What the networks say of one true stroke of a session."""
    from paddlebrief.turn.training.strokes import own_headings

    truth, recording = session / "truth", next((session / "session").glob("*.mp4"))
    start_s, end_s = true["forward_s"] - BEFORE_S, true["finish_s"] + AFTER_S
    with open_frames(recording, end_s=0.1) as frames:
        height, width = next(iter(frames)).picture_bgr.shape[:2]
    camera = camera_of(truth, (width, height))
    at, marks_px, joints_m = true_body(truth, true["player"], start_s=start_s, end_s=end_s)
    net = _PoseWithSpace(ensure_models()["pose_landmark_full.tflite"])
    track = follow(recording, start_s=start_s, end_s=end_s, at=at, true_px=marks_px, net=net)
    track = clear_of_others(track, others_of(truth, true["player"], start_s=start_s, end_s=end_s))
    net.spaces.clear()
    view = View.solved(
        focal_px=camera.view.focal_px,
        centre_px=camera.view.centre_px,
        rotation=camera.view.rotation,
    )
    begin = time.perf_counter()
    with open_frames(recording, start_s=start_s, end_s=end_s) as frames:
        reading = read_frames(
            frames, track, pose_net=net, turn_net=turn_net, view=view, both_ways=True
        )
    spent = time.perf_counter() - begin
    print(f"{session.name}: stroke {true['number']}, {len(reading.time_s)} frames", flush=True)
    return Look(
        track=track,
        output=reading.output,
        time_s=reading.time_s,
        sight_rad=reading.sight_rad,
        own_rad=own_headings(np.reshape(net.spaces, (-1, 33, 3))),
        camera=camera,
        true=true,
        joints_m={n: _between(reading.time_s, at, way) for n, way in joints_m.items()},
        ms_a_frame=1e3 * spent / len(reading.time_s) if len(reading.time_s) else np.nan,
    )


def true_body(
    truth: Path, player: str, *, start_s: float, end_s: float
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Times (n,), landmarks (n, 33, 2) in pixels and joints (n, 3) in metres of a stretch."""
    path = truth / "joints.parquet"
    names = pq.read_schema(path).metadata[b"joints"].decode().split(",")
    rows = pq.read_table(
        path, filters=[("player", "=", player), ("time_s", ">=", start_s), ("time_s", "<", end_s)]
    )
    marks = np.array(rows["landmarks_px"].to_pylist()).reshape(-1, 33, 2)
    joints = np.array(rows["joints_m"].to_pylist()).reshape(len(marks), -1, 3)
    return np.array(rows["time_s"]), marks, {n: joints[:, k] for k, n in enumerate(names)}


def others_of(truth: Path, player: str, *, start_s: float, end_s: float) -> list[Track]:
    """True landmarks of everybody else, as if followed without error."""
    people = pq.read_table(truth / "players.parquet")["player"].to_pylist()
    tracks = []
    for other in people:
        if other == player:
            continue
        at, marks, _ = true_body(truth, other, start_s=start_s, end_s=end_s)
        tracks.append(
            Track(
                person=1, frame=np.arange(len(at)), time_s=at, landmarks_px=marks,
                visibility=np.ones(marks.shape[:2]), noise_px=np.full(33, np.nan),
            )
        )  # fmt: skip
    return tracks


def _between(time_s: np.ndarray, at: np.ndarray, way: np.ndarray) -> np.ndarray:
    return np.stack([np.interp(time_s, at, column) for column in way.T], axis=1)


def true_ball_m(seen: Look, side: int) -> np.ndarray:
    """(3,) the ball's centre at contact, court frame."""
    true = seen.true
    hips = (seen.joints_m["left_hip"] + seen.joints_m["right_hip"]) / 2
    x, y, _ = _between(np.array([true["contact_s"]]), seen.time_s, hips)[0]
    facing = 1 if y < 0 else -1
    reach = true["contact_reach_m"] * side * facing
    return np.array([x + reach, y + true["contact_front_m"] * facing, true["contact_height_m"]])


def stroke_of(true: dict) -> Stroke:
    """The true stroke as the pipeline would hand it on."""
    sure = {k: float(k.value == true["kind"]) for k in (Kind.DRIVE, Kind.SLICE, Kind.OTHER)}
    return Stroke(
        number=true["number"], person=0, player=true["player"], hand=Handedness(true["hand"]),
        side=Side(true["side"]), side_probability=1.0, kind=Kind(true["kind"]),
        kind_probabilities=sure, load_s=min(true["load_s"], true["forward_s"]),
        forward_s=true["forward_s"], contact_s=true["contact_s"], contact_s_sd=CONTACT_SD_S,
        finish_s=true["finish_s"],
    )  # fmt: skip


def smoothed(track: Track, contact_s: float, sight: SightSettings) -> Track:
    """As the pipeline smooths tracks round a stroke, with the noise that smoothing took out."""
    seen = np.where(
        (track.visibility >= sight.min_visibility)[..., None], track.landmarks_px, np.nan
    )
    smooth = smooth_paths(seen, track.time_s, cutoff_hz=sight.cutoff_hz, breaks_s=[contact_s])
    noise = np.hypot(*residual_noise(seen, smooth).T) / np.sqrt(2)
    return replace(track, landmarks_px=smooth, noise_px=noise)


def view_of(seen: Look, calibration: Calibration, seed: int) -> BodyView:
    """The stroke as measures see it."""
    sight, stroke = SightSettings(), stroke_of(seen.true)
    interval = float(np.median(np.diff(seen.track.time_s)))
    view = BodyView(
        stroke=stroke, turns=None, path=None, slow_factor=1.0, frame_interval_s=interval
    )
    if not len(seen.time_s):
        return view
    turns = fuse(seen.output, seen.time_s, calibration=calibration, sight_rad=seen.sight_rad)
    path = build_path(
        smoothed(seen.track, stroke.contact_s, sight), turns, hand=stroke.hand, stature=ADULT,
        size_px=seen.camera.view.size_px, placement_error=sight.placement_error,
        camera=seen.camera,
    )  # fmt: skip
    view = replace(view, turns=turns, path=path)
    if path is None:
        return view
    ball = seen.camera.project(true_ball_m(seen, view.hitting_side))
    noise = np.random.default_rng(seed).normal(0, BALL_SD_PX, 2)
    contact = contact_beside_wrist(
        path, place_px=ball + noise, sd_px=BALL_SD_PX, time_s=stroke.contact_s,
        eye=seen.camera.view,
    )  # fmt: skip
    return replace(view, contact=contact)


def own_separation_deg(seen: Look, side: int) -> float:
    """Greatest separation of the backswing by the pose network's own points in space."""
    inside = (seen.time_s <= seen.true["forward_s"]) & (seen.time_s >= seen.true["forward_s"] - 0.8)
    apart = wrapped(seen.own_rad[:, 1] - seen.own_rad[:, 0])[inside]
    return float(np.degrees(np.max(-side * apart)))


def true_headings(seen: Look) -> dict[str, np.ndarray]:
    """(n,) true court headings, radians."""
    found = {}
    for line in ("hip", "shoulder"):
        right = seen.joints_m[f"right_{line}"] - seen.joints_m[f"left_{line}"]
        found[line] = np.arctan2(right[:, 0], -right[:, 1])
    return found


def frame_errors(turns: Turns, seen: Look) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Errors and standard uncertainties of each line in every frame, degrees."""
    true = true_headings(seen)
    off = {
        "hip": wrapped(turns.hip_rad - true["hip"]),
        "shoulder": wrapped(turns.shoulder_rad - true["shoulder"]),
        "separation": turns.separation_rad - wrapped(true["shoulder"] - true["hip"]),
    }
    return {
        name: (np.degrees(error), np.degrees(getattr(turns, f"{name}_sd_rad")))
        for name, error in off.items()
    }


def spread(error: np.ndarray, sd: np.ndarray | None = None, missing: int = 0) -> dict:
    """Median, 90th percentile, bias, and the coverage of 95 % intervals."""
    if not len(error):
        return {"n": 0, "missing": int(missing)}
    found = {
        "n": len(error),
        "missing": int(missing),
        "median": round(float(np.median(np.abs(error))), 3),
        "p90": round(float(np.percentile(np.abs(error), 90)), 3),
        "bias": round(float(np.mean(error)), 3),
    }
    if sd is not None:
        found["coverage95"] = round(float(np.mean(np.abs(error) <= ROUND * sd)), 3)
    return found


def table(looks: list[Look], calibration: Calibration) -> dict:
    """All figures of some strokes."""
    values: dict[str, list[tuple[float, Measure]]] = {}
    own, lines = [], {n: [] for n in ("hip", "shoulder", "separation")}
    for seed, seen in enumerate(looks):
        view = view_of(seen, calibration, seed)
        for measure in body_measures(view):
            values.setdefault(measure.name, []).append((seen.true.get(measure.name), measure))
        if view.without_turns is not None:
            continue
        own.append(
            own_separation_deg(seen, view.hitting_side) - seen.true["separation_at_load_deg"]
        )
        for name, pair in frame_errors(view.turns, seen).items():
            lines[name].append(pair)
    found = {}
    for name, pairs in values.items():
        known = [(m.value - t, m.sd) for t, m in pairs if t is not None and m.measured]
        asked = sum(t is not None and np.isfinite(t) for t, _ in pairs)
        error, sd = np.array(known).reshape(-1, 2).T
        found[name] = spread(error, sd, asked - len(known))
    found["separation by the pose network"] = spread(np.array(own))
    for name, parts in lines.items():
        error, sd = (np.concatenate(part) for part in zip(*parts, strict=True))
        found[f"{name} in every frame"] = spread(error, sd)
    return found


def told_apart(looks: list[Look], calibration: Calibration) -> dict:
    """Pairs of a player's strokes whose true separations are 15° apart, and how many keep order."""
    rows = []
    for seed, seen in enumerate(looks):
        found = {m.name: m for m in body_measures(view_of(seen, calibration, seed))}
        if found["separation_at_load_deg"].measured:
            true = seen.true["separation_at_load_deg"]
            rows.append((seen.true["player"], seen.true["side"], true,
                         found["separation_at_load_deg"].value))  # fmt: skip
    signs = [
        np.sign(a[2] - b[2]) == np.sign(a[3] - b[3])
        for a, b in combinations(rows, 2)
        if a[:2] == b[:2] and APART_DEG[0] <= abs(a[2] - b[2]) <= APART_DEG[1]
    ]
    return {"pairs": len(signs), "right": round(float(np.mean(signs)), 3) if signs else None}


def kept_looks(session: Path, *, keep: Path | None, most: int, net: TurnNet) -> list[Look]:
    """Looks of a session's strokes, those from the folder where they are kept that are there."""
    import pickle

    strokes = pq.read_table(session / "truth" / "strokes.parquet").to_pylist()
    looks = []
    for k in np.unique(np.linspace(0, len(strokes) - 1, min(most, len(strokes))).round()):
        true = strokes[int(k)]
        path = None if keep is None else keep / f"{session.name}-{true['number']}.pickle"
        if path is not None and path.exists():
            looks.append(pickle.loads(path.read_bytes()))
            continue
        looks.append(look(session, true, turn_net=net))
        if path is not None:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(pickle.dumps(looks[-1]))
    return looks


def by_height(looks: list[Look], calibration: Calibration) -> dict:
    """The tables by the height of the player in the picture."""
    tall = [body_height_px(seen.track) for seen in looks]
    found = {}
    for name, low, high in HEIGHTS:
        chosen = [s for s, t in zip(looks, tall, strict=True) if low <= t < high]
        if chosen:
            found[name] = {"strokes": len(chosen), **table(chosen, calibration)}
    return found


def printed(rows: dict) -> None:
    """A table for the eye."""
    for height, figures in rows.items():
        print(f"\n{height}: {figures['strokes']} strokes")
        print(f"  {'':34}{'n':>6}{'missing':>9}{'median':>9}{'p90':>9}{'bias':>9}{'cover':>8}")
        for name, f in figures.items():
            if name != "strokes" and f["n"]:
                print(
                    f"  {name:34}{f['n']:6}{f['missing']:9}{f['median']:9.2f}{f['p90']:9.2f}"
                    f"{f['bias']:9.2f}{f.get('coverage95', float('nan')):8.2f}"
                )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("sessions", nargs="*", type=Path, metavar="SESSION")
    parser.add_argument("--json", type=Path, required=True, help="file for the figures")
    parser.add_argument("--keep", type=Path, help="folder that keeps what the networks said")
    parser.add_argument("--strokes", type=int, default=1000, help="most strokes of a session")
    parser.add_argument("--stored", type=Path, help="strokes.npz of a training run")
    options = parser.parse_args()
    calibration = load_calibration()
    if options.stored:
        from paddlebrief.turn.training import calibrating

        result = calibrating.table(calibrating.load_strokes(options.stored), calibration)
    else:
        net = TurnNet()
        looks = [
            seen
            for session in options.sessions
            for seen in kept_looks(session, keep=options.keep, most=options.strokes, net=net)
        ]
        result = by_height(looks, calibration)
        printed(result)
        result["15° told apart"] = told_apart(looks, calibration)
        result["ms_a_player_frame"] = round(float(np.nanmean([s.ms_a_frame for s in looks])), 1)
    beside = options.json.with_suffix(".part")
    beside.write_text(json.dumps(result, indent=1), encoding="utf-8")
    beside.replace(options.json)
    print(json.dumps(result if options.stored else list(result.items())[-2:], indent=1))


if __name__ == "__main__":
    main()
