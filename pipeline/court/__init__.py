"""The court in metres: the camera solved from painted lines, with its uncertainty."""

from paddlebrief.court.camera import SolvedCamera
from paddlebrief.court.draw import draw_court
from paddlebrief.court.solve import (
    Court,
    CourtSettings,
    CourtSpan,
    read_court,
    solve_court,
    write_court,
)
from paddlebrief.court.strips import named_points_m

__all__ = [
    "Court",
    "CourtSettings",
    "CourtSpan",
    "SolvedCamera",
    "draw_court",
    "named_points_m",
    "read_court",
    "solve_court",
    "write_court",
]
