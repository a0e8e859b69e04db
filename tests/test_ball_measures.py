"""Measures of the ball against simulated shots, and how candidates and tracks are kept."""

from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from paddlebrief.ball import BallTrackSettings, BreakKind, track_balls
from paddlebrief.ball.files import read_candidates, read_tracks, write_candidates, write_tracks
from paddlebrief.ball.watch import BallWatch, stretches_around, watch_balls
from paddlebrief.errors import StoreError
from paddlebrief.eyes import BallsSeen
from paddlebrief.eyes.ball_net import ReadyFrame
from paddlebrief.footage import Frame
from paddlebrief.mechanics.ball import BALL_MEASURES, BallView, ball_contact, ball_measures
from paddlebrief.records import FootageInfo, FrameOfReference
from paddlebrief.rehearsal.court_dimensions import BALL_RADIUS_M
from tests.ball_scenes import SceneSpec, make_scene, true_outcome

SETTINGS = BallTrackSettings()
NAMES = {
    "ball_launch_speed_mps": "launch_speed_mps",
    "ball_mean_speed_mps": "mean_speed_mps",
    "landing_depth_m": "landing_depth_m",
    "net_clearance_m": "net_clearance_m",
}


@lru_cache
def session(with_court: bool = True):
    scene = make_scene(SceneSpec(shots=2, movers=0, place="corner", seed=5))
    camera = scene.eye if with_court else None
    return scene, track_balls(scene.candidates, camera=camera, width_px=1920, settings=SETTINGS)


def view_of(shot, tracks, **how) -> BallView:
    given = {"contact_s_sd": 0.006, "solved": True, "settings": SETTINGS, **how}
    return BallView(tracks=tracks, contact_s=shot.contact_s + 0.004, **given)


def test_measures_are_those_of_the_shot():
    scene, tracks = session()
    for shot in scene.shots:
        measures = {m.name: m for m in ball_measures(view_of(shot, tracks))}
        assert list(measures) == list(BALL_MEASURES)
        for name, true in NAMES.items():
            measure = measures[name]
            assert measure.measured
            assert measure.frame is FrameOfReference.COURT
            assert abs(measure.value - true_outcome(shot)[true]) < 3.5 * measure.sd
        # The velocity a centimetre before the paddle, from the feed that was simulated.
        before = shot.incoming.at(np.array([shot.contact_s - 0.002, shot.contact_s - 1e-6]))
        speed = np.linalg.norm(before[1] - before[0]) / 0.002
        incoming = measures["ball_incoming_speed_mps"]
        assert abs(incoming.value - speed) < 3.5 * incoming.sd


def test_the_way_a_ball_bends_tells_its_backspin():
    scene, tracks = session()
    for shot in scene.shots:
        rim_mps, sd_mps = view_of(shot, tracks).backspin_mps
        across = np.cross(shot.outgoing.velocity_mps[0], [0, 0, 1])
        true_mps = BALL_RADIUS_M * shot.outgoing.spin_radps[0] @ across / np.linalg.norm(across)
        assert abs(rim_mps - true_mps) < 3 * sd_mps
        assert sd_mps >= 0.35 * abs(rim_mps)  # the lift law is hardly known
    blind, tracks = session(with_court=False)
    assert view_of(blind.shots[0], tracks, solved=False).backspin_mps is None


def test_the_ball_tells_time_and_place_of_the_contact():
    scene, tracks = session()
    for shot in scene.shots:
        contact = ball_contact(view_of(shot, tracks))
        assert abs(contact.time_s - shot.contact_s) < 0.002
        assert contact.time_s_sd < 0.002
        place = shot.outgoing.position_m[0]
        off = contact.place_m - place
        assert np.all(np.abs(off) < 4 * np.sqrt(np.diag(contact.covariance_m2)) + 0.02)
        np.testing.assert_allclose(contact.px, scene.eye.project(place), atol=6)


def test_a_hit_far_from_the_contact_is_another_one():
    scene, tracks = session()
    shot = scene.shots[0]
    view = view_of(shot, tracks)
    assert ball_contact(replace(view, contact_s=shot.contact_s + 0.05)) is not None
    assert ball_contact(replace(view, contact_s=shot.contact_s + 0.16, contact_s_sd=0.1)) is None


