"""Builds what stands still at a venue: ground and lines, net, fence or hall, trees, bystanders.

Everything beyond the rulebook's dimensions is decoration; its sizes are guesses.
"""

from dataclasses import dataclass, field

import numpy as np

from paddlebrief.rehearsal.court_dimensions import (
    COURT_LENGTH_M,
    COURT_WIDTH_M,
    LINE_WIDTH_M,
    NET_SIDE_HEIGHT_M,
    NON_VOLLEY_DEPTH_M,
    line_rectangles_m,
    net_height_m,
)
from paddlebrief.rehearsal.dress import linear
from paddlebrief.rehearsal.gear import Prop
from paddlebrief.rehearsal.meshes import normals_of
from paddlebrief.rehearsal.venue import GROUND_COLOURS, HALL_LIGHTS, VenueSettings

__all__ = ["CHAIN", "FAR_M", "Bystander", "Card", "Scenery", "build_scenery", "settled"]

FAR_M = 400.0
"""Everything drawn is nearer than this; the far clip plane lies here."""

GROUND, NET, CHAIN, LEAVES, SKY, PANEL, GRASS, LAMP, PLANKS, PLAIN = 1, 2, 3, 4, 5, 6, 7, 8, 9, 0
_NET_REACH_M = COURT_WIDTH_M / 2 + 0.30


@dataclass(frozen=True, kw_only=True)
class Card:
    """A still mesh and its kind of surface.

    ``veil`` marks see-through nets, which are laid over players behind them; ``casts`` says
    whether it throws a shadow.
    """

    prop: Prop
    kind: int
    veil: bool = False
    casts: bool = True


@dataclass(frozen=True, kw_only=True)
class Bystander:
    """A person who stands at (x, y) and looks along ``heading_rad`` (0 is +y, positive left)."""

    place_m: tuple[float, float]
    heading_rad: float
    number: int


@dataclass(frozen=True, kw_only=True)
class Scenery:
    """A venue ready to be drawn: cards, painted rectangles (n, 4) with colours, bystanders."""

    cards: tuple[Card, ...]
    rectangles_m: np.ndarray
    rectangle_colours: np.ndarray
    bystanders: tuple[Bystander, ...] = ()
    settings: VenueSettings = field(default_factory=VenueSettings)


def settled(settings: VenueSettings, seed: int) -> VenueSettings:
    """The settings with every open choice made from the seed."""
    rng = np.random.default_rng([seed, 31])
    indoor = settings.indoor
    if indoor is None:
        indoor = settings.light in HALL_LIGHTS if settings.light else rng.uniform() < 0.4
    lights = HALL_LIGHTS if indoor else ["sun", "sun", "overcast", "evening"]
    words = ["green", "blue", "grey", "red", "purple", "dark blue", "light blue"]
    court = str(rng.choice([*words, "wood", "wood"] if indoor else words))
    drawn = {
        "light": str(rng.choice(lights)),
        "court": court,
        "kitchen": str(rng.choice([court, court, *words])),
        "surround": "wood" if court == "wood" else str(rng.choice([*words, "sand"])),
        "other_lines": bool(rng.uniform() < (0.5 if indoor else 0.3)),
        "neighbours": int(rng.integers(0, 3)),
        "fence": bool(rng.uniform() < 0.8),
        "people": int(rng.integers(0, 5)),
    }
    fixed = {k: v for k, v in settings.model_dump().items() if v is not None}
    return VenueSettings(**{**drawn, **fixed, "indoor": bool(indoor)})


