"""A paddle's pose through one stroke: position, long axis and face, with uncertainty.

The keypoints of all frames round a contact are fitted together (see ``fit``) from each of the
motions that the outline allows (see ``settle``). What remains open between them is kept: the
result is a set of drawn motions, and every number taken from it is a mean and a spread of those.
"""

import logging
from collections.abc import Mapping, Sequence

import numpy as np
from scipy.spatial.transform import Rotation, Slerp

from paddlebrief.court.camera import SolvedCamera
from paddlebrief.paddle.equations import WRONG_ARM_COST, grip_cost
from paddlebrief.paddle.evidence import gather_evidence
from paddlebrief.paddle.fit import Fitted, fit_motion
from paddlebrief.paddle.motion import Evidence, State
from paddlebrief.paddle.records import (
    Forearm,
    HandDistance,
    PaddlePose,
    PaddleTrack,
    Striking,
)
from paddlebrief.paddle.settings import PaddleSettings
from paddlebrief.paddle.settle import (
    Poses,
    best_path,
    face_cost,
    possible_poses,
    turning_costs,
)
from paddlebrief.paddle.size import PaddleSize, face_middle_m
from paddlebrief.paddle.struck_ball import StruckBall
from paddlebrief.paddle.turning import angle_between, exp, log

__all__ = ["paddle_pose"]

logger = logging.getLogger(__name__)

_DRAWS = 240
_FEWEST_SEEN = 4
_MOST_MOTIONS = 10
_PINS_S = (-0.3, -0.2, -0.12, -0.06, 0.0, 0.06, 0.12, 0.18)
_HOPELESS = 25.0  # a path this much costlier than the best is not fitted
_SAME_RAD, _SAME_ELSEWHERE_RAD = np.radians(4.0), np.radians(12.0)
_USUAL_RISE_DEG, _OPEN_SD_DEG, _CLOSED_SD_DEG = 10.0, 22.0, 12.0
_HEADING_SD_DEG = 15.0


def paddle_pose(
    track: PaddleTrack,
    strike: Striking,
    *,
    camera: SolvedCamera,
    solved: bool,
    distance: HandDistance,
    forearm: Forearm | None = None,
    size: PaddleSize | None = None,
    slow_factor: float = 1.0,
    settings: PaddleSettings | None = None,
    seed: int = 0,
) -> PaddlePose | None:
    """The paddle's motion through a stroke.

    Parameters
    ----------
    track
        Frames round the stroke (see ``look``); more than needed may be given.
    strike
        When the ball was hit, and with which side.
    camera
        Solved, or from ``assumed_camera``.
    solved
        Whether the camera was solved from the court.
    distance
        Of the hand from the camera.
    forearm
        Directions of the hitting forearm; None when they are not known.
    size
        Of this player's paddle; None for any paddle.
    slow_factor
        Seconds of playback for one second on court.
    settings
        How freely it moves.
    seed
        Of the draws.

    Returns
    -------
    PaddlePose or None
        None when the paddle was seen in fewer than four frames of the stretch.
    """
    settings, size = settings or PaddleSettings(), size or PaddleSize.as_sold()
    time_s = (track.time_s - strike.contact_s) / slow_factor
    rows = np.flatnonzero((time_s >= -settings.before_s) & (time_s <= settings.after_s))
    if track.seen[rows].sum() < _FEWEST_SEEN:
        return None
    evidence = gather_evidence(
        track, rows, time_s, hand=strike.hand, camera=camera, distance=distance,
        forearm=forearm, struck=_struck(strike, camera.view.rotation), size=size,
        settings=settings,
    )  # fmt: skip
    prior = _FacePrior(strike, camera=camera, solved=solved)
    fits = _fitted(evidence, track.face[rows], time_s[rows], prior)
    if not fits:
        return None
    rng = np.random.default_rng(seed)
    state, weights = _mixed_draws(fits, rng)
    rotation, place = _drawn_cameras(camera, len(state.place), rng)
    back = np.swapaxes(rotation, 1, 2)
    turn = back[:, None]

    def rotated(vectors: np.ndarray) -> np.ndarray:
        return np.einsum("mij,mnj->mni", back, vectors)

    return PaddlePose(
        time_s=evidence.time_s,
        before=evidence.kick,
        rotation=turn @ state.rotation,
        grip_m=rotated(state.place) + place[:, None],
        turning_radps=rotated(state.turning),
        grip_mps=rotated(state.speed),
        face_middle_m=face_middle_m(state.log_size),
        shift_s=rng.normal(0, strike.contact_s_sd / slow_factor, len(place)),
        contact_s_sd=strike.contact_s_sd / slow_factor,
        frame_time_s=time_s[rows],
        frame_node=evidence.node,
        seen=track.seen[rows],
        forearm=evidence.forearm @ camera.view.rotation,
        forearm_sd_rad=evidence.forearm_sd,
        frame_interval_s=float(np.median(np.diff(time_s))),
        solved=solved,
        with_ball=evidence.struck is not None,
        motions=tuple(sorted(weights, reverse=True)),
        size=PaddleSize(
            log_m=state.log_size.mean(axis=0), covariance=np.cov(state.log_size, rowvar=False)
        ),
    )


