"""Strokes found in motions with a known contact, phases, side and kind."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from paddlebrief.ears import EarSettings, Impact, travel_s
from paddlebrief.records import FootageInfo, Handedness, Kind, Side
from paddlebrief.sight import Person, SightSettings, SightSummary, TrackParts
from paddlebrief.store.tracks import write_tracks
from paddlebrief.strokes import PaddleHand, StrokeSettings, find_strokes
from paddlebrief.strokes.kind import HandPathKind, PathFeatures, decide_kind
from paddlebrief.strokes.side import SideCues, decide_side, forehand_probability
from paddlebrief.strokes.swings import HandMotion, phases
from tests.bodies2d import standing, swing_points, track


def footage(*, fps=60, slow=1, end_s=6.0) -> FootageInfo:
    return FootageInfo(
        path=Path("practice.mp4"), content_hash="0" * 64, width_px=1280, height_px=720,
        rotation_deg=0, frame_rate=Fraction(fps), capture_rate=Fraction(fps * slow),
        capture_rate_source="presentation times", start_s=0.0, end_s=end_s,
        frames=int(end_s * fps), variable_rate=False, sound_rate_hz=None,
    )  # fmt: skip


def parts_of(folder: Path, *tracks) -> TrackParts:
    folder.mkdir(exist_ok=True)
    write_tracks(folder / "part-00000.parquet", tracks)
    parts = TrackParts(folder)
    people = tuple(
        Person(person=t.person, start_s=0, end_s=t.time_s[-1], frames=len(t.time_s),
               shirt_lab=(50, 0, 0), legs_lab=(20, 0, 0))
        for t in tracks
    )  # fmt: skip
    parts.write_summary(SightSummary(frames=1, repeats=0, failures=0, people=people))
    return parts


def found_in(info, parts, *, impacts=(), hands=None):
    return find_strokes(
        info, parts, impacts=list(impacts), handedness=hands or {}, names={0: "A"},
        settings=StrokeSettings(), sight=SightSettings(), ears=EarSettings(),
    )  # fmt: skip


def noisy(points: np.ndarray, seed: int = 0) -> np.ndarray:
    return points + np.random.default_rng(seed).normal(0, 0.8, points.shape)


@pytest.mark.parametrize("fps", [30, 60, 120])
def test_one_forehand_drive_is_found_once_at_its_contact(tmp_path, fps):
    time = np.arange(int(6 * fps)) / fps
    points = noisy(swing_points(time, 3.0))
    strokes = found_in(footage(fps=fps), parts_of(tmp_path / "t", track(points, time)))
    assert len(strokes) == 1
    stroke = strokes[0]
    assert stroke.contact_s == pytest.approx(3.0, abs=0.03)
    assert abs(stroke.contact_s - 3.0) < 3 * stroke.contact_s_sd
    assert (stroke.hand, stroke.side, stroke.kind) == (
        Handedness.RIGHT,
        Side.FOREHAND,
        Kind.DRIVE,
    )
    assert 2.0 < stroke.load_s < stroke.forward_s < 3.0 < stroke.finish_s < 3.6


def test_slow_motion_gives_the_same_stroke_in_its_own_presentation_time(tmp_path):
    time = np.arange(240 * 6) / 240
    stretched = track(noisy(swing_points(time, 3.0)), time * 8)
    info = footage(fps=30, slow=8, end_s=48.0)
    strokes = found_in(info, parts_of(tmp_path / "t", stretched))
    assert len(strokes) == 1
    assert strokes[0].contact_s == pytest.approx(24.0, abs=0.24)


def test_standing_and_waving_without_the_trunk_are_no_strokes(tmp_path):
    time = np.arange(360) / 60
    still = track(noisy(standing(360)), time)
    waving = track(noisy(swing_points(time, 3.0, turn=False), 1), time, person=1)
    assert found_in(footage(), parts_of(tmp_path / "t", still, waving)) == []


def test_falling_hand_is_a_slice_and_level_border_is_unsure(tmp_path):
    time = np.arange(360) / 60
    falling = parts_of(tmp_path / "f", track(noisy(swing_points(time, 3.0, rise_bh=-0.3)), time))
    assert [s.kind for s in found_in(footage(), falling)] == [Kind.SLICE]
    border = parts_of(tmp_path / "b", track(noisy(swing_points(time, 3.0, rise_bh=-0.045)), time))
    assert [s.kind for s in found_in(footage(), border)] == [Kind.UNSURE]


def test_a_sound_times_the_contact_and_tightens_it(tmp_path):
    time = np.arange(360) / 60
    parts = parts_of(tmp_path / "t", track(noisy(swing_points(time, 3.0)), time))
    silent = found_in(footage(), parts)[0]
    heard_s = 3.01 + travel_s(EarSettings().distance_m)
    heard = found_in(footage(), parts, impacts=[Impact(heard_s=heard_s, rise_db=20.0)])[0]
    assert heard.heard
    assert not silent.heard
    assert heard.contact_s == pytest.approx(3.01, abs=1e-6)
    assert heard.contact_s_sd < silent.contact_s_sd


def test_mirrored_player_is_left_handed_and_still_a_forehand(tmp_path):
    time = np.arange(360) / 60
    points = noisy(swing_points(time, 3.0))
    mirrored = points.copy()
    mirrored[:, :, 0] = 1200 - points[:, :, 0]
    pairs = [(i, i + 1) for i in range(11, 33, 2)]
    for left, right in pairs:
        mirrored[:, [left, right]] = mirrored[:, [right, left]]
    strokes = found_in(footage(), parts_of(tmp_path / "t", track(mirrored, time)))
    assert [(s.hand, s.side) for s in strokes] == [(Handedness.LEFT, Side.FOREHAND)]


def test_missing_wrist_through_the_swing_gives_no_stroke(tmp_path):
    time = np.arange(360) / 60
    points = noisy(swing_points(time, 3.0))
    points[160:200, 15:23] = np.nan
    assert found_in(footage(), parts_of(tmp_path / "t", track(points, time))) == []


def test_a_hand_that_is_hidden_after_contact_has_not_stopped_there():
    time = np.arange(0, 3, 1 / 60)
    speed = 6 * np.exp(-0.5 * ((time - 1.5) / 0.15) ** 2)
    motion = HandMotion(
        hand=Handedness.RIGHT, time_s=time, place_bh=np.zeros((len(time), 2)), speed_bhps=speed,
        shoulder_span_bh=np.zeros(len(time)), height_px=400.0,
    )  # fmt: skip
    *_, seen = phases(motion, 1.5, StrokeSettings())
    hidden = np.where((time > 1.5) & (time < 1.7), np.nan, speed)
    *_, finish = phases(replace(motion, speed_bhps=hidden), 1.5, StrokeSettings())
    assert seen == finish
    assert finish > 1.7


def test_no_tracks_no_strokes(tmp_path):
    assert found_in(footage(), parts_of(tmp_path / "t")) == []


def test_somebody_followed_for_a_moment_strikes_nothing(tmp_path):
    time = np.arange(360) / 60
    parts = parts_of(tmp_path / "t", track(noisy(swing_points(time, 3.0)), time))
    summary = parts.summary()
    (person,) = summary.people
    brief = replace(person, start_s=2.2, end_s=3.8)
    parts.write_summary(replace(summary, people=(brief,)))
    assert found_in(footage(), parts) == []


def test_window_across_part_files_is_whole(tmp_path):
    time = np.arange(360) / 60
    whole = track(noisy(swing_points(time, 3.0)), time)
    one = parts_of(tmp_path / "one", whole)
    two = parts_of(tmp_path / "two", _cut(whole, 0, 181))
    write_tracks(tmp_path / "two" / "part-00001.parquet", [_cut(whole, 181, 360)])
    a, b = found_in(footage(), one), found_in(footage(), two)
    assert len(a) == len(b) == 1
    assert a[0].contact_s == pytest.approx(b[0].contact_s)
    assert a[0].finish_s == pytest.approx(b[0].finish_s)


def _cut(whole, start, end):
    return replace(
        whole,
        frame=whole.frame[start:end],
        time_s=whole.time_s[start:end],
        landmarks_px=whole.landmarks_px[start:end],
        visibility=whole.visibility[start:end],
    )


def test_side_with_contradicting_or_missing_cues_is_unsure():
    missing = forehand_probability(SideCues(place_bh=np.nan, agreement=np.nan))
    assert missing == 0.5
    assert decide_side(missing, unsure_below=0.65)[0] is Side.UNSURE
    clear = forehand_probability(SideCues(place_bh=-0.3, agreement=-0.8))
    assert decide_side(clear, unsure_below=0.65)[0] is Side.BACKHAND


def features(**changes) -> PathFeatures:
    base = {"rise_before_bh": 0.15, "rise_after_bh": 0.1, "contact_bh": -0.2, "speed_bhps": 3.5}
    return PathFeatures(**{**base, "sd_bh": 0.015, **changes})


@pytest.mark.parametrize(
    ("changes", "kind"),
    [
        ({}, Kind.DRIVE),
        ({"rise_before_bh": -0.2, "rise_after_bh": -0.1}, Kind.SLICE),
        ({"contact_bh": 0.2}, Kind.OTHER),
        ({"speed_bhps": 1.0}, Kind.OTHER),
        ({"rise_before_bh": np.nan}, Kind.UNSURE),
    ],
)
def test_hand_path_kinds(changes, kind):
    probabilities = HandPathKind().probabilities(features(**changes))
    assert sum(probabilities.values()) == pytest.approx(1)
    assert decide_kind(probabilities, unsure_below=0.65) is kind


def test_one_impact_belongs_to_the_player_who_swings_more(tmp_path):
    time = np.arange(360) / 60
    full = track(noisy(swing_points(time, 3.0)), time)
    half = standing(360)
    half += 0.7 * (swing_points(time, 3.02) - half)
    other = track(noisy(half, 1), time, person=1)
    parts = parts_of(tmp_path / "t", full, other)
    heard_s = 3.0 + travel_s(EarSettings().distance_m)
    strokes = found_in(footage(), parts, impacts=[Impact(heard_s=heard_s, rise_db=35.0)])
    heard = [s for s in strokes if s.heard]
    assert [s.person for s in heard if s.sure] == [0]
    assert {s.person for s in heard} == {0, 1}  # the ball will tell whether the other one hit it


def test_a_small_motion_during_an_impact_is_kept_as_unsure(tmp_path):
    time = np.arange(360) / 60
    small = standing(360)
    small += 0.12 * (swing_points(time, 3.0) - small)
    parts = parts_of(tmp_path / "t", track(noisy(small), time))
    heard = Impact(heard_s=3.0 + travel_s(EarSettings().distance_m), rise_db=35.0)
    assert found_in(footage(), parts) == []
    (stroke,) = found_in(footage(), parts, impacts=[heard])
    assert not stroke.sure
    assert stroke.contact_s == pytest.approx(3.0, abs=0.01)


def test_a_heard_contact_stands_though_the_backswing_before_it_was_stronger(tmp_path):
    time, still = np.arange(360) / 60, standing(360)
    both = swing_points(time, 2.4) + 0.8 * (swing_points(time, 3.0) - still)
    parts = parts_of(tmp_path / "t", track(noisy(both), time))
    (unheard,) = (s for s in found_in(footage(), parts) if s.sure)
    assert unheard.contact_s == pytest.approx(2.4, abs=0.2)
    heard = Impact(heard_s=3.0 + travel_s(EarSettings().distance_m), rise_db=25.0)
    (stroke,) = (s for s in found_in(footage(), parts, impacts=[heard]) if s.sure)
    assert stroke.contact_s == pytest.approx(3.0, abs=0.01)


def test_a_middling_swing_without_a_sound_waits_for_its_ball(tmp_path):
    time, still = np.arange(360) / 60, standing(360)
    middling = still + 0.75 * (swing_points(time, 3.0) - still)
    parts = parts_of(tmp_path / "t", track(noisy(middling), time))
    (stroke,) = found_in(footage(), parts)
    assert not stroke.sure


def test_the_hand_that_is_seen_to_hold_the_paddle_hits(tmp_path):
    time = np.arange(360) / 60
    parts = parts_of(tmp_path / "t", track(noisy(swing_points(time, 3.0)), time))
    asked = []

    def holding(person, times_s):
        asked.append((person, list(times_s)))
        return Handedness.LEFT

    strokes = find_strokes(
        footage(), parts, impacts=[], handedness={}, names={0: "A"}, holding=holding,
        settings=StrokeSettings(), sight=SightSettings(), ears=EarSettings(),
    )  # fmt: skip
    assert asked[0][0] == 0
    assert any(abs(t - 3.0) < 0.1 for t in asked[0][1])
    assert all(s.hand is Handedness.LEFT for s in strokes)


def test_the_paddle_is_looked_for_at_moments_apart(tmp_path):
    """Many swings are tried for one impact: it is one moment."""
    time = np.arange(360) / 60
    points = noisy(swing_points(time, 1.5)) + noisy(swing_points(time, 4.0)) - standing(360)
    parts = parts_of(tmp_path / "t", track(points, time))
    heard = [Impact(heard_s=t + travel_s(EarSettings().distance_m), rise_db=30) for t in (1.5, 4)]
    asked = []

    def holding(person, times_s):
        asked.extend(times_s)
        return Handedness.RIGHT

    find_strokes(
        footage(), parts, impacts=heard, handedness={}, names={0: "A"}, holding=holding,
        settings=StrokeSettings(), sight=SightSettings(), ears=EarSettings(),
    )  # fmt: skip
    assert len(asked) > 1
    assert np.diff(sorted(asked)).min() >= 0.1


@pytest.mark.parametrize(
    ("looks", "hand"),
    [
        ([(0.8, 0.0), (0.7, 0.1)], Handedness.RIGHT),
        ([(0.8, 0.0), (0.7, 0.8), (0.0, 0.8), (0.8, 0.7), (0.0, 0.9)], Handedness.LEFT),
        ([(0.8, 0.7), (0.7, 0.8), (0.9, 0.6)], Handedness.UNKNOWN),
        ([(0.8, 0.0), (0.0, 0.8)], Handedness.UNKNOWN),
        ([], Handedness.UNKNOWN),
    ],
    ids=["one hand", "both hands now and then", "always both", "either", "never looked"],
)
def test_the_hand_in_which_alone_the_paddle_is_seen_holds_it(monkeypatch, looks, hand):
    monkeypatch.setattr(PaddleHand, "_look", lambda _, __, moment: np.array(looks[int(moment)]))
    seen = PaddleHand(info=None, parts=None, net=None)(0, range(len(looks)))
    assert seen is hand
