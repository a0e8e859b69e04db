"""Lines that speak for another court: left over beside this one's, or running on beyond it."""

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from paddlebrief.court.camera import View
from paddlebrief.court.dimensions import (
    COURT_LENGTH_M,
    COURT_WIDTH_M,
    NET_SIDE_HEIGHT_M,
    NON_VOLLEY_DEPTH_M,
)
from paddlebrief.court.fit import Fit
from paddlebrief.court.lines import LineMap, StraightLine
from paddlebrief.court.strips import NET, court_strips

__all__ = ["Evidence", "colours_of", "going_on", "left_over"]

CONTINUED_SHARE = 0.75
SAME_PAINT = 11.0  # distance in CIE L*a*b*
MOSTLY_PAINT = 0.7  # of what lies in a line too thin to fill its pixels; the rest is ground
BESIDE_PX = 5.0
LEFT_OVER_SHARE = 0.15  # of the length of line found
AROUND_M = 1.0
LEAST_RUN_PX = 18.0


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """Lines and ridges of a picture that was made ``scale`` times as large."""

    lines: tuple[StraightLine, ...]
    line_map: LineMap
    scale: float


def left_over(fit: Fit, good, picture_bgr, evidence: Evidence, *, found_px: float) -> list[str]:
    """What speaks against a court: lines of its paint on and around it that it does not have.

    Parameters
    ----------
    fit, good
        The fitted court and which of its places were found.
    picture_bgr, evidence
        The picture, and all lines in it.
    found_px
        Length of this court's lines that was found, pixels of the whole picture.

    Returns
    -------
    list of str
        A plain sentence; empty when nothing speaks against it.
    """
    paint = _paint(fit, good, picture_bgr)
    if paint is None:
        return []
    view = fit.view.scaled(evidence.scale)
    small = cv2.resize(
        picture_bgr, view.size_px, interpolation=cv2.INTER_AREA
    ) if evidence.scale < 1 else picture_bgr  # fmt: skip
    lab = colours_of(small)
    free = _unexplained_area(view)
    extra = 0.0
    for line in evidence.lines:
        length = float(np.linalg.norm(line.end_px - line.start_px))
        share = np.linspace(0, 1, max(2, int(length / 3)))[:, None]
        px = np.round(line.start_px + share * (line.end_px - line.start_px)).astype(int)
        px = np.clip(px, 0, np.array(view.size_px) - 1)
        x, y = px.T
        open_ = free[y, x] > 0
        if not open_.any():
            continue
        colour = np.median(lab[y, x][open_], axis=0)
        if _is_paint(colour, paint, _ground_beside(lab, px[open_], line.normal)):
            extra += open_.mean() * min(line.support_px, length)
    if extra > LEFT_OVER_SHARE * found_px * evidence.scale:
        return ["lines of the same paint lie where this court has none"]
    return []


