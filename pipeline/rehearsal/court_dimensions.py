"""Rulebook numbers of ball and paddle, in metres and kilograms, and those of the court.

Court frame: origin on the ground below the middle of the net, x along the net to the right,
y along the court away from the camera's half, z up. Sections are those of the USA Pickleball
Official Rulebook (2021 text); 2.A, 2.B and 2.E as read there, 2.C and 2.D as quoted on a
secondary page.
"""

from paddlebrief.court.dimensions import (
    COURT_LENGTH_M,
    COURT_WIDTH_M,
    FOOT_M,
    INCH_M,
    LINE_WIDTH_M,
    MIN_SURFACE_M,
    NET_CENTRE_HEIGHT_M,
    NET_SIDE_HEIGHT_M,
    NON_VOLLEY_DEPTH_M,
    line_rectangles_m,
    net_height_m,
)

__all__ = [
    "BALL_DIAMETER_RANGE_M",
    "BALL_HOLES",
    "BALL_MASS_KG",
    "BALL_MASS_RANGE_KG",
    "BALL_RADIUS_M",
    "COURT_LENGTH_M",
    "COURT_WIDTH_M",
    "DROP_HEIGHT_M",
    "DROP_REBOUND_RANGE_M",
    "FOOT_M",
    "INCH_M",
    "LINE_WIDTH_M",
    "MIN_SURFACE_M",
    "NET_CENTRE_HEIGHT_M",
    "NET_SIDE_HEIGHT_M",
    "NON_VOLLEY_DEPTH_M",
    "PADDLE_MAX_LENGTH_M",
    "PADDLE_MAX_LENGTH_PLUS_WIDTH_M",
    "line_rectangles_m",
    "net_height_m",
]

_OUNCE_KG = 0.028349523125

BALL_DIAMETER_RANGE_M = (2.87 * INCH_M, 2.97 * INCH_M)
"""Smallest and greatest ball diameter (2.D)."""
BALL_RADIUS_M = 0.0743 / 2
"""Radius used here; within the limits of 2.D, the value of the drag table in the tests."""
BALL_MASS_RANGE_KG = (0.78 * _OUNCE_KG, 0.935 * _OUNCE_KG)
"""Smallest and greatest ball mass (2.D)."""
BALL_MASS_KG = 0.0243
"""Mass used here; within the limits of 2.D."""
BALL_HOLES = (26, 40)
"""Fewest and most circular holes (2.D)."""
DROP_HEIGHT_M = 78 * INCH_M
"""Drop of the bounce test (2.D)."""
DROP_REBOUND_RANGE_M = (30 * INCH_M, 34 * INCH_M)
"""Allowed rebound of the bounce test, to the top of the ball (2.D)."""

PADDLE_MAX_LENGTH_M = 17 * INCH_M
"""Greatest paddle length, butt cap included (2.E)."""
PADDLE_MAX_LENGTH_PLUS_WIDTH_M = 24 * INCH_M
"""Greatest length plus width, edge guard and butt cap included (2.E)."""
