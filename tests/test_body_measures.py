"""Bodies in metres and their measures, on a swing in closed form seen by a camera."""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest

from paddlebrief.court.camera import PARAMETERS, SolvedCamera, View
from paddlebrief.mechanics.arm import contact_beside_wrist, contact_in_space
from paddlebrief.mechanics.body_view import BodyView, stated
from paddlebrief.mechanics.judging import judged_side
from paddlebrief.mechanics.swing import hitting_forearm
from paddlebrief.mechanics.turns import BODY_MEASURES, body_measures, separation_at_load
from paddlebrief.records import LANDMARKS, FrameOfReference, Handedness, Kind, Side, Stroke, Track
from paddlebrief.turn.fusion import Turns
from paddlebrief.turn.net import SEGMENTS
from paddlebrief.turn.skeleton import BodyPath, build_path
from paddlebrief.turn.standing import ADULT, MINOR, Stature, expected_stature, eye_of
from paddlebrief.turn.steadying import steadied

SIZE_PX = (1920, 1080)
RATE_HZ = 60.0
LOAD_S, FORWARD_S, CONTACT_S, FINISH_S = 0.9, 1.0, 1.3, 1.7
HIP_TURN_DEG, SEPARATION_DEG = 45.0, 30.0
HEIGHT_M = 1.72
SPINE_M, HALF_SHOULDERS_M, UPPER_ARM_M, FOREARM_M = 0.49, 0.18, 0.27, 0.25
HIPS_M = np.array([0.6, -6.2, 0.92])
KNOWN = Stature(height_m=HEIGHT_M, sd_m=0.02, source="test")


def camera(*, place=(0.4, -11.5, 2.2), aim=(0.2, -3.0, 0.9), focal_px=1350.0) -> SolvedCamera:
    ahead = np.subtract(aim, place)
    ahead = ahead / np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 0, 1])
    right /= np.linalg.norm(right)
    view = View(
        focal_px=focal_px,
        centre_px=np.array([959.5, 539.5]),
        distortion=np.zeros(2),
        rotation=np.stack([right, np.cross(ahead, right), ahead]),
        position_m=np.array(place, float),
        size_px=SIZE_PX,
    )
    sds = [0.002, 1, 1, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3, 0.02, 0.02, 0.02]
    return SolvedCamera(view=view, covariance=np.diag(np.square(sds[: len(PARAMETERS)])))


BEHIND = camera()
SIDE = camera(place=(9.0, -6.0, 1.8), aim=(0.0, -6.0, 0.9))


def bump(time_s: np.ndarray, middle_s: float, half_s: float) -> np.ndarray:
    """1 at the middle, 0 from ``half_s`` away on, smooth."""
    off = np.clip((time_s - middle_s) / half_s, -1, 1)
    return np.cos(np.pi / 2 * off) ** 2


