"""Pieces of mesh that hang on a body's bones, and the few operations that cut clothes from them.

A piece carries what the renderer needs per vertex. Everything is in the rest pose, body frame
(see ``bodies``), metres.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_matrix, diags

from paddlebrief.rehearsal.bake import SKIN_BONES
from paddlebrief.rehearsal.bodies import Mesh

__all__ = [
    "Piece",
    "clip",
    "from_mesh",
    "join",
    "join_weights",
    "loft",
    "normals_of",
    "smooth",
]

_BONES = len(SKIN_BONES)


@dataclass(frozen=True, kw_only=True)
class Piece:
    """A part of a dressed body.

    Attributes
    ----------
    vertices_m
        (V, 3).
    triangles
        (F, 3) int.
    weights
        (V, S) dense bone weights, rows sum to one; S as in ``bake.SKIN_BONES``.
    colour
        (V, 3) linear-light tint, 0 to 1, multiplied with the material's colour.
    material
        Index into the outfit's materials.
    """

    vertices_m: np.ndarray
    triangles: np.ndarray
    weights: np.ndarray
    colour: np.ndarray
    material: int

    @property
    def normals(self) -> np.ndarray:
        """(V, 3) unit normals, area weighted."""
        return normals_of(self.vertices_m, self.triangles)

    def weight_of(self, *bones: str) -> np.ndarray:
        """(V,) summed weight of some bones."""
        return self.weights[:, [SKIN_BONES.index(b) for b in bones]].sum(axis=1)

    def moved(self, vertices_m: np.ndarray) -> "Piece":
        """The same piece with other vertex places."""
        return replace(self, vertices_m=vertices_m)

    def offset(self, distance_m: np.ndarray | float) -> "Piece":
        """Moved along its normals by (V,) or one distance, metres."""
        return self.moved(self.vertices_m + self.normals * np.reshape(distance_m, (-1, 1)))

    def only(self, keep: np.ndarray) -> "Piece":
        """The triangles whose three corners are all marked in ``keep`` (V,) bool."""
        triangles = self.triangles[keep[self.triangles].all(axis=1)]
        used, triangles = np.unique(triangles, return_inverse=True)
        return replace(
            self,
            vertices_m=self.vertices_m[used],
            triangles=triangles.reshape(-1, 3),
            weights=self.weights[used],
            colour=self.colour[used],
        )


def normals_of(vertices_m: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    """(V, 3) unit vertex normals, area weighted; zero where a vertex has no area."""
    a, b, c = (vertices_m[triangles[:, k]] for k in range(3))
    face = np.cross(b - a, c - a)
    total = np.zeros_like(vertices_m)
    for k in range(3):
        np.add.at(total, triangles[:, k], face)
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)


def from_mesh(mesh: Mesh, material: int) -> Piece:
    """A white piece from a body's mesh."""
    dense = np.zeros((len(mesh.vertices_m), _BONES))
    np.add.at(dense, (np.arange(len(dense))[:, None], mesh.bones), mesh.weights)
    return Piece(
        vertices_m=mesh.vertices_m,
        triangles=mesh.triangles,
        weights=dense,
        colour=np.ones_like(mesh.vertices_m),
        material=material,
    )


def clip(piece: Piece, field: np.ndarray) -> Piece:
    """The part where ``field`` (V,) is positive, triangles cut cleanly at its zero."""
    inside = field > 0
    count = inside[piece.triangles].sum(axis=1)
    whole, cut = piece.triangles[count == 3], piece.triangles[(count == 1) | (count == 2)]
    # Turn each cut triangle so that its odd corner comes first.
    odd = np.where(inside[cut].sum(axis=1) == 1, 1, 0)
    first = np.argmax(inside[cut] == odd[:, None], axis=1)
    turned = np.stack(
        [np.take_along_axis(cut, (first[:, None] + k) % 3, 1)[:, 0] for k in range(3)]
    )
    a, b, c = turned
    edges, index = np.unique(
        np.sort(np.concatenate([np.stack([a, b], 1), np.stack([a, c], 1)]), axis=1),
        axis=0,
        return_inverse=True,
    )
    index = index.reshape(-1) + len(field)
    ab, ac = index[: len(a)], index[len(a) :]
    lone, pair = odd == 1, odd == 0
    triangles = np.concatenate(
        [
            whole,
            np.stack([a[lone], ab[lone], ac[lone]], 1),
            np.stack([ab[pair], b[pair], c[pair]], 1),
            np.stack([ab[pair], c[pair], ac[pair]], 1),
        ]
    )
    low, high = field[edges[:, 0]], field[edges[:, 1]]
    share = (low / np.where(low == high, 1.0, low - high))[:, None]

    def extended(values: np.ndarray) -> np.ndarray:
        return np.concatenate(
            [values, values[edges[:, 0]] * (1 - share) + values[edges[:, 1]] * share]
        )

    whole_piece = replace(
        piece,
        vertices_m=extended(piece.vertices_m),
        weights=extended(piece.weights),
        colour=extended(piece.colour),
        triangles=triangles,
    )
    return whole_piece.only(np.ones(len(whole_piece.vertices_m), bool))


