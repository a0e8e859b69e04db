"""A pen that draws haloed solid, dashed and dotted lines with end markers on a picture."""

import cv2
import numpy as np

from paddlebrief.brief.look import CIRCLE_RADIUS, DASH, MARKER_CORNERS, Colours, LineStyle

__all__ = ["Pen", "bgr", "dashes", "finite_runs"]

_SUBPIXEL_BITS = 4


def bgr(colour: str) -> tuple[int, int, int]:
    """OpenCV's colour for a ``#rrggbb`` one."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return blue, green, red


def finite_runs(path_px: np.ndarray) -> list[np.ndarray]:
    """Cut an (n, 2) path at its NaN points into the stretches between; none for an empty one."""
    seen = np.isfinite(path_px).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], seen, [False]]).astype(int)))
    return [path_px[a:b] for a, b in edges.reshape(-1, 2)]


def dashes(path_px: np.ndarray, *, on_px: float, off_px: float) -> list[np.ndarray]:
    """Cut an (n, 2) path, n ≥ 1, into dashes of equal arc length, the first at its start.

    ``on_px`` of zero gives single points, as for dots.
    """
    steps = np.hypot(*np.diff(path_px, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    pieces = []
    for start in np.arange(0.0, along[-1] + 1e-9, on_px + off_px):
        stop = min(start + on_px, along[-1])
        inner = along[(along > start) & (along < stop)]
        at = np.unique(np.concatenate([[start], inner, [stop]]))
        pieces.append(np.column_stack([np.interp(at, along, path_px[:, i]) for i in (0, 1)]))
    return pieces


class Pen:
    """Draws on one picture, in place.

    Parameters
    ----------
    picture
        (h, w, 3) uint8, blue green red.
    colours
        Halo and keyline; each line's own look comes with the call.
    px_per_pt
        Pixels for one printer's point at the printed size.
    """

    def __init__(self, picture: np.ndarray, *, colours: Colours, px_per_pt: float) -> None:
        self._picture = picture
        self._px_per_pt = px_per_pt
        self._halo, self._keyline = bgr(colours.halo), bgr(colours.keyline)
        self._halo_px = (colours.halo_pt + colours.keyline_pt) * px_per_pt
        self._keyline_px = colours.keyline_pt * px_per_pt

    def line(self, path_px: np.ndarray, style: LineStyle) -> None:
        """Draw an (n, 2) path; NaN points interrupt it, no finite point draws nothing."""
        runs = finite_runs(path_px)
        width = style.width_pt * self._px_per_pt
        for run in runs:
            self._stroke(run, self._halo, width + 2 * self._halo_px)
        for run in runs:
            pieces = self._pieces(run, style, width)
            for piece in pieces:
                self._stroke(piece, self._keyline, width + 2 * self._keyline_px)
            for piece in pieces:
                self._stroke(piece, bgr(style.colour), width)

    def _pieces(self, run: np.ndarray, style: LineStyle, width: float) -> list[np.ndarray]:
        if style.dash not in DASH:
            return [run]
        on, off = DASH[style.dash]
        return dashes(run, on_px=on * width, off_px=off * width)

    def _stroke(self, path: np.ndarray, colour: tuple[int, int, int], width: float) -> None:
        points = np.round(path * 2**_SUBPIXEL_BITS).astype(np.int32)
        if len(points) == 1 or np.all(points == points[0]):
            centre = tuple(int(v) for v in points[0])
            radius = round(width / 2 * 2**_SUBPIXEL_BITS)
            cv2.circle(
                self._picture, centre, radius, colour, cv2.FILLED, cv2.LINE_AA, _SUBPIXEL_BITS
            )
            return
        cv2.polylines(
            self._picture,
            [points],
            False,
            colour,
            max(1, round(width)),
            cv2.LINE_AA,
            _SUBPIXEL_BITS,
        )

    def markers(self, path_px: np.ndarray, style: LineStyle, *, both_ends: bool) -> None:
        """Mark the last finite point of an (n, 2) path, and the first one too when asked."""
        runs = finite_runs(path_px)
        if not runs:
            return
        self._marker(runs[-1][-1], style, heading=_heading(runs[-1]))
        if both_ends:
            self._marker(runs[0][0], style, heading=_heading(runs[0][::-1]))

    def _marker(self, at: np.ndarray, style: LineStyle, *, heading: np.ndarray) -> None:
        width = style.width_pt * self._px_per_pt
        for grow, colour in (
            (self._halo_px, self._halo),
            (self._keyline_px, self._keyline),
            (0.0, bgr(style.colour)),
        ):
            if style.marker == "circle":
                self._stroke(at[None], colour, 2 * (CIRCLE_RADIUS * width + grow))
                continue
            turn = np.array([heading, [-heading[1], heading[0]]])
            corners = width * np.array(MARKER_CORNERS[style.marker]) @ turn
            outline = np.round((at + corners) * 2**_SUBPIXEL_BITS).astype(np.int32)
            cv2.fillPoly(self._picture, [outline], colour, cv2.LINE_AA, _SUBPIXEL_BITS)
            if grow:
                closed = np.vstack([at + corners, at + corners[:1]])
                self._stroke(closed, colour, 2 * grow)


def _heading(run: np.ndarray) -> np.ndarray:
    """Unit vector in which a path arrives at its last point; to the right for a still one."""
    steps = run[-1] - run[::-1]
    far = np.flatnonzero(np.hypot(*steps.T) > 2.0)
    step = steps[far[0]] if len(far) else np.array([1.0, 0.0])
    return step / np.hypot(*step)
