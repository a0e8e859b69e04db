"""The ball tracker against drag tables, scipy, and simulated sessions whose balls are known."""

import math
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from paddlebrief.ball import (
    BallTrackSettings,
    BreakKind,
    Candidates,
    find_shot,
    measure_shot,
    track_balls,
)
from paddlebrief.ball.flight import (
    BALL_MASS_KG,
    BALL_RADIUS_M,
    LIFT_SCALE,
    acceleration_mps2,
    drag_per_m,
    fly_many,
    launch_speed_mps,
)
from paddlebrief.ball.ties import make_tie
from paddlebrief.ball.track import numeric_slope
from paddlebrief.rehearsal import ball as rehearsal
from paddlebrief.rehearsal import court_dimensions as rehearsal_court
from tests.ball_scenes import SceneSpec, Shot, make_scene, see, solved_camera, true_outcome

SETTINGS = BallTrackSettings()
QUIET = SceneSpec(shots=2, false_per_frame=0.5, movers=0, seed=5)


@lru_cache
def scene_and_tracks(place: str, rate: float, court_noise_px: float = 0.0):
    size = (1920, 1080) if rate > 30 else (1280, 720)
    scene = make_scene(replace(QUIET, place=place, rate=rate, size_px=size))
    eye = scene.eye
    if court_noise_px:
        eye = solved_camera(eye, noise_px=court_noise_px, seed=3)
    tracks = track_balls(scene.candidates, camera=eye, width_px=size[0], settings=SETTINGS)
    return scene, tracks


# Physics


@pytest.mark.parametrize(
    ("drag_coefficient", "k", "shares", "terminal_mps"),
    [
        (0.30, 0.03212, (0.872, 0.806, 0.650), 17.5),
        (0.40, 0.04282, (0.833, 0.750, 0.563), 15.1),
        (0.45, 0.04818, (0.814, 0.724, 0.524), 14.3),
    ],
)
def test_drag_is_that_of_the_table(drag_coefficient, k, shares, terminal_mps):
    # v = v0 exp(−k x) with ρ = 1.2 kg/m³, d = 74.3 mm, m = 24.3 g, worked out.
    drag = drag_per_m(drag_coefficient)
    assert drag == pytest.approx(k, abs=6e-6)
    for way, share in zip((4.27, 6.71, 13.41), shares, strict=True):
        assert math.exp(-drag * way) == pytest.approx(share, abs=6e-4)
    assert math.sqrt(9.80665 / drag) == pytest.approx(terminal_mps, abs=0.06)
    falling = np.array([0, 0, -math.sqrt(9.80665 / drag)])
    np.testing.assert_allclose(acceleration_mps2(falling, drag, np.zeros(3)), 0, atol=1e-9)


def test_published_worked_example_inverts_the_drag_law():
    # 16 ft in 0.35 s leaves at 35 mph and arrives at 28, mean 31 (secondary source); k ≈ 0.0458.
    k, way, mph = 0.0458, 16 * 0.3048, 0.44704
    launch = launch_speed_mps(way, 0.35, k)
    assert launch / mph == pytest.approx(35, abs=0.5)
    assert launch * math.exp(-k * way) / mph == pytest.approx(28, abs=0.5)
    assert launch_speed_mps(way, 0.35, 0.0) / mph == pytest.approx(31, abs=0.5)


@pytest.mark.parametrize("spin", [(0, 0, 0), (-120, 0, 0), (60, 0, 90)])
def test_flight_agrees_with_scipy(spin):
    rim = BALL_RADIUS_M * np.array(spin, float)

    def rate(_, state):
        # Written out once more, from the module's description.
        v, speed = state[3:], np.linalg.norm(state[3:])
        force = 0.5 * 1.2 * math.pi * BALL_RADIUS_M**2 * speed**2 / BALL_MASS_KG
        pull = -0.40 * force * v / speed - np.array([0, 0, 9.80665])
        size = np.linalg.norm(rim)
        if size:
            pull += LIFT_SCALE / (2 + speed / size) * force * np.cross(rim / size, v / speed)
        return [*v, *pull]

    start = [0.5, -6.0, 0.9, 1.0, 15.0, 4.0]
    ours = fly_many(
        np.array([start[:3]]), np.array([start[3:]]),
        drag=np.array([drag_per_m()]), rim=rim[None], span_s=np.array([1.0]),
    )  # fmt: skip
    times = np.array([0.13, 0.5, 0.97])
    theirs = solve_ivp(rate, (0, 1), start, t_eval=times, rtol=1e-10, atol=1e-12)
    place, velocity = ours.at(np.zeros(3, int), times)
    np.testing.assert_allclose(place, theirs.y[:3].T, atol=1e-3)
    np.testing.assert_allclose(velocity, theirs.y[3:].T, atol=1e-2)


