"""Which of the poses with the same outline a paddle has, frame by frame.

A flat thing looks the same in two poses that are tilted opposite ways against the line of sight,
and the same again with its two faces exchanged. Each frame gives up to eight poses; the likeliest
path through them turns smoothly, shows the face that the network says, and continues the forearm.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from paddlebrief.paddle.size import keypoints_m
from paddlebrief.paddle.turning import angle_between, cross_matrix, exp

__all__ = ["Poses", "best_path", "edge_order", "face_cost", "possible_poses", "turning_costs"]

_STARTS = np.array([(sy, sx, s) for sy in (1, -1) for sx in (1, -1) for s in (1, -1)], float)
_STRAIGHT, _SWAPPED = np.array([0, 1, 2, 3, 4]), np.array([0, 1, 2, 4, 3])
_STEPS = 8
_LOOSE_DEPTH = 0.06  # of the distance, standard uncertainty in a single frame
_SAME_RAD = np.radians(6.0)
_EDGE_ON_COSINE = 0.2  # the network's "edge on" begins here
_LEAST_FACE = 0.08
_FACE_FRAMES = 2.0
_TURN_RATE_RADPS = 14.0  # usual turning speed of a paddle in a stroke
_POSE_SD_RAD = np.radians(10.0)
_STEP_MOST, _NODE_MOST = 10.0, 30.0
_LEFT_OUT_MOST = 2  # frames that a path may leave out together


@dataclass(frozen=True, kw_only=True)
class Poses:
    """Poses that fit the keypoints of n frames, eight a frame, some of them alike.

    Attributes
    ----------
    rotation
        (n, 8, 3, 3) paddle to camera.
    place
        (n, 8, 3) middle of the grip in the camera frame, metres.
    cost
        (n, 8) half the squared misfit; infinite for doubles of a better pose.
    face_cost
        (n, 8) less the log-probability of the face that the network gave.
    """

    rotation: np.ndarray
    place: np.ndarray
    cost: np.ndarray
    face_cost: np.ndarray


def possible_poses(
    flat: np.ndarray, sd: np.ndarray, *, depth_m: np.ndarray, face: np.ndarray, log_size: np.ndarray
) -> Poses:
    """Poses of each of n frames in which the keypoints were seen.

    Parameters
    ----------
    flat
        (n, 5, 2) directions x/z and y/z of the keypoints.
    sd
        (n, 5) standard uncertainty of a coordinate of them.
    depth_m
        (n,) depth of the hand along the camera's axis.
    face
        (n, 3) probabilities of front, back and edge on.
    log_size
        (3,) of the paddle.
    """
    points, _ = keypoints_m(log_size)
    rotation, place = _starts(flat, depth_m=depth_m, points=points)
    weight = 1 / sd[:, None, :, None] ** 2
    for _ in range(_STEPS):
        off, by_turn, by_place = _misfit(rotation, place, flat=flat, points=points)
        slopes = np.concatenate([by_turn, by_place], axis=-1)
        normal = np.einsum("nhkia,nhkib->nhab", slopes, weight[..., None] * slopes)
        pull = np.einsum("nhkia,nhki->nha", slopes, weight * off)
        loose = 1 / (_LOOSE_DEPTH * depth_m[:, None]) ** 2
        normal[..., 5, 5] += loose
        pull[..., 5] += loose * (depth_m[:, None] - place[..., 2])
        normal[..., range(3), range(3)] += 1.0
        step = np.linalg.solve(normal, pull[..., None])[..., 0]
        turn = step[..., :3]
        size = np.linalg.norm(turn, axis=-1, keepdims=True)
        rotation = exp(turn * np.minimum(1, 0.5 / np.maximum(size, 1e-9))) @ rotation
        place = place + step[..., 3:]
        place[..., 2] = np.clip(place[..., 2], 0.5 * depth_m[:, None], 1.5 * depth_m[:, None])
    off, _, _ = _misfit(rotation, place, flat=flat, points=points)
    cost = 0.5 * np.sum(weight * off**2, axis=(2, 3))
    cost += 0.5 * ((place[..., 2] / depth_m[:, None] - 1) / _LOOSE_DEPTH) ** 2
    cost = _without_doubles(rotation, np.minimum(cost, _NODE_MOST))
    return Poses(
        rotation=rotation,
        place=place,
        cost=cost,
        face_cost=face_cost(rotation, place, face=face[:, None]),
    )


def _starts(
    flat: np.ndarray, *, depth_m: np.ndarray, points: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Rotations and places by the scaled orthographic picture, one a start.

    The picture is turned so that it looks straight at the paddle's throat.
    """
    rays = np.concatenate([flat, np.ones_like(flat[..., :1])], axis=-1)
    ahead = rays[:, 1] / np.linalg.norm(rays[:, 1], axis=-1, keepdims=True)
    right = np.cross([0.0, 1.0, 0.0], ahead)
    right /= np.linalg.norm(right, axis=-1, keepdims=True)
    turn = np.stack([right, np.cross(ahead, right), ahead], axis=1)
    seen = np.einsum("nij,nkj->nki", turn, rays)
    seen = seen[..., :2] / np.maximum(seen[..., 2:], 0.1)
    away_m = (depth_m * np.linalg.norm(rays[:, 1], axis=-1))[:, None]
    along = (seen[:, 2] - seen[:, 0]) * away_m / (points[2, 1] - points[0, 1])
    across = (seen[:, 4] - seen[:, 3]) * away_m / (points[4, 0] - points[3, 0])
    rest = [np.sqrt(np.clip(1 - np.sum(v**2, axis=1), 0.02, 1)) for v in (along, across)]
    shape = (len(flat), len(_STARTS), 3)
    y, x = np.empty(shape), np.empty(shape)
    for h, (sy, sx, front) in enumerate(_STARTS):
        y[:, h] = np.column_stack([along, sy * rest[0]])
        x[:, h] = np.column_stack([across, sx * rest[1]]) * front
    y /= np.linalg.norm(y, axis=-1, keepdims=True)
    x -= np.sum(x * y, axis=-1, keepdims=True) * y
    x /= np.maximum(np.linalg.norm(x, axis=-1, keepdims=True), 1e-9)
    local = np.stack([x, y, np.cross(x, y)], axis=-1)
    rotation = np.swapaxes(turn, 1, 2)[:, None] @ local
    place = (ahead * away_m)[:, None] - points[1, 1] * rotation[..., 1]
    return rotation, place


