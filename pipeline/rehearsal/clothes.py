"""Clothes and shoes cut from the guide meshes of a body, in its rest pose.

The garments are shaped, not simulated: an offset of the body that hangs from its widest part,
with hems cut cleanly. Offsets and slacks are guesses that were judged by eye.
"""

from typing import Literal

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from paddlebrief.rehearsal.bodies import Body, Mesh
from paddlebrief.rehearsal.meshes import Piece, clip, from_mesh, join_weights, loft, smooth

__all__ = ["bare_skin", "legwear", "shirt", "shoes", "skirt", "socks"]

_SIDES = ("left", "right")


def _limb_share(piece: Piece, body: Body, limb: Literal["arm", "leg"]) -> np.ndarray:
    """(V,) way along a limb: 0 at its root, 1 at elbow or knee, 2 at wrist or ankle; ≤ 0 off it.

    The share is scaled by how much a vertex belongs to the limb, so that the trunk stays near 0.
    """
    chain = ("shoulder", "elbow", "wrist") if limb == "arm" else ("hip", "knee", "ankle")
    shared = ("upper_arm_root", "forearm_end") if limb == "arm" else ("thigh_root",)
    ends = () if limb == "arm" else ("toes",)
    total = np.zeros(len(piece.vertices_m))
    for side in _SIDES:
        bones = [f"{side}_{name}" for name in (*chain, *shared, *ends)]
        belongs = piece.weight_of(*bones)
        root, middle, end = (body.rest_joints_m[body.joint(f"{side}_{j}")] for j in chain)
        along = np.zeros(len(piece.vertices_m))
        for a, b in ((root, middle), (middle, end)):
            axis = (b - a) / ((b - a) @ (b - a))
            part = (piece.vertices_m - a) @ axis
            low = -0.5 if a is root else 0.0
            high = 1.0 if a is root else 1.6
            along += np.clip(part, low, high)
        total += along * belongs
    return total


def _torso_envelope(piece: Piece, arm: np.ndarray, slope: float) -> np.ndarray:
    """(V,) radius about the trunk's axis at which cloth hangs that touches only above.

    ``slope`` is how fast the cloth falls back inwards below a bulge, metres in a metre.
    """
    points, trunk = piece.vertices_m, arm < 0.02
    axis_y = np.median(points[trunk, 1])
    angle = np.arctan2(points[:, 0], points[:, 1] - axis_y)
    radius = np.hypot(points[:, 0], points[:, 1] - axis_y)
    low, high = points[trunk, 2].min(), points[trunk, 2].max()
    across, down = 48, 28
    col = (angle / (2 * np.pi) % 1.0) * across
    row = (high - points[:, 2]) / (high - low) * (down - 1)
    grid = np.zeros((down, across))
    inside = trunk & (points[:, 2] < high)
    at = np.clip(np.round(row[inside]).astype(int), 0, down - 1), np.round(col[inside]).astype(int)
    np.maximum.at(grid, (at[0], at[1] % across), radius[inside])
    grid = _filled(grid)
    step = (high - low) / (down - 1)
    for k in range(1, down):
        grid[k] = np.maximum(grid[k], grid[k - 1] - slope * step)
    grid = gaussian_filter(grid, (1.0, 1.5), mode=("nearest", "wrap"))
    wrapped = np.concatenate([grid, grid[:, :1]], axis=1)
    return map_coordinates(wrapped, [np.clip(row, 0, down - 1), col], order=1, mode="nearest")


def _filled(grid: np.ndarray) -> np.ndarray:
    """Zero cells replaced by the mean of their filled neighbours, until none is left."""
    grid = grid.copy()
    while (empty := grid == 0).any() and not empty.all():
        known = (~empty).astype(float)
        total = gaussian_filter(grid, 1.0, mode=("nearest", "wrap"))
        share = gaussian_filter(known, 1.0, mode=("nearest", "wrap"))
        grid[empty & (share > 1e-3)] = (total / np.maximum(share, 1e-9))[empty & (share > 1e-3)]
    return grid


def _pushed_out(piece: Piece, radius: np.ndarray, arm: np.ndarray) -> Piece:
    """Trunk vertices moved out to at least ``radius`` about the trunk's axis."""
    points = piece.vertices_m.copy()
    axis_y = np.median(points[arm < 0.02, 1])
    now = np.hypot(points[:, 0], points[:, 1] - axis_y)
    armpit = points[arm > 0.1, 2].max() - 0.12 if (arm > 0.1).any() else points[:, 2].max() - 0.2
    share = np.clip(1 - arm / 0.25, 0, 1) * np.clip((armpit - points[:, 2]) / 0.08, 0, 1)
    grow = 1 + share * (np.maximum(radius, now) / np.maximum(now, 1e-6) - 1)
    points[:, 0] *= grow
    points[:, 1] = axis_y + (points[:, 1] - axis_y) * grow
    return piece.moved(points)


