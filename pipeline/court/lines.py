"""Where a picture may show painted lines: ridges, straight lines through them, distance maps."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

__all__ = ["CHANNELS", "LineMap", "Ridges", "StraightLine", "channel", "find_ridges",
           "joined_lines", "straight_lines"]  # fmt: skip

CHANNELS: tuple[str, ...] = ("whiteness", "brightness", "darkness")
"""What paint stands out by, tried in this order."""

RIDGE_SCALES_PX = (1.0, 2.0, 4.0)
LEAST_STRENGTH = 2.5  # grey levels of second derivative times scale²; noise of 2 levels gives 0.6
MOST_RIDGES = 16_000
MOST_LINES = 22
LEAST_LINE_PX = 45
LARGEST_GAP_PX = 26
ANGLES = 180
RHO_STEP_PX = 2.0
MAP_ANGLES = 12
FAR_PX = 24.0
MOST_TURN = 0.05  # radians between the pieces of a bent line
BOW_SHARE = 0.008  # of the length: what a lens bends a line by


def channel(picture_bgr: np.ndarray, name: str) -> np.ndarray:
    """(h, w) float32 picture in which that kind of paint is bright, 0 to 255."""
    if name == "whiteness":
        return picture_bgr.min(axis=2).astype(np.float32)
    grey = cv2.cvtColor(picture_bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    return grey if name == "brightness" else 255 - grey


@dataclass(frozen=True, kw_only=True)
class Ridges:
    """Points on bright ridges.

    Attributes
    ----------
    at_px
        (n, 2) x and y.
    angle
        (n,) direction along the ridge, 0 to π radians, from x to y.
    strength
        (n,) grey levels.
    """

    at_px: np.ndarray
    angle: np.ndarray
    strength: np.ndarray


@dataclass(frozen=True, kw_only=True)
class StraightLine:
    """A straight line with the stretch of it that has support.

    ``normal`` (2,) and ``rho`` give the points with ``normal @ px = rho``; ``start_px`` and
    ``end_px`` (2,) are the outermost supporting points; ``support_px`` the supported length.
    """

    normal: np.ndarray
    rho: float
    start_px: np.ndarray
    end_px: np.ndarray
    support_px: float


def find_ridges(grey: np.ndarray) -> Ridges:
    """Bright ridges of a picture by its Hessian at several scales.

    Steger, "An unbiased detector of curvilinear structures", IEEE PAMI 20(2), 1998 (from
    memory): across a bright ridge the second derivative is strongly negative and the first
    one vanishes.

    Parameters
    ----------
    grey
        (h, w) float32.

    Returns
    -------
    Ridges
        The strongest points; empty when nothing stands out.
    """
    found = [_ridges_at(grey, scale) for scale in RIDGE_SCALES_PX]
    rows = np.concatenate(found)
    rows = rows[np.argsort(-rows[:, 3])[:MOST_RIDGES]]
    return Ridges(at_px=rows[:, :2], angle=rows[:, 2], strength=rows[:, 3])


def _ridges_at(grey: np.ndarray, scale: float) -> np.ndarray:
    """(n, 4) x, y, angle, strength of one scale."""
    smooth = cv2.GaussianBlur(grey, (0, 0), scale)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    xx = cv2.Sobel(gx, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    xy = cv2.Sobel(gx, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    yy = cv2.Sobel(gy, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    half = np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
    middle = (xx + yy) / 2
    across, along = middle - half, middle + half
    strength = -across * scale**2
    edge = int(np.ceil(3 * scale)) + 2
    strength[:edge], strength[-edge:], strength[:, :edge], strength[:, -edge:] = 0, 0, 0, 0
    keep = (strength > LEAST_STRENGTH) & (np.abs(along) < 0.5 * np.abs(across))
    y, x = np.nonzero(keep)
    # Eigenvector of the smaller eigenvalue: the normal of the ridge.
    normal = np.arctan2(2 * xy[y, x], xx[y, x] - yy[y, x]) / 2 + np.pi / 2
    nx, ny = np.cos(normal), np.sin(normal)
    shift = -(gx[y, x] * nx + gy[y, x] * ny) / across[y, x]
    top = np.abs(shift) < 0.75
    x, y, normal, shift, nx, ny = (v[top] for v in (x, y, normal, shift, nx, ny))
    angle = (normal + np.pi / 2) % np.pi
    return np.stack([x + shift * nx, y + shift * ny, angle, strength[y, x]], axis=1)


def straight_lines(ridges: Ridges, size_px: tuple[int, int]) -> list[StraightLine]:
    """The longest straight lines through ridges, longest support first.

    A Hough transform in which each ridge point votes only for lines along its own direction;
    the points of each line found are taken out before the next one is sought.
    """
    at = ridges.at_px - np.array(size_px) / 2
    free = np.ones(len(at), bool)
    lines: list[StraightLine] = []
    reach = np.hypot(*size_px) / 2 + 4 * RHO_STEP_PX
    rhos = int(2 * reach / RHO_STEP_PX)
    cells, owners = _votes(at, ridges.angle, reach=reach, rhos=rhos)
    counts = np.bincount(cells, minlength=ANGLES * rhos).astype(np.int32)
    order = np.argsort(owners, kind="stable")
    cells_by_owner = cells[order].reshape(len(at), -1) if len(at) else cells.reshape(0, 1)
    for _ in range(6 * MOST_LINES):
        table = counts.reshape(ANGLES, rhos)
        best = int(np.argmax(table))
        if table.flat[best] < LEAST_LINE_PX * 0.6 or len(lines) >= MOST_LINES:
            break
        theta = (best // rhos + 0.5) * np.pi / ANGLES
        rho = (best % rhos + 0.5) * RHO_STEP_PX - reach
        line, members = _fit_line(at, ridges.angle, free, theta=theta, rho=rho)
        voters = members if line is not None else _voters(cells_by_owner, free, best)
        if not len(voters):
            break
        free[voters] = False
        np.subtract.at(counts, cells_by_owner[voters].ravel(), 1)
        if line is not None:
            lines.append(_shifted(line, np.array(size_px) / 2))
    lines.sort(key=lambda line: -line.support_px)
    return lines


def joined_lines(lines: Sequence[StraightLine], size_px: tuple[int, int]) -> list[StraightLine]:
    """The same lines, and before them those that the lens has bent into pieces.

    Two pieces are one bent line when the chord over both passes their four ends within
    ``BOW_SHARE`` of its length. The pieces themselves come last.
    """
    whole, pieces = [], set()
    for a, b in combinations(range(len(lines)), 2):
        joined = _joined(lines[a], lines[b], np.hypot(*size_px))
        if joined is not None:
            whole.append(joined)
            pieces |= {a, b}
    rest = [line for k, line in enumerate(lines) if k not in pieces]
    whole = sorted([*whole, *rest], key=lambda line: -line.support_px)
    return whole + [lines[k] for k in sorted(pieces)]


def _joined(a: StraightLine, b: StraightLine, diagonal: float) -> StraightLine | None:
    turn = np.abs(a.normal @ b.normal)
    if turn < np.cos(MOST_TURN) or min(a.support_px, b.support_px) < 0.08 * diagonal:
        return None
    direction = np.array([-a.normal[1], a.normal[0]])
    ends = np.array([a.start_px, a.end_px, b.start_px, b.end_px])
    along = ends @ direction
    first, second = np.sort(along[:2]), np.sort(along[2:])
    if min(first[1], second[1]) > max(first[0], second[0]) + 5:
        return None
    middle = ends.mean(axis=0)
    normal = np.linalg.svd(ends - middle, full_matrices=False)[2][1]
    if np.abs((ends - middle) @ normal).max() > BOW_SHARE * np.ptp(along):
        return None
    order = np.argsort(along)
    return StraightLine(
        normal=normal,
        rho=float(normal @ middle),
        start_px=ends[order[0]],
        end_px=ends[order[-1]],
        support_px=a.support_px + b.support_px,
    )


def _votes(at, angle, *, reach: float, rhos: int) -> tuple[np.ndarray, np.ndarray]:
    normal = (angle + np.pi / 2) % np.pi
    cells, owners = [], []
    for turn in range(-3, 4):
        bin_ = (np.floor(normal / np.pi * ANGLES).astype(int) + turn) % ANGLES
        theta = (bin_ + 0.5) * np.pi / ANGLES
        rho = at[:, 0] * np.cos(theta) + at[:, 1] * np.sin(theta)
        slot = np.clip(((rho + reach) / RHO_STEP_PX).astype(int), 0, rhos - 1)
        cells.append(bin_ * rhos + slot)
        owners.append(np.arange(len(at)))
    return np.concatenate(cells), np.concatenate(owners)


def _voters(cells_by_owner: np.ndarray, free: np.ndarray, cell: int) -> np.ndarray:
    return np.flatnonzero(free & (cells_by_owner == cell).any(axis=1))


def _fit_line(at, angle, free, *, theta: float, rho: float):
    """The line near (theta, rho) and the points that belong to it; None when it is short."""
    normal = np.array([np.cos(theta), np.sin(theta)])
    for width in (4.0, 2.5, 2.0):
        turned = np.arctan2(normal[1], normal[0]) + np.pi / 2
        off = np.abs((angle - turned + np.pi / 2) % np.pi - np.pi / 2)
        members = np.flatnonzero(free & (np.abs(at @ normal - rho) < width) & (off < 0.12))
        if len(members) < LEAST_LINE_PX * 0.5:
            return None, members
        run, support = _longest_run(at[members] @ np.array([-normal[1], normal[0]]))
        members = members[run]
        middle = at[members].mean(axis=0)
        normal = np.linalg.svd(at[members] - middle, full_matrices=False)[2][1]
        rho = float(normal @ middle)
    if support < LEAST_LINE_PX:
        return None, members
    along = (at[members] - middle) @ np.array([-normal[1], normal[0]])
    direction = np.array([-normal[1], normal[0]])
    line = StraightLine(
        normal=normal,
        rho=rho,
        start_px=middle + along.min() * direction,
        end_px=middle + along.max() * direction,
        support_px=support,
    )
    near = free & (np.abs(at @ normal - rho) < 3.5)
    reach = (at - middle) @ direction
    near &= (reach > along.min() - 3) & (reach < along.max() + 3)
    return line, np.flatnonzero(near)


def _longest_run(along: np.ndarray) -> tuple[np.ndarray, float]:
    """Points of the stretch with the most support, and how many whole pixels support it."""
    order = np.argsort(along)
    cuts = np.flatnonzero(np.diff(along[order]) > LARGEST_GAP_PX) + 1
    runs = np.split(order, cuts)
    sizes = [len(np.unique(np.round(along[run]))) for run in runs]
    best = int(np.argmax(sizes))
    return runs[best], float(sizes[best])


def _shifted(line: StraightLine, by: np.ndarray) -> StraightLine:
    return StraightLine(
        normal=line.normal,
        rho=float(line.rho + line.normal @ by),
        start_px=line.start_px + by,
        end_px=line.end_px + by,
        support_px=line.support_px,
    )


class LineMap:
    """How far every pixel is from the nearest ridge of about the same direction."""

    def __init__(self, ridges: Ridges, size_px: tuple[int, int]) -> None:
        width, height = size_px
        self._size = size_px
        maps = []
        step = np.pi / MAP_ANGLES
        x, y = np.clip(np.round(ridges.at_px).astype(int), 0, [width - 1, height - 1]).T
        for bin_ in range(MAP_ANGLES):
            centre = (bin_ + 0.5) * step
            off = np.abs((ridges.angle - centre + np.pi / 2) % np.pi - np.pi / 2)
            empty = np.full((height, width), 255, np.uint8)
            near = off < step
            empty[y[near], x[near]] = 0
            far = cv2.distanceTransform(empty, cv2.DIST_L2, 3)
            maps.append(np.minimum(far, FAR_PX))
        self._maps = np.stack(maps).astype(np.float32)

    def distance(self, px: np.ndarray, angle: np.ndarray) -> np.ndarray:
        """(…) pixels to the nearest ridge along ``angle``; NaN outside the picture."""
        width, height = self._size
        with np.errstate(invalid="ignore"):
            inside = np.isfinite(angle) & (px[..., 0] >= 0) & (px[..., 0] <= width - 1)
            inside &= (px[..., 1] >= 0) & (px[..., 1] <= height - 1)
            x = np.round(np.where(inside, px[..., 0], 0)).astype(int)
            y = np.round(np.where(inside, px[..., 1], 0)).astype(int)
            turned = np.where(inside, angle, 0.0) % np.pi
        bin_ = np.minimum((turned / np.pi * MAP_ANGLES).astype(int), MAP_ANGLES - 1)
        return np.where(inside, self._maps[bin_, y, x], np.nan)
