"""Draws what moves into the picture of a venue, one exposure at a time.

Only the parts of the picture that something moves in, or throws a shadow on, are drawn anew; the
rest is the venue's own picture. Motion blur is true: an exposure is the mean of moments inside
it, more of them the further anything travels.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from paddlebrief.rehearsal.backdrop import Backdrop
from paddlebrief.rehearsal.camera import Camera
from paddlebrief.rehearsal.drawing import (
    ActorBuffers,
    Drawing,
    PropBuffers,
    clip_matrix,
    depth_rule,
)
from paddlebrief.rehearsal.dress import Dressed
from paddlebrief.rehearsal.gear import Prop, ball_prop
from paddlebrief.rehearsal.lens import Lens
from paddlebrief.rehearsal.rectangles import around, merged
from paddlebrief.rehearsal.scenery import build_scenery
from paddlebrief.rehearsal.shadows import ShadowMap
from paddlebrief.rehearsal.venue import VenueSettings, light_of

__all__ = ["Exposure", "Moments", "Scene", "World"]

_STEP_BODY_PX, _STEP_PROP_PX = 2.5, 1.5
_FEWEST_MOMENTS, _MOST_MOMENTS = 2, 32


@dataclass(frozen=True, kw_only=True)
class Moments:
    """Where everything that moves is at n times, court frame.

    Attributes
    ----------
    joints
        One (positions (n, J, 3), rotations (n, J, 3, 3)) an actor, as ``Body.joints`` gives.
    paddles
        One (butt (n, 3), rotation (n, 3, 3)) a paddle, columns the paddle's axes; the k-th
        belongs to the k-th actor.
    balls_m
        (n, K, 3), NaN where a ball is not there.
    """

    joints: tuple[tuple[np.ndarray, np.ndarray], ...]
    paddles: tuple[tuple[np.ndarray, np.ndarray], ...] = ()
    balls_m: np.ndarray

    def __len__(self) -> int:
        return len(self.balls_m)


World = Callable[[np.ndarray], Moments]
"""Where everything is at (n,) times, seconds."""


@dataclass(frozen=True)
class Exposure:
    """When a frame's shutter is open: middle of the exposure, its length, and the readout."""

    time_s: float
    shutter_s: float
    readout_s: float = 0.0


