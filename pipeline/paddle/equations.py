"""The normal equations of a paddle's motion: what each piece of evidence adds to them.

Between nodes the turning speed and the speed wander as integrated white noise; at the impact both
may jump. Keypoints count robustly, by Student's t (Lange, Little & Taylor 1989; from memory).
"""

import numpy as np
from scipy.special import expit

from paddlebrief.paddle.motion import Evidence, State
from paddlebrief.paddle.settle import edge_order
from paddlebrief.paddle.size import (
    MAX_LENGTH_M,
    MAX_LENGTH_PLUS_WIDTH_M,
    face_middle_m,
    keypoints_m,
)
from paddlebrief.paddle.turning import cross_matrix, log, log_derivatives

__all__ = ["NODE", "SHARED", "WRONG_ARM_COST", "Sums", "grip_cost", "summed"]

NODE, SHARED = 12, 4
"""Unknowns of a node (turn, place, turning speed, speed) and of all (size, depth share)."""
_FREEDOM = 4.0  # of Student's t
_KICK_RAD, _KICK_M = 0.03, 0.01  # pose change within the impact (1 to 2 ms, FACTS: racket sports)
_KICK_RADPS, _KICK_MPS = 10.0, 1.0  # jump of the speeds at the impact: 25 g against some 200 g
_SLOW_RADPS, _SLOW_MPS = 30.0, 8.0  # prior of the speeds themselves
_SHORTEST_STEP_S = 5e-4
_LIMIT_SD_M = 0.002
_NUDGE = 1e-5  # of the face's normal and velocity, for slopes
_HELD, _HELD_SD = np.array([-0.6, 0.62, 0.2]), np.array([0.35, 0.35, 0.4])
"""Forearm of a right hand in the paddle's axes: the middle of rendered strokes, and twice their
spread, since grips of people lie further apart."""
_HABIT_S = 0.15
WRONG_ARM_COST = 6.0
"""Cost at which a forearm is as likely read wrongly as the paddle held strangely. In one rendered
stroke of ten or so it is off by more than 60°; the value kept most normals within their intervals
(69 strokes with forearms as the turn network reads them)."""


class Sums:
    """The normal equations: a block tridiagonal part, the shared part and what ties them."""

    def __init__(self, nodes: int) -> None:
        self.own = np.zeros((nodes, NODE, NODE))
        self.next = np.zeros((nodes - 1, NODE, NODE))
        self.mixed = np.zeros((nodes, NODE, SHARED))
        self.shared = np.zeros((SHARED, SHARED))
        self.pull = np.zeros((nodes, NODE))
        self.shared_pull = np.zeros(SHARED)
        self.cost = 0.0

    def banded(self, damping: float) -> np.ndarray:
        """Lower banded form, the diagonal grown by a share."""
        nodes = len(self.own)
        size = nodes * NODE
        band = np.zeros((2 * NODE, size))
        for a in range(NODE):
            for b in range(a + 1):
                band[a - b, b::NODE] = self.own[:, a, b]
            for b in range(NODE):
                # Row a of the next node, column b of this one.
                band[NODE + a - b, b : size - NODE : NODE] = self.next[:, b, a]
        band[0] *= 1 + damping
        return band


def summed(state: State, evidence: Evidence) -> Sums:
    sums = Sums(len(evidence.time_s))
    _add_motion(sums, state, evidence)
    _add_keypoints(sums, state, evidence)
    _add_depth(sums, state, evidence)
    _add_hand(sums, state, evidence)
    _add_forearm(sums, state, evidence)
    _add_ball(sums, state, evidence)
    _add_size(sums, state, evidence)
    return sums