def build_scenery(
    settings: VenueSettings, *, eye_m: np.ndarray, seed: int, feeder_m: tuple[float, float] | None
) -> Scenery:
    """The scenery of a venue; walls and fences keep clear of the camera at ``eye_m`` (3,)."""
    chosen = settled(settings, seed)
    rng = np.random.default_rng([seed, 37])
    spacing = COURT_WIDTH_M + rng.uniform(2.6, 4.0)
    shifts = [0.0, *[spacing, -spacing][: chosen.neighbours]]
    half_x = max(abs(eye_m[0]) + 1.2, COURT_WIDTH_M / 2 + 2.5 + max(map(abs, shifts)))
    half_y = max(abs(eye_m[1]) + 1.2, COURT_LENGTH_M / 2 + rng.uniform(2.6, 5.5))
    cards, rectangles = [], _painted(chosen, shifts, rng)
    for shift in shifts:
        cards += _net(shift)
    if chosen.indoor:
        cards += _hall(half_x + rng.uniform(0.5, 5), half_y + rng.uniform(0.5, 3), chosen, rng)
    else:
        cards += _open_air(half_x, half_y, chosen, rng)
    return Scenery(
        cards=tuple(cards),
        rectangles_m=np.array([r for r, _ in rectangles]),
        rectangle_colours=np.array([c for _, c in rectangles]),
        bystanders=_bystanders(chosen, shifts, (half_x, half_y), feeder_m, rng),
        settings=chosen,
    )


def _ground(word: str) -> np.ndarray:
    return linear(GROUND_COLOURS[word])


def _painted(chosen: VenueSettings, shifts: list[float], rng) -> list[tuple]:
    """Coloured areas first, then lines, as ((x0, y0, x1, y1), colour)."""
    half_w, half_l, depth = COURT_WIDTH_M / 2, COURT_LENGTH_M / 2, NON_VOLLEY_DEPTH_M
    white, painted = linear((232, 232, 226)), []
    for shift in shifts:
        painted.append(((shift - half_w, -half_l, shift + half_w, half_l), _ground(chosen.court)))
        painted.append(((shift - half_w, -depth, shift + half_w, depth), _ground(chosen.kitchen)))
    if chosen.other_lines:
        painted += _other_game(rng)
    for shift in shifts:
        move = np.array([shift, 0, shift, 0])
        painted += [(np.array(r) + move, white) for r in line_rectangles_m().values()]
    return [(np.array(r, dtype=float), c) for r, c in painted]


def _other_game(rng) -> list[tuple]:
    """Lines of a larger court laid over this one, thinner and in another colour."""
    colour = linear(str(rng.choice(["yellow", "red", "light blue", "black"])))
    w, half_w, half_l = LINE_WIDTH_M * 0.8, rng.uniform(4.1, 5.5), rng.uniform(8.0, 11.9)
    inner = half_w - 1.37
    lines = [(x - w / 2, -half_l, x + w / 2, half_l) for x in (-half_w, -inner, inner, half_w)]
    lines += [(-half_w, y - w / 2, half_w, y + w / 2) for y in (-half_l, -6.4, 6.4, half_l)]
    lines += [(-w / 2, -6.4, w / 2, 6.4)]
    return [(line, colour) for line in lines]


def _prop(vertices, triangles, colour, shine: float = 0.02) -> Prop:
    vertices, triangles = np.asarray(vertices, dtype=float), np.asarray(triangles)
    return Prop(
        vertices_m=vertices,
        normals=normals_of(vertices, triangles),
        colour=np.tile(np.asarray(colour, dtype=float), (len(vertices), 1)),
        shine=np.full(len(vertices), shine),
        triangles=triangles,
    )


def _box(low, high, colour, shine: float = 0.02) -> Prop:
    """A box with a vertex set of its own for each face."""
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    corners, triangles = [], []
    for axis in range(3):
        for end in (0, 1):
            a, b = (axis + 1) % 3, (axis + 2) % 3
            square = [(0, 0), (1, 0), (1, 1), (0, 1)]
            face = np.empty((4, 3))
            face[:, axis] = (low, high)[end][axis]
            for k, (u, v) in enumerate(square):
                face[k, a], face[k, b] = (low, high)[u][a], (low, high)[v][b]
            start = len(corners) * 4
            quad = [[0, 1, 2], [0, 2, 3]] if end else [[0, 2, 1], [0, 3, 2]]
            triangles += (np.array(quad) + start).tolist()
            corners.append(face)
    return _prop(np.concatenate(corners), triangles, colour, shine)


def _post(x: float, y: float, height: float, radius: float, colour) -> Prop:
    turn = np.linspace(0, 2 * np.pi, 10, endpoint=False)
    ring = np.stack([x + radius * np.cos(turn), y + radius * np.sin(turn)], axis=1)
    points = np.concatenate([np.column_stack([ring, np.full(10, z)]) for z in (0.0, height)])
    k = np.arange(10)
    k1 = (k + 1) % 10
    sides = np.concatenate([np.stack([k, k1, k + 10], 1), np.stack([k1, k1 + 10, k + 10], 1)])
    return _prop(points, sides, colour, 0.15)


