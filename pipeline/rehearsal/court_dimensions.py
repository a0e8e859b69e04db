"""Rulebook numbers of court, net, ball and paddle, in metres and kilograms, court frame.

Court frame: origin on the ground below the middle of the net, x along the net to the right,
y along the court away from the camera's half, z up. Sections are those of the USA Pickleball
Official Rulebook (2021 text); 2.A, 2.B and 2.E as read there, 2.C and 2.D as quoted on a
secondary page.
"""

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

INCH_M = 0.0254
FOOT_M = 0.3048
_OUNCE_KG = 0.028349523125

COURT_WIDTH_M = 20 * FOOT_M
"""Across, outside of the side lines (2.A.1)."""
COURT_LENGTH_M = 44 * FOOT_M
"""Along, outside of the base lines (2.A.1)."""
LINE_WIDTH_M = 2 * INCH_M
"""Width of every line; dimensions run to its outside edge (2.A.2)."""
NON_VOLLEY_DEPTH_M = 7 * FOOT_M
"""From the net to the outside edge of the non-volley line, its line included (2.B.3)."""
MIN_SURFACE_M = (30 * FOOT_M, 60 * FOOT_M)
"""Smallest recommended playing surface, across and along (2.A.3)."""

NET_SIDE_HEIGHT_M = 36 * INCH_M
"""Net height at the side lines (2.C)."""
NET_CENTRE_HEIGHT_M = 34 * INCH_M
"""Net height at the centre (2.C)."""

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


def net_height_m(x_m: float) -> float:
    """Height of the net's top edge at a place along it.

    The edge is taken to run straight from each side line to the centre, where a strap holds it
    down (common practice, no source).

    Parameters
    ----------
    x_m
        Place along the net, court frame; beyond the side lines the side height holds.

    Returns
    -------
    float
        Height above the ground in metres.
    """
    share = min(abs(x_m) / (COURT_WIDTH_M / 2), 1.0)
    return NET_CENTRE_HEIGHT_M + share * (NET_SIDE_HEIGHT_M - NET_CENTRE_HEIGHT_M)


def line_rectangles_m() -> dict[str, tuple[float, float, float, float]]:
    """The painted lines as rectangles on the ground, by name.

    Returns
    -------
    dict
        Name to (x_min, y_min, x_max, y_max) in metres, court frame; eight rectangles: two base
        lines, two side lines, two non-volley lines, and a centre line in each half.
    """
    half_w, half_l = COURT_WIDTH_M / 2, COURT_LENGTH_M / 2
    line, kitchen = LINE_WIDTH_M, NON_VOLLEY_DEPTH_M
    return {
        "near base line": (-half_w, -half_l, half_w, -half_l + line),
        "far base line": (-half_w, half_l - line, half_w, half_l),
        "left side line": (-half_w, -half_l, -half_w + line, half_l),
        "right side line": (half_w - line, -half_l, half_w, half_l),
        "near non-volley line": (-half_w, -kitchen, half_w, -kitchen + line),
        "far non-volley line": (-half_w, kitchen - line, half_w, kitchen),
        "near centre line": (-line / 2, -half_l, line / 2, -kitchen),
        "far centre line": (-line / 2, kitchen, line / 2, half_l),
    }
