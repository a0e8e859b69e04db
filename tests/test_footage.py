"""Timing, size and faults of recordings, against ffprobe's decoded frames and known clips."""

import hashlib
import json
import subprocess
from fractions import Fraction

import numpy as np
import pytest

from paddlebrief import footage
from paddlebrief.errors import FootageError
from paddlebrief.footage.geometry import PictureGeometry
from paddlebrief.media import executable
from paddlebrief.session import Session
from tests import clips

VARIABLE = [Fraction(k, 30) for k in (0, 1, 2, 3, 5, 6, 9, 10, 11, 12, 13, 20, 21, 22, 23, 24)]


def shown_times(path) -> np.ndarray:
    """Times of the frames that ffprobe decodes: the outside reference."""
    command = [str(executable("ffprobe")), "-v", "error", "-select_streams", "v:0"]
    command += ["-show_entries", "frame=best_effort_timestamp_time", "-of", "json", str(path)]
    found = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
    return np.array([float(f["best_effort_timestamp_time"]) for f in found["frames"]])


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv", ".ts", ".webm"])
@pytest.mark.parametrize(
    "times_s",
    [
        pytest.param(clips.constant_times(30, 24), id="constant"),
        pytest.param(VARIABLE, id="variable"),
        pytest.param(clips.constant_times(Fraction(60_000, 1001), 24, start=3), id="offset"),
    ],
)
def test_frame_times_are_the_decoded_ones(tmp_path, suffix, times_s):
    coding = {"codec": "libvpx", "options": {"cpu-used": "8"}} if suffix == ".webm" else {}
    path = clips.write_clip(tmp_path / f"clip{suffix}", times_s=times_s, **coding)
    found_s = footage.frame_times(path)
    # ffprobe prints microseconds.
    np.testing.assert_allclose(found_s, shown_times(path), rtol=0, atol=0.6e-6)
    # The transport stream's writer delays everything by B frames; the others keep the start, to
    # Matroska's millisecond.
    wanted_s = np.array([float(t) for t in times_s])
    if suffix == ".ts":
        found_s, wanted_s = found_s - found_s[0], wanted_s - wanted_s[0]
    tick_s = 0.0006 if suffix in (".mkv", ".webm") else 0.6 / 90_000
    np.testing.assert_allclose(found_s, wanted_s, rtol=0, atol=tick_s)


def test_an_edit_list_hides_frames(tmp_path):
    whole = clips.write_clip(tmp_path / "whole.mp4", times_s=clips.constant_times(30, 60))
    cut = tmp_path / "cut.mp4"
    command = [str(executable("ffmpeg")), "-v", "error", "-ss", "0.9", "-i", str(whole)]
    subprocess.run([*command, "-c", "copy", str(cut)], check=True)
    info = footage.inspect(cut)
    assert info.frames == len(shown_times(cut)) < 60
    assert info.faults == ()


@pytest.mark.parametrize(
    ("suffix", "rate"),
    [
        (".mp4", Fraction(30)),
        (".mkv", Fraction(30)),
        (".mkv", Fraction(30_000, 1001)),
        (".mkv", Fraction(60_000, 1001)),
        (".mp4", Fraction(120)),
        (".mkv", Fraction(240)),
    ],
)
def test_frame_rate_is_exact_through_millisecond_ticks(tmp_path, suffix, rate):
    times_s = clips.constant_times(rate, 120)
    info = footage.inspect(clips.write_clip(tmp_path / f"clip{suffix}", times_s=times_s))
    assert info.frame_rate == rate
    assert not info.variable_rate
    assert info.slow_factor == 1


def test_info_of_a_plain_recording(tmp_path):
    sound = clips.Track(samples=np.zeros(48_000))
    path = clips.write_clip(
        tmp_path / "clip.mov", times_s=clips.constant_times(30, 30, start=2), sound=sound
    )
    info = footage.inspect(path)
    assert info.path == path
    assert info.content_hash == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (info.width_px, info.height_px) == clips.SIZE_PX
    assert (info.start_s, info.end_s) == pytest.approx((2, 2 + 29 / 30), abs=1e-5)
    assert info.frames == 30
    assert info.sound_rate_hz == 48_000
    assert info.capture_rate_source == "presentation times"
    assert info.faults == ()


