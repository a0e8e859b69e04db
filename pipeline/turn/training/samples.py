"""Makes training samples: a moving body, a camera, three pictures, and what the truth is."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from paddlebrief.rehearsal.bodies import Body, BodySpec, make_body
from paddlebrief.rehearsal.venue import Light
from paddlebrief.sight.sides import ARM_PAIRS, LEG_PAIRS
from paddlebrief.turn.inputs import View, body_crop, frame_player, make_input
from paddlebrief.turn.training.backgrounds import Backgrounds
from paddlebrief.turn.training.free_poses import free_motion
from paddlebrief.turn.training.placing import Placer, jittered
from paddlebrief.turn.training.poses import Moving, swing_motion, truth_of
from paddlebrief.turn.training.studio import MOST_PX, Actor, Shot, Studio

__all__ = [
    "LABELS",
    "Sample",
    "Shoot",
    "camera_round",
    "camera_view",
    "label_of",
    "pixels_of",
    "random_fault",
    "random_light",
    "take_samples",
]

LABELS = ("hip heading", "shoulder heading", *(f"direction {k}" for k in range(15)))
_NEIGHBOUR_S = (0.028, 0.042)  # frames 28 to 42 ms away stand for the neighbours
_HEIGHT_PX = (80.0, 480.0)  # taller players are shrunk before the network sees them
_MOST_BLUR = 4
_FREE, _FREE_LOOKS, _SWING_LOOKS = 0.7, 2, 4  # over half of all samples are free poses
_WITH_NEIGHBOURS = 0.3  # of the shoots; the others show the middle picture three times
_UNSTEADY = 0.007  # typical scatter of landmarks, heights of the body


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One training sample.

    Attributes
    ----------
    planes, scalars
        As ``TurnInput``.
    label
        (17,) as ``LABELS``: radians, then five unit vectors.
    height_px
        Height of the landmarks' box in the picture.
    """

    planes: np.ndarray
    scalars: np.ndarray
    label: np.ndarray
    height_px: float


@dataclass(frozen=True, kw_only=True)
class Shoot:
    """One or three pictures of one body, being drawn, and what the camera will do to them.

    ``points_px`` (1 or 3, 33, 2) are the true landmarks in each picture, ``joints_m`` (J, 3) the
    joints in the middle one, and ``rotation`` (3, 3) leads from the court to the camera frame.
    """

    pending: list[Callable[[], np.ndarray]]
    fault: Callable[[np.ndarray], np.ndarray]
    points_px: np.ndarray
    view: View
    body: Body
    joints_m: np.ndarray
    rotation: np.ndarray


def take_samples(
    studio: Studio,
    backgrounds: Backgrounds,
    *,
    cast: Sequence[tuple[BodySpec, int]],
    placer: Placer,
    rng: np.random.Generator,
    batch: int = 32,
    looks: int = 1,
) -> Iterator[list[Sample]]:
    """Batches of samples without end; a sample whose body the network misses is left out.

    Parameters
    ----------
    cast
        Bodies to draw from.
    placer
        Runs the pose network.
    batch, looks
        Shoots in a batch, and batches before another body with other looks is drawn.
    """
    while True:
        spec, seed = cast[rng.integers(len(cast))]
        body = make_body(replace(spec, appearance=int(rng.integers(1 << 30))), seed)
        actor = studio.actor(body, rng)
        for _ in range(looks):
            shoots: list[Shoot] = []
            while len(shoots) < batch:
                free = rng.uniform() < _FREE
                moving = free_motion(body, rng) if free else swing_motion(body, rng)
                count = _FREE_LOOKS if free else _SWING_LOOKS
                for _ in range(min(count, batch - len(shoots))):
                    shoots.append(_shoot(studio, backgrounds, actor, moving, rng))
            yield _finished(shoots, placer, rng)


