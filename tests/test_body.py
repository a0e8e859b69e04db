"""Body sizes and lines, against closed forms and the published error budget."""

import numpy as np
import pytest

from paddlebrief.body import body_height_px, line_angle_deg, line_angle_sd_deg
from tests.bodies2d import HEIGHT_PX, standing, track


def test_height_of_a_standing_person_is_found():
    found = body_height_px(track(standing(30), np.arange(30) / 30))
    assert found == pytest.approx(HEIGHT_PX, rel=0.02)


def test_height_without_legs_is_missing():
    points = standing(30)
    points[:, 25:] = np.nan
    assert np.isnan(body_height_px(track(points, np.arange(30) / 30)))


@pytest.mark.parametrize("angle", [-89.0, -45.0, 0.0, 12.5, 60.0, 90.0])
@pytest.mark.parametrize("turned", [0, 180])
def test_line_angle_ignores_which_end_comes_first(angle, turned):
    radians = np.radians(angle + turned)
    end = np.array([np.cos(radians), -np.sin(radians)]) * 50  # y runs down in the picture
    assert line_angle_deg(np.zeros(2), end) == pytest.approx(angle)


@pytest.mark.parametrize(("s_mm", "expected_deg"), [(10, 4.6), (20, 9.2), (30, 13.7)])
def test_error_budget_of_separation_is_the_published_one(s_mm, expected_deg):
    # Shoulders 380 mm and hips 200 mm apart: separation errors of 4.6/9.2/13.7 degrees, worked
    # out from sqrt(2)·s/w for each line.
    shoulder = line_angle_sd_deg(np.zeros(2), np.array([380.0, 0]), s_mm)
    hip = line_angle_sd_deg(np.zeros(2), np.array([200.0, 0]), s_mm)
    assert np.hypot(shoulder, hip) == pytest.approx(expected_deg, abs=0.05)


def test_line_angle_uncertainty_matches_monte_carlo():
    rng = np.random.default_rng(0)
    a, b = np.array([0.0, 0.0]), np.array([80.0, 30.0])
    draws = rng.normal(0, 2.0, (20000, 2, 2))
    angles = [line_angle_deg(a + d[0], b + d[1]) for d in draws]
    assert np.std(angles) == pytest.approx(line_angle_sd_deg(a, b, 2.0), rel=0.03)


def test_a_line_without_length_is_infinitely_uncertain():
    assert line_angle_sd_deg(np.zeros(2), np.zeros(2), 1.0) == np.inf
