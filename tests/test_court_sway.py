"""A shaken camera: turns found in pictures, taken off, and kept with the solved court."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from paddlebrief.ball.steady import Steadier, anchors_of
from paddlebrief.ball.watch import BallWatch
from paddlebrief.court import CourtSettings, read_court, solve_court, write_court
from paddlebrief.court.camera import View
from paddlebrief.court.movement import Movement
from paddlebrief.court.sway import (
    Sway,
    about_middle,
    assumed_view,
    turn_of,
    turned_px,
    unturned,
)
from paddlebrief.eyes import BallsSeen
from paddlebrief.eyes.ball_net import ReadyFrame
from paddlebrief.footage import inspect, open_frames
from paddlebrief.session import default_session
from tests.clips import constant_times, write_clip
from tests.court_scenes import court_error
from tests.courts import Eye, Floor, draw_floor, stand_people

SIZE = (960, 540)
STILL = Eye((6.4, -10.0, 2.3), (-0.3, -2.8, 0.8), view_deg=74, size_px=SIZE)
FRAMES, RATE = 12, 2
SHAKE_RAD = np.radians(0.4)


def view_of(eye: Eye) -> View:
    return View(
        focal_px=float(eye.matrix[0, 0]),
        centre_px=eye.matrix[:2, 2],
        distortion=np.array(eye.distortion[:2]),
        rotation=eye.rotation,
        position_m=np.array(eye.position_m),
        size_px=eye.size_px,
    )


def followed(reference_px: np.ndarray, other_px: np.ndarray) -> Movement:
    """A movement by whose shift everything would agree."""
    return Movement(np.eye(2, 3), 0.0, reference_px, other_px, np.ones(len(other_px), bool))


@pytest.fixture(scope="module")
def turns():
    return np.random.default_rng(5).normal(0, SHAKE_RAD, (FRAMES, 3))


@pytest.fixture(scope="module")
def shaken(tmp_path_factory, turns):
    """A clip of a court by a turning camera with a walker, and what is known of it."""
    eyes = [replace(STILL, turn_rad=tuple(turn)) for turn in turns]

    def draw(number: int, _size) -> np.ndarray:
        eye = eyes[number]
        picture = draw_floor(eye, Floor(), seed=1, rays=2)
        return stand_people(picture, eye, [(-2.5 + 0.4 * number, -3.5)], seed=3)

    path = tmp_path_factory.mktemp("sway") / "shaken.mp4"
    write_clip(path, times_s=constant_times(RATE, FRAMES), size_px=SIZE, draw=draw)
    return inspect(path, session=default_session())


@pytest.fixture(scope="module")
def court(shaken):
    return solve_court(shaken, settings=CourtSettings())


def true_turns(span, turns: np.ndarray) -> Rotation:
    """True turns of the pictures that the span states turns for."""
    return Rotation.from_rotvec(turns[np.round(span.sway.time_s * RATE).astype(int)])


def test_turned_places_agree_with_opencvs_projection():
    points = np.random.default_rng(1).uniform([-3, -6, 0], [3, 4, 2], (40, 3))
    turn = np.array([0.01, -0.02, 0.015])
    moved = turned_px(STILL.project(points), view_of(STILL), turn)
    assert np.allclose(moved, replace(STILL, turn_rad=tuple(turn)).project(points), atol=1e-6)


def test_a_picture_is_turned_back_to_what_the_still_camera_sees():
    turn = np.array([0.006, -0.008, 0.005])
    shown = [
        draw_floor(eye, Floor(), seed=1, noise=0, rays=2)
        for eye in (STILL, replace(STILL, turn_rad=tuple(turn)))
    ]
    back = unturned(shown[1], view_of(STILL), turn)
    gaps = [np.abs(p.astype(float) - shown[0])[20:-20, 20:-20].mean() for p in (back, shown[1])]
    assert gaps[0] < 0.25 * gaps[1]
    assert np.array_equal(unturned(shown[0], view_of(STILL), np.zeros(3)), shown[0])


def test_the_turn_is_found_although_people_move():
    """A third of what is followed moves by its own; the rest is off by a tenth of a pixel."""
    rng = np.random.default_rng(2)
    before = rng.uniform([0, 0], np.array(SIZE) - 1, (150, 2))
    turn = np.array([-0.007, 0.009, 0.004])
    after = turned_px(before, view_of(STILL), turn) + rng.normal(0, 0.1, before.shape)
    after[:50] += rng.normal([9, 2], 4, (50, 2))
    found = turn_of(followed(before, after), view_of(STILL))
    # 0.1 px over 100 places: 0.01 px across and down, three times that about the axis.
    assert np.allclose(found.turn_rad, turn, atol=4 * 0.1 / 10 / STILL.matrix[0, 0] * 3)
    assert found.left_px == pytest.approx(0.1 * 1.1774, rel=0.4)


def test_what_no_turn_explains_gives_none():
    rng = np.random.default_rng(3)
    before = rng.uniform([0, 0], np.array(SIZE) - 1, (60, 2))
    after = before + rng.normal(0, 15, before.shape)
    assert turn_of(followed(before, after), assumed_view(SIZE)) is None


def test_turns_about_their_middle_have_none():
    turns = np.random.default_rng(4).normal([0.02, 0, -0.01], 0.004, (30, 3))
    about = about_middle(list(turns))
    assert np.abs(about.mean(axis=0)).max() < 5e-4
    apart = Rotation.from_rotvec(turns[3]) * Rotation.from_rotvec(turns[8]).inv()
    again = Rotation.from_rotvec(about[3]) * Rotation.from_rotvec(about[8]).inv()
    assert np.allclose(apart.as_matrix(), again.as_matrix(), atol=1e-9)


def test_turns_without_a_time_each_are_refused():
    with pytest.raises(ValueError, match="expected shape \\(2, 3\\)"):
        Sway(time_s=np.arange(2.0), turn_rad=np.zeros((3, 3)), left_px=0.1)


def test_a_shaken_court_is_solved_for_the_middle_and_for_single_pictures(court, turns):
    (span,) = court.spans
    true = true_turns(span, turns)
    found = Rotation.from_rotvec(span.sway.turn_rad)
    assert span.camera.shake_px > 2
    assert span.sway.left_px < 0.3
    middle = (found.inv() * true).mean()
    eye = replace(STILL, turn_rad=tuple(middle.as_rotvec()))
    assert court_error(span.camera, eye).worst_m < 0.05
    off = (found * middle * true.inv()).magnitude() * STILL.matrix[0, 0]
    assert off.max() < 0.5
    one = span.camera.turned(span.sway.turn_rad[2], left_px=span.sway.left_px)
    seen = replace(STILL, turn_rad=tuple(true[2].as_rotvec()))
    assert court_error(one, seen).worst_m < 0.07
    assert one.shake_px == span.sway.left_px


def test_a_shaken_court_survives_json(court, tmp_path):
    write_court(tmp_path / "court.json", court)
    again = read_court(tmp_path / "court.json")
    assert again.plain() == court.plain()
    assert np.array_equal(again.spans[0].sway.turn_rad, court.spans[0].sway.turn_rad)


def test_places_in_frames_are_brought_to_where_the_solved_camera_sees_them(shaken, court, turns):
    point = np.array([[1.0, -4.0, 0.8]])
    anchors = anchors_of(shaken, court)
    assert len(anchors) == 1
    steadier = Steadier(anchors)
    px = []
    with open_frames(shaken.path) as frames:
        for frame in frames:
            steadier.add(frame.picture_bgr, frame.time_s)
            eye = replace(STILL, turn_rad=tuple(turns[round(frame.time_s * RATE)]))
            px.append(eye.project(point)[0])
    px = np.array(px)
    wanted = court.spans[0].camera.project(point)
    assert np.abs(px - wanted).max() > 4
    assert np.abs(steadier.steadied(px, np.arange(len(px))) - wanted).max() < 1.0


def test_a_frame_outside_every_stretch_keeps_its_places(court, shaken):
    steadier = Steadier(anchors_of(shaken, court))
    steadier.add(np.zeros((SIZE[1], SIZE[0], 3), np.uint8), 1e6)
    px = np.array([[100.0, 200.0]])
    assert np.array_equal(steadier.steadied(px, np.array([0])), px)


def test_a_still_camera_needs_no_anchors(tmp_path):
    picture = draw_floor(STILL, Floor(), seed=1, rays=2)
    path = tmp_path / "still.mp4"
    write_clip(path, times_s=constant_times(RATE, 8), size_px=SIZE, draw=lambda *_: picture)
    info = inspect(path, session=default_session())
    still = solve_court(info, settings=CourtSettings())
    assert still.solved
    assert still.spans[0].sway is None
    assert anchors_of(info, still) == ()


def test_a_turn_moves_the_rim_more_than_the_middle():
    """A turn moves the rim of a 74° picture by 1 + tan² 37° = 1.57 of its middle (pinhole)."""
    view = replace(view_of(STILL), distortion=np.zeros(2))
    middle, rim = view.centre_px, view.centre_px + np.array([SIZE[0] / 2, 0])
    moved = turned_px(np.stack([middle, rim]), view, np.array([0, 1e-4, 0]))
    gone = np.linalg.norm(moved - [middle, rim], axis=1)
    assert gone[1] / gone[0] == pytest.approx(1 + np.tan(np.radians(37)) ** 2, rel=1e-3)


def test_the_watch_gives_places_that_the_solved_camera_sees(shaken, court, turns):
    """A net that always sees a ball where the shaken camera shows one point of the court."""
    point = np.array([[1.0, -4.0, 0.8]])

    class Shown:
        number = 0

        def ready(self, grey) -> ReadyFrame:
            return ReadyFrame(grey=grey, scale=np.ones(2))

        def look(self, _greys) -> BallsSeen:
            self.number += 1
            at = replace(STILL, turn_rad=tuple(turns[self.number])).project(point)
            return BallsSeen(score=np.ones(1), start_px=at, end_px=at, sd_px=np.ones(1))

    anchors = anchors_of(shaken, court)
    watch = BallWatch(Shown(), shaken, steady=True, anchors=anchors)
    with open_frames(shaken.path) as frames:
        for frame in frames:
            watch.step(frame)
    found = watch.candidates()
    assert len(found) == FRAMES - 2
    assert np.abs(found.px - court.spans[0].camera.project(point)).max() < 1.0
