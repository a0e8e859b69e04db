"""Turns over a stroke: the network's distributions, frame by frame, made one smooth motion.

First the circle: a forward–backward pass over the bins of hips and of shoulders settles which way
the body faces, because a body cannot turn about between two frames. Then the line: a
Rauch–Tung–Striebel smoother (Rauch, Tung & Striebel 1965) over hip heading and separation, both
with their rates, whose accelerations wander as a body's do. Errors of neighbouring frames look
alike (same clothes, same arm in front), so that a frame counts for less the closer frames stand:
``correlation_s``. Directions of limbs are taken as the network says them, but doubted more the
faster they turn: the forearm that hits is read some 20° off in a forward swing, mostly in how far
it points to or from the camera. All uncertainties are scaled by what strokes of rendered bodies
that were not trained on showed (``calibration.json`` beside the weights).
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib import resources

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from paddlebrief.records import FrameOfReference
from paddlebrief.turn.net import BINS, CIRCLE_RAD, DIRECTIONS, SEPARATION_RAD, TurnOutput

__all__ = ["Calibration", "Turns", "fuse", "load_calibration", "wrapped"]


class Calibration(BaseModel):
    """What checking strokes said of the network's own doubt."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    heading_scale: float = Field(
        gt=0, description="factor on the standard uncertainty of hip and shoulder headings"
    )
    separation_scale: float = Field(
        gt=0, description="factor on the standard uncertainty of the separation"
    )
    heading_floor_deg: float = Field(
        gt=0, description="least standard uncertainty of a heading in one frame, degrees"
    )
    separation_floor_deg: float = Field(
        gt=0, description="least standard uncertainty of a separation in one frame, degrees"
    )
    correlation_s: float = Field(
        gt=0, description="time on court over which errors of frames look alike, seconds"
    )
    hip_jerk_dps2: float = Field(
        gt=0, description="wandering of the hips' turning acceleration, degrees per second squared"
    )
    separation_jerk_dps2: float = Field(
        gt=0, description="wandering of the separation's acceleration, degrees per second squared"
    )
    direction_scale: float = Field(
        gt=0, description="factor on the standard uncertainty of limb and spine directions"
    )
    direction_haste_s: float = Field(
        ge=0,
        description="growth of that uncertainty with the speed at which a limb turns: "
        "it is doubled at one radian in this time, seconds",
    )


@dataclass(frozen=True, kw_only=True)
class Turns:
    """One player's turns over n frames.

    Attributes
    ----------
    time_s
        (n,) seconds on court.
    hip_rad, shoulder_rad
        (n,) headings, anticlockwise from above, continuous over the frames (not wrapped). They
        are court headings when ``fuse`` was given the sight's headings; then 0 faces along x.
        Else they are measured from the line of sight, 0 facing straight away from the camera.
    separation_rad
        (n,) shoulder minus hip heading.
    hip_sd_rad, shoulder_sd_rad, separation_sd_rad
        (n,) standard uncertainties.
    direction
        (n, 5, 3) unit vectors of ``net.SEGMENTS``: in the court frame when ``fuse`` was given the
        sight's headings, else each frame in its line-of-sight frame.
    direction_sd_rad
        (n, 5) standard uncertainty of a direction across itself.
    facing_odds
        (n,) probability that the hips face the half circle they are said to.
    hip_rate_radps, separation_rate_radps
        (n,) turning speeds, anticlockwise from above, and
    hip_rate_sd_radps, separation_rate_sd_radps
        (n,) their standard uncertainties.
    correlation_s
        Time on court over which errors of frames look alike.
    frame
        Court, or gravity-aligned when the headings are measured from the line of sight.
    """

    time_s: np.ndarray
    hip_rad: np.ndarray
    shoulder_rad: np.ndarray
    separation_rad: np.ndarray
    hip_sd_rad: np.ndarray
    shoulder_sd_rad: np.ndarray
    separation_sd_rad: np.ndarray
    direction: np.ndarray
    direction_sd_rad: np.ndarray
    facing_odds: np.ndarray
    hip_rate_radps: np.ndarray
    separation_rate_radps: np.ndarray
    hip_rate_sd_radps: np.ndarray
    separation_rate_sd_radps: np.ndarray
    correlation_s: float
    frame: FrameOfReference

    def __post_init__(self) -> None:
        n = len(self.time_s)
        shapes = {"direction": (n, DIRECTIONS, 3), "direction_sd_rad": (n, DIRECTIONS)}
        for field in fields(self):
            value = getattr(self, field.name)
            wanted = shapes.get(field.name, (n,))
            if isinstance(value, np.ndarray) and value.shape != wanted:
                raise ValueError(f"{field.name}: expected shape {wanted}, got {value.shape}")

    def arrays(self) -> dict[str, np.ndarray]:
        """All of it as arrays for ``numpy.savez``; ``from_arrays`` reads them back exactly."""
        plain = {f.name: np.asarray(getattr(self, f.name)) for f in fields(self)}
        return plain | {"frame": np.array(self.frame.name)}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, np.ndarray]) -> "Turns":
        """Read what ``arrays`` gave, such as an open npz file.

        Raises
        ------
        KeyError, ValueError
            When an array is missing or of the wrong shape.
        """
        plain = {f.name: np.asarray(arrays[f.name]) for f in fields(cls)}
        return cls(
            **plain
            | {
                "correlation_s": float(plain["correlation_s"]),
                "frame": FrameOfReference[str(plain["frame"])],
            }
        )


