"""The OpenGL side of things to draw: context, programs, and the buffers of actors and props."""

import contextlib
from collections.abc import Iterator

import numpy as np

from paddlebrief.errors import RehearsalError
from paddlebrief.rehearsal import shaders
from paddlebrief.rehearsal.bake import SKIN_BONES
from paddlebrief.rehearsal.dress import Dressed
from paddlebrief.rehearsal.gear import Prop
from paddlebrief.rehearsal.surfaces import CARD_FRAGMENT
from paddlebrief.rehearsal.venue import Light

__all__ = ["ActorBuffers", "Drawing", "PropBuffers", "clip_matrix", "depth_rule", "open_drawing"]

NEAR_M = 0.15
_BONES_SLOT, _MATERIALS_SLOT = 1, 2


@contextlib.contextmanager
def open_drawing(far_m: float) -> Iterator["Drawing"]:
    """A drawing on an EGL context of its own, by GPU or in software; freed on leaving.

    Raises
    ------
    RehearsalError
        When `moderngl` or a working EGL driver is missing.
    """
    try:
        import moderngl

        context = moderngl.create_standalone_context(backend="egl", require=330)
    except Exception as error:
        raise RehearsalError(
            "pictures cannot be drawn",
            expected="moderngl and an EGL driver (Mesa's software one will do)",
            found=str(error),
            todo="install paddlebrief[rehearse] and libegl1",
        ) from error
    try:
        yield Drawing(context, far_m)
    finally:
        context.release()


def clip_matrix(matrix: np.ndarray, size_px: tuple[int, int], far_m: float) -> np.ndarray:
    """(4, 4) from camera coordinates to clip space, image row 0 at the framebuffer's bottom."""
    width, height = size_px
    rule = depth_rule(far_m)
    return np.array(
        [
            [2 * matrix[0, 0] / width, 0, 2 * (matrix[0, 2] + 0.5) / width - 1, 0],
            [0, 2 * matrix[1, 1] / height, 2 * (matrix[1, 2] + 0.5) / height - 1, 0],
            [0, 0, rule[0], rule[1]],
            [0, 0, 1, 0],
        ]
    )


def depth_rule(far_m: float) -> tuple[float, float]:
    """(a, b) so that the normalised depth of a distance z is a + b / z."""
    return (far_m + NEAR_M) / (far_m - NEAR_M), -2 * far_m * NEAR_M / (far_m - NEAR_M)


class Drawing:
    """A context with the renderer's programs."""

    def __init__(self, context, far_m: float) -> None:
        self.context, self.far_m = context, far_m
        context.front_face = "cw"
        moving = ("OUTPUTS", shaders.MOVING_OUTPUTS)
        still = ("OUTPUTS", shaders.STILL_OUTPUTS)

        def program(vertex: str, fragment: str):
            return context.program(vertex_shader=vertex, fragment_shader=fragment)

        self.actor = program(shaders.ACTOR_VERTEX, shaders.ACTOR_FRAGMENT.replace(*moving))
        self.bystander = program(shaders.ACTOR_VERTEX, shaders.ACTOR_FRAGMENT.replace(*still))
        self.actor_shadow = program(shaders.ACTOR_SHADOW_VERTEX, shaders.NOTHING_FRAGMENT)
        self.prop = program(shaders.PROP_VERTEX, shaders.PROP_FRAGMENT.replace(*moving))
        self.prop_shadow = program(shaders.PROP_SHADOW_VERTEX, shaders.NOTHING_FRAGMENT)
        self.card = program(shaders.PROP_VERTEX, CARD_FRAGMENT)
        full = {
            "backdrop": shaders.BACKDROP,
            "copy": shaders.COPY_BACKDROP,
            "veil": shaders.VEIL,
            "accumulate": shaders.ACCUMULATE,
            "develop": shaders.DEVELOP,
            "shrink": shaders.SHRINK,
        }
        self._full = {name: program(shaders.FULL_VERTEX, text) for name, text in full.items()}
        self._full_vao = {n: context.vertex_array(p, []) for n, p in self._full.items()}
        for skinned in (self.actor, self.bystander, self.actor_shadow):
            skinned["Bones"].binding = _BONES_SLOT
        for clothed in (self.actor, self.bystander):
            clothed["Materials"].binding = _MATERIALS_SLOT

    def full_pass(self, name: str, **uniforms) -> None:
        """Run a program over the bound framebuffer's scissor rectangle."""
        self.set_uniforms(self._full[name], **uniforms)
        self._full_vao[name].render(vertices=3)

    @staticmethod
    def set_uniforms(program, **uniforms) -> None:
        """Set uniforms; matrices (n, n) are written row first; unused names are passed over."""
        for name, value in uniforms.items():
            if name not in program:
                continue
            if isinstance(value, np.ndarray):
                value = value.T if value.ndim == 2 and value.shape[0] == value.shape[1] else value
                program[name].write(np.ascontiguousarray(value, dtype=np.float32).tobytes())
            else:
                program[name].value = value

    def light(self, light: Light, eye_m: np.ndarray) -> None:
        """Give every lit program the light and the place of the eye."""
        for program in (self.actor, self.bystander, self.prop, self.card, self._full["backdrop"]):
            self.set_uniforms(
                program,
                eye=np.asarray(eye_m),
                sun=light.towards,
                key_light=light.key,
                sky_light=light.sky,
                ground_light=light.ground,
                shadow_strength=light.strength,
                contact=light.contact,
            )

    def shadows(
        self, to_shadow: np.ndarray, *, spread: float, depth_m: float, unit: int, still: bool
    ) -> None:
        """Tell the programs where the shadow map is: a texture unit and its matrix."""
        moving = (self.actor, self.prop, self._full["backdrop"])
        for program in (self.card, self.bystander) if still else moving:
            self.set_uniforms(
                program,
                to_shadow=to_shadow,
                shadow_spread=spread,
                shadow_depth_m=depth_m,
                shadow_map=unit,
            )


