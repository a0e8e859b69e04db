"""Bodies of make-believe players: joints, landmarks, hands that grip, and skinning.

Body frame, in rest and for every rotation: x to the body's LEFT, y BACKWARD (the face looks
along −y), z up, feet on z = 0, metres. A player who faces along the world's +y therefore has a
pelvis turned by 180° about z.

A pose is the place of the pelvis joint and one rotation for each joint relative to its rest
orientation, in body-aligned axes: all identities are the rest pose, the global rotation of a
joint is its parent's global rotation times its own, and a child sits at its parent's place plus
the parent's global rotation times the rest offset.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from paddlebrief.errors import RehearsalError
from paddlebrief.records import LANDMARKS
from paddlebrief.rehearsal.bake import JOINTS, PARENTS, SKIN_BONES, bake, bake_all

__all__ = ["Body", "BodySpec", "HandAxes", "Mesh", "bake_bodies", "make_body", "rotation_about"]

_LEFT_RIGHT = ("left", "right")


@dataclass(frozen=True, kw_only=True)
class BodySpec:
    """What a scenario says about a body.

    Attributes
    ----------
    age_years
        8 to 90.
    sex
        ``"female"`` or ``"male"``.
    height_m
        Standing height without shoes, 1.1 to 2.1 m.
    build
        0 slim to 1 heavy.
    appearance
        Seed of skin, hair, face and clothes; it does not change the joints.
    """

    age_years: float
    sex: Literal["female", "male"]
    height_m: float
    build: float
    appearance: int = 0

    def __post_init__(self) -> None:
        for name, low, high in (("age_years", 8, 90), ("height_m", 1.1, 2.1), ("build", 0, 1)):
            value = getattr(self, name)
            if not low <= value <= high:
                raise RehearsalError(
                    f"a body's {name} is out of range",
                    expected=f"{low} to {high}",
                    found=str(value),
                )
        if self.sex not in ("female", "male"):
            raise RehearsalError(
                "a body's sex is unknown", expected="female or male", found=str(self.sex)
            )


@dataclass(frozen=True, kw_only=True)
class Mesh:
    """A mesh that hangs on the bones.

    Attributes
    ----------
    vertices_m
        (V, 3) in the rest pose, body frame.
    triangles
        (F, 3) int, counter-clockwise seen from outside.
    bones, weights
        (V, 4) indices into ``SKIN_BONES`` and weights that sum to one.
    """

    vertices_m: np.ndarray
    triangles: np.ndarray
    bones: np.ndarray
    weights: np.ndarray


@dataclass(frozen=True, kw_only=True)
class HandAxes:
    """Where a handle lies in a gripping hand, in body-aligned axes of the rest pose.

    Attributes
    ----------
    centre_m
        (3,) middle of the handle's part inside the fist, relative to the wrist joint.
    handle
        (3,) unit vector along the handle towards the paddle's head, for a handshake grip.
    palm
        (3,) unit vector out of the palm, square to ``handle``.
    fingers
        (3,) unit vector from the wrist to the middle knuckle.
    """

    centre_m: np.ndarray
    handle: np.ndarray
    palm: np.ndarray
    fingers: np.ndarray


def rotation_about(axis: np.ndarray, angle_rad: np.ndarray | float) -> np.ndarray:
    """(…, 3, 3) right-handed rotations about unit ``axis`` (…, 3) (Rodrigues' formula)."""
    axis = np.asarray(axis, dtype=float)
    angle = np.asarray(angle_rad, dtype=float)[..., None, None]
    x, y, z = np.moveaxis(axis, -1, 0)
    zero = np.zeros_like(x)
    cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1)
    cross = cross.reshape(*axis.shape[:-1], 3, 3)
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * (cross @ cross)


def _unit(vector: np.ndarray) -> np.ndarray:
    return vector / np.linalg.norm(vector, axis=-1, keepdims=True)


def _twist_angle(rotations: np.ndarray, axis: np.ndarray) -> np.ndarray:
    """Angle of each rotation's twist about ``axis`` (swing–twist decomposition), radians."""
    vector = np.stack(
        [
            rotations[..., 2, 1] - rotations[..., 1, 2],
            rotations[..., 0, 2] - rotations[..., 2, 0],
            rotations[..., 1, 0] - rotations[..., 0, 1],
        ],
        axis=-1,
    )
    # With the quaternion (w, v): rotation − transpose gives 4wv, and 1 + trace gives 4w².
    return 2 * np.arctan2(vector @ axis, 1 + np.trace(rotations, axis1=-2, axis2=-1))


