"""Turn: what the network is shown, how its answers become a motion, and that they keep sides."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from paddlebrief.footage.frames import Frame
from paddlebrief.pose_net import Pose
from paddlebrief.records import LANDMARKS, Track
from paddlebrief.turn.crowding import clear_of_others
from paddlebrief.turn.fusion import Calibration, fuse, load_calibration, wrapped
from paddlebrief.turn.inputs import (
    CROP_SIZE_PX,
    NEIGHBOUR_S,
    TurnInput,
    View,
    body_crop,
    frame_player,
    make_input,
)
from paddlebrief.turn.net import BINS, CIRCLE_RAD, SEPARATION_RAD, TurnNet, TurnOutput
from paddlebrief.turn.reading import read_frames
from paddlebrief.turn.training.calibrating import calibrate_directions, direction_errors

CALIBRATION = Calibration(
    heading_scale=1.0,
    separation_scale=1.0,
    heading_floor_deg=1.0,
    separation_floor_deg=1.0,
    correlation_s=0.03,
    hip_jerk_dps2=5000.0,
    separation_jerk_dps2=5000.0,
    direction_scale=1.0,
    direction_haste_s=0.1,
)


def standing_marks() -> np.ndarray:
    """(33, 3) landmarks of a standing body, x right, y forward, z up, metres; it faces +y."""
    marks = np.zeros((33, 3))
    heights = {"shoulder": 1.4, "elbow": 1.15, "wrist": 0.95, "pinky": 0.9, "index": 0.88,
               "thumb": 0.9, "hip": 0.95, "knee": 0.5, "ankle": 0.1, "heel": 0.03, "foot": 0.03,
               "eye": 1.65, "ear": 1.62, "nose": 1.6, "mouth": 1.55}  # fmt: skip
    widths = {"hip": 0.1, "knee": 0.1, "ankle": 0.1, "heel": 0.1, "foot": 0.12, "eye": 0.03,
              "ear": 0.07, "mouth": 0.03, "nose": 0.0}  # fmt: skip
    for k, name in enumerate(LANDMARKS):
        part = next(p for p in heights if p in name)
        side = -1.0 if "left" in name else 1.0
        marks[k] = (
            side * widths.get(part, 0.2),
            0.1 if part in ("nose", "foot") else 0,
            heights[part],
        )
    return marks


def camera(*, pitch_deg: float, roll_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Rotation from the court frame and place of a camera 8 m behind a body at the origin."""
    pitch = np.radians(pitch_deg)
    ahead = np.array([0.0, np.cos(pitch), -np.sin(pitch)])
    level = np.stack([[1.0, 0, 0], np.cross(ahead, [1.0, 0, 0]), ahead])
    rotation = Rotation.from_euler("z", roll_deg, degrees=True).as_matrix() @ level
    return rotation, np.array([0.0, 0.0, 0.9]) - 8 * ahead


def seen_marks(rotation: np.ndarray, place: np.ndarray, view: View, turn_deg=0.0) -> np.ndarray:
    turned = standing_marks() @ Rotation.from_euler("z", turn_deg, degrees=True).as_matrix().T
    points = (turned - place) @ rotation.T
    return points[:, :2] / points[:, 2:] * view.focal_px + view.centre_px


def pose_of(marks: np.ndarray) -> Pose:
    crop = body_crop(marks)
    return Pose(
        landmarks_px=marks,
        visibility=np.ones(33),
        presence=1.0,
        next_crop=crop,
        crop=crop,
        mask=np.ones((256, 256), np.float32),
    )