@dataclass(frozen=True)
class Swing:
    """A right-hander's forehand, mirrored for ``side`` −1, in the camera's half of the court."""

    time_s: np.ndarray
    side: int = 1

    @property
    def hip_turn_rad(self) -> np.ndarray:
        return np.radians(HIP_TURN_DEG) * bump(self.time_s, LOAD_S, 0.5)

    @property
    def separation_rad(self) -> np.ndarray:
        return np.radians(SEPARATION_DEG) * bump(self.time_s, LOAD_S, 0.5)

    @property
    def ways(self) -> dict[str, np.ndarray]:
        """Unit directions of spine, upper arm and forearm."""
        n = len(self.time_s)
        swing = 2.6 * np.clip((self.time_s - FORWARD_S) / 0.45, 0, 1) - 1.2
        swing = swing - 0.25 * np.sin(np.pi * np.clip((self.time_s - FORWARD_S) / 0.45, 0, 1))
        arm = np.stack([self.side * np.cos(swing), np.sin(swing), np.full(n, -0.5)], axis=-1)
        spine = np.tile([0.0, 0.15, 1.0], (n, 1))
        ways = {"spine": spine, "upper arm": arm, "forearm": arm + np.array([0.0, 0.0, 0.35])}
        return {k: w / np.linalg.norm(w, axis=1, keepdims=True) for k, w in ways.items()}

    @property
    def joints_m(self) -> dict[str, np.ndarray]:
        ways, n = self.ways, len(self.time_s)
        hips = np.tile(HIPS_M, (n, 1)) + np.outer(self.time_s - CONTACT_S, [0, 0.03, 0])
        turn = self.side * (self.hip_turn_rad + self.separation_rad)
        line = np.stack([np.cos(turn), -np.sin(turn), 0 * turn], axis=-1)
        middle = hips + SPINE_M * ways["spine"]
        joints = {"hips": hips, "left_shoulder": middle - HALF_SHOULDERS_M * line,
                  "right_shoulder": middle + HALF_SHOULDERS_M * line}  # fmt: skip
        near = joints["right_shoulder" if self.side > 0 else "left_shoulder"]
        joints["elbow"] = near + UPPER_ARM_M * ways["upper arm"]
        joints["wrist"] = joints["elbow"] + FOREARM_M * ways["forearm"]
        return joints

    @property
    def hand(self) -> Handedness:
        return Handedness.RIGHT if self.side > 0 else Handedness.LEFT


def swing_of(side: int = 1, *, rate_hz: float = RATE_HZ) -> Swing:
    return Swing(np.arange(0, 2.2, 1 / rate_hz), side)


def landmarks_m(swing: Swing) -> np.ndarray:
    """(n, 33, 3): joints of the swing, hips apart, legs straight down, feet on the ground."""
    joints, n = swing.joints_m, len(swing.time_s)
    marks = np.empty((n, 33, 3))
    marks[:] = joints["hips"][:, None] + [0.0, 0.0, 0.7]
    ground = np.array([1.0, 1.0, 0.0])
    heights = {"knee": 0.48, "ankle": 0.075 * HEIGHT_M, "heel": 0.048 * HEIGHT_M,
               "foot_index": 0.022 * HEIGHT_M}  # fmt: skip
    for side, sign in (("left", -1), ("right", 1)):
        marks[:, LANDMARKS.index(f"{side}_hip")] = joints["hips"] + [0.11 * sign, 0, 0]
        marks[:, LANDMARKS.index(f"{side}_shoulder")] = joints[f"{side}_shoulder"]
        for part, up in heights.items():
            place = np.median(joints["hips"], axis=0) * ground + [0.15 * sign, 0, up]
            marks[:, LANDMARKS.index(f"{side}_{part}")] = place
    for part in ("elbow", "wrist"):
        marks[:, LANDMARKS.index(f"{swing.hand.value}_{part}")] = joints[part]
    return marks


def track_of(
    swing: Swing, eye: View, *, noise_px: float = 0.0, seed: int = 0, hidden: tuple[str, ...] = ()
) -> Track:
    seen = eye.project(landmarks_m(swing))
    seen = seen + np.random.default_rng(seed).normal(0, noise_px, seen.shape)
    seen[:, [LANDMARKS.index(name) for name in hidden]] = np.nan
    return Track(
        person=0,
        frame=np.arange(len(swing.time_s)),
        time_s=swing.time_s,
        landmarks_px=seen,
        visibility=np.ones(seen.shape[:2]),
        noise_px=np.full(33, max(noise_px, 0.5)),
    )


