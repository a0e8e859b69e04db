"""Balls that arrive where they are to be hit, and faces that send them where they should land."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from paddlebrief.errors import RehearsalError
from paddlebrief.rehearsal.ball import GRAVITY_MPS2, BallSettings, Flight, drag_per_m, fly
from paddlebrief.rehearsal.court_dimensions import (
    BALL_RADIUS_M,
    COURT_LENGTH_M,
    NET_CENTRE_HEIGHT_M,
)
from paddlebrief.rehearsal.paddle import PaddleSpec, strike
from paddlebrief.rehearsal.reach import face_normal

__all__ = ["FeedStyle", "drop_to", "face_for_landing", "feed_to"]

_SPEEDS_MPS = np.arange(4.0, 21.0, 0.25)
_STEP_S = 1 / 120
_FACES_DEG = np.arange(-24.0, 61.0, 3.0)
_NO_SPIN = np.zeros(3)


@dataclass(frozen=True)
class FeedStyle:
    """How the ball comes: ``bounces`` 0 or 1 and the rise of its launch in degrees, low to high."""

    bounces: int
    rise_deg: tuple[float, float]


def feed_to(
    contact_m: np.ndarray,
    *,
    release_m: np.ndarray,
    contact_s: float,
    style: FeedStyle,
    settings: BallSettings,
    rng: np.random.Generator,
) -> Flight:
    """A flight without spin from ``release_m`` that ends in ``contact_m`` at ``contact_s``.

    Launch speeds and rises are scanned in the vertical plane of both places; one of the fitting
    pairs is drawn and refined on the full flight. What is left, well under a millimetre, is taken
    up by the place of release.

    Raises
    ------
    RehearsalError
        When no launch in the style's range arrives there.
    """
    span = (contact_m - release_m)[:2]
    way = float(np.hypot(*span))
    ahead = np.array([*span / way, 0.0])
    rises = np.radians(np.linspace(*style.rise_deg, 9))
    brackets = _brackets(release_m, contact_m, ahead, rises, style.bounces, settings)
    if not brackets:
        place = ", ".join(f"{v:.2f}" for v in contact_m)
        raise RehearsalError(
            "no feed reaches the contact point",
            expected=f"a launch that gets over the net to ({place}) m with {style.bounces} bounce",
            found=f"none from ({', '.join(f'{v:.2f}' for v in release_m)}) m",
            todo="move the player, the contact height or the feeder",
        )
    # Flat feeds after a bounce and gentle ones out of the air are the ones coaches give.
    brackets.sort(key=lambda b: b[0] if style.bounces else b[1])
    easy = max(1, int(0.4 * len(brackets)))
    order = [*rng.permutation(easy), *range(easy, len(brackets))]
    for index in order:
        flight = _refined(release_m, contact_m, ahead, brackets[index], style.bounces, settings)
        if flight is not None:
            return _ending_at(flight, contact_m, contact_s)
    raise RehearsalError("no feed could be refined", todo="choose another seed")


def _brackets(release_m, contact_m, ahead, rises, bounces, settings):
    speeds = _SPEEDS_MPS[:, None]
    arrival, bounced, clear = _planar(release_m, contact_m, ahead, speeds, rises[None], settings)
    good = (bounced == bounces) & clear & np.isfinite(arrival)
    off = arrival - contact_m[2]
    found = []
    for column, rise in enumerate(rises):
        for row in range(len(_SPEEDS_MPS) - 1):
            both = good[row, column] and good[row + 1, column]
            if both and off[row, column] * off[row + 1, column] <= 0:
                found.append((float(rise), float(_SPEEDS_MPS[row]), float(_SPEEDS_MPS[row + 1])))
    return found


def _planar(release_m, contact_m, ahead, speeds, rises, settings):
    """Height on arrival, bounces before it, and whether the net was cleared, for all launches."""
    way = float((contact_m - release_m)[:2] @ ahead[:2])
    net_way = -release_m[1] / ahead[1]
    shape = np.broadcast_shapes(speeds.shape, rises.shape)
    along, high = np.zeros(shape), np.full(shape, float(release_m[2]))
    go, climb = speeds * np.cos(rises), speeds * np.sin(rises)
    arrival, bounced = np.full(shape, np.nan), np.zeros(shape, int)
    clear = np.ones(shape, bool)
    drag = drag_per_m(settings)
    for _ in range(int(3.0 / _STEP_S)):
        before_along, before_high = along, high
        speed = np.hypot(go, climb)
        half_go = go - 0.5 * _STEP_S * drag * speed * go
        half_climb = climb - 0.5 * _STEP_S * (GRAVITY_MPS2 + drag * speed * climb)
        speed = np.hypot(half_go, half_climb)
        along, high = along + _STEP_S * half_go, high + _STEP_S * half_climb
        go = go - _STEP_S * drag * speed * half_go
        climb = climb - _STEP_S * (GRAVITY_MPS2 + drag * speed * half_climb)
        passed = (before_along < net_way) & (along >= net_way)
        clear &= ~passed | (high > NET_CENTRE_HEIGHT_M + 2 * BALL_RADIUS_M)
        there = (before_along < way) & (along >= way)
        share = (way - before_along) / np.maximum(along - before_along, 1e-9)
        arrival = np.where(there, before_high + share * (high - before_high), arrival)
        down = (high < BALL_RADIUS_M) & (climb < 0) & (along < way)
        loss = np.minimum(0.4 * go, settings.court_friction * -(1 + settings.restitution) * climb)
        go, climb = (
            np.where(down, go - loss, go),
            np.where(down, -settings.restitution * climb, climb),
        )
        high = np.where(down, 2 * BALL_RADIUS_M - high, high)
        bounced = bounced + down
        if np.all(along >= way):
            break
    return arrival, bounced, clear


def _launched(release_m, ahead, speed, rise, settings) -> Flight:
    velocity = speed * (np.cos(rise) * ahead + np.array([0.0, 0.0, np.sin(rise)]))
    return fly(release_m, velocity, _NO_SPIN, start_s=0.0, end_s=2.6, settings=settings)


def _refined(release_m, contact_m, ahead, launch, bounces, settings) -> Flight | None:
    rise, low, high = launch

    def off(speed: float) -> float:
        flight = _launched(release_m, ahead, speed, rise, settings)
        place, _ = _crossing(flight, contact_m, ahead)
        return place[2] - contact_m[2]

    try:
        speed = brentq(off, low - 0.1, high + 0.1, xtol=1e-5)
    except ValueError:
        return None
    flight = _launched(release_m, ahead, speed, rise, settings)
    _, arrival_s = _crossing(flight, contact_m, ahead)
    events = tuple(e for e in flight.events if e.time_s < arrival_s)
    if [e.kind for e in events] != ["bounce"] * bounces or any(e.place_m[1] > -0.3 for e in events):
        return None
    keep = flight.time_s < arrival_s - 1e-6
    end = flight.at(np.array([arrival_s]))
    slow = flight.at(np.array([arrival_s - 1e-4]))
    return Flight(
        np.append(flight.time_s[keep], arrival_s),
        np.vstack([flight.position_m[keep], end]),
        np.vstack([flight.velocity_mps[keep], (end - slow) / 1e-4]),
        np.vstack([flight.spin_radps[keep], flight.spin_radps[keep][-1:]]),
        events,
    )


def _crossing(flight: Flight, contact_m, ahead) -> tuple[np.ndarray, float]:
    """Place and time at which the flight passes the contact point's distance."""
    along = (flight.position_m - contact_m) @ ahead
    after = int(np.argmax(along >= 0)) if np.any(along >= 0) else len(along) - 1
    low, high = flight.time_s[max(after - 1, 0)], flight.time_s[after]
    for _ in range(50):
        middle = (low + high) / 2
        if (flight.at(np.array([middle]))[0] - contact_m) @ ahead < 0:
            low = middle
        else:
            high = middle
    return flight.at(np.array([high]))[0], float(high)


