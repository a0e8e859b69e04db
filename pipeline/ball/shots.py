"""What a ball does after a contact: speeds, landing and net, each with its uncertainty."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from paddlebrief.ball.fit import Layout
from paddlebrief.ball.flight import BALL_RADIUS_M, Paths, drag_per_m
from paddlebrief.ball.records import BallTrack, BreakKind
from paddlebrief.ball.settings import BallTrackSettings
from paddlebrief.ball.track import numeric_slope
from paddlebrief.court.dimensions import COURT_LENGTH_M, net_height_m

__all__ = ["Shot", "Value", "find_shot", "measure_shot"]

_BACK_S = 0.15
_NEAR_S = 0.06
_VAGUE_SHARE = 0.25
_VAGUE_M = 1.0


@dataclass(frozen=True, kw_only=True)
class Value:
    """A number with its standard uncertainty, or both NaN and the ``reason`` why."""

    value: float
    sd: float
    reason: str | None = None

    @classmethod
    def missing(cls, reason: str) -> "Value":
        return cls(value=np.nan, sd=np.nan, reason=reason)


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A ball after a contact.

    Attributes
    ----------
    track, flight
        Number of the track, and index of the flight that starts with the contact.
    contact_s
        From the ball alone where both flights were seen; else the time it was asked for.
    bounce_s
        Time of the first bounce.
    launch_speed_mps
        Speed at contact; the drag law carries it back from where the ball was first seen.
    mean_speed_mps
        Straight distance from contact to bounce over the time between: below launch speed.
    landing_depth_m
        From the far base line to the bounce along the court; negative when it is long.
    landing_m, landing_covariance_m2
        (2,) and (2, 2) place of the bounce, court frame; NaN without one.
    net_clearance_m
        From the net's edge to the lowest point of the ball as it passes.
    """

    track: int
    flight: int
    contact_s: Value
    bounce_s: Value
    launch_speed_mps: Value
    mean_speed_mps: Value
    landing_depth_m: Value
    landing_m: np.ndarray
    landing_covariance_m2: np.ndarray
    net_clearance_m: Value


def find_shot(
    tracks: Sequence[BallTrack], contact_s: float, *, within_s: float = _NEAR_S
) -> tuple[BallTrack, int] | None:
    """The track in court metres, and its flight, that leaves a contact; None without one.

    A hit near the contact comes first, then a track that starts up to 0.15 s after it.
    """
    best, least = None, np.inf
    for track in (t for t in tracks if t.in_court):
        for index, flight in enumerate(track.flights):
            since = flight.start.time_s - contact_s
            hit = flight.start.kind is BreakKind.HIT and abs(since) <= within_s
            starts = flight.start.kind is BreakKind.START and -within_s <= since <= _BACK_S
            cost = abs(since) + (0.0 if hit else within_s)
            if (hit or starts) and cost < least:
                best, least = (track, index), cost
    return best


def measure_shot(
    track: BallTrack,
    flight: int,
    *,
    contact_s: float,
    contact_s_sd: float,
    settings: BallTrackSettings,
) -> Shot:
    """Measure the shot that starts with a flight of a track in court metres.

    Parameters
    ----------
    track, flight
        See `find_shot`.
    contact_s, contact_s_sd
        The contact as timed by hand or sound, seconds on court; taken where the track has no hit
        of its own, and then independent of it.
    settings
        As for the track.
    """
    view = _View(track, flight, contact_s, contact_s_sd, settings)
    lands = track.flights[flight].end.kind is BreakKind.BOUNCE
    unseen = Value.missing("the first bounce was not seen")
    landing, spread = np.full(2, np.nan), np.full((2, 2), np.nan)
    mean, depth, bounce = unseen, unseen, unseen
    if lands:
        landing, spread = view.carry(lambda x: view.state(x, view.bounce_s(x))[:2])
        depth = _vague(view.one(view.depth), _VAGUE_M, "landing place")
        mean = _vague(view.one(view.mean_speed), None, "mean speed")
        bounce = view.one(view.bounce_s)
    return Shot(
        track=track.number,
        flight=flight,
        contact_s=view.one(view.contact_s),
        bounce_s=bounce,
        launch_speed_mps=_vague(view.one(view.launch_speed), None, "launch speed"),
        mean_speed_mps=mean,
        landing_depth_m=depth,
        landing_m=landing,
        landing_covariance_m2=spread,
        net_clearance_m=view.net_clearance(),
    )


