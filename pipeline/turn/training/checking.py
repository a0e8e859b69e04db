"""How far off a network in training is, on bodies that it was not trained on."""

from pathlib import Path

import cv2
import numpy as np
import torch

from paddlebrief.turn.net import CIRCLE_RAD, DIRECTIONS, SEPARATION_RAD
from paddlebrief.turn.training.augmenting import augmented
from paddlebrief.turn.training.learning import Pool, outputs_of
from paddlebrief.turn.training.network import TurnModule

__all__ = ["check", "sheet", "shown", "write_strokes"]

_SHEET = 48


def check(module: TurnModule, folder: Path) -> dict[str, list[float]]:
    """Median and 90th percentile of the errors in degrees, samples at least 200 px tall.

    "mirror" is the disagreement between a sample's answer and that to its mirror image.
    """
    shards = [dict(np.load(p)) for p in sorted(folder.glob("check-*.npz"))]
    if not shards:
        return {}
    planes, scalars, labels, height = (
        np.concatenate([s[k] for s in shards]) for k in ("planes", "scalars", "labels", "height_px")
    )
    tall = height >= 200
    outputs = outputs_of(module, planes[tall], scalars[tall])
    labels = labels[tall]
    found = {}
    for k, name in enumerate(("hip", "shoulder")):
        found[name] = _spread(_round(_circular(outputs[k]) - labels[:, k]))
    other = outputs_of(module, _mirror(planes[tall]), scalars[tall])
    for k, name in enumerate(("hip", "shoulder")):
        found[f"mirror {name}"] = _spread(_round(_circular(outputs[k]) + _circular(other[k])))
    apart = _round(labels[:, 1] - labels[:, 0])
    weights = _softmax(outputs[2])
    found["separation"] = _spread(weights @ SEPARATION_RAD - apart)
    found["lines apart"] = _spread(_round(_circular(outputs[1]) - _circular(outputs[0])) - apart)
    ways = outputs[3].reshape(-1, DIRECTIONS, 4)[..., :3]
    ways = ways / np.linalg.norm(ways, axis=-1, keepdims=True)
    cosine = np.sum(ways * labels[:, 2:].reshape(-1, DIRECTIONS, 3), axis=-1)
    angle = np.arccos(np.clip(cosine, -1, 1))
    for name, columns in (("spine", [0]), ("upper arm", [1, 3]), ("forearm", [2, 4])):
        found[name] = _spread(angle[:, columns].ravel())
    return found


def _mirror(planes: np.ndarray) -> np.ndarray:
    turned = planes[..., ::-1].copy()
    turned[:, 4] = (turned[:, 4] >> 4) | ((turned[:, 4] & 15) << 4)
    return turned


def write_strokes(module: TurnModule, folder: Path, path: Path) -> None:
    """The network's answers and the truth of all filmed strokes, as ``calibrating`` reads them."""
    columns: dict[str, list[np.ndarray]] = {}

    def add(name: str, values) -> None:
        columns.setdefault(name, []).append(np.asarray(values))

    for number, file in enumerate(sorted(folder.glob("stroke-*.npz"))):
        stroke = np.load(file)
        hip, shoulder, separation, directions = outputs_of(
            module, stroke["planes"], stroke["scalars"]
        )
        count = len(hip)
        for name, logits in (("hip", hip), ("shoulder", shoulder), ("separation", separation)):
            add(name, np.log(_softmax(logits) + 1e-9).astype(np.float16))
        add("directions", directions.astype(np.float16))
        for name in ("time_s", "label", "sight_rad", "own_rad"):
            add(name, stroke[name].astype(np.float32))
        for name in ("height_px", "place", "hand"):
            add(name, np.repeat(stroke[name], count))
        add("stroke", np.full(count, number, np.int32))
    beside = path.with_suffix(".part")
    with beside.open("wb") as out:
        np.savez_compressed(out, **{n: np.concatenate(v) for n, v in columns.items()})
    beside.replace(path)


def sheet(module: TurnModule, folder: Path, path: Path) -> None:
    """A contact sheet: inputs with true (green, yellow) and found (white) headings from above."""
    shards = [dict(np.load(p)) for p in sorted(folder.glob("check-*.npz"))]
    take = max(1, _SHEET // max(len(shards), 1))
    planes, scalars, labels = (
        np.concatenate([s[k][:take] for s in shards]) for k in ("planes", "scalars", "labels")
    )
    outputs = outputs_of(module, planes, scalars)
    tiles = []
    for k in range(len(planes)):
        tile = np.dstack([planes[k, 1]] * 3)
        tile[..., 0] = np.maximum(tile[..., 0], (planes[k, 4] & 15) * 17)
        tile[..., 2] = np.maximum(tile[..., 2], (planes[k, 4] >> 4) * 17)
        for line, (spot, colour) in enumerate(
            (((40, 195), (0, 255, 0)), ((118, 195), (0, 220, 255)))
        ):
            _arrow(tile, spot, labels[k, line], colour)
            _arrow(tile, spot, _circular(outputs[line][k : k + 1])[0], (255, 255, 255))
        tiles.append(tile)
    rows = [np.hstack(tiles[i : i + 8]) for i in range(0, len(tiles) - 7, 8)]
    cv2.imwrite(str(path), np.vstack(rows))


def shown(pool: Pool, path: Path, *, strength: float) -> None:
    """A contact sheet of what the network is shown while it learns, limbs in blue and red."""
    planes, scalars, _ = pool.draw(_SHEET)
    wide, _ = augmented(planes, scalars, strength=strength)
    wide = wide.float().cpu().numpy()
    tiles = []
    for sample in wide:
        grey, mask = 127.5 + 127.5 * sample[1], 255 * sample[3]
        tile = np.dstack([np.maximum(grey, 255 * sample[4]), grey,
                          np.maximum(grey, 255 * sample[5])])  # fmt: skip
        tiles.append(np.vstack([tile, np.dstack([mask] * 3)[::2, ::2].repeat(2, axis=1)]))
    rows = [np.hstack(tiles[i : i + 12]) for i in range(0, len(tiles) - 11, 12)]
    cv2.imwrite(str(path), np.clip(np.vstack(rows), 0, 255).astype(np.uint8))


def _arrow(tile: np.ndarray, spot: tuple[int, int], heading: float, colour) -> None:
    tip = (int(spot[0] - 26 * np.sin(heading)), int(spot[1] - 26 * np.cos(heading)))
    cv2.arrowedLine(tile, spot, tip, colour, 1, cv2.LINE_AA, tipLength=0.3)


def _softmax(logits: np.ndarray) -> np.ndarray:
    return torch.softmax(torch.from_numpy(logits), dim=1).numpy()


def _circular(logits: np.ndarray) -> np.ndarray:
    weights = _softmax(logits)
    return np.arctan2(weights @ np.sin(CIRCLE_RAD), weights @ np.cos(CIRCLE_RAD))


def _round(angle: np.ndarray) -> np.ndarray:
    return (angle + np.pi) % (2 * np.pi) - np.pi


def _spread(errors_rad: np.ndarray) -> list[float]:
    size = np.degrees(np.abs(errors_rad))
    return [round(float(np.median(size)), 2), round(float(np.percentile(size, 90)), 2)]
