"""What the container and its packets tell of a recording, read without decoding a picture."""

import re
import subprocess
from array import array
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import numpy as np

from paddlebrief.errors import FootageError
from paddlebrief.footage.geometry import PictureGeometry
from paddlebrief.media import OPEN_OPTIONS, executable, probe, running, source_url

__all__ = ["RecordingFacts", "SoundStream", "frame_times", "read_facts"]


@dataclass(frozen=True, kw_only=True)
class SoundStream:
    """The sound that belongs to a recording.

    Attributes
    ----------
    index
        Number of the stream in the container.
    rate_hz
        Sampling rate.
    start_s
        Presentation time of its first packet.
    """

    index: int
    rate_hz: int
    start_s: float


@dataclass(frozen=True, kw_only=True)
class RecordingFacts:
    """A recording's streams and the presentation times of its frames.

    Attributes
    ----------
    path
        The file.
    video_index
        Number of the video stream in the container.
    geometry
        How stored pictures become upright ones.
    time_base
        Seconds in one tick of ``pts``.
    pts
        (n,) int64 presentation times in ticks, strictly rising, without the frames that an
        edit list hides; read-only.
    by_order
        True when the container numbers its frames instead of timing them (AVI): ``pts`` then
        are slots, and the k-th decoded frame has the k-th of them.
    stored_frames, declared_frames
        Video packets in the file, hidden ones included, and how many the container promises;
        None when it doesn't say.
    declared_end_s
        Presentation time at which the container says that the video ends, or None.
    declared_rates
        Frame rates that the container states, perhaps nominal or wrong.
    sound
        The sound, or None.
    interlaced
        True when each picture holds two instants in alternate lines.
    tags
        Metadata of the container and of the video stream, keys in lower case.
    """

    path: Path
    video_index: int
    geometry: PictureGeometry
    time_base: Fraction
    pts: np.ndarray
    by_order: bool
    stored_frames: int
    declared_frames: int | None
    declared_end_s: float | None
    declared_rates: tuple[Fraction, ...]
    sound: SoundStream | None
    interlaced: bool
    tags: dict[str, str]

    @property
    def times_s(self) -> np.ndarray:
        """(n,) presentation times in seconds, exact to the last bit of a float."""
        return self.pts * self.time_base.numerator / self.time_base.denominator


def read_facts(path: Path) -> RecordingFacts:
    """Read a recording's streams and packet times.

    The last few recordings are remembered, as long as size and date of the file stay the same.

    Raises
    ------
    FootageError
        When there is no such file, or nothing in it that can be shown as moving pictures.
    SettingsError
        When there is no ffprobe.
    """
    path = Path(path)
    if not path.is_file():
        raise FootageError(
            "there is no such recording",
            file=path,
            expected="a video file",
            found="a folder" if path.is_dir() else "nothing",
            todo="check the name",
        )
    status = path.stat()
    if status.st_size == 0:
        raise FootageError(
            "the file is empty", file=path, todo="copy the recording again from the camera"
        )
    return _read_facts(path, status.st_size, status.st_mtime_ns)


def frame_times(path: Path) -> np.ndarray:
    """Presentation time of every frame, from the packets, without decoding.

    Returns
    -------
    ndarray (n,)
        Seconds, strictly rising, the start offset kept; ``n`` is at least 2.

    Raises
    ------
    FootageError
        As `read_facts`.
    """
    return read_facts(path).times_s


@lru_cache(maxsize=4)
def _read_facts(path: Path, size: int, modified_ns: int) -> RecordingFacts:
    found = probe(path)
    streams = found["streams"]
    video = _video_stream(path, streams)
    sound = _sound_stream(streams)
    packets = _read_packets(path, video["index"], None if sound is None else sound["index"])
    if len(packets.pts) < 2:
        raise FootageError(
            "this is no moving picture",
            file=path,
            expected="at least two video frames",
            found=f"{len(packets.pts)}",
            todo="copy the recording again from the camera, or leave the file out",
        )
    time_base = Fraction(video["time_base"])
    tags = {**found["format"].get("tags", {}), **video.get("tags", {})}
    tags = {key.lower(): value for key, value in tags.items()}
    start_s = float(packets.pts[0] * time_base)
    return RecordingFacts(
        path=path,
        video_index=video["index"],
        geometry=PictureGeometry.from_stream(video),
        time_base=time_base,
        pts=packets.pts,
        by_order=packets.by_order,
        stored_frames=packets.stored,
        declared_frames=int(video["nb_frames"]) if "nb_frames" in video else None,
        declared_end_s=_declared_end_s(video, tags, start_s),
        declared_rates=_declared_rates(video),
        sound=_sound_facts(sound, packets.sound_start),
        interlaced=video.get("field_order") in ("tt", "bb", "tb", "bt"),
        tags=tags,
    )


