"""The flow from recordings to pages: as plain stages, and through the real engine once."""

import json
import sqlite3
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pytest
from pypdf import PdfReader

from paddlebrief.footage import inspect
from paddlebrief.products import WorkFolder
from paddlebrief.session import default_session
from paddlebrief.settings import load_settings
from paddlebrief.stages import STAGES, RecordingJob
from tests.clips import Track, clicks, constant_times, cut_short, write_clip, write_sound_only


def clip(path: Path, *, seconds: int = 2) -> Path:
    return write_clip(path, times_s=constant_times(Fraction(30), 30 * seconds))


def run(*arguments: str | Path, home: Path | None = None) -> subprocess.CompletedProcess:
    command = [sys.executable, "-m", "paddlebrief", "run", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """A session folder with one good recording and every kind of bad one, worked twice."""
    place = tmp_path_factory.mktemp("night")
    inbox, out = place / "inbox", place / "out"
    inbox.mkdir()
    clip(inbox / "good.mp4")
    whole = clip(place / "whole.mp4", seconds=4)
    cut_short(whole, 0.6, inbox / "broken-off.mp4")
    sound = clicks([0.5], rate_hz=48_000, length_s=1.0)
    write_sound_only(inbox / "only-sound.mp4", Track(samples=sound, codec="aac"))
    (inbox / "empty.mp4").write_bytes(b"")
    (inbox / "text.mp4").write_text("this is not a film\n")
    bad = inbox / "other-session"
    bad.mkdir()
    clip(bad / "theirs.mp4")
    (bad / "session.yaml").write_text("plyers: []\n")
    first = run(inbox, "--out", out, "--json")
    second = run(inbox, "--out", out, "--json", "-v")
    return inbox, out, first, second


def test_one_bad_recording_never_stops_the_others(night):
    _, _, first, _ = night
    assert first.returncode == 3, first.stderr
    rows = {Path(r["path"]).name: r for r in json.loads(first.stdout)["recordings"]}
    assert rows["good.mp4"]["status"] == "nothing to brief"
    for name in ("only-sound.mp4", "empty.mp4", "text.mp4", "theirs.mp4"):
        assert rows[name]["status"] == "failed"
        assert name.split(".")[0] in rows[name]["message"] or name == "theirs.mp4"
        assert "\n" not in rows[name]["message"]
    assert "did you mean 'players'" in rows["theirs.mp4"]["message"]


def test_every_recording_has_a_page_and_a_status_row(night):
    inbox, out, first, _ = night
    rows = json.loads(first.stdout)["recordings"]
    pages = {p.name for p in out.glob("*-status.pdf")}
    assert len(pages) == len(rows) == 6
    text = PdfReader(out / "text-status.pdf").pages[0].extract_text()
    assert "text.mp4" in text
    with sqlite3.connect(out / "records.db") as db:
        kept = {Path(p).name for (p,) in db.execute("select recording_path from runs")}
    assert kept == {Path(r["path"]).name for r in rows}


def test_nothing_is_half_written(night):
    _, out, _, _ = night
    left = [p for p in out.rglob("*") if p.name.endswith((".part", ".tmp")) or ".part" in p.name]
    assert left == []


def test_a_second_run_recomputes_no_stage(night):
    _, out, _, second = night
    assert "watching" not in second.stderr
    assert "finding strokes" not in second.stderr
    assert "measuring" not in second.stderr
    with sqlite3.connect(out / "records.db") as db:
        recordings = db.execute("select count(*) from recordings").fetchone()[0]
    assert recordings == len(list((out / "work").glob("*/sight-*")))


def test_stages_run_without_the_engine(tmp_path):
    info = inspect(clip(tmp_path / "a.mp4"))
    job = RecordingJob(
        info=info,
        session=default_session(),
        settings=load_settings(),
        work=WorkFolder(tmp_path / "work"),
    )
    for stage in STAGES:
        folder = Path(getattr(job, stage)())
        assert (folder / "done").is_file()
    assert job.finding().strokes == ()
    assert job.finding().people == 0
    job.closer_look().write_hidden((3.25, 61.5))
    assert any("0:03, 1:02" in note for note in job.finding().notes)


def test_a_wrong_setting_is_one_line_and_exit_code_2(tmp_path):
    mine = tmp_path / "mine.yaml"
    mine.write_text("sight: {max_peple: 3}\n")
    done = run(tmp_path, "--settings", mine, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "did you mean max_people" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_dry_run_leaves_nothing(tmp_path):
    clip(tmp_path / "a.mp4", seconds=1)
    done = run(tmp_path, "--dry-run", "--out", tmp_path / "out")
    assert done.returncode == 0
    assert "would be worked" in done.stdout
    assert not (tmp_path / "out").exists()
