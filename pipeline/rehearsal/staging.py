"""A rehearsal put together: bodies that move, balls that arrive and fly off, and what is heard.

Players come first with a guess of the face's angle; feeds to their contact points give the ball's
speed, which gives the angle that lands the ball where it is wanted; then everything is made again
with it. What leaves the face is computed from the paddle's own motion at contact.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.errors import RehearsalError
from paddlebrief.rehearsal.ball import Flight, fly
from paddlebrief.rehearsal.bodies import Body, BodySpec, bake_bodies, make_body
from paddlebrief.rehearsal.feeds import drop_to, face_for_landing, feed_to
from paddlebrief.rehearsal.figure import Figure
from paddlebrief.rehearsal.motion import PlayerMotion
from paddlebrief.rehearsal.paddle import strike
from paddlebrief.rehearsal.plan import FEEDS, Plan, PlannedEvent, make_plan
from paddlebrief.rehearsal.reach import Grip
from paddlebrief.rehearsal.scenario import PlayerSettings, Scenario
from paddlebrief.rehearsal.sound import Impact, other_court_impacts
from paddlebrief.rehearsal.trunk import Event, Stoop, Swing, Walk

__all__ = ["FEEDER_M", "BallPath", "StagedPlayer", "StagedStroke", "Staging", "stage"]

FEEDER_M = np.array([0.0, 4.6, 1.0])
"""Where balls are fed from, beyond the net."""
_GUESS_DEG = {"drive": 4.0, "slice": 14.0, "volley": 12.0, "dink": 25.0, "serve": 8.0,
              "overhead": 0.0}  # fmt: skip
_FACES_DEG = {"drive": (-8.0, 10.0), "slice": (6.0, 32.0)}
"""Aimed faces stay near-vertical for a drive and open for a slice, by the meaning of the words."""
_LIFE_S = 3.2
_TOSS_S = 0.42
_OUT_M = np.array([7.5, 10.5])
"""Half width and half length of the ground on which a ball is still shown."""
_STEP_S = 1e-4


@dataclass(frozen=True)
class StagedPlayer:
    """One player with body, motion and the events of the plan."""

    settings: PlayerSettings
    body: Body
    motion: PlayerMotion
    events: tuple[PlannedEvent, ...]


@dataclass(frozen=True)
class StagedStroke:
    """One stroke: who, what, and the ball before and after; ``ball_m`` (3,) is at contact."""

    player: int
    event: PlannedEvent
    ball_m: np.ndarray
    incoming: Flight
    outgoing: Flight


@dataclass(frozen=True)
class BallPath:
    """One ball's place over part of the session; ``place`` maps (T,) times to (T, 3)."""

    start_s: float
    end_s: float
    place: Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Staging:
    """All that happens in a rehearsal, as functions of time in the court frame."""

    scenario: Scenario
    length_s: float
    players: tuple[StagedPlayer, ...]
    strokes: tuple[StagedStroke, ...]
    balls: tuple[tuple[BallPath, ...], ...]
    impacts: tuple[Impact, ...]

    def ball_places(self, time_s: np.ndarray) -> np.ndarray:
        """(T, K, 3) places of the balls, NaN where there is none; K balls at most at one time."""
        t = np.asarray(time_s, dtype=float)
        places = np.full((len(t), max(len(self.balls), 1), 3), np.nan)
        for k, slot in enumerate(self.balls):
            for path in slot:
                there = (t >= path.start_s) & (t < path.end_s)
                if there.any():
                    places[there, k] = path.place(t[there])
        return places


def stage(scenario: Scenario, seed: int) -> Staging:
    """Put a scenario on the court; the same scenario and seed always give the same.

    Raises
    ------
    RehearsalError
        When strokes do not fit into the length, or a ball cannot be fed to a contact point.
    """
    plan = make_plan(scenario, np.random.default_rng([seed, 1]))
    bodies = _bodies(scenario, seed)
    figures = [
        Figure(body, left_handed=p.hand == "left")
        for body, p in zip(bodies, scenario.players, strict=True)
    ]
    faces = [[_GUESS_DEG.get(e.action, 0.0) for e in row] for row in plan.events]
    motions = _motions(scenario, plan, figures, faces, seed)
    for k, motion in enumerate(motions):
        for index, event in enumerate(plan.events[k]):
            if event.what == "stroke":
                faces[k][index] = _face(scenario, motion, event, index, (seed, k))
    motions = _motions(scenario, plan, figures, faces, seed)
    players = tuple(
        StagedPlayer(*parts)
        for parts in zip(scenario.players, bodies, motions, plan.events, strict=True)
    )
    strokes = _strokes(scenario, players, seed)
    balls = [_stroke_ball(players[s.player], s) for s in strokes]
    balls += [_picked_ball(p, e) for p in players for e in p.events if e.what == "pick-up"]
    impacts = _impacts(strokes)
    impacts += other_court_impacts(
        scenario.sound, length_s=plan.length_s, rng=np.random.default_rng([seed, 5])
    )
    impacts.sort(key=lambda i: i.time_s)
    return Staging(scenario, plan.length_s, players, tuple(strokes), _slots(balls), tuple(impacts))


