"""The paddle's pose from synthetic projections of motions with a closed-form answer."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from paddlebrief.ball import BallTrack, Break, BreakKind, Flight
from paddlebrief.court.camera import PARAMETERS, SolvedCamera, View
from paddlebrief.errors import StoreError
from paddlebrief.eyes import PaddleSeen
from paddlebrief.footage.frames import Frame
from paddlebrief.mechanics.paddle import PADDLE_MEASURES, TrunkMotion, paddle_measures
from paddlebrief.paddle import (
    BallAtHit,
    Forearm,
    HandDistance,
    PaddleSize,
    PaddleTrack,
    Striking,
    assumed_camera,
    ball_at_hit,
    consistent,
    look_for_paddle,
    paddle_pose,
    pooled_size,
)
from paddlebrief.paddle.settle import best_path, possible_poses
from paddlebrief.paddle.size import GRIP_SHARE, keypoints_m
from paddlebrief.paddle.struck_ball import StruckBall
from paddlebrief.paddle.turning import angle_between, exp, log, log_derivatives
from paddlebrief.records import LANDMARKS, FrameOfReference, Handedness, Kind, Side, Stroke, Track
from paddlebrief.rehearsal.court_dimensions import BALL_RADIUS_M
from paddlebrief.rehearsal.paddle import PaddleSpec, strike

LENGTH_M, WIDTH_M, HANDLE_M = 0.405, 0.198, 0.13
FACE_M = (LENGTH_M + HANDLE_M) / 2 - GRIP_SHARE * HANDLE_M
NOISE_PX = 1.0
CONTACT_S = 20.0


def look_at(position, aim, *, focal_px=1400.0, size_px=(1920, 1080)) -> SolvedCamera:
    """An upright camera whose place and direction are known almost exactly."""
    position, aim = np.asarray(position, float), np.asarray(aim, float)
    ahead = (aim - position) / np.linalg.norm(aim - position)
    right = np.cross(ahead, [0, 0, 1])
    right /= np.linalg.norm(right)
    view = View(
        focal_px=focal_px,
        centre_px=np.array([(size_px[0] - 1) / 2, (size_px[1] - 1) / 2]),
        distortion=np.zeros(2),
        rotation=np.stack([right, np.cross(ahead, right), ahead]),
        position_m=position,
        size_px=size_px,
    )
    return SolvedCamera(view=view, covariance=1e-10 * np.eye(len(PARAMETERS)))


CORNER = look_at((5.0, -11.0, 1.9), (0.3, -6.0, 1.0))
BEHIND = look_at((0.4, -11.5, 2.3), (0.3, -6.0, 1.0))


class Swing:
    """A right-hander's forehand: the paddle yaws at an even rate, rolls shut and rises."""

    yaw_radps, closing_radps, rise_mps, arm_m = 14.0, 5.0, 2.0, 0.6
    shoulder_m = np.array([0.0, -6.5, 0.8])

    def __init__(self, *, open_deg=6.0, heading_deg=-4.0, kick_radps=0.0) -> None:
        self.open_rad, self.heading_rad = np.radians(open_deg), np.radians(heading_deg)
        self.kick_radps = kick_radps

    def _yaw(self, t):
        return self.yaw_radps * t - self.heading_rad + self.kick_radps * np.maximum(t, 0)

    def rotation(self, t):
        """(n, 3, 3): at contact the long axis points right and the face to the net."""
        across_along_normal = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])
        up, along = np.array([0, 0, 1.0]), np.array([0, 1.0, 0])
        yaw = exp(self._yaw(t)[:, None] * up)
        return yaw @ across_along_normal @ exp((self.open_rad - self.closing_radps * t)[:, None]
                                               * along)  # fmt: skip

    def grip_m(self, t):
        """(n, 3): the hand goes round the shoulder at the same rate and rises."""
        turn = self.yaw_radps * t
        round_ = self.arm_m * np.stack([np.cos(turn), np.sin(turn), 0 * t], axis=1)
        return self.shoulder_m + round_ + self.rise_mps * t[:, None] * np.array([0, 0, 1.0])

    def forearm(self, t):
        """(n, 3): 50° behind the paddle's long axis."""
        return np.einsum(
            "ij,nj->ni", exp(np.radians([0, 0, 50.0])), self.rotation(t)[:, :, 1]
        ) + 0 * t[:, None]  # fmt: skip

    @property
    def head_mps(self):
        """Velocity of the face's middle just before contact."""
        away = np.array([1.0, 0, 0]) * self.arm_m + FACE_M * self.rotation(np.zeros(1))[0, :, 1]
        return np.cross([0, 0, self.yaw_radps], away) + np.array([0, 0, self.rise_mps])


