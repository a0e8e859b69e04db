"""Bakes one body from the `anny` package into plain arrays, kept in the user's cache.

`anny` (Apache-2.0 code, CC0 body data) needs torch and takes seconds to start; everything after
the bake is numpy. The arrays are in the rest pose, metres, in the body frame: x to the body's
left, y backward (the face looks along −y), z up, feet on z = 0.
"""

import hashlib
import importlib.util
import json
import logging
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from paddlebrief.errors import RehearsalError
from paddlebrief.rehearsal.thinning import thinned

__all__ = ["JOINTS", "PARENTS", "SKIN_BONES", "bake", "bake_all", "cache_folder"]

logger = logging.getLogger(__name__)

_VERSION = 5
# Triangles of a skin that is seen from a few metres or more; the face gets most of them.
_THIN = 6000
_FINGERS = ("thumb", "index", "middle", "ring", "pinky")

_TRUNK = {
    "pelvis": (None, ("root", "pelvis.L", "pelvis.R", "spine05")),
    "spine_low": ("pelvis", ("spine04",)),
    "spine_mid": ("spine_low", ("spine03",)),
    "spine_high": ("spine_mid", ("spine02",)),
    "chest": ("spine_high", ("spine01",)),
    "neck": ("chest", ("neck01", "neck02", "neck03")),
    "head": ("neck", ("head", "eye.L", "eye.R")),
}
_LIMB = {
    "clavicle": ("chest", ("clavicle", "shoulder01")),
    "shoulder": ("clavicle", ("upperarm02", "upperarm01")),
    "elbow": ("shoulder", ("lowerarm01",)),
    "wrist": ("elbow", ("wrist", "metacarpal1", "metacarpal2", "metacarpal3", "metacarpal4")),
    "hip": ("pelvis", ("upperleg02", "upperleg01")),
    "knee": ("hip", ("lowerleg01", "lowerleg02")),
    "ankle": ("knee", ("foot",)),
    "toes": ("ankle", tuple(f"toe{i}-{k}" for i in range(1, 6) for k in (1, 2, 3))),
}
# Which rig bone's head a joint sits on, where it is not the first bone listed above.
_HEAD_OF = {"shoulder": "upperarm01", "hip": "upperleg01"}
# Bones that only share the twist of a joint: rig bone → (name, carrier joint).
_TWIST = {"upperarm01": "upper_arm_root", "lowerarm02": "forearm_end", "upperleg01": "thigh_root"}


def _tree() -> dict[str, tuple[str | None, tuple[str, ...], str | None]]:
    """Joint → (parent, rig bones it moves, rig bone whose head it sits on)."""
    tree = {name: (parent, bones, bones[0]) for name, (parent, bones) in _TRUNK.items()}
    for side, letter in (("left", "L"), ("right", "R")):
        for name, (parent, bones) in _LIMB.items():
            up = parent if parent in _TRUNK else f"{side}_{parent}"
            head = None if name == "toes" else f"{_HEAD_OF.get(name, bones[0])}.{letter}"
            tree[f"{side}_{name}"] = (up, tuple(f"{b}.{letter}" for b in bones), head)
    for side, letter in (("left", "L"), ("right", "R")):
        for number, finger in enumerate(_FINGERS, start=1):
            up = f"{side}_wrist"
            for k in (1, 2, 3):
                bone = f"finger{number}-{k}.{letter}"
                tree[f"{side}_{finger}_{k}"] = (up, (bone,), bone)
                up = f"{side}_{finger}_{k}"
    return tree


_TREE = _tree()
JOINTS: tuple[str, ...] = tuple(_TREE)
"""Names of the joints: trunk, left limb, right limb, then three joints a finger."""
PARENTS: np.ndarray = np.array(
    [-1 if parent is None else JOINTS.index(parent) for parent, _, _ in _TREE.values()]
)
"""(J,) index of each joint's parent, −1 for the pelvis; parents come before their children."""
SKIN_BONES: tuple[str, ...] = JOINTS + tuple(
    f"{side}_{name}" for name in _TWIST.values() for side in ("left", "right")
)
"""Bones the mesh hangs on: the joints and six bones that share the twist of limbs."""


