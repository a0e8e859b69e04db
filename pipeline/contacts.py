"""Contacts: which impact belongs to which stroke, and when it happened.

What is heard comes late by its travel through air and by the recording's own clock offset between
sound and picture. Hands are too vague to tell that offset: the middle of a swing lies up to 70 ms
beside the contact, by view and stroke. Balls tell it: a bounce or a hit is seen to within a few
milliseconds.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import linear_sum_assignment

from paddlebrief.ball import BallTrack, BreakKind
from paddlebrief.court.camera import SolvedCamera
from paddlebrief.ears import EarSettings, Impact, travel_s
from paddlebrief.records import Stroke

__all__ = [
    "CLOCK_SD_S",
    "Action",
    "Agreement",
    "Clock",
    "actions_of_balls",
    "agree",
    "estimate_clock",
    "hearing_distance_m",
    "retime_strokes",
]

CLOCK_SD_S = 0.01
"""Uncertainty of the clock between sound and picture where nothing tells it, s: one device is
allowed 5 ms early and 15 ms late (EBU R37, from memory)."""
_SEARCH_SD_S = 0.05
"""Spread of offsets that are looked for: network cameras and re-encoding add more (a guess)."""
_CLOCK_GRID_S = np.arange(-0.2, 0.2 + 1e-9, 0.0005)
_CHANCE_PER_S = 1.0
_STRAY_SHARE = 0.3
_LEAST_ACTIONS = 4
_GATE = 3.5
_BALL_SD_S = 0.0015
"""Least uncertainty of a seen break: the ball touches for a few milliseconds."""
_ONSET_SD_S = 0.001
_VAGUEST_BREAK_S = 0.02
_CHEST_M = 1.0
_STANCE_SD_M = 0.5
"""From a player's feet to where the ball is struck, to either side."""


@dataclass(frozen=True, kw_only=True)
class Action:
    """Something seen that should have made a sound: a hand at its fastest, a ball's break.

    Attributes
    ----------
    time_s, time_s_sd
        When it was seen, on the clock of the impacts, and its standard uncertainty.
    distance_m, distance_m_sd
        From there to the microphone.
    """

    time_s: float
    time_s_sd: float
    distance_m: float
    distance_m_sd: float = 0.5


@dataclass(frozen=True, kw_only=True)
class Clock:
    """Seconds by which sound comes late in the recording, beyond its travel through air.

    ``actions`` counts the seen actions that agreed; with few, the offset is 0 and its uncertainty
    what is known beforehand.
    """

    offset_s: float
    offset_s_sd: float
    actions: int


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """An impact and the action it belongs to.

    ``impact`` and ``action`` are places in the given sequences; ``struck_s`` is when it happened
    by the sound, travel and clock taken off, with its uncertainty.
    """

    impact: int
    action: int
    struck_s: float
    struck_s_sd: float


def _lateness(
    impacts: Sequence[Impact], actions: Sequence[Action], slow_factor: float
) -> tuple[np.ndarray, np.ndarray]:
    """How late impacts (i) come after actions (a) beyond their travel, and its sd, (a, i) each.

    In seconds of playback; sound that is played slowly travels ``slow_factor`` times as long.
    """
    heard = np.array([i.heard_s for i in impacts])
    heard_sd = np.array([i.heard_s_sd for i in impacts])
    seen = np.array([[a.time_s, a.time_s_sd, a.distance_m, a.distance_m_sd] for a in actions])
    travel, travel_sd = slow_factor * travel_s(seen[:, 2]), slow_factor * travel_s(seen[:, 3])
    late = heard[None] - (seen[:, 0] + travel)[:, None]
    own = np.hypot(seen[:, 1], travel_sd)
    return late, np.hypot(own[:, None], heard_sd[None])


