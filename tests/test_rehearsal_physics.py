"""Court, ball, paddle and sound of a rehearsal against the rulebook, papers and scipy."""

import math

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.integrate import solve_ivp

from paddlebrief.errors import RehearsalError
from paddlebrief.rehearsal import court_dimensions as court
from paddlebrief.rehearsal.ball import BallSettings, acceleration_mps2, drag_per_m, fly
from paddlebrief.rehearsal.feeds import FeedStyle, drop_to, face_for_landing, feed_to
from paddlebrief.rehearsal.paddle import PaddleSpec, rebound, strike
from paddlebrief.rehearsal.reach import face_normal
from paddlebrief.rehearsal.sound import (
    SOUND_RATE_HZ,
    Impact,
    SoundSettings,
    heard_s,
    impact_wave,
    render_sound,
)

VACUUM = BallSettings(air_density_kgpm3=0.0)
STILL = np.zeros(3)
UP = np.array([0.0, 0.0, 1.0])


def test_court_is_twenty_by_forty_four_feet_to_the_outside_of_its_lines():
    # USA Pickleball Official Rulebook (2021 text), 2.A.1, 2.A.2, 2.B.3.
    edges = np.array(list(court.line_rectangles_m().values()))
    assert edges[:, 0].min() == pytest.approx(-10 * 0.3048)
    assert edges[:, 2].max() == pytest.approx(10 * 0.3048)
    assert edges[:, 1].min() == pytest.approx(-22 * 0.3048)
    assert edges[:, 3].max() == pytest.approx(22 * 0.3048)
    sides = np.minimum(edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1])
    np.testing.assert_allclose(sides, 0.0508)
    kitchen = court.line_rectangles_m()["far non-volley line"]
    assert kitchen[3] == pytest.approx(7 * 0.3048)
    assert round(court.COURT_WIDTH_M, 2) == 6.10
    assert round(court.COURT_LENGTH_M, 2) == 13.41


def test_net_is_34_inches_at_the_centre_and_36_at_the_side_lines():
    # Rulebook 2.C.
    assert court.net_height_m(0.0) == pytest.approx(34 * 0.0254)
    assert court.net_height_m(-10 * 0.3048) == pytest.approx(36 * 0.0254)
    assert court.net_height_m(5 * 0.3048) == pytest.approx(35 * 0.0254)
    assert court.net_height_m(4.0) == pytest.approx(36 * 0.0254)


def test_ball_lies_within_the_rulebook():
    # Rulebook 2.D: 2.87–2.97 in across, 0.78–0.935 oz.
    assert 2.87 <= 2 * court.BALL_RADIUS_M / 0.0254 <= 2.97
    assert 0.78 <= court.BALL_MASS_KG / 0.028349523125 <= 0.935


@pytest.mark.parametrize(
    ("drag", "k", "shares", "terminal"),
    [
        (0.30, 0.03212, (0.872, 0.806, 0.650), 17.5),
        (0.40, 0.04282, (0.833, 0.750, 0.563), 15.1),
        (0.45, 0.04818, (0.814, 0.724, 0.524), 14.3),
    ],
)
def test_straight_flight_and_terminal_speed_follow_the_drag_table(drag, k, shares, terminal):
    # Worked from k = ρ C_D A / 2m and v = v0 exp(−k x), ρ = 1.2 kg/m³, d = 74.3 mm, m = 24.3 g.
    settings = BallSettings(drag_coefficient=drag)
    assert drag_per_m(settings) == pytest.approx(k, rel=5e-4)
    # So fast that gravity does not count.
    shot = fly(
        np.array([0, 0, 50.0]), np.array([500.0, 0, 0]), STILL,
        start_s=0, end_s=0.05, settings=settings, step_s=1 / 8000,
    )  # fmt: skip
    speed = np.linalg.norm(shot.velocity_mps, axis=1) / 500
    for way, share in zip((4.27, 6.71, 13.41), shares, strict=True):
        assert np.interp(way, shot.position_m[:, 0], speed) == pytest.approx(share, abs=6e-4)
    fall = fly(np.array([0, 0, 400.0]), STILL, STILL, start_s=0, end_s=12, settings=settings)
    assert abs(fall.velocity_mps[-1, 2]) == pytest.approx(terminal, abs=0.06)