@pytest.mark.parametrize("roll_deg", [-12.0, 0.0, 20.0])
def test_the_crop_stands_upright_however_the_camera_is_rolled(roll_deg):
    rotation, place = camera(pitch_deg=15, roll_deg=roll_deg)
    view = View.solved(focal_px=1400, centre_px=np.array([960.0, 540.0]), rotation=rotation)
    marks = seen_marks(rotation, place, view)
    framing = frame_player(marks, view)
    points = np.column_stack([marks, np.ones(33)]) @ framing.to_crop.T
    points = points[:, :2] / points[:, 2:]
    assert (points > 0).all()
    assert (points < CROP_SIZE_PX).all()
    hips, nose = points[[23, 24]].mean(axis=0), points[0]
    assert abs(hips[0] - nose[0]) < 1.0
    assert nose[1] < hips[1] - 40
    # The line of sight goes to the middle of the body's box, about half a degree off its hips.
    assert np.degrees(np.arcsin(framing.scalars[1])) == pytest.approx(15, abs=0.6)


def test_the_sight_frame_is_level_and_looks_at_the_player():
    rotation, place = camera(pitch_deg=20, roll_deg=8)
    view = View.solved(focal_px=1400, centre_px=np.array([960.0, 540.0]), rotation=rotation)
    framing = frame_player(seen_marks(rotation, place, view), view)
    to_court = framing.to_sight @ rotation
    # The middle of a tilted body's box lies a little beside the line to its hips.
    np.testing.assert_allclose(to_court, np.eye(3), atol=0.01)


def test_an_unsolved_camera_gives_no_scalars():
    view = View.assumed(1920, 1080)
    rotation, place = camera(pitch_deg=5, roll_deg=0)
    framing = frame_player(seen_marks(rotation, place, view), view)
    assert not framing.scalars.any()
    assert not view.known


def test_a_mirrored_picture_gives_mirrored_planes_with_the_sides_swapped():
    rng = np.random.default_rng(3)
    view = View.assumed(641, 481)
    rotation, place = camera(pitch_deg=0, roll_deg=0)
    marks = seen_marks(rotation, place, view, turn_deg=30) + rng.normal(0, 1, (33, 2))
    picture = rng.integers(0, 255, (481, 641, 3), dtype=np.uint8)
    names = [
        n.replace("left", "#").replace("right", "left").replace("#", "right") for n in LANDMARKS
    ]
    swap = [LANDMARKS.index(n) for n in names]
    mirrored_marks = (marks * [-1, 1] + [640, 0])[swap]
    plain = make_input(
        [picture] * 3, [pose_of(marks)] * 3, landmarks_px=marks, framing=frame_player(marks, view)
    )
    flipped = np.ascontiguousarray(picture[:, ::-1])
    mirror = make_input(
        [flipped] * 3,
        [pose_of(mirrored_marks)] * 3,
        landmarks_px=mirrored_marks,
        framing=frame_player(mirrored_marks, view),
    )
    # Pixel centres of the crop are half a pixel off its mirror line: compare shifted by one.
    left, right = plain.planes[4] & 15, plain.planes[4] >> 4
    other_left, other_right = mirror.planes[4] & 15, mirror.planes[4] >> 4
    for mine, other in ((left, other_right), (right, other_left)):
        turned = other[:, ::-1][:, :-1]
        overlap = (mine[:, 1:] > 7) & (turned > 7)
        assert overlap.sum() > 0.8 * (mine > 7).sum()
    grey = np.corrcoef(plain.planes[1][:, 1:].ravel(), mirror.planes[1][:, ::-1][:, :-1].ravel())
    assert grey[0, 1] > 0.7


def test_the_pose_crop_holds_every_landmark():
    marks = seen_marks(*camera(pitch_deg=10, roll_deg=0), View.assumed(1280, 720))
    crop = body_crop(marks)
    inside = np.column_stack([marks, np.ones(33)]) @ crop.to_crop(256).T
    assert (inside > 0).all()
    assert (inside < 256).all()


def histograms(heading: np.ndarray, at: np.ndarray, *, wide: float, circle: bool) -> np.ndarray:
    off = heading[:, None] - at
    off = wrapped(off) if circle else off
    weights = np.exp(-0.5 * (off / wide) ** 2) + 1e-9
    return np.log(weights / weights.sum(axis=1, keepdims=True))


