"""One stroke as measures in space see it: turns, body path, contact point, and its moments.

Moments are seconds on court. *Load* is where the shoulders are turned most in the backswing.
What the turn network says errs alike in neighbouring frames; ``Curves.drawn`` draws whole curves
with such errors, and whatever is read off a curve is read off the drawn ones too: that gives its
uncertainty, and how far a greatest value of a noisy curve lies too high.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from paddlebrief.records import FrameOfReference, Handedness, Measure, Side, Stroke
from paddlebrief.turn.fusion import Turns, wrapped
from paddlebrief.turn.skeleton import BodyPath

__all__ = ["BACKSWING_S", "BodyView", "ContactPoint", "Curves", "stated"]

BACKSWING_S = 0.8
"""Stretch before the forward swing in which load is looked for."""

_GRID_S = 0.008
_DRAWS = 300
_LEAST_FRAMES = 5
_LONGEST_GAP_S = 0.17  # half a backswing's turn happens in it
_TURNED_RAD, _BEHIND_RAD = np.radians(15.0), np.radians(12.0)
"""Hips turned so far with the shoulders so far behind them are no backswing's, in which the hips
carry the shoulders along (common practice, no source; rendered strokes: at most 8° behind where
read well, 17 to 49° where not)."""
_FACING = 0.75  # odds of front against back below which no heading is stated
_SIDES = {Handedness.RIGHT: 1, Handedness.LEFT: -1}


@dataclass(frozen=True, kw_only=True)
class ContactPoint:
    """Where the ball is met, in the frame of the body path.

    Attributes
    ----------
    place_m, covariance_m2
        (3,) the ball's centre at contact and its (3, 3) covariance.
    from_hips_m, from_hips_covariance_m2
        (3,) the same from the middle of the hips; an error that both share is not in it.
    """

    place_m: np.ndarray
    covariance_m2: np.ndarray
    from_hips_m: np.ndarray
    from_hips_covariance_m2: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Curves:
    """Turns between frames on an even grid (m,) of seconds on court.

    ``hip``, ``separation`` are (m,) or (draws, m) radians, anticlockwise from above.
    """

    time_s: np.ndarray
    hip: np.ndarray
    separation: np.ndarray

    @property
    def shoulder(self) -> np.ndarray:
        """Heading of the shoulders."""
        return self.hip + self.separation


@dataclass(frozen=True, kw_only=True)
class BodyView:
    """One stroke and what the pictures gave of the body in space.

    Attributes
    ----------
    stroke
        The stroke; presentation times.
    turns
        Turns over the stroke, or None when they could not be read.
    path
        Trunk and hitting arm in metres, or None when no size could be told.
    contact
        Where the ball is met, or None when neither ball nor paddle was seen there.
    slow_factor
        Seconds of playback for one second on court.
    frame_interval_s
        Time on court between two frames.
    """

    stroke: Stroke
    turns: Turns | None
    path: BodyPath | None
    slow_factor: float
    frame_interval_s: float
    contact: ContactPoint | None = None

    @property
    def contact_s(self) -> float:
        """Contact, seconds on court."""
        return self.stroke.contact_s / self.slow_factor

    @property
    def contact_sd_s(self) -> float:
        """Standard uncertainty of the contact's time on court."""
        return self.stroke.contact_s_sd / self.slow_factor

    @property
    def forward_s(self) -> float:
        """Start of the forward swing, seconds on court."""
        return self.stroke.forward_s / self.slow_factor

    @property
    def hand_side(self) -> int:
        """1 for a right-handed player, −1 for a left-handed one."""
        return _SIDES[self.stroke.hand]

    @property
    def hitting_side(self) -> int:
        """1 when the ball is hit on the player's right, −1 on the left, 0 when unsure."""
        sign = {Side.FOREHAND: 1, Side.BACKHAND: -1, Side.UNSURE: 0}[self.stroke.side]
        return sign * self.hand_side

    @cached_property
    def facing(self) -> int:
        """1 for a player in the camera's half of the court, who hits along +y, else −1."""
        if self.path is None or self.path.frame is not FrameOfReference.COURT:
            return 1
        return 1 if np.median(self.path.joint("hips")[:, 1]) < 0 else -1

    @cached_property
    def without_turns(self) -> str | None:
        """Why no turn can be told at all; None when it can."""
        if self.hitting_side == 0:
            return "forehand or backhand could not be told, so the hitting side is not known"
        if self.turns is None or len(self.turns.time_s) < _LEAST_FRAMES:
            return "the player could not be seen well enough around the stroke"
        if not self.turns.time_s[0] < self.forward_s - 0.1:
            return "the player was not seen during the backswing"
        if self._longest_gap() > _LONGEST_GAP_S:
            return "the player was hidden for part of the swing"
        if self.shoulders_behind:
            return "the hips were read turned back further than the shoulders, so one was mistaken"
        return None

    @cached_property
    def shoulders_behind(self) -> bool:
        """Whether the hips were read turned further than the shoulders in the backswing.

        A far shoulder behind the body is easily mistaken for a near one in front of it: the line
        of the shoulders then swings back where it should go on. Needs turns, and tells nothing
        without a court.
        """
        if self.turns.frame is not FrameOfReference.COURT:
            return False
        curves = self.curves(*self.backswing)
        hip = wrapped(curves.hip - self.facing * np.pi / 2)
        behind = -np.sign(hip) * curves.separation
        return bool(np.any((np.abs(hip) >= _TURNED_RAD) & (behind > _BEHIND_RAD)))

    def _longest_gap(self) -> float:
        """Longest stretch from half a second before the forward swing to contact without turns."""
        inside = (self.turns.time_s > self.forward_s - 0.5) & (self.turns.time_s < self.contact_s)
        start = max(self.forward_s - 0.5, self.turns.time_s[0])
        return float(np.diff(np.r_[start, self.turns.time_s[inside], self.contact_s]).max())

    def turn_rad(self, heading_rad: np.ndarray) -> np.ndarray:
        """Headings as turns from facing the net, positive to the hitting side."""
        return wrapped(self.facing * np.pi / 2 - heading_rad) * self.hitting_side

    def curves(self, start_s: float, end_s: float) -> Curves:
        """Turns from one time on court to another, as far as they were read."""
        grid = self._grid(start_s, end_s)
        turns = self.turns
        hip = CubicHermiteSpline(turns.time_s, turns.hip_rad, turns.hip_rate_radps)
        apart = CubicHermiteSpline(turns.time_s, turns.separation_rad, turns.separation_rate_radps)
        return Curves(time_s=grid, hip=hip(grid), separation=apart(grid))

    def _grid(self, start_s: float, end_s: float) -> np.ndarray:
        low = max(start_s, self.turns.time_s[0])
        high = max(min(end_s, self.turns.time_s[-1]), low)
        return np.linspace(low, high, max(2, round((high - low) / _GRID_S) + 1))

    def drawn(self, start_s: float, end_s: float) -> Curves:
        """Curves as they might be, (draws, m); the same ones for the same view."""
        curves, turns = self.curves(start_s, end_s), self.turns
        grid = curves.time_s
        hip, apart, both = (
            np.interp(grid, turns.time_s, sd)
            for sd in (turns.hip_sd_rad, turns.separation_sd_rad, turns.shoulder_sd_rad)
        )
        tie = np.clip((both**2 - hip**2 - apart**2) / (2 * hip * apart), -0.99, 0.99)
        gap = (grid[:, None] - grid) / turns.correlation_s
        # A Gaussian in time: the smoother leaves no error that jumps from frame to frame.
        root = np.linalg.cholesky(np.exp(-0.5 * gap**2) + 1e-6 * np.eye(len(grid)))
        noise = np.random.default_rng(0).standard_normal((2, _DRAWS, len(grid))) @ root.T
        return Curves(
            time_s=grid,
            hip=curves.hip + hip * (tie * noise[0] + np.sqrt(1 - tie**2) * noise[1]),
            separation=curves.separation + apart * noise[0],
        )

    @property
    def backswing(self) -> tuple[float, float]:
        """Stretch in which load is looked for, seconds on court."""
        return self.forward_s - BACKSWING_S, self.forward_s

    @cached_property
    def load(self) -> tuple[float, float]:
        """Load and its standard uncertainty, seconds on court; needs turns."""
        curves, drawn = self.curves(*self.backswing), self.drawn(*self.backswing)
        sign = -self.hitting_side
        at = curves.time_s[np.argmax(sign * curves.shoulder)]
        others = drawn.time_s[np.argmax(sign * drawn.shoulder, axis=1)]
        sd = np.sqrt(np.mean((others - at) ** 2) + self.frame_interval_s**2 / 12)
        return float(at), float(sd)

    @cached_property
    def facing_known(self) -> bool:
        """Whether front and back of the body are told apart around load; needs turns."""
        low, high = self.backswing
        near = (self.turns.time_s >= low) & (self.turns.time_s <= high)
        return bool(np.median(self.turns.facing_odds[near]) >= _FACING) if near.any() else False


def stated(
    name: str,
    value: float,
    sd: float,
    *,
    unit: str,
    frame: FrameOfReference,
    widest: float,
    shared_sd: float = 0.0,
) -> Measure:
    """A measure, or none when its standard uncertainty is beyond what is worth stating.

    ``shared_sd`` is the part of ``sd`` that the player's strokes in the recording have in common.
    """
    if not np.isfinite(value) or not np.isfinite(sd):
        return Measure.missing(name, unit, frame, "the player was hidden at that moment")
    if sd <= 0:  # nothing differs between draws: a stretch of a single instant
        return Measure.missing(name, unit, frame, "too few frames show it")
    if sd > widest:
        off = f"{1.96 * sd:.0f}" if sd > 5 else f"{1.96 * sd:.2g}"
        reason = f"seen like this it could be off by {off} {unit}, too much to tell"
        return Measure.missing(name, unit, frame, reason)
    return Measure(
        name=name,
        value=float(value),
        sd=float(sd),
        shared_sd=min(float(shared_sd), float(sd)),
        unit=unit,
        frame=frame,
    )