def filmed(swing, camera, *, rate=60.0, phase=0.3, noise_px=NOISE_PX, rng=None, unseen=None):
    """A paddle track as the network would give it, and the hand's true distance."""
    rng = rng or np.random.default_rng(0)
    t = (np.arange(-24, 16) + phase) / 60 if rate == 60 else np.arange(-0.4, 0.26, 1 / rate) + 5e-3
    points, _ = keypoints_m(np.log([LENGTH_M, WIDTH_M, HANDLE_M]))
    rotation, grip = swing.rotation(t), swing.grip_m(t)
    px = camera.project(grip[:, None] + np.einsum("nij,kj->nki", rotation, points))
    along, across = px[:, 2] - px[:, 0], px[:, 4] - px[:, 3]
    back = along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0] < 0
    px[back] = px[back][:, [0, 1, 2, 4, 3]]
    face = np.where(back[:, None], [0.1, 0.8, 0.1], [0.8, 0.1, 0.1])
    n = len(t)
    track = PaddleTrack(
        frame=np.arange(n), time_s=CONTACT_S + t, score=np.full(n, 0.8), face=face,
        points_px=px + noise_px * rng.standard_normal(px.shape),
        sd_px=np.full((n, 5), max(noise_px, 0.2)), visible=np.ones((n, 5)),
        hand_px=camera.project(grip) + 3 * rng.standard_normal((n, 2)),
    )  # fmt: skip
    if unseen is not None:
        track = track.without(unseen(t))
    return track, np.linalg.norm(grip - camera.position_m, axis=1)


def posed(
    swing, camera, *, contact_sd_s=1e-4, forearm=True, forehand=True, ball=None, hand=None,
    spoilt=None, **how,
):  # fmt: skip
    track, metres = filmed(swing, camera, **how)
    track = spoilt(track) if spoilt else track
    t = track.time_s - CONTACT_S
    arm = Forearm(direction=swing.forearm(t), sd_rad=np.full(len(t), 0.1)) if forearm else None
    return paddle_pose(
        track,
        Striking(
            contact_s=CONTACT_S, contact_s_sd=contact_sd_s, forehand=forehand, ball=ball, hand=hand
        ),
        camera=camera,
        solved=True,
        distance=HandDistance(metres=metres, sd_m=0.1, wander_m=0.1),
        forearm=arm,
    )


def stroke(side=Side.FOREHAND):
    return Stroke(
        number=1, person=0, player="A", hand=Handedness.RIGHT, side=side, side_probability=0.9,
        kind=Kind.DRIVE, kind_probabilities={Kind.DRIVE: 0.9}, load_s=CONTACT_S - 0.6,
        forward_s=CONTACT_S - 0.3, contact_s=CONTACT_S, contact_s_sd=1e-4,
        finish_s=CONTACT_S + 0.4,
    )  # fmt: skip


def measured(pose, *, side=Side.FOREHAND, **how):
    found = paddle_measures(pose, stroke(side), solved=pose.solved, **how)
    assert [m.name for m in found] == list(PADDLE_MEASURES)
    return {m.name: m for m in found}


def normal_error_deg(pose, swing):
    truth = swing.rotation(np.zeros(1))[0, :, 2]
    cosine = pose.mean_rotation[pose.before, :, 2] @ truth
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def test_logarithm_and_its_derivatives_agree_with_small_turns():
    rng = np.random.default_rng(3)
    step = rng.normal(0, 0.4, (5, 3))
    later, earlier = log_derivatives(step)
    assert np.allclose(log(exp(step)), step)
    small = 1e-5 * rng.normal(size=(5, 3))
    turned = log(exp(small) @ exp(step) @ exp(-small))
    change = np.einsum("nij,nj->ni", later - earlier, small)
    assert np.allclose(turned - step, change, atol=5e-7)
    angle = angle_between(exp(step), np.tile(np.eye(3), (5, 1, 1)))
    assert np.allclose(angle, np.linalg.norm(step, axis=1))


def test_slopes_of_the_keypoints_by_the_size():
    log_m = np.log([LENGTH_M, WIDTH_M, HANDLE_M])
    points, slopes = keypoints_m(log_m)
    assert points[2, 1] - points[0, 1] == pytest.approx(LENGTH_M)
    assert points[4, 0] - points[3, 0] == pytest.approx(WIDTH_M)
    for i in range(3):
        step = np.zeros(3)
        step[i] = 1e-6
        assert np.allclose(
            (keypoints_m(log_m + step)[0] - points) / 1e-6, slopes[..., i], atol=1e-5
        )


