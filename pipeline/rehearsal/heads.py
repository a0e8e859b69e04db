"""Hair, headwear, glasses and the paint of a face, all rigid on the head joint.

Shapes and places are guesses judged by eye, anchored on the body's own landmarks.
"""

from typing import Literal

import numpy as np

from paddlebrief.rehearsal.bodies import Body
from paddlebrief.rehearsal.meshes import Piece, clip, from_mesh, join_weights, loft, smooth

__all__ = [
    "HairStyle",
    "Headwear",
    "glasses",
    "hair",
    "headwear",
    "painted_eyes",
    "painted_skin",
    "under_hair",
]

HairStyle = Literal["shaved", "short", "tousled", "curly", "bob", "long", "ponytail", "bun"]
Headwear = Literal["none", "cap", "visor", "headband"]

_ON_HEAD = {"head": 1.0}


class _Head:
    """Measures of one head in the rest pose, metres."""

    def __init__(self, body: Body) -> None:
        places, turns = body.rest_joints_m, np.tile(np.eye(3), (len(body.joint_names), 1, 1))

        def at(name: str) -> np.ndarray:
            return body.landmark(name, places, turns)

        skin = from_mesh(body.skin, 0)
        on_head = skin.weight_of("head") > 0.5
        points = skin.vertices_m[on_head]
        self.top = points[:, 2].max()
        self.front, self.back = at("nose")[1], points[:, 1].max()
        self.eye, self.ear = at("left_eye"), at("left_ear")
        self.mouth, self.nose = (at("mouth_left") + at("mouth_right")) / 2, at("nose")
        self.mouth_half = abs(at("mouth_left")[0])
        self.brow = self.eye[2] + 0.13 * (self.top - self.eye[2])
        self.chin = points[np.abs(points[:, 0]) < 0.02, 2].min()
        self.length = self.top - self.chin

    def along(self, y: np.ndarray) -> np.ndarray:
        """0 at the nose's tip to 1 at the back of the head."""
        return (y - self.front) / (self.back - self.front)

    def hairline(self, points: np.ndarray) -> np.ndarray:
        """(V,) height above the hairline, metres; negative below it."""
        forehead = self.eye[2] + 0.52 * (self.top - self.eye[2])
        nape = self.chin + 0.12 * self.length
        line = np.interp(
            self.along(points[:, 1]),
            [0.0, 0.30, 0.46, 0.60, 0.72, 1.0],
            [forehead, forehead - 0.004, self.ear[2] + 0.02, self.ear[2] - 0.01, nape + 0.02, nape],
        )
        return points[:, 2] - line


def under_hair(piece: Piece, body: Body) -> np.ndarray:
    """(V,) bool: skin that hair hides."""
    inner = _Head(body).hairline(piece.vertices_m) > 0.014
    return inner & (piece.weight_of("head", "neck") > 0.5)


def _scalp(body: Body, head: _Head, material: int) -> Piece:
    skin = from_mesh(body.thin_skin, material)
    on_head = skin.weight_of("head", "neck") > 0.5
    field = np.where(on_head, head.hairline(skin.vertices_m), -1.0)
    piece = clip(skin, field)
    # Smoothing wipes out the ears.
    piece = smooth(piece, 6)
    return Piece(**{**vars(piece), "weights": join_weights(len(piece.vertices_m), _ON_HEAD)})


def _band(head: _Head, points: np.ndarray) -> np.ndarray:
    """(V,) height above the lower edge of headwear, metres."""
    return points[:, 2] - (head.brow + 0.024 - 0.16 * (points[:, 1] - head.front))


def hair(
    body: Body,
    *,
    style: HairStyle,
    thickness: float,
    wear: Headwear,
    seed: int,
    material: int,
) -> list[Piece]:
    """Hair of a style; ``thickness`` 0 thin to 1 thick; pressed flat under ``wear``."""
    head, rng = _Head(body), np.random.default_rng([seed, 3])
    scalp = _scalp(body, head, material)
    above = _band(head, scalp.vertices_m)
    if wear == "cap":
        scalp = clip(scalp, 0.012 - above)
    line = np.clip(head.hairline(scalp.vertices_m) / 0.035, 0, 1)
    crown = np.clip((scalp.vertices_m[:, 2] - head.ear[2]) / (head.top - head.ear[2]), 0, 1)
    depth = {"shaved": 0.004, "curly": 0.034, "tousled": 0.024}.get(style, 0.014)
    rough = {"shaved": 0.0, "curly": 0.006, "tousled": 0.005}.get(style, 0.003)
    depth *= 0.7 + 0.6 * thickness
    bumps = _bumps(scalp.vertices_m, rng, 0.022 if style == "curly" else 0.035)
    out = line**0.6 * (depth * (0.6 + 0.4 * crown) + rough * bumps) + 0.003
    if wear in ("visor", "headband"):
        out = np.where((above > -0.01) & (above < 0.06), 0.012, out)
    pieces = [scalp.offset(out)]
    if style in ("bob", "long"):
        pieces.append(_curtain(body, head, style, rng, material))
    if style == "ponytail":
        pieces.append(_tail(head, rng, material))
    if style == "bun":
        middle = [0, head.back - 0.005, head.ear[2] + 0.25 * head.length]
        pieces.append(_ball(np.array(middle), 0.032 + 0.012 * thickness, material))
    return pieces


