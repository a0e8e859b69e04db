"""Impacts in made sounds whose instants are known."""

import numpy as np
import pytest

from paddlebrief.ball import BallTrackSettings, track_balls
from paddlebrief.contacts import (
    Action,
    Clock,
    actions_of_balls,
    agree,
    estimate_clock,
    hearing_distance_m,
    retime_strokes,
)
from paddlebrief.ears import EarSettings, Impact, find_impacts, travel_s
from paddlebrief.footage import Sound
from paddlebrief.records import Handedness, Kind, Side, Stroke
from tests.ball_scenes import SceneSpec, make_scene, solved_camera

RATE = 48_000


def sound(instants_s, *, noise=0.003, seconds=4.0, tone_hz=1400.0, start_s=0.0) -> Sound:
    """Bursts with a rise of 2 ms and a decay of 6 ms in white noise."""
    time = np.arange(int(seconds * RATE)) / RATE
    wave = np.random.default_rng(0).normal(0, noise, len(time))
    for instant in instants_s:
        t = time - instant
        envelope = np.where(t >= 0, np.minimum(t / 0.002, 1) * np.exp(-np.maximum(t, 0) / 0.006), 0)
        wave += 0.3 * envelope * np.sin(2 * np.pi * tone_hz * t)
    return Sound(samples=wave.astype(np.float32), rate_hz=RATE, start_s=start_s)


def test_impacts_are_found_within_four_milliseconds():
    instants = [0.513, 1.2, 2.718, 3.3]
    found = find_impacts([sound(instants, start_s=10.0)], EarSettings())
    assert len(found) == len(instants)
    for impact, instant in zip(found, instants, strict=True):
        assert impact.heard_s - 10.0 == pytest.approx(instant, abs=0.004)


def test_silence_noise_and_low_thuds_hold_no_impact():
    silence = Sound(samples=np.zeros(RATE, np.float32), rate_hz=RATE, start_s=0.0)
    assert find_impacts([silence], EarSettings()) == []
    assert find_impacts([sound([])], EarSettings()) == []
    assert find_impacts([sound([1.0], tone_hz=90.0, noise=0.01)], EarSettings()) == []


def test_no_sound_no_impacts():
    assert find_impacts([], EarSettings()) == []


def test_ten_metres_of_air_take_29_milliseconds():
    # 343 m/s at 20 °C: 10 m take 29 ms, 1.75 frames at 60 a second (worked out).
    assert travel_s(10.0) == pytest.approx(0.029, abs=5e-4)
    assert travel_s(10.0) * 60 == pytest.approx(1.75, abs=0.005)


def test_an_impact_at_the_border_of_two_blocks_is_heard_once():
    whole = sound([1.2, 2.0, 2.999])
    cut = 2 * RATE
    blocks = [
        Sound(samples=whole.samples[:cut], rate_hz=RATE, start_s=0.0),
        Sound(samples=whole.samples[cut:], rate_hz=RATE, start_s=2.0),
    ]
    found = [i.heard_s for i in find_impacts(blocks, EarSettings())]
    np.testing.assert_allclose(found, [1.2, 2.0, 2.999], atol=0.002)


def test_onsets_lie_between_samples_of_the_envelope_and_within_their_uncertainty():
    instants = 0.4 + np.arange(12) * 0.3017
    found = find_impacts([sound(instants)], EarSettings())
    error = np.array([i.heard_s for i in found]) - instants
    assert np.std(error) < 0.0005
    assert np.all(np.abs(error) < 3 * np.array([i.heard_s_sd for i in found]))


def test_a_syllable_is_no_impact():
    time = np.arange(4 * RATE) / RATE
    rng = np.random.default_rng(1)
    swell = np.exp(-0.5 * ((time[:, None] - [1.0, 2.1, 3.0]) / 0.06) ** 2).sum(axis=1)
    wave = 0.3 * swell * np.sin(2 * np.pi * 1400 * time) + rng.normal(0, 0.003, len(time))
    voice = Sound(samples=wave.astype(np.float32), rate_hz=RATE, start_s=0.0)
    assert find_impacts([voice], EarSettings()) == []


def impacts_of(times_s, rise_db=25.0) -> list[Impact]:
    return [Impact(heard_s=float(t), rise_db=rise_db) for t in np.sort(times_s)]