def answer(hip: np.ndarray, separation: np.ndarray, *, wide: float = 0.09) -> TurnOutput:
    n = len(hip)
    direction = np.tile([0.0, 0.0, 1.0], (n, 5, 1))
    return TurnOutput(
        hip=histograms(hip, CIRCLE_RAD, wide=wide, circle=True),
        shoulder=histograms(hip + separation, CIRCLE_RAD, wide=wide, circle=True),
        separation=histograms(separation, SEPARATION_RAD, wide=wide, circle=False),
        direction=direction,
        concentration=np.full((n, 5), 100.0),
    )


def turning() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A swing of 60 frames: hips turn by 100° through ±180°, separation rises and falls."""
    time_s = np.arange(60) / 60
    hip = np.radians(130 + 100 * (0.5 - 0.5 * np.cos(np.pi * time_s)))
    separation = np.radians(-35 * np.sin(np.pi * time_s) ** 2)
    return time_s, hip, separation


def test_a_smooth_turn_comes_back_through_the_seam_of_the_circle():
    time_s, hip, separation = turning()
    turns = fuse(answer(hip, separation), time_s, calibration=CALIBRATION)
    assert np.degrees(np.abs(turns.hip_rad - hip)).max() < 1.0
    assert np.degrees(np.abs(turns.separation_rad - separation)).max() < 1.0
    np.testing.assert_allclose(turns.shoulder_rad, turns.hip_rad + turns.separation_rad)
    assert (turns.facing_odds > 0.99).all()


def test_single_frames_that_confuse_front_and_back_are_overruled():
    time_s, hip, separation = turning()
    said = hip.copy()
    said[[10, 25, 40]] += np.pi
    turns = fuse(answer(said, separation), time_s, calibration=CALIBRATION)
    assert np.degrees(np.abs(wrapped(turns.hip_rad - hip))).max() < 6.0


def test_a_frame_that_cannot_tell_is_bridged_and_doubt_grows():
    time_s, hip, separation = turning()
    seen = answer(hip, separation)
    flat = np.full((10, BINS), -np.log(BINS))
    blind = {n: getattr(seen, n).copy() for n in ("hip", "shoulder", "separation")}
    for values in blind.values():
        values[25:35] = flat
    turns = fuse(replace(seen, **blind), time_s, calibration=CALIBRATION)
    assert turns.separation_sd_rad[30] > 1.5 * turns.separation_sd_rad[10]
    assert np.abs(turns.separation_rad[30] - separation[30]) < 3 * turns.separation_sd_rad[30]


def test_frames_that_scatter_or_contradict_each_other_widen_what_is_stated():
    time_s, hip, separation = turning()
    rng = np.random.default_rng(2)
    steady = fuse(answer(hip, separation), time_s, calibration=CALIBRATION)
    rough = hip + np.radians(12) * rng.standard_normal(60)
    scattered = fuse(answer(rough, separation), time_s, calibration=CALIBRATION)
    assert (scattered.hip_sd_rad > 1.8 * steady.hip_sd_rad).all()
    assert (scattered.direction_sd_rad > 1.2 * steady.direction_sd_rad).all()
    seen = answer(hip, separation)
    other = histograms(separation + 0.5, SEPARATION_RAD, wide=0.09, circle=False)
    contrary = fuse(replace(seen, separation=other), time_s, calibration=CALIBRATION)
    assert (contrary.separation_sd_rad > 2 * steady.separation_sd_rad).all()


def swung(time_s: np.ndarray, rate_radps: np.ndarray) -> np.ndarray:
    """(n, 5, 3) directions that turn about the vertical at rates of their own, level."""
    angle = time_s[:, None] * rate_radps
    return np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=-1)


@pytest.mark.parametrize("rate_hz", [30, 60])
def test_a_limb_is_doubted_more_the_faster_it_turns_at_any_frame_rate(rate_hz):
    time_s = np.arange(rate_hz) / rate_hz
    still = answer(np.zeros(rate_hz), np.zeros(rate_hz))
    rates = np.array([0.0, 2.0, 5.0, 10.0, 20.0])
    thrown = replace(still, direction=swung(time_s, rates))
    turns = fuse(thrown, time_s, calibration=CALIBRATION)
    growth = turns.direction_sd_rad / fuse(still, time_s, calibration=CALIBRATION).direction_sd_rad
    wanted = 1 + CALIBRATION.direction_haste_s * rates
    np.testing.assert_allclose(growth[rate_hz // 2], wanted, rtol=1e-3)
    np.testing.assert_allclose(growth, np.tile(wanted, (rate_hz, 1)), rtol=0.1)


@pytest.mark.parametrize("frames", [1, 2])
def test_a_frame_or_two_say_how_far_limbs_are_doubted(frames):
    time_s = np.arange(frames) / 30
    few = answer(np.zeros(frames), np.zeros(frames))
    sd = fuse(few, time_s, calibration=CALIBRATION).direction_sd_rad
    assert (sd >= 0.1).all()


def thrown_strokes(rng: np.random.Generator, *, haste_s: float, scale: float) -> list[dict]:
    """Strokes whose directions err by ``scale`` times what is said, and more at speed."""
    time_s, told = np.arange(-24, 12) / 60, 0.1
    strokes = []
    for _ in range(20):
        rates = rng.uniform(0, 15, 5)
        true = swung(time_s, rates)
        sd = scale * told * (1 + haste_s * rates)
        # The same error in all frames of a stroke: nothing that averaging would take off.
        aside, up = np.stack([-true[..., 1], true[..., 0], 0 * true[..., 2]], -1), [0.0, 0.0, 1.0]
        off = sd * rng.standard_normal((2, 5))
        seen = true + off[0, :, None] * aside + off[1, :, None] * up
        nought = np.zeros(len(time_s))
        output = replace(
            answer(nought, nought),
            direction=seen / np.linalg.norm(seen, axis=-1, keepdims=True),
            concentration=np.full((len(time_s), 5), told**-2),
        )
        label = np.column_stack([nought, nought, true.reshape(len(time_s), -1)])
        strokes.append({"output": output, "time_s": time_s, "label": label})
    return strokes


def test_calibration_finds_how_doubt_of_limbs_grows_with_their_speed():
    rng = np.random.default_rng(7)
    strokes = thrown_strokes(rng, haste_s=0.12, scale=0.5)
    found = calibrate_directions(strokes, CALIBRATION)
    assert 0.06 <= found.direction_haste_s <= 0.18
    held = thrown_strokes(rng, haste_s=0.12, scale=0.5)
    pairs = [direction_errors(stroke, found) for stroke in held]
    ratio = np.concatenate([error / sd for error, sd in pairs])
    assert 0.90 <= np.mean(ratio < 2.45) <= 0.98
    assert found.hip_jerk_dps2 == CALIBRATION.hip_jerk_dps2


def test_the_sights_heading_turns_lines_and_limbs_into_the_court():
    time_s, hip, separation = turning()
    seen = answer(hip, separation)
    ahead = replace(seen, direction=np.tile([0.0, 1.0, 0.0], (60, 5, 1)))
    sight = np.full(60, np.radians(20.0))
    turns = fuse(ahead, time_s, calibration=CALIBRATION, sight_rad=sight)
    assert np.degrees(np.abs(wrapped(turns.hip_rad - hip - sight))).max() < 1.0
    heading = np.arctan2(turns.direction[0, 0, 1], turns.direction[0, 0, 0])
    assert np.degrees(heading) == pytest.approx(20.0)


def test_no_frames_are_refused():
    empty = answer(np.empty(0), np.empty(0))
    with pytest.raises(ValueError, match="at least one frame"):
        fuse(empty, np.empty(0), calibration=CALIBRATION)


def test_the_packaged_network_answers_with_distributions():
    net = TurnNet(threads=1)
    view = View.assumed(640, 480)
    marks = seen_marks(*camera(pitch_deg=0, roll_deg=0), view)
    picture = np.full((480, 640, 3), 90, np.uint8)
    made = make_input(
        [picture] * 3, [pose_of(marks)] * 3, landmarks_px=marks, framing=frame_player(marks, view)
    )
    output = net([made, made])
    for name in ("hip", "shoulder", "separation"):
        np.testing.assert_allclose(np.exp(getattr(output, name)).sum(axis=1), 1.0, rtol=1e-3)
    np.testing.assert_allclose(np.linalg.norm(output.direction, axis=-1), 1.0, rtol=1e-3)
    assert len(net([]).hip) == 0
    assert load_calibration().separation_scale > 0


def test_read_both_ways_a_mirrored_input_gets_the_mirrored_answer():
    net = TurnNet(threads=1)
    rng = np.random.default_rng(5)
    planes = rng.integers(0, 255, (5, 224, 160), dtype=np.uint8)
    turned = planes[:, :, ::-1].copy()
    turned[4] = (turned[4] >> 4) | ((turned[4] & 15) << 4)
    scalars = np.array([1.0, 0.1, 0.15], np.float32)
    one, other = (TurnInput(planes=p, scalars=scalars) for p in (planes, turned))
    plain, mirror = net([one], both_ways=True), net([other], both_ways=True)
    for name in ("hip", "shoulder", "separation"):
        np.testing.assert_allclose(
            getattr(plain, name), getattr(mirror, name)[:, ::-1], atol=1e-3, rtol=1e-3
        )
    swapped = mirror.direction[:, [0, 3, 4, 1, 2]] * [-1, 1, 1]
    np.testing.assert_allclose(plain.direction, swapped, atol=1e-3)


class _Masks:
    """Stands for the pose network: everything is body."""

    def place(self, picture_bgr, crop):
        return replace(pose_of(MARKS), crop=crop)


class _Recorder:
    """Stands for the turn network and keeps what it was shown."""

    def __init__(self):
        self.shown = []

    def __call__(self, inputs, *, both_ways=False):
        self.shown += inputs
        return answer(np.zeros(len(inputs)), np.zeros(len(inputs)))


MARKS = seen_marks(*camera(pitch_deg=0, roll_deg=0), View.assumed(640, 480))


def reading_at(rate_hz: float, frames: int):
    rng = np.random.default_rng(1)
    grain = rng.integers(0, 40, (480, 640, 3), dtype=np.uint8)
    shown = [
        Frame(index=k, time_s=k / rate_hz, picture_bgr=np.roll(grain, k, axis=1), repeat=False)
        for k in range(frames)
    ]
    track = Track(
        person=0,
        frame=np.arange(frames),
        time_s=np.arange(frames) / rate_hz,
        landmarks_px=np.tile(MARKS, (frames, 1, 1)),
        visibility=np.ones((frames, 33)),
        noise_px=np.full(33, np.nan),
    )
    net = _Recorder()
    reading = read_frames(
        shown, track, pose_net=_Masks(), turn_net=net, view=View.assumed(640, 480)
    )
    return reading, net.shown


def assert_greys_close(one: np.ndarray, other: np.ndarray) -> None:
    """Alike but for the middle picture's own brightness and contrast, which set the scale."""
    assert np.abs(one.astype(int) - other.astype(int)).max() <= 2


