"""The still part of a picture: drawn once a camera, finely, and kept on the GPU."""

import numpy as np

from paddlebrief.rehearsal.bodies import Body, BodySpec, bake_bodies, make_body, rotation_about
from paddlebrief.rehearsal.drawing import ActorBuffers, Drawing, PropBuffers, clip_matrix
from paddlebrief.rehearsal.dress import dress, make_look
from paddlebrief.rehearsal.scenery import CHAIN, Bystander, Scenery
from paddlebrief.rehearsal.shadows import ShadowMap
from paddlebrief.rehearsal.venue import Light

__all__ = ["Backdrop", "standing"]

_FINE = 2
_STANDING_SPECS = tuple(
    BodySpec(age_years=age, sex=sex, height_m=height, build=build, appearance=900 + k)
    for k, (age, sex, height, build) in enumerate(
        [
            (44, "male", 1.79, 0.5), (31, "female", 1.66, 0.3), (62, "male", 1.74, 0.8),
            (55, "female", 1.62, 0.6), (24, "male", 1.84, 0.3), (38, "female", 1.71, 0.5),
            (70, "female", 1.58, 0.4), (14, "male", 1.60, 0.3),
        ]
    )
)  # fmt: skip
"""People who stand about; few, so that they are baked once for all rehearsals."""


