"""Image-plane measures on stick people whose answer has a closed form."""

import numpy as np
import pytest

from paddlebrief.body import UPPER_ARM_SHARE
from paddlebrief.mechanics import IMAGE_MEASURES, StrokeView, measure_stroke
from paddlebrief.records import FrameOfReference, Handedness, Kind, Side, Stroke
from tests.bodies2d import HEIGHT_PX, set_point, standing, swing_points, track

FPS = 120
TIME = np.arange(FPS * 4) / FPS


def stroke(**changes) -> Stroke:
    given = {
        "number": 1, "person": 0, "player": "A", "hand": Handedness.RIGHT,
        "side": Side.FOREHAND, "side_probability": 0.9, "kind": Kind.DRIVE,
        "kind_probabilities": {Kind.DRIVE: 0.9, Kind.SLICE: 0.05, Kind.OTHER: 0.05},
        "load_s": 1.5, "forward_s": 1.7, "contact_s": 2.0, "contact_s_sd": 0.01, "finish_s": 2.4,
    }  # fmt: skip
    return Stroke(**{**given, **changes})


def measures(points, *, slow=1.0, **changes) -> dict:
    view = StrokeView(
        stroke=stroke(**changes),
        track=track(points, TIME * slow, noise_px=0.8),
        slow_factor=slow,
        placement_error=0.012,
        frame_interval_s=1 / FPS,
    )
    return {m.name: m for m in measure_stroke(view)}


def tilted(hip_deg: float, shoulder_deg: float) -> np.ndarray:
    points = standing(len(TIME))
    for part, half, height, angle in (
        ("hip", 0.06, 0.0, hip_deg),
        ("shoulder", 0.115, 0.288, shoulder_deg),
    ):
        arm = half * np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
        set_point(points, f"right_{part}", np.array([0, height]) + arm)
        set_point(points, f"left_{part}", np.array([0, height]) - arm)
    return points


@pytest.mark.parametrize(("hip", "shoulder"), [(0, 0), (10, -15), (-8, 20)])
def test_lines_and_their_difference(hip, shoulder):
    found = measures(tilted(hip, shoulder))
    for instant in ("load", "contact"):
        assert found[f"hip_line_at_{instant}_deg"].value == pytest.approx(hip, abs=1e-6)
        assert found[f"shoulder_line_at_{instant}_deg"].value == pytest.approx(shoulder, abs=1e-6)
        difference = found[f"line_difference_at_{instant}_deg"]
        assert difference.value == pytest.approx(shoulder - hip, abs=1e-6)
        parts = [found[f"{p}_line_at_{instant}_deg"].sd for p in ("hip", "shoulder")]
        assert difference.sd == pytest.approx(np.hypot(*parts))


def test_a_line_that_points_at_the_camera_is_not_measured():
    points = standing(len(TIME))
    set_point(points, "right_hip", np.array([0.004, 0.0]))
    set_point(points, "left_hip", np.array([-0.004, 0.0]))
    found = measures(points)
    assert "points at the camera" in found["hip_line_at_load_deg"].reason
    assert "points at the camera" in found["line_difference_at_load_deg"].reason
    assert found["shoulder_line_at_load_deg"].measured


def test_elbow_height_in_upper_arm_lengths():
    points = standing(len(TIME))
    set_point(points, "right_elbow", np.array([0.2, 0.288 - 0.5 * UPPER_ARM_SHARE]))
    found = measures(points)["elbow_height_image"]
    assert found.value == pytest.approx(-0.5, abs=0.02)
    assert found.unit == "upper-arm lengths"


def test_hand_path_angle_speed_and_height_of_a_straight_sweep():
    points = standing(len(TIME))
    along = 3.0 * (TIME - 2.0)  # body heights, 3 a second
    angle = np.radians(25)
    path = np.column_stack([-along * np.cos(angle), 0.1 + along * np.sin(angle)])
    set_point(points, "right_wrist", path)
    found = measures(points)
    assert found["path_angle_image_deg"].value == pytest.approx(25, abs=0.5)
    assert found["hand_speed_bhps"].value == pytest.approx(3.0, rel=0.03)
    assert found["contact_height_image"].value == pytest.approx(0.1, abs=0.005)


def test_speed_counts_time_on_court_not_playback():
    points = standing(len(TIME))
    set_point(points, "right_wrist", np.column_stack([3 * (TIME - 2.0), np.full(len(TIME), 0.1)]))
    slow = {k: 8 * getattr(stroke(), k) for k in ("load_s", "forward_s", "contact_s", "finish_s")}
    found = measures(points, slow=8.0, contact_s_sd=0.08, **slow)
    assert found["hand_speed_bhps"].value == pytest.approx(3.0, rel=0.03)
    assert found["follow_time_s"].value == pytest.approx(0.4)


def test_follow_through_of_a_quarter_circle():
    points = standing(len(TIME))
    turn = np.clip((TIME - 2.0) / 0.4, 0, 1) * np.pi / 2
    circle = 0.4 * np.column_stack([np.cos(turn), np.sin(turn)])
    set_point(points, "right_wrist", circle)
    found = measures(points)["follow_path_image"]
    assert found.value == pytest.approx(0.4 * np.pi / 2, rel=0.04)


def test_without_legs_in_view_there_are_reasons_and_no_failure():
    points = swing_points(TIME, 2.0)
    for side in ("left", "right"):
        for part in ("knee", "ankle"):
            set_point(points, f"{side}_{part}", np.full(2, np.nan))
    found = measures(points)
    assert "trunk and legs" in found["hip_line_at_load_deg"].reason
    assert "trunk and legs" in found["hand_speed_bhps"].reason
    assert not found["contact_height_image"].measured
    assert found["follow_time_s"].measured


def test_hidden_hand_and_unseen_player_are_reasons_not_numbers():
    view_points = swing_points(TIME, 2.0)
    hidden = track(view_points, TIME)
    hidden.visibility[:, 16] = 0.0
    view = StrokeView(
        stroke=stroke(), track=hidden, slow_factor=1.0, placement_error=0.012,
        frame_interval_s=1 / FPS,
    )  # fmt: skip
    found = {m.name: m for m in measure_stroke(view)}
    assert "hidden" in found["contact_height_image"].reason
    gone = swing_points(TIME, 2.0)
    gone[TIME < 1.9] = np.nan
    assert "not found" in measures(gone)["hip_line_at_load_deg"].reason


def test_stated_uncertainty_covers_monte_carlo_of_the_noise():
    rng = np.random.default_rng(3)
    clean = tilted(10, -15)
    values = []
    for _ in range(300):
        placed = clean + rng.normal(0, 0.012 * HEIGHT_PX, (1, 33, 2))
        values.append(measures(placed)["line_difference_at_load_deg"].value)
    stated = measures(clean)["line_difference_at_load_deg"].sd
    assert np.std(values) == pytest.approx(stated, rel=0.12)


def test_every_measure_has_a_name_of_its_own_and_a_frame():
    found = measures(swing_points(TIME, 2.0))
    assert len(found) == len(IMAGE_MEASURES)
    frames = {m.frame for m in found.values()}
    assert frames == {FrameOfReference.IMAGE, FrameOfReference.TIME}