def turns_of(
    swing: Swing, *, sd_deg: float = 2.0, error_deg: float = 0.0, seed: int = 0,
    frame: FrameOfReference = FrameOfReference.COURT, sight_rad: float = np.pi / 2,
) -> Turns:  # fmt: skip
    """What a perfect reading would give, or one with slow errors of a given size."""
    rng, n = np.random.default_rng(seed), len(swing.time_s)
    gap = (swing.time_s[:, None] - swing.time_s) / 0.1
    root = np.linalg.cholesky(np.exp(-0.5 * gap**2) + 1e-6 * np.eye(n))
    hip_error, apart_error = np.radians(error_deg) * (root @ rng.standard_normal((n, 2))).T
    hip = np.pi / 2 - swing.side * swing.hip_turn_rad + hip_error - sight_rad + np.pi / 2
    apart = -swing.side * swing.separation_rad + apart_error
    if frame is FrameOfReference.GRAVITY:
        hip = hip - np.pi / 2
    way = np.tile([0.0, 0.0, -1.0], (n, len(SEGMENTS), 1))
    for part, segment in (("spine", "spine"), ("upper arm", f"{swing.hand.value} upper arm"),
                          ("forearm", f"{swing.hand.value} forearm")):  # fmt: skip
        way[:, SEGMENTS.index(segment)] = swing.ways[part]
    sd = np.full(n, np.radians(sd_deg))
    return Turns(
        time_s=swing.time_s,
        hip_rad=hip,
        shoulder_rad=hip + apart,
        separation_rad=apart,
        hip_sd_rad=sd,
        shoulder_sd_rad=sd * np.sqrt(2),
        separation_sd_rad=sd,
        direction=way,
        direction_sd_rad=np.full((n, len(SEGMENTS)), np.radians(max(3.0, sd_deg))),
        facing_odds=np.ones(n),
        hip_rate_radps=np.gradient(hip, swing.time_s),
        separation_rate_radps=np.gradient(apart, swing.time_s),
        hip_rate_sd_radps=np.full(n, 0.3),
        separation_rate_sd_radps=np.full(n, 0.3),
        correlation_s=0.1,
        frame=frame,
    )


def stroke_of(swing: Swing, *, side: Side = Side.FOREHAND, contact_sd_s: float = 0.002) -> Stroke:
    return Stroke(
        number=1, person=0, player="P", hand=swing.hand, side=side, side_probability=1.0,
        kind=Kind.DRIVE, kind_probabilities={Kind.DRIVE: 1.0, Kind.SLICE: 0.0, Kind.OTHER: 0.0},
        load_s=LOAD_S, forward_s=FORWARD_S, contact_s=CONTACT_S, contact_s_sd=contact_sd_s,
        finish_s=FINISH_S,
    )  # fmt: skip


def path_of(swing: Swing, eye: SolvedCamera | None, **changes) -> BodyPath:
    seen_by = BEHIND.view if eye is None else eye.view
    found = build_path(
        changes.pop("track", None) or track_of(swing, seen_by),
        changes.pop("turns", None) or turns_of(swing),
        **{
            "hand": swing.hand, "stature": KNOWN, "size_px": SIZE_PX, "placement_error": 0.005,
            "camera": eye, **changes,
        },
    )  # fmt: skip
    assert found is not None
    return found


def view_of(swing: Swing, eye: SolvedCamera = BEHIND, **changes) -> BodyView:
    turns = changes.pop("turns", turns_of(swing))
    path = changes.pop("path", None) or path_of(swing, eye, turns=turns)
    return BodyView(
        **{
            "stroke": stroke_of(swing), "turns": turns, "path": path, "slow_factor": 1.0,
            "frame_interval_s": 1 / RATE_HZ, **changes,
        }
    )  # fmt: skip


@cache
def measured(side: int = 1) -> dict:
    swing = swing_of(side)
    return {m.name: m for m in body_measures(view_of(swing))}