def test_neighbours_are_a_thirtieth_of_a_second_away():
    reading, shown = reading_at(60, 12)
    step = round(60 * NEIGHBOUR_S)
    assert list(reading.frame) == list(range(12))
    for k in range(step, 12 - step):
        assert_greys_close(shown[k].planes[2], shown[k + step].planes[1])
        assert_greys_close(shown[k].planes[0], shown[k - step].planes[1])


def test_a_missing_neighbour_is_stood_for_by_the_frame_itself():
    _, shown = reading_at(8, 4)
    for made in shown:
        np.testing.assert_array_equal(made.planes[0], made.planes[1])
        np.testing.assert_array_equal(made.planes[2], made.planes[1])


def test_frames_without_landmarks_are_passed_over():
    reading, _ = reading_at(30, 5)
    assert len(reading.time_s) == 5
    track = Track(
        person=0,
        frame=np.empty(0, int),
        time_s=np.empty(0),
        landmarks_px=np.empty((0, 33, 2)),
        visibility=np.empty((0, 33)),
        noise_px=np.full(33, np.nan),
    )
    nothing = read_frames(
        [], track, pose_net=_Masks(), turn_net=_Recorder(), view=View.assumed(640, 480)
    )
    assert len(nothing.time_s) == 0


def standing_track(shift_px: tuple[float, float], *, frames: int = 4, scale: float = 1.0) -> Track:
    marks = (MARKS - MARKS.mean(axis=0)) * scale + MARKS.mean(axis=0) + shift_px
    return Track(
        person=0,
        frame=np.arange(frames),
        time_s=np.arange(frames) / 30,
        landmarks_px=np.tile(marks, (frames, 1, 1)),
        visibility=np.ones((frames, 33)),
        noise_px=np.full(33, np.nan),
    )


