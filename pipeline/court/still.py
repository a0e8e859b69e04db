"""The court in one still picture: candidates, refinement, judgement, competitors."""

import logging
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from paddlebrief.court.adjust import Priors
from paddlebrief.court.camera import View
from paddlebrief.court.fit import Fit, fit_marks, refine
from paddlebrief.court.guess import CameraLimits, beside_court, guess_views
from paddlebrief.court.lines import (
    CHANNELS,
    LineMap,
    channel,
    find_ridges,
    joined_lines,
    straight_lines,
)
from paddlebrief.court.other_courts import Evidence
from paddlebrief.court.strips import named_points_m
from paddlebrief.court.verify import CourtLimits, Quality, judge

__all__ = ["Expectations", "StillCourt", "solve_still"]

logger = logging.getLogger(__name__)

GUESS_WIDTH_PX = 1280
GUESSES = 10
MOST_LINES = 22
LEAST_WORTH = 0.4
WORTH_SHARE = 0.6  # of the best guess's score: once a court is believed, rivals must come close
RIVAL_SHARE = 0.85
BETTER_SHARE = 0.9
TELLING_TAPE_PX = 60.0
LEAST_MARKS = 4


@dataclass(frozen=True, kw_only=True)
class StillCourt:
    """What one picture gave.

    Attributes
    ----------
    fit, quality
        The believed camera and how well it agrees; both None when there is none.
    reason
        Why there is none; None when there is one.
    """

    fit: Fit | None
    quality: Quality | None
    reason: str | None


@dataclass(frozen=True, kw_only=True)
class Expectations:
    """All limits and priors of one solve."""

    camera: CameraLimits = field(default_factory=CameraLimits)
    court: CourtLimits = field(default_factory=CourtLimits)
    priors: Priors = field(default_factory=Priors)
    mark_sd_px: float = 3.0


def solve_still(
    picture_bgr: np.ndarray,
    *,
    expect: Expectations,
    marks: Mapping[str, tuple[float, float]] | None = None,
    start: View | None = None,
    covered: np.ndarray | None = None,
) -> StillCourt:
    """Solve the camera of one picture without people in the way.

    Parameters
    ----------
    picture_bgr
        (h, w, 3) uint8.
    expect
        Limits and priors.
    marks
        Court points marked by a person, pixels; they then decide which lines are the court's.
    start
        A view close to the right one, as before a small movement of the camera.
    covered
        (h, w) bool, where people hid the ground in all pictures; lines there are not missed.

    Returns
    -------
    StillCourt
        With a reason instead of a camera when none can be believed.
    """
    if marks:
        return _by_marks(picture_bgr, marks, expect, covered)
    if start is not None:
        again = _judged(picture_bgr, start, "whiteness", expect, rough=True, covered=covered)
        if again is not None and not again[1].faults:
            return StillCourt(fit=again[0], quality=again[1], reason=None)
    reasons: list[tuple[float, str]] = []
    for name in CHANNELS:
        tried = _candidates(picture_bgr, name, expect, covered)
        believed = [c for c in tried if not c[1].faults]
        if believed:
            return _best_of(believed, tried)
        reasons += [(q.score_px, q.faults[0]) for _, q in tried]
    reason = max(reasons)[1] if reasons else "no lines were found that could be a court's"
    return StillCourt(fit=None, quality=None, reason=reason)


def _best_of(
    believed: list[tuple[Fit, Quality]], tried: list[tuple[Fit, Quality]]
) -> StillCourt:
    """The court with the most line found, unless another one is nearly as good.

    Nor is a court believed beside one that explains more of the lines, but had to be refused:
    then something is hidden or unusual.
    """
    believed.sort(key=lambda c: -c[1].score_px)
    best, quality = believed[0]
    for rival, its in tried:
        if BETTER_SHARE * its.score_px > quality.score_px and not _same(best.view, rival.view):
            return StillCourt(fit=None, quality=None, reason=its.faults[0])
    for rival, its in believed[1:]:
        close = its.score_px > RIVAL_SHARE * quality.score_px
        # Half of the court looks like the other half, but stands at no net.
        told_apart = quality.tape_px > TELLING_TAPE_PX and its.tape_px == 0
        if close and not told_apart and not _same(best.view, rival.view):
            reason = "two different courts fit the lines about equally well"
            return StillCourt(fit=None, quality=None, reason=reason)
    return StillCourt(fit=best, quality=quality, reason=None)


def _same(a: View, b: View) -> bool:
    return bool(np.linalg.norm(a.position_m - b.position_m) < 0.5)


