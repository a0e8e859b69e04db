"""A rehearsal's folders, and what a moving ball looks like in its frames."""

from types import SimpleNamespace

import numpy as np
import pyarrow.parquet as pq
import pytest
import yaml

from paddlebrief.errors import RehearsalError
from paddlebrief.rehearsal import session as session_module
from paddlebrief.rehearsal import staging as staging_module
from paddlebrief.rehearsal.camera import CameraSettings, place_camera
from paddlebrief.rehearsal.court_dimensions import BALL_RADIUS_M
from paddlebrief.rehearsal.film import Moments, film_frames
from paddlebrief.rehearsal.scenario import Scenario
from paddlebrief.rehearsal.session import SampledWorld, rehearse
from paddlebrief.rehearsal.staging import stage
from paddlebrief.rehearsal.venue import VenueSettings
from paddlebrief.session import load_session
from tests.stick_body import StickBody

SCENARIO = {
    "recording": "practice.mp4",
    "date": "2026-03-02",
    "players": [
        {"name": "Ana", "cohort": "Tuesday", "strokes": {"forehand drive": 1}},
        {"name": "Ben", "hand": "left", "strokes": {"forehand slice": 1}},
    ],
    "camera": {"frame_rate": 20, "shutter_s": 0.002},
}


@pytest.fixture(autouse=True)
def _bodies_of_sticks(monkeypatch):
    monkeypatch.setattr(staging_module, "bake_bodies", lambda wanted: None)
    monkeypatch.setattr(staging_module, "make_body", lambda spec, seed: StickBody())


@pytest.fixture
def drawn(monkeypatch):
    """Nothing is drawn: what the film would get is kept, and an empty recording written."""
    given = []

    def film(path, **what):
        given.append(what)
        path.write_bytes(b"film")

    look = SimpleNamespace(colour_words=["red", "black"])
    monkeypatch.setattr(session_module, "make_look", lambda body, clothes: look)
    monkeypatch.setattr(session_module, "dress", lambda body, look: "dressed")
    monkeypatch.setattr(session_module, "render_film", film)
    return given


@pytest.fixture
def scenario_file(tmp_path):
    path = tmp_path / "mine.yaml"
    path.write_text(yaml.safe_dump(SCENARIO))
    return path


def test_rehearsal_is_a_session_a_club_could_drop_and_its_truth(tmp_path, drawn, scenario_file):
    told = []
    out = rehearse(
        scenario_file, tmp_path / "out", seed=3, progress=lambda what, share: told.append(what)
    )
    assert sorted(p.name for p in out.iterdir()) == ["session", "truth"]
    assert sorted(p.name for p in (out / "session").iterdir()) == ["practice.mp4", "session.yaml"]
    notes = load_session(out / "session" / "session.yaml")
    assert [p.name for p in notes.players] == ["Ana", "Ben"]
    assert [p.handedness.value for p in notes.players] == ["right", "left"]
    assert notes.players[0].clothes == ("red", "black")
    assert notes.players[0].cohort == "Tuesday"
    assert notes.date.isoformat() == "2026-03-02"
    strokes = pq.read_table(out / "truth" / "strokes.parquet").to_pylist()
    assert {(s["player"], s["kind"], s["recording"]) for s in strokes} == {
        ("Ana", "drive", "practice.mp4"),
        ("Ben", "slice", "practice.mp4"),
    }
    frames = pq.read_table(out / "truth" / "frames.parquet")["court_s"].to_numpy()
    np.testing.assert_array_equal(frames, drawn[0]["times_s"])
    assert len(drawn[0]["sound"]) / drawn[0]["sound_rate_hz"] == pytest.approx(frames[-1], abs=0.1)
    assert told[0] == "putting players on the court"
    assert not (tmp_path / "out.part").exists()


def test_slow_motion_is_silent_and_says_its_capture_rate(tmp_path, drawn):
    slow = SCENARIO | {"camera": {"frame_rate": 240, "slow_motion": 8}}
    path = tmp_path / "slow.yaml"
    path.write_text(yaml.safe_dump(slow))
    out = rehearse(path, tmp_path / "out", seed=1)
    assert drawn[0]["sound"] is None
    assert load_session(out / "session" / "session.yaml").capture_fps == 240
    strokes = pq.read_table(out / "truth" / "strokes.parquet").to_pylist()
    frames = pq.read_table(out / "truth" / "frames.parquet")
    assert frames["time_s"][10].as_py() == pytest.approx(8 * frames["court_s"][10].as_py())
    # Times are those of the playback, speeds those on court.
    assert strokes[0]["contact_s"] > 8 * 2
    assert 7 < strokes[0]["head_speed_mps"] < 12


