"""The hitting arm in space: the elbow at load, the contact point, and the follow-through."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from paddlebrief.court.camera import View
from paddlebrief.mechanics.body_view import BodyView, ContactPoint, stated
from paddlebrief.records import FrameOfReference, Handedness, Measure
from paddlebrief.turn.net import SEGMENTS
from paddlebrief.turn.skeleton import BodyPath

__all__ = [
    "ARM_MEASURES",
    "contact_beside_wrist",
    "contact_front",
    "contact_height",
    "contact_in_space",
    "elbow_behind",
    "elbow_height",
    "follow_across",
    "follow_height",
    "follow_path",
    "hand_stops_s",
]

WIDEST_ELBOW_SD = 0.30  # upper-arm lengths
WIDEST_CONTACT_SD_M = 0.12
WIDEST_FOLLOW_SHARE = 0.25  # of the path's length
WIDEST_END_SD = 0.5  # upper-arm lengths

COURT, GRAVITY = FrameOfReference.COURT, FrameOfReference.GRAVITY

_ARM_LENGTHS = "upper-arm lengths"
_BEHIND_LEFT_OVER = 0.10  # beyond the arm's own doubt: what the shipped rehearsal showed
_REACH_M = 0.28  # from the wrist to the ball on the face, by a paddle's dimensions
_AHEAD_M, _AHEAD_SD_M = 0.045, 0.08  # radius and half thickness; a face 17° off the court's line
_STEPS = 3
_STOPPED_SHARE = 0.2
_PAUSE_SHARE, _PAUSE_DOUBT = 0.5, 0.08
_NO_PATH = "the player's size could not be told from the picture"
_NO_NET = "the court's lines were not found, so where the net lies is not known"


def contact_beside_wrist(
    path: BodyPath, *, place_px: np.ndarray, sd_px: float, time_s: float, eye: View
) -> ContactPoint | None:
    """The contact point from where ball or face is in the picture, a paddle away from the wrist.

    Parameters
    ----------
    path
        Of the hitting player.
    place_px, sd_px
        (2,) the ball, or the middle of the paddle's face, at contact, and the standard
        uncertainty of its coordinates.
    time_s
        Contact, seconds on court.
    eye
        The view that the path was built with (``standing.eye_of``).

    Returns
    -------
    ContactPoint or None
        None when the path does not reach the contact.
    """
    before = _expected(path, time_s)
    if before is None or not np.isfinite(place_px).all():
        return None
    state, cover = before
    # In the gravity frame the path stands on z = 0 and the eye as high above it as it was lifted.
    lift = np.array([0.0, 0.0, path.lift_m])
    found = state
    for _ in range(_STEPS):
        place = found[:3]
        _, by_point = eye.jacobians((place - lift)[None])
        look = np.hstack([by_point[0], np.zeros((2, 3))])
        off = place_px - eye.project(place - lift) - by_point[0] @ (state[:3] - place)
        gain = np.linalg.solve(look @ cover @ look.T + sd_px**2 * np.eye(2), look @ cover).T
        found = state + gain @ off
    return _contact_point(found, cover - gain @ look @ cover)


def contact_in_space(
    path: BodyPath, *, place_m: np.ndarray, covariance_m2: np.ndarray, time_s: float
) -> ContactPoint | None:
    """The contact point from a place that was found without the body, such as where flights meet.

    Body and ball correct each other: the ball is met a paddle away from the wrist. None where the
    path does not reach the contact.
    """
    before = _expected(path, time_s)
    if before is None:
        return None
    state, cover = before
    look = np.hstack([np.eye(3), np.zeros((3, 3))])
    gain = np.linalg.solve(look @ cover @ look.T + covariance_m2, look @ cover).T
    found = state + gain @ (np.asarray(place_m, float) - state[:3])
    return _contact_point(found, cover - gain @ look @ cover)


def _expected(path: BodyPath, time_s: float) -> tuple[np.ndarray, np.ndarray] | None:
    """(6,) contact point and middle of the hips as the body alone has them, and covariance."""
    wrist, wrist_cover = path.at({"wrist": 1.0}, time_s)
    hips, hips_cover = path.at({"hips": 1.0}, time_s)
    _, apart_cover = path.at({"wrist": 1.0, "hips": -1.0}, time_s)
    if not np.isfinite(wrist).all():
        return None
    ahead, loose = _from_wrist(path)
    tie = (wrist_cover + hips_cover - apart_cover) / 2
    cover = np.block([[wrist_cover + loose, tie], [tie.T, hips_cover]])
    return np.r_[wrist + ahead, hips], cover


def _contact_point(found: np.ndarray, cover: np.ndarray) -> ContactPoint:
    apart = np.hstack([np.eye(3), -np.eye(3)])
    return ContactPoint(
        place_m=found[:3],
        covariance_m2=cover[:3, :3],
        from_hips_m=found[:3] - found[3:],
        from_hips_covariance_m2=apart @ cover @ apart.T,
    )


def _from_wrist(path: BodyPath) -> tuple[np.ndarray, np.ndarray]:
    """(3,) where the ball is met as seen from the wrist, and (3, 3) covariance.

    A face that hits along the court stands square to it and so does the paddle's long axis: the
    ball is a ball's radius and half a paddle ahead, and no more than the face's heading adds.
    Where the court is not known it is a paddle's reach away in any direction.
    """
    if path.frame is not COURT:
        return np.zeros(3), _REACH_M**2 / 3 * np.eye(3)
    facing = 1.0 if np.median(path.joint("hips")[:, 1]) < 0 else -1.0
    spread = np.array([_REACH_M / np.sqrt(2), _AHEAD_SD_M, _REACH_M / np.sqrt(2)])
    return np.array([0.0, facing * _AHEAD_M, 0.0]), np.diag(spread**2)


def elbow_height(view: BodyView) -> Measure:
    """Hitting elbow above its shoulder at load, upper-arm lengths."""
    return _elbow(view, "elbow_height", np.array([0.0, 0.0, 1.0]))


def elbow_behind(view: BodyView) -> Measure:
    """Hitting elbow behind its shoulder, away from the net, at load, upper-arm lengths."""
    name = "elbow_behind"
    if view.turns is not None and view.turns.frame is not COURT:
        return Measure.missing(name, _ARM_LENGTHS, COURT, _NO_NET)
    way = np.array([0.0, -float(view.facing), 0.0])
    return _elbow(view, name, way, left_over=_BEHIND_LEFT_OVER)


def _elbow(view: BodyView, name: str, way: np.ndarray, *, left_over: float = 0.0) -> Measure:
    """The upper arm's direction at load along a way: the arm's own length drops out."""
    if view.without_turns is not None:
        return Measure.missing(name, _ARM_LENGTHS, GRAVITY, view.without_turns)
    turns, (load_s, load_sd_s) = view.turns, view.load
    part = SEGMENTS.index(f"{view.stroke.hand.value} upper arm")

    def share(time_s: float) -> float:
        arm = [np.interp(time_s, turns.time_s, axis) for axis in turns.direction[:, part].T]
        return float(way @ arm / np.linalg.norm(arm))

    value = share(load_s)
    sd = float(np.interp(load_s, turns.time_s, turns.direction_sd_rad[:, part]))
    timing = max(abs(share(load_s + off) - value) for off in (-load_sd_s, load_sd_s))
    # A direction that points along the way changes its share little; its curve adds a little.
    tipped = np.hypot(sd * np.sqrt(1 - value**2), sd**2 / 2)
    return stated(
        name, value, float(np.sqrt(tipped**2 + timing**2 + left_over**2)), unit=_ARM_LENGTHS,
        frame=turns.frame, widest=WIDEST_ELBOW_SD,
    )  # fmt: skip


def contact_height(view: BodyView) -> Measure:
    """Height of the ball's centre at contact, metres."""
    name = "contact_height_m"
    if (missing := _no_contact(view, name, needs_net=False)) is not None:
        return missing
    place, cover = view.contact.place_m, view.contact.covariance_m2
    rise = _wrist_velocity(view)[2] * view.contact_sd_s
    value = float(place[2])
    sd = float(np.sqrt(cover[2, 2] + rise**2 + _scale_var(view, value)))
    return stated(
        name, value, sd, unit="m", frame=view.path.frame, widest=WIDEST_CONTACT_SD_M,
        shared_sd=_shared_scale(view, value),
    )  # fmt: skip