def test_range_under_drag_agrees_with_scipy():
    drag, launch = drag_per_m(), np.array([0, 14.0, 6.0])

    def rate(_, s):
        speed = np.hypot(s[2], s[3])
        return [s[2], s[3], -drag * speed * s[2], -9.80665 - drag * speed * s[3]]

    def ground(_, s):
        return s[1]

    ground.terminal, ground.direction = True, -1
    theirs = solve_ivp(rate, (0, 3), [0, 0.5, 14, 6], events=ground, rtol=1e-10, atol=1e-12)
    end_s = theirs.t_events[0][0]
    ours = fly_many(
        np.array([[0, 0, 0.5]]), launch[None], drag=np.array([drag]), rim=np.zeros((1, 3)),
        span_s=np.array([end_s]),
    )  # fmt: skip
    np.testing.assert_allclose(ours.position_m[-1, 0], [0, theirs.y_events[0][0][0], 0], atol=2e-3)


def test_rehearsals_fly_the_same_ball():
    assert rehearsal_court.BALL_RADIUS_M == BALL_RADIUS_M
    assert rehearsal_court.BALL_MASS_KG == BALL_MASS_KG
    velocity, spin = np.array([2.0, 12.0, 3.0]), np.array([-90.0, 15.0, 0.0])
    theirs = rehearsal.acceleration_mps2(velocity, spin, rehearsal.BallSettings())
    # Theirs has lift in full however the spin lies: compare with spin across the flight.
    across = spin - velocity * (spin @ velocity) / (velocity @ velocity)
    theirs = rehearsal.acceleration_mps2(velocity, across, rehearsal.BallSettings())
    ours = acceleration_mps2(velocity, drag_per_m(), BALL_RADIUS_M * across)
    np.testing.assert_allclose(ours, theirs, atol=1e-9)


def test_a_bounce_by_the_rules_leaves_no_residual():
    down, up = np.array([2.0, 8.0, -5.0]), np.array([1.56, 6.24, 3.2])
    place = np.array([0.3, 4.0, BALL_RADIUS_M])
    tie = make_tie(BreakKind.BOUNCE, down, SETTINGS)
    before, after = np.concatenate([place, down]), np.concatenate([place, up])
    np.testing.assert_allclose(tie.residual(before, after), 0, atol=1e-9)
    higher = before + np.array([0, 0, 0.01, 0, 0, 0])
    assert np.abs(tie.residual(higher, after)).max() > 2


def test_carried_uncertainty_agrees_with_the_formula():
    # u(v)/v = sqrt((u_d/d)² + (u_t/t)²): 12.00 ± 0.15 m in 0.600 s ± 13.608 ms, worked out.
    def speed(x):
        return np.array([x[0] / x[1]])

    slope = numeric_slope(speed, np.array([12.0, 0.6]))
    for u_t, u_v in ((0.013608, 0.518), (0.006804, 0.338), (0.003402, 0.275), (0.001701, 0.256)):
        variance = slope @ np.diag([0.15**2, u_t**2]) @ slope.T
        assert math.sqrt(variance[0, 0]) == pytest.approx(u_v, abs=6e-4)


# Sessions


