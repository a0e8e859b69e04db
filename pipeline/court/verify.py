"""Whether a fitted court is really there: line by line, and against what else it could be."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from paddlebrief.court.camera import SolvedCamera, View
from paddlebrief.court.dimensions import COURT_LENGTH_M, COURT_WIDTH_M
from paddlebrief.court.fit import Fit
from paddlebrief.court.other_courts import Evidence, colours_of, going_on, left_over
from paddlebrief.court.profiles import typical_bar
from paddlebrief.court.strips import NET, court_strips

__all__ = ["CourtLimits", "Quality", "judge", "worst_sd_m"]

LEAST_SHOWN_PX = 36.0
SEEN_SHARE = 0.5
ABSENT_SHARE = 0.25
ABSENT_TAPE_SHARE = 0.33
LEAST_TAPE_PX = 60.0
MISSING_A_SEEN = 0.25
BEHIND_NET = ("far baseline", "far non-volley line", "far centerline")
MOST_LAID_OFF = 6.0  # standard deviations
DULL_WITHIN_PX = 1.0
DULL_EXPLAINED = 0.85
BESIDE_DULL_WITHIN_PX = 0.75
BESIDE_DULL_EXPLAINED = 0.7
GREYS_A_LAB = 2.55  # grey levels of one unit of CIE L*a*b*
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
    fit: Fit,
    picture_bgr: np.ndarray,
    evidence: Evidence | None,
    *,
    limits: CourtLimits,
    covered: np.ndarray | None = None,
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
    covered
        (h, w) bool, where people hid the ground all the time: what is not found there is not
        missed. None where that is not known.
    """
    good = _good(fit)
    shares, shown = _shares(fit, good, good | ~_at(covered, fit))
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
        faults += going_on(fit.view.scaled(evidence.scale), evidence.line_map)
        faults += left_over(fit, good, picture_bgr, evidence, found_px=found)
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


def _at(covered: np.ndarray | None, fit: Fit) -> np.ndarray:
    """(n,) whether each place looked at is covered."""
    at = np.round(fit.places.at_px).astype(int)
    if covered is None:
        return np.zeros(len(at), bool)
    height, width = covered.shape
    return covered[at[:, 1].clip(0, height - 1), at[:, 0].clip(0, width - 1)]


def _shares(
    fit: Fit, good: np.ndarray, open_to_view: np.ndarray
) -> tuple[dict[str, float], dict[str, float]]:
    """Share found and length shown of each strip that shows long enough."""
    shares, shown = {}, {}
    for index, strip in enumerate(court_strips()):
        here = (fit.places.strip == index) & open_to_view
        length = float(fit.places.step_px[here].sum())
        if length >= LEAST_SHOWN_PX:
            shares[strip.name] = float(good[here].mean())
            shown[strip.name] = length
    return shares, shown


def _dull_tape(fit: Fit, shares: Mapping[str, float], picture_bgr: np.ndarray) -> list[str]:
    """Halves of the net's tape that are there, but not brighter than what lies behind them.

    A tape in the shade before sunlit ground is as dark as it, but bluer. Neither found nor missed.
    Beside one such half less is asked of the other: there people stand, or the ground behind
    changes.
    """
    grey = cv2.cvtColor(picture_bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    yellow = np.ascontiguousarray(GREYS_A_LAB * colours_of(picture_bgr)[..., 2])
    bars: dict[str, tuple[float, float]] = {}
    for index, strip in enumerate(court_strips()):
        if strip.group == NET and shares.get(strip.name, 1.0) < ABSENT_TAPE_SHARE:
            here = fit.places.part(fit.places.strip == index)
            seen = [typical_bar(plane, here, blur_px=fit.blur_px) for plane in (grey, yellow)]
            bars[strip.name] = _clearest([(abs(offset), told) for offset, told in seen])
    return _believed(bars)


def _clearest(bars: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Of a bar seen in several ways, the least off one that explains its profile, else the one
    that explains most."""
    clear = [bar for bar in bars if bar[1] > DULL_EXPLAINED]
    return min(clear) if clear else max(bars, key=lambda bar: bar[1])


def _believed(bars: Mapping[str, tuple[float, float]]) -> list[str]:
    """Which bars are the tape, by how far off each lies and how much of its profile it explains."""
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
    lab = colours_of(picture_bgr)
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
    found = sum(shares[name] * shown[name] for name in tape)
    if length > LEAST_TAPE_PX and found < ABSENT_TAPE_SHARE * length:
        faults.append("the net's tape is not where this court's would be")
    return faults


def _laid_off(fit: Fit, shares: Mapping[str, float]) -> list[str]:
    return [
        f"the {name} does not lie where the rulebook puts it"
        for name, off in fit.laid_off.items()
        if abs(off) > MOST_LAID_OFF and (name == NET or shares.get(name, 0) > 0.15)
    ]


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