def _shoot(studio: Studio, backgrounds, actor: Actor, moving: Moving, rng) -> Shoot:
    now = rng.uniform(*moving.times_s)
    times = now + np.array([-1, 0, 1]) * rng.uniform(*_NEIGHBOUR_S)
    shown = [0, 1, 2] if rng.uniform() < _WITH_NEIGHBOURS else [1]
    shutter = float(np.exp(rng.uniform(np.log(1 / 2000), np.log(1 / 50))))
    places, turns, butts, _paddles = moving.place(times)
    shot, full, focal = camera_round(places, butts if actor.paddle else None, rng)
    points = moving.body.landmarks(places, turns)
    points_px = pixels_of(points, shot)
    travel = np.linalg.norm(np.diff(points_px, axis=0), axis=-1).max() / (times[1] - times[0])
    steps = int(np.clip(np.ceil(travel * shutter / 5), 1, _MOST_BLUR))
    inside = (np.arange(steps) - (steps - 1) / 2) * shutter / steps
    dense = moving.place((times[shown, None] + inside).ravel())
    actor.repaint(rng)
    light, behind = random_light(rng), backgrounds.cut(shot.size_px, rng)
    fault = random_fault(rng, actor_px=float(np.ptp(points_px[1, :, 1])))
    pictures = []
    for k in range(len(shown)):
        part = slice(k * steps, (k + 1) * steps)
        moments = [v[part] for v in dense]
        picture = studio.expose(actor, moments=moments, shot=shot, light=light, behind=behind)
        pictures.append(picture)
    view = camera_view(shot, full, focal, known=bool(rng.uniform() < 0.55), rng=rng)
    return Shoot(
        pending=pictures,
        fault=fault, points_px=points_px[shown], view=view, body=moving.body,
        joints_m=places[1], rotation=shot.rotation,
    )  # fmt: skip


def label_of(body: Body, joints_m: np.ndarray, to_sight: np.ndarray) -> np.ndarray:
    """(17,) label of a pose; ``to_sight`` (3, 3) leads from the court to the sight frame."""
    return np.concatenate([np.ravel(v) for v in truth_of(body, joints_m, to_sight)])


