"""Stretches in which the camera stands still, and the picture of each without its people."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.stats import trim_mean

from paddlebrief.court.camera import View
from paddlebrief.court.movement import Movement, movement_between
from paddlebrief.court.samples import MEDIAN_FRAMES, Boxes, Sample, picture_at, spread
from paddlebrief.court.sway import Sway, about_middle, assumed_view, turn_of, turned_px, unturned
from paddlebrief.records import FootageInfo

__all__ = ["Still", "steadied", "stills"]

LEAST_SAMPLES = 3
DRIFT_SHARE = 0.004  # of the picture's width: 5 pixels of 1280; more is another place
REJOIN_GROUPS = 4
BISECTIONS = 6
STEADY_FROM_PX = 0.4
STEADIED_SHARE = 0.8  # of the samples must be explained by turns
MOST_LEFT_PX = 0.8
RAYLEIGH_MEDIAN = 1.1774  # of a distance whose coordinates have standard deviation 1


@dataclass(frozen=True, kw_only=True)
class Still:
    """A stretch in which the camera stands still.

    Attributes
    ----------
    start_s, end_s
        Presentation times; the camera is at its place for ``start_s <= t <= end_s``.
    picture_bgr
        Median of its samples, brought to the middle of their places; None when there are too few.
    shake_px
        Standard deviation of the picture's movement about its middle, pixels of the recording.
    drift_px
        Movement from the first sample to the last, pixels of the recording.
    seen
        The pictures it was seen in, with their movements.
    sway
        The camera's turns in those pictures about the place of ``picture_bgr``; None where it
        hardly moves or where turns do not explain how it moves.
    covered
        (h, w) bool, where people stood in all of the pictures that the median is of; None where
        they are not known.
    """

    start_s: float
    end_s: float
    picture_bgr: np.ndarray | None
    scale: float
    shake_px: float
    drift_px: float
    seen: tuple[tuple[Sample, Movement], ...] = ()
    sway: Sway | None = None
    covered: np.ndarray | None = None


@dataclass
class _Group:
    """Samples that match one reference, by their number, with their movements onto it."""

    members: dict[int, Movement]

    @property
    def reference(self) -> int:
        return next(iter(self.members))


def stills(info: FootageInfo, samples: Sequence[Sample], boxes: Boxes | None) -> list[Still]:
    """Split samples where the camera moves, and take the median of each part.

    Shake is no movement: a part ends where the picture's mean place changes for good.

    Parameters
    ----------
    info
        The recording.
    samples
        In order of time.
    boxes
        Where people are, to leave them out; None when that is not known.

    Returns
    -------
    list of Still
        In order of time; empty without samples. Where samples match none of the others, a part
        of their own without a picture says so.
    """
    groups = _matching(samples)
    parts: list[dict[int, Movement]] = []
    for group in groups:
        parts += _settled(group.members, samples)
    placed = [_centred(part, samples) for part in parts]
    out = []
    for part in placed:
        still = _still(part, samples, boxes)
        for run in _runs(part, placed):
            ends = {"start_s": samples[run[0]].time_s, "end_s": samples[run[-1]].time_s}
            out.append((run[0], replace(still, **ends), samples[next(iter(part))]))
    out.sort(key=lambda item: item[0])
    return _with_ends(info, [still for _, still, _ in out], [ref for _, _, ref in out])


def _matching(samples: Sequence[Sample]) -> list[_Group]:
    groups: list[_Group] = []
    for number, sample in enumerate(samples):
        for group in reversed(groups[-REJOIN_GROUPS:]):
            movement = movement_between(samples[group.reference].picture_bgr, sample.picture_bgr)
            if movement is not None:
                group.members[number] = movement
                break
        else:
            groups.append(_Group({number: Movement.none()}))
    return groups


def _settled(members: dict[int, Movement], samples: Sequence[Sample]) -> list[dict]:
    """Split a group where the picture's mean place changes by more than shake explains."""
    numbers = list(members)
    if len(numbers) < 2 * LEAST_SAMPLES:
        return [members]
    places = np.array([_corner_places(members[n].onto, samples[n].picture_bgr) for n in numbers])
    width = samples[numbers[0]].picture_bgr.shape[1]
    best, at = 0.0, 0
    for cut in range(LEAST_SAMPLES, len(numbers) - LEAST_SAMPLES + 1):
        first, second = places[:cut], places[cut:]
        gap = np.median(first, axis=0) - np.median(second, axis=0)
        spread = np.concatenate([first - np.median(first, axis=0),
                                 second - np.median(second, axis=0)])  # fmt: skip
        scatter = 1.4826 * np.median(np.linalg.norm(spread.reshape(-1, 2), axis=1))
        # The mean of n shaken places is known to scatter / √n.
        unsure = scatter * np.sqrt(1 / cut + 1 / (len(numbers) - cut))
        size = float(np.sqrt(np.mean(np.sum(gap.reshape(-1, 2) ** 2, axis=1))))
        excess = size / max(DRIFT_SHARE * width, 4 * unsure, 1.5 * scatter)
        if excess > best:
            best, at = excess, cut
    if best <= 1:
        return [members]
    halves = [{n: members[n] for n in part} for part in (numbers[:at], numbers[at:])]
    return [piece for half in halves for piece in _settled(half, samples)]