def contact_front(view: BodyView) -> Measure:
    """Ball ahead of the middle of the hips at contact, along the court, metres."""
    name = "contact_front_m"
    if (missing := _no_contact(view, name, needs_net=True)) is not None:
        return missing
    value = float(view.contact.from_hips_m[1]) * view.facing
    going = _wrist_velocity(view)[1] * view.contact_sd_s
    cover = view.contact.from_hips_covariance_m2
    sd = float(np.sqrt(cover[1, 1] + going**2 + _scale_var(view, value)))
    return stated(name, value, sd, unit="m", frame=COURT, widest=WIDEST_CONTACT_SD_M)


def _no_contact(view: BodyView, name: str, *, needs_net: bool) -> Measure | None:
    if view.path is None:
        return Measure.missing(name, "m", COURT if needs_net else GRAVITY, _NO_PATH)
    if needs_net and view.path.frame is not COURT:
        return Measure.missing(name, "m", COURT, _NO_NET)
    if view.contact is None:
        reason = "neither ball nor paddle was seen at contact"
        return Measure.missing(name, "m", view.path.frame, reason)
    return None


def _scale_var(view: BodyView, length_m: float) -> float:
    return (length_m * view.path.scale_sd) ** 2


def _shared_scale(view: BodyView, length_m: float) -> float:
    """What all strokes are off alike because of the scale: where it is the player's height, which
    stays. On a court it is where the feet were seen, anew for each stroke."""
    return abs(length_m) * view.path.scale_sd if view.path.frame is GRAVITY else 0.0


