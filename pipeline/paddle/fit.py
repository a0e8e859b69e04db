"""Fits a paddle's whole motion through a stroke to its keypoints, by weighted least squares.

The state at each node is the paddle's rotation, the place of the middle of its grip, its turning
speed and its speed, all in the camera frame; the paddle's size and a common error of the distance
are shared by all nodes. What each piece of evidence says is in ``equations``.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, cho_solve_banded, cholesky_banded, solve_banded

from paddlebrief.paddle.equations import NODE, SHARED, Sums, summed
from paddlebrief.paddle.motion import Evidence, State

__all__ = ["Fitted", "fit_motion"]

_ROUNDS, _ENOUGH = 25, 1e-2


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """A fitted motion with the factors of its information matrix."""

    state: State
    kick: int
    cost: float
    evidence: float
    factor: np.ndarray
    mixed: np.ndarray
    shared_covariance: np.ndarray

    def drawn(self, count: int, rng: np.random.Generator) -> State:
        """States drawn from the Gaussian round the fit; arrays gain a first axis."""
        n = len(self.state.place) * NODE
        shared = rng.multivariate_normal(np.zeros(SHARED), self.shared_covariance, size=count)
        # The factor is lower triangular: its transpose, solved backwards, gives the covariance.
        upper = np.zeros_like(self.factor)
        for k in range(len(self.factor)):
            upper[len(self.factor) - 1 - k, k:] = self.factor[k, : n - k]
        noise = rng.standard_normal((n, count))
        nodes = solve_banded((0, len(self.factor) - 1), upper, noise) - self.mixed @ shared.T
        return self.state.moved(nodes.T.reshape(count, -1, NODE), shared)


def fit_motion(start: State, evidence: Evidence) -> Fitted:
    """The likeliest motion near a start (Levenberg–Marquardt).

    Raises
    ------
    numpy.linalg.LinAlgError
        When the equations cannot be solved.
    """
    state, sums = start, summed(start, evidence)
    damping = 1e-3
    for _ in range(_ROUNDS):
        nodes, shared = _step(sums, damping)
        later = state.moved(nodes, shared)
        tried = summed(later, evidence)
        if tried.cost < sums.cost:
            gain, state, sums = sums.cost - tried.cost, later, tried
            damping = max(damping / 5, 1e-7)
            if gain < _ENOUGH:
                break
        else:
            damping *= 8
            if damping > 1e4:
                break
    return _finished(state, sums, evidence.kick)


def _reduced(sums: Sums, damping: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Factor of the nodes' part, its inverse times the mixed part, and the shared information."""
    factor = cholesky_banded(sums.banded(damping), lower=True)
    mixed = sums.mixed.reshape(-1, SHARED)
    solved = cho_solve_banded((factor, True), mixed)
    shared = sums.shared * (1 + damping * np.eye(SHARED)) - mixed.T @ solved
    return factor, solved, shared


def _step(sums: Sums, damping: float) -> tuple[np.ndarray, np.ndarray]:
    factor, solved, information = _reduced(sums, damping)
    pull = cho_solve_banded((factor, True), sums.pull.ravel())
    mixed = sums.mixed.reshape(-1, SHARED)
    shared = np.linalg.solve(information, sums.shared_pull - mixed.T @ pull)
    nodes = (pull - solved @ shared).reshape(-1, NODE)
    size = np.abs(nodes[:, :3]).max()
    shrink = min(1.0, 0.6 / size) if size > 0 else 1.0
    return nodes * shrink, shared * shrink


def _finished(state: State, sums: Sums, kick: int) -> Fitted:
    factor, solved, information = _reduced(sums, 1e-9)
    lower = np.linalg.cholesky(information)
    log_volume = np.log(factor[0]).sum() + np.log(np.diag(lower)).sum()
    return Fitted(
        state=state,
        kick=kick,
        cost=sums.cost,
        evidence=-sums.cost - log_volume,
        factor=factor,
        mixed=solved,
        shared_covariance=cho_solve((lower, True), np.eye(SHARED)),
    )