class Scene:
    """A venue seen by a camera, with a cast.

    Attributes
    ----------
    flat_size_px
        (width, height) of the flat picture that ``expose`` returns.
    """

    def __init__(
        self,
        drawing: Drawing,
        *,
        camera: Camera,
        lens: Lens,
        venue: VenueSettings,
        cast: Sequence[Dressed],
        paddles: Sequence[Prop],
        seed: int,
        feeder_m: tuple[float, float] | None = None,
    ) -> None:
        self._drawing, self._camera = drawing, camera
        scenery = build_scenery(venue, eye_m=camera.position_m, seed=seed, feeder_m=feeder_m)
        self.venue = scenery.settings
        self._light = light_of(scenery.settings.light, seed)
        self.flat_size_px, self._matrix = lens.size_px, lens.matrix
        self._view = np.eye(4)
        self._view[:3, :3] = camera.rotation
        self._view[:3, 3] = -camera.rotation @ camera.position_m
        self._to_clip = clip_matrix(lens.matrix, lens.size_px, drawing.far_m) @ self._view
        drawing.light(self._light, camera.position_m)
        self._actors = [ActorBuffers(drawing, d) for d in cast]
        self._paddles = [(p, PropBuffers(drawing, p)) for p in paddles]
        self._ball = PropBuffers(drawing, ball_prop(seed))
        # Coarse texels blur by themselves what a soft light blurs anyway.
        soft = self._light.softness_m > 0.05
        self._shadow = ShadowMap(drawing, 256 if soft else 1024, unit=6)
        self._backdrop = Backdrop(
            drawing,
            scenery,
            light=self._light,
            matrix=lens.matrix,
            size_px=lens.size_px,
            view=self._view,
            seed=seed,
        )
        self._make_targets()
        self._still_picture = self._without_players()

    def _make_targets(self) -> None:
        context, size = self._drawing.context, self.flat_size_px
        self._plate = context.framebuffer([context.texture(size, 4, dtype="f4")])
        layer = context.texture(size, 4, dtype="f4")
        self._layer = context.framebuffer([layer], context.depth_renderbuffer(size))
        self._sum = context.framebuffer([context.texture(size, 4, dtype="f4")])
        self._out = context.framebuffer([context.texture(size, 3, dtype="f1")])

    def expose(self, world: World, exposure: Exposure) -> np.ndarray:
        """(H, W, 3) uint8 BGR flat picture of one frame.

        With a readout each row is exposed round its own time; steps in time are then at most
        one exposure.
        """
        half = (exposure.shutter_s + exposure.readout_s) / 2
        ends = world(exposure.time_s + np.array([-half, half]))
        steps = self._moments_needed(ends, exposure)
        step_s = exposure.shutter_s / steps
        count = steps + int(np.ceil(exposure.readout_s / step_s))
        times = exposure.time_s + (np.arange(count) - (count - 1) / 2) * step_s
        moments = world(times)
        rectangles = self._rectangles(moments)
        self._draw_shadows(moments)
        self._draw_plate(moments, rectangles)
        bands = self._bands(times, exposure, rectangles)
        self._accumulate(moments, bands, steps)
        return self._developed(rectangles)

    def _moments_needed(self, ends: Moments, exposure: Exposure) -> int:
        share = exposure.shutter_s / (exposure.shutter_s + exposure.readout_s)
        body, prop = 0.0, 0.0
        for positions, _ in ends.joints:
            body = max(body, _travel(self._pixels(positions)))
        for (prop_mesh, _), (butt, turn) in zip(self._paddles, ends.paddles, strict=True):
            tip = butt + turn[..., 1] * prop_mesh.vertices_m[:, 1].max()
            prop = max(prop, _travel(self._pixels(np.stack([butt, tip], axis=1))))
        if ends.balls_m.shape[1]:
            prop = max(prop, _travel(self._pixels(ends.balls_m)))
        steps = np.ceil(share * max(body / _STEP_BODY_PX, prop / _STEP_PROP_PX))
        return int(np.clip(steps, _FEWEST_MOMENTS, _MOST_MOMENTS))

    def _pixels(self, points_m: np.ndarray) -> np.ndarray:
        """(…, 2) pixels in the flat picture."""
        seen = (points_m - self._camera.position_m) @ self._camera.rotation.T
        z = np.where(seen[..., 2:] > 0.2, seen[..., 2:], np.nan)
        return seen[..., :2] / z * self._camera.focal_px + self._matrix[:2, 2]

    def _rectangles(self, moments: Moments) -> list[tuple[int, int, int, int]]:
        """(x, y, width, height) of the parts that moving things or their shadows can touch."""
        boxes = []
        for k, (positions, _) in enumerate(moments.joints):
            points = [positions.reshape(-1, 3)]
            if k < len(moments.paddles):
                butt, turn = moments.paddles[k]
                points += [butt, butt + 0.45 * turn[..., 1]]
            boxes += self._box(np.concatenate(points), 0.24, 0.45)
        for ball in np.moveaxis(moments.balls_m, 1, 0):
            boxes += self._box(ball[np.isfinite(ball[:, 0])], 0.05, 0.25)
        return merged(boxes)

    def _box(self, points_m: np.ndarray, reach_m: float, shade_m: float) -> list[np.ndarray]:
        """Boxes (x0, y0, x1, y1) round points and round their shadows on the ground."""
        if not len(points_m):
            return []
        sun = self._light.towards
        fall = points_m - sun * (np.maximum(points_m[:, 2:], 0) / sun[2])
        boxes = []
        for points, reach in ((points_m, reach_m), (fall, shade_m + self._light.softness_m)):
            seen = (points - self._camera.position_m) @ self._camera.rotation.T
            near = seen[:, 2] > 0.3
            if not near.any():
                continue
            pixels = self._pixels(points[near])
            grow = (reach * self._camera.focal_px / seen[near, 2])[:, None] + 2
            low, high = (pixels - grow).min(axis=0), (pixels + grow).max(axis=0)
            box = np.concatenate(
                [np.maximum(np.floor(low), 0), np.minimum(np.ceil(high), self.flat_size_px)]
            )
            if (box[2:] > box[:2]).all():
                boxes.append(box.astype(int))
        return boxes

    def _bands(self, times: np.ndarray, exposure: Exposure, rectangles: list) -> list[list]:
        """For each moment the parts of the rectangles whose rows are open then."""
        if exposure.readout_s == 0:
            return [rectangles] * len(times)
        # Rows of the flat picture stand for the camera's, which the lens moves by little.
        row = np.arange(self.flat_size_px[1]) + self._camera.centre_px[1] - self._matrix[1, 2]
        row_s = self._camera.row_time_s(exposure.time_s, row, exposure.readout_s)
        bands = []
        for t in times:
            rows = np.flatnonzero(np.abs(t - row_s) <= exposure.shutter_s / 2)
            first, last = (rows[0], rows[-1] + 1) if len(rows) else (0, 0)
            cut = []
            for x, y, w, h in rectangles:
                top, bottom = max(y, first), min(y + h, last)
                if bottom > top:
                    cut.append((x, int(top), w, int(bottom - top)))
            bands.append(cut)
        return bands

    def _draw_shadows(self, moments: Moments) -> None:
        middle = len(moments) // 2
        points = [p[middle] for p, _ in moments.joints]
        balls = moments.balls_m[middle]
        points.append(balls[np.isfinite(balls[:, 0])])
        found = np.concatenate(points)
        if not len(found):
            found = np.zeros((1, 3))
        box = np.stack([found.min(axis=0) - 0.45, found.max(axis=0) + 0.45])
        with self._shadow.over(box, self._light):
            to_clip = self._shadow.to_clip
            for actor, (positions, rotations) in zip(self._actors, moments.joints, strict=True):
                body = actor.dressed.body
                actor.pose(body.skin_transforms(positions[middle], rotations[middle]))
                actor.draw("shadow", to_clip)
            for buffers, pose in self._props(moments, middle):
                buffers.draw_shadow(to_clip, pose)
        self._shadow.show(self._light, still=False)

    def _props(self, moments: Moments, k: int) -> list[tuple[PropBuffers, np.ndarray]]:
        """Props and their (4, 4) poses at one moment."""
        placed = []
        for (_, buffers), (butt, turn) in zip(self._paddles, moments.paddles, strict=True):
            pose = np.eye(4)
            pose[:3, :3], pose[:3, 3] = turn[k], butt[k]
            placed.append((buffers, pose))
        for place in moments.balls_m[k]:
            if np.isfinite(place[0]):
                placed.append((self._ball, _rolled(place)))
        return placed

    def _draw_plate(self, moments: Moments, rectangles: list) -> None:
        """The scenery with the shadows of what moves, where something moves."""
        middle = len(moments) // 2
        blobs = []
        for actor, (positions, _) in zip(self._actors, moments.joints, strict=True):
            at = positions[middle]
            for name, reach in (("ankle", 0.09), ("toes", 0.08)):
                for side in ("left", "right"):
                    joint = actor.dressed.body.joint(f"{side}_{name}")
                    blobs.append([*at[joint], reach])
            blobs.append([*at[0], 0.22])
        blobs += [[*b, 0.045] for b in moments.balls_m[middle] if np.isfinite(b[0])]
        table = np.zeros((16, 4), np.float32)
        table[: min(len(blobs), 16)] = np.reshape(blobs[:16], (-1, 4))
        inverse = np.linalg.inv(self._matrix)
        shift = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1.0]])
        self._backdrop.key.use(0)
        self._backdrop.around.use(1)
        self._backdrop.distance.use(2)
        self._drawing.context.enable_only(self._drawing.context.NOTHING)
        self._plate.use()
        for rectangle in rectangles:
            _cut(self._plate, rectangle)
            self._drawing.full_pass(
                "backdrop",
                key_part=0,
                around_part=1,
                z_part=2,
                pixel_to_ray=inverse @ shift,
                to_court=self._camera.rotation.T,
                blobs=table,
                blob_count=min(len(blobs), 16),
            )

    def _accumulate(self, moments: Moments, bands: list[list], steps: int) -> None:
        context = self._drawing.context
        self._sum.use()
        _cut(self._sum, None)
        self._sum.clear(0, 0, 0, 0)
        for k, rectangles in enumerate(bands):
            if not rectangles:
                continue
            self._draw_layer(moments, k, rectangles, steps)
            self._layer.color_attachments[0].use(0)
            context.enable_only(context.BLEND)
            context.blend_func = context.ONE, context.ONE
            for rectangle in rectangles:
                _cut(self._sum, rectangle)
                self._drawing.full_pass("accumulate", layer=0, share=1 / steps)

    def _draw_layer(self, moments: Moments, k: int, rectangles: list, steps: int) -> None:
        """One moment over the scenery, shifted by a part of a pixel that smooths its edges."""
        context, rule = self._drawing.context, depth_rule(self._drawing.far_m)
        self._plate.color_attachments[0].use(0)
        context.enable_only(context.DEPTH_TEST)
        context.depth_func = "1"
        for rectangle in rectangles:
            _cut(self._layer, rectangle)
            self._drawing.full_pass("copy", backdrop=0, depth_rule=rule)
        context.depth_func = "<"
        _cut(self._layer, around(rectangles))
        to_clip = self._shifted(k % steps, steps)
        for n, (actor, (positions, rotations)) in enumerate(
            zip(self._actors, moments.joints, strict=True)
        ):
            body = actor.dressed.body
            actor.pose(body.skin_transforms(positions[k], rotations[k]))
            actor.draw("moving", to_clip, label=float(n + 1))
        for buffers, pose in self._props(moments, k):
            buffers.draw(to_clip, pose, label=255.0)
        self._draw_veil(rectangles, rule)

    def _draw_veil(self, rectangles: list, rule: tuple[float, float]) -> None:
        context = self._drawing.context
        self._backdrop.veil.use(0)
        self._backdrop.veil_distance.use(1)
        self._layer.depth_mask = False
        context.enable_only(context.DEPTH_TEST | context.BLEND)
        context.blend_func = context.ONE, context.ONE_MINUS_SRC_ALPHA
        for rectangle in rectangles:
            _cut(self._layer, rectangle)
            self._drawing.full_pass("veil", veil=0, veil_z=1, depth_rule=rule)
        self._layer.depth_mask = True

    def _shifted(self, k: int, steps: int) -> np.ndarray:
        """The projection moved by a part of a pixel, evenly spread over the moments."""
        stride = next(
            i for i in range(round(steps * 0.382) or 1, steps + 1) if np.gcd(i, steps) == 1
        )
        x, y = (k + 0.5) / steps - 0.5, (k * stride % steps + 0.5) / steps - 0.5
        nudge = np.eye(4)
        nudge[0, 3], nudge[1, 3] = 2 * x / self.flat_size_px[0], 2 * y / self.flat_size_px[1]
        return nudge @ self._to_clip

    def _developed(self, rectangles: list) -> np.ndarray:
        picture = self._still_picture.copy()
        self._drawing.context.enable_only(self._drawing.context.NOTHING)
        self._sum.color_attachments[0].use(0)
        self._out.use()
        for rectangle in rectangles:
            _cut(self._out, rectangle)
            self._drawing.full_pass("develop", layer=0)
        for x, y, w, h in rectangles:
            data = self._out.read(viewport=(x, y, w, h), components=3, alignment=1)
            patch = np.frombuffer(data, np.uint8).reshape(h, w, 3)
            picture[y : y + h, x : x + w] = patch[..., ::-1]
        return picture

    def _without_players(self) -> np.ndarray:
        width, height = self.flat_size_px
        nothing = Moments(joints=(), balls_m=np.zeros((1, 0, 3)))
        whole = [(0, 0, width, height)]
        self._still_picture = np.zeros((height, width, 3), np.uint8)
        cast, self._actors, paddles, self._paddles = self._actors, [], self._paddles, []
        self._draw_shadows(nothing)
        self._draw_plate(nothing, whole)
        self._accumulate(nothing, [whole], 1)
        picture = self._developed(whole)
        self._actors, self._paddles = cast, paddles
        return picture


def _cut(frame, rectangle: tuple[int, int, int, int] | None) -> None:
    """Bind a framebuffer for drawing in one rectangle; a bound one would keep its old cut."""
    frame.scissor = rectangle
    frame.use()


def _travel(pixels: np.ndarray) -> float:
    """Greatest way of any point between the first and the last moment, pixels."""
    way = np.linalg.norm(pixels[-1] - pixels[0], axis=-1)
    return float(np.nanmax(way)) if np.isfinite(way).any() else 0.0


def _rolled(place_m: np.ndarray) -> np.ndarray:
    """Pose of a ball that has turned by its travelled way; only its holes show it."""
    pose = np.eye(4)
    angle = 8.0 * (place_m[0] + place_m[1])
    c, s = np.cos(angle), np.sin(angle)
    pose[:3, :3] = [[1, 0, 0], [0, c, -s], [0, s, c]]
    pose[:3, 3] = place_m
    return pose