def test_shoulders_read_back_to_front_are_not_measured_and_do_not_settle_the_side():
    swing = swing_of()
    true = turns_of(swing)
    shoulder = np.pi - true.shoulder_rad  # the mirror image about the line of sight
    wrong = replace(true, shoulder_rad=shoulder, separation_rad=shoulder - true.hip_rad)
    view = view_of(swing, turns=wrong, path=path_of(swing, BEHIND, turns=true))
    assert view.shoulders_behind
    assert not view_of(swing).shoulders_behind
    found = {m.name: m for m in body_measures(view)}
    assert "further than the shoulders" in found["separation_at_load_deg"].reason
    before = view.stroke
    assert judged_side(view, unsure_below=0.65) == before


@pytest.mark.parametrize(("behind_deg", "read"), [(-20, True), (5, True), (20, False)])
def test_shoulders_that_stay_behind_the_turned_hips_are_not_measured(behind_deg, read):
    swing = swing_of()
    true = turns_of(swing)
    turned = true.hip_rad - np.pi / 2
    apart = -np.sign(turned) * np.minimum(np.abs(turned), np.radians(abs(behind_deg)))
    apart *= np.sign(behind_deg)
    wrong = replace(true, shoulder_rad=true.hip_rad + apart, separation_rad=apart)
    view = view_of(swing, turns=wrong, path=path_of(swing, BEHIND, turns=true))
    assert (view.without_turns is None) is read


@pytest.mark.parametrize("side", [1, -1], ids=["right-handed", "left-handed"])
def test_the_forearm_handed_on_is_no_surer_than_the_network_is_of_it(side):
    swing = swing_of(side)
    turns = turns_of(swing)
    thrown = turns.direction_sd_rad.copy()
    forearm = SEGMENTS.index(f"{swing.hand.value} forearm")
    thrown[:, forearm] = np.where(np.abs(swing.time_s - CONTACT_S) < 0.2, 0.4, 0.01)
    view = view_of(swing, turns=replace(turns, direction_sd_rad=thrown))
    times = np.array([0.6, CONTACT_S - 0.005, 5.0])
    found = hitting_forearm(view, times)
    assert found.sd_rad[1] == pytest.approx(0.4, rel=0.05)
    assert 0.01 <= found.sd_rad[0] < 0.3
    assert np.isnan(found.direction[2]).all()
    row = np.abs(swing.time_s - 0.6).argmin()
    assert found.direction[0] @ swing.ways["forearm"][row] > np.cos(0.05)


def test_turns_come_back_from_an_npz_as_they_were(tmp_path):
    turns = turns_of(swing_of())
    np.savez(tmp_path / "turns.npz", **turns.arrays())
    with np.load(tmp_path / "turns.npz") as stored:
        again = Turns.from_arrays(stored)
    assert again.frame is FrameOfReference.COURT
    assert again.correlation_s == turns.correlation_s
    for name, value in turns.arrays().items():
        np.testing.assert_array_equal(again.arrays()[name], value)


def test_turns_of_different_lengths_are_refused():
    turns = turns_of(swing_of())
    with pytest.raises(ValueError, match="hip_rad: expected shape"):
        replace(turns, hip_rad=turns.hip_rad[:-1])


def test_a_body_path_comes_back_from_an_npz_as_it_was(tmp_path):
    path = path_of(swing_of(), None, turns=turns_of(swing_of(), frame=FrameOfReference.GRAVITY))
    np.savez(tmp_path / "path.npz", **path.arrays())
    with np.load(tmp_path / "path.npz") as stored:
        again = BodyPath.from_arrays(stored)
    assert (again.frame, again.lacking) == (FrameOfReference.GRAVITY, path.lacking)
    assert again.lengths_m == path.lengths_m
    np.testing.assert_array_equal(again.joints_m, path.joints_m)


@pytest.mark.parametrize("eye", [BEHIND, SIDE], ids=["behind", "side"])
@pytest.mark.parametrize("side", [1, -1], ids=["right", "left"])
def test_joints_come_back_in_court_metres(eye, side):
    swing = swing_of(side)
    path = path_of(swing, eye)
    truth = swing.joints_m
    for name in truth:
        off = path.joint(name) - truth[name]
        assert np.abs(off).max() < 0.08, name
    apart = path.joint("wrist") - path.joint("hips") - (truth["wrist"] - truth["hips"])
    assert np.median(np.abs(apart)) < 0.02


