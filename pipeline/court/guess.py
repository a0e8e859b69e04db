"""First guesses of the camera: every way to take four lines for four lines of the court.

Two lines across the court and two along it bound a rectangle on the ground. Its picture fixes
the map from ground to picture; that the pixels are square and the two directions perpendicular
leaves one focal length and one test (Hartley & Zisserman, Multiple View Geometry, 2nd ed.,
§8.8, from memory). What passes is a camera, and is judged by how much of the court it would
show lies on ridges of the picture.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, permutations

import numpy as np

from paddlebrief.court.camera import View
from paddlebrief.court.dimensions import COURT_LENGTH_M, COURT_WIDTH_M
from paddlebrief.court.lines import LineMap, StraightLine
from paddlebrief.court.strips import NET, court_strips

__all__ = ["CameraLimits", "beside_court", "guess_views"]

WORST_PERPENDICULAR = 0.16  # cosine between the two directions; lens curvature allowed for
WORST_ASPECT = 0.16  # relative mismatch of their scales
HIT_PX = 3.0
MISS_COST = 0.45
POINTS_A_STRIP = 24
BLOCK = 4000


@dataclass(frozen=True)
class CameraLimits:
    """What a camera at a court may be like.

    ``focal_shares`` in picture diagonals, ``heights_m`` above the ground, ``distance_m`` most
    from the middle of the court, ``roll`` most sine of the tilt about the line of sight.
    """

    focal_shares: tuple[float, float] = (0.35, 4.0)
    heights_m: tuple[float, float] = (0.8, 16.0)
    distance_m: float = 45.0
    roll: float = 0.45


def beside_court(place_m: np.ndarray) -> np.ndarray:
    """(…) whether (…, 3) cameras stand beside the court and not on it.

    One half seen from beyond its baseline looks like the other one seen from above the net.
    """
    x, y = np.abs(place_m[..., 0]), np.abs(place_m[..., 1])
    return (x > COURT_WIDTH_M / 2) | (y > COURT_LENGTH_M / 2)


def guess_views(
    lines: Sequence[StraightLine],
    line_map: LineMap,
    size_px: tuple[int, int],
    *,
    limits: CameraLimits,
    most: int,
) -> list[tuple[float, View]]:
    """The best guesses that differ from each other.

    Parameters
    ----------
    lines
        Candidates in the picture.
    line_map
        Of the same picture.
    size_px
        (width, height).
    limits
        Cameras outside are dropped.
    most
        Longest list returned.

    Returns
    -------
    list of (float, View)
        Score (pixels of court on ridges less those off) and undistorted view, best first; empty
        when no four lines make a camera.
    """
    width, height = size_px
    scale = np.hypot(width, height)
    centre = (np.array(size_px) - 1) / 2
    quads = _quads(lines, centre, scale)
    if quads is None:
        return []
    cameras = _cameras(*quads, limits=limits)
    if not len(cameras.focal):
        return []
    views_scores = _scored(cameras, line_map, centre=centre, scale=scale)
    ranked = np.argsort(-views_scores)[: 60 * most]
    kept: list[tuple[float, View]] = []
    pictures: list[np.ndarray] = []
    for index in ranked:
        view = View(
            focal_px=float(cameras.focal[index] * scale),
            centre_px=centre,
            distortion=np.zeros(2),
            rotation=cameras.rotation[index],
            position_m=cameras.position[index],
            size_px=size_px,
        )
        picture = _corners_px(view)
        if any(_look_alike(picture, other, 0.012 * scale) for other in pictures):
            continue
        kept.append((float(views_scores[index]), view))
        pictures.append(picture)
        if len(kept) == most:
            break
    return kept


_LOOKED_AT = np.array(
    [p for s in court_strips() for p in (s.start_m, (s.start_m + s.end_m) / 2, s.end_m)]
)


def _corners_px(view: View) -> np.ndarray:
    """(n, 2) pixels of the court's corners and middles; NaN outside the picture."""
    px = view.project(_LOOKED_AT)
    return np.where(view.shows(px, margin_share=0.02)[:, None], px, np.nan)


def _look_alike(a: np.ndarray, b: np.ndarray, within_px: float) -> bool:
    """Whether two courts show the same corners at the same places."""
    shown = np.isfinite(a[:, 0]), np.isfinite(b[:, 0])
    both = shown[0] & shown[1]
    if not both.any() or both.sum() < 0.7 * max(shown[0].sum(), shown[1].sum()):
        return False
    return bool(np.linalg.norm(a[both] - b[both], axis=1).max() < within_px)


@dataclass(frozen=True)
class _Cameras:
    focal: np.ndarray
    rotation: np.ndarray
    position: np.ndarray