def estimate_clock(
    impacts: Sequence[Impact],
    actions: Sequence[Action],
    *,
    slow_factor: float = 1.0,
) -> Clock:
    """The clock between sound and picture, from all actions of a session together.

    Each action is taken to have made one of the impacts around it, or none of them; other
    impacts come by chance. The offset's probability is worked out on a grid of half
    milliseconds, times a normal one around 0. Fewer than four actions that agree leave the offset
    at 0 ± `CLOCK_SD_S`.

    Parameters
    ----------
    impacts, actions
        On one clock, presentation time.
    slow_factor
        Seconds of playback for one on court.
    """
    unknown = Clock(offset_s=0.0, offset_s_sd=CLOCK_SD_S, actions=0)
    if not impacts or not actions:
        return unknown
    late, sd = _lateness(impacts, actions, slow_factor)
    rate = max(_CHANCE_PER_S, len(impacts) / max(np.ptp([i.heard_s for i in impacts]), 1.0))
    grid = _CLOCK_GRID_S
    log = -0.5 * (grid / _SEARCH_SD_S) ** 2
    for row, row_sd in zip(late, sd, strict=True):
        near = np.abs(row) < 2 * grid[-1]
        z = (row[near, None] - grid) / row_sd[near, None]
        match = np.exp(-0.5 * z**2) / (np.sqrt(2 * np.pi) * row_sd[near, None])
        log += np.log(_STRAY_SHARE + (1 - _STRAY_SHARE) * match.sum(axis=0) / rate)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    offset = float(weight @ grid)
    spread = float(np.sqrt(weight @ (grid - offset) ** 2 + (grid[1] - grid[0]) ** 2 / 12))
    agreed = int(np.sum(np.any(np.abs(late - offset) < 2 * np.hypot(sd, spread), axis=1)))
    if agreed < _LEAST_ACTIONS:
        return replace(unknown, actions=agreed)
    return Clock(offset_s=offset, offset_s_sd=spread, actions=agreed)


def agree(
    impacts: Sequence[Impact],
    actions: Sequence[Action],
    *,
    clock: Clock,
    slow_factor: float = 1.0,
    gate: float = _GATE,
    weight: Callable[[Impact], float] = lambda impact: impact.rise_db / 10,
) -> list[Agreement]:
    """Impacts that belong to actions, at most one each, in order of action; the rest are noise,
    bounces or other courts.

    Pairs within ``gate`` standard deviations are matched so that all together agree best;
    ``weight`` lets a loud impact win over a faint one nearby, by its square in deviations.

    Parameters
    ----------
    impacts, actions
        On one clock, presentation time.
    clock
        From `estimate_clock`.
    slow_factor
        Seconds of playback for one on court.
    """
    if not impacts or not actions:
        return []
    late, sd = _lateness(impacts, actions, slow_factor)
    z2 = (late - clock.offset_s) ** 2 / (sd**2 + clock.offset_s_sd**2)
    loud = np.array([weight(i) for i in impacts])
    most = gate**2 + loud.max()
    cost = np.where(z2 < gate**2, z2 - loud, most)
    found = []
    for a, i in zip(*linear_sum_assignment(cost), strict=True):
        if z2[a, i] >= gate**2:
            continue
        action, impact = actions[a], impacts[i]
        travel = slow_factor * travel_s(action.distance_m)
        own = (impact.heard_s_sd, clock.offset_s_sd, slow_factor * travel_s(action.distance_m_sd))
        found.append(
            Agreement(
                impact=int(i),
                action=int(a),
                struck_s=impact.heard_s - travel - clock.offset_s,
                struck_s_sd=float(np.linalg.norm(own)),
            )
        )
    return found


def actions_of_balls(
    tracks: Sequence[BallTrack], *, microphone_m: np.ndarray, slow_factor: float = 1.0
) -> list[Action]:
    """Hits and bounces of tracked balls that the microphone should have heard.

    Parameters
    ----------
    tracks
        Only those in court metres count.
    microphone_m
        (3,) place of the camera, court frame.
    slow_factor
        Seconds of playback for one on court; the actions are in playback time.
    """
    return [
        Action(
            time_s=b.time_s * slow_factor,
            time_s_sd=max(b.time_s_sd, _BALL_SD_S) * slow_factor,
            distance_m=float(np.linalg.norm(b.place_m - microphone_m)),
            distance_m_sd=float(np.sqrt(np.trace(b.covariance_m2))),
        )
        for track in tracks
        if track.in_court
        for b in track.breaks
        if b.kind in (BreakKind.HIT, BreakKind.BOUNCE) and b.time_s_sd <= _VAGUEST_BREAK_S
    ]


