"""Sound with its own clock: clicks at known times come out at those times."""

import dataclasses
import itertools
import math
from pathlib import Path

import numpy as np
import pytest

from paddlebrief import footage
from tests import clips
from tests.test_footage_frames import resident_mb

RATE_HZ = 48_000
CLICKS_S = (0.4, 1.1, 1.7)
TRACK = clips.Track(samples=clips.clicks(CLICKS_S, rate_hz=RATE_HZ, length_s=2.0))
FRAMES_S = clips.constant_times(30, 60)


def click_times(sound: footage.Sound) -> np.ndarray:
    """Presentation times of the samples where a click sets in."""
    loud = np.flatnonzero(np.abs(sound.samples) > 0.4)
    starts = loud[np.diff(loud, prepend=-RATE_HZ) > RATE_HZ // 20]
    return sound.start_s + starts / sound.rate_hz


def clip(folder, suffix=".mov", **changes):
    track = dataclasses.replace(TRACK, **changes)
    return clips.write_clip(folder / f"clip{suffix}", times_s=FRAMES_S, sound=track)


@pytest.mark.parametrize(
    ("suffix", "codec"), [(".mov", "pcm_s16le"), (".mkv", "flac"), (".mp4", "aac")]
)
@pytest.mark.parametrize("start_s", [0.0, 0.25])
def test_clicks_keep_their_times(tmp_path, suffix, codec, start_s):
    sound = footage.read_sound(clip(tmp_path, suffix, codec=codec, start_s=start_s))
    assert sound.rate_hz == RATE_HZ
    assert sound.samples.dtype == np.float32
    # Matroska and the edit lists of mp4 count in milliseconds.
    tolerance_s = 1.5 / RATE_HZ if suffix == ".mov" else 1e-3
    # AAC starts with one packet of run-up that mp4 does not always hide.
    run_up_s = 1024 / RATE_HZ if codec == "aac" else 0.0
    assert start_s - run_up_s - tolerance_s <= sound.start_s <= start_s + tolerance_s
    np.testing.assert_allclose(click_times(sound), np.add(CLICKS_S, start_s), atol=tolerance_s)


def test_sound_and_pictures_share_the_clock_of_a_transport_stream(tmp_path):
    path = clip(tmp_path, ".ts", codec="aac")
    shift_s = footage.frame_times(path)[0] - float(FRAMES_S[0])
    assert shift_s > 0
    found_s = click_times(footage.read_sound(path)) - shift_s
    np.testing.assert_allclose(found_s, CLICKS_S, atol=1e-3)


def test_a_hole_becomes_silence_and_later_sound_keeps_its_time(tmp_path):
    sound = footage.read_sound(clip(tmp_path, ".mkv", hole_s=(0.6, 0.9)))
    np.testing.assert_allclose(click_times(sound), CLICKS_S, atol=1.1e-3)
    begin, end = (round(t * RATE_HZ) for t in (0.65, 0.85))
    assert not sound.samples[begin:end].any()


def test_channels_are_averaged(tmp_path):
    left = np.full(RATE_HZ, 0.5, np.float32)
    path = clip(tmp_path, samples=np.stack([left, -left / 2]))
    sound = footage.read_sound(path)
    np.testing.assert_allclose(sound.samples, 0.125, atol=2e-4)


@pytest.mark.parametrize("stretch", [(0.3, 0.9), (1.5, 1.75), (1.9, 9.0), (-3.0, 0.5)])
def test_a_stretch_is_the_same_part_of_the_whole(tmp_path, stretch):
    path = clip(tmp_path, start_s=0.25)
    whole = footage.read_sound(path)
    part = footage.read_sound(path, start_s=stretch[0], end_s=stretch[1])
    times_s = whole.start_s + np.arange(len(whole.samples)) / RATE_HZ
    inside = (times_s >= stretch[0] - 1e-9) & (times_s < stretch[1] - 1e-9)
    np.testing.assert_array_equal(part.samples, whole.samples[inside])
    assert part.start_s == pytest.approx(times_s[inside][0], abs=1e-9)


def test_a_stretch_long_after_the_start_is_exact_in_coded_sound(tmp_path):
    times_s = [5.2, 9.3, 13.7]
    samples = clips.clicks(times_s, rate_hz=RATE_HZ, length_s=15)
    track = clips.Track(samples=samples, codec="aac")
    path = clips.write_clip(tmp_path / "long.mp4", times_s=FRAMES_S, sound=track)
    sound = footage.read_sound(path, start_s=9.0, end_s=10.0)
    assert len(sound.samples) == RATE_HZ
    np.testing.assert_allclose(click_times(sound), [9.3], atol=1.5 / RATE_HZ)


@pytest.mark.parametrize("block_s", [0.1, 0.77, 60.0])
def test_blocks_follow_each_other(tmp_path, block_s):
    path = clip(tmp_path, start_s=0.25)
    whole = footage.read_sound(path)
    blocks = list(footage.sound_blocks(path, block_s=block_s))
    np.testing.assert_array_equal(np.concatenate([b.samples for b in blocks]), whole.samples)
    for one, two in itertools.pairwise(blocks):
        assert two.start_s == pytest.approx(one.start_s + len(one.samples) / RATE_HZ, abs=1e-9)
        assert len(one.samples) == round(block_s * RATE_HZ)


def test_no_sound(tmp_path):
    path = clips.write_clip(tmp_path / "mute.mp4", times_s=FRAMES_S)
    sound = footage.read_sound(path)
    assert sound.samples.shape == (0,)
    assert sound.rate_hz is None
    assert math.isnan(sound.start_s)
    assert list(footage.sound_blocks(path)) == []


def test_no_sound_in_the_stretch(tmp_path):
    path = clip(tmp_path)
    for stretch in ((1.0, 1.0), (50.0, None), (-2.0, -1.0)):
        sound = footage.read_sound(path, start_s=stretch[0], end_s=stretch[1])
        assert sound.samples.shape == (0,)
        assert sound.rate_hz == RATE_HZ


def test_sound_of_a_truncated_recording_is_read_to_its_end(tmp_path):
    whole = clip(tmp_path, ".mkv", codec="flac")
    short = clips.cut_short(whole, 0.6, tmp_path / "short.mkv")
    sound = footage.read_sound(short)
    assert 0.2 * 2.0 < len(sound.samples) / RATE_HZ < 2.0


def test_leaving_early_ends_the_program(tmp_path):
    samples = np.zeros(60 * RATE_HZ, np.float32)
    path = clips.write_clip(
        tmp_path / "clip.mov", times_s=FRAMES_S, sound=clips.Track(samples=samples)
    )
    blocks = footage.sound_blocks(path, block_s=0.5)
    next(blocks)
    blocks.close()
    children = Path(f"/proc/self/task/{Path('/proc/thread-self').resolve().name}/children")
    assert children.read_text().split() == []


def test_shape_is_checked():
    with pytest.raises(ValueError, match=r"expected shape \(n,\)"):
        footage.Sound(samples=np.zeros((2, 3)), rate_hz=RATE_HZ, start_s=0.0)


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="needs Linux's process table")
def test_memory_does_not_grow_with_length(tmp_path):
    def peak_mb(length_s):
        track = clips.Track(samples=np.zeros(length_s * 8000, np.float32), rate_hz=8000)
        path = clips.write_clip(tmp_path / f"{length_s}.mov", times_s=FRAMES_S, sound=track)
        del track
        return max(resident_mb() for _ in footage.sound_blocks(path, block_s=5.0))

    peak_mb(30)
    # Held, the longer one's samples would take 57 MB more.
    assert peak_mb(2000) - peak_mb(200) < 20