def _vague(value: Value, most: float | None, what: str) -> Value:
    """The value, unless its uncertainty makes it worthless: a metre, or a quarter of a speed."""
    limit = _VAGUE_SHARE * abs(value.value) if most is None else most
    if value.sd <= limit:
        return value
    return Value.missing(f"{what} known to ± {value.sd:.1f} only")


class _View:
    """A shot as functions of the track's parameters, to which an own contact time is added."""

    def __init__(self, track, flight, contact_s, contact_s_sd, settings) -> None:
        self.flight, self.layout = flight, Layout(len(track.flights))
        self.drag = drag_per_m(settings.drag_coefficient)
        self.anchors = np.array([f.anchor_s for f in track.flights])
        ends = [*self.anchors[1:], track.end_s]
        self.spans = np.maximum(np.array(ends) - self.anchors, 1e-3)
        self.hit = track.flights[flight].start.kind is BreakKind.HIT
        self.last_s = track.flights[flight].end.time_s
        self.x = np.append(track.parameters, contact_s)
        n = len(self.x)
        self.covariance = np.zeros((n, n))
        self.covariance[:-1, :-1] = track.covariance
        self.covariance[-1, -1] = contact_s_sd**2

    def carry(self, function: Callable) -> tuple[np.ndarray, np.ndarray]:
        """Values (q,) of a function of the parameters and their covariance (q, q)."""
        slope = numeric_slope(function, self.x)
        return function(self.x), slope @ self.covariance @ slope.T

    def one(self, function: Callable) -> Value:
        value, covariance = self.carry(lambda x: np.atleast_1d(function(x)))
        return Value(value=float(value[0]), sd=float(np.sqrt(covariance[0, 0])))

    def _paths(self, x: np.ndarray) -> Paths:
        return self.layout.paths(x[:-1], self.spans, self.drag)

    def state(self, x: np.ndarray, time_s: float) -> np.ndarray:
        since = np.array([time_s - self.anchors[self.flight]])
        return np.concatenate(self._paths(x).at(np.array([self.flight]), since), axis=1)[0]

    def contact_s(self, x: np.ndarray) -> float:
        return x[self.layout.at_break(self.flight - 1)] if self.hit else x[-1]

    def bounce_s(self, x: np.ndarray) -> float:
        return x[self.layout.at_break(self.flight)]

    def launch_speed(self, x: np.ndarray) -> float:
        return np.linalg.norm(self.state(x, self.contact_s(x))[3:])

    def mean_speed(self, x: np.ndarray) -> float:
        start, end = self.contact_s(x), self.bounce_s(x)
        way = self.state(x, end)[:3] - self.state(x, start)[:3]
        return np.linalg.norm(way) / (end - start)

    def depth(self, x: np.ndarray) -> float:
        state = self.state(x, self.bounce_s(x))
        return COURT_LENGTH_M / 2 - np.sign(state[4]) * state[1]

    def net_clearance(self) -> Value:
        times = np.linspace(self.contact_s(self.x), self.last_s, 60)
        y = np.array([self.state(self.x, t)[1] for t in times])
        passed = np.flatnonzero(y[:-1] * y[1:] <= 0)
        if len(passed) == 0:
            return Value.missing("the ball was not seen to pass the net")
        k = int(passed[0])
        at = times[k] + (times[k + 1] - times[k]) * y[k] / (y[k] - y[k + 1])

        def gap(x: np.ndarray) -> float:
            state = self.state(x, at)
            x_m, _, z_m = state[:3] - state[1] / state[4] * state[3:]
            return z_m - BALL_RADIUS_M - net_height_m(float(x_m))

        return _vague(self.one(gap), _VAGUE_M, "height over the net")