def _add_motion(sums: Sums, state: State, evidence: Evidence) -> None:
    """Turning and speed wander between nodes."""
    gap = np.maximum(np.diff(evidence.time_s), _SHORTEST_STEP_S)
    gap[evidence.kick] = 0.0
    turned = log(state.rotation[1:] @ np.swapaxes(state.rotation[:-1], 1, 2))
    by_later, by_earlier = log_derivatives(turned)
    off = np.concatenate(
        [
            turned - state.turning[:-1] * gap[:, None],
            np.diff(state.place, axis=0) - state.speed[:-1] * gap[:, None],
            np.diff(state.turning, axis=0),
            np.diff(state.speed, axis=0),
        ],
        axis=1,
    )
    weight = _motion_weight(gap, evidence)
    earlier = -np.tile(np.eye(NODE), (len(gap), 1, 1))
    later = np.tile(np.eye(NODE), (len(gap), 1, 1))
    earlier[:, :3, :3], later[:, :3, :3] = -by_earlier, by_later
    earlier[:, range(6), range(6, 12)] = -gap[:, None]
    weighted = np.einsum("kab,kb->ka", weight, off)
    sums.cost += 0.5 * float(np.sum(off * weighted))
    for jacobian, rows in ((earlier, slice(None, -1)), (later, slice(1, None))):
        transposed = np.swapaxes(jacobian, 1, 2)
        sums.own[rows] += transposed @ weight @ jacobian
        sums.pull[rows] -= (transposed @ weighted[..., None])[..., 0]
    sums.next += np.swapaxes(earlier, 1, 2) @ weight @ later
    slow = np.repeat([1 / _SLOW_RADPS**2, 1 / _SLOW_MPS**2], 3) / len(evidence.time_s)
    rates = np.concatenate([state.turning, state.speed], axis=1)
    sums.cost += 0.5 * float(np.sum(slow * rates**2))
    sums.own[:, range(6, 12), range(6, 12)] += slow
    sums.pull[:, 6:] -= slow * rates


def _motion_weight(gap: np.ndarray, evidence: Evidence) -> np.ndarray:
    """(N − 1, 12, 12) inverse covariance of what a step may differ from even motion."""
    safe = np.maximum(gap, _SHORTEST_STEP_S)
    weight = np.zeros((len(gap), NODE, NODE))
    for first, jerk, jump in (
        (0, evidence.turning_jerk, (_KICK_RAD, _KICK_RADPS)),
        (3, evidence.moving_jerk, (_KICK_M, _KICK_MPS)),
    ):
        inner = (
            np.stack(
                [
                    np.stack([12 / safe**3, -6 / safe**2], axis=-1),
                    np.stack([-6 / safe**2, 4 / safe], axis=-1),
                ],
                axis=-2,
            )
            / jerk[:, None, None]
        )
        inner[evidence.kick] = np.diag(1 / np.square(jump))
        for i in range(3):
            at = [first + i, first + i + 6]
            weight[:, at[0], at[0]], weight[:, at[0], at[1]] = inner[:, 0, 0], inner[:, 0, 1]
            weight[:, at[1], at[0]], weight[:, at[1], at[1]] = inner[:, 1, 0], inner[:, 1, 1]
    return weight


def _add_keypoints(sums: Sums, state: State, evidence: Evidence) -> None:
    seen = np.flatnonzero(np.isfinite(evidence.flat).all(axis=(1, 2)))
    if not len(seen):
        return
    node = evidence.node[seen]
    rotation, place = state.rotation[node], state.place[node]
    points, slopes = keypoints_m(state.log_size)
    order = edge_order(rotation, place)
    arms = np.einsum("fij,fkj->fki", rotation, points[order])
    by_size = np.einsum("fij,fkjs->fkis", rotation, slopes[order])
    inside = arms + place[:, None]
    z = np.maximum(inside[..., 2], 0.1)
    at = inside[..., :2] / z[..., None]
    by_place = np.zeros((*at.shape, 3))
    by_place[..., 0, 0] = by_place[..., 1, 1] = 1
    by_place[..., 2] = -at
    by_place /= z[..., None, None]
    jacobian = np.concatenate([-by_place @ cross_matrix(arms), by_place, by_place @ by_size], -1)
    off = evidence.flat[seen] - at
    sd = evidence.sd[seen]
    misfit = np.sum(off**2, axis=-1) / sd**2
    weight = (_FREEDOM + 2) / (_FREEDOM + misfit) / sd**2
    cost = 0.5 * (_FREEDOM + 2) * np.log1p(misfit / _FREEDOM).sum(axis=1)
    full = np.einsum("fkia,fk,fkib->fab", jacobian, weight, jacobian)
    pull = np.einsum("fkia,fk,fki->fa", jacobian, weight, off)
    cost -= _without_shake(full, pull, jacobian, weight=weight, off=off, shake=evidence.shake)
    # What was seen may be no part of this paddle: another's, or a line on the ground.
    stray = evidence.stray_cost[seen]
    sums.cost -= float(np.logaddexp(-cost, -stray).sum())
    own = expit(stray - cost)
    full *= own[:, None, None]
    pull *= own[:, None]
    sums.own[node, :6, :6] += full[:, :6, :6]
    sums.mixed[node, :6, :3] += full[:, :6, 6:]
    sums.shared[:3, :3] += full[:, 6:, 6:].sum(axis=0)
    sums.pull[node, :6] += pull[:, :6]
    sums.shared_pull[:3] += pull[:, 6:].sum(axis=0)