def test_variable_rate_takes_the_typical_interval_and_tells_long_gaps(tmp_path):
    times_s = [*VARIABLE, *(Fraction(3) + Fraction(k, 30) for k in range(5))]
    info = footage.inspect(clips.write_clip(tmp_path / "clip.mp4", times_s=times_s))
    assert info.variable_rate
    assert info.frame_rate == 30
    assert info.faults == ("there are no pictures between 0.8 s and 3.0 s",)


def test_several_gaps_are_one_sentence(tmp_path):
    starts = (0, 2, 5)
    times_s = [s + Fraction(k, 30) for s in starts for k in range(6)]
    info = footage.inspect(clips.write_clip(tmp_path / "clip.mp4", times_s=times_s))
    assert info.faults == (
        "there are 2 gaps without pictures, the longest between 2.2 s and 5.0 s",
    )


class TestCaptureRate:
    def info(self, folder, *, rate=30, session=None, tags=None):
        times_s = clips.constant_times(Fraction(rate), 30)
        path = clips.write_clip(folder / "slow.mp4", times_s=times_s, tags=tags)
        return footage.inspect(path, session=session)

    def test_session_file_goes_before_the_container(self, tmp_path):
        info = self.info(
            tmp_path,
            session=Session(capture_fps=240),
            tags={"com.android.capture.fps": "120.0"},
        )
        assert (info.capture_rate, info.capture_rate_source) == (240, "session file")
        assert info.slow_factor == 8
        assert info.frame_interval_s == pytest.approx(1 / 240)

    def test_map_from_recording_to_rate(self, tmp_path):
        assert self.info(tmp_path, session=Session(capture_fps={"slow": 120})).slow_factor == 4
        assert self.info(tmp_path, session=Session(capture_fps={"other": 120})).slow_factor == 1

    @pytest.mark.parametrize("tag", ["com.android.capture.fps", "maker.CaptureFrameRate"])
    def test_container_metadata(self, tmp_path, tag):
        info = self.info(tmp_path, tags={tag: "240.000000"})
        assert (info.capture_rate, info.capture_rate_source) == (240, "container")

    def test_requested_rate_of_a_plain_recording_is_no_slow_motion(self, tmp_path):
        info = self.info(tmp_path, rate=24, tags={"com.android.capture.fps": "30.0"})
        assert (info.capture_rate, info.capture_rate_source) == (24, "presentation times")

    @pytest.mark.parametrize("value", ["fast", "0", "-240", "1/0"])
    def test_senseless_metadata_is_passed_over(self, tmp_path, value):
        info = self.info(tmp_path, tags={"com.android.capture.fps": value})
        assert info.capture_rate_source == "presentation times"

    def test_nominal_rate_in_the_session_file_is_the_exact_one(self, tmp_path):
        rate = Fraction(30_000, 1001)
        info = self.info(tmp_path, rate=rate, session=Session(capture_fps=30))
        assert (info.capture_rate, info.capture_rate_source) == (rate, "session file")

    def test_rate_below_the_recording_s_is_a_fault(self, tmp_path):
        info = self.info(tmp_path, rate=60, session=Session(capture_fps=30))
        assert info.slow_factor == 1
        assert "capture_fps 30" in info.faults[0]
        assert "60 pictures a second" in info.faults[0]


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
def test_a_recording_that_breaks_off_says_so(tmp_path, suffix):
    # Matroska states each stream's end in tags at its front only when ffmpeg itself writes it.
    made = clips.write_clip(tmp_path / "made.mp4", times_s=clips.constant_times(30, 300))
    whole = tmp_path / f"whole{suffix}"
    command = [str(executable("ffmpeg")), "-v", "error", "-i", str(made), "-c", "copy"]
    subprocess.run([*command, "-movflags", "faststart", str(whole)], check=True)
    assert footage.inspect(whole).faults == ()
    info = footage.inspect(clips.cut_short(whole, 0.4, tmp_path / f"short{suffix}"))
    assert 60 < info.frames < 180
    reached_s = info.end_s - info.start_s + 1 / 30
    assert info.faults == (f"breaks off after {reached_s:.1f} s of 10.0 s",)


