"""What cameras and codecs do to pictures, done to small stretches of frames."""

import cv2
import numpy as np

__all__ = ["pack", "spoil_colours", "spoil_frames"]


def spoil_colours(frames: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """(n, h, w, 3) uint8 frames under another white balance, brightness, contrast and gamma."""
    gain = np.exp(rng.normal(0, 0.10, 3)) * np.exp(rng.normal(0, 0.32))
    gamma = np.exp(rng.normal(0, 0.18))
    contrast, lift = np.exp(rng.normal(0, 0.15)), rng.normal(0, 0.05)
    value = np.arange(256)[:, None] / 255
    table = np.clip(value * gain, 0, 1) ** gamma
    table = (table - 0.5) * contrast + 0.5 + lift
    if rng.uniform() < 0.12:
        table = np.tile(table.mean(axis=1, keepdims=True), (1, 3))
    table = np.clip(np.round(table * 255), 0, 255).astype(np.uint8).reshape(256, 1, 3)
    spoiled = np.stack([cv2.LUT(f, table) for f in frames])
    if rng.uniform() < 0.15:
        grey = spoiled.mean(axis=-1, keepdims=True)
        share = rng.uniform(0.4, 1.0)
        spoiled = np.round(spoiled * (1 - share) + grey * share).astype(np.uint8)
    return spoiled


def spoil_frames(frames: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """(n, h, w, 3) uint8 frames with the softness, noise, sharpening and packing of a recording."""
    frames = frames.copy()
    if rng.uniform() < 0.45:
        sigma = rng.uniform(0.3, 1.3)
        frames = np.stack([cv2.GaussianBlur(f, (0, 0), sigma) for f in frames])
    if rng.uniform() < 0.2:
        frames = _coarser(frames, rng.uniform(0.45, 0.9))
    noise = float(np.exp(rng.uniform(np.log(0.5), np.log(14))))
    frames = np.stack([_noisy(f, noise, rng) for f in frames])
    if rng.uniform() < 0.4:
        amount, reach = rng.uniform(0.2, 1.2), rng.uniform(0.8, 1.8)
        soft = [cv2.GaussianBlur(f, (0, 0), reach) for f in frames]
        frames = np.stack(
            [
                cv2.addWeighted(f, 1 + amount, s, -amount, 0)
                for f, s in zip(frames, soft, strict=True)
            ]
        )
    if rng.uniform() < 0.9:
        frames = pack(frames, quality=int(rng.uniform(18, 92)))
    return frames


def _coarser(frames: np.ndarray, scale: float) -> np.ndarray:
    height, width = frames.shape[1:3]
    size = max(8, round(width * scale)), max(8, round(height * scale))
    small = [cv2.resize(f, size, interpolation=cv2.INTER_AREA) for f in frames]
    return np.stack([cv2.resize(f, (width, height), interpolation=cv2.INTER_LINEAR) for f in small])


def _noisy(frame: np.ndarray, strength: float, rng: np.random.Generator) -> np.ndarray:
    """Grain mostly shared by the channels and a little blurred by the camera's own processing."""
    shape = frame.shape[:2]
    grain = np.empty((*shape, 3), np.float32)
    cv2.setRNGSeed(int(rng.integers(1 << 31)))
    cv2.randn(grain, (0.0, 0.0, 0.0), (0.5, 0.5, 0.5))
    shared = np.empty(shape, np.float32)
    cv2.randn(shared, 0.0, 0.85)
    grain += shared[..., None]
    grain = cv2.GaussianBlur(grain, (3, 3), 0.55) * (strength / 0.62)
    return cv2.add(frame, np.round(grain).astype(np.int16), dtype=cv2.CV_8U)


def pack(frames: np.ndarray, *, quality: int) -> np.ndarray:
    """Frames after a lossy codec: the first one whole, the others as packed differences.

    As in video codecs small differences vanish, so that still parts repeat the last frame and
    moving parts smear.
    """
    options = [cv2.IMWRITE_JPEG_QUALITY, quality]

    def through(picture: np.ndarray) -> np.ndarray:
        return cv2.imdecode(cv2.imencode(".jpg", picture, options)[1], cv2.IMREAD_COLOR)

    kept = [through(frames[0])]
    for frame in frames[1:]:
        change = np.clip((frame.astype(np.int16) - kept[-1]) // 2 + 128, 0, 255).astype(np.uint8)
        change = 2 * (through(change).astype(np.int16) - 128)
        change[np.abs(change) <= 2] = 0
        kept.append(np.clip(kept[-1] + change, 0, 255).astype(np.uint8))
    return np.stack(kept)
