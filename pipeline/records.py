"""The frozen records that stages hand to each other; shapes are checked when one is made.

Units are SI and stand in the names. Times ending in ``_s`` are presentation times of the
recording in seconds unless the docstring says otherwise. Missing array entries are NaN.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np

__all__ = [
    "LANDMARKS",
    "FootageInfo",
    "FrameOfReference",
    "Handedness",
    "Kind",
    "Measure",
    "MeasuredStroke",
    "PlayerRanking",
    "RankedStroke",
    "Side",
    "Stroke",
    "Track",
]

LANDMARKS: tuple[str, ...] = (
    "nose", "left_eye_inner", "left_eye", "left_eye_outer", "right_eye_inner", "right_eye",
    "right_eye_outer", "left_ear", "right_ear", "mouth_left", "mouth_right", "left_shoulder",
    "right_shoulder", "left_elbow", "right_elbow", "left_wrist", "right_wrist", "left_pinky",
    "right_pinky", "left_index", "right_index", "left_thumb", "right_thumb", "left_hip",
    "right_hip", "left_knee", "right_knee", "left_ankle", "right_ankle", "left_heel",
    "right_heel", "left_foot_index", "right_foot_index",
)  # fmt: skip
"""Names of the 33 body landmarks, in the pose network's order (Bazarevsky et al. 2020)."""


class FrameOfReference(StrEnum):
    """Where a number lives; DESIGN order: court when solved, else gravity, else the picture."""

    IMAGE = "image plane"
    GRAVITY = "gravity-aligned, scaled by body size"
    COURT = "court"
    TIME = "time only"


class Side(StrEnum):
    FOREHAND = "forehand"
    BACKHAND = "backhand"
    UNSURE = "unsure"


class Kind(StrEnum):
    DRIVE = "drive"
    SLICE = "slice"
    OTHER = "other"
    UNSURE = "unsure"


class Handedness(StrEnum):
    RIGHT = "right"
    LEFT = "left"
    UNKNOWN = "unknown"


def _shape(name: str, array: np.ndarray, expected: tuple[int | None, ...]) -> None:
    found = np.shape(array)
    fits = len(found) == len(expected) and all(
        want is None or want == got for want, got in zip(expected, found, strict=True)
    )
    if not fits:
        want = "(" + ", ".join("n" if e is None else str(e) for e in expected) + ")"
        raise ValueError(f"{name}: expected shape {want}, got {found}")


@dataclass(frozen=True, kw_only=True)
class FootageInfo:
    """What is known of a recording before its pictures are looked at.

    Attributes
    ----------
    path, content_hash
        The file and the SHA-256 of its bytes (64 hex digits).
    width_px, height_px
        Size of the upright picture, rotation metadata applied.
    rotation_deg
        Clockwise turn that makes the stored picture upright: 0, 90, 180 or 270.
    frame_rate
        Typical presentation rate, 1 / median frame interval, frames per second of playback.
    capture_rate
        True rate of the camera. Differs from ``frame_rate`` for slow-motion recordings.
    capture_rate_source
        ``"session file"``, ``"container"`` or ``"presentation times"``.
    start_s, end_s
        Presentation time of the first frame and of the last one.
    frames
        Number of video frames by their packets.
    variable_rate
        True when frame intervals differ by more than a fifth of the typical interval.
    sound_rate_hz
        Sampling rate of the sound, or None when there is none.
    faults
        Plain sentences on what is wrong with the file (breaks off, undecodable frames, …).
    """

    path: Path
    content_hash: str
    width_px: int
    height_px: int
    rotation_deg: int
    frame_rate: Fraction
    capture_rate: Fraction
    capture_rate_source: str
    start_s: float
    end_s: float
    frames: int
    variable_rate: bool
    sound_rate_hz: int | None
    faults: tuple[str, ...] = ()

    @property
    def slow_factor(self) -> float:
        """Seconds of playback for one second on court (8 for 240 fps played at 30)."""
        return float(self.capture_rate / self.frame_rate)

    @property
    def frame_interval_s(self) -> float:
        """Typical time on court between two frames, seconds."""
        return float(1 / self.capture_rate)


