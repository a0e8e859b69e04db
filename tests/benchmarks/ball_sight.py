"""Which true balls of a rendered session fly, and what hides those that nobody can see.

All of it is geometry of the truth; what a network sees plays no part. A ball counts as hidden
when the way from the camera to its middle is barred, so one that shows a part less than half is
hidden too. Trees, clothes, hair, and people other than the players and whoever feeds are left out:
some of the balls that count as in view can not be seen. A ball is dead from its second bounce
after a hit (the game's rules), and what becomes of it on the floor is nobody's business.
"""

from collections import defaultdict
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from paddlebrief.court.camera import SolvedCamera
from paddlebrief.court.dimensions import NET_TAPE_M, net_height_m
from paddlebrief.records import FootageInfo
from paddlebrief.rehearsal.court_dimensions import BALL_RADIUS_M
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.rehearsal.staging import FEEDER_M

__all__ = ["Sight", "flying_balls"]

FLYING_MPS = 0.7
_ROLLS_M = 0.008
_HELD_M = 0.09
_DEAD_BOUNCES = 2
_AT_BALL_M = 0.8  # from an impact to its ball in the nearest frame
_NET_REACH_M, _STRAP_M, _POST_M = 3.348, 0.025, 0.03  # half widths, as rendered

LIMBS = {
    "pelvis chest": 0.15, "chest neck": 0.12, "neck head": 0.09, "head head": 0.11,
    "left_shoulder right_shoulder": 0.09,
    **{f"{s}_{a} {s}_{b}": r for s in ("left", "right") for a, b, r in (
        ("shoulder", "elbow", 0.05), ("elbow", "wrist", 0.04), ("hip", "knee", 0.075),
        ("knee", "ankle", 0.05))},
}  # fmt: skip
"""Joints at both ends of what hides a ball, and half its thickness, metres (a grown body's usual
measures, no source)."""
_FEEDER = (
    ((0, 0, 0.90), (0, 0, 1.45), 0.15), ((0, 0, 1.6), (0, 0, 1.7), 0.10),
    ((-0.1, 0, 0.05), (-0.1, 0, 0.85), 0.06), ((0.1, 0, 0.05), (0.1, 0, 0.85), 0.06),
)  # fmt: skip
"""Whoever feeds stands still: both ends and half the thickness of trunk, head and legs, metres."""
_PALM_M = 0.08  # from the wrist, in line with the forearm


class Sight:
    """What stands between the camera and the balls in each frame.

    Parameters
    ----------
    truth
        Folder of a rehearsal's truth.
    """

    def __init__(self, truth: Path) -> None:
        table = pq.read_table(truth / "joints.parquet")
        names = table.schema.metadata[b"joints"].decode().split(",")
        ends = [[names.index(n) for n in limb.split()] for limb in LIMBS]
        joints = np.array(table["joints_m"].to_pylist()).reshape(len(table), len(names), 3)
        a, b = (joints[:, [e[k] for e in ends]] for k in (0, 1))
        self._limbs = _along(a, b)
        self._radius = np.array(list(LIMBS.values()))[:, None]
        elbows, wrists = (
            joints[:, [names.index(f"{side}_{n}") for side in ("left", "right")]]
            for n in ("elbow", "wrist")
        )
        ahead = (wrists - elbows) / np.linalg.norm(wrists - elbows, axis=-1, keepdims=True)
        self._palms = wrists + _PALM_M * ahead
        self._rows = _rows_of(table["frame"].to_pylist())
        low, high = (
            np.array([f[k] for f in _FEEDER]) + [*FEEDER_M[:2], 0.0] for k in (0, 1)
        )
        self._feeder = _along(low, high)
        self._feeder_radius = np.array([f[2] for f in _FEEDER])[:, None]
        table = pq.read_table(truth / "paddles.parquet")
        self._faces = np.array(table["face_m"].to_pylist())
        self._turns = np.array(table["rotation"].to_pylist()).reshape(-1, 3, 3)
        self._paddle_rows = _rows_of(table["frame"].to_pylist())
        eyes = pq.read_table(truth / "frames.parquet")
        places = np.array(eyes["place_m"].to_pylist())
        self._eye_m = dict(zip(eyes["frame"].to_pylist(), places, strict=True))

    def hidden_by(self, frame: int, ball_m: np.ndarray) -> str | None:
        """What hides a ball at (3,) in a frame: a body, a paddle, the feeder, the net's tape, a
        post or the strap; None for what is in view."""
        eye = self._eye_m[frame]
        rows = self._rows[frame]
        if _bars(self._limbs[rows], self._radius, eye, ball_m):
            return "body"
        if any(self._paddle_bars(row, eye, ball_m) for row in self._paddle_rows[frame]):
            return "paddle"
        if _bars(self._feeder, self._feeder_radius, eye, ball_m):
            return "feeder"
        return "net" if _net_bars(eye, ball_m) else None

    def held(self, frame: int, ball_m: np.ndarray) -> bool:
        """Whether a ball lies in a player's hand."""
        palms = self._palms[self._rows[frame]].reshape(-1, 3)
        return bool(np.any(np.linalg.norm(palms - ball_m, axis=1) < _HELD_M))

    def _paddle_bars(self, row: int, eye: np.ndarray, ball: np.ndarray) -> bool:
        across, along, normal = self._turns[row].T
        way = ball - eye
        share = (self._faces[row] - eye) @ normal / (way @ normal)
        if not 0 < share < 1:
            return False
        off = eye + share * way - self._faces[row]
        spec = PaddleSpec()
        half = spec.width_m / 2, (spec.length_m - spec.grip_length_m) / 2
        return bool(abs(off @ across / half[0]) ** 3 + abs(off @ along / half[1]) ** 3 < 1)


