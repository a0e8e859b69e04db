"""Which weights the closer look runs on, as a digest for the product's key."""

import hashlib
from collections.abc import Iterable
from functools import cache
from importlib import resources
from pathlib import Path

from paddlebrief.eyes.settings import EyeSettings
from paddlebrief.eyes.weights import shipped

__all__ = ["weights_digest"]


def weights_digest(eyes: EyeSettings) -> str:
    """SHA-256 over the bytes of the turn, paddle and ball networks in use; 64 hex digits.

    A file named in the settings that is not there counts by its name; opening it will fail later
    with a clear error.
    """
    turn = Path(str(resources.files("paddlebrief.turn").joinpath("weights")))
    files = [
        turn / "turn.onnx",
        turn / "calibration.json",
        shipped("eyes.json"),
        eyes.paddle.weights or shipped("paddle.onnx"),
        eyes.ball.weights or shipped("ball.onnx"),
    ]
    return _digest(tuple((f, f.stat().st_mtime_ns if f.is_file() else 0) for f in files))


@cache
def _digest(files: Iterable[tuple[Path, int]]) -> str:
    total = hashlib.sha256()
    for path, _ in files:
        total.update(path.read_bytes() if path.is_file() else str(path).encode())
    return total.hexdigest()
