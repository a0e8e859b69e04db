"""The stage's verb: open the frames around every stroke again and look closer.

Sight follows everybody through every frame and keeps landmarks only. Here three networks look
where something happens: the turn network at the hitting player from backswing to finish, the
paddle network at the hitting hand around contact, the ball network at the whole picture while the
stroke's balls fly.
"""

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

from paddlebrief.ball import BallTrackSettings, Candidates
from paddlebrief.ball.steady import anchors_of
from paddlebrief.ball.watch import BallWatch, stretches_around
from paddlebrief.closer.balls import ball_tracks
from paddlebrief.closer.confirm import confirm
from paddlebrief.closer.folder import CloserFolder
from paddlebrief.closer.scene import Struck
from paddlebrief.closer.settings import CloserSettings
from paddlebrief.court import Court
from paddlebrief.eyes import BallNet, PaddleNet
from paddlebrief.footage import Frame, open_frames, read_ahead
from paddlebrief.paddle import PaddleTrack, look_for_paddle, meets_ball
from paddlebrief.pose_net import PoseNet
from paddlebrief.progress import reporter
from paddlebrief.records import FootageInfo, Stroke, Track
from paddlebrief.sight import SightSettings, TrackParts
from paddlebrief.strokes import StrokeSettings
from paddlebrief.strokes.stroke import smoothed_window
from paddlebrief.turn.crowding import clear_of_others
from paddlebrief.turn.fusion import Turns, load_calibration
from paddlebrief.turn.inputs import View
from paddlebrief.turn.net import TurnNet
from paddlebrief.turn.reading import read_turns

__all__ = ["Nets", "look_closer"]

BACKSWING_S = 1.0
"""Looked at before the forward swing, seconds on court: load is looked for in 0.8 s of it."""
FOLLOW_S = 0.9
"""Looked at after contact, seconds on court: a hand comes to rest within 0.3 to 0.7 s."""
BALL_BEFORE_S, BALL_AFTER_S = 0.6, 1.2
"""Stretch around a contact in which balls are looked for, seconds on court: enough for the way
of the incoming ball, and until most shots have landed (0.5 to 0.9 s, from the drag law)."""
SHAKES_PX = 0.5
"""Shake of the picture from which balls are looked for in steadied frames, pixels."""
HOLDS_S = 0.12
"""Looked at around a contact for whose paddle is at the ball, seconds on court."""
MARGIN_S = 0.15
"""Added at both ends, for the neighbours of the outer frames, seconds on court."""


@dataclass(frozen=True, kw_only=True)
class Nets:
    """The networks of the closer look, one set for each worker: they run best on one processor
    thread each, side by side."""

    pose: PoseNet
    turn: TurnNet
    paddle: PaddleNet
    ball: BallNet


def look_closer(
    info: FootageInfo,
    parts: TrackParts,
    strokes: Sequence[Stroke],
    court: Court,
    *,
    nets: Sequence[Nets],
    settings: CloserSettings,
    swings: StrokeSettings,
    sight: SightSettings,
    ball: BallTrackSettings,
    folder: Path,
) -> None:
    """Fill a folder with what the networks see of each stroke (read it by ``CloserFolder``).

    Balls come first: they settle which of the unsure strokes are strokes at all.

    Parameters
    ----------
    info, parts
        The recording and its people.
    strokes
        None, one or many, unsure ones among them; the confirmed ones are looked at one by one,
        and those done by a killed run are left alone.
    court
        Solved or not; a solved camera tells the turn network how it is held.
    nets
        The networks, one set for each of the threads to work on.
    settings, swings, sight, ball
        What to look at, how strokes are found, how landmarks are smoothed, and how balls move.
    folder
        Where to put it.

    Raises
    ------
    FootageError
        When the recording cannot be read any more.
    """
    kept = CloserFolder(folder)
    if settings.balls and not kept.balls_watched:
        with ThreadPoolExecutor(len(nets)) as workers:
            watch = BallWatch(
                nets[0].ball,
                info,
                steady=_shakes(court),
                anchors=anchors_of(info, court),
                workers=workers,
            )
            kept.write_balls(_watched(info, strokes, watch, settings))
    if kept.strokes() is None:
        tracks = ball_tracks(info, kept.balls(), court, ball)
        kept.write_tracks(tracks)
        found = confirm(
            info,
            parts,
            strokes,
            tracks,
            court=court,
            settings=swings,
            sight=sight,
            ball=ball,
            holding=lambda stroke, struck: _Look(
                info, parts, stroke, court, nets[0], settings, sight
            ).holds(struck),
        )
        kept.write_hidden(found.hidden_s)
        kept.write_strokes(found.strokes)
    confirmed = kept.strokes()
    free: SimpleQueue[Nets] = SimpleQueue()
    for each in nets:
        free.put(each)

    def look(stroke: Stroke) -> None:
        mine = free.get()
        try:
            _look(_Look(info, parts, stroke, court, mine, settings, sight), kept)
        finally:
            free.put(mine)

    waiting = [stroke for stroke in confirmed if not kept.looked(stroke.number)]
    already = len(confirmed) - len(waiting)
    with ThreadPoolExecutor(len(nets)) as workers:
        for done, _ in enumerate(workers.map(look, waiting), start=already + 1):
            reporter().share(0.5 + 0.5 * done / len(confirmed))
    reporter().share(1.0)