def test_a_noisy_path_is_steadied_most_where_least_is_seen():
    rng, time_s = np.random.default_rng(0), np.arange(90) / 60
    way = np.stack([3 * np.sin(4 * time_s), 0.5 * time_s, np.cos(3 * time_s)], axis=1)[:, None]
    sds = np.array([0.08, 0.01, 0.01])
    seen = way + sds * rng.standard_normal(way.shape)
    smooth = steadied(
        seen, np.tile(np.diag(sds**2), (90, 1, 1)), time_s, acceleration_mps2=np.array([40.0]),
        correlation_s=0.0,
    )  # fmt: skip
    off = smooth - way
    assert off[..., 0].std() < 0.6 * sds[0]
    assert off[..., 1:].std() < sds[1]


def test_a_single_frame_is_left_as_it_is():
    place, cover = np.ones((1, 2, 3)), np.eye(6)[None]
    out = steadied(place, cover, np.zeros(1), acceleration_mps2=np.ones(2), correlation_s=0.1)
    np.testing.assert_array_equal(out, place)


def test_a_hidden_arm_hangs_on_what_the_network_said():
    swing = swing_of()
    track = track_of(swing, BEHIND.view, hidden=("right_elbow", "right_wrist"))
    path = path_of(swing, BEHIND, track=track)
    seen = path_of(swing, BEHIND)
    truth = swing.joints_m["wrist"] - swing.joints_m["hips"]
    off = path.joint("wrist") - path.joint("hips") - truth
    assert np.abs(off).max() < 0.08
    assert np.trace(path.covariance_m2[60, 12:, 12:]) > np.trace(seen.covariance_m2[60, 12:, 12:])


def test_stated_uncertainty_of_joints_covers_their_errors():
    inside = []
    for seed in range(30):
        swing = swing_of(rate_hz=20)
        turns = turns_of(swing, sd_deg=4.0, error_deg=4.0, seed=seed)
        rng = np.random.default_rng(seed)
        # Errors of frames look alike: here they are the same over the whole stroke.
        bent = turns.direction + np.radians(4.0) * rng.standard_normal((1, len(SEGMENTS), 3))
        bent /= np.linalg.norm(bent, axis=-1, keepdims=True)
        turns = replace(turns, direction=bent)
        track = track_of(swing, SIDE.view)
        moved = track.landmarks_px + rng.normal(0, 3.0, (1, 33, 2))
        track = replace(track, landmarks_px=moved, noise_px=np.full(33, 3.0))
        path = path_of(swing, SIDE, turns=turns, track=track, placement_error=0.0)
        truth = np.stack([swing.joints_m[n] for n in ("elbow", "wrist")], axis=1)
        truth = truth - swing.joints_m["hips"][:, None]
        found = path.joints_m[:, 3:] - path.joints_m[:, :1]
        for k in range(2):
            pick = np.zeros((3, 15))
            pick[:, 9 + 3 * k : 12 + 3 * k] = np.eye(3)
            pick[:, :3] -= np.eye(3)
            sd = np.sqrt(np.diagonal(pick @ path.covariance_m2 @ pick.T, axis1=1, axis2=2))
            inside.append(np.abs(found[:, k] - truth[:, k]) <= 1.96 * sd)
    assert 0.85 <= np.mean(inside) <= 0.995


def test_feet_on_the_ground_tell_how_tall_a_player_is():
    swing = swing_of()
    path = path_of(swing, BEHIND, stature=ADULT)
    assert path.height_sd_m < ADULT.sd_m
    assert path.frame is FrameOfReference.COURT
    assert path.lacking is None


