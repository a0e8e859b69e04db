"""Looks for the paddle in a player's hand through a stretch of frames."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from paddlebrief.eyes import PADDLE_POINTS, PaddleNet, PaddleSeen, Square, hand_squares
from paddlebrief.eyes.crops import body_height_px, hand_px
from paddlebrief.footage.frames import Frame
from paddlebrief.paddle.records import PaddleTrack
from paddlebrief.paddle.size import MAX_LENGTH_M
from paddlebrief.records import LANDMARKS, Handedness, Track

__all__ = ["PaddleLook", "consistent", "face_middle_px", "look_for_paddle", "meets_ball"]

_BRIDGED_S = 0.15  # gaps of the hand that are bridged so that the picture is looked at there
_ARM = ("wrist", "elbow", "shoulder")
_SHORTEST_ADULT_M = 1.4
_HEAD_SPEED_MPS = 22.0  # paddle's middle against the hand; more than a smash (a guess)
_BODY_M = 1.7
_OFF_HAND = 0.07  # of body heights, usual distance of a handle from the landmarks' hand
_ON_ARM = 0.06  # of body heights, how near the arm's bones a face lies that is taken for the arm
_CLEAR_SCORE = 0.6  # from which a face on the arm is believed where a paddle is seen off it too
_MEETS_S = 0.05  # around a hit, where it is asked whether a paddle is at the ball
_FACE_REACH_M, _SWING_MPS = 0.3, 12.0  # of a ball struck, from the face's middle
_SURE_SCORE, _SURE_FRAMES = 0.55, 3  # what a chain must hold, or there is no paddle at all


class PaddleLook:
    """Looks frame by frame while somebody else reads the recording.

    Parameters
    ----------
    track
        The player over the stretch, left and right settled; NaN where missing.
    hand
        The hitting hand, ``RIGHT`` or ``LEFT``.
    net
        The paddle network. A low ``min_score`` (0.15) is right here: doubtful findings count
        only in a chain with sure ones, and with a wider uncertainty.
    slow_factor
        Seconds of playback for one second on court.
    others
        Tracks of the other people in the picture: a paddle in one of their hands is theirs.
    """

    def __init__(
        self,
        track: Track,
        hand: Handedness,
        net: PaddleNet,
        *,
        slow_factor: float = 1.0,
        others: Sequence[Track] = (),
    ) -> None:
        self._track, self._net, self._slow = track, net, slow_factor
        self._others = others
        landmarks = _bridged(track.landmarks_px, track.time_s, _BRIDGED_S * slow_factor)
        self._hands = hand_px(landmarks, hand.value)
        self._arms = landmarks[:, [LANDMARKS.index(f"{hand.value}_{part}") for part in _ARM]]
        self._squares: list[Square | None] = hand_squares(landmarks, hand.value)
        self._seen: list[PaddleSeen | None] = [None] * len(track.time_s)

    def see(self, frame: Frame) -> None:
        """Look at one frame; one that the track does not know, or a repeat, is passed over."""
        row = int(np.searchsorted(self._track.frame, frame.index))
        known = row < len(self._track.frame) and self._track.frame[row] == frame.index
        if known and not frame.repeat:
            self._seen[row] = self._net.look(frame.picture_bgr, [self._squares[row]])[0]

    def track(self) -> PaddleTrack:
        """What was seen so far, without what cannot be the same paddle."""
        found = PaddleTrack.gathered(
            self._seen,
            frame=self._track.frame,
            time_s=self._track.time_s,
            hand_px=self._hands,
        )
        heights = body_height_px(self._track.landmarks_px)
        heights = heights[np.isfinite(heights)]
        if not len(heights):
            return found
        height = float(np.quantile(heights, 0.9))
        theirs = _in_other_hands(found, self._others, reach_px=_OFF_HAND * height)
        sleeve = _on_arm(found, self._arms, reach_px=_ON_ARM * height)
        own = found.without(theirs | (sleeve & (found.score < _CLEAR_SCORE)))
        return consistent(
            own, body_height_px=height, slow_factor=self._slow, in_company=sleeve & own.seen
        )


def look_for_paddle(
    frames: Iterable[Frame],
    track: Track,
    hand: Handedness,
    net: PaddleNet,
    *,
    slow_factor: float = 1.0,
    others: Sequence[Track] = (),
) -> PaddleTrack:
    """The paddle in the hitting hand in every frame of a player's track.

    Parameters
    ----------
    frames
        In order of time; those that the track does not know, and repeats, are passed over.
    track, hand, net, slow_factor, others
        As for `PaddleLook`.

    Returns
    -------
    PaddleTrack
        One row a frame of the track; NaN where no paddle was seen or none that fits its
        neighbours.
    """
    look = PaddleLook(track, hand, net, slow_factor=slow_factor, others=others)
    for frame in frames:
        look.see(frame)
    return look.track()


def consistent(
    track: PaddleTrack,
    *,
    body_height_px: float,
    slow_factor: float = 1.0,
    in_company: np.ndarray | None = None,
) -> PaddleTrack:
    """The track without findings that cannot be one paddle in one hand.

    A finding may not be longer than the rulebook's paddle beside a small adult, and from one
    kept finding to the next the paddle's middle may not move faster against the hand than any
    swing. Of all such chains the one with the greatest sum of scores is kept, a score being
    lowered by how far the handle is from the hand, if it holds some sure findings. The
    uncertainty of doubtful ones is widened.

    Parameters
    ----------
    track
        As found frame by frame.
    body_height_px
        The player's height in the picture.
    slow_factor
        Seconds of playback for one second on court.
    in_company
        (n,) findings that are no sure ones by themselves, whatever their scores; None for none.
    """
    length = np.linalg.norm(track.points_px[:, 2] - track.points_px[:, 0], axis=1)
    longest = MAX_LENGTH_M / _SHORTEST_ADULT_M * body_height_px
    rows = np.flatnonzero(track.seen & (length <= longest + 2 * track.sd_px[:, [0, 2]].sum(1)))
    middle = track.points_px[:, 2:].mean(axis=1) - track.hand_px
    middle = np.where(np.isfinite(middle), middle, track.points_px[:, 2:].mean(axis=1))
    sd = track.sd_px[:, 2:].mean(axis=1)
    speed = _HEAD_SPEED_MPS * body_height_px / _BODY_M / slow_factor
    off = _off_hand(track)[rows] / (_OFF_HAND * body_height_px)
    worth = track.score[rows] - 0.5 * np.nan_to_num(off) ** 2
    best, before = worth.copy(), np.full(len(rows), -1)
    for k in range(1, len(rows)):
        now, earlier = rows[k], rows[:k]
        away = np.linalg.norm(middle[now] - middle[earlier], axis=1)
        reach = speed * (track.time_s[now] - track.time_s[earlier]) + 3 * (sd[now] + sd[earlier])
        sums = np.where(away <= reach, best[:k], -np.inf)
        if len(sums) and sums.max() > 0:
            before[k] = int(sums.argmax())
            best[k] += sums.max()
    keep = np.zeros(len(track), bool)
    at = int(best.argmax()) if len(rows) and best.max() > 0 else -1
    while at >= 0:
        keep[rows[at]] = True
        at = before[at]
    sure = keep & (track.score >= _SURE_SCORE)
    if in_company is not None:
        sure &= ~in_company
    if sure.sum() < _SURE_FRAMES:
        keep[:] = False
    widened = np.maximum(1, _SURE_SCORE / track.score)[:, None]
    return replace(track, sd_px=track.sd_px * widened).without(~keep)


def meets_ball(
    seen: PaddleTrack, *, px: np.ndarray, time_s: float, height_px: float, slow_factor: float
) -> bool | None:
    """Whether a paddle is where a ball was struck.

    Parameters
    ----------
    seen
        The paddle frame by frame; presentation times.
    px, time_s
        (2,) where the ball was struck, pixels, and when, seconds on court.
    height_px
        Of the player's body in the picture.
    slow_factor
        Seconds of playback for one second on court.

    Returns
    -------
    bool or None
        By where the paddle was then between its neighbouring sightings, or else by the nearest;
        None where it was not seen within 50 ms of the hit.
    """
    at_s = seen.time_s / slow_factor - time_s
    near = seen.seen & (np.abs(at_s) <= _MEETS_S)
    if not (near.any() and np.isfinite(height_px)):
        return None
    at_s, middle = at_s[near], face_middle_px(seen)[near]
    then = np.array([np.interp(0.0, at_s, middle[:, k]) for k in (0, 1)])
    around = at_s[0] <= 0 <= at_s[-1]
    reach_m = _FACE_REACH_M + (0.0 if around else _SWING_MPS * float(np.abs(at_s).min()))
    return bool(np.linalg.norm(then - px) <= reach_m * height_px / _BODY_M)


def face_middle_px(seen: PaddleTrack) -> np.ndarray:
    """(n, 2) middle of the face in the picture."""
    throat, tip = (PADDLE_POINTS.index(n) for n in ("throat", "tip"))
    return seen.points_px[:, [throat, tip]].mean(axis=1)


def _off_hand(track: PaddleTrack, hand_px: np.ndarray | None = None) -> np.ndarray:
    """(n,) distance of a hand, the track's own or another, from its nearest point of the handle."""
    hand_px = track.hand_px if hand_px is None else hand_px
    return _to_segment(hand_px, track.points_px[:, 0], track.points_px[:, 1])