def test_published_worked_example_agrees_with_the_drag_law():
    # 16 ft in 0.35 s, leaving at 35 mph and arriving at 28 mph (secondary source): k ≈ 0.0458.
    k, way, time = 0.0458, 16 * 0.3048, 0.35
    launch = (math.exp(k * way) - 1) / (k * time)
    settings = BallSettings(drag_coefficient=0.4 * k / drag_per_m(BallSettings()))
    shot = fly(
        np.array([0, 0, 5.0]), np.array([launch, 0, 0]), STILL,
        start_s=0, end_s=time, settings=settings,
    )  # fmt: skip
    assert launch / 0.44704 == pytest.approx(35, abs=0.5)
    assert shot.position_m[-1, 0] == pytest.approx(way, rel=0.005)
    assert shot.velocity_mps[-1, 0] / 0.44704 == pytest.approx(28, abs=0.5)


@pytest.mark.parametrize("spin", [(0, 0, 0), (-120, 0, 30), (90, 20, 0)])
def test_flight_agrees_with_scipy(spin):
    settings, spin = BallSettings(), np.array(spin, dtype=float)
    start, launch = np.array([0.5, -6.0, 0.9]), np.array([1.0, 15.0, 4.0])

    def rate(_, state):
        # Drag and lift written out once more, from the module's description.
        velocity, speed = state[3:], np.linalg.norm(state[3:])
        area = math.pi * court.BALL_RADIUS_M**2
        force = 0.5 * settings.air_density_kgpm3 * area * speed**2
        rim = court.BALL_RADIUS_M * np.linalg.norm(spin)
        pull = -settings.drag_coefficient * force * velocity / speed
        if rim > 0:
            side = np.cross(spin, velocity)
            lift = settings.lift_scale / (2 + speed / rim)
            pull = pull + lift * force * side / np.linalg.norm(side)
        return [*velocity, *(pull / court.BALL_MASS_KG - 9.80665 * UP)]

    def ground(_, state):
        return state[2] - court.BALL_RADIUS_M

    ground.terminal = True
    ours = fly(start, launch, spin, start_s=0, end_s=3, settings=settings, touches=1)
    theirs = solve_ivp(
        rate, (0, 3), [*start, *launch], events=ground, rtol=1e-10, atol=1e-12, max_step=0.02
    )
    bounce = ours.first("bounce")
    assert bounce.time_s == pytest.approx(theirs.t_events[0][0], abs=1e-6)
    np.testing.assert_allclose(bounce.place_m, theirs.y_events[0][0][:3], atol=1e-5)


def test_topspin_pulls_down():
    spin = np.array([-100.0, 0, 0])
    pull = acceleration_mps2(np.array([0, 15.0, 0]), spin, BallSettings())
    assert pull[2] < -9.80665


@pytest.mark.parametrize(("inches", "restitution"), [(30, 0.620), (32, 0.641), (34, 0.660)])
def test_drop_of_78_inches_rebounds_by_the_rulebook(inches, restitution):
    # Rulebook 2.D and e = sqrt(h2 / h1); without air, heights of the ball's lowest point.
    settings = VACUUM.model_copy(update={"restitution": restitution})
    start = np.array([0, -3, 78 * 0.0254 + court.BALL_RADIUS_M])
    fall = fly(start, STILL, STILL, start_s=0, end_s=1.1, settings=settings)
    after = fall.position_m[fall.time_s > fall.first("bounce").time_s, 2]
    assert (after.max() - court.BALL_RADIUS_M) / 0.0254 == pytest.approx(inches, abs=0.15)


def test_ball_rolls_out_and_never_sinks():
    shot = fly(
        np.array([0, -2, 0.5]), np.array([1.5, -2.0, 0]), STILL,
        start_s=0, end_s=12, settings=BallSettings(),
    )  # fmt: skip
    assert shot.position_m[:, 2].min() >= court.BALL_RADIUS_M - 1e-9
    assert np.linalg.norm(shot.velocity_mps[-1]) == pytest.approx(0, abs=1e-9)


def test_net_stops_a_low_ball_and_lets_a_high_one_pass():
    low, high = (
        fly(
            np.array([0, -3, 0.6]), np.array([0, 14.0, climb]), STILL,
            start_s=0, end_s=1, settings=BallSettings(),
        )
        for climb in (0.5, 4.0)
    )  # fmt: skip
    assert low.first("net").place_m[2] < court.NET_CENTRE_HEIGHT_M
    assert low.position_m[-1, 1] < 0
    assert high.first("net") is None
    assert high.position_m[-1, 1] > 0


def test_interpolated_places_lie_on_the_flight_and_are_missing_outside():
    shot = fly(
        np.array([0, 0, 3.0]), np.array([5.0, 0, 0]), STILL, start_s=1, end_s=1.5, settings=VACUUM
    )
    places = shot.at(np.array([0.9, 1.25, 1.6]))
    assert np.isnan(places[[0, 2]]).all()
    np.testing.assert_allclose(places[1], [1.25, 0, 3 - 9.80665 * 0.25**2 / 2], atol=1e-9)


