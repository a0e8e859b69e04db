"""Sound of a recording as arrays that carry their own clock."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import ffmpeg
import numpy as np

from paddlebrief.footage.facts import SoundStream, read_facts
from paddlebrief.media import OPEN_OPTIONS, executable, running, source_url

__all__ = ["Sound", "read_sound", "sound_blocks"]

PRE_ROLL_S = 1.0
"""Decoding starts this much before the wanted sound: codecs need some packets to settle."""

GAP_FILL_S = 0.02
"""Holes in the sound longer than this are filled with silence, so that later samples keep their
times; one lost packet of 1024 samples at 48 kHz is 21 ms."""


@dataclass(frozen=True, kw_only=True)
class Sound:
    """A stretch of sound.

    Attributes
    ----------
    samples
        (n,) float32, all channels averaged to one, full scale ±1. Empty when there is no sound.
    rate_hz
        Sampling rate, or None when the recording has no sound.
    start_s
        Presentation time of the first sample, NaN when the recording has no sound; sample ``k``
        is at ``start_s + k / rate_hz``.
    """

    samples: np.ndarray
    rate_hz: int | None
    start_s: float

    def __post_init__(self) -> None:
        if np.ndim(self.samples) != 1:
            raise ValueError(f"samples: expected shape (n,), got {np.shape(self.samples)}")


def read_sound(path: Path, *, start_s: float | None = None, end_s: float | None = None) -> Sound:
    """Read a stretch of sound into one array.

    Parameters
    ----------
    path
        A recording.
    start_s, end_s
        Presentation times; the recording's own ends when None. Samples with
        ``start_s <= time < end_s`` are read. The whole sound of a long recording is large
        (0.7 GB an hour at 48 kHz): walk through it with `sound_blocks` instead.

    Returns
    -------
    Sound
        Without samples when the recording has no sound, or none in this stretch.

    Raises
    ------
    FootageError
        When the file is missing or is no recording.
    SettingsError
        When there is no ffmpeg.
    """
    stream = read_facts(path).sound
    if stream is None:
        return Sound(samples=np.empty(0, np.float32), rate_hz=None, start_s=math.nan)
    first, _ = _sample_range(stream, start_s, end_s)
    blocks = list(sound_blocks(path, block_s=60.0, start_s=start_s, end_s=end_s))
    samples = [block.samples for block in blocks] or [np.empty(0, np.float32)]
    return Sound(
        samples=np.concatenate(samples), rate_hz=stream.rate_hz, start_s=first / stream.rate_hz
    )


def sound_blocks(
    path: Path, *, block_s: float = 10.0, start_s: float | None = None, end_s: float | None = None
) -> Iterator[Sound]:
    """Walk through the sound in blocks; memory does not grow with the recording's length.

    Parameters
    ----------
    path
        A recording.
    block_s
        Length of a block, seconds of presentation time. The last one is shorter.
    start_s, end_s
        As in `read_sound`.

    Yields
    ------
    Sound
        Blocks that follow each other without a gap; none at all when there is no sound.

    Raises
    ------
    FootageError
        When the file is missing or is no recording.
    SettingsError
        When there is no ffmpeg.
    """
    stream = read_facts(path).sound
    if stream is None:
        return
    first, stop = _sample_range(stream, start_s, end_s)
    if stop is not None and stop <= first:
        return
    block = max(1, round(block_s * stream.rate_hz))
    with running(_command(Path(path), stream, first, stop), about=Path(path)) as process:
        while stop is None or first < stop:
            wanted = block if stop is None else min(block, stop - first)
            samples = np.frombuffer(process.stdout.read(4 * wanted), dtype="<f4")
            if len(samples):
                yield Sound(samples=samples, rate_hz=stream.rate_hz, start_s=first / stream.rate_hz)
            first += len(samples)
            if len(samples) < wanted:
                return


def _sample_range(
    stream: SoundStream, start_s: float | None, end_s: float | None
) -> tuple[int, int | None]:
    """Numbers of the first sample wanted and of the one after the last, from presentation 0."""
    begin_s = stream.start_s if start_s is None else max(start_s, stream.start_s)
    # A sample's time is a rounded quotient: without the slack, a block that starts at one
    # block's end would skip or repeat a sample.
    slack = 1e-6
    first = math.ceil(begin_s * stream.rate_hz - slack)
    return first, None if end_s is None else math.ceil(end_s * stream.rate_hz - slack)


def _command(path: Path, stream: SoundStream, first: int, stop: int | None) -> list[str]:
    """The ffmpeg call whose output's first sample is number ``first``, by the packets' times."""
    rate = stream.rate_hz
    jump_s = first / rate - PRE_ROLL_S
    # No jump where it isn't needed: one to the start of a Matroska file that breaks off, and so
    # lacks its index, finds nothing.
    jump = {"ss": f"{jump_s:.6f}", "seek_timestamp": 1} if jump_s > stream.start_s else {}
    source = ffmpeg.input(source_url(path), **OPEN_OPTIONS, **jump)[str(stream.index)]
    # Without the largest sum of 1, floats are mixed at 0.7 each and loud sound leaves ±1.
    mixing = {"out_chlayout": "mono", "out_sample_fmt": "flt", "rematrix_maxval": 1}
    clock = {"async": 1, "min_hard_comp": GAP_FILL_S, "first_pts": first}
    timed = source.filter("aresample", rate, **mixing, **clock)
    limits = {} if stop is None else {"to": f"{stop / rate:.6f}"}
    output = timed.output("pipe:", format="f32le", acodec="pcm_f32le", **limits)
    quiet = output.global_args("-copyts", "-nostdin", "-v", "error")
    return ffmpeg.compile(quiet, cmd=str(executable("ffmpeg")))