def test_an_outline_allows_the_true_pose_and_its_mirror_image():
    swing, t = Swing(open_deg=25), np.array([-0.04])
    track, metres = filmed(swing, CORNER, noise_px=0.0)
    row = int(np.abs(track.time_s - CONTACT_S - t).argmin())
    view = CORNER.view
    poses = possible_poses(
        view.flat_direction(track.points_px[[row]]), np.full((1, 5), 0.5 / view.focal_px),
        depth_m=metres[[row]], face=np.full((1, 3), 1 / 3),
        log_size=np.log([LENGTH_M, WIDTH_M, HANDLE_M]),
    )  # fmt: skip
    truth = view.rotation @ swing.rotation(track.time_s[[row]] - CONTACT_S)[0]
    off = np.degrees(angle_between(poses.rotation[0], truth))
    kept = np.isfinite(poses.cost[0])
    assert off[kept].min() < 4
    good = kept & (poses.cost[0] < poses.cost[0][kept].min() + 3)
    assert good.sum() >= 2
    assert off[good].max() > 15


@pytest.mark.parametrize("camera", [CORNER, BEHIND], ids=["corner", "behind"])
def test_face_and_path_of_a_known_swing(camera):
    swing = Swing()
    found = measured(posed(swing, camera, noise_px=0.3))
    assert found["face_angle_deg"].value == pytest.approx(6.0, abs=3)
    assert found["face_heading_deg"].value == pytest.approx(-4.0, abs=3)
    assert found["face_angle_deg"].frame is FrameOfReference.COURT
    speed = np.linalg.norm(swing.head_mps)
    assert abs(found["head_speed_mps"].value - speed) < min(1.5, 2 * found["head_speed_mps"].sd)
    rise = np.degrees(np.arctan2(swing.head_mps[2], np.hypot(*swing.head_mps[:2])))
    if found["path_angle_deg"].measured:
        assert found["path_angle_deg"].value == pytest.approx(rise, abs=6)
    closing = np.degrees(swing.closing_radps * 0.060)
    assert found["turnover_deg"].value == pytest.approx(closing, abs=6)
    assert found["wrist_lag_deg"].value == pytest.approx(50, abs=5)


def test_stated_intervals_cover_the_truth():
    inside, normals = [], []
    for k in range(14):
        rng = np.random.default_rng(k)
        swing = Swing(open_deg=rng.uniform(-10, 30), heading_deg=rng.uniform(-12, 12))
        pose = posed(swing, CORNER, rng=rng, phase=rng.uniform())
        normals.append(normal_error_deg(pose, swing))
        found = measured(pose)
        for name, true in (
            ("face_angle_deg", np.degrees(swing.open_rad)),
            ("face_heading_deg", np.degrees(swing.heading_rad)),
            ("head_speed_mps", np.linalg.norm(swing.head_mps)),
        ):
            if found[name].measured:
                inside.append(abs(found[name].value - true) <= 1.96 * found[name].sd)
    assert len(inside) > 30
    assert np.mean(inside) >= 0.88
    assert np.median(normals) <= 5


def test_a_backhand_is_hit_with_the_back_face():
    swing = Swing(open_deg=-174.0, heading_deg=0.0)
    pose = posed(swing, CORNER, noise_px=0.3, forehand=False, forearm=False)
    hit = measured(pose, side=Side.BACKHAND)["face_angle_deg"]
    assert hit.value == pytest.approx(6.0, abs=4)


def test_the_forearm_settles_which_way_the_paddle_is_tilted():
    swing = Swing(open_deg=20)
    errors = {True: [], False: []}
    for k in range(3):
        for forearm in errors:
            pose = posed(
                swing, BEHIND, rng=np.random.default_rng(k), forearm=forearm, forehand=None
            )
            errors[forearm].append((normal_error_deg(pose, swing), pose.normal_sd_deg[pose.before]))
    for forearm in errors:
        error, sd = np.array(errors[forearm]).T
        assert (error <= 3 * sd).all()
    assert np.median([e for e, _ in errors[True]]) < 15


class HeldSwing(Swing):
    """As a right hand holds a handle: the tip to the thumb's side, the wrist bent back a little."""

    held = np.array([-0.68, 0.68, 0.27])

    def forearm(self, t):
        return self.rotation(t) @ (self.held / np.linalg.norm(self.held))


def test_how_a_hand_holds_a_handle_settles_the_tilt():
    swing = HeldSwing(open_deg=20)
    found = {
        hand: posed(swing, BEHIND, forehand=None, hand=hand, rng=np.random.default_rng(3))
        for hand in (None, Handedness.RIGHT)
    }
    sd = {hand: np.median(pose.normal_sd_deg[pose.frame_node]) for hand, pose in found.items()}
    assert sd[Handedness.RIGHT] < 0.8 * sd[None]
    assert normal_error_deg(found[Handedness.RIGHT], swing) < 10