def cache_folder() -> Path:
    """Folder for baked bodies: ``$PADDLEBRIEF_HOME``, ``$XDG_CACHE_HOME`` or ``~/.cache``."""
    home = os.environ.get("PADDLEBRIEF_HOME")
    if home:
        return Path(home) / "bodies"
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "paddlebrief" / "bodies"


def bake(phenotype: Mapping[str, float], height_m: float) -> dict[str, np.ndarray]:
    """Meshes, joints and weights of one body; read from the cache when it was baked before.

    Parameters
    ----------
    phenotype
        `anny` phenotype values, 0 to 1, all but ``height``, which is solved for.
    height_m
        Standing height, sole to crown, metres.

    Returns
    -------
    dict
        ``vertices (V, 3)``, ``bones (V, 4)`` indices into ``SKIN_BONES``, ``weights (V, 4)``
        summing to one, ``joints (J, 3)``, and ``triangles_NAME (F, 3)`` for the parts ``skin``,
        ``thin_skin`` (the same with fewer triangles), ``eyes``, and the guides for clothes
        ``tights``, ``skirt`` and ``hair``.

    Raises
    ------
    RehearsalError
        When `anny` is not installed or fails.
    """
    path = _path(phenotype, height_m)
    if not path.exists():
        bake_all([(phenotype, height_m)])
    with np.load(path) as kept:
        return dict(kept)


def bake_all(bodies: Sequence[tuple[Mapping[str, float], float]]) -> None:
    """Bake those of several (phenotype, height_m) that are not in the cache, in one process.

    Raises
    ------
    RehearsalError
        When `anny` is not installed or fails.
    """
    wanted = [(dict(p), h) for p, h in bodies if not _path(p, h).exists()]
    if not wanted:
        return
    if importlib.util.find_spec("anny") is None:
        raise RehearsalError(
            "bodies cannot be made",
            expected="the package anny",
            found="none",
            todo="install paddlebrief[rehearse]",
        )
    logger.info("baking %d bodies", len(wanted))
    # A process of its own: torch loaded beside a software GL driver crashes the interpreter,
    # both bring an LLVM.
    command = [sys.executable, "-m", "paddlebrief.rehearsal.bake"]
    done = subprocess.run(command, input=json.dumps(wanted), text=True, capture_output=True)
    if done.returncode != 0:
        last = (done.stderr.strip() or f"exit code {done.returncode}").splitlines()[-1]
        raise RehearsalError("anny could not make a body", found=last)


def _path(phenotype: Mapping[str, float], height_m: float) -> Path:
    key = json.dumps([_VERSION, sorted(phenotype.items()), height_m])
    return cache_folder() / f"{hashlib.sha256(key.encode()).hexdigest()[:24]}.npz"


def _bake_from_stdin() -> None:
    import warp

    warp.config.log_level = warp.LOG_ERROR
    import anny

    model = anny.Anny(topology="anny-full", phenotype_blendshapes="original", phenotypes="all")
    model = model.double()
    cache_folder().mkdir(parents=True, exist_ok=True)
    for phenotype, height_m in json.load(sys.stdin):
        path = _path(phenotype, height_m)
        beside = path.with_suffix(f".{os.getpid()}.part")
        with beside.open("wb") as out:
            np.savez_compressed(out, **_bake(model, phenotype, height_m))
        beside.replace(path)


def _bake(model, phenotype: Mapping[str, float], height_m: float) -> dict[str, np.ndarray]:
    rest = _rest_at_height(model, phenotype, height_m)
    triangles = _parts(model)
    bones, weights = _reduced_weights(model)
    used = np.unique(np.concatenate([t.ravel() for t in triangles.values()]))
    new_index = np.full(len(bones), -1)
    new_index[used] = np.arange(len(used))
    on_head = ((bones == SKIN_BONES.index("head")) * weights).sum(axis=1)
    triangles["thin_skin"] = thinned(
        rest["vertices"], triangles["skin"], target=_THIN, care=1 + 5 * on_head
    )
    return {
        "vertices": rest["vertices"][used].astype(np.float32),
        "bones": bones[used].astype(np.uint8),
        "weights": weights[used].astype(np.float32),
        "joints": _joints(model.bone_labels, rest["heads"]),
        **{f"triangles_{n}": new_index[t].astype(np.int32) for n, t in triangles.items()},
    }