def _struck(strike: Striking, rotation: np.ndarray) -> StruckBall | None:
    """The ball in the camera frame, when it is known and so is the face that hit it."""
    if strike.ball is None or strike.forehand is None:
        return None
    return StruckBall(ball=strike.ball.turned(rotation), face_sign=1 if strike.forehand else -1)


class _FacePrior:
    """How unlikely a face at contact is for a ball that goes over the net."""

    def __init__(self, strike: Striking, *, camera: SolvedCamera, solved: bool) -> None:
        self._strike, self._solved = strike, solved
        self._to_court = camera.view.rotation.T

    def cost(self, rotation: np.ndarray) -> np.ndarray:
        """(…,) of rotations (…, 3, 3) from paddle to camera, at contact."""
        normal = rotation[..., :, 2] @ self._to_court.T
        forehand = self._strike.forehand
        if forehand is None:
            return np.minimum(self._of(normal), self._of(-normal))
        return self._of(normal if forehand else -normal)

    def _of(self, normal: np.ndarray) -> np.ndarray:
        rise = np.degrees(np.arcsin(np.clip(normal[..., 2], -1, 1)))
        # A face closed much sends the ball into the ground; an open one may be a lob.
        sd = np.where(rise < _USUAL_RISE_DEG, _CLOSED_SD_DEG, _OPEN_SD_DEG)
        cost = 0.5 * ((rise - _USUAL_RISE_DEG) / sd) ** 2
        facing = self._strike.facing
        if self._solved and facing:
            heading = np.degrees(np.arctan2(normal[..., 0] * facing, normal[..., 1] * facing))
            cost = cost + 0.5 * (heading / _HEADING_SD_DEG) ** 2
        return cost


def _fitted(
    evidence: Evidence, face: np.ndarray, time_s: np.ndarray, prior: _FacePrior
) -> list[tuple[float, Fitted]]:
    """Log-evidence and fit of each motion that the outlines allow, doubles left out."""
    seen = np.flatnonzero(np.isfinite(evidence.flat).all(axis=(1, 2)))
    depth = np.where(
        np.isfinite(evidence.depth_m), evidence.depth_m, np.nanmedian(evidence.depth_m)
    )
    poses = possible_poses(
        evidence.flat[seen], evidence.sd[seen], depth_m=depth[seen], face=face[seen],
        log_size=evidence.size.log_m,
    )  # fmt: skip
    fits: list[tuple[float, Fitted]] = []
    grip = _grip_costs(poses, evidence, seen)
    stray = evidence.stray_cost[seen]
    for path in _paths(poses, time_s[seen], grip=grip, stray=stray, prior=prior):
        start = _start(poses, path, time_s[seen], evidence=evidence, seen=seen)
        try:
            fit = fit_motion(start, evidence)
        except np.linalg.LinAlgError as error:
            logger.debug("a motion of the paddle could not be fitted: %s", error)
            continue
        state, node = fit.state, evidence.node[seen]
        unlikely = face_cost(state.rotation[node], state.place[node], face=face[seen]).sum()
        unlikely += prior.cost(state.rotation[fit.kick])
        fits.append((fit.evidence - float(unlikely), fit))
    kept: list[tuple[float, Fitted]] = []
    for score, fit in sorted(fits, key=lambda f: -f[0]):
        if all(_differ(fit, other) for _, other in kept):
            kept.append((score, fit))
    return kept


def _differ(one: Fitted, other: Fitted) -> bool:
    apart = angle_between(one.state.rotation, other.state.rotation)
    return bool(apart[one.kick] > _SAME_RAD or apart.max() > _SAME_ELSEWHERE_RAD)


def _grip_costs(poses: Poses, evidence: Evidence, seen: np.ndarray) -> np.ndarray:
    """(n, 8) how unlikely the forearm lies so in the paddle's axes; 0 where not known."""
    held = np.einsum("nhji,nj->nhi", poses.rotation, evidence.forearm[seen])
    cost, _, _ = grip_cost(
        held, evidence.forearm_sd[seen][:, None], time_s=evidence.time_s[evidence.node[seen]],
        hand_sign=evidence.hand_sign,
    )  # fmt: skip
    return np.nan_to_num(cost)