def test_a_forearm_that_was_read_wrongly_leaves_doubt_about_the_face():
    class Misread(HeldSwing):
        held = np.array([0.68, 0.68, -0.27])  # as if the other face looked out of the palm

    swing = Misread()
    pose = posed(swing, CORNER, hand=Handedness.RIGHT, forehand=None)
    assert pose.normal_sd_deg[pose.before] > 30
    known = posed(swing, CORNER, hand=Handedness.RIGHT, forehand=True)
    assert normal_error_deg(known, swing) < 10


def test_another_paddle_between_gaps_is_left_out():
    swing, hidden = HeldSwing(), (-0.10, 0.02)

    def spoilt(track):
        t = track.time_s - CONTACT_S
        row = int(np.abs(t + 0.04).argmin())
        points, face = track.points_px.copy(), track.face.copy()
        turned = (points[row] - points[row, 0]) @ exp(np.radians([0, 0, 120.0]))[:2, :2].T
        points[row] = points[row, 0] + [60, -40] + turned
        face[row] = face[row, [1, 0, 2]]
        changed = replace(track, points_px=points, face=face)
        return changed.without((t > hidden[0]) & (t < hidden[1]) & (np.arange(len(t)) != row))

    pose = posed(swing, CORNER, hand=Handedness.RIGHT, spoilt=spoilt)
    truth = swing.rotation(pose.time_s)
    off = np.degrees(angle_between(pose.mean_rotation, truth))
    assert off[(pose.time_s > hidden[0]) & (pose.time_s < 0)].max() < 15


def test_the_likeliest_path_leaves_a_stray_frame_out():
    cost = np.array([[0.0, 9.0], [9.0, 0.0], [0.0, 9.0]])
    step = np.array([[0.0, 8.0], [8.0, 0.0]])
    turning = (np.stack([step, step]), step[None])
    path, total = best_path(cost, turning, np.full(3, 4.0))
    assert (path == [0, -1, 0]).all() and total == pytest.approx(4.0)
    path, total = best_path(cost, turning, np.full(3, np.inf))
    assert (path == [0, 0, 0]).all() and total == pytest.approx(9.0)


def test_a_gap_widens_and_a_long_one_says_nothing():
    swing = Swing()
    whole = posed(swing, CORNER)
    short = posed(swing, CORNER, unseen=lambda t: np.abs(t) < 0.03)
    assert short.normal_sd_deg[short.before] > 1.2 * whole.normal_sd_deg[whole.before]
    assert normal_error_deg(short, swing) < 3 * short.normal_sd_deg[short.before]
    long = measured(posed(swing, CORNER, unseen=lambda t: np.abs(t) < 0.06))
    assert all(m.reason == "the paddle was not seen at contact" for m in long.values())
    assert posed(swing, CORNER, unseen=lambda t: t < 1) is None
    nothing = paddle_measures(None, stroke(), solved=False)
    assert all("too few frames" in m.reason for m in nothing)


def test_blur_widens_what_is_stated():
    swing = Swing()
    sharp, blurred = posed(swing, CORNER), posed(swing, CORNER, noise_px=4.0)
    assert blurred.normal_sd_deg[blurred.before] > 1.7 * sharp.normal_sd_deg[sharp.before]
    assert normal_error_deg(blurred, swing) < 3 * blurred.normal_sd_deg[blurred.before]


def test_the_kick_of_the_impact_is_not_smoothed_into_the_swing():
    calm, kicked = Swing(), Swing(kick_radps=-12.0)
    speeds = [
        measured(posed(s, CORNER, noise_px=0.3))["head_speed_mps"].value for s in (calm, kicked)
    ]
    after = posed(kicked, CORNER, noise_px=0.3)
    turning = after.turning_radps.mean(axis=0)[:, 2]
    assert speeds[1] == pytest.approx(speeds[0], abs=0.8)
    assert turning[after.before] == pytest.approx(14, abs=4)
    assert turning[after.before + 1] == pytest.approx(2, abs=5)


def test_doubt_about_the_moment_of_contact_is_in_the_heading():
    swing = Swing()
    sure, unsure = (
        measured(posed(swing, CORNER, noise_px=0.3, contact_sd_s=s))["face_heading_deg"].sd
        for s in (1e-4, 0.008)
    )
    turn = np.degrees(swing.yaw_radps * 0.008)
    assert unsure == pytest.approx(np.hypot(sure, turn), rel=0.2)


