"""The turn network by ONNX Runtime: inputs to distributions of headings and directions."""

from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import numpy as np

from paddlebrief.turn.inputs import TurnInput

__all__ = [
    "BINS", "CIRCLE_RAD", "DIRECTIONS", "SEGMENTS", "SEPARATION_LIMIT_DEG", "SEPARATION_RAD",
    "TurnNet", "TurnOutput",
]  # fmt: skip

BINS = 72
"""Bins of each histogram."""
SEPARATION_LIMIT_DEG = 90.0
"""Separations are told apart up to this size on either side."""
CIRCLE_RAD = (np.arange(BINS) + 0.5) * (2 * np.pi / BINS) - np.pi
"""Middles of the bins of a heading."""
SEPARATION_RAD = (2 * (np.arange(BINS) + 0.5) / BINS - 1) * np.radians(SEPARATION_LIMIT_DEG)
"""Middles of the bins of the separation."""
SEGMENTS = ("spine", "left upper arm", "left forearm", "right upper arm", "right forearm")
"""Order of the directions: hips to shoulders, shoulder to elbow, elbow to wrist."""
DIRECTIONS = len(SEGMENTS)

_WEIGHTS = "turn.onnx"
_MIRRORED = [0, 3, 4, 1, 2]  # left and right arms change places


@dataclass(frozen=True, kw_only=True)
class TurnOutput:
    """Distributions for n inputs, in the line-of-sight frame (see ``inputs``).

    Attributes
    ----------
    hip, shoulder
        (n, 72) log-probabilities of headings ``CIRCLE_RAD``: anticlockwise from above, 0 when
        the player faces straight away from the camera.
    separation
        (n, 72) log-probabilities of shoulder minus hip heading, at ``SEPARATION_RAD``.
    direction
        (n, 5, 3) unit vectors of ``SEGMENTS``.
    concentration
        (n, 5) of a von Mises–Fisher distribution; the standard error of a direction across
        itself is about 1/√concentration radians.
    """

    hip: np.ndarray
    shoulder: np.ndarray
    separation: np.ndarray
    direction: np.ndarray
    concentration: np.ndarray


class TurnNet:
    """The network, ready to run; one instance serves one thread.

    Parameters
    ----------
    weights
        An ONNX file written by the training command; None uses the one in the package.
    threads
        Processor threads.
    """

    def __init__(self, weights: Path | None = None, *, threads: int = 2) -> None:
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = threads
        options.inter_op_num_threads = 1
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        source = weights or resources.files("paddlebrief.turn").joinpath("weights", _WEIGHTS)
        data = Path(source).read_bytes() if weights else source.read_bytes()
        self._session = onnxruntime.InferenceSession(
            data, options, providers=["CPUExecutionProvider"]
        )

    def __call__(self, inputs: Sequence[TurnInput], *, both_ways: bool = False) -> TurnOutput:
        """Distributions for each input; an empty output for none.

        With ``both_ways`` each input is also read in the mirror and the two answers are mixed,
        at twice the cost. Where they disagree the mixture is wide, as it should be: the network
        then does not know such pictures.
        """
        if not inputs:
            empty = np.empty((0, BINS))
            return TurnOutput(
                hip=empty, shoulder=empty, separation=empty,
                direction=np.empty((0, DIRECTIONS, 3)), concentration=np.empty((0, DIRECTIONS)),
            )  # fmt: skip
        planes = np.stack([i.planes for i in inputs])
        greys = (planes[:, :3].astype(np.float32) - 127.5) / 127.5
        mask = planes[:, 3:4].astype(np.float32) / 255
        sides = np.stack([planes[:, 4] & 15, planes[:, 4] >> 4], axis=1).astype(np.float32) / 15
        wide = np.concatenate([greys, mask, sides], axis=1)
        scalars = np.stack([i.scalars for i in inputs])
        plain = self._run(wide, scalars)
        if not both_ways:
            return plain
        turned = np.ascontiguousarray(wide[:, [0, 1, 2, 3, 5, 4], :, ::-1])
        return _mixed(plain, self._run(turned, scalars))

    def _run(self, planes: np.ndarray, scalars: np.ndarray) -> TurnOutput:
        found = self._session.run(None, {"planes": planes, "scalars": scalars})
        return TurnOutput(**dict(zip(TurnOutput.__dataclass_fields__, found, strict=True)))


def _mixed(plain: TurnOutput, turned: TurnOutput) -> TurnOutput:
    """An answer and the answer to the mirror image, each with half the weight."""
    histograms = {
        name: np.logaddexp(getattr(plain, name), getattr(turned, name)[:, ::-1]) - np.log(2)
        for name in ("hip", "shoulder", "separation")
    }
    back = turned.direction[:, _MIRRORED] * np.array([-1.0, 1.0, 1.0], np.float32)
    kappa, other = plain.concentration[..., None], turned.concentration[:, _MIRRORED, None]
    total = kappa * plain.direction + other * back
    length = np.linalg.norm(total, axis=-1)
    # Their common concentration: the mean of both, less for the angle between them.
    apart = np.arccos(np.clip(np.sum(plain.direction * back, axis=-1), -1, 1))
    mean = (kappa + other)[..., 0] / 2
    return TurnOutput(
        **histograms,
        direction=total / np.maximum(length, 1e-9)[..., None],
        concentration=1 / (1 / mean + (apart / 2) ** 2),
    )