@pytest.mark.parametrize(("place", "rate"), [("behind", 60), ("side", 60), ("corner", 30)])
def test_shots_are_measured_within_their_uncertainty(place, rate):
    scene, tracks = scene_and_tracks(place, rate)
    measured = 0
    for shot in scene.shots:
        found = find_shot(tracks, shot.contact_s)
        assert found is not None
        got = measure_shot(*found, contact_s=shot.contact_s, contact_s_sd=0.005, settings=SETTINGS)
        for name, true in true_outcome(shot).items():
            value = getattr(got, name)
            if value.reason is None:
                measured += 1
                assert abs(value.value - true) < 3.5 * value.sd, name
        if got.landing_depth_m.reason is None:
            assert got.landing_depth_m.sd < 0.3
            assert got.bounce_s.value == pytest.approx(shot.outgoing.events[0].time_s, abs=0.008)
            assert np.all(np.linalg.eigvalsh(got.landing_covariance_m2) > 0)
    assert measured >= 4


def test_tracks_hold_the_ball_and_nothing_else():
    scene, tracks = scene_and_tracks("behind", 60)
    rows = np.concatenate([f.rows for t in tracks for f in t.flights])
    assert len(np.unique(rows)) == len(rows)
    assert np.mean(scene.ball[rows] >= 0) > 0.97
    assert len(rows) > 0.9 * np.sum(scene.ball >= 0)
    assert [t.number for t in tracks] == list(range(1, len(tracks) + 1))
    for track in tracks:
        assert track.in_court
        assert all(a.end is b.start for a, b in pairwise(track.flights))


def test_hits_and_bounces_are_told_apart_and_timed_between_frames():
    scene, tracks = scene_and_tracks("behind", 60)
    breaks = [b for t in tracks for b in t.breaks]
    true = {BreakKind.HIT: [s.contact_s for s in scene.shots]}
    true[BreakKind.BOUNCE] = [e.time_s for s in scene.shots for e in s.incoming.events]
    for kind, times in true.items():
        found = np.array([b.time_s for b in breaks if b.kind is kind])
        for at in times:
            assert np.abs(found - at).min() < 0.005


def test_a_hit_survives_candidates_that_are_off_next_to_it():
    scene, _ = scene_and_tracks("corner", 30)
    c, shot = scene.candidates, scene.shots[1]
    near = (scene.ball == 1) & (np.abs(c.time_s - shot.contact_s) < 0.06)
    assert near.sum() >= 2
    px, sd = c.px.copy(), c.sd_px.copy()
    first, last = np.flatnonzero(near)[[0, -1]]
    px[[first, last]] += [[9.0, -3.0], [-4.0, 12.0]]
    sd[near] = 0.4
    tracks = track_balls(
        replace(c, px=px, sd_px=sd), camera=scene.eye, width_px=1280, settings=SETTINGS
    )
    hits = [b.time_s for t in tracks for b in t.breaks if b.kind is BreakKind.HIT]
    assert np.abs(np.array(hits) - shot.contact_s).min() < 0.008


def test_two_balls_at_once_stay_apart():
    scene = make_scene(replace(QUIET, place="corner", gap_s=0.9, shots=3, seed=2))
    tracks = track_balls(scene.candidates, camera=scene.eye, width_px=1920, settings=SETTINGS)
    spans = [(t.start_s, t.end_s) for t in tracks]
    assert any(a[1] > b[0] + 0.3 for a, b in pairwise(spans))
    for track in tracks:
        for flight in track.flights:
            balls = scene.ball[flight.rows]
            most = np.bincount(balls[balls >= 0]).max()
            assert most >= 0.9 * len(balls)


def test_a_solved_camera_adds_its_own_uncertainty():
    scene, sure = scene_and_tracks("behind", 60)
    _, unsure = scene_and_tracks("behind", 60, 3.0)
    at = scene.shots[0].contact_s
    sds = []
    for tracks in (sure, unsure):
        found = find_shot(tracks, at)
        shot = measure_shot(*found, contact_s=at, contact_s_sd=0.005, settings=SETTINGS)
        sds.append(shot.landing_depth_m.sd)
        true = true_outcome(scene.shots[0])["landing_depth_m"]
        assert abs(shot.landing_depth_m.value - true) < 3.5 * shot.landing_depth_m.sd
    assert sds[1] > 1.3 * sds[0]


def test_a_long_time_without_the_ball_is_not_bridged():
    scene, _ = scene_and_tracks("side", 60)
    c, shot = scene.candidates, scene.shots[0]
    hidden = (c.time_s > shot.contact_s - 0.45) & (c.time_s < shot.contact_s + 0.45)
    left = take(c, ~(hidden & (scene.ball == 0)))
    tracks = track_balls(left, camera=scene.eye, width_px=1920, settings=SETTINGS)
    assert not [t for t in tracks if t.start_s < shot.contact_s < t.end_s]


