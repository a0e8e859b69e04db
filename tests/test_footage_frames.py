"""Pictures with their times: turned, sought, repeated, undecodable, and never many at once."""

import gc
import itertools
import resource
import subprocess
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from paddlebrief import footage
from paddlebrief.errors import FootageError
from paddlebrief.media import executable
from tests import clips

PAGE_BYTES = resource.getpagesize()


def read_all(path, **stretch):
    with footage.open_frames(path, **stretch) as frames:
        found = list(frames)
    return found, frames.failures


@pytest.mark.parametrize(
    ("suffix", "coding"),
    [
        (".mp4", {}),
        (".mov", {}),
        (".mkv", {}),
        (".ts", {}),
        (".mp4", {"codec": "libx265", "options": {"preset": "ultrafast", "log-level": "none"}}),
        (".avi", {"codec": "mpeg4", "options": {"bf": "2"}, "time_base": Fraction(1, 30)}),
        (".avi", {"codec": "mjpeg", "time_base": Fraction(1, 30)}),
    ],
)
def test_every_frame_once_with_its_own_time(tmp_path, suffix, coding):
    times_s = clips.constant_times(30, 45)
    path = clips.write_clip(tmp_path / f"clip{suffix}", times_s=times_s, **coding)
    frames, failures = read_all(path)
    assert failures == 0
    assert [f.index for f in frames] == list(range(45))
    assert [clips.number_in(f.picture_bgr) for f in frames] == list(range(45))
    assert [f.time_s for f in frames] == footage.frame_times(path).tolist()
    assert all(f.picture_bgr.shape == (144, 256, 3) for f in frames)


def test_variable_rate_neither_drops_nor_doubles(tmp_path):
    times_s = [Fraction(k * k, 100) for k in range(20)]
    frames, _ = read_all(clips.write_clip(tmp_path / "clip.mp4", times_s=times_s))
    assert [clips.number_in(f.picture_bgr) for f in frames] == list(range(20))
    np.testing.assert_allclose([f.time_s for f in frames], [float(t) for t in times_s], atol=1e-5)


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
def test_pictures_are_upright(tmp_path, rotation_deg):
    path = clips.write_clip(
        tmp_path / "clip.mp4", times_s=clips.constant_times(30, 4), rotation_deg=rotation_deg
    )
    info = footage.inspect(path)
    assert info.rotation_deg == rotation_deg
    frames, _ = read_all(path)
    assert [clips.number_in(f.picture_bgr) for f in frames] == [0, 1, 2, 3]
    assert frames[0].picture_bgr.shape == (info.height_px, info.width_px, 3)
    # The ffmpeg program turns pictures by the same metadata on its own.
    command = [str(executable("ffmpeg")), "-v", "error", "-i", str(path)]
    command += ["-f", "rawvideo", "-pix_fmt", "bgr24", "-"]
    raw = subprocess.run(command, capture_output=True, check=True).stdout
    wanted = np.frombuffer(raw, np.uint8).reshape(4, info.height_px, info.width_px, 3)
    shown = np.stack([f.picture_bgr for f in frames])
    assert np.abs(shown.astype(int) - wanted).mean() < 1.0


def test_pixels_become_square(tmp_path):
    path = clips.write_clip(
        tmp_path / "clip.mp4", times_s=clips.constant_times(30, 3), pixel_aspect=Fraction(4, 3)
    )
    info = footage.inspect(path)
    assert (info.width_px, info.height_px) == (341, 144)
    frames, _ = read_all(path)
    assert frames[0].picture_bgr.shape == (144, 341, 3)
    assert [clips.number_in(f.picture_bgr) for f in frames] == [0, 1, 2]


