"""A player's trunk and hitting arm in metres over a stroke, from landmarks and turns.

In every frame a chain hangs from the middle of the hips: half the shoulder line on top of the
spine, upper arm, forearm. The turn network says which way each part points, the landmarks where
its ends are in the picture, and the player's build how long it is; weighted least squares puts
the three together. How far away the player is comes from ``paddlebrief.turn.standing``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np

from paddlebrief.court.camera import SolvedCamera, View
from paddlebrief.records import LANDMARKS, FrameOfReference, Handedness, Track
from paddlebrief.turn.fusion import Turns
from paddlebrief.turn.net import SEGMENTS
from paddlebrief.turn.standing import Stance, Stature, eye_of, stand
from paddlebrief.turn.steadying import steadied

__all__ = ["JOINTS", "BodyPath", "build_path"]

JOINTS: tuple[str, ...] = ("hips", "left_shoulder", "right_shoulder", "elbow", "wrist")
"""Joints of a body path: middle of the hips, both shoulders, elbow and wrist that hit."""

LENGTHS = {"spine": (0.28, 0.018), "shoulders": (0.21, 0.02), "upper arm": (0.158, 0.008),
           "forearm": (0.146, 0.012)}  # fmt: skip
"""Mean and spread of lengths between joint centres in body heights: between the means of de Leva
(1996, J Biomech 29:1223–1230, from memory) and those of the bodies that the networks know."""

_MISPLACED = np.array([2.0, 3.0, 3.0, 8.0, 3.0])
"""How much larger errors of the landmarks of ``JOINTS`` count than a usual one's: what made wrists
of rendered strokes come out best. The elbow is better known from the arm's directions."""
_TILT_SD_RAD = 0.17  # of the shoulder line against the level, of which the network says nothing
_ACCELERATION_MPS2 = np.array([4.0, 12.0, 12.0, 30.0, 60.0])  # of JOINTS, common practice
_ALIKE_S = 0.05  # over which errors of a frame's joints look alike
_STEPS = 4
_VAGUE_M = 3.0


