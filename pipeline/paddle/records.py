"""What was seen of one player's paddle over a stretch of frames."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from paddlebrief.errors import StoreError
from paddlebrief.eyes import PADDLE_POINTS, PaddleSeen

__all__ = ["FACES", "PaddleTrack"]

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