@pytest.mark.parametrize("rise_mps", [5.0, -4.0], ids=["brushed up", "cut down"])
def test_the_balls_change_of_velocity_sharpens_the_face(rise_mps):
    swing = Swing()
    swing.rise_mps = rise_mps
    incoming = np.array([1.0, -8.0, -1.0])
    normal = swing.rotation(np.zeros(1))[0, :, 2]
    struck = strike(
        incoming, np.zeros(3), face_velocity_mps=swing.head_mps, face_normal=normal,
        paddle=PaddleSpec(),
    )  # fmt: skip
    ball = BallAtHit(
        incoming_mps=incoming, outgoing_mps=struck.velocity_mps, covariance=0.09 * np.eye(3)
    )
    push = struck.velocity_mps - incoming
    off = np.degrees(np.arcsin(push[2] / np.linalg.norm(push))) - 6.0
    assert abs(off) > 3  # friction turns the push away from the face's normal
    alone, helped = (
        measured(posed(swing, BEHIND, noise_px=2.0, ball=b))["face_angle_deg"] for b in (None, ball)
    )
    assert helped.value == pytest.approx(6.0, abs=4)
    assert helped.sd < 7
    assert not alone.measured or helped.sd < alone.sd


def test_the_balls_speeds_sharpen_the_heads_speed():
    swing = Swing()
    incoming = np.array([0.5, -8.0, -1.0])
    struck = strike(
        incoming, np.zeros(3), face_velocity_mps=swing.head_mps,
        face_normal=swing.rotation(np.zeros(1))[0, :, 2], paddle=PaddleSpec(),
    )  # fmt: skip
    ball = BallAtHit(
        incoming_mps=incoming, outgoing_mps=struck.velocity_mps, covariance=0.09 * np.eye(3)
    )
    alone, helped = (
        measured(posed(swing, BEHIND, noise_px=2.0, ball=b))["head_speed_mps"] for b in (None, ball)
    )
    assert abs(helped.value - np.linalg.norm(swing.head_mps)) < 2 * helped.sd
    assert not alone.measured or helped.sd < alone.sd


@pytest.mark.parametrize("rise_mps", [5.0, -4.0], ids=["brushed up", "cut down"])
@pytest.mark.parametrize("rolls", [True, False], ids=["off the court", "in the air"])
def test_the_balls_spin_tells_face_and_path_apart(rise_mps, rolls):
    swing = Swing()
    swing.rise_mps = rise_mps
    incoming = np.array([0.5, -4.0, 1.0])
    spin = np.array([4.0, 0.5, 0.0]) if rolls else np.zeros(3)
    normal = swing.rotation(np.zeros(1))[0, :, 2]
    struck = strike(
        incoming, spin / BALL_RADIUS_M, face_velocity_mps=swing.head_mps, face_normal=normal,
        paddle=PaddleSpec(),
    )  # fmt: skip
    ball = BallAtHit(
        incoming_mps=incoming, outgoing_mps=struck.velocity_mps, covariance=0.09 * np.eye(3),
        incoming_rim_mps=spin, incoming_rim_covariance=np.eye(3),
        outgoing_rim_mps=BALL_RADIUS_M * struck.spin_radps,
        outgoing_rim_covariance=0.5 * np.eye(3),
    )  # fmt: skip
    right = StruckBall(ball=ball, face_sign=1)
    assert np.allclose(right.misfit_mps(normal, swing.head_mps), 0, atol=1e-9)
    spinless = replace(
        ball, incoming_rim_covariance=16 * np.eye(3), outgoing_rim_covariance=16 * np.eye(3)
    )
    known, blind = (measured(posed(swing, BEHIND, noise_px=2.0, ball=b)) for b in (ball, spinless))
    level = np.hypot(*swing.head_mps[:2])
    true = {"face_angle_deg": 6.0, "path_angle_deg": np.degrees(np.arctan2(rise_mps, level))}
    for name, value in true.items():
        assert known[name].value == pytest.approx(value, abs=6)
        assert abs(known[name].value - value) < 2.5 * known[name].sd
        assert not blind[name].measured or known[name].sd < blind[name].sd


def test_a_ball_that_slides_over_the_face_is_known_by_its_friction():
    normal, face = np.array([0, 1.0, 0]), np.array([0, 9.0, 22.0])
    incoming = np.array([0, -4.0, 0])
    struck = strike(
        incoming, np.zeros(3), face_velocity_mps=face, face_normal=normal, paddle=PaddleSpec()
    )
    assert struck.slid
    ball = BallAtHit(
        incoming_mps=incoming, outgoing_mps=struck.velocity_mps, covariance=np.eye(3),
        outgoing_rim_mps=BALL_RADIUS_M * struck.spin_radps,
    )  # fmt: skip
    misfit = StruckBall(ball=ball, face_sign=1).misfit_mps(normal, face)
    assert np.allclose(misfit[:3], 0, atol=1e-9)
    assert abs(misfit[5]) > 1  # it does not leave as the face moves