def test_frames_behind_a_nearer_person_do_not_count():
    player, front = standing_track((0, 0)), standing_track((6, 20), frames=2)
    cleared = clear_of_others(player, [front])
    hidden = np.isnan(cleared.landmarks_px).all(axis=(1, 2))
    # The other is seen in the first two frames, and for 0.05 s after.
    assert hidden.tolist() == [True, True, True, False]
    np.testing.assert_array_equal(cleared.time_s, player.time_s)


@pytest.mark.parametrize("shift_px", [(400, 20), (6, -30)], ids=["beside", "behind"])
def test_people_beside_or_behind_hide_nobody(shift_px):
    player = standing_track((0, 0))
    cleared = clear_of_others(player, [standing_track(shift_px)])
    np.testing.assert_array_equal(cleared.landmarks_px, player.landmarks_px)
    nobody = standing_track((6, 20), frames=0)
    assert np.isfinite(clear_of_others(player, [nobody]).landmarks_px).all()


def test_training_mirrors_labels_with_pictures():
    torch = pytest.importorskip("torch")
    from paddlebrief.turn.training.network import mirrored, wide_input

    rng = np.random.default_rng(0)
    planes = torch.from_numpy(rng.integers(0, 255, (2, 5, 224, 160), dtype=np.uint8))
    labels = torch.from_numpy(rng.normal(0, 1, (2, 17)).astype(np.float32))
    wide, scalars = wide_input(planes), torch.zeros(2, 3)
    once = mirrored(wide, scalars, labels)
    torch.testing.assert_close(once[2][:, :2], -labels[:, :2])
    twice = mirrored(*once)
    torch.testing.assert_close(twice[0], wide)
    torch.testing.assert_close(twice[2], labels)