def _wrist_velocity(view: BodyView) -> np.ndarray:
    """(3,) of the wrist up to contact, metres a second; 0 where the path does not reach."""
    span = max(0.04, 1.5 * view.frame_interval_s)
    ends = [view.path.at({"wrist": 1.0}, t)[0] for t in (view.contact_s - span, view.contact_s)]
    return np.nan_to_num((ends[1] - ends[0]) / span)


@dataclass(frozen=True)
class _Follow:
    """The wrist from contact on, and where it stops: at the earliest and at the latest."""

    time_s: np.ndarray
    wrist_m: np.ndarray
    first: int
    last: int


def _follow(view: BodyView) -> _Follow | None:
    """Where the hand stops: the first moment at which it is slower than a fifth of its speed at
    contact, or slowest for the time being and slower than half of it. A slowing down to nearly
    half may be one or not. None when the path ends before."""
    path = view.path
    later = path.time_s > view.contact_s + 1e-6
    if later.sum() < 4:
        return None
    wrist = np.vstack([path.at({"wrist": 1.0}, view.contact_s)[0], path.joint("wrist")[later]])
    time_s = np.r_[view.contact_s, path.time_s[later]]
    speed = np.linalg.norm(np.gradient(wrist, time_s, axis=0), axis=1)
    before = np.linalg.norm(_wrist_velocity(view))
    stops = []
    for share in (_PAUSE_SHARE + _PAUSE_DOUBT, _PAUSE_SHARE - _PAUSE_DOUBT):
        slow = speed < _STOPPED_SHARE * before
        inner = speed[1:-1]
        slow[1:-1] |= (inner <= speed[2:]) & (inner < speed[:-2]) & (inner < share * before)
        slow[0] = False
        if not slow.any():
            return None
        stops.append(int(np.argmax(slow)))
    return _Follow(time_s=time_s, wrist_m=wrist, first=stops[0], last=stops[1])


def hand_stops_s(view: BodyView) -> float | None:
    """When the hitting hand stops after contact, seconds on court; None when that is not clear."""
    found = None if view.path is None else _follow(view)
    if found is None:
        return None
    return float(found.time_s[found.first] + found.time_s[found.last]) / 2


