"""Drawn pictures of courts through known cameras, independent of the solver's own projection.

Every pixel's ray is followed to the ground or the net (several rays a pixel), so that paint has
its true width; OpenCV inverts the lens.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from paddlebrief.court.dimensions import line_rectangles_m

WHITE = (236, 238, 235)


@dataclass(frozen=True)
class Eye:
    """A known camera in OpenCV's terms; ``distortion`` is k1, k2, p1, p2.

    ``turn_rad`` is a last turn in the camera frame, as of a shaken camera.
    """

    position_m: tuple[float, float, float]
    aim_m: tuple[float, float, float]
    view_deg: float = 68.0
    size_px: tuple[int, int] = (1280, 720)
    distortion: tuple[float, float, float, float] = (-0.06, 0.02, 0.0, 0.0)
    roll_deg: float = 0.0
    turn_rad: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def matrix(self) -> np.ndarray:
        width, height = self.size_px
        f = width / 2 / np.tan(np.radians(self.view_deg) / 2)
        return np.array([[f, 0, (width - 1) / 2], [0, f, (height - 1) / 2], [0, 0, 1]])

    @property
    def rotation(self) -> np.ndarray:
        forward = np.subtract(self.aim_m, self.position_m)
        forward = forward / np.linalg.norm(forward)
        right = np.cross(forward, [0, 0, 1.0])
        right /= np.linalg.norm(right)
        level = np.stack([right, np.cross(forward, right), forward])
        c, s = np.cos(np.radians(self.roll_deg)), np.sin(np.radians(self.roll_deg))
        turn = cv2.Rodrigues(np.array(self.turn_rad, float))[0]
        return turn @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) @ level

    def project(self, points_m: np.ndarray) -> np.ndarray:
        """(n, 2) pixels by OpenCV; NaN behind the camera."""
        points = np.asarray(points_m, float).reshape(-1, 3)
        turn = cv2.Rodrigues(self.rotation)[0]
        move = -self.rotation @ np.array(self.position_m)
        px, _ = cv2.projectPoints(points, turn, move, self.matrix, np.array(self.distortion))
        ahead = (points @ self.rotation.T + move)[:, 2] > 0.05
        return np.where(ahead[:, None], px[:, 0], np.nan)

    def directions(self, px: np.ndarray) -> np.ndarray:
        """(n, 3) directions in the court frame of (n, 2) pixels, by OpenCV."""
        stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 60, 1e-9)
        flat = cv2.undistortPoints(
            px.reshape(-1, 1, 2).astype(float),
            self.matrix,
            np.array(self.distortion),
            None,
            criteria=stop,
        )[:, 0]
        return np.concatenate([flat, np.ones((len(flat), 1))], axis=1) @ self.rotation


Rectangle = tuple[float, float, float, float]


@dataclass(frozen=True)
class Floor:
    """What is painted where; rectangles are (x0, y0, x1, y1) in metres, colours BGR."""

    court_bgr: tuple[int, int, int] = (150, 92, 48)
    around_bgr: tuple[int, int, int] = (74, 120, 62)
    paint_bgr: tuple[int, int, int] = WHITE
    lines: Sequence[Rectangle] = field(default_factory=lambda: tuple(line_rectangles_m().values()))
    others: Sequence[tuple[Rectangle, tuple[int, int, int]]] = ()
    shadow: tuple[float, float, float] | None = None  # a x + b y > c lies in shadow
    wear: float = 0.0
    net_m: tuple[float, float] | None = (0.9144, 0.8636)
    tape_bgr: tuple[int, int, int] = (225, 228, 226)
    half_width_m: float = 3.048
    half_length_m: float = 6.7056


def badminton_lines() -> list[Rectangle]:
    """Badminton's lines, 40 mm wide, dimensions to the outside edges (BWF Laws, from memory)."""
    w = 0.04
    lines = []
    for y in (6.7, 5.94, 1.98):
        lines += [(-3.05, y - w, 3.05, y), (-3.05, -y, 3.05, w - y)]
    for x in (3.05, 2.59):
        lines += [(x - w, -6.7, x, 6.7), (-x, -6.7, w - x, 6.7)]
    return [*lines, (-w / 2, -6.7, w / 2, -1.98), (-w / 2, 1.98, w / 2, 6.7)]


def tennis_lines() -> list[Rectangle]:
    """Tennis lines, 50 mm wide (ITF Rules, from memory)."""
    w = 0.05
    lines = []
    for x in (5.485, 4.115):
        lines += [(x - w, -11.885, x, 11.885), (-x, -11.885, w - x, 11.885)]
    lines += [(-5.485, 11.785, 5.485, 11.885), (-5.485, -11.885, 5.485, -11.785)]
    lines += [(-4.115, 6.35, 4.115, 6.4), (-4.115, -6.4, 4.115, -6.35)]
    return [*lines, (-w / 2, -6.4, w / 2, 6.4)]


