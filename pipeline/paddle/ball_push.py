"""What the ball's change of velocity says of the face that struck it.

A ball leaves with an impulse along the face's normal, turned by friction against the slip of the
ball over the face. A thin shell that grips stops slipping after 2/5 of its slip; a ball that
slides is pushed by the friction coefficient times the normal impulse (momentum form of the
grip–slip bounce, Cross 2002, Am J Phys 70:1093–1102, from memory).
"""

from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.paddle.fit import Evidence, Fitted
from paddlebrief.paddle.size import face_middle_m

__all__ = ["StruckBall"]

_GRIP_SHARE = 0.4  # (2/3) / (1 + 2/3), a thin shell
_RESTITUTION, _FRICTION = 0.42, 0.35  # apparent ones of a held paddle (from memory; a guess)
_UNCORRECTED_RAD = 0.15  # the turn by friction, when the slip is not known
_CORRECTED_RAD = 0.06  # what the coefficients and the ball's spin leave open (a guess)


@dataclass(frozen=True, kw_only=True)
class StruckBall:
    """A ball before and after an impact, camera frame.

    Attributes
    ----------
    incoming_mps, outgoing_mps
        (3,) velocities.
    sd_mps
        Standard uncertainty of a component of their difference.
    face_sign
        1 when the front face struck it, −1 the back face.
    """

    incoming_mps: np.ndarray
    outgoing_mps: np.ndarray
    sd_mps: float
    face_sign: int

    @property
    def push(self) -> np.ndarray:
        """(3,) unit vector of the change of velocity, as a normal of the front face."""
        change = self.outgoing_mps - self.incoming_mps
        return self.face_sign * change / np.linalg.norm(change)

    @property
    def push_sd(self) -> float:
        """Standard uncertainty of the face's normal against it, radians."""
        return self._doubt(_UNCORRECTED_RAD)

    def against(self, fit: Fitted, evidence: Evidence) -> Evidence:
        """The evidence with the turn by friction taken out, by the face's fitted velocity."""
        state, k = fit.state, fit.kick
        arm = face_middle_m(state.log_size) * state.rotation[k][:, 1]
        face_mps = state.speed[k] + np.cross(state.turning[k], arm)
        normal = self.face_sign * state.rotation[k][:, 2]
        relative = self.incoming_mps - face_mps
        inward = -float(relative @ normal)
        slip = relative + inward * normal
        size = float(np.linalg.norm(slip))
        if inward <= 0 or size == 0:
            return evidence
        turn = min(_FRICTION, _GRIP_SHARE * size / ((1 + _RESTITUTION) * inward))
        straight = self.push + self.face_sign * turn * slip / size
        return replace(
            evidence,
            push=straight / np.linalg.norm(straight),
            push_sd=self._doubt(_CORRECTED_RAD),
        )

    def _doubt(self, friction_rad: float) -> float:
        change = float(np.linalg.norm(self.outgoing_mps - self.incoming_mps))
        return float(np.hypot(friction_rad, self.sd_mps / change))
