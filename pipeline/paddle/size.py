"""How large the paddle is: what is known beforehand, and what strokes add to it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = [
    "MAX_LENGTH_M", "MAX_LENGTH_PLUS_WIDTH_M", "SIZE_NAMES", "PaddleSize", "keypoints_m",
    "pooled_size",
]  # fmt: skip

MAX_LENGTH_M = 17 * 0.0254
"""Longest paddle allowed, butt cap and edge guard included (rulebook 2.E)."""
MAX_LENGTH_PLUS_WIDTH_M = 24 * 0.0254
"""Greatest length plus width allowed (rulebook 2.E)."""
SIZE_NAMES: tuple[str, ...] = ("length", "width", "handle")
GRIP_SHARE = 0.45
"""Where along the handle the hand's middle is, from the butt (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class PaddleSize:
    """Length, width and handle length of a paddle with their covariance.

    Attributes
    ----------
    log_m
        (3,) natural logarithms of the three in metres.
    covariance
        (3, 3) of the logarithms.
    """

    log_m: np.ndarray
    covariance: np.ndarray

    @property
    def metres(self) -> np.ndarray:
        """(3,) length, width and handle."""
        return np.exp(self.log_m)

    @classmethod
    def as_sold(cls) -> "PaddleSize":
        """Any paddle that is sold (common practice, no source): 16 by 7.75 in, handle 5 in.

        Makers use the allowed length plus width nearly up, so that longer ones are narrower.
        """
        mean = np.log([0.404, 0.196, 0.128])
        sd, tied = np.array([0.035, 0.045, 0.12]), -0.35
        covariance = np.diag(sd**2)
        covariance[0, 1] = covariance[1, 0] = tied * sd[0] * sd[1]
        return cls(log_m=mean, covariance=covariance)

    def plain(self) -> dict:
        """As JSON-ready values; `from_plain` reads them back."""
        return {"log_m": self.log_m.tolist(), "covariance": self.covariance.tolist()}

    @classmethod
    def from_plain(cls, plain: dict) -> "PaddleSize":
        """Read what `plain` wrote."""
        return cls(
            log_m=np.array(plain["log_m"], float), covariance=np.array(plain["covariance"], float)
        )


def keypoints_m(log_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Keypoints in the paddle's axes from the middle of the grip, and their derivatives.

    Axes: x across, y to the tip, z out of the front face. Points as ``eyes.PADDLE_POINTS`` for
    somebody who sees the front face: butt, throat, tip, −x edge, +x edge.

    Parameters
    ----------
    log_m
        (3,) as in `PaddleSize`.

    Returns
    -------
    points
        (5, 3) metres.
    slopes
        (5, 3, 3) by the three logarithms (last axis).
    """
    length, width, handle = np.exp(log_m)
    middle = (handle + length) / 2
    points = np.zeros((5, 3))
    points[:, 1] = np.array([0, handle, length, middle, middle]) - GRIP_SHARE * handle
    points[3:, 0] = -width / 2, width / 2
    slopes = np.zeros((5, 3, 3))
    slopes[:, 1, 0] = np.array([0, 0, 1, 0.5, 0.5]) * length
    slopes[:, 1, 2] = (np.array([0, 1, 0, 0.5, 0.5]) - GRIP_SHARE) * handle
    slopes[3:, 0, 1] = -width / 2, width / 2
    return points, slopes


def face_middle_m(log_m: np.ndarray) -> np.ndarray:
    """(…,) distance of the face's middle from the middle of the grip, of (…, 3) logarithms."""
    length, _, handle = np.moveaxis(np.exp(log_m), -1, 0)
    return (handle + length) / 2 - GRIP_SHARE * handle


def pooled_size(
    prior: PaddleSize, found: Sequence[PaddleSize], *, common_sd: float = 0.015
) -> PaddleSize:
    """What several strokes with one paddle say of its size together.

    Parameters
    ----------
    prior
        What every one of ``found`` started from.
    found
        One result a stroke; empty gives the prior.
    common_sd
        Standard uncertainty of the logarithms that more strokes do not remove, such as a
        distance or a keypoint that is off the same way in all of them.
    """
    if not found:
        return prior
    known = np.linalg.inv(prior.covariance)
    gained = [np.linalg.inv(s.covariance) for s in found]
    total = known + sum(g - known for g in gained)
    values, vectors = np.linalg.eigh((total + total.T) / 2)
    total = (vectors * np.maximum(values, np.linalg.eigvalsh(known)[0])) @ vectors.T
    weighted = known @ prior.log_m + sum(
        g @ s.log_m - known @ prior.log_m for g, s in zip(gained, found, strict=True)
    )
    return PaddleSize(
        log_m=np.linalg.solve(total, weighted),
        covariance=np.linalg.inv(total) + common_sd**2 * np.eye(3),
    )
