"""Least squares: the camera that puts the court's strips where the picture shows them."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from paddlebrief.court.camera import PARAMETERS, View
from paddlebrief.court.profiles import Crossings, Predicted, measure, predict
from paddlebrief.court.strips import NET, court_strips, named_points_m

__all__ = ["Fit", "Priors", "fit_marks", "refine"]

ROUGH_WINDOWS_PX = (14.0, 9.0, 6.0)
FINE_WINDOWS_PX = (5.0, 4.0, 3.0)
HOPELESS_SHARE = 0.33
VEIL_PX = 0.6
DOUBTFUL_PX = 0.15
CAMERA = len(PARAMETERS)
LEARNING_ROUNDS = 3
PRIOR_LINES = 1.0
LEAST_SCATTER = 0.5


@dataclass(frozen=True)
class Priors:
    """What is known before looking: standard deviations about the plain expectation.

    ``centre_share`` of the picture's diagonal for the principal point about the middle,
    ``k1`` and ``k2`` about 0, ``paint_m`` for the place of each painted line, ``net_m`` for the
    height of the net, ``strip_px`` for what shifts a whole strip in the picture (sampling,
    compression, sharpening).
    """

    centre_share: float = 0.003
    k1: float = 0.12
    k2: float = 0.06
    paint_m: float = 0.003
    net_m: float = 0.012
    strip_px: float = 0.12


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


@dataclass(frozen=True)
class _Data:
    """Measured places as rows of the least-squares problem."""

    points_m: np.ndarray
    normal: np.ndarray
    at_px: np.ndarray
    sd_px: np.ndarray
    group: np.ndarray
    across: np.ndarray


@dataclass(frozen=True, kw_only=True)
class _Solved:
    """A camera with how far each group of strips lies off, in metres (first row) and pixels.

    ``spread`` are the offsets' variances, ``prior_sd`` what they were held to.
    """

    view: View
    covariance: np.ndarray
    scatter: float
    offsets: np.ndarray
    spread: np.ndarray
    prior_sd: np.ndarray

    def laid_off(self, priors: Priors) -> dict[str, float]:
        names, _, _ = _groups()
        off = np.abs(self.offsets / self.prior_sd).max(axis=0)
        return dict(zip(names, off.tolist(), strict=True))

    def sizes(self, priors: Priors) -> tuple[float, float]:
        """How large the offsets in metres and in pixels are, over their priors."""
        names, _, _ = _groups()
        expected = _prior_sd(self.view, names, priors)[CAMERA:].reshape(2, -1)
        told = 1 - self.spread / self.prior_sd**2
        power = (self.offsets / expected) ** 2
        size = (PRIOR_LINES + power.sum(axis=1)) / (PRIOR_LINES + told.sum(axis=1))
        return tuple(np.sqrt(size).tolist())


def _groups() -> tuple[list[str], np.ndarray, np.ndarray]:
    strips = court_strips()
    names = list(dict.fromkeys(strip.group for strip in strips))
    index = np.array([names.index(strip.group) for strip in strips])
    return names, index, np.stack([strip.across for strip in strips])


def refine(
    grey: np.ndarray,
    view: View,
    *,
    priors: Priors,
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
            blur = _best_blur(grey, places, window)
        crossings = measure(grey, places, window_px=window, blur_px=blur)
        used = _usable(crossings, places, window)
        if used.sum() < 20 or (step and used.mean() < HOPELESS_SHARE):
            return None
        data = _rows(places, crossings, used, floor_px=0.08 if last else 0.3)
        free = _free_parameters(used, places, lens=window <= ROUGH_WINDOWS_PX[-1])
        found = _solve(view, data, marked, priors=priors, free=free)
        view = found.view
    learned = _learned(view, data, marked, priors=priors, free=free, first=found)
    view = learned.view
    residual = np.full(len(places), np.nan)
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
        laid_off=found.laid_off(priors),
        scatter=learned.scatter,
        blur_px=blur,
    )


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


def _free_parameters(used: np.ndarray, places: Predicted, *, lens: bool) -> np.ndarray:
    """(11,) which parameters may move: the lens only once the start is close."""
    free = np.ones(CAMERA, bool)
    if not lens:
        free[1:5] = False
    return free


def _rows(places: Predicted, crossings: Crossings, used: np.ndarray, *, floor_px: float) -> _Data:
    _, group, across = _groups()
    target = places.at_px + crossings.offset_px[:, None] * places.normal
    return _Data(
        points_m=places.points_m[used],
        normal=places.normal[used],
        at_px=target[used],
        sd_px=np.hypot(_own_sd(places, crossings, used), floor_px)[used],
        group=group[places.strip[used]],
        across=across[places.strip[used]],
    )


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


def _marked(marks: Mapping[str, tuple[float, float]], sd_px: float) -> _Data | None:
    """Two rows for each mark: right and down."""
    if not marks:
        return None
    known = named_points_m()
    points = np.repeat(np.array([known[name] for name in marks], float), 2, axis=0)
    at = np.repeat(np.array(list(marks.values()), float), 2, axis=0)
    return _Data(
        points_m=points,
        normal=np.tile(np.eye(2), (len(marks), 1)),
        at_px=at,
        sd_px=np.full(len(points), sd_px),
        group=np.full(len(points), -1),
        across=np.zeros((len(points), 3)),
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
    found = _solve(view, None, _marked(marks, sd_px), priors=priors, free=free)
    return found.view, found.covariance, found.scatter


def _learned(view: View, data: _Data, marked, *, priors: Priors, free, first: "_Solved"):
    """Solve again with the sizes of errors that the lines themselves show.

    How far lines lie from where paint and picture should put them differs from court to court
    and from recording to recording. Their sizes are found with them: MacKay, "Bayesian
    interpolation", Neural Computation 4(3), 1992 (from memory), the priors counting as so many
    lines more.
    """
    solved = first
    for _ in range(LEARNING_ROUNDS):
        paint, strip = solved.sizes(priors)
        known = replace(
            priors, paint_m=paint * priors.paint_m, net_m=paint * priors.net_m,
            strip_px=strip * priors.strip_px,
        )  # fmt: skip
        solved = _solve(solved.view, data, marked, priors=known, free=free)
    return solved


def _solve(view: View, data: _Data | None, marked: _Data | None, *, priors: Priors, free):
    """Camera and court offsets together; see `Fit` for what comes back."""
    names, _, _ = _groups()
    prior_sd = _prior_sd(view, names, priors)
    start = view
    mean = _prior_step(start)
    moving = np.concatenate([free, np.full(2 * len(names), data is not None)])

    def spread(x: np.ndarray) -> np.ndarray:
        whole = np.zeros(len(moving))
        whole[moving] = x
        return whole

    def residuals(x: np.ndarray) -> np.ndarray:
        whole = spread(x)
        return np.concatenate(
            [*_off(start.moved(whole[:CAMERA]), whole[CAMERA:], data, marked),
             _prior_rows(whole, mean, prior_sd)[moving]]
        )  # fmt: skip

    def jacobian(x: np.ndarray) -> np.ndarray:
        whole = spread(x)
        rows = _slopes(start.moved(whole[:CAMERA]), whole[CAMERA:], data, marked)
        return np.concatenate([*rows, np.diag(1 / prior_sd)])[:, moving][
            np.concatenate([np.ones(sum(len(r) for r in rows), bool), moving])
        ]

    found = least_squares(
        residuals,
        np.zeros(moving.sum()),
        jac=jacobian,
        x_scale=_STEPS[moving],
        loss="cauchy",
        f_scale=3.0,
        max_nfev=40,
    )
    whole = spread(found.x)
    view = start.moved(whole[:CAMERA])
    off = np.concatenate(_off(view, whole[CAMERA:], data, marked))
    scatter = _scatter(off)
    # Neighbouring places see the same pixels, lens error and paint: their errors are not
    # independent, and the information is taken down by what they are found to share.
    weight = 1 / (1 + (off / 3) ** 2)
    rows = np.concatenate(_slopes(view, whole[CAMERA:], data, marked))
    information = rows.T @ (rows * weight[:, None]) / max(scatter**2, LEAST_SCATTER**2) / _shared(off)
    information += np.diag(1 / np.where(np.isfinite(prior_sd), prior_sd, np.inf) ** 2)
    inverse = np.zeros_like(information)
    inverse[np.ix_(moving, moving)] = np.linalg.pinv(
        information[np.ix_(moving, moving)], hermitian=True
    )
    return _Solved(
        view=view,
        covariance=inverse[:CAMERA, :CAMERA],
        scatter=scatter,
        offsets=whole[CAMERA:].reshape(2, -1),
        spread=np.diag(inverse)[CAMERA:].reshape(2, -1),
        prior_sd=prior_sd[CAMERA:].reshape(2, -1),
    )


_STEPS = np.concatenate(
    [[0.05, 2, 2, 0.05, 0.05, 0.01, 0.01, 0.01, 0.1, 0.1, 0.1], np.full(9, 0.005), np.full(9, 0.1)]
)


def _scatter(off: np.ndarray) -> float:
    """Typical size of the residuals over their expected sizes, outliers aside."""
    return float(1.4826 * np.median(np.abs(off))) if len(off) else np.nan


def _shared(off: np.ndarray) -> float:
    """How many neighbouring residuals carry one error: 1 + 2 × sum of their correlations."""
    clipped = np.clip(off, -4, 4)
    power = np.mean(clipped**2)
    total = 1.0
    for lag in range(1, min(40, len(off) // 4)):
        rho = np.mean(clipped[lag:] * clipped[:-lag]) / max(power, 1e-9)
        if rho < 0.1:
            break
        total += 2 * rho
    return total


def _prior_step(view: View) -> np.ndarray:
    """(11,) step that would bring a view's lens to the expectation; 0 where there is none."""
    step = np.zeros(CAMERA)
    step[1:3] = (np.array(view.size_px) - 1) / 2 - view.centre_px
    step[3:5] = -view.distortion
    return step