def _quads(lines, centre: np.ndarray, scale: float):
    """Maps from the unit square for each way to choose two lines across and two along.

    Returns
    -------
    (columns, middles) or None
        (n, 3, 3) whose columns are the pictures of u-direction, v-direction and corner;
        (n, 4, 3) pictures of the middles of the four stretches seen.
    """
    if len(lines) < 4:
        return None
    coefficients = np.array(
        [[*line.normal, -(line.rho - line.normal @ centre) / scale] for line in lines]
    )
    seen = np.array([((ln.start_px + ln.end_px) / 2 - centre) / scale for ln in lines])
    seen = np.concatenate([seen, np.ones((len(lines), 1))], axis=1)
    pairs = np.array(list(combinations(range(len(lines)), 2)))
    first, second = np.meshgrid(np.arange(len(pairs)), np.arange(len(pairs)), indexing="ij")
    a, b = pairs[first.ravel()], pairs[second.ravel()]
    apart = ~np.any(a[:, :, None] == b[:, None, :], axis=(1, 2))
    a, b = a[apart], b[apart]
    a1, a2, b1, b2 = (coefficients[i] for i in (a[:, 0], a[:, 1], b[:, 0], b[:, 1]))
    corner, opposite = np.cross(a1, b1), np.cross(a2, b2)
    vanish_u, vanish_v = np.cross(a1, a2), np.cross(b1, b2)
    basis = np.stack([vanish_u, vanish_v, corner], axis=-1)
    size = np.linalg.norm(basis, axis=1, keepdims=True)
    basis = basis / np.maximum(size, 1e-12)
    well = np.abs(np.linalg.det(basis)) > 1e-5
    well &= np.all(size[:, 0] > 1e-9, axis=1)
    basis, opposite = basis[well], opposite[well]
    weights = np.linalg.solve(basis, opposite[..., None])[..., 0]
    columns = basis * weights[:, None, :]
    columns /= np.linalg.norm(columns, axis=(1, 2), keepdims=True)
    middles = np.stack([seen[i] for i in (a[well, 0], a[well, 1], b[well, 0], b[well, 1])], axis=1)
    return columns, middles


def _rectangles() -> list[tuple[float, float, float, float]]:
    """(x1, y1, x2, y2): two lines along the court, then two across, in either order."""
    ground = [strip for strip in court_strips() if strip.group != NET]
    across = sorted({s.start_m[1] for s in ground if s.start_m[1] == s.end_m[1]})
    along = sorted({s.start_m[0] for s in ground if s.start_m[0] == s.end_m[0]})
    return [
        (x1, y1, x2, y2) for x1, x2 in permutations(along, 2) for y1, y2 in permutations(across, 2)
    ]


def _cameras(columns: np.ndarray, middles: np.ndarray, *, limits: CameraLimits) -> _Cameras:
    """Cameras within the limits for every quad and rectangle of court lines."""
    focal, rotation, position = [], [], []
    for x1, y1, x2, y2 in _rectangles():
        g1, g2 = columns[:, :, 0] / (x2 - x1), columns[:, :, 1] / (y2 - y1)
        corner = columns[:, :, 2] - x1 * g1 - y1 * g2
        f, fits = _focal(g1, g2, limits)
        picked = np.flatnonzero(fits)
        if not len(picked):
            continue
        h = np.stack([g1[picked], g2[picked], corner[picked]], axis=-1)
        f = f[picked]
        turn, place, fits = _pose(h, f, middles[picked], limits)
        focal.append(f[fits])
        rotation.append(turn[fits])
        position.append(place[fits])
    if not focal:
        return _Cameras(np.empty(0), np.empty((0, 3, 3)), np.empty((0, 3)))
    return _Cameras(np.concatenate(focal), np.concatenate(rotation), np.concatenate(position))


def _focal(g1: np.ndarray, g2: np.ndarray, limits: CameraLimits):
    """Focal length that makes two ground directions perpendicular and equally long."""
    a1 = np.sum(g1[:, :2] * g2[:, :2], axis=1)
    b1 = g1[:, 2] * g2[:, 2]
    a2 = (np.sum(g1[:, :2] ** 2, axis=1) - np.sum(g2[:, :2] ** 2, axis=1)) / 2
    b2 = (g1[:, 2] ** 2 - g2[:, 2] ** 2) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = -(a1 * b1 + a2 * b2) / (a1 * a1 + a2 * a2)
        f = 1 / np.sqrt(inverse)
        low, high = limits.focal_shares
        f = np.clip(f, low, high * 1.5)
        n1 = np.sum(g1[:, :2] ** 2, axis=1) / f**2 + g1[:, 2] ** 2
        n2 = np.sum(g2[:, :2] ** 2, axis=1) / f**2 + g2[:, 2] ** 2
        lean = (a1 / f**2 + b1) / np.sqrt(n1 * n2)
        stretch = np.log(n1 / n2) / 2
        fits = (inverse > 0) & (f < high) & (np.abs(lean) < WORST_PERPENDICULAR)
        fits &= np.abs(stretch) < WORST_ASPECT
    return f, fits