def practice(*, offset_s: float, strangers: int = 40, seed: int = 0, sd_s: float = 0.02):
    """Actions 10.29 m away (30 ms), and what is heard of them and of other courts."""
    rng = np.random.default_rng(seed)
    struck = np.arange(3.0, 120.0, 4.0) + rng.uniform(0, 0.5, 30)
    heard = impacts_of(np.concatenate([struck + 0.03 + offset_s, rng.uniform(0, 120, strangers)]))
    actions = [
        Action(time_s=float(t + rng.normal(0, sd_s)), time_s_sd=sd_s, distance_m=10.29,
               distance_m_sd=0.2)
        for t in struck
    ]  # fmt: skip
    return struck, heard, actions


@pytest.mark.parametrize("offset_s", [-0.06, 0.0, 0.045])
def test_the_clock_is_found_among_other_courts(offset_s):
    errors = []
    for seed in range(8):
        _, heard, actions = practice(offset_s=offset_s, seed=seed)
        clock = estimate_clock(heard, actions)
        assert clock.actions >= 25
        # 30 actions of ± 20 ms leave 20 / √30 = 3.7 ms, and the chance ones a little more.
        assert 0.0034 < clock.offset_s_sd < 0.006
        errors.append((clock.offset_s - offset_s) / clock.offset_s_sd)
    assert np.abs(errors).max() < 3


def test_few_actions_leave_the_clock_unknown():
    heard = impacts_of([1.03, 2.03])
    actions = [Action(time_s=t, time_s_sd=0.02, distance_m=10.29) for t in (1.0, 2.0)]
    for clock in (
        estimate_clock(heard, actions),
        estimate_clock([], []),
        estimate_clock(heard, []),
    ):
        assert clock.offset_s == 0.0
        assert clock.offset_s_sd == pytest.approx(0.01)


def test_impacts_of_other_courts_are_left_out_and_travel_is_taken_off():
    struck, heard, actions = practice(offset_s=0.045)
    found = agree(heard, actions, clock=estimate_clock(heard, actions))
    times = np.array([a.struck_s for a in found])
    right = np.abs(times - struck[[a.action for a in found]]) < 0.012
    assert right.mean() > 0.9
    assert right.sum() >= 28
    assert len({a.impact for a in found}) == len(found)
    assert all(a.struck_s_sd >= travel_s(0.2) for a in found)


def test_slow_motion_makes_sound_travel_longer():
    # 240 fps played at 30: 10 m of air are 29 ms on court, 233 ms of playback.
    actions = [Action(time_s=8.0, time_s_sd=0.05, distance_m=10.0)]
    heard = impacts_of([8.0 + 8 * travel_s(10.0)])
    clock = Clock(offset_s=0.0, offset_s_sd=0.001, actions=9)
    assert agree(heard, actions, clock=clock) == []
    found = agree(heard, actions, clock=clock, slow_factor=8.0)
    assert found[0].struck_s == pytest.approx(8.0)


def test_a_loud_impact_wins_over_a_faint_one():
    actions = [Action(time_s=5.0, time_s_sd=0.03, distance_m=0.0)]
    heard = [Impact(heard_s=4.995, rise_db=10.0), Impact(heard_s=5.01, rise_db=30.0)]
    found = agree(heard, actions, clock=Clock(offset_s=0.0, offset_s_sd=0.002, actions=9))
    assert [a.impact for a in found] == [1]
    assert agree([], actions, clock=Clock(offset_s=0.0, offset_s_sd=0.002, actions=9)) == []


def test_balls_tell_the_clock_and_what_they_are_far_away():
    scene = make_scene(SceneSpec(shots=3, movers=0, place="side", seed=5))
    tracks = track_balls(
        scene.candidates, camera=scene.eye, width_px=1920, settings=BallTrackSettings()
    )
    ear = scene.eye.position_m
    actions = actions_of_balls(tracks, microphone_m=ear)
    rng = np.random.default_rng(0)
    events = []
    for shot in scene.shots:
        events.append((shot.contact_s, shot.outgoing.position_m[0]))
        flights = (*shot.incoming.events, *shot.outgoing.events)
        events += [(e.time_s, e.place_m) for e in flights if e.kind == "bounce"]
    heard = [t + np.linalg.norm(p - ear) / 343 + 0.031 for t, p in events]
    impacts = impacts_of([*heard, *rng.uniform(0, 15, 12)])
    clock = estimate_clock(impacts, actions)
    assert clock.offset_s == pytest.approx(0.031, abs=3 * clock.offset_s_sd)
    assert clock.offset_s_sd < 0.002
    assert clock.actions >= 6
    slow = actions_of_balls(tracks, microphone_m=ear, slow_factor=4.0)
    assert [a.time_s for a in slow] == pytest.approx([4 * a.time_s for a in actions])
    assert actions_of_balls([], microphone_m=ear) == []


