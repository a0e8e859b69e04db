"""What `check` says of a recording, and the court pictures that it leaves."""

from dataclasses import replace
from fractions import Fraction

import cv2
import numpy as np
import pytest

from paddlebrief.check import Looks, Verdict, _court_pictures, judge
from paddlebrief.court import Court, CourtSpan, SolvedCamera
from paddlebrief.footage import inspect
from paddlebrief.paddle import assumed_camera
from paddlebrief.settings import load_settings
from tests.clips import constant_times, write_clip
from tests.test_strokes import footage

UNSOLVED = Court(
    spans=(CourtSpan(start_s=0.0, end_s=1.0, reason="no lines"),),
    reason="no lines",
    points_to_give=("near_left_corner", "net_top_left"),
)


def looks(height_px: float) -> Looks:
    return Looks(
        heights_px=np.full(8, height_px), brightness=120.0, moments=12, moments_with_people=12
    )


def solved(worst_sd_m: float) -> Court:
    camera: SolvedCamera = assumed_camera((1280, 720))
    return Court(spans=(CourtSpan(start_s=0.0, end_s=6.0, camera=camera, worst_sd_m=worst_sd_m),))


def said(height_px: float, court: Court, *, fps: int = 60) -> dict:
    info = replace(footage(fps=fps), sound_rate_hz=48000)
    return {f.what: f for f in judge(info, looks(height_px), court)}


def test_an_unsolved_court_says_which_points_to_mark_and_what_is_missing():
    found = said(400, UNSOLVED)
    assert found["court"].verdict is Verdict.MISSING
    assert "near_left_corner, net_top_left" in found["court"].why
    assert found["ball speed and landing"].verdict is Verdict.MISSING
    assert "separation" in found["turn of hips and shoulders"].why


def test_a_solved_court_is_stated_with_its_95_per_cent_half_width():
    found = said(400, solved(0.02))
    assert found["court"].verdict is Verdict.GOOD
    assert "± 4 cm" in found["court"].why  # 1.96 × 2 cm
    assert found["turn of hips and shoulders"].verdict is Verdict.GOOD


@pytest.mark.parametrize(("height_px", "fps"), [(200, 60), (120, 60), (400, 30)])
def test_small_players_and_slow_cameras_are_limits(height_px, fps):
    found = said(height_px, solved(0.02), fps=fps)
    limited = "ball speed and landing" if fps < 50 else "turn of hips and shoulders"
    assert found[limited].verdict is Verdict.LIMITED


def test_recordings_of_one_name_keep_a_court_picture_each(tmp_path):
    out, taken, paths = tmp_path / "out", set(), []
    for day, seconds in (("monday", 24), ("tuesday", 25)):
        folder = tmp_path / day
        folder.mkdir()
        clip = write_clip(folder / "one.mp4", times_s=constant_times(Fraction(24), seconds))
        paths += _court_pictures(inspect(clip), UNSOLVED, load_settings(), out, taken)
    assert len(set(paths)) == 2
    assert all(cv2.imread(str(p)) is not None for p in paths)
