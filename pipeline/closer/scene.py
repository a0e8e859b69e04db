"""What balls and bodies say about one stroke: at whose hand a ball turns, who can have hit it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.ball import BallTrack, BallTrackSettings, Break, BreakKind, find_shot, leaving_px
from paddlebrief.body import body_height_px, hand_landmark
from paddlebrief.court import Court
from paddlebrief.paddle import BallAtHit, ball_at_hit
from paddlebrief.records import FootageInfo, Stroke, Track
from paddlebrief.sight import SightSettings, TrackParts
from paddlebrief.strokes import StrokeSettings
from paddlebrief.strokes.grounded import STOOD_S, standing_place
from paddlebrief.strokes.stroke import smoothed_window, stroke_at
from paddlebrief.strokes.swings import hand_motion

__all__ = ["NEAR_S", "Scene", "Struck"]

NEAR_S = 0.2
"""Around a contact, seconds on court."""
REACH_BH = 0.45
"""How far from the wrist a ball may be struck, body heights: a paddle's length and half a face."""
BEHIND_BH = 0.9
"""How far from a wrist in the picture a ball may be that somebody hits behind this player (a
guess)."""
BEHIND_S = 0.25
"""How long after its contact a struck ball may first be seen, seconds on court: seen from behind, a
backhand's is hidden by the body for 0.17 to 0.19 s (a rendered session)."""
HEARD_REACH_S, UNHEARD_REACH_S = 0.25, 0.6
"""How far a contact may be from its ball's hit, seconds on court: as timed by a sound near the
hand's own time, and by the hand alone."""
AGREES_S, SAME_HIT_S = 0.06, 0.04
"""How far a ball's break may be from a contact that it agrees with, and a hit from one that it is
held against, seconds on court (guesses)."""
REACH_M, BEYOND_SDS = 1.3, 1.3
"""From between the feet to a ball that is hit, along the ground: arm, paddle, a step; and how many
standard uncertainties beyond it a ball is out of reach: nine times in ten (guesses; of 179 rendered
strokes none was, of 19 given to a neighbour 6 were)."""
VAGUEST_HIT_M = 1.5
"""Standard uncertainty of a hit's place beyond which nobody is ruled out by it (a guess)."""
HEAD_PER_HAND, SLOW_PER_HAND, BODY_M = 4.0, 2.0, 1.7
"""A paddle's head is at most so many times as fast as the hand looks in the picture, and seldom
more than so many times: 0.6 to 3.1 times in 179 rendered strokes from three places."""
HIT_SD_S = 0.004
"""Of a hit between two flights, beyond what their fit says (a guess)."""


@dataclass(frozen=True, kw_only=True)
class Struck:
    """A ball that leaves a hand.

    Attributes
    ----------
    away_bh
        From the wrist in the picture, body heights.
    place_m
        (3,) where it left, court frame; NaN where that is not known.
    px, time_s
        (2,) where in the picture it left, and when, seconds on court.
    height_px
        Of the player's body.
    """

    away_bh: float
    place_m: np.ndarray
    px: np.ndarray
    time_s: float
    height_px: float


