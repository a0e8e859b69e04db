"""The eyes: crops, decoding, labels, alterations of samples, and the shipped networks."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from paddlebrief.errors import PaddlebriefError
from paddlebrief.eyes import BallNet, EyeSettings, PaddleNet, Square, hand_squares
from paddlebrief.eyes.crops import body_height_px, cut
from paddlebrief.eyes.network import Found, Layout, Network, _decoded, suppressed
from paddlebrief.eyes.training.labelling import BACK, EDGE, FRONT, face_seen, paddle_points_m
from paddlebrief.eyes.training.examples import ball_boxes, paddle_boxes
from paddlebrief.eyes.training.painting import paint_balls
from paddlebrief.eyes.training.samples import SampleSet, load_set
from paddlebrief.eyes.training.spoil import pack, spoil_colours, spoil_frames
from paddlebrief.eyes.training.things import draw_paddle_spec, printed_paddle
from paddlebrief.eyes.weights import record
from paddlebrief.records import LANDMARKS
from paddlebrief.rehearsal.paddle import PaddleSpec


def _spot(picture: np.ndarray) -> np.ndarray:
    """Centre of what is bright in a grey picture."""
    y, x = np.nonzero(picture > 60)
    weight = picture[y, x].astype(float)
    return np.array([np.average(x, weights=weight), np.average(y, weights=weight)])


@pytest.mark.parametrize("side_px", [90.0, 320.0, 910.0])
def test_a_crop_and_the_way_back_agree_with_a_painted_spot(side_px):
    picture = np.zeros((720, 1280), np.uint8)
    cv2.circle(picture, (680, 310), 9, 255, -1)
    square = Square(centre_px=(660.3, 330.8), side_px=side_px)
    crop = cut(picture, square, 320)
    crop[crop == 114] = 0
    back = square.to_picture(_spot(crop), 320)
    assert np.allclose(back, (680, 310), atol=0.6)


def test_a_crop_beyond_the_picture_is_grey_there():
    crop = cut(np.zeros((100, 100, 3), np.uint8), Square(centre_px=(0, 0), side_px=100), 320)
    assert (crop[:150, :150] == 114).all()
    assert (crop[170:, 170:] == 0).all()


def _standing(height_px: float) -> np.ndarray:
    points = np.zeros((33, 2))
    places = {"nose": 0.07, "hip": 0.48, "knee": 0.72, "ankle": 0.96}
    for name, share in places.items():
        for k, landmark in enumerate(LANDMARKS):
            if landmark.endswith(name):
                points[k] = (100.0, share * height_px)
    return points


def test_the_crop_follows_the_body_and_missing_hands_have_none():
    track = np.stack([_standing(200.0)] * 3)
    assert body_height_px(track) == pytest.approx(200.0, rel=0.03)
    track[1] = np.nan
    squares = hand_squares(track, "right")
    assert squares[1] is None
    side = record()["crop_body_heights"] * 200
    assert squares[0].side_px == pytest.approx(side, rel=0.03)
    assert hand_squares(np.full((2, 33, 2), np.nan), "left") == [None, None]


def test_maps_are_decoded_to_pixel_centres():
    layout = Layout(classes=2, points=1, point_values=3)
    maps = np.full((layout.channels, 4, 4), -9.0)
    # Cell (x 2, y 1) of stride 8 has its middle at (20, 12) from the picture's edge.
    maps[:4, 1, 2] = (1.0, 0.5, 2.0, 1.5)
    maps[4:6, 1, 2] = (2.0, -9.0)
    maps[6:, 1, 2] = (0.25, -0.5, 3.0)
    found = _decoded([maps], layout, side_px=32, min_score=0.5)
    assert len(found) == 1
    assert np.allclose(found.boxes_px[0], np.array([12, 8, 36, 24]) - 0.5)
    # A keypoint lies 2·v strides from the cell's corner: (2 + ½, 1 − 1)·8.
    assert np.allclose(found.points_px[0, 0], np.array([20, 0]) - 0.5)
    assert found.visible[0, 0] == pytest.approx(1 / (1 + np.exp(-3)))
    assert len(_decoded([maps], layout, side_px=32, min_score=0.95)) == 0


def test_overlapping_findings_leave_the_better_one():
    found = Found(
        scores=np.array([[0.9], [0.8], [0.7]]),
        boxes_px=np.array([[0, 0, 10, 10], [1, 1, 11, 11], [20, 20, 30, 30.0]]),
        points_px=np.zeros((3, 1, 2)),
        visible=np.ones((3, 1)),
    )
    assert suppressed(found, overlap=0.5).scores[:, 0].tolist() == [0.9, 0.7]


def test_missing_weights_are_one_clear_error(tmp_path):
    with pytest.raises(PaddlebriefError, match="weights are missing"):
        Network(tmp_path / "none.onnx", Layout(classes=1, points=1, point_values=2))


def test_weights_of_another_kind_are_refused():
    from paddlebrief.eyes.weights import shipped

    with pytest.raises(PaddlebriefError, match="channels"):
        Network(shipped("ball.onnx"), Layout(classes=3, points=5, point_values=3, inputs=5))
    for weights in ("ball.onnx", "ball.pt"):
        with pytest.raises(PaddlebriefError, match="pictures of 3 channels"):
            Network(shipped(weights), Layout(classes=1, points=2, point_values=2), backend="onnx")


def test_a_net_that_saw_three_frames_keeps_its_weights_in_the_middle_of_five(monkeypatch, tmp_path):
    import torch

    from paddlebrief.eyes.training import models

    monkeypatch.setitem(models.BALL_MODEL, "channels", 3)
    small = models.built("ball")
    models.stored(small, tmp_path / "small.pt")
    monkeypatch.setitem(models.BALL_MODEL, "channels", 5)
    wide = models.built("ball", tmp_path / "small.pt")
    first, kept = wide.model[0].conv.weight, small.model[0].conv.weight.half().float()
    assert torch.equal(first[:, 1:4], kept)
    assert not first[:, [0, 4]].any()


def test_the_face_towards_the_eye_is_the_one_that_is_seen():
    spec, butt = PaddleSpec(), np.zeros(3)
    away = spec.face_centre_m
    assert face_seen(butt, np.eye(3), spec, away + np.array([0, 0, 3.0]))[0] == FRONT
    assert face_seen(butt, np.eye(3), spec, away - np.array([0, 0, 3.0]))[0] == BACK
    assert face_seen(butt, np.eye(3), spec, away + np.array([3.0, 0, 0.1]))[0] == EDGE


def test_paddles_stay_within_the_rules_and_keypoints_on_the_paddle():
    rng = np.random.default_rng(3)
    for _ in range(20):
        spec = draw_paddle_spec(rng)
        prop = printed_paddle(spec, rng)
        keypoints, face = paddle_points_m(spec)
        reach = np.abs(prop.vertices_m).max(axis=0)
        assert reach[0] == pytest.approx(spec.width_m / 2, rel=0.02)
        assert keypoints[2, 1] == pytest.approx(prop.vertices_m[:, 1].max(), abs=0.002)
        assert (np.abs(face[:, 0]) <= spec.width_m / 2 + 1e-9).all()


def test_a_painted_ball_is_where_its_label_says():
    rng = np.random.default_rng(11)
    for _ in range(12):
        frames = np.zeros((5, 320, 320, 3), np.uint8)
        label = paint_balls(frames, rng, count=1, steps=np.array([-4, -1, 0, 1, 4]))[0]
        seen = frames[2].max(axis=-1)
        if label["radius"] < 3 or label["ends"].min() < 15 or label["ends"].max() > 305:
            continue
        spot = _spot(np.where(seen > 60, 255, 0))
        assert np.allclose(spot, label["ends"].mean(axis=0), atol=2.5)
        ends = label["ends"]
        box = np.concatenate(ball_boxes(ends.min(axis=0), ends.max(axis=0), label["radius"]))
        y, x = np.nonzero(seen > 60)
        assert min(x.min() - box[0], y.min() - box[1]) >= -1
        assert max(x.max() - box[2], y.max() - box[3]) <= 1


def test_packing_repeats_still_parts_and_spoiling_is_seeded():
    rng = np.random.default_rng(2)
    still = rng.integers(40, 200, (64, 64, 3)).astype(np.uint8)
    packed = pack(np.stack([still] * 3), quality=60)
    assert np.array_equal(packed[1], packed[2])
    frames = np.stack([still] * 2)
    once, again = (
        spoil_frames(spoil_colours(frames, r), r)
        for r in (np.random.default_rng(7), np.random.default_rng(7))
    )
    assert np.array_equal(once, again)
    assert once.shape == frames.shape


def _marked_samples(count: int, points: int) -> SampleSet:
    """Pictures with a bright spot at their first keypoint."""
    rng = np.random.default_rng(4)
    pictures = np.zeros((count, 96, 96, 3), np.uint8)
    keypoints = np.zeros((count, 1, points, 3), np.float32)
    for k in range(count):
        place = rng.integers(38, 58, 2)
        cv2.circle(pictures[k], tuple(map(int, place)), 4, (255, 255, 255), -1)
        keypoints[k, 0, :] = (*place, 1)
    boxes = np.concatenate([keypoints[:, :, 0, :2] - 5, keypoints[:, :, 0, :2] + 5], axis=-1)
    ones = np.ones(count, np.int64)
    return SampleSet(pictures, ones, np.zeros((count, 1), np.int64), boxes, keypoints,
                     np.zeros((count, 1), np.float32))  # fmt: skip


def test_labels_move_with_the_pictures():
    import torch

    from paddlebrief.eyes.training.batches import Batches, Handling
    from paddlebrief.eyes.training.pool import Pool

    rule = Handling(
        boxes=lambda points, extras: (points.amin(-2) - 2, points.amax(-2) + 2),
        mirrored_points=(0, 1), reversible=False, turn_deg=20, shift=0.1, scale=0.1, sized=False,
    )  # fmt: skip
    pool = Pool(16, torch.device("cpu"))
    pool.add(_marked_samples(16, 2))
    batch = Batches(pool, rule, device=torch.device("cpu"), seed=1).draw(16)
    assert len(batch["cls"]) == 16
    for picture, points, box in zip(
        batch["img"].numpy(), batch["keypoints"].numpy(), batch["bboxes"].numpy(), strict=True
    ):
        grey = picture.mean(axis=0) * 255
        spot = _spot(np.where(grey > 0.75 * grey.max(), 255, 0))
        assert np.allclose(points[0, :2] * 96 - 0.5, spot, atol=1.0)
        assert np.allclose(box[:2] * 96 - 0.5, spot, atol=1.0)


def test_a_full_pool_forgets_the_oldest_samples():
    import torch

    from paddlebrief.eyes.training.pool import Pool

    pool = Pool(5, torch.device("cpu"))
    whole = _marked_samples(7, 1)
    whole.extras[:, 0] = np.arange(7)
    pool.add(whole)
    assert len(pool) == 5
    assert pool.seen == 7
    kept = pool.draw(torch.arange(5))["extras"][:, 0]
    assert sorted(kept.tolist()) == [2, 3, 4, 5, 6]


def test_a_mirrored_crop_shows_left_for_right_and_leads_back():
    picture = np.zeros((400, 600), np.uint8)
    cv2.circle(picture, (330, 180), 7, 255, -1)
    square = Square(centre_px=(310.4, 200.2), side_px=160.0, mirrored=True)
    crop = cut(picture, square, 320)
    crop[crop == 114] = 0
    spot = _spot(crop)
    assert spot[0] < 160  # it is right of the middle in the picture
    assert np.allclose(square.to_picture(spot, 320), (330, 180), atol=0.6)
    place = square.matrix(320) @ [330, 180, 1]
    assert np.allclose(place, spot, atol=1.0)


def test_boxes_of_thin_paddles_have_room():
    low, high = np.array([10.0, 40.0]), np.array([12.0, 140.0])
    a, b = paddle_boxes(low, high, (high - low).max())
    assert (a < low).all()
    assert (b > high).all()
    assert (b - a)[0] >= 0.4 * (high - low)[1]


def test_sample_sets_survive_the_disk(tmp_path):
    whole = _marked_samples(3, 2)
    whole.save(tmp_path / "set")
    back = load_set(tmp_path / "set")
    assert np.array_equal(back.pictures, whole.pictures)
    assert np.array_equal(back.keypoints, whole.keypoints)
    assert len(back.first(2)) == 2


def _court_like(rng: np.random.Generator) -> np.ndarray:
    picture = np.full((544, 960), 95, np.uint8)
    cv2.rectangle(picture, (100, 200), (860, 520), 120, -1)
    cv2.line(picture, (100, 300), (860, 330), 225, 4)
    return np.clip(picture + rng.normal(0, 2, picture.shape), 0, 255).astype(np.uint8)


def _with_ball(picture: np.ndarray, place, radius: float = 5.0) -> np.ndarray:
    big = picture.copy()
    cv2.circle(big, (round(place[0] * 16), round(place[1] * 16)), round(radius * 16), 235, -1,
               cv2.LINE_AA, 4)  # fmt: skip
    return big


def test_the_ball_net_finds_what_flies_and_passes_over_what_lies():
    net = BallNet(EyeSettings(backend="onnx"))
    rng = np.random.default_rng(0)
    step = np.array([14.0, -6.0])
    middle = np.array([400.0, 250.0])
    frames = [_with_ball(_court_like(rng), middle + k * step) for k in (-4, -1, 0, 1, 4)]
    seen = net.look(frames)
    assert len(seen) >= 1
    assert np.allclose(seen.middle_px[0], middle, atol=2.0)
    assert (seen.sd_px > 0).all()
    again = net.look([net.ready(f) for f in frames])
    assert np.array_equal(again.middle_px, seen.middle_px)
    still = [_with_ball(_court_like(rng), middle) for _ in range(5)]
    assert not (np.linalg.norm(net.look(still).middle_px - middle, axis=1) < 8).any()


def test_the_ball_net_finds_what_hardly_moves_from_one_frame_to_the_next():
    net = BallNet(EyeSettings(backend="onnx"))
    rng = np.random.default_rng(1)
    middle, step = np.array([470.0, 260.0]), np.array([0.6, 0.9])
    frames = [_with_ball(_court_like(rng), middle + k * step, 3.0) for k in (-4, -1, 0, 1, 4)]
    seen = net.look(frames)
    assert len(seen) >= 1
    assert np.allclose(seen.middle_px[0], middle, atol=1.5)


def test_the_ball_net_takes_any_size_and_may_find_nothing():
    net = BallNet(EyeSettings(backend="onnx"))
    for shape in ((540, 960), (1080, 1920), (333, 517)):
        flat = np.full(shape, 90, np.uint8)
        seen = net.look([flat] * 5)
        assert len(seen) == 0
        assert seen.middle_px.shape == (0, 2)


def test_no_paddle_in_an_empty_picture_and_none_asked_for():
    net = PaddleNet(EyeSettings(backend="onnx"))
    flat = np.full((720, 1280, 3), 110, np.uint8)
    assert net.look(flat, [Square(centre_px=(600, 300), side_px=300.0), None]) == [None, None]
    assert net.look(flat, []) == []


def test_a_doubtful_paddle_is_looked_at_again_in_a_mirror():
    net = PaddleNet(EyeSettings(backend="onnx"))
    points = np.array([[160, 150], [160, 130], [160, 90], [150, 110], [170, 110.0]])
    looked = []

    def find(crops, *, min_score):
        looked.append(len(crops))
        score = 0.3 if len(looked) == 1 else 0.7
        return [
            Found(
                scores=np.array([[score, 0.0, 0.0]]), boxes_px=np.array([[150, 90, 170, 150.0]]),
                points_px=points[None], visible=np.ones((1, 5)),
            )
            for _ in crops
        ]  # fmt: skip

    net._network = SimpleNamespace(find=find)
    square = Square(centre_px=(400.0, 300.0), side_px=320.0)
    seen = net.look(np.zeros((600, 800, 3), np.uint8), [square, None])[0]
    assert looked == [1, 1]
    assert seen.score == pytest.approx(0.7)
    # A mirror shows the other face, and left for right.
    assert (seen.front, seen.back) == (0.0, 1.0)
    assert seen.points_px[3, 0] < seen.points_px[4, 0]
    first = net.look(np.zeros((600, 800, 3), np.uint8), [square])[0]
    assert looked == [1, 1, 1] and first.front == 1.0


def test_the_record_names_seeds_versions_and_held_out_figures():
    known = record()
    assert known["held_out_seed"] != known["seed"]
    assert {"ultralytics", "torch", "numpy"} <= set(known["versions"])
    paddles = known["held_out"]["paddle"]
    assert paddles["scenes"]["paddles"] + paddles["close-ups"]["paddles"] > 500
    assert known["held_out"]["ball"]["scenes"]["balls"] > 500


def test_no_body_is_both_trained_on_and_judged_with():
    from paddlebrief.eyes.training.render import taking_part

    trained, held = taking_part("train", 64), taking_part("held", 16)
    assert len({seed for _, seed in trained + held}) == 80
    assert trained[:8] == taking_part("train", 8)
