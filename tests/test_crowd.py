"""Numbers stay with bodies where people cover each other, by what they wear."""

from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest

from paddlebrief.pose_net import Crop, Pose, crop_from_axis
from paddlebrief.sight import SightSettings
from paddlebrief.sight.looks import Clothes, look_lab, looks_apart
from paddlebrief.sight.tracker import Tracker
from paddlebrief.sight.veil import without
from tests.bodies2d import standing
from tests.test_sight import Stage

HEIGHT_PX = 300.0
FRAMES = 90
RED, BLUE, WHITE, BLACK = (40, 40, 200), (200, 60, 40), (250, 250, 250), (20, 20, 20)
CLOTHES = {"ana": (RED, WHITE), "bo": (BLUE, BLACK)}


@dataclass
class Crossing(Stage):
    """Two people who walk past each other; the network sees only the one in front meanwhile."""

    places: dict = field(default_factory=dict)
    hidden_px: float = 60.0

    def walk(self, step: int) -> np.ndarray:
        """The picture of a step, with both in their clothes; Ana is in front."""
        self.places = {"ana": (240.0 + 9 * step, 400.0), "bo": (1040.0 - 9 * step, 400.0)}
        picture = np.full((720, 1280, 3), 90, np.uint8)
        for name in ("bo", "ana"):
            x, y = (int(v) for v in self.places[name])
            shirt, legs = CLOTHES[name]
            cv2.rectangle(picture, (x - 40, y - 130), (x + 40, y), shirt, -1)
            cv2.rectangle(picture, (x - 40, y + 1), (x + 40, y + 150), legs, -1)
        return picture

    def visible(self) -> dict:
        apart = abs(self.places["ana"][0] - self.places["bo"][0])
        return {"ana": self.places["ana"]} if apart < self.hidden_px else self.places

    def find(self, picture, *, min_score):
        everybody, self.places = self.places, self.visible()
        found = super().find(picture, min_score=min_score)
        self.places = everybody
        return found

    def place(self, picture, crop: Crop) -> Pose:
        everybody, self.places = self.places, self.visible()
        pose = super().place(picture, crop)
        self.places = everybody
        return pose


def followed_through(stage: Crossing) -> list[dict[int, str]]:
    """Per frame, whose body each number was on."""
    tracker = Tracker(stage, SightSettings(tiles=False))
    seen = []
    for step in range(FRAMES):
        observations = tracker.step(stage.walk(step), step / 30)
        owners = {}
        for o in observations:
            x = o.landmarks_px[[23, 24], 0].mean()
            owners[o.person] = min(stage.places, key=lambda n: abs(stage.places[n][0] - x))
        seen.append(owners)
    return seen


@pytest.mark.parametrize("hidden_px", [30.0, 80.0, 200.0])
def test_numbers_stay_with_the_clothes_when_two_cross(hidden_px):
    seen = followed_through(Crossing(hidden_px=hidden_px))
    start, end = seen[5], seen[-1]
    assert set(start.values()) == {"ana", "bo"}
    assert end == start
    wrong = [owners for owners in seen if any(start.get(p) != n for p, n in owners.items())]
    assert len(wrong) <= 2


def test_without_clothes_that_differ_nobody_is_swapped():
    clothes = dict(CLOTHES)
    CLOTHES["bo"] = CLOTHES["ana"]
    try:
        seen = followed_through(Crossing(hidden_px=30.0))
    finally:
        CLOTHES.update(clothes)
    assert {*seen[-1].values()} == {"ana", "bo"}


def test_the_look_is_the_clothes_colour_and_not_the_wall_s():
    stage = Crossing()
    picture = stage.walk(0)
    points = standing(1, centre_px=stage.places["bo"], height_px=HEIGHT_PX)[0]
    # seen from the side: shoulders and hips at one place
    points[[11, 12, 23, 24], 0] = stage.places["bo"][0]
    centre = points[[23, 24]].mean(axis=0)
    crop = crop_from_axis(centre, centre - [0, 0.6 * HEIGHT_PX])
    pose = Pose(
        landmarks_px=points, visibility=np.ones(33), presence=1.0, next_crop=crop, crop=crop,
        mask=np.ones((256, 256)),
    )  # fmt: skip
    colours = np.array([CLOTHES["bo"]], np.float32) / 255
    expected = cv2.cvtColor(colours, cv2.COLOR_BGR2LAB)[0]
    np.testing.assert_allclose(look_lab(picture, pose), expected.ravel(), atol=1.0)


