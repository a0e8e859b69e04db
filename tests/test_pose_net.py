"""The pose network's geometry, and the network itself on a photograph from scikit-image."""

import cv2
import numpy as np
import pytest
from skimage import data

from paddlebrief import model_store
from paddlebrief.pose_net import Crop, PoseNet, anchors, crop_from_axis
from paddlebrief.records import LANDMARKS


@pytest.fixture(scope="module")
def net() -> PoseNet:
    files = model_store.ensure_models()
    return PoseNet(
        detector=files["pose_detection.tflite"], landmarker=files["pose_landmark_full.tflite"]
    )


@pytest.fixture(scope="module")
def astronaut() -> np.ndarray:
    return cv2.cvtColor(data.astronaut(), cv2.COLOR_RGB2BGR)


def test_anchor_count_is_the_detector_output_length():
    # 28²·2 + 14²·2 + 7²·6 = 2254, the second size of the detector's output tensor
    grid = anchors()
    assert grid.shape == (2254, 2)
    assert grid.min() > 0
    assert grid.max() < 1
    np.testing.assert_allclose(grid.mean(axis=0), 0.5)


@pytest.mark.parametrize("turn", [0.0, 0.4, -2.0])
def test_crop_map_is_a_similarity_that_undoes_the_turn(turn):
    crop = Crop(centre_px=np.array([120.0, 80.0]), side_px=50.0, turn_rad=turn)
    matrix = crop.to_crop(256)
    centre = matrix @ [120, 80, 1]
    np.testing.assert_allclose(centre, [128, 128])
    upward = np.array([120 + 25 * np.sin(turn), 80 - 25 * np.cos(turn), 1])
    np.testing.assert_allclose(matrix @ upward, [128, 0], atol=1e-9)


def test_crop_from_axis_holds_the_body_circle():
    crop = crop_from_axis(np.array([100.0, 100.0]), np.array([100.0, 20.0]))
    assert crop.side_px == pytest.approx(2 * 80 * 1.25)
    assert crop.turn_rad == pytest.approx(0.0)


def test_a_person_is_found_in_a_photograph_and_her_face_is_where_it_is(net, astronaut):
    found = net.find(astronaut, min_score=0.5)
    assert len(found) == 1
    pose = net.place(astronaut, crop_from_axis(found[0].centre_px, found[0].reach_px))
    assert pose.presence > 0.9
    nose = pose.landmarks_px[LANDMARKS.index("nose")]
    # the nose in scikit-image's photograph lies near (226, 118); read off the picture by eye
    assert np.hypot(*(nose - [226, 118])) < 15
    left, right = (pose.landmarks_px[LANDMARKS.index(f"{s}_shoulder")] for s in ("left", "right"))
    assert left[0] > right[0]  # she faces the camera


def test_mirrored_photograph_gives_mirrored_landmarks(net, astronaut):
    width = astronaut.shape[1]
    crop = crop_from_axis(np.array([230.0, 420.0]), np.array([230.0, 20.0]))
    flipped = Crop(
        centre_px=np.array([width - 1 - 230.0, 420.0]), side_px=crop.side_px, turn_rad=0.0
    )
    plain = net.place(astronaut, crop).landmarks_px[LANDMARKS.index("left_shoulder")]
    mirror = net.place(astronaut[:, ::-1].copy(), flipped).landmarks_px
    back = width - 1 - mirror[LANDMARKS.index("right_shoulder"), 0]
    assert back == pytest.approx(plain[0], abs=12)


def test_nobody_is_found_in_a_photograph_without_people(net):
    assert net.find(cv2.cvtColor(data.chelsea(), cv2.COLOR_RGB2BGR), min_score=0.5) == []


def test_large_crops_are_shrunk_without_moving_anything(net):
    picture = np.zeros((2000, 2000, 3), np.uint8)
    cv2.circle(picture, (900, 1100), 60, (255, 255, 255), -1)
    from paddlebrief.pose_net import _warp

    crop = Crop(centre_px=np.array([1000.0, 1000.0]), side_px=1800.0, turn_rad=0.3)
    square = _warp(picture, crop.to_crop(256), 256)[..., 0]
    ys, xs = np.mgrid[:256, :256]
    middle = np.array([(square * xs).sum(), (square * ys).sum()]) / square.sum()
    np.testing.assert_allclose(middle, crop.to_crop(256) @ [900, 1100, 1], atol=0.6)


def test_people_placed_side_by_side_are_placed_as_one_by_one(net, astronaut):
    crops = [
        Crop(centre_px=np.array([230.0, 420.0]), side_px=side, turn_rad=turn)
        for side, turn in ((700.0, 0.0), (900.0, 0.1), (800.0, -0.2))
    ]
    together = net.place_all([astronaut] * len(crops), crops)
    for pose, crop in zip(together, crops, strict=True):
        alone = net.place(astronaut, crop)
        assert pose.crop is crop
        np.testing.assert_allclose(pose.landmarks_px, alone.landmarks_px, atol=0.01)
        assert pose.presence == pytest.approx(alone.presence, abs=1e-4)
    assert net.place_all([], []) == []