def test_interlaced_pictures_are_told(tmp_path):
    options = {"preset": "ultrafast", "x264-params": "interlaced=1:tff=1"}
    times_s = clips.constant_times(25, 10)
    path = clips.write_clip(tmp_path / "tv.mp4", times_s=times_s, options=options)
    assert any("interlaced" in fault for fault in footage.inspect(path).faults)


class TestNotARecording:
    def error(self, path) -> str:
        with pytest.raises(FootageError) as caught:
            footage.inspect(path)
        assert "\n" not in str(caught.value)
        assert str(caught.value).startswith(str(path))
        assert caught.value.todo
        return str(caught.value)

    def test_empty_file(self, tmp_path):
        path = tmp_path / "empty.mp4"
        path.touch()
        assert "the file is empty" in self.error(path)

    @pytest.mark.parametrize(
        "text",
        ["stroke notes\n" * 300, "#EXTM3U\nclip.mp4\n", "ffconcat version 1.0\nfile c.mp4\n"],
    )
    def test_text_file(self, tmp_path, text):
        path = tmp_path / "notes.mp4"
        path.write_text(text)
        assert "found text" in self.error(path)

    def test_random_bytes(self, tmp_path):
        path = tmp_path / "noise.mp4"
        path.write_bytes(np.random.default_rng(3).bytes(20_000))
        assert "found data of no known kind" in self.error(path)

    def test_mp4_without_its_index(self, tmp_path):
        whole = clips.write_clip(tmp_path / "a.mp4", times_s=clips.constant_times(30, 30))
        data = whole.read_bytes()
        path = tmp_path / "unfinished.mp4"
        path.write_bytes(data[: data.index(b"moov") - 4] + data[data.index(b"mdat") - 4 :])
        assert "its index is missing" in self.error(path)

    def test_sound_only(self, tmp_path):
        path = clips.write_sound_only(
            tmp_path / "talk.mp4", clips.Track(samples=np.zeros(9600), codec="aac")
        )
        assert "found sound only" in self.error(path)

    def test_single_picture(self, tmp_path):
        path = clips.write_clip(tmp_path / "still.mp4", times_s=clips.constant_times(30, 1))
        assert "at least two video frames" in self.error(path)

    def test_missing_file_and_folder(self, tmp_path):
        assert "found nothing" in self.error(tmp_path / "gone.mp4")
        assert "found a folder" in self.error(tmp_path)


def test_a_changed_file_is_read_again(tmp_path):
    path = tmp_path / "clip.mp4"
    clips.write_clip(path, times_s=clips.constant_times(30, 10))
    before = footage.inspect(path)
    clips.write_clip(path, times_s=clips.constant_times(30, 20))
    after = footage.inspect(path)
    assert (before.frames, after.frames) == (10, 20)
    assert before.content_hash != after.content_hash


@pytest.mark.parametrize("quarter_turns", range(4))
@pytest.mark.parametrize("mirrored", [False, True])
def test_display_matrix_moves_every_pixel_where_it_says(quarter_turns, mirrored):
    matrix = np.linalg.matrix_power(np.array([[0, -1], [1, 0]]), quarter_turns)
    if mirrored:
        matrix = matrix @ np.diag([-1, 1])
    stored = np.arange(4 * 6 * 3, dtype=np.uint8).reshape(4, 6, 3)
    # Brute force: send each pixel (x, y) through the matrix, then move the corner to (0, 0).
    ys, xs = np.mgrid[:4, :6]
    sent = np.einsum("ij,jyx->iyx", matrix, np.stack([xs, ys]))
    sent -= sent.min(axis=(1, 2), keepdims=True)
    wanted = np.empty((sent[1].max() + 1, sent[0].max() + 1, 3), np.uint8)
    wanted[sent[1], sent[0]] = stored

    (a, c), (b, d) = matrix * 65536
    stream = {
        "width": 6,
        "height": 4,
        "side_data_list": [
            {"displaymatrix": f"\n00000000: {a} {b} 0\n00000001: {c} {d} 0\n00000002: 0 0 1\n"}
        ],
    }
    geometry = PictureGeometry.from_stream(stream)
    np.testing.assert_array_equal(geometry.upright(stored), wanted)
    assert geometry.size_px == wanted.shape[1::-1]
    if not mirrored:
        assert geometry.rotation_deg == 90 * quarter_turns
