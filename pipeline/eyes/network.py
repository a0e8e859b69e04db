"""Runs a pose-type network by ONNX Runtime on the CPU, or by torch on a GPU, and decodes it.

Weights are either an ``.onnx`` file whose outputs are the raw maps of each stride (as this
package exports them) or a checkpoint of ultralytics (``.pt``). Beside shipped ``.onnx`` files lie
the checkpoints that they were made from; these are used where torch finds a GPU.
"""

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from paddlebrief.errors import PaddlebriefError

__all__ = ["Backend", "Found", "Layout", "Network", "raw_maps", "suppressed"]

log = logging.getLogger(__name__)

Backend = Literal["auto", "onnx", "torch"]


@dataclass(frozen=True, kw_only=True)
class Layout:
    """What the channels of a network's maps mean: 4 sides of a box, classes, keypoints.

    ``inputs`` are the channels of a picture.
    """

    classes: int
    points: int
    point_values: int
    inputs: int = 3

    @property
    def channels(self) -> int:
        return 4 + self.classes + self.points * self.point_values


@dataclass(frozen=True, kw_only=True)
class Found:
    """What a network found in one picture, best first; n is 0 when it found nothing.

    Attributes
    ----------
    scores
        (n, classes) probability of each class.
    boxes_px
        (n, 4) x0, y0, x1, y1.
    points_px
        (n, K, 2).
    visible
        (n, K) probability that the place can be made out; 1 where the network does not say.
    """

    scores: np.ndarray
    boxes_px: np.ndarray
    points_px: np.ndarray
    visible: np.ndarray

    def __len__(self) -> int:
        return len(self.scores)

    def only(self, index: np.ndarray) -> "Found":
        """Some of the findings, in the order of ``index``."""
        return Found(**{name: values[index] for name, values in vars(self).items()})


class Network:
    """A loaded network; one instance serves one thread.

    Parameters
    ----------
    weights
        ``.onnx`` or ``.pt`` file.
    layout
        Meaning of its channels.
    threads
        Threads on the CPU.
    backend
        ``"auto"`` takes torch when a GPU and a checkpoint are there, else ONNX Runtime.

    Raises
    ------
    PaddlebriefError
        When the file is missing or its maps do not have the layout's channels.
    """

    def __init__(
        self, weights: Path, layout: Layout, *, threads: int = 2, backend: Backend = "auto"
    ) -> None:
        weights = Path(weights)
        if not weights.is_file():
            raise PaddlebriefError(
                "the weights are missing",
                file=weights,
                expected="an .onnx file or a checkpoint of ultralytics",
                todo="name another file in the settings, or train with paddlebrief.eyes.training",
            )
        self.layout = layout
        checkpoint = weights.with_suffix(".pt")
        by_torch = backend == "torch" or weights.suffix == ".pt"
        if backend == "auto" and checkpoint.is_file() and _gpu():
            by_torch = True
        self._run, inputs = _torch_runner(checkpoint) if by_torch else _onnx_runner(weights, threads)
        if inputs != layout.inputs:
            raise PaddlebriefError(
                "the network does not take what it is shown",
                file=weights,
                expected=f"pictures of {layout.inputs} channels",
                found=f"{inputs} channels",
                todo="use weights trained with paddlebrief.eyes.training",
            )
        maps = self._run(np.zeros((1, layout.inputs, 64, 64), np.float32))
        if any(m.shape[1] != layout.channels for m in maps):
            raise PaddlebriefError(
                "the network does not give what is asked of it",
                file=weights,
                expected=f"{layout.channels} channels",
                found=", ".join(str(m.shape[1]) for m in maps),
                todo="use weights trained with paddlebrief.eyes.training",
            )

    def find(self, pictures: np.ndarray, *, min_score: float) -> list[Found]:
        """What is in (n, h, w, inputs) uint8 pictures, sides multiples of 32.

        Findings whose classes' probabilities sum to ``min_score`` or more, before any
        suppression of overlaps.
        """
        batch = np.ascontiguousarray(pictures.transpose(0, 3, 1, 2), np.float32) / 255
        maps = self._run(batch)
        side = pictures.shape[2]
        return [
            _decoded([m[k] for m in maps], self.layout, side_px=side, min_score=min_score)
            for k in range(len(pictures))
        ]


