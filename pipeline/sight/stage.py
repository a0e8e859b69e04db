"""The stage's verb: watch a recording and leave tracks in parts, so that a kill loses one part."""

import json
import logging
from collections import defaultdict
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np

from paddlebrief.footage import open_frames, read_ahead
from paddlebrief.pose_net import Crop, PoseNet
from paddlebrief.records import FootageInfo, Track
from paddlebrief.sight.crowd import Followed
from paddlebrief.sight.looks import Clothes
from paddlebrief.sight.parts import Person, SightSummary, TrackParts
from paddlebrief.sight.sides import settle_sides
from paddlebrief.sight.tracker import Observation, SightSettings, Tracker
from paddlebrief.smoothing import residual_noise, smooth_paths
from paddlebrief.store.files import written_whole
from paddlebrief.store.tracks import write_tracks

__all__ = ["watch"]

log = logging.getLogger(__name__)

PART_S = 30.0  # seconds of playback a part: what a kill can cost at most
LOOK_EVERY_S = 0.25  # of clothes that are kept


@dataclass(kw_only=True)
class _Seen:
    """Running facts on one person."""

    start_s: float
    end_s: float
    frames: int = 0
    looks: list[list[float]] = field(default_factory=list)
    last_px: list | None = None


@dataclass(kw_only=True)
class _State:
    """Everything needed to go on after the last finished part."""

    part: int = 0
    last_s: float | None = None
    next_person: int = 0
    searched_s: float = -np.inf
    frames: int = 0
    repeats: int = 0
    failures: int = 0
    followed: list[Followed] = field(default_factory=list)
    lost: list[Followed] = field(default_factory=list)
    seen: dict[int, _Seen] = field(default_factory=dict)


def watch(
    info: FootageInfo,
    *,
    net: PoseNet,
    settings: SightSettings,
    folder: Path,
    progress: Callable[[float], None] = lambda share: None,
) -> TrackParts:
    """Follow everybody through a recording and write their tracks under ``folder``.

    Landmarks are written with left and right settled and otherwise as seen; a frame in which a
    person is not found, or whose picture only repeats the one before, has no row. Each track
    carries the noise of its smoothed landmarks. Parts finished by an earlier, killed call are
    kept and gone on from, with the same result as an undisturbed call.

    Parameters
    ----------
    info
        The recording.
    net, settings
        The pose network and how to use it.
    folder
        Work folder; on return it holds the parts, ``looks.npz`` and ``people.json``.
    progress
        Called now and then with the share done, 0 to 1.
    """
    folder.mkdir(parents=True, exist_ok=True)
    state = _load_state(folder)
    tracker = Tracker(
        net,
        settings,
        followed=state.followed,
        lost=state.lost,
        next_person=state.next_person,
        searched_s=state.searched_s,
    )
    span = max(info.end_s - info.start_s, 1e-9)
    rows: dict[int, list] = defaultdict(list)
    with open_frames(info.path, start_s=state.last_s) as frames:
        for frame in read_ahead(frames):
            if state.last_s is not None:
                if frame.time_s <= state.last_s:
                    continue
                if _part(frame.time_s, info) > _part(state.last_s, info):
                    _finish_part(folder, state, tracker, rows, info, settings)
            state.frames += 1
            state.last_s = frame.time_s
            if frame.repeat:
                state.repeats += 1
                continue
            for seen in tracker.step(frame.picture_bgr, frame.time_s):
                rows[seen.person].append((frame.index, frame.time_s, seen))
                _note(state, seen, frame.time_s)
            progress(min((frame.time_s - info.start_s) / span, 1.0))
        state.failures += frames.failures
    _finish_part(folder, state, tracker, rows, info, settings)
    parts = TrackParts(folder)
    parts.write_looks({n: np.array(s.looks) for n, s in state.seen.items() if s.looks})
    parts.write_summary(_summary(state))
    (folder / "state.json").unlink()
    return parts