def test_rebound_grips_or_slides_as_a_thin_shell_does():
    # Closed form: a gripping shell without spin keeps 3/5 of its tangential speed and rolls.
    steep = rebound(np.array([1.0, 0, -10.0]), STILL, normal=UP, restitution=0.6, friction=0.5)
    np.testing.assert_allclose(steep.velocity_mps, [0.6, 0, 6.0])
    assert steep.spin_radps[1] * court.BALL_RADIUS_M == pytest.approx(0.6)
    assert not steep.slid
    flat = rebound(np.array([10.0, 0, -1.0]), STILL, normal=UP, restitution=0.6, friction=0.5)
    np.testing.assert_allclose(flat.velocity_mps, [10 - 0.5 * 1.6, 0, 0.6])
    assert flat.slid


def test_no_impact_makes_energy():
    rng = np.random.default_rng(4)
    for _ in range(200):
        velocity, spin = rng.normal(0, 8, 3), rng.normal(0, 100, 3)
        after = rebound(velocity, spin, normal=UP, restitution=0.64, friction=0.5)
        energy = [
            v @ v + 2 / 3 * court.BALL_RADIUS_M**2 * w @ w
            for v, w in ((velocity, spin), (after.velocity_mps, after.spin_radps))
        ]
        assert energy[1] <= energy[0] + 1e-9


def test_strike_returns_a_ball_by_the_face_speed_and_is_the_same_in_every_frame():
    paddle, face = PaddleSpec(), np.array([0, 9.0, 0])
    ahead = np.array([0, 1.0, 0])
    out = strike(
        np.array([0, -5.0, 0]), STILL, face_velocity_mps=face, face_normal=ahead, paddle=paddle
    )
    assert out.velocity_mps[1] == pytest.approx(9 + 0.42 * 14)
    wind = np.array([2.0, -1.0, 0.5])
    moved = strike(
        np.array([0, -5.0, 0]) + wind, STILL,
        face_velocity_mps=face + wind, face_normal=ahead, paddle=paddle,
    )  # fmt: skip
    np.testing.assert_allclose(moved.velocity_mps, out.velocity_mps + wind)


@pytest.mark.parametrize("size", [{"length_m": 0.44}, {"length_m": 0.43, "width_m": 0.19}])
def test_paddle_beyond_the_rulebook_is_refused(size):
    # Rulebook 2.E: at most 17 in long, at most 24 in length and width together.
    with pytest.raises(ValidationError, match="over the rulebook"):
        PaddleSpec(**size)


def test_usual_paddle_lies_within_the_rulebook():
    paddle = PaddleSpec()
    assert paddle.length_m <= 17 * 0.0254
    assert paddle.length_m + paddle.width_m <= 24 * 0.0254


@pytest.mark.parametrize(
    ("contact", "style"),
    [
        ((1.2, -5.9, 0.8), FeedStyle(1, (8, 50))),
        ((-0.4, -2.3, 1.1), FeedStyle(0, (0, 25))),
        ((0.3, -3.2, 2.1), FeedStyle(0, (35, 65))),
    ],
)
def test_feed_arrives_where_and_when_it_is_hit(contact, style):
    settings = BallSettings()
    feed = feed_to(
        np.array(contact), release_m=np.array([0.2, 4.6, 1.0]), contact_s=7.5, style=style,
        settings=settings, rng=np.random.default_rng(2),
    )  # fmt: skip
    np.testing.assert_allclose(feed.position_m[-1], contact, atol=1e-9)
    assert feed.time_s[-1] == pytest.approx(7.5)
    np.testing.assert_allclose(feed.position_m[0], [0.2, 4.6, 1.0], atol=2e-3)
    assert [e.kind for e in feed.events] == ["bounce"] * style.bounces
    # Flown again from its launch, it comes to the same place.
    again = fly(
        feed.position_m[0], feed.velocity_mps[0], STILL,
        start_s=feed.time_s[0], end_s=7.5, settings=settings,
    )  # fmt: skip
    np.testing.assert_allclose(again.position_m[-1], contact, atol=5e-3)


def test_impossible_feed_is_one_clear_error():
    with pytest.raises(RehearsalError, match="no feed reaches the contact point") as caught:
        feed_to(
            np.array([0, -6.0, 2.4]), release_m=np.array([0, 4.6, 1.0]), contact_s=3,
            style=FeedStyle(1, (8, 20)), settings=BallSettings(), rng=np.random.default_rng(0),
        )  # fmt: skip
    assert "\n" not in str(caught.value)