def _blob(middle, size, colour, rng) -> Prop:
    """A lumpy ellipsoid."""
    theta, phi = np.meshgrid(
        np.linspace(0.02, np.pi - 0.02, 14),
        np.linspace(0, 2 * np.pi, 20, endpoint=False),
        indexing="ij",
    )
    way = np.stack([np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], -1)
    way = way.reshape(-1, 3)
    lump = 1 + 0.12 * np.sin(way @ rng.normal(0, 4, (3, 5)) + rng.uniform(0, 6, 5)).sum(axis=1) / 2
    i, j = np.meshgrid(np.arange(13), np.arange(20), indexing="ij")
    a, b = i * 20 + j, i * 20 + (j + 1) % 20
    triangles = np.concatenate([np.stack([a, a + 20, b], -1), np.stack([b, a + 20, b + 20], -1)])
    return _prop(middle + way * lump[:, None] * np.asarray(size), triangles.reshape(-1, 3), colour)


def _net(shift: float) -> list[Card]:
    """The net at the rulebook's heights; its mesh is a veil, tape, strap and posts are solid."""
    x = np.linspace(-_NET_REACH_M, _NET_REACH_M, 41)
    top = np.array([net_height_m(v) for v in x])
    white, dark = linear((226, 226, 222)), linear((34, 36, 38))

    def strip(low: np.ndarray, high: np.ndarray, colour, y: float = 0.0) -> Prop:
        points = np.concatenate(
            [np.stack([x + shift, np.full_like(x, y), z], axis=1) for z in (low, high)]
        )
        k = np.arange(len(x) - 1)
        n = len(x)
        sides = np.concatenate(
            [np.stack([k, k + 1, k + n], 1), np.stack([k + 1, k + n + 1, k + n], 1)]
        )
        return _prop(points, sides, colour)

    cards = [
        Card(prop=strip(np.full_like(x, 0.03), top - 0.05, dark), kind=NET, veil=True, casts=False),
        Card(prop=strip(top - 0.051, top, white), kind=PLAIN),
        Card(
            prop=_box(
                [shift - 0.025, -0.004, 0.0], [shift + 0.025, 0.004, net_height_m(0.0)], white
            ),
            kind=PLAIN,
        ),
    ]
    for sign in (-1, 1):
        post = _post(shift + sign * _NET_REACH_M, 0.0, NET_SIDE_HEIGHT_M + 0.01, 0.03, dark)
        cards.append(Card(prop=post, kind=PLAIN))
    return cards


def _floor(half_x: float, half_y: float, colour, kind: int, z: float = 0.0) -> Card:
    corners = [
        [-half_x, -half_y, z],
        [half_x, -half_y, z],
        [half_x, half_y, z],
        [-half_x, half_y, z],
    ]
    shine = 0.10 if kind == PLANKS else 0.03
    return Card(prop=_prop(corners, [[0, 1, 2], [0, 2, 3]], colour, shine), kind=kind, casts=False)


def _open_air(half_x: float, half_y: float, chosen: VenueSettings, rng) -> list[Card]:
    cards = [_floor(half_x, half_y, _ground(chosen.surround), GROUND)]
    grass = linear((96, 122, 62)) if rng.uniform() < 0.7 else linear((150, 146, 134))
    cards.append(_floor(190, 190, grass, GRASS, -0.03))
    sky = {"sun": (132, 176, 226), "overcast": (206, 210, 216), "evening": (214, 186, 160)}
    dome = _blob(
        np.zeros(3), np.full(3, 320.0), linear(sky.get(chosen.light, (180, 200, 226))), rng
    )
    cloudy = 1.0 if chosen.light == "overcast" else float(rng.uniform(0.2, 0.9))
    dome = Prop(**{**vars(dome), "shine": np.full(len(dome.shine), cloudy)})
    cards.append(Card(prop=dome, kind=SKY, casts=False))
    if chosen.fence:
        cards += _fence(half_x, half_y, rng)
    for _ in range(int(rng.integers(16, 34))):
        cards += _tree(half_x, half_y, rng)
    for _ in range(int(rng.integers(1, 5))):
        cards.append(_building(half_x, half_y, rng))
    return [*cards, *_benches(half_x, rng)]


