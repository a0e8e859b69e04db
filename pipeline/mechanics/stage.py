"""The stage's verb: measure every stroke of a recording."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.ball import BallTrack, BallTrackSettings
from paddlebrief.closer import CloserFolder
from paddlebrief.contacts import (
    Clock,
    actions_of_balls,
    estimate_clock,
    hearing_distance_m,
    retime_strokes,
)
from paddlebrief.court import Court, SolvedCamera
from paddlebrief.ears import EarSettings, Impact
from paddlebrief.mechanics.arm import contact_beside_wrist, contact_in_space, hand_stops_s
from paddlebrief.mechanics.ball import BallContact, BallView, ball_contact, ball_measures
from paddlebrief.mechanics.body_view import BodyView, ContactPoint
from paddlebrief.mechanics.image_plane import StrokeView, measure_stroke
from paddlebrief.mechanics.judging import judged_kind, judged_side
from paddlebrief.mechanics.paddle import paddle_measures
from paddlebrief.mechanics.sharing import with_shared
from paddlebrief.mechanics.swing import face_at_contact_px, paddle_motion, trunk_motion
from paddlebrief.mechanics.turns import body_measures
from paddlebrief.paddle import (
    BallAtHit,
    PaddlePose,
    PaddleSettings,
    PaddleSize,
    ball_at_hit,
    meets_ball,
    pooled_size,
)
from paddlebrief.records import FootageInfo, Measure, MeasuredStroke, Side, Stroke
from paddlebrief.sight import SightSettings, TrackParts
from paddlebrief.strokes.grounded import standing_place
from paddlebrief.strokes.stroke import smoothed_window
from paddlebrief.turn.skeleton import build_path
from paddlebrief.turn.standing import ADULT, Stature, eye_of

__all__ = ["measure_strokes", "stroke_view"]

MARGIN_S = 0.6  # of track beyond load and finish, s on court
HAND_REACH_BH = 0.5  # how far from the wrist the ball may be at contact, body heights
BALL_PLACE_SD_M = 0.35  # a struck ball farther from the wrist than its paddle is another ball


def measure_strokes(
    info: FootageInfo,
    strokes: Sequence[Stroke],
    *,
    parts: TrackParts,
    court: Court,
    closer: CloserFolder,
    sight: SightSettings,
    paddle: PaddleSettings,
    ball: BallTrackSettings,
    impacts: Sequence[Impact],
    ears: EarSettings,
    statures: Mapping[str, Stature],
    unsure_below: float,
) -> list[MeasuredStroke]:
    """Measures of each stroke, in the strokes' order; empty for no strokes.

    Parameters
    ----------
    info, strokes
        The recording and its strokes.
    parts, court, closer
        What the stages before found.
    sight, paddle, ball
        How landmarks are smoothed, and how paddle and balls move.
    impacts, ears
        What was heard in the whole recording, and how.
    statures
        Expected heights of players by name; others are taken for adults.
    unsure_below
        A side or kind less probable than this is called unsure.
    """
    tracks = closer.tracks()
    cases = [
        _Case.gather(
            info,
            stroke,
            parts=parts,
            court=court,
            closer=closer,
            sight=sight,
            stature=statures.get(stroke.player, ADULT),
        )
        for stroke in strokes
    ]
    cases = _timed([case.with_ball(tracks, ball) for case in cases], tracks, court, impacts, ears)
    cases = [case.with_side(unsure_below).with_finish() for case in cases]
    poses = _paddle_poses(cases, paddle)
    return [case.measured(pose, unsure_below) for case, pose in zip(cases, poses, strict=True)]


def stroke_view(
    info: FootageInfo, parts: TrackParts, stroke: Stroke, *, sight: SightSettings
) -> StrokeView:
    """One stroke with its player's smoothed track from before the load to after the finish."""
    margin = MARGIN_S * info.slow_factor
    return StrokeView(
        stroke=stroke,
        track=smoothed_window(
            parts,
            stroke.person,
            start_s=stroke.load_s - margin,
            end_s=stroke.finish_s + margin,
            contact_s=stroke.contact_s,
            slow_factor=info.slow_factor,
            sight=sight,
        ),
        slow_factor=info.slow_factor,
        placement_error=sight.placement_error,
        frame_interval_s=info.frame_interval_s,
    )


