"""What is known of two flights where they meet, as linear rows on their states there."""

from dataclasses import dataclass

import numpy as np

from paddlebrief.ball.flight import BALL_RADIUS_M
from paddlebrief.ball.records import BreakKind
from paddlebrief.ball.settings import BallTrackSettings

__all__ = ["KEPT_SHARE", "KEPT_SHARE_SD", "Tie", "make_tie"]

KEPT_SHARE, KEPT_SHARE_SD = 0.78, 0.15
"""Share of its level speed that a ball keeps in a bounce: 3/5 where it grips without spin, more
where it slides or has topspin (thin shell; Cross 2002, Am J Phys 70:1093–1102, from memory)."""
_MEET_SD_M = {BreakKind.BOUNCE: 0.005}
_MEET_ELSE_SD_M = 0.02
"""A paddle holds a ball for a few milliseconds, a few centimetres of its way."""
_GROUND_SD_M = 0.002
_NET_SD_M = 0.06
_HIT_HEIGHT_M, _HIT_HEIGHT_SD_M = 1.0, 0.6
"""Heights at which balls are hit (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Tie:
    """Residuals ``before @ s + after @ s' − target`` in standard deviations.

    ``s`` and ``s'`` (6,) are place and velocity at the break of the flights before and after it;
    ``before`` and ``after`` are (q, 6), ``target`` is (q,). ``log_sd`` is the sum of the logarithms
    of the standard deviations: what a tie promises counts when kinds of breaks are compared.
    """

    before: np.ndarray
    after: np.ndarray
    target: np.ndarray
    log_sd: float

    def residual(self, before: np.ndarray, after: np.ndarray) -> np.ndarray:
        """(q,) residuals of two states."""
        return self.before @ before + self.after @ after - self.target


def make_tie(
    kind: BreakKind,
    velocity_mps: np.ndarray,
    settings: BallTrackSettings,
    *,
    loose: float = 1.0,
) -> Tie:
    """The tie of a break.

    Flights meet in place. A bounce is on the ground, and returns the vertical speed times the
    restitution and the level velocity times the share that balls keep; a hit is at a height at
    which people hit; a ball in the net is there.

    Parameters
    ----------
    kind
        Kind of the break.
    velocity_mps
        (3,) about the velocity before: sets how far the one after a bounce may be off.
    settings
        Gives the restitution.
    loose
        Factor on the standard deviations of places, for breaks whose time is only guessed.
    """
    meet, meet_sd = np.zeros((3, 6)), _MEET_SD_M.get(kind, _MEET_ELSE_SD_M) * loose
    meet[:, :3] = np.eye(3) / meet_sd
    sds = [meet_sd] * 3
    before, after, target = [meet], [-meet], [np.zeros(3)]
    if kind is BreakKind.BOUNCE:
        ground = np.zeros((1, 6))
        ground[0, 2] = 1 / (_GROUND_SD_M * loose)
        level, fall = float(np.hypot(*velocity_mps[:2])), abs(float(velocity_mps[2]))
        along = np.hypot(0.3, KEPT_SHARE_SD * level)
        up = np.hypot(0.1, settings.restitution_sd * fall)
        sd = np.array([along, along, up])
        sds += [_GROUND_SD_M * loose, *sd]
        rebound, incoming = np.zeros((3, 6)), np.zeros((3, 6))
        rebound[:, 3:] = np.diag(1 / sd)
        incoming[:, 3:] = -np.diag(np.array([KEPT_SHARE, KEPT_SHARE, -settings.restitution]) / sd)
        before += [ground, incoming]
        after += [np.zeros((1, 6)), rebound]
        target += [ground[0, 2:3] * BALL_RADIUS_M, np.zeros(3)]
    elif kind is BreakKind.HIT:
        height = np.zeros((1, 6))
        height[0, 2] = 1 / _HIT_HEIGHT_SD_M
        before.append(height)
        after.append(np.zeros((1, 6)))
        target.append(np.array([_HIT_HEIGHT_M / _HIT_HEIGHT_SD_M]))
        sds.append(_HIT_HEIGHT_SD_M)
    elif kind is BreakKind.NET:
        at_net = np.zeros((1, 6))
        at_net[0, 1] = 1 / (_NET_SD_M * loose)
        before.append(at_net)
        after.append(np.zeros((1, 6)))
        target.append(np.zeros(1))
        sds.append(_NET_SD_M * loose)
    return Tie(
        before=np.vstack(before),
        after=np.vstack(after),
        target=np.concatenate(target),
        log_sd=float(np.sum(np.log(sds))),
    )
