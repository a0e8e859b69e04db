"""Made-up players, strokes and pictures for the tests of the brief."""

from dataclasses import replace
from datetime import UTC, date, datetime
from fractions import Fraction
from pathlib import Path

import numpy as np

from paddlebrief.brief.content import Provenance, SessionFacts, StrokePictures, build
from paddlebrief.records import (
    LANDMARKS,
    FootageInfo,
    FrameOfReference,
    Handedness,
    Kind,
    Measure,
    MeasuredStroke,
    PlayerRanking,
    RankedStroke,
    Side,
    Stroke,
)

HASH = "0123456789abcdef" * 4
MADE = datetime(2026, 5, 13, 3, 12, tzinfo=UTC)
REASON = "the hips were seen end-on"


def measures(shift: float = 0.0) -> tuple[Measure, ...]:
    image = FrameOfReference.IMAGE
    return (
        Measure(name="line_difference_at_load_deg", value=24 + shift, sd=2, unit="°", frame=image),
        Measure(
            name="hand_speed_bhps", value=5.5 + shift, sd=0.25, unit="body heights/s", frame=image
        ),
        Measure(
            name="head_speed_mps", value=10.0, sd=0.5, unit="m/s", frame=FrameOfReference.COURT
        ),
        Measure.missing("hip_line_at_load_deg", "°", image, REASON),
        Measure(name="made_up_measure", value=1.5, sd=0.1, unit="s", frame=FrameOfReference.TIME),
    )


def stroke(
    number: int,
    *,
    player: str = "A",
    side: Side = Side.FOREHAND,
    kind: Kind = Kind.DRIVE,
    recording: str = "court.mp4",
    shift: float = 0.0,
) -> MeasuredStroke:
    contact = 4.0 * number
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
            load_s=contact - 0.5,
            forward_s=contact - 0.3,
            contact_s=contact,
            contact_s_sd=0.01,
            finish_s=contact + 0.4,
        ),
        measures=measures(shift),
    )


def ranking(strokes: list[MeasuredStroke], *, best: int = 1, worst: int = 1) -> PlayerRanking:
    def ranked(one: MeasuredStroke, reason: str) -> RankedStroke:
        return RankedStroke(
            stroke=one,
            score=0.0,
            score_sd=0.1,
            score_own_sd=0.05,
            above_middle=0.9,
            reasons=(reason,),
        )

    first = strokes[0].stroke
    middle = [ranked(s, "The hand was slow at contact") for s in strokes]
    return PlayerRanking(
        player=first.player,
        kind=first.kind,
        side=first.side,
        best=tuple(ranked(s, "Every measure was inside its target") for s in strokes[:best]),
        worst=tuple(ranked(s, "The hand was slow at contact") for s in strokes[::-1][:worst]),
        order=tuple(replace(r, score=-0.25 * k) for k, r in enumerate(middle)),
    )


def info(name: str = "court.mp4", *, faults: tuple[str, ...] = ()) -> FootageInfo:
    return FootageInfo(
        path=Path("/club") / name,
        content_hash=HASH,
        width_px=1280,
        height_px=720,
        rotation_deg=0,
        frame_rate=Fraction(30),
        capture_rate=Fraction(120),
        capture_rate_source="session file",
        start_s=0.5,
        end_s=65.5,
        frames=1950,
        variable_rate=False,
        sound_rate_hz=None,
        faults=faults,
    )


def provenance() -> Provenance:
    return Provenance(
        version="9.8.7",
        made=MADE,
        settings_digest="d1g357",
        recordings={"court.mp4": HASH},
        models={"body.tflite": HASH[::-1]},
    )


def pictures(folder: Path, strokes: list[MeasuredStroke]) -> dict:
    """load.jpg and contact.jpg of the folder for each stroke, and no finish."""
    shown = StrokePictures(
        load=folder / "load.jpg",
        contact=folder / "contact.jpg",
        reasons={"finish": "the player left the view"},
    )
    return {(s.recording, s.stroke.number): shown for s in strokes}


def brief(strokes: list[MeasuredStroke], *, rankings=(), **changes):
    return build(
        **{
            "player": "A",
            "measured": strokes,
            "rankings": rankings,
            "session_facts": SessionFacts(
                date=date(2026, 5, 12), venue="Court 2", recordings=(info(),)
            ),
            "pictures": {},
            "notes": ("The ball was not looked for.",),
            "provenance": provenance(),
            **changes,
        }
    )


def body(*, at: tuple[float, float], height_px: float) -> np.ndarray:
    """(33, 2) landmarks of a figure that faces the camera, its middle at ``at``; only joints."""
    places = {
        "nose": (0, -0.42), "left_shoulder": (0.12, -0.3), "right_shoulder": (-0.12, -0.3),
        "left_elbow": (0.2, -0.12), "right_elbow": (-0.2, -0.12), "left_wrist": (0.22, 0.0),
        "right_wrist": (-0.3, -0.1), "left_hip": (0.07, 0.02), "right_hip": (-0.07, 0.02),
        "left_ankle": (0.08, 0.45), "right_ankle": (-0.08, 0.45),
    }  # fmt: skip
    points = np.full((len(LANDMARKS), 2), np.nan)
    for name, place in places.items():
        points[LANDMARKS.index(name)] = np.array(at) + np.array(place) * height_px
    return points