def camera_round(
    places: np.ndarray,
    butts: np.ndarray | None,
    rng: np.random.Generator,
    *,
    around: float | None = None,
    rise_m: tuple[float, float] | None = None,
    height_px: float | None = None,
    roll_deg: float | None = None,
) -> tuple[Shot, tuple[int, int], float]:
    """A camera anywhere round the player, cut to the part of its picture that the player is in.

    Parameters
    ----------
    places, butts
        (n, J, 3) joints and (n, 3) ends of the paddle that shall be in the picture.
    around, rise_m, height_px, roll_deg
        Direction from the player to the camera (radians), height above ground, height of the
        player, roll; drawn when None.

    Returns
    -------
    shot, full_px, focal_px
        The cut camera, the size of its whole picture, and its focal length.
    """
    wide, high = [(1920, 1080), (1280, 720), (720, 1280), (1080, 1920)][rng.integers(4)]
    focal = max(wide, high) / 2 / np.tan(np.radians(_view_deg(rng)) / 2)
    if height_px is None:
        height_px = float(np.exp(rng.uniform(*np.log(_HEIGHT_PX))))
    height_m = float(np.median(np.ptp(places[..., 2], axis=1))) + 0.15
    distance = max(focal * height_m / height_px, 1.9)
    target = places[len(places) // 2].mean(axis=0)
    if rise_m is None:
        rise_m = (0.8, 3.2) if rng.uniform() < 0.65 else (-0.3, 5.0)
    rise = rng.uniform(*rise_m) - target[2]
    rise = float(np.clip(rise, -0.9 * distance, 0.8 * distance))
    around = rng.uniform(0, 2 * np.pi) if around is None else around
    level = np.sqrt(max(distance**2 - rise**2, 0.2))
    position = target + np.array([level * np.cos(around), level * np.sin(around), rise])
    yaw = np.arctan2(*(target - position)[:2])
    pitch = np.arcsin(rise / distance)
    yaw += np.arctan(rng.uniform(-0.42, 0.42) * wide / focal)
    pitch += np.arctan(rng.uniform(-0.3, 0.3) * high / focal)
    if roll_deg is None:
        roll_deg = rng.normal(0, 2) if rng.uniform() < 0.9 else rng.uniform(-14, 14)
    ahead = np.array([np.sin(yaw) * np.cos(pitch), np.cos(yaw) * np.cos(pitch), -np.sin(pitch)])
    right = np.array([np.cos(yaw), -np.sin(yaw), 0.0])
    level_turn = np.stack([right, np.cross(ahead, right), ahead])
    rotation = Rotation.from_euler("z", roll_deg, degrees=True).as_matrix() @ level_turn
    centre = np.array([(wide - 1) / 2, (high - 1) / 2])
    matrix = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    shot = Shot(position_m=position, rotation=rotation, matrix=matrix, size_px=(wide, high))
    points = places.reshape(-1, 3)
    points = points if butts is None else np.concatenate([points, butts])
    return _cut_round(shot, pixels_of(points, shot), rng), (wide, high), focal


def _view_deg(rng: np.random.Generator) -> float:
    """The wider side of the picture: phones mostly, some with a long lens."""
    return rng.uniform(44, 82) if rng.uniform() < 0.75 else rng.uniform(14, 44)


def _cut_round(shot: Shot, points_px: np.ndarray, rng) -> Shot:
    """The part round the player; at times it ends where a picture would cut the player off."""
    low, high = points_px.min(axis=0), points_px.max(axis=0)
    size = (high - low).max()
    margin = size * np.array([*rng.uniform(0.22, 0.5, 2), *rng.uniform(0.22, 0.5, 2)])
    if rng.uniform() < 0.06:
        margin[3] = -size * rng.uniform(0, 0.2)
    if rng.uniform() < 0.06:
        margin[rng.choice([0, 2])] = -rng.uniform(0, 0.4) * (high - low)[0]
    x0, y0 = np.floor(low - margin[:2]).astype(int)
    x1, y1 = np.ceil(high + margin[2:]).astype(int)
    size_px = (int(min(x1 - x0, MOST_PX)), int(min(y1 - y0, MOST_PX)))
    matrix = shot.matrix.copy()
    matrix[:2, 2] -= (x0, y0)
    return replace(shot, matrix=matrix, size_px=size_px)


def pixels_of(points_m: np.ndarray, shot: Shot) -> np.ndarray:
    """(…, 2) pixels of (…, 3) points in the court frame."""
    seen = (points_m - shot.position_m) @ shot.rotation.T
    return seen[..., :2] / seen[..., 2:] * shot.matrix[0, 0] + shot.matrix[:2, 2]


def camera_view(
    shot: Shot, full: tuple[int, int], focal: float, *, known: bool, rng: np.random.Generator
) -> View:
    """What the pipeline would know of the camera: its pose, nearly, or nothing."""
    if known:
        # A solved camera is off by a little: half a degree, and a few per cent in focal length.
        up = shot.rotation @ Rotation.from_rotvec(rng.normal(0, 0.006, 3)).apply([0, 0, 1.0])
        return View(
            focal_px=focal * float(np.exp(rng.normal(0, 0.02))),
            centre_px=shot.matrix[:2, 2],
            up=up,
            known=True,
        )
    guess = View.assumed(*full)
    return replace(guess, centre_px=shot.matrix[:2, 2])


def random_light(rng: np.random.Generator) -> Light:
    """Light from anywhere above, of any strength and tint."""
    height, heading = np.radians(rng.uniform(10, 85)), rng.uniform(0, 2 * np.pi)
    tint = np.exp(rng.normal(0, 0.12, (3, 3)))
    strong = np.exp(rng.normal(0, 0.35))
    key = strong * rng.uniform(0.05, 1.15)
    return Light(
        towards=np.array(
            [np.cos(height) * np.cos(heading), np.cos(height) * np.sin(heading), np.sin(height)]
        ),
        key=key * tint[0],
        sky=strong * rng.uniform(0.15, 0.75) * tint[1],
        ground=strong * rng.uniform(0.04, 0.35) * tint[2],
        softness_m=float(rng.uniform(0.01, 0.16)),
        strength=float(rng.uniform(0.6, 0.97)),
        contact=0.4,
    )


def random_fault(
    rng: np.random.Generator, *, actor_px: float, bars: bool = True
) -> Callable[[np.ndarray], np.ndarray]:
    """What a camera does to a picture: softness, tone, noise, compression, things in the way."""
    blur = abs(rng.normal(0, 0.0035)) * actor_px if rng.uniform() < 0.7 else 0.0
    coarse = rng.uniform(0.45, 1.0) if rng.uniform() < 0.3 else 1.0
    gain, lift, gamma = np.exp(rng.normal(0, 0.3)), rng.normal(0, 10), np.exp(rng.normal(0, 0.2))
    table = np.arange(256) / 255
    table = np.clip((table**gamma) * gain * 255 + lift, 0, 255).astype(np.uint8)
    noise = abs(rng.normal(0, 5.0))
    quality = int(rng.uniform(22, 96))
    sharpen = rng.uniform(0, 0.9) if rng.uniform() < 0.4 else 0.0
    bar = _bar(rng) if bars and rng.uniform() < 0.12 else None
    seed = int(rng.integers(1 << 30))

    def fault(picture: np.ndarray) -> np.ndarray:
        high, wide = picture.shape[:2]
        if bar is not None:
            bar(picture)
        if coarse < 1.0:
            small = cv2.resize(picture, None, fx=coarse, fy=coarse, interpolation=cv2.INTER_AREA)
            picture = cv2.resize(small, (wide, high), interpolation=cv2.INTER_LINEAR)
        if blur > 0.3:
            picture = cv2.GaussianBlur(picture, (0, 0), blur)
        if sharpen > 0:
            soft = cv2.GaussianBlur(picture, (0, 0), 1.2)
            picture = cv2.addWeighted(picture, 1 + sharpen, soft, -sharpen, 0)
        picture = table[picture]
        if noise > 0.7:
            grain = np.empty((high, wide), np.int16)
            cv2.setRNGSeed(seed + int(picture[high // 2, wide // 2, 0]))
            cv2.randn(grain, 0, noise)
            picture = cv2.add(picture, cv2.merge([grain] * 3), dtype=cv2.CV_8U)
        stored = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
        return cv2.imdecode(stored, cv2.IMREAD_COLOR)

    return fault


def _bar(rng) -> Callable[[np.ndarray], None]:
    """Something straight in front of the player, as a post or the band of the net."""
    upright, at, thick = rng.uniform() < 0.4, rng.uniform(0.1, 0.9), rng.uniform(0.008, 0.06)
    colour, cover = rng.uniform(0, 255, 3), rng.uniform(0.6, 1.0)

    def draw(picture: np.ndarray) -> None:
        length = picture.shape[1] if upright else picture.shape[0]
        low, high = int((at - thick / 2) * length), int((at + thick / 2) * length) + 1
        part = picture[:, max(low, 0) : high] if upright else picture[max(low, 0) : high]
        part[...] = part * (1 - cover) + colour * cover

    return draw


def _finished(shoots: list[Shoot], placer: Placer, rng) -> list[Sample]:
    crops = [jittered(body_crop(points), rng) for shoot in shoots for points in shoot.points_px]
    pictures = [shoot.fault(p()) for shoot in shoots for p in shoot.pending]
    poses, _ = placer(pictures, crops)
    samples, end = [], 0
    for shoot in shoots:
        part = slice(end, end := end + len(shoot.points_px))
        times = 3 // len(shoot.points_px)
        own, seen = poses[part] * times, pictures[part] * times
        truth, found = shoot.points_px[len(shoot.points_px) // 2], own[1].landmarks_px
        size = float(np.ptp(truth[:, 1]))
        if own[1].presence < 0.3 or np.median(np.linalg.norm(found - truth, axis=1)) > 0.2 * size:
            continue
        marks = _sides_settled(found, truth) if rng.uniform() < 0.9 else found
        scatter = _UNSTEADY * size * abs(rng.normal())
        marks = marks + rng.normal(0, scatter, marks.shape)
        framing = frame_player(marks, shoot.view)
        made = make_input(seen, own, landmarks_px=marks, framing=framing)
        label = label_of(shoot.body, shoot.joints_m, framing.to_sight @ shoot.rotation)
        samples.append(
            Sample(planes=made.planes, scalars=made.scalars, label=label, height_px=size)
        )
    return samples


def _sides_settled(found: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Left and right as the sight stage would have settled them over time."""
    settled = found.copy()
    for pairs in (ARM_PAIRS, LEG_PAIRS):
        left, right = pairs.T
        keep = ((found[left] - truth[left]) ** 2 + (found[right] - truth[right]) ** 2).sum()
        swap = ((found[left] - truth[right]) ** 2 + (found[right] - truth[left]) ** 2).sum()
        if swap < keep:
            settled[left], settled[right] = found[right], found[left]
    return settled
