"""Settings of the paddle's pose: how freely it moves and how far the network is trusted."""

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["PaddleSettings"]


class PaddleSettings(BaseModel):
    """How a paddle's motion is fitted to what was seen of it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    before_s: float = Field(
        0.35, gt=0, le=2, description="stretch before contact that is fitted, seconds on court"
    )
    after_s: float = Field(
        0.20, gt=0, le=2, description="stretch after contact that is fitted, seconds on court"
    )
    turning_jerk: float = Field(
        2500.0,
        gt=0,
        description=(
            "wandering of the turning speed round the contact, square radians per cubic second: "
            "its variance grows by this much in a second"
        ),
    )
    moving_jerk: float = Field(
        150.0,
        gt=0,
        description=(
            "wandering of the hand's speed round the contact, square metres per cubic second: its "
            "variance grows by this much in a second"
        ),
    )
    calm_share: float = Field(
        0.2,
        gt=0,
        le=1,
        description="part of both wanderings that is left away from the contact (no unit)",
    )
    noise_scale: float = Field(
        0.8,
        gt=0,
        description="factor on the network's standard uncertainty of a keypoint (no unit)",
    )
    noise_s: float = Field(
        0.1,
        gt=0,
        description="time over which errors of keypoints look alike, seconds on court",
    )
