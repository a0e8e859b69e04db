"""What is seen of a paddle, what else is known of its stroke, and the motion that comes out."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from paddlebrief.errors import StoreError
from paddlebrief.eyes import PADDLE_POINTS, PaddleSeen
from paddlebrief.paddle.size import PaddleSize
from paddlebrief.paddle.struck_ball import BallAtHit
from paddlebrief.records import Handedness

__all__ = ["FACES", "Forearm", "HandDistance", "PaddlePose", "PaddleTrack", "Striking"]

FACES: tuple[str, ...] = ("front", "back", "edge on")
"""What can be seen of a paddle: the palm's side, the other side, or neither."""


@dataclass(frozen=True, kw_only=True)
class PaddleTrack:
    """The paddle in one player's hand, frame by frame; NaN in frames where none was seen.

    Attributes
    ----------
    frame
        (n,) int, index of the decoded frame.
    time_s
        (n,) presentation times, strictly rising.
    score
        (n,) probability that there is a paddle.
    face
        (n, 3) probabilities of `FACES`.
    points_px, sd_px
        (n, 5, 2) keypoints in the order of ``eyes.PADDLE_POINTS`` and (n, 5) the standard
        uncertainty of a coordinate.
    visible
        (n, 5) probability that a keypoint can be made out.
    hand_px
        (n, 2) middle of the hitting hand by the body's landmarks.
    """

    frame: np.ndarray
    time_s: np.ndarray
    score: np.ndarray
    face: np.ndarray
    points_px: np.ndarray
    sd_px: np.ndarray
    visible: np.ndarray
    hand_px: np.ndarray

    def __post_init__(self) -> None:
        n, k = len(self.time_s), len(PADDLE_POINTS)
        shapes = {
            "frame": (n,), "time_s": (n,), "score": (n,), "face": (n, len(FACES)),
            "points_px": (n, k, 2), "sd_px": (n, k), "visible": (n, k), "hand_px": (n, 2),
        }  # fmt: skip
        for name, shape in shapes.items():
            found = np.shape(getattr(self, name))
            if found != shape:
                raise ValueError(f"{name}: expected shape {shape}, got {found}")
        if n > 1 and not np.all(np.diff(self.time_s) > 0):
            raise ValueError("time_s: expected strictly rising times")

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def seen(self) -> np.ndarray:
        """(n,) whether a paddle was seen in the frame."""
        return np.isfinite(self.score)

    def between(self, start_s: float, end_s: float) -> "PaddleTrack":
        """The frames with ``start_s <= time_s <= end_s``; may be none."""
        inside = (self.time_s >= start_s) & (self.time_s <= end_s)
        return PaddleTrack(**{name: values[inside] for name, values in vars(self).items()})

    def without(self, dropped: np.ndarray) -> "PaddleTrack":
        """The same frames with nothing seen where (n,) ``dropped`` is true."""
        changed = {
            name: np.where(dropped.reshape(-1, *[1] * (values.ndim - 1)), np.nan, values)
            for name, values in vars(self).items()
            if name in ("score", "face", "points_px", "sd_px", "visible")
        }
        return PaddleTrack(**(vars(self) | changed))

    @classmethod
    def gathered(
        cls,
        seen: Sequence[PaddleSeen | None],
        *,
        frame: np.ndarray,
        time_s: np.ndarray,
        hand_px: np.ndarray,
    ) -> "PaddleTrack":
        """From what the network said of each of n frames; None where it found none."""
        n, k = len(seen), len(PADDLE_POINTS)
        score, face = np.full(n, np.nan), np.full((n, len(FACES)), np.nan)
        points, sd, visible = (np.full((n, k, *more), np.nan) for more in ((2,), (), ()))
        for row, one in enumerate(seen):
            if one is None:
                continue
            score[row] = one.score
            face[row] = one.front, one.back, one.edge_on
            points[row], sd[row], visible[row] = one.points_px, one.sd_px, one.visible
        return cls(
            frame=np.asarray(frame, int), time_s=np.asarray(time_s, float), score=score,
            face=face, points_px=points, sd_px=sd, visible=visible,
            hand_px=np.asarray(hand_px, float).reshape(n, 2),
        )  # fmt: skip

    def save(self, path: Path) -> None:
        """Write to an ``.npz`` file; it appears whole or not at all."""
        path = Path(path)
        beside = path.with_name(f".{path.name}.part")
        try:
            with beside.open("wb") as file:
                np.savez_compressed(file, **vars(self))
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)

    @classmethod
    def load(cls, path: Path) -> "PaddleTrack":
        """Read what `save` wrote.

        Raises
        ------
        StoreError
            When the file is missing or holds something else.
        """
        names = cls.__dataclass_fields__
        try:
            with np.load(path, allow_pickle=False) as stored:
                return cls(**{name: stored[name] for name in names})
        except (OSError, KeyError, ValueError) as error:
            raise StoreError(
                "not a stored paddle track",
                file=path,
                expected=", ".join(names),
                found=str(error),
                todo="run the recording again",
            ) from error