@dataclass(frozen=True, kw_only=True)
class _Case:
    """One stroke with everything that was seen of it."""

    info: FootageInfo
    stroke: Stroke
    camera: SolvedCamera | None
    closer: CloserFolder
    view: StrokeView
    body: BodyView
    ball: BallView | None = None

    @classmethod
    def gather(
        cls,
        info: FootageInfo,
        stroke: Stroke,
        *,
        parts: TrackParts,
        court: Court,
        closer: CloserFolder,
        sight: SightSettings,
        stature: Stature,
    ) -> "_Case":
        view = stroke_view(info, parts, stroke, sight=sight)
        camera, turns = court.at(stroke.contact_s), closer.turns(stroke.number)
        path = None
        if turns is not None:
            path = build_path(
                view.track,
                turns,
                hand=stroke.hand,
                stature=stature,
                size_px=(info.width_px, info.height_px),
                placement_error=sight.placement_error,
                camera=camera,
                slow_factor=info.slow_factor,
            )
        body = BodyView(
            stroke=stroke,
            turns=turns,
            path=path,
            slow_factor=info.slow_factor,
            frame_interval_s=info.frame_interval_s,
        )
        return cls(info=info, stroke=stroke, camera=camera, closer=closer, view=view, body=body)

    def with_ball(self, tracks: Sequence[BallTrack], settings: BallTrackSettings) -> "_Case":
        """The case with the ball that the stroke sent off."""
        view = self.view
        hand = view.at(view.on_hand("wrist"), self.stroke.contact_s)
        known, tall = bool(np.isfinite(hand).all()), bool(np.isfinite(view.height_px))
        path = self.body.path
        hand_m = None
        if path is not None and self.camera is not None:
            hand_m, _ = path.at({"wrist": 1.0}, self.body.contact_s)
        ball = BallView(
            tracks=tuple(tracks),
            contact_s=self.body.contact_s,
            contact_s_sd=self.body.contact_sd_s,
            solved=self.camera is not None,
            settings=settings,
            hand_px=hand if known else None,
            reach_px=HAND_REACH_BH * view.height_px if known and tall else np.inf,
            hand_m=hand_m if hand_m is not None and np.isfinite(hand_m).all() else None,
        )
        return replace(self, ball=ball)

    def hit(self) -> tuple[float, float] | None:
        """When the ball's flights meet and its standard uncertainty, seconds on court."""
        struck = ball_contact(self.ball)
        return None if struck is None else (struck.time_s, struck.time_s_sd)

    def distance_m(self, ears: EarSettings) -> tuple[float, float]:
        """From the player to the microphone in the camera, and its standard uncertainty."""
        if self.camera is None:
            return hearing_distance_m(None, None, ears)
        stood = standing_place(self.view.track, self.camera, self.stroke.contact_s)
        return hearing_distance_m(self.camera, stood, ears)

    def ball_at_hit(self) -> BallAtHit | None:
        """The ball before and after the hit; None where it was not seen on both sides."""
        if self.ball is None or self.ball.found is None:
            return None
        drag = self.ball.settings.drag_coefficient
        return ball_at_hit(*self.ball.found, drag_coefficient=drag)

    def with_side(self, unsure_below: float) -> "_Case":
        """The case with forehand or backhand judged by the turn of the shoulders."""
        return self.with_stroke(judged_side(self.body, unsure_below=unsure_below))

    def with_finish(self) -> "_Case":
        """The case with its finish where the hand stops in space, where that is known."""
        stops_s = hand_stops_s(self.body)
        if stops_s is None:
            return self
        return self.with_stroke(replace(self.stroke, finish_s=stops_s * self.info.slow_factor))

    def with_stroke(self, stroke: Stroke) -> "_Case":
        """The case with its stroke timed or judged anew."""
        return replace(
            self,
            stroke=stroke,
            view=replace(self.view, stroke=stroke),
            body=replace(self.body, stroke=stroke),
        )

    def measured(self, pose: PaddlePose | None, unsure_below: float) -> MeasuredStroke:
        """The stroke with everything that can be said of it, its kind judged anew."""
        body = replace(self.body, contact=self._contact(pose))
        measures = self._measures(body, pose)
        kind, probabilities = judged_kind(
            body,
            {m.name: m for m in measures},
            backspin_mps=None if self.ball is None else self.ball.backspin_mps,
            aslant_rad=self._aslant_rad(),
            unsure_below=unsure_below,
        )
        stroke = replace(self.stroke, kind=kind, kind_probabilities=probabilities)
        return MeasuredStroke(recording=self.info.path.name, stroke=stroke, measures=measures)

    def _aslant_rad(self) -> float | None:
        """Angle on the ground between the line of sight to the player and the court's length."""
        if self.camera is None:
            return None
        stood, _ = standing_place(self.view.track, self.camera, self.stroke.contact_s)
        across_m, along_m = np.abs(stood - self.camera.view.position_m[:2])
        return float(np.arctan2(across_m, along_m)) if np.isfinite(stood).all() else None

    def _measures(self, body: BodyView, pose: PaddlePose | None) -> tuple[Measure, ...]:
        """In page order."""
        measures = (
            *measure_stroke(self.view),
            *body_measures(body),
            *paddle_measures(
                pose,
                self.stroke,
                solved=self.camera is not None,
                slow_factor=self.info.slow_factor,
                facing=body.facing,
                trunk=trunk_motion(body),
            ),
            *ball_measures(self.ball),
        )
        return tuple(with_shared(m) for m in measures)

    def _contact(self, pose: PaddlePose | None) -> ContactPoint | None:
        """Where the ball is met: by its own flights, else beside the wrist where it is seen."""
        path = self.body.path
        if path is None:
            return None
        struck = ball_contact(self.ball)
        if struck is not None and self._near_wrist(struck):
            return contact_in_space(
                path, place_m=struck.place_m, covariance_m2=struck.covariance_m2,
                time_s=self.body.contact_s,
            )  # fmt: skip
        eye = eye_of(self.camera, (self.info.width_px, self.info.height_px))
        if struck is not None:
            place_px, sd_px = struck.px, struck.px_sd
        else:
            seen = face_at_contact_px(pose, self.closer.paddle(self.stroke.number), self.stroke)
            if seen is None:
                return None
            place_px, sd_px = seen
        return contact_beside_wrist(
            path, place_px=place_px, sd_px=sd_px, time_s=self.body.contact_s, eye=eye
        )

    def _near_wrist(self, struck: BallContact) -> bool:
        wrist, cover = self.body.path.at({"wrist": 1.0}, self.body.contact_s)
        if not np.isfinite([*struck.place_m, *wrist]).all():
            return False
        reach = np.sqrt(np.trace(cover) + np.trace(struck.covariance_m2) + BALL_PLACE_SD_M**2)
        return bool(np.linalg.norm(struck.place_m - wrist) < 3 * reach)