def stroke(contact_s: float, *, heard: bool = True, sd_s: float = 0.014) -> Stroke:
    return Stroke(
        number=1, person=0, player="A", hand=Handedness.RIGHT, side=Side.FOREHAND,
        side_probability=0.9, kind=Kind.DRIVE,
        kind_probabilities={Kind.DRIVE: 0.8, Kind.SLICE: 0.1, Kind.OTHER: 0.1},
        load_s=contact_s - 0.4, forward_s=contact_s - 0.001, contact_s=contact_s,
        contact_s_sd=sd_s, finish_s=contact_s + 0.4, heard=heard,
    )  # fmt: skip


def retimed(strokes, impacts, **how):
    given = {
        "hits": [None] * len(strokes), "distances_m": [(8.0, 4.0)] * len(strokes),
        "clock": Clock(offset_s=0.0, offset_s_sd=0.01, actions=0), "assumed_m": 8.0, **how,
    }  # fmt: skip
    return retime_strokes(strokes, impacts, **given)


def test_heard_strokes_are_timed_anew_with_their_own_distance_and_the_clock():
    # Struck at 2, 5 and 8 s, 4 m and 12 m away; found with 8 m assumed and a clock 30 ms late.
    struck, far = np.array([2.0, 5.0, 8.0]), np.array([4.0, 12.0, 4.0])
    found = [
        stroke(float(t - 8 / 343), heard=k < 2) for k, t in enumerate(struck + far / 343 + 0.03)
    ]
    clock = Clock(offset_s=0.03, offset_s_sd=0.001, actions=9)
    timed = retimed(found, [], distances_m=[(float(d), 0.5) for d in far], clock=clock)
    for k in (0, 1):
        assert timed[k].contact_s == pytest.approx(struck[k], abs=1e-9)
        # 0.5 m of air are 1.5 ms; with 1 ms each of clock and onset 2.0 ms.
        assert timed[k].contact_s_sd == pytest.approx(0.00203, abs=1e-4)
        assert timed[k].forward_s <= timed[k].contact_s
    assert timed[2] == found[2]
    assert retimed(found, [])[0].contact_s_sd > travel_s(4.0)


def test_slow_motion_keeps_the_travel_of_sound_long():
    found = retimed([stroke(16.0)], [], distances_m=[(18.0, 0.0)], slow_factor=8.0)
    assert found[0].contact_s == pytest.approx(16.0 - 8 * 10 / 343)


def test_the_ball_says_which_impact_was_this_stroke():
    # Struck at 2 s, 8 m away; another court's impact 60 ms later was louder and was taken.
    own, other = 2.0 + 8 / 343, 2.06 + 8 / 343
    impacts = [Impact(heard_s=own, rise_db=20.0), Impact(heard_s=other, rise_db=35.0)]
    wrong = stroke(2.06)
    near = {"hits": [(2.002, 0.003)], "distances_m": [(8.0, 0.3)]}
    timed = retimed([wrong], impacts, **near)[0]
    assert timed.contact_s == pytest.approx(2.0, abs=0.003)
    assert timed.contact_s_sd < 0.003
    assert timed.heard
    alone = retimed([wrong], impacts[1:], **near)[0]
    assert (alone.contact_s, alone.heard) == (pytest.approx(2.002), False)


def test_distance_to_a_player_comes_from_the_court_or_is_assumed():
    scene = make_scene(SceneSpec(shots=1, movers=0, place="behind", seed=5))
    camera = solved_camera(scene.eye, noise_px=1.0, seed=1)
    feet = np.array([0.5, -5.5, 0.0])
    true = np.linalg.norm(feet + np.array([0, 0, 1.0]) - scene.eye.position_m)
    stood = camera.ground(scene.eye.project(feet))
    found, sd = hearing_distance_m(camera, stood, EarSettings())
    assert found == pytest.approx(true, abs=0.3)
    assert 0.5 <= sd < 1.0
    assumed = (8.0, 4.0)
    assert hearing_distance_m(None, stood, EarSettings()) == assumed
    assert hearing_distance_m(camera, None, EarSettings()) == assumed
    unseen = camera.ground(np.array([960.0, -900.0]))
    assert hearing_distance_m(camera, unseen, EarSettings()) == assumed
