"""Draws one dressed body and what it holds, cut to the square round a hand, before any picture."""

import numpy as np

from paddlebrief.eyes.training.labelling import PADDLE_LABEL, Pinhole
from paddlebrief.rehearsal.bodies import Body
from paddlebrief.rehearsal.drawing import ActorBuffers, Drawing, PropBuffers, clip_matrix
from paddlebrief.rehearsal.dress import Dressed
from paddlebrief.rehearsal.gear import Prop
from paddlebrief.rehearsal.shadows import ShadowMap
from paddlebrief.rehearsal.venue import Light

__all__ = ["MOST_PX", "CloseUpStudio", "Held"]

MOST_PX = 800
"""Largest side of a picture."""

Poses = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]
"""Joint places (n, J, 3), rotations (n, J, 3, 3), butts (n, 3) and paddle rotations (n, 3, 3)."""


class Held:
    """A dressed body on the graphics card and the thing in its hand, or None."""

    def __init__(self, drawing: Drawing, dressed: Dressed) -> None:
        self._drawing = drawing
        self.body: Body = dressed.body
        self.buffers = ActorBuffers(drawing, dressed)
        self.thing: PropBuffers | None = None

    def hold(self, prop: Prop | None) -> None:
        """Put something else into the hand."""
        self.thing = None if prop is None else PropBuffers(self._drawing, prop)


class CloseUpStudio:
    """Targets and passes; one instance belongs to one context."""

    def __init__(self, drawing: Drawing) -> None:
        self._drawing = drawing
        context, size = drawing.context, (MOST_PX, MOST_PX)
        self._layer = context.framebuffer(
            [context.texture(size, 4, dtype="f4")], context.depth_renderbuffer(size)
        )
        self._cover = context.framebuffer(
            [context.texture(size, 4, dtype="f4"), context.texture(size, 4, dtype="f4")],
            context.depth_renderbuffer(size),
        )
        self._sum = context.framebuffer([context.texture(size, 4, dtype="f4")])
        self._out = context.framebuffer([context.texture(size, 3, dtype="f1")])
        self._behind = context.texture(size, 3, dtype="f1", alignment=1)
        self._shadow = ShadowMap(drawing, 768, unit=6)

    def light(self, held: Held, poses: Poses, light: Light, eye_m: np.ndarray) -> None:
        """Set the light and the shadow that the body throws on itself at the middle pose."""
        self._drawing.light(light, eye_m)
        middle = len(poses[0]) // 2
        points = poses[0][middle]
        box = np.stack([points.min(axis=0) - 0.45, points.max(axis=0) + 0.45])
        self._pose(held, poses, middle)
        with self._shadow.over(box, light):
            held.buffers.draw("shadow", self._shadow.to_clip)
            if held.thing is not None:
                held.thing.draw_shadow(self._shadow.to_clip, _placed(poses, middle))
        self._shadow.show(light, still=False)

    def expose(
        self, held: Held, poses: Poses, *, view: Pinhole, to_clip: np.ndarray, behind: np.ndarray
    ) -> np.ndarray:
        """(h, w, 3) uint8 BGR: the mean of the poses before ``behind``, RGB in linear light."""
        box = (0, 0, *view.size_px)
        context, drawing = self._drawing.context, self._drawing
        self._behind.write(np.ascontiguousarray(behind), viewport=box, alignment=1)
        _bind(self._sum, box)
        self._sum.clear(0, 0, 0, 0)
        count = len(poses[0])
        for k, shift in enumerate(_spread(count)):
            _bind(self._layer, box)
            self._behind.use(0)
            context.enable_only(context.DEPTH_TEST)
            context.depth_func = "1"
            # The rule puts all of the background at the far plane.
            drawing.full_pass("copy", backdrop=0, depth_rule=(1.0, 0.0))
            context.depth_func = "<"
            nudge = np.eye(4)
            nudge[:2, 3] = 2 * shift / view.size_px
            self._draw(held, poses, k, nudge @ to_clip)
            self._layer.color_attachments[0].use(0)
            _bind(self._sum, box)
            context.enable_only(context.BLEND)
            context.blend_func = context.ONE, context.ONE
            drawing.full_pass("accumulate", layer=0, share=1.0 / count)
        context.enable_only(context.NOTHING)
        self._sum.color_attachments[0].use(0)
        _bind(self._out, box)
        drawing.full_pass("develop", layer=0)
        data = self._out.read(viewport=box, components=3, alignment=1)
        return np.frombuffer(data, np.uint8).reshape(box[3], box[2], 3)[..., ::-1]

    def covered(self, held: Held, poses: Poses, k: int, *, view: Pinhole, to_clip) -> np.ndarray:
        """(h, w, 4) coverage, distance and label of what is drawn at one pose."""
        box = (0, 0, *view.size_px)
        context = self._drawing.context
        _bind(self._cover, box)
        self._cover.clear(0, 0, 0, 0)
        context.enable_only(context.DEPTH_TEST)
        context.depth_func = "<"
        self._draw(held, poses, k, to_clip)
        data = self._cover.read(viewport=box, components=4, attachment=1, dtype="f4")
        return np.frombuffer(data, np.float32).reshape(box[3], box[2], 4)

    @staticmethod
    def _pose(held: Held, poses: Poses, k: int) -> None:
        held.buffers.pose(held.body.skin_transforms(poses[0][k], poses[1][k]))

    def _draw(self, held: Held, poses: Poses, k: int, to_clip: np.ndarray) -> None:
        self._pose(held, poses, k)
        held.buffers.draw("moving", to_clip, label=1.0)
        if held.thing is not None:
            held.thing.draw(to_clip, _placed(poses, k), label=PADDLE_LABEL)

    def to_clip(self, view: Pinhole) -> np.ndarray:
        """(4, 4) from the court frame to the clip space of a view."""
        pose = np.eye(4)
        pose[:3, :3], pose[:3, 3] = view.rotation, -view.rotation @ view.position_m
        return clip_matrix(view.matrix, view.size_px, self._drawing.far_m) @ pose


def _bind(frame, box: tuple[int, int, int, int]) -> None:
    frame.viewport = box
    frame.scissor = box
    frame.use()


def _placed(poses: Poses, k: int) -> np.ndarray:
    pose = np.eye(4)
    pose[:3, 3], pose[:3, :3] = poses[2][k], poses[3][k]
    return pose


def _spread(count: int) -> np.ndarray:
    """(count, 2) parts of a pixel, evenly spread, that smooth edges."""
    k = np.arange(count)
    return np.stack([(k + 0.5) / count, (0.5 + k * 0.618034) % 1.0], axis=1) - 0.5
