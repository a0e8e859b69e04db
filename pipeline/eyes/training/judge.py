"""Judges trained networks on samples that nothing was trained on."""

from itertools import pairwise

import numpy as np

from paddlebrief.eyes.network import Found, Network, suppressed
from paddlebrief.eyes.training.samples import SampleSet

__all__ = [
    "ball_noise", "findings", "judge_ball", "judge_paddle", "keypoint_noise", "worst_balls",
    "worst_paddles",
]  # fmt: skip

_BATCH = 32
_MOST_FOUND = 200
_NEAR_BALL_PX = 5.0
_NEAR_PADDLE_PX = 8.0  # 3 to 4 cm in a crop
_SURE = 0.3
_THRESHOLDS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
_RAYLEIGH_68 = (
    1.51  # 68 % of round two-dimensional normal errors are within 1.51 SD of a coordinate
)
_FEWEST = 12


def findings(network: Network, samples: SampleSet, *, overlap: float) -> list[Found]:
    """What the network finds in each picture, overlapping findings removed."""
    found = []
    for first in range(0, len(samples), _BATCH):
        part = network.find(samples.pictures[first : first + _BATCH], min_score=0.05)
        found += [
            suppressed(f.only(np.arange(min(len(f), _MOST_FOUND))), overlap=overlap) for f in part
        ]
    return found


def judge_paddle(found: list[Found], samples: SampleSet) -> dict:
    """Recall, false findings on crops without a paddle, keypoint errors and faces told right.

    Shares and quantiles of nothing are None.
    """
    rows = _matched_paddles(found, samples)
    score = rows["score"]
    best = np.array([f.scores.sum(axis=1).max(initial=0.0) for f in found])
    empty = best[samples.counts == 0]
    flat, sure = rows["kind"] < 2, score > _SURE
    errors = rows["error"][sure]
    right = rows["face_right"]
    middle = np.nan_to_num(rows["middle"], nan=np.inf)
    return {
        "paddles": len(score),
        "empty_crops": len(empty),
        "recall": {str(t): _share(score >= t) for t in _THRESHOLDS},
        "recall_edge_on": {str(t): _share(score[~flat] >= t) for t in _THRESHOLDS},
        "right_place_edge_on": _share(middle[~flat] <= _NEAR_PADDLE_PX),
        "right_place": _share(middle <= _NEAR_PADDLE_PX),
        "false_on_empty": {str(t): _share(empty >= t) for t in _THRESHOLDS},
        "keypoint_error_px": {
            "median": _quantile(errors, 0.5),
            "p90": _quantile(errors, 0.9),
            "median_by_point": [_quantile(errors[:, k], 0.5) for k in range(errors.shape[1])],
        },
        "face_right": _share(right[flat & sure]),
        "edge_on_right": _share(right[~flat & sure]),
    }


def _share(flags: np.ndarray) -> float | None:
    return float(np.mean(flags)) if len(flags) else None


def _quantile(values: np.ndarray, share: float) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.quantile(known, share)) if len(known) else None


def _matched_paddles(found: list[Found], samples: SampleSet) -> dict[str, np.ndarray]:
    rows = []
    for f, count, kinds, boxes, points in zip(
        found, samples.counts, samples.kinds, samples.boxes, samples.keypoints, strict=True
    ):
        rows += [_matched(f, kinds[j], boxes[j], points[j]) for j in range(count)]
    names = ("score", "kind", "face_right", "error", "middle")
    return {name: np.array([row[name] for row in rows]) for name in names}


def _matched(found: Found, kind: int, box: np.ndarray, points: np.ndarray) -> dict:
    """One true paddle with the best finding near its middle; score 0 when there is none."""
    nothing = np.full(len(points), np.nan)
    row = {"score": 0.0, "kind": kind, "face_right": False, "error": nothing, "middle": np.nan}
    middles = (found.boxes_px[:, :2] + found.boxes_px[:, 2:]) / 2
    away = np.linalg.norm(middles - (box[:2] + box[2:]) / 2, axis=1)
    near = np.flatnonzero(away < 0.5 * (box[2:] - box[:2]).max())
    if len(near):
        k = int(near[0])
        error = np.linalg.norm(found.points_px[k] - points[:, :2], axis=1)
        row = {
            "score": float(min(found.scores[k].sum(), 1.0)),
            "kind": kind,
            "face_right": bool(np.argmax(found.scores[k]) == kind),
            "error": np.where(points[:, 2] > 0, error, np.nan),
            "middle": float(
                np.linalg.norm(found.points_px[k, 2:].mean(0) - points[2:, :2].mean(0))
            ),
        }
    return row


