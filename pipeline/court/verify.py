"""Whether a fitted court is really there: line by line, and against what else it could be."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import cv2
import numpy as np

from paddlebrief.court.camera import SolvedCamera, View
from paddlebrief.court.dimensions import (
    COURT_LENGTH_M,
    COURT_WIDTH_M,
    NET_SIDE_HEIGHT_M,
    NON_VOLLEY_DEPTH_M,
)
from paddlebrief.court.fit import Fit
from paddlebrief.court.lines import LineMap, StraightLine
from paddlebrief.court.profiles import typical_bar
from paddlebrief.court.strips import NET, court_strips

__all__ = ["CourtLimits", "Evidence", "Quality", "judge", "worst_sd_m"]

LEAST_SHOWN_PX = 36.0
SEEN_SHARE = 0.5
ABSENT_SHARE = 0.25
MISSING_A_SEEN = 0.25
BEHIND_NET = ("far baseline", "far non-volley line", "far centerline")
CONTINUED_SHARE = 0.75
SAME_PAINT = 11.0  # distance in CIE L*a*b*
LEFT_OVER_SHARE = 0.15  # of the length of line found
AROUND_M = 1.0
MOST_LAID_OFF = 6.0  # standard deviations
DULL_WITHIN_PX = 1.5
DULL_EXPLAINED = 0.85
BESIDE_DULL_WITHIN_PX = 0.75
BESIDE_DULL_EXPLAINED = 0.7
PAINT_APART = 30.0  # distance of two paints' hues in CIE L*a*b*
PURE_PAINT_APART = 18.0  # the same where lines are wide enough not to mix with their ground

ACROSS = ("near baseline", "far baseline", "near non-volley line", "far non-volley line")
ALONG = ("left sideline", "right sideline", "near centerline", "far centerline")
TELLING = ("near non-volley line", "near centerline", "near baseline")
"""Lines in the open whose absence tells another court from this one."""
TAPE = tuple(strip.name for strip in court_strips() if strip.group == NET)


@dataclass(frozen=True)
class CourtLimits:
    """What a court must show to be believed.

    ``found_share`` of the predicted length of line, ``residual_px`` root mean square,
    ``worst_sd_m`` largest standard uncertainty of a place on the court in view,
    ``place_sd_m`` of the camera's own place.
    """

    found_share: float = 0.6
    residual_px: float = 1.6
    worst_sd_m: float = 0.2
    place_sd_m: float = 0.3


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """Lines and ridges of a picture that was made ``scale`` times as large."""

    lines: tuple[StraightLine, ...]
    line_map: LineMap
    scale: float


@dataclass(frozen=True, kw_only=True)
class Quality:
    """How well a fitted court agrees with the picture.

    Attributes
    ----------
    found_share
        Share of the predicted visible line length where paint was found, 0 to 1.
    shares
        The same for each strip that the view should show.
    residual_px
        Root mean square distance between found and fitted lines.
    worst_sd_m
        Largest standard uncertainty of a place on the court in view.
    score_px
        Length of line found less the length missed.
    tape_px
        Length of the net's tape found: that its height fits is known to no court but this one.
    faults
        Plain sentences on what speaks against the court; empty when it is believed.
    """

    found_share: float
    shares: Mapping[str, float]
    residual_px: float
    worst_sd_m: float
    score_px: float
    tape_px: float
    faults: tuple[str, ...] = field(default=())


def judge(
    fit: Fit, picture_bgr: np.ndarray, evidence: Evidence | None, *, limits: CourtLimits
) -> Quality:
    """Hold a fitted court against the picture.

    Parameters
    ----------
    fit
        The refined camera and what was found.
    picture_bgr
        (h, w, 3) picture that it was fitted to.
    evidence
        Ridges and lines of that picture; None leaves out the tests for lines of another court,
        as where a person has said which lines are this one's.
    limits
        What is demanded.
    """
    good = _good(fit)
    shares, shown = _shares(fit, good)
    for name in _dull_tape(fit, shares, picture_bgr):
        del shares[name], shown[name]
    off_colour = _off_colour(fit, good, picture_bgr)
    for name in off_colour:
        shares[name] = 0.0
    length = sum(shown.values())
    found = sum(shares[name] * shown[name] for name in shares)
    share = found / length if length else 0.0
    residual = float(np.sqrt(np.mean(fit.residual_px[good] ** 2))) if good.any() else np.inf
    worst = worst_sd_m(fit)
    faults = [
        *_too_little(shares, share, limits),
        *_absent(fit.view, shares, shown),
        *_laid_off(fit, shares),
    ]
    if residual > limits.residual_px:
        faults.append(f"the lines lie {residual:.1f} pixels from where this court's would")
    if evidence is not None and not faults:
        faults += _going_on(fit.view.scaled(evidence.scale), evidence.line_map)
        faults += _left_over(fit, good, picture_bgr, evidence, found_px=found)
    if not faults and not worst <= limits.worst_sd_m:
        faults.append(
            f"too little of the court is in view: a place on it would be known to ± {worst:.1f} m"
        )
    place = float(np.sqrt(np.linalg.eigvalsh(fit.covariance[-3:, -3:])[-1]))
    if not faults and not place <= limits.place_sd_m:
        faults.append(
            "too little of the court is in view: the camera's place would be known to "
            f"± {place:.1f} m"
        )
    return Quality(
        found_share=float(share),
        shares=shares,
        residual_px=residual,
        worst_sd_m=worst,
        score_px=float(2 * found - length),
        tape_px=float(sum(shares[name] * shown[name] for name in shares if name in TAPE)),
        faults=tuple(faults),
    )


def _good(fit: Fit) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return fit.used & (np.abs(fit.residual_px) < 2.5)


def _shares(fit: Fit, good: np.ndarray) -> tuple[dict[str, float], dict[str, float]]:
    """Share found and length shown of each strip that shows long enough."""
    shares, shown = {}, {}
    for index, strip in enumerate(court_strips()):
        here = fit.places.strip == index
        length = float(fit.places.step_px[here].sum())
        if length >= LEAST_SHOWN_PX:
            shares[strip.name] = float(good[here].mean())
            shown[strip.name] = length
    return shares, shown


def _dull_tape(fit: Fit, shares: Mapping[str, float], picture_bgr: np.ndarray) -> list[str]:
    """Halves of the net's tape that are there, but not brighter than what lies behind them.

    A tape in the shade before sunlit ground is as dark as it. Neither found nor missed. Beside
    one such half less is asked of the other: there people stand, or the ground behind changes.
    """
    grey = cv2.cvtColor(picture_bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    bars: dict[str, tuple[float, float]] = {}
    for index, strip in enumerate(court_strips()):
        if strip.group == NET and shares.get(strip.name, 1.0) < ABSENT_SHARE:
            here = fit.places.part(fit.places.strip == index)
            offset, explained = typical_bar(grey, here, blur_px=fit.blur_px)
            bars[strip.name] = abs(offset), explained
    clear = [n for n, (off, told) in bars.items() if off < DULL_WITHIN_PX and told > DULL_EXPLAINED]
    if not clear:
        return []
    return [
        name
        for name, (off, told) in bars.items()
        if name in clear or (off < BESIDE_DULL_WITHIN_PX and told > BESIDE_DULL_EXPLAINED)
    ]


def _off_colour(fit: Fit, good: np.ndarray, picture_bgr: np.ndarray) -> list[str]:
    """Painted lines whose hue differs from that of most of the paint."""
    lab = _lab(picture_bgr)
    at = np.round(fit.places.at_px).astype(int)
    hue = lab[at[:, 1], at[:, 0], 1:]
    # Thin lines mix with their ground; only where the paint fills pixels its hue is its own.
    wide = good & (fit.places.width_px > 1.6)
    hues, weights, limits = {}, [], []
    for index, strip in enumerate(court_strips()):
        here = wide & (fit.places.strip == index)
        if strip.group != NET and here.sum() >= 6:
            hues[strip.name] = np.median(hue[here], axis=0)
            weights.append(here.sum())
            pure = np.median(fit.places.width_px[here]) > 3
            limits.append(PURE_PAINT_APART if pure else PAINT_APART)
    if len(hues) < 3:
        return []
    all_hues = np.array(list(hues.values()))
    apart = np.linalg.norm(all_hues[:, None] - all_hues[None], axis=2)
    middle = int(np.argmin(apart @ np.array(weights)))
    return [
        name for name, far, limit in zip(hues, apart[middle], limits, strict=True) if far > limit
    ]


def _too_little(shares: Mapping[str, float], share: float, limits: CourtLimits) -> list[str]:
    seen = {name for name, part in shares.items() if part >= SEEN_SHARE}
    across, along = seen & set(ACROSS), seen & set(ALONG)
    faults = []
    if len(across) < 2 or len(along) < 2 or len(seen) < 5:
        lines = ", ".join(sorted(across | along)) or "none"
        faults.append(f"too few of this court's lines were found ({lines})")
    elif not across & set(ACROSS[2:]):
        faults.append("no non-volley line was found")
    elif share < limits.found_share:
        faults.append(f"only {100 * share:.0f} % of the lines that should be in view were found")
    return faults


def _left_over(fit: Fit, good, picture_bgr, evidence: Evidence, *, found_px: float) -> list[str]:
    """Lines of the same paint on and around the court that this court does not have."""
    paint = _paint(fit, good, picture_bgr)
    if paint is None:
        return []
    view = fit.view.scaled(evidence.scale)
    small = cv2.resize(
        picture_bgr, view.size_px, interpolation=cv2.INTER_AREA
    ) if evidence.scale < 1 else picture_bgr  # fmt: skip
    lab = _lab(small)
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
        apart = np.median(lab[y, x][open_], axis=0) - paint
        # Whiter than the lines found, it is paint all the more.
        apart[0] = min(apart[0], 0)
        if np.linalg.norm(apart) < SAME_PAINT:
            extra += open_.mean() * min(line.support_px, length)
    if extra > LEFT_OVER_SHARE * found_px * evidence.scale:
        return ["lines of the same paint lie where this court has none"]
    return []


def _lab(picture_bgr: np.ndarray) -> np.ndarray:
    blurred = cv2.GaussianBlur(picture_bgr, (0, 0), 0.7)
    return cv2.cvtColor(blurred.astype(np.float32) / 255, cv2.COLOR_BGR2LAB)


def _paint(fit: Fit, good: np.ndarray, picture_bgr: np.ndarray) -> np.ndarray | None:
    """(3,) CIE L*a*b* of the court's paint where it is wide enough to show; None if nowhere."""
    ground = np.array([strip.group != NET for strip in court_strips()])[fit.places.strip]
    wide = good & ground & (fit.places.width_px > 1.2)
    if wide.sum() < 10:
        return None
    x, y = np.round(fit.places.at_px[wide]).astype(int).T
    return np.median(_lab(picture_bgr)[y, x], axis=0)


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


