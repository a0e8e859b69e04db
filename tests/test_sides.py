"""Left and right settled over time, on stick people whose labels are swapped on purpose."""

import numpy as np
import pytest

from paddlebrief.records import LANDMARKS
from paddlebrief.sight.sides import ARM_PAIRS, LEG_PAIRS, settle_sides
from tests.bodies2d import standing, swing_points


def _swap(points: np.ndarray, rows, pairs=(*ARM_PAIRS, *LEG_PAIRS)) -> np.ndarray:
    out = points.copy()
    for left, right in pairs:
        out[rows, left], out[rows, right] = points[rows, right], points[rows, left]
    return out


@pytest.mark.parametrize("rows", [[10], [10, 11, 12], list(range(40, 55))])
def test_swapped_frames_are_turned_back(rows):
    time = np.arange(120) / 30
    points = swing_points(time, 2.0)
    settled, swapped = settle_sides(_swap(points, rows), time)
    np.testing.assert_allclose(settled[:, 11:], points[:, 11:])
    assert swapped.all(axis=1).nonzero()[0].tolist() == rows


def test_arms_and_legs_are_settled_apart():
    time = np.arange(60) / 30
    points = standing(60)
    settled, swapped = settle_sides(_swap(points, [20, 21], LEG_PAIRS), time)
    np.testing.assert_allclose(settled, points)
    assert not swapped[:, 0].any()
    assert swapped[:, 1].nonzero()[0].tolist() == [20, 21]


def test_nothing_changes_where_labels_are_steady():
    time = np.arange(90) / 30
    points = swing_points(time, 1.5)
    settled, swapped = settle_sides(points, time)
    np.testing.assert_array_equal(settled, points)
    assert not swapped.any()


def test_the_frame_before_decides_a_stretch_that_begins_swapped():
    time = np.arange(5) / 30
    points = standing(5)
    settled, _ = settle_sides(_swap(points, slice(None)), time, before=points[0])
    np.testing.assert_allclose(settled[:, 11:], points[:, 11:])


def test_empty_stretch():
    settled, swapped = settle_sides(np.empty((0, len(LANDMARKS), 2)), np.empty(0))
    assert settled.shape == (0, 33, 2)
    assert swapped.shape == (0, 2)