_TURN_RATE_RADPS = 9.0  # SD of a turning speed between frames; peaks in a stroke are 10 to 15
_STAY = 1e-4  # share of a bin's weight that may be anywhere in the next frame
_STEADY_S = 0.016
_HASTE_S = 0.08  # around a frame over which a limb's turning speed is taken
_USUAL_STRAIN = 0.35  # what strokes of rendered bodies that were not trained on hardly exceed
_MOST_STRAIN = 5.0  # a frame that is off further than this says no more
_WINDOW_RAD = np.radians(40.0)  # around the settled bin, where the frame's own mean is taken


def load_calibration() -> Calibration:
    """The calibration that belongs to the weights in the package."""
    source = resources.files("paddlebrief.turn").joinpath("weights", "calibration.json")
    return Calibration(**json.loads(source.read_text(encoding="utf-8")))


def wrapped(angle_rad: np.ndarray) -> np.ndarray:
    """Angles brought into −π … π."""
    return (np.asarray(angle_rad) + np.pi) % (2 * np.pi) - np.pi


def fuse(
    output: TurnOutput,
    time_s: np.ndarray,
    *,
    calibration: Calibration,
    sight_rad: np.ndarray | None = None,
) -> Turns:
    """One smooth motion from the distributions of a stroke's frames.

    Parameters
    ----------
    output
        For n ≥ 1 frames.
    time_s
        (n,) strictly rising seconds on court.
    calibration
        Scales the uncertainties.
    sight_rad
        (n,) heading of each frame's line of sight in the court frame, anticlockwise from x; None
        leaves headings relative to the line of sight.

    Raises
    ------
    ValueError
        When there is no frame.
    """
    if len(time_s) == 0:
        raise ValueError("turns need at least one frame")
    hip, hip_var, odds = _settled(output.hip, time_s)
    shoulder, shoulder_var, _ = _settled(output.shoulder, time_s)
    # The two lines are unwound apart: the separation says how they belong together.
    shoulder = shoulder - 2 * np.pi * np.round(np.median(shoulder - hip) / (2 * np.pi))
    apart, apart_var = _moments(output.separation, SEPARATION_RAD)
    floor = np.radians(calibration.heading_floor_deg) ** 2
    scale = calibration.heading_scale**2
    seen = np.stack([hip, shoulder, apart], axis=1)
    if sight_rad is not None:
        # A body that faces away looks along the line of sight.
        seen[:, :2] += np.unwrap(sight_rad)[:, None]
    apart_floor = np.radians(calibration.separation_floor_deg) ** 2
    plain = np.stack([hip_var + floor, shoulder_var + floor, apart_var + apart_floor], axis=1)
    # The separation is told twice, as such and by both headings; what they differ by is doubt.
    discord = wrapped(shoulder - hip - apart)[:, None] ** 2 / 3
    noise = plain * [scale, scale, calibration.separation_scale**2] + discord
    state, cover = _smoothed(seen, noise, np.asarray(time_s, float), calibration)
    h, s = state[:, 0], state[:, 2]
    both = cover[:, 0, 0] + cover[:, 2, 2] + 2 * cover[:, 0, 2]
    wide = _strain(seen - np.stack([h, h + s, s], axis=1), plain)
    direction = _steadied(output, np.asarray(time_s, float), sight_rad)
    haste = 1 + calibration.direction_haste_s * _limb_speeds(direction, np.asarray(time_s, float))
    return Turns(
        time_s=np.asarray(time_s, float),
        hip_rad=h,
        shoulder_rad=h + s,
        separation_rad=s,
        hip_sd_rad=wide[0] * np.sqrt(cover[:, 0, 0]),
        shoulder_sd_rad=wide[1] * np.sqrt(both),
        separation_sd_rad=wide[2] * np.sqrt(cover[:, 2, 2]),
        direction=direction,
        direction_sd_rad=float(np.sqrt(np.mean(wide**2)))
        * calibration.direction_scale
        * haste
        / np.sqrt(output.concentration),
        facing_odds=odds,
        hip_rate_radps=state[:, 1],
        separation_rate_radps=state[:, 3],
        hip_rate_sd_radps=wide[0] * np.sqrt(cover[:, 1, 1]),
        separation_rate_sd_radps=wide[2] * np.sqrt(cover[:, 3, 3]),
        correlation_s=calibration.correlation_s,
        frame=FrameOfReference.GRAVITY if sight_rad is None else FrameOfReference.COURT,
    )