@dataclass(frozen=True, kw_only=True)
class Track:
    """One person's landmarks over a stretch of a recording, time first.

    Attributes
    ----------
    person
        Number of the person within the recording, from 0.
    frame
        (n,) int, index of the decoded frame.
    time_s
        (n,) presentation times, strictly rising.
    landmarks_px
        (n, 33, 2) x to the right and y down in the upright picture; NaN where missing.
    visibility
        (n, 33) the network's probability that the landmark is in view, 0 to 1.
    noise_px
        (33,) standard uncertainty of a smoothed landmark coordinate.
    """

    person: int
    frame: np.ndarray
    time_s: np.ndarray
    landmarks_px: np.ndarray
    visibility: np.ndarray
    noise_px: np.ndarray

    def __post_init__(self) -> None:
        n = len(self.time_s)
        _shape("frame", self.frame, (n,))
        _shape("time_s", self.time_s, (n,))
        _shape("landmarks_px", self.landmarks_px, (n, len(LANDMARKS), 2))
        _shape("visibility", self.visibility, (n, len(LANDMARKS)))
        _shape("noise_px", self.noise_px, (len(LANDMARKS),))
        if n > 1 and not np.all(np.diff(self.time_s) > 0):
            raise ValueError("time_s: expected strictly rising times")

    def point(self, name: str) -> np.ndarray:
        """(n, 2) path of one landmark by its name, pixels."""
        return self.landmarks_px[:, LANDMARKS.index(name)]


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """One stroke of one player.

    Attributes
    ----------
    number
        Place of the stroke in its recording, from 1, in order of contact.
    person, player
        The person within the recording and the name shown on pages.
    hand
        Hitting hand, ``Handedness.RIGHT`` or ``LEFT``.
    side, side_probability
        Forehand or backhand, and how probable that is, 0 to 1.
    kind, kind_probabilities
        Decision and the probabilities of drive, slice and other (they sum to 1).
    load_s, forward_s, contact_s, finish_s
        Presentation times: greatest backswing, start of the forward swing, contact, and where
        the hand comes to rest after it.
    contact_s_sd
        Standard uncertainty of ``contact_s``.
    heard
        True when an impact sound took part in timing the contact.
    sure
        False for a motion too small or too hidden to be a stroke by itself: it counts only when
        a ball is seen to leave the hand.
    """

    number: int
    person: int
    player: str
    hand: Handedness
    side: Side
    side_probability: float
    kind: Kind
    kind_probabilities: Mapping[Kind, float]
    load_s: float
    forward_s: float
    contact_s: float
    contact_s_sd: float
    finish_s: float
    heard: bool = False
    sure: bool = True

    def __post_init__(self) -> None:
        times = (self.load_s, self.forward_s, self.contact_s, self.finish_s)
        if not all(a <= b for a, b in pairwise(times)):
            raise ValueError(
                f"stroke {self.number}: expected load ≤ forward ≤ contact ≤ finish, got {times}"
            )
        if not self.contact_s_sd > 0:
            raise ValueError(f"stroke {self.number}: contact_s_sd must be positive")

    @property
    def kind_probability(self) -> float:
        """Probability of the decided kind; of the likeliest one when the kind is unsure."""
        if self.kind is Kind.UNSURE:
            return max(self.kind_probabilities.values())
        return self.kind_probabilities[self.kind]


@dataclass(frozen=True, kw_only=True)
class Measure:
    """One measured number, or the reason why there is none.

    Attributes
    ----------
    name
        Name from the table of measures, unit included (``hip_line_at_load_deg``).
    value, sd
        Value and standard uncertainty in ``unit``; both NaN when not measured.
    shared_sd
        The part of ``sd`` that the player's strokes of one side and kind in one recording have in
        common, 0 to ``sd``: they are all off alike by it, so that it does not count between them.
        0, all its own, where the split is not known and when not measured.
    unit
        ``"°"``, ``"s"``, ``"body heights"``, ``"m"``, …
    frame
        Frame of reference the number is stated in.
    reason
        Why it was not measured; None when it was.
    """

    name: str
    value: float
    sd: float
    unit: str
    frame: FrameOfReference
    reason: str | None = None
    shared_sd: float = 0.0

    def __post_init__(self) -> None:
        if self.reason is None and not (np.isfinite(self.value) and self.sd > 0):
            raise ValueError(f"{self.name}: a measured value needs a finite value and an sd > 0")
        if self.reason is None and not 0 <= self.shared_sd <= self.sd:
            raise ValueError(f"{self.name}: expected 0 ≤ shared_sd ≤ sd, got {self.shared_sd}")
        if self.reason is not None and not (np.isnan(self.value) and np.isnan(self.sd)):
            raise ValueError(f"{self.name}: a measure with a reason must not carry a value")

    @classmethod
    def missing(cls, name: str, unit: str, frame: FrameOfReference, reason: str) -> "Measure":
        """A measure that could not be taken, with the reason."""
        return cls(name=name, value=np.nan, sd=np.nan, unit=unit, frame=frame, reason=reason)

    @property
    def measured(self) -> bool:
        return self.reason is None

    @property
    def own_sd(self) -> float:
        """What is not shared: counts between strokes of the player in the recording."""
        return float(np.sqrt(max(self.sd**2 - self.shared_sd**2, 0.0)))


@dataclass(frozen=True, kw_only=True)
class MeasuredStroke:
    """A stroke with its measures, and the recording it came from."""

    recording: str
    stroke: Stroke
    measures: tuple[Measure, ...]

    def measure(self, name: str) -> Measure | None:
        """The measure of that name, or None when the stroke has none."""
        return next((m for m in self.measures if m.name == name), None)


@dataclass(frozen=True, kw_only=True)
class RankedStroke:
    """A stroke's place among its player's strokes of one kind and side.

    Attributes
    ----------
    score, score_sd
        0 is inside every target; each unit below is one measure one tolerance off target.
    score_own_sd
        The part of ``score_sd`` that is the stroke's own and counts against the others of its
        recording.
    above_middle
        Probability that the stroke truly lies above the middle of its group, 0 to 1; ½ where
        nothing says that the group differs.
    reasons
        Plain sentences, the weightiest first.
    """

    stroke: MeasuredStroke
    score: float
    score_sd: float
    score_own_sd: float
    above_middle: float
    reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PlayerRanking:
    """Best and worst strokes of one player for one kind and side.

    ``note`` says why nothing is ranked (too few strokes, or differences within uncertainty);
    ``best`` and ``worst`` are then empty. Of a ranked group one of them may be empty too: only
    strokes that surely lie above or below its middle are named. ``order`` has all that were
    scored, ranked or not.
    """

    player: str
    kind: Kind
    side: Side
    best: tuple[RankedStroke, ...] = ()
    worst: tuple[RankedStroke, ...] = ()
    note: str | None = None
    order: tuple[RankedStroke, ...] = field(default=(), repr=False)
