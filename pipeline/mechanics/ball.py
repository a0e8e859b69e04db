"""What the ball tells of a stroke: how fast it left, where it landed, and where it was struck.

Everything here is in seconds on court, as the tracks are.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from paddlebrief.ball import BallTrack, BallTrackSettings, BreakKind, Shot, Value, find_shot
from paddlebrief.ball.flight import LIFT_DOUBT
from paddlebrief.ball.shots import measure_shot
from paddlebrief.records import FrameOfReference, Measure

__all__ = ["BALL_MEASURES", "BallContact", "BallView", "ball_contact", "ball_measures"]

BALL_MEASURES: dict[str, str] = {
    "ball_launch_speed_mps": "m/s",
    "ball_mean_speed_mps": "m/s",
    "ball_incoming_speed_mps": "m/s",
    "landing_depth_m": "m",
    "net_clearance_m": "m",
}
"""Unit by name, in page order."""

COURT = FrameOfReference.COURT

_NO_COURT = "the court's lines were not found, so the ball's way is not known in metres"
_NOT_SEEN = "the ball was not seen leaving the paddle"
_AGREE = 3.0
_NEAR_S, _FARTHEST_S = 0.06, 0.15
"""How far the ball's hit may lie from the contact known so far: an impact of another court may have
been taken for it."""
_LEAST_TIME_SD_S = 0.001
_LEFT_OVER = {
    "ball_launch_speed_mps": 0.2,
    "ball_mean_speed_mps": 0.2,
    "ball_incoming_speed_mps": 0.2,
    "landing_depth_m": 0.13,
}
"""Beyond what the fit says: places of a far ball are off together over a whole flight. Without
it rendered sessions from behind, beside and the corner had .86, .73 and 1.00 of 21, 26 and 13
launch speeds inside 95 % intervals, and .55 of 11 landings from behind; of incoming speeds it is a
guess."""
_BREAK_PX_SD = 2.0
"""What ball and paddle move in the picture while they touch, about (a guess)."""


@dataclass(frozen=True, kw_only=True)
class BallView:
    """One stroke and the balls of its recording.

    Attributes
    ----------
    tracks
        Of the recording; may be empty.
    contact_s, contact_s_sd
        Contact as timed so far, seconds on court.
    solved
        Whether the court was solved; the tracks are then in metres.
    settings
        As for the tracks.
    hand_px, reach_px
        (2,) the hitting wrist in the picture at contact, and how far from it the ball may be
        struck, to tell this player's ball from another one's; None takes the nearest in time.
    hand_m
        (3,) the same wrist in the court frame, where it is known.
    """

    tracks: Sequence[BallTrack]
    contact_s: float
    contact_s_sd: float
    solved: bool
    settings: BallTrackSettings
    hand_px: np.ndarray | None = None
    reach_px: float = np.inf
    hand_m: np.ndarray | None = None

    @cached_property
    def found(self) -> tuple[BallTrack, int] | None:
        """The track that leaves the contact, and which of its flights; None without one."""
        return find_shot(
            self.tracks,
            self.contact_s,
            within_s=min(max(_NEAR_S, _AGREE * self.contact_s_sd), _FARTHEST_S),
            hand_px=self.hand_px,
            reach_px=self.reach_px,
            hand_m=self.hand_m,
        )

    @cached_property
    def backspin_mps(self) -> tuple[float, float] | None:
        """Speed of the ball's rim by spin about the level axis across its way, positive where the
        spin lifts it, and its standard uncertainty; None where its flight is not known in
        metres."""
        if self.found is None or not self.found[0].in_court:
            return None
        flight = self.found[0].flights[self.found[1]]
        across = np.cross(flight.velocity_mps, [0.0, 0.0, 1.0])
        if not (np.isfinite(across).all() and np.linalg.norm(across) > 0):
            return None
        across /= np.linalg.norm(across)
        rim_mps = float(flight.rim_mps @ across)
        sd_mps = np.sqrt(across @ flight.covariance[6:9, 6:9] @ across)
        return rim_mps, float(np.hypot(sd_mps, LIFT_DOUBT * rim_mps))

    @cached_property
    def shot(self) -> Shot | None:
        """The shot in court metres; None where ball or court is missing."""
        if self.found is None or not self.found[0].in_court:
            return None
        return measure_shot(
            *self.found,
            contact_s=self.contact_s,
            contact_s_sd=self.contact_s_sd,
            settings=self.settings,
        )


@dataclass(frozen=True, kw_only=True)
class BallContact:
    """Where and when the ball was struck, by the ball alone.

    Attributes
    ----------
    time_s, time_s_sd
        Seconds on court.
    px, px_sd
        (2,) the ball in the picture then, and the standard uncertainty of each coordinate.
    place_m, covariance_m2
        (3,) and (3, 3) its centre, court frame; NaN without a solved court.
    """

    time_s: float
    time_s_sd: float
    px: np.ndarray
    px_sd: float
    place_m: np.ndarray
    covariance_m2: np.ndarray


def ball_measures(view: BallView) -> tuple[Measure, ...]:
    """The measures of `BALL_MEASURES`, in that order, each measured or with its reason."""
    if view.shot is None:
        reason = _NOT_SEEN if view.solved else _NO_COURT
        return tuple(Measure.missing(n, u, COURT, reason) for n, u in BALL_MEASURES.items())
    shot = view.shot
    values: dict[str, Value] = {
        "ball_launch_speed_mps": shot.launch_speed_mps,
        "ball_mean_speed_mps": shot.mean_speed_mps,
        "ball_incoming_speed_mps": shot.incoming_speed_mps,
        "landing_depth_m": shot.landing_depth_m,
        "net_clearance_m": shot.net_clearance_m,
    }
    return tuple(_measure(n, values[n], unit) for n, unit in BALL_MEASURES.items())


def _measure(name: str, value: Value, unit: str) -> Measure:
    if value.reason is not None:
        return Measure.missing(name, unit, COURT, value.reason)
    sd = float(np.hypot(value.sd, _LEFT_OVER.get(name, 0.0)))
    return Measure(name=name, value=value.value, sd=sd, unit=unit, frame=COURT)


def ball_contact(view: BallView) -> BallContact | None:
    """Time and place of the contact; None where the ball was not seen on both sides of it."""
    if view.found is None:
        return None
    track, index = view.found
    start = track.flights[index].start
    if start.kind not in (BreakKind.HIT, BreakKind.TURN):
        return None
    return BallContact(
        time_s=start.time_s,
        time_s_sd=max(start.time_s_sd, _LEAST_TIME_SD_S),
        px=start.px,
        px_sd=_BREAK_PX_SD,
        place_m=start.place_m,
        covariance_m2=start.covariance_m2,
    )