def _absent(view: View, shares: Mapping[str, float], shown: Mapping[str, float]) -> list[str]:
    near = [name for name in TELLING if shown.get(name, 0) > 60]
    faults = [
        f"the {name} that should be in view is not there"
        for name in near
        if shares[name] < ABSENT_SHARE
    ]
    # Lines seen through the net's mesh may well be lost.
    missing = [0.5 if name in BEHIND_NET else 1.0 for name in shares if shares[name] < ABSENT_SHARE]
    seen = sum(share >= SEEN_SHARE for share in shares.values())
    if sum(missing) > MISSING_A_SEEN * seen:
        faults.append(f"{len(missing)} of this court's lines are missing where they should be")
    tape = [name for name in TAPE if name in shown]
    length = sum(shown[name] for name in tape)
    if length > 120 and sum(shares[n] * shown[n] for n in tape) < ABSENT_SHARE * length:
        faults.append("the net's tape is not where this court's would be")
    return faults


def _laid_off(fit: Fit, shares: Mapping[str, float]) -> list[str]:
    return [
        f"the {name} does not lie where the rulebook puts it"
        for name, off in fit.laid_off.items()
        if abs(off) > MOST_LAID_OFF and (name == NET or shares.get(name, 0) > 0.15)
    ]


def _going_on(view: View, line_map: LineMap) -> list[str]:
    """Lines that run on beyond where this court's end: then it is another court."""
    half_w, half_l, kitchen = COURT_WIDTH_M / 2, COURT_LENGTH_M / 2, NON_VOLLEY_DEPTH_M
    beyond = {
        "the centerline runs on to the net": [((0, -kitchen + 0.25), (0, -0.35))],
        "the sidelines run on beyond the baseline": [
            ((x, -half_l - 0.3), (x, -half_l - 2.0)) for x in (-half_w + 0.025, half_w - 0.025)
        ],
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
    if shown.sum() < 30 or np.linalg.norm(run[shown], axis=1).sum() < LEAST_SHOWN_PX / 2:
        return False
    return bool(np.mean(off[shown] < 2.0) > CONTINUED_SHARE)


def worst_sd_m(fit: Fit) -> float:
    """Largest standard uncertainty of a place on the court in view, to the worse direction.

    Returns
    -------
    float
        Metres; infinite when none of the court is in view.
    """
    x = np.linspace(-COURT_WIDTH_M / 2, COURT_WIDTH_M / 2, 9)
    y = np.linspace(-COURT_LENGTH_M / 2, COURT_LENGTH_M / 2, 19)
    grid = np.stack(np.meshgrid(x, y, [0.0]), axis=-1).reshape(-1, 3)
    px = fit.view.project(grid)
    camera = SolvedCamera(view=fit.view, covariance=fit.covariance)
    _, covariance = camera.ground(px[fit.view.shows(px)])
    if not len(covariance):
        return np.inf
    return float(np.sqrt(np.linalg.eigvalsh(covariance)[:, -1].max()))
