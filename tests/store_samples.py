"""Made-up recordings, strokes and runs for the tests of the records."""

import hashlib
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import numpy as np

from paddlebrief.records import (
    FootageInfo,
    FrameOfReference,
    Handedness,
    Kind,
    Measure,
    MeasuredStroke,
    Side,
    Stroke,
)
from paddlebrief.store import RunRecord, RunStatus

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


def footage(path: str = "/club/one.mp4", *, content: str = "") -> FootageInfo:
    return FootageInfo(
        path=Path(path),
        content_hash=hashlib.sha256((path + content).encode()).hexdigest(),
        width_px=1280,
        height_px=720,
        rotation_deg=90,
        frame_rate=Fraction(30000, 1001),
        capture_rate=Fraction(240),
        capture_rate_source="session file",
        start_s=0.1,
        end_s=12.3,
        frames=367,
        variable_rate=True,
        sound_rate_hz=None,
        faults=("breaks off at 12.3 s",),
    )


def run_of(info: FootageInfo, status: RunStatus = RunStatus.DONE, message: str = "") -> RunRecord:
    return RunRecord(
        recording_path=info.path,
        recording_hash=info.content_hash,
        started_at=NOON,
        finished_at=NOON,
        code_version="0.1.0",
        settings_digest="0" * 8,
        status=status,
        message=message,
    )


def stroke(
    number: int = 1,
    player: str = "A",
    *measures: Measure,
    recording: str = "one.mp4",
    kind: Kind = Kind.DRIVE,
    side: Side = Side.FOREHAND,
) -> MeasuredStroke:
    return MeasuredStroke(
        recording=recording,
        stroke=Stroke(
            number=number,
            person=0,
            player=player,
            hand=Handedness.RIGHT,
            side=side,
            side_probability=0.9,
            kind=kind,
            kind_probabilities={Kind.DRIVE: 0.7, Kind.SLICE: 0.2, Kind.OTHER: 0.1},
            load_s=3600 + number,
            forward_s=3600.1 + number,
            contact_s=3600.2 + number,
            contact_s_sd=0.01,
            finish_s=3600.3 + number,
        ),
        measures=measures,
    )


def hip_turn(
    value: float, *, sd: float = 2.0, frame: FrameOfReference = FrameOfReference.COURT
) -> Measure:
    return Measure(name="hip_turn_deg", value=value, sd=sd, unit="°", frame=frame)


def random_strokes(rng: np.random.Generator, count: int) -> list[MeasuredStroke]:
    """Strokes with any legal content, numbers given as numpy scalars as the stages give them."""
    return [_random_stroke(rng, number) for number in range(1, count + 1)]


def _random_stroke(rng: np.random.Generator, number: int) -> MeasuredStroke:
    load, forward, contact, finish = np.sort(rng.uniform(0, 1e4, 4))
    probabilities = rng.dirichlet([1, 1, 1])
    return MeasuredStroke(
        recording="Übung 1.mp4",
        stroke=Stroke(
            number=np.int64(number),
            person=int(rng.integers(4)),
            player=str(rng.choice(["A", "B", "Zoë", "李"])),
            hand=Handedness(rng.choice(list(Handedness))),
            side=Side(rng.choice(list(Side))),
            side_probability=rng.uniform(),
            kind=Kind(rng.choice(list(Kind))),
            kind_probabilities=dict(
                zip((Kind.DRIVE, Kind.SLICE, Kind.OTHER), probabilities, strict=True)
            ),
            load_s=load,
            forward_s=forward,
            contact_s=contact,
            contact_s_sd=rng.lognormal(-5),
            finish_s=finish,
            heard=bool(rng.integers(2)),
        ),
        measures=tuple(_random_measure(rng, name) for name in rng.permutation(list("cab"))),
    )


def _random_measure(rng: np.random.Generator, name: str) -> Measure:
    frame = FrameOfReference(rng.choice(list(FrameOfReference)))
    if rng.uniform() < 0.3:
        return Measure.missing(str(name), "°", frame, "hidden; behind the net – 50 %")
    return Measure(
        name=str(name),
        value=np.float32(rng.normal() * 10.0 ** rng.integers(-8, 8)),
        sd=1 + rng.lognormal(),
        shared_sd=rng.uniform(),
        unit="m/s",
        frame=frame,
    )
