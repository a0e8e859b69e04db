"""Stick people in the picture with closed-form motion, for tests of strokes and measures."""

import numpy as np

from paddlebrief.records import LANDMARKS, Track

HEIGHT_PX = 400.0
_SHARES = {  # place in body heights from the hip centre, y up, facing away from the camera
    "nose": (0.0, 0.43), "shoulder": (0.115, 0.288), "elbow": (0.15, 0.10), "wrist": (0.16, -0.05),
    "pinky": (0.17, -0.10), "index": (0.16, -0.11), "thumb": (0.15, -0.10), "hip": (0.06, 0.0),
    "knee": (0.06, -0.245), "ankle": (0.06, -0.491), "heel": (0.06, -0.52),
    "foot_index": (0.08, -0.53),
}  # fmt: skip


def standing(n: int, *, centre_px=(600.0, 400.0), height_px: float = HEIGHT_PX) -> np.ndarray:
    """(n, 33, 2) a person standing still, seen from behind: their right is right in the picture."""
    points = np.zeros((n, len(LANDMARKS), 2))
    for number, name in enumerate(LANDMARKS):
        side = 1 if "right" in name else -1
        part = name.replace("left_", "").replace("right_", "")
        x, y = _SHARES.get(part, (0.02, 0.44))
        points[:, number] = [centre_px[0] + side * x * height_px, centre_px[1] - y * height_px]
    return points


def set_point(points: np.ndarray, name: str, offsets_bh: np.ndarray, *, centre_px=(600.0, 400.0)):
    """Put a landmark at (n, 2) places in body heights from the hip centre, y up."""
    points[:, LANDMARKS.index(name)] = np.asarray(centre_px) + offsets_bh * [HEIGHT_PX, -HEIGHT_PX]


def swing_points(
    time_s: np.ndarray, contact_s: float, *, rise_bh: float = 0.25, turn: bool = True
) -> np.ndarray:
    """A right-handed forehand from behind: the wrist sweeps from right to left through contact.

    The sweep is a logistic in time, fastest at ``contact_s`` and 0.9 body heights long; the
    wrist's height changes by ``rise_bh`` over it. ``turn`` lets the shoulder line open.
    """
    points = standing(len(time_s))
    share = 1 / (1 + np.exp(-(time_s - contact_s) / 0.045))
    wrist = np.column_stack([0.5 - 0.9 * share, -0.05 + rise_bh * (share - 0.5)])
    set_point(points, "right_wrist", wrist)
    set_point(points, "right_elbow", wrist * 0.5 + [0.03, 0.12])
    if turn:
        width = 0.02 + 0.095 * share
        set_point(points, "right_shoulder", np.column_stack([width, np.full(len(share), 0.288)]))
        set_point(points, "left_shoulder", np.column_stack([-width, np.full(len(share), 0.288)]))
    return points


def track(points: np.ndarray, time_s: np.ndarray, *, person: int = 0, noise_px=1.0) -> Track:
    """A track of those points, everything in view."""
    return Track(
        person=person,
        frame=np.arange(len(time_s)),
        time_s=time_s,
        landmarks_px=points,
        visibility=np.ones(points.shape[:2]),
        noise_px=np.full(len(LANDMARKS), noise_px),
    )
