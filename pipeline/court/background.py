"""Stretches in which the camera stands still, and the picture of each without its people."""

import logging
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from scipy.stats import trim_mean

from paddlebrief.court.movement import Movement, movement_between
from paddlebrief.footage import frame_times, open_frames
from paddlebrief.media import OPEN_OPTIONS, source_url
from paddlebrief.records import FootageInfo, Track

__all__ = ["Boxes", "Sample", "Still", "median_picture", "people_boxes", "read_samples", "stills"]

logger = logging.getLogger(__name__)

LARGEST_PX = 1920
LEAD_IN_FRAMES = 5  # the reader decodes this many frames before the first one it gives
LONGEST_DECODE_FRAMES = 900
MEDIAN_FRAMES = 21
LEAST_SAMPLES = 3
DRIFT_SHARE = 0.004  # of the picture's width: 5 pixels of 1280; more is another place
REJOIN_GROUPS = 4
BISECTIONS = 6
PERSON_MARGIN = 0.18

Boxes = Callable[[float], np.ndarray]
"""Gives (k, 4) left, top, right, bottom of the people at a presentation time, pixels."""


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One picture looked at: presentation time and (h, w, 3) uint8, at most 1920 pixels wide.

    ``scale`` is its width over the recording's.
    """

    time_s: float
    picture_bgr: np.ndarray
    scale: float


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
    samples
        How many pictures it was seen in.
    """

    start_s: float
    end_s: float
    picture_bgr: np.ndarray | None
    scale: float
    shake_px: float
    drift_px: float
    samples: int


def read_samples(info: FootageInfo, most: int) -> list[Sample]:
    """Pictures spread over a recording, where they are cheap to decode.

    Key frames first; between them as many others as the decoding of about 900 pictures allows.
    """
    times = frame_times(info.path)
    keys = _key_frames(info, times)
    wanted = {min(int(k) + LEAD_IN_FRAMES, len(times) - 1) for k in _spread(keys, most)}
    gap = len(times) / max(len(keys), 1)
    budget = LONGEST_DECODE_FRAMES
    for index in _between(sorted(wanted), len(times)):
        cost = index - keys[np.searchsorted(keys, index, side="right") - 1] if len(keys) else index
        budget -= cost
        if len(wanted) >= min(most, MEDIAN_FRAMES) or budget < 0:
            break
        wanted.add(index)
    logger.debug("%s: key frames every %.0f, %d samples", info.path, gap, len(wanted))
    samples = []
    for index in sorted(wanted):
        picture = _picture_at(info, float(times[index]))
        if picture is not None:
            samples.append(picture)
    return samples


def _spread(items: np.ndarray, most: int) -> np.ndarray:
    if len(items) <= most:
        return items
    return items[np.round(np.linspace(0, len(items) - 1, most)).astype(int)]


def _between(taken: Sequence[int], count: int) -> Iterator[int]:
    """Frames that halve the widest gaps, widest first."""
    edges = [0, *taken, count - 1]
    gaps = sorted({(b - a, a) for a, b in pairwise(edges) if b - a > 1}, reverse=True)
    while gaps:
        width, start = gaps.pop(0)
        middle = start + width // 2
        yield middle
        for part in ((middle - start, start), (start + width - middle, middle)):
            if part[0] > 8:
                gaps.append(part)
        gaps.sort(reverse=True)


def _key_frames(info: FootageInfo, times: np.ndarray) -> np.ndarray:
    """Indices of frames that can be decoded on their own, by their packets."""
    import av

    found = []
    try:
        with av.open(source_url(info.path), options=dict(OPEN_OPTIONS)) as container:
            stream = container.streams.video[0]
            for packet in container.demux(stream):
                if packet.is_keyframe and packet.pts is not None and packet.size:
                    found.append(float(packet.pts * packet.time_base))
    except av.FFmpegError as error:
        logger.debug("%s: key frames end early: %s", info.path, error)
    places = np.searchsorted(times, np.array(sorted(found)) - 1e-6)
    return np.unique(places[places < len(times)])


def _picture_at(info: FootageInfo, time_s: float) -> Sample | None:
    with open_frames(info.path, start_s=time_s - 1e-6) as frames:
        frame = next(iter(frames), None)
    if frame is None:
        return None
    picture = frame.picture_bgr
    scale = min(1.0, LARGEST_PX / max(picture.shape[:2]))
    if scale < 1:
        picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return Sample(time_s=frame.time_s, picture_bgr=picture, scale=scale)