def _corner_places(onto: np.ndarray, picture: np.ndarray) -> np.ndarray:
    """(8,) where a (2, 3) map puts the four corners."""
    height, width = picture.shape[:2]
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], float)
    return (corners @ onto[:, :2].T + onto[:, 2]).ravel()


def _centred(members: dict[int, Movement], samples: Sequence[Sample]) -> dict:
    """The same movements onto the middle of all; the member nearest to it comes first."""
    numbers = list(members)
    places = np.array([_corner_places(members[n].onto, samples[n].picture_bgr) for n in numbers])
    first = numbers[int(np.argmin(np.linalg.norm(places - np.median(places, axis=0), axis=1)))]
    middle = trim_mean([members[n].onto for n in numbers], 0.1, axis=0)
    back = cv2.invertAffineTransform(middle)
    out = {}
    for number in (first, *(n for n in numbers if n != first)):
        onto = back @ np.vstack([members[number].onto, [0, 0, 1]])
        out[number] = replace(members[number], onto=onto)
    return out


def _runs(part: dict[int, Movement], parts: Sequence[dict]) -> list[list[int]]:
    """Numbers of a part's samples, cut where a longer part lies between; short ones are bridged."""
    solid = {n for other in parts if other is not part and len(other) >= LEAST_SAMPLES
             for n in other}  # fmt: skip
    runs: list[list[int]] = []
    for number in sorted(part):
        if runs and not any(n in solid for n in range(runs[-1][-1] + 1, number)):
            runs[-1].append(number)
        else:
            runs.append([number])
    bridged = len(part) < LEAST_SAMPLES and any(
        min(other) < min(part) and max(other) > max(part) for other in parts
        if len(other) >= LEAST_SAMPLES
    )  # fmt: skip
    return [] if bridged else runs