@dataclass(frozen=True, kw_only=True)
class HandDistance:
    """How far the hitting hand is from the camera.

    Attributes
    ----------
    metres
        (n,) along the line of sight, one for each frame of the paddle's track; or one number.
    sd_m
        Standard uncertainty common to all frames.
    wander_m
        Standard uncertainty that comes on top and changes within a stroke: large where only the
        player's place is known, since an arm reaches.
    """

    metres: np.ndarray | float
    sd_m: float
    wander_m: float = 0.35


@dataclass(frozen=True, kw_only=True)
class Forearm:
    """(n, 3) unit vectors from elbow to wrist, one for each frame of the paddle's track, in the
    court frame (or the camera's gravity frame where the court is not solved), and (n,) their
    standard uncertainty across themselves, radians; NaN where missing."""

    direction: np.ndarray
    sd_rad: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Striking:
    """The contact.

    Attributes
    ----------
    contact_s, contact_s_sd
        Presentation time and its standard uncertainty.
    forehand
        True, False, or None when the side is not sure. A forehand is hit with the front face.
    facing
        1 for a player in the camera's half, who hits along +y, −1 beyond the net; 0 unknown.
    hand
        The hand that holds the paddle; None not known.
    ball
        The ball before and after, in the frame of the result (see ``ball_at_hit``); None where
        it was not seen on both sides of the hit. It settles the face better than its outline
        does, above all where the camera looks straight at it.
    """

    contact_s: float
    contact_s_sd: float
    forehand: bool | None
    facing: int = 1
    hand: Handedness | None = None
    ball: BallAtHit | None = None


@dataclass(frozen=True, kw_only=True)
class PaddlePose:
    """Drawn motions of a paddle through one stroke; m draws, N instants.

    Vectors are in the court frame, or in the camera's gravity frame where ``solved`` is false.

    Attributes
    ----------
    time_s
        (N,) seconds on court from contact; the instant 0 stands twice, before and after impact.
    before
        Number of the instant just before impact; ``before + 1`` is just after.
    rotation
        (m, N, 3, 3) columns across, along to the tip, normal of the front face.
    grip_m
        (m, N, 3) middle of the grip.
    turning_radps, grip_mps
        (m, N, 3) turning speed and velocity of the grip.
    face_middle_m
        (m,) distance of the face's middle from the grip along the long axis.
    shift_s
        (m,) drawn errors of the contact time, seconds on court.
    contact_s_sd
        Their standard deviation.
    frame_time_s, frame_node, seen
        (n,) times of the frames from contact, their instants among N, and whether the paddle was
        seen in each.
    forearm, forearm_sd_rad
        (n, 3) and (n,) as given for these frames; NaN where not known.
    frame_interval_s
        Typical time between frames, seconds on court.
    solved
        Whether the court was solved.
    with_ball
        Whether the ball's velocities round the contact had a part in it.
    motions
        Weights of the different motions that the draws come from, the weightiest first.
    size
        The paddle's size after this stroke.
    """

    time_s: np.ndarray
    before: int
    rotation: np.ndarray
    grip_m: np.ndarray
    turning_radps: np.ndarray
    grip_mps: np.ndarray
    face_middle_m: np.ndarray
    shift_s: np.ndarray
    contact_s_sd: float
    frame_time_s: np.ndarray
    frame_node: np.ndarray
    seen: np.ndarray
    forearm: np.ndarray
    forearm_sd_rad: np.ndarray
    frame_interval_s: float
    solved: bool
    with_ball: bool
    motions: tuple[float, ...]
    size: PaddleSize

    @property
    def mean_rotation(self) -> np.ndarray:
        """(N, 3, 3) mean of the drawn rotations."""
        left, _, right = np.linalg.svd(self.rotation.mean(axis=0))
        left[..., 2] *= np.linalg.det(left @ right)[:, None]
        return left @ right

    @property
    def normal_sd_deg(self) -> np.ndarray:
        """(N,) root mean square angle of the drawn normals off the mean one, degrees."""
        mean = self.mean_rotation[:, :, 2]
        cosine = np.sum(self.rotation[..., 2] * mean, axis=-1)
        return np.degrees(np.sqrt(np.mean(np.arccos(np.clip(cosine, -1, 1)) ** 2, axis=0)))

    @property
    def face_m(self) -> np.ndarray:
        """(m, N, 3) middle of the face."""
        return self.grip_m + self.face_middle_m[:, None, None] * self.rotation[..., 1]

    @property
    def face_mps(self) -> np.ndarray:
        """(m, N, 3) velocity of the face's middle."""
        arm = self.face_middle_m[:, None, None] * self.rotation[..., 1]
        return self.grip_mps + np.cross(self.turning_radps, arm)
