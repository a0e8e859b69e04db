"""Side and kind of a stroke judged again, once body and paddle are known in space.

The picture alone tells both from where the hand is and how it moves in the picture, which a view
from a corner or from the side distorts. In space the shoulders turn to the hitting hand's side
before a forehand and to the other side before a backhand; a drive's path is level to rising, a
slice's falling, which leaves the ball with backspin (common practice, no source).
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from scipy.special import expit, logit, ndtr

from paddlebrief.mechanics.body_view import BACKSWING_S, BodyView
from paddlebrief.records import FrameOfReference, Handedness, Kind, Measure, Side, Stroke
from paddlebrief.strokes.kind import decide_kind
from paddlebrief.strokes.side import decide_side
from paddlebrief.turn.fusion import wrapped

__all__ = ["judged_kind", "judged_side"]

_TURN_SPREAD_RAD = np.radians(7.0)  # how far shoulders may wander without a swing (a guess)
_READY_FRAMES = 4
_PICTURE_SHARE = 0.25  # what the picture's own logit still counts beside a turn in space
_PICTURE_KIND_SHARE = 0.75  # of the picture's logit of drive against slice, from anywhere
_ALONG_RAD, _ASLANT_RAD = np.radians([25.0, 45.0])
_ALONG_SHARE, _ASLANT_SHARE = 1.0, 0.5
_ASLANT_SHIFT = {Side.FOREHAND: 1.4, Side.BACKHAND: 0.4, Side.UNSURE: 0.9}
"""The same where the camera looks along the court or aslant, and what is added there: hands that
swing across the line of sight look as if they fell. Fitted to 457 rendered strokes from three
places, of which the picture alone then tells 80 % instead of 73 %; guesses for real ones."""
_STEEP = 1.7  # logits for one standard deviation, about a normal distribution's
_LEVEL_DEG, _LEVEL_SPREAD_DEG = 2.0, 6.0  # where rising begins, and how far players differ
_OPEN_DEG, _OPEN_SPREAD_DEG = 15.5, 4.0  # face between a drive's and a slice's, the same
_SPUN_MPS, _SPUN_SPREAD_MPS = 2.5, 1.0  # backspin of the ball's rim, the same
_SOFT_MPS, _SOFT_SPREAD_MPS = 8.0, 0.8  # dinks, blocks and soft volleys leave below
"""Borders between rendered drives, slices and soft balls; guesses for real ones."""
_MOST = 1e-4  # no model knows more than this


def judged_side(body: BodyView, *, unsure_below: float) -> Stroke:
    """The stroke with its side settled by the turn of the shoulders, where that was read."""
    stroke, turns = body.stroke, body.turns
    if turns is None or stroke.hand is Handedness.UNKNOWN:
        return stroke
    time = turns.time_s
    before = (time >= body.contact_s - BACKSWING_S) & (time <= body.contact_s)
    if before.sum() < 4 or body.shoulders_behind:
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
    by_turn = float(ndtr(towards / sd))
    sure = stroke.side_probability
    prior = {Side.FOREHAND: sure, Side.BACKHAND: 1 - sure}.get(stroke.side, 0.5)
    total = float(expit(_odds(by_turn) + _PICTURE_SHARE * _odds(prior)))
    side, probability = decide_side(total, unsure_below=unsure_below)
    return replace(stroke, side=side, side_probability=probability)


def judged_kind(
    body: BodyView,
    measures: Mapping[str, Measure],
    *,
    backspin_mps: tuple[float, float] | None = None,
    aslant_rad: float | None = None,
    unsure_below: float,
) -> tuple[Kind, dict[Kind, float]]:
    """Kind and probabilities by the paddle's path and face, and by how the ball leaves.

    The picture's odds of drive against slice count as far as the view lets them; what was not
    measured in space adds nothing to them. ``backspin_mps`` is the ball's, with its standard
    uncertainty, and ``aslant_rad`` the angle on the ground between the line of sight and the
    court's length, None where it is not known.
    """
    prior = body.stroke.kind_probabilities
    struck = prior[Kind.DRIVE] + prior[Kind.SLICE]
    rising = _by_picture(prior[Kind.DRIVE] / struck if struck > 0 else 0.5, body, aslant_rad)
    path, face = _taken(measures, "path_angle_deg"), _taken(measures, "face_angle_deg")
    if path is not None:
        rising += _STEEP * (path.value - _LEVEL_DEG) / np.hypot(path.sd, _LEVEL_SPREAD_DEG)
    if face is not None:
        rising -= _STEEP * (face.value - _OPEN_DEG) / np.hypot(face.sd, _OPEN_SPREAD_DEG)
    if backspin_mps is not None:
        value, sd = backspin_mps
        rising -= _STEEP * (value - _SPUN_MPS) / np.hypot(sd, _SPUN_SPREAD_MPS)
    drive = float(expit(rising))
    other = prior[Kind.OTHER]
    ball = _taken(measures, "ball_launch_speed_mps")
    if ball is not None:
        soft = float(ndtr((_SOFT_MPS - ball.value) / np.hypot(ball.sd, _SOFT_SPREAD_MPS)))
        other = 0.5 * other * (1 - soft) + soft * (0.8 + 0.2 * other)
    found = {
        Kind.DRIVE: float((1 - other) * drive),
        Kind.SLICE: float((1 - other) * (1 - drive)),
        Kind.OTHER: float(other),
    }
    return decide_kind(found, unsure_below=unsure_below), found


def _by_picture(drive: float, body: BodyView, aslant_rad: float | None) -> float:
    """Logit of drive against slice by the picture's probability of a drive."""
    if aslant_rad is None:
        return _PICTURE_KIND_SHARE * _odds(drive)
    aslant = float(np.clip((aslant_rad - _ALONG_RAD) / (_ASLANT_RAD - _ALONG_RAD), 0, 1))
    share = _ALONG_SHARE + aslant * (_ASLANT_SHARE - _ALONG_SHARE)
    return share * _odds(drive) + aslant * _ASLANT_SHIFT[body.stroke.side]


def _taken(measures: Mapping[str, Measure], name: str) -> Measure | None:
    measure = measures.get(name)
    return measure if measure is not None and measure.measured else None


def _odds(probability: float) -> float:
    return float(logit(np.clip(probability, _MOST, 1 - _MOST)))
