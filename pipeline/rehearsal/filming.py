"""How places on court look in the frames of the recording: one clock, one lens, one shutter."""

from collections.abc import Callable

import numpy as np
from scipy.spatial.transform import Rotation

from paddlebrief.rehearsal.camera import CameraSettings, Shake, frame_times, place_camera

__all__ = ["Filming"]


class Filming:
    """Times and projections of all frames of a rehearsal.

    Parameters
    ----------
    settings
        The scenario's camera.
    length_s
        Length of the session on court, seconds.
    seed
        The rehearsal's seed, which also draws shake and uneven frame times.

    Attributes
    ----------
    time_s
        (F,) court time of the middle of the exposure of each frame's middle row.
    camera
        The camera without shake.
    """

    def __init__(self, settings: CameraSettings, *, length_s: float, seed: int) -> None:
        self.settings = settings
        self.camera = place_camera(settings)
        self.time_s = frame_times(settings, length_s, seed)
        self._shake = Shake(settings, seed)

    @property
    def microphone_m(self) -> np.ndarray:
        """(3,) place of the microphone: in the camera."""
        return self.camera.position_m

    def present(self, time_s):
        """Presentation time of a court time, seconds; also for arrays."""
        return time_s * self.settings.slow_motion

    def rotations(self) -> np.ndarray:
        """(F, 3, 3) court to camera at each frame, shake included."""
        turns = Rotation.from_rotvec(self._shake.at(self.time_s)).as_matrix()
        return turns @ self.camera.rotation

    def pixels(self, places: Callable[[np.ndarray], np.ndarray], part: slice) -> np.ndarray:
        """Where moving points appear in a stretch of frames.

        With a rolling shutter each point is taken at the time its row is exposed: the pixel at
        three times through the readout is interpolated.

        Parameters
        ----------
        places
            Maps (n,) court times to (n, N, 3) places.
        part
            The frames.

        Returns
        -------
        ndarray
            (n, N, 2) pixels; NaN behind the camera and where a place is NaN.
        """
        time_s, readout = self.time_s[part], self.settings.readout_s
        middle = self._at(places, time_s)
        if readout == 0:
            return middle
        early, late = (self._at(places, time_s + d * readout) for d in (-0.5, 0.5))
        found = middle
        for _ in range(3):
            rows = np.clip(found[..., 1:] / (self.camera.size_px[1] - 1), 0.0, 1.0)
            s = 2 * rows - 1
            found = middle + 0.5 * s * (late - early) + 0.5 * s**2 * (late - 2 * middle + early)
        return found

    def _at(self, places: Callable[[np.ndarray], np.ndarray], time_s: np.ndarray) -> np.ndarray:
        shake = None if self._shake.still else self._shake.at(time_s)[:, None]
        return self.camera.project(places(time_s), shake)