def worst_paddles(found: list[Found], samples: SampleSet, most: int) -> list[int]:
    """Samples whose paddle was missed or misplaced most, or that show one where none is."""
    badness = np.zeros(len(samples))
    for k, f in enumerate(found):
        only = SampleSet(**{n: v[k : k + 1] for n, v in vars(samples).items()})
        rows = _matched_paddles([f], only)
        if len(rows["score"]):
            away = np.nan_to_num(rows["middle"], nan=60.0)
            badness[k] = (1 - rows["score"] + away / 20).max()
        else:
            badness[k] = 1.5 * f.scores.sum(axis=1).max(initial=0.0)
    return np.argsort(-badness, kind="stable")[:most].tolist()


def worst_balls(found: list[Found], samples: SampleSet, most: int) -> list[int]:
    """Samples with the most balls missed and things taken for one, at score 0.4."""
    badness = np.zeros(len(samples))
    for k, f in enumerate(found):
        only = SampleSet(**{n: v[k : k + 1] for n, v in vars(samples).items()})
        sure = f.only(np.flatnonzero(f.scores[:, 0] >= 0.4))
        pairs, false = _matched_balls([sure], only)
        badness[k] = samples.counts[k] - len(pairs) + false
    return np.argsort(-badness, kind="stable")[:most].tolist()


def keypoint_noise(found: list[Found], samples: SampleSet) -> dict:
    """Standard uncertainty of each keypoint's coordinate by the paddle's score, crop pixels.

    The errors of held-out paddles are sorted by the network's score; per class of scores the
    standard deviation of one coordinate follows from the 68th percentile of the distance
    (Rayleigh's distribution).
    """
    rows = _matched_paddles(found, samples)
    edges = np.array([0.0, 0.4, 0.55, 0.7, 0.8, 0.9, 1.0])
    error = rows["error"]
    table = [_by_class(rows["score"], error[:, k], edges) for k in range(error.shape[1])]
    return {"score": edges[1:].tolist(), "sd_px": table}


def _by_class(value: np.ndarray, error: np.ndarray, edges: np.ndarray) -> list[float]:
    """SD of a coordinate in each class of a value.

    Classes with too few errors take half as much again as the next surer class, and the surest
    one two pixels.
    """
    last, line = 4 / 3, []
    for high, low in pairwise(edges[::-1]):
        chosen = error[(value > low) & (value <= high) & np.isfinite(error)]
        enough = len(chosen) >= _FEWEST
        last = float(np.quantile(chosen, 0.68) / _RAYLEIGH_68) if enough else 1.5 * last
        line.append(last)
    return line[::-1]


def judge_ball(found: list[Found], samples: SampleSet) -> dict:
    """Precision, recall and errors of balls within 5 px of the tile, by the least score."""
    total = int(samples.counts.sum())
    at = {}
    for threshold in _THRESHOLDS:
        sure = [f.only(np.flatnonzero(f.scores[:, 0] >= threshold)) for f in found]
        pairs, false = _matched_balls(sure, samples)
        at[str(threshold)] = {
            "precision": len(pairs) / max(len(pairs) + false, 1),
            "recall": len(pairs) / max(total, 1),
            "error_px_median": _quantile(pairs[:, 0], 0.5),
            "streak_error_px_median": _quantile(pairs[:, 1], 0.5),
        }
    return {"balls": total, "tiles": len(samples), "at": at}


def _matched_balls(found: list[Found], samples: SampleSet) -> tuple[np.ndarray, int]:
    """(m, 3) position error, streak length error and score of hits; and how many were false."""
    pairs, false = [], 0
    for f, count, ends in zip(found, samples.counts, samples.keypoints, strict=True):
        free = list(range(len(f)))
        places = f.points_px.mean(axis=1)
        for truth in ends[:count, :, :2]:
            away = np.linalg.norm(places[free] - truth.mean(axis=0), axis=1)
            if not len(away) or away.min() > _NEAR_BALL_PX:
                continue
            k = free.pop(int(away.argmin()))
            lengths = [np.linalg.norm(p[1] - p[0]) for p in (f.points_px[k], truth)]
            pairs.append((away.min(), abs(lengths[0] - lengths[1]), f.scores[k, 0]))
        false += len(free)
    return np.array(pairs, float).reshape(-1, 3), false


def ball_noise(found: list[Found], samples: SampleSet) -> dict:
    """Standard uncertainty of a ball's coordinate by its score, tile pixels (as for keypoints)."""
    edges = np.array([0.0, 0.5, 0.7, 0.85, 1.0])
    pairs, _ = _matched_balls(found, samples)
    return {"score": edges[1:].tolist(), "sd_px": _by_class(pairs[:, 2], pairs[:, 0], edges)}