def _strain(off: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """(3,) factors, 1 or more, by which a stroke's frames scatter beyond what is usual.

    Frames of bodies such as the network knows lie close to one smooth motion. Where they do not,
    the network does not know what it sees and errs further than it says (the Birge ratio of
    inconsistent data, R. T. Birge 1932, from memory).
    """
    off = np.stack([wrapped(off[:, 0]), wrapped(off[:, 1]), off[:, 2]], axis=1)
    scatter = np.sqrt(np.mean(np.minimum(off**2 / variance, _MOST_STRAIN**2), axis=0))
    return np.maximum(scatter / _USUAL_STRAIN, 1.0)


def _settled(
    log_weights: np.ndarray, time_s: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Unwound means (n,), variances (n,), and the odds of the settled half circle."""
    beliefs = _around_the_circle(log_weights, time_s)
    middle = np.unwrap(np.angle(beliefs @ np.exp(1j * CIRCLE_RAD)))
    weights = np.exp(log_weights - log_weights.max(axis=1, keepdims=True))
    off = wrapped(CIRCLE_RAD - middle[:, None])
    near = np.abs(off) <= _WINDOW_RAD
    kept = np.where(near, weights, 0.0) + 1e-9 * beliefs
    kept /= kept.sum(axis=1, keepdims=True)
    shift = (kept * off).sum(axis=1)
    spread = (kept * (off - shift[:, None]) ** 2).sum(axis=1)
    odds = np.where(np.abs(off) < np.pi / 2, beliefs, 0.0).sum(axis=1)
    # What lies outside the window is doubt too, unless the other frames ruled it out.
    outside = 1 - np.where(near, beliefs, 0.0).sum(axis=1)
    return middle + shift, spread + outside * (np.pi / 3) ** 2, odds


def _steadied(output: TurnOutput, time_s: np.ndarray, sight_rad: np.ndarray | None) -> np.ndarray:
    """Directions averaged over a few hundredths of a second, surer frames counting for more."""
    ways = output.direction
    if sight_rad is not None:
        turn = np.asarray(sight_rad) - np.pi / 2
        cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
        x, y, z = np.moveaxis(ways, -1, 0)
        ways = np.stack([cos * x - sin * y, sin * x + cos * y, z], axis=-1)
    near = np.exp(-0.5 * ((time_s[:, None] - time_s[None]) / _STEADY_S) ** 2)
    mixed = np.einsum("ts,sk,skx->tkx", near, output.concentration, ways)
    return mixed / np.linalg.norm(mixed, axis=-1, keepdims=True)


def _limb_speeds(direction: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """(n, 5) radians a second at which directions turn around each frame.

    The network errs most where an arm is thrown: its poses are rarer than those of an arm that is
    held, and the landmarks that it leans on are worst there.
    """
    if len(time_s) < 2:
        return np.zeros(direction.shape[:2])
    steps = np.arccos(np.clip(np.sum(direction[1:] * direction[:-1], axis=-1), -1, 1))
    gaps, middle = np.diff(time_s), (time_s[1:] + time_s[:-1]) / 2
    near = np.exp(-0.5 * ((time_s[:, None] - middle) / _HASTE_S) ** 2) + 1e-12
    return (near @ steps) / (near @ gaps)[:, None]


def _around_the_circle(log_weights: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """(n, 72) probabilities of each bin given all frames."""
    n = len(log_weights)
    weights = np.exp(log_weights - log_weights.max(axis=1, keepdims=True)) + 1e-6
    apart = wrapped(CIRCLE_RAD[:, None] - CIRCLE_RAD[None])
    steps = []
    for dt in np.diff(time_s):
        size = max(_TURN_RATE_RADPS * dt, 0.6 * 2 * np.pi / BINS)
        step = np.exp(-0.5 * (apart / size) ** 2)
        steps.append((1 - _STAY) * step / step.sum(axis=1, keepdims=True) + _STAY / BINS)
    ahead, back = np.empty_like(weights), np.ones_like(weights)
    ahead[0] = weights[0] / weights[0].sum()
    for t in range(1, n):
        now = (ahead[t - 1] @ steps[t - 1]) * weights[t]
        ahead[t] = now / now.sum()
    for t in range(n - 2, -1, -1):
        now = steps[t] @ (back[t + 1] * weights[t + 1])
        back[t] = now / now.sum()
    beliefs = ahead * back
    return beliefs / beliefs.sum(axis=1, keepdims=True)


def _moments(log_weights: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    weights = np.exp(log_weights - log_weights.max(axis=1, keepdims=True))
    weights /= weights.sum(axis=1, keepdims=True)
    mean = weights @ at
    return mean, (weights * (at - mean[:, None]) ** 2).sum(axis=1)


def _smoothed(
    seen: np.ndarray, noise: np.ndarray, time_s: np.ndarray, calibration: Calibration
) -> tuple[np.ndarray, np.ndarray]:
    """(n, 4) hip, its rate, separation, its rate, and their (n, 4, 4) covariances."""
    n = len(time_s)
    look = np.array([[1.0, 0, 0, 0], [1, 0, 1, 0], [0, 0, 1, 0]])
    spectral = np.radians([calibration.hip_jerk_dps2, calibration.separation_jerk_dps2]) ** 2 * 0.02
    gaps = np.diff(time_s)
    around = np.convolve(np.pad(gaps, 1, mode="edge"), [0.5, 0.5], mode="valid") if n > 2 else None
    crowd = np.ones(n) if around is None else np.maximum(calibration.correlation_s / around, 1.0)
    means, covers = np.zeros((n, 4)), np.zeros((n, 4, 4))
    ahead_means, ahead_covers = means.copy(), covers.copy()
    state = np.array([seen[0, 0], 0.0, seen[0, 2], 0.0])
    cover = np.diag([np.pi**2, 6.0**2, (np.pi / 3) ** 2, 6.0**2])
    for t in range(n):
        if t:
            move, wander = _motion(gaps[t - 1], spectral)
            state, cover = move @ state, move @ cover @ move.T + wander
        ahead_means[t], ahead_covers[t] = state, cover
        doubt = look @ cover @ look.T + np.diag(noise[t] * crowd[t])
        gain = np.linalg.solve(doubt, look @ cover).T
        off = seen[t] - look @ state
        off[:2] = wrapped(off[:2])
        state = state + gain @ off
        cover = cover - gain @ look @ cover
        means[t], covers[t] = state, cover
    for t in range(n - 2, -1, -1):
        move, _ = _motion(gaps[t], spectral)
        gain = np.linalg.solve(ahead_covers[t + 1], move @ covers[t]).T
        means[t] += gain @ (means[t + 1] - ahead_means[t + 1])
        covers[t] += gain @ (covers[t + 1] - ahead_covers[t + 1]) @ gain.T
    return means, covers


def _motion(dt: float, spectral: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Transition and noise of two angles with rates whose accelerations are white."""
    one = np.array([[1.0, dt], [0.0, 1.0]])
    wander = np.array([[dt**3 / 3, dt**2 / 2], [dt**2 / 2, dt]])
    zero = np.zeros((2, 2))
    move = np.block([[one, zero], [zero, one]])
    return move, np.block([[spectral[0] * wander, zero], [zero, spectral[1] * wander]])
