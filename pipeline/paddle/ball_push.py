"""What the ball's change of velocity says of the face that struck it.

A ball leaves with an impulse along the face's normal, turned by friction against the slip of the
ball over the face. A thin shell that grips stops slipping after 2/5 of its slip; a ball that
slides is pushed by the friction coefficient times the normal impulse (momentum form of the
grip–slip bounce, Cross 2002, Am J Phys 70:1093–1102, from memory). Along the normal, ball and
face part at the restitution times the speed at which they met, which gives the face's speed.
"""

from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.ball import BallTrack, BreakKind
from paddlebrief.ball.flight import drag_per_m, fly_many
from paddlebrief.paddle.fit import Fitted
from paddlebrief.paddle.motion import Evidence
from paddlebrief.paddle.size import face_middle_m

__all__ = ["BallAtHit", "StruckBall", "ball_at_hit"]

_GRIP_SHARE = 0.4  # (2/3) / (1 + 2/3), a thin shell
_RESTITUTION, _FRICTION = 0.42, 0.35  # apparent ones of a held paddle (from memory; a guess)
_RESTITUTION_SD = 0.06  # between paddles, and of hits away from the middle (a guess)
_OFF_MIDDLE_M = 0.04  # of hits from the middle of the face (a guess)
_USUAL_TURNING_RADPS = 20.0
_UNCORRECTED_RAD = 0.15  # the turn by friction, when the slip is not known
_CORRECTED_RAD = 0.08  # what coefficients, spin and the fitted velocity leave open (a guess)


@dataclass(frozen=True, kw_only=True)
class BallAtHit:
    """A ball just before and just after a paddle struck it, court frame.

    Attributes
    ----------
    incoming_mps, outgoing_mps
        (3,) velocities.
    covariance
        (3, 3) of their difference, square metres per square second.
    """

    incoming_mps: np.ndarray
    outgoing_mps: np.ndarray
    covariance: np.ndarray

    @property
    def face_speed_mps(self) -> float:
        """Speed that a face square to the push must have had, from the usual restitution; 0 where
        the ball's velocity did not change."""
        push = self.outgoing_mps - self.incoming_mps
        size = float(np.linalg.norm(push))
        if size == 0:
            return 0.0
        after, before = self.outgoing_mps @ push / size, self.incoming_mps @ push / size
        return float((after + _RESTITUTION * before) / (1 + _RESTITUTION))


def ball_at_hit(track: BallTrack, flight: int, *, drag_coefficient: float) -> BallAtHit | None:
    """The ball at the hit from which a flight starts.

    Parameters
    ----------
    track, flight
        As ``ball.find_shot`` gives them.
    drag_coefficient
        As the track was fitted with.

    Returns
    -------
    BallAtHit or None
        None when the flight does not start with a hit, or the court was not solved.
    """
    if not track.in_court or flight == 0 or track.flights[flight].start.kind is not BreakKind.HIT:
        return None
    hit_s = track.flights[flight].start.time_s
    sides = track.flights[flight - 1 : flight + 1]
    flown = fly_many(
        np.array([f.position_m for f in sides]),
        np.array([f.velocity_mps for f in sides]),
        drag=np.full(2, drag_per_m(drag_coefficient)),
        rim=np.array([f.rim_mps for f in sides]),
        span_s=np.array([hit_s - f.anchor_s for f in sides]),
    )
    incoming, outgoing = flown.velocity_mps[-1]
    covariance = sum(f.covariance[3:6, 3:6] for f in sides)
    if not np.isfinite([*incoming, *outgoing, *np.ravel(covariance)]).all():
        return None
    return BallAtHit(incoming_mps=incoming, outgoing_mps=outgoing, covariance=covariance)


@dataclass(frozen=True, kw_only=True)
class StruckBall:
    """A ball at a hit in the camera frame, and the face that struck it.

    Attributes
    ----------
    ball
        In the camera frame.
    face_sign
        1 when the front face struck it, −1 the back face.
    """

    ball: BallAtHit
    face_sign: int

    @property
    def change_mps(self) -> np.ndarray:
        """(3,) change of the ball's velocity."""
        return self.ball.outgoing_mps - self.ball.incoming_mps

    def known(self, evidence: Evidence) -> Evidence:
        """The evidence with the push as it is, its turn by friction being open."""
        return self._with(evidence, self.change_mps, _UNCORRECTED_RAD, _USUAL_TURNING_RADPS)

    def against(self, fit: Fitted, evidence: Evidence) -> Evidence:
        """The evidence with the turn by friction taken out, by the face's fitted velocity."""
        state, k = fit.state, fit.kick
        arm = face_middle_m(state.log_size) * state.rotation[k][:, 1]
        face_mps = state.speed[k] + np.cross(state.turning[k], arm)
        normal = self.face_sign * state.rotation[k][:, 2]
        relative = self.ball.incoming_mps - face_mps
        inward = -float(relative @ normal)
        slip = relative + inward * normal
        size = float(np.linalg.norm(slip))
        if inward <= 0 or size == 0:
            return evidence
        turn = min(_FRICTION, _GRIP_SHARE * size / ((1 + _RESTITUTION) * inward))
        change = self.change_mps
        straight = change + np.linalg.norm(change) * turn * slip / size
        turning = float(np.linalg.norm(state.turning[k]))
        return self._with(evidence, straight, _CORRECTED_RAD, turning)

    def _with(
        self, evidence: Evidence, way: np.ndarray, friction_rad: float, turning_radps: float
    ) -> Evidence:
        way = way / np.linalg.norm(way)
        across = (np.eye(3) - np.outer(way, way)) / np.linalg.norm(self.change_mps)
        covariance = across @ self.ball.covariance @ across + friction_rad**2 * np.eye(3)
        speed, speed_sd = self._face_speed(way, turning_radps)
        return replace(
            evidence,
            push=self.face_sign * way,
            push_covariance=covariance,
            blow_mps=speed * way,
            blow_sd_mps=speed_sd,
        )

    def _face_speed(self, way: np.ndarray, turning_radps: float) -> tuple[float, float]:
        """Speed of the face's middle along a unit vector before the hit, and its uncertainty."""
        before, after = float(self.ball.incoming_mps @ way), float(self.ball.outgoing_mps @ way)
        parts = [
            (before - after) * _RESTITUTION_SD / (1 + _RESTITUTION) ** 2,
            np.sqrt(way @ self.ball.covariance @ way) / (1 + _RESTITUTION),
            turning_radps * _OFF_MIDDLE_M,
        ]
        speed = (after + _RESTITUTION * before) / (1 + _RESTITUTION)
        return speed, float(np.linalg.norm(parts))
