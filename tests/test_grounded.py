"""Bodies that cannot stand where they are seen are none: closed-form sizes in a level camera."""

import numpy as np
import pytest

from paddlebrief.ears import EarSettings
from paddlebrief.records import LANDMARKS
from paddlebrief.sight import SightSettings
from paddlebrief.strokes import StrokeSettings, find_strokes
from paddlebrief.strokes.grounded import half_of_court, standing_place, stands
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


def ground_px(x_m: float, away_m: float) -> np.ndarray:
    """Where an ankle of a shod foot on the ground is seen, 0.13 m up, by similar triangles."""
    return np.array([640 + PX_A_METRE_M * x_m / away_m, HORIZON_PX + PX_A_METRE_M * 1.67 / away_m])


def on_feet(left_px, right_px, *, frames=120):
    """Somebody 1.7 m tall and 8 m away whose ankles are seen at (frames, 2) places."""
    whole = body(1.7)
    points = np.repeat(whole.landmarks_px[:1], frames, axis=0)
    for name, px in (("left_ankle", left_px), ("right_ankle", right_px)):
        points[:, LANDMARKS.index(name)] = px
    return track(points, np.arange(frames) / 60)


def test_a_player_stands_between_the_feet():
    place, cover = standing_place(on_feet(ground_px(-0.3, 8.0), ground_px(0.2, 8.2)), CAMERA, 1.0)
    assert place == pytest.approx([-0.05, -1.9], abs=0.02)
    assert np.all(np.sqrt(np.diag(cover)) < [0.1, 0.4])


def test_a_foot_that_is_somebody_else_s_behind_is_left_out():
    own = ground_px(0.2, 8.0)
    left = np.tile(ground_px(-0.2, 8.0), (120, 1))
    left[50:80] = ground_px(-0.3, 10.5)
    place, cover = standing_place(on_feet(left, own), CAMERA, 1.0)
    assert np.linalg.norm(place - [0.2, -2.0]) < 0.01  # by the own foot
    assert np.linalg.norm(place - [0.0, -2.0]) < 2 * np.sqrt(cover[0, 0])
    # with no time at which both are one body's, half of the way between is all that is known
    place, cover = standing_place(on_feet(ground_px(-0.3, 10.5), own), CAMERA, 1.0)
    assert np.sqrt(cover[1, 1]) > 1.2


def test_feet_that_are_not_seen_stand_nowhere():
    place, cover = standing_place(on_feet(np.nan, ground_px(0, 8.0)), CAMERA, 1.0)
    assert np.isnan(place).all()
    assert np.isnan(cover).all()


@pytest.mark.parametrize(("away_m", "half"), [(8.0, -1), (10.1, 0), (16.0, 1)])
def test_the_half_of_the_court_is_told_where_the_feet_tell_it(away_m, half):
    seen = on_feet(ground_px(-0.2, away_m), ground_px(0.2, away_m))
    assert half_of_court(seen, CAMERA, 1.0) == half
