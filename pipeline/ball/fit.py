"""Batch least squares of a chain of flights in the court frame, with its covariance.

Unknown are each flight's state and spin, the breaks' times and one drag for all. Candidates enter
by their pixels with a Student-t loss; that flights meet at breaks, that bounces happen on the
ground and return the ball as balls do, and what is known of drag and spin enter as residuals.
"""

from dataclasses import dataclass

import numpy as np

from paddlebrief.ball.flight import Paths, acceleration_mps2, drag_per_m, fly_many
from paddlebrief.ball.records import BallCamera, BreakKind
from paddlebrief.ball.settings import BallTrackSettings
from paddlebrief.ball.start import (
    PLACE_MEAN_M,
    PLACE_SD_M,
    SPEED_SD_MPS,
    Chain,
    Guess,
)
from paddlebrief.ball.ties import Tie, make_tie
from paddlebrief.court.camera import SolvedCamera

__all__ = ["ChainFit", "Layout", "fit_chain"]

FREEDOM = 5.0
"""Degrees of freedom of the Student-t loss."""
_NUDGE = {"velocity": 1e-3, "rim": 1e-2, "drag": 1e-3, "place": 1e-4}
_MOST_ROUNDS = 25
_SETTLED = 0.02
_PRIOR_COUNT = 12.0
_BREAK_SPAN_S = 0.2
_MOST_STATE = np.repeat([40.0, 60.0, 40.0], 3)
_FIRST_ORDER = 1.25
"""Factor on variances: first-order covariances came out a tenth too narrow in simulated sessions
(`tests/benchmarks/ball.py`)."""

_ALIKE = 0.8
"""Part of a candidate's stated uncertainty by which all of a chain are off alike, as the lit side
of a ball counts more: 0.2 to 0.9 px where 0.3 to 0.6 were stated (rendered sessions)."""


@dataclass(frozen=True)
class Layout:
    """Where what stands among the parameters of a chain of ``flights`` flights.

    Flight after flight its position, velocity and spin (9), then the logarithm of drag over its
    expected value, then the breaks' times.
    """

    flights: int

    @property
    def size(self) -> int:
        return 10 * self.flights

    @property
    def drag(self) -> int:
        return 9 * self.flights

    def state(self, flight: int) -> slice:
        """Position, velocity and spin of a flight."""
        return slice(9 * flight, 9 * flight + 9)

    def at_break(self, number: int) -> int:
        return 9 * self.flights + 1 + number

    def paths(self, x: np.ndarray, spans_s: np.ndarray, expected_drag: float) -> Paths:
        """The flights of parameters (…, size), flown; flight after flight, set after set."""
        sets = np.atleast_2d(x)
        states = sets[:, : self.drag].reshape(-1, 9)
        drag = np.repeat(expected_drag * np.exp(sets[:, self.drag]), self.flights)
        return fly_many(
            states[:, :3],
            states[:, 3:6],
            drag=drag,
            rim=states[:, 6:],
            span_s=np.tile(spans_s, len(sets)),
        )


@dataclass(frozen=True, kw_only=True)
class ChainFit:
    """A fitted chain.

    Attributes
    ----------
    parameters, covariance
        (p,) and (p, p), by `Layout`.
    owner
        (n,) flight of each candidate.
    residual
        (n,) distance of each candidate in standard deviations of one coordinate.
    evidence
        −2 ln of the probability of the candidates under these kinds of breaks, by Laplace's
        method and up to a constant: the lower of two kinds, or numbers, of breaks is the likelier.
    """

    chain: Chain
    parameters: np.ndarray
    covariance: np.ndarray
    owner: np.ndarray
    residual: np.ndarray
    evidence: float


def fit_chain(
    chain: Chain,
    guess: Guess,
    camera: BallCamera,
    settings: BallTrackSettings,
    *,
    settled: float = _SETTLED,
) -> ChainFit | None:
    """Fit a chain from a guess; None where the guess leads nowhere.

    ``settled`` is the gain in −2 ln likelihood below which a step was the last one: 0.02 is a
    seventh of a standard deviation of one parameter.
    """
    problem = _Problem(chain, camera, settings)
    x = problem.start(guess)
    for _ in range(2):
        problem.tie(x)
        x = problem.descend(x, settled)
        if x is None:
            return None
        if BreakKind.BOUNCE not in chain.kinds:
            break
    return problem.finished(x)


