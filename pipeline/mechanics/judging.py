"""Side and kind of a stroke judged again, once body and paddle are known in space.

The picture alone tells both from where the hand is and how it moves in the picture, which a view
from a corner or from the side distorts. In space the shoulders turn to the hitting hand's side
before a forehand and to the other side before a backhand; a drive's path is level to rising, a
slice's falling (common practice, no source).
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from scipy.special import expit, logit, ndtr

from paddlebrief.mechanics.body_view import BACKSWING_S, BodyView
from paddlebrief.records import FrameOfReference, Handedness, Kind, Measure, Stroke
from paddlebrief.strokes.kind import decide_kind
from paddlebrief.strokes.side import decide_side
from paddlebrief.turn.fusion import wrapped

__all__ = ["judged_kind", "judged_side"]

_TURN_SPREAD_RAD = np.radians(7.0)  # how far shoulders may wander without a swing (a guess)
_READY_FRAMES = 4
_PICTURE_SHARE = 0.25  # what the picture's own logit still counts beside a turn in space
_LEVEL_DEG, _LEVEL_SPREAD_DEG = 2.0, 6.0  # where rising begins, and how far players differ
_SLOW_MPS, _SLOW_SPREAD_MPS = 5.5, 0.7  # head speeds of blocks, dinks and resets lie below
_HIGH_SPREAD_M = 0.08
_NEAR_S = 0.045
_HAND_SPREAD_DEG = 12.0  # between the path of the hand and that of the paddle
_MOST = 1e-4  # no model knows more than this


def judged_side(body: BodyView, *, unsure_below: float) -> Stroke:
    """The stroke with its side settled by the turn of the shoulders, where that was read."""
    stroke, turns = body.stroke, body.turns
    if turns is None or stroke.hand is Handedness.UNKNOWN:
        return stroke
    time = turns.time_s
    before = (time >= body.contact_s - BACKSWING_S) & (time <= body.contact_s)
    if before.sum() < 4:
        return stroke
    # towards the net, or, where that is not known, as the player stood before the swing
    ahead = body.facing * np.pi / 2
    if turns.frame is not FrameOfReference.COURT:
        ahead = np.median(turns.shoulder_rad[:_READY_FRAMES])
    turned = -wrapped(turns.shoulder_rad[before] - ahead)  # positive to the player's right
    # the furthest turn to either side; one that swings both ways says little
    furthest = turned.max() + turned.min()
    sd = np.hypot(np.median(turns.shoulder_sd_rad[before]), _TURN_SPREAD_RAD)
    towards = furthest * (1 if stroke.hand is Handedness.RIGHT else -1)
    by_turn = np.clip(ndtr(towards / sd), _MOST, 1 - _MOST)
    forehand = stroke.side_probability if stroke.forehand_likelier else 1 - stroke.side_probability
    prior = np.clip(forehand, _MOST, 1 - _MOST)
    total = float(expit(logit(by_turn) + _PICTURE_SHARE * logit(prior)))
    side, probability = decide_side(total, unsure_below=unsure_below)
    return replace(stroke, side=side, side_probability=probability)


def judged_kind(
    body: BodyView, measures: Mapping[str, Measure], *, unsure_below: float
) -> tuple[Kind, dict[Kind, float]]:
    """Kind and probabilities by the paddle's path, its speed and the height of contact.

    What was not measured in space is left to the picture's probabilities.
    """
    prior = body.stroke.kind_probabilities
    struck = prior[Kind.DRIVE] + prior[Kind.SLICE]
    rising = prior[Kind.DRIVE] / struck if struck > 0 else 0.5
    path = _path_deg(body, measures)
    if path is not None:
        value, sd = path
        rising = float(ndtr((value - _LEVEL_DEG) / np.hypot(sd, _LEVEL_SPREAD_DEG)))
    other = prior[Kind.OTHER]
    speed = measures.get("head_speed_mps")
    if speed is not None and speed.measured:
        slow = float(ndtr((_SLOW_MPS - speed.value) / np.hypot(speed.sd, _SLOW_SPREAD_MPS)))
        other = 1 - (1 - slow) * (1 - _high(body))
    other, rising = np.clip([other, rising], _MOST, 1 - _MOST)
    found = {
        Kind.DRIVE: float((1 - other) * rising),
        Kind.SLICE: float((1 - other) * (1 - rising)),
        Kind.OTHER: float(other),
    }
    return decide_kind(found, unsure_below=unsure_below), found


def _path_deg(body: BodyView, measures: Mapping[str, Measure]) -> tuple[float, float] | None:
    """Path at contact and its standard uncertainty: the paddle's, else the hand's."""
    paddle = measures.get("path_angle_deg")
    if paddle is not None and paddle.measured:
        return paddle.value, paddle.sd
    path = body.path
    if path is None:
        return None
    before, _ = path.at({"wrist": 1.0}, body.contact_s - _NEAR_S)
    after, cover = path.at({"wrist": 1.0}, body.contact_s + 0.3 * _NEAR_S)
    way = after - before
    if not np.isfinite(way).all():
        return None
    length = float(np.linalg.norm(way))
    sd = np.degrees(0.4 * np.sqrt(cover[2, 2]) / max(length, 1e-3))
    angle = np.degrees(np.arctan2(way[2], np.linalg.norm(way[:2])))
    return float(angle), float(np.hypot(sd, _HAND_SPREAD_DEG))


def _high(body: BodyView) -> float:
    """Probability that the ball is met above the shoulders: serves from above, smashes."""
    if body.path is None or body.contact is None:
        return 0.0
    shoulders = {"left_shoulder": 0.5, "right_shoulder": 0.5}
    place, cover = body.path.at(shoulders, body.contact_s)
    if not np.isfinite(place).all():
        return 0.0
    over = body.contact.place_m[2] - place[2]
    sd = np.sqrt(cover[2, 2] + body.contact.covariance_m2[2, 2] + _HIGH_SPREAD_M**2)
    return float(ndtr(over / sd))
