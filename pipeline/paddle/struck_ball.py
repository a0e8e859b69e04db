"""What the ball's flights say of the face that struck it.

The ball leaves with a push along the face's normal and one across it, by friction. A thin shell
that grips the face ends without slip: the push across takes 2/5 of the slip away, and the ball
leaves with the spin with which its touching point moves as the face does (momentum form of the
grip–slip bounce, Cross 2002, Am J Phys 70:1093–1102, from memory). So the ball's velocities tell
where the face pointed only together with how it moved along itself, and the spin of the flights,
which bends them, tells the two apart. Along the normal, ball and face part at the restitution times
the speed at which they met, which gives the face's speed.
"""

from dataclasses import dataclass, field

import numpy as np

from paddlebrief.ball import BallTrack, BreakKind
from paddlebrief.ball.flight import LIFT_DOUBT, drag_per_m, fly_many
from paddlebrief.paddle.turning import cross_matrix

__all__ = ["BallAtHit", "StruckBall", "ball_at_hit"]

_GRIP_SHARE = 0.4  # (2/3) / (1 + 2/3), a thin shell
_RESTITUTION, _FRICTION = 0.42, 0.35  # apparent ones of a held paddle (from memory; a guess)
_RESTITUTION_SD = 0.06  # between paddles, and of hits away from the middle (a guess)
_ACROSS_SHARE = 0.05  # of the ball's change of velocity: what the grip leaves open (a guess)
_GRIPS_MPS = 1.0  # slip that may be left, or overdone, when the ball leaves (a guess)
_OFF_MIDDLE_M = 0.04  # of hits from the middle of the face (a guess)
_USUAL_TURNING_RADPS = 20.0
_ROLLS_MPS = 1.0  # rim's speed after a bounce against that of rolling (a guess)
_UNKNOWN_RIM_MPS = 4.0  # of the rim's speed about each axis, where no flight tells (a guess)


def _unknown_spin() -> np.ndarray:
    return _UNKNOWN_RIM_MPS**2 * np.eye(3)


@dataclass(frozen=True, kw_only=True)
class BallAtHit:
    """A ball just before and just after a paddle struck it, court frame.

    Attributes
    ----------
    incoming_mps, outgoing_mps
        (3,) velocities.
    covariance
        (3, 3) of their difference, square metres per square second.
    incoming_rim_mps, outgoing_rim_mps
        (3,) spin as the speed of the ball's rim along the axis, before and after.
    incoming_rim_covariance, outgoing_rim_covariance
        (3, 3) of each; wide where the flight does not tell.
    """

    incoming_mps: np.ndarray
    outgoing_mps: np.ndarray
    covariance: np.ndarray
    incoming_rim_mps: np.ndarray = field(default_factory=lambda: np.zeros(3))
    outgoing_rim_mps: np.ndarray = field(default_factory=lambda: np.zeros(3))
    incoming_rim_covariance: np.ndarray = field(default_factory=_unknown_spin)
    outgoing_rim_covariance: np.ndarray = field(default_factory=_unknown_spin)

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

    def turned(self, rotation: np.ndarray) -> "BallAtHit":
        """The same in the frame into which a (3, 3) rotation leads."""
        return BallAtHit(
            incoming_mps=rotation @ self.incoming_mps,
            outgoing_mps=rotation @ self.outgoing_mps,
            covariance=rotation @ self.covariance @ rotation.T,
            incoming_rim_mps=rotation @ self.incoming_rim_mps,
            outgoing_rim_mps=rotation @ self.outgoing_rim_mps,
            incoming_rim_covariance=rotation @ self.incoming_rim_covariance @ rotation.T,
            outgoing_rim_covariance=rotation @ self.outgoing_rim_covariance @ rotation.T,
        )


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
    rims = [(f.rim_mps, f.covariance[6:9, 6:9] + _lift_doubt(f.rim_mps)) for f in sides]
    if sides[0].start.kind is BreakKind.BOUNCE:
        # A ball that gripped the court rolls off it: its spin is known better than by its flight.
        rims[0] = np.array([-incoming[1], incoming[0], 0.0]), _ROLLS_MPS**2 * np.eye(3)
    return BallAtHit(
        incoming_mps=incoming,
        outgoing_mps=outgoing,
        covariance=covariance,
        incoming_rim_mps=rims[0][0],
        incoming_rim_covariance=rims[0][1],
        outgoing_rim_mps=rims[1][0],
        outgoing_rim_covariance=rims[1][1],
    )


def _lift_doubt(rim_mps: np.ndarray) -> np.ndarray:
    """(3, 3) what the unknown lift leaves open of a spin."""
    return LIFT_DOUBT**2 * float(rim_mps @ rim_mps) * np.eye(3)


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

    def misfit_mps(self, normal: np.ndarray, face_mps: np.ndarray) -> np.ndarray:
        """(7,) what a face leaves unexplained: of the push across it (3), of the velocity of the
        ball's touching point when it leaves (3), and of the speed along the normal.

        Parameters
        ----------
        normal
            (3,) unit normal of the hitting face, towards the ball.
        face_mps
            (3,) velocity of the face's middle just before the hit.
        """
        ball, change = self.ball, self.change_mps
        along = np.eye(3) - np.outer(normal, normal)
        slip = along @ (ball.incoming_mps - np.cross(ball.incoming_rim_mps, normal) - face_mps)
        size = float(np.linalg.norm(slip))
        most = _FRICTION * abs(float(change @ normal))
        share = _GRIP_SHARE if _GRIP_SHARE * size <= most else most / size
        leaving = along @ (ball.outgoing_mps - np.cross(ball.outgoing_rim_mps, normal) - face_mps)
        after, before = ball.outgoing_mps @ normal, ball.incoming_mps @ normal
        needed = (after + _RESTITUTION * before) / (1 + _RESTITUTION)
        return np.concatenate(
            [along @ change + share * slip, leaving, [needed - face_mps @ normal]]
        )

    def covariance(self) -> np.ndarray:
        """(7, 7) of `misfit_mps` for the true face."""
        ball, size = self.ball, float(np.linalg.norm(self.change_mps))
        way = self.change_mps / size
        spun = cross_matrix(way)
        off_middle = (_USUAL_TURNING_RADPS * _OFF_MIDDLE_M) ** 2
        before, after = float(ball.incoming_mps @ way), float(ball.outgoing_mps @ way)
        out = np.zeros((7, 7))
        out[:3, :3] = (
            ball.covariance
            + _GRIP_SHARE**2 * (spun @ ball.incoming_rim_covariance @ spun.T)
            + ((_ACROSS_SHARE * size) ** 2 + _GRIP_SHARE**2 * off_middle) * np.eye(3)
        )
        out[3:6, 3:6] = (
            ball.covariance
            + spun @ ball.outgoing_rim_covariance @ spun.T
            + (_GRIPS_MPS**2 + off_middle) * np.eye(3)
        )
        out[6, 6] = (
            ((before - after) * _RESTITUTION_SD / (1 + _RESTITUTION) ** 2) ** 2
            + way @ ball.covariance @ way / (1 + _RESTITUTION) ** 2
            + off_middle
        )
        return out