def smooth(piece: Piece, rounds: int, amount: np.ndarray | float = 0.5) -> Piece:
    """Laplacian smoothing; vertices on an open edge move along that edge only.

    ``amount`` is the share of the way to the neighbours' mean in each round, (V,) or one number.
    """
    n = len(piece.vertices_m)
    edges = np.concatenate([piece.triangles[:, [i, (i + 1) % 3]] for i in range(3)])
    both = np.concatenate([edges, edges[:, ::-1]])
    times = coo_matrix((np.ones(len(both)), both.T), shape=(n, n)).tocsr()
    rim = times.multiply(times == 1)
    on_rim = np.asarray(rim.sum(axis=1)).ravel() > 0
    links = (times > 0).astype(float).multiply(~on_rim[:, None]) + (rim > 0).astype(float)
    degree = np.maximum(np.asarray(links.sum(axis=1)).ravel(), 1)
    mean = diags(1 / degree) @ links
    points, step = piece.vertices_m, np.reshape(amount, (-1, 1))
    for _ in range(rounds):
        points = points + step * (mean @ points - points)
    return piece.moved(points)


def join_weights(count: int, bone_weights: dict[str, np.ndarray | float]) -> np.ndarray:
    """(count, S) dense weights from bone name to weight, one number or (count,)."""
    weights = np.zeros((count, _BONES))
    for bone, weight in bone_weights.items():
        weights[:, SKIN_BONES.index(bone)] = weight
    return weights


def loft(
    rings_m: np.ndarray,
    *,
    bone_weights: dict[str, np.ndarray | float],
    material: int,
    closed_ends: bool = True,
) -> Piece:
    """A skin over rings of equally many points.

    Parameters
    ----------
    rings_m
        (R, P, 3), each ring counter-clockwise seen from the far end.
    bone_weights
        Bone name to weight, one number or (R,) along the rings; they should sum to one.
    closed_ends
        Close the first and last ring with a fan round its middle.
    """
    count, around = rings_m.shape[:2]
    i, j = np.meshgrid(np.arange(count - 1), np.arange(around), indexing="ij")
    a, b = i * around + j, i * around + (j + 1) % around
    c, d = a + around, b + around
    quads = [np.stack([a, b, d], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)]
    points = rings_m.reshape(-1, 3)
    ring_of = np.repeat(np.arange(count), around)
    if closed_ends:
        middles = rings_m[[0, -1]].mean(axis=1)
        near, far = len(points), len(points) + 1
        points, ring_of = np.concatenate([points, middles]), np.append(ring_of, [0, count - 1])
        k = np.arange(around)
        k1 = (k + 1) % around
        last = (count - 1) * around
        quads += [np.stack([k1, k, np.full(around, near)], 1)]
        quads += [np.stack([last + k, last + k1, np.full(around, far)], 1)]
    along = {bone: np.broadcast_to(w, (count,))[ring_of] for bone, w in bone_weights.items()}
    return Piece(
        vertices_m=points,
        triangles=np.concatenate(quads),
        weights=join_weights(len(points), along),
        colour=np.ones_like(points),
        material=material,
    )


def join(pieces: list[Piece]) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """All pieces as one set of vertex arrays and one index array.

    Returns
    -------
    arrays
        ``position``, ``normal``, ``colour`` (V, 3) float32; ``bones`` (V, 4) uint8; ``weights``
        (V, 4) float32 summing to one; ``material`` (V,) float32.
    triangles
        (F, 3) int32.
    """
    starts = np.cumsum([0] + [len(p.vertices_m) for p in pieces])
    triangles = np.concatenate(
        [p.triangles + s for p, s in zip(pieces, starts[:-1], strict=True)]
    ).astype(np.int32)
    weights = np.concatenate([p.weights for p in pieces])
    bones = np.argsort(-weights, axis=1)[:, :4]
    kept = np.take_along_axis(weights, bones, axis=1)
    arrays = {
        "position": np.concatenate([p.vertices_m for p in pieces]).astype(np.float32),
        "normal": np.concatenate([p.normals for p in pieces]).astype(np.float32),
        "colour": np.concatenate([p.colour for p in pieces]).astype(np.float32),
        "bones": bones.astype(np.uint8),
        "weights": (kept / kept.sum(axis=1, keepdims=True)).astype(np.float32),
        "material": np.repeat(
            [float(p.material) for p in pieces], [len(p.vertices_m) for p in pieces]
        ).astype(np.float32),
    }
    return arrays, triangles