def standing(body: Body, bystander: Bystander, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Joint positions and rotations of somebody who stands about, arms hanging."""
    rng = np.random.default_rng([seed, bystander.number, 43])
    root, turns = body.rest_pose()
    up, back, left = np.array([0, 0, 1.0]), np.array([0, 1.0, 0]), np.array([1.0, 0, 0])
    turns[0] = rotation_about(up, np.pi + bystander.heading_rad)
    for side, sign in (("left", 1), ("right", -1)):
        hang = rotation_about(back, sign * np.radians(rng.uniform(24, 36)))
        swing = rotation_about(left, np.radians(rng.uniform(-25, 10)))
        turns[body.joint(f"{side}_shoulder")] = swing @ hang
        turns[body.joint(f"{side}_elbow")] = rotation_about(left, -np.radians(rng.uniform(0, 60)))
        turns = body.grip(turns, side, closed=float(rng.uniform(0.2, 0.6)))
    turns[body.joint("spine_mid")] = rotation_about(up, rng.normal(0, 0.15))
    turns[body.joint("neck")] = rotation_about(up, rng.normal(0, 0.3))
    root = np.array([*bystander.place_m, root[2] + 0.02])
    return body.joints(root, turns)


class Backdrop:
    """Pictures of the scenery at the size of the flat picture.

    Attributes
    ----------
    key, around
        Textures of the light that players' shadows can take, and of the rest; linear light.
    distance
        Texture of the distance along the camera's axis, metres.
    veil, veil_distance
        Textures of see-through nets: light with coverage in alpha, and their distance.
    """

    def __init__(
        self,
        drawing: Drawing,
        scenery: Scenery,
        *,
        light: Light,
        matrix: np.ndarray,
        size_px: tuple[int, int],
        view: np.ndarray,
        seed: int,
    ) -> None:
        self._drawing, self._scenery, self._size = drawing, scenery, size_px
        self._cards = [(c, PropBuffers(drawing, c.prop, card=True)) for c in scenery.cards]
        self._people = self._bystanders(seed)
        fine = matrix.copy()
        # Pixel centres lie on whole numbers: a finer grid shifts the principal point by a half.
        fine[:2, 2] += 0.5
        fine[:2] *= _FINE
        fine[:2, 2] -= 0.5
        big = (size_px[0] * _FINE, size_px[1] * _FINE)
        to_clip = clip_matrix(fine, big, drawing.far_m) @ view
        self._cast_shadows(light)
        self.key, self.around, self.distance = self._capture(big, to_clip, veil=False)
        key, around, self.veil_distance = self._capture(big, to_clip, veil=True)
        self.veil = self._added(key, around)

    def _bystanders(self, seed: int) -> list[tuple[ActorBuffers, np.ndarray]]:
        wanted = sorted({b.number for b in self._scenery.bystanders})
        bake_bodies([(_STANDING_SPECS[n], n) for n in wanted])
        people = []
        for b in self._scenery.bystanders:
            body = make_body(_STANDING_SPECS[b.number], b.number)
            positions, rotations = standing(body, b, seed)
            buffers = ActorBuffers(self._drawing, dress(body, make_look(body)))
            buffers.pose(body.skin_transforms(positions, rotations))
            people.append((buffers, positions))
        return people

    def _cast_shadows(self, light: Light) -> None:
        shadow = ShadowMap(self._drawing, 2048, unit=7)
        with shadow.over(np.array([[-11, -12, 0.0], [11, 12, 3.5]]), light):
            for card, buffers in self._cards:
                if card.casts:
                    buffers.draw_shadow(shadow.to_clip, np.eye(4))
            for person, _ in self._people:
                person.draw("shadow", shadow.to_clip)
        shadow.show(light, still=True)

    def _capture(self, big: tuple[int, int], to_clip: np.ndarray, *, veil: bool) -> list:
        context = self._drawing.context
        targets = [context.texture(big, 4, dtype="f2"), context.texture(big, 4, dtype="f2")]
        targets.append(context.texture(big, 1, dtype="f4"))
        depth = context.depth_renderbuffer(big)
        frame = context.framebuffer(targets, depth)
        frame.use()
        context.enable_only(context.DEPTH_TEST)
        frame.clear(0, 0, 0, 0)
        if veil:
            far = np.full((big[1], big[0]), 1e6, np.float32)
            targets[2].write(far)
        lines = np.zeros((64, 4), np.float32)
        colours = np.zeros((64, 3), np.float32)
        count = len(self._scenery.rectangles_m)
        lines[:count], colours[:count] = (
            self._scenery.rectangles_m, self._scenery.rectangle_colours,
        )  # fmt: skip
        program = self._drawing.card
        self._drawing.set_uniforms(program, lines=lines, line_colours=colours, line_count=count)
        for card, buffers in self._cards:
            if card.veil == veil and card.kind != CHAIN:
                buffers.draw(to_clip, np.eye(4), kind=card.kind)
        if not veil:
            for person, _ in self._people:
                person.draw("still", to_clip)
            self._draw_chains(targets, depth, to_clip)
        shrunk = [self._shrunk(t, 4, "f2", nearest=0) for t in targets[:2]]
        shrunk.append(self._shrunk(targets[2], 1, "f4", nearest=1))
        for texture in targets:
            texture.release()
        frame.release()
        return shrunk

    def _draw_chains(self, targets: list, depth, to_clip: np.ndarray) -> None:
        """Fences let through what is behind them; nothing that moves is taken to be behind."""
        context = self._drawing.context
        frame = context.framebuffer(targets[:2], depth)
        frame.use()
        frame.depth_mask = False
        context.enable_only(context.DEPTH_TEST | context.BLEND)
        context.blend_func = context.ONE, context.ONE_MINUS_SRC_ALPHA
        for card, buffers in self._cards:
            if card.kind == CHAIN:
                buffers.draw(to_clip, np.eye(4), kind=card.kind)
        frame.release()

    def _shrunk(self, source, channels: int, dtype: str, *, nearest: int):
        context = self._drawing.context
        target = context.texture(self._size, channels, dtype=dtype)
        frame = context.framebuffer([target])
        frame.use()
        context.enable_only(context.NOTHING)
        source.use(0)
        self._drawing.full_pass("shrink", source=0, factor=_FINE, nearest=nearest)
        frame.release()
        return target

    def _added(self, first, second):
        context = self._drawing.context
        target = context.texture(self._size, 4, dtype="f2")
        frame = context.framebuffer([target])
        frame.use()
        frame.clear(0, 0, 0, 0)
        context.enable_only(context.BLEND)
        context.blend_func = context.ONE, context.ONE
        for k, texture in enumerate((first, second)):
            texture.use(0)
            # Coverage stands in both pictures: it is taken from one alone.
            frame.color_mask = (True, True, True, k == 0)
            self._drawing.full_pass("shrink", source=0, factor=1, nearest=0)
        frame.release()
        return target
