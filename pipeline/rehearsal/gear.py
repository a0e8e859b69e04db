"""Meshes of paddle and ball."""

from dataclasses import dataclass

import numpy as np

from paddlebrief.rehearsal.court_dimensions import BALL_HOLES, BALL_RADIUS_M
from paddlebrief.rehearsal.dress import COLOURS, linear
from paddlebrief.rehearsal.meshes import normals_of
from paddlebrief.rehearsal.paddle import PaddleSpec

__all__ = ["Prop", "ball_prop", "paddle_prop"]


@dataclass(frozen=True, kw_only=True)
class Prop:
    """A rigid thing.

    Attributes
    ----------
    vertices_m, normals, colour
        (V, 3); colours in linear light.
    shine
        (V,) strength of the highlight.
    triangles
        (F, 3).
    """

    vertices_m: np.ndarray
    normals: np.ndarray
    colour: np.ndarray
    shine: np.ndarray
    triangles: np.ndarray


def _outline(spec: PaddleSpec, inset_m: float, count: int = 48) -> np.ndarray:
    """(count, 2) face outline, counter-clockwise seen from the front: a rounded rectangle."""
    half_w = spec.width_m / 2 - inset_m
    low, high = spec.grip_length_m - 0.01 + inset_m, spec.length_m - inset_m
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    c, s = np.cos(turn), np.sin(turn)
    x = half_w * np.sign(c) * np.abs(c) ** 0.4
    y = (low + high) / 2 + (high - low) / 2 * np.sign(s) * np.abs(s) ** 0.45
    # The lower corners run in towards the throat.
    throat = np.clip((spec.grip_length_m + 0.035 - y) / 0.04, 0, 1)
    return np.stack([x * (1 - 0.35 * throat), y], axis=1)


def _slab(outline: np.ndarray, half_z: float) -> list[tuple[np.ndarray, np.ndarray]]:
    """Front face, back face and rim of an outline, each as (vertices, triangles)."""
    count = len(outline)
    middle = outline.mean(axis=0)
    parts = []
    k = np.arange(count)
    k1 = (k + 1) % count
    for z in (half_z, -half_z):
        points = np.column_stack([np.vstack([outline, middle]), np.full(count + 1, z)])
        fan = np.stack([k, k1, np.full(count, count)], axis=1)
        parts.append((points, fan if z > 0 else fan[:, ::-1]))
    rim = np.vstack([np.column_stack([outline, np.full(count, z)]) for z in (half_z, -half_z)])
    quads = np.concatenate(
        [np.stack([k, k + count, k1], 1), np.stack([k1, k + count, k1 + count], 1)]
    )
    parts.append((rim, quads))
    return parts


def _grip(spec: PaddleSpec) -> tuple[np.ndarray, np.ndarray]:
    """The handle: eight-sided, flared at the butt."""
    turn = np.linspace(0, 2 * np.pi, 8, endpoint=False) + np.pi / 8
    y = np.array([0.0, 0.006, 0.012, 0.022, spec.grip_length_m * 0.98, spec.grip_length_m + 0.012])
    size = np.array([1.15, 1.2, 1.15, 1.0, 1.0, 0.85])
    ring = np.stack([0.0185 * np.cos(turn), 0.0155 * np.sin(turn)], axis=1)
    points = np.stack(
        [
            np.column_stack([ring[:, 0] * s, np.full(8, v), ring[:, 1] * s])
            for v, s in zip(y, size, strict=True)
        ]
    )
    i, j = np.meshgrid(np.arange(len(y) - 1), np.arange(8), indexing="ij")
    a, b = i * 8 + j, i * 8 + (j + 1) % 8
    sides = np.concatenate([np.stack([a, a + 8, b], -1), np.stack([b, a + 8, b + 8], -1)]).reshape(
        -1, 3
    )
    butt = np.stack([np.zeros(6, int), np.arange(1, 7), np.arange(2, 8)], axis=1)
    return points.reshape(-1, 3), np.concatenate([sides, butt])


def paddle_prop(spec: PaddleSpec, seed: int) -> Prop:
    """A paddle in its own frame (see ``paddle``): origin at the butt, y to the tip, z front.

    The two faces, the edge guard and the handle have colours drawn from the seed.
    """
    rng = np.random.default_rng([seed, 23])
    words = list(COLOURS)
    front = linear(str(rng.choice(words)))
    back = front if rng.uniform() < 0.6 else linear(str(rng.choice(words)))
    dark = linear("black") if rng.uniform() < 0.75 else linear("white")
    trim = linear(str(rng.choice(words)))
    faces = _slab(_outline(spec, 0.004), spec.thickness_m / 2)
    guard = _slab(_outline(spec, 0.0), spec.thickness_m / 2 - 0.0015)
    logo = _slab(_outline(spec, spec.width_m * 0.34), spec.thickness_m / 2 + 0.0004)
    painted = [
        (faces[0], front, 0.15),
        (faces[1], back, 0.15),
        *((part, dark, 0.1) for part in guard),
        (logo[0], trim, 0.15),
        (logo[1], trim, 0.15),
        (_grip(spec), linear("black") if rng.uniform() < 0.7 else linear("grey"), 0.05),
    ]
    return _joined(painted)


def _joined(painted: list) -> Prop:
    starts = np.cumsum([0] + [len(part[0]) for part, _, _ in painted])
    return Prop(
        vertices_m=np.concatenate([part[0] for part, _, _ in painted]),
        normals=np.concatenate([normals_of(*part) for part, _, _ in painted]),
        colour=np.concatenate([np.tile(colour, (len(part[0]), 1)) for part, colour, _ in painted]),
        shine=np.concatenate([np.full(len(part[0]), shine) for part, _, shine in painted]),
        triangles=np.concatenate(
            [part[1] + s for (part, _, _), s in zip(painted, starts[:-1], strict=True)]
        ),
    )


def ball_prop(seed: int) -> Prop:
    """A ball round the origin, with its round holes painted dark."""
    rng = np.random.default_rng([seed, 29])
    down, round_ = 28, 40
    theta = np.linspace(0, np.pi, down)
    phi = np.linspace(0, 2 * np.pi, round_, endpoint=False)
    way = np.stack(
        [
            np.sin(theta)[:, None] * np.cos(phi),
            np.sin(theta)[:, None] * np.sin(phi),
            np.tile(np.cos(theta)[:, None], (1, round_)),
        ],
        axis=-1,
    ).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(down - 1), np.arange(round_), indexing="ij")
    a, b = i * round_ + j, i * round_ + (j + 1) % round_
    triangles = np.concatenate(
        [np.stack([a, a + round_, b], -1), np.stack([b, a + round_, b + round_], -1)]
    ).reshape(-1, 3)
    holes = int(rng.integers(BALL_HOLES[0], BALL_HOLES[1] + 1))
    k = np.arange(holes) + 0.5
    polar, turn = np.arccos(1 - 2 * k / holes), np.pi * (1 + 5**0.5) * k
    centres = np.stack(
        [np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], 1
    )
    near = (way @ centres.T).max(axis=1)
    # A hole of about 7 mm across on a radius of 37 mm (common practice, no source).
    hole = np.clip((near - np.cos(0.0035 / BALL_RADIUS_M * 1.6)) / 0.008, 0, 1)[:, None]
    colour = linear(str(rng.choice(["yellow", "lime", "yellow", "orange"]))) * 1.1
    return Prop(
        vertices_m=way * BALL_RADIUS_M,
        normals=way,
        colour=np.clip(colour, 0, 1) * (1 - 0.75 * hole),
        shine=np.full(len(way), 0.12),
        triangles=triangles,
    )
