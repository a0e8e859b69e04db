"""Finds the paddle near a hand: five keypoints, and which face is seen."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.eyes.crops import Square, body_height_px, cut, hand_px
from paddlebrief.eyes.network import Found, Layout, Network, suppressed
from paddlebrief.eyes.settings import EyeSettings
from paddlebrief.eyes.weights import record, shipped

__all__ = ["PADDLE_LAYOUT", "PADDLE_POINTS", "PaddleNet", "PaddleSeen", "hand_squares"]

PADDLE_POINTS: tuple[str, ...] = ("butt", "throat", "tip", "left edge", "right edge")
"""Keypoints: middle of the butt end, upper end of the handle, middle of the tip, and the outermost
points of the two edges at half the face's height, left and right for somebody who looks along
the picture from butt to tip."""

PADDLE_LAYOUT = Layout(classes=3, points=len(PADDLE_POINTS), point_values=3)
_CROP_PX = 320
_OVERLAP = 0.5
_HEIGHT_QUANTILE = 0.9
_DOUBTFUL_SCORE = 0.55


@dataclass(frozen=True, kw_only=True)
class PaddleSeen:
    """A paddle in a picture.

    Attributes
    ----------
    score
        Probability that there is a paddle, 0 to 1.
    front, back, edge_on
        Probabilities of what is seen of it, summing to one: the palm's side, the other side, or
        neither. With the front face seen the paddle's +x axis (face axes: y to the tip, z out of
        the front) points to the right edge, with the back face seen to the left edge.
    points_px
        (5, 2) keypoints in the order of ``PADDLE_POINTS``, picture pixels.
    sd_px
        (5,) standard uncertainty of a keypoint's coordinate, picture pixels, from held-out
        renders; real pictures may be worse.
    visible
        (5,) probability that the keypoint can be made out.
    box_px
        (4,) x0, y0, x1, y1.
    """

    score: float
    front: float
    back: float
    edge_on: float
    points_px: np.ndarray
    sd_px: np.ndarray
    visible: np.ndarray
    box_px: np.ndarray

    def other_face(self) -> "PaddleSeen":
        """The same with front and back exchanged."""
        return replace(self, front=self.back, back=self.front)


def hand_squares(landmarks_px: np.ndarray, side: str) -> list[Square | None]:
    """The crop for each frame of a person's track.

    Parameters
    ----------
    landmarks_px
        (n, 33, 2) of one person over a stretch of frames; NaN where missing.
    side
        ``"left"`` or ``"right"``, the hitting hand.

    Returns
    -------
    list of Square or None
        None where the hand is missing, or the body's size in all frames. The side is as many
        body heights as the shipped network was trained on, the body's height being the 90th
        percentile over the stretch: give stretches of a second or so, over which the distance
        to the camera hardly changes. Squares of a left hand are mirrored where the network was
        trained on right hands alone.
    """
    hands = hand_px(np.asarray(landmarks_px, float), side)
    heights = body_height_px(landmarks_px)
    known = heights[np.isfinite(heights)]
    if not len(known):
        return [None] * len(hands)
    known_of_crops = record()
    side_px = known_of_crops["crop_body_heights"] * float(np.quantile(known, _HEIGHT_QUANTILE))
    mirrored = side == "left" and known_of_crops.get("left_hands_mirrored", False)
    return [
        Square(centre_px=(float(x), float(y)), side_px=side_px, mirrored=mirrored)
        if np.isfinite(x) and side_px > 1
        else None
        for x, y in hands
    ]


class PaddleNet:
    """The paddle network, ready to run; one instance serves one thread.

    Raises
    ------
    PaddlebriefError
        When weights named in the settings are missing or of another kind.
    """

    def __init__(self, settings: EyeSettings | None = None) -> None:
        settings = settings or EyeSettings()
        self._settings = settings.paddle
        self._network = Network(
            settings.paddle.weights or shipped("paddle.onnx"),
            PADDLE_LAYOUT,
            threads=settings.threads,
            backend=settings.backend,
        )
        noise = record()["keypoint_noise"]
        self._reach_px = self._settings.reach / record()["crop_body_heights"] * _CROP_PX
        self._classes = np.array(noise["score"][:-1])
        self._sd_px = np.array(noise["sd_px"])
        self._right_hands = record().get("left_hands_mirrored", False)

    def look(
        self, picture_bgr: np.ndarray, squares: Sequence[Square | None]
    ) -> list[PaddleSeen | None]:
        """The likeliest paddle in the hand at the middle of each square.

        Where that is doubtful, the square is looked at a second time in a mirror, and the surer
        answer counts.

        Parameters
        ----------
        picture_bgr
            (h, w, 3) uint8.
        squares
            From `hand_squares`; None is passed over.

        Returns
        -------
        list
            One entry a square; None where no paddle reaches ``min_score`` within ``reach`` of the
            hand.
        """
        asked = {k: s for k, s in enumerate(squares) if s is not None}
        answers: list[PaddleSeen | None] = [None] * len(squares)
        for k, seen in self._looked(picture_bgr, asked).items():
            answers[k] = seen
        again = {k: s.turned() for k, s in asked.items() if _doubtful(answers[k])}
        for k, seen in self._looked(picture_bgr, again).items():
            first = answers[k]
            if seen is not None and (first is None or seen.score > first.score):
                # For one who knows right hands alone, the faces change places in a mirror.
                answers[k] = seen.other_face() if self._right_hands else seen
        return answers

    def _looked(
        self, picture_bgr: np.ndarray, squares: Mapping[int, Square]
    ) -> dict[int, PaddleSeen | None]:
        """What is seen in each square, by the squares' keys."""
        if not squares:
            return {}
        crops = np.stack([cut(picture_bgr, s, _CROP_PX)[..., :3] for s in squares.values()])
        found = self._network.find(crops, min_score=self._settings.min_score)
        return {
            k: self._held(suppressed(f, overlap=_OVERLAP), square)
            for (k, square), f in zip(squares.items(), found, strict=True)
        }

    def _held(self, found: Found, square: Square) -> PaddleSeen | None:
        if not len(found):
            return None
        middle = np.full(2, (_CROP_PX - 1) / 2)
        away = _to_segment(middle, found.points_px[:, 0], found.points_px[:, 1])
        near = np.flatnonzero(away <= self._reach_px)
        return self._seen(found.only(near[:1]), square) if len(near) else None

    def _seen(self, found: Found, square: Square) -> PaddleSeen:
        scale = square.side_px / _CROP_PX
        scores, visible = found.scores[0], found.visible[0]
        front, back, edge_on = (float(s) for s in scores / scores.sum())
        score = float(min(scores.sum(), 1.0))
        order = [0, 1, 2, 4, 3] if square.mirrored else [0, 1, 2, 3, 4]
        box = np.sort(square.to_picture(found.boxes_px[0].reshape(2, 2), _CROP_PX), axis=0)
        return PaddleSeen(
            score=score,
            front=front,
            back=back,
            edge_on=edge_on,
            points_px=square.to_picture(found.points_px[0], _CROP_PX)[order],
            sd_px=self._sd_px[order, np.searchsorted(self._classes, score)] * scale,
            visible=visible[order],
            box_px=box.reshape(4),
        )


def _doubtful(seen: PaddleSeen | None) -> bool:
    return seen is None or seen.score < _DOUBTFUL_SCORE


def _to_segment(point: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """(n,) distances from a point to segments between (n, 2) ends."""
    way = b - a
    along = np.sum((point - a) * way, axis=1) / np.maximum(np.sum(way * way, axis=1), 1e-9)
    return np.linalg.norm(a + np.clip(along, 0, 1)[:, None] * way - point, axis=1)
