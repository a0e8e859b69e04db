"""Crops for the paddle net without a whole scene: one body at a time before pieces of pictures.

A body is dressed once and then seen with several paddles, in several swings, from a new place and
in a new light each time, so that a sample costs a few small drawings. Whole scenes
(`pictures.py`) add what stands about on courts.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.eyes.crops import Square
from paddlebrief.eyes.training.examples import PaddleSample, paddle_sample
from paddlebrief.eyes.training.labelling import Pinhole, paddle_label
from paddlebrief.eyes.training.pictures import crop_round, spoiled_crop
from paddlebrief.eyes.training.studio import MOST_PX, CloseUpStudio, Held
from paddlebrief.eyes.training.things import decoy, draw_paddle_spec, printed_paddle
from paddlebrief.rehearsal.bodies import BodySpec, make_body
from paddlebrief.rehearsal.camera import Camera
from paddlebrief.rehearsal.drawing import Drawing
from paddlebrief.rehearsal.dress import dress, make_look
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.turn.training.backgrounds import Backgrounds
from paddlebrief.turn.training.free_poses import free_motion
from paddlebrief.turn.training.poses import CONTACT_S, Moving, swing_motion
from paddlebrief.turn.training.samples import camera_round, random_light

__all__ = ["CloseUps"]

_THINGS, _MOTIONS, _MOMENTS = 3, 3, 6  # a body's things in hand, motions with each, crops of each
_HEIGHT_PX = (85.0, 860.0)
_STEP_PX, _FEWEST, _MOST = 2.5, 3, 14  # poses inside an exposure
_OFF_HAND = 0.12
_BEFORE_S = (1 / 60, 1 / 30)


@dataclass(frozen=True)
class _Thing:
    held: Held
    spec: PaddleSpec | None  # None: what is held is no paddle


class CloseUps:
    """Crops drawn with one set of backgrounds.

    Parameters
    ----------
    drawing
        Draws everything.
    cast
        Bodies to draw from: spec and seed.
    venues
        How many venues to draw for backgrounds.
    """

    def __init__(
        self,
        drawing: Drawing,
        cast: Sequence[tuple[BodySpec, int]],
        *,
        venues: int,
        rng: np.random.Generator,
    ) -> None:
        self._drawing, self._cast, self._rng = drawing, cast, rng
        self._studio = CloseUpStudio(drawing)
        self._backgrounds = Backgrounds(drawing, venues=venues, rng=rng)

    def samples(self, bodies: int) -> Iterator[PaddleSample]:
        """Crops of so many dressed bodies."""
        rng = self._rng
        for _ in range(bodies):
            spec, seed = self._cast[rng.integers(len(self._cast))]
            body = make_body(replace(spec, appearance=int(rng.integers(1 << 30))), seed)
            held = Held(self._drawing, dress(body, make_look(body)))
            for _ in range(_THINGS):
                thing = self._thing(held)
                for _ in range(_MOTIONS):
                    make = free_motion if rng.uniform() < 0.3 else swing_motion
                    yield from self._seen(thing, make(body, rng))

    def _thing(self, held: Held) -> _Thing:
        what = self._rng.choice(["paddle", "decoy", "nothing"], p=[0.80, 0.12, 0.08])
        spec = draw_paddle_spec(self._rng) if what == "paddle" else None
        prop = None if spec is None else printed_paddle(spec, self._rng)
        held.hold(decoy(self._rng) if what == "decoy" else prop)
        return _Thing(held, spec)

    def _seen(self, thing: _Thing, moving: Moving) -> Iterator[PaddleSample]:
        """Crops of one motion at several moments, all poses worked out at once."""
        rng = self._rng
        low, high = moving.times_s
        middle = rng.uniform(low, high, _MOMENTS)
        fast = rng.uniform(size=_MOMENTS) < 0.35
        if low < CONTACT_S < high:
            middle = np.where(fast, CONTACT_S + rng.normal(0, 0.07, _MOMENTS), middle)
        shutters = np.exp(rng.uniform(np.log(1 / 2000), np.log(1 / 50), _MOMENTS))
        befores = rng.uniform(*_BEFORE_S, _MOMENTS) * (rng.uniform(size=_MOMENTS) < 0.3)
        edges = np.stack([middle - shutters / 2, middle, middle + shutters / 2], axis=1)
        three = moving.place(edges.ravel())
        views = [
            self._view(thing, moving, [v[3 * k : 3 * k + 3] for v in three])
            for k in range(_MOMENTS)
        ]
        rows, times = [], []
        for k, view in enumerate(views):
            if view is None:
                continue
            pinhole, _ = view
            butts, turns = three[2][3 * k : 3 * k + 3], three[3][3 * k : 3 * k + 3]
            ends = pinhole.pixels(np.stack([butts, butts + 0.4 * turns[..., 1]], axis=1))[0]
            travel = np.nan_to_num(np.linalg.norm(ends[2] - ends[0], axis=-1)).max()
            count = int(np.clip(np.ceil(travel / _STEP_PX), _FEWEST, _MOST))
            shares = (np.arange(count) + 0.5) / count - 0.5
            frames = [middle[k] - befores[k], middle[k]] if befores[k] else [middle[k]]
            for t in frames:
                rows.append((k, count))
                times.append(t + shares * shutters[k])
        if not rows:
            return
        dense = moving.place(np.concatenate(times))
        first, shown = 0, {}
        for k, count in rows:
            shown.setdefault(k, []).append([v[first : first + count] for v in dense])
            first += count
        for k, exposures in shown.items():
            sample = self._taken(thing, exposures, views[k])
            if sample is not None:
                yield sample

    def _view(self, thing: _Thing, moving: Moving, poses) -> tuple[Pinhole, Square] | None:
        """A camera somewhere round the player, cut to a hand's square, and the square in it."""
        rng = self._rng
        height_px = float(np.exp(rng.uniform(*np.log(_HEIGHT_PX))))
        shot, _, focal = camera_round(poses[0], poses[2], rng, height_px=height_px)
        side = moving.hand
        if rng.uniform() < _OFF_HAND:
            side = "left" if side == "right" else "right"
        hand = moving.body.landmark(f"{side}_hand", poses[0], poses[1])[1]
        seen = shot.rotation @ (hand - shot.position_m)
        if seen[2] < 0.8:
            return None
        pixel = seen[:2] / seen[2] * focal + shot.matrix[:2, 2]
        square = crop_round(
            pixel, focal * moving.body.spec.height_m / seen[2], side=side, rng=rng
        )
        whole = int(np.ceil(square.side_px)) + 12
        if whole > MOST_PX or square.side_px < 40:
            return None
        corner = np.floor(np.array(square.centre_px) - whole / 2)
        matrix = shot.matrix.copy()
        matrix[:2, 2] -= corner
        pinhole = Pinhole(
            shot.position_m, shot.rotation, matrix=matrix, size_px=(whole, whole)
        )
        return pinhole, replace(square, centre_px=tuple(np.array(square.centre_px) - corner))

    def _taken(self, thing: _Thing, exposures, view) -> PaddleSample | None:
        pinhole, square = view
        light = random_light(self._rng)
        behind = self._backgrounds.cut(pinhole.size_px, self._rng)
        to_clip = self._studio.to_clip(pinhole)
        now = exposures[-1]
        self._studio.light(thing.held, now, light, pinhole.position_m)
        frames = np.stack([
            self._studio.expose(thing.held, poses, view=pinhole, to_clip=to_clip, behind=behind)
            for poses in exposures
        ])  # fmt: skip
        labels = []
        if thing.spec is not None:
            label = self._label(thing, now, pinhole, to_clip)
            if label is None:
                return None
            labels = [label]
        return paddle_sample(spoiled_crop(frames, square, self._rng), square, labels)

    def _label(self, thing: _Thing, poses, pinhole: Pinhole, to_clip: np.ndarray) -> dict | None:
        k = len(poses[0]) // 2
        # An even number of poses has its middle between two of them.
        pair = [v[(len(poses[0]) - 1) // 2 : k + 1].mean(axis=0) for v in poses[2:]]
        u, _, v = np.linalg.svd(pair[1])
        table = self._studio.covered(thing.held, poses, k, view=pinhole, to_clip=to_clip)
        camera = Camera(
            position_m=pinhole.position_m,
            rotation=pinhole.rotation,
            focal_px=float(pinhole.matrix[0, 0]),
            centre_px=pinhole.matrix[:2, 2],
            distortion=np.zeros(5),
            size_px=pinhole.size_px,
        )
        return paddle_label(
            pinhole, table, number=0, pose=(pair[0], u @ v), spec=thing.spec, camera=camera
        )
