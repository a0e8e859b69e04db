"""What the ball tracker takes and gives; shapes are checked when a record is made."""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Protocol

import numpy as np

__all__ = ["BallCamera", "BallTrack", "Break", "BreakKind", "Candidates", "Flight"]


class BallCamera(Protocol):
    """What the tracker needs of a solved camera; points and directions are in the court frame."""

    @property
    def position_m(self) -> np.ndarray:
        """(3,) place of the camera."""

    def project(self, points_m: np.ndarray) -> np.ndarray:
        """(…, 2) pixels of (…, 3) points; NaN for what it cannot see."""

    def ray(self, px: np.ndarray) -> np.ndarray:
        """(…, 3) unit directions along which (…, 2) pixels look."""


@dataclass(frozen=True, kw_only=True)
class Candidates:
    """Places that may be a ball, in order of time; one row each.

    Attributes
    ----------
    frame
        (n,) int, number of the frame, not falling.
    time_s
        (n,) seconds on court when it was seen: of the frame, or of its row where the shutter
        rolls. The same for a frame's candidates but for that.
    px
        (n, 2) x to the right and y down; the middle of the streak where the ball is blurred.
    sd_px
        (n,) standard uncertainty of each coordinate.
    score
        (n,) 0 to 1.
    streak_px
        (n, 2) end minus start of the blur streak, its sign not known; NaN where there is none.
    frame_time_s
        (f,) times of all frames that were looked at, strictly rising: tells a frame without a
        candidate from a dropped one.
    steadied
        Whether the camera's shake was taken off ``px``.
    """

    frame: np.ndarray
    time_s: np.ndarray
    px: np.ndarray
    sd_px: np.ndarray
    score: np.ndarray
    streak_px: np.ndarray
    frame_time_s: np.ndarray
    steadied: bool = False

    def __post_init__(self) -> None:
        n = len(self.time_s)
        shapes = {"frame": (n,), "px": (n, 2), "sd_px": (n,), "score": (n,), "streak_px": (n, 2)}
        for name, shape in shapes.items():
            found = np.shape(getattr(self, name))
            if found != shape:
                raise ValueError(f"{name}: expected shape {shape}, got {found}")
        if n and (np.any(np.diff(self.frame) < 0) or not np.all(self.sd_px > 0)):
            raise ValueError("expected frames that do not fall and sd_px above 0")
        if len(self.frame_time_s) > 1 and not np.all(np.diff(self.frame_time_s) > 0):
            raise ValueError("frame_time_s: expected strictly rising times")

    def __len__(self) -> int:
        return len(self.time_s)

    def between(self, start_s: float, end_s: float) -> "Candidates":
        """Those of a stretch, ends included."""
        rows = (self.time_s >= start_s) & (self.time_s <= end_s)
        frames = (self.frame_time_s >= start_s) & (self.frame_time_s <= end_s)
        rowwise = ("frame", "time_s", "px", "sd_px", "score", "streak_px")
        kept = {name: getattr(self, name)[rows] for name in rowwise}
        return replace(self, **kept, frame_time_s=self.frame_time_s[frames])


class BreakKind(StrEnum):
    """What ends a flight; ``START`` and ``END`` are where the track begins and ends unexplained,
    ``TURN`` a break of unknown cause, as seen without a solved court."""

    START = "start"
    HIT = "hit"
    BOUNCE = "bounce"
    NET = "net"
    TURN = "turn"
    END = "end"


@dataclass(frozen=True, kw_only=True)
class Break:
    """An instant between two flights.

    Attributes
    ----------
    kind
        What happened.
    time_s, time_s_sd
        Between frames; at a start or an end, the time of the first or last candidate, and NaN.
    px
        (2,) place in the picture.
    place_m, covariance_m2
        (3,) of the ball's centre and (3, 3), court frame; NaN without a solved court.
    """

    kind: BreakKind
    time_s: float
    time_s_sd: float
    px: np.ndarray
    place_m: np.ndarray
    covariance_m2: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Flight:
    """A ball in the air between two breaks.

    Attributes
    ----------
    start, end
        The breaks.
    rows
        (n,) int, the candidates it was fitted to.
    anchor_s
        Time of the state below.
    position_m, velocity_mps, rim_mps
        (3,) each, court frame: state, and spin times radius (see `flight`); NaN without a solved
        court.
    covariance
        (9, 9) of the three, in that order.
    curve_px
        (4, 2) place in the picture as coefficients of 1, τ, τ², τ³ with τ seconds after
        ``anchor_s``.
    rms
        Root mean square of the residuals over their stated uncertainty; near 1 when both fit.
    """

    start: Break
    end: Break
    rows: np.ndarray
    anchor_s: float
    position_m: np.ndarray
    velocity_mps: np.ndarray
    rim_mps: np.ndarray
    covariance: np.ndarray
    curve_px: np.ndarray
    rms: float


@dataclass(frozen=True, kw_only=True)
class BallTrack:
    """One ball over consecutive flights.

    Attributes
    ----------
    number
        Place of the track in its recording, from 1, in order of time.
    flights
        In order; each ends at the break at which the next one starts.
    parameters, covariance
        Everything that was fitted together, (p,) and (p, p), laid out as in `fit.Layout`; empty
        without a solved court.
    """

    number: int
    flights: tuple[Flight, ...]
    parameters: np.ndarray
    covariance: np.ndarray

    @property
    def start_s(self) -> float:
        return self.flights[0].start.time_s

    @property
    def end_s(self) -> float:
        return self.flights[-1].end.time_s

    @property
    def breaks(self) -> tuple[Break, ...]:
        """All breaks in order, start and end included."""
        return (self.flights[0].start, *(f.end for f in self.flights))

    @property
    def in_court(self) -> bool:
        """True when the flights are known in metres."""
        return len(self.parameters) > 0