def hearing_distance_m(
    camera: SolvedCamera | None, stood: tuple[np.ndarray, np.ndarray] | None, settings: EarSettings
) -> tuple[float, float]:
    """From a player's chest to the camera, and its standard uncertainty.

    Parameters
    ----------
    camera
        The solved camera, or None.
    stood
        (2,) place between the feet and its (2, 2) covariance, court frame, from
        `strokes.grounded.standing_place`; None or NaN where it is not known.
    settings
        Gives what is assumed where the distance is not known, half of which is the uncertainty.
    """
    assumed = settings.distance_m, settings.distance_m / 2
    if camera is None or stood is None or not np.all(np.isfinite(stood[0])):
        return assumed
    place, cover = stood
    sd = float(np.sqrt(np.trace(cover) + _STANCE_SD_M**2))
    distance = float(np.linalg.norm(np.append(place, _CHEST_M) - camera.position_m))
    return (distance, sd) if sd < assumed[1] else assumed


def retime_strokes(
    strokes: Sequence[Stroke],
    impacts: Sequence[Impact],
    *,
    hits: Sequence[tuple[float, float] | None],
    distances_m: Sequence[tuple[float, float]],
    clock: Clock,
    assumed_m: float,
    slow_factor: float = 1.0,
) -> list[Stroke]:
    """Strokes timed anew by ball and sound together.

    Where the ball was seen to be hit, that time is put together with the impact that agrees with
    it; if none does, what was taken for the stroke's sound came from elsewhere. Where only a sound
    is known, the stroke's own distance and the session's clock take the place of what was assumed.
    Strokes with neither stay as they are.

    Parameters
    ----------
    strokes
        As found.
    impacts
        Of the whole recording.
    hits
        Time of each stroke's hit as the ball shows it and its standard uncertainty, seconds on
        court; None where it was not seen.
    distances_m
        Of each stroke, from `hearing_distance_m`.
    clock
        From `estimate_clock`.
    assumed_m
        Distance that the strokes' contacts were found with (`EarSettings.distance_m`).
    slow_factor
        Seconds of playback for one on court.

    Returns
    -------
    list of Stroke
        In the same order; load, forward swing and finish stay on their side of the contact.
    """
    seen = {
        k: Action(
            time_s=hit[0] * slow_factor,
            time_s_sd=max(hit[1], _BALL_SD_S) * slow_factor,
            distance_m=distances_m[k][0],
            distance_m_sd=distances_m[k][1],
        )
        for k, hit in enumerate(hits)
        if hit is not None
    }
    numbers = list(seen)
    agreed = agree(impacts, list(seen.values()), clock=clock, slow_factor=slow_factor)
    heard = {numbers[a.action]: (a.struck_s, a.struck_s_sd) for a in agreed}
    timed = []
    for k, stroke in enumerate(strokes):
        if k in seen:
            times = [(seen[k].time_s, seen[k].time_s_sd), *([heard[k]] if k in heard else [])]
            timed.append(_moved(stroke, *_weighed(times), heard=k in heard))
        elif stroke.heard:
            distance, distance_sd = distances_m[k]
            nearer = slow_factor * travel_s(assumed_m - distance)
            own = (_ONSET_SD_S, clock.offset_s_sd, slow_factor * travel_s(distance_sd))
            contact = stroke.contact_s + nearer - clock.offset_s
            timed.append(_moved(stroke, contact, float(np.linalg.norm(own)), heard=True))
        else:
            timed.append(stroke)
    return timed


def _weighed(times: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Mean of independent times by their variances, and its standard uncertainty."""
    value, sd = np.array(times).T
    weight = sd**-2
    return float(weight @ value / weight.sum()), float(weight.sum() ** -0.5)


def _moved(stroke: Stroke, contact_s: float, contact_s_sd: float, *, heard: bool) -> Stroke:
    return replace(
        stroke,
        load_s=min(stroke.load_s, contact_s),
        forward_s=min(stroke.forward_s, contact_s),
        contact_s=contact_s,
        contact_s_sd=contact_s_sd,
        finish_s=max(stroke.finish_s, contact_s),
        heard=heard,
    )
