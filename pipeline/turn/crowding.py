"""Frames in which somebody else stands in front of a player: what is seen there is two bodies."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from paddlebrief.records import LANDMARKS, Track

__all__ = ["clear_of_others"]

_COVERED = 0.2  # share of the player's upper body from which a frame does not count
_ALL_AGREE_S = 0.05  # others' landmarks are taken from within this time
_UPPER = [k for k, n in enumerate(LANDMARKS) if n.split("_")[-1] in ("shoulder", "elbow", "hip")]


def clear_of_others(track: Track, others: Sequence[Track]) -> Track:
    """The track without the landmarks of frames in which a nearer person covers the player.

    Nearer is whose feet stand lower in the picture; covered is who has a fifth or more of the box
    round shoulders, elbows and hips inside the other's box.

    Parameters
    ----------
    track
        The player.
    others
        Everybody else in the recording, over the same stretch; presentation times.

    Returns
    -------
    Track
        The same frames; landmarks are NaN where the player is covered.
    """
    hidden = np.zeros(len(track.time_s), bool)
    low, high = _box(track.landmarks_px[:, _UPPER])
    feet = _box(track.landmarks_px)[1][:, 1]
    for other in others:
        if not len(other.time_s):
            continue
        nearest = np.abs(track.time_s[:, None] - other.time_s).argmin(axis=1)
        with_us = np.abs(track.time_s - other.time_s[nearest]) <= _ALL_AGREE_S
        other_low, other_high = (b[nearest] for b in _box(other.landmarks_px))
        shared = np.clip(np.minimum(high, other_high) - np.maximum(low, other_low), 0, None)
        covered = shared.prod(axis=1) > _COVERED * (high - low).prod(axis=1)
        hidden |= with_us & covered & (other_high[:, 1] > feet)
    marks = np.where(hidden[:, None, None], np.nan, track.landmarks_px)
    return replace(track, landmarks_px=marks)


def _box(marks_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(n, 2) lower and upper ends over a frame's points; crossed over where there is none."""
    known = np.isfinite(marks_px)
    return (
        np.where(known, marks_px, np.inf).min(axis=1),
        np.where(known, marks_px, -np.inf).max(axis=1),
    )