def shirt(
    body: Body, *, sleeve: float, slack_m: float, hem_m: float, material: int, sleeve_material: int
) -> list[Piece]:
    """A shirt.

    Parameters
    ----------
    sleeve
        End of the sleeve: 0.05 none, about 0.55 short, 1.95 long (see the limb's share: 1 is the
        elbow, 2 the wrist).
    slack_m
        How far the cloth stands off, 0.004 tight to 0.03 loose, metres.
    hem_m
        Height of the hem above the ground, metres.
    material, sleeve_material
        Indices of the materials of trunk and sleeves.
    """
    piece = from_mesh(body.guides["tights"], material)
    arm = _limb_share(piece, body, "arm")
    hem = piece.vertices_m[:, 2] - hem_m + 9 * (arm > 0.3)
    piece = clip(piece, np.minimum(np.minimum(sleeve - arm, hem), _outside_collar(piece, body)))
    piece = smooth(piece, 5)
    arm = _limb_share(piece, body, "arm")
    envelope = _torso_envelope(piece, arm, slope=0.75 - 20 * slack_m)
    sleeve_room = 0.4 * np.clip(arm / max(sleeve, 0.3), 0, 1) if sleeve < 1 else 0.0
    low = np.clip((body.rest_joints_m[0, 2] + 0.2 - piece.vertices_m[:, 2]) / 0.3, 0, 1)
    piece = _pushed_out(piece.offset(0.004), envelope + 0.004, arm)
    piece = piece.offset(slack_m * (0.25 + 0.5 * low + sleeve_room) + 0.003)
    piece = smooth(piece, 2)
    arm = _limb_share(piece, body, "arm")
    trunk = clip(piece, 0.12 - arm)
    sleeves = clip(piece, arm - 0.12)
    return [trunk, Piece(**{**vars(sleeves), "material": sleeve_material})]


def _outside_collar(piece: Piece, body: Body) -> np.ndarray:
    """(V,) distance outside a round collar about the neck, metres; negative inside it."""
    neck = body.rest_joints_m[body.joint("neck")]
    scale = body.spec.height_m / 1.75
    x, y, z = piece.vertices_m.T
    field = np.hypot(x / 1.05, y - neck[1] + 0.016 * scale) - 0.088 * scale
    field = np.minimum(field, neck[2] + 0.01 * scale - z)
    return np.where(z > neck[2] - 0.15 * scale, field, 1.0)


def legwear(
    body: Body, *, leg: float, slack_m: float, waist_m: float, material: int
) -> list[Piece]:
    """Shorts or trousers.

    Parameters
    ----------
    leg
        End of the legs: 0.5 short shorts, 0.8 long ones, 1.9 trousers (1 knee, 2 ankle).
    slack_m
        How far the cloth stands off at the end of the legs, metres.
    waist_m
        Height of the waistband above the ground, metres.
    """
    piece = from_mesh(body.guides["tights"], material)
    arm, along = _limb_share(piece, body, "arm"), _limb_share(piece, body, "leg")
    keep = np.minimum(leg - along, waist_m - piece.vertices_m[:, 2]) - 9 * (np.abs(arm) > 0.2)
    piece = smooth(clip(piece, keep), 8)
    along = np.clip(_limb_share(piece, body, "leg") / max(leg, 0.4), 0, 1)
    flat = piece.normals * np.array([1, 1, 0.15])
    out = 0.003 + (slack_m + 0.005) * along**0.6
    return [piece.moved(piece.vertices_m + flat * out[:, None])]


def skirt(
    body: Body, *, hem_m: float, flare: float, waist_m: float, pleats: int, material: int
) -> list[Piece]:
    """A sport skirt.

    Parameters
    ----------
    hem_m, waist_m
        Heights above the ground, metres.
    flare
        Extra radius for a metre of depth below the waist.
    pleats
        Number of folds round the hem; 0 is plain.
    """
    piece = from_mesh(body.guides["skirt"], material)
    z = piece.vertices_m[:, 2]
    piece = smooth(clip(piece, np.minimum(z - hem_m, waist_m - z)), 2)
    points = piece.vertices_m.copy()
    middle = np.array([0.0, np.median(points[:, 1])])
    spoke = points[:, :2] - middle
    radius = np.linalg.norm(spoke, axis=1, keepdims=True)
    depth = np.maximum(waist_m - points[:, 2], 0)[:, None]
    angle = np.arctan2(spoke[:, 1], spoke[:, 0])[:, None]
    fold = 0.055 * depth * np.cos(pleats * angle) if pleats else 0.0
    points[:, :2] = middle + spoke / radius * (radius + 0.016 + flare * depth + fold)
    # Cloth between the legs follows neither thigh fully.
    side = np.clip(0.5 + points[:, 0] / 0.30, 0, 1)
    follow = np.clip((waist_m - 0.10 - points[:, 2]) / 0.22, 0, 0.85)
    weights = join_weights(
        len(points),
        {"pelvis": 1 - follow, "left_hip": follow * side, "right_hip": follow * (1 - side)},
    )
    return [Piece(**{**vars(piece), "vertices_m": points, "weights": weights})]


