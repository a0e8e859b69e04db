"""The pose network: from a picture to people, and from one person's crop to 33 landmarks.

Two TensorFlow Lite files (``model_store``) run on the CPU. The detector's anchors, the decoding
of its boxes and the crop rule follow the published description (Bazarevsky et al., "BlazePose:
On-device Real-time Body Pose Tracking", 2020) and the graph settings that ship beside the files.
"""

import logging
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

import cv2
import numpy as np
from scipy.special import expit

__all__ = ["Crop", "PersonFound", "Pose", "PoseNet", "anchors", "crop_from_axis"]

log = logging.getLogger(__name__)

DETECTOR_PX = 224
LANDMARK_PX = 256
CROP_MARGIN = 1.25  # the crop is this much larger than the circle around the body
STRIDES = (8, 16, 32, 32, 32)
MIN_BOX_OVERLAP = 0.3  # overlapping detections of one person are merged from this overlap on


@dataclass(frozen=True, kw_only=True)
class PersonFound:
    """A detected person: box ``(x0, y0, x1, y1)`` of the head region, score, and body axis.

    ``centre_px`` is the middle of the hips and ``reach_px`` a point on the circle around the
    whole body, straight above the head of an upright person; both in picture pixels.
    """

    box_px: np.ndarray
    score: float
    centre_px: np.ndarray
    reach_px: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Crop:
    """A square turned crop: centre, side and clockwise turn of its upward direction."""

    centre_px: np.ndarray
    side_px: float
    turn_rad: float

    def to_crop(self, out_px: int) -> np.ndarray:
        """(2, 3) affine map from picture pixels to crop pixels."""
        scale = out_px / self.side_px
        c, s = np.cos(self.turn_rad) * scale, np.sin(self.turn_rad) * scale
        rotation = np.array([[c, s], [-s, c]])
        shift = np.full(2, out_px / 2) - rotation @ self.centre_px
        return np.column_stack([rotation, shift])


@dataclass(frozen=True, kw_only=True)
class Pose:
    """Landmarks of one person in one picture.

    Attributes
    ----------
    landmarks_px
        (33, 2) in picture pixels.
    visibility
        (33,) probability of being in view.
    presence
        Probability that the crop holds a person.
    next_crop
        The crop to use in the next frame.
    mask
        (256, 256) probability of the person in the crop, and ``crop`` the crop it belongs to.
    """

    landmarks_px: np.ndarray
    visibility: np.ndarray
    presence: float
    next_crop: Crop
    crop: Crop
    mask: np.ndarray


