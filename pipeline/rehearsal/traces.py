"""One stroke as the truth sees it: dense samples of joints, paddle and ball.

A trace is turned so that the net lies along +y and the player's right is +x.

Moments of a swing, and what the table of measures leaves open about them:

- *Start of the forward swing*: the last moment before contact at which the hitting wrist does
  not yet move the way it goes at contact.
- *Load*: the moment of the greatest shoulder turn in the 0.8 s before that.
- *Finish*: the first moment after contact at which the wrist is slower than a fifth of its speed
  at contact, or slowest for the time being and slower than half of it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from paddlebrief.rehearsal.ball import Flight
from paddlebrief.rehearsal.court_dimensions import BALL_RADIUS_M, COURT_LENGTH_M, net_height_m

__all__ = ["Outcome", "Trace", "ball_outcome"]

BACKSWING_S = 0.8
"""Stretch before the forward swing in which load is looked for."""
_STOPPED_SHARE = 0.2


@dataclass(frozen=True)
class Outcome:
    """What became of the ball; NaN where there was no such thing (net, no bounce)."""

    launch_speed_mps: float
    mean_speed_mps: float
    landing_depth_m: float
    net_clearance_m: float
    bounce_s: float
    bounce_x_m: float
    bounce_y_m: float


@dataclass(frozen=True, kw_only=True)
class Trace:
    """One stroke, densely and evenly sampled, turned to the player's view.

    Attributes
    ----------
    time_s
        (T,) with the contact exactly on a sample.
    contact
        Index of that sample.
    joints_m
        (T, 3) by name: left and right hip, shoulder, elbow, wrist.
    face_m, paddle
        (T, 3) middle of the paddle's face and (T, 3, 3) paddle axes.
    ball_m
        (3,) the ball's centre at contact.
    right_handed, forehand
        The player's hand and the stroke's side.
    outcome
        Of the ball.
    """

    time_s: np.ndarray
    contact: int
    joints_m: Mapping[str, np.ndarray]
    face_m: np.ndarray
    paddle: np.ndarray
    ball_m: np.ndarray
    right_handed: bool
    forehand: bool
    outcome: Outcome

    @property
    def hand(self) -> str:
        """right or left, as joints are named."""
        return "right" if self.right_handed else "left"

    @property
    def hitting_side(self) -> int:
        """1 when the ball is hit on the player's right, −1 on the left."""
        return 1 if self.right_handed == self.forehand else -1

    @property
    def contact_s(self) -> float:
        """Time of contact, seconds."""
        return float(self.time_s[self.contact])

    def hitting(self, joint: str) -> np.ndarray:
        """(T, 3) path of a joint of the hitting arm."""
        return self.joints_m[f"{self.hand}_{joint}"]

    def rate(self, values: np.ndarray) -> np.ndarray:
        """Time derivative along the first axis, central differences."""
        return np.gradient(values, self.time_s, axis=0)

    @cached_property
    def normal(self) -> np.ndarray:
        """(T, 3) normal of the hitting face."""
        return self.paddle[:, :, 2] * (1.0 if self.forehand else -1.0)

    @cached_property
    def wrist_mps(self) -> np.ndarray:
        """(T, 3) velocity of the hitting wrist."""
        return self.rate(self.hitting("wrist"))

    @cached_property
    def head_mps(self) -> np.ndarray:
        """(T, 3) velocity of the face's centre."""
        return self.rate(self.face_m)

    @cached_property
    def forward(self) -> int:
        """Index of the start of the forward swing."""
        ahead = self.wrist_mps[: self.contact] @ self.wrist_mps[self.contact]
        still = np.flatnonzero(ahead <= 0)
        return int(still[-1]) + 1 if len(still) else 0

    @cached_property
    def backswing(self) -> slice:
        """Samples in which load is looked for."""
        start = np.searchsorted(self.time_s, self.time_s[self.forward] - BACKSWING_S)
        return slice(int(start), self.forward + 1)

    @cached_property
    def load(self) -> int:
        """Index of load."""
        return self.backswing.start + int(np.argmax(self.turn_deg("shoulder")[self.backswing]))

    @cached_property
    def finish(self) -> int:
        """Index of the finish; the last sample when the wrist never slows down."""
        speed = np.linalg.norm(self.wrist_mps[self.contact :], axis=-1)
        slow = speed < _STOPPED_SHARE * speed[0]
        slow[1:-1] |= (
            (speed[1:-1] <= speed[2:]) & (speed[1:-1] < speed[:-2]) & (speed[1:-1] < 0.5 * speed[0])
        )
        return self.contact + (int(np.argmax(slow)) if slow.any() else len(speed) - 1)

    def turn_deg(self, joint: str) -> np.ndarray:
        """(T,) turn of the line through both joints from facing the net to the hitting side."""
        line = self.joints_m[f"right_{joint}"] - self.joints_m[f"left_{joint}"]
        right = np.unwrap(np.arctan2(-line[:, 1], line[:, 0]))
        return np.degrees(right) * self.hitting_side

    @cached_property
    def separation_deg(self) -> np.ndarray:
        """(T,) shoulder turn minus hip turn."""
        return self.turn_deg("shoulder") - self.turn_deg("hip")

    @cached_property
    def lag_deg(self) -> np.ndarray:
        """(T,) angle between the forearm's axis and the paddle's long axis."""
        forearm = self.hitting("wrist") - self.hitting("elbow")
        forearm = forearm / np.linalg.norm(forearm, axis=-1, keepdims=True)
        return np.degrees(np.arccos(np.clip(np.sum(forearm * self.paddle[:, :, 1], -1), -1, 1)))

    @cached_property
    def roll_dps(self) -> np.ndarray:
        """(T,) closing speed of the face about the paddle's long axis, degrees per second."""
        turning = self.rate(self.paddle)
        about = np.sum(turning[:, :, 2] * self.paddle[:, :, 0], -1)
        side = (1.0 if self.forehand else -1.0) * (1.0 if self.right_handed else -1.0)
        return -np.degrees(about) * side

    @cached_property
    def upper_arm_m(self) -> float:
        """Length of the hitting upper arm."""
        bone = self.hitting("elbow") - self.hitting("shoulder")
        return float(np.linalg.norm(bone[self.contact]))


