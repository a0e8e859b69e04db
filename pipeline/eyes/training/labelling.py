"""What can be seen of paddles and balls: labels drawn beside the training pictures."""

import numpy as np

from paddlebrief.rehearsal.camera import Camera, CameraSettings
from paddlebrief.rehearsal.court_dimensions import BALL_RADIUS_M
from paddlebrief.rehearsal.drawing import ActorBuffers, Drawing, PropBuffers, clip_matrix
from paddlebrief.rehearsal.dress import Dressed
from paddlebrief.rehearsal.gear import Prop
from paddlebrief.rehearsal.lens import Lens
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.rehearsal.scene import Moments

__all__ = [
    "BACK", "EDGE", "FRONT", "PADDLE_LABEL", "Cutouts", "Pinhole", "ball_label", "face_seen",
    "paddle_label", "paddle_points_m",
]  # fmt: skip

FRONT, BACK, EDGE = 0, 1, 2
EDGE_ON_COSINE = 0.2  # within about 12° of edge-on neither face can be told
PADDLE_LABEL = 101.0
"""Label of the first paddle in coverage pictures; the next ones count on."""
_HAND_DEPTH_M, _SKIN_DEPTH_M = 0.12, 0.03


class Pinhole:
    """Where points fall in a flat picture, and what covers them there.

    Parameters
    ----------
    position_m, rotation
        Of the camera, court frame.
    matrix
        (3, 3) intrinsic matrix of the flat picture.
    size_px
        (width, height).
    """

    def __init__(
        self,
        position_m: np.ndarray,
        rotation: np.ndarray,
        *,
        matrix: np.ndarray,
        size_px: tuple[int, int],
    ) -> None:
        self.position_m, self.rotation = position_m, rotation
        self.matrix, self.size_px = matrix, size_px

    def pixels(self, points_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(…, 2) pixels in the flat picture and (…,) distances along the camera's axis."""
        seen = (points_m - self.position_m) @ self.rotation.T
        z = np.where(seen[..., 2:] > 0.1, seen[..., 2:], np.nan)
        flat = seen[..., :2] / z * self.matrix[0, 0] + self.matrix[:2, 2]
        return flat, z[..., 0]

    def nearest(self, table: np.ndarray, points_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Label and distance of what is drawn at points, and the points' own distance less it.

        ``table`` is the whole coverage picture. Points outside it count as covered by nothing.
        """
        flat, z = self.pixels(points_m)
        place = np.nan_to_num(np.round(flat), nan=-1).astype(int)
        inside = ((place >= 0) & (place < self.size_px)).all(axis=-1)
        x, y = np.where(inside, place[..., 0], 0), np.where(inside, place[..., 1], 0)
        found = table[y, x]
        covered = inside & (found[..., 0] > 0)
        label = np.where(covered, found[..., 2], 0.0)
        behind = np.where(covered, z - found[..., 1], -1.0)
        return label, behind


class Cutouts(Pinhole):
    """Draws the moving things alone: how far each point is and which thing it belongs to."""

    def __init__(
        self,
        drawing: Drawing,
        *,
        camera: Camera,
        lens: Lens,
        cast: list[Dressed],
        paddles: list[Prop],
    ) -> None:
        super().__init__(
            camera.position_m, camera.rotation, matrix=lens.matrix, size_px=lens.size_px
        )
        self._drawing = drawing
        view = np.eye(4)
        view[:3, :3] = camera.rotation
        view[:3, 3] = -camera.rotation @ camera.position_m
        self._to_clip = clip_matrix(lens.matrix, lens.size_px, drawing.far_m) @ view
        self._actors = [ActorBuffers(drawing, d) for d in cast]
        self._paddles = [PropBuffers(drawing, p) for p in paddles]
        context = drawing.context
        self._colour = context.texture(lens.size_px, 4, dtype="f4")
        self._covered = context.texture(lens.size_px, 4, dtype="f4")
        self._frame = context.framebuffer(
            [self._colour, self._covered], context.depth_renderbuffer(lens.size_px)
        )

    def release(self) -> None:
        """Give the pictures' memory back."""
        for thing in (self._frame, self._colour, self._covered):
            thing.release()

    def draw(self, moments: Moments, k: int, held: list[bool], shift=(0.0, 0.0)) -> None:
        """Draw the players, and the paddles that are held, at one of the moments."""
        context = self._drawing.context
        self._frame.scissor = None
        self._frame.use()
        self._frame.clear(0, 0, 0, 0)
        context.enable_only(context.DEPTH_TEST)
        context.depth_func = "<"
        nudge = np.eye(4)
        nudge[0, 3], nudge[1, 3] = 2 * shift[0] / self.size_px[0], 2 * shift[1] / self.size_px[1]
        to_clip = nudge @ self._to_clip
        for n, (actor, joints) in enumerate(zip(self._actors, moments.joints, strict=True)):
            actor.pose(actor.dressed.body.skin_transforms(joints[0][k], joints[1][k]))
            actor.draw("moving", to_clip, label=float(n + 1))
        for n, (paddle, (butt, turn)) in enumerate(
            zip(self._paddles, moments.paddles, strict=True)
        ):
            if held[n]:
                pose = np.eye(4)
                pose[:3, :3], pose[:3, 3] = turn[k], butt[k]
                paddle.draw(to_clip, pose, label=PADDLE_LABEL + n)

    def read(self, attachment: int, box: tuple[int, int, int, int]) -> np.ndarray:
        """(h, w, 4) of a box (x, y, w, h): colour with distance, or coverage, distance, label."""
        data = self._frame.read(viewport=box, components=4, attachment=attachment, dtype="f4")
        return np.frombuffer(data, np.float32).reshape(box[3], box[2], 4)

    @property
    def whole(self) -> tuple[int, int, int, int]:
        """The box of the whole flat picture."""
        return 0, 0, *self.size_px


def paddle_points_m(spec: PaddleSpec) -> tuple[np.ndarray, np.ndarray]:
    """Keypoints and face grid in the paddle's frame.

    Returns
    -------
    keypoints
        (5, 3): middle of the butt end, throat (upper end of the handle), middle of the tip, and
        the outermost points of the two edges at half the face's height, −x before +x.
    face
        (20, 3) points on the middle plane of the face.
    """
    half, low, high = spec.width_m / 2, spec.grip_length_m, spec.length_m
    middle = (low + high) / 2
    keypoints = np.array(
        [[0, 0, 0], [0, low, 0], [0, high, 0], [-half, middle, 0], [half, middle, 0]], float
    )
    gx, gy = np.meshgrid(half * np.array([-0.7, -0.25, 0.25, 0.7]), np.linspace(0.1, 0.9, 5))
    face = np.stack([gx.ravel(), (low + gy * (high - low)).ravel(), 0 * gx.ravel()], axis=1)
    return keypoints, face


def face_seen(butt_m: np.ndarray, rotation: np.ndarray, spec: PaddleSpec, eye_m: np.ndarray):
    """Class of the face that an eye sees, and the cosine between its normal and the view."""
    centre = butt_m + rotation @ spec.face_centre_m
    way = (eye_m - centre) / np.linalg.norm(eye_m - centre)
    cosine = float(rotation[:, 2] @ way)
    if abs(cosine) < EDGE_ON_COSINE:
        return EDGE, cosine
    return (FRONT if cosine > 0 else BACK), cosine


def paddle_label(
    cutouts: Pinhole,
    table: np.ndarray,
    *,
    number: int,
    pose: tuple[np.ndarray, np.ndarray],
    spec: PaddleSpec,
    camera: Camera,
) -> dict | None:
    """Everything that can be said of one paddle in a picture; None behind the camera.

    ``keypoints`` (5, 3) are butt, throat, tip, left edge and right edge in picture pixels with
    1 where the place can be made out and 0 where it is hidden; left and right are those of
    somebody who looks along the picture from butt to tip. ``seen`` is the share of the face that
    nothing covers.
    """
    butt, turn = pose
    keypoints, face = (butt + p @ turn.T for p in paddle_points_m(spec))
    pixels = camera.project(keypoints)
    if not np.isfinite(pixels).all():
        return None
    own = PADDLE_LABEL + number
    label, behind = cutouts.nearest(table, face)
    seen = float(np.mean((label == own) | (behind < _SKIN_DEPTH_M)))
    label, behind = cutouts.nearest(table, keypoints)
    reach = np.array([_HAND_DEPTH_M, _HAND_DEPTH_M, *[_SKIN_DEPTH_M] * 3])
    visible = (label == own) | (behind < reach)
    along, across = pixels[2] - pixels[0], pixels[4] - pixels[3]
    if along[0] * across[1] - along[1] * across[0] < 0:
        pixels, visible = pixels[[0, 1, 2, 4, 3]], visible[[0, 1, 2, 4, 3]]
    kind, cosine = face_seen(butt, turn, spec, camera.position_m)
    return {
        "kind": kind,
        "cosine": cosine,
        "keypoints": np.column_stack([pixels, visible.astype(float)]),
        "seen": seen,
    }


def ball_label(
    cutouts: Cutouts,
    table: np.ndarray,
    *,
    ends_m: np.ndarray,
    camera: Camera,
    settings: CameraSettings,
) -> dict | None:
    """Streak of one ball: ``ends`` (2, 2) where it was as the shutter opened and closed.

    ``ends_m`` (3, 3) are its places at opening, middle and closing. ``seen`` is the share of it
    that no player covers in the middle, ``radius`` its radius in pixels; None when the ball is
    not in front of the camera.
    """
    pixels = camera.project(ends_m)
    if not np.isfinite(pixels).all():
        return None
    distance = float(camera.in_camera(ends_m[1])[2])
    radius = camera.focal_px * BALL_RADIUS_M / distance
    up, right = -camera.rotation[1], camera.rotation[0]
    offsets = [(0, 0), (0.7, 0), (-0.7, 0), (0, 0.7), (0, -0.7)]
    points = np.array([ends_m[1] + BALL_RADIUS_M * (a * right + b * up) for a, b in offsets])
    _, behind = cutouts.nearest(table, points)
    width, height = settings.width_px, settings.height_px
    x, y = pixels[1]
    inside = 0 <= x < width and 0 <= y < height
    return {
        "ends": pixels[[0, 2]],
        "middle": pixels[1],
        "radius": float(radius),
        "seen": float(np.mean(behind < 0.02)) if inside else 0.0,
    }