class ActorBuffers:
    """One dressed body on the GPU."""

    def __init__(self, drawing: Drawing, dressed: Dressed) -> None:
        context, arrays = drawing.context, dressed.arrays
        self.dressed, self._drawing = dressed, drawing
        names = ("position", "normal", "colour", "weights", "material")
        parts = {n: context.buffer(np.ascontiguousarray(arrays[n], np.float32)) for n in names}
        bones = context.buffer(np.ascontiguousarray(arrays["bones"], np.uint8))
        index = context.buffer(np.ascontiguousarray(dressed.triangles, np.int32))
        layout = [
            (parts["position"], "3f", "position"),
            (parts["normal"], "3f", "normal"),
            (parts["colour"], "3f", "colour"),
            (parts["weights"], "4f", "weights"),
            (bones, "4u1", "bones"),
            (parts["material"], "1f", "material"),
        ]

        def array(program):
            used = [entry for entry in layout if entry[2] in program]
            return context.vertex_array(program, used, index_buffer=index)

        self._arrays = {
            "moving": array(drawing.actor),
            "still": array(drawing.bystander),
            "shadow": array(drawing.actor_shadow),
        }
        rows = np.zeros((16, 12), np.float32)
        rows[: len(dressed.materials)] = dressed.materials
        self._materials = context.buffer(rows)
        self._bones = context.buffer(reserve=192 * 16)

    def pose(self, skin_transforms: np.ndarray) -> None:
        """Take up a pose, (S, 3, 4) as ``Body.skin_transforms`` gives it."""
        assert len(skin_transforms) == len(SKIN_BONES)
        self._bones.write(np.ascontiguousarray(skin_transforms, np.float32))

    def draw(self, kind: str, to_clip: np.ndarray, **uniforms) -> None:
        """Draw as ``"moving"``, ``"still"`` or into a ``"shadow"`` map."""
        self._bones.bind_to_uniform_block(_BONES_SLOT)
        self._materials.bind_to_uniform_block(_MATERIALS_SLOT)
        array = self._arrays[kind]
        self._drawing.set_uniforms(array.program, to_clip=to_clip, **uniforms)
        array.render()


class PropBuffers:
    """One rigid mesh on the GPU."""

    def __init__(self, drawing: Drawing, prop: Prop, *, card: bool = False) -> None:
        context, self._drawing = drawing.context, drawing
        vertices = np.column_stack([prop.vertices_m, prop.normals, prop.colour, prop.shine])
        data = context.buffer(np.ascontiguousarray(vertices, np.float32))
        index = context.buffer(np.ascontiguousarray(prop.triangles, np.int32))
        shape = (data, "3f 3f 3f 1f", "position", "normal", "colour", "shine")
        program = drawing.card if card else drawing.prop
        self._array = context.vertex_array(program, [shape], index_buffer=index)
        place = (data, "3f 28x", "position")
        self._shadow = context.vertex_array(drawing.prop_shadow, [place], index_buffer=index)

    def draw(self, to_clip: np.ndarray, to_world: np.ndarray, **uniforms) -> None:
        """Draw with a (4, 4) pose."""
        self._drawing.set_uniforms(
            self._array.program, to_clip=to_clip, to_world=to_world, **uniforms
        )
        self._array.render()

    def draw_shadow(self, to_clip: np.ndarray, to_world: np.ndarray) -> None:
        """Draw into a shadow map."""
        self._drawing.set_uniforms(self._shadow.program, to_clip=to_clip, to_world=to_world)
        self._shadow.render()
