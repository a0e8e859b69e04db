"""Stills of a stroke with the body's lines drawn in, for the pages."""

import logging
from collections.abc import Iterable, Sequence
from pathlib import Path

import cv2
import numpy as np

from paddlebrief.body import hand_landmark
from paddlebrief.brief.content import StrokePictures, line_labels
from paddlebrief.brief.figures import annotate
from paddlebrief.errors import FootageError
from paddlebrief.footage import open_frames
from paddlebrief.mechanics.stage import stroke_view
from paddlebrief.records import FootageInfo, MeasuredStroke, PlayerRanking, Track
from paddlebrief.sight import SightSettings, TrackParts
from paddlebrief.store.files import written_whole

__all__ = ["INSTANTS", "draw_stroke", "strokes_to_draw"]

log = logging.getLogger(__name__)

INSTANTS = ("load", "contact", "finish")
JPEG_QUALITY = 90


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
    sight: SightSettings,
    folder: Path,
) -> StrokePictures:
    """Write the annotated stills of one stroke as JPEG under ``folder``.

    The still is the frame nearest to each instant among those that show a new picture.
    An instant without a usable frame is left out with its reason.
    """
    view = stroke_view(info, parts, measured.stroke, sight=sight)
    paths: dict[str, Path] = {}
    reasons: dict[str, str] = {}
    for instant in INSTANTS:
        time_s = getattr(measured.stroke, f"{instant}_s")
        frame = _nearest_frame(info, time_s)
        if frame is None:
            reasons[instant] = "no picture could be read at this moment"
            continue
        picture = annotate(
            frame[1],
            landmarks_px=_landmarks_at(view.track, frame[0]),
            wrist_path_px=_wrist_path(view.track, measured, until_s=frame[0]),
            hand=measured.stroke.hand,
            labels=line_labels(measured, instant=instant),
        )
        path = folder / f"{_slug(measured)}-{instant}.jpg"
        with written_whole(path) as beside:
            encoded = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])[1]
            Path(beside).write_bytes(encoded.tobytes())
        paths[instant] = path
    return StrokePictures(**paths, reasons=reasons)


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


def _wrist_path(track: Track, measured: MeasuredStroke, *, until_s: float) -> np.ndarray:
    """(k, 2) the hitting wrist from the load to a time."""
    inside = (track.time_s >= measured.stroke.load_s) & (track.time_s <= until_s)
    wrist = track.landmarks_px[inside, hand_landmark(measured.stroke.hand, "wrist")]
    return wrist[np.isfinite(wrist).all(axis=1)]


def drawn(folder: Path, strokes: Iterable[MeasuredStroke]) -> dict:
    """Pictures found in a finished folder, by stroke key."""
    found = {}
    for measured in strokes:
        paths = {i: folder / f"{_slug(measured)}-{i}.jpg" for i in INSTANTS}
        found[measured.recording, measured.stroke.number] = StrokePictures(
            **{i: p if p.is_file() else None for i, p in paths.items()}
        )
    return found
