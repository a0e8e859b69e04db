"""Makes the recording of a rehearsal: every frame drawn, bent, exposed and encoded, with sound.

Drawing runs in this thread; lens, noise and encoding run in a second one beside it.
"""

import logging
import queue
import threading
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np

from paddlebrief.rehearsal.camera import (
    Camera,
    CameraSettings,
    Shake,
    exposure_gain,
    place_camera,
)
from paddlebrief.rehearsal.drawing import open_drawing
from paddlebrief.rehearsal.dress import Dressed
from paddlebrief.rehearsal.gear import paddle_prop
from paddlebrief.rehearsal.lens import Lens, Sensor
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.rehearsal.scene import Exposure, Moments, Scene, World
from paddlebrief.rehearsal.scenery import FAR_M
from paddlebrief.rehearsal.venue import VenueSettings

__all__ = ["Moments", "World", "film_frames", "render_film"]

logger = logging.getLogger(__name__)

_CLOCK = Fraction(1, 90_000)


class _Darkroom:
    """Everything between the flat picture and the recorded one."""

    def __init__(self, settings: CameraSettings, camera: Camera, seed: int) -> None:
        self._settings, self._seed = settings, seed
        self._shake = Shake(settings, seed)
        self._sensor = Sensor(settings, seed)
        self.lens = Lens(camera, shake_deg=settings.shake_deg)

    def picture(self, flat: np.ndarray, time_s: float) -> np.ndarray:
        """(H, W, 3) uint8 BGR picture of the frame at a court time."""
        shake = None if self._shake.still else self._shake.at(time_s)
        gain = float(exposure_gain(self._settings, time_s, self._seed))
        return self._sensor.record(self.lens.picture(flat, shake), gain)


def film_frames(
    *,
    settings: CameraSettings,
    venue: VenueSettings,
    cast: Sequence[Dressed],
    paddles: Sequence[PaddleSpec],
    world: World,
    times_s: np.ndarray,
    seed: int,
    show: Callable[[int, np.ndarray], None],
    feeder_m: tuple[float, float] | None = None,
) -> None:
    """Draw the frames of a rehearsal and hand each to ``show``.

    Parameters
    ----------
    settings, venue
        The camera and the place.
    cast, paddles
        Who plays, and with which paddles; ``world`` gives their places in the same order.
    world
        Places of everything at given court times, seconds.
    times_s
        (T,) court times of the frames: middle of the exposure of the middle row.
    seed
        Draws everything that is left open.
    show
        Called in order with the frame's number and its (H, W, 3) uint8 BGR picture, from
        another thread.
    feeder_m
        Where beyond the net somebody stands who feeds balls; None for nobody.

    Raises
    ------
    RehearsalError
        When nothing can be drawn here.
    """
    camera = place_camera(settings)
    room = _Darkroom(settings, camera, seed)
    with open_drawing(FAR_M) as drawing, _Line(room, show) as line:
        scene = Scene(
            drawing,
            camera=camera,
            lens=room.lens,
            venue=venue,
            cast=cast,
            paddles=[paddle_prop(p, seed + 101 * k) for k, p in enumerate(paddles)],
            seed=seed,
            feeder_m=feeder_m,
        )
        logger.info("filming %d frames at %s", len(times_s), scene.venue.light)
        for k, time_s in enumerate(times_s):
            exposure = Exposure(float(time_s), settings.shutter_s, settings.readout_s)
            line.put(k, scene.expose(world, exposure), float(time_s))


class _Line:
    """A second thread that develops frames and shows them, a few frames behind."""

    def __init__(self, room: _Darkroom, show: Callable[[int, np.ndarray], None]) -> None:
        self._room, self._show = room, show
        self._waiting: queue.Queue = queue.Queue(maxsize=4)
        self._fault: BaseException | None = None
        self._thread = threading.Thread(target=self._work, daemon=True)

    def __enter__(self) -> "_Line":
        self._thread.start()
        return self

    def __exit__(self, kind, *_: object) -> None:
        self._waiting.put(None)
        self._thread.join()
        if self._fault is not None and kind is None:
            raise self._fault

    def put(self, number: int, flat: np.ndarray, time_s: float) -> None:
        if self._fault is not None:
            raise self._fault
        self._waiting.put((number, flat, time_s))

    def _work(self) -> None:
        while (item := self._waiting.get()) is not None:
            if self._fault is not None:
                continue
            number, flat, time_s = item
            try:
                self._show(number, self._room.picture(flat, time_s))
            except BaseException as fault:
                self._fault = fault


