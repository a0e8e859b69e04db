"""Whose body is whose, where people come close to each other in the picture."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from paddlebrief.pose_net import Crop, Pose
from paddlebrief.sight.looks import Clothes, look_lab, looks_apart

__all__ = ["Body", "Followed", "settle", "take_looks"]

_TORSO = (11, 12, 23, 24)
_CLOSE = 0.45  # of a crop's side between middles: bodies may cover each other
_SAME = 0.12  # of a body's size between trunks: one body
_GOES_ON_S, _DRIFT_S = 0.5, 0.25
_LOOK_EVERY_S, _LOOK_OFTEN_S = 0.1, 0.025
_AFTER_MEETING_S = 1.5  # a mistake made while two were close is found out within this time
_CLEAR_LAB = 15.0  # clothes that differ by less tell nobody apart
_MARGIN_LAB = 14.0  # by how much another's clothes must fit a body better than its owner's
_STRANGER_LAB = 30.0  # clothes that differ by more are another's
_NEAR, _STRAYS_PER_S = 0.4, 0.3  # of a crop's side, where one lost is looked for again
_OTHER_SIZE = 1.43
_JUMP_LAB = 60.0  # a jump by a whole crop counts like this colour distance


@dataclass(kw_only=True, eq=False)
class Followed:
    """A person being followed.

    Attributes
    ----------
    person
        Number within the recording.
    crop
        Where to look in the next frame.
    born_s, seen_s
        Times of the first and the last sighting.
    drift_px_s
        (2,) how the crop's middle moved while nobody was near, pixels a second.
    looked_s, met_s
        Times of the last look at the clothes and when somebody was last close by.
    clothes
        What the person wears.
    """

    person: int
    crop: Crop
    born_s: float
    seen_s: float
    drift_px_s: np.ndarray = field(default_factory=lambda: np.zeros(2))
    looked_s: float = -np.inf
    met_s: float = -np.inf
    clothes: Clothes = field(default_factory=Clothes)

    def expected_px(self, time_s: float) -> np.ndarray:
        """(2,) where the crop's middle would be, going on as before for half a second."""
        return self.crop.centre_px + self.drift_px_s * min(time_s - self.seen_s, _GOES_ON_S)

    def move(self, crop: Crop, time_s: float) -> None:
        """Take the crop for the next frame."""
        since_s = time_s - self.seen_s
        if since_s > 0 and time_s - self.met_s > 0:
            share = 1 - np.exp(-since_s / _DRIFT_S)
            now = (crop.centre_px - self.crop.centre_px) / since_s
            self.drift_px_s = self.drift_px_s + share * (now - self.drift_px_s)
        self.crop, self.seen_s = crop, time_s

    def may_be(self, pose: Pose, look: np.ndarray, time_s: float) -> bool:
        """Whether a body found anew can be this person: as near, as large and so dressed."""
        crop = pose.next_crop
        reach_px = (_NEAR + _STRAYS_PER_S * (time_s - self.seen_s)) * self.crop.side_px
        apart = self.clothes.apart(look) if self.clothes.known else np.nan
        return bool(
            np.hypot(*(crop.centre_px - self.expected_px(time_s))) < reach_px
            and 1 / _OTHER_SIZE < crop.side_px / self.crop.side_px < _OTHER_SIZE
            and not apart > _STRANGER_LAB
        )

    def misfit(self, pose: Pose, look: np.ndarray | None, time_s: float) -> float:
        """How little a body suits the person, as a colour distance: by clothes and by place.

        Without a look, by how the body that the person was followed by looked lately.
        """
        seen = self.clothes.lately_lab if look is None else look
        apart = self.clothes.apart(seen) if self.clothes.known else np.nan
        jump = np.hypot(*(pose.next_crop.centre_px - self.expected_px(time_s)))
        clothes = float(apart) if np.isfinite(apart) else _CLEAR_LAB
        return clothes + _JUMP_LAB * float(jump) / self.crop.side_px


@dataclass(kw_only=True, eq=False)
class Body:
    """A body placed in a frame, who it is taken for, and its look (6,) where one was taken.

    ``doubtful`` bodies are followed, but what they do is put down to nobody.
    """

    pose: Pose
    owner: Followed
    look: np.ndarray | None = None
    doubtful: bool = False


