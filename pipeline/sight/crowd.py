"""Whose body is whose, where people come close to each other in the picture."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from paddlebrief.pose_net import Crop, Pose
from paddlebrief.sight.looks import Clothes, look_lab, looks_apart

__all__ = ["Body", "Followed", "foot_px", "in_front", "is_ghost", "settle", "take_looks"]

_TORSO = (11, 12, 23, 24)
_FEET = (27, 28, 29, 30, 31, 32)
_CLOSE = 0.45  # of a crop's side between the middles of two bodies
_NEARER = 0.02  # of a body's height between the feet of one who stands nearer and its own
_SAME, _GHOST = 0.12, 0.2  # of a body's size between trunks: one body
_LEVEL = 0.05  # of a body's size between feet: neither stands in front
_HIDDEN = 0.2  # of a body's size between trunks: the one behind is guessed from the one in front
_INSIDE = 0.75  # share of landmarks within another body's outline
_UPRIGHT = 0.5  # cosine of the lean from which somebody found anew counts: 60 degrees
_GOES_ON_S, _DRIFT_S, _STAND_S = 0.5, 0.25, 0.5
_LOOK_EVERY_S, _LOOK_OFTEN_S = 0.1, 0.025
_AFTER_MEETING_S = 1.5  # a mistake made while two were close is found out within this time
_AFTER_COVERING_S = 0.5
_CLEAR_LAB = 15.0  # clothes that differ by less tell nobody apart
_MARGIN_LAB = 14.0  # by how much another's clothes must fit a body better than its owner's
_STRANGER_LAB = 30.0  # clothes that differ by more are another's
_UNKNOWN_S = 1.0  # one whose clothes are not known is taken for the same within this time
_NEAR, _STRAYS_PER_S = 0.4, 0.3  # of a crop's side, where one lost is looked for again
_OTHER_SIZE = 1.43
_BEHIND_LAB = 10.0
_JUMP_LAB = 60.0  # a jump by a whole crop counts like this colour distance


@dataclass(kw_only=True, eq=False)
class Followed:
    """A person being followed.

    Attributes
    ----------
    person
        Number within the recording.
    crop, marks_px
        Where to look in the next frame, and the landmarks (33, 2) of the last one.
    born_s, seen_s
        Times of the first and the last sighting.
    foot_px
        How far down the body reached in the picture over the last half second: of two on one floor
        the lower one stands in front.
    drift_px_s
        (2,) how the crop's middle moved while nobody was near, pixels a second.
    looked_s, sought_s
        When the clothes were last looked at, and when the person, lost, was last looked for.
    met_s, covered_s
        When somebody was last close by in the picture, and last covered the trunk from in front.
    clothes
        What the person wears.
    """

    person: int
    crop: Crop
    marks_px: np.ndarray
    born_s: float
    seen_s: float
    foot_px: float
    drift_px_s: np.ndarray = field(default_factory=lambda: np.zeros(2))
    looked_s: float = -np.inf
    sought_s: float = -np.inf
    met_s: float = -np.inf
    covered_s: float = -np.inf
    clothes: Clothes = field(default_factory=Clothes)

    def expected_px(self, time_s: float) -> np.ndarray:
        """(2,) where the crop's middle would be, going on as before for half a second."""
        return self.crop.centre_px + self.drift_px_s * min(time_s - self.seen_s, _GOES_ON_S)

    def move(self, pose: Pose, time_s: float) -> None:
        """Go on from a pose seen at a time."""
        crop = pose.next_crop
        since_s = time_s - self.seen_s
        if since_s > 0 and time_s > self.covered_s:
            share = 1 - np.exp(-since_s / _DRIFT_S)
            now = (crop.centre_px - self.crop.centre_px) / since_s
            self.drift_px_s = self.drift_px_s + share * (now - self.drift_px_s)
        self.foot_px += (1 - np.exp(-since_s / _STAND_S)) * (foot_px(pose) - self.foot_px)
        self.crop, self.marks_px, self.seen_s = crop, pose.landmarks_px, time_s

    def may_be(self, pose: Pose, look: np.ndarray, time_s: float) -> bool:
        """Whether a body found anew can be this person: as near, as large and so dressed."""
        crop = pose.next_crop
        since_s = time_s - self.seen_s
        reach_px = (_NEAR + _STRAYS_PER_S * since_s) * self.crop.side_px
        apart = self.clothes.apart(look) if self.clothes.known else np.nan
        return bool(
            (self.clothes.known or since_s <= _UNKNOWN_S)
            and np.hypot(*(crop.centre_px - self.expected_px(time_s))) < reach_px
            and 1 / _OTHER_SIZE < crop.side_px / self.crop.side_px < _OTHER_SIZE
            and not apart > _STRANGER_LAB
        )

    def misfit(self, pose: Pose, look: np.ndarray | None, time_s: float) -> float:
        """How little a body suits the person, as a colour distance: by clothes and by place.

        Without a look, by how the body that the person was followed by looked lately. Somebody whose
        clothes are not known yet suits a body as little as a stranger.
        """
        seen = self.clothes.lately_lab if look is None else look
        apart = self.clothes.apart(seen) if self.clothes.known else np.nan
        jump = np.hypot(*(pose.next_crop.centre_px - self.expected_px(time_s)))
        clothes = float(apart) if np.isfinite(apart) else _STRANGER_LAB
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