def _bumps(points: np.ndarray, rng: np.random.Generator, size_m: float) -> np.ndarray:
    """(V,) smooth noise of about unit size over places, from a few random waves."""
    waves = rng.normal(0, 2 * np.pi / size_m / 2.5, (10, 3))
    phase = rng.uniform(0, 2 * np.pi, 10)
    return np.sin(points @ waves.T + phase).sum(axis=1) / np.sqrt(5)


def _curtain(body: Body, head: _Head, style: str, rng, material: int) -> Piece:
    """Hanging hair from the guide mesh, opened round the face and cut to length."""
    piece = from_mesh(body.guides["hair"], material)
    points = piece.vertices_m
    low = head.chin - (0.0 if style == "bob" else rng.uniform(0.08, 0.2))
    open_face = head.along(points[:, 1]) - 0.42
    above = points[:, 2] - (head.eye[2] + 0.62 * (head.top - head.eye[2]))
    piece = clip(piece, np.minimum(np.maximum(open_face, above), points[:, 2] - low))
    wide = 1.0 + 0.04 * rng.uniform()
    points = piece.vertices_m * np.array([wide, 1, 1])
    return Piece(
        **{**vars(piece), "vertices_m": points, "weights": join_weights(len(points), _ON_HEAD)}
    ).offset(0.008)


def _tail(head: _Head, rng: np.random.Generator, material: int) -> Piece:
    length = rng.uniform(0.16, 0.32)
    root = np.array([0, head.back - 0.025, head.ear[2] + rng.uniform(0.15, 0.35) * head.length])
    share = np.linspace(0, 1, 9)
    middle = root + np.stack(
        [
            0 * share,
            0.075 * np.sin(np.minimum(share * 3, np.pi / 2)),
            0.03 * share - length * share**1.4,
        ],
        axis=1,
    )
    radius = 0.012 + 0.022 * np.sin(np.pi * np.clip(share * 0.9 + 0.1, 0, 1)) ** 0.7
    turn = np.linspace(0, 2 * np.pi, 10, endpoint=False)
    axis = np.gradient(middle, axis=0)
    axis /= np.linalg.norm(axis, axis=1, keepdims=True)
    side = np.array([1.0, 0, 0])
    other = np.cross(axis, side)
    rings = middle[:, None] + radius[:, None, None] * (
        np.cos(turn)[None, :, None] * side + np.sin(turn)[None, :, None] * other[:, None]
    )
    return loft(rings, bone_weights=_ON_HEAD, material=material)


def _ball(middle: np.ndarray, radius: float, material: int) -> Piece:
    down = np.linspace(0.15, np.pi - 0.15, 8)
    turn = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    ring = np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    rings = middle + radius * (
        np.sin(down)[:, None, None] * ring - np.cos(down)[:, None, None] * np.array([0, 0, 1.0])
    )
    return loft(rings, bone_weights=_ON_HEAD, material=material)


def headwear(body: Body, *, kind: Headwear, material: int) -> list[Piece]:
    """A cap, a visor or a headband; nothing for ``"none"``."""
    if kind == "none":
        return []
    head = _Head(body)
    skin = _scalp(body, head, material)
    above = _band(head, skin.vertices_m)
    height = {"cap": 1.0, "visor": 0.042, "headband": 0.05}[kind]
    shell = clip(skin, np.minimum(above, height - above))
    shell = smooth(shell, 8 if kind == "cap" else 2).offset(0.018)
    return [shell] if kind == "headband" else [shell, _brim(head, shell, material)]