def test_dropped_ball_meets_its_contact():
    ball = drop_to(
        np.array([0.7, -6.5, 0.6]), release_m=np.array([0.2, -6.3, 0.9]), release_s=2.0,
        contact_s=2.42, settings=BallSettings(),
    )  # fmt: skip
    np.testing.assert_allclose(ball.position_m[-1], [0.7, -6.5, 0.6], atol=1e-9)
    np.testing.assert_allclose(ball.position_m[0], [0.2, -6.3, 0.9], atol=1e-4)


def test_solved_face_lands_the_ball_as_deep_as_asked():
    settings, paddle, contact = BallSettings(), PaddleSpec(), np.array([0.8, -5.9, 0.85])
    feed = feed_to(
        contact, release_m=np.array([0, 4.6, 1.0]), contact_s=0, style=FeedStyle(1, (8, 50)),
        settings=settings, rng=np.random.default_rng(1),
    )  # fmt: skip
    swing = 10.0 * np.array([0, math.cos(0.3), math.sin(0.3)])
    angle = face_for_landing(
        contact, incoming=feed, face_velocity_mps=swing, heading_deg=0, landing_depth_m=1.5,
        paddle=paddle, settings=settings,
    )  # fmt: skip
    struck = strike(
        feed.velocity_mps[-1], feed.spin_radps[-1],
        face_velocity_mps=swing, face_normal=face_normal(angle, 0), paddle=paddle,
    )  # fmt: skip
    shot = fly(
        contact, struck.velocity_mps, struck.spin_radps, start_s=0, end_s=3, settings=settings
    )
    assert 22 * 0.3048 - shot.first("bounce").place_m[1] == pytest.approx(1.5, abs=0.05)


def test_sound_comes_late_by_distance_over_343():
    # 343 m/s at 20 °C: 10 m of air is 29 ms.
    ear = np.array([0.0, -12.0, 2.4])
    near, far = (Impact("paddle", 1.0, ear + np.array([0, way, 0])) for way in (10.0, 34.3))
    assert heard_s(near, ear) - 1.0 == pytest.approx(0.029, abs=2e-4)
    settings = SoundSettings(snr_db=60)
    quiet, loud = (
        render_sound(
            impacts, length_s=2.0, microphone_m=ear, settings=settings,
            rng=np.random.default_rng(3),
        ).astype(float)
        for impacts in ([], [far])
    )  # fmt: skip
    first = np.flatnonzero(np.abs(loud - quiet) > 1e-7)[0]
    # The first sample after the arrival; the second one where the first is too faint to store.
    assert first - round(1.1 * SOUND_RATE_HZ) in (0, 1, 2)


def test_impact_is_narrow_band_between_one_and_two_kilohertz_and_rises_in_two_milliseconds():
    # Spendiarian & Willis acoustic report, 2019, §2.
    since = np.arange(4800) / SOUND_RATE_HZ
    wave = impact_wave("paddle", since)
    peak_hz = np.fft.rfftfreq(len(wave), 1 / SOUND_RATE_HZ)[np.argmax(np.abs(np.fft.rfft(wave)))]
    assert 1000 <= peak_hz <= 2000
    assert 0.001 <= since[np.argmax(np.abs(wave))] <= 0.0035
    assert np.abs(wave[since > 0.06]).max() < 0.01


@pytest.mark.parametrize("snr_db", [6.0, 30.0])
def test_background_lies_the_stated_decibels_below_an_impact(snr_db):
    settings, ear = SoundSettings(snr_db=snr_db), np.zeros(3)
    quiet = render_sound(
        [], length_s=6.0, microphone_m=ear, settings=settings, rng=np.random.default_rng(5)
    ).astype(float)
    burst = 0.5 * impact_wave("paddle", np.arange(int(0.02 * SOUND_RATE_HZ)) / SOUND_RATE_HZ)
    ratio = 10 * np.log10(np.mean(burst**2) / np.mean(quiet**2))
    assert ratio == pytest.approx(snr_db, abs=0.3)


def test_sound_fades_with_distance():
    ear = np.zeros(3)
    levels = []
    for way in (8.0, 16.0):
        impact = Impact("paddle", 0.1, np.array([way, 0, 0]))
        sound = render_sound(
            [impact], length_s=0.5, microphone_m=ear, settings=SoundSettings(snr_db=70),
            rng=np.random.default_rng(6),
        )  # fmt: skip
        levels.append(np.abs(sound).max())
    assert levels[0] / levels[1] == pytest.approx(2.0, rel=0.05)