@dataclass(frozen=True)
class Scene:
    """A recording with its people and balls, asked about one stroke at a time.

    Attributes as `closer.confirm.confirm` takes them.
    """

    info: FootageInfo
    parts: TrackParts
    tracks: Sequence[BallTrack]
    court: Court
    settings: StrokeSettings
    sight: SightSettings
    ball: BallTrackSettings

    def is_anothers(self, stroke: Stroke) -> bool:
        """Whether balls are hit at a stroke's time, but none that this player can have hit: out of
        reach on the court, or too fast for this hand.

        Only hits that are well placed in metres count, and there are none without a court; a ball
        at the hand whose place in metres is vague may always be this player's.
        """
        hits = self._hits(stroke)
        if not hits or any(self._can_hit(stroke, hit, ball) for hit, ball in hits):
            return False
        placed = [hit for hit, _ in hits]
        return all(any(b is p for p in placed) for b in self._at_hand(stroke))

    def is_behind(self, stroke: Stroke) -> bool:
        """Whether a ball that is another's is hit close to this player's hand in the picture."""
        hand = _Hand.around(self, stroke, NEAR_S)
        return hand is not None and any(
            hand.away_bh(hit.px, stroke.contact_s) <= BEHIND_BH for hit, _ in self._hits(stroke)
        )

    def is_slow(self, stroke: Stroke) -> bool:
        """Whether the hand was hardly fast enough for any of the balls hit at a stroke's time."""
        faces = [ball.face_speed_mps for _, ball in self._hits(stroke) if ball is not None]
        return bool(faces) and min(faces) > SLOW_PER_HAND * self._hand_mps(stroke)

    def meets_ball(self, stroke: Stroke) -> bool:
        """Whether a ball, struck or not, is at the hand at a contact, in the picture or by the
        court."""
        if any(self._can_hit(stroke, hit, ball) for hit, ball in self._hits(stroke)):
            return True
        return bool(self._at_hand(stroke))

    def _at_hand(self, stroke: Stroke) -> list[Break]:
        """Breaks of balls at the hand in the picture at a contact."""
        hand, at_s = _Hand.around(self, stroke, NEAR_S), stroke.contact_s / self.info.slow_factor
        if hand is None:
            return []
        return [
            b
            for track in self.tracks
            for b in track.breaks
            if abs(b.time_s - at_s) <= AGREES_S
            and hand.away_bh(b.px, stroke.contact_s) <= REACH_BH
        ]

    def _hits(self, stroke: Stroke) -> list[tuple[Break, BallAtHit | None]]:
        """Well placed hits at a stroke's time; the start of a track may be one."""
        if self.court.at(stroke.contact_s) is None:
            return []
        return [
            (b, ball_at_hit(track, k, drag_coefficient=self.ball.drag_coefficient))
            for track in self.tracks
            for k, b in enumerate(track.breaks)
            if b.kind in (BreakKind.HIT, BreakKind.START)
            and abs(b.time_s - stroke.contact_s / self.info.slow_factor) <= SAME_HIT_S
            and self._is_placed(b)
        ]

    def _is_placed(self, ball: Break) -> bool:
        """Whether a place in metres is known well enough to ask who can have been there."""
        return bool(np.trace(ball.covariance_m2) <= VAGUEST_HIT_M**2)

    def _can_hit(self, stroke: Stroke, hit: Break, ball: BallAtHit | None) -> bool:
        """Whether a player can have hit a ball; yes where it cannot be told."""
        camera = self.court.at(stroke.contact_s)
        if camera is None:
            return True
        place, cover = standing_place(self.window(stroke, STOOD_S), camera, stroke.contact_s)
        off, both = hit.place_m[:2] - place, cover + hit.covariance_m2[:2, :2]
        away = max(float(np.linalg.norm(off)), 1e-9)
        far = away - BEYOND_SDS * np.sqrt(off @ both @ off) / away > REACH_M
        fastest_mps = HEAD_PER_HAND * self._hand_mps(stroke)
        too_fast = ball is not None and ball.face_speed_mps > fastest_mps
        return not (far or too_fast)

    def _hand_mps(self, stroke: Stroke) -> float:
        """Fastest motion of the hitting hand against the hips around a contact, as the picture
        shows it for somebody of usual height, m/s; NaN where the hand is not seen."""
        slow = self.info.slow_factor
        motion = hand_motion(self.window(stroke, 2 * NEAR_S), stroke.hand, slow_factor=slow)
        if motion is None:
            return np.nan
        near = np.abs(motion.time_s - stroke.contact_s / slow) <= NEAR_S
        speeds = motion.speed_bhps[near]
        return float(np.nanmax(speeds)) * BODY_M if np.isfinite(speeds).any() else np.nan

    def window(self, stroke: Stroke, reach_s: float) -> Track:
        """The player's smoothed track within a time (on court) of a stroke's contact."""
        slow = self.info.slow_factor
        return smoothed_window(
            self.parts,
            stroke.person,
            start_s=stroke.contact_s - reach_s * slow,
            end_s=stroke.contact_s + reach_s * slow,
            contact_s=stroke.contact_s,
            slow_factor=slow,
            sight=self.sight,
            keep_hidden=True,
        )

    def struck(self, stroke: Stroke) -> Struck | None:
        """The ball that leaves the hand at a contact; None where none was seen to, or where by its
        place on the court somebody else struck it."""
        hand = _Hand.around(self, stroke, NEAR_S)
        if hand is None:
            return None
        place, contact_s = hand.at(stroke.contact_s), stroke.contact_s / self.info.slow_factor
        found = find_shot(
            self.tracks,
            contact_s,
            back_s=BEHIND_S,
            hand_px=place,
            reach_px=REACH_BH * hand.height_px,
        )
        if found is None:
            return None
        track, index = found
        start, place_m = track.flights[index].start, np.full(3, np.nan)
        if abs(start.time_s - contact_s) <= SAME_HIT_S and self._is_placed(start):
            if not self._can_hit(stroke, start, None):
                return None
            place_m = start.place_m
        left_px = leaving_px(track.flights[index], contact_s)
        return Struck(
            away_bh=float(np.linalg.norm(left_px - place) / hand.height_px),
            place_m=place_m,
            px=left_px,
            time_s=contact_s,
            height_px=hand.height_px,
        )

    def at_its_hit(self, stroke: Stroke) -> Stroke:
        """The stroke, at the time of the hit that it is: the nearest one at its hand."""
        slow = self.info.slow_factor
        reach_s = HEARD_REACH_S if stroke.heard else UNHEARD_REACH_S
        hits = [
            b
            for track in self.tracks
            for b in track.breaks
            if b.kind in (BreakKind.HIT, BreakKind.TURN)
            and abs(b.time_s - stroke.contact_s / slow) <= reach_s
        ]
        hand = _Hand.around(self, stroke, reach_s + NEAR_S) if hits else None
        if hand is None:
            return stroke
        own = [b for b in hits if hand.away_bh(b.px, b.time_s * slow) <= REACH_BH]
        if not own:
            return stroke
        hit = min(own, key=lambda b: abs(b.time_s - stroke.contact_s / slow))
        if abs(hit.time_s - stroke.contact_s / slow) <= AGREES_S:
            return stroke
        moved = stroke_at(
            self.info,
            self.parts,
            person=stroke.person,
            hand=stroke.hand,
            contact_s=hit.time_s * slow,
            contact_s_sd=float(np.hypot(hit.time_s_sd, HIT_SD_S)) * slow,
            heard=False,
            guessed=hand.hidden,
            settings=self.settings,
            sight=self.sight,
        )
        return stroke if moved is None else replace(moved, player=stroke.player, sure=stroke.sure)