def test_another_players_ball_is_left_alone():
    scene, tracks = session()
    shot = scene.shots[0]
    hand = scene.eye.project(shot.outgoing.position_m[0])
    assert ball_contact(view_of(shot, tracks, hand_px=hand + 20.0, reach_px=100.0)) is not None
    far = view_of(shot, tracks, hand_px=hand + 300.0, reach_px=100.0)
    assert ball_contact(far) is None
    assert {m.reason for m in ball_measures(far)} == {"the ball was not seen leaving the paddle"}


def test_a_ball_behind_the_hand_in_the_picture_is_left_alone():
    scene, tracks = session()
    shot = scene.shots[0]
    hand = shot.outgoing.position_m[0] + np.array([0.3, -0.2, 0.1])
    assert ball_contact(view_of(shot, tracks, hand_m=hand)) is not None
    away = scene.eye.position_m + 0.3 * (hand - scene.eye.position_m)
    assert ball_contact(view_of(shot, tracks, hand_m=away)) is None


def test_without_a_court_only_time_and_picture_remain():
    scene, _ = session()
    scene = make_scene(replace(scene.spec, place="side"))
    tracks = track_balls(scene.candidates, camera=None, width_px=1920, settings=SETTINGS)
    view = view_of(scene.shots[0], tracks, solved=False)
    assert all("court's lines" in m.reason for m in ball_measures(view))
    contact = ball_contact(view)
    assert abs(contact.time_s - scene.shots[0].contact_s) < 0.004
    assert np.isnan(contact.place_m).all()


def test_a_ball_lost_shortly_before_it_lands_is_followed_down_with_more_doubt():
    scene, _ = session()
    c, shot = scene.candidates, scene.shots[0]
    lands = shot.outgoing.events[0].time_s
    values = {}
    for lost_s in (0.0, 0.15, 0.55):
        kept = ~((c.time_s > lands - lost_s) & (scene.ball == 0)) if lost_s else c.time_s > -1
        names = ("frame", "time_s", "px", "sd_px", "score", "streak_px")
        left = replace(c, **{n: getattr(c, n)[kept] for n in names})
        tracks = track_balls(left, camera=scene.eye, width_px=1920, settings=SETTINGS)
        measures = {m.name: m for m in ball_measures(view_of(shot, tracks))}
        values[lost_s] = measures["landing_depth_m"]
    true = true_outcome(shot)["landing_depth_m"]
    assert values[0.15].sd > 1.2 * values[0.0].sd
    assert abs(values[0.15].value - true) < 3.5 * values[0.15].sd
    assert values[0.55].reason == "the ball was lost from view before it bounced"


def test_no_tracks():
    view = BallView(tracks=[], contact_s=1.0, contact_s_sd=0.01, solved=True, settings=SETTINGS)
    assert not any(m.measured for m in ball_measures(view))
    assert ball_contact(view) is None


# Watching


class Sighted:
    """Stands in for the network: sees one ball where the middle picture is brightest."""

    def __init__(self) -> None:
        self.seen: list[list[int]] = []
        self.apart: list[float] = []

    def ready(self, frame) -> ReadyFrame:
        return ReadyFrame(grey=frame, scale=np.ones(2))

    def look(self, ready) -> BallsSeen:
        frames = [r.grey for r in ready]
        assert [f.ndim for f in frames] == [2] * 5
        inner = [f[20:-20, 20:-20].astype(float) for f in frames]
        self.apart.append(max(np.abs(f - inner[2]).mean() for f in inner))
        self.seen.append([int(np.argmax(f[20])) for f in frames])
        now = frames[2]
        y, x = np.unravel_index(int(np.argmax(now)), now.shape)
        place = np.array([[x, y]], float)
        half = np.array([1, 0])
        return BallsSeen(score=np.array([0.9]), start_px=place - half, end_px=place + half,
                         sd_px=np.array([0.5]))  # fmt: skip


def info(slow: int = 1) -> FootageInfo:
    return FootageInfo(
        path=Path("a.mp4"), content_hash="0" * 64, width_px=64, height_px=48, rotation_deg=0,
        frame_rate=Fraction(30), capture_rate=Fraction(30 * slow), frames=100,
        capture_rate_source="container", start_s=0.0, end_s=4.0, variable_rate=False,
        sound_rate_hz=None,
    )  # fmt: skip


def frame(index: int, *, repeat: bool = False) -> Frame:
    picture = np.zeros((48, 64, 3), np.uint8)
    picture[20, index % 64] = 255
    return Frame(index=index, time_s=index / 30, picture_bgr=picture, repeat=repeat)