def foot_px(pose: Pose) -> float:
    """How far down a body reaches in the picture."""
    return float(pose.landmarks_px[list(_FEET), 1].max())


def in_front(person: Followed, people: Sequence[Followed]) -> list[Followed]:
    """Those who may cover a person: close by in the picture, and standing nearer."""
    size = float(np.ptp(person.marks_px[:, 1]))
    return [
        other
        for other in people
        if other is not person
        and _apart(person.crop, other.crop) < _CLOSE
        and other.foot_px > person.foot_px + _NEARER * size
    ]


def take_looks(picture_bgr: np.ndarray, bodies: Sequence[Body], time_s: float) -> None:
    """Note who is close to whom, and look at clothes: ten times a second, near others more."""
    for a, b in combinations(bodies, 2):
        if _apart(a.pose.next_crop, b.pose.next_crop) < _CLOSE:
            a.owner.met_s = b.owner.met_s = time_s
            front, rear = sorted((a, b), key=lambda body: -body.owner.foot_px)
            if _covers(front.pose, rear.pose):
                rear.owner.covered_s = time_s
    for body in bodies:
        owner = body.owner
        crowded = time_s - owner.met_s <= _AFTER_MEETING_S
        if time_s - owner.looked_s >= (_LOOK_OFTEN_S if crowded else _LOOK_EVERY_S):
            body.look = look_lab(picture_bgr, body.pose)
            owner.looked_s = time_s
            owner.clothes.note(body.look, alone=time_s - owner.covered_s > _AFTER_COVERING_S)


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
                _take_over(other, body.owner)
                other.met_s = time_s
                body.owner = other
    for body in alone:
        others = [b.owner for b in alone if b is not body] + list(lost)
        body.doubtful = any(_met(body.owner, o, time_s) and _looks_like(body, o) for o in others)
    return alone


def is_ghost(new: Pose, old: Pose) -> bool:
    """Whether a body found anew is what is left of one that is followed and was painted over.

    Somebody behind another is of use only where the trunk and most else show beside it; what is
    left of a body lies within its outline, and is often taken for one that lies or hangs.
    """
    low, high = old.landmarks_px.min(axis=0), old.landmarks_px.max(axis=0)
    inside = np.all((new.landmarks_px > low) & (new.landmarks_px < high), axis=1).mean()
    return bool(
        inside > _INSIDE
        or np.cos(new.next_crop.turn_rad) < _UPRIGHT
        or _trunks_apart(new, old) < _GHOST * max(_size(new), _size(old))
    )