def _candidates(picture_bgr, name: str, expect: Expectations, covered) -> list[tuple[Fit, Quality]]:
    """Refined and judged courts by one kind of paint, best guess first."""
    height, width = picture_bgr.shape[:2]
    scale = min(1.0, GUESS_WIDTH_PX / max(width, height))
    small = picture_bgr
    if scale < 1:
        small = cv2.resize(picture_bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    size = (small.shape[1], small.shape[0])
    ridges = find_ridges(channel(small, name))
    lines = straight_lines(ridges, size)
    evidence = Evidence(lines=tuple(lines), line_map=LineMap(ridges, size), scale=scale)
    whole = joined_lines(lines, size)[:MOST_LINES]
    guesses = guess_views(whole, evidence.line_map, size, limits=expect.camera, most=GUESSES)
    guesses = [g for g in guesses if g[0] > 0]
    logger.debug("%s: %d lines, %d guesses", name, len(lines), len(guesses))
    found: list[tuple[Fit, Quality]] = []
    for score, view in guesses:
        believed = any(not quality.faults for _, quality in found)
        if score < (WORTH_SHARE if believed else LEAST_WORTH) * guesses[0][0]:
            break
        view = view.scaled(1 / scale)
        view = replace(view, size_px=(width, height))
        judged = _judged(
            picture_bgr, view, name, expect, rough=True, evidence=evidence, covered=covered
        )
        if judged is not None and not any(_same(judged[0].view, f.view) for f, _ in found):
            found.append(judged)
    return found


def _judged(
    picture_bgr, view: View, name: str, expect: Expectations, *, rough, marks=None, evidence=None,
    covered=None,
):  # fmt: skip
    """A refined view and its quality; None when it leads nowhere."""
    fit = refine(
        channel(picture_bgr, name),
        view,
        priors=expect.priors,
        fine=channel(picture_bgr, "brightness") if name == "whiteness" else None,
        rough=rough,
        marks=marks,
        mark_sd_px=expect.mark_sd_px,
    )
    if fit is None or not _plausible(fit.view, expect.camera):
        return None
    if not marks and not beside_court(fit.view.position_m):
        return None
    quality = judge(fit, picture_bgr, evidence, limits=expect.court, covered=covered)
    return fit, quality


def _plausible(view: View, limits: CameraLimits) -> bool:
    share = view.focal_px / np.hypot(*view.size_px)
    low, high = limits.heights_m
    return bool(
        limits.focal_shares[0] <= share <= limits.focal_shares[1]
        and low <= view.position_m[2] <= high
        and np.hypot(*view.position_m[:2]) < limits.distance_m
        and abs(view.rotation[0, 2]) < limits.roll
        and abs(view.distortion[0]) < 0.6
    )


def _by_marks(picture_bgr, marks, expect: Expectations, covered) -> StillCourt:
    unknown = sorted(set(marks) - set(named_points_m()))
    if unknown:
        names = ", ".join(sorted(named_points_m()))
        return _none(f"court: no point is called {', '.join(unknown)}; known are {names}")
    if len(marks) < LEAST_MARKS:
        return _none(f"court: {len(marks)} points are too few, mark at least {LEAST_MARKS}")
    height, width = picture_bgr.shape[:2]
    view = _view_from_marks(marks, (width, height), expect)
    if view is None:
        return _none("court: no camera shows the marked points where they were marked")
    judged = [
        _judged(picture_bgr, view, n, expect, rough=False, marks=marks, covered=covered)
        for n in CHANNELS
    ]
    judged = [j for j in judged if j is not None]
    if not judged:
        return _none("court: the marked points do not lead to lines in the picture")
    fit, quality = max(judged, key=lambda j: (not j[1].faults, j[1].score_px))
    known = named_points_m()
    gaps = fit.view.project(np.array([known[n] for n in marks])) - np.array(list(marks.values()))
    gap = np.linalg.norm(gaps, axis=1)
    if not np.all(gap < 6 * expect.mark_sd_px):
        worst = list(marks)[int(np.argmax(np.nan_to_num(gap, nan=np.inf)))]
        return _none(f"court: {worst} does not fit the other points and the lines")
    if quality.faults:
        return _none(f"court: with the marked points, {quality.faults[0]}")
    return StillCourt(fit=fit, quality=quality, reason=None)


def _none(reason: str) -> StillCourt:
    return StillCourt(fit=None, quality=None, reason=reason)


def _view_from_marks(marks, size_px: tuple[int, int], expect: Expectations) -> View | None:
    """The best camera for marked points over a range of focal lengths."""
    known = named_points_m()
    points = np.array([known[name] for name in marks], float)
    at = np.array(list(marks.values()), float)
    centre = (np.array(size_px) - 1) / 2
    best: tuple[float, View] | None = None
    low, high = expect.camera.focal_shares
    for focal in np.geomspace(low, high, 14) * np.hypot(*size_px):
        matrix = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
        solved, turn, move = cv2.solvePnP(points, at, matrix, None, flags=cv2.SOLVEPNP_SQPNP)
        if not solved:
            continue
        rotation = cv2.Rodrigues(turn)[0]
        view = View(
            focal_px=float(focal),
            centre_px=centre,
            distortion=np.zeros(2),
            rotation=rotation,
            position_m=(-rotation.T @ move)[:, 0],
            size_px=size_px,
        )
        view, _, _ = fit_marks(view, marks, sd_px=expect.mark_sd_px, priors=expect.priors,
                               lens=len(marks) > 5)  # fmt: skip
        off = float(np.nanmean(np.sum((view.project(points) - at) ** 2, axis=1)))
        if np.isfinite(off) and (best is None or off < best[0]) and view.position_m[2] > 0:
            best = (off, view)
    return None if best is None or best[0] > (5 * expect.mark_sd_px) ** 2 else best[1]