def _pose(h: np.ndarray, f: np.ndarray, middles: np.ndarray, limits: CameraLimits):
    """Rotation, place, and whether the camera stands where one can stand."""
    inner = h.copy()
    inner[:, :2] /= f[:, None, None]
    scale = np.sqrt(np.linalg.norm(inner[:, :, 0], axis=1) * np.linalg.norm(inner[:, :, 1], axis=1))
    inner /= scale[:, None, None]
    r1 = inner[:, :, 0] / np.linalg.norm(inner[:, :, 0], axis=1, keepdims=True)
    r2 = inner[:, :, 1] - np.sum(inner[:, :, 1] * r1, axis=1, keepdims=True) * r1 / 2
    r1 = r1 - np.sum(r2 * r1, axis=1, keepdims=True) * r2 / np.sum(r2**2, axis=1, keepdims=True)
    r1 /= np.linalg.norm(r1, axis=1, keepdims=True)
    r2 = r2 - np.sum(r2 * r1, axis=1, keepdims=True) * r1
    r2 /= np.linalg.norm(r2, axis=1, keepdims=True)
    r3 = np.cross(r1, r2)
    sign = np.where(np.sum(r3 * inner[:, :, 2], axis=1) > 0, -1.0, 1.0)
    turn = np.stack([sign[:, None] * r1, sign[:, None] * r2, r3], axis=-1)
    move = sign[:, None] * inner[:, :, 2]
    place = -np.einsum("nji,nj->ni", turn, move)
    ground = np.linalg.solve(h[:, None], middles[..., None])[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        ground = ground / ground[..., 2:]
    depth = turn[:, None, 2, 0] * ground[..., 0] + turn[:, None, 2, 1] * ground[..., 1]
    depth = depth + move[:, None, 2]
    low, high = limits.heights_m
    fits = np.all(depth > 0.2, axis=1) & (place[:, 2] > low) & (place[:, 2] < high)
    # The half turn of the court gives each camera a twin beyond the net.
    fits &= place[:, 1] <= 0
    fits &= np.hypot(place[:, 0], place[:, 1]) < limits.distance_m
    fits &= beside_court(place)
    # The roll: how far the picture's rightward direction leaves the horizontal, and not upside
    # down: the picture's downward direction points down.
    fits &= (np.abs(turn[:, 0, 2]) < limits.roll) & (turn[:, 1, 2] < 0)
    return turn, place, fits


def _scored(cameras: _Cameras, line_map: LineMap, *, centre, scale) -> np.ndarray:
    """(n,) pixels of predicted line near ridges, less a part of those that are not."""
    share = (np.arange(POINTS_A_STRIP) + 0.5) / POINTS_A_STRIP
    strips = court_strips()
    ends = np.linspace(0, 1, POINTS_A_STRIP + 1)
    edges = np.stack([strip.middle(ends) for strip in strips])
    middles = np.stack([strip.middle(share) for strip in strips])
    scores = []
    for start in range(0, len(cameras.focal), BLOCK):
        part = slice(start, start + BLOCK)
        args = (cameras.focal[part] * scale, cameras.rotation[part], cameras.position[part], centre)
        ends_px, px = _pinhole(edges, *args), _pinhole(middles, *args)
        run = np.diff(ends_px, axis=2)
        length = np.minimum(np.linalg.norm(run, axis=-1), scale)
        off = line_map.distance(px, np.arctan2(run[..., 1], run[..., 0]))
        gain = np.where(off <= HIT_PX, 1 - (off / HIT_PX) ** 2 / 2, -MISS_COST)
        counted = np.isfinite(off) & np.isfinite(length)
        scores.append(np.where(counted, gain * length, 0).sum(axis=(1, 2)))
    return np.concatenate(scores)


def _pinhole(points: np.ndarray, focal, rotation, position, centre) -> np.ndarray:
    """(c, s, n, 2) pixels of (s, n, 3) points in c cameras; NaN behind a camera."""
    turned = np.einsum("cij,snj->csni", rotation, points)
    turned -= np.einsum("cij,cj->ci", rotation, position)[:, None, None]
    z = np.where(turned[..., 2:] > 0.1, turned[..., 2:], np.nan)
    return turned[..., :2] / z * focal[:, None, None, None] + centre