def test_earlier_rehearsal_is_replaced_and_anything_else_left_alone(tmp_path, drawn, scenario_file):
    rehearse(scenario_file, tmp_path / "out", seed=1)
    first = pq.read_table(tmp_path / "out" / "truth" / "strokes.parquet")
    rehearse(scenario_file, tmp_path / "out", seed=2)
    assert pq.read_table(tmp_path / "out" / "truth" / "strokes.parquet") != first
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("mine")
    with pytest.raises(RehearsalError, match="not an earlier rehearsal"):
        rehearse(scenario_file, tmp_path / "mine")
    assert (tmp_path / "mine" / "thesis.txt").read_text() == "mine"


def test_nothing_half_written_stands_under_the_name(tmp_path, drawn, scenario_file, monkeypatch):
    def broken(path, **what):
        raise RehearsalError("nothing can be drawn here")

    monkeypatch.setattr(session_module, "render_film", broken)
    with pytest.raises(RehearsalError, match="drawn"):
        rehearse(scenario_file, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_sampled_world_stays_within_a_tenth_of_a_millimetre():
    staging = stage(Scenario.model_validate(SCENARIO), 2)
    world, stroke = SampledWorld(staging), staging.strokes[0]
    time_s = stroke.event.contact_s + np.linspace(-0.02, 0.02, 37)
    moments, player = world(time_s), staging.players[stroke.player]
    show = player.motion.perform(time_s)
    positions, _ = player.body.joints(show.root_position_m, show.local_rotations)
    np.testing.assert_allclose(moments.joints[stroke.player][0], positions, atol=1e-4)
    np.testing.assert_allclose(moments.paddles[stroke.player][0], show.butt_m, atol=1e-4)
    # Over the edge between two pieces of the grid too.
    edge = np.floor(stroke.event.contact_s) + np.linspace(-0.003, 0.003, 7)
    show = player.motion.perform(edge)
    np.testing.assert_allclose(world(edge).paddles[stroke.player][0], show.butt_m, atol=1e-4)


@pytest.mark.parametrize("shutter_s", [1 / 500, 1 / 60])
def test_blur_is_as_long_as_speed_times_exposure(shutter_s):
    settings = CameraSettings(
        place="behind", width_px=640, height_px=360, frame_rate=30, shutter_s=shutter_s,
        noise=0, exposure_drift=0, distortion=(0, 0, 0, 0, 0), aim_m=(0, -5.0, 1.2),
    )  # fmt: skip
    camera, speed, at = place_camera(settings), 9.0, np.array([0.0, -7.5, 1.2])

    def world(ball):
        def moments(time_s):
            way = np.zeros((len(time_s), 1, 3)) if ball else np.full((len(time_s), 1, 3), np.nan)
            way[:, 0, 0] += speed * (np.asarray(time_s) - 0.5)
            return Moments(joints=(), paddles=(), balls_m=at + way)

        return moments

    pictures = []
    for ball in (True, False):
        film_frames(
            settings=settings, venue=VenueSettings(indoor=True, light="hall", people=0),
            cast=(), paddles=(), world=world(ball), times_s=np.array([0.5]), seed=1,
            show=lambda k, picture: pictures.append(picture.astype(float)),
        )  # fmt: skip
    # The ball's shadow lies on the ground, far below the row of the ball.
    row = round(camera.project(at)[1])
    change = np.abs(pictures[0] - pictures[1])[row - 2 : row + 3].sum(axis=(0, 2))
    lit = np.flatnonzero(change > 0.5 * np.percentile(change, 99.5))
    depth = camera.in_camera(at)[2]
    expected = camera.focal_px * speed * shutter_s / depth
    wide = camera.focal_px * 2 * BALL_RADIUS_M / depth
    # Half brightness lies between the ends of a blur that is longer than the ball.
    assert np.ptp(lit) + 1 == pytest.approx(max(expected, wide), abs=2.5)
