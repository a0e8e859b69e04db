"""How well the paddle's pose is measured in rehearsals with truth tables of joints and paddles.

Run with ``python -m tests.benchmarks.paddle FOLDER … [--strokes N] [--keep DIR]``; each folder is
a rehearsal (``session/`` and ``truth/``). Prints, for each and for all together, what the table
of the paddle's measures gives against the truth, and how far the face's normal is off.

The camera, the player's landmarks, the hand's distance, the forearm's direction and the moment of
contact come from the truth with errors of the size that the other stages state, so that what is
judged is the paddle. With ``--ball`` the ball's velocities are known, but not its spin, which the
product takes from the flights: face and path read worse here. As in the pipeline, a player's
strokes are fitted twice, the second time with the paddle's size that all of them gave.

A frame's normal counts as stated where its standard uncertainty in either direction across itself
is within the limit of the face's measures at contact; errors in all frames in which the paddle
was seen are printed beside it.
"""

import argparse
import logging
import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from paddlebrief.court.camera import PARAMETERS, SolvedCamera, View
from paddlebrief.eyes import EyeSettings, PaddleNet
from paddlebrief.eyes.settings import PaddleNetSettings
from paddlebrief.footage import open_frames
from paddlebrief.mechanics.paddle import FACE_LIMIT_DEG, PADDLE_MEASURES, paddle_measures
from paddlebrief.paddle import (
    BallAtHit,
    Forearm,
    HandDistance,
    PaddlePose,
    PaddleSize,
    PaddleTrack,
    Striking,
    look_for_paddle,
    paddle_pose,
    pooled_size,
)
from paddlebrief.records import LANDMARKS, Handedness, Kind, Side, Stroke, Track

BEFORE_S, AFTER_S = 0.40, 0.25
CONTACT_SD_S, FOREARM_SD_RAD, LANDMARK_SD = 0.004, 0.22, 0.012
DISTANCE_SD_M, WANDER_M = 0.15, 0.12
BALL_SD_MPS, BALL_SPAN_S = 1.5, 0.07
CAMERA_SD = {
    "log_focal": 0.004, "centre_x_px": 2, "centre_y_px": 2, "k1": 0.003, "k2": 0.003,
    "turn_x_rad": 0.003, "turn_y_rad": 0.003, "turn_z_rad": 0.003, "x_m": 0.03, "y_m": 0.03,
    "z_m": 0.03,
}  # fmt: skip


