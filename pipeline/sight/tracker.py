"""Follow every person from frame to frame, each by their own landmarks."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from paddlebrief.pose_net import PersonFound, Pose, PoseNet, crop_from_axis
from paddlebrief.sight.crowd import (
    Body,
    Followed,
    foot_px,
    in_front,
    is_ghost,
    settle,
    take_looks,
)
from paddlebrief.sight.looks import look_lab
from paddlebrief.sight.veil import without

__all__ = ["Observation", "SightSettings", "Tracker"]

TORSO = (11, 12, 23, 24)
NEAR_SIDES = 1.3  # of a crop's side, of the square in which somebody lost is looked for
SOONER, SOUGHT_S = 5, 1.0  # times as often, and how long, somebody lost is looked for
GHOST_S = 0.3  # what was followed for less was perhaps nobody: its loss starts no search
HALF_HIDDEN = 0.6  # of the certainty needed, for one who is followed already


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
        3.0,
        ge=0,
        description="seconds of playback within which someone found again nearby in the same "
        "clothes keeps a number",
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
    """One person in one frame: landmarks (33, 2) in pixels, visibility (33,) and, where it was
    taken, the look (6,) of the clothes."""

    person: int
    landmarks_px: np.ndarray
    visibility: np.ndarray
    look_lab: np.ndarray | None = None


class Tracker:
    """Finds and follows people; feed it every frame in order.

    Where people cover each other, a number goes on with the body that wears what its owner was
    seen to wear before; while that is open, nobody is seen there.

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
        before = self.followed
        pictures = [
            without(picture_bgr, [o.marks_px for o in in_front(f, before)]) for f in before
        ]
        placed = self._net.place_all(pictures, [f.crop for f in before])
        bodies = [
            Body(pose=p, owner=f)
            for f, p in zip(before, placed, strict=True)
            if self._is_person(p, followed=True)
        ]
        take_looks(picture_bgr, bodies, time_s)
        bodies = settle(bodies, self.lost, time_s)
        # some who were lost own a body again, and are not to be found a second time
        owners = [b.owner for b in bodies]
        self.lost = [f for f in (*self.lost, *before) if f not in owners]
        # everywhere now and then; sooner where somebody was just lost, but not in every frame
        often_s = self._settings.search_every_s / SOONER
        everywhere = time_s - self.searched_s >= self._settings.search_every_s
        missed = [
            f
            for f in self.lost
            if time_s - f.sought_s >= often_s
            and time_s - f.seen_s <= SOUGHT_S
            and f.seen_s - f.born_s >= GHOST_S
        ]
        if everywhere or missed:
            bodies += self._search(
                picture_bgr, time_s, bodies, near=None if everywhere else missed
            )
        self.followed = [b.owner for b in bodies]
        self.lost = [f for f in self.lost if f not in self.followed]
        for body in bodies:
            body.owner.move(body.pose, time_s)
        return [
            Observation(
                person=b.owner.person,
                landmarks_px=b.pose.landmarks_px,
                visibility=b.pose.visibility,
                look_lab=b.look,
            )
            for b in bodies
            if not b.doubtful
        ]

    def _search(
        self,
        picture_bgr: np.ndarray,
        time_s: float,
        known: Sequence[Body],
        *,
        near: Sequence[Followed] | None,
    ) -> list[Body]:
        """Bodies that nobody is followed by so far: everywhere, or near people who were lost."""
        rest = without(picture_bgr, [b.pose.landmarks_px for b in known])
        if near is None:
            self.searched_s = time_s
            everybody = self._find(rest)
        else:
            everybody = [p for f in near for p in self._find_near(rest, f, time_s)]
        for followed in self.lost if near is None else near:
            followed.sought_s = time_s
        new: list[Body] = []
        for found in everybody:
            poses = [b.pose for b in (*known, *new)]
            if len(poses) >= self._settings.max_people:
                break
            if any(_centred_in(found, b.pose) for b in new):
                continue
            first = self._net.place(rest, crop_from_axis(found.centre_px, found.reach_px))
            pose = self._net.place(rest, first.next_crop)
            if not self._is_person(pose) or any(is_ghost(pose, p) for p in poses):
                continue
            look = look_lab(picture_bgr, pose)
            new.append(self._name(pose, look, time_s, taken=[b.owner for b in new]))
            rest = without(rest, [pose.landmarks_px])
        return new

    def _name(
        self, pose: Pose, look: np.ndarray, time_s: float, *, taken: Sequence[Followed]
    ) -> Body:
        """The body of who was lost a moment ago near there and looks like it, else of a new one."""
        fits = [
            (f.misfit(pose, look, time_s), f)
            for f in self.lost
            if f not in taken and f.may_be(pose, look, time_s)
        ]
        if fits:
            return Body(pose=pose, owner=min(fits, key=lambda fit: fit[0])[1], look=look)
        self.next_person += 1
        owner = Followed(
            person=self.next_person - 1,
            crop=pose.next_crop,
            marks_px=pose.landmarks_px,
            born_s=time_s,
            seen_s=time_s,
            foot_px=foot_px(pose),
        )
        return Body(pose=pose, owner=owner, look=look)

    def _find(self, picture_bgr: np.ndarray) -> list[PersonFound]:
        height, width = picture_bgr.shape[:2]
        found = self._net.find(picture_bgr, min_score=self._settings.min_score)
        if self._settings.tiles:
            for x, y, side in _tiles(width, height):
                inside = self._find_in(picture_bgr[y : y + side, x : x + side], x, y)
                # larger than the tile: the whole picture sees them better
                found += [p for p in inside if np.hypot(*(p.reach_px - p.centre_px)) <= side / 2]
        return sorted(found, key=lambda f: -np.hypot(*(f.reach_px - f.centre_px)))

    def _find_near(
        self, picture_bgr: np.ndarray, followed: Followed, time_s: float
    ) -> list[PersonFound]:
        """People in a square around the place where somebody lost is expected."""
        side = max(int(NEAR_SIDES * followed.crop.side_px), 2)
        x, y = np.round(followed.expected_px(time_s) - side / 2).astype(int).clip(0)
        part = picture_bgr[y : y + side, x : x + side]
        return self._find_in(part, x, y) if min(part.shape[:2]) > 1 else []

    def _find_in(self, part_bgr: np.ndarray, x: int, y: int) -> list[PersonFound]:
        """People in a part of a picture whose corner lies at ``x`` and ``y`` of the whole."""
        shift = np.array([x, y])
        return [
            PersonFound(
                box_px=person.box_px + np.tile(shift, 2),
                score=person.score,
                centre_px=person.centre_px + shift,
                reach_px=person.reach_px + shift,
            )
            for person in self._net.find(part_bgr, min_score=self._settings.min_score)
        ]

    def _is_person(self, pose: Pose, *, followed: bool = False) -> bool:
        """Whether a placement is of somebody; one who is followed may be half hidden."""
        needed = self._settings.min_presence * (HALF_HIDDEN if followed else 1.0)
        if pose.presence < needed or pose.visibility[list(TORSO)].mean() < 0.5:
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
