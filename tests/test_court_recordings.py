"""The court stage on clips made here: still, moved and shaken cameras, and no court at all."""

from fractions import Fraction

import cv2
import numpy as np
import pytest

from paddlebrief.brief.look import Colours
from paddlebrief.brief.template import load_templates
from paddlebrief.court import (
    Court,
    CourtSettings,
    draw_court,
    read_court,
    solve_court,
    write_court,
)
from paddlebrief.footage import inspect
from paddlebrief.session import Session, default_session
from tests.clips import constant_times, write_clip
from tests.court_scenes import court_error
from tests.courts import Eye, Floor, draw_floor, stand_people

SIZE = (960, 540)
FIRST = Eye((0.3, -11.6, 2.4), (0.0, -2.3, 0.9), size_px=SIZE)
SECOND = Eye((-0.6, -11.2, 2.5), (0.4, -2.0, 0.8), size_px=SIZE)
RATE = 10


@pytest.fixture(scope="module")
def pictures():
    return {eye: draw_floor(eye, Floor(), seed=1) for eye in (FIRST, SECOND)}


def clip(path, frames):
    """A clip of whole pictures with a walker, and what is known of it."""

    def draw(number: int, _size) -> np.ndarray:
        eye, picture, (dx, dy) = frames[number]
        walked = stand_people(picture, eye, [(-3 + 0.15 * number, -4.5)], seed=3)
        onto = np.array([[1, 0, dx], [0, 1, dy]], float)
        return cv2.warpAffine(walked, onto, SIZE, borderMode=cv2.BORDER_REPLICATE)

    write_clip(path, times_s=constant_times(RATE, len(frames)), size_px=SIZE, draw=draw)
    return inspect(path, session=default_session())


def test_a_moved_camera_gives_two_stretches(tmp_path, pictures):
    frames = [(eye, pictures[eye], (0, 0)) for eye in (FIRST, SECOND) for _ in range(40)]
    info = clip(tmp_path / "moved.mp4", frames)
    court = solve_court(info, settings=CourtSettings())
    assert len(court.spans) == 2
    assert court.reason is None
    assert court_error(court.at(1.0), FIRST).worst_m < 0.15
    assert court_error(court.at(7.0), SECOND).worst_m < 0.15
    moved_s = float(Fraction(40, RATE))
    assert court.spans[0].end_s == pytest.approx(moved_s, abs=0.35)
    assert court.spans[0].end_s < moved_s
    assert moved_s <= court.spans[1].start_s < moved_s + 0.35
    assert any("2 positions" in note for note in court.notes)
    assert court.at(info.end_s + 1) is None

    write_court(tmp_path / "court.json", court)
    again = read_court(tmp_path / "court.json")
    assert again.plain() == court.plain()


def test_shake_is_no_movement_and_widens_the_uncertainty(tmp_path, pictures):
    shifts = np.random.default_rng(2).normal(0, 2.0, (60, 2))
    frames = [(FIRST, pictures[FIRST], tuple(shift)) for shift in shifts]
    court = solve_court(clip(tmp_path / "shaken.mp4", frames), settings=CourtSettings())
    assert len(court.spans) == 1
    camera = court.at(2.0)
    assert camera.shake_px == pytest.approx(2.0, rel=0.4)
    assert any("shakes" in note for note in court.notes)
    point = np.array([0.0, -6.0, 0.0])
    assert np.all(np.diag(camera.project_covariance(point)) > camera.shake_px**2)


def test_without_a_court_the_reason_and_the_points_to_give_are_told(tmp_path):
    picture = draw_floor(FIRST, Floor(lines=(), net_m=None), seed=1)
    info = clip(tmp_path / "bare.mp4", [(FIRST, picture, (0, 0))] * 20)
    court = solve_court(info, session=Session(), settings=CourtSettings())
    assert not court.solved
    assert court.reason
    assert "near_left_corner" in court.points_to_give
    assert court.at(0.5) is None
    assert Court.from_plain(court.plain()) == court or court.plain()["reason"] == court.reason


def test_wrong_marks_fall_back_to_the_lines_and_say_so(tmp_path, pictures):
    marks = {"near_left_corner": (10.0, 10.0), "near_right_corner": (900.0, 20.0),
             "net_top_left": (30.0, 500.0), "net_top_right": (800.0, 400.0)}  # fmt: skip
    info = clip(tmp_path / "marked.mp4", [(FIRST, pictures[FIRST], (0, 0))] * 20)
    court = solve_court(info, session=Session(court=marks), settings=CourtSettings())
    assert court.solved
    assert any(note.startswith("court:") for note in court.notes)


def test_the_check_picture_shows_the_court_or_why_there_is_none(tmp_path, pictures):
    colours = load_templates().colours
    assert isinstance(colours, Colours)
    info = clip(tmp_path / "drawn.mp4", [(FIRST, pictures[FIRST], (0, 0))] * 20)
    court = solve_court(info, settings=CourtSettings())
    picture = pictures[FIRST]
    drawn = draw_court(picture, court.spans[0], colours=colours)
    changed = np.abs(drawn.astype(int) - picture).sum(axis=2) > 60
    at = np.round(FIRST.project([(0, -6.7056, 0), (3.048, -4, 0), (-1.5, 0, 0.889)])).astype(int)
    for x, y in at:
        assert changed[y - 4 : y + 5, x - 4 : x + 5].any()
    reason = Court(reason="no lines were found")
    from paddlebrief.court import CourtSpan

    told = draw_court(picture, CourtSpan(start_s=0, end_s=1, reason=reason.reason), colours=colours)
    assert np.abs(told.astype(int) - picture)[-60:].any()
