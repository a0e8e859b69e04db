"""Things held in a hand in training pictures: printed paddles, and what is no paddle."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from paddlebrief.rehearsal.dress import COLOURS, linear
from paddlebrief.rehearsal.gear import Prop, paddle_prop
from paddlebrief.rehearsal.meshes import normals_of
from paddlebrief.rehearsal.paddle import PaddleSpec

__all__ = ["decoy", "draw_paddle_spec", "printed_paddle"]

_LONGEST_M, _LONGEST_PLUS_WIDEST_M = 0.431, 0.608  # a little inside the rulebook's limits


def draw_paddle_spec(rng: np.random.Generator) -> PaddleSpec:
    """A paddle of the sizes that are sold (common practice, no source)."""
    length = rng.uniform(0.375, _LONGEST_M)
    width = min(rng.uniform(0.175, 0.215), _LONGEST_PLUS_WIDEST_M - length)
    return PaddleSpec(
        length_m=length,
        width_m=width,
        grip_length_m=rng.uniform(0.10, 0.15),
        thickness_m=rng.uniform(0.010, 0.018),
    )


def _colour(rng: np.random.Generator) -> np.ndarray:
    if rng.uniform() < 0.5:
        return linear(str(rng.choice(list(COLOURS))))
    return rng.uniform(0, 1, 3) ** 2.2


def printed_paddle(spec: PaddleSpec, rng: np.random.Generator) -> Prop:
    """A paddle in its own frame with colours of its own and, mostly, printed faces."""
    seed = int(rng.integers(1 << 31))
    paddle = paddle_prop(spec, seed)
    # Colours are exchanged group by group: faces, guard and handle keep one colour each.
    colour = paddle.colour.copy()
    kinds, group = np.unique(colour.round(6), axis=0, return_inverse=True)
    dark_guard = rng.uniform() < 0.5
    for k in range(len(kinds)):
        if not (dark_guard and kinds[k].max() < 0.03):
            colour[group.reshape(-1) == k] = _colour(rng)
    shine = paddle.shine * rng.uniform(0.2, 3.5)
    paddle = replace(paddle, colour=colour, shine=shine)
    prints = [_print(spec, side, rng) for side in (1.0, -1.0) if rng.uniform() < 0.75]
    return _together([paddle, *prints])


def _print(spec: PaddleSpec, side: float, rng: np.random.Generator) -> Prop:
    """A thin picture just above one face: stripes, blocks, rings, gradients, letters' blobs."""
    count_x, count_y = 17, 23
    inset = rng.uniform(0.004, 0.03)
    half = spec.width_m / 2 - inset
    low, high = spec.grip_length_m + 0.012, spec.length_m - inset
    x, y = np.meshgrid(np.linspace(-1, 1, count_x), np.linspace(-1, 1, count_y))
    inside = np.abs(x) ** 3 + np.abs(y) ** 3 < 1.0
    inside &= y > -0.75 + 0.6 * (np.abs(x) > 0.45)
    place = np.stack(
        [half * x, (low + high) / 2 + (high - low) / 2 * y, np.full_like(x, side)], axis=-1
    )
    place[..., 2] *= spec.thickness_m / 2 + 0.0007
    share = _pattern(x, y, rng)
    first, second = _colour(rng), _colour(rng)
    colour = first + share[..., None] * (second - first)
    i, j = np.meshgrid(np.arange(count_y - 1), np.arange(count_x - 1), indexing="ij")
    a = (i * count_x + j).reshape(-1)
    b, c, d = a + 1, a + count_x, a + count_x + 1
    whole = inside.reshape(-1)
    kept = whole[a] & whole[b] & whole[c] & whole[d]
    triangles = np.concatenate([np.stack([a, b, d], 1)[kept], np.stack([a, d, c], 1)[kept]])
    if side < 0:
        triangles = triangles[:, ::-1]
    points = place.reshape(-1, 3)
    return Prop(
        vertices_m=points,
        normals=np.tile([0, 0, side], (len(points), 1)).astype(float),
        colour=colour.reshape(-1, 3),
        shine=np.full(len(points), rng.uniform(0, 0.5)),
        triangles=triangles,
    )