def flight(kind, *, start_s, end_s, velocity, place=(0.0, -6.0, 1.0), anchor_s=None):
    """A flight without drag or spin, known at its anchor."""
    none, start = np.full(3, np.nan), np.array(place)
    ends = [
        Break(
            kind=k, time_s=t, time_s_sd=0.001, px=none[:2], place_m=start,
            covariance_m2=np.zeros((3, 3)),
        )
        for k, t in ((kind, start_s), (BreakKind.HIT, end_s))
    ]  # fmt: skip
    return Flight(
        start=ends[0], end=ends[1], rows=np.arange(3), anchor_s=anchor_s or start_s,
        position_m=start, velocity_mps=np.array(velocity, float), rim_mps=np.zeros(3),
        covariance=0.04 * np.eye(9), curve_px=np.zeros((4, 2)), rms=1.0,
    )  # fmt: skip


def test_the_ball_at_a_hit_is_carried_there_by_its_flights():
    before = flight(BreakKind.START, start_s=19.5, end_s=20.0, velocity=(0, -9, 4))
    after = flight(BreakKind.HIT, start_s=20.0, end_s=20.6, velocity=(1, 14, 2))
    track = BallTrack(
        number=1, flights=(before, after), parameters=np.zeros(1), covariance=np.eye(1)
    )
    found = ball_at_hit(track, 1, drag_coefficient=1e-9)
    fallen = 9.81 * 0.5
    assert np.allclose(found.incoming_mps, [0, -9, 4 - fallen], atol=0.02)
    assert np.allclose(found.outgoing_mps, [1, 14, 2], atol=1e-9)
    assert np.allclose(found.covariance, 0.08 * np.eye(3))
    slowed = ball_at_hit(track, 1, drag_coefficient=0.4)
    assert np.linalg.norm(slowed.incoming_mps) < np.linalg.norm(found.incoming_mps)
    assert ball_at_hit(track, 0, drag_coefficient=0.4) is None


def test_a_ball_rolls_off_the_court_and_keeps_its_spin_in_the_air():
    after = flight(BreakKind.HIT, start_s=20.0, end_s=20.6, velocity=(1, 14, 2))
    found = {}
    for kind in (BreakKind.BOUNCE, BreakKind.START):
        before = flight(kind, start_s=19.5, end_s=20.0, velocity=(0.5, -3, 4))
        track = BallTrack(
            number=1, flights=(before, after), parameters=np.zeros(1), covariance=np.eye(1)
        )
        found[kind] = ball_at_hit(track, 1, drag_coefficient=1e-9)
    rolling = found[BreakKind.BOUNCE].incoming_rim_mps
    # The touching point of a rolling ball stands still: v + ω × (−r up) = 0.
    assert np.allclose(np.cross(rolling, [0, 0, -1]) + [0.5, -3, 0], 0, atol=1e-9)
    assert np.allclose(found[BreakKind.START].incoming_rim_mps, before.rim_mps)


def test_the_ball_is_the_same_seen_from_elsewhere():
    turn = exp(np.array([[0.3, -0.5, 0.8]]))[0]
    face, normal = np.array([1.0, 9.0, 3.0]), np.array([0.1, 0.97, 0.22])
    normal /= np.linalg.norm(normal)
    ball = BallAtHit(
        incoming_mps=np.array([0.5, -4, 1]), outgoing_mps=np.array([1, 13, 4.0]),
        covariance=np.diag([0.1, 0.2, 0.3]), incoming_rim_mps=np.array([3.0, 0, 0]),
        outgoing_rim_mps=np.array([-1.0, 0.5, 0]),
    )  # fmt: skip
    here, there = (StruckBall(ball=b, face_sign=1) for b in (ball, ball.turned(turn)))
    misfits = [
        m @ np.linalg.inv(one.covariance()) @ m
        for one, m in (
            (here, here.misfit_mps(normal, face)),
            (there, there.misfit_mps(turn @ normal, turn @ face)),
        )
    ]
    assert misfits[0] == pytest.approx(misfits[1])


def test_another_ball_does_not_turn_the_face():
    swing = Swing()
    wrong = BallAtHit(
        incoming_mps=np.array([8.0, 0, 0]), outgoing_mps=np.array([-8.0, 2.0, 0]),
        covariance=0.09 * np.eye(3),
    )  # fmt: skip
    misled = posed(swing, CORNER, noise_px=0.3, ball=wrong)
    assert normal_error_deg(misled, swing) < 8


def test_what_is_not_stated_says_why():
    swing = Swing()
    slow = measured(posed(swing, CORNER, rate=30.0))
    assert "30 frames a second" in slow["turnover_deg"].reason
    assert "30 frames a second" in slow["turnover_peak_dps"].reason
    either = measured(posed(swing, CORNER), side=Side.UNSURE)
    assert "forehand or a backhand" in either["face_angle_deg"].reason
    assert "trunk" in either["arm_share"].reason
    bare = measured(posed(swing, CORNER, forearm=False))
    assert "forearm" in bare["wrist_lag_deg"].reason
    assert "forearm" in bare["wrist_release_s"].reason