@dataclass(frozen=True, kw_only=True)
class BodyPath:
    """One player's trunk and hitting arm over n frames.

    Attributes
    ----------
    time_s
        (n,) seconds on court.
    joints_m
        (n, 5, 3) places of ``JOINTS``, metres. In the court frame where the court is solved;
        else x to the camera's right, y level and away from it, z up from the player's ground.
    covariance_m2
        (n, 15, 15) of all coordinates of a frame, joint by joint.
    lengths_m, lengths_sd_m
        Of the bones by the names of ``LENGTHS``, and their standard uncertainties.
    height_m, height_sd_m
        Standing height that sizes rest on.
    scale_sd
        Share by which all lengths may be off together; the covariance does not hold it.
    lift_m
        How much higher than its own origin the view stands in this frame.
    frame
        Court or gravity.
    lacking
        Why numbers that need the court are missing; None in the court frame.
    """

    time_s: np.ndarray
    joints_m: np.ndarray
    covariance_m2: np.ndarray
    lengths_m: Mapping[str, float]
    lengths_sd_m: Mapping[str, float]
    height_m: float
    height_sd_m: float
    scale_sd: float
    lift_m: float
    frame: FrameOfReference
    lacking: str | None

    def __post_init__(self) -> None:
        n, size = len(self.time_s), 3 * len(JOINTS)
        for name, shape in (("joints_m", (n, len(JOINTS), 3)), ("covariance_m2", (n, size, size))):
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name}: expected {shape}, got {getattr(self, name).shape}")

    def joint(self, name: str) -> np.ndarray:
        """(n, 3) path of one of ``JOINTS``."""
        return self.joints_m[:, JOINTS.index(name)]

    def at(self, weights: Mapping[str, float], time_s: float) -> tuple[np.ndarray, np.ndarray]:
        """A weighted sum of joints at a time on court, between frames.

        Parameters
        ----------
        weights
            By joint; ``{"wrist": 1, "hips": -1}`` is the wrist as seen from the hips.
        time_s
            Seconds on court.

        Returns
        -------
        place_m, covariance_m2
            (3,) and (3, 3); NaN when the time lies outside the path by more than 0.05 s.
        """
        if not self.time_s[0] - 0.05 <= time_s <= self.time_s[-1] + 0.05:
            return np.full(3, np.nan), np.full((3, 3), np.nan)
        later = int(np.clip(np.searchsorted(self.time_s, time_s), 1, len(self.time_s) - 1))
        if len(self.time_s) == 1:
            later, share = 0, 1.0
        else:
            gap = self.time_s[later] - self.time_s[later - 1]
            share = float(np.clip((time_s - self.time_s[later - 1]) / gap, 0, 1))
        row = np.zeros(len(JOINTS))
        for name, weight in weights.items():
            row[JOINTS.index(name)] = weight
        pick = np.kron(row, np.eye(3))
        place = (1 - share) * self.joints_m[later - 1] + share * self.joints_m[later]
        cover = (1 - share) * self.covariance_m2[later - 1] + share * self.covariance_m2[later]
        return pick @ place.ravel(), pick @ cover @ pick.T

    def arrays(self) -> dict[str, np.ndarray]:
        """All of it as arrays for ``numpy.savez``; ``from_arrays`` reads them back exactly."""
        plain = {f.name: getattr(self, f.name) for f in fields(self)}
        for name in ("lengths_m", "lengths_sd_m"):
            plain[name] = np.array([plain[name][part] for part in LENGTHS])
        plain |= {"frame": self.frame.name, "lacking": self.lacking or ""}
        return {name: np.asarray(value) for name, value in plain.items()}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, np.ndarray]) -> "BodyPath":
        """Read what ``arrays`` gave, such as an open npz file.

        Raises
        ------
        KeyError, ValueError
            When an array is missing or of the wrong shape.
        """
        plain = {f.name: np.asarray(arrays[f.name]) for f in fields(cls)}
        for name in ("lengths_m", "lengths_sd_m"):
            plain[name] = dict(zip(LENGTHS, plain[name].tolist(), strict=True))
        for name in ("height_m", "height_sd_m", "scale_sd", "lift_m"):
            plain[name] = float(plain[name])
        return cls(
            **plain
            | {
                "frame": FrameOfReference[str(plain["frame"])],
                "lacking": str(plain["lacking"]) or None,
            }
        )


def build_path(
    track: Track,
    turns: Turns,
    *,
    hand: Handedness,
    stature: Stature,
    size_px: tuple[int, int],
    placement_error: float,
    camera: SolvedCamera | None = None,
    slow_factor: float = 1.0,
) -> BodyPath | None:
    """Trunk and hitting arm in metres.

    Parameters
    ----------
    track
        Smoothed, hidden landmarks missing; presentation times.
    turns
        Of the same player, for frames of the track.
    hand
        The hitting hand.
    stature
        What is known of the player's height.
    size_px
        (width, height) of the upright picture.
    placement_error
        Standard error of a landmark's place that smoothing does not remove, body heights.
    camera
        Where the court is solved.
    slow_factor
        Seconds of playback for one second on court.

    Returns
    -------
    BodyPath or None
        None when track and turns share no frame, or no size of the body can be told.
    """
    rows, picked = _shared(track.time_s / slow_factor, turns.time_s)
    if not len(rows):
        return None
    eye = eye_of(camera, size_px)
    stance = stand(track, rows=rows, eye=eye, camera=camera, stature=stature,
                   placement_error=placement_error, slow_factor=slow_factor)  # fmt: skip
    if stance is None:
        return None
    seen = _seen(track, rows, hand)
    noise = np.nan_to_num(np.stack([_noise(track, hand)] * len(rows)))
    blur = np.hypot(noise, placement_error * stance.height_px * _MISPLACED)
    if camera is not None:
        blur = np.hypot(blur, camera.shake_px)
    ways = _ways(turns, picked, hand=hand, sight_rad=stance.sight_rad)
    lengths = {p: (m * stance.height_m, s * stance.height_m) for p, (m, s) in LENGTHS.items()}
    chain = _Chain(ways, lengths, hand)
    single, doubt = _solve(chain, seen=seen, blur=blur, eye=eye, stance=stance)
    joints = steadied(
        single, doubt, turns.time_s[picked], acceleration_mps2=_ACCELERATION_MPS2,
        correlation_s=_ALIKE_S,
    )  # fmt: skip
    shared = np.kron(np.ones((len(JOINTS), len(JOINTS))), stance.shared_m2)
    return BodyPath(
        time_s=turns.time_s[picked],
        joints_m=joints + np.array([0.0, 0.0, stance.lift_m]),
        # Landmarks are off the same way for long: neighbours steady a path, but prove nothing.
        covariance_m2=doubt + shared,
        lengths_m={p: m for p, (m, _) in lengths.items()},
        lengths_sd_m={p: s for p, (_, s) in lengths.items()},
        height_m=stance.height_m,
        height_sd_m=stance.height_sd_m,
        scale_sd=stance.scale_sd,
        lift_m=stance.lift_m,
        frame=FrameOfReference.GRAVITY if camera is None else FrameOfReference.COURT,
        lacking=None if camera is not None else "the court's lines were not found in the picture",
    )