def test_augmented_samples_stay_in_range_and_repeat_with_a_seed():
    torch = pytest.importorskip("torch")
    from paddlebrief.turn.training.augmenting import augmented

    rng = np.random.default_rng(0)
    planes = torch.from_numpy(rng.integers(0, 255, (12, 5, 224, 160), dtype=np.uint8))
    scalars = torch.ones(12, 3)
    found = []
    for _ in range(2):
        torch.manual_seed(4)
        found.append(augmented(planes, scalars, strength=2.0))
    wide, known = found[0]
    assert wide.shape == (12, 6, 224, 160)
    assert torch.isfinite(wide).all()
    assert wide[:, :3].abs().max() <= 1
    assert wide[:, 3:].min() >= 0
    assert wide[:, 3:].max() <= 1
    # A view is known as a whole or not at all.
    assert set(known.sum(dim=1).tolist()) <= {0.0, 3.0}
    torch.testing.assert_close(wide, found[1][0])


def test_views_that_agree_in_the_mirror_cost_nothing():
    torch = pytest.importorskip("torch")
    from paddlebrief.turn.training.network import disagreement

    torch.manual_seed(0)
    plain = [torch.randn(3, BINS) for _ in range(3)]
    agreed = [torch.cat([p.flip(1), p]) for p in plain]
    assert float(disagreement((*agreed, None))) == pytest.approx(0, abs=1e-6)
    opposed = torch.full((2, BINS), -50.0)
    opposed[0, 10] = opposed[1, 10] = 50.0  # the mirror of bin 10 is bin 61
    # The divergence of two distributions that share nothing is ln 2 (Lin 1991).
    assert float(disagreement([opposed] * 3)) == pytest.approx(3 * np.log(2), rel=1e-3)