class Rehearsal:
    """The truth of one rehearsal, by frame."""

    def __init__(self, folder: Path) -> None:
        truth = folder / "truth"
        self.name = folder.name
        self.players = pq.read_table(truth / "players.parquet").to_pydict()["player"]
        self.strokes = pq.read_table(truth / "strokes.parquet").to_pylist()
        self.frames = pq.read_table(truth / "frames.parquet").to_pydict()
        self.recording = folder / "session" / self.frames["recording"][0]
        self._joints = pq.read_table(truth / "joints.parquet")
        names = self._joints.schema.metadata[b"joints"].decode().split(",")
        self._at = {name: k for k, name in enumerate(names)}
        self._paddles = pq.read_table(truth / "paddles.parquet")
        balls = pq.read_table(truth / "balls.parquet").to_pydict()
        self._ball_s, self._ball_slot = np.array(balls["time_s"]), np.array(balls["ball"])
        self._ball_m = np.array(balls["place_m"], float)
        self.time_s = np.array(self.frames["time_s"])
        court_s = np.array(self.frames["court_s"])
        self.slow = float(np.median(np.diff(self.time_s)) / np.median(np.diff(court_s)))

    def camera(self, rng: np.random.Generator) -> SolvedCamera:
        """The true camera, off by what its covariance says."""
        size = open_size(self.recording)
        matrix = np.array(self.frames["matrix"][0], float).reshape(3, 3)
        sd = np.array([CAMERA_SD[name] for name in PARAMETERS])
        view = View(
            focal_px=float(matrix[0, 0]), centre_px=matrix[:2, 2],
            distortion=np.array(self.frames["distortion"][0][:2], float),
            rotation=np.array(self.frames["rotation"][0], float).reshape(3, 3),
            position_m=np.array(self.frames["place_m"][0], float), size_px=size,
        )  # fmt: skip
        step = 0.5 * rng.standard_normal(len(sd)) * sd
        ahead = np.array(self.frames["rotation"], float).reshape(-1, 3, 3)[:, 2]
        shake_px = float(np.sqrt(np.sum(ahead.var(axis=0)) / 2) * view.focal_px)
        return SolvedCamera(
            view=view.moved(step), covariance=np.diag((0.5 * sd) ** 2), shake_px=shake_px
        )

    def player(self, name: str, rows: np.ndarray) -> dict[str, np.ndarray]:
        """Landmarks, joints and paddle of a player in some frames."""
        import pyarrow.compute as pc

        found = {}
        for table, columns in (
            (self._joints, ("landmarks_px", "joints_m")),
            (self._paddles, ("rotation", "face_m")),
        ):
            own = table.filter(pc.equal(table["player"], name)).to_pydict()
            order = np.searchsorted(np.array(own["frame"]), rows)
            for column in columns:
                found[column] = np.array([own[column][k] for k in order], float)
        n = len(rows)
        return {
            "landmarks_px": found["landmarks_px"].reshape(n, len(LANDMARKS), 2),
            "joints_m": found["joints_m"].reshape(n, -1, 3),
            "rotation": found["rotation"].reshape(n, 3, 3),
            "face_m": found["face_m"],
        }

    def ball(self, row: dict, rng: np.random.Generator) -> BallAtHit | None:
        """The ball's velocities at a contact, with errors; None when it is not seen there."""
        found, near = [], np.abs(self._ball_s - row["contact_s"]) < BALL_SPAN_S * self.slow
        for side in (-1, 1):
            rows = np.flatnonzero(near & (side * (self._ball_s - row["contact_s"]) > 0))
            rows = [k for k in rows if self._ball_slot[k] == self._slot_at(row["contact_s"])]
            if len(rows) < 2:
                return None
            time_s = (self._ball_s[rows] - row["contact_s"]) / self.slow
            slope = np.polyfit(time_s, self._ball_m[rows], 1)[0]
            found.append(slope + rng.normal(0, BALL_SD_MPS / np.sqrt(2), 3))
        return BallAtHit(
            incoming_mps=found[0],
            outgoing_mps=found[1],
            covariance=BALL_SD_MPS**2 * np.eye(3),
        )

    def _slot_at(self, time_s: float) -> int:
        """The ball whose velocity changes most between the frames round a moment."""
        best = (0.0, -1)
        for slot in np.unique(self._ball_slot[np.abs(self._ball_s - time_s) < 0.1 * self.slow]):
            own = np.flatnonzero(self._ball_slot == slot)
            own = own[np.abs(self._ball_s[own] - time_s) < BALL_SPAN_S * self.slow]
            if len(own) > 3:
                speed = np.diff(self._ball_m[own], axis=0) / np.diff(self._ball_s[own])[:, None]
                best = max(best, (float(np.linalg.norm(speed[-1] - speed[0])), int(slot)))
        return best[1]

    def joint(self, joints_m: np.ndarray, name: str) -> np.ndarray:
        """(n, 3) path of a joint."""
        return joints_m[:, self._at[name]]


def open_size(path: Path) -> tuple[int, int]:
    """Width and height of a recording's picture."""
    with open_frames(path) as frames:
        height, width = next(iter(frames)).picture_bgr.shape[:2]
    return width, height


def seen_track(
    rehearsal: Rehearsal, row: dict, net: PaddleNet, *, rng: np.random.Generator, keep: Path | None
) -> tuple[PaddleTrack, dict]:
    """What the network sees of a stroke, and the truth in the same frames."""
    contact, slow = row["contact_s"], rehearsal.slow
    start, end = contact - BEFORE_S * slow, contact + AFTER_S * slow
    rows = np.flatnonzero((rehearsal.time_s >= start) & (rehearsal.time_s < end))
    truth = rehearsal.player(row["player"], rows)
    stored = keep / f"{rehearsal.name}-{row['number']}.npz" if keep else None
    if stored and stored.is_file():
        return PaddleTrack.load(stored), truth
    tracks = {row["player"]: _as_track(rehearsal, truth, rows, rng)}
    for name in rehearsal.players:
        if name != row["player"]:
            tracks[name] = _as_track(rehearsal, rehearsal.player(name, rows), rows, rng)
    track = tracks.pop(row["player"])
    with open_frames(rehearsal.recording, start_s=start, end_s=end) as frames:
        found = look_for_paddle(
            frames, track, Handedness(row["hand"]), net, slow_factor=slow,
            others=list(tracks.values()),
        )  # fmt: skip
    if stored:
        found.save(stored)
    return found, truth


def _as_track(rehearsal: Rehearsal, truth: dict, rows: np.ndarray, rng) -> Track:
    landmarks = truth["landmarks_px"]
    height = np.ptp(landmarks[..., 1], axis=1).mean()
    return Track(
        person=0, frame=rows, time_s=rehearsal.time_s[rows],
        landmarks_px=landmarks + LANDMARK_SD * height * rng.standard_normal(landmarks.shape),
        visibility=np.ones(landmarks.shape[:2]), noise_px=np.ones(len(LANDMARKS)),
    )  # fmt: skip