def _part(time_s: float, info: FootageInfo) -> int:
    return int((time_s - info.start_s) // PART_S)


def _note(state: _State, seen: Observation, time_s: float) -> None:
    person = state.seen.setdefault(seen.person, _Seen(start_s=time_s, end_s=-np.inf))
    person.end_s = time_s
    person.frames += 1
    last_s = person.looks[-1][0] if person.looks else -np.inf
    if seen.look_lab is not None and time_s - last_s >= LOOK_EVERY_S:
        person.looks.append([time_s, *map(float, seen.look_lab)])


def _finish_part(
    folder: Path,
    state: _State,
    tracker: Tracker,
    rows: dict[int, list],
    info: FootageInfo,
    settings: SightSettings,
) -> None:
    tracks = [
        _track(p, rows[p], state.seen[p], slow_factor=info.slow_factor, settings=settings)
        for p in sorted(rows)
    ]
    if tracks:
        write_tracks(folder / f"part-{state.part:05d}.parquet", tracks)
        state.part += 1
    rows.clear()
    state.followed, state.lost = tracker.followed, tracker.lost
    state.next_person, state.searched_s = tracker.next_person, tracker.searched_s
    with written_whole(folder / "state.json") as beside:
        Path(beside).write_text(json.dumps(_plain(state)), encoding="utf-8")


def _track(
    person: int, rows: list, seen: _Seen, *, slow_factor: float, settings: SightSettings
) -> Track:
    time = np.array([t for _, t, _ in rows])
    raw = np.stack([o.landmarks_px for _, _, o in rows])
    before = None if seen.last_px is None else np.array(seen.last_px)
    settled, swapped = settle_sides(raw, time, before)
    seen.last_px = settled[-1].tolist()
    smooth = smooth_paths(settled, time / slow_factor, cutoff_hz=settings.cutoff_hz)
    noise = np.hypot(*residual_noise(settled, smooth).T) / np.sqrt(2)
    log.debug("person %d: %d arm and %d leg swaps", person, *swapped.sum(axis=0))
    return Track(
        person=person,
        frame=np.array([i for i, _, _ in rows]),
        time_s=time,
        landmarks_px=settled,
        visibility=np.stack([o.visibility for _, _, o in rows]),
        noise_px=noise,
    )


def _summary(state: _State) -> SightSummary:
    return SightSummary(
        frames=state.frames,
        repeats=state.repeats,
        failures=state.failures,
        people=tuple(
            Person(
                person=number,
                start_s=s.start_s,
                end_s=s.end_s,
                frames=s.frames,
                shirt_lab=_middle(s.looks, slice(1, 4)),
                legs_lab=_middle(s.looks, slice(4, 7)),
            )
            for number, s in sorted(state.seen.items())
        ),
    )


def _middle(looks: list[list[float]], part: slice) -> tuple[float, float, float]:
    known = np.array(looks, float).reshape(-1, 7)[:, part]
    known = known[np.isfinite(known).all(axis=1)]
    return tuple(np.median(known, axis=0).tolist()) if len(known) else (np.nan,) * 3


def _plain(state: _State) -> dict:
    people = {
        name: [_plain_followed(f) for f in getattr(state, name)] for name in ("followed", "lost")
    }
    counts = {
        name: getattr(state, name)
        for name in ("part", "last_s", "next_person", "searched_s", "frames", "repeats", "failures")
    }
    return {**counts, **people, "seen": {str(n): asdict(s) for n, s in state.seen.items()}}


def _plain_followed(followed: Followed) -> dict:
    plain = asdict(followed)
    for part in (plain, plain["crop"], plain["clothes"]):
        part.update({k: v.tolist() for k, v in part.items() if isinstance(v, np.ndarray)})
    return plain


def _followed(plain: dict) -> Followed:
    parts = {
        part: {k: np.array(v) if isinstance(v, list) else v for k, v in plain.pop(part).items()}
        for part in ("crop", "clothes")
    }
    arrays = {name: np.array(plain.pop(name)) for name in ("drift_px_s", "marks_px")}
    return Followed(
        crop=Crop(**parts["crop"]), clothes=Clothes(**parts["clothes"]), **arrays, **plain
    )


def _load_state(folder: Path) -> _State:
    path = folder / "state.json"
    if not path.is_file():
        return _State()
    raw = json.loads(path.read_text(encoding="utf-8"))
    for name in ("followed", "lost"):
        raw[name] = [_followed(f) for f in raw[name]]
    raw["seen"] = {int(n): _Seen(**s) for n, s in raw["seen"].items()}
    log.info("going on after %.1f s of playback", raw["last_s"])
    return _State(**raw)