def test_shards_wait_until_every_learner_has_read_them(tmp_path):
    pytest.importorskip("torch")
    from paddlebrief.turn.training.learning import Pool

    shard = {
        "planes": np.full((3, 5, 224, 160), 7, np.uint8),
        "scalars": np.zeros((3, 3), np.float32),
        "labels": np.arange(51, dtype=np.float32).reshape(3, 17),
    }
    np.savez(tmp_path / "train-000-00000.npz", **shard)
    one, other = (
        Pool(tmp_path, capacity=8, device="cpu", readers=2, name=name) for name in ("a", "b")
    )
    one.gather()
    one.gather()
    assert len(one) == 3
    assert (tmp_path / "train-000-00000.npz").exists()
    other.gather()
    np.testing.assert_array_equal(other.labels[:3], shard["labels"])
    assert not list(tmp_path.iterdir())


def test_free_poses_hold_people_at_ease_and_wild_ones():
    """The truth of every pose is a unit heading; arms hang at times, feet leave the ground."""
    from paddlebrief.rehearsal.bodies import BodySpec, make_body
    from paddlebrief.turn.training.free_poses import free_motion
    from paddlebrief.turn.training.poses import truth_of

    rng = np.random.default_rng(2)
    body = make_body(BodySpec(age_years=34, sex="female", height_m=1.70, build=0.4), 1)
    lifted, hanging, apart = [], [], []
    for _ in range(60):
        places, *_ = free_motion(body, rng).place(np.array([0.0]))
        assert np.isfinite(places).all()
        headings, ways = truth_of(body, places[0], np.eye(3))
        np.testing.assert_allclose(np.linalg.norm(ways, axis=1), 1.0)
        ankles = places[0, [body.joint(f"{s}_ankle") for s in ("left", "right")], 2]
        lifted.append(np.abs(np.diff(ankles))[0])
        hanging.append(ways[[1, 3], 2].max())
        apart.append(np.degrees(wrapped(headings[1] - headings[0])))
    assert np.mean(np.array(lifted) > 0.25) > 0.1
    assert np.mean(np.array(hanging) < -0.8) > 0.1
    assert np.abs(apart).max() > 45
    assert np.abs(apart).max() < 100


def test_paint_stays_within_what_a_surface_can_be():
    from paddlebrief.turn.training.paint import painted

    rows = np.full((11, 12), 0.5, np.float32)
    for seed in range(20):
        found = painted(rows, np.random.default_rng(seed))
        assert found.shape == rows.shape
        assert found[:, [0, 1, 2, 4, 5, 6]].min() > 0
        assert found[:, [0, 1, 2, 4, 5, 6]].max() <= 1
    assert rows.min() == rows.max() == 0.5


def test_the_truth_of_a_body_that_faces_away_is_heading_nought():
    from paddlebrief.turn.training.poses import truth_of

    class Body:
        names = ("left_hip", "right_hip", "left_shoulder", "right_shoulder", "left_elbow",
                 "right_elbow", "left_wrist", "right_wrist")  # fmt: skip

        def joint(self, name):
            return self.names.index(name)

    marks = standing_marks()
    joints = marks[[LANDMARKS.index(n) for n in Body.names]]
    headings, ways = truth_of(Body(), joints, np.eye(3))
    np.testing.assert_allclose(headings, 0, atol=1e-9)
    np.testing.assert_allclose(ways[0], [0, 0, 1], atol=1e-9)
    turn = Rotation.from_euler("z", 40, degrees=True).as_matrix()
    headings, _ = truth_of(Body(), joints @ turn.T, np.eye(3))
    np.testing.assert_allclose(np.degrees(headings), 40)
