"""The paddle as a solid, and what it does to a ball.

Paddle frame: origin at the centre of the butt end, y along the long axis to the tip, z the normal
of the front face, x = y × z across. The front face is the palm's side; a forehand is hit with
it, a backhand with the back face.
"""

from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from paddlebrief.rehearsal.court_dimensions import (
    BALL_RADIUS_M,
    PADDLE_MAX_LENGTH_M,
    PADDLE_MAX_LENGTH_PLUS_WIDTH_M,
)

__all__ = ["PaddleSpec", "Struck", "rebound", "strike"]

SHELL_INERTIA = 2.0 / 3.0
"""Moment of inertia of a thin spherical shell over m r²."""


class PaddleSpec(BaseModel):
    """Size of a paddle and how its face returns a ball."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    length_m: float = Field(0.400, ge=0.30, description="Whole length, butt cap included (m).")
    width_m: float = Field(0.195, ge=0.15, description="Greatest width, edge guard included (m).")
    grip_length_m: float = Field(0.130, ge=0.08, le=0.20, description="Length of the handle (m).")
    thickness_m: float = Field(0.014, ge=0.008, le=0.025, description="Thickness of the face (m).")
    restitution: float = Field(
        0.42,
        ge=0.2,
        le=0.6,
        description=(
            "Apparent coefficient of restitution at the face centre: ball speed off a held "
            "paddle over its speed onto it (no unit). From memory: near 0.43 is the allowed most."
        ),
    )
    friction: float = Field(
        0.35, ge=0.0, le=1.0, description="Sliding friction of ball on face (no unit; a guess)."
    )

    @model_validator(mode="after")
    def _within_the_rules(self) -> "PaddleSpec":
        if self.length_m > PADDLE_MAX_LENGTH_M:
            raise ValueError(
                f"length_m {self.length_m} is over the rulebook's {PADDLE_MAX_LENGTH_M:.4f}"
            )
        if self.length_m + self.width_m > PADDLE_MAX_LENGTH_PLUS_WIDTH_M:
            raise ValueError(
                f"length_m + width_m {self.length_m + self.width_m:.3f} is over the rulebook's "
                f"{PADDLE_MAX_LENGTH_PLUS_WIDTH_M:.4f}"
            )
        return self

    @property
    def face_centre_m(self) -> np.ndarray:
        """(3,) middle of the hitting surface in the paddle frame, between the two faces."""
        return np.array([0.0, (self.grip_length_m + self.length_m) / 2, 0.0])

    @property
    def stand_off_m(self) -> float:
        """Distance from the paddle's middle plane to the ball's centre when they touch."""
        return self.thickness_m / 2 + BALL_RADIUS_M


@dataclass(frozen=True)
class Struck:
    """A ball after an impact.

    Attributes
    ----------
    velocity_mps, spin_radps
        (3,) each, in the frame of the inputs.
    slid
        True when the ball slid over the surface throughout the impact.
    """

    velocity_mps: np.ndarray
    spin_radps: np.ndarray
    slid: bool


def rebound(
    velocity_mps: np.ndarray,
    spin_radps: np.ndarray,
    *,
    normal: np.ndarray,
    restitution: float,
    friction: float,
) -> Struck:
    """Bounce of a thin shell off a surface at rest, with sliding or gripping friction.

    The normal speed returns times ``restitution``. Friction acts against the slip of the touching
    point until it grips (its tangential speed is then 0) or, when that takes more than
    ``friction`` times the normal impulse, all through the impact. Momentum form of the
    grip–slip bounce (Cross 2002, Am J Phys 70:1093–1102, from memory).

    Parameters
    ----------
    velocity_mps, spin_radps
        (3,) before the impact.
    normal
        (3,) unit vector out of the surface, towards the ball.
    restitution, friction
        No unit.

    Returns
    -------
    Struck
        A ball that moves away from the surface already is returned unchanged.
    """
    inward = float(velocity_mps @ normal)
    if inward >= 0:
        return Struck(velocity_mps.copy(), spin_radps.copy(), False)
    normal_impulse = -(1.0 + restitution) * inward
    arm = -BALL_RADIUS_M * normal
    slip = velocity_mps - inward * normal + np.cross(spin_radps, arm)
    speed = float(np.linalg.norm(slip))
    grip_impulse = speed * SHELL_INERTIA / (1.0 + SHELL_INERTIA)
    slid = grip_impulse > friction * normal_impulse
    tangential = min(grip_impulse, friction * normal_impulse)
    push = -tangential * slip / speed if speed > 0 else np.zeros(3)
    turn = np.cross(arm, push) / (SHELL_INERTIA * BALL_RADIUS_M**2)
    return Struck(velocity_mps + normal_impulse * normal + push, spin_radps + turn, slid)


def strike(
    velocity_mps: np.ndarray,
    spin_radps: np.ndarray,
    *,
    face_velocity_mps: np.ndarray,
    face_normal: np.ndarray,
    paddle: PaddleSpec,
) -> Struck:
    """Ball off a moving face: the `rebound` in the frame of the touched point.

    Parameters
    ----------
    velocity_mps, spin_radps
        (3,) of the incoming ball, court frame.
    face_velocity_mps
        (3,) velocity of the point of the face that is hit.
    face_normal
        (3,) unit normal of the hitting face, towards the ball.
    paddle
        Gives restitution and friction.

    Returns
    -------
    Struck
        The outgoing ball; unchanged when the face moves away faster than the ball comes.
    """
    relative = rebound(
        velocity_mps - face_velocity_mps,
        spin_radps,
        normal=face_normal,
        restitution=paddle.restitution,
        friction=paddle.friction,
    )
    return Struck(relative.velocity_mps + face_velocity_mps, relative.spin_radps, relative.slid)
