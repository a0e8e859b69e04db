"""Pictures of a recording, upright and exactly timed, decoded as a stream."""

import logging
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from paddlebrief.errors import FootageError
from paddlebrief.footage.facts import RecordingFacts, read_facts
from paddlebrief.media import OPEN_OPTIONS, source_url

if TYPE_CHECKING:
    import av

__all__ = ["Frame", "FrameReader", "open_frames"]

logger = logging.getLogger(__name__)

REPEAT_CELLS = 128
"""Cells along the picture's long side in which two pictures are compared: 10 pixels of 1280."""

REPEAT_CHANGE = 8.0
"""Grey levels of 255; a picture is a repeat when no cell changed more. Repeats that a video
editor had made and encoded anew stayed below 7, moving people were above 60 (measured on three
clips)."""

MOTION_CHANGE = 32.0
"""Grey levels of 255; some cell must have changed this much shortly before. Where nothing moves,
a picture like the one before is what a camera sees, and no repeat."""

MOTION_PICTURES = 4
"""How many pictures back that motion is looked for; runs of up to three repeats are found."""


@dataclass(frozen=True, kw_only=True)
class Frame:
    """One picture of a recording.

    Attributes
    ----------
    index
        Place among the recording's frames in order of presentation, from 0.
    time_s
        Presentation time.
    picture_bgr
        (height, width, 3) uint8, upright, square pixels.
    repeat
        True when the picture shows the one before again while things are moving: it carries a
        time of its own but no instant of its own.
    """

    index: int
    time_s: float
    picture_bgr: np.ndarray
    repeat: bool


@contextmanager
def open_frames(
    path: Path, *, start_s: float | None = None, end_s: float | None = None
) -> Iterator["FrameReader"]:
    """Open a recording for reading its frames once, in order.

    Parameters
    ----------
    path
        A recording.
    start_s, end_s
        Presentation times; frames with ``start_s <= time_s < end_s`` are read, so that
        stretches that follow each other share no frame and lose none. None: from the first
        frame, to the last.

    Yields
    ------
    FrameReader
        To be iterated over inside the ``with`` block; holds a few pictures at a time.

    Raises
    ------
    FootageError
        When the file is missing, is no recording, or its pictures have no known coding.
    """
    facts = read_facts(path)
    first = 0 if start_s is None else int(np.searchsorted(facts.times_s, start_s))
    stop = len(facts.pts) if end_s is None else int(np.searchsorted(facts.times_s, end_s))
    reader = FrameReader(facts, first, max(first, stop))
    try:
        yield reader
    finally:
        reader.close()