def socks(body: Body, *, height: float, material: int) -> list[Piece]:
    """Socks up to ``height``: 0 at the ankle joint, 0.3 mid-shin."""
    piece = from_mesh(body.guides["tights"], material)
    along = _limb_share(piece, body, "leg")
    ankle_m = body.rest_joints_m[body.joint("left_ankle"), 2]
    above = piece.vertices_m[:, 2] - (ankle_m - 0.015)
    return [clip(piece, np.minimum(along - (1.93 - height), above)).offset(0.004)]


def shoes(body: Body, *, upper_material: int, sole_material: int) -> list[Piece]:
    """A pair of sport shoes whose soles reach 2 cm below the bare foot."""
    pieces = []
    for side in _SIDES:
        frame = _foot_frame(body, side)
        count, around = len(frame["along"]), 14
        turn = np.linspace(0, 2 * np.pi, around, endpoint=False)
        wide = np.sign(np.cos(turn)) * np.abs(np.cos(turn)) ** 0.7
        high = np.sign(np.sin(turn)) * np.abs(np.sin(turn)) ** 0.8
        toe = np.clip((frame["along"] - frame["ball"]) / 0.03 + 0.5, 0, 1)
        bones = {f"{side}_ankle": 1 - toe, f"{side}_toes": toe}
        for low, top, grow, material in (
            (np.full(count, -0.006), frame["top"], 1.0, upper_material),
            (np.full(count, -0.020), np.full(count, 0.009), 1.07, sole_material),
        ):
            lift = 0.012 * np.clip(frame["along"] / frame["along"][-1] * 4 - 3, 0, 1) ** 2
            across = frame["middle"][:, None] + frame["half"][:, None] * grow * wide
            height = ((top + low) / 2 + lift)[:, None] + ((top - low) / 2)[:, None] * high
            rings = (
                frame["heel"]
                + frame["along"][:, None, None] * frame["forward"]
                + across[..., None] * frame["across"]
                + height[..., None] * np.array([0, 0, 1.0])
            )
            pieces.append(loft(rings, bone_weights=bones, material=material))
    return pieces


def _foot_frame(body: Body, side: str) -> dict[str, np.ndarray]:
    """Slices of one foot from heel to toe: how wide, where its middle and how high its top."""
    sign = 1 if side == "left" else -1
    skin = body.skin.vertices_m
    ankle = body.rest_joints_m[body.joint(f"{side}_ankle")]
    toes = body.rest_joints_m[body.joint(f"{side}_toes")]
    foot = skin[(sign * skin[:, 0] > 0) & (skin[:, 2] < ankle[2] + 0.02)]
    forward = np.append((toes - ankle)[:2], 0) / np.linalg.norm((toes - ankle)[:2])
    # Slices run heel to toe; across × height is then counter-clockwise seen from the toe.
    across = np.cross(forward, [0, 0, 1.0])
    s, t = foot @ forward, foot @ across
    start, length = s.min() - 0.006, np.ptp(s) + 0.016
    along = np.linspace(0, length, 11)
    left, right, top = np.zeros((3, len(along)))
    for k, place in enumerate(along):
        near = np.abs(s - start - place) < length / 10
        near = near if near.any() else np.abs(s - start - place) < length / 7
        left[k], right[k] = t[near].min(), t[near].max()
        top[k] = min(foot[near, 2].max(), ankle[2] + 0.012)
    left, right, top = (gaussian_filter(v, 0.8, mode="nearest") for v in (left, right, top))
    end = np.sqrt(np.clip(1 - np.abs(2 * along / length - 1) ** 6, 0, 1))
    end = np.maximum(end, 0.25)
    middle, half = (left + right) / 2, ((right - left) / 2 + 0.005) * end
    return {
        "heel": forward * start,
        "forward": forward,
        "across": across,
        "along": along,
        "middle": middle,
        "half": half,
        "top": np.maximum(top + 0.008, 0.045) * (0.6 + 0.4 * end),
        "ball": (toes @ forward) - start,
    }


def bare_skin(mesh: Mesh, body: Body, *, sleeve: float, leg: float, material: int) -> Piece:
    """What clothes leave bare of a skin: no trunk, no feet, no limb well inside cloth."""
    piece = from_mesh(mesh, material)
    arm, along = _limb_share(piece, body, "arm"), _limb_share(piece, body, "leg")
    neck_m = body.rest_joints_m[body.joint("neck"), 2]
    head = (_outside_collar(piece, body) < 0.025) | (piece.vertices_m[:, 2] > neck_m)
    hand = 1 - piece.weight_of(*_trunk_and_limbs()) > 0.5
    keep = head | hand | (arm > sleeve - 0.15) & (arm > 0) | (along > leg - 0.15) & (along > 0.05)
    return piece.only(keep & (along < 1.97))


def _trunk_and_limbs() -> tuple[str, ...]:
    trunk = ("pelvis", "spine_low", "spine_mid", "spine_high", "chest", "neck", "head")
    limbs = (
        "clavicle", "shoulder", "elbow", "wrist", "hip", "knee", "ankle", "toes",
        "upper_arm_root", "forearm_end", "thigh_root",
    )  # fmt: skip
    return trunk + tuple(f"{side}_{limb}" for side in _SIDES for limb in limbs)
