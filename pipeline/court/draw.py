"""The court drawn on the footage, for a person to see at a glance whether it is right."""

from itertools import pairwise

import cv2
import numpy as np

from paddlebrief.brief.look import Colours
from paddlebrief.court.camera import SolvedCamera
from paddlebrief.court.solve import CourtSpan
from paddlebrief.court.strips import NET, court_strips, named_points_m

__all__ = ["draw_court"]

LETTER_SHARE = 0.022  # height of letters over the picture's height


def draw_court(picture_bgr: np.ndarray, span: CourtSpan, *, colours: Colours) -> np.ndarray:
    """Draw the court's lines, the net and the named points.

    Parameters
    ----------
    picture_bgr
        (h, w, 3) uint8 frame of the recording.
    span
        The stretch it is from.
    colours
        Of the report templates: lines in straw, net in brick, both on plum.

    Returns
    -------
    ndarray (h, w, 3) uint8
        A copy; without a camera it carries the reason only.
    """
    out = picture_bgr.copy()
    if span.camera is None:
        _banner(out, f"court not solved: {span.reason}", colours)
        return out
    unit = max(1, round(out.shape[0] / 540))
    for strip in court_strips():
        colour = colours.lines.wrist.colour if strip.group == NET else colours.lines.shoulder.colour
        _strip(out, span.camera, strip, _bgr(colour), _bgr(colours.keyline), unit)
    for name, point in named_points_m().items():
        _point(out, span.camera, name, point, colours, unit)
    text = (
        f"{100 * span.found_share:.0f} % of the lines found, {span.residual_px:.1f} px off; "
        f"worst place in view known to {1.96 * 100 * span.worst_sd_m:.0f} cm (95 %)"
    )
    _banner(out, text, colours)
    return out


def _bgr(colour: str) -> tuple[int, int, int]:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return blue, green, red


def _strip(out, camera: SolvedCamera, strip, colour, edge, unit: int) -> None:
    share = np.linspace(0, 1, 80)
    for side in (-0.5, 0.5):
        px = camera.project(strip.middle(share) + side * strip.width_m * strip.across)
        _polyline(out, px, edge, 2 * unit + 1)
        _polyline(out, px, colour, unit)


def _polyline(out: np.ndarray, px: np.ndarray, colour, thickness: int) -> None:
    height, width = out.shape[:2]
    shift = 4
    for a, b in pairwise(px):
        if np.isnan([a, b]).any() or np.abs([a, b]).max() > 20 * max(width, height):
            continue
        ends = [tuple(round(v * 2**shift) for v in p.tolist()) for p in (a, b)]
        cv2.line(out, *ends, colour, thickness, cv2.LINE_AA, shift)


def _point(out, camera: SolvedCamera, name: str, point, colours: Colours, unit: int) -> None:
    px = camera.project(np.array(point))
    height, width = out.shape[:2]
    if np.isnan(px).any() or not (0 <= px[0] < width and 0 <= px[1] < height):
        return
    at = (round(float(px[0])), round(float(px[1])))
    cv2.circle(out, at, 4 * unit, _bgr(colours.keyline), -1, cv2.LINE_AA)
    cv2.circle(out, at, 2 * unit, _bgr(colours.halo), -1, cv2.LINE_AA)
    if name.startswith("near") or name.startswith("net"):
        _label(out, name, (at[0] + 6 * unit, at[1] - 6 * unit), colours, 0.6)


def _banner(out: np.ndarray, text: str, colours: Colours) -> None:
    _label(out, text, (out.shape[1] // 80, out.shape[0] - out.shape[0] // 40), colours, 1.0)


def _label(out: np.ndarray, text: str, at: tuple[int, int], colours: Colours, size: float) -> None:
    """Text on a dark ground, kept inside the picture and made smaller where it is too wide."""
    height, width = out.shape[:2]
    scale = max(0.35, height * LETTER_SHARE / 22 * size)
    (wide, tall), below = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, 1)
    if wide > width - 8:
        scale *= (width - 8) / wide
        (wide, tall), below = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, 1)
    x = int(np.clip(at[0], 4, max(4, width - wide - 4)))
    y = int(np.clip(at[1], tall + 2, height - below - 1))
    corner = (x + wide + 2, y + below)
    cv2.rectangle(out, (x - 2, y - tall - 2), corner, _bgr(colours.keyline), -1)
    cv2.putText(
        out, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, scale, _bgr(colours.halo), 1, cv2.LINE_AA
    )