def anchors() -> np.ndarray:
    """(2254, 2) anchor centres of the detector as fractions of its square input.

    Two anchors a cell for the first two strides and six for the three that share stride 32.
    """
    cells = []
    done = 0
    while done < len(STRIDES):
        same = [s for s in STRIDES[done:] if s == STRIDES[done]]
        size = -(-DETECTOR_PX // STRIDES[done])
        grid = (np.stack(np.meshgrid(np.arange(size), np.arange(size)), axis=-1) + 0.5) / size
        cells.append(np.repeat(grid.reshape(-1, 2), 2 * len(same), axis=0))
        done += len(same)
    return np.concatenate(cells)


def crop_from_axis(centre_px: np.ndarray, reach_px: np.ndarray) -> Crop:
    """The square crop around a body from its centre and a point on its circle."""
    axis = np.asarray(reach_px, float) - centre_px
    turn = np.arctan2(axis[0], -axis[1])  # 0 when the body stands upright
    return Crop(
        centre_px=np.asarray(centre_px, float),
        side_px=float(2 * np.hypot(*axis) * CROP_MARGIN),
        turn_rad=float(turn),
    )


class PoseNet:
    """Both networks, ready to run; one instance serves one caller at a time.

    Parameters
    ----------
    detector, landmarker
        Paths from ``model_store.ensure_models``.
    threads
        Threads of each network, and how many people are placed at a time.
    """

    def __init__(self, *, detector: Path, landmarker: Path, threads: int = 2) -> None:
        from ai_edge_litert.interpreter import Interpreter

        self._detector = _Network(Interpreter(str(detector), num_threads=threads))
        self._landmarker = _Network(Interpreter(str(landmarker), num_threads=threads))
        # Several people are placed faster side by side than one after the other.
        self._threads = threads
        self._side_by_side: SimpleQueue[_Network] = SimpleQueue()
        for _ in range(threads if threads > 1 else 0):
            self._side_by_side.put(_Network(Interpreter(str(landmarker), num_threads=1)))
        self._workers = ThreadPoolExecutor(threads, "pose")
        self._anchors = anchors()

    def find(self, picture_bgr: np.ndarray, *, min_score: float) -> list[PersonFound]:
        """People in a picture (h, w, 3), best first; empty when none reaches ``min_score``."""
        height, width = picture_bgr.shape[:2]
        side = max(height, width)
        scale = DETECTOR_PX / side
        shift = ((side - width) / 2, (side - height) / 2)
        matrix = np.array([[scale, 0, shift[0] * scale], [0, scale, shift[1] * scale]])
        square = _warp(picture_bgr, matrix, DETECTOR_PX)
        boxes, scores = self._detector.run(square * 2 - 1, ("12", "1"))
        scores = expit(scores[0, :, 0])
        keep = np.flatnonzero(scores >= min_score)
        raw = boxes[0, keep].reshape(-1, 6, 2) / DETECTOR_PX
        raw[:, [0, 2, 3, 4, 5]] += self._anchors[keep, None]
        points = raw * side - shift
        sizes = raw[:, 1] * side
        found = [
            PersonFound(
                box_px=np.concatenate([p[0] - s / 2, p[0] + s / 2]),
                score=float(score),
                centre_px=p[2],
                reach_px=p[3],
            )
            for p, s, score in zip(points, sizes, scores[keep], strict=True)
        ]
        return _merge(found)

    def place(self, picture_bgr: np.ndarray, crop: Crop) -> Pose:
        """Landmarks of the person inside ``crop`` of a picture (h, w, 3)."""
        return _placed(self._landmarker, picture_bgr, crop)

    def place_all(self, pictures_bgr: Sequence[np.ndarray], crops: Sequence[Crop]) -> list[Pose]:
        """Landmarks of the people inside crops, each of its own picture (h, w, 3), in order."""
        if len(crops) < 2 or self._threads < 2:
            return [self.place(p, c) for p, c in zip(pictures_bgr, crops, strict=True)]

        def placed(picture: np.ndarray, crop: Crop) -> Pose:
            network = self._side_by_side.get()
            try:
                return _placed(network, picture, crop)
            finally:
                self._side_by_side.put(network)

        return list(self._workers.map(placed, pictures_bgr, crops))


def _placed(network: "_Network", picture_bgr: np.ndarray, crop: Crop) -> Pose:
    matrix = crop.to_crop(LANDMARK_PX)
    square = _warp(picture_bgr, matrix, LANDMARK_PX)
    outputs = network.run(square, ("195", "1", "256,256,1"))
    points, presence, mask = outputs
    table = points.reshape(39, 5)
    back = cv2.invertAffineTransform(matrix)
    landmarks = table[:, :2] @ back[:, :2].T + back[:, 2]
    return Pose(
        landmarks_px=landmarks[:33],
        visibility=expit(table[:33, 3]),
        presence=float(presence[0, 0]),
        next_crop=crop_from_axis(landmarks[33], landmarks[34]),
        crop=crop,
        mask=expit(mask[0, :, :, 0]),
    )


class _Network:
    """A loaded network with one input; outputs are found by their shapes."""

    def __init__(self, interpreter) -> None:
        interpreter.allocate_tensors()
        self._interpreter = interpreter
        self._input = interpreter.get_input_details()[0]["index"]
        self._outputs = {
            ",".join(str(n) for n in d["shape"][1:]): d["index"]
            for d in interpreter.get_output_details()
        }

    def run(self, square: np.ndarray, endings: tuple[str, ...]) -> list[np.ndarray]:
        self._interpreter.set_tensor(self._input, square[None].astype(np.float32))
        self._interpreter.invoke()
        return [self._interpreter.get_tensor(self._index(e)) for e in endings]

    def _index(self, ending: str) -> int:
        exact = self._outputs.get(ending)
        if exact is not None:
            return exact
        return next(i for shape, i in self._outputs.items() if shape.endswith("," + ending))


def _warp(picture: np.ndarray, matrix: np.ndarray, out_px: int) -> np.ndarray:
    """The (out, out, 3) RGB square in 0…1 that ``matrix`` cuts out of a BGR picture."""
    scale = np.hypot(*matrix[0, :2])
    if scale < 0.5:
        picture, matrix = _shrink_first(picture, matrix, out_px, scale)
    square = cv2.warpAffine(picture, matrix, (out_px, out_px), flags=cv2.INTER_LINEAR)
    return cv2.cvtColor(square, cv2.COLOR_BGR2RGB).astype(np.float32) / 255


def _shrink_first(
    picture: np.ndarray, matrix: np.ndarray, out_px: int, scale: float
) -> tuple[np.ndarray, np.ndarray]:
    # warpAffine samples four pixels only: large crops need an area filter before it
    back = cv2.invertAffineTransform(matrix)
    corners = np.array([[0, 0], [out_px, 0], [0, out_px], [out_px, out_px]]) @ back[:, :2].T
    low = np.floor((corners + back[:, 2]).min(axis=0)).astype(int).clip(0)
    high = np.ceil((corners + back[:, 2]).max(axis=0)).astype(int)
    part = picture[low[1] : max(high[1], low[1] + 1), low[0] : max(high[0], low[0] + 1)]
    if part.size == 0:
        return picture, matrix
    size = np.maximum(1, np.round(np.array(part.shape[1::-1]) * scale)).astype(int)
    small = cv2.resize(part, size.tolist(), interpolation=cv2.INTER_AREA)
    stretch = np.array(part.shape[1::-1]) / size
    moved = matrix[:, :2] @ low + matrix[:, 2]
    return small, np.column_stack([matrix[:, :2] * stretch, moved])


def _overlap(a: np.ndarray, b: np.ndarray) -> float:
    size = np.clip(np.minimum(a[2:], b[2:]) - np.maximum(a[:2], b[:2]), 0, None).prod()
    union = (a[2:] - a[:2]).prod() + (b[2:] - b[:2]).prod() - size
    return float(size / union) if union > 0 else 0.0


def _merge(found: list[PersonFound]) -> list[PersonFound]:
    """Score-weighted mean of detections that overlap, best first."""
    left = sorted(found, key=lambda f: -f.score)
    merged = []
    while left:
        group = [f for f in left if _overlap(f.box_px, left[0].box_px) >= MIN_BOX_OVERLAP]
        weights = np.array([f.score for f in group])
        weights = weights / weights.sum()
        merged.append(
            PersonFound(
                box_px=weights @ np.stack([f.box_px for f in group]),
                score=group[0].score,
                centre_px=weights @ np.stack([f.centre_px for f in group]),
                reach_px=weights @ np.stack([f.reach_px for f in group]),
            )
        )
        taken = {id(f) for f in group}
        left = [f for f in left if id(f) not in taken]
    return merged