def test_a_ball_that_stays_in_the_net_is_said_to():
    flight = rehearsal.fly(
        np.array([0.3, -5.0, 0.7]), np.array([0.0, 13.0, 1.2]), np.zeros(3),
        start_s=0.3, end_s=1.5, settings=rehearsal.BallSettings(),
    )  # fmt: skip
    assert flight.events[0].kind == "net"
    still = rehearsal.fly(
        np.array([0.3, -9.0, 0.7]), np.array([0.0, 11.5, 3.0]), np.zeros(3),
        start_s=-0.1, end_s=0.3, settings=rehearsal.BallSettings(),
    )  # fmt: skip
    spec = replace(QUIET, place="side", rate=120, false_per_frame=0.0)
    scene = see(spec, (Shot(incoming=still, outgoing=flight, contact_s=0.3),), length_s=2.0)
    tracks = track_balls(scene.candidates, camera=scene.eye, width_px=1920, settings=SETTINGS)
    net = [b for t in tracks for b in t.breaks if b.kind is BreakKind.NET]
    assert len(net) == 1
    assert net[0].time_s == pytest.approx(flight.events[0].time_s, abs=0.01)
    assert abs(net[0].place_m[1]) < 0.25


def test_without_a_court_arcs_remain_with_their_breaks():
    scene, _ = scene_and_tracks("side", 60)
    tracks = track_balls(scene.candidates, camera=None, width_px=1920, settings=SETTINGS)
    times = np.array([b.time_s for t in tracks for b in t.breaks[1:-1]])
    sds = np.array([b.time_s_sd for t in tracks for b in t.breaks[1:-1]])
    assert np.all(sds > 0)
    for shot in scene.shots:
        assert np.abs(times - shot.contact_s).min() < 0.008
    assert not any(t.in_court for t in tracks)
    assert all(np.isnan(f.position_m).all() for t in tracks for f in t.flights)
    at = scene.shots[0].contact_s
    track, index = find_shot(tracks, at)
    assert track.flights[index].start.time_s == pytest.approx(at, abs=0.008)
    with pytest.raises(ValueError, match="court metres"):
        measure_shot(track, index, contact_s=at, contact_s_sd=0.005, settings=SETTINGS)
    flight = max((f for t in tracks for f in t.flights), key=lambda f: len(f.rows))
    c = scene.candidates
    tau = c.time_s[flight.rows] - flight.anchor_s
    path = np.stack([tau**p for p in range(4)], 1) @ flight.curve_px
    assert np.median(np.abs(path - c.px[flight.rows])) < 5


@pytest.mark.parametrize("with_court", [True, False])
def test_noise_lamps_and_dead_balls_do_not_fly(with_court):
    scene, _ = scene_and_tracks("corner", 30)
    left = take(scene.candidates, scene.ball < 0)
    camera = scene.eye if with_court else None
    assert track_balls(left, camera=camera, width_px=1280, settings=SETTINGS) == []


@pytest.mark.parametrize("with_court", [True, False])
def test_no_candidates_no_tracks(with_court):
    scene, _ = scene_and_tracks("corner", 30)
    none = take(scene.candidates, np.zeros(len(scene.candidates), bool))
    camera = scene.eye if with_court else None
    assert track_balls(none, camera=camera, width_px=1280, settings=SETTINGS) == []


def take(candidates: Candidates, kept: np.ndarray) -> Candidates:
    names = ("frame", "time_s", "px", "sd_px", "score", "streak_px")
    return replace(candidates, **{n: getattr(candidates, n)[kept] for n in names})


def test_candidates_are_checked():
    scene, _ = scene_and_tracks("corner", 30)
    c = scene.candidates
    with pytest.raises(ValueError, match="px: expected shape"):
        replace(c, px=c.px[:, :1])
    with pytest.raises(ValueError, match="frames that do not fall"):
        replace(c, frame=c.frame[::-1])
    with pytest.raises(ValueError, match="strictly rising"):
        replace(c, frame_time_s=np.array([0.0, 0.1, 0.1]))
