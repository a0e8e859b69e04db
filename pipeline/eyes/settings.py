"""Settings of the eyes: which weights, how sure to be, on how many threads."""

from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["BallNetSettings", "EyeSettings", "PaddleNetSettings"]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PaddleNetSettings(_Part):
    """The network that finds a paddle near a hand."""

    weights: Path | None = Field(
        None,
        description=(
            "weights of your own with the shipped network's outputs, .onnx or an ultralytics .pt; "
            "left out: the package's"
        ),
    )
    min_score: float = Field(
        0.15,
        gt=0,
        lt=1,
        description=(
            "least probability of a paddle, 0 to 1 (no unit); a stroke's paddle counts only when "
            "it reaches 0.55 in three frames"
        ),
    )
    reach: float = Field(
        0.1,
        gt=0,
        le=0.5,
        description="farthest handle from the hand, in body heights (no unit)",
    )


class BallNetSettings(_Part):
    """The network that finds flying balls in the middle one of five frames."""

    weights: Path | None = Field(
        None,
        description=(
            "weights of your own with the shipped network's outputs, .onnx or an ultralytics .pt; "
            "left out: the package's"
        ),
    )
    min_score: float = Field(
        0.12,
        gt=0,
        lt=1,
        description=(
            "least probability of a ball, 0 to 1 (no unit); unsure ones count only where a sure "
            "flight leads, see ball.min_score"
        ),
    )
    long_side_px: int = Field(
        1280,
        ge=320,
        le=3840,
        description="longer side of the frames that are looked at; larger ones are shrunk, pixels",
    )
    most: int = Field(40, ge=1, le=500, description="most candidates kept in a frame (count)")


class EyeSettings(_Part):
    """Both networks and where they run."""

    paddle: PaddleNetSettings = PaddleNetSettings()
    ball: BallNetSettings = BallNetSettings()
    threads: int = Field(2, ge=1, le=64, description="processor threads at work on a recording (count)")
    backend: Literal["auto", "onnx", "torch"] = Field(
        "auto",
        description="auto: torch where there is a GPU, else ONNX Runtime; or one of the two",
    )