def as_stroke(row: dict, contact_s: float, sd_s: float) -> Stroke:
    """The stroke as the pipeline would state it."""
    return Stroke(
        number=row["number"], person=0, player=row["player"], hand=Handedness(row["hand"]),
        side=Side(row["side"]), side_probability=0.95, kind=Kind.OTHER,
        kind_probabilities={Kind.OTHER: 1.0}, load_s=min(row["load_s"], contact_s),
        forward_s=min(max(row["forward_s"], row["load_s"]), contact_s), contact_s=contact_s,
        contact_s_sd=sd_s, finish_s=max(row["finish_s"], contact_s),
    )  # fmt: skip


class Tally:
    """Errors of one rehearsal, and of all."""

    def __init__(self) -> None:
        self.measures: dict[str, list[tuple[float, float]]] = defaultdict(list)
        self.normals: list[tuple[float, float]] = []
        self.frames = self.seen = 0
        self.seconds: list[float] = []

    def lines(self) -> list[str]:
        """The table."""
        out = [
            f"  seen in {self.seen} of {self.frames} frames, {np.mean(self.seconds):.2f} s a fit"
        ]
        if self.normals:
            off, sd = np.array(self.normals).T
            stated = sd <= FACE_LIMIT_DEG
            out.append(_normals_line("in seen frames", off, sd))
            if stated.any():
                name = f"where stated, {stated.mean():.2f} of them"
                out.append(_normals_line(name, off[stated], sd[stated]))
        for name, unit in PADDLE_MEASURES.items():
            errors = np.array(self.measures[name]).reshape(-1, 2)
            known = errors[np.isfinite(errors[:, 0])]
            text = f"  {name:18} {len(known):3}/{len(errors):<3}"
            if len(known):
                off, sd = known.T
                text += (
                    f" median {np.median(abs(off)):6.2f}, 90 % {np.quantile(abs(off), 0.9):6.2f}, "
                    f"bias {off.mean():6.2f}, stated {np.median(sd):6.2f} {unit}, inside "
                    f"{np.mean(abs(off) <= 1.96 * sd):.2f}"
                )
            out.append(text)
        return out


def _normals_line(name: str, off: np.ndarray, sd: np.ndarray) -> str:
    # Two directions of equal spread: the angle's 95 % reach is 2.45 of one of them.
    return (
        f"  face normal {name}: median {np.median(off):.1f}°, 90 % {np.quantile(off, 0.9):.1f}°, "
        f"uncertainty in one direction {np.median(sd):.1f}°, inside {np.mean(off <= 2.45 * sd):.2f}"
    )


@dataclass(frozen=True, kw_only=True)
class Case:
    """One stroke as it is given to the paddle's fit, and the truth in its frames."""

    row: dict
    track: PaddleTrack
    truth: dict
    strike: Striking
    distance: HandDistance
    forearm: Forearm

    def pose(self, camera: SolvedCamera, slow: float, size: PaddleSize | None) -> PaddlePose | None:
        """The fitted motion."""
        return paddle_pose(
            self.track, self.strike, camera=camera, solved=True, distance=self.distance,
            forearm=self.forearm, size=size, slow_factor=slow,
        )  # fmt: skip


def cases(
    rehearsal: Rehearsal, net: PaddleNet, *, rng, most: int, keep: Path | None, with_ball: bool
) -> list[Case]:
    """The first strokes of a rehearsal."""
    found, slow = [], rehearsal.slow
    for row in rehearsal.strokes[:most]:
        track, truth = seen_track(rehearsal, row, net, rng=rng, keep=keep)
        if not len(track):
            continue
        strike = Striking(
            contact_s=row["contact_s"] + rng.normal(0, CONTACT_SD_S) * slow,
            contact_s_sd=CONTACT_SD_S * slow,
            forehand=row["side"] == "forehand",
            hand=Handedness(row["hand"]),
            ball=rehearsal.ball(row, rng) if with_ball else None,
        )
        found.append(
            Case(
                row=row, track=track, truth=truth, strike=strike,
                distance=_distance(rehearsal, row, truth, rng),
                forearm=_forearm(rehearsal, row, truth, rng),
            )
        )  # fmt: skip
    return found


def sizes(all_cases: list[Case], camera: SolvedCamera, slow: float) -> dict[str, PaddleSize]:
    """What each player's strokes say of the paddle's size."""
    found: dict[str, list[PaddleSize]] = defaultdict(list)
    for case in all_cases:
        pose = case.pose(camera, slow, None)
        if pose is not None:
            found[case.row["player"]].append(pose.size)
    return {player: pooled_size(PaddleSize.as_sold(), one) for player, one in found.items()}


