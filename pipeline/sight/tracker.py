"""Follow every person from frame to frame, each by their own landmarks."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from paddlebrief.pose_net import Crop, PersonFound, Pose, PoseNet, crop_from_axis

__all__ = ["Followed", "Observation", "SightSettings", "Tracker"]

TORSO = (11, 12, 23, 24)
GHOST_SHARE = 0.5
GHOST_S = 0.3  # what was followed for less was nobody: its loss starts no search


class SightSettings(BaseModel):
    """How people are found and followed."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    min_score: float = Field(
        0.5, gt=0, lt=1, description="detector score from which a person counts, 0 to 1"
    )
    min_presence: float = Field(
        0.5,
        gt=0,
        lt=1,
        description="landmark network's certainty below which a person is lost, 0 to 1",
    )
    search_every_s: float = Field(
        0.5, gt=0, description="seconds of playback between searches for new people"
    )
    rejoin_s: float = Field(
        1.0,
        ge=0,
        description="seconds of playback within which someone found again nearby keeps a number",
    )
    min_height_px: float = Field(
        80, gt=0, description="people lower than this many pixels are not followed"
    )
    max_people: int = Field(8, ge=1, description="most people followed at a time, tallest first")
    tiles: bool = Field(
        True,
        description="search the picture also in overlapping half-height tiles, for people far away",
    )
    min_visibility: float = Field(
        0.3,
        ge=0,
        lt=1,
        description="the network's probability of being in view below which a landmark is missing",
    )
    cutoff_hz: float = Field(
        10.0,
        gt=0,
        description="half-power frequency of the landmark smoothing, Hz on court "
        "(10 to 20 Hz is usual for striking, from memory)",
    )
    placement_error: float = Field(
        0.012,
        ge=0,
        description="standard error of a landmark's place that no smoothing removes, "
        "in body heights (0.012 is 20 mm)",
    )
    threads: int = Field(2, ge=1, description="processor threads of the networks")


@dataclass(frozen=True, kw_only=True)
class Observation:
    """One person in one frame: landmarks (33, 2) in pixels and visibility (33,)."""

    person: int
    landmarks_px: np.ndarray
    visibility: np.ndarray


@dataclass(kw_only=True, eq=False)
class Followed:
    """A person being followed: number, crop for the next frame, times first and last seen."""

    person: int
    crop: Crop
    born_s: float
    seen_s: float