def _without_shake(
    full: np.ndarray,
    pull: np.ndarray,
    jacobian: np.ndarray,
    *,
    weight: np.ndarray,
    off: np.ndarray,
    shake: float,
) -> np.ndarray:
    """Take the picture's own shake, which moves all points of a frame together, out of each
    frame's equations, in place; (F,) the cost that it explained."""
    if shake == 0:
        return np.zeros(len(full))
    moved = np.einsum("fk,fkia->fia", weight, jacobian)
    drift = np.einsum("fk,fki->fi", weight, off)
    total = weight.sum(axis=1) + 1 / shake**2
    full -= np.einsum("fia,fib->fab", moved, moved) / total[:, None, None]
    pull -= np.einsum("fia,fi->fa", moved, drift) / total[:, None]
    return 0.5 * np.sum(drift**2, axis=1) / total


def _add_depth(sums: Sums, state: State, evidence: Evidence) -> None:
    known = np.isfinite(evidence.depth_m)
    node, depth = evidence.node[known], evidence.depth_m[known]
    weight = 1 / evidence.depth_sd_m[known] ** 2
    off = depth * (1 + state.depth_share) - state.place[node, 2]
    share = 1 / evidence.depth_share_sd**2
    sums.cost += 0.5 * float(np.sum(weight * off**2) + share * state.depth_share**2)
    sums.own[node, 5, 5] += weight
    sums.pull[node, 5] += weight * off
    sums.mixed[node, 5, 3] -= weight * depth
    sums.shared[3, 3] += np.sum(weight * depth**2) + share
    sums.shared_pull[3] -= np.sum(weight * off * depth) + share * state.depth_share


def _add_hand(sums: Sums, state: State, evidence: Evidence) -> None:
    known = np.isfinite(evidence.hand).all(axis=1)
    node = evidence.node[known]
    place = state.place[node]
    z = np.maximum(place[:, 2], 0.1)
    at = place[:, :2] / z[:, None]
    slope = np.zeros((len(node), 2, 3))
    slope[:, 0, 0] = slope[:, 1, 1] = 1
    slope[..., 2] = -at
    slope /= z[:, None, None]
    off, sd = evidence.hand[known] - at, evidence.hand_sd[known]
    misfit = np.sum(off**2, axis=1) / sd**2
    weight = (_FREEDOM + 2) / (_FREEDOM + misfit) / sd**2
    sums.cost += float(0.5 * (_FREEDOM + 2) * np.log1p(misfit / _FREEDOM).sum())
    sums.own[node, 3:6, 3:6] += np.einsum("fia,f,fib->fab", slope, weight, slope)
    sums.pull[node, 3:6] += np.einsum("fia,f,fi->fa", slope, weight, off)


