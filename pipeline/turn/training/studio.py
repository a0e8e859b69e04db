"""Draws one dressed body with a paddle before any picture, at any size, with true motion blur."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from paddlebrief.rehearsal.bodies import Body
from paddlebrief.rehearsal.drawing import (
    ActorBuffers,
    Drawing,
    PropBuffers,
    clip_matrix,
)
from paddlebrief.rehearsal.dress import dress, make_look
from paddlebrief.rehearsal.gear import Prop, paddle_prop
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.rehearsal.shadows import ShadowMap
from paddlebrief.rehearsal.venue import Light
from paddlebrief.turn.training.paint import painted

__all__ = ["MOST_PX", "Actor", "Shot", "Studio"]

MOST_PX = 1024
"""Largest side of a picture."""


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A camera on a part of its picture.

    Attributes
    ----------
    position_m, rotation
        (3,) in the court frame and (3, 3) from the court frame to the camera frame.
    matrix
        (3, 3) intrinsic matrix of the part.
    size_px
        (width, height) of the part.
    """

    position_m: np.ndarray
    rotation: np.ndarray
    matrix: np.ndarray
    size_px: tuple[int, int]


class _Repaintable(ActorBuffers):
    """A dressed body whose colours change from picture to picture."""

    def paint(self, materials: np.ndarray) -> None:
        """Take other materials (M, 12)."""
        self._materials.write(np.ascontiguousarray(materials, np.float32))


@dataclass(frozen=True)
class Actor:
    """A dressed body on the graphics card, with a paddle or without."""

    body: Body
    buffers: _Repaintable
    paddle: PropBuffers | None

    def repaint(self, rng: np.random.Generator) -> None:
        """Other colours and patterns from the next picture on; often the body's own."""
        own = self.buffers.dressed.materials
        self.buffers.paint(painted(own, rng) if rng.uniform() < 0.65 else own)


class Studio:
    """Targets and passes; one instance belongs to one context."""

    def __init__(self, drawing: Drawing) -> None:
        self._drawing = drawing
        context, size = drawing.context, (MOST_PX, MOST_PX)
        fine = context.renderbuffer(size, 4, samples=4, dtype="f2")
        self._fine = context.framebuffer([fine], context.depth_renderbuffer(size, samples=4))
        self._flat = context.framebuffer([context.texture(size, 4, dtype="f4")])
        self._sum = context.framebuffer([context.texture(size, 4, dtype="f4")])
        self._out = context.framebuffer([context.texture(size, 3, dtype="f1")])
        self._behind = context.texture(size, 3, dtype="f1", alignment=1)
        self._shadow = ShadowMap(drawing, 768, unit=6)
        self._stores: list = []

    def actor(self, body: Body, rng: np.random.Generator, *, racket: bool = True) -> Actor:
        """Dress a body; ``racket`` allows that it holds no paddle or now and then a long racket."""
        buffers = _Repaintable(self._drawing, dress(body, make_look(body)))
        if racket and rng.uniform() < 0.15:
            return Actor(body, buffers, None)
        prop = paddle_prop(PaddleSpec(), int(rng.integers(1 << 30)))
        if racket and rng.uniform() < 0.12:
            prop = _stretched(prop, rng.uniform(1.3, 1.65))
        return Actor(body, buffers, PropBuffers(self._drawing, prop))

    def expose(
        self, actor: Actor, *, moments, shot: Shot, light: Light, behind: np.ndarray
    ) -> Callable[[], np.ndarray]:
        """One picture.

        Parameters
        ----------
        moments
            Joint places (n, J, 3), rotations (n, J, 3, 3), paddle butts (n, 3) and rotations
            (n, 3, 3) inside the exposure; the picture is their mean.
        behind
            (h, w, 3) uint8 RGB in linear light: what is behind the player.

        Returns
        -------
        callable
            Gives the (h, w, 3) uint8 BGR picture, once. The card works on meanwhile: ask when
            all pictures of a batch are under way.
        """
        width, height = shot.size_px
        box = (0, 0, width, height)
        context, drawing = self._drawing.context, self._drawing
        drawing.light(light, shot.position_m)
        places, turns, butts, paddles = moments
        transforms = actor.body.skin_transforms(places, turns)
        self._shade(actor, places, transforms, light)
        self._behind.write(np.ascontiguousarray(behind), viewport=box, alignment=1)
        view = np.eye(4)
        view[:3, :3], view[:3, 3] = shot.rotation, -shot.rotation @ shot.position_m
        to_clip = clip_matrix(shot.matrix, shot.size_px, drawing.far_m) @ view
        self._clear()
        for k in range(len(places)):
            self._draw(actor, transforms[k], (butts[k], paddles[k]), to_clip, box)
            self._bind(self._flat, box)
            context.copy_framebuffer(self._flat, self._fine)
            self._flat.color_attachments[0].use(0)
            self._bind(self._sum, box)
            context.enable_only(context.BLEND)
            context.blend_func = context.ONE, context.ONE
            drawing.full_pass("accumulate", layer=0, share=1.0 / len(places))
        context.enable_only(context.NOTHING)
        self._sum.color_attachments[0].use(0)
        self._bind(self._out, box)
        drawing.full_pass("develop", layer=0)
        store = self._stores.pop() if self._stores else context.buffer(reserve=3 * MOST_PX**2)
        self._out.read_into(store, viewport=box, components=3, alignment=1)

        def picture() -> np.ndarray:
            data = store.read(size=3 * width * height)
            self._stores.append(store)
            return np.frombuffer(data, np.uint8).reshape(height, width, 3)[..., ::-1].copy()

        return picture

    @staticmethod
    def _bind(frame, box: tuple[int, int, int, int]) -> None:
        frame.viewport = box
        frame.scissor = box
        frame.use()

    def _clear(self) -> None:
        self._bind(self._sum, (0, 0, MOST_PX, MOST_PX))
        self._sum.clear(0, 0, 0, 0)

    def _shade(self, actor: Actor, places: np.ndarray, transforms, light: Light) -> None:
        middle = len(places) // 2
        points = places[middle]
        box = np.stack([points.min(axis=0) - 0.35, points.max(axis=0) + 0.35])
        actor.buffers.pose(transforms[middle])
        with self._shadow.over(box, light):
            actor.buffers.draw("shadow", self._shadow.to_clip)
        self._shadow.show(light, still=False)

    def _draw(self, actor: Actor, transforms, paddle, to_clip: np.ndarray, box) -> None:
        context, drawing = self._drawing.context, self._drawing
        self._bind(self._fine, box)
        self._behind.use(0)
        context.enable_only(context.DEPTH_TEST)
        context.depth_func = "1"
        # The rule puts all of the background at the far plane.
        drawing.full_pass("copy", backdrop=0, depth_rule=(1.0, 0.0))
        context.depth_func = "<"
        actor.buffers.pose(transforms)
        actor.buffers.draw("moving", to_clip, label=1.0)
        if actor.paddle is not None:
            pose = np.eye(4)
            pose[:3, 3], pose[:3, :3] = paddle
            actor.paddle.draw(to_clip, pose, label=2.0)


def _stretched(prop: Prop, times: float) -> Prop:
    return Prop(
        vertices_m=prop.vertices_m * np.array([times, times, 1.0]),
        normals=prop.normals,
        colour=prop.colour,
        shine=prop.shine,
        triangles=prop.triangles,
    )