def _to_segment(point: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """(n,) distances of (n, 2) points from segments between (n, 2) ends; NaN passes through."""
    way, away = b - a, point - a
    share = np.sum(way * away, axis=1) / np.maximum(np.sum(way**2, axis=1), 1e-9)
    return np.linalg.norm(away - np.clip(share, 0, 1)[:, None] * way, axis=1)


def _on_arm(track: PaddleTrack, arms_px: np.ndarray, *, reach_px: float) -> np.ndarray:
    """(n,) whether the face lies along the bones of the arm that holds it.

    A face is a foot away from the hand, and seldom just before or behind the arm; a sleeve whose
    hand is hidden is taken for one now and then, with tip and edges on forearm and upper arm.
    False where the arm is not known.

    Parameters
    ----------
    track
        As found frame by frame.
    arms_px
        (n, 3, 2) wrist, elbow and shoulder.
    reach_px
        Mean distance of tip and edges from the nearer bone up to which the face is on the arm.
    """
    wrist, elbow, shoulder = np.moveaxis(arms_px, 1, 0)
    away = [
        np.minimum(
            _to_segment(track.points_px[:, k], wrist, elbow),
            _to_segment(track.points_px[:, k], elbow, shoulder),
        )
        for k in (2, 3, 4)
    ]
    return np.mean(away, axis=0) < reach_px


def _in_other_hands(track: PaddleTrack, others: Sequence[Track], *, reach_px: float) -> np.ndarray:
    """(n,) whether somebody else's hand is on the handle and nearer than the player's own."""
    theirs = np.zeros(len(track), bool)
    own = np.nan_to_num(_off_hand(track), nan=np.inf)
    for other in others:
        row = np.searchsorted(other.frame, track.frame)
        row = np.minimum(row, max(len(other.frame) - 1, 0))
        if not len(other.frame):
            continue
        known = other.frame[row] == track.frame
        for side in ("left", "right"):
            hand = np.where(known[:, None], hand_px(other.landmarks_px, side)[row], np.nan)
            off = np.nan_to_num(_off_hand(track, hand), nan=np.inf)
            theirs |= (off < own) & (off < reach_px)
    return theirs


def _bridged(landmarks_px: np.ndarray, time_s: np.ndarray, longest_s: float) -> np.ndarray:
    """Landmarks with gaps of at most ``longest_s`` bridged by straight lines."""
    out = np.array(landmarks_px, float)
    known = np.isfinite(out).all(axis=(1, 2))
    if known.sum() < 2:
        return out
    inside = np.flatnonzero(known)
    later = np.searchsorted(inside, np.arange(len(time_s)))
    between = (later > 0) & (later < len(inside)) & ~known
    rows = np.flatnonzero(between)
    first, last = inside[later[rows] - 1], inside[later[rows]]
    rows = rows[time_s[last] - time_s[first] <= longest_s]
    for landmark in range(len(LANDMARKS)):
        for axis in (0, 1):
            out[rows, landmark, axis] = np.interp(
                time_s[rows], time_s[inside], out[inside, landmark, axis]
            )
    return out