def _bodies(scenario: Scenario, seed: int) -> list[Body]:
    wanted = []
    for k, player in enumerate(scenario.players):
        looks = player.appearance if player.appearance is not None else 1000 * seed + k
        wanted.append((BodySpec(**player.body.model_dump(), appearance=looks), looks))
    bake_bodies(wanted)
    return [make_body(spec, looks) for spec, looks in wanted]


def _motions(scenario, plan: Plan, figures: Sequence[Figure], faces, seed: int):
    return [
        PlayerMotion(
            figure,
            [_event(figure, e, face) for e, face in zip(events, angles, strict=True)],
            paddle=player.paddle,
            grip=Grip(),
            rng=np.random.default_rng([seed, 2, k]),
        )
        for k, (player, figure, events, angles) in enumerate(
            zip(scenario.players, figures, plan.events, faces, strict=True)
        )
    ]


def _event(figure: Figure, event: PlannedEvent, face_deg: float) -> Event:
    base = figure.to_court(np.append(event.base_m, 0.0))[:2]
    if event.what == "crossing":
        return Walk(*event.span_s, base)
    if event.what == "pick-up":
        return Stoop(event.contact_s, base)
    return Swing(event.contact_s, event.action, event.side, base, event.dials, face_deg)


def _contact_ball(motion: PlayerMotion, index: int) -> np.ndarray:
    return motion.figure.to_court(motion.contacts[index].ball_m)


def _incoming(scenario, motion, event: PlannedEvent, ball_m, rng) -> Flight:
    if event.action == "serve":
        release_s = event.contact_s - _TOSS_S
        release = _other_hand(motion, np.array([release_s]))[0]
        return drop_to(
            ball_m, release_m=release, release_s=release_s, contact_s=event.contact_s,
            settings=scenario.ball,
        )  # fmt: skip
    for _ in range(5):
        release = FEEDER_M + rng.normal(0, 1, 3) * [0.35, 0.25, 0.08]
        try:
            return feed_to(
                ball_m, release_m=release, contact_s=event.contact_s, style=FEEDS[event.action],
                settings=scenario.ball, rng=rng,
            )  # fmt: skip
        except RehearsalError as error:
            failure = error
    raise failure


def _face(scenario, motion, event: PlannedEvent, index: int, seeds: tuple[int, int]) -> float:
    """Face angle that lands the ball as the dials want, opened by their error."""
    ball, dials = _contact_ball(motion, index), event.dials
    rng = np.random.default_rng([*seeds, 3, index])
    rise, right = np.radians([dials.path_angle_deg, dials.face_heading_deg])
    path = np.array([np.sin(right) * np.cos(rise), np.cos(right) * np.cos(rise), np.sin(rise)])
    angle = face_for_landing(
        ball,
        incoming=_incoming(scenario, motion, event, ball, rng),
        face_velocity_mps=dials.head_speed_mps * path,
        heading_deg=dials.face_heading_deg,
        landing_depth_m=dials.landing_depth_m,
        paddle=motion.paddle,
        settings=scenario.ball,
    )
    low, high = _FACES_DEG.get(event.action, (-90.0, 90.0))
    return float(np.clip(angle, low, high)) + dials.face_error_deg


def _strokes(scenario, players: Sequence[StagedPlayer], seed: int) -> list[StagedStroke]:
    strokes = []
    for k, player in enumerate(players):
        for index, event in enumerate(player.events):
            if event.what == "stroke":
                strokes.append(_stroke(scenario, player, k, index, seed))
    strokes.sort(key=lambda s: s.event.contact_s)
    return strokes