def follow_path(view: BodyView) -> Measure:
    """Length of the wrist's path from contact until the hand stops, metres."""
    name = "follow_path_m"
    if view.path is None:
        return Measure.missing(name, "m", GRAVITY, _NO_PATH)
    frame = view.path.frame
    found = _follow(view)
    if found is None:
        return Measure.missing(name, "m", frame, "the recording or the player's track ends before")
    steps = np.linalg.norm(np.diff(found.wrist_m, axis=0), axis=1)
    short, long = steps[: found.first].sum(), steps[: found.last].sum()
    if long - short > 2 * WIDEST_FOLLOW_SHARE * long:
        return Measure.missing(
            name, "m", frame, "the hand slows down twice, so its end is not clear"
        )
    value = float(short + long) / 2
    way = found.wrist_m[found.last] - found.wrist_m[0]
    way = way / max(float(np.linalg.norm(way)), 1e-6)
    ends = [view.path.at({"wrist": 1.0, "hips": -1.0}, found.time_s[k]) for k in (0, found.last)]
    ending = sum(float(way @ cover @ way) for _, cover in ends)
    speed = np.linalg.norm(_wrist_velocity(view))
    stopping = _STOPPED_SHARE * speed * max(2 * view.frame_interval_s, 0.05)
    parts = (ending, (speed * view.contact_sd_s) ** 2, stopping**2, (long - short) ** 2 / 12,
             _scale_var(view, value))  # fmt: skip
    sd = float(np.sqrt(sum(parts)))
    return stated(
        name, value, sd, unit="m", frame=frame, widest=WIDEST_FOLLOW_SHARE * value,
        shared_sd=_shared_scale(view, value),
    )  # fmt: skip


def follow_height(view: BodyView) -> Measure:
    """Wrist above the opposite shoulder where the hand stops, upper-arm lengths."""
    return _end(view, "follow_height", across=False)


def follow_across(view: BodyView) -> Measure:
    """Wrist beyond the opposite shoulder where the hand stops, upper-arm lengths.

    Along the shoulder line, from the hitting shoulder to the other: negative when the hand stays
    on the hitting side of the opposite shoulder, positive when it ends past it.
    """
    return _end(view, "follow_across", across=True)


def _end(view: BodyView, name: str, *, across: bool) -> Measure:
    if view.path is None:
        return Measure.missing(name, _ARM_LENGTHS, GRAVITY, _NO_PATH)
    frame = view.path.frame
    found = _follow(view)
    if found is None:
        reason = "the recording or the player's track ends before"
        return Measure.missing(name, _ARM_LENGTHS, frame, reason)
    if found.last > found.first:
        reason = "the hand slows down twice, so its end is not clear"
        return Measure.missing(name, _ARM_LENGTHS, frame, reason)
    at = float(found.time_s[found.last])
    hand = view.stroke.hand
    other = Handedness.LEFT if hand is Handedness.RIGHT else Handedness.RIGHT
    gap, cover = view.path.at({"wrist": 1.0, f"{other.value}_shoulder": -1.0}, at)
    way = np.array([0.0, 0.0, 1.0])
    if across:
        ends = {f"{other.value}_shoulder": 1.0, f"{hand.value}_shoulder": -1.0}
        way = view.path.at(ends, at)[0]
        way = way / np.linalg.norm(way)
    arm, arm_sd = view.path.lengths_m["upper arm"], view.path.lengths_sd_m["upper arm"]
    value = float(gap @ way) / arm
    sd = float(np.sqrt(way @ cover @ way)) / arm
    # Where the hand stops is itself uncertain by a few hundredths of a second of slow travel.
    drift = _STOPPED_SHARE * float(np.linalg.norm(_wrist_velocity(view))) * 0.03 / arm
    # The arm itself is as long at every stroke.
    length_sd = abs(value) * arm_sd / arm
    sd = float(np.sqrt(sd**2 + drift**2 + length_sd**2))
    return stated(
        name, value, sd, unit=_ARM_LENGTHS, frame=frame, widest=WIDEST_END_SD, shared_sd=length_sd
    )  # fmt: skip


ARM_MEASURES: tuple[Callable[[BodyView], Measure], ...] = (
    elbow_height,
    elbow_behind,
    contact_height,
    contact_front,
    follow_path,
    follow_height,
    follow_across,
)