def _rest(model, phenotype: Mapping[str, float]) -> dict[str, np.ndarray]:
    found = model.get_rest_model(model.get_phenotype_blendshape_coefficients(**phenotype))
    return {
        "vertices": found["rest_vertices"][0].numpy(),
        "heads": found["rest_bone_heads"][0].numpy(),
    }


def _rest_at_height(model, phenotype: Mapping[str, float], height_m: float):
    """Solve the height phenotype by bisection; scale away what it cannot reach."""
    skin = np.unique(model.faces.numpy())
    low, high = 0.0, 1.0
    for _ in range(12):
        middle = (low + high) / 2
        rest = _rest(model, {**phenotype, "height": middle})
        z = rest["vertices"][skin, 2]
        low, high = (middle, high) if np.ptp(z) < height_m else (low, middle)
    scale = height_m / np.ptp(z)
    lift = np.array([0.0, 0.0, -z.min()])
    return {name: (points + lift) * scale for name, points in rest.items()}


def _parts(model) -> dict[str, np.ndarray]:
    import torch
    from anny.paths import get_anny_root_dir
    from anny.utils.obj_utils import load_obj_file

    mesh = str(get_anny_root_dir() / "data" / "mpfb2" / "3dobjs" / "base.obj")
    groups = load_obj_file(mesh, dtype=torch.float64)[2]

    def split(name: str) -> np.ndarray:
        quads = groups[name]["face_vertex_indices"].numpy()
        return np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])

    faces = model.faces.numpy()
    eyes = np.unique(np.concatenate([split("helper-l-eye"), split("helper-r-eye")]))
    tongue = np.unique(split("helper-tongue"))
    is_eye = np.isin(faces[:, 0], eyes)
    parts = {"skin": faces[~is_eye & ~np.isin(faces[:, 0], tongue)], "eyes": faces[is_eye]}
    return parts | {name: split(f"helper-{name}") for name in ("tights", "skirt", "hair")}


def _skin_bone_of(rig_bone: str) -> str:
    stem, _, letter = rig_bone.partition(".")
    if stem in _TWIST:
        return f"{'left' if letter == 'L' else 'right'}_{_TWIST[stem]}"
    return next(name for name, (_, bones, _) in _TREE.items() if rig_bone in bones)


def _reduced_weights(model) -> tuple[np.ndarray, np.ndarray]:
    """The rig's weights gathered on ``SKIN_BONES``, the four heaviest kept."""
    to_skin = np.array([SKIN_BONES.index(_skin_bone_of(b)) for b in model.bone_labels])
    index = to_skin[model.vertex_bone_indices.numpy()]
    weight = model.vertex_bone_weights.numpy()
    dense = np.zeros((len(index), len(SKIN_BONES)))
    np.add.at(dense, (np.arange(len(index))[:, None], index), weight)
    bones = np.argsort(-dense, axis=1)[:, :4]
    kept = np.take_along_axis(dense, bones, axis=1)
    return bones, kept / kept.sum(axis=1, keepdims=True)


def _joints(labels: list[str], heads: np.ndarray) -> np.ndarray:
    place = dict(zip(labels, heads, strict=True))
    joints = np.empty((len(JOINTS), 3))
    for i, (name, (_, _, head)) in enumerate(_TREE.items()):
        if head is not None:
            joints[i] = place[head]
        else:
            letter = "L" if name.startswith("left") else "R"
            joints[i] = np.mean([place[f"toe{k}-1.{letter}"] for k in range(1, 6)], axis=0)
    return joints


if __name__ == "__main__":
    _bake_from_stdin()
