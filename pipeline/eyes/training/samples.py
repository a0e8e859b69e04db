"""Samples as plain arrays, in memory and on disk."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from paddlebrief.eyes.training.examples import BallSample, PaddleSample

__all__ = ["SHAPES", "SampleSet", "as_set", "joined", "load_set"]

SHAPES = {"paddle": {"points": 5, "most": 3}, "ball": {"points": 2, "most": 8}}
"""Keypoints of a thing and things in a picture, for each network."""


@dataclass(frozen=True)
class SampleSet:
    """Pictures with up to M things in each.

    Attributes
    ----------
    pictures
        (n, side, side, channels) uint8: 3 colours, or 5 grey frames.
    counts
        (n,) things in each picture.
    kinds
        (n, M) class of each.
    boxes
        (n, M, 4) x0, y0, x1, y1 in pixels.
    keypoints
        (n, M, K, 3) x, y, and 1 where it can be made out; places are also given where it is 0.
    extras
        (n, M) the cosine between face normal and view for paddles, the radius for balls.
    """

    pictures: np.ndarray
    counts: np.ndarray
    kinds: np.ndarray
    boxes: np.ndarray
    keypoints: np.ndarray
    extras: np.ndarray

    def __len__(self) -> int:
        return len(self.pictures)

    def first(self, count: int) -> "SampleSet":
        """At most ``count`` samples, from the start."""
        return SampleSet(**{name: values[:count] for name, values in vars(self).items()})

    def save(self, folder: Path) -> None:
        """Write one ``.npy`` file an array into a folder, which appears when it is whole."""
        beside = folder.with_name(f".{folder.name}")
        beside.mkdir(parents=True, exist_ok=True)
        for name, values in vars(self).items():
            np.save(beside / f"{name}.npy", values)
        beside.replace(folder)


def load_set(folder: Path) -> SampleSet:
    """A set as ``SampleSet.save`` wrote it; arrays are read from the disk when they are used."""
    names = SampleSet.__dataclass_fields__
    return SampleSet(**{n: np.load(folder / f"{n}.npy", mmap_mode="r") for n in names})


def joined(sets: Iterable[SampleSet]) -> SampleSet:
    """Several sets as one."""
    sets = list(sets)
    names = SampleSet.__dataclass_fields__
    return SampleSet(**{n: np.concatenate([getattr(s, n) for s in sets]) for n in names})


def as_set(samples: list[PaddleSample] | list[BallSample], *, points: int, most: int) -> SampleSet:
    """Samples of one sort as arrays, padded with zeros to ``most`` things."""
    count = len(samples)
    kinds, extras = np.zeros((count, most), np.int64), np.zeros((count, most), np.float32)
    boxes = np.zeros((count, most, 4), np.float32)
    keypoints = np.zeros((count, most, points, 3), np.float32)
    counts = np.zeros(count, np.int64)
    for k, sample in enumerate(samples):
        n = counts[k] = len(sample.boxes)
        boxes[k, :n] = sample.boxes
        if isinstance(sample, PaddleSample):
            kinds[k, :n], extras[k, :n] = sample.kinds, sample.cosines
            keypoints[k, :n] = sample.keypoints
        else:
            extras[k, :n] = sample.radii
            keypoints[k, :n, :, :2], keypoints[k, :n, :, 2] = sample.ends, 1
    pictures = np.stack([s.picture for s in samples])
    return SampleSet(pictures, counts, kinds, boxes, keypoints, extras)