class _Problem:
    """Residuals and derivatives of a chain."""

    def __init__(self, chain: Chain, camera: BallCamera, settings: BallTrackSettings) -> None:
        self.chain, self.camera, self.settings = chain, camera, settings
        self.layout = Layout(chain.flights)
        self.drag = drag_per_m(settings.drag_coefficient)
        self.anchors, self.spans = chain.anchors_s, chain.spans_s
        shake = camera.shake_px if isinstance(camera, SolvedCamera) else 0.0
        self.sd_px = np.hypot(chain.sd_px, shake)
        self.ties: list[Tie] = []

    def start(self, guess: Guess) -> np.ndarray:
        x = np.zeros(self.layout.size)
        for f in range(self.layout.flights):
            x[9 * f : 9 * f + 3], x[9 * f + 3 : 9 * f + 6] = (
                guess.position_m[f],
                guess.velocity_mps[f],
            )
        x[self.layout.drag + 1 :] = self.chain.breaks_s
        return self._kept_in(x)

    def tie(self, x: np.ndarray) -> None:
        """Set what is expected at the breaks, by the velocities of the parameters."""
        before, _, _ = self._at_breaks(x, self.layout.paths(x, self.spans, self.drag), 1)
        self.ties = [
            make_tie(kind, before[k, 0, 3:], self.settings)
            for k, kind in enumerate(self.chain.kinds)
        ]

    def owner(self, x: np.ndarray) -> np.ndarray:
        return np.searchsorted(x[self.layout.drag + 1 :], self.chain.time_s, side="right")

    def _sets(self, x: np.ndarray) -> np.ndarray:
        """The parameters, and seven sets with every flight's velocity, spin or drag nudged."""
        sets = np.tile(x, (8, 1))
        for k in range(3):
            sets[1 + k, 3 + k : self.layout.drag : 9] += _NUDGE["velocity"]
            sets[4 + k, 6 + k : self.layout.drag : 9] += _NUDGE["rim"]
        sets[7, self.layout.drag] += _NUDGE["drag"]
        return sets

    def evaluate(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Residuals of the pixels (n, 2) and of the ties (q,)."""
        paths = self.layout.paths(x, self.spans, self.drag)
        places, _ = self._look(paths, self.owner(x), 1)
        off = (self.camera.project(places) - self.chain.px) / self.sd_px[:, None]
        states, _, _ = self._at_breaks(x, paths, 1)
        ties = [t.residual(*s) for t, s in zip(self.ties, states, strict=True)]
        return off, np.concatenate(ties) if ties else np.zeros(0)

    def linear(self, x: np.ndarray):
        """Residuals as `evaluate`, and derivatives (n, 2, p) and (q, p)."""
        paths = self.layout.paths(self._sets(x), self.spans, self.drag)
        owner = self.owner(x)
        places, slope = self._look(paths, owner, 8)
        px = self.camera.project(places)
        off = (px - self.chain.px) / self.sd_px[:, None]
        moved = places + _NUDGE["place"] * np.eye(3)[:, None, :]
        by_point = np.moveaxis((self.camera.project(moved) - px) / _NUDGE["place"], 0, -1)
        by = by_point @ slope / self.sd_px[:, None, None]
        full = np.zeros((len(owner), 2, self.layout.size))
        columns = 9 * owner[:, None] + np.arange(9)
        row = np.arange(len(owner))[:, None, None]
        full[row, np.arange(2)[None, :, None], columns[:, None, :]] = by[:, :, :9]
        full[:, :, self.layout.drag] = by[:, :, 9]
        return off, full, *self._linear_ties(x, paths)

    def _linear_ties(self, x: np.ndarray, paths: Paths):
        states, slopes, rates = self._at_breaks(x, paths, 8)
        values, by = [np.zeros(0)], [np.zeros((0, self.layout.size))]
        for k, tie in enumerate(self.ties):
            part = np.zeros((len(tie.target), self.layout.size))
            for side, share in enumerate((tie.before, tie.after)):
                part[:, self.layout.state(k + side)] += share @ slopes[k, side, :, :9]
                part[:, self.layout.drag] += share @ slopes[k, side, :, 9]
                part[:, self.layout.at_break(k)] += share @ rates[k, side]
            values.append(tie.residual(*states[k]))
            by.append(part)
        return np.concatenate(values), np.vstack(by)

    def _look(self, paths: Paths, owner: np.ndarray, sets: int):
        """Places (n, 3) of the candidates and their derivatives (n, 3, 10), None for one set."""
        since = self.chain.time_s - self.anchors[owner]
        which = (owner + self.layout.flights * np.arange(sets)[:, None]).ravel()
        places = paths.at(which, np.tile(since, sets))[0].reshape(sets, len(owner), 3)
        return places[0], _slopes(places, by_place=True) if sets > 1 else None

    def _at_breaks(self, x: np.ndarray, paths: Paths, sets: int):
        """States (b, 2, 6) before and after each break, their derivatives (b, 2, 6, 10) by the
        flight's parameters (None for one set), and by time (b, 2, 6)."""
        m = self.layout.flights
        flights = np.stack([np.arange(m - 1), np.arange(1, m)], 1).ravel()
        since = np.repeat(x[self.layout.drag + 1 :], 2) - self.anchors[flights]
        which = (flights + m * np.arange(sets)[:, None]).ravel()
        p, v = paths.at(which, np.tile(since, sets))
        p, v = p.reshape(sets, -1, 3), v.reshape(sets, -1, 3)
        states = np.concatenate([p[0], v[0]], axis=-1).reshape(-1, 2, 6)
        rate = np.concatenate(
            [v[0], acceleration_mps2(v[0], paths.drag[flights], paths.rim[flights])], axis=-1
        ).reshape(-1, 2, 6)
        if sets == 1:
            return states, None, rate
        slopes = np.concatenate([_slopes(p, by_place=True), _slopes(v, by_place=False)], axis=1)
        return states, slopes.reshape(-1, 2, 6, 10), rate

    def cost(self, off: np.ndarray, ties: np.ndarray, x: np.ndarray) -> float:
        square = np.sum(off**2, axis=1)
        if not np.all(np.isfinite(square)):
            return np.inf
        loss = (FREEDOM + 2) * np.sum(np.log1p(square / FREEDOM))
        prior = (x - self.prior_mean) ** 2 @ self.prior_weight
        return float(loss + ties @ ties + prior)

    @property
    def prior_mean(self) -> np.ndarray:
        mean = np.zeros(self.layout.size)
        for f in range(self.layout.flights):
            mean[9 * f : 9 * f + 3] = PLACE_MEAN_M
        return mean

    @property
    def prior_weight(self) -> np.ndarray:
        weight = np.zeros(self.layout.size)
        for f in range(self.layout.flights):
            weight[9 * f : 9 * f + 3] = PLACE_SD_M**-2
            weight[9 * f + 3 : 9 * f + 6] = SPEED_SD_MPS**-2
            weight[9 * f + 6 : 9 * f + 9] = self.settings.rim_speed_sd_mps**-2
        relative = self.settings.drag_coefficient_sd / self.settings.drag_coefficient
        weight[self.layout.drag] = relative**-2
        return weight

    def normal(self, x: np.ndarray):
        """Robust normal equations: matrix, right side, pixel weights and derivatives."""
        off, by_px, ties, by_ties = self.linear(x)
        weight = (FREEDOM + 2) / (FREEDOM + np.sum(off**2, axis=1))
        flat = (by_px * np.sqrt(weight)[:, None, None]).reshape(-1, self.layout.size)
        value = (off * np.sqrt(weight)[:, None]).ravel()
        matrix = flat.T @ flat + by_ties.T @ by_ties + np.diag(self.prior_weight)
        right = -(flat.T @ value + by_ties.T @ ties + self.prior_weight * (x - self.prior_mean))
        return matrix, right, weight, by_px

    def descend(self, x: np.ndarray, settled: float) -> np.ndarray | None:
        """Levenberg–Marquardt; None where the start is out of sight or nothing converges."""
        off, ties = self.evaluate(x)
        cost, damping = self.cost(off, ties, x), 1e-3
        if not np.isfinite(cost):
            return None
        for _ in range(_MOST_ROUNDS):
            matrix, right, *_ = self.normal(x)
            if not np.all(np.isfinite(matrix)):
                return None
            better = False
            while damping < 1e8:
                step = np.linalg.solve(matrix + damping * np.diag(np.diag(matrix)), right)
                tried = self._kept_in(x + step)
                off, ties = self.evaluate(tried)
                new = self.cost(off, ties, tried)
                if new < cost:
                    better = True
                    break
                damping *= 8
            if not better:
                return x
            done = cost - new < settled
            x, cost, damping = tried, new, max(damping / 10, 1e-9)
            if done:
                return x
        return x

    def _kept_in(self, x: np.ndarray) -> np.ndarray:
        """Parameters within what a ball can do, and breaks in order near where they were guessed.

        Without it a step from a bad guess can overflow.
        """
        at = self.layout.drag + 1
        states = x[: self.layout.drag].reshape(-1, 9)
        np.clip(states, -_MOST_STATE, _MOST_STATE, out=states)
        x[self.layout.drag] = np.clip(x[self.layout.drag], -1, 1)
        x[at:] = np.clip(
            x[at:], self.chain.breaks_s - _BREAK_SPAN_S / 2, self.chain.breaks_s + _BREAK_SPAN_S / 2
        )
        x[at:] = np.maximum.accumulate(x[at:])
        return x

    def finished(self, x: np.ndarray) -> ChainFit | None:
        matrix, _, weight, by_px = self.normal(x)
        try:
            covariance = np.linalg.inv(matrix)
        except np.linalg.LinAlgError:
            return None
        off, ties = self.evaluate(x)
        square = np.sum(off**2, axis=1)
        covariance = covariance * _FIRST_ORDER * self._scale(square)
        inverse = np.linalg.inv(matrix)
        covariance = covariance + self._alike_share(inverse, weight, by_px)
        if isinstance(self.camera, SolvedCamera):
            covariance = covariance + self._camera_share(x, inverse, weight, by_px)
        return ChainFit(
            chain=self.chain,
            parameters=x,
            covariance=covariance,
            owner=self.owner(x),
            residual=np.sqrt(square),
            evidence=self.cost(off, ties, x)
            + float(np.linalg.slogdet(matrix)[1])
            - float(np.sum(np.log(self.prior_weight[self.prior_weight > 0])))
            + 2 * sum(t.log_sd + np.log(_BREAK_SPAN_S) for t in self.ties),
        )

    def _scale(self, square: np.ndarray) -> float:
        """Variance of the residuals over the stated one, at least 1, drawn to 1 for few of them.

        The median of a squared distance in the plane is 2 ln 2 times the variance.
        """
        seen = float(np.median(square)) / (2 * np.log(2))
        n = len(square)
        free = n / max(n - 3.0 * self.layout.flights, 1.0)
        return max(1.0, (_PRIOR_COUNT + n * min(seen * free, 25.0)) / (_PRIOR_COUNT + n))

    def _alike_share(self, inverse, weight, by_px) -> np.ndarray:
        """Covariance that errors add which all candidates of a chain share; first order."""
        shift = _ALIKE * np.median(self.chain.sd_px) * (weight / self.sd_px)
        moved = inverse @ np.einsum("nip,n->pi", by_px, shift)
        return moved @ moved.T

    def _camera_share(self, x, inverse, weight, by_px) -> np.ndarray:
        """Covariance that the solved camera's own uncertainty adds; first order."""
        paths = self.layout.paths(x, self.spans, self.drag)
        place, _ = self._look(paths, self.owner(x), 1)
        by_camera, _ = self.camera.view.jacobians(place)
        values, vectors = np.linalg.eigh(self.camera.covariance)
        modes = vectors * np.sqrt(np.maximum(values, 0))
        shift = (by_camera @ modes) / self.sd_px[:, None, None] * weight[:, None, None]
        moved = inverse @ np.einsum("nip,nim->pm", by_px, shift)
        return moved @ moved.T


def _slopes(values: np.ndarray, *, by_place: bool) -> np.ndarray:
    """(n, 3, 10) derivatives by state, spin and drag of vectors (8, n, 3) from `_Problem._sets`.

    ``by_place`` is True for places, whose derivative by the starting place is 1; that of
    velocities is 0.
    """
    slope = np.zeros((values.shape[1], 3, 10))
    if by_place:
        slope[:, :, :3] = np.eye(3)
    change = values[1:] - values[0]
    slope[:, :, 3:6] = np.moveaxis(change[:3], 0, -1) / _NUDGE["velocity"]
    slope[:, :, 6:9] = np.moveaxis(change[3:6], 0, -1) / _NUDGE["rim"]
    slope[:, :, 9] = change[6] / _NUDGE["drag"]
    return slope