def _fence(half_x: float, half_y: float, rng) -> list[Card]:
    height = rng.uniform(2.4, 3.6)
    steel = linear((52, 56, 56)) if rng.uniform() < 0.6 else linear((150, 154, 154))
    screen = linear(str(rng.choice(["green", "navy", "black", "teal"]))) * 0.6
    cards, screened = [], rng.uniform() < 0.6
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [half_x, half_y]
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        wall = [[*a, 0.05], [*b, 0.05], [*b, height], [*a, height]]
        quad = [[0, 1, 2], [0, 2, 3]]
        cards.append(Card(prop=_prop(wall, quad, steel), kind=CHAIN, casts=False))
        if screened and rng.uniform() < 0.75:
            low = [[*a, 0.1], [*b, 0.1], [*b, 1.9], [*a, 1.9]]
            cards.append(Card(prop=_prop(low, quad, screen), kind=PLAIN))
        for share in np.linspace(0, 1, 1 + int(np.linalg.norm(b - a) / 3)):
            x, y = a + share * (b - a)
            cards.append(Card(prop=_post(x, y, height, 0.035, steel), kind=PLAIN))
        low, high = np.minimum(a, b) - 0.02, np.maximum(a, b) + 0.02
        rail = _box([*low, height - 0.04], [*high, height], steel)
        cards.append(Card(prop=rail, kind=PLAIN))
    return cards


def _outside(half_x: float, half_y: float, near: float, far: float, rng) -> np.ndarray:
    """(2,) a place outside the court's rectangle."""
    turn, out = rng.uniform(0, 2 * np.pi), rng.uniform(near, far)
    return np.array([np.cos(turn) * (half_x + out) * 1.3, np.sin(turn) * (half_y + out) * 1.3])


def _tree(half_x: float, half_y: float, rng) -> list[Card]:
    x, y = _outside(half_x, half_y, 4, 45, rng)
    height, wide = rng.uniform(4, 13), rng.uniform(1.3, 3.4)
    leaf = linear((rng.uniform(44, 96), rng.uniform(84, 126), rng.uniform(36, 62)))
    trunk = _post(x, y, height * 0.6, 0.14 + 0.01 * height, linear((92, 76, 60)))
    cards = [Card(prop=trunk, kind=PLAIN, casts=False)]
    for _ in range(int(rng.integers(2, 5))):
        at = np.array([x, y, height * 0.7]) + rng.normal(0, 1, 3) * [wide / 2, wide / 2, height / 9]
        crown = _blob(at, [wide, wide, height * rng.uniform(0.22, 0.38)], leaf, rng)
        cards.append(Card(prop=crown, kind=LEAVES, casts=False))
    return cards


def _building(half_x: float, half_y: float, rng) -> Card:
    x, y = _outside(half_x, half_y, 15, 60, rng)
    size = rng.uniform([6, 6, 4], [24, 20, 12]) / 2
    colour = linear(str(rng.choice(["beige", "grey", "white", "maroon", "light blue"]))) * 0.8
    low, high = [x - size[0], y - size[1], -0.1], [x + size[0], y + size[1], size[2] * 2]
    return Card(prop=_box(low, high, colour), kind=PANEL, casts=False)


def _benches(half_x: float, rng) -> list[Card]:
    cards = []
    for _ in range(int(rng.integers(0, 4))):
        x = rng.choice([-1, 1]) * (half_x - 0.5)
        y = rng.uniform(-4, 8)
        wood = linear(str(rng.choice(["beige", "grey", "navy", "green"])))
        cards.append(
            Card(prop=_box([x - 0.2, y, 0.40], [x + 0.2, y + 1.5, 0.45], wood), kind=PLAIN)
        )
        for end in (y + 0.1, y + 1.3):
            leg = _box([x - 0.18, end, 0.0], [x + 0.18, end + 0.06, 0.40], wood * 0.5)
            cards.append(Card(prop=leg, kind=PLAIN))
        bag = linear(str(rng.choice(["red", "black", "blue", "purple"])))
        cards.append(
            Card(prop=_box([x - 0.15, y + 1.7, 0], [x + 0.2, y + 2.2, 0.35], bag), kind=PLAIN)
        )
    return cards


