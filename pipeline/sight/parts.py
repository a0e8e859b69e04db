"""The product of sight on disk: parts of tracks and what is known of each person."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from paddlebrief.records import LANDMARKS, Track
from paddlebrief.store.files import written_whole
from paddlebrief.store.tracks import iter_tracks, read_tracks

__all__ = ["Person", "SightSummary", "TrackParts", "join_tracks"]


@dataclass(frozen=True, kw_only=True)
class Person:
    """What sight knows of one person.

    Attributes
    ----------
    person
        Number within the recording.
    start_s, end_s, frames
        Presentation times of the first and last sighting, and how many frames between.
    shirt_lab, legs_lab
        Median CIE L*a*b* colour of the trunk and of the thighs; three NaN when never sampled.
    """

    person: int
    start_s: float
    end_s: float
    frames: int
    shirt_lab: tuple[float, float, float]
    legs_lab: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class SightSummary:
    """Counts of one recording: frames looked at, repeated pictures, decode failures, people."""

    frames: int
    repeats: int
    failures: int
    people: tuple[Person, ...]


class TrackParts:
    """The finished folder of sight: ``part-00000.parquet`` …, ``looks.npz``, ``people.json``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def parts(self) -> list[Path]:
        """Part files in order of time."""
        return sorted(self.folder.glob("part-*.parquet"))

    def summary(self) -> SightSummary:
        """Counts and people."""
        raw = json.loads((self.folder / "people.json").read_text(encoding="utf-8"))
        people = tuple(
            Person(**{k: tuple(v) if isinstance(v, list) else v for k, v in p.items()})
            for p in raw.pop("people")
        )
        return SightSummary(**raw, people=people)

    def write_summary(self, summary: SightSummary) -> None:
        """Write ``people.json`` beside, then rename."""
        with written_whole(self.folder / "people.json") as beside:
            Path(beside).write_text(json.dumps(asdict(summary), indent=1), encoding="utf-8")

    def looks(self) -> dict[int, np.ndarray]:
        """(n, 7) by person: presentation time and CIE L*a*b* of shirt and legs then, NaN where
        out of view; empty when none were kept."""
        path = self.folder / "looks.npz"
        if not path.exists():
            return {}
        with np.load(path, allow_pickle=False) as stored:
            return {int(number): stored[number] for number in stored.files}

    def write_looks(self, looks: Mapping[int, np.ndarray]) -> None:
        """Write ``looks.npz`` beside, then rename."""
        with written_whole(self.folder / "looks.npz") as beside, beside.open("wb") as file:
            np.savez_compressed(file, **{str(number): rows for number, rows in looks.items()})

    def window(self, person: int, start_s: float, end_s: float) -> Track:
        """One person's track between two presentation times; without frames when unseen."""
        pieces = [
            piece
            for path in self.parts()
            for piece in iter_tracks(path, start_s=start_s, end_s=end_s, persons=[person])
        ]
        return join_tracks(person, pieces)

    def overlapping(self) -> Iterator[tuple[float, float, list[Track]]]:
        """Each part's span and its tracks with those of the parts just before and after.

        At most three parts are in memory, whatever the length of the recording.
        """
        parts = self.parts()
        spans = [_span(p) for p in parts]
        for at, (start_s, end_s) in enumerate(spans):
            near = parts[max(at - 1, 0) : at + 2]
            pieces = [t for path in near for t in read_tracks(path)]
            people = sorted({t.person for t in pieces})
            tracks = [join_tracks(p, [t for t in pieces if t.person == p]) for p in people]
            yield start_s, end_s, tracks


def join_tracks(person: int, pieces: list[Track]) -> Track:
    """Pieces of one person put together in order; an empty track when there are none."""
    n = len(LANDMARKS)
    if not pieces:
        return Track(
            person=person,
            frame=np.empty(0, int),
            time_s=np.empty(0),
            landmarks_px=np.empty((0, n, 2)),
            visibility=np.empty((0, n)),
            noise_px=np.full(n, np.nan),
        )
    return Track(
        person=person,
        frame=np.concatenate([p.frame for p in pieces]),
        time_s=np.concatenate([p.time_s for p in pieces]),
        landmarks_px=np.concatenate([p.landmarks_px for p in pieces]),
        visibility=np.concatenate([p.visibility for p in pieces]),
        noise_px=np.fmax.reduce([p.noise_px for p in pieces]),
    )


def _span(path: Path) -> tuple[float, float]:
    starts, ends = [np.inf], [-np.inf]
    for track in iter_tracks(path):
        starts.append(track.time_s[0])
        ends.append(track.time_s[-1])
    return min(starts), max(ends)
