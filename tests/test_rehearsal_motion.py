"""Motion of rehearsed players, and their true measures, against closed forms and papers."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from paddlebrief.rehearsal.curves import Curve, Key, ease
from paddlebrief.rehearsal.figure import JOINT_LIMITS_DEG, Figure
from paddlebrief.rehearsal.motion import PlayerMotion
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.rehearsal.reach import Grip
from paddlebrief.rehearsal.segments import frame_of, hand_frame, two_bones, wrist_angles
from paddlebrief.rehearsal.swings import SHAPES
from paddlebrief.rehearsal.technique import (
    PELVIS_PEAK_S,
    TRUNK_PEAK_S,
    Spread,
    default_technique,
    draw_dials,
)
from paddlebrief.rehearsal.traces import Outcome, Trace
from paddlebrief.rehearsal.true_measures import MEASURES, OTHER_MEASURES, chain
from paddlebrief.rehearsal.trunk import Stoop, Swing, Walk
from tests.stick_body import StickBody

PADDLE = PaddleSpec()
NO_BALL = Outcome(*[np.nan] * 7)
FACES = {"slice": 12.0, "dink": 15.0, "volley": 20.0}
JOINTS = [f"{s}_{j}" for s in ("left", "right") for j in ("hip", "shoulder", "elbow", "wrist")]


def usual_dials(action, side):
    technique = default_technique(action, side, rng=np.random.default_rng(0))
    still = {name: Spread(mean=spread.mean, sd=0) for name, spread in technique.items()}
    return draw_dials(still, rng=np.random.default_rng(0))


def swinging(action="drive", side="forehand", *, left_handed=False, dials=None, contact_s=3.0):
    """One swing of a stick body, and its trace as the truth would see it."""
    body = StickBody()
    figure = Figure(body, left_handed=left_handed)
    dials = dials or usual_dials(action, side)
    swing = Swing(contact_s, action, side, np.zeros(2), dials, FACES.get(action, 4.0))
    motion = PlayerMotion(figure, [swing], paddle=PADDLE, grip=Grip(), rng=np.random.default_rng(1))
    time_s = contact_s + np.arange(-1600, 1301) * 1e-3
    show = motion.perform(time_s)
    positions, _ = body.joints(show.root_position_m, show.local_rotations)
    trace = Trace(
        time_s=time_s,
        contact=1600,
        joints_m={name: positions[:, body.joint(name)] for name in JOINTS},
        face_m=show.butt_m + show.paddle_rotation @ PADDLE.face_centre_m,
        paddle=show.paddle_rotation,
        ball_m=figure.to_court(motion.contacts[0].ball_m),
        right_handed=not left_handed,
        forehand=side == "forehand",
        outcome=NO_BALL,
    )
    return motion, trace, dials


# Curves and segments.


def test_curve_from_rest_to_rest_is_the_minimum_jerk_bell():
    # Flash & Hogan 1985: 10 s³ − 15 s⁴ + 6 s⁵.
    time_s = np.linspace(0, 1, 21)
    np.testing.assert_allclose(Curve([Key(0, 0.0), Key(1, 1.0)])(time_s)[:, 0], ease(time_s))


def test_curve_meets_its_keys_smoothly_and_no_neighbour_has_less_jerk():
    keys = [Key(0, 0.0), Key(0.4, 1.0), Key(0.7, -0.5, 2.0), Key(1.5, 0.3)]
    curve = Curve(keys)
    at = np.array([k.time_s for k in keys])
    np.testing.assert_allclose(curve(at)[:, 0], [k.value for k in keys], atol=1e-12)
    assert curve(np.array([0.7]), 1)[0, 0] == pytest.approx(2.0)
    for derivative in (0, 1, 2):
        sides = [curve(at[1:3] + d, derivative) for d in (-1e-7, 1e-7)]
        np.testing.assert_allclose(*sides, atol=1e-3)

    def jerk(other):
        time_s = np.linspace(0, 1.5, 30001)
        return np.trapezoid(np.gradient(other(time_s, 2)[:, 0], time_s) ** 2, time_s)

    best = jerk(curve)
    for pinned in (
        Key(0.4, 1.0, curve(at[1:2], 1)[0, 0] + 0.3),
        Key(0.4, 1.0, None, curve(at[1:2], 2)[0, 0] + 4.0),
    ):
        assert jerk(Curve([keys[0], pinned, *keys[2:]])) > best * 1.0001


def test_curve_needs_rising_keys():
    with pytest.raises(ValueError, match="must rise"):
        Curve([Key(1, 0.0), Key(1, 1.0)])
    with pytest.raises(ValueError, match="at least one"):
        Curve([])


def test_two_bones_reach_their_goal_with_their_lengths():
    rng = np.random.default_rng(2)
    root, bend = rng.normal(size=(50, 3)), rng.normal(size=(50, 3))
    way = rng.normal(size=(50, 3))
    goal = root + way / np.linalg.norm(way, axis=1, keepdims=True) * rng.uniform(0.1, 0.5, (50, 1))
    upper, lower, hinge = two_bones(root, goal, bend, (0.28, 0.26))
    np.testing.assert_allclose(root + 0.28 * upper + 0.26 * lower, goal, atol=1e-12)
    np.testing.assert_allclose(np.sum(hinge * upper, 1), 0, atol=1e-12)
    assert np.all(np.sum((root + 0.28 * upper - (root + goal) / 2) * bend, 1) > 0)


def test_wrist_angles_come_back():
    rng = np.random.default_rng(3)
    arm = frame_of(rng.normal(size=(40, 3)), rng.normal(size=(40, 3)))
    angles = rng.uniform(-1.2, 1.2, (40, 3))
    hand = hand_frame(arm[..., 0], arm[..., 1], *angles.T)
    np.testing.assert_allclose(wrist_angles(arm[..., 0], arm[..., 1], hand), angles, atol=1e-12)


# Whole swings.


@pytest.mark.parametrize("left_handed", [False, True])
@pytest.mark.parametrize(("action", "side"), SHAPES)
def test_figure_and_body_agree_and_joints_keep_their_ranges(action, side, left_handed):
    motion, trace, _ = swinging(action, side, left_handed=left_handed)
    state, pose = motion.state(trace.time_s), motion.pose(trace.time_s)
    hitting = pose.positions["right_wrist"]
    np.testing.assert_allclose(motion.figure.to_court(hitting), trace.hitting("wrist"), atol=1e-9)
    names = ("elbow", "pronation", "wrist_flexion", "wrist_deviation")
    for name, angle in zip(names, np.degrees(state.hitting.angles_rad).T, strict=True):
        low, high = JOINT_LIMITS_DEG[name]
        assert low - 1e-6 <= angle.min()
        assert angle.max() <= high + 1e-6
    assert np.degrees(pose.knee_rad).max() <= JOINT_LIMITS_DEG["knee"][1]


@pytest.mark.parametrize(("action", "side"), SHAPES)
def test_feet_stand_where_they_were_put(action, side):
    motion, trace, _ = swinging(action, side)
    pose, figure = motion.pose(trace.time_s), motion.figure
    for foot in ("right", "left"):
        ball = figure.ball_rest(foot) - figure.rest(f"{foot}_ankle")
        stands = pose.positions[f"{foot}_ankle"] + pose.rotations[f"{foot}_ankle"] @ ball
        wanted = motion.trunk.foot(foot, trace.time_s).ball_m
        np.testing.assert_allclose(stands, wanted, atol=1e-6)
        assert stands[:, 2].min() > -1e-6


@pytest.mark.parametrize(("action", "side"), SHAPES)
def test_face_meets_the_ball_with_the_speed_path_and_roll_that_were_asked_for(action, side):
    _, trace, dials = swinging(action, side)
    touch = trace.face_m[trace.contact] + PADDLE.stand_off_m * trace.normal[trace.contact]
    np.testing.assert_allclose(touch, trace.ball_m, atol=5e-4)
    assert MEASURES["head_speed_mps"][0](trace) == pytest.approx(dials.head_speed_mps, rel=0.01)
    assert MEASURES["path_angle_deg"][0](trace) == pytest.approx(dials.path_angle_deg, abs=0.3)
    assert trace.roll_dps[trace.contact] == pytest.approx(dials.turnover_deg / 0.06, abs=15)
    assert MEASURES["face_angle_deg"][0](trace) == pytest.approx(FACES.get(action, 4), abs=0.1)


def test_motion_is_smooth():
    motion, _, _ = swinging()
    time_s = 3.0 + np.linspace(-1.5, 1.2, 5401)
    face = motion.perform(time_s)
    place = face.butt_m + face.paddle_rotation @ PADDLE.face_centre_m
    speed = np.gradient(place, time_s, axis=0)
    pull = np.gradient(speed, time_s, axis=0)
    # Twice differentiable: no step of acceleration between half milliseconds.
    assert np.linalg.norm(np.diff(pull, axis=0), axis=1).max() < 15
    assert np.linalg.norm(pull, axis=1).max() < 600


def test_left_handed_player_is_the_mirror_image():
    dials = replace(usual_dials("drive", "forehand"), face_heading_deg=0.0)
    _, right, _ = swinging(dials=dials)
    _, left, _ = swinging(dials=dials, left_handed=True)
    np.testing.assert_allclose(
        left.hitting("wrist"), right.hitting("wrist") * [-1, 1, 1], atol=1e-9
    )
    for name, (measure, _) in (MEASURES | OTHER_MEASURES).items():
        expected = measure(right)
        assert measure(left) == pytest.approx(expected, abs=1e-6, nan_ok=True), name


@pytest.mark.parametrize("turn", [30.0, 55.0])
def test_turn_dials_move_the_true_turns_and_nothing_is_read_from_them(turn):
    dials = replace(
        usual_dials("drive", "forehand"), hip_turn_deg=turn, shoulder_turn_deg=turn + 30
    )
    _, trace, _ = swinging(dials=dials)
    assert MEASURES["hip_turn_deg"][0](trace) == pytest.approx(turn, abs=1.0)
    assert MEASURES["shoulder_turn_deg"][0](trace) == pytest.approx(turn + 30, abs=2.0)
    assert MEASURES["separation_at_load_deg"][0](trace) == pytest.approx(30, abs=2.0)


def test_hips_and_shoulders_peak_when_landlinger_says():
    # Landlinger et al. 2010: pelvis −75 ± 8 ms, trunk −57 ± 4 ms before impact, elite forehands.
    drawn = [
        default_technique("drive", "forehand", rng=np.random.default_rng(k)) for k in range(400)
    ]
    for dial, (mean, sd) in (("pelvis_peak_s", PELVIS_PEAK_S), ("trunk_peak_s", TRUNK_PEAK_S)):
        values = np.array([t[dial].mean for t in drawn])
        assert values.mean() == pytest.approx(mean, abs=0.001)
        assert values.std() == pytest.approx(sd, rel=0.12)
    assert PELVIS_PEAK_S == (-0.075, 0.008)
    assert TRUNK_PEAK_S == (-0.057, 0.004)
    dials = replace(usual_dials("drive", "forehand"), pelvis_peak_s=-0.075, trunk_peak_s=-0.057)
    peaks = chain(swinging(dials=dials)[1])
    assert peaks["hips_peak_s"] == pytest.approx(-0.075, abs=0.002)
    # The shoulder line also carries the girdle's own swing.
    assert peaks["shoulders_peak_s"] == pytest.approx(-0.057, abs=0.012)


def test_backhand_turns_agree_with_the_published_share_of_the_hips():
    # JSSM 14:194, Table 2: hips turn 19.0 of 30.1° one-handed, 47.4 of 71.1° two-handed.
    motion, trace, _ = swinging("drive", "two-handed backhand")
    hip, shoulder = (np.ptp(motion.trunk.curves[n](trace.time_s[1250:2000])) for n in
                     ("hip_yaw", "chest_yaw"))  # fmt: skip
    assert hip / shoulder == pytest.approx((19.0 / 30.1 + 47.4 / 71.1) / 2, abs=0.02)


def test_other_hand_holds_the_handle_in_a_two_handed_stroke():
    motion, _, _ = swinging("drive", "two-handed backhand")
    body, show = motion.figure.body, motion.perform(np.array([2.6, 3.0]))
    hand = body.landmark("left_hand", *body.joints(show.root_position_m, show.local_rotations))
    along = np.einsum("ti,ti->t", hand - show.butt_m, show.paddle_rotation[:, :, 1])
    off = np.linalg.norm(
        hand - show.butt_m - along[:, None] * show.paddle_rotation[:, :, 1], axis=1
    )
    np.testing.assert_allclose(along, 0.14, atol=0.02)
    np.testing.assert_allclose(off, 0, atol=0.02)


def test_players_walk_stoop_and_swing_in_turn():
    dials = usual_dials("drive", "forehand")
    events = [
        Swing(3.0, "drive", "forehand", np.array([0.0, -6.0]), dials, 4.0),
        Walk(4.6, 9.0, np.array([2.5, -6.5])),
        Stoop(11.0, np.array([2.5, -6.5])),
    ]
    motion = PlayerMotion(
        Figure(StickBody()), events, paddle=PADDLE, grip=Grip(), rng=np.random.default_rng(0)
    )
    pelvis = motion.trunk.place(np.array([1.0, 9.5]))
    np.testing.assert_allclose(pelvis[:, 0], [0.0, 2.5], atol=0.1)
    hand = motion.pose(np.array([11.0])).positions["left_wrist"][0]
    assert hand[2] < 0.3
    with pytest.raises(ValueError, match="overlap"):
        PlayerMotion(
            Figure(StickBody()), [events[0], replace(events[0], contact_s=4.0)],
            paddle=PADDLE, grip=Grip(), rng=np.random.default_rng(0),
        )  # fmt: skip


def test_same_seed_same_motion():
    first, second = (swinging()[1] for _ in range(2))
    np.testing.assert_array_equal(first.face_m, second.face_m)


# True measures on poses with a closed form.


def still_trace(*, right_handed=True, forehand=True, spin_radps=0.0, trunk_radps=0.0):
    """A stiff body with the arm straight out to the right and the paddle beyond it.

    The hitting arm and paddle turn about the vertical axis through the shoulder at ``spin_radps``,
    the trunk with everything on it about the vertical axis through the origin at ``trunk_radps``.
    """
    time_s = np.arange(-1200, 801) * 1e-3
    arm = Rotation.from_euler("z", np.outer(time_s, [spin_radps])).as_matrix()
    trunk = Rotation.from_euler("z", np.outer(time_s, [trunk_radps])).as_matrix()
    shoulder = np.array([0.2, 0, 1.4])
    ahead = {"elbow": 0.3, "wrist": 0.6, "face": 0.9}
    places = {n: shoulder + arm @ np.array([way, 0, 0]) for n, way in ahead.items()}
    fixed = {"right_hip": [0.12, 0, 0.95], "left_hip": [-0.12, 0, 0.95], "right_shoulder": shoulder,
             "left_shoulder": [-0.2, 0, 1.4], "left_elbow": [-0.2, 0, 1.1],
             "left_wrist": [-0.2, 0, 0.85]}  # fmt: skip
    joints = {n: np.broadcast_to(np.array(p, float), (len(time_s), 3)) for n, p in fixed.items()}
    joints |= {"right_elbow": places["elbow"], "right_wrist": places["wrist"]}
    # Paddle: long axis to the right, front face ahead.
    held = np.stack([[0, 0, 1.0], [1.0, 0, 0], [0, 1.0, 0]], axis=-1)
    given = {
        "time_s": time_s,
        "contact": 1200,
        "joints_m": {n: np.einsum("tij,tj->ti", trunk, p) for n, p in joints.items()},
        "face_m": np.einsum("tij,tj->ti", trunk, places["face"]),
        "paddle": trunk @ arm @ held,
        "ball_m": np.array([1.1, 0.3, 0.8]),
        "right_handed": right_handed,
        "forehand": forehand,
        "outcome": NO_BALL,
    }
    return Trace(**given)


def value(name, trace):
    return (MEASURES | OTHER_MEASURES)[name][0](trace)


def test_speed_path_and_contact_point_of_a_turning_arm():
    trace = still_trace(spin_radps=10.0)
    assert value("head_speed_mps", trace) == pytest.approx(9.0, rel=1e-4)
    assert value("path_angle_deg", trace) == pytest.approx(0, abs=1e-9)
    assert value("contact_height_m", trace) == pytest.approx(0.8)
    assert value("contact_front_m", trace) == pytest.approx(0.3)
    assert value("contact_reach_m", trace) == pytest.approx(1.1)
    assert value("wrist_lag_deg", trace) == pytest.approx(0, abs=1e-4)


def test_arm_share_is_one_for_a_still_trunk_and_nought_for_a_stiff_arm():
    assert value("arm_share", still_trace(spin_radps=8.0)) == pytest.approx(1.0, abs=1e-6)
    assert value("arm_share", still_trace(trunk_radps=8.0)) == pytest.approx(0.0, abs=1e-4)
    # Both: the trunk gives 4 · 1.1 of 4 · 1.1 + 6 · 0.9 m/s.
    both = still_trace(spin_radps=6.0, trunk_radps=4.0)
    assert value("arm_share", both) == pytest.approx(5.4 / 9.8, abs=1e-4)


@pytest.mark.parametrize(("turned", "side"), [(50.0, 1), (-35.0, -1)])
def test_turns_are_positive_to_the_hitting_side(turned, side):
    trace = still_trace(forehand=side > 0)
    right = Rotation.from_euler("z", -turned, degrees=True).as_matrix()
    joints = dict(trace.joints_m)
    for name in ("left_shoulder", "right_shoulder"):
        joints[name] = joints[name] @ right.T
    moved = replace(trace, joints_m=joints)
    np.testing.assert_allclose(moved.turn_deg("shoulder"), abs(turned))
    np.testing.assert_allclose(moved.turn_deg("hip"), 0, atol=1e-9)
    np.testing.assert_allclose(moved.separation_deg, abs(turned))


@pytest.mark.parametrize(("up", "right"), [(12.0, 0.0), (-7.0, 15.0)])
def test_face_angle_and_heading_of_a_known_paddle(up, right):
    tilt = Rotation.from_euler("ZX", [-right, up], degrees=True).as_matrix()
    trace = still_trace()
    tilted = replace(trace, paddle=tilt @ trace.paddle)
    assert value("face_angle_deg", tilted) == pytest.approx(up)
    assert value("face_heading_deg", tilted) == pytest.approx(right)
    back = replace(tilted, forehand=False)
    assert value("face_angle_deg", back) == pytest.approx(-up)


@pytest.mark.parametrize("right_handed", [True, False])
@pytest.mark.parametrize("forehand", [True, False])
def test_turnover_is_the_roll_over_sixty_milliseconds_closing_positive(right_handed, forehand):
    trace = still_trace(right_handed=right_handed, forehand=forehand)
    # The tip points to the hitting side and the hitting face ahead; the face turns down.
    tip = np.array([trace.hitting_side, 0.0, 0.0])
    front = np.array([0, 1.0, 0]) * (1 if forehand else -1)
    held = np.stack([np.cross(tip, front), tip, front], axis=-1)
    closing = Rotation.from_euler("x", np.radians(-400.0) * trace.time_s[:, None]).as_matrix()
    rolled = replace(trace, paddle=closing @ held)
    assert value("turnover_deg", rolled) == pytest.approx(24.0, abs=1e-3)
    assert value("turnover_peak_dps", rolled) == pytest.approx(400.0, rel=1e-4)
    later = replace(rolled, contact=rolled.contact + 20)
    assert value("face_angle_deg", later) == pytest.approx(-8.0, abs=1e-6)


def test_wrist_lag_is_the_angle_between_forearm_and_paddle():
    trace = still_trace(spin_radps=5.0)
    bent = Rotation.from_euler("z", -70, degrees=True).as_matrix()
    assert value("wrist_lag_deg", replace(trace, paddle=trace.paddle @ _about_third(bent))) == (
        pytest.approx(70.0, abs=1e-6)
    )


def _about_third(turn):
    """A turn about the court's z, written in the held paddle's own axes."""
    held = np.stack([[0, 0, 1.0], [1.0, 0, 0], [0, 1.0, 0]], axis=-1)
    return held.T @ turn @ held


def test_phases_of_a_swing_with_known_turning_points():
    trace = still_trace()
    t = trace.time_s
    # The wrist goes back until −0.30 s, forward through contact, and stops at +0.25 s.
    along = np.where(t < -0.3, -0.5 * (t + 0.3), 0.0)
    forward = Curve([Key(-0.3, 0.0), Key(0.0, 0.6, 5.0), Key(0.25, 1.2)])(t)[:, 0]
    along = np.where(t >= -0.3, forward, along)
    shoulder_turn = np.radians(70) * np.exp(-((t + 0.4) ** 2) / 0.02)
    joints = dict(trace.joints_m)
    joints["right_wrist"] = trace.joints_m["right_wrist"] + along[:, None] * [0, 1.0, 0]
    turn = Rotation.from_euler("z", -shoulder_turn[:, None]).as_matrix()
    for name in ("left_shoulder", "right_shoulder"):
        joints[name] = np.einsum("tij,tj->ti", turn, joints[name])
    moved = replace(trace, joints_m=joints)
    assert moved.time_s[moved.forward] == pytest.approx(-0.3, abs=0.003)
    assert moved.time_s[moved.load] == pytest.approx(-0.4, abs=0.002)
    assert value("shoulder_turn_deg", moved) == pytest.approx(70, abs=0.01)
    assert value("separation_at_load_deg", moved) == pytest.approx(70, abs=0.01)
    speed = Curve([Key(-0.3, 0.0), Key(0.0, 0.6, 5.0), Key(0.25, 1.2)])
    after = np.linspace(0, 0.25, 20001)
    stop = after[np.argmax(np.abs(speed(after, 1)[:, 0]) < 1.0)]
    assert value("follow_time_s", moved) == pytest.approx(stop, abs=0.002)
    way = speed(np.array([0.0, stop]))[:, 0]
    assert value("follow_path_m", moved) == pytest.approx(way[1] - way[0], abs=0.01)


def test_elbow_at_load_is_measured_in_upper_arm_lengths():
    trace = still_trace()
    joints = dict(trace.joints_m)
    shoulder = joints["right_shoulder"]
    joints["right_elbow"] = shoulder + 0.3 * np.array([0.0, -0.8, -0.6])
    moved = replace(trace, joints_m=joints)
    assert value("elbow_height", moved) == pytest.approx(-0.6)
    assert value("elbow_behind", moved) == pytest.approx(0.8)