def grip_cost(
    held: np.ndarray, sd: np.ndarray, *, time_s: np.ndarray, hand_sign: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """How unlikely it is that a hand holds a paddle so.

    A handle lies across the palm: the tip points to the thumb's side of the forearm, by about
    50° and never along it or back over it, and the palm's side of the face looks away from a
    wrist that is bent back a little. Neighbouring frames say the same thing again and count for
    less.

    Parameters
    ----------
    held
        (F, …, 3) unit vector from elbow to wrist in the paddle's axes.
    sd
        (F, …) standard uncertainty of the forearm's direction, radians.
    time_s
        (F,) of the frames.
    hand_sign
        1 for a right hand, −1 for a left one, 0 not known.

    Returns
    -------
    cost
        (F, …).
    pull, weight
        (F, …, 3) less its derivative by each component, and the second derivative.
    """
    span = float(np.ptp(time_s)) if len(time_s) else 0.0
    share = min(1.0, (1 + span / _HABIT_S) / max(len(time_s), 1))
    usual, spread = _HELD * np.array([hand_sign, 1, 1]), _HELD_SD.copy()
    spread[0] = spread[0] if hand_sign else np.inf
    weight = share / (spread**2 + sd[..., None] ** 2)
    off = usual - held
    return 0.5 * np.sum(weight * off**2, axis=-1), weight * off, weight


def _add_forearm(sums: Sums, state: State, evidence: Evidence) -> None:
    known = np.isfinite(evidence.forearm).all(axis=1)
    node, forearm = evidence.node[known], evidence.forearm[known]
    back = np.swapaxes(state.rotation[node], 1, 2)
    held = (back @ forearm[..., None])[..., 0]
    cost, pull, weight = grip_cost(
        held, evidence.forearm_sd[known], time_s=evidence.time_s[node],
        hand_sign=evidence.hand_sign,
    )  # fmt: skip
    slope = back @ cross_matrix(forearm)
    # The forearm may have been read wrongly through the whole stroke.
    total = float(cost.sum())
    sums.cost -= float(np.logaddexp(-total, -WRONG_ARM_COST))
    own = float(expit(WRONG_ARM_COST - total))
    sums.own[node, :3, :3] += own * np.einsum("fia,fi,fib->fab", slope, weight, slope)
    sums.pull[node, :3] += own * np.einsum("fia,fi->fa", slope, pull)


def _add_ball(sums: Sums, state: State, evidence: Evidence) -> None:
    struck = evidence.struck
    if struck is None:
        return
    node, sign = evidence.kick, struck.face_sign
    rotation, turning = state.rotation[node], state.turning[node]
    normal, arm = sign * rotation[:, 2], face_middle_m(state.log_size) * rotation[:, 1]
    face_mps = state.speed[node] + np.cross(turning, arm)
    off = struck.misfit_mps(normal, face_mps)
    by_normal, by_speed = np.empty((7, 3)), np.empty((7, 3))
    for k, step in enumerate(_NUDGE * np.eye(3)):
        by_normal[:, k] = struck.misfit_mps(normal + step, face_mps) - off
        by_speed[:, k] = struck.misfit_mps(normal, face_mps + step) - off
    by_normal, by_speed = by_normal / _NUDGE, by_speed / _NUDGE
    spun, armed = cross_matrix(turning), cross_matrix(arm)
    slope = np.concatenate(
        [
            -by_normal @ cross_matrix(normal) - by_speed @ spun @ armed,
            np.zeros((7, 3)),
            -by_speed @ armed,
            by_speed,
        ],
        axis=1,
    )
    weight = np.linalg.inv(struck.covariance())
    misfit = float(off @ weight @ off)
    sums.cost += 0.5 * (_FREEDOM + len(off)) * np.log1p(misfit / _FREEDOM)
    # Another ball may have been taken for this one: it counts robustly.
    weight = weight * (_FREEDOM + len(off)) / (_FREEDOM + misfit)
    sums.own[node] += slope.T @ weight @ slope
    sums.pull[node] -= slope.T @ weight @ off


def _add_size(sums: Sums, state: State, evidence: Evidence) -> None:
    known = np.linalg.inv(evidence.size.covariance)
    off = evidence.size.log_m - state.log_size
    sums.cost += 0.5 * float(off @ known @ off)
    sums.shared[:3, :3] += known
    sums.shared_pull[:3] += known @ off
    length, width, _ = np.exp(state.log_size)
    for excess, slope in (
        (length - MAX_LENGTH_M, np.array([length, 0, 0])),
        (length + width - MAX_LENGTH_PLUS_WIDTH_M, np.array([length, width, 0])),
    ):
        if excess > 0:
            sums.cost += 0.5 * (excess / _LIMIT_SD_M) ** 2
            sums.shared[:3, :3] += np.outer(slope, slope) / _LIMIT_SD_M**2
            sums.shared_pull[:3] -= slope * excess / _LIMIT_SD_M**2
