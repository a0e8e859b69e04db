"""Following people with a network whose answers are known, and going on after a kill."""

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pytest

import paddlebrief.sight.stage as watch_module
import paddlebrief.sight.tracker as tracker_module
from paddlebrief.footage import inspect
from paddlebrief.pose_net import Crop, PersonFound, Pose, crop_from_axis
from paddlebrief.sight import SightSettings, watch
from paddlebrief.sight.tracker import Tracker
from paddlebrief.store.tracks import read_tracks
from tests.bodies2d import standing
from tests.clips import constant_times, number_in, write_clip

SETTINGS = SightSettings(tiles=False)
PICTURE = np.zeros((720, 1280, 3), np.uint8)


@dataclass
class Stage:
    """People standing at known places; stands in for the pose network."""

    places: dict[str, tuple[float, float]]
    height_px: float = 300.0

    def points(self, name):
        return standing(1, centre_px=self.places[name], height_px=self.height_px)[0]

    def find(self, _picture, *, min_score):
        return [
            PersonFound(
                box_px=np.array([x - 20, y - 150, x + 20, y - 110]),
                score=0.9,
                centre_px=np.array([x, y]),
                reach_px=np.array([x, y - 0.6 * self.height_px]),
            )
            for x, y in self.places.values()
        ]

    def place_all(self, pictures, crops):
        return [self.place(p, c) for p, c in zip(pictures, crops, strict=True)]

    def place(self, _picture, crop: Crop) -> Pose:
        near = [
            (np.hypot(*(np.array(p) - crop.centre_px)), name) for name, p in self.places.items()
        ]
        distance, name = min(near, default=(np.inf, ""))
        if distance > 0.3 * crop.side_px:
            points, presence = np.tile(crop.centre_px, (33, 1)), 0.0
        else:
            points, presence = self.points(name), 1.0
        centre = points[[23, 24]].mean(axis=0)
        return Pose(
            landmarks_px=points,
            visibility=np.ones(33),
            presence=presence,
            next_crop=crop_from_axis(centre, centre - [0, 0.6 * self.height_px]),
            crop=crop,
            mask=np.ones((256, 256)),
        )


def test_two_people_keep_their_numbers_while_they_move():
    stage = Stage({"ana": (300.0, 400.0), "bo": (900.0, 400.0)})
    tracker = Tracker(stage, SETTINGS)
    first = {o.person: o.landmarks_px[0, 0] for o in tracker.step(PICTURE, 0.0)}
    for step in range(1, 40):
        stage.places = {"ana": (300 + 5.0 * step, 400.0), "bo": (900 - 3.0 * step, 400.0)}
        seen = tracker.step(PICTURE, step / 30)
    last = {o.person: o.landmarks_px[0, 0] for o in seen}
    assert first.keys() == last.keys()
    assert {p: round(last[p] - first[p]) for p in last} == {0: 195, 1: -117}


def test_one_who_comes_back_soon_and_near_keeps_the_number_and_late_does_not():
    stage = Stage({"ana": (300.0, 400.0)})
    tracker = Tracker(stage, SETTINGS)
    for time_s in (0.0, 0.2, 0.4):
        assert [o.person for o in tracker.step(PICTURE, time_s)] == [0]
    stage.places = {}
    assert tracker.step(PICTURE, 0.5) == []
    stage.places = {"ana": (330.0, 400.0)}
    assert [o.person for o in tracker.step(PICTURE, 1.1)] == [0]
    stage.places = {}
    tracker.step(PICTURE, 1.2)
    stage.places = {"ana": (330.0, 400.0)}
    assert [o.person for o in tracker.step(PICTURE, 9.0)] == [1]


def test_one_whose_number_went_on_with_another_body_is_not_found_a_second_time(monkeypatch):
    stage = Stage({"ana": (300.0, 400.0), "bo": (700.0, 400.0)})
    tracker = Tracker(stage, SETTINGS)
    for time_s in (0.0, 0.2, 0.4):
        tracker.step(PICTURE, time_s)
    stage.places = {"ana": (300.0, 400.0)}
    tracker.step(PICTURE, 0.5)
    (bo,) = tracker.lost

    def handed_over(bodies, lost, time_s):
        bodies[0].owner = bo
        return bodies

    monkeypatch.setattr(tracker_module, "settle", handed_over)
    stage.places = {"ana": (300.0, 400.0), "somebody": (720.0, 400.0)}
    seen = [o.person for o in tracker.step(PICTURE, 1.1)]
    assert len(seen) == 2
    assert len(set(seen)) == 2


def test_people_too_small_are_left_alone():
    tracker = Tracker(Stage({"far": (300.0, 400.0)}, height_px=60.0), SETTINGS)
    assert tracker.step(PICTURE, 0.0) == []


def test_no_more_people_than_asked_for():
    stage = Stage({str(k): (100.0 + 150 * k, 400.0) for k in range(6)})
    tracker = Tracker(stage, SightSettings(tiles=False, max_people=4))
    assert len(tracker.step(PICTURE, 0.0)) == 4


@pytest.mark.parametrize("size", [(1280, 720), (720, 1280), (640, 480)])
def test_tiles_cover_the_picture(size):
    from paddlebrief.sight.tracker import _tiles

    width, height = size
    covered = np.zeros((height, width), bool)
    for x, y, side in _tiles(width, height):
        assert x >= 0
        assert y >= 0
        covered[y : y + side, x : x + side] = True
    assert covered.all()


class Passing(Stage):
    """Somebody who walks through the picture; ``fail_at`` stops everything at that step."""

    def __init__(self, fail_at=None):
        super().__init__({"ana": (60.0, 90.0)}, height_px=90.0)
        self.step, self.fail_at = 0, fail_at

    def place_all(self, pictures, crops):
        return [self.place(p, c) for p, c in zip(pictures, crops, strict=True)]

    def place(self, picture, crop):
        self.step += 1
        if self.fail_at is not None and self.step > self.fail_at:
            raise KeyboardInterrupt
        x = 60.0 + number_in(picture) / 3
        self.places = {"ana": (x, 90.0)}
        return super().place(picture, crop)


def test_a_killed_watch_goes_on_and_ends_like_an_undisturbed_one(tmp_path, monkeypatch):
    monkeypatch.setattr(watch_module, "PART_S", 0.7)
    clip = write_clip(tmp_path / "walk.mp4", times_s=constant_times(Fraction(30), 120))
    info = inspect(clip)
    settings = SightSettings(tiles=False, min_height_px=40)
    whole = watch(info, net=Passing(), settings=settings, folder=tmp_path / "whole")
    with pytest.raises(KeyboardInterrupt):
        watch(info, net=Passing(fail_at=70), settings=settings, folder=tmp_path / "cut")
    done_before = len(list((tmp_path / "cut").glob("part-*.parquet")))
    assert done_before >= 2
    resumed = Passing()
    cut = watch(info, net=resumed, settings=settings, folder=tmp_path / "cut")
    assert resumed.step < 100  # finished parts were not watched again
    assert cut.summary() == whole.summary()
    assert len(cut.parts()) == len(whole.parts()) > 3
    for a, b in zip(cut.parts(), whole.parts(), strict=True):
        for one, other in zip(read_tracks(a), read_tracks(b), strict=True):
            np.testing.assert_array_equal(one.landmarks_px, other.landmarks_px)
            np.testing.assert_array_equal(one.time_s, other.time_s)
