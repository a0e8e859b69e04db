"""Flight of the ball: gravity, quadratic drag, lift from spin, bounces and the net.

Everything is in the court frame. Drag uses ``BallSettings.drag_coefficient``, for which only a
working range is known (0.30–0.45); lift uses the fit for tennis balls C_L = 1 / (2 + v / (r ω))
(Štěpánek 1988, from memory), scaled by ``lift_scale`` because no value for a ball with holes was
found. Spin is taken to last between impacts.
"""

import math
from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from paddlebrief.rehearsal.court_dimensions import (
    BALL_MASS_KG,
    BALL_RADIUS_M,
    FOOT_M,
    net_height_m,
)
from paddlebrief.rehearsal.paddle import rebound

__all__ = ["BallSettings", "Flight", "FlightEvent", "acceleration_mps2", "drag_per_m", "fly"]

GRAVITY_MPS2 = 9.80665
NET_HALF_LENGTH_M = 11 * FOOT_M
"""Half the length of the net between its posts (22 ft, from memory)."""
NET_RETURN = 0.12
"""Share of the ball's speed with which the net sends it back (common practice, no source)."""
_REST_SPEED_MPS = 0.25
_ROLLING_DECELERATION_MPS2 = 0.6


class BallSettings(BaseModel):
    """How the ball flies and bounces."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    drag_coefficient: float = Field(
        0.40, ge=0.0, le=0.8, description="Drag coefficient C_D (no unit); 0.30–0.45 is known."
    )
    lift_scale: float = Field(
        0.6, ge=0.0, le=1.5, description="Factor on the lift law of tennis balls (no unit)."
    )
    air_density_kgpm3: float = Field(1.2, ge=0.0, le=1.5, description="Density of air (kg/m³).")
    restitution: float = Field(
        0.641,
        ge=0.5,
        le=0.75,
        description="Speed after over speed before a bounce (no unit); 0.620–0.660 by the rules.",
    )
    court_friction: float = Field(
        0.5, ge=0.0, le=1.0, description="Sliding friction of ball on court (no unit; a guess)."
    )


@dataclass(frozen=True)
class FlightEvent:
    """Something that the ball touched: ``kind`` is ``"bounce"`` or ``"net"``."""

    kind: str
    time_s: float
    place_m: np.ndarray
    speed_mps: float


@dataclass(frozen=True)
class Flight:
    """A ball's path, dense in time.

    Attributes
    ----------
    time_s
        (n,) rising; an impact is two entries at one time.
    position_m, velocity_mps
        (n, 3) of the ball's centre, court frame.
    spin_radps
        (n, 3).
    events
        Bounces and net touches in order.
    """

    time_s: np.ndarray
    position_m: np.ndarray
    velocity_mps: np.ndarray
    spin_radps: np.ndarray
    events: tuple[FlightEvent, ...]

    def at(self, time_s: np.ndarray) -> np.ndarray:
        """(m, 3) positions at (m,) times by cubic Hermite interpolation, NaN outside the path."""
        t = np.asarray(time_s, dtype=float)
        index = np.clip(np.searchsorted(self.time_s, t, side="right") - 1, 0, len(self.time_s) - 2)
        start, span = self.time_s[index], self.time_s[index + 1] - self.time_s[index]
        span = np.where(span > 0, span, 1.0)[:, None]
        u = (t - start)[:, None] / span
        p0, p1 = self.position_m[index], self.position_m[index + 1]
        m0, m1 = self.velocity_mps[index] * span, self.velocity_mps[index + 1] * span
        path = (
            (2 * u**3 - 3 * u**2 + 1) * p0
            + (u**3 - 2 * u**2 + u) * m0
            + (3 * u**2 - 2 * u**3) * p1
            + (u**3 - u**2) * m1
        )
        path[(t < self.time_s[0]) | (t > self.time_s[-1])] = np.nan
        return path

    def first(self, kind: str) -> FlightEvent | None:
        """The first event of that kind, or None."""
        return next((e for e in self.events if e.kind == kind), None)


def drag_per_m(settings: BallSettings) -> float:
    """k = ρ C_D A / (2 m) in 1/m: deceleration by drag is k v²."""
    area = math.pi * BALL_RADIUS_M**2
    return settings.air_density_kgpm3 * settings.drag_coefficient * area / (2 * BALL_MASS_KG)


def acceleration_mps2(
    velocity_mps: np.ndarray, spin_radps: np.ndarray, settings: BallSettings
) -> np.ndarray:
    """Acceleration of the ball in free flight.

    Parameters
    ----------
    velocity_mps, spin_radps
        (3,), court frame.
    settings
        Drag, lift and air.

    Returns
    -------
    ndarray
        (3,) m/s².
    """
    return np.array(_Air(spin_radps, settings).rate(*(float(v) for v in velocity_mps)))


class _Air:
    """Forces on a ball of one spin, in plain floats: arrays of three cost ten times the time."""

    def __init__(self, spin_radps: np.ndarray, settings: BallSettings) -> None:
        self.spin = tuple(float(w) for w in spin_radps)
        self.drag = drag_per_m(settings)
        area = math.pi * BALL_RADIUS_M**2
        self.lift = settings.lift_scale * settings.air_density_kgpm3 * area / (2 * BALL_MASS_KG)
        self.rim = BALL_RADIUS_M * math.hypot(*self.spin)

    def rate(self, vx: float, vy: float, vz: float) -> tuple[float, float, float]:
        """Acceleration at a velocity."""
        speed = math.sqrt(vx * vx + vy * vy + vz * vz)
        slow = -self.drag * speed
        ax, ay, az = slow * vx, slow * vy, slow * vz - GRAVITY_MPS2
        if self.rim == 0.0:
            return ax, ay, az
        wx, wy, wz = self.spin
        cx, cy, cz = wy * vz - wz * vy, wz * vx - wx * vz, wx * vy - wy * vx
        across = math.sqrt(cx * cx + cy * cy + cz * cz)
        if across == 0.0:
            return ax, ay, az
        push = self.lift * self.rim / (2 * self.rim + speed) * speed * speed / across
        return ax + push * cx, ay + push * cy, az + push * cz

    def advance(self, position: np.ndarray, velocity: np.ndarray, step: float):
        """One Runge–Kutta step."""
        x, y, z = position.tolist()
        u, v, w = velocity.tolist()
        h = step / 2
        a1 = self.rate(u, v, w)
        u2, v2, w2 = u + h * a1[0], v + h * a1[1], w + h * a1[2]
        a2 = self.rate(u2, v2, w2)
        u3, v3, w3 = u + h * a2[0], v + h * a2[1], w + h * a2[2]
        a3 = self.rate(u3, v3, w3)
        u4, v4, w4 = u + step * a3[0], v + step * a3[1], w + step * a3[2]
        a4 = self.rate(u4, v4, w4)
        s = step / 6
        place = (
            x + s * (u + 2 * u2 + 2 * u3 + u4),
            y + s * (v + 2 * v2 + 2 * v3 + v4),
            z + s * (w + 2 * w2 + 2 * w3 + w4),
        )
        fast = (
            u + s * (a1[0] + 2 * a2[0] + 2 * a3[0] + a4[0]),
            v + s * (a1[1] + 2 * a2[1] + 2 * a3[1] + a4[1]),
            w + s * (a1[2] + 2 * a2[2] + 2 * a3[2] + a4[2]),
        )
        return np.array(place), np.array(fast)


def fly(
    position_m: np.ndarray,
    velocity_mps: np.ndarray,
    spin_radps: np.ndarray,
    *,
    start_s: float,
    end_s: float,
    settings: BallSettings,
    step_s: float = 1 / 240,
    touches: int | None = None,
) -> Flight:
    """Fly a ball until ``end_s``, through bounces and net, rolling out at the end.

    Fourth-order Runge–Kutta with a fixed step; the time of a touch is found by bisection on the
    step's length.

    Parameters
    ----------
    position_m, velocity_mps, spin_radps
        (3,) at ``start_s``, court frame.
    start_s, end_s
        Seconds of presentation time.
    settings
        Air, bounce and friction.
    step_s
        Longest step.
    touches
        Stop after so many bounces and net touches.

    Returns
    -------
    Flight
        With at least two entries.
    """
    trace = _Trace(start_s, position_m, velocity_mps, spin_radps, settings)
    while trace.time_s < end_s - 1e-9 and trace.touches != touches:
        step = min(step_s, end_s - trace.time_s)
        if trace.rolling:
            trace.roll(step)
            continue
        position, velocity = trace.air.advance(trace.position, trace.velocity, step)
        if _through_net(trace.position, position):
            trace.touch_net(*_until(trace, step, _net_gap))
        elif position[2] < BALL_RADIUS_M:
            trace.bounce(*_until(trace, step, _ground_gap))
        else:
            trace.move(step, position, velocity)
    return trace.flight()


def _ground_gap(position: np.ndarray) -> float:
    return position[2] - BALL_RADIUS_M


def _net_gap(position: np.ndarray) -> float:
    return position[1]


def _through_net(before: np.ndarray, after: np.ndarray) -> bool:
    if before[1] * after[1] > 0 or before[1] == 0:
        return False
    share = before[1] / (before[1] - after[1])
    x, _, z = before + share * (after - before)
    return abs(x) < NET_HALF_LENGTH_M and z - BALL_RADIUS_M < net_height_m(x)


def _until(trace, step, gap):
    """Length of the step, position and velocity at which ``gap`` passes zero."""
    start = gap(trace.position)
    low, high = 0.0, step
    for _ in range(40):
        middle = (low + high) / 2
        position, _ = trace.air.advance(trace.position, trace.velocity, middle)
        if gap(position) * start > 0:
            low = middle
        else:
            high = middle
    return high, *trace.air.advance(trace.position, trace.velocity, high)


class _Trace:
    """The growing path of one ball."""

    def __init__(self, start_s, position_m, velocity_mps, spin_radps, settings) -> None:
        self.settings = settings
        self.air = _Air(spin_radps, settings)
        self.time_s = float(start_s)
        self.position = np.asarray(position_m, dtype=float)
        self.velocity = np.asarray(velocity_mps, dtype=float)
        self.spin = np.asarray(spin_radps, dtype=float)
        self.rolling = False
        self._rows = [(self.time_s, self.position, self.velocity, self.spin)]
        self._events: list[FlightEvent] = []

    @property
    def touches(self) -> int:
        """Bounces and net touches so far."""
        return len(self._events)

    def move(self, step, position, velocity) -> None:
        """Free flight over a step."""
        self.time_s, self.position, self.velocity = self.time_s + step, position, velocity
        self._rows.append((self.time_s, position, velocity, self.spin))

    def bounce(self, step, position, velocity) -> None:
        """Meet the ground at the end of a step."""
        position = np.array([position[0], position[1], BALL_RADIUS_M])
        self.move(step, position, velocity)
        speed = float(np.linalg.norm(velocity))
        off = rebound(
            velocity,
            self.spin,
            normal=np.array([0.0, 0.0, 1.0]),
            restitution=self.settings.restitution,
            friction=self.settings.court_friction,
        )
        self.spin, self.air = off.spin_radps, _Air(off.spin_radps, self.settings)
        self.rolling = off.velocity_mps[2] < _REST_SPEED_MPS
        self.move(0.0, position, off.velocity_mps * (1, 1, 0 if self.rolling else 1))
        if not self.rolling:
            self._events.append(FlightEvent("bounce", self.time_s, position, speed))

    def touch_net(self, step, position, velocity) -> None:
        """Meet the net at the end of a step."""
        self.move(step, position, velocity)
        speed = float(np.linalg.norm(velocity))
        self._events.append(FlightEvent("net", self.time_s, position, speed))
        back = velocity * np.array([0.3, -NET_RETURN, 0.3])
        self.spin, self.air = np.zeros(3), _Air(np.zeros(3), self.settings)
        away = position - np.array([0.0, 1e-4 * np.sign(velocity[1]), 0.0])
        self.move(0.0, away, back)

    def roll(self, step) -> None:
        """Roll over a step, slowing down."""
        speed = float(np.linalg.norm(self.velocity))
        slower = max(speed - _ROLLING_DECELERATION_MPS2 * step, 0.0)
        velocity = self.velocity * (slower / speed if speed > 0 else 0.0)
        self.move(step, self.position + 0.5 * step * (self.velocity + velocity), velocity)

    def flight(self) -> Flight:
        """The path so far."""
        time_s, position, velocity, spin = (np.array(c) for c in zip(*self._rows, strict=True))
        return Flight(time_s, position, velocity, spin, tuple(self._events))