def _video_stream(path: Path, streams: list[dict]) -> dict:
    """The stream with the most pixels; cover pictures of sound files are none."""
    videos = [
        s
        for s in streams
        if s.get("codec_type") == "video"
        and not s.get("disposition", {}).get("attached_pic")
        and s.get("width", 0) > 0
    ]
    if not videos:
        kinds = sorted({"sound" if s.get("codec_type") == "audio" else "data" for s in streams})
        raise FootageError(
            "there is no picture in this file",
            file=path,
            expected="a video stream",
            found=f"{' and '.join(kinds)} only" if kinds else "no stream at all",
            todo="leave it out, or copy the recording again from the camera",
        )
    return max(videos, key=lambda s: s["width"] * s["height"])


def _sound_stream(streams: list[dict]) -> dict | None:
    """The first sound that has a decoder: phones add a spatial one that nobody can read."""
    return next(
        (
            s
            for s in streams
            if s.get("codec_type") == "audio"
            and s.get("codec_name", "unknown") not in ("unknown", "none")
            and int(s.get("sample_rate", 0)) > 0
        ),
        None,
    )


def _sound_facts(stream: dict | None, start: int | None) -> SoundStream | None:
    if stream is None or start is None:
        return None
    return SoundStream(
        index=stream["index"],
        rate_hz=int(stream["sample_rate"]),
        start_s=float(start * Fraction(stream["time_base"])),
    )


def _declared_end_s(video: dict, tags: dict[str, str], start_s: float) -> float | None:
    """Where the video ends by the container: mp4 states a length, Matroska an end."""
    if "duration" in video:
        return start_s + float(video["duration"])
    stated = re.fullmatch(r"(\d+):(\d\d):(\d\d(?:\.\d*)?)", tags.get("duration", ""))
    if stated is None:
        return None
    hours, minutes, seconds = stated.groups()
    return 3600 * int(hours) + 60 * int(minutes) + float(seconds)


def _declared_rates(video: dict) -> tuple[Fraction, ...]:
    stated = (video.get(key, "0/0") for key in ("avg_frame_rate", "r_frame_rate"))
    return tuple(Fraction(rate) for rate in stated if not rate.startswith("0/"))


@dataclass(frozen=True)
class _Packets:
    pts: np.ndarray
    by_order: bool
    stored: int
    sound_start: int | None


def _read_packets(path: Path, video: int, sound: int | None) -> _Packets:
    """Stream the packets' times through ffprobe; 8 bytes a frame are kept."""
    command = [str(executable("ffprobe")), "-v", "error"]
    command += [part for key, value in OPEN_OPTIONS.items() for part in (f"-{key}", value)]
    command += ["-show_entries", "packet=stream_index,pts,dts,flags", "-of", "csv=p=0"]
    command.append(source_url(path))
    pts, dts = array("q"), array("q")
    by_order, stored, sound_start = False, 0, None
    with running(command, about=path) as process:
        for row in _rows(process):
            index, shown, decoded, flags = row[:4]
            hidden = b"D" in flags
            if int(index) == video:
                stored += 1
                if hidden:
                    continue
                by_order |= shown == b"N/A"
                pts.append(0 if shown == b"N/A" else int(shown))
                dts.append(len(dts) if decoded == b"N/A" else int(decoded))
            elif int(index) == sound and not hidden and shown != b"N/A":
                sound_start = int(shown) if sound_start is None else min(sound_start, int(shown))
    ticks = np.unique(np.array(dts if by_order else pts, dtype=np.int64))
    ticks.setflags(write=False)
    return _Packets(ticks, by_order, stored, sound_start)


def _rows(process: subprocess.Popen):
    for line in process.stdout:
        row = line.strip().split(b",")
        if len(row) >= 4:
            yield row
