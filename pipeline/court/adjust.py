"""Least squares with the lines' own errors: the camera, and how far each line lies off.

Paint and net are laid by people, and a whole strip may look shifted in the picture; both are
solved with the camera, held to what is expected of them.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from paddlebrief.court.camera import PARAMETERS, View
from paddlebrief.court.strips import NET, court_strips

__all__ = ["CAMERA", "Adjusted", "Priors", "Rows", "adjust", "adjust_learning", "groups"]

CAMERA = len(PARAMETERS)
LEARNING_ROUNDS = 3
PRIOR_LINES = 2.0
LEAST_SCATTER = 0.5


@dataclass(frozen=True)
class Priors:
    """What is known before looking: standard deviations about the plain expectation.

    ``centre_share`` of the picture's diagonal for the principal point about the middle,
    ``k1`` and ``k2`` about 0, ``paint_m`` for the place of each painted line, ``net_m`` for the
    height of the net, ``strip_share`` for what shifts a whole strip in the picture (sampling,
    compression, sharpening, what lies beside it), over the uncertainty of a place on it: thin
    and pale strips are shifted more.
    """

    centre_share: float = 0.003
    k1: float = 0.12
    k2: float = 0.06
    paint_m: float = 0.003
    net_m: float = 0.012
    strip_share: float = 0.8


@dataclass(frozen=True)
class Rows:
    """Measured places as rows of the least-squares problem.

    Attributes
    ----------
    points_m
        (n, 3) middles of strips, court frame.
    normal
        (n, 2) unit vectors in the picture along which the place is known.
    at_px
        (n, 2) where it was found.
    sd_px
        (n,) standard uncertainty of it.
    group
        (n,) index into `groups`; -1 for what belongs to no strip.
    across
        (n, 3) unit vectors across the strip, court frame.
    place_px
        (k,) typical uncertainty of a place of each group.
    """

    points_m: np.ndarray
    normal: np.ndarray
    at_px: np.ndarray
    sd_px: np.ndarray
    group: np.ndarray
    across: np.ndarray
    place_px: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Adjusted:
    """A camera with how far each group of strips lies off, in metres (first row) and pixels.

    Attributes
    ----------
    view, covariance, scatter
        Best estimate, (11, 11) covariance of its parameters, and typical size of the residuals
        over their expected sizes.
    offsets, spread, prior_sd
        (2, k) offsets, their variances, and the standard deviations that they were held to.
    """

    view: View
    covariance: np.ndarray
    scatter: float
    offsets: np.ndarray
    spread: np.ndarray
    prior_sd: np.ndarray

    def laid_off(self) -> dict[str, float]:
        """Group to the larger of its offsets, in standard deviations of the priors."""
        names, _, _ = groups()
        off = np.abs(self.offsets / self.prior_sd).max(axis=0)
        return dict(zip(names, off.tolist(), strict=True))

    def sizes(self, expected: np.ndarray) -> tuple[float, float]:
        """How large the offsets in metres and in pixels are, over what was expected at first."""
        told = 1 - self.spread / self.prior_sd**2
        power = (self.offsets / expected) ** 2
        size = (PRIOR_LINES + power.sum(axis=1)) / (PRIOR_LINES + told.sum(axis=1))
        return tuple(np.sqrt(size).tolist())


def groups() -> tuple[list[str], np.ndarray, np.ndarray]:
    """Names of the groups of strips, (s,) group of each strip, (s, 3) vectors across them."""
    strips = court_strips()
    names = list(dict.fromkeys(strip.group for strip in strips))
    index = np.array([names.index(strip.group) for strip in strips])
    return names, index, np.stack([strip.across for strip in strips])


def adjust_learning(
    rows: Rows, marked: Rows | None, *, priors: Priors, free: np.ndarray, first: Adjusted
) -> Adjusted:
    """Solve again with the sizes of errors that the lines themselves show.

    How far lines lie from where paint and picture should put them differs from court to court
    and from recording to recording. Their sizes are found with them: MacKay, "Bayesian
    interpolation", Neural Computation 4(3), 1992 (from memory), the priors counting as so many
    lines more.
    """
    solved = first
    for _ in range(LEARNING_ROUNDS):
        paint, strip = solved.sizes(first.prior_sd)
        known = replace(
            priors, paint_m=paint * priors.paint_m, net_m=paint * priors.net_m,
            strip_share=strip * priors.strip_share,
        )  # fmt: skip
        solved = adjust(solved.view, rows, marked, priors=known, free=free)
    return solved


def adjust(
    view: View, data: Rows | None, marked: Rows | None, *, priors: Priors, free: np.ndarray
) -> Adjusted:
    """Solve camera and offsets together.

    Parameters
    ----------
    view
        Where to start.
    data, marked
        Places on strips, and points that a person marked; at least one of them.
    priors
        What holds lens and offsets.
    free
        (11,) bool, which of the camera's parameters may move.
    """
    names, _, _ = groups()
    place_px = (data or marked).place_px
    prior_sd = _prior_sd(view, place_px, priors)
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
    return _adjusted(start, spread(found.x), data, marked, prior_sd=prior_sd, moving=moving)


def _adjusted(start: View, whole: np.ndarray, data, marked, *, prior_sd, moving) -> Adjusted:
    """What a solution gives, with its covariance."""
    view = start.moved(whole[:CAMERA])
    off = np.concatenate(_off(view, whole[CAMERA:], data, marked))
    scatter = _scatter(off)
    # Neighbouring places see the same pixels, lens error and paint: their errors are not
    # independent, and the information is taken down by what they are found to share.
    weight = 1 / (1 + (off / 3) ** 2)
    rows = np.concatenate(_slopes(view, whole[CAMERA:], data, marked))
    information = rows.T @ (rows * weight[:, None])
    information /= max(scatter, LEAST_SCATTER) ** 2 * _shared(off)
    information += np.diag(1 / prior_sd**2)
    inverse = np.zeros_like(information)
    inverse[np.ix_(moving, moving)] = np.linalg.pinv(
        information[np.ix_(moving, moving)], hermitian=True
    )
    return Adjusted(
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


def _prior_sd(view: View, place_px: np.ndarray, priors: Priors) -> np.ndarray:
    names, _, _ = groups()
    sd = np.full(CAMERA + 2 * len(names), np.inf)
    sd[CAMERA + len(names) :] = priors.strip_share * place_px
    sd[1:3] = priors.centre_share * np.hypot(*view.size_px)
    sd[3:5] = priors.k1, priors.k2
    sd[CAMERA : CAMERA + len(names)] = [
        priors.net_m if name == NET else priors.paint_m for name in names
    ]
    return sd


def _prior_rows(whole: np.ndarray, mean: np.ndarray, sd: np.ndarray) -> np.ndarray:
    return (whole - np.concatenate([mean, np.zeros(len(whole) - CAMERA)])) / sd


def _off(view: View, shifts: np.ndarray, data: Rows | None, marked: Rows | None):
    rows = []
    for part in (data, marked):
        if part is not None:
            gap = view.project(_shifted(part, shifts)) - part.at_px
            slip = np.where(part.group >= 0, shifts[len(shifts) // 2 :][part.group], 0.0)
            # A wild step can throw points behind the camera: far off, but finite.
            off = np.nan_to_num(np.sum(gap * part.normal, axis=1), nan=1e3)
            rows.append((off + slip) / part.sd_px)
    return rows


def _shifted(part: Rows, shifts: np.ndarray) -> np.ndarray:
    by = np.where(part.group >= 0, shifts[part.group], 0.0)
    return part.points_m + by[:, None] * part.across


def _slopes(view: View, shifts: np.ndarray, data: Rows | None, marked: Rows | None):
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
