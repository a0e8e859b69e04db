"""Stills of a stroke with the body's lines drawn in, for the pages."""

import logging
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from paddlebrief.body import hand_landmark
from paddlebrief.brief.content import StrokePictures, line_labels
from paddlebrief.brief.figures import OverlayStyle, annotate, crop_box, write_picture
from paddlebrief.brief.template import Templates
from paddlebrief.closer import CloserFolder
from paddlebrief.errors import FootageError
from paddlebrief.eyes import PADDLE_POINTS
from paddlebrief.footage import open_frames
from paddlebrief.mechanics.stage import stroke_view
from paddlebrief.records import LANDMARKS, FootageInfo, MeasuredStroke, PlayerRanking, Track
from paddlebrief.sight import SightSettings, TrackParts

__all__ = ["INSTANTS", "draw_stroke", "strokes_to_draw"]

log = logging.getLogger(__name__)

INSTANTS = ("load", "contact", "finish")
UNREADABLE = "no picture could be read at this moment"
OUTLINE = ("throat", "left edge", "tip", "right edge", "throat", "butt")
"""Keypoints of the paddle in the order in which its outline is drawn."""


def strokes_to_draw(
    strokes: Sequence[MeasuredStroke], rankings: Sequence[PlayerRanking], *, shown: int
) -> list[MeasuredStroke]:
    """The strokes that pages show: best and worst of each ranking, else the first ones.

    Each player without a ranked stroke gets up to ``shown`` strokes in order.
    """
    ranked = [r.stroke for g in rankings for r in (*g.best, *g.worst)]
    players = {s.stroke.player for s in ranked}
    plain: list[MeasuredStroke] = []
    for player in sorted({s.stroke.player for s in strokes} - players):
        plain += [s for s in strokes if s.stroke.player == player][:shown]
    keys = {(s.recording, s.stroke.number) for s in (*ranked, *plain)}
    return [s for s in strokes if (s.recording, s.stroke.number) in keys]


def draw_stroke(
    info: FootageInfo,
    parts: TrackParts,
    measured: MeasuredStroke,
    *,
    closer: CloserFolder,
    sight: SightSettings,
    templates: Templates,
    folder: Path,
) -> StrokePictures:
    """Write the annotated stills of one stroke under ``folder``, all cut by the same box.

    The still is the frame nearest to each instant among those that show a new picture.
    An instant without a usable frame is left out with its reason.
    """
    track = stroke_view(info, parts, measured.stroke, sight=sight).track
    frames = {i: _nearest_frame(info, getattr(measured.stroke, f"{i}_s")) for i in INSTANTS}
    bodies = {i: _landmarks_at(track, f[0]) for i, f in frames.items() if f is not None}
    style = OverlayStyle.of(templates)
    box = crop_box(
        np.stack([*bodies.values()]) if bodies else np.full((1, len(LANDMARKS), 2), np.nan),
        hand=measured.stroke.hand,
        picture_size_px=(info.width_px, info.height_px),
        style=style,
        wrist_path_px=_wrist_path(track, measured, until_s=measured.stroke.finish_s),
    )
    paths: dict[str, Path] = {}
    for instant, body in bodies.items():
        time_s, picture = frames[instant]
        drawn_on = annotate(
            picture,
            landmarks_px=body,
            wrist_path_px=_wrist_path(track, measured, until_s=time_s),
            hand=measured.stroke.hand,
            style=style,
            box=box,
            labels=line_labels(measured, instant=instant, templates=templates),
            paddle_px=_paddle_outline(closer, measured, time_s),
        )
        paths[instant] = folder / f"{_slug(measured)}-{instant}.jpg"
        write_picture(drawn_on, paths[instant])
    missing = {i: UNREADABLE for i in INSTANTS if i not in paths}
    return StrokePictures(**paths, reasons=missing)


def _slug(measured: MeasuredStroke) -> str:
    return f"stroke-{measured.stroke.number:04d}"


def _nearest_frame(info: FootageInfo, time_s: float) -> tuple[float, np.ndarray] | None:
    reach = 2.5 / float(info.frame_rate)
    best: tuple[float, np.ndarray] | None = None
    try:
        with open_frames(info.path, start_s=time_s - reach, end_s=time_s + reach) as frames:
            for frame in frames:
                if frame.repeat:
                    continue
                if best is None or abs(frame.time_s - time_s) < abs(best[0] - time_s):
                    best = (frame.time_s, frame.picture_bgr)
    except FootageError as error:
        log.warning("%s", error)
    return best


def _landmarks_at(track: Track, time_s: float) -> np.ndarray:
    """(33, 2) landmarks at a time, between frames; NaN where the player is not seen nearby."""
    if not len(track.time_s) or np.abs(track.time_s - time_s).min() > 0.15:
        return np.full(track.landmarks_px.shape[1:], np.nan)
    flat = track.landmarks_px.reshape(len(track.time_s), -1)
    values = [np.interp(time_s, track.time_s, column) for column in flat.T]
    return np.array(values).reshape(track.landmarks_px.shape[1:])


def _paddle_outline(
    closer: CloserFolder, measured: MeasuredStroke, time_s: float
) -> np.ndarray | None:
    """(6, 2) the paddle as the network saw it in the frame of that time; None when it did not."""
    seen = closer.paddle(measured.stroke.number)
    if seen is None or not len(seen.time_s):
        return None
    row = int(np.argmin(np.abs(seen.time_s - time_s)))
    points = seen.points_px[row, [PADDLE_POINTS.index(name) for name in OUTLINE]]
    if abs(seen.time_s[row] - time_s) > 1e-3 or not np.isfinite(points).all():
        return None
    return points


def _wrist_path(track: Track, measured: MeasuredStroke, *, until_s: float) -> np.ndarray:
    """(k, 2) the hitting wrist from the load to a time."""
    inside = (track.time_s >= measured.stroke.load_s) & (track.time_s <= until_s)
    wrist = track.landmarks_px[inside, hand_landmark(measured.stroke.hand, "wrist")]
    return wrist[np.isfinite(wrist).all(axis=1)]
