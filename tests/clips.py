"""Clips with known facts, made when a test needs them.

Every picture carries its number in a row of bright and dark cells along its upper edge, so that a
decoded picture says which one it is, and whether it is upright and unmirrored.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

SIZE_PX = (256, 144)
MARK = (1, 1, 0, 1)
"""Cells before the number; no mirror image of themselves."""
CELLS = 16


def picture(number: int, size_px: tuple[int, int] = SIZE_PX) -> np.ndarray:
    """(h, w, 3) uint8 BGR picture that carries ``number`` (0 … 4095) and differs from the next."""
    width, height = size_px
    across = np.linspace(40, 120, width, dtype=np.float32)
    grey = np.repeat(across[None], height, axis=0)
    bar = 29 * number % (width - width // 8)
    grey[height // 2 :, bar : bar + width // 8] = 230
    bits = [*MARK, *(number >> k & 1 for k in range(CELLS - len(MARK)))]
    edges = np.linspace(0, width, CELLS + 1).astype(int)
    for bit, left, right in zip(bits, edges[:-1], edges[1:], strict=True):
        grey[: height // 6, left:right] = 235 if bit else 20
    return np.repeat(grey.astype(np.uint8)[..., None], 3, axis=2)


def number_in(shown_bgr: np.ndarray) -> int:
    """The number a decoded picture carries, −1 when it is not upright or is mirrored."""
    height, width = shown_bgr.shape[:2]
    centres = ((np.arange(CELLS) + 0.5) * width / CELLS).astype(int)
    bits = (shown_bgr[height // 12, centres].mean(axis=1) > 128).astype(int)
    if tuple(bits[: len(MARK)]) != MARK:
        return -1
    return int(sum(bit << k for k, bit in enumerate(bits[len(MARK) :])))


def constant_times(rate: Fraction | int, frames: int, start: Fraction | int = 0) -> list[Fraction]:
    """Presentation times of a constant rate, exact."""
    return [start + Fraction(k) / rate for k in range(frames)]


def clicks(at_s: Sequence[float], *, rate_hz: int, length_s: float) -> np.ndarray:
    """(n,) float32 silence with a 2 ms burst of 2 kHz starting at each time, loudest at once."""
    samples = np.zeros(round(length_s * rate_hz), np.float32)
    burst = np.arange(round(0.002 * rate_hz))
    wave = 0.8 * np.cos(2 * np.pi * 2000 * burst / rate_hz) * np.exp(-burst / (0.0005 * rate_hz))
    for time_s in at_s:
        first = round(time_s * rate_hz)
        samples[first : first + len(burst)] += wave[: len(samples) - first]
    return samples


@dataclass(frozen=True, kw_only=True)
class Track:
    """Sound of a clip: (channels, n) float32 at ``rate_hz``, its first sample at ``start_s``."""

    samples: np.ndarray
    rate_hz: int = 48_000
    start_s: float = 0.0
    codec: str = "pcm_s16le"
    hole_s: tuple[float, float] | None = None
    """Stretch of presentation time whose packets are left out."""


def write_clip(
    path: Path,
    *,
    times_s: Sequence[Fraction],
    numbers: Sequence[int] | None = None,
    size_px: tuple[int, int] = SIZE_PX,
    draw: Callable[[int, tuple[int, int]], np.ndarray] = picture,
    time_base: Fraction = Fraction(1, 90_000),
    rotation_deg: int = 0,
    codec: str = "libx264",
    options: dict[str, str] | None = None,
    pixel_aspect: Fraction | None = None,
    sound: Track | None = None,
    tags: dict[str, str] | None = None,
) -> Path:
    """Write a clip whose k-th frame shows picture ``numbers[k]`` (or k) at ``times_s[k]``.

    ``rotation_deg`` is the clockwise turn that players must give the stored pictures; they are
    stored turned the other way, so that the upright picture is always that of ``draw``. The
    index stands at the front of mp4 and mov files.
    """
    muxing = {}
    if path.suffix in (".mp4", ".mov"):
        muxing = {"movflags": "faststart+use_metadata_tags"}
    turns = rotation_deg // 90
    width, height = size_px if turns % 2 == 0 else size_px[::-1]
    with av.open(str(path), "w", container_options=muxing) as container:
        container.metadata.update(tags or {})
        video = container.add_stream(codec, rate=30)
        video.width, video.height, video.pix_fmt = width, height, _pixel_format(codec)
        video.codec_context.time_base = time_base
        video.codec_context.options = options or _encoder_options(codec)
        if pixel_aspect is not None:
            video.codec_context.sample_aspect_ratio = pixel_aspect
        if rotation_deg:
            video.set_display_rotation(-rotation_deg)
        heard = None if sound is None else _add_sound(container, sound)
        for k, time_s in enumerate(times_s):
            shown = draw(k if numbers is None else numbers[k], size_px)
            stored = np.ascontiguousarray(np.rot90(shown, turns))
            frame = av.VideoFrame.from_ndarray(stored, format="bgr24")
            frame.pts, frame.time_base = round(time_s / time_base), time_base
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
        if heard is not None:
            _write_sound(container, heard, sound)
    return path


def write_sound_only(path: Path, sound: Track) -> Path:
    """Write a file with sound and no pictures."""
    with av.open(str(path), "w") as container:
        _write_sound(container, _add_sound(container, sound), sound)
    return path


def cut_short(path: Path, share: float, target: Path) -> Path:
    """Copy the first ``share`` of a file's bytes, as a copy that broke off leaves them."""
    data = path.read_bytes()
    target.write_bytes(data[: round(share * len(data))])
    return target


def _pixel_format(codec: str) -> str:
    return "yuvj420p" if codec == "mjpeg" else "yuv420p"


def _encoder_options(codec: str) -> dict[str, str]:
    # Key frames a third of a second apart and B frames, so that seeking has something to get
    # wrong; threads=1 makes the bytes the same on every computer.
    if codec == "libx264":
        return {"preset": "ultrafast", "crf": "18", "g": "10", "bf": "2", "threads": "1"}
    return {"threads": "1"}


def _add_sound(container: av.container.OutputContainer, sound: Track) -> av.AudioStream:
    layout = "mono" if len(np.atleast_2d(sound.samples)) == 1 else "stereo"
    return container.add_stream(sound.codec, rate=sound.rate_hz, layout=layout)


def _write_sound(
    container: av.container.OutputContainer, stream: av.AudioStream, sound: Track
) -> None:
    samples = np.atleast_2d(sound.samples)
    size = 1024
    for first in range(0, samples.shape[1], size):
        begin_s = sound.start_s + first / sound.rate_hz
        if sound.hole_s is not None and sound.hole_s[0] <= begin_s < sound.hole_s[1]:
            continue
        piece = np.ascontiguousarray(samples[:, first : first + size], np.float32)
        frame = av.AudioFrame.from_ndarray(piece, format="fltp", layout=stream.layout.name)
        frame.sample_rate = sound.rate_hz
        frame.pts = first + round(sound.start_s * sound.rate_hz)
        frame.time_base = Fraction(1, sound.rate_hz)
        container.mux(stream.encode(frame))
    container.mux(stream.encode(None))
