"""Settings of the closer look: what is looked at, and how often."""

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["CloserSettings"]


class CloserSettings(BaseModel):
    """What is looked at around a stroke, and how often in a second."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    turns: bool = Field(True, description="read the turns of hips, shoulders and arms")
    paddle: bool = Field(True, description="look for the paddle")
    balls: bool = Field(True, description="look for the balls")
    turn_rate_hz: float = Field(
        40.0,
        gt=0,
        description="most frames a second on court from which turns are read, Hz",
    )
    ball_rate_hz: float = Field(
        65.0, gt=0, description="most frames a second on court searched for balls, Hz"
    )
