"""The court as painted strips in space, and the named points that a person can mark."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from paddlebrief.court.dimensions import (
    COURT_LENGTH_M,
    COURT_WIDTH_M,
    LINE_WIDTH_M,
    NET_CENTRE_HEIGHT_M,
    NET_SIDE_HEIGHT_M,
    NET_TAPE_M,
    NON_VOLLEY_DEPTH_M,
    line_rectangles_m,
)

__all__ = ["NET", "Strip", "court_strips", "named_points_m"]

NET = "net"
"""Group of the two strips of the net's tape."""


@dataclass(frozen=True, kw_only=True)
class Strip:
    """A straight strip of paint or tape.

    Attributes
    ----------
    name
        What it is called, as "near baseline".
    group
        Strips of one group are off by the same amount when the court was laid out inexactly.
    start_m, end_m
        (3,) ends of its middle, court frame.
    across
        (3,) unit vector across it.
    width_m
        From edge to edge.
    """

    name: str
    group: str
    start_m: np.ndarray
    end_m: np.ndarray
    across: np.ndarray
    width_m: float

    def middle(self, share: np.ndarray) -> np.ndarray:
        """(n, 3) points of its middle; ``share`` (n,) runs from 0 at the start to 1."""
        return self.start_m + np.asarray(share)[:, None] * (self.end_m - self.start_m)


@cache
def court_strips() -> tuple[Strip, ...]:
    """The eight painted lines and the two halves of the net's tape."""
    strips = [
        _painted(name, rectangle, words)
        for (name, rectangle), words in zip(line_rectangles_m().items(), _WORDS, strict=True)
    ]
    half = COURT_WIDTH_M / 2
    side = np.array([half, 0, NET_SIDE_HEIGHT_M - NET_TAPE_M / 2])
    centre = np.array([0, 0, NET_CENTRE_HEIGHT_M - NET_TAPE_M / 2])
    for name, start in (("left net tape", side * [-1, 1, 1]), ("right net tape", side)):
        strips.append(
            Strip(
                name=name,
                group=NET,
                start_m=start,
                end_m=centre,
                across=np.array([0, 0, 1.0]),
                width_m=NET_TAPE_M,
            )
        )
    return tuple(strips)


_WORDS = (
    "near baseline",
    "far baseline",
    "left sideline",
    "right sideline",
    "near non-volley line",
    "far non-volley line",
    "near centerline",
    "far centerline",
)


def _painted(name: str, rectangle: tuple[float, float, float, float], words: str) -> Strip:
    x0, y0, x1, y1 = rectangle
    lengthwise = y1 - y0 > x1 - x0
    if lengthwise:
        start, end, across = ((x0 + x1) / 2, y0), ((x0 + x1) / 2, y1), (1.0, 0, 0)
    else:
        start, end, across = (x0, (y0 + y1) / 2), (x1, (y0 + y1) / 2), (0, 1.0, 0)
    return Strip(
        name=words,
        group=words,
        start_m=np.array([*start, 0.0]),
        end_m=np.array([*end, 0.0]),
        across=np.array(across),
        width_m=LINE_WIDTH_M,
    )


@cache
def named_points_m() -> dict[str, tuple[float, float, float]]:
    """Points that ``court:`` in session.yaml may name, metres, court frame.

    Near is the half the camera stands in; left and right are those of a player there who faces
    the net, whatever side the camera looks from. Corners are
    those of the outside edges, as the rulebook measures them: ``near_left_corner`` where
    baseline and sideline meet, ``near_left_non_volley`` where the non-volley line meets the
    sideline, ``near_center_non_volley`` where the centerline meets it, ``near_center_baseline``
    where the centerline meets the baseline. ``net_top_left`` is the top of the net above the
    sideline, ``net_top_center`` above the centre.
    """
    half_w, half_l = COURT_WIDTH_M / 2, COURT_LENGTH_M / 2
    points: dict[str, tuple[float, float, float]] = {}
    for half, sign in (("near", -1), ("far", 1)):
        for side, x in (("left", -half_w), ("right", half_w)):
            points[f"{half}_{side}_corner"] = (x, sign * half_l, 0.0)
            points[f"{half}_{side}_non_volley"] = (x, sign * NON_VOLLEY_DEPTH_M, 0.0)
        points[f"{half}_center_non_volley"] = (0.0, sign * NON_VOLLEY_DEPTH_M, 0.0)
        points[f"{half}_center_baseline"] = (0.0, sign * half_l, 0.0)
    points["net_top_left"] = (-half_w, 0.0, NET_SIDE_HEIGHT_M)
    points["net_top_center"] = (0.0, 0.0, NET_CENTRE_HEIGHT_M)
    points["net_top_right"] = (half_w, 0.0, NET_SIDE_HEIGHT_M)
    return points