def _gpu() -> bool:
    try:
        import torch
    except ImportError:
        return False
    return torch.cuda.is_available()


def _onnx_runner(weights: Path, threads: int):
    """A function that runs the network, and how many channels it takes."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    options.log_severity_level = 3
    session = onnxruntime.InferenceSession(
        str(weights), options, providers=["CPUExecutionProvider"]
    )
    given = session.get_inputs()[0]
    return lambda batch: session.run(None, {given.name: batch}), given.shape[1]


def _torch_runner(checkpoint: Path):
    """A function that runs the network, and how many channels it takes."""
    import torch
    from ultralytics.nn.tasks import load_checkpoint

    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    model, _ = load_checkpoint(str(checkpoint), device=device)
    model = model.float().eval()

    def run(batch: np.ndarray) -> list[np.ndarray]:
        with torch.inference_mode():
            maps = raw_maps(model, torch.from_numpy(batch).to(device))
        return [m.float().cpu().numpy() for m in maps]

    return run, next(model.parameters()).shape[1]


def raw_maps(model, batch) -> list:
    """Raw maps (n, channels, h, w) of a pose model of ultralytics, one a stride.

    Sides of boxes and offsets of keypoints are in strides, classes and visibilities are logits.
    """
    head = model.model[-1]
    outputs, value = [], batch
    for layer in model.model[:-1]:
        if layer.f != -1:
            value = (
                outputs[layer.f]
                if isinstance(layer.f, int)
                else [value if j == -1 else outputs[j] for j in layer.f]
            )
        value = layer(value)
        outputs.append(value)
    import torch

    return [
        torch.cat([head.cv2[k](x), head.cv3[k](x), head.cv4[k](x)], dim=1)
        for k, x in enumerate(outputs[j] for j in head.f)
    ]


def _decoded(
    maps: Sequence[np.ndarray], layout: Layout, *, side_px: int, min_score: float
) -> Found:
    parts = []
    for m in maps:
        stride = side_px / m.shape[2]
        logits = m[4 : 4 + layout.classes]
        # The sum of the classes' probabilities: which face is seen may be open while that a
        # paddle is there is certain.
        scores = 1 / (1 + np.exp(-np.clip(logits, -30, 30)))
        y, x = np.nonzero(scores.sum(axis=0) >= min_score)
        cell = m[:, y, x].T
        middle = np.stack([x, y], axis=1) + 0.5
        boxes = np.concatenate([middle - cell[:, :2], middle + cell[:, 2:4]], axis=1)
        values = cell[:, 4 + layout.classes :].reshape(-1, layout.points, layout.point_values)
        points = values[..., :2] * 2 + middle[:, None] - 0.5
        visible = np.ones(points.shape[:2])
        if layout.point_values == 3:
            visible = 1 / (1 + np.exp(-np.clip(values[..., 2], -30, 30)))
        # Strides count from the picture's edge, pixels from pixel centres.
        parts.append(
            Found(
                scores=scores[:, y, x].T,
                boxes_px=boxes * stride - 0.5,
                points_px=points * stride - 0.5,
                visible=visible,
            )
        )
    names = Found.__dataclass_fields__
    whole = Found(**{n: np.concatenate([getattr(p, n) for p in parts]) for n in names})
    return whole.only(np.argsort(-whole.scores.sum(axis=1), kind="stable"))


def suppressed(found: Found, *, overlap: float) -> Found:
    """Findings without those that overlap a better one by more than this share of their union."""
    kept: list[int] = []
    boxes = found.boxes_px
    areas = np.maximum(boxes[:, 2:] - boxes[:, :2], 0).prod(axis=1)
    for k in range(len(found)):
        others = boxes[kept]
        low, high = np.maximum(others[:, :2], boxes[k, :2]), np.minimum(others[:, 2:], boxes[k, 2:])
        shared = np.maximum(high - low, 0).prod(axis=1)
        if not (shared > overlap * (areas[kept] + areas[k] - shared)).any():
            kept.append(k)
    return found.only(np.array(kept, int))