def judge(
    rehearsal: Rehearsal,
    net: PaddleNet,
    tallies: list[Tally],
    *,
    most: int,
    keep: Path | None,
    with_ball: bool,
) -> None:
    """Measure strokes of a rehearsal and add the errors."""
    rng = np.random.default_rng(11)
    camera, slow = rehearsal.camera(rng), rehearsal.slow
    strokes = cases(rehearsal, net, rng=rng, most=most, keep=keep, with_ball=with_ball)
    known = sizes(strokes, camera, slow)
    for case in strokes:
        start, strike = time.perf_counter(), case.strike
        pose = case.pose(camera, slow, known.get(case.row["player"]))
        seconds = time.perf_counter() - start
        found = paddle_measures(
            pose, as_stroke(case.row, strike.contact_s, strike.contact_s_sd), solved=True,
            slow_factor=slow,
        )  # fmt: skip
        for tally in tallies:
            tally.seconds.append(seconds)
            tally.frames += len(case.track)
            tally.seen += int(case.track.seen.sum())
            for m in found:
                tally.measures[m.name].append((m.value - case.row[m.name], m.sd))
            if pose is not None:
                tally.normals += _normals(pose, case, slow)


def _normals(pose: PaddlePose, case: Case, slow: float) -> list[tuple[float, float]]:
    """Errors of the face's normal in the frames in which the paddle was seen, and their standard
    uncertainties in one direction, degrees."""
    time_s = (case.track.time_s - case.strike.contact_s) / slow
    rows = np.searchsorted(time_s, pose.frame_time_s - 1e-9)
    normal = pose.mean_rotation[pose.frame_node][:, :, 2]
    cosine = np.sum(normal * case.truth["rotation"][rows][:, :, 2], axis=1)
    off = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    sd = pose.normal_sd_deg[pose.frame_node] / np.sqrt(2)
    return list(zip(off[pose.seen], sd[pose.seen], strict=True))


def _distance(rehearsal: Rehearsal, row: dict, truth: dict, rng) -> HandDistance:
    wrist = rehearsal.joint(truth["joints_m"], f"{row['hand']}_wrist")
    away = np.linalg.norm(wrist - np.array(rehearsal.frames["place_m"][0]), axis=1)
    knots = np.linspace(0, len(away) - 1, 6)
    wander = np.interp(np.arange(len(away)), knots, rng.normal(0, WANDER_M, 6))
    return HandDistance(
        metres=away + rng.normal(0, DISTANCE_SD_M) + wander, sd_m=DISTANCE_SD_M, wander_m=WANDER_M
    )


def _forearm(rehearsal: Rehearsal, row: dict, truth: dict, rng) -> Forearm:
    hand = row["hand"]
    wrist, elbow = (
        rehearsal.joint(truth["joints_m"], f"{hand}_{part}") for part in ("wrist", "elbow")
    )
    way = (wrist - elbow) / np.linalg.norm(wrist - elbow, axis=1, keepdims=True)
    common, own = rng.normal(0, FOREARM_SD_RAD, 3), rng.normal(0, FOREARM_SD_RAD, way.shape)
    way = way + (common + own) / np.sqrt(2)
    return Forearm(
        direction=way / np.linalg.norm(way, axis=1, keepdims=True),
        sd_rad=np.full(len(way), FOREARM_SD_RAD),
    )


def main() -> None:
    """Print the table."""
    logging.basicConfig(level=logging.WARNING)
    parser = argparse.ArgumentParser()
    parser.add_argument("folders", type=Path, nargs="+", help="rehearsals")
    parser.add_argument("--strokes", type=int, default=10**6, help="at most so many of each")
    parser.add_argument("--ball", action="store_true", help="the ball's flights are known too")
    parser.add_argument("--keep", type=Path, help="folder in which what was seen is kept")
    options = parser.parse_args()
    if options.keep:
        options.keep.mkdir(parents=True, exist_ok=True)
    doubtful = PaddleNetSettings(min_score=0.15, reach=0.08)
    net = PaddleNet(EyeSettings(backend="onnx", threads=1, paddle=doubtful))
    together = Tally()
    for folder in options.folders:
        tally = Tally()
        judge(
            Rehearsal(folder), net, [tally, together], most=options.strokes, keep=options.keep,
            with_ball=options.ball,
        )  # fmt: skip
        print(folder.name, *tally.lines(), sep="\n", flush=True)
    if len(options.folders) > 1:
        print("all", *together.lines(), sep="\n")


if __name__ == "__main__":
    main()
