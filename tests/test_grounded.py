"""Bodies that cannot stand where they are seen are none: closed-form sizes in a level camera."""

import numpy as np
import pytest

from paddlebrief.ears import EarSettings
from paddlebrief.sight import SightSettings
from paddlebrief.strokes import StrokeSettings, find_strokes
from paddlebrief.strokes.grounded import stands
from tests.bodies2d import standing, swing_points, track
from tests.court_scenes import level_court
from tests.test_strokes import footage, parts_of

HORIZON_PX, PX_A_METRE_M = 360.0, 1000.0
CAMERA = level_court().at(1.0)


def body(height_m: float, *, away_m: float = 8.0, raised_px: float = 0.0):
    """A body of a height on the ground, so far from a camera 1.8 m up: similar triangles."""
    feet_px = HORIZON_PX + PX_A_METRE_M * 1.8 / away_m
    height_px = PX_A_METRE_M * height_m / away_m
    centre = (600.0, feet_px - 0.53 * height_px - raised_px)
    return track(standing(20, centre_px=centre, height_px=height_px), np.arange(20) / 60)


@pytest.mark.parametrize(
    ("height_m", "on_its_feet"), [(1.7, True), (1.1, True), (2.05, True), (0.5, False), (4, False)]
)
def test_a_body_is_as_large_as_people_are(height_m, on_its_feet):
    assert stands(body(height_m), CAMERA) is on_its_feet


def test_who_walks_from_far_to_near_stays_as_large():
    far, near = body(1.7, away_m=20.0), body(1.7, away_m=4.5)
    points = np.concatenate([far.landmarks_px] * 3 + [near.landmarks_px])
    assert stands(track(points, np.arange(len(points)) / 60), CAMERA)


def test_feet_above_the_horizon_stand_on_nothing():
    assert not stands(body(1.7, raised_px=300.0), CAMERA)


def test_what_cannot_be_told_is_left_to_stand():
    assert stands(body(1.7, raised_px=300.0), None)
    assert stands(body(1.7, raised_px=-400.0), CAMERA)  # the feet are below the picture


@pytest.mark.parametrize(("hips_px", "found"), [(475.0, 1), (150.0, 0)])
def test_what_swings_in_a_tree_plays_no_stroke(tmp_path, hips_px, found):
    time = np.arange(360) / 60
    points = (swing_points(time, 3.0) - [600, 400]) * 0.55 + [600, hips_px]
    points += np.random.default_rng(0).normal(0, 0.4, points.shape)
    parts = parts_of(tmp_path / "t", track(points, time))
    for court, expected in ((level_court(), found), (None, 1)):
        strokes = find_strokes(
            footage(), parts, impacts=[], handedness={}, names={}, settings=StrokeSettings(),
            sight=SightSettings(), ears=EarSettings(), court=court,
        )  # fmt: skip
        assert len(strokes) == expected