def _prior_sd(view: View, names: list[str], priors: Priors) -> np.ndarray:
    sd = np.full(CAMERA + 2 * len(names), priors.strip_px)
    sd[:CAMERA] = np.inf
    sd[1:3] = priors.centre_share * np.hypot(*view.size_px)
    sd[3:5] = priors.k1, priors.k2
    sd[CAMERA : CAMERA + len(names)] = [
        priors.net_m if name == NET else priors.paint_m for name in names
    ]
    return sd


def _prior_rows(whole: np.ndarray, mean: np.ndarray, sd: np.ndarray) -> np.ndarray:
    return (whole - np.concatenate([mean, np.zeros(len(whole) - CAMERA)])) / sd


def _off(view: View, shifts: np.ndarray, data: _Data | None, marked: _Data | None):
    rows = []
    for part in (data, marked):
        if part is not None:
            gap = view.project(_shifted(part, shifts)) - part.at_px
            slip = np.where(part.group >= 0, shifts[len(shifts) // 2 :][part.group], 0.0)
            # A wild step can throw points behind the camera: far off, but finite.
            off = np.nan_to_num(np.sum(gap * part.normal, axis=1), nan=1e3)
            rows.append((off + slip) / part.sd_px)
    return rows


def _shifted(part: _Data, shifts: np.ndarray) -> np.ndarray:
    by = np.where(part.group >= 0, shifts[part.group], 0.0)
    return part.points_m + by[:, None] * part.across


def _slopes(view: View, shifts: np.ndarray, data: _Data | None, marked: _Data | None):
    out = []
    for part in (data, marked):
        if part is None:
            continue
        by_camera, by_point = view.jacobians(_shifted(part, shifts))
        rows = np.zeros((len(part.sd_px), CAMERA + len(shifts)))
        rows[:, :CAMERA] = np.einsum("nij,ni->nj", by_camera, part.normal)
        slope = np.einsum("nij,nj,ni->n", by_point, part.across, part.normal)
        laid = part.group >= 0
        rows[np.flatnonzero(laid), CAMERA + part.group[laid]] = slope[laid]
        rows[np.flatnonzero(laid), CAMERA + len(shifts) // 2 + part.group[laid]] = 1
        out.append(np.nan_to_num(rows) / part.sd_px[:, None])
    return out