def test_frames_are_seen_with_their_neighbours_and_times_are_on_court():
    found = watch_balls([frame(k) for k in range(6)], Sighted(), info=info(slow=4))
    np.testing.assert_array_equal(found.frame, [1, 2, 3, 4])
    np.testing.assert_array_equal(found.px[:, 0], [1, 2, 3, 4])
    np.testing.assert_allclose(found.time_s, np.arange(1, 5) / 120)
    np.testing.assert_allclose(found.frame_time_s, found.time_s)
    np.testing.assert_allclose(found.streak_px, [[2, 0]] * 4)


def test_a_frame_is_seen_with_its_neighbours_and_two_a_fifteenth_of_a_second_off():
    net = Sighted()
    fast = replace(info(), frame_rate=Fraction(60), capture_rate=Fraction(60))
    frames = [replace(frame(k), time_s=k / 60) for k in range(12)]
    watch_balls(frames, net, info=fast)
    assert net.seen[4] == [1, 4, 5, 6, 9]
    assert net.seen[0] == [0, 0, 1, 2, 5]
    assert net.seen[-1] == [6, 9, 10, 11, 11]
    slow = Sighted()
    watch_balls([frame(k) for k in range(6)], slow, info=info())
    assert slow.seen == [[0, 0, 1, 2, 3], [0, 1, 2, 3, 4], [1, 2, 3, 4, 5], [2, 3, 4, 5, 5]]


def test_gaps_part_stretches_and_repeats_are_passed_over():
    frames = [frame(k, repeat=k == 3) for k in (0, 1, 2, 3, 4, 5, 20, 21, 22)]
    found = watch_balls(frames, Sighted(), info=info())
    np.testing.assert_array_equal(found.frame, [1, 2, 4, 21])


def test_frames_thinned_from_a_fast_recording_are_still_neighbours():
    fast = replace(info(), frame_rate=Fraction(240), capture_rate=Fraction(240))
    frames = [replace(frame(k), time_s=k / 240) for k in range(0, 20, 4)]
    np.testing.assert_array_equal(watch_balls(frames, Sighted(), info=fast).frame, [4, 8, 12])


def test_fewer_than_three_frames_show_nothing():
    for count in range(3):
        found = watch_balls([frame(k) for k in range(count)], Sighted(), info=info())
        assert len(found) == len(found.frame_time_s) == 0


def test_frames_out_of_order_are_refused():
    watch = BallWatch(Sighted(), info())
    watch.step(frame(3))
    with pytest.raises(ValueError, match="after 3"):
        watch.step(frame(2))


def shaken(count: int) -> tuple[list[Frame], np.ndarray]:
    """Frames of a still, textured scene seen by a shaking camera, and its (n, 2) shifts."""
    rng = np.random.default_rng(4)
    scene = cv2.GaussianBlur(rng.uniform(0, 255, (560, 760)).astype(np.float32), (0, 0), 2.5)
    scene = cv2.normalize(scene, None, 30, 180, cv2.NORM_MINMAX)
    shifts = rng.normal(0, 4, (count, 2))
    frames = []
    for k, (x, y) in enumerate(shifts):
        moved = cv2.warpAffine(scene, np.array([[1, 0, x], [0, 1, y]]), (760, 560))[40:520, 60:700]
        moved[int(240 + round(y)), int(320 + round(x))] = 255
        picture = np.repeat(moved.astype(np.uint8)[..., None], 3, axis=2)
        frames.append(Frame(index=k, time_s=k / 30, picture_bgr=picture, repeat=False))
    return frames, shifts


def test_the_cameras_shake_is_taken_off_to_its_middle():
    frames, shifts = shaken(12)
    steady = watch_balls(frames, Sighted(), info=info(), steady=True)
    shaky = watch_balls(frames, Sighted(), info=info())
    assert steady.steadied
    assert not shaky.steadied
    middle = np.array([320, 240]) + shifts.mean(axis=0)
    assert np.abs(shaky.px - middle).max() > 3
    np.testing.assert_allclose(steady.px, np.tile(middle, (10, 1)), atol=1.0)


def test_a_shaken_cameras_frames_are_laid_onto_the_middle_one_before_they_are_looked_at():
    frames, _ = shaken(9)
    laid, plain = Sighted(), Sighted()
    watch_balls(frames, laid, info=info(), steady=True)
    watch_balls(frames, plain, info=info())
    assert max(laid.apart) < 4 < 12 < min(plain.apart)