@dataclass(frozen=True, eq=False)
class Body:
    """One body: rest joints, meshes and what follows from a pose.

    Attributes
    ----------
    spec
        What it was made from.
    joint_names, parents
        J names (``paddlebrief.rehearsal.bake.JOINTS``) and the (J,) index of each parent, −1
        for the pelvis.
    rest_joints_m
        (J, 3) joints in the rest pose, body frame.
    skin, thin_skin, eyes
        Meshes of skin, of skin with fewer triangles, and of eyeballs.
    guides
        Meshes that clothes and hair are cut from: ``tights``, ``skirt`` and ``hair``.
    """

    spec: BodySpec
    rest_joints_m: np.ndarray
    skin: Mesh
    thin_skin: Mesh
    eyes: Mesh
    guides: dict[str, Mesh] = field(repr=False)
    joint_names: tuple[str, ...] = JOINTS
    parents: np.ndarray = field(default_factory=lambda: PARENTS)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_offsets", self._landmark_offsets())

    def joint(self, name: str) -> int:
        """Index of a joint by its name."""
        return self.joint_names.index(name)

    def rest_pose(self) -> tuple[np.ndarray, np.ndarray]:
        """(3,) root position and (J, 3, 3) identities: standing on z = 0 above the origin."""
        return self.rest_joints_m[0].copy(), np.tile(np.eye(3), (len(self.joint_names), 1, 1))

    def joints(
        self, root_position_m: np.ndarray, local_rotations: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Forward kinematics.

        Parameters
        ----------
        root_position_m
            (…, 3) place of the pelvis joint.
        local_rotations
            (…, J, 3, 3) as the module's docstring says.

        Returns
        -------
        positions, rotations
            (…, J, 3) and (…, J, 3, 3), global.
        """
        local_rotations = np.asarray(local_rotations, dtype=float)
        rotations = np.empty_like(local_rotations)
        positions = np.empty(local_rotations.shape[:-1])
        positions[..., 0, :] = root_position_m
        rotations[..., 0, :, :] = local_rotations[..., 0, :, :]
        rest = self.rest_joints_m
        for j, p in enumerate(self.parents[1:], start=1):
            up = rotations[..., p, :, :]
            rotations[..., j, :, :] = up @ local_rotations[..., j, :, :]
            positions[..., j, :] = positions[..., p, :] + up @ (rest[j] - rest[p])
        return positions, rotations

    def landmark(self, name: str, positions: np.ndarray, rotations: np.ndarray) -> np.ndarray:
        """(…, 3) place of a landmark.

        Parameters
        ----------
        name
            One of the 33 of ``records.LANDMARKS`` (hips, shoulders, elbows, wrists, knees and
            ankles are the joints themselves), or ``left_hand``/``right_hand``, the middle of
            the fist.
        positions, rotations
            What ``joints`` returned.
        """
        joint, offset = self._offsets[name]
        return positions[..., joint, :] + rotations[..., joint, :, :] @ offset

    def landmarks(self, positions: np.ndarray, rotations: np.ndarray) -> np.ndarray:
        """(…, 33, 3) all landmarks in the order of ``records.LANDMARKS``."""
        points = [self.landmark(name, positions, rotations) for name in LANDMARKS]
        return np.stack(points, axis=-2)

    def hand_axes(self, side: Literal["left", "right"]) -> HandAxes:
        """Where a handle lies in the fist; turn by the wrist joint's global rotation."""
        index, middle, pinky = (self._rest(f"{side}_{f}_1") for f in ("index", "middle", "pinky"))
        wrist = self._rest(f"{side}_wrist")
        fingers = _unit(middle - wrist)
        across = _unit(index - pinky)
        palm = _unit(np.cross(across, fingers)) * (-1.0 if side == "left" else 1.0)
        knuckles = (index + pinky) / 2
        width = np.linalg.norm(index - pinky)
        centre = knuckles - wrist + 0.42 * width * palm - 0.10 * width * fingers
        # The handle leaves a handshake grip tilted towards the fingers (common practice, no
        # source): about 30° from the line of the knuckles.
        handle = across * np.cos(np.radians(30)) + fingers * np.sin(np.radians(30))
        handle = _unit(handle - palm * (handle @ palm))
        return HandAxes(centre_m=centre, handle=handle, palm=palm, fingers=fingers)

    def grip(
        self, local_rotations: np.ndarray, side: Literal["left", "right"], closed: float = 1.0
    ) -> np.ndarray:
        """A copy of the (…, J, 3, 3) rotations with one hand's fingers bent.

        ``closed`` runs from 0, as in rest, to 1, round a handle.
        """
        bent = np.array(local_rotations, dtype=float)
        axes = self.hand_axes(side)
        for finger in ("index", "middle", "ring", "pinky"):
            base, end = self._rest(f"{side}_{finger}_1"), self._rest(f"{side}_{finger}_3")
            axis = _unit(np.cross(_unit(end - base), axes.palm))
            for k, degrees in ((1, 52.0), (2, 78.0), (3, 48.0)):
                turn = rotation_about(axis, closed * np.radians(degrees))
                bent[..., self.joint(f"{side}_{finger}_{k}"), :, :] = turn
        base, end = self._rest(f"{side}_thumb_2"), self._rest(f"{side}_thumb_3")
        towards = self._rest(f"{side}_middle_1") - self._rest(f"{side}_wrist") + 0.02 * axes.palm
        inward = _unit(np.cross(_unit(end - base), towards + axes.palm * 0.03))
        for k, degrees in ((1, 12.0), (2, 22.0), (3, 35.0)):
            turn = rotation_about(inward, closed * np.radians(degrees))
            bent[..., self.joint(f"{side}_thumb_{k}"), :, :] = turn
        return bent

    def skin_transforms(self, positions: np.ndarray, rotations: np.ndarray) -> np.ndarray:
        """(…, S, 3, 4) transforms of the ``SKIN_BONES`` from the rest pose to a pose.

        Twist bones carry a part of a limb's turn about its own axis, so that the skin of
        forearm, upper arm and thigh does not wring at one joint.
        """
        lead = positions.shape[:-2]
        count, rest = len(self.joint_names), self.rest_joints_m
        turns = np.empty((*lead, len(SKIN_BONES), 3, 3))
        places = np.empty((*lead, len(SKIN_BONES), 3))
        anchors = np.empty((len(SKIN_BONES), 3))
        turns[..., :count, :, :], places[..., :count, :] = rotations, positions
        anchors[:count] = rest
        shares = ("shoulder", "elbow", -0.7), ("elbow", "wrist", 0.55), ("hip", "knee", -0.6)
        limbs = [(side, *share) for share in shares for side in _LEFT_RIGHT]
        for k, (side, carrier, end, share) in enumerate(limbs, start=count):
            at, to = self.joint(f"{side}_{carrier}"), self.joint(f"{side}_{end}")
            axis = _unit(rest[to] - rest[at])
            # A positive share follows the far joint's turn, a negative one undoes the near one's.
            turned = to if share > 0 else at
            up = rotations[..., self.parents[turned], :, :]
            own = np.swapaxes(up, -1, -2) @ rotations[..., turned, :, :]
            angle = share * _twist_angle(own, axis)
            twist = rotation_about(np.broadcast_to(axis, (*lead, 3)), angle)
            turns[..., k, :, :] = rotations[..., at, :, :] @ twist
            places[..., k, :], anchors[k] = positions[..., at, :], rest[at]
        shift = places - np.einsum("...sij,sj->...si", turns, anchors)
        return np.concatenate([turns, shift[..., None]], axis=-1)

    def vertices(
        self, positions: np.ndarray, rotations: np.ndarray, mesh: Mesh | None = None
    ) -> np.ndarray:
        """(V, 3) vertices of ``mesh`` (the skin by default) in one pose, by linear blending."""
        mesh = self.skin if mesh is None else mesh
        bones = self.skin_transforms(positions, rotations)
        blended = np.einsum("vk,vkij->vij", mesh.weights, bones[mesh.bones])
        return np.einsum("vij,vj->vi", blended[..., :3], mesh.vertices_m) + blended[..., 3]

    def _rest(self, joint: str) -> np.ndarray:
        return self.rest_joints_m[self.joint(joint)]

    def _landmark_offsets(self) -> dict[str, tuple[int, np.ndarray]]:
        """Landmark → (joint, offset from it in rest axes)."""
        places = {name: (name, self._rest(name)) for name in self.joint_names}
        for side in _LEFT_RIGHT:
            wrist = f"{side}_wrist"
            for finger, joint in (("pinky", 1), ("index", 1), ("thumb", 2)):
                places[f"{side}_{finger}"] = (wrist, self._rest(f"{side}_{finger}_{joint}"))
            centre = self._rest(wrist) + self.hand_axes(side).centre_m
            places[f"{side}_hand"] = (wrist, centre)
        places |= self._face_places() | self._foot_places()
        wanted = (*LANDMARKS, *(f"{side}_hand" for side in _LEFT_RIGHT))
        return {
            name: (self.joint(places[name][0]), places[name][1] - self._rest(places[name][0]))
            for name in wanted
        }

    def _face_places(self) -> dict[str, tuple[str, np.ndarray]]:
        head = self.joint("head")
        on_head = (self.skin.bones[:, 0] == head) & (self.skin.weights[:, 0] > 0.5)
        points = self.skin.vertices_m[on_head]
        nose = points[np.argmin(points[:, 1] + 10 * np.abs(points[:, 0]))]
        places = {"nose": nose}
        for side, sign in zip(_LEFT_RIGHT, (1, -1), strict=True):
            eye = self.eyes.vertices_m[sign * self.eyes.vertices_m[:, 0] > 0]
            middle, half = eye.mean(axis=0), np.ptp(eye[:, 0]) / 2
            front = middle - [0, half, 0]
            places[f"{side}_eye"] = front
            places[f"{side}_eye_inner"] = front - [sign * 1.1 * half, -0.3 * half, 0]
            places[f"{side}_eye_outer"] = front - [-sign * 1.1 * half, -0.6 * half, 0]
            places[f"{side}_ear"] = points[np.argmax(sign * points[:, 0])]
            # The mouth lies about as far below the nose's tip as an eye is wide, its corners
            # below the pupils' inner half (proportions of drawing lessons, no source).
            corner = [sign * 0.75 * abs(middle[0]), nose[1] + 0.9 * half, nose[2] - 2.6 * half]
            places[f"mouth_{side}"] = np.array(corner)
        return {name: ("head", place) for name, place in places.items()}

    def _foot_places(self) -> dict[str, tuple[str, np.ndarray]]:
        places = {}
        skin = self.skin.vertices_m
        for side, sign in zip(_LEFT_RIGHT, (1, -1), strict=True):
            foot = skin[(sign * skin[:, 0] > 0) & (skin[:, 2] < 0.04 * self.spec.height_m)]
            places[f"{side}_heel"] = (f"{side}_ankle", foot[np.argmax(foot[:, 1])])
            places[f"{side}_foot_index"] = (f"{side}_toes", foot[np.argmin(foot[:, 1])])
        return places


def bake_bodies(wanted: Iterable[tuple[BodySpec, int]]) -> None:
    """Bake many (spec, seed) at once, so that ``make_body`` later only reads them."""
    bake_all([(_phenotype(spec, seed), spec.height_m) for spec, seed in wanted])


def make_body(spec: BodySpec, seed: int) -> Body:
    """Make a body; the same ``spec`` and ``seed`` always give the same one.

    The first bake takes seconds (the package's very first start a minute), later reads none.

    Raises
    ------
    RehearsalError
        When the package `anny` is not installed.
    """
    baked = bake(_phenotype(spec, seed), spec.height_m)

    def mesh(name: str) -> Mesh:
        used, triangles = np.unique(baked[f"triangles_{name}"], return_inverse=True)
        return Mesh(
            vertices_m=baked["vertices"][used].astype(float),
            triangles=triangles.reshape(-1, 3),
            bones=baked["bones"][used].astype(int),
            weights=baked["weights"][used].astype(float),
        )

    skins = (mesh(name) for name in ("skin", "thin_skin", "eyes"))
    guides = {name: mesh(name) for name in ("tights", "skirt", "hair")}
    return Body(spec, baked["joints"], *skins, guides)


def _phenotype(spec: BodySpec, seed: int) -> dict[str, float]:
    """The package's phenotype values for a spec.

    Ages of the package's anchors: a child of 11 at 1/3, 25 years at 2/3, 90 at 1 (the scale of
    the MakeHuman targets it is built from, from memory).
    """
    rng = np.random.default_rng([seed, 7])
    age = np.interp(spec.age_years, [1.0, 11.0, 25.0, 90.0], [0.0, 1 / 3, 2 / 3, 1.0])
    origin = rng.dirichlet(np.ones(3))
    return {
        "gender": float((spec.sex == "female") * 0.9 + 0.05 + rng.uniform(-0.05, 0.05)),
        "age": float(age),
        "weight": float(np.clip(0.36 + 0.44 * spec.build + rng.normal(0, 0.02), 0, 1)),
        "muscle": float(np.clip(rng.normal(0.55, 0.08), 0.3, 0.85)),
        "proportions": float(rng.uniform(0.35, 0.7)),
        "cupsize": float(rng.uniform(0.3, 0.6)),
        "firmness": float(rng.uniform(0.4, 0.7)),
        **dict(zip(("african", "asian", "caucasian"), map(float, origin), strict=True)),
    }
