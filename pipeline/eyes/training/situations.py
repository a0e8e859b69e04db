"""Draws what training pictures show: players in the middle of their strokes, cameras, balls."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from paddlebrief.errors import RehearsalError
from paddlebrief.eyes.ball_net import FAR_S
from paddlebrief.eyes.training.examples import MIDDLE
from paddlebrief.eyes.training.things import draw_paddle_spec
from paddlebrief.rehearsal.ball import BallSettings, fly
from paddlebrief.rehearsal.bodies import BodySpec
from paddlebrief.rehearsal.camera import Camera, CameraSettings
from paddlebrief.rehearsal.scenario import STROKE_NAMES, Scenario
from paddlebrief.rehearsal.scene import Moments
from paddlebrief.rehearsal.staging import Staging, stage
from paddlebrief.rehearsal.technique import DIAL_RANGES
from paddlebrief.rehearsal.venue import VenueSettings

__all__ = ["Instant", "StillWorld", "draw_take", "draw_venue", "draw_view", "instant"]

_GRID_S = 0.001
_UNDER_WAY_S = 0.13
_NEARER = 0.2
_RATES = (20, 25, 30, 30, 50, 60, 60, 120)
"""Frames a second; slow ones also stand for neighbours further apart in fast recordings."""


def draw_take(cast: Sequence[tuple[BodySpec, int]], rng: np.random.Generator) -> Staging:
    """A short session of one to three players of a cast with strokes of every kind."""
    names = sorted(STROKE_NAMES)
    players = []
    chosen = rng.choice(len(cast), int(rng.integers(1, 4)), replace=False)
    for k in chosen:
        spec, looks = cast[k]
        strokes: dict[str, int] = {}
        for name in rng.choice(names, 5):
            strokes[str(name)] = strokes.get(str(name), 0) + 1
        players.append(
            {
                "name": f"player {k}",
                "hand": str(rng.choice(["right", "left"])),
                "body": {n: getattr(spec, n) for n in ("age_years", "sex", "height_m", "build")},
                "appearance": looks,
                "paddle": draw_paddle_spec(rng),
                "strokes": strokes,
                "technique": {name: _technique(rng) for name in strokes},
            }
        )
    distractors = {"practice_swings": 1, "pick_ups": int(rng.integers(0, 2))}
    scenario = Scenario(players=players, distractors=distractors)
    for _ in range(8):
        try:
            return stage(scenario, int(rng.integers(1 << 30)))
        except RehearsalError:
            continue
    raise RehearsalError("no take could be staged with these players", todo="change the seed")


def _technique(rng: np.random.Generator) -> dict[str, dict[str, float]]:
    """Wider spreads than one player has, so that few takes show many swings."""
    dials = rng.choice(["wrist_lag_deg", "turnover_deg", "elbow_bend_deg", "follow_share"], 2)
    wishes = {}
    for dial in dials:
        low, high, within = DIAL_RANGES[str(dial)]
        middle, reach = (low + high) / 2, (high - low) / 5
        wishes[str(dial)] = {"mean": float(rng.normal(middle, reach / 2)), "sd": 2.5 * within}
    return {d: {**w, "mean": float(np.clip(w["mean"], *DIAL_RANGES[d][:2]))} for d, w in
            wishes.items()}  # fmt: skip


def draw_view(rng: np.random.Generator) -> CameraSettings:
    """A camera at any usual place, with any usual rate and shutter."""
    sizes = [(1280, 720), (1280, 720), (1920, 1080), (960, 540), (864, 720)]
    width, height = sizes[int(rng.integers(len(sizes)))]
    rate = Fraction(int(rng.choice(_RATES)))
    slowest = float(1 / rate)
    view_deg = float(rng.uniform(44, 88))
    # A barrel bends rays back beyond a radius: k1 stays where the picture's corners have a ray,
    # r·(1 + k1·r²) being greatest at r² = 1 / (3·|k1|).
    corner2 = np.tan(np.radians(view_deg) / 2) ** 2 * (1 + (height / width) ** 2)
    barrel = float(rng.uniform(max(-0.16, -0.10 / corner2), 0.03))
    shutter = float(np.exp(rng.uniform(np.log(1 / 2000), np.log(min(slowest, 1 / 60)))))
    return CameraSettings(
        place=str(rng.choice(["behind", "side", "corner"])),
        distance_m=float(np.exp(rng.uniform(np.log(1.6), np.log(9)))),
        height_m=float(
            rng.choice([rng.uniform(0.5, 1.6), rng.uniform(1.4, 3.2), rng.uniform(3, 6)])
        ),
        along_m=None if rng.uniform() < 0.5 else float(rng.uniform(-4.5, 2.0)),
        left_side=bool(rng.uniform() < 0.5),
        aim_m=tuple(np.array([0, -3.0, 0.9]) + rng.normal(0, 1, 3) * [1.2, 1.5, 0.4]),
        tilt_deg=float(rng.normal(0, 3)) if rng.uniform() < 0.4 else 0.0,
        view_deg=view_deg,
        distortion=(barrel, float(rng.uniform(0, 0.02)), 0.0, 0.0, 0.0),
        width_px=width,
        height_px=height,
        frame_rate=rate,
        shutter_s=shutter,
    )


def draw_venue(rng: np.random.Generator) -> VenueSettings:
    """Any venue; how many people stand about is drawn here, the rest by the scene's seed."""
    return VenueSettings(people=int(rng.integers(0, 5)))