def people_boxes(tracks: Sequence[Track]) -> Boxes:
    """Boxes of tracked people with a margin, at any time; none where nobody is followed."""

    def at(time_s: float) -> np.ndarray:
        boxes = []
        for track in tracks:
            if not len(track.time_s):
                continue
            nearest = int(np.argmin(np.abs(track.time_s - time_s)))
            marks = track.landmarks_px[nearest]
            if abs(track.time_s[nearest] - time_s) > 0.2 or np.isnan(marks).all():
                continue
            low, high = np.nanmin(marks, axis=0), np.nanmax(marks, axis=0)
            margin = PERSON_MARGIN * (high[1] - low[1])
            boxes.append([*(low - margin), *(high + margin)])
        return np.array(boxes).reshape(-1, 4)

    return at


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
            groups.append(_Group({number: Movement(np.eye(2, 3), 0.0)}))
    return groups


def _settled(members: dict[int, Movement], samples: Sequence[Sample]) -> list[dict]:
    """Split a group where the picture's mean place changes by more than shake explains."""
    numbers = list(members)
    if len(numbers) < 2 * LEAST_SAMPLES:
        return [members]
    places = np.array([_corner_places(members[n].onto, samples[n]) for n in numbers])
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


def _corner_places(onto: np.ndarray, sample: Sample) -> np.ndarray:
    """(8,) where a (2, 3) map puts the four corners."""
    height, width = sample.picture_bgr.shape[:2]
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], float)
    return (corners @ onto[:, :2].T + onto[:, 2]).ravel()


def _centred(members: dict[int, Movement], samples: Sequence[Sample]) -> dict:
    """The same movements onto the middle of all; the member nearest to it comes first."""
    numbers = list(members)
    places = np.array([_corner_places(members[n].onto, samples[n]) for n in numbers])
    first = numbers[int(np.argmin(np.linalg.norm(places - np.median(places, axis=0), axis=1)))]
    middle = trim_mean([members[n].onto for n in numbers], 0.1, axis=0)
    back = cv2.invertAffineTransform(middle)
    out = {}
    for number in (first, *(n for n in numbers if n != first)):
        onto = back @ np.vstack([members[number].onto, [0, 0, 1]])
        out[number] = Movement(onto, members[number].size_px)
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
    picture = None
    if len(part) >= LEAST_SAMPLES:
        picture = median_picture([(samples[n], m.onto) for n, m in part.items()], boxes)
    steady = shifts - shifts.mean(axis=0)
    third = max(1, len(shifts) // 3)
    drift = np.median(shifts[-third:], axis=0) - np.median(shifts[:third], axis=0)
    return Still(
        start_s=samples[numbers[0]].time_s,
        end_s=samples[numbers[-1]].time_s,
        picture_bgr=picture,
        scale=scale,
        shake_px=float(np.sqrt(np.mean(steady**2))) if len(part) > 1 else 0.0,
        drift_px=float(np.linalg.norm(drift)),
        samples=len(part),
    )


def _shift(movement: Movement, sample: Sample) -> np.ndarray:
    """(2,) movement of the picture's middle."""
    height, width = sample.picture_bgr.shape[:2]
    middle = np.array([width, height]) / 2
    return movement.onto[:, :2] @ middle + movement.onto[:, 2] - middle


def median_picture(placed: Sequence[tuple[Sample, np.ndarray]], boxes: Boxes | None) -> np.ndarray:
    """(h, w, 3) uint8 median of pictures after their movements, people left out.

    A pixel that people cover throughout keeps an arbitrary one of its values.
    """
    chosen = [placed[i] for i in _spread(np.arange(len(placed)), MEDIAN_FRAMES)]
    height, width = chosen[0][0].picture_bgr.shape[:2]
    stack = np.empty((len(chosen), height, width, 3), np.uint8)
    for number, (sample, onto) in enumerate(chosen):
        picture = sample.picture_bgr
        if boxes is not None:
            picture = picture.copy()
            for box in boxes(sample.time_s) * sample.scale:
                left, top, right, bottom = np.clip(box, 0, [width, height, width, height])
                # As many covered values below the median as above it leave it unmoved.
                picture[int(top) : int(bottom), int(left) : int(right)] = 255 * (number % 2)
        if np.abs(_corner_places(onto, sample) - _corner_places(np.eye(2, 3), sample)).max() < 0.1:
            stack[number] = picture
        else:
            stack[number] = cv2.warpAffine(
                picture, onto, (width, height), flags=cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )  # fmt: skip
    return np.partition(stack, len(chosen) // 2, axis=0)[len(chosen) // 2]


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
        sample = _picture_at(info, middle)
        movement = sample and movement_between(reference.picture_bgr, sample.picture_bgr)
        if movement is not None and movement.size_px <= limit:
            inside = middle
        else:
            outside = middle
    return inside
