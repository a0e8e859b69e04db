"""Rulebook numbers of the court and the net, in metres, court frame.

Court frame: origin on the ground below the middle of the net, x along the net to the right,
y along the court away from the camera's half, z up. Sections are those of the USA Pickleball
Official Rulebook (2021 text); 2.A and 2.B as read there, 2.C as quoted on a secondary page.
"""

__all__ = [
    "COURT_LENGTH_M",
    "COURT_WIDTH_M",
    "FOOT_M",
    "INCH_M",
    "LINE_WIDTH_M",
    "MIN_SURFACE_M",
    "NET_CENTRE_HEIGHT_M",
    "NET_SIDE_HEIGHT_M",
    "NET_TAPE_M",
    "NON_VOLLEY_DEPTH_M",
    "line_rectangles_m",
    "net_height_m",
]

INCH_M = 0.0254
FOOT_M = 0.3048

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
NET_TAPE_M = 2 * INCH_M
"""Width of the white tape along the net's top edge (2.C, from memory)."""


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