def test_the_roster_tells_how_tall_a_player_is_expected_to_be():
    told = expected_stature(height_m=1.62, minor=True)
    assert (told.height_m, told.source) == (1.62, "roster")
    assert told.sd_m < MINOR.sd_m
    assert expected_stature(height_m=None, minor=True) is MINOR
    assert expected_stature(height_m=None, minor=False) is ADULT
    # WHO growth reference 2007, medians of both sexes, from memory: 1.27 m at 8, 1.69 m at 17
    assert abs(1.27 - MINOR.height_m) < 2 * MINOR.sd_m
    assert abs(1.69 - MINOR.height_m) < 2 * MINOR.sd_m


def test_without_a_court_lengths_grow_with_the_height_on_the_roster():
    swing = swing_of()
    level = camera(place=(0.6, -12.0, 1.1), aim=(0.6, -3.0, 1.1), focal_px=1597.0)
    turns = turns_of(swing, frame=FrameOfReference.GRAVITY)
    paths = [
        path_of(swing, None, turns=turns, track=track_of(swing, level.view),
                stature=expected_stature(height_m=h, minor=False))
        for h in (1.5, 1.8)
    ]  # fmt: skip
    assert paths[1].height_m / paths[0].height_m == pytest.approx(1.2, rel=0.01)
    adult = path_of(swing, None, turns=turns, track=track_of(swing, level.view), stature=ADULT)
    assert paths[0].height_sd_m < adult.height_sd_m


def test_without_a_court_the_body_stands_on_its_own_ground_and_says_what_is_lacking():
    swing = swing_of()
    level = camera(place=(0.6, -12.0, 1.1), aim=(0.6, -3.0, 1.1), focal_px=1597.0)
    turns = turns_of(swing, frame=FrameOfReference.GRAVITY)
    path = path_of(swing, None, turns=turns, track=track_of(swing, level.view))
    assert path.frame is FrameOfReference.GRAVITY
    assert "lines" in path.lacking
    assert np.median(path.joint("hips")[:, 2]) == pytest.approx(HIPS_M[2], abs=0.06)
    view = view_of(swing, turns=turns, path=path)
    found = {m.name: m for m in body_measures(view)}
    assert found["separation_at_load_deg"].value == pytest.approx(SEPARATION_DEG, abs=2.0)
    for name in ("hip_turn_deg", "shoulder_turn_deg", "elbow_behind", "contact_front_m"):
        assert not found[name].measured
        assert "net" in found[name].reason


@pytest.mark.parametrize("side", [1, -1], ids=["right-handed", "left-handed"])
def test_turns_at_load_are_those_of_the_motion(side):
    found = measured(side)
    assert found["hip_turn_deg"].value == pytest.approx(HIP_TURN_DEG, abs=2.0)
    total = HIP_TURN_DEG + SEPARATION_DEG
    assert found["shoulder_turn_deg"].value == pytest.approx(total, abs=2.0)
    assert found["separation_at_load_deg"].value == pytest.approx(SEPARATION_DEG, abs=2.0)
    assert found["hip_turn_deg"].frame is FrameOfReference.COURT


def test_a_backhand_turns_to_the_other_side():
    swing = swing_of()
    view = view_of(swing, stroke=stroke_of(swing, side=Side.BACKHAND))
    found = {m.name: m for m in body_measures(view)}
    assert found["separation_at_load_deg"].value < 5.0
    assert found["hip_turn_deg"].value < 5.0


def test_an_unsure_side_leaves_turns_unmeasured():
    swing = swing_of()
    view = view_of(swing, stroke=stroke_of(swing, side=Side.UNSURE))
    for measure in body_measures(view)[:4]:
        assert "forehand or backhand" in measure.reason