def draw_floor(
    eye: Eye, floor: Floor, *, seed: int, noise: float = 2.0, rays: int = 4
) -> np.ndarray:
    """(h, w, 3) uint8 BGR picture of a court without people."""
    rng = np.random.default_rng(seed)
    width, height = eye.size_px
    total = np.zeros((height * width, 3), np.float32)
    grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), -1).reshape(-1, 2)
    patches = _wear_field(rng)
    # Every ray of a pixel in a row and a column of its own: thin level lines keep their place.
    places = (np.arange(rays) + 0.5) / rays - 0.5
    for dx, dy in zip(places[rng.permutation(rays)], places, strict=True):
        total += _seen(eye, floor, eye.directions(grid + np.array([dx, dy])), patches)
    picture = cv2.GaussianBlur((total / rays).reshape(height, width, 3), (0, 0), 0.6)
    picture += rng.normal(0, noise, picture.shape)
    coded = cv2.imencode(".jpg", np.clip(picture, 0, 255).astype(np.uint8), [1, 88])[1]
    return cv2.imdecode(coded, cv2.IMREAD_COLOR)


def _wear_field(rng: np.random.Generator) -> np.ndarray:
    fine = rng.normal(0, 1, (256, 256)).astype(np.float32)
    return cv2.GaussianBlur(fine, (0, 0), 3) * 9


def _seen(eye: Eye, floor: Floor, direction: np.ndarray, patches: np.ndarray) -> np.ndarray:
    place = np.array(eye.position_m)
    colour = np.empty((len(direction), 3), np.float32)
    # A wall with panels behind everything.
    colour[:] = (120, 112, 104)
    angle = np.arctan2(direction[:, 0], direction[:, 1])
    colour[np.floor(angle * 9).astype(int) % 2 == 0] = (104, 98, 92)
    down = direction[:, 2] < -1e-6
    reach = -place[2] / direction[down, 2]
    x, y = (place[:2] + reach[:, None] * direction[down, :2]).T
    near = np.hypot(x, y) < 24
    index = np.flatnonzero(down)[near]
    colour[index] = _ground(floor, x[near], y[near], patches)
    if floor.net_m is not None:
        _hang_net(floor, place, direction, colour)
    return colour


def _ground(floor: Floor, x: np.ndarray, y: np.ndarray, patches: np.ndarray) -> np.ndarray:
    inside = (np.abs(x) < floor.half_width_m) & (np.abs(y) < floor.half_length_m)
    colour = np.where(inside[:, None], floor.court_bgr, floor.around_bgr).astype(np.float32)
    rough = patches[(y * 9).astype(int) % 256, (x * 9).astype(int) % 256]
    colour += 3 * rough[:, None]
    for rectangle, bgr in floor.others:
        colour[_within(rectangle, x, y)] = bgr
    paint = np.zeros(len(x), bool)
    for rectangle in floor.lines:
        paint |= _within(rectangle, x, y)
    cover = np.clip(1 - floor.wear * (1 + rough), 0, 1)[:, None]
    colour = np.where(
        paint[:, None], cover * np.array(floor.paint_bgr) + (1 - cover) * colour, colour
    )
    if floor.shadow is not None:
        a, b, c = floor.shadow
        colour = np.where((a * x + b * y > c)[:, None], colour * 0.42, colour)
    return colour.astype(np.float32)


def _within(rectangle: Rectangle, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    x0, y0, x1, y1 = rectangle
    return (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)


def _hang_net(floor: Floor, place: np.ndarray, direction: np.ndarray, colour: np.ndarray) -> None:
    side, centre = floor.net_m
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = -place[1] / direction[:, 1]
    x = place[0] + reach * direction[:, 0]
    z = place[2] + reach * direction[:, 2]
    top = centre + np.minimum(np.abs(x) / floor.half_width_m, 1) * (side - centre)
    there = (reach > 0) & (np.abs(x) < floor.half_width_m + 0.3) & (z < top) & (z > 0.03)
    tape = there & (z > top - 0.0508)
    mesh = there & ~tape
    colour[mesh] = colour[mesh] * 0.62 + 0.38 * 30
    colour[tape] = floor.tape_bgr


def stand_people(
    picture: np.ndarray, eye: Eye, places_m: Sequence[tuple[float, float]], *, seed: int
) -> np.ndarray:
    """A copy with people-sized figures standing at (x, y)."""
    rng = np.random.default_rng(seed)
    out = picture.copy()
    for x, y in places_m:
        foot, head = eye.project([(x, y, 0), (x, y, 1.75)])
        if np.isnan([foot, head]).any():
            continue
        tall = max(np.linalg.norm(foot - head), 4)
        shirt = tuple(int(v) for v in rng.integers(20, 235, 3))
        middle = (foot + head) / 2
        axes = (int(tall * 0.14), int(tall * 0.36))
        cv2.ellipse(out, tuple(np.int32(middle)), axes, 0, 0, 360, shirt, -1, cv2.LINE_AA)
        cv2.circle(out, tuple(np.int32(head)), int(tall * 0.07), (140, 170, 210), -1, cv2.LINE_AA)
        for side in (-1, 1):
            hip = middle + np.array([side * tall * 0.05, tall * 0.25])
            toe = foot + np.array([side * tall * 0.06, 0])
            ends = tuple(np.int32(hip)), tuple(np.int32(toe))
            cv2.line(out, *ends, (60, 50, 45), max(2, int(tall * 0.06)), cv2.LINE_AA)
    return out
