"""Which strokes a ball confirms: small motions count only where one leaves the hand."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.ball import BallTrack, BallTrackSettings
from paddlebrief.closer.scene import NEAR_S, Scene, Struck
from paddlebrief.court import Court
from paddlebrief.records import FootageInfo, Stroke
from paddlebrief.sight import SightSettings, TrackParts
from paddlebrief.strokes import StrokeSettings

__all__ = ["Confirmed", "Holding", "confirm"]

SAME_IMPACT_S = 0.03
"""Contacts of several people this close together are one impact, seconds on court."""
HIDDEN_APART_S = 0.4
"""From a known stroke to one of a hidden player, seconds on court: nearer ones are the same (a
guess)."""
TWO_BALLS_M = 3.0
"""Balls hit at once farther apart than this are two, and so are their strokes (a guess)."""
FEWEST_HEARD, MOSTLY, NEARLY_ALL = 5, 0.6, 0.75
"""Strokes heard, and the shares of strokes whose ball is seen from which balls count as mostly and
as nearly always seen (guesses)."""


@dataclass(frozen=True, kw_only=True)
class Confirmed:
    """What the balls say of the strokes.

    Attributes
    ----------
    strokes
        In order of time, numbered from 1, all sure.
    hidden_s
        Presentation times at which somebody hit a ball whom another player hid.
    """

    strokes: tuple[Stroke, ...]
    hidden_s: tuple[float, ...]


Holding = Callable[[Stroke, Struck], bool | None]
"""Whether the paddle in a player's hand is where a ball was struck; None where it is not seen."""


def unseen(stroke: Stroke, struck: Struck) -> bool | None:
    """A `Holding` that sees no paddles."""
    return None


@dataclass(frozen=True)
class _Claim:
    stroke: Stroke
    struck: Struck | None  # the ball that was seen to leave the hand
    met: bool  # whether a ball was seen to come to, leave or pass the hand at the contact
    slow: bool  # whether the hand was hardly fast enough for the ball
    holds: bool | None = None  # whether the hand's paddle was seen at that ball

    @property
    def is_anothers(self) -> bool:
        """Whether somebody else must have struck the ball."""
        return self.slow and self.holds is False

    @property
    def rank(self) -> tuple[int, float, bool]:
        """The less the better: the paddle at a ball owns it, then the nearest wrist, else the sure
        stroke the sound."""
        away_bh = np.inf if self.struck is None else self.struck.away_bh
        return {True: 0, None: 1, False: 2}[self.holds], away_bh, not self.stroke.sure


def confirm(
    info: FootageInfo,
    parts: TrackParts,
    strokes: Sequence[Stroke],
    tracks: Sequence[BallTrack],
    *,
    court: Court,
    settings: StrokeSettings,
    sight: SightSettings,
    ball: BallTrackSettings,
    holding: Holding = unseen,
) -> Confirmed:
    """Sure strokes, and those that a ball makes sure, numbered anew; one owner for each impact.

    A stroke timed by the hand alone, or by a sound that belongs to something else, goes to where
    a ball turns round at the hand. A motion at whose time a ball is hit that this player cannot
    have hit is no stroke: somebody else hits, perhaps hidden behind. So it is where the hand was
    hardly fast enough, and its paddle is seen elsewhere. Nor is a swing without a
    sound and without a ball, in a recording whose balls are mostly seen: it is one for practice;
    where nearly all are seen, a sound without a ball came from another court.

    Parameters
    ----------
    info, parts
        The recording and its people.
    strokes
        As found, unsure ones and rivals for one impact among them.
    tracks
        Balls, with or without a court.
    court
        Solved or not.
    settings, sight, ball
        How phases are found, landmarks smoothed, and how balls fly.
    holding
        Asked where several players may have struck one ball, and of slow hands.
    """
    scene = Scene(info, parts, tracks, court, settings, sight, ball)
    judged = [(s, scene.is_anothers(s)) for s in map(scene.at_its_hit, strokes)]
    own, others = ([s for s, is_other in judged if is_other is want] for want in (False, True))
    struck = [scene.struck(s) for s in own]
    claims = _with_ball([
        _Claim(s, ball, ball is not None or scene.meets_ball(s), scene.is_slow(s))
        for s, ball in zip(own, struck, strict=True)
    ])  # fmt: skip
    claims = [
        replace(c, holds=holding(c.stroke, c.struck))
        if c.struck is not None and (c.slow or any(_are_rivals(c, o, info) for o in claims))
        else c
        for c in claims
    ]
    others += [c.stroke for c in claims if c.is_anothers]
    kept: list[_Claim] = []
    for claim in sorted((c for c in claims if not c.is_anothers), key=lambda c: c.rank):
        counts = claim.stroke.sure or claim.struck is not None
        rivals = [k for k in kept if _same_impact(k, claim, info)]
        if counts and not rivals and not _too_soon(claim, kept, info):
            kept.append(claim)
    ordered = sorted((k.stroke for k in kept), key=lambda s: s.contact_s)
    return Confirmed(
        strokes=tuple(replace(s, number=n, sure=True) for n, s in enumerate(ordered, start=1)),
        hidden_s=_apart_from(
            [s.contact_s for s in ordered], [s for s in others if scene.is_behind(s)], info
        ),
    )


def _apart_from(
    known_s: Sequence[float], others: Sequence[Stroke], info: FootageInfo
) -> tuple[float, ...]:
    """Times of strokes that are somebody else's but nobody's among the known ones, each once."""
    taken, found = list(known_s), []
    for time_s in sorted(s.contact_s for s in others):
        apart_s = min((abs(time_s - t) for t in taken), default=np.inf) / info.slow_factor
        if apart_s > HIDDEN_APART_S:
            taken.append(time_s)
            found.append(time_s)
    return tuple(found)


def _with_ball(claims: Sequence[_Claim]) -> list[_Claim]:
    """Claims without those that no ball speaks for, where balls are seen: silent ones where they
    mostly are, heard ones too where nearly all are."""
    heard = [c for c in claims if c.stroke.heard and c.stroke.sure]
    strokes = [c for c in claims if c.struck is not None or (c.stroke.heard and c.stroke.sure)]
    seen = sum(c.met for c in strokes)
    if len(heard) < FEWEST_HEARD or seen < MOSTLY * len(strokes):
        return list(claims)
    every = seen >= NEARLY_ALL * len(strokes)
    return [c for c in claims if c.met or (c.stroke.heard and not every)]


def _are_rivals(one: _Claim, other: _Claim, info: FootageInfo) -> bool:
    """Whether two players claim one ball or sound."""
    return one.stroke.person != other.stroke.person and _same_impact(one, other, info)


def _same_impact(one: _Claim, other: _Claim, info: FootageInfo) -> bool:
    """Whether two claim one sound, or one ball: two at once are one, if not far apart in metres."""
    apart = abs(one.stroke.contact_s - other.stroke.contact_s) / info.slow_factor
    if apart > SAME_IMPACT_S:
        return False
    if one.struck is not None and other.struck is not None:
        return not np.linalg.norm(one.struck.place_m - other.struck.place_m) > TWO_BALLS_M
    return one.stroke.heard and other.stroke.heard


def _too_soon(claim: _Claim, kept: Sequence[_Claim], info: FootageInfo) -> bool:
    """Whether the player has a stroke just before or after already."""
    own = [k.stroke for k in kept if k.stroke.person == claim.stroke.person]
    apart = [abs(s.contact_s - claim.stroke.contact_s) / info.slow_factor for s in own]
    return min(apart, default=np.inf) < NEAR_S