def _ending_at(flight: Flight, contact_m: np.ndarray, contact_s: float) -> Flight:
    shift_m, shift_s = contact_m - flight.position_m[-1], contact_s - flight.time_s[-1]
    events = tuple(
        type(e)(e.kind, e.time_s + shift_s, e.place_m + shift_m, e.speed_mps) for e in flight.events
    )
    return Flight(
        flight.time_s + shift_s,
        flight.position_m + shift_m,
        flight.velocity_mps,
        flight.spin_radps,
        events,
    )


def drop_to(
    contact_m: np.ndarray, *, release_m: np.ndarray, release_s: float, contact_s: float,
    settings: BallSettings,
) -> Flight:  # fmt: skip
    """A ball let go or tossed from the hand that is in ``contact_m`` at ``contact_s``."""
    span = contact_s - release_s
    velocity = (contact_m - release_m) / span + np.array([0.0, 0.0, GRAVITY_MPS2 * span / 2])
    for _ in range(6):
        flight = fly(
            release_m, velocity, _NO_SPIN, start_s=release_s, end_s=contact_s, settings=settings
        )
        velocity = velocity + (contact_m - flight.position_m[-1]) / span
    return _ending_at(flight, contact_m, contact_s)


def face_for_landing(
    contact_m: np.ndarray,
    *,
    incoming: Flight,
    face_velocity_mps: np.ndarray,
    heading_deg: float,
    landing_depth_m: float,
    paddle: PaddleSpec,
    settings: BallSettings,
) -> float:
    """Rise of the face's normal that lands the ball so far short of the far base line.

    Of the angles that do, the lowest is taken; when none reaches that far, the one that reaches
    farthest over the net. The higher on the net, the better counts a ball
    that the net stops.

    Returns
    -------
    float
        Degrees, positive open.
    """
    wanted = COURT_LENGTH_M / 2 - landing_depth_m

    def landing(face_deg: float) -> float:
        struck = strike(
            incoming.velocity_mps[-1],
            incoming.spin_radps[-1],
            face_velocity_mps=face_velocity_mps,
            face_normal=face_normal(face_deg, heading_deg),
            paddle=paddle,
        )
        flight = fly(
            contact_m, struck.velocity_mps, struck.spin_radps,
            start_s=0.0, end_s=2.4, settings=settings, step_s=1 / 60, touches=1,
        )  # fmt: skip
        net = flight.first("net")
        if net is not None:
            return float(net.place_m[2]) - 1.0
        bounce = flight.first("bounce")
        return float((bounce.place_m if bounce else flight.position_m[-1])[1])

    reached = np.array([landing(face) for face in _FACES_DEG])
    over = np.flatnonzero((reached[:-1] < wanted) & (reached[1:] >= wanted))
    if len(over) == 0:
        return float(_FACES_DEG[int(np.argmax(reached))])
    low, high = _FACES_DEG[over[0]], _FACES_DEG[over[0] + 1]
    for _ in range(10):
        middle = (low + high) / 2
        low, high = (middle, high) if landing(middle) < wanted else (low, middle)
    return float(high)
