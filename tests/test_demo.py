"""The main job on the demo that ships, graded with wide margins; accuracy itself is a benchmark."""

import json
import subprocess
import sys
from importlib import resources
from pathlib import Path

import pytest
from pypdf import PdfReader

from paddlebrief.rehearsal.grade import grade

TRUTH = Path(__file__).parent / "demo_truth"


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    out = tmp_path_factory.mktemp("demo") / "out"
    command = [sys.executable, "-m", "paddlebrief", "demo", "--out", str(out), "--json"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=1500, check=False)
    assert done.returncode == 0, done.stderr
    return out, json.loads(done.stdout)


def test_the_demo_is_small_enough_and_has_its_session_file():
    folder = resources.files("paddlebrief").joinpath("demo")
    files = {f.name: len(f.read_bytes()) for f in folder.iterdir()}
    assert {"practice.mp4", "session.yaml"} <= files.keys()
    assert sum(files.values()) <= 10_000_000


def test_each_player_gets_a_brief(demo):
    _, told = demo
    players = {s["player"] for r in told["recordings"] for s in r["strokes"]}
    assert players == {"Rosa", "Theo"}
    for path in told["briefs"]:
        text = PdfReader(path).pages[0].extract_text()
        assert "Rosa" in text or "Theo" in text
    assert len(told["briefs"]) == 2


def test_most_strokes_are_found_on_time_and_few_are_invented(demo):
    out, _ = demo
    grades = grade(out, TRUTH)
    assert grades["strokes"]["recall"] >= 0.7
    assert grades["strokes"]["precision"] >= 0.8
    assert grades["contact_time_ms"]["median"] <= 40
    assert grades["identity_accuracy"] >= 0.9
    assert grades["side_accuracy"] >= 0.9


def test_measures_in_space_are_near_the_truth(demo):
    out, _ = demo
    measures = grade(out, TRUTH)["measures"]
    for name, most in (
        ("separation_at_load_deg", 6.0), ("shoulder_turn_deg", 6.0), ("contact_height_m", 0.1),
        ("ball_launch_speed_mps", 1.0), ("landing_depth_m", 0.5),
    ):  # fmt: skip
        assert measures[name]["n"] >= 10, name
        assert measures[name]["median_abs_error"] <= most, name