class Tracker:
    """Finds and follows people; feed it every frame in order.

    Parameters
    ----------
    net
        The pose network.
    settings
        How to find and follow.
    followed, lost, next_person, searched_s
        State to go on from, as left in the attributes of the same names by an earlier tracker.
    """

    def __init__(
        self,
        net: PoseNet,
        settings: SightSettings,
        *,
        followed: list[Followed] | None = None,
        lost: list[Followed] | None = None,
        next_person: int = 0,
        searched_s: float = -np.inf,
    ) -> None:
        self._net = net
        self._settings = settings
        self.followed = list(followed or [])
        self.lost = list(lost or [])
        self.next_person = next_person
        self.searched_s = searched_s

    def step(self, picture_bgr: np.ndarray, time_s: float) -> list[Observation]:
        """People seen in the next frame, (h, w, 3) at ``time_s``; empty when there are none."""
        self.lost = [f for f in self.lost if time_s - f.seen_s <= self._settings.rejoin_s]
        placed = self._net.place_all(picture_bgr, [f.crop for f in self.followed])
        poses = list(zip(self.followed, placed, strict=True))
        kept = [(f, p) for f, p in poses if self._is_person(p)]
        lost = len(kept) < len(poses) or bool(self.lost)
        kept = _without_doubles(kept)
        # after a loss sooner, but not in every frame: a search costs as much as ten people
        wait_s = self._settings.search_every_s / (5 if lost else 1)
        if time_s - self.searched_s >= wait_s:
            kept = self._search(picture_bgr, time_s, kept)
        for followed, pose in kept:
            followed.crop = pose.next_crop
            followed.seen_s = time_s
        gone = [f for f, _ in poses if f not in [k for k, _ in kept]]
        self.lost += [f for f in gone if f.seen_s - f.born_s >= GHOST_S]
        self.followed = [f for f, _ in kept]
        return [
            Observation(person=f.person, landmarks_px=p.landmarks_px, visibility=p.visibility)
            for f, p in kept
        ]

    def _search(
        self, picture_bgr: np.ndarray, time_s: float, kept: list[tuple[Followed, Pose]]
    ) -> list[tuple[Followed, Pose]]:
        self.searched_s = time_s
        kept = list(kept)
        for found in self._find(picture_bgr):
            if len(kept) >= self._settings.max_people:
                break
            if any(_centred_in(found, p) for _, p in kept):
                continue
            first = self._net.place(picture_bgr, crop_from_axis(found.centre_px, found.reach_px))
            pose = self._net.place(picture_bgr, first.next_crop)
            if not self._is_person(pose) or any(_inside(pose, p) for _, p in kept):
                continue
            kept.append((self._name(pose, time_s), pose))
        return kept

    def _name(self, pose: Pose, time_s: float) -> Followed:
        """The person lost a moment ago at this place and size, else a new one."""
        for followed in self.lost:
            if _near(followed.crop, pose.next_crop):
                self.lost.remove(followed)
                return followed
        self.next_person += 1
        return Followed(
            person=self.next_person - 1, crop=pose.next_crop, born_s=time_s, seen_s=time_s
        )

    def _find(self, picture_bgr: np.ndarray) -> list[PersonFound]:
        height, width = picture_bgr.shape[:2]
        found = self._net.find(picture_bgr, min_score=self._settings.min_score)
        if self._settings.tiles:
            for x, y, side in _tiles(width, height):
                part = picture_bgr[y : y + side, x : x + side]
                for person in self._net.find(part, min_score=self._settings.min_score):
                    if np.hypot(*(person.reach_px - person.centre_px)) > side / 2:
                        continue  # larger than the tile: the whole picture sees them better
                    shift = np.array([x, y])
                    found.append(
                        PersonFound(
                            box_px=person.box_px + np.tile(shift, 2),
                            score=person.score,
                            centre_px=person.centre_px + shift,
                            reach_px=person.reach_px + shift,
                        )
                    )
        return sorted(found, key=lambda f: -np.hypot(*(f.reach_px - f.centre_px)))

    def _is_person(self, pose: Pose) -> bool:
        if pose.presence < self._settings.min_presence:
            return False
        if pose.visibility[list(TORSO)].mean() < 0.5:
            return False
        return float(np.ptp(pose.landmarks_px[:, 1])) >= self._settings.min_height_px


def _tiles(width: int, height: int) -> Iterator[tuple[int, int, int]]:
    side = max(height // 2, 1)
    columns = max(2, -(-2 * width // side) - 1)
    for y in np.linspace(0, height - side, 3).astype(int):
        for x in np.linspace(0, max(width - side, 0), columns).astype(int):
            yield int(x), int(y), side


def _box(pose: Pose) -> tuple[np.ndarray, np.ndarray]:
    return pose.landmarks_px.min(axis=0), pose.landmarks_px.max(axis=0)


def _centred_in(found: PersonFound, old: Pose) -> bool:
    """Whether a detection's middle lies on the trunk of somebody already followed."""
    trunk = old.landmarks_px[list(TORSO)]
    low, high = trunk.min(axis=0), trunk.max(axis=0)
    room = 0.15 * (_box(old)[1] - _box(old)[0]).max()
    return bool(np.all((found.centre_px > low - room) & (found.centre_px < high + room)))


def _inside(new: Pose, old: Pose) -> bool:
    """Whether most of a new body lies in the box of one already followed: a ghost of it."""
    (low, high), (old_low, old_high) = _box(new), _box(old)
    shared = np.clip(np.minimum(high, old_high) - np.maximum(low, old_low), 0, None).prod()
    smaller = min((high - low).prod(), (old_high - old_low).prod())
    return bool(shared > GHOST_SHARE * max(smaller, 1.0))


def _near(old: Crop, new: Crop) -> bool:
    apart = np.hypot(*(old.centre_px - new.centre_px))
    return bool(apart < 0.4 * old.side_px and 0.7 < new.side_px / old.side_px < 1.4)


def _same(a: Pose, b: Pose) -> bool:
    apart = np.linalg.norm(a.landmarks_px - b.landmarks_px, axis=1)[list(TORSO)].mean()
    low, high = _box(a)
    return float(apart) < 0.12 * float((high - low).max())


def _without_doubles(kept: list[tuple[Followed, Pose]]) -> list[tuple[Followed, Pose]]:
    """Drop the younger of two followed people who became one."""
    alone: list[tuple[Followed, Pose]] = []
    for followed, pose in sorted(kept, key=lambda k: k[0].person):
        if not any(_same(pose, other) for _, other in alone):
            alone.append((followed, pose))
    return alone
