"""The camera where no court was solved: what people's cameras usually are, with wide doubt."""

import numpy as np

from paddlebrief.court.camera import PARAMETERS, SolvedCamera, View

__all__ = ["assumed_camera"]

_VIEW_DEG = 68.0  # of the longer side; phones' main lenses (common practice, no source)
_FOCAL_SHARE_SD = 0.17
_DOWN_DEG, _DOWN_SD_DEG = 7.0, 7.0
_ROLL_SD_DEG = 2.5


def assumed_camera(size_px: tuple[int, int]) -> SolvedCamera:
    """A camera held about level, looking down a little, with an ordinary lens.

    Its frame is the gravity frame: x to the right, y straight ahead, z up, the origin in the
    camera. Headings in it are those against the camera's own, and no court's.

    Parameters
    ----------
    size_px
        Width and height of the upright picture.
    """
    down = np.radians(_DOWN_DEG)
    rotation = np.array(
        [
            [1.0, 0.0, 0.0],
            [0.0, -np.sin(down), -np.cos(down)],
            [0.0, np.cos(down), -np.sin(down)],
        ]
    )
    sd = {
        "log_focal": _FOCAL_SHARE_SD,
        "turn_x_rad": np.radians(_DOWN_SD_DEG),
        "turn_z_rad": np.radians(_ROLL_SD_DEG),
    }
    width, height = size_px
    return SolvedCamera(
        view=View(
            focal_px=max(width, height) / 2 / np.tan(np.radians(_VIEW_DEG) / 2),
            centre_px=np.array([(width - 1) / 2, (height - 1) / 2]),
            distortion=np.zeros(2),
            rotation=rotation,
            position_m=np.zeros(3),
            size_px=(width, height),
        ),
        covariance=np.diag([sd.get(name, 1e-6) ** 2 for name in PARAMETERS]),
    )