@dataclass(frozen=True)
class Instant:
    """Five frames of a take, as the ball net looks at them.

    Attributes
    ----------
    frame_s
        (5,) middles of the exposures.
    steps
        (5,) int, their places from the middle one, in frames.
    world
        Where everything is, callable with (n,) times inside the five exposures.
    flying
        (K,) bool, balls of the world that are in flight or rolling in the middle frame.
    """

    frame_s: np.ndarray
    steps: np.ndarray
    world: "StillWorld"
    flying: np.ndarray


class StillWorld:
    """Joints, paddles and balls sampled every millisecond round one instant, interpolated."""

    def __init__(self, staging: Staging, *, start_s: float, end_s: float, extra_balls: list):
        count = int(np.ceil((end_s - start_s) / _GRID_S)) + 2
        self._start_s = start_s
        grid = start_s + np.arange(count) * _GRID_S
        self._actors = []
        for player in staging.players:
            show = player.motion.perform(grid)
            joints = player.body.joints(show.root_position_m, show.local_rotations)
            self._actors.append((*joints, show.butt_m, show.paddle_rotation))
        self._balls = np.concatenate(
            [staging.ball_places(grid), *[place(grid)[:, None] for place in extra_balls]], axis=1
        )

    def __call__(self, time_s: np.ndarray) -> Moments:
        place = np.clip((np.asarray(time_s) - self._start_s) / _GRID_S, 0, None)
        low = np.minimum(place.astype(int), len(self._balls) - 2)
        share = place - low

        def at(values: np.ndarray) -> np.ndarray:
            weight = share.reshape(-1, *[1] * (values.ndim - 1))
            return values[low] + weight * (values[low + 1] - values[low])

        actors = [tuple(at(v) for v in actor) for actor in self._actors]
        return Moments(
            joints=tuple((a[0], a[1]) for a in actors),
            paddles=tuple((a[2], a[3]) for a in actors),
            balls_m=at(self._balls),
        )


