"""Least squares: the camera that puts the court's strips where the picture shows them."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from paddlebrief.court.adjust import CAMERA, Priors, Rows, adjust, adjust_learning, groups
from paddlebrief.court.camera import View
from paddlebrief.court.profiles import Crossings, Predicted, measure, predict
from paddlebrief.court.strips import NET, court_strips, named_points_m

__all__ = ["Fit", "fit_marks", "refine"]

ROUGH_WINDOWS_PX = (14.0, 9.0, 6.0)
FINE_WINDOWS_PX = (5.0, 4.0, 3.0)
HOPELESS_SHARE = 0.33
FINE_SHARE = 0.9
VEIL_PX = 0.6
DOUBTFUL_PX = 0.15


@dataclass(frozen=True, kw_only=True)
class Fit:
    """A refined view.

    Attributes
    ----------
    view
        Best estimate.
    covariance
        (11, 11) of its parameters.
    places, crossings
        Where the court was looked for at the end, and what was found there.
    used
        (n,) places that held the view.
    residual_px
        (n,) distance of the found strip from the fitted one along the normal; NaN if not found.
    laid_off
        Group of strips to how far it lies from the rulebook's place, in standard deviations of
        the priors for paint and picture.
    scatter
        Typical size of the used residuals over their expected sizes.
    blur_px
        Blur that suited the profiles best.
    """

    view: View
    covariance: np.ndarray
    places: Predicted
    crossings: Crossings
    used: np.ndarray
    residual_px: np.ndarray
    laid_off: Mapping[str, float]
    scatter: float
    blur_px: float


def refine(
    grey: np.ndarray,
    view: View,
    *,
    priors: Priors,
    fine: np.ndarray | None = None,
    marks: Mapping[str, tuple[float, float]] | None = None,
    mark_sd_px: float = 3.0,
    rough: bool = True,
) -> Fit | None:
    """Fit a camera to the paint, looking ever closer.

    Parameters
    ----------
    grey
        (h, w) float32 in which paint is bright.
    view
        Where to start.
    priors
        Expectations that hold what the picture does not tell.
    fine
        The same in brightness, for the last steps and the strips that stand out in it:
        recordings keep colour at half the resolution, which moves lines between grounds of two
        colours.
    marks, mark_sd_px
        Court points that a person marked, pixels, and how exactly.
    rough
        Whether the start may be off by many pixels.

    Returns
    -------
    Fit or None
        None when too little of the court is found to hold a camera.
    """
    blur = 1.0
    windows = (*ROUGH_WINDOWS_PX, *FINE_WINDOWS_PX) if rough else FINE_WINDOWS_PX
    marked = _marked(marks or {}, mark_sd_px)
    for step, window in enumerate(windows):
        places = predict(view, spacing_px=6.0 if window <= 5 else 10.0)
        if len(places) < 20:
            return None
        last = step == len(windows) - 1
        if window == FINE_WINDOWS_PX[0]:
            blur = _best_blur(grey if fine is None else fine, places, window)
        crossings = measure(grey, places, window_px=window, blur_px=blur)
        if fine is not None and window <= FINE_WINDOWS_PX[0]:
            finer = measure(fine, places, window_px=window, blur_px=blur)
            crossings = _finer(crossings, finer, places, window)
        used = _usable(crossings, places, window)
        if used.sum() < 20 or (step and used.mean() < HOPELESS_SHARE):
            return None
        data = _rows(places, crossings, used, floor_px=0.08 if last else 0.3)
        free = np.ones(CAMERA, bool)
        # The lens moves only once the start is close.
        free[1:5] = window <= ROUGH_WINDOWS_PX[-1]
        found = adjust(view, data, marked, priors=priors, free=free)
        view = found.view
    learned = adjust_learning(data, marked, priors=priors, free=free, first=found)
    view = learned.view
    now = view.project(places.points_m)
    target = places.at_px + crossings.offset_px[:, None] * places.normal
    residual = np.sum((target - now) * places.normal, axis=1)
    return Fit(
        view=view,
        covariance=learned.covariance,
        places=places,
        crossings=crossings,
        used=used,
        residual_px=residual,
        laid_off=found.laid_off(),
        scatter=learned.scatter,
        blur_px=blur,
    )


def _finer(grey: Crossings, fine: Crossings, places: Predicted, window: float) -> Crossings:
    """What brightness shows, but for strips that hardly stand out in it."""
    clear = [_usable(found, places, window) for found in (grey, fine)]
    pale = np.zeros(len(places), bool)
    for strip in np.unique(places.strip):
        here = places.strip == strip
        pale |= here & (clear[1][here].sum() < FINE_SHARE * clear[0][here].sum())
    names = Crossings.__dataclass_fields__
    return Crossings(**{n: np.where(pale, getattr(grey, n), getattr(fine, n)) for n in names})


def _best_blur(grey: np.ndarray, places: Predicted, window: float) -> float:
    """Blur that leaves the least unexplained."""
    tried = (0.7, 1.0, 1.4, 2.0)
    left = [
        float(np.nanmedian(measure(grey, places, window_px=window, blur_px=b).noise)) for b in tried
    ]
    return tried[int(np.argmin(left))]


def _is_net() -> np.ndarray:
    return np.array([strip.group == NET for strip in court_strips()])


def _usable(crossings: Crossings, places: Predicted, window: float) -> np.ndarray:
    """Places where a bar stands out on both sides."""
    weakest = np.minimum(crossings.left, crossings.right)
    with np.errstate(invalid="ignore"):
        # The mesh under the tape is what looks like noise there.
        over = np.where(_is_net()[places.strip], 1.0, 2.5)
        clear = weakest > np.maximum(4.0, over * crossings.noise)
        clear &= np.abs(crossings.offset_px) < window
        fits = np.isnan(crossings.width_px) | (
            np.abs(np.log(crossings.width_px / places.width_px)) < np.log(1.9)
        )
    return clear & fits & np.isfinite(crossings.offset_px)


def _rows(places: Predicted, crossings: Crossings, used: np.ndarray, *, floor_px: float) -> Rows:
    _, group, across = groups()
    target = places.at_px + crossings.offset_px[:, None] * places.normal
    return Rows(
        points_m=places.points_m[used],
        normal=places.normal[used],
        at_px=target[used],
        sd_px=np.hypot(_own_sd(places, crossings, used), floor_px)[used],
        group=group[places.strip[used]],
        across=across[places.strip[used]],
        place_px=_typical(crossings.offset_sd_px[used], group[places.strip[used]]),
    )


def _typical(sd_px: np.ndarray, group: np.ndarray) -> np.ndarray:
    """(k,) median of each group's; of all where a group has none."""
    count = len(groups()[0])
    whole = np.median(sd_px)
    return np.array([np.median(sd_px[group == k]) if np.any(group == k) else whole
                     for k in range(count)])  # fmt: skip


