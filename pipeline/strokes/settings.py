"""Settings of the search for strokes."""

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["StrokeSettings"]


class StrokeSettings(BaseModel):
    """What counts as a stroke. Body heights (bh) stand in for metres while no court is solved."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    min_speed_bhps: float = Field(
        1.2,
        gt=0,
        description="least peak speed of the hand against the hips, body heights a second",
    )
    min_path_bh: float = Field(
        0.3, gt=0, description="least path of the hand in the burst, body heights"
    )
    min_speed_heard_bhps: float = Field(
        0.4,
        gt=0,
        description="the same for a motion with an impact heard during it, which a ball leaving "
        "the hand can make a stroke, body heights a second",
    )
    min_path_heard_bh: float = Field(
        0.06, gt=0, description="least path of the hand in such a motion, body heights"
    )
    min_strength: float = Field(
        2.2,
        gt=0,
        description="least peak speed × path × trunk share of a swing seen without a sound",
    )
    min_strength_ball: float = Field(
        1.0,
        gt=0,
        description="the same for a swing that a ball leaving the hand can make a stroke",
    )
    min_evidence_heard: float = Field(
        0.4,
        gt=0,
        description="least strength × loudness of a swing with an impact heard during it",
    )
    min_evidence_ball: float = Field(
        0.005,
        gt=0,
        description="least strength × loudness of a heard swing that a ball leaving the hand "
        "can make a stroke",
    )
    min_rise_db: float = Field(
        18.0, gt=0, description="least rise over the noise of an impact that counts as heard, dB"
    )
    sound_reach_s: float = Field(
        0.15, gt=0, description="how far the hand's own timing may be from the sound, s on court"
    )
    burst_s: float = Field(
        0.3, gt=0, description="half length of the burst around the peak, s on court"
    )
    min_burst_frames: int = Field(6, ge=3, description="frames with a seen hand that a burst needs")
    min_apart_s: float = Field(
        0.1, gt=0, description="least time between two speed peaks of a hand, s on court"
    )
    stroke_apart_s: float = Field(
        0.7, gt=0, description="least time between two strokes of one player, s on court"
    )
    backswing_s: float = Field(
        0.9, gt=0, description="how long before contact the load is looked for, s on court"
    )
    finish_s: float = Field(
        0.9, gt=0, description="how long after contact the finish is looked for, s on court"
    )
    still_share: float = Field(
        0.2, gt=0, lt=1, description="share of peak hand speed below which the hand counts as still"
    )
    max_gap_s: float = Field(
        0.12, gt=0, description="longest gap in a track that is bridged, s on court"
    )
    unheard_sd_s: float = Field(
        0.035,
        gt=0,
        description="standard error of a contact timed by the hand alone, "
        "before frame and burst width, s on court",
    )
    heard_sd_s: float = Field(
        0.008, gt=0, description="standard error of a contact timed by its sound, s on court"
    )
    unsure_below: float = Field(
        0.65, gt=0.34, lt=1, description="a side or kind less probable than this is called unsure"
    )
