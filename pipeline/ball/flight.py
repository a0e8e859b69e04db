"""Physics of the ball in the air: gravity, quadratic drag and lift from spin.

Everything is in the court frame, z up. Drag decelerates by k v² with k = ρ C_D A / 2m; no
wind-tunnel value of C_D for this ball was found, only a working range of 0.30–0.45, so it is
carried as 0.40 ± 0.05. Lift follows the fit for tennis balls C_L = 1 / (2 + v / (r ω)) (Štěpánek
1988, from memory) times 0.6, because no value for a ball with holes was found. Spin is given as
``rim``, the vector r ω in m/s along its axis, and taken to last between two touches; its part
along the velocity has no effect. A rim speed found from a flight stands for its lift: it is as
good a measure of spin as the law.
"""

import math
from dataclasses import dataclass

import numpy as np

__all__ = [
    "AIR_DENSITY_KGPM3",
    "BALL_MASS_KG",
    "BALL_RADIUS_M",
    "DRAG_COEFFICIENT",
    "DRAG_COEFFICIENT_SD",
    "GRAVITY_MPS2",
    "LIFT_DOUBT",
    "LIFT_SCALE",
    "Paths",
    "acceleration_mps2",
    "drag_per_m",
    "fly_many",
    "launch_speed_mps",
]

GRAVITY_MPS2 = 9.80665
BALL_RADIUS_M = 0.0743 / 2
"""Within the rulebook's 2.87–2.97 in across (2.D, as quoted on a secondary page)."""
BALL_MASS_KG = 0.0243
"""Within the rulebook's 0.78–0.935 oz (2.D, as quoted on a secondary page)."""
AIR_DENSITY_KGPM3 = 1.2
DRAG_COEFFICIENT = 0.40
DRAG_COEFFICIENT_SD = 0.05
LIFT_SCALE = 0.6
"""Factor on the lift law of tennis balls (a guess)."""
LIFT_DOUBT = 0.35
"""Standard uncertainty of a spin that was told from lift, as a share of it (a guess)."""


def drag_per_m(
    drag_coefficient: float = DRAG_COEFFICIENT, air_density_kgpm3: float = AIR_DENSITY_KGPM3
) -> float:
    """k = ρ C_D A / 2m in 1/m: the ball is slowed by k v²."""
    area = math.pi * BALL_RADIUS_M**2
    return air_density_kgpm3 * drag_coefficient * area / (2 * BALL_MASS_KG)


_LIFT_PER_M = LIFT_SCALE * drag_per_m(1.0)


def launch_speed_mps(distance_m: float, time_s: float, drag: float) -> float:
    """Speed at the start of a straight way that took ``time_s``, by the drag law alone.

    v0 = (exp(k d) − 1) / (k t), without gravity or spin (worked out from dv/dt = −k v²); the mean
    speed d / t where ``drag``, in 1/m, is 0.
    """
    way = drag * distance_m
    return distance_m / time_s if way == 0 else math.expm1(way) / (drag * time_s)


def acceleration_mps2(velocity_mps: np.ndarray, drag: np.ndarray, rim: np.ndarray) -> np.ndarray:
    """Acceleration in free flight.

    Parameters
    ----------
    velocity_mps
        (…, 3).
    drag
        (…,) k, 1/m.
    rim
        (…, 3) spin times radius, m/s.

    Returns
    -------
    ndarray
        (…, 3) m/s².
    """
    across = np.moveaxis(np.asarray(velocity_mps, float), -1, 0)
    spin = np.moveaxis(np.asarray(rim, float), -1, 0)
    return np.moveaxis(_rate(across, drag, spin, np.sqrt(np.sum(spin**2, axis=0))), 0, -1)


def _rate(velocity: np.ndarray, drag: np.ndarray, rim: np.ndarray, spin: np.ndarray) -> np.ndarray:
    """Acceleration with the three coordinates first; a cross product written out costs least."""
    u, v, w = velocity
    a, b, c = rim
    speed = np.sqrt(u * u + v * v + w * w)
    push = _LIFT_PER_M * speed / (2 * spin + speed + 1e-9)
    out = -(drag * speed) * velocity
    out[0] += push * (b * w - c * v)
    out[1] += push * (c * u - a * w)
    out[2] += push * (a * v - b * u) - GRAVITY_MPS2
    return out