def _hall(half_x: float, half_y: float, chosen: VenueSettings, rng) -> list[Card]:
    wood = chosen.surround == "wood"
    cards = [_floor(half_x, half_y, _ground(chosen.surround), PLANKS if wood else GROUND)]
    height = rng.uniform(7, 10)
    wall = linear(str(rng.choice(["white", "beige", "grey", "light blue"]))) * rng.uniform(
        0.5, 0.85
    )
    pad = linear(str(rng.choice(["navy", "red", "green", "black", "maroon", "blue"]))) * 0.8
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [half_x, half_y]
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        quad = [[0, 2, 1], [0, 3, 2]]
        high = [[*a, 0], [*b, 0], [*b, height], [*a, height]]
        cards.append(Card(prop=_prop(high, quad, wall), kind=PANEL, casts=False))
        if rng.uniform() < 0.6:
            low = np.array([[*a, 0], [*b, 0], [*b, 1.8], [*a, 1.8]]) * [0.995, 0.995, 1]
            cards.append(Card(prop=_prop(low, quad, pad), kind=PLAIN, casts=False))
        for _ in range(int(rng.integers(0, 3))):
            cards.append(_door(a, b, rng))
    lid = [
        [-half_x, -half_y, height],
        [half_x, -half_y, height],
        [half_x, half_y, height],
        [-half_x, half_y, height],
    ]
    cards.append(Card(prop=_prop(lid, [[0, 2, 1], [0, 3, 2]], wall * 0.7), kind=PANEL, casts=False))
    for x in np.arange(-half_x + 2, half_x - 1, 4.0):
        beam = _box([x - 0.1, -half_y, height - 0.6], [x + 0.1, half_y, height - 0.35], wall * 0.5)
        cards.append(Card(prop=beam, kind=PLAIN, casts=False))
        for y in np.arange(-half_y + 2.5, half_y - 1, 4.5):
            lamp = _box(
                [x + 1.2, y, height - 0.5], [x + 1.6, y + 1.3, height - 0.45], [2.2, 2.15, 2.0]
            )
            cards.append(Card(prop=lamp, kind=LAMP, casts=False))
    return [*cards, *_benches(half_x, rng)]


def _door(a: np.ndarray, b: np.ndarray, rng) -> Card:
    share = rng.uniform(0.1, 0.9)
    place, along = (a + share * (b - a)) * 0.992, np.abs(b - a) / np.linalg.norm(b - a)
    half = along * rng.uniform(0.5, 1.0) + 0.01
    colour = linear(str(rng.choice(["grey", "navy", "maroon", "beige"])))
    return Card(
        prop=_box([*(place - half), 0], [*(place + half), 2.1], colour, 0.1),
        kind=PLAIN,
        casts=False,
    )


def _bystanders(
    chosen: VenueSettings,
    shifts: list[float],
    half: tuple[float, float],
    feeder_m: tuple[float, float] | None,
    rng,
) -> tuple[Bystander, ...]:
    people = []
    if feeder_m is not None:
        people.append(Bystander(place_m=tuple(feeder_m), heading_rad=np.pi, number=0))
    spots = [(s + x, y) for s in shifts[1:] for x in (-1.5, 1.5) for y in (-5.5, 5.5)]
    spots += [(x, y) for x in (-half[0] + 0.7, half[0] - 0.7) for y in (-2.0, 1.5, 5.0, 8.5)]
    spots += [(x, half[1] - 0.6) for x in (-3.0, 0.5, 3.5)]
    for k in rng.permutation(len(spots))[: chosen.people]:
        place = np.array(spots[k]) + rng.uniform(-0.4, 0.4, 2)
        middle = np.array([shifts[np.argmin(np.abs(np.array(shifts) - place[0]))], 0.0])
        look = middle - place
        heading = float(np.arctan2(-look[0], look[1]) + rng.normal(0, 0.5))
        number = int(rng.integers(1, 8))
        people.append(Bystander(place_m=tuple(place), heading_rad=heading, number=number))
    return tuple(people)
