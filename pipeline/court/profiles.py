"""Profiles across predicted lines: where the paint lies, how wide it is, how it stands out."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.special import ndtr

from paddlebrief.court.camera import View
from paddlebrief.court.dimensions import COURT_WIDTH_M, NET_TAPE_M, net_height_m
from paddlebrief.court.strips import Strip, court_strips

__all__ = ["Crossings", "Predicted", "measure", "predict", "typical_bar"]

SPACING_PX = 6.0
MARGIN_PX = 3.0
STEP_PX = 0.5
LEAST_SHOWN_M = 0.03
FINE_PX = 1.5
TAPE_MARGIN_PX = 4.0
FINE_STEP_PX = 0.125
LEAST_SD_PX = 0.03
LEAST_VARIANCE = 9.0  # square grey levels


@dataclass(frozen=True, kw_only=True)
class Predicted:
    """Places on the court's strips that a view should show.

    Attributes
    ----------
    strip
        (n,) index into `court_strips`.
    points_m
        (n, 3) middles of the strip, court frame.
    at_px
        (n, 2) their pixels.
    normal
        (n, 2) unit vector across the strip in the picture.
    width_px
        (n,) width of the strip along the normal.
    step_px
        (n,) length of the strip that a place stands for.
    veiled
        (n,) bool, seen through the net's mesh.
    """

    strip: np.ndarray
    points_m: np.ndarray
    at_px: np.ndarray
    normal: np.ndarray
    width_px: np.ndarray
    step_px: np.ndarray
    veiled: np.ndarray

    def __len__(self) -> int:
        return len(self.strip)

    def part(self, keep: np.ndarray) -> "Predicted":
        """Those places only."""
        return Predicted(**{name: getattr(self, name)[keep] for name in self.__dataclass_fields__})


@dataclass(frozen=True, kw_only=True)
class Crossings:
    """What profiles across predicted places show; all (n,).

    Attributes
    ----------
    offset_px, offset_sd_px
        Where the strip is along the normal, from its predicted place; NaN where nothing is found.
    left, right
        Contrast with the ground on either side, grey levels; positive where the strip is brighter.
    noise
        Grey levels that the fitted profile leaves unexplained.
    width_px
        Width of the paint found; NaN where it is too thin to tell.
    """

    offset_px: np.ndarray
    offset_sd_px: np.ndarray
    left: np.ndarray
    right: np.ndarray
    noise: np.ndarray
    width_px: np.ndarray


def predict(view: View, *, spacing_px: float = SPACING_PX) -> Predicted:
    """Places every few pixels along the strips, as far as a view shows them.

    Ground beyond the net that lies behind its tape is left out.
    """
    parts = [_along(view, index, strip, spacing_px) for index, strip in enumerate(court_strips())]
    whole = Predicted(
        **{
            name: np.concatenate([getattr(p, name) for p in parts])
            for name in Predicted.__dataclass_fields__
        }
    )
    hidden, veiled = _behind_net(view, whole.points_m)
    return replace(whole, veiled=veiled).part(~hidden)


def _along(view: View, index: int, strip: Strip, spacing_px: float) -> Predicted:
    width, height = view.size_px
    length = np.linalg.norm(strip.end_m - strip.start_m)
    share = np.linspace(0, 1, int(length / LEAST_SHOWN_M) + 2)
    px = view.project(strip.middle(share))
    inside = np.all((px >= MARGIN_PX) & (px <= np.array([width, height]) - 1 - MARGIN_PX), axis=1)
    run = np.where(inside[1:] & inside[:-1], np.linalg.norm(np.diff(px, axis=0), axis=1), 0)
    gone = np.concatenate([[0], np.cumsum(np.nan_to_num(run))])
    count = int(gone[-1] / spacing_px)
    share = np.interp((np.arange(count) + 0.5) * spacing_px, gone, share)
    # Ends are left out: there other lines join.
    clear = 1.5 * strip.width_m / length
    share = share[(share > clear) & (share < 1 - clear)]
    points = strip.middle(share)
    _, by_point = view.jacobians(points) if len(points) else (None, np.empty((0, 2, 3)))
    tangent = by_point @ (strip.end_m - strip.start_m)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    across = by_point @ strip.across * strip.width_m
    return Predicted(
        strip=np.full(len(points), index),
        points_m=points,
        at_px=view.project(points),
        normal=normal,
        width_px=np.abs(np.sum(across * normal, axis=1)),
        step_px=np.full(len(points), spacing_px),
        veiled=np.zeros(len(points), bool),
    )


def _behind_net(view: View, far: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which of (n, 3) points lie behind the net's tape or close to it, and behind its mesh."""
    eye = view.position_m
    beyond = far[:, 1] * eye[1] < 0
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(beyond, -eye[1] / (far[:, 1] - eye[1]), np.nan)
    at_net = eye + share[:, None] * (far - eye)
    top = np.array([net_height_m(x) for x in np.nan_to_num(at_net[:, 0])])
    margin = TAPE_MARGIN_PX * np.linalg.norm(at_net - eye, axis=1) / view.focal_px
    with np.errstate(invalid="ignore"):
        crossed = beyond & (np.abs(at_net[:, 0]) < COURT_WIDTH_M / 2 + 0.4)
        below = crossed & (at_net[:, 2] < top + margin) & (at_net[:, 2] > -margin)
        hidden = below & (at_net[:, 2] > top - NET_TAPE_M - margin)
    return hidden, below & ~hidden