def test_distance_of_looks_counts_only_what_both_show():
    shirt_only = np.array([50, 0, 0, np.nan, np.nan, np.nan])
    both = np.array([50, 3, 4, 80, 0, 0.0])
    assert looks_apart(shirt_only, both) == pytest.approx(5.0)
    assert looks_apart(both, both + [0, 0, 0, 0, 3, 4]) == pytest.approx(5 / np.sqrt(2))
    assert np.isnan(looks_apart(np.full(6, np.nan), both))


def test_clothes_are_learnt_alone_and_not_in_a_crowd():
    clothes = Clothes()
    red, blue = np.array([50, 60, 40, 95, 0, 0.0]), np.array([40, 10, -50, 5, 0, 0.0])
    for _ in range(10):
        clothes.note(red, alone=True)
    for _ in range(20):
        clothes.note(blue, alone=False)
    assert clothes.known
    assert clothes.apart(red) < 1e-6
    assert looks_apart(clothes.lately_lab, blue) < 2.0


@dataclass
class Shadowed(Stage):
    """One person stands beside another, farther away; the network sees her only where he is
    painted over, as the real one does."""

    places: dict = field(default_factory=lambda: {"ana": (600.0, 420.0), "bo": (690.0, 370.0)})

    def picture(self) -> np.ndarray:
        picture = np.full((720, 1280, 3), 90, np.uint8)
        for name in ("bo", "ana"):
            x, y = (int(v) for v in self.places[name])
            shirt, legs = CLOTHES[name]
            cv2.rectangle(picture, (x - 30, y - 130), (x + 30, y), shirt, -1)
            cv2.rectangle(picture, (x - 30, y + 1), (x + 30, y + 150), legs, -1)
        return picture

    def visible(self, picture: np.ndarray) -> dict:
        shown = {}
        for name, (x, y) in self.places.items():
            shirt = picture[int(y) - 60, int(x)].astype(int)
            if np.abs(shirt - CLOTHES[name][0]).max() < 30:
                shown[name] = (x, y)
        return {"ana": shown["ana"]} if "ana" in shown else shown

    def find(self, picture, *, min_score):
        everybody, self.places = self.places, self.visible(picture)
        found = super().find(picture, min_score=min_score)
        self.places = everybody
        return found

    def place(self, picture, crop: Crop) -> Pose:
        everybody, self.places = self.places, self.visible(picture)
        pose = super().place(picture, crop)
        self.places = everybody
        return pose


def test_somebody_behind_another_is_found_and_followed():
    stage = Shadowed()
    tracker = Tracker(stage, SightSettings(tiles=False))
    picture = stage.picture()
    seen = [tracker.step(picture, step / 30) for step in range(60)]
    together = [
        {o.person: round(float(o.landmarks_px[[23, 24], 0].mean())) for o in observations}
        for observations in seen[20:]
    ]
    assert all(t == {0: 600, 1: 690} for t in together)


def test_a_picture_without_people_keeps_the_rest_as_it_is():
    rng = np.random.default_rng(3)
    wall = np.full((400, 600, 3), (60, 120, 180), np.uint8)
    picture = wall.copy()
    marks = standing(1, centre_px=(300.0, 200.0), height_px=200.0)[0]
    low, high = marks.min(axis=0).astype(int), marks.max(axis=0).astype(int)
    picture[low[1] : high[1], 290:310] = rng.integers(0, 255, 3)
    before = picture.copy()
    painted = without(picture, [marks])
    np.testing.assert_array_equal(picture, before)
    trunk = marks[[11, 12, 23, 24]].mean(axis=0).astype(int)
    assert np.abs(painted[trunk[1], trunk[0]].astype(int) - wall[0, 0]).max() < 40
    far = np.ones((400, 600), bool)
    far[low[1] - 60 : high[1] + 60, low[0] - 60 : high[0] + 60] = False
    np.testing.assert_array_equal(painted[far], picture[far])
    assert without(picture, []) is picture