def test_a_forearm_that_no_hand_reaches_gives_no_lag():
    swing = HeldSwing()
    pose = posed(swing, CORNER)
    reversed_arm = replace(pose, forearm=-pose.forearm)
    lag, away = (measured(p)["wrist_lag_deg"] for p in (pose, reversed_arm))
    assert lag.measured and not away.measured
    assert away.reason == "forearm and paddle as they were seen do not fit one hand"


def test_without_a_court_the_tilt_is_in_the_width_or_nothing_is_said():
    swing = Swing()
    track, metres = filmed(swing, CORNER)
    pose = paddle_pose(
        track,
        Striking(contact_s=CONTACT_S, contact_s_sd=1e-3, forehand=True),
        camera=assumed_camera((1920, 1080)),
        solved=False,
        distance=HandDistance(metres=metres, sd_m=0.6),
    )
    found = measured(pose)
    assert "court was not found" in found["face_heading_deg"].reason
    angle = found["face_angle_deg"]
    assert angle.frame is FrameOfReference.GRAVITY
    assert not angle.measured or angle.sd > 4


def test_the_arms_share_by_a_rigid_trunk():
    swing = Swing()
    pose = posed(swing, CORNER, noise_px=0.3)
    trunk = TrunkMotion(
        spin_radps=np.array([0, 0, 4.0]), spin_sd_radps=0.3, middle_m=swing.shoulder_m,
        middle_sd_m=0.03, middle_mps=np.zeros(3), middle_sd_mps=0.1,
    )  # fmt: skip
    share = measured(pose, trunk=trunk)["arm_share"]
    arm = swing.arm_m * np.array([1.0, 0, 0]) + FACE_M * swing.rotation(np.zeros(1))[0, :, 1]
    explained = np.cross([0, 0, 4.0], arm)
    truth = 1 - explained @ swing.head_mps / (swing.head_mps @ swing.head_mps)
    assert share.value == pytest.approx(truth, abs=0.06)
    assert share.sd < 0.1


def test_beyond_the_net_the_heading_is_the_players_own():
    swing = Swing(heading_deg=170.0)
    pose = posed(swing, CORNER, noise_px=0.3)
    near, far = (measured(pose, facing=f)["face_heading_deg"] for f in (1, -1))
    assert near.measured
    assert (near.value - far.value) % 360 == pytest.approx(180, abs=1e-6)


def test_strokes_sharpen_the_size():
    prior = PaddleSize.as_sold()
    poses = [posed(Swing(), CORNER, rng=np.random.default_rng(k)) for k in range(3)]
    pooled = pooled_size(prior, [p.size for p in poses])
    assert np.all(np.diag(pooled.covariance) < np.diag(prior.covariance))
    off = pooled.log_m - np.log([LENGTH_M, WIDTH_M, HANDLE_M])
    assert np.all(np.abs(off) < 3 * np.sqrt(np.diag(pooled.covariance)))
    assert pooled_size(prior, []) is prior
    again = PaddleSize.from_plain(pooled.plain())
    assert np.allclose(again.metres, pooled.metres)


def test_a_track_is_stored_and_read_back(tmp_path: Path):
    track, _ = filmed(Swing(), CORNER, unseen=lambda t: t > 0.1)
    track.save(tmp_path / "track.npz")
    again = PaddleTrack.load(tmp_path / "track.npz")
    for name, values in vars(track).items():
        assert np.array_equal(getattr(again, name), values, equal_nan=True), name
    assert [p.name for p in tmp_path.iterdir()] == ["track.npz"]
    (tmp_path / "other.npz").write_bytes(b"nothing of the kind")
    with pytest.raises(StoreError, match="paddle track"):
        PaddleTrack.load(tmp_path / "other.npz")
    with pytest.raises(ValueError, match="score"):
        replace(track, score=track.score[:3])


def test_a_paddle_that_jumps_to_another_hand_is_dropped():
    track, _ = filmed(Swing(), CORNER)
    height_px = 1.7 * CORNER.view.focal_px / 6.5
    points = track.points_px.copy()
    points[17] += [0.0, 1.2 * height_px]
    points[25] = points[25].mean(axis=0) + 4 * (points[25] - points[25].mean(axis=0))
    kept = consistent(replace(track, points_px=points), body_height_px=height_px)
    assert np.flatnonzero(~kept.seen).tolist() == [17, 25]
    none = track.without(np.ones(len(track), bool))
    assert not consistent(none, body_height_px=height_px).seen.any()