def measure(grey: np.ndarray, places: Predicted, *, window_px: float, blur_px: float) -> Crossings:
    """Find the strips near their predicted places.

    First the offset with the most contrast on both sides, then the least-squares fit of a bar of
    the predicted width between two plain sides, all blurred alike, to the pixels around it.

    Parameters
    ----------
    grey
        (h, w) float32 in which paint is bright.
    places
        Where to look.
    window_px
        How far to either side.
    blur_px
        Standard deviation of the picture's blur.
    """
    n = len(places)
    widths = np.clip(places.width_px, 0.4, 40)
    empty = np.full(n, np.nan)
    out = {k: empty.copy() for k in ("offset", "sd", "left", "right", "noise", "width")}
    bins = np.round(np.log(widths) / np.log(1.25)).astype(int)
    for bin_ in np.unique(bins):
        members = np.flatnonzero(bins == bin_)
        _measure_alike(grey, places, members, 1.25**bin_, window_px, blur_px, out)
    return Crossings(
        offset_px=out["offset"],
        offset_sd_px=out["sd"],
        left=out["left"],
        right=out["right"],
        noise=out["noise"],
        width_px=out["width"],
    )


def _measure_alike(grey, places, members, width, window, blur, out) -> None:
    """Measure places whose strips are about equally wide; fills ``out``."""
    side = width / 2 + 3 * blur + 2
    reach = window + side + 2
    t = np.arange(-reach, reach + STEP_PX / 2, STEP_PX)
    profile = _profiles(grey, places, members, t)
    coarse = _most_contrast(profile, t, width=width, window=window, blur=blur)
    offsets = np.arange(-FINE_PX, FINE_PX + FINE_STEP_PX / 2, FINE_STEP_PX)
    u = np.arange(-side - FINE_PX, side + FINE_PX + STEP_PX / 2, STEP_PX)
    local = _profiles(grey, places, members, u, start=coarse)
    bases, shapes = _bar_bases(u, offsets, width=width, blur=blur)
    total = np.sum(local**2, axis=1)
    explained = np.einsum("omk,nm->nok", bases, local) ** 2
    left_over = total[:, None] - explained.sum(axis=2)
    best = np.argmin(left_over, axis=1)
    inner = np.clip(best, 1, len(offsets) - 2)
    rows = np.arange(len(members))
    before, at, after = (left_over[rows, inner + k] for k in (-1, 0, 1))
    bend = np.maximum(before - 2 * at + after, 1e-9)
    shift = np.clip((before - after) / (2 * bend), -1, 1) * FINE_STEP_PX
    # Half-pixel steps: neighbouring samples share pixels, so they count half.
    variance = np.maximum(at, 0.05) / max(len(u) * STEP_PX - 4, 1) * STEP_PX
    curvature = bend / FINE_STEP_PX**2 / 2 * STEP_PX
    levels = np.einsum("nkm,nm->nk", shapes[inner], local)
    found = (best > 0) & (best < len(offsets) - 1)
    out["offset"][members] = np.where(found, coarse + offsets[inner] + shift, np.nan)
    out["sd"][members] = np.sqrt(variance / curvature + LEAST_SD_PX**2)
    out["noise"][members] = np.sqrt(variance / STEP_PX)
    out["left"][members] = levels[:, 1] - levels[:, 0]
    out["right"][members] = levels[:, 1] - levels[:, 2]
    out["width"][members] = _bar_width(local, u, offsets[inner] + shift, levels, width, blur)


