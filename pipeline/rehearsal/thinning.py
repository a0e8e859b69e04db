"""Fewer triangles for a mesh that is seen from afar, its vertices kept as they are."""

import numpy as np

__all__ = ["thinned"]


def thinned(
    vertices_m: np.ndarray, triangles: np.ndarray, *, target: int, care: np.ndarray
) -> np.ndarray:
    """Triangles over a subset of the vertices that keep a mesh's shape.

    Edges are collapsed onto one of their ends, those first whose end lies closest to the planes
    round the other (quadric error, Garland & Heckbert 1997), in rounds of edges that do not
    touch each other. Open edges stay.

    Parameters
    ----------
    vertices_m
        (V, 3).
    triangles
        (F, 3) int.
    target
        Number of triangles to stop at, or a little above when nothing more can go.
    care
        (V,) weight of errors at each vertex; higher keeps more detail.

    Returns
    -------
    (G, 3) int
        Triangles into the same vertices.
    """
    while len(triangles) > target:
        fewer = _collapsed(vertices_m, triangles, care, len(triangles) - target)
        if len(fewer) > 0.995 * len(triangles):
            return fewer
        triangles = fewer
    return triangles


def _collapsed(points: np.ndarray, triangles: np.ndarray, care: np.ndarray, spare: int):
    """One round of collapses, at most ``spare`` triangles fewer."""
    cost, source, goal = _candidates(points, triangles, care)
    order = np.argsort(cost)
    order = order[cost[order] <= np.quantile(cost, 0.25)]
    around = _neighbours(triangles, len(points))
    taken = np.zeros(len(points), bool)
    moved = np.arange(len(points))
    gone = 0
    for k in order:
        a, b = source[k], goal[k]
        # Two edges' rings must not touch, or their flips could not be told apart.
        if gone >= spare or taken[a] or taken[b] or taken[around[a]].any():
            continue
        # A sound collapse shares just the two vertices opposite the edge.
        if len(np.intersect1d(around[a], around[b], assume_unique=True)) != 2:
            continue
        taken[a] = taken[b] = True
        taken[around[a]] = True
        moved[a] = b
        gone += 2
    moved = _without_flips(points, triangles, moved)
    after = moved[triangles]
    sound = (
        (after[:, 0] != after[:, 1]) & (after[:, 1] != after[:, 2]) & (after[:, 2] != after[:, 0])
    )
    return after[sound]


def _candidates(points: np.ndarray, triangles: np.ndarray, care: np.ndarray):
    """Cost of moving each edge's first end onto its second, and the ends; open edges left out."""
    a, b, c = (points[triangles[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    area = np.linalg.norm(normal, axis=1, keepdims=True)
    unit = normal / np.maximum(area, 1e-12)
    plane = np.concatenate([unit, -np.sum(unit * a, axis=1, keepdims=True)], axis=1)
    quadric = plane[:, :, None] * plane[:, None, :] * area[..., None]
    total = np.zeros((len(points), 4, 4))
    for k in range(3):
        np.add.at(total, triangles[:, k], quadric)
    edges = np.concatenate([triangles[:, [i, (i + 1) % 3]] for i in range(3)])
    both, count = np.unique(np.sort(edges, axis=1), axis=0, return_counts=True)
    rim = np.zeros(len(points), bool)
    rim[both[count == 1]] = True
    source, goal = np.concatenate([both, both[:, ::-1]]).T
    free = ~rim[source]
    source, goal = source[free], goal[free]
    to = np.concatenate([points[goal], np.ones((len(goal), 1))], axis=1)
    error = np.einsum("ei,eij,ej->e", to, total[source], to)
    length = np.linalg.norm(points[source] - points[goal], axis=1)
    # A little of the length keeps flat parts evenly meshed.
    return (np.maximum(error, 0) + 1e-3 * length**4) * care[source] ** 2, source, goal


def _neighbours(triangles: np.ndarray, count: int) -> list[np.ndarray]:
    edges = np.concatenate([triangles[:, [i, j]] for i in range(3) for j in range(3) if i != j])
    edges = np.unique(edges, axis=0)
    starts = np.searchsorted(edges[:, 0], np.arange(count + 1))
    return [edges[starts[v] : starts[v + 1], 1] for v in range(count)]


def _without_flips(points: np.ndarray, triangles: np.ndarray, moved: np.ndarray) -> np.ndarray:
    """Collapses undone that would turn a triangle over or fold it sharply."""

    def normals(index: np.ndarray) -> np.ndarray:
        a, b, c = (points[index[:, k]] for k in range(3))
        n = np.cross(b - a, c - a)
        return n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-12)

    after = moved[triangles]
    kept = (
        (after[:, 0] != after[:, 1]) & (after[:, 1] != after[:, 2]) & (after[:, 2] != after[:, 0])
    )
    turned = np.sum(normals(triangles[kept]) * normals(after[kept]), axis=1) < 0.3
    corners = triangles[kept][turned]
    guilty = np.unique(corners[moved[corners] != corners])
    cleaned = moved.copy()
    cleaned[guilty] = guilty
    return cleaned
