"""What a ball does after a contact: speeds, landing and net, each with its uncertainty."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.ball.fit import Layout
from paddlebrief.ball.flight import BALL_RADIUS_M, Paths, drag_per_m
from paddlebrief.ball.records import BallTrack, BreakKind, Flight
from paddlebrief.ball.settings import BallTrackSettings
from paddlebrief.ball.track import numeric_slope
from paddlebrief.court.dimensions import COURT_LENGTH_M, net_height_m

__all__ = ["Shot", "Value", "find_shot", "leaving_px", "measure_shot"]

_BACK_S = 0.15
_NEAR_S = 0.06
_VAGUE_SHARE, _VAGUE_MPS = 0.25, 1.0
_VAGUE_M = 0.5
_BEYOND_S = 0.4
"""How long after it was last seen a ball is still followed down by its flight alone."""
_PAST_NET_M = 0.3
_NEWTON_STEPS = 4
_REACH_M = 2.5
"""From hand to ball at contact: arm's end to paddle's middle and what hand and ball may be off."""
_NET_SD_M = 0.01
"""How well a net's edge is known to follow the rulebook's height (a guess)."""


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
    contact_m, contact_covariance_m2
        (3,) and (3, 3) place of the ball's centre then, court frame.
    incoming_speed_mps
        Speed just before contact.
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
    contact_m: np.ndarray
    contact_covariance_m2: np.ndarray
    incoming_speed_mps: Value
    bounce_s: Value
    launch_speed_mps: Value
    mean_speed_mps: Value
    landing_depth_m: Value
    landing_m: np.ndarray
    landing_covariance_m2: np.ndarray
    net_clearance_m: Value


def find_shot(
    tracks: Sequence[BallTrack],
    contact_s: float,
    *,
    within_s: float = _NEAR_S,
    back_s: float = _BACK_S,
    hand_px: np.ndarray | None = None,
    reach_px: float = np.inf,
    hand_m: np.ndarray | None = None,
) -> tuple[BallTrack, int] | None:
    """The track, and its flight, that leaves a contact; None without one.

    A hit near the contact comes first, then a track that starts soon after it. Tracks in court
    metres and tracks in the picture alone are both found.

    Parameters
    ----------
    tracks
        Of the recording.
    contact_s
        Seconds on court.
    within_s
        How far a hit may be from it.
    back_s
        How long after it a track may start.
    hand_px, reach_px
        (2,) place of the hitting hand at contact, and how far from it the ball may be then;
        None takes any ball.
    hand_m
        (3,) the same hand in the court frame: balls of tracks in metres that are farther than
        `_REACH_M` from it at contact are another one's, such as a feed that starts behind it in
        the picture. None takes any ball.
    """
    best, least = None, np.inf
    for track in tracks:
        for index, flight in enumerate(track.flights):
            since = flight.start.time_s - contact_s
            hit = flight.start.kind in (BreakKind.HIT, BreakKind.TURN) and abs(since) <= within_s
            starts = flight.start.kind is BreakKind.START and -within_s <= since <= back_s
            cost = abs(since) + (0.0 if hit else within_s)
            if not (hit or starts) or cost >= least:
                continue
            px = leaving_px(flight, contact_s)
            near = hand_px is None or np.hypot(*(px - hand_px)) <= reach_px
            if near and (hand_m is None or not _is_elsewhere(flight, contact_s, hand_m)):
                best, least = (track, index), cost
    return best


def leaving_px(flight: Flight, contact_s: float) -> np.ndarray:
    """(2,) where a flight's ball leaves a contact: at its hit, or followed back in the picture."""
    if flight.start.kind in (BreakKind.HIT, BreakKind.TURN):
        return flight.start.px
    return (contact_s - flight.anchor_s) ** np.arange(4) @ flight.curve_px


def _is_elsewhere(flight: Flight, contact_s: float, hand_m: np.ndarray) -> bool:
    """Whether a flight in metres, carried straight back to the contact, is not at the hand."""
    place = flight.position_m + (contact_s - flight.anchor_s) * flight.velocity_mps
    return bool(np.linalg.norm(place - hand_m) > _REACH_M)


def measure_shot(
    track: BallTrack,
    flight: int,
    *,
    contact_s: float,
    contact_s_sd: float,
    settings: BallTrackSettings,
) -> Shot:
    """Measure the shot that starts with a flight of a track in court metres.

    A ball that is lost after the net, less than 0.4 s before it lands, is followed down by its
    flight; the uncertainty of place, drag and spin goes along.

    Parameters
    ----------
    track, flight
        See `find_shot`.
    contact_s, contact_s_sd
        The contact as timed by hand or sound, seconds on court; taken where the track has no hit
        of its own, and then independent of it.
    settings
        As for the track.

    Raises
    ------
    ValueError
        When the track is in the picture alone.
    """
    if not track.in_court:
        raise ValueError("expected a track in court metres, got one in the picture alone")
    view = _View(track, flight, contact_s, contact_s_sd, settings)
    reason = view.no_landing()
    landing, spread = np.full(2, np.nan), np.full((2, 2), np.nan)
    mean = depth = bounce = Value.missing(reason or "")
    if reason is None:
        landing, spread = view.carry(lambda x: view.state(x, view.bounce_s(x))[:2])
        depth = _vague(view.one(view.depth), what="where it landed", unit="m")
        mean = _vague(view.one(view.mean_speed), what="mean speed", unit="m/s")
        bounce = view.one(view.bounce_s)
    place, cover = view.carry(lambda x: view.state(x, view.contact_s(x))[:3])
    return Shot(
        track=track.number,
        flight=flight,
        contact_s=view.one(view.contact_s),
        contact_m=place,
        contact_covariance_m2=cover,
        incoming_speed_mps=view.incoming_speed(),
        bounce_s=bounce,
        launch_speed_mps=_vague(view.one(view.launch_speed), what="launch speed", unit="m/s"),
        mean_speed_mps=mean,
        landing_depth_m=depth,
        landing_m=landing,
        landing_covariance_m2=spread,
        net_clearance_m=view.net_clearance(),
    )