def _along(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """(…, 9, 3) points from (…, 3) to (…, 3)."""
    share = np.linspace(0, 1, 9)[:, None]
    return a[..., None, :] * (1 - share) + b[..., None, :] * share


def _rows_of(frames: list[int]) -> dict[int, list[int]]:
    rows = defaultdict(list)
    for row, frame in enumerate(frames):
        rows[frame].append(row)
    return rows


def _bars(points: np.ndarray, radius: np.ndarray, eye: np.ndarray, ball: np.ndarray) -> bool:
    """Whether spheres round points (…, k, 3) lie on the way from the eye to the ball."""
    way = ball - eye
    distance = np.linalg.norm(way)
    away = points - eye
    along = away @ (way / distance)
    beside = np.linalg.norm(away - along[..., None] * way / distance, axis=-1)
    return bool(((beside < radius) & (along < distance)).any())


def _net_bars(eye: np.ndarray, ball: np.ndarray) -> bool:
    """Whether tape, strap or a post of the net lies on the way; its mesh lets balls be seen."""
    if eye[1] * ball[1] >= 0:
        return False
    x, _, z = eye + (ball - eye) * eye[1] / (eye[1] - ball[1])
    top = net_height_m(x)
    if not 0 < z < top or abs(x) > _NET_REACH_M + _POST_M:
        return False
    return bool(z > top - NET_TAPE_M or abs(x) < _STRAP_M or abs(abs(x) - _NET_REACH_M) < _POST_M)


def flying_balls(
    truth: Path,
    info: FootageInfo,
    sight: Sight | None = None,
    *,
    seen_by: SolvedCamera | None = None,
) -> tuple[dict[int, np.ndarray], dict[str, list[int]]]:
    """Where balls are in the picture, and in which frames one is left out for which reason.

    Parameters
    ----------
    truth, info
        The rehearsal's truth and recording.
    sight
        Leaves out what is dead, rolls, is held in a hand or hidden; None leaves in all that moves.
    seen_by
        The camera onto whose picture places are brought, for steadied ones; None takes those of
        each frame.

    Returns
    -------
    places
        (k, 2) pixels by frame.
    left_out
        Frames by reason.
    """
    table = pq.read_table(truth / "balls.parquet")
    slot, frame = table["ball"].to_numpy(), table["frame"].to_numpy()
    place, px = (np.array(table[n].to_pylist()) for n in ("place_m", "place_px"))
    dead = _dead(truth, slot, frame, table["time_s"].to_numpy(), place)
    found, left_out = defaultdict(list), defaultdict(list)
    for ball in np.unique(slot):
        rows = np.flatnonzero(slot == ball)
        near = np.diff(frame[rows]) <= 2
        way = np.linalg.norm(np.diff(place[rows], axis=0), axis=1)
        speed = way / np.diff(table["time_s"].to_numpy()[rows])
        low = place[rows, 2] < BALL_RADIUS_M + _ROLLS_M
        rolls = low & _beside(low[:-1] & near, low[1:] & near)
        flies = _beside(near & (speed > FLYING_MPS), near & (speed > FLYING_MPS))
        inside = np.all((px[rows] >= 0) & (px[rows] < (info.width_px, info.height_px)), axis=1)
        for r, rolling in zip(rows[flies & inside], rolls[flies & inside], strict=True):
            reason = None
            if sight is not None:
                reason = "dead" if dead[r] else None
                reason = reason or _left_out(sight, int(frame[r]), place[r], rolling=bool(rolling))
            if reason is None:
                found[int(frame[r])].append(px[r] if seen_by is None else seen_by.project(place[r]))
            else:
                left_out[reason].append(int(frame[r]))
    return {f: np.array(p) for f, p in found.items()}, dict(left_out)


def _dead(
    truth: Path, slot: np.ndarray, frame: np.ndarray, time_s: np.ndarray, place_m: np.ndarray
) -> np.ndarray:
    """(n,) whether a ball has bounced twice since it was last hit, by the truth's impacts."""
    impacts = pq.read_table(truth / "impacts.parquet").to_pylist()
    events = defaultdict(list)
    for impact in impacts:
        if impact["kind"] not in ("bounce", "paddle", "feed"):
            continue
        now = np.flatnonzero(np.abs(time_s - impact["time_s"]) < 0.06)
        away = np.linalg.norm(place_m[now] - impact["place_m"], axis=1)
        if len(now) and away.min() < _AT_BALL_M:
            hit = impact["kind"] != "bounce"
            events[slot[now[np.argmin(away)]]].append((impact["time_s"], hit))
    dead = np.zeros(len(slot), bool)
    for ball, told in events.items():
        rows = np.flatnonzero(slot == ball)
        new = np.append(True, np.diff(frame[rows]) > 2)  # a place is used again for another ball
        told += [(t, True) for t in time_s[rows[new]]]
        told.sort()
        bounces, counts = 0, []
        for _, hit in told:
            bounces = 0 if hit else bounces + 1
            counts.append(bounces)
        last = np.searchsorted([t for t, _ in told], time_s[rows], side="right") - 1
        dead[rows] = np.array([0, *counts])[last + 1] >= _DEAD_BOUNCES
    return dead


def _beside(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """(n,) whether a frame's step (n − 1,) before or after it holds."""
    out = np.zeros(len(before) + 1, bool)
    out[1:] |= before
    out[:-1] |= after
    return out


def _left_out(sight: Sight, frame: int, ball_m: np.ndarray, *, rolling: bool) -> str | None:
    if rolling:
        return "rolls"
    if sight.held(frame, ball_m):
        return "held"
    hidden = sight.hidden_by(frame, ball_m)
    return None if hidden is None else f"behind {hidden}"
