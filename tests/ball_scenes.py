"""Sessions with known balls, as a detector would report them: candidates with noise, misses,
false ones, lamps and balls on the floor. Flights come from the rehearsal's physics."""

from dataclasses import dataclass, field

import numpy as np

from paddlebrief.ball.records import Candidates
from paddlebrief.court.camera import PARAMETERS, SolvedCamera, View
from paddlebrief.court.dimensions import COURT_LENGTH_M, line_rectangles_m
from paddlebrief.errors import RehearsalError
from paddlebrief.rehearsal.ball import BallSettings, Flight, fly
from paddlebrief.rehearsal.camera import Camera, CameraSettings, frame_times, place_camera
from paddlebrief.rehearsal.feeds import FeedStyle, feed_to
from paddlebrief.rehearsal.traces import ball_outcome


class RehearsalEye:
    """A rehearsal's camera as the tracker wants it."""

    def __init__(self, camera: Camera) -> None:
        self.camera = camera

    @property
    def position_m(self) -> np.ndarray:
        return self.camera.position_m

    def project(self, points_m: np.ndarray) -> np.ndarray:
        return self.camera.project(points_m)

    def ray(self, px: np.ndarray) -> np.ndarray:
        flat = self.camera.rays(px)
        ray = np.concatenate([flat, np.ones_like(flat[..., :1])], -1) @ self.camera.rotation
        return ray / np.linalg.norm(ray, axis=-1, keepdims=True)


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A ball that is fed, hit and bounces: the truth."""

    incoming: Flight
    outgoing: Flight
    contact_s: float

    def at(self, time_s: np.ndarray) -> np.ndarray:
        """(n, 3) places, NaN where it is not in play."""
        before = (time_s < self.contact_s)[:, None]
        return np.where(before, self.incoming.at(time_s), self.outgoing.at(time_s))


@dataclass(frozen=True, kw_only=True)
class SceneSpec:
    """What is simulated."""

    place: str = "behind"
    rate: float = 60.0
    size_px: tuple[int, int] = (1920, 1080)
    noise_px: float = 1.0
    shots: int = 8
    detected: float = 0.85
    false_per_frame: float = 0.5
    jitter: float = 0.3
    shutter_s: float = 1 / 500
    movers: int = 2
    gap_s: float = 3.0
    seed: int = 0
    drag_spread: float = 0.05


@dataclass(frozen=True, kw_only=True)
class Scene:
    """Candidates and what is true about them; ``ball`` is the shot's number of each row, or −1."""

    candidates: Candidates
    ball: np.ndarray
    shots: tuple[Shot, ...]
    eye: RehearsalEye
    spec: SceneSpec = field(repr=False)


def make_scene(spec: SceneSpec) -> Scene:
    """Simulate a session."""
    rng = np.random.default_rng([spec.seed, 99])
    settings = BallSettings(
        drag_coefficient=float(rng.normal(0.40, spec.drag_spread)),
        restitution=float(rng.uniform(0.62, 0.66)),
        court_friction=float(rng.uniform(0.4, 0.6)),
    )
    shots = tuple(
        _shot(2.0 + k * spec.gap_s + rng.uniform(0, 0.6), settings, rng) for k in range(spec.shots)
    )
    return see(spec, shots, length_s=2.0 + spec.shots * spec.gap_s + 3.0)


def see(spec: SceneSpec, shots: tuple[Shot, ...], *, length_s: float) -> Scene:
    """What a detector reports of known shots."""
    rng = np.random.default_rng([spec.seed, 98])
    view = CameraSettings(
        place=spec.place,
        frame_rate=spec.rate,
        rate_jitter=spec.jitter,
        shutter_s=min(spec.shutter_s, 0.9 / spec.rate),
        width_px=spec.size_px[0],
        height_px=spec.size_px[1],
        distance_m={"behind": 5.0, "side": 6.5, "corner": 4.5}[spec.place],
        height_m=float(rng.uniform(2.0, 3.5)),
        view_deg=float(rng.uniform(65, 80)),
        aim_m=None if spec.place != "side" else (0.0, -1.0, 0.9),
        along_m=None if spec.place != "side" else -1.0,
    )
    eye = RehearsalEye(place_camera(view))
    return _seen(spec, shots, eye, frame_times(view, length_s, spec.seed), rng)


def _shot(contact_s: float, settings: BallSettings, rng: np.random.Generator) -> Shot:
    while True:
        bounces = int(rng.uniform() < 0.7)
        contact = np.array(
            [rng.uniform(-2, 2), rng.uniform(-6.6, -4.5) if bounces else rng.uniform(-4, -2.3),
             rng.uniform(0.5, 1.0) if bounces else rng.uniform(0.8, 1.4)]
        )  # fmt: skip
        style = FeedStyle(1, (8, 52)) if bounces else FeedStyle(0, (-2, 25))
        try:
            incoming = feed_to(
                contact, release_m=np.array([0, 4.6, 1.0]) + rng.normal(0, [0.35, 0.25, 0.08]),
                contact_s=contact_s, style=style, settings=settings, rng=rng,
            )  # fmt: skip
        except RehearsalError:
            continue
        outgoing = _stroke(contact, contact_s, settings, rng)
        if outgoing is not None:
            return Shot(incoming=incoming, outgoing=outgoing, contact_s=contact_s)