def _vague(value: Value, *, what: str, unit: str) -> Value:
    """The value, unless its uncertainty makes it worthless: half a metre, or a quarter of a speed
    and more than 1 m/s."""
    limit = _VAGUE_M if unit == "m" else max(_VAGUE_SHARE * abs(value.value), _VAGUE_MPS)
    if value.sd <= limit:
        return value
    return Value.missing(f"{what} is known only to ± {1.96 * value.sd:.1f} {unit}")


class _View:
    """A shot as functions of the track's parameters, to which an own contact time is added."""

    def __init__(self, track, flight, contact_s, contact_s_sd, settings) -> None:
        self.flight, self.layout = flight, Layout(len(track.flights))
        self.drag = drag_per_m(settings.drag_coefficient)
        self.anchors = np.array([f.anchor_s for f in track.flights])
        ends = [*self.anchors[1:], track.end_s]
        self.spans = np.maximum(np.array(ends) - self.anchors, 1e-3)
        self.hit = track.flights[flight].start.kind is BreakKind.HIT
        self.end = track.flights[flight].end
        if self.end.kind is BreakKind.END:
            self.spans[flight] += _BEYOND_S
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

    def state(self, x: np.ndarray, time_s: float, flight: int | None = None) -> np.ndarray:
        """(6,) place and velocity of the shot's flight, or of another one."""
        flight = self.flight if flight is None else flight
        since = np.array([time_s - self.anchors[flight]])
        return np.concatenate(self._paths(x).at(np.array([flight]), since), axis=1)[0]

    def contact_s(self, x: np.ndarray) -> float:
        return x[self.layout.at_break(self.flight - 1)] if self.hit else x[-1]

    def bounce_s(self, x: np.ndarray) -> float:
        """Of the bounce that ends the flight, or where the flight meets the ground."""
        if self.end.kind is BreakKind.BOUNCE:
            return x[self.layout.at_break(self.flight)]
        time_s = self.end.time_s + _BEYOND_S
        for _ in range(_NEWTON_STEPS):
            state = self.state(x, time_s)
            time_s -= (state[2] - BALL_RADIUS_M) / min(state[5], -1.0)
        return time_s

    def no_landing(self) -> str | None:
        """Why the first bounce is not known; None when it is."""
        kind, start = self.end.kind, self.state(self.x, self.contact_s(self.x))
        if kind is BreakKind.NET:
            return "the ball went into the net"
        if kind is BreakKind.HIT:
            return "the ball was hit again before it bounced"
        if kind is BreakKind.END:
            past_net = self.end.place_m[1] * np.sign(start[4]) > _PAST_NET_M
            late = self.state(self.x, self.end.time_s + _BEYOND_S)
            if not past_net or late[2] > BALL_RADIUS_M:
                return "the ball was lost from view before it bounced"
        landing = self.state(self.x, self.bounce_s(self.x))
        if landing[1] * start[4] < 0:
            return "the ball bounced before the net"
        return None

    def launch_speed(self, x: np.ndarray) -> float:
        return np.linalg.norm(self.state(x, self.contact_s(x))[3:])

    def incoming_speed(self) -> Value:
        """Speed of the flight that ends at the contact."""
        if not self.hit:
            return Value.missing("the ball was not seen coming to the paddle")
        before = self.flight - 1
        return _vague(
            self.one(lambda x: np.linalg.norm(self.state(x, self.contact_s(x), before)[3:])),
            what="incoming speed",
            unit="m/s",
        )

    def mean_speed(self, x: np.ndarray) -> float:
        start, end = self.contact_s(x), self.bounce_s(x)
        way = self.state(x, end)[:3] - self.state(x, start)[:3]
        return np.linalg.norm(way) / (end - start)

    def depth(self, x: np.ndarray) -> float:
        state = self.state(x, self.bounce_s(x))
        return COURT_LENGTH_M / 2 - np.sign(state[4]) * state[1]

    def net_clearance(self) -> Value:
        times = np.linspace(self.contact_s(self.x), self.end.time_s, 60)
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

        found = self.one(gap)
        found = replace(found, sd=float(np.hypot(found.sd, _NET_SD_M)))
        return _vague(found, what="height over the net", unit="m")