def _shared(track_s: np.ndarray, turns_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows of track and turns at the same moments."""
    if not len(track_s) or not len(turns_s):
        return np.empty(0, int), np.empty(0, int)
    nearest = np.abs(track_s[:, None] - turns_s).argmin(axis=0)
    close = np.abs(track_s[nearest] - turns_s) < 1e-4
    return nearest[close], np.flatnonzero(close)


def _seen(track: Track, rows: np.ndarray, hand: Handedness) -> np.ndarray:
    """(n, 5, 2) pixels of ``JOINTS``; NaN where hidden."""
    marks = track.landmarks_px[rows]

    def of(name: str) -> np.ndarray:
        return marks[:, LANDMARKS.index(name)]

    hips = (of("left_hip") + of("right_hip")) / 2
    arm = (of(f"{hand.value}_elbow"), of(f"{hand.value}_wrist"))
    return np.stack([hips, of("left_shoulder"), of("right_shoulder"), *arm], axis=1)


def _noise(track: Track, hand: Handedness) -> np.ndarray:
    names = ("left_hip", "left_shoulder", "right_shoulder", f"{hand.value}_elbow",
             f"{hand.value}_wrist")  # fmt: skip
    return track.noise_px[[LANDMARKS.index(n) for n in names]]


def _ways(
    turns: Turns, picked: np.ndarray, *, hand: Handedness, sight_rad: np.ndarray
) -> Mapping[str, tuple[np.ndarray, np.ndarray]]:
    """Unit directions (n, 3) of the chain's parts in the frame of the path, and (n, 3, 3)
    covariances of what is not known of them."""
    # Turns from the line of sight are turned into the frame in which its heading is known.
    shift = sight_rad - np.pi / 2 if turns.frame is not FrameOfReference.COURT else 0 * sight_rad
    cos, sin = np.cos(shift), np.sin(shift)
    x, y, z = np.moveaxis(turns.direction[picked], -1, 0)
    turned = np.stack(
        [cos[:, None] * x - sin[:, None] * y, sin[:, None] * x + cos[:, None] * y, z], axis=-1
    )
    found = {}
    parts = {"spine": "spine", "upper arm": f"{hand.value} upper arm",
             "forearm": f"{hand.value} forearm"}  # fmt: skip
    for part, segment in parts.items():
        k = SEGMENTS.index(segment)
        way, sd = turned[:, k], turns.direction_sd_rad[picked, k]
        across = np.eye(3) - way[:, :, None] * way[:, None, :]
        found[part] = (way, sd[:, None, None] ** 2 * across)
    heading = turns.shoulder_rad[picked] + shift
    line = np.stack([np.sin(heading), -np.cos(heading), 0 * heading], axis=-1)
    ahead = np.stack([np.cos(heading), np.sin(heading), 0 * heading], axis=-1)
    spread = turns.shoulder_sd_rad[picked, None, None] ** 2 * ahead[:, :, None] * ahead[:, None, :]
    found["shoulders"] = (line, spread + _TILT_SD_RAD**2 * np.diag([0.0, 0.0, 1.0]))
    return found


class _Chain:
    """The chain's parts as differences of joints with what is expected of each."""

    def __init__(
        self,
        ways: Mapping[str, tuple[np.ndarray, np.ndarray]],
        lengths: Mapping[str, tuple[float, float]],
        hand: Handedness,
    ) -> None:
        self._ways = ways
        self._lengths = lengths
        hit = f"{hand.value}_shoulder"
        self._ends = {
            "spine": {"left_shoulder": 0.5, "right_shoulder": 0.5, "hips": -1.0},
            "shoulders": {"right_shoulder": 1.0, "left_shoulder": -1.0},
            "upper arm": {"elbow": 1.0, hit: -1.0},
            "forearm": {"wrist": 1.0, "elbow": -1.0},
        }

    def _rows(self, part: str) -> np.ndarray:
        row = np.zeros(len(JOINTS))
        for joint, weight in self._ends[part].items():
            row[JOINTS.index(joint)] = weight
        return np.kron(row, np.eye(3))

    def information(self) -> tuple[np.ndarray, np.ndarray]:
        """(n, 15, 15) information of the joints and (n, 15) information vector."""
        matrix: np.ndarray | float = 0.0
        vector: np.ndarray | float = 0.0
        for part, (way, cover) in self._ways.items():
            length, spread = self._lengths[part]
            along = way[:, :, None] * way[:, None, :]
            doubt = length**2 * cover + spread**2 * along + 1e-6 * np.eye(3)
            weight = np.linalg.inv(doubt)
            rows = self._rows(part)
            matrix = matrix + rows.T @ weight @ rows
            vector = vector + np.einsum("ij,njk,nk->ni", rows.T, weight, length * way)
        return matrix, vector

    def start(self, hips_m: np.ndarray) -> np.ndarray:
        """(n, 5, 3) joints that hang straight as expected from given hips."""
        matrix, vector = self.information()
        anchor = np.zeros_like(matrix)
        anchor[:, :3, :3] = 1e4 * np.eye(3)
        pull = vector + np.einsum("nij,nj->ni", anchor, np.pad(hips_m, ((0, 0), (0, 12))))
        return np.linalg.solve(matrix + anchor, pull[..., None])[..., 0].reshape(len(hips_m), -1, 3)


def _solve(
    chain: _Chain, *, seen: np.ndarray, blur: np.ndarray, eye: View, stance: Stance
) -> tuple[np.ndarray, np.ndarray]:
    """(n, 5, 3) joints and (n, 15, 15) covariance, the shared error of the distance left out."""
    n, size = len(seen), 3 * len(JOINTS)
    prior, pull = chain.information()
    toward = stance.hips_m - eye.position_m
    toward /= np.linalg.norm(toward, axis=-1, keepdims=True)
    depth = toward[:, :, None] * toward[:, None, :] / stance.loose_m**2
    prior = prior + 1e-6 / _VAGUE_M**2 * np.eye(size)
    prior[:, :3, :3] += depth
    pull = pull.copy()
    pull[:, :3] += np.einsum("nij,nj->ni", depth, stance.hips_m)
    joints = chain.start(stance.hips_m)
    for _ in range(_STEPS):
        flat = joints.reshape(-1, 3)
        _, by_point = eye.jacobians(flat)
        by_point = by_point.reshape(n, -1, 2, 3)
        off = seen - eye.project(joints)
        weight = np.where(np.isfinite(off).all(axis=-1), blur**-2.0, 0.0)
        off, by_point = np.nan_to_num(off), np.nan_to_num(by_point)
        matrix, vector = prior.copy(), pull.copy()
        for k in range(len(JOINTS)):
            part = slice(3 * k, 3 * k + 3)
            pressed = np.swapaxes(by_point[:, k], 1, 2) * weight[:, k, None, None]
            matrix[:, part, part] += pressed @ by_point[:, k]
            wanted = off[:, k] + np.einsum("nij,nj->ni", by_point[:, k], joints[:, k])
            vector[:, part] += np.einsum("nij,nj->ni", pressed, wanted)
        joints = np.linalg.solve(matrix, vector[..., None])[..., 0].reshape(n, -1, 3)
    return joints, np.linalg.inv(matrix)