def ball_outcome(flight: Flight, *, facing: int) -> Outcome:
    """What a ball does after contact, from its first bounce or the net.

    Parameters
    ----------
    flight
        Starts at contact.
    facing
        1 for a player in the camera's half, −1 beyond the net.
    """
    launch = float(np.linalg.norm(flight.velocity_mps[0]))
    first = flight.events[0] if flight.events else None
    if first is None or first.kind == "net" or first.place_m[1] * facing <= 0:
        gap = _net_gap(flight, first.time_s if first else np.inf)
        return Outcome(launch, np.nan, np.nan, gap, np.nan, np.nan, np.nan)
    span = np.linalg.norm(first.place_m - flight.position_m[0])
    return Outcome(
        launch_speed_mps=launch,
        mean_speed_mps=float(span / (first.time_s - flight.time_s[0])),
        landing_depth_m=COURT_LENGTH_M / 2 - float(first.place_m[1]) * facing,
        net_clearance_m=_net_gap(flight, first.time_s),
        bounce_s=first.time_s,
        bounce_x_m=float(first.place_m[0]),
        bounce_y_m=float(first.place_m[1]),
    )


def _net_gap(flight: Flight, until_s: float) -> float:
    """Lowest point of the ball over the net's edge as it passes; NaN when it does not pass."""
    y = flight.position_m[:, 1]
    passed = np.flatnonzero((y[:-1] * y[1:] <= 0) & (flight.time_s[:-1] <= until_s + 1e-9))
    if len(passed) == 0:
        return np.nan
    k = int(passed[0])
    share = y[k] / (y[k] - y[k + 1]) if y[k] != y[k + 1] else 0.0
    x, _, z = flight.position_m[k] + share * (flight.position_m[k + 1] - flight.position_m[k])
    return float(z - BALL_RADIUS_M - net_height_m(float(x)))