@dataclass(frozen=True)
class _Hand:
    """The hitting wrist, (n, 2) pixels at (n,) presentation times, and the body's height."""

    time_s: np.ndarray
    wrist_px: np.ndarray
    height_px: float
    hidden: bool

    @classmethod
    def around(cls, scene: Scene, stroke: Stroke, reach_s: float) -> "_Hand | None":
        """Within ``reach_s`` (on court) of a stroke's contact; None where it is not known."""
        track = scene.window(stroke, reach_s)
        landmark = hand_landmark(stroke.hand, "wrist")
        wrist = track.landmarks_px[:, landmark]
        known = np.isfinite(wrist).all(axis=1)
        height = body_height_px(track) if len(track.time_s) else np.nan
        if not known.any() or not np.isfinite(height):
            return None
        seen = track.visibility[:, landmark] >= scene.sight.min_visibility
        return cls(track.time_s[known], wrist[known], float(height), bool(np.mean(seen) < 0.5))

    def at(self, time_s: float) -> np.ndarray:
        """(2,) place of the wrist at a presentation time."""
        return np.array([np.interp(time_s, self.time_s, self.wrist_px[:, k]) for k in (0, 1)])

    def away_bh(self, px: np.ndarray, time_s: float) -> float:
        """Distance of a place from the wrist at a presentation time, body heights."""
        return float(np.linalg.norm(px - self.at(time_s)) / self.height_px)