def test_every_frame_of_the_player_is_looked_at_once():
    rows = 12
    landmarks = np.full((rows, len(LANDMARKS), 2), 100.0)
    landmarks[:, LANDMARKS.index("nose"), 1] = 40
    for part, y in (("hip", 110), ("knee", 150), ("ankle", 190)):
        landmarks[:, [LANDMARKS.index(f"{s}_{part}") for s in ("left", "right")], 1] = y
    landmarks[5] = np.nan
    time_s = np.arange(rows) / 60
    track = Track(
        person=0, frame=np.arange(rows) + 7, time_s=time_s, landmarks_px=landmarks,
        visibility=np.ones((rows, 33)), noise_px=np.ones(33),
    )  # fmt: skip
    landmarks[:, [LANDMARKS.index(f"right_{p}") for p in ("wrist", "index", "pinky")]] = 101, 93
    looked = []

    def look(picture, squares):
        looked.append(squares[0].centre_px)
        if len(looked) == 3:
            return [None]
        points = np.array([[100, 100], [100, 90], [100, 70], [95, 80], [105, 80.0]])
        return [
            PaddleSeen(
                score=0.7, front=0.7, back=0.2, edge_on=0.1, points_px=points,
                sd_px=np.ones(5), visible=np.ones(5), box_px=np.array([95, 70, 105, 100.0]),
            )
        ]  # fmt: skip

    frames = [
        Frame(index=k, time_s=k / 60, picture_bgr=np.zeros((2, 2, 3), np.uint8), repeat=k == 9)
        for k in range(25)
    ]
    found = look_for_paddle(frames, track, Handedness.RIGHT, SimpleNamespace(look=look))
    assert len(looked) == rows - 1
    # The repeat and the frame in which nothing was found; the hand's gap of one is bridged.
    assert np.flatnonzero(~found.seen).tolist() == [2, 3]
    assert found.frame.tolist() == track.frame.tolist()
    assert np.allclose(found.points_px[0, 2], [100, 70])
    neighbour = landmarks.copy()
    neighbour[:, [LANDMARKS.index(f"left_{p}") for p in ("wrist", "index", "pinky")]] = 100, 92
    neighbour[6:] = np.nan
    looked.clear()
    left = look_for_paddle(
        frames, track, Handedness.RIGHT, SimpleNamespace(look=look),
        others=[replace(track, person=1, landmarks_px=neighbour)],
    )  # fmt: skip
    assert np.flatnonzero(left.seen).tolist() == [6, 7, 8, 9, 10, 11]


def test_a_face_on_the_own_arm_is_the_arm():
    # By construction: the seen face lies on the drawn forearm, or a forearm's length beside it.
    rows = 8
    landmarks = np.full((rows, len(LANDMARKS), 2), 100.0)
    for part, y in (("nose", 40), ("hip", 110), ("knee", 150), ("ankle", 190)):
        landmarks[:, [k for k, name in enumerate(LANDMARKS) if name.endswith(part)], 1] = y
    for part, y in (("wrist", 100), ("index", 102), ("pinky", 102), ("elbow", 70), ("shoulder", 45)):
        landmarks[:, LANDMARKS.index(f"right_{part}")] = 120, y
    track = Track(
        person=0, frame=np.arange(rows), time_s=np.arange(rows) / 60, landmarks_px=landmarks,
        visibility=np.ones((rows, 33)), noise_px=np.ones(33),
    )  # fmt: skip
    frames = [
        Frame(index=k, time_s=k / 60, picture_bgr=np.zeros((2, 2, 3), np.uint8), repeat=False)
        for k in range(rows)
    ]
    sleeve = np.array([[120, 101], [120, 90], [120, 62], [115, 75], [125, 75.0]])
    beside = np.array([[120, 101], [131, 101], [159, 101], [146, 96], [146, 106.0]])
    for points, seen in ((sleeve, False), (beside, True)):
        found = PaddleSeen(
            score=0.8, front=0.8, back=0.1, edge_on=0.1, points_px=points, sd_px=np.ones(5),
            visible=np.ones(5), box_px=np.array([0, 0, 1, 1.0]),
        )  # fmt: skip
        net = SimpleNamespace(look=lambda picture, squares, found=found: [found])
        assert (look_for_paddle(frames, track, Handedness.RIGHT, net).seen == seen).all()
    # Where the paddle is seen beside the arm too, it may pass before it.
    slanted = np.array([[120, 101], [127, 94], [147, 74], [133, 80], [141, 88.0]])
    shown = iter([slanted] * 4 + [sleeve] + [slanted] * 3)
    passing = SimpleNamespace(
        look=lambda picture, squares: [replace(found, points_px=next(shown))]
    )
    assert look_for_paddle(frames, track, Handedness.RIGHT, passing).seen.all()
