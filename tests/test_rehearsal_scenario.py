"""Scenarios, the timetable, and the truth tables of a staged rehearsal."""

from collections import Counter
from itertools import pairwise

import cv2
import numpy as np
import pyarrow.parquet as pq
import pytest
import yaml

from paddlebrief.errors import RehearsalError
from paddlebrief.rehearsal import staging as staging_module
from paddlebrief.rehearsal.camera import CameraSettings
from paddlebrief.rehearsal.filming import Filming
from paddlebrief.rehearsal.plan import make_plan
from paddlebrief.rehearsal.scenario import Scenario, load_scenario, preset_names
from paddlebrief.rehearsal.staging import stage
from paddlebrief.rehearsal.true_measures import MEASURES
from paddlebrief.rehearsal.truth import SCHEMAS, write_truth
from tests.stick_body import StickBody

SMALL = {
    "seed": 4,
    "players": [
        {"name": "Ana", "strokes": {"forehand drive": 2, "backhand slice": 1, "forehand serve": 1}},
        {"name": "Ben", "hand": "left", "strokes": {"forehand volley": 1, "forehand drive": 2}},
    ],
    "distractors": {"practice_swings": 1, "pick_ups": 1, "crossings": 1},
    "camera": {"frame_rate": 30, "readout_s": 0.02, "shake_deg": 0.2, "shutter_s": 0.002},
}


@pytest.fixture(autouse=True)
def _bodies_of_sticks(monkeypatch):
    monkeypatch.setattr(staging_module, "bake_bodies", lambda wanted: None)
    monkeypatch.setattr(staging_module, "make_body", lambda spec, seed: StickBody())


@pytest.fixture(scope="module")
def staged():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(staging_module, "bake_bodies", lambda wanted: None)
        patch.setattr(staging_module, "make_body", lambda spec, seed: StickBody())
        return stage(Scenario.model_validate(SMALL), 4)


@pytest.fixture(scope="module")
def truth(staged, tmp_path_factory):
    folder = tmp_path_factory.mktemp("truth")
    film = Filming(staged.scenario.camera, length_s=staged.length_s, seed=4)
    write_truth(folder, staged, film)
    return folder, film


def load(tmp_path, change):
    path = tmp_path / "mine.yaml"
    path.write_text(yaml.safe_dump(SMALL | change))
    return load_scenario(path)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"lenght_s": 60}, "lenght_s: unknown option, did you mean length_s"),
        ({"camera": {"hight_m": 2}}, "did you mean height_m"),
        ({"camera": {"height_m": -1}}, "camera.height_m"),
        ({"players": []}, "one to four players, found 0"),
        ({"players": [{"name": "A", "strokes": {}}]}, "A has no strokes"),
        (
            {"players": [{"name": "A", "strokes": {"forhand drive": 3}}]},
            "unknown stroke 'forhand drive', did you mean forehand drive",
        ),
        (
            {
                "players": [
                    {
                        "name": "A",
                        "strokes": {"forehand drive": 3},
                        "technique": {"forehand drive": {"hip_turn_deg": 140}},
                    }
                ]
            },
            "hip_turn_deg 140 is beyond what the body or the court allows, -20 to 80",
        ),
        (
            {
                "players": [
                    {
                        "name": "A",
                        "strokes": {"forehand drive": 3},
                        "technique": {"forehand drive": {"hip_trun_deg": 40}},
                    }
                ]
            },
            "did you mean hip_turn_deg",
        ),
        (
            {
                "players": [
                    {"name": "A", "strokes": {"forehand drive": 3}, "paddle": {"length_m": 0.5}}
                ]
            },
            "over the rulebook",
        ),
        (
            {"players": [SMALL["players"][0]], "distractors": {"crossings": 1}},
            "crossings need at least two players",
        ),
        ({"players": [SMALL["players"][0]] * 2}, "a name of its own"),
    ],
)
def test_each_fault_of_a_scenario_is_one_clear_line(tmp_path, change, says):
    with pytest.raises(RehearsalError) as caught:
        load(tmp_path, change)
    assert says in str(caught.value)
    assert "mine.yaml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_unknown_preset_is_named_with_the_nearest():
    with pytest.raises(RehearsalError, match="unknown preset 'behnd', did you mean behind"):
        load_scenario("behnd")


def test_strokes_that_do_not_fit_say_how_long_they_need(tmp_path):
    scenario = load(tmp_path, {"length_s": 10})
    with pytest.raises(RehearsalError, match=r"at least \d+ s; found 10 s"):
        stage(scenario, 1)


@pytest.mark.parametrize("name", preset_names())
def test_presets_are_scenarios(name):
    scenario = load_scenario(name)
    assert sum(p.stroke_count for p in scenario.players) >= 24


def test_the_demo_is_what_it_is_meant_to_be():
    demo = load_scenario("demo")
    kinds = Counter(kind.split()[-1] for p in demo.players for kind in p.strokes)
    assert (demo.camera.width_px, demo.camera.height_px, demo.camera.frame_rate) == (1280, 720, 60)
    assert len(demo.players) == 2
    assert kinds["drive"] >= 2
    assert kinds["slice"] >= 2
    assert demo.sound.recorded
    assert [p.change is not None for p in demo.players].count(True) == 1
    assert make_plan(demo, np.random.default_rng([demo.seed, 1])).length_s >= 60


