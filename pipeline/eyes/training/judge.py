"""Judges trained networks on samples that nothing was trained on."""

import numpy as np

from paddlebrief.eyes.network import Found, Network, suppressed
from paddlebrief.eyes.training.samples import SampleSet

__all__ = ["judge_ball", "judge_paddle", "keypoint_noise"]

_BATCH = 32
_NEAR_BALL_PX = 5.0
_THRESHOLDS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)


def _findings(network: Network, samples: SampleSet, overlap: float) -> list[Found]:
    found = []
    for first in range(0, len(samples), _BATCH):
        part = network.find(samples.pictures[first : first + _BATCH], min_score=0.05)
        found += [suppressed(f.only(np.arange(min(len(f), 200))), overlap=overlap) for f in part]
    return found


def judge_paddle(network: Network, samples: SampleSet) -> dict:
    """Recall, false findings on crops without a paddle, keypoint errors and faces told right."""
    found = _findings(network, samples, 0.5)
    rows = _matched_paddles(found, samples)
    scores = rows["score"]
    empty = [f.scores.sum(axis=1).max(initial=0.0) for f, n in
             zip(found, samples.counts, strict=True) if n == 0]  # fmt: skip
    flat = rows["kind"] < 2
    told = scores > 0.3
    errors = rows["error"][told]
    good = errors[np.isfinite(errors)]
    return {
        "paddles": len(scores),
        "empty_crops": len(empty),
        "recall": {str(t): float(np.mean(scores >= t)) for t in _THRESHOLDS},
        "false_on_empty": {str(t): float(np.mean(np.array(empty) >= t)) for t in _THRESHOLDS},
        "keypoint_error_px": {
            "median": float(np.median(good)),
            "p90": float(np.quantile(good, 0.9)),
            "by_point": [float(np.nanmedian(errors[:, k])) for k in range(errors.shape[1])],
        },
        "face_right": float(np.mean(rows["face_right"][flat & told])),
        "edge_on_right": float(np.mean(rows["face_right"][~flat & told])) if (~flat).any() else None,
    }


def _matched_paddles(found: list[Found], samples: SampleSet) -> dict[str, np.ndarray]:
    rows: dict[str, list] = {n: [] for n in ("score", "kind", "face_right", "error", "visible", "size")}
    for f, count, kinds, boxes, points in zip(
        found, samples.counts, samples.kinds, samples.boxes, samples.keypoints, strict=True
    ):
        for j in range(count):
            truth = points[j]
            size = float(np.sqrt(np.prod(boxes[j, 2:] - boxes[j, :2])))
            error = np.full(len(truth), np.nan)
            score, right, visible = 0.0, False, np.full(len(truth), np.nan)
            if len(f):
                middle = (boxes[j, :2] + boxes[j, 2:]) / 2
                centres = (f.boxes_px[:, :2] + f.boxes_px[:, 2:]) / 2
                near = np.linalg.norm(centres - middle, axis=1) < 0.5 * max(
                    boxes[j, 2:] - boxes[j, :2]
                )
                if near.any():
                    k = int(np.flatnonzero(near)[0])
                    score = float(min(f.scores[k].sum(), 1.0))
                    right = int(np.argmax(f.scores[k])) == kinds[j]
                    error = np.linalg.norm(f.points_px[k] - truth[:, :2], axis=1)
                    error = np.where(truth[:, 2] > 0, error, np.nan)
                    visible = f.visible[k]
            rows["score"].append(score)
            rows["kind"].append(kinds[j])
            rows["face_right"].append(right)
            rows["error"].append(error)
            rows["visible"].append(visible)
            rows["size"].append(size)
    return {name: np.array(values) for name, values in rows.items()}


def keypoint_noise(network: Network, samples: SampleSet) -> dict:
    """Standard uncertainty of a keypoint's coordinate by how sure the network is, crop pixels.

    For each keypoint the errors of held-out paddles are sorted by the network's visibility; per
    class of visibility the standard deviation of one coordinate follows from the 68th percentile
    of the distance (1.51 standard deviations of a round two-dimensional normal error, Rayleigh).
    """
    rows = _matched_paddles(_findings(network, samples, 0.5), samples)
    edges = np.array([0.0, 0.5, 0.8, 0.95, 0.99, 1.0])
    table = []
    for k in range(rows["error"].shape[1]):
        line = []
        for low, high in zip(edges[:-1], edges[1:], strict=True):
            chosen = (rows["visible"][:, k] > low) & (rows["visible"][:, k] <= high)
            chosen &= np.isfinite(rows["error"][:, k]) & (rows["score"] > 0.3)
            errors = rows["error"][chosen, k]
            line.append(float(np.quantile(errors, 0.68) / 1.51) if len(errors) >= 20 else None)
        table.append(_filled(line))
    return {"visibility": edges[1:].tolist(), "sd_px": table}


def _filled(line: list[float | None]) -> list[float]:
    """Classes with too few paddles take the next surer class's value, at least doubled a step."""
    known = [v for v in line if v is not None]
    last = known[-1] if known else 3.0
    filled = []
    for value in reversed(line):
        last = value if value is not None else 2 * last
        filled.append(last)
    return filled[::-1]


def judge_ball(network: Network, samples: SampleSet) -> dict:
    """Precision and recall within 5 px of the tile, position errors, streak errors."""
    found = _findings(network, samples, 0.3)
    result: dict = {"balls": int(samples.counts.sum()), "tiles": len(samples), "at": {}}
    for threshold in _THRESHOLDS:
        hits, false, errors, lengths, truths = 0, 0, [], [], []
        for f, count, ends in zip(found, samples.counts, samples.keypoints, strict=True):
            f = f.only(np.flatnonzero(f.scores[:, 0] >= threshold))
            places = f.points_px.mean(axis=1)
            free = list(range(len(f)))
            for truth in ends[:count, :, :2]:
                away = np.linalg.norm(places[free] - truth.mean(axis=0), axis=1)
                if len(free) and away.min() <= _NEAR_BALL_PX:
                    k = free.pop(int(away.argmin()))
                    hits += 1
                    errors.append(float(away.min()))
                    lengths.append(float(np.linalg.norm(np.diff(f.points_px[k], axis=0))))
                    truths.append(float(np.linalg.norm(np.diff(truth, axis=0))))
            false += len(free)
        wrong = np.abs(np.array(lengths) - np.array(truths))
        result["at"][str(threshold)] = {
            "precision": hits / max(hits + false, 1),
            "recall": hits / max(result["balls"], 1),
            "error_px_median": float(np.median(errors)) if errors else None,
            "streak_error_px_median": float(np.median(wrong)) if errors else None,
        }
    return result
