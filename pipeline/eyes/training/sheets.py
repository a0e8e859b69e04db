"""Contact sheets of what the networks are trained on, labels drawn in."""

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from paddlebrief.eyes.network import Found
from paddlebrief.eyes.training.examples import MIDDLE, BallSample, PaddleSample
from paddlebrief.eyes.training.samples import SampleSet

__all__ = ["contact_sheet", "drawn_ball", "drawn_paddle", "sheet_of"]

_KIND_COLOURS = ((60, 220, 60), (60, 60, 240), (240, 200, 40))  # front, back, edge-on (BGR)
_MOST_CROSSES, _FAINTEST = 4, 0.15
_POINT_COLOURS = ((255, 0, 255), (255, 160, 0), (0, 255, 255), (255, 255, 255), (0, 128, 255))


def drawn_paddle(sample: PaddleSample, scale: int = 1) -> np.ndarray:
    """The crop with boxes (green front, red back, blue edge-on) and keypoints; hidden ones hollow.

    Keypoints: butt violet, throat blue, tip yellow, left edge white, right edge orange.
    """
    picture = cv2.resize(np.array(sample.picture), None, fx=scale, fy=scale)
    for kind, box, points in zip(sample.kinds, sample.boxes, sample.keypoints, strict=True):
        a, b = np.round(box.reshape(2, 2) * scale).astype(int)
        cv2.rectangle(picture, tuple(map(int, a)), tuple(map(int, b)), _KIND_COLOURS[int(kind)], 1)
        for (x, y, seen), colour in zip(points, _POINT_COLOURS, strict=True):
            at = round(x * scale), round(y * scale)
            cv2.circle(picture, at, 2 * scale, colour, -1 if seen else 1)
    return picture


def drawn_ball(sample: BallSample, scale: int = 1) -> np.ndarray:
    """The middle frame and its neighbours as colours, with boxes and streaks.

    A white dot marks the streak's end.
    """
    three = sample.picture[..., MIDDLE - 1 : MIDDLE + 2]
    picture = cv2.resize(np.ascontiguousarray(three), None, fx=scale, fy=scale)
    for box, ends in zip(sample.boxes, sample.ends, strict=True):
        a, b = np.round((box.reshape(2, 2) + np.array([[-2], [2]])) * scale).astype(int)
        cv2.rectangle(picture, tuple(map(int, a)), tuple(map(int, b)), (0, 255, 255), 1)
        start, end = np.round(ends * scale).astype(int)
        cv2.line(picture, tuple(map(int, start)), tuple(map(int, end)), (255, 0, 255), 1)
        cv2.circle(picture, tuple(map(int, end)), 1, (255, 255, 255), -1)
    return picture


def sheet_of(
    path: Path,
    what: str,
    samples: SampleSet,
    chosen: Sequence[int],
    found: Sequence[Found] | None = None,
) -> None:
    """Some samples of a set as one picture, with what a network found in each as crosses."""
    pictures = []
    for k in chosen:
        n, picture = samples.counts[k], samples.pictures[k]
        boxes, points, extras = (
            v[k, :n] for v in (samples.boxes, samples.keypoints, samples.extras)
        )
        if what == "paddle":
            sample = PaddleSample(picture, samples.kinds[k, :n], boxes, points, extras)
            drawn = drawn_paddle(sample)
        else:
            drawn = drawn_ball(BallSample(picture, boxes, points[..., :2], extras))
        for j in range(min(len(found[k]), _MOST_CROSSES) if found is not None else 0):
            if found[k].scores[j].sum() < _FAINTEST:
                break
            for x, y in found[k].points_px[j]:
                cv2.drawMarker(drawn, (round(x), round(y)), (0, 0, 255), cv2.MARKER_CROSS, 7, 1)
            x, y = found[k].boxes_px[j, :2]
            text = f"{found[k].scores[j].sum():.2f}"
            cv2.putText(drawn, text, (round(x), max(round(y) - 2, 10)), 0, 0.4, (0, 0, 255), 1)
        pictures.append(drawn)
    if pictures:
        contact_sheet(path, pictures, 8)


def contact_sheet(path: Path, pictures: Sequence[np.ndarray], columns: int) -> None:
    """Write equally large pictures side by side as one, PNG or JPEG by the name."""
    height, width = pictures[0].shape[:2]
    rows = -(-len(pictures) // columns)
    sheet = np.zeros((rows * height, columns * width, 3), np.uint8)
    for k, picture in enumerate(pictures):
        y, x = divmod(k, columns)
        sheet[y * height : (y + 1) * height, x * width : (x + 1) * width] = picture
    cv2.imwrite(str(path), sheet)
