"""Which strokes a ball confirms: small motions count only where one leaves the hand."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.ball import BallTrack, find_shot
from paddlebrief.body import body_height_px, hand_landmark
from paddlebrief.records import FootageInfo, Stroke
from paddlebrief.sight import SightSettings, TrackParts
from paddlebrief.strokes.find import smoothed_window

__all__ = ["confirm"]

REACH_BH = 0.45
"""How far from the wrist a ball may be struck, body heights: a paddle's length and half a face."""
SAME_IMPACT_S = 0.03
"""Contacts of several people this close together are one impact, seconds on court."""
NEAR_S = 0.2


@dataclass(frozen=True)
class _Claim:
    stroke: Stroke
    away_bh: float  # of the struck ball from the wrist; infinite when none was seen to leave it


def confirm(
    info: FootageInfo,
    parts: TrackParts,
    strokes: Sequence[Stroke],
    tracks: Sequence[BallTrack],
    *,
    sight: SightSettings,
) -> list[Stroke]:
    """Sure strokes, and those that a ball makes sure, numbered anew; one owner for each impact.

    Parameters
    ----------
    info, parts
        The recording and its people.
    strokes
        As found, unsure ones and rivals for one impact among them.
    tracks
        Balls, with or without a court.
    sight
        How landmarks are smoothed.
    """
    claims = [_Claim(s, _away_bh(info, parts, s, tracks, sight)) for s in strokes]
    kept: list[_Claim] = []
    for claim in sorted(claims, key=lambda c: (c.away_bh, not c.stroke.sure)):
        seen = np.isfinite(claim.away_bh)
        rivals = [k for k in kept if _same_impact(k.stroke, claim.stroke, info)]
        # the nearest wrist owns the ball; without a ball the sure stroke owns the sound
        if not rivals and (seen or claim.stroke.sure) and not _too_soon(claim, kept, info):
            kept.append(claim)
    ordered = sorted((k.stroke for k in kept), key=lambda s: s.contact_s)
    return [replace(s, number=n, sure=True) for n, s in enumerate(ordered, start=1)]


def _same_impact(one: Stroke, other: Stroke, info: FootageInfo) -> bool:
    apart = abs(one.contact_s - other.contact_s) / info.slow_factor
    return one.heard and other.heard and apart <= SAME_IMPACT_S


def _too_soon(claim: _Claim, kept: Sequence[_Claim], info: FootageInfo) -> bool:
    """Whether the player has a stroke just before or after already."""
    own = [k.stroke for k in kept if k.stroke.person == claim.stroke.person]
    apart = [abs(s.contact_s - claim.stroke.contact_s) / info.slow_factor for s in own]
    return min(apart, default=np.inf) < NEAR_S


def _away_bh(
    info: FootageInfo,
    parts: TrackParts,
    stroke: Stroke,
    tracks: Sequence[BallTrack],
    sight: SightSettings,
) -> float:
    """Distance of the struck ball from the hitting wrist, body heights; infinite without one."""
    slow = info.slow_factor
    track = smoothed_window(
        parts,
        stroke.person,
        start_s=stroke.contact_s - NEAR_S * slow,
        end_s=stroke.contact_s + NEAR_S * slow,
        contact_s=stroke.contact_s,
        slow_factor=slow,
        sight=sight,
        keep_hidden=True,
    )
    wrist = track.landmarks_px[:, hand_landmark(stroke.hand, "wrist")]
    known = np.isfinite(wrist).all(axis=1)
    height = body_height_px(track) if len(track.time_s) else np.nan
    if not known.any() or not np.isfinite(height):
        return np.inf
    hand = np.array(
        [np.interp(stroke.contact_s, track.time_s[known], wrist[known, k]) for k in (0, 1)]
    )
    found = find_shot(tracks, stroke.contact_s / slow, hand_px=hand, reach_px=REACH_BH * height)
    if found is None:
        return np.inf
    ball, index = found
    return float(np.linalg.norm(ball.flights[index].start.px - hand) / height)