def _brim(head: _Head, shell: Piece, material: int) -> Piece:
    """The brim: a curved tongue from the front of the band, closed above and below."""
    front = shell.vertices_m[shell.vertices_m[:, 1] < np.median(shell.vertices_m[:, 1])]
    half = np.abs(shell.vertices_m[:, 0]).max()
    middle_y = np.median(shell.vertices_m[:, 1])
    reach = middle_y - front[:, 1].min()
    z = front[front[:, 1] < front[:, 1].min() + 0.03, 2].min() + 0.006
    angle = np.radians(np.linspace(-68, 68, 15))
    out = np.linspace(0, 1, 4)
    rim = np.stack([half * np.sin(angle), middle_y - reach * np.cos(angle)], axis=1)
    tongue = 0.072 * np.cos(angle * 90 / 70) ** 0.6
    x = rim[None, :, 0] * (1 + 0.04 * out[:, None])
    y = rim[None, :, 1] - out[:, None] * tongue
    drop = 0.20 * out[:, None] * tongue + 2.2 * x**2
    top = np.stack([x, y, z + 0.004 - drop], axis=-1)
    under = top - np.array([0, 0, 0.006])
    # Rings run round each cut of the tongue: out along the top, back along the underside.
    rings = np.concatenate([top, under[::-1]]).transpose(1, 0, 2)
    return loft(rings, bone_weights=_ON_HEAD, material=material)


def glasses(body: Body, *, material: int) -> list[Piece]:
    """Two dark lenses and their temples."""
    head = _Head(body)
    turn = np.linspace(0, 2 * np.pi, 14, endpoint=False)
    pieces = []
    for side in (1, -1):
        middle = np.array(
            [side * abs(head.eye[0]) * 1.05, head.eye[1] - 0.016, head.eye[2] - 0.003]
        )
        oval = np.stack([0.027 * np.cos(turn), 0 * turn, 0.020 * np.sin(turn)], axis=1)
        oval[:, 1] = 0.35 * np.abs(oval[:, 0]) * (side * oval[:, 0] > 0)
        rings = np.stack([middle + oval + [0, 0.004, 0], middle + oval])
        pieces.append(loft(rings, bone_weights=_ON_HEAD, material=material))
        start = middle + np.array([side * 0.026, 0.008, 0.006])
        end = np.array([side * (abs(head.ear[0]) - 0.004), head.ear[1], head.ear[2] + 0.018])
        square = 0.0025 * np.array([[-1, 0, -1], [1, 0, -1], [1, 0, 1], [-1, 0, 1]])
        pieces.append(
            loft(np.stack([start + square, end + square]), bone_weights=_ON_HEAD, material=material)
        )
    return pieces


def painted_skin(piece: Piece, body: Body, *, brow: np.ndarray, beard: float, lips: float) -> Piece:
    """Skin with eyebrows of colour ``brow`` (3,), a beard 0 to 1 and lips 0 to 1, as tints."""
    head = _Head(body)
    p, colour = piece.vertices_m, piece.colour.copy()
    face = (piece.weight_of("head") > 0.5) & (head.along(p[:, 1]) < 0.5)

    def oval(x: float, z: float, wide: float, high: float) -> np.ndarray:
        d = ((np.abs(p[:, 0]) - x) / wide) ** 2 + ((p[:, 2] - z) / high) ** 2
        return face * np.clip(1.6 - d, 0, 1)

    def mix(share: np.ndarray, tint: np.ndarray) -> None:
        colour[:] = colour * (1 - share[:, None]) + tint * share[:, None]

    jaw = face * np.clip((head.nose[2] - 0.012 - p[:, 2]) / 0.01, 0, 1)
    jaw *= np.clip((head.along(p[:, 1]) + 0.5 * (p[:, 2] < head.mouth[2])) / 0.05, 0, 1)
    mix(0.85 * beard * jaw, brow)
    mix(
        0.75 * oval(0, head.mouth[2], head.mouth_half, 0.009),
        np.array([0.9, 0.45 - 0.2 * lips, 0.42]),
    )
    mix(0.9 * oval(abs(head.eye[0]), head.brow, 0.022, 0.0055), brow)
    mix(0.55 * oval(abs(head.eye[0]), head.eye[2], 0.019, 0.008), np.array([0.35, 0.28, 0.26]))
    return Piece(**{**vars(piece), "colour": colour})


def painted_eyes(body: Body, *, iris: np.ndarray, material: int) -> Piece:
    """Eyeballs with an iris of colour ``iris`` (3,)."""
    piece = from_mesh(body.eyes, material)
    p, colour = piece.vertices_m, piece.colour.copy()
    for side in (1, -1):
        own = side * p[:, 0] > 0
        middle, half = p[own].mean(axis=0), np.ptp(p[own, 0]) / 2
        off_axis = np.hypot(p[:, 0] - middle[0], p[:, 2] - middle[2]) / half
        front = own & (p[:, 1] < middle[1]) & (off_axis < 0.55)
        colour[front] = iris
    return Piece(**{**vars(piece), "colour": colour})