SHOWN = [k - k // 5 for k in range(80)]
"""Every fifth picture is shown a second time, as when 24 pictures are stretched to 30."""


class TestStretches:
    @pytest.fixture(params=[".mp4", ".mkv", ".ts", ".avi"])
    def clip(self, request, tmp_path):
        coding = {}
        if request.param == ".avi":
            coding = {"codec": "mpeg4", "options": {"bf": "2"}, "time_base": Fraction(1, 30)}
        start = 0 if request.param == ".avi" else 2
        times_s = clips.constant_times(30, 80, start=start)
        path = tmp_path / f"clip{request.param}"
        return clips.write_clip(path, times_s=times_s, numbers=SHOWN, **coding)

    def test_a_stretch_is_the_same_part_of_the_whole(self, clip):
        whole, _ = read_all(clip)
        times_s = [f.time_s for f in whole]
        for first in (0, 1, 9, 10, 11, 12, 37, 60, 79):
            for start_s in (times_s[first], times_s[first] - 0.01):
                part, failures = read_all(clip, start_s=start_s)
                assert failures == 0
                assert [(f.index, f.time_s, f.repeat) for f in part] == [
                    (f.index, f.time_s, f.repeat) for f in whole[first:]
                ]
                np.testing.assert_array_equal(part[0].picture_bgr, whole[first].picture_bgr)

    def test_neighbouring_stretches_share_nothing_and_lose_nothing(self, clip):
        times_s = footage.frame_times(clip)
        edges = [None, times_s[7], times_s[31] + 0.001, times_s[64], None]
        found = []
        for start_s, end_s in itertools.pairwise(edges):
            part, failures = read_all(clip, start_s=start_s, end_s=end_s)
            assert failures == 0
            found += [f.index for f in part]
        assert found == list(range(80))

    def test_nothing_outside(self, clip):
        assert read_all(clip, start_s=99.0) == ([], 0)
        assert read_all(clip, end_s=-1.0) == ([], 0)
        assert read_all(clip, start_s=3.0, end_s=2.5) == ([], 0)


class TestRepeats:
    def repeats(self, folder, numbers, **drawing):
        times_s = clips.constant_times(30, len(numbers))
        path = clips.write_clip(folder / "clip.mp4", times_s=times_s, numbers=numbers, **drawing)
        return [f.index for f in read_all(path)[0] if f.repeat]

    def test_pictures_shown_again(self, tmp_path):
        wanted = [k for k in range(1, 80) if SHOWN[k] == SHOWN[k - 1]]
        assert self.repeats(tmp_path, SHOWN) == wanted

    def test_pictures_shown_four_times(self, tmp_path):
        # Until two pictures were seen to differ there is no telling.
        wanted = [k for k in range(5, 40) if k % 4]
        assert self.repeats(tmp_path, [k // 4 for k in range(40)]) == wanted

    def test_a_still_scene_has_none(self, tmp_path):
        assert self.repeats(tmp_path, [7] * 40) == []

    def test_sensor_noise_hides_none_and_makes_none(self, tmp_path):
        def noisy(number, size_px):
            noise = np.random.default_rng(number).normal(0, 6, (size_px[1], size_px[0], 1))
            scene = clips.picture(min(number, 30), size_px)
            return np.clip(scene + noise, 0, 255).astype(np.uint8)

        # A repeat repeats the noise too; a scene that comes to rest has fresh noise each time.
        numbers = [*SHOWN[:35], *range(29, 60)]
        found = self.repeats(tmp_path, numbers, draw=noisy, size_px=(640, 360))
        assert found == [5, 10, 15, 20, 25, 30]

    def test_a_small_mover_in_a_still_scene_is_no_repeat(self, tmp_path):
        def distant(number, size_px):
            shown = clips.picture(0, size_px)
            shown[size_px[1] // 3 :] = 90
            left = 40 + 6 * number
            shown[200:230, left : left + 8] = 200
            return shown

        assert self.repeats(tmp_path, range(40), draw=distant, size_px=(640, 360)) == []


class TestDamage:
    def test_a_truncated_recording_is_read_to_its_end(self, tmp_path, caplog):
        whole = clips.write_clip(tmp_path / "whole.mp4", times_s=clips.constant_times(30, 200))
        short = clips.cut_short(whole, 0.5, tmp_path / "short.mp4")
        info = footage.inspect(short)
        with caplog.at_level("INFO"):
            frames, failures = read_all(short)
        assert failures <= 2
        assert len(frames) + failures == info.frames
        assert [clips.number_in(f.picture_bgr) for f in frames] == [f.index for f in frames]
        assert ("undecodable" in caplog.text) == (failures > 0)

    def test_undecodable_frames_are_counted_and_the_rest_keep_their_places(self, tmp_path, caplog):
        whole = clips.write_clip(tmp_path / "whole.mp4", times_s=clips.constant_times(30, 120))
        data = bytearray(whole.read_bytes())
        middle = data.index(b"mdat") + (len(data) - data.index(b"mdat")) // 2
        data[middle : middle + 3000] = np.random.default_rng(1).bytes(3000)
        damaged = tmp_path / "damaged.mp4"
        damaged.write_bytes(data)
        with caplog.at_level("INFO"):
            frames, failures = read_all(damaged)
        assert failures > 0
        assert len(frames) + failures == 120
        assert "undecodable frames" in caplog.text
        sound = [f for f in frames if clips.number_in(f.picture_bgr) == f.index]
        assert len(sound) >= 90
        assert frames[-1].index == 119
        part, _ = read_all(damaged, start_s=3.5)
        assert [clips.number_in(f.picture_bgr) for f in part] == list(range(105, 120))

    def test_unknown_coding(self, tmp_path):
        whole = clips.write_clip(tmp_path / "whole.mp4", times_s=clips.constant_times(30, 10))
        odd = tmp_path / "odd.mp4"
        odd.write_bytes(whole.read_bytes().replace(b"avc1", b"qqqq").replace(b"avcC", b"qqqC"))
        with (
            pytest.raises(FootageError, match="coded in a way that cannot be read"),
            footage.open_frames(odd),
        ):
            pass

    def test_not_a_recording(self, tmp_path):
        path = tmp_path / "notes.mp4"
        path.write_text("notes")
        with pytest.raises(FootageError, match="found text"), footage.open_frames(path):
            pass


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * PAGE_BYTES / 1e6


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="needs Linux's process table")
def test_memory_does_not_grow_with_length(tmp_path):
    size_px = (640, 360)
    drawn = [clips.picture(k, size_px) for k in range(8)]

    def peak_mb(frames):
        path = clips.write_clip(
            tmp_path / f"{frames}.mp4",
            times_s=clips.constant_times(30, frames),
            size_px=size_px,
            draw=lambda number, _: drawn[number % 8],
        )
        gc.collect()
        with footage.open_frames(path) as reader:
            return max(resident_mb() for _ in reader)

    peak_mb(40)
    short_mb, long_mb = peak_mb(60), peak_mb(600)
    # Held, the longer clip's pictures would take 370 MB more.
    assert long_mb - short_mb < 25


def test_leaving_early_closes_the_file(tmp_path):
    path = clips.write_clip(tmp_path / "clip.mp4", times_s=clips.constant_times(30, 60))
    with footage.open_frames(path) as frames:
        assert next(frames).index == 0
    open_files = [p.resolve() for p in Path("/proc/self/fd").iterdir() if p.exists()]
    assert path.resolve() not in open_files


def test_reading_ahead_gives_the_same_frames_and_then_the_failure(tmp_path):
    path = clips.write_clip(tmp_path / "clip.mp4", times_s=clips.constant_times(30, 20))
    plain, _ = read_all(path)
    with footage.open_frames(path) as frames:
        ahead = list(footage.read_ahead(frames))
    assert [f.index for f in ahead] == [f.index for f in plain]
    for a, b in zip(ahead, plain, strict=True):
        np.testing.assert_array_equal(a.picture_bgr, b.picture_bgr)

    def breaking_off():
        yield from plain[:5]
        raise FootageError("the disk is gone", file=path)

    seen = []
    with pytest.raises(FootageError, match="the disk is gone"):
        for frame in footage.read_ahead(breaking_off()):
            seen.append(frame.index)
    assert seen == [0, 1, 2, 3, 4]


def test_reading_ahead_stops_when_nobody_wants_more(tmp_path):
    path = clips.write_clip(tmp_path / "clip.mp4", times_s=clips.constant_times(30, 20))
    with footage.open_frames(path) as frames:
        few = list(itertools.islice(footage.read_ahead(frames), 3))
    assert [f.index for f in few] == [0, 1, 2]