def instant(
    staging: Staging, view: CameraSettings, camera: Camera, rng: np.random.Generator
) -> Instant:
    """Five frames, mostly near a stroke, with balls of other courts and balls lying about."""
    steps = _steps(float(view.frame_rate), rng)
    if rng.uniform() < 0.75:
        stroke = staging.strokes[int(rng.integers(len(staging.strokes)))]
        middle = stroke.event.contact_s + rng.uniform(-0.9, 0.9)
    else:
        middle = rng.uniform(1.0, staging.length_s - 0.5)
    middle = float(np.clip(middle, 0.5, staging.length_s - 0.5))
    frame_s = middle + steps / float(view.frame_rate)
    half = (view.shutter_s + view.readout_s) / 2 + 2 * _GRID_S
    extra = [_flight(middle, camera, rng) for _ in range(int(rng.integers(2, 9)))]
    extra += [_lying(rng) for _ in range(int(rng.integers(0, 6)))]
    world = StillWorld(
        staging, start_s=frame_s[0] - half, end_s=frame_s[-1] + half, extra_balls=extra
    )
    moments = world(frame_s)
    return Instant(frame_s, steps, world, _flying(staging, moments, frame_s))


def _steps(rate: float, rng: np.random.Generator) -> np.ndarray:
    """(5,) frames from the middle one to those that the ball net sees.

    Mostly as `ball.watch` chooses them; at the edges of stretches and where frames are missing
    the far ones are nearer.
    """
    far = max(2, round(FAR_S * rate))
    before, after = (
        int(rng.integers(1, far + 1)) if rng.uniform() < _NEARER else far for _ in range(2)
    )
    return np.array([-before, -1, 0, 1, after])


def _flying(staging: Staging, moments: Moments, frame_s: np.ndarray) -> np.ndarray:
    """Balls that move on their own: not lying still, and not held in a hand."""
    balls = moments.balls_m
    with np.errstate(invalid="ignore"):
        speed = np.linalg.norm(balls[3] - balls[1], axis=-1) / (frame_s[3] - frame_s[1])
        moving = speed > 0.3
    held = np.zeros(balls.shape[1], bool)
    hands = [
        player.body.landmark(f"{side}_hand", *joints)[MIDDLE]
        for player, joints in zip(staging.players, moments.joints, strict=True)
        for side in ("left", "right")
    ]
    for hand in hands:
        held |= np.nan_to_num(np.linalg.norm(balls[MIDDLE] - hand, axis=-1), nan=9.0) < 0.09
    return moving & ~held


def _flight(middle_s: float, camera: Camera, rng: np.random.Generator):
    """A ball under way somewhere in the picture, on this court or beyond.

    Many are far and slow, or come and go along the camera's axis: few pixels that hardly move.
    """
    place = rng.uniform(0, 1, 2) * camera.size_px
    way = camera.rotation.T @ np.append(camera.rays(place), 1.0)
    nearest = 2.5 if rng.uniform() < 0.5 else 9.0
    depth = float(np.exp(rng.uniform(np.log(nearest), np.log(26))))
    lowest = rng.uniform(0.06, 0.6)
    if camera.position_m[2] + depth * way[2] < lowest:
        depth = max((lowest - camera.position_m[2]) / way[2], 1.5)
    heading, rise = rng.uniform(0, 2 * np.pi), rng.uniform(-0.8, 1.0)
    if rng.uniform() < 0.35:
        heading = np.arctan2(way[1], way[0]) + rng.normal(0, 0.25) + np.pi * rng.integers(2)
    speed = float(np.exp(rng.uniform(np.log(2), np.log(24))))
    along = np.array([np.cos(rise) * np.cos(heading), np.cos(rise) * np.sin(heading), np.sin(rise)])
    start = camera.position_m + depth * way - _UNDER_WAY_S * speed * along
    start[2] = max(start[2], 0.05)
    flight = fly(
        start,
        speed * along,
        rng.normal(0, 40, 3),
        start_s=middle_s - _UNDER_WAY_S,
        end_s=middle_s + _UNDER_WAY_S,
        settings=BallSettings(),
    )
    return flight.at


def _lying(rng: np.random.Generator):
    place = np.array([*rng.uniform([-5, -8], [5, 7]), 0.0371])
    return lambda time_s: np.tile(place, (len(time_s), 1))