def _timed(
    cases: Sequence[_Case],
    tracks: Sequence[BallTrack],
    court: Court,
    impacts: Sequence[Impact],
    ears: EarSettings,
) -> list[_Case]:
    """Cases with their contacts timed by ball and sound together."""
    if not cases:
        return []
    slow = cases[0].info.slow_factor
    strokes = retime_strokes(
        [case.stroke for case in cases],
        impacts,
        hits=[case.hit() for case in cases],
        distances_m=[case.distance_m(ears) for case in cases],
        clock=_clock(tracks, court, impacts, slow),
        assumed_m=ears.distance_m,
        slow_factor=slow,
    )
    return [case.with_stroke(stroke) for case, stroke in zip(cases, strokes, strict=True)]


def _clock(
    tracks: Sequence[BallTrack], court: Court, impacts: Sequence[Impact], slow_factor: float
) -> Clock:
    """The clock between picture and sound, from all balls seen and heard in the recording."""
    actions = []
    for track in tracks:
        camera = court.at(track.start_s * slow_factor)
        if camera is not None:
            actions += actions_of_balls(
                [track], microphone_m=camera.position_m, slow_factor=slow_factor
            )
    return estimate_clock(impacts, actions, slow_factor=slow_factor)


def _paddle_poses(cases: Sequence[_Case], settings: PaddleSettings) -> list[PaddlePose | None]:
    """The paddle through each stroke; a player's strokes share one paddle, so its size is pooled
    from a first round of fits."""
    first = [_pose(case, None, settings) for case in cases]
    sizes: dict[str, list[PaddleSize]] = defaultdict(list)
    for case, pose in zip(cases, first, strict=True):
        if pose is not None:
            sizes[case.stroke.player].append(pose.size)
    pooled = {p: pooled_size(PaddleSize.as_sold(), found) for p, found in sizes.items()}
    return [
        None if pose is None else _pose(case, pooled[case.stroke.player], settings)
        for case, pose in zip(cases, first, strict=True)
    ]


def _pose(case: _Case, size: PaddleSize | None, settings: PaddleSettings) -> PaddlePose | None:
    seen, struck = case.closer.paddle(case.stroke.number), ball_contact(case.ball)
    if seen is None or case.body.path is None:
        return None
    if struck is not None:
        met = meets_ball(
            seen, px=struck.px, time_s=struck.time_s, height_px=case.view.height_px,
            slow_factor=case.info.slow_factor,
        )  # fmt: skip
        if met is False:  # another player's
            return None
    forehand = {Side.FOREHAND: True, Side.BACKHAND: False}.get(case.stroke.side)
    return paddle_motion(
        seen, case.body, camera=case.camera, info=case.info, forehand=forehand, size=size,
        ball=case.ball_at_hit(), settings=settings,
    )  # fmt: skip