def _stroke(scenario, player: StagedPlayer, k: int, index: int, seed: int) -> StagedStroke:
    motion, event = player.motion, player.events[index]
    rng = np.random.default_rng([seed, k, 4, index])
    at = event.contact_s + np.array([-_STEP_S, 0.0, _STEP_S])
    show = motion.perform(at)
    off_centre = np.append(np.clip(rng.normal(0, 0.012, 2), -0.03, 0.03), 0.0)
    point = player.settings.paddle.face_centre_m + off_centre
    touched = show.butt_m + show.paddle_rotation @ point
    side = 1.0 if event.side == "forehand" else -1.0
    normal = side * show.paddle_rotation[1, :, 2]
    ball = touched[1] + player.settings.paddle.stand_off_m * normal
    incoming = _incoming(scenario, motion, event, ball, np.random.default_rng([seed, k, 3, index]))
    struck = strike(
        incoming.velocity_mps[-1],
        incoming.spin_radps[-1],
        face_velocity_mps=(touched[2] - touched[0]) / (2 * _STEP_S),
        face_normal=normal,
        paddle=player.settings.paddle,
    )
    outgoing = _shown(fly(
        ball, struck.velocity_mps, struck.spin_radps,
        start_s=event.contact_s, end_s=event.contact_s + _LIFE_S, settings=scenario.ball,
    ))  # fmt: skip
    return StagedStroke(k, event, ball, incoming, outgoing)


def _shown(flight: Flight) -> Flight:
    """The flight up to where the ball leaves the ground that is shown."""
    out = np.any(np.abs(flight.position_m[:, :2]) > _OUT_M, axis=1)
    if not out.any():
        return flight
    end = max(int(np.argmax(out)), 2)
    last = flight.time_s[end - 1]
    return replace(
        flight,
        time_s=flight.time_s[:end],
        position_m=flight.position_m[:end],
        velocity_mps=flight.velocity_mps[:end],
        spin_radps=flight.spin_radps[:end],
        events=tuple(e for e in flight.events if e.time_s <= last),
    )


def _other_hand(motion: PlayerMotion, time_s: np.ndarray) -> np.ndarray:
    """(T, 3) middle of the other hand's palm."""
    show, body = motion.perform(time_s), motion.figure.body
    name = "right_hand" if motion.figure.mirrored else "left_hand"
    return body.landmark(name, *body.joints(show.root_position_m, show.local_rotations))


def _stroke_ball(player: StagedPlayer, stroke: StagedStroke) -> BallPath:
    incoming, outgoing = stroke.incoming, stroke.outgoing
    contact_s = stroke.event.contact_s
    held_s = contact_s - 1.6 if stroke.event.action == "serve" else incoming.time_s[0]

    def place(time_s: np.ndarray) -> np.ndarray:
        places = np.where((time_s < contact_s)[:, None], incoming.at(time_s), outgoing.at(time_s))
        held = time_s < incoming.time_s[0]
        if held.any():
            places[held] = _other_hand(player.motion, time_s[held])
        return places

    return BallPath(float(held_s), float(outgoing.time_s[-1]), place)


def _picked_ball(player: StagedPlayer, event: PlannedEvent) -> BallPath:
    """A ball that lies where the hand will reach it, is taken up and pocketed."""
    spot = _other_hand(player.motion, np.array([event.contact_s]))[0]
    lying = np.array([spot[0], spot[1], 0.0371])

    def place(time_s: np.ndarray) -> np.ndarray:
        places = np.tile(lying, (len(time_s), 1))
        taken = time_s >= event.contact_s
        if taken.any():
            grasp = np.clip((time_s[taken] - event.contact_s) / 0.15, 0, 1)[:, None]
            hand = _other_hand(player.motion, time_s[taken])
            places[taken] = lying + grasp * (hand - lying)
        return places

    return BallPath(event.contact_s - 6.0, event.contact_s + 0.7, place)


def _impacts(strokes: Sequence[StagedStroke]) -> list[Impact]:
    impacts = []
    for stroke in strokes:
        incoming, outgoing = stroke.incoming, stroke.outgoing
        jump = np.linalg.norm(outgoing.velocity_mps[0] - incoming.velocity_mps[-1])
        impacts.append(Impact("paddle", stroke.event.contact_s, stroke.ball_m, float(jump / 16.0)))
        if stroke.event.action != "serve":
            impacts.append(Impact("feed", float(incoming.time_s[0]), incoming.position_m[0], 0.7))
        for event in (*incoming.events, *outgoing.events):
            strength = min(event.speed_mps / 9.0, 1.5)
            impacts.append(Impact(event.kind, event.time_s, event.place_m, strength))
    return impacts


def _slots(balls: Sequence[BallPath]) -> tuple[tuple[BallPath, ...], ...]:
    """Balls packed into as few slots as never hold two at a time."""
    slots: list[list[BallPath]] = []
    for ball in sorted(balls, key=lambda b: b.start_s):
        free = next((s for s in slots if s[-1].end_s <= ball.start_s), None)
        if free is None:
            slots.append([ball])
        else:
            free.append(ball)
    return tuple(map(tuple, slots))