def _stroke(contact, contact_s, settings, rng) -> Flight | None:
    """A ball that clears the net and lands in the far half."""
    for _ in range(60):
        speed, rise = rng.uniform(8, 20), np.radians(rng.uniform(0, 35))
        heading = np.arctan2(rng.uniform(-2.2, 2.2) - contact[0], 5 - contact[1])
        ahead = np.array([np.sin(heading), np.cos(heading), 0])
        velocity = speed * (np.cos(rise) * ahead + np.sin(rise) * np.array([0, 0, 1]))
        across = np.array([np.cos(heading), -np.sin(heading), 0])
        spin = rng.uniform(-110, 80) * across + rng.normal(0, 20, 3)
        out = fly(
            contact, velocity, spin, start_s=contact_s, end_s=contact_s + 1.6, settings=settings
        )
        first = out.events[0] if out.events else None
        if first and first.kind == "bounce" and 1 < first.place_m[1] < COURT_LENGTH_M / 2 + 1:
            return out
    return None


def _seen(spec, shots, eye, times, rng) -> Scene:
    width, height = spec.size_px
    rows = []  # frame, px, sd, score, streak, ball
    places = np.stack([s.at(times) for s in shots], 1)
    half = min(spec.shutter_s, 0.9 / spec.rate) / 2
    ends = [np.stack([eye.project(s.at(times + d)) for s in shots], 1) for d in (-half, half)]
    px = eye.project(places)
    lamps = rng.uniform([0, 0], [width, height / 2], (3, 2))
    dead = eye.project(
        np.column_stack([rng.uniform(-3, 3, 3), rng.uniform(-6, 5, 3), np.full(3, 0.037)])
    )
    still = np.concatenate([lamps, dead])
    wander = [_mover(times, width, height, rng) for _ in range(spec.movers)]
    for f, time in enumerate(times):
        for k, shot in enumerate(shots):
            x, y = px[f, k]
            inside = 0 <= x < width and 0 <= y < height
            hidden = abs(time - shot.contact_s) < 0.02 and rng.uniform() < 0.6
            if inside and not hidden and rng.uniform() < spec.detected:
                streak = ends[1][f, k] - ends[0][f, k]
                sd = np.hypot(spec.noise_px, 0.08 * np.nan_to_num(np.hypot(*streak)))
                rows.append(
                    (f, px[f, k] + rng.normal(0, sd, 2), sd, rng.uniform(0.4, 1), streak, k)
                )
        for _ in range(rng.poisson(spec.false_per_frame)):
            at = rng.uniform([0, 0], [width, height])
            rows.append((f, at, spec.noise_px, rng.uniform(0.2, 0.7), np.full(2, np.nan), -1))
        for at in still:
            if rng.uniform() < 0.6:
                noisy = at + rng.normal(0, 0.5, 2)
                rows.append((f, noisy, spec.noise_px, rng.uniform(0.3, 1), np.full(2, np.nan), -1))
        for path in wander:
            if rng.uniform() < 0.5:
                noisy = path[f] + rng.normal(0, spec.noise_px, 2)
                rows.append(
                    (f, noisy, spec.noise_px, rng.uniform(0.2, 0.8), np.full(2, np.nan), -1)
                )
    frame, at, sd, score, streak, ball = (np.array(c) for c in zip(*rows, strict=True))
    candidates = Candidates(
        frame=frame, time_s=times[frame], px=at, sd_px=sd, score=score, streak_px=streak,
        frame_time_s=times,
    )  # fmt: skip
    return Scene(candidates=candidates, ball=ball, shots=shots, eye=eye, spec=spec)


def _mover(times, width, height, rng) -> np.ndarray:
    """A hand or a shoe: smooth, fast at times, and not falling."""
    middle = rng.uniform([0.3 * width, 0.4 * height], [0.7 * width, 0.8 * height])
    path = np.tile(middle, (len(times), 1))
    for _ in range(3):
        size = rng.uniform(0.01, 0.05, 2) * width
        turn = rng.uniform(0.3, 1.6) * 2 * np.pi * times[:, None] + rng.uniform(0, 6.3, 2)
        path = path + size * np.sin(turn)
    return path


def true_outcome(shot: Shot) -> dict[str, float]:
    """What is true about a shot, by the names of its measures."""
    outcome = ball_outcome(shot.outgoing, facing=1)
    return {
        "launch_speed_mps": outcome.launch_speed_mps,
        "mean_speed_mps": outcome.mean_speed_mps,
        "landing_depth_m": outcome.landing_depth_m,
        "net_clearance_m": outcome.net_clearance_m,
    }


def solved_camera(eye: RehearsalEye, *, noise_px: float, seed: int) -> SolvedCamera:
    """The camera as a solver that saw the corners of all lines with noise would give it: off by a
    draw from its own covariance."""
    camera = eye.camera
    true = View(
        focal_px=camera.focal_px,
        centre_px=camera.centre_px,
        distortion=camera.distortion[:2],
        rotation=camera.rotation,
        position_m=camera.position_m,
        size_px=camera.size_px,
    )
    corners = np.array(
        [(x, y, 0.0) for x0, y0, x1, y1 in line_rectangles_m().values()
         for x in (x0, x1) for y in (y0, y1)]
    )  # fmt: skip
    px = true.project(corners)
    inside = np.all((px >= 0) & (px < camera.size_px), axis=1)
    by_camera, _ = true.jacobians(corners[inside])
    information = np.einsum("nip,niq->pq", by_camera, by_camera) / noise_px**2
    # What a solver expects beforehand of lens and principal point.
    prior_sd = np.full(len(PARAMETERS), np.inf)
    prior_sd[1:5] = (0.01 * camera.size_px[0], 0.01 * camera.size_px[1], 0.05, 0.03)
    covariance = np.linalg.inv(information + np.diag(prior_sd**-2.0))
    step = np.random.default_rng(seed).multivariate_normal(np.zeros(len(PARAMETERS)), covariance)
    return SolvedCamera(view=true.moved(step), covariance=covariance)