def _look(look: "_Look", kept: CloserFolder) -> None:
    if look.settings.turns:
        kept.write_turns(look.stroke.number, look.turns())
    if look.settings.paddle:
        kept.write_paddle(look.stroke.number, look.paddle())
    kept.finish_stroke(look.stroke.number)


@dataclass(frozen=True)
class _Look:
    info: FootageInfo
    parts: TrackParts
    stroke: Stroke
    court: Court
    nets: Nets
    settings: CloserSettings
    sight: SightSettings

    def turns(self) -> Turns | None:
        """The player's turns from the backswing to the finish."""
        slow, stroke = self.info.slow_factor, self.stroke
        start = stroke.forward_s - BACKSWING_S * slow
        end = stroke.contact_s + FOLLOW_S * slow
        with self._frames(start, end, self.settings.turn_rate_hz) as frames:
            return read_turns(
                frames,
                clear_of_others(self._track(start, end), self._others(start, end)),
                pose_net=self.nets.pose,
                turn_net=self.nets.turn,
                calibration=load_calibration(),
                view=self._view(),
                slow_factor=slow,
            )

    def holds(self, struck: Struck) -> bool | None:
        """Whether the paddle in the hitting hand is where a ball was struck."""
        around = HOLDS_S * self.info.slow_factor
        return meets_ball(
            self._paddle(self.stroke.contact_s - around, self.stroke.contact_s + around),
            px=struck.px,
            time_s=struck.time_s,
            height_px=struck.height_px,
            slow_factor=self.info.slow_factor,
        )

    def paddle(self) -> PaddleTrack:
        """The paddle in the hitting hand from the forward swing to just after contact."""
        slow, stroke = self.info.slow_factor, self.stroke
        start = min(stroke.forward_s, stroke.contact_s - 0.4 * slow)
        return self._paddle(start, stroke.contact_s + 0.25 * slow)

    def _paddle(self, start: float, end: float) -> PaddleTrack:
        slow, stroke = self.info.slow_factor, self.stroke
        with self._frames(start, end, None) as frames:
            return look_for_paddle(
                frames,
                self._track(start, end),
                stroke.hand,
                self.nets.paddle,
                slow_factor=slow,
                others=self._others(start, end),
            )

    def _track(self, start_s: float, end_s: float) -> Track:
        margin = 2 * MARGIN_S * self.info.slow_factor
        return smoothed_window(
            self.parts,
            self.stroke.person,
            start_s=start_s - margin,
            end_s=end_s + margin,
            contact_s=self.stroke.contact_s,
            slow_factor=self.info.slow_factor,
            sight=self.sight,
            keep_hidden=True,
        )

    def _others(self, start_s: float, end_s: float) -> list[Track]:
        """Everybody else in view during a stretch."""
        margin = 2 * MARGIN_S * self.info.slow_factor
        people = [p.person for p in self.parts.summary().people if p.person != self.stroke.person]
        tracks = [self.parts.window(p, start_s - margin, end_s + margin) for p in people]
        return [t for t in tracks if len(t.time_s)]

    @contextmanager
    def _frames(self, start_s: float, end_s: float, rate_hz: float | None) -> Iterator:
        margin = MARGIN_S * self.info.slow_factor
        with open_frames(self.info.path, start_s=start_s - margin, end_s=end_s + margin) as frames:
            yield frames if rate_hz is None else _thinned(frames, self.info, rate_hz)

    def _view(self) -> View:
        camera = self.court.at(self.stroke.contact_s)
        if camera is None:
            return View.assumed(self.info.width_px, self.info.height_px)
        view = camera.view
        return View.solved(focal_px=view.focal_px, centre_px=view.centre_px, rotation=view.rotation)


def _thinned(frames: Iterable[Frame], info: FootageInfo, rate_hz: float) -> Iterator[Frame]:
    """Every k-th frame, so that no more than ``rate_hz`` a second on court are left.

    Frames are counted through the whole recording: a stretch read twice gives the same ones.
    """
    every = max(1, round(float(info.capture_rate) / rate_hz))
    return (frame for frame in frames if frame.index % every == 0)


def _shakes(court: Court) -> bool:
    return any(s.camera is not None and s.camera.shake_px > SHAKES_PX for s in court.spans)


def _watched(
    info: FootageInfo, strokes: Sequence[Stroke], watch: BallWatch, settings: CloserSettings
) -> Candidates:
    stretches = stretches_around(
        [s.contact_s for s in strokes],
        slow_factor=info.slow_factor,
        before_s=BALL_BEFORE_S,
        after_s=BALL_AFTER_S,
    )
    total = sum(end - start for start, end in stretches)
    done = 0.0
    for start, end in stretches:
        with open_frames(info.path, start_s=start, end_s=end) as frames:
            for frame in _thinned(read_ahead(frames), info, settings.ball_rate_hz):
                watch.step(frame)
                reporter().share(0.5 * (done + frame.time_s - start) / total)
        done += end - start
    return watch.candidates()