@dataclass(frozen=True, kw_only=True)
class Paths:
    """Many flights, each on an even grid of its own.

    Attributes
    ----------
    step_s
        (b,) spacing of each flight's grid, which starts at 0.
    position_m, velocity_mps
        (k, b, 3).
    drag, rim
        (b,) and (b, 3).
    """

    step_s: np.ndarray
    position_m: np.ndarray
    velocity_mps: np.ndarray
    drag: np.ndarray
    rim: np.ndarray

    def at(self, flight: np.ndarray, since_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Position and velocity, (n, 3) each, of flights (n,) at times (n,) since their start.

        Cubic Hermite between the grid's times; outside it, the end's velocity and acceleration
        continue, which is meant for a frame or two.
        """
        step = self.step_s[flight]
        last = len(self.position_m) - 1
        place = since_s / step
        row = np.clip(np.floor(place).astype(int), 0, last - 1)
        u = (place - row)[:, None]
        h = step[:, None]
        p0, p1 = self.position_m[row, flight], self.position_m[row + 1, flight]
        m0, m1 = self.velocity_mps[row, flight] * h, self.velocity_mps[row + 1, flight] * h
        d = p1 - p0
        b, c = 3 * d - 2 * m0 - m1, m0 + m1 - 2 * d
        position = p0 + u * (m0 + u * (b + u * c))
        velocity = (m0 + u * (2 * b + 3 * u * c)) / h
        beyond = (place < 0) | (place > last)
        if beyond.any():
            which = flight[beyond]
            end = np.where(place[beyond] < 0, 0, last)
            left = (since_s[beyond] - end * step[beyond])[:, None]
            p, v = self.position_m[end, which], self.velocity_mps[end, which]
            a = acceleration_mps2(v, self.drag[which], self.rim[which])
            position[beyond] = p + left * (v + 0.5 * left * a)
            velocity[beyond] = v + left * a
        return position, velocity


def fly_many(
    position_m: np.ndarray,
    velocity_mps: np.ndarray,
    *,
    drag: np.ndarray,
    rim: np.ndarray,
    span_s: np.ndarray,
    longest_step_s: float = 0.1,
) -> Paths:
    """Fly many balls at once, without ground or net, by fourth-order Runge–Kutta.

    Parameters
    ----------
    position_m, velocity_mps
        (b, 3) at the start.
    drag, rim
        (b,) in 1/m and (b, 3) in m/s.
    span_s
        (b,) how long each one is flown; negative spans fly backwards.
    longest_step_s
        No step is longer; every flight takes as many as the longest one. The default is good to
        a millimetre over a second.

    Returns
    -------
    Paths
        On an even grid from the start to the end of each flight; NaN or infinite where a ball,
        flown back, would have been faster than numbers go.
    """
    span = np.asarray(span_s, float)
    steps = max(4, math.ceil(float(np.abs(span).max(initial=0.0)) / longest_step_s))
    h = span / steps
    p, v, spin = (np.ascontiguousarray(np.transpose(x), float) for x in (
        position_m, velocity_mps, rim))  # fmt: skip
    size = np.sqrt(np.sum(spin**2, axis=0))
    positions, velocities = np.empty((2, steps + 1, 3, len(span)))
    positions[0], velocities[0] = p, v
    with np.errstate(over="ignore", invalid="ignore"):
        for step in range(1, steps + 1):
            a1 = _rate(v, drag, spin, size)
            v2 = v + h / 2 * a1
            a2 = _rate(v2, drag, spin, size)
            v3 = v + h / 2 * a2
            a3 = _rate(v3, drag, spin, size)
            v4 = v + h * a3
            a4 = _rate(v4, drag, spin, size)
            p = p + h / 6 * (v + 2 * v2 + 2 * v3 + v4)
            v = v + h / 6 * (a1 + 2 * a2 + 2 * a3 + a4)
            positions[step], velocities[step] = p, v
    return Paths(
        step_s=h,
        position_m=positions.transpose(0, 2, 1),
        velocity_mps=velocities.transpose(0, 2, 1),
        drag=np.asarray(drag, float),
        rim=np.asarray(rim, float),
    )