def _paths(
    poses: Poses,
    time_s: np.ndarray,
    *,
    grip: np.ndarray,
    stray: np.ndarray,
    prior: _FacePrior,
) -> list[np.ndarray]:
    """Different paths, the likeliest first: each through a pose near contact and one elsewhere,
    with the forearm as it was read, and with none."""
    nearest, turning = int(np.abs(time_s).argmin()), turning_costs(poses, time_s)
    pins = {int(np.abs(time_s - s).argmin()) for s in _PINS_S}
    seen_alone = poses.cost + poses.face_cost
    found: dict[bytes, tuple[float, np.ndarray]] = {}
    for costs, more in ((seen_alone + grip, 0.0), (seen_alone, WRONG_ARM_COST)):
        for h in np.flatnonzero(np.isfinite(poses.cost[nearest])):
            unlikely = float(prior.cost(poses.rotation[nearest, h])) + more
            for pin in pins:
                for g in np.flatnonzero(np.isfinite(poses.cost[pin])):
                    forced = {nearest: h, pin: g} if pin != nearest else {nearest: h}
                    path, cost = _through(forced, costs=costs, turning=turning, stray=stray)
                    key = path.tobytes()
                    if np.isfinite(cost) and cost + unlikely < found.get(key, (np.inf,))[0]:
                        found[key] = cost + unlikely, path
    ranked = sorted(found.values(), key=lambda one: one[0])
    return [path for cost, path in ranked[:_MOST_MOTIONS] if cost <= ranked[0][0] + _HOPELESS]


def _through(
    forced: Mapping[int, int],
    *,
    costs: np.ndarray,
    turning: Sequence[np.ndarray],
    stray: np.ndarray,
) -> tuple[np.ndarray, float]:
    """The likeliest path with given poses in given frames."""
    costs, stray = costs.copy(), stray.copy()
    for frame, pose in forced.items():
        costs[frame, np.arange(costs.shape[1]) != pose] = np.inf
        stray[frame] = np.inf
    return best_path(costs, turning, stray)


def _start(
    poses: Poses, path: np.ndarray, time_s: np.ndarray, *, evidence: Evidence, seen: np.ndarray
) -> State:
    """A motion through the poses of a path, straight between them."""
    rows = np.flatnonzero(path >= 0)
    rotation, place = poses.rotation[rows, path[rows]], poses.place[rows, path[rows]]
    place = place * (evidence.depth_m[seen[rows]] / place[:, 2])[:, None]
    time_s = time_s[rows]
    way = Slerp(time_s, Rotation.from_matrix(rotation))
    clipped = np.clip(evidence.time_s, time_s[0], time_s[-1])
    half = 0.5 * float(np.median(np.diff(time_s)))
    ends = [np.clip(clipped + s * half, time_s[0], time_s[-1]) for s in (-1, 1)]
    span = np.maximum(ends[1] - ends[0], 1e-4)[:, None]
    early, late = (way(e).as_matrix() for e in ends)

    def at(when: np.ndarray) -> np.ndarray:
        return np.stack([np.interp(when, time_s, place[:, i]) for i in range(3)], axis=1)

    return State(
        rotation=way(clipped).as_matrix(),
        place=at(clipped),
        turning=log(late @ np.swapaxes(early, 1, 2)) / span,
        speed=(at(ends[1]) - at(ends[0])) / span,
        log_size=evidence.size.log_m.copy(),
        depth_share=0.0,
    )


def _mixed_draws(
    fits: list[tuple[float, Fitted]], rng: np.random.Generator
) -> tuple[State, np.ndarray]:
    """Draws from all fits, each in proportion to its weight."""
    scores = np.array([score for score, _ in fits])
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    counts = np.floor(weights * _DRAWS + 0.5).astype(int)
    counts[weights.argmax()] += _DRAWS - counts.sum()
    parts = [f.drawn(int(c), rng) for (_, f), c in zip(fits, counts, strict=True) if c > 0]
    whole = {
        name: np.concatenate([np.atleast_1d(getattr(p, name)) for p in parts])
        for name in State.__dataclass_fields__
    }
    return State(**whole), weights


def _drawn_cameras(
    camera: SolvedCamera, count: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """(m, 3, 3) rotations from court to camera and (m, 3) places, drawn from the covariance."""
    values, vectors = np.linalg.eigh(camera.covariance)
    steps = rng.standard_normal((count, len(values))) * np.sqrt(np.maximum(values, 0)) @ vectors.T
    return exp(steps[:, 5:8]) @ camera.view.rotation, camera.position_m + steps[:, 8:11]
