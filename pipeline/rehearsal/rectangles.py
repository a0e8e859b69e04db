"""Rectangles of a picture, as (x, y, width, height) in pixels."""

import numpy as np

__all__ = ["Rectangle", "around", "merged"]

Rectangle = tuple[int, int, int, int]


def around(rectangles: list[Rectangle]) -> Rectangle:
    """The smallest rectangle that holds all of one or more."""
    boxes = np.array(rectangles)
    low, high = boxes[:, :2].min(axis=0), (boxes[:, :2] + boxes[:, 2:]).max(axis=0)
    return (*map(int, low), *map(int, high - low))


def merged(boxes: list[np.ndarray]) -> list[Rectangle]:
    """Boxes (x0, y0, x1, y1) as rectangles, overlapping ones joined; empty for none."""
    left = [np.array(b) for b in boxes]
    done = False
    while not done:
        done = True
        for i in range(len(left)):
            for j in range(i + 1, len(left)):
                a, b = left[i], left[j]
                if (a[:2] < b[2:]).all() and (b[:2] < a[2:]).all():
                    left[i] = np.concatenate([np.minimum(a[:2], b[:2]), np.maximum(a[2:], b[2:])])
                    del left[j]
                    done = False
                    break
            if not done:
                break
    return [(int(a), int(b), int(c - a), int(d - b)) for a, b, c, d in left]