def test_beyond_the_net_facing_the_camera_is_facing_the_net():
    swing = swing_of()
    turned = replace(turns_of(swing), hip_rad=turns_of(swing).hip_rad + np.pi,
                     shoulder_rad=turns_of(swing).shoulder_rad + np.pi)  # fmt: skip
    path = path_of(swing, BEHIND)
    far = replace(path, joints_m=path.joints_m * [-1, -1, 1])
    view = view_of(swing, turns=turned, path=far)
    found = {m.name: m for m in body_measures(view)}
    assert found["hip_turn_deg"].value == pytest.approx(HIP_TURN_DEG, abs=2.0)


def test_separation_is_unbiased_and_its_interval_covers():
    off, inside = [], []
    swing = swing_of(rate_hz=30)
    path = path_of(swing, BEHIND)
    for seed in range(60):
        turns = turns_of(swing, sd_deg=4.0, error_deg=4.0, seed=seed)
        found = separation_at_load(view_of(swing, turns=turns, path=path))
        off.append(found.value - SEPARATION_DEG)
        inside.append(abs(off[-1]) <= 1.96 * found.sd)
    assert abs(np.mean(off)) < 3 * 4.0 / np.sqrt(60)
    assert np.mean(inside) >= 0.88


def test_a_wide_turn_is_not_measured_and_says_how_wide():
    swing = swing_of()
    turns = turns_of(swing, sd_deg=25.0)
    found = {m.name: m for m in body_measures(view_of(swing, turns=turns))}
    assert not found["separation_at_load_deg"].measured
    assert "too much to tell" in found["separation_at_load_deg"].reason


def test_hips_and_shoulders_that_only_close_after_load_stretch_by_nothing():
    swing = swing_of()
    turns = turns_of(swing, sd_deg=0.5)
    since = swing.time_s - view_of(swing, turns=turns).load[0]
    closing = replace(  # a right-hander's separation is negative before a forehand
        turns,
        separation_rad=turns.separation_rad + 6 * np.clip(since, 0, 0.1),
        separation_rate_radps=turns.separation_rate_radps + 6 * ((since > 0) & (since < 0.1)),
    )
    (found,) = [
        m
        for m in body_measures(view_of(swing, turns=closing))
        if m.name == "separation_stretch_deg"
    ]
    assert found.value == pytest.approx(0.0, abs=0.5)
    assert found.sd == pytest.approx(0.5)


def test_what_does_not_differ_between_draws_is_not_stated():
    how = {"unit": "°", "frame": FrameOfReference.COURT, "widest": 9.0}
    assert stated("hip_turn_deg", 3.0, 0.0, **how).reason == "too few frames show it"
    assert stated("hip_turn_deg", 3.0, 0.1, **how).measured


def test_a_separation_that_no_body_has_is_not_stated():
    swing = swing_of()
    turns = turns_of(swing)
    torn = replace(turns, separation_rad=3.2 * turns.separation_rad)
    found = {m.name: m for m in body_measures(view_of(swing, turns=torn))}
    assert "than a body turns" in found["separation_at_load_deg"].reason


def test_front_and_back_that_cannot_be_told_leave_the_turns_unmeasured():
    swing = swing_of()
    turns = replace(turns_of(swing), facing_odds=np.full(len(swing.time_s), 0.55))
    found = {m.name: m for m in body_measures(view_of(swing, turns=turns))}
    assert "front and back" in found["hip_turn_deg"].reason
    assert found["separation_at_load_deg"].measured


def test_a_player_hidden_during_the_swing_leaves_turns_unmeasured():
    swing = swing_of()
    turns, kept = turns_of(swing), (swing.time_s < 0.9) | (swing.time_s > 1.15)
    gappy = replace(turns, **{
        n: v[kept] for n, v in turns.arrays().items() if np.ndim(v)
    })  # fmt: skip
    found = {m.name: m for m in body_measures(view_of(swing, turns=gappy))}
    assert "hidden for part" in found["separation_at_load_deg"].reason