def _profiles(grey, places, members, t, *, start=0.0) -> np.ndarray:
    """(n, m) grey levels at distances ``t`` from ``start`` along the normals."""
    along = np.asarray(start)[..., None] + t
    px = places.at_px[members, None] + along[..., None] * places.normal[members, None]
    x, y = px[..., 0].astype(np.float32), px[..., 1].astype(np.float32)
    seen = np.empty(x.shape, np.float32)
    # OpenCV's remap takes at most 32767 rows.
    for first in range(0, len(x), 30_000):
        rows = slice(first, first + 30_000)
        seen[rows] = cv2.remap(
            grey, x[rows], y[rows], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    return seen.astype(float)


def _most_contrast(profile, t, *, width, window, blur) -> np.ndarray:
    """(n,) offsets where the middle exceeds both sides most; near offsets win ties."""
    sums = np.concatenate([np.zeros((len(profile), 1)), np.cumsum(profile, axis=1)], axis=1)

    def mean(low: float, high: float) -> np.ndarray:
        steps = np.arange(-window, window + STEP_PX / 2, STEP_PX)
        first = np.round((steps + low - t[0]) / STEP_PX).astype(int)
        last = np.maximum(np.round((steps + high - t[0]) / STEP_PX).astype(int), first) + 1
        first, last = np.clip(first, 0, len(t)), np.clip(last, 0, len(t))
        return (sums[:, last] - sums[:, first]) / np.maximum(last - first, 1)

    half = max(width / 2, 0.5)
    gap = half + 0.8 * blur
    middle = mean(-half * 0.7, half * 0.7)
    contrast = np.minimum(middle - mean(-gap - 2, -gap), middle - mean(gap, gap + 2))
    steps = np.arange(-window, window + STEP_PX / 2, STEP_PX)
    weighed = contrast - 0.15 * np.abs(contrast) * (steps / max(window, 1)) ** 2
    return steps[np.argmax(weighed, axis=1)]


def _bar_bases(u: np.ndarray, offsets: np.ndarray, *, width: float, blur: float):
    """Orthonormal bases (o, m, 3) of left side, bar and right side, and (o, 3, m) inverses."""
    rise = ndtr((u - offsets[:, None] + width / 2) / blur)
    fall = ndtr((u - offsets[:, None] - width / 2) / blur)
    shapes = np.stack([1 - rise, rise - fall, fall], axis=-1)
    bases, _ = np.linalg.qr(shapes)
    return bases, np.linalg.pinv(shapes)


def typical_bar(grey: np.ndarray, places: Predicted, *, blur_px: float) -> tuple[float, float]:
    """A strip in the median of the profiles across it, brighter or darker than its sides or both.

    Returns
    -------
    offset_px
        Where the strip lies, from its predicted place.
    explained
        Share of the median profile's variance that a bar there explains, 0 to 1; 0 where the
        profile is even.
    """
    width = float(np.median(places.width_px))
    side = width / 2 + 3 * blur_px + 2
    u = np.arange(-side, side + STEP_PX / 2, STEP_PX)
    offsets = np.arange(-2.0, 2.0 + FINE_STEP_PX / 2, FINE_STEP_PX)
    profile = np.median(_profiles(grey, places, np.arange(len(places)), u), axis=0)
    total = float(np.sum((profile - profile.mean()) ** 2))
    if total < LEAST_VARIANCE * len(u):
        return 0.0, 0.0
    bases, _ = _bar_bases(u, offsets, width=width, blur=blur_px)
    left_over = np.sum(profile**2) - np.sum(np.einsum("omk,m->ok", bases, profile) ** 2, axis=1)
    best = int(np.argmin(left_over))
    return float(offsets[best]), 1 - float(left_over[best]) / total


def _bar_width(local, u, offset, levels, width, blur) -> np.ndarray:
    """(n,) width between the half-level crossings; NaN for bars hidden in the blur."""
    if width < 2.5 * blur:
        return np.full(len(local), np.nan)
    left, bar, right = levels.T
    low = np.where(u[None] < offset[:, None], left[:, None], right[:, None])
    share = (local - low) / np.where(np.abs(bar[:, None] - low) < 1, np.nan, bar[:, None] - low)
    near = np.abs(u[None] - offset[:, None]) < width / 2 + 3 * blur
    return np.sum(np.where(near, np.clip(share, 0, 1), 0), axis=1) * STEP_PX