class FrameReader:
    """Iterator over the frames of an open recording; made by `open_frames`.

    Attributes
    ----------
    failures
        Frames passed so far that are in the file but could not be decoded. Final when the
        iteration has ended by itself.
    """

    def __init__(self, facts: RecordingFacts, first: int, stop: int) -> None:
        self.failures = 0
        self._facts = facts
        self._times_s = facts.times_s
        self._first = first
        self._stop = stop
        self._open()
        self._frames = self._read()

    def _open(self) -> None:
        import av

        path = self._facts.path
        try:
            self._container = av.open(source_url(path), options=dict(OPEN_OPTIONS))
        except av.FFmpegError as error:
            raise FootageError(
                "the recording cannot be opened",
                file=path,
                found=str(error),
                todo="copy it again from the camera",
            ) from error
        self._stream = self._container.streams[self._facts.video_index]
        if self._stream.codec_context is None:
            self.close()
            raise FootageError(
                "its pictures are coded in a way that cannot be read",
                file=path,
                todo="export it from the phone or camera as H.264 or H.265",
            )
        self._stream.thread_type = "AUTO"

    def close(self) -> None:
        """Let go of the file; `open_frames` does it at the end of its block."""
        self._container.close()

    def __iter__(self) -> Iterator[Frame]:
        return self

    def __next__(self) -> Frame:
        return next(self._frames)

    def _read(self) -> Iterator[Frame]:
        if self._first == self._stop:
            return
        judge = _RepeatJudge()
        expected = self._first
        for index, decoded in self._decoded():
            if index >= self._stop:
                break
            if index < self._first - MOTION_PICTURES - 1:
                continue
            picture = self._picture(decoded)
            repeat = judge.is_repeat(picture)
            if index < self._first:
                continue
            self._count_failures(index - expected)
            expected = index + 1
            time_s = float(self._times_s[index])
            yield Frame(index=index, time_s=time_s, picture_bgr=picture, repeat=repeat)
        self._count_failures(self._stop - expected)

    def _count_failures(self, missed: int) -> None:
        if missed:
            self.failures += missed
            logger.info("%s: undecodable frames: %d", self._facts.path, missed)

    def _picture(self, decoded: "av.VideoFrame") -> np.ndarray:
        geometry = self._facts.geometry
        size = {"width": geometry.stored_width_px, "height": geometry.stored_height_px}
        return geometry.upright(np.ascontiguousarray(decoded.to_ndarray(format="bgr24", **size)))

    def _decoded(self) -> Iterator[tuple[int, "av.VideoFrame"]]:
        """Decoded frames with their indices, rising, from at least the repeat judge's lead-in."""
        last = -1
        for order, decoded in enumerate(self._decoded_packets()):
            index = order if self._facts.by_order else self._index_of(decoded)
            # A corrupt picture is smeared: worse than none.
            if index is None or index <= last or decoded.is_corrupt:
                logger.debug("%s: dropped a picture at %s", self._facts.path, decoded.time)
                continue
            last = index
            yield index, decoded

    def _index_of(self, decoded: "av.VideoFrame") -> int | None:
        if decoded.pts is None:
            return None
        ticks = self._facts.pts
        index = int(np.searchsorted(ticks, decoded.pts))
        return index if index < len(ticks) and ticks[index] == decoded.pts else None

    def _decoded_packets(self) -> Iterator["av.VideoFrame"]:
        import av

        for packet in self._packets():
            try:
                yield from packet.decode()
            except av.FFmpegError as error:
                logger.debug("%s: undecodable packet: %s", self._facts.path, error)
        try:
            yield from self._stream.codec_context.decode(None)
        except av.FFmpegError as error:
            logger.debug("%s: at the end: %s", self._facts.path, error)

    def _packets(self) -> Iterator["av.Packet"]:
        """Packets from the key frame at or before the lead-in to the end of what is readable."""
        import av

        packets = self._packets_from(max(0, self._first - MOTION_PICTURES - 1))
        while True:
            try:
                packet = next(packets)
            except StopIteration:
                return
            except av.FFmpegError as error:
                logger.info("%s: reading ends early: %s", self._facts.path, error)
                return
            # A packet that breaks off would also take the pictures with it that other threads
            # are still decoding.
            if packet.size and not packet.is_corrupt:
                yield packet

    def _packets_from(self, index: int) -> Iterator["av.Packet"]:
        """Packets from a key frame on that is shown at or before the frame of this index.

        Containers that number their frames are read from the start: places in them can't be told
        after a jump.
        """
        wanted = int(self._facts.pts[index])
        back = 0
        # Containers seek by decoding time or by guess, so the place is checked and the jump
        # repeated from further back until a key frame shown at or before the wanted one is met.
        while not self._facts.by_order and wanted - back > self._facts.pts[0]:
            packets = self._jump(wanted - back)
            head = next(packets, None)
            if head is not None and head.pts is not None and head.pts <= wanted:
                return chain([head], packets)
            back = max(2 * back, round(1 / self._facts.time_base))
        if back:
            # Jumping to the first frame can land behind it.
            self.close()
            self._open()
        return self._container.demux(self._stream)

    def _jump(self, ticks: int) -> Iterator["av.Packet"]:
        """Packets from the first key frame on that is met after a jump; none if it fails."""
        import av

        try:
            self._container.seek(ticks, stream=self._stream)
            packets = self._container.demux(self._stream)
            head = next((p for p in packets if p.size and p.is_keyframe), None)
        except av.FFmpegError as error:
            logger.debug("%s: no jump to tick %d: %s", self._facts.path, ticks, error)
            return iter(())
        return iter(()) if head is None else chain([head], packets)


class _RepeatJudge:
    """Tells repeated pictures by comparing each with the one before."""

    def __init__(self) -> None:
        self._before: np.ndarray | None = None
        self._changes: deque[float] = deque(maxlen=MOTION_PICTURES)

    def is_repeat(self, picture_bgr: np.ndarray) -> bool:
        """Judge the next picture; the first one is never a repeat."""
        now = _thumbnail(picture_bgr)
        before, self._before = self._before, now
        if before is None:
            return False
        change = float(np.abs(now - before).max())
        moving = max(self._changes, default=0.0) >= MOTION_CHANGE
        self._changes.append(change)
        return moving and change <= REPEAT_CHANGE


def _thumbnail(picture_bgr: np.ndarray) -> np.ndarray:
    """(rows, columns) float32 mean brightness of the cells, by every other green pixel."""
    height, width = picture_bgr.shape[:2]
    scale = REPEAT_CELLS / max(height, width)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    green = picture_bgr[::2, ::2, 1]
    return cv2.resize(green, size, interpolation=cv2.INTER_AREA).astype(np.float32)
