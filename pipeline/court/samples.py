"""Pictures spread over a recording, and where people stand in them."""

import logging
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from paddlebrief.footage import frame_times, open_frames
from paddlebrief.media import OPEN_OPTIONS, source_url
from paddlebrief.records import FootageInfo, Track

__all__ = [
    "MEDIAN_FRAMES",
    "Boxes",
    "Sample",
    "people_boxes",
    "picture_at",
    "read_samples",
    "spread",
]

logger = logging.getLogger(__name__)

LARGEST_PX = 1920
LEAD_IN_FRAMES = 5  # the reader decodes this many frames before the first one it gives
LONGEST_DECODE_FRAMES = 900
MEDIAN_FRAMES = 21
PERSON_MARGIN = 0.18

Boxes = Callable[[float], np.ndarray]
"""Gives (k, 4) left, top, right, bottom of the people at a presentation time, pixels."""


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One picture looked at: presentation time and (h, w, 3) uint8, at most 1920 pixels wide.

    ``scale`` is its width over the recording's.
    """

    time_s: float
    picture_bgr: np.ndarray
    scale: float


def read_samples(info: FootageInfo, most: int) -> list[Sample]:
    """Pictures spread over a recording, where they are cheap to decode.

    Key frames first; between them as many others as the decoding of about 900 pictures allows.
    """
    times = frame_times(info.path)
    keys = _key_frames(info, times)
    wanted = {min(int(k) + LEAD_IN_FRAMES, len(times) - 1) for k in spread(keys, most)}
    gap = len(times) / max(len(keys), 1)
    budget = LONGEST_DECODE_FRAMES
    for index in _between(sorted(wanted), len(times)):
        cost = index - keys[np.searchsorted(keys, index, side="right") - 1] if len(keys) else index
        budget -= cost
        if len(wanted) >= min(most, MEDIAN_FRAMES) or budget < 0:
            break
        wanted.add(index)
    logger.debug("%s: key frames every %.0f, %d samples", info.path, gap, len(wanted))
    samples = []
    for index in sorted(wanted):
        picture = picture_at(info, float(times[index]))
        if picture is not None:
            samples.append(picture)
    return samples


def spread(items: np.ndarray, most: int) -> np.ndarray:
    """At most so many of (n, …) items, evenly spread."""
    if len(items) <= most:
        return items
    return items[np.round(np.linspace(0, len(items) - 1, most)).astype(int)]


def _between(taken: Sequence[int], count: int) -> Iterator[int]:
    """Frames that halve the widest gaps, widest first."""
    edges = [0, *taken, count - 1]
    gaps = sorted({(b - a, a) for a, b in pairwise(edges) if b - a > 1}, reverse=True)
    while gaps:
        width, start = gaps.pop(0)
        middle = start + width // 2
        yield middle
        for part in ((middle - start, start), (start + width - middle, middle)):
            if part[0] > 8:
                gaps.append(part)
        gaps.sort(reverse=True)


def _key_frames(info: FootageInfo, times: np.ndarray) -> np.ndarray:
    """Indices of frames that can be decoded on their own, by their packets."""
    import av

    found = []
    try:
        with av.open(source_url(info.path), options=dict(OPEN_OPTIONS)) as container:
            stream = container.streams.video[0]
            for packet in container.demux(stream):
                if packet.is_keyframe and packet.pts is not None and packet.size:
                    found.append(float(packet.pts * packet.time_base))
    except av.FFmpegError as error:
        logger.debug("%s: key frames end early: %s", info.path, error)
    places = np.searchsorted(times, np.array(sorted(found)) - 1e-6)
    return np.unique(places[places < len(times)])


def picture_at(info: FootageInfo, time_s: float) -> Sample | None:
    """The picture shown at a presentation time; None after the last one."""
    with open_frames(info.path, start_s=time_s - 1e-6) as frames:
        frame = next(iter(frames), None)
    if frame is None:
        return None
    picture = frame.picture_bgr
    scale = min(1.0, LARGEST_PX / max(picture.shape[:2]))
    if scale < 1:
        picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return Sample(time_s=frame.time_s, picture_bgr=picture, scale=scale)


def people_boxes(tracks: Sequence[Track]) -> Boxes:
    """Boxes of tracked people with a margin, at any time; none where nobody is followed."""

    def at(time_s: float) -> np.ndarray:
        boxes = []
        for track in tracks:
            if not len(track.time_s):
                continue
            nearest = int(np.argmin(np.abs(track.time_s - time_s)))
            marks = track.landmarks_px[nearest]
            if abs(track.time_s[nearest] - time_s) > 0.2 or np.isnan(marks).all():
                continue
            low, high = np.nanmin(marks, axis=0), np.nanmax(marks, axis=0)
            margin = PERSON_MARGIN * (high[1] - low[1])
            boxes.append([*(low - margin), *(high + margin)])
        return np.array(boxes).reshape(-1, 4)

    return at