def _still(part: dict[int, Movement], samples: Sequence[Sample], boxes: Boxes | None) -> Still:
    scale = samples[0].scale
    numbers = sorted(part)
    shifts = np.array([_shift(part[n], samples[n]) for n in numbers]) / scale
    steady = shifts - shifts.mean(axis=0)
    third = max(1, len(shifts) // 3)
    drift = np.median(shifts[-third:], axis=0) - np.median(shifts[:third], axis=0)
    still = Still(
        start_s=samples[numbers[0]].time_s,
        end_s=samples[numbers[-1]].time_s,
        picture_bgr=None,
        scale=scale,
        shake_px=float(np.sqrt(np.mean(steady**2))) if len(part) > 1 else 0.0,
        drift_px=float(np.linalg.norm(drift)),
        seen=tuple((samples[n], m) for n, m in part.items()),
    )
    if len(part) < LEAST_SAMPLES:
        return still
    if still.shake_px > STEADY_FROM_PX:
        height, width = samples[0].picture_bgr.shape[:2]
        turned = steadied(still, assumed_view((width, height)), boxes)
        if turned is not None:
            return turned
    members = [(sample, movement.onto) for sample, movement in still.seen]
    picture, covered = _median(members, _shifted, boxes)
    return replace(still, picture_bgr=picture, covered=covered)


def steadied(still: Still, view: View, boxes: Boxes | None) -> Still | None:
    """The same stretch with its pictures turned onto their middle through a known lens.

    Returns
    -------
    Still or None
        None where turns of the camera do not explain the movement.
    """
    found = [(sample, turn_of(movement, view)) for sample, movement in still.seen]
    found = sorted(((s, t) for s, t in found if t is not None), key=lambda item: item[0].time_s)
    if len(found) < max(LEAST_SAMPLES, STEADIED_SHARE * len(still.seen)):
        return None
    left = float(np.nanmedian([turn.left_px for _, turn in found])) / RAYLEIGH_MEDIAN
    if left > MOST_LEFT_PX:
        return None
    turns = about_middle([turn.turn_rad for _, turn in found])
    members = [(sample, turn) for (sample, _), turn in zip(found, turns, strict=True)]
    picture, covered = _median(members, lambda whole, turn: unturned(whole, view, turn), boxes)
    time_s = np.array([sample.time_s for sample, _ in found])
    return replace(
        still,
        picture_bgr=picture,
        covered=covered,
        shake_px=_shake_px(turns, view) / still.scale,
        sway=Sway(time_s=time_s, turn_rad=turns, left_px=left / still.scale),
    )


def _shake_px(turns_rad: np.ndarray, view: View) -> float:
    """Root mean square movement of a coordinate, all over the picture."""
    width, height = view.size_px
    x, y = np.meshgrid(np.linspace(0, width - 1, 3), np.linspace(0, height - 1, 3))
    places = np.stack([x, y], axis=-1)
    shifts = [turned_px(places, view, turn) - places for turn in turns_rad]
    return float(np.sqrt(np.nanmean(np.square(shifts))))


def _shift(movement: Movement, sample: Sample) -> np.ndarray:
    """(2,) movement of the picture's middle."""
    height, width = sample.picture_bgr.shape[:2]
    middle = np.array([width, height]) / 2
    return movement.onto[:, :2] @ middle + movement.onto[:, 2] - middle


def _median(
    members: Sequence[tuple[Sample, np.ndarray]],
    brought: Callable[[np.ndarray, np.ndarray], np.ndarray],
    boxes: Boxes | None,
) -> tuple[np.ndarray, np.ndarray | None]:
    """(h, w, 3) uint8 median of pictures brought to one place, people left out, and (h, w) where
    they stood throughout: a pixel there keeps an arbitrary one of its values."""
    chosen = [members[i] for i in spread(np.arange(len(members)), MEDIAN_FRAMES)]
    stack, covered = [], None
    for number, (sample, place) in enumerate(chosen):
        picture = sample.picture_bgr
        if boxes is not None:
            people = _people(sample, boxes)
            # As many bright as dark ones leave a median unmoved.
            picture = np.where(people[..., None], np.uint8(255 * (number % 2)), picture)
            there = brought(people.astype(np.uint8), place) > 0
            covered = there if covered is None else covered & there
        stack.append(brought(picture, place))
    return np.partition(np.stack(stack), len(chosen) // 2, axis=0)[len(chosen) // 2], covered


def _people(sample: Sample, boxes: Boxes) -> np.ndarray:
    """(h, w) where people are in a sample."""
    height, width = sample.picture_bgr.shape[:2]
    there = np.zeros((height, width), bool)
    for box in boxes(sample.time_s) * sample.scale:
        left, top, right, bottom = np.clip(box, 0, [width, height, width, height]).astype(int)
        there[top:bottom, left:right] = True
    return there


def _shifted(picture: np.ndarray, onto: np.ndarray) -> np.ndarray:
    if np.abs(_corner_places(onto, picture) - _corner_places(np.eye(2, 3), picture)).max() < 0.1:
        return picture
    height, width = picture.shape[:2]
    return cv2.warpAffine(
        picture, onto, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )


def _with_ends(info: FootageInfo, parts: list[Still], references: list[Sample]) -> list[Still]:
    """Bring the ends of neighbouring stretches close to where the camera really moved."""
    if not parts:
        return []
    out = [replace(parts[0], start_s=info.start_s)]
    for k in range(1, len(parts)):
        before, after = out[-1], parts[k]
        end, start = before.end_s, after.start_s
        if before.picture_bgr is not None and after.picture_bgr is not None:
            end = _edge(info, before, references[k - 1], inside=end, outside=start)
            start = _edge(info, after, references[k], inside=start, outside=end)
        out[-1] = replace(before, end_s=end)
        out.append(replace(after, start_s=start))
    out[-1] = replace(out[-1], end_s=info.end_s)
    return out


def _edge(
    info: FootageInfo, still: Still, reference: Sample, *, inside: float, outside: float
) -> float:
    """Time up to which the camera is where it was in ``reference``, by halving."""
    limit = DRIFT_SHARE * reference.picture_bgr.shape[1] + 4 * still.shake_px * still.scale
    for _ in range(BISECTIONS):
        if abs(outside - inside) < 2 * info.frame_interval_s * info.slow_factor:
            break
        middle = (inside + outside) / 2
        sample = picture_at(info, middle)
        movement = sample and movement_between(reference.picture_bgr, sample.picture_bgr)
        if movement is not None and movement.size_px <= limit:
            inside = middle
        else:
            outside = middle
    return inside