def render_film(
    path: Path,
    *,
    settings: CameraSettings,
    venue: VenueSettings,
    cast: Sequence[Dressed],
    paddles: Sequence[PaddleSpec],
    world: World,
    times_s: np.ndarray,
    seed: int,
    sound: np.ndarray | None = None,
    sound_rate_hz: int = 48_000,
    feeder_m: tuple[float, float] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write the recording of a rehearsal.

    Presentation times are court times times ``settings.slow_motion``, the first frame's
    included, to 1/90,000 s (to a millisecond in ``.mkv``).

    Parameters
    ----------
    path
        Recording to write (``.mp4``, ``.mov`` or ``.mkv``); written beside and renamed.
    sound
        (n,) floats from court time 0 on, or None for a silent recording.
    progress
        Called with frames done and frames in all.

    Other parameters are those of ``film_frames``.

    Raises
    ------
    RehearsalError
        When nothing can be drawn here.
    """
    beside = path.with_name(f".{path.stem}.part{path.suffix}")
    try:
        with _Recorder(beside, settings, with_sound=sound is not None, rate=sound_rate_hz) as to:

            def show(number: int, picture: np.ndarray) -> None:
                to.frame(picture, float(times_s[number]) * settings.slow_motion)
                if progress is not None:
                    progress(number + 1, len(times_s))

            if sound is not None:
                to.sound(sound)
            film_frames(
                settings=settings,
                venue=venue,
                cast=cast,
                paddles=paddles,
                world=world,
                times_s=times_s,
                seed=seed,
                show=show,
                feeder_m=feeder_m,
            )
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


class _Recorder:
    """H.264 pictures and AAC sound into one file."""

    def __init__(
        self, path: Path, settings: CameraSettings, *, with_sound: bool, rate: int
    ) -> None:
        import av

        self._av, self._rate = av, rate
        # The start of an MP4 or MOV would otherwise be rounded to a millisecond.
        fine = {"movie_timescale": str(_CLOCK.denominator)} if path.suffix != ".mkv" else {}
        self._file = av.open(str(path), "w", options=fine)
        playback = settings.frame_rate / Fraction(settings.slow_motion).limit_denominator(1000)
        self._video = self._file.add_stream("libx264", rate=playback)
        self._video.width, self._video.height = settings.width_px, settings.height_px
        self._video.pix_fmt = "yuv420p"
        self._video.time_base = self._video.codec_context.time_base = _CLOCK
        self._video.options = {
            "crf": str(settings.crf),
            "preset": "veryfast",
            "x264-params": f"keyint={round(2 * playback)}",
        }
        self._sound = None
        if with_sound:
            self._sound = self._file.add_stream("aac", rate=rate, layout="mono")

    def __enter__(self) -> "_Recorder":
        return self

    def __exit__(self, kind, *_: object) -> None:
        try:
            if kind is None:
                self._file.mux(self._video.encode(None))
        finally:
            self._file.close()

    def frame(self, picture_bgr: np.ndarray, time_s: float) -> None:
        frame = self._av.VideoFrame.from_ndarray(picture_bgr, format="bgr24")
        frame.pts, frame.time_base = round(time_s / _CLOCK), _CLOCK
        self._file.mux(self._video.encode(frame))

    def sound(self, samples: np.ndarray) -> None:
        block = 1024
        for start in range(0, len(samples), block):
            part = np.ascontiguousarray(samples[None, start : start + block], np.float32)
            frame = self._av.AudioFrame.from_ndarray(part, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = self._rate, start
            frame.time_base = Fraction(1, self._rate)
            self._file.mux(self._sound.encode(frame))
        self._file.mux(self._sound.encode(None))