def test_every_stroke_asked_for_happens_and_nobody_does_two_things_at_once(staged):
    done = Counter(
        (staged.players[s.player].settings.name, f"{s.event.side} {s.event.action}")
        for s in staged.strokes
    )
    wanted = {(p["name"], n): c for p in SMALL["players"] for n, c in p["strokes"].items()}
    assert done == wanted
    others = Counter(e.what for p in staged.players for e in p.events)
    assert (others["practice"], others["pick-up"], others["crossing"]) == (1, 1, 2)
    for player in staged.players:
        for before, after in pairwise(player.events):
            assert before.span_s[1] <= after.span_s[0] + 1e-9


def test_balls_are_where_they_are_struck_and_leave_as_the_paddle_sends_them(staged):
    for stroke in staged.strokes:
        at = stroke.event.contact_s
        near = staged.ball_places(np.array([at - 1e-6, at + 1e-6]))
        for places in near:
            gap = np.linalg.norm(places - stroke.ball_m, axis=-1)
            assert np.nanmin(gap) < 1e-3
        motion = staged.players[stroke.player].motion
        show = motion.perform(np.array([at]))
        local = show.paddle_rotation[0].T @ (stroke.ball_m - show.butt_m[0])
        assert abs(abs(local[2]) - motion.paddle.stand_off_m) < 1e-9
        assert np.hypot(*(local - motion.paddle.face_centre_m)[:2]) < 0.05


def test_session_is_the_same_again_and_another_with_another_seed(staged):
    again, other = (stage(staged.scenario, seed) for seed in (4, 5))
    time_s = np.linspace(0.5, staged.length_s, 50)
    np.testing.assert_array_equal(again.ball_places(time_s), staged.ball_places(time_s))
    show = [s.players[1].motion.perform(time_s).butt_m for s in (staged, again, other)]
    np.testing.assert_array_equal(show[0], show[1])
    assert np.abs(show[0] - show[2]).max() > 0.05


def test_truth_tables_have_the_documented_columns_with_their_units(truth):
    folder, _ = truth
    assert {p.stem for p in folder.iterdir()} == set(SCHEMAS)
    for name, columns in SCHEMAS.items():
        schema = pq.read_schema(folder / f"{name}.parquet")
        assert schema.names == list(columns)
        for column in schema:
            assert column.metadata[b"description"]
    strokes = pq.read_table(folder / "strokes.parquet").to_pylist()
    assert [s["number"] for s in strokes] == [1, 2, 3, 4, 5, 6, 7]
    for stroke in strokes:
        assert stroke["load_s"] <= stroke["forward_s"] <= stroke["contact_s"] < stroke["finish_s"]
        always = set(MEASURES) - {"ball_mean_speed_mps", "landing_depth_m"}
        assert np.isfinite([stroke[name] for name in always]).all()
    kinds = Counter(s["kind"] for s in strokes)
    assert kinds == {"drive": 4, "slice": 1, "other": 2}


def test_places_project_to_their_pixels_by_the_camera_in_the_truth(staged):
    # Against OpenCV's own projection, in frames without a rolling shutter.
    still = staged.scenario.camera.model_copy(update={"readout_s": 0.0})
    film = Filming(still, length_s=3.0, seed=4)
    assert len(film.time_s) == 90
    seen = staged.players[0].motion.perform(film.time_s[:5]).butt_m[:, None]
    pixels = film.pixels(lambda t: staged.players[0].motion.perform(t).butt_m[:, None], slice(0, 5))
    for k in range(5):
        turn = film.rotations()[k]
        expected, _ = cv2.projectPoints(
            seen[k], cv2.Rodrigues(turn)[0], -turn @ film.camera.position_m,
            film.camera.matrix, film.camera.distortion,
        )  # fmt: skip
        np.testing.assert_allclose(pixels[k], expected[0], atol=0.01)


def test_rolling_shutter_takes_each_point_when_its_row_is_exposed():
    settings = CameraSettings(frame_rate=60, shutter_s=0.001, readout_s=0.012)
    film = Filming(settings, length_s=1.0, seed=0)

    def falling(time_s):
        height = 3.0 - 6.0 * (time_s - 0.5)
        across = 12.0 * (time_s - 0.5)
        return np.stack([across, np.full_like(across, -5.0), height], axis=-1)[:, None]

    pixels = film.pixels(falling, slice(25, 35))[:, 0]
    for k, (_, row) in enumerate(pixels):
        row_s = film.camera.row_time_s(film.time_s[25 + k], np.clip(row, 0, 719), 0.012)
        there = film.camera.project(falling(np.array([row_s])))[0, 0]
        np.testing.assert_allclose(pixels[k], there, atol=0.1)


def test_sound_of_each_stroke_is_heard_after_its_distance(truth):
    folder, film = truth
    for impact in pq.read_table(folder / "impacts.parquet").to_pylist():
        way = np.linalg.norm(np.array(impact["place_m"]) - film.microphone_m)
        assert impact["heard_s"] - impact["time_s"] == pytest.approx(way / 343, abs=1e-6)
    paddles = [
        i for i in pq.read_table(folder / "impacts.parquet").to_pylist() if i["kind"] == "paddle"
    ]
    assert [i["stroke"] for i in paddles] == [1, 2, 3, 4, 5, 6, 7]