def _same_body(a: Pose, b: Pose) -> bool:
    """Whether two placements are of one body: at one place, or so near that two bodies on one
    floor would have to stand in each other."""
    apart, size = _trunks_apart(a, b), _size(a)
    level = abs(foot_px(a) - foot_px(b)) < _LEVEL * size
    return apart < (_HIDDEN if level else _SAME) * size


def _trunks_apart(a: Pose, b: Pose) -> float:
    apart = np.linalg.norm(a.landmarks_px - b.landmarks_px, axis=1)
    return float(apart[list(_TORSO)].mean())


def _size(pose: Pose) -> float:
    return float(np.ptp(pose.landmarks_px, axis=0).max())


def _covers(front: Pose, rear: Pose) -> bool:
    """Whether some of the trunk behind lies within the outline of the body in front."""
    low, high = front.landmarks_px.min(axis=0), front.landmarks_px.max(axis=0)
    trunk = rear.landmarks_px[list(_TORSO)]
    return bool(np.any(np.all((trunk > low) & (trunk < high), axis=1)))


def _apart(a: Crop, b: Crop) -> float:
    """Distance between the middles of two bodies, in sides of the larger crop."""
    return float(np.hypot(*(a.centre_px - b.centre_px))) / max(a.side_px, b.side_px)


def _met(a: Followed, b: Followed, time_s: float) -> bool:
    """Whether both were close to somebody a moment ago and wear clothes that tell them apart."""
    return (
        time_s - min(a.met_s, b.met_s) <= _AFTER_MEETING_S
        and a.clothes.known
        and b.clothes.known
        and a.clothes.apart(b.clothes.known_lab) > _CLEAR_LAB
    )


def _without_doubles(bodies: Sequence[Body], time_s: float) -> list[Body]:
    """One of each group that is one body, and nobody who is hidden behind another."""
    owners = [b.owner for b in bodies]
    front = {b: in_front(b.owner, owners) for b in bodies}

    def by_fit(body: Body) -> tuple[float, int]:
        # where two are one, the network has seen the one in front
        misfit = body.owner.misfit(body.pose, body.look, time_s)
        return misfit + (_BEHIND_LAB if front[body] else 0.0), body.owner.person

    alone: list[Body] = []
    for body in sorted(bodies, key=by_fit):
        hidden = any(
            other.owner in front[body]
            and _trunks_apart(body.pose, other.pose) < _HIDDEN * _size(other.pose)
            for other in bodies
        )
        if not hidden and not any(_same_body(body.pose, other.pose) for other in alone):
            alone.append(body)
    return sorted(alone, key=lambda b: b.owner.person)


def _better_swapped(a: Body, b: Body) -> bool:
    first, second = a.owner.clothes, b.owner.clothes
    kept = first.apart(first.lately_lab) + second.apart(second.lately_lab)
    swapped = first.apart(second.lately_lab) + second.apart(first.lately_lab)
    return bool(swapped + 2 * _MARGIN_LAB < kept)


def _swap(a: Body, b: Body) -> None:
    first, second = a.owner, b.owner
    lately, foot = first.clothes.lately_lab, first.foot_px
    _take_over(first, second)
    second.clothes.lately_lab, second.foot_px = lately, foot
    a.owner, b.owner = second, first


def _take_over(owner: Followed, former: Followed) -> None:
    """Give an owner what belongs to the body rather than to its former owner."""
    owner.clothes.lately_lab, owner.foot_px = former.clothes.lately_lab, former.foot_px


def _fits_better(body: Body, other: Followed) -> bool:
    lately = body.owner.clothes.lately_lab
    return bool(other.clothes.apart(lately) + _MARGIN_LAB < body.owner.clothes.apart(lately))


def _looks_like(body: Body, other: Followed) -> bool:
    if body.look is None:
        return False
    own = looks_apart(body.owner.clothes.known_lab, body.look)
    return bool(other.clothes.apart(body.look) + _MARGIN_LAB < own)