def take_looks(picture_bgr: np.ndarray, bodies: Sequence[Body], time_s: float) -> None:
    """Note who is close to whom, and look at clothes: ten times a second, near others more."""
    for a, b in combinations(bodies, 2):
        if _close(a.pose.next_crop, b.pose.next_crop):
            a.owner.met_s = b.owner.met_s = time_s
    for body in bodies:
        owner = body.owner
        crowded = time_s - owner.met_s <= _AFTER_MEETING_S
        if time_s - owner.looked_s >= (_LOOK_OFTEN_S if crowded else _LOOK_EVERY_S):
            body.look = look_lab(picture_bgr, body.pose)
            owner.looked_s = time_s
            owner.clothes.note(body.look, alone=not crowded)


def settle(bodies: Sequence[Body], lost: Sequence[Followed], time_s: float) -> list[Body]:
    """Bodies with one owner each, by clothes and by where each owner was expected.

    Parameters
    ----------
    bodies
        Bodies of a frame, each with the owner whose crop it was found in.
    lost
        People lost a moment ago, who may own one of these bodies.
    time_s
        Time of the frame.

    Returns
    -------
    list of Body
        Each body once, each owner once; owners left over have no body in this frame.
    """
    alone = _without_doubles(bodies, time_s)
    for a, b in combinations(alone, 2):
        if _met(a.owner, b.owner, time_s) and _better_swapped(a, b):
            _swap(a, b)
    for body in alone:
        for other in lost:
            free = all(b.owner is not other for b in alone)
            if free and _met(body.owner, other, time_s) and _fits_better(body, other):
                other.clothes.lately_lab = body.owner.clothes.lately_lab
                other.met_s = time_s
                body.owner = other
    for body in alone:
        others = [b.owner for b in alone if b is not body] + list(lost)
        body.doubtful = any(
            _met(body.owner, o, time_s) and _looks_like(body, o) for o in others
        )
    return alone


def same_body(a: Pose, b: Pose) -> bool:
    """Whether two placements are of one body."""
    apart = np.linalg.norm(a.landmarks_px - b.landmarks_px, axis=1)[list(_TORSO)].mean()
    return float(apart) < _SAME * float(np.ptp(a.landmarks_px, axis=0).max())


def _close(a: Crop, b: Crop) -> bool:
    apart = np.hypot(*(a.centre_px - b.centre_px))
    return bool(apart < _CLOSE * max(a.side_px, b.side_px))


def _met(a: Followed, b: Followed, time_s: float) -> bool:
    """Whether both were close to somebody a moment ago and wear clothes that tell them apart."""
    return (
        time_s - min(a.met_s, b.met_s) <= _AFTER_MEETING_S
        and a.clothes.known
        and b.clothes.known
        and a.clothes.apart(b.clothes.known_lab) > _CLEAR_LAB
    )


def _without_doubles(bodies: Sequence[Body], time_s: float) -> list[Body]:
    alone: list[Body] = []

    def by_fit(body: Body) -> tuple[float, int]:
        return body.owner.misfit(body.pose, body.look, time_s), body.owner.person

    for body in sorted(bodies, key=by_fit):
        if not any(same_body(body.pose, other.pose) for other in alone):
            alone.append(body)
    return sorted(alone, key=lambda b: b.owner.person)


def _better_swapped(a: Body, b: Body) -> bool:
    first, second = a.owner.clothes, b.owner.clothes
    kept = first.apart(first.lately_lab) + second.apart(second.lately_lab)
    swapped = first.apart(second.lately_lab) + second.apart(first.lately_lab)
    return bool(swapped + 2 * _MARGIN_LAB < kept)


def _swap(a: Body, b: Body) -> None:
    first, second = a.owner, b.owner
    first.clothes.lately_lab, second.clothes.lately_lab = (
        second.clothes.lately_lab,
        first.clothes.lately_lab,
    )
    a.owner, b.owner = second, first


def _fits_better(body: Body, other: Followed) -> bool:
    lately = body.owner.clothes.lately_lab
    return bool(other.clothes.apart(lately) + _MARGIN_LAB < body.owner.clothes.apart(lately))


def _looks_like(body: Body, other: Followed) -> bool:
    if body.look is None:
        return False
    own = looks_apart(body.owner.clothes.known_lab, body.look)
    return bool(other.clothes.apart(body.look) + _MARGIN_LAB < own)