def _own_sd(places: Predicted, crossings: Crossings, used: np.ndarray) -> np.ndarray:
    """(n,) uncertainty of each place, larger where many places share an error.

    A mesh and a line of about the same slope make a pattern that moves the line's middle; paint
    of another game beside a line or ground that is not plain does the same all along it. The
    doubtful places of a strip weigh together like one of them.
    """
    sd = np.where(
        places.veiled, np.maximum(crossings.offset_sd_px, VEIL_PX), crossings.offset_sd_px
    )
    doubtful = used & (sd > DOUBTFUL_PX)
    for strip in np.unique(places.strip):
        here = doubtful & (places.strip == strip)
        sd[here] *= np.sqrt(here.sum())
    return sd


def _marked(marks: Mapping[str, tuple[float, float]], sd_px: float) -> Rows | None:
    """Two rows for each mark: right and down."""
    if not marks:
        return None
    known = named_points_m()
    points = np.repeat(np.array([known[name] for name in marks], float), 2, axis=0)
    at = np.repeat(np.array(list(marks.values()), float), 2, axis=0)
    return Rows(
        points_m=points,
        normal=np.tile(np.eye(2), (len(marks), 1)),
        at_px=at,
        sd_px=np.full(len(points), sd_px),
        group=np.full(len(points), -1),
        across=np.zeros((len(points), 3)),
        place_px=np.ones(len(groups()[0])),
    )


def fit_marks(
    view: View,
    marks: Mapping[str, tuple[float, float]],
    *,
    sd_px: float,
    priors: Priors,
    lens: bool,
) -> tuple[View, np.ndarray, float]:
    """Fit a camera to marked points alone.

    Returns
    -------
    view, covariance, scatter
        As in `Fit`.
    """
    free = np.ones(CAMERA, bool)
    free[1:5] = lens
    found = adjust(view, None, _marked(marks, sd_px), priors=priors, free=free)
    return found.view, found.covariance, found.scatter