def test_the_elbow_at_load_is_that_of_the_motion():
    swing, found = swing_of(), measured()
    k = int(np.argmin(np.abs(swing.time_s - LOAD_S)))
    way = swing.ways["upper arm"][k]
    assert found["elbow_height"].value == pytest.approx(way[2], abs=0.05)
    assert found["elbow_behind"].value == pytest.approx(-way[1], abs=0.05)


def test_the_contact_point_stands_at_its_height_and_before_the_hips():
    swing = swing_of()
    path = path_of(swing, BEHIND)
    k = int(np.argmin(np.abs(swing.time_s - CONTACT_S)))
    ball = swing.joints_m["wrist"][k] + [0.2, 0.08, 0.05]
    beside = contact_beside_wrist(
        path, place_px=BEHIND.project(ball), sd_px=2.0, time_s=swing.time_s[k], eye=BEHIND.view
    )
    in_space = contact_in_space(
        path, place_m=ball, covariance_m2=1e-4 * np.eye(3), time_s=swing.time_s[k]
    )
    front = ball[1] - swing.joints_m["hips"][k, 1]
    for contact, near in ((beside, 0.1), (in_space, 0.05)):
        found = {m.name: m for m in body_measures(view_of(swing, path=path, contact=contact))}
        assert found["contact_height_m"].value == pytest.approx(ball[2], abs=0.04)
        assert found["contact_front_m"].value == pytest.approx(front, abs=near)
    assert beside.covariance_m2[1, 1] > in_space.covariance_m2[1, 1]


def test_without_a_contact_point_it_says_what_was_not_seen():
    assert "neither ball nor paddle" in measured()["contact_height_m"].reason


def test_the_follow_through_is_as_long_as_the_hands_way():
    swing, found = swing_of(), measured()
    fine = swing_of(rate_hz=1000)
    wrist = fine.joints_m["wrist"]
    later = (fine.time_s >= CONTACT_S) & (fine.time_s <= 1.46)
    way = np.linalg.norm(np.diff(wrist[later], axis=0), axis=1).sum()
    assert found["follow_path_m"].value == pytest.approx(way, abs=0.1)
    end = swing.joints_m["wrist"][-1] - swing.joints_m["left_shoulder"][-1]
    assert found["follow_height"].value == pytest.approx(end[2] / UPPER_ARM_M, abs=0.25)


def test_peaks_of_the_chain_are_timed_and_close_ones_are_not_put_in_order():
    found = measured()
    # Both turn back along cos² that falls from load on: fastest half way down.
    for name in ("hips_peak_s", "shoulders_peak_s"):
        assert found[name].value == pytest.approx(LOAD_S + 0.25 - CONTACT_S, abs=0.03)
    top = HIP_TURN_DEG * np.pi / 2 / 0.5
    assert found["hips_peak_dps"].value == pytest.approx(top, rel=0.1)
    assert "tell apart at 60 frames" in found["hips_to_shoulders_s"].reason


def test_every_measure_gives_its_own_name_once_and_reasons_when_nothing_is_known():
    swing = swing_of()
    view = BodyView(
        stroke=stroke_of(swing), turns=None, path=None, slow_factor=1.0, frame_interval_s=1 / 60
    )
    found = body_measures(view)
    assert len(found) == len(BODY_MEASURES) == len({m.name for m in found})
    assert all(m.reason and not m.measured for m in found)


def test_a_player_without_hips_has_no_path():
    swing = swing_of()
    track = track_of(swing, BEHIND.view, hidden=("left_hip", "right_hip"))
    found = build_path(
        track, turns_of(swing), hand=swing.hand, stature=KNOWN, size_px=SIZE_PX,
        placement_error=0.01, camera=BEHIND,
    )  # fmt: skip
    assert found is None


def test_the_assumed_eye_is_level():
    eye = eye_of(None, SIZE_PX)
    np.testing.assert_allclose(eye.ray(eye.centre_px), [0, 1, 0], atol=1e-12)
