"""Settings of the ball tracker."""

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["BallTrackSettings"]


class BallTrackSettings(BaseModel):
    """How candidates become tracks."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    min_score: float = Field(0.35, ge=0, le=1, description="score from which a candidate counts")
    weak_score: float = Field(
        0.12,
        ge=0,
        le=1,
        description="score from which a candidate counts where a sure flight leads",
    )
    still_px: float = Field(
        4.0, gt=0, description="candidates that stay within so many pixels do not move"
    )
    still_s: float = Field(
        1.2,
        gt=0,
        description="how long something stays in place to count as a lamp or dead ball, s",
    )
    max_speed_widths: float = Field(
        4.0, gt=0, description="fastest ball in the picture, picture widths a second"
    )
    min_points: int = Field(4, ge=4, description="fewest candidates of a flight")
    reach_s: float = Field(
        0.2, gt=0, description="longest time without a candidate within one arc, s on court"
    )
    reach_px: float = Field(
        16.0, gt=0, description="a gap ends the arc once the predicted place is less certain, px"
    )
    join_s: float = Field(
        0.35, gt=0, description="longest time between two flights of one track, s on court"
    )
    max_flights: int = Field(6, ge=1, description="most flights that are fitted together")
    drag_coefficient: float = Field(
        0.40, gt=0, le=0.8, description="drag coefficient of the ball, no unit (0.30 to 0.45 known)"
    )
    drag_coefficient_sd: float = Field(
        0.05, gt=0, description="standard uncertainty of the drag coefficient, no unit"
    )
    rim_speed_sd_mps: float = Field(
        4.0,
        gt=0,
        description="spread of the speed of the ball's rim from spin about each axis, m/s",
    )
    restitution: float = Field(
        0.64, gt=0, le=1, description="vertical speed after over before a bounce, no unit"
    )
    restitution_sd: float = Field(
        0.05, gt=0, description="spread of the restitution over balls and courts, no unit"
    )