def _ground_beside(lab: np.ndarray, px: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """(2, 3) typical colours on either side of (n, 2) places on a line."""
    limits = np.array(lab.shape[1::-1]) - 1
    sides = [np.clip(np.round(px + k * BESIDE_PX * normal).astype(int), 0, limits) for k in (-1, 1)]
    return np.array([np.median(lab[side[:, 1], side[:, 0]], axis=0) for side in sides])


def _is_paint(colour: np.ndarray, paint: np.ndarray, grounds: np.ndarray) -> bool:
    """Whether a line may be of the court's paint, pure or mixed with the ground beside it."""
    apart = colour - paint
    # Whiter than the lines found, it is paint all the more.
    apart[0] = min(apart[0], 0)
    if np.linalg.norm(apart) < SAME_PAINT:
        return True
    ground = grounds.mean(axis=0)
    way = paint - ground
    share = float((colour - ground) @ way / max(way @ way, 1e-9))
    off = float(np.linalg.norm(colour - ground - share * way))
    return share > MOSTLY_PAINT and off < SAME_PAINT


def colours_of(picture_bgr: np.ndarray) -> np.ndarray:
    """(h, w, 3) CIE L*a*b* of a slightly smoothed picture."""
    blurred = cv2.GaussianBlur(picture_bgr, (0, 0), 0.7)
    return cv2.cvtColor(blurred.astype(np.float32) / 255, cv2.COLOR_BGR2LAB)


def _paint(fit: Fit, good: np.ndarray, picture_bgr: np.ndarray) -> np.ndarray | None:
    """(3,) CIE L*a*b* of the court's paint where it is wide enough to show; None if nowhere."""
    ground = np.array([strip.group != NET for strip in court_strips()])[fit.places.strip]
    wide = good & ground & (fit.places.width_px > 1.2)
    if wide.sum() < 10:
        return None
    x, y = np.round(fit.places.at_px[wide]).astype(int).T
    return np.median(colours_of(picture_bgr)[y, x], axis=0)


def _unexplained_area(view: View) -> np.ndarray:
    """(h, w) uint8, 255 on and around the court, away from its lines and from the net."""
    width, height = view.size_px
    area = np.zeros((height, width), np.uint8)
    half_w, half_l = COURT_WIDTH_M / 2 + AROUND_M, COURT_LENGTH_M / 2 + AROUND_M
    x, y = np.meshgrid(np.linspace(-half_w, half_w, 60), np.linspace(-half_l, half_l, 120))
    grid = view.project(np.stack([x, y, np.zeros_like(x)], axis=-1))
    whole = np.all(np.isfinite(grid) & (np.abs(grid) < 5 * width), axis=-1)
    for i, j in np.argwhere(whole[:-1, :-1] & whole[1:, :-1] & whole[:-1, 1:] & whole[1:, 1:]):
        corners = grid[[i, i, i + 1, i + 1], [j, j + 1, j + 1, j]]
        cv2.fillConvexPoly(area, np.round(corners).astype(np.int32), 255)
    for strip in court_strips():
        middle = strip.middle(np.linspace(-0.02, 1.02, 200))
        edges = [view.project(middle + k * strip.width_m * strip.across) for k in (-0.5, 0.5)]
        for a, b in pairwise(zip(*edges, strict=True)):
            corners = np.array([a[0], b[0], b[1], a[1]])
            if np.isfinite(corners).all() and np.abs(corners).max() < 5 * width:
                cv2.polylines(area, [np.round(corners).astype(np.int32)], True, 0, 11)
    net_x = np.linspace(-half_w, half_w, 80)
    zero = np.zeros_like(net_x)
    top = view.project(np.stack([net_x, zero, zero + NET_SIDE_HEIGHT_M + 0.08], axis=1))
    foot = view.project(np.stack([net_x, zero, zero], axis=1))
    for k in range(len(net_x) - 1):
        corners = np.array([top[k], top[k + 1], foot[k + 1], foot[k]])
        if np.isfinite(corners).all() and np.abs(corners).max() < 5 * width:
            cv2.fillConvexPoly(area, np.round(corners).astype(np.int32), 0)
    return area


def going_on(view: View, line_map: LineMap) -> list[str]:
    """Lines that run on beyond where this court's end: then it is another court."""
    half_w, half_l, kitchen = COURT_WIDTH_M / 2, COURT_LENGTH_M / 2, NON_VOLLEY_DEPTH_M
    beyond = {
        "the centerline runs on to the net": [((0, -kitchen + 0.25), (0, -0.35))],
        "the sidelines run on beyond the baseline": [
            ((x, -half_l - 0.3), (x, -half_l - 2.0)) for x in (-half_w + 0.025, half_w - 0.025)
        ],
        "the centerline runs on beyond the baseline": [((0, -half_l - 0.3), (0, -half_l - 2.0))],
        "the non-volley line runs on beyond the sidelines": [
            ((x, -kitchen + 0.025), (1.35 * x, -kitchen + 0.025)) for x in (-1.08 * half_w,
                                                                           1.08 * half_w)
        ],
        "the baseline runs on beyond the sidelines": [
            ((x, -half_l + 0.025), (1.35 * x, -half_l + 0.025)) for x in (-1.08 * half_w,
                                                                         1.08 * half_w)
        ],
    }  # fmt: skip
    found = [
        words
        for words, stretches in beyond.items()
        if all(_continued(view, line_map, *ends) for ends in stretches)
    ]
    # A single line that goes on may belong to another game on the same floor.
    return found if len(found) >= 2 else []


def _continued(view: View, line_map: LineMap, start, end) -> bool:
    share = np.linspace(0, 1, 60)[:, None]
    ground = np.array(start) + share * (np.array(end) - np.array(start))
    px = view.project(np.concatenate([ground, np.zeros_like(share)], axis=1))
    run = np.diff(px, axis=0)
    off = line_map.distance((px[1:] + px[:-1]) / 2, np.arctan2(run[:, 1], run[:, 0]))
    shown = np.isfinite(off)
    if shown.sum() < 30 or np.linalg.norm(run[shown], axis=1).sum() < LEAST_RUN_PX:
        return False
    return bool(np.mean(off[shown] < 2.0) > CONTINUED_SHARE)