def _pattern(x: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    kind = int(rng.integers(6))
    turn = rng.uniform(0, np.pi)
    along = x * np.cos(turn) + y * np.sin(turn)
    if kind == 0:
        return (np.sin(along * rng.uniform(2, 12) + rng.uniform(0, 6)) > 0).astype(float)
    if kind == 1:
        return np.clip(0.5 + along * rng.uniform(0.4, 1.5), 0, 1)
    if kind == 2:
        reach = np.hypot(x - rng.uniform(-0.5, 0.5), y - rng.uniform(-0.5, 0.5))
        return (np.sin(reach * rng.uniform(3, 12)) > 0).astype(float)
    if kind == 3:
        return (rng.uniform(size=x.shape) < rng.uniform(0.1, 0.6)).astype(float)
    if kind == 4:
        middle, size = rng.uniform(-0.6, 0.6, 2), rng.uniform(0.1, 0.5, 2)
        return ((np.abs(x - middle[0]) < size[0]) & (np.abs(y - middle[1]) < size[1])).astype(float)
    return np.zeros_like(x)


def decoy(rng: np.random.Generator) -> Prop:
    """Something else in a hand: bottle, big ball, book, stick, bag or strung racket.

    In the paddle's frame: the hand is near (0, 0.06, 0).
    """
    kind = int(rng.integers(6))
    if kind == 0:
        return _round(0.03 * rng.uniform(0.8, 1.3), (-0.08, 0.15), _colour(rng))
    if kind == 1:
        radius = rng.uniform(0.06, 0.15)
        return _ball(np.array([0, 0.06 + radius, 0]), radius, _colour(rng))
    if kind == 2:
        size = rng.uniform([0.07, 0.10, 0.004], [0.16, 0.24, 0.03])
        return _box(np.array([0, 0.06 + size[1] / 2, 0]), size, _colour(rng))
    if kind == 3:
        return _round(rng.uniform(0.008, 0.02), (-0.1, rng.uniform(0.3, 0.9)), _colour(rng))
    if kind == 4:
        size = rng.uniform([0.2, 0.2, 0.08], [0.45, 0.4, 0.2])
        return _box(np.array([0, 0.1 + size[1] / 2, 0]), size, _colour(rng))
    return _racket(rng)


def _racket(rng: np.random.Generator) -> Prop:
    """A long-handled racket with an open, strung head, longer than any paddle may be."""
    frame = _colour(rng)
    handle = _round(0.016, (0.0, 0.34), frame)
    turn = np.linspace(0, 2 * np.pi, 25)
    ring = np.stack([0.13 * np.sin(turn), 0.51 - 0.17 * np.cos(turn), 0 * turn], axis=1)
    parts = [handle]
    parts += [_rod(a, b, 0.011, frame) for a, b in pairwise(ring)]
    string = _colour(rng)
    for s in np.linspace(-0.8, 0.8, 7):
        reach = np.sqrt(1 - s * s)
        x, y = 0.13 * s, 0.51 + 0.17 * s
        ends = [[x, 0.51 - 0.17 * reach, 0], [x, 0.51 + 0.17 * reach, 0]]
        across = [[-0.13 * reach, y, 0], [0.13 * reach, y, 0]]
        parts += [_rod(*np.array(pair), 0.0012, string) for pair in (ends, across)]
    return _together(parts)


def _round(radius: float, span: tuple[float, float], colour: np.ndarray) -> Prop:
    return _rod(np.array([0, span[0], 0]), np.array([0, span[1], 0]), radius, colour)


def _rod(a: np.ndarray, b: np.ndarray, radius: float, colour: np.ndarray) -> Prop:
    along = (b - a) / np.linalg.norm(b - a)
    side = np.cross(along, [0.0, 0.0, 1.0] if abs(along[2]) < 0.9 else [1.0, 0, 0])
    side /= np.linalg.norm(side)
    turn = np.linspace(0, 2 * np.pi, 10, endpoint=False)[:, None]
    ring = radius * (np.cos(turn) * side + np.sin(turn) * np.cross(along, side))
    points = np.concatenate([a + ring, b + ring, [a, b]])
    k = np.arange(10)
    k1 = (k + 1) % 10
    triangles = np.concatenate(
        [
            np.stack([k, k1, k + 10], 1),
            np.stack([k1, k1 + 10, k + 10], 1),
            np.stack([k1, k, np.full(10, 20)], 1),
            np.stack([k + 10, k1 + 10, np.full(10, 21)], 1),
        ]
    )
    return _plain(points, triangles, colour)


def _ball(middle: np.ndarray, radius: float, colour: np.ndarray) -> Prop:
    rings = np.linspace(0, np.pi, 12)
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    way = np.stack(
        [
            np.sin(rings)[:, None] * np.cos(turn),
            np.sin(rings)[:, None] * np.sin(turn),
            np.tile(np.cos(rings)[:, None], (1, 16)),
        ],
        axis=-1,
    ).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(11), np.arange(16), indexing="ij")
    a, b = i * 16 + j, i * 16 + (j + 1) % 16
    triangles = np.concatenate([np.stack([a, a + 16, b], -1), np.stack([b, a + 16, b + 16], -1)])
    return _plain(middle + radius * way, triangles.reshape(-1, 3), colour)


def _box(middle: np.ndarray, size: np.ndarray, colour: np.ndarray) -> Prop:
    corner = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) / 2
    faces = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    points = np.concatenate([middle + corner[list(f)] * size for f in faces])
    quads = np.arange(24).reshape(6, 4)
    return _plain(points, np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]), colour)


def _plain(points: np.ndarray, triangles: np.ndarray, colour: np.ndarray) -> Prop:
    return Prop(
        vertices_m=points,
        normals=normals_of(points, triangles),
        colour=np.tile(colour, (len(points), 1)),
        shine=np.full(len(points), 0.1),
        triangles=triangles,
    )


def _together(props: list[Prop]) -> Prop:
    starts = np.cumsum([0] + [len(p.vertices_m) for p in props])[:-1]
    names = ("vertices_m", "normals", "colour", "shine")
    return Prop(
        **{n: np.concatenate([getattr(p, n) for p in props]) for n in names},
        triangles=np.concatenate([p.triangles + s for p, s in zip(props, starts, strict=True)]),
    )