def _misfit(
    rotation: np.ndarray, place: np.ndarray, *, flat: np.ndarray, points: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Seen less predicted (n, 8, 5, 2), and how the prediction follows turns and places.

    Each start keeps its face, also while it is turned through edge-on.
    """
    held = np.where(_STARTS[:, 2, None] > 0, _STRAIGHT, _SWAPPED)
    arms = np.einsum("nhij,hkj->nhki", rotation, points[held])
    inside = arms + place[:, :, None]
    z = np.maximum(inside[..., 2:], 0.1)
    at = inside[..., :2] / z
    by_place = np.concatenate([np.broadcast_to(np.eye(2), (*at.shape[:-1], 2, 2)), -at[..., None]],
                              axis=-1) / z[..., None]  # fmt: skip
    return flat[:, None] - at, -by_place @ cross_matrix(arms), by_place


def edge_order(rotation: np.ndarray, place: np.ndarray) -> np.ndarray:
    """(…, 5) which of the paddle's points is seen at each keypoint.

    Left and right edge are those of the picture: with the back face seen they change places.
    """
    towards = np.sum(rotation[..., :, 2] * place, axis=-1)
    return np.where((towards <= 0)[..., None], _STRAIGHT, _SWAPPED)


def face_cost(rotation: np.ndarray, place: np.ndarray, *, face: np.ndarray) -> np.ndarray:
    """How unlikely the faces are that n poses show, by what the network said of each frame.

    Parameters
    ----------
    rotation, place
        (n, …, 3, 3) and (n, …, 3) from paddle to camera.
    face
        (n, …, 3) probabilities of front, back and edge on.

    Returns
    -------
    ndarray
        (n, …) less the log-probability, scaled down: what misleads the network about the face
        lasts, so that all frames together count as a few.
    """
    way = place / np.linalg.norm(place, axis=-1, keepdims=True)
    cosine = -np.sum(rotation[..., :, 2] * way, axis=-1)
    shown = np.where(cosine > 0, face[..., 0], face[..., 1])
    # Near edge-on the network may say either.
    edge = np.clip(1.5 - np.abs(cosine) / (2 * _EDGE_ON_COSINE), 0, 1)
    value = shown + edge * (face[..., 2] + 0.5 * (1 - shown - face[..., 2]))
    share = min(1.0, _FACE_FRAMES / len(rotation))
    return -share * np.log(np.clip(value, _LEAST_FACE, 1))


def _without_doubles(rotation: np.ndarray, cost: np.ndarray) -> np.ndarray:
    out = cost.copy()
    count = cost.shape[1]
    apart = angle_between(rotation[:, :, None], rotation[:, None])
    for h in range(count):
        for other in range(count):
            better = (out[:, other] < out[:, h]) | ((out[:, other] == out[:, h]) & (other < h))
            out[:, h] = np.where(better & (apart[:, h, other] < _SAME_RAD), np.inf, out[:, h])
    return out


def turning_costs(poses: Poses, time_s: np.ndarray) -> tuple[np.ndarray, ...]:
    """(n − k, 8, 8) costs of turning from each pose of a frame to each of the k-th next, by k."""
    costs = []
    for k in range(1, min(_LEFT_OUT_MOST + 1, len(time_s) - 1) + 1):
        apart = angle_between(poses.rotation[:-k, :, None], poses.rotation[k:, None])
        gap = (time_s[k:] - time_s[:-k])[:, None, None]
        variance = (_TURN_RATE_RADPS * gap) ** 2 + 2 * _POSE_SD_RAD**2
        # Any turn is possible now and then, and the network may be wrong: the cost is bounded.
        costs.append(np.minimum(0.5 * apart**2 / variance, _STEP_MOST))
    return tuple(costs)


def best_path(
    cost: np.ndarray, turning: Sequence[np.ndarray], stray: np.ndarray
) -> tuple[np.ndarray, float]:
    """The likeliest path through the poses of n ≥ 1 frames.

    Parameters
    ----------
    cost
        (n, 8) of the poses; infinite forbids one.
    turning
        From `turning_costs`.
    stray
        (n,) cost of leaving a frame out; infinite forbids it. The first and the last frame are
        not left out.

    Returns
    -------
    path, cost
        (n,) numbers of poses, −1 for frames left out, and the path's cost.
    """
    totals, back = [cost[0]], [np.full((cost.shape[1], 2), -1)]
    for now in range(1, len(cost)):
        ways = []
        for k in range(1, min(len(turning), now) + 1):
            left_out = stray[now - k + 1 : now].sum()
            ways.append(totals[now - k][:, None] + turning[k - 1][now - k] + left_out)
        through = np.stack(ways)
        best = through.reshape(-1, cost.shape[1]).argmin(axis=0)
        steps, poses = np.divmod(best, cost.shape[1])
        back.append(np.column_stack([now - 1 - steps, poses]))
        totals.append(through.min(axis=(0, 1)) + cost[now])
    path, at, pose = np.full(len(cost), -1), len(cost) - 1, int(totals[-1].argmin())
    while at >= 0:
        path[at] = pose
        at, pose = (int(v) for v in back[at][pose])
    return path, float(totals[-1].min())