def test_a_frame_made_ready_moves_by_pixels_of_the_whole_picture():
    y, x = np.mgrid[:240, :400]
    spot = 250 * np.exp(-((x - 150) ** 2 + (y - 90) ** 2) / (2 * 6.0**2))
    small = cv2.resize(spot.astype(np.uint8), (200, 120), interpolation=cv2.INTER_AREA)
    ready = ReadyFrame(grey=small, scale=np.array([0.5, 0.5]))
    turn = np.radians(3)
    onto = np.array([[np.cos(turn), -np.sin(turn), 12.0], [np.sin(turn), np.cos(turn), -7.0]])
    moved = ready.moved(onto).grey.astype(float)
    y, x = np.mgrid[:120, :200]
    found = 2 * np.array([(moved * x).sum(), (moved * y).sum()]) / moved.sum() + 0.5
    np.testing.assert_allclose(found, onto @ [150, 90, 1], atol=0.1)


def test_frames_that_match_nothing_stay_where_they_are():
    frames = [frame(k) for k in range(5)]
    steady = watch_balls(frames, Sighted(), info=info(), steady=True)
    np.testing.assert_array_equal(steady.px, watch_balls(frames, Sighted(), info=info()).px)
    assert len(watch_balls([], Sighted(), info=info(), steady=True)) == 0


def test_stretches_that_touch_are_one():
    found = stretches_around([10.0, 2.0, 4.0], slow_factor=1.0, before_s=1.0, after_s=1.5)
    assert found == [(1.0, 5.5), (9.0, 11.5)]
    assert stretches_around([8.0], slow_factor=4.0, before_s=1.0, after_s=1.0) == [(4.0, 12.0)]
    assert stretches_around([], slow_factor=1.0) == []


# Files


@pytest.mark.parametrize("with_court", [True, False])
def test_candidates_and_tracks_come_back_as_they_were(tmp_path, with_court):
    scene, tracks = session(with_court=with_court)
    write_candidates(tmp_path / "candidates.npz", scene.candidates)
    back = read_candidates(tmp_path / "candidates.npz")
    for name, value in vars(scene.candidates).items():
        np.testing.assert_array_equal(getattr(back, name), value)
    write_tracks(tmp_path / "tracks.npz", tracks)
    again = read_tracks(tmp_path / "tracks.npz")
    assert [t.number for t in again] == [t.number for t in tracks]
    for one, other in zip(tracks, again, strict=True):
        np.testing.assert_array_equal(one.parameters, other.parameters)
        np.testing.assert_array_equal(one.covariance, other.covariance)
        assert [b.kind for b in one.breaks] == [b.kind for b in other.breaks]
        assert all(f.end is g.start for f, g in zip(other.flights, other.flights[1:], strict=False))
        for a, b in zip(one.flights, other.flights, strict=True):
            for name in ("rows", "anchor_s", "position_m", "velocity_mps", "rim_mps",
                         "covariance", "curve_px", "rms"):  # fmt: skip
                np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
            np.testing.assert_array_equal(a.start.px, b.start.px)
            np.testing.assert_array_equal(a.end.covariance_m2, b.end.covariance_m2)
            assert a.end.time_s == b.end.time_s
    view = view_of(scene.shots[0], again, solved=with_court)
    assert [m.value for m in ball_measures(view) if m.measured] == [
        m.value
        for m in ball_measures(view_of(scene.shots[0], tracks, solved=with_court))
        if m.measured
    ]


def test_no_tracks_come_back_as_none(tmp_path):
    write_tracks(tmp_path / "tracks.npz", [])
    assert read_tracks(tmp_path / "tracks.npz") == []


def test_a_broken_file_says_what_to_do(tmp_path):
    path = tmp_path / "tracks.npz"
    for broken in (b"", b"nothing of the kind"):
        path.write_bytes(broken)
        with pytest.raises(StoreError, match="delete the file"):
            read_tracks(path)
    write_candidates(path, session()[0].candidates)
    with pytest.raises(StoreError, match="delete the file"):
        read_tracks(path)
    with pytest.raises(StoreError, match="delete the file"):
        read_candidates(tmp_path / "missing.npz")


def test_hits_are_what_contacts_are():
    _, tracks = session()
    kinds = [b.kind for t in tracks for b in t.breaks]
    assert kinds.count(BreakKind.HIT) == 2
