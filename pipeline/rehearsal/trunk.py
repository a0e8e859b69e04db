"""Hips, chest, head and feet of a player through a session, in the figure's frame.

The turns of hips and shoulders in a forward swing are minimum-jerk bells whose middle, the
moment of greatest speed, stands where the dials put it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from paddlebrief.rehearsal.curves import Curve, Key, ease_rate
from paddlebrief.rehearsal.figure import Figure, FootState
from paddlebrief.rehearsal.footwork import (
    SIDES,
    FootTrack,
    HeelLift,
    Placement,
    Step,
    ready_stance,
    steps_needed_s,
    stroke_stance,
    travel_steps,
)
from paddlebrief.rehearsal.swings import SHAPES, Shape
from paddlebrief.rehearsal.technique import Dials

__all__ = ["RECOVER_S", "SPLIT_S", "UNIT_TURN_S", "Stoop", "Swing", "Trunk", "Walk"]

UNIT_TURN_S = 0.95
"""From the first turn of the body to contact (common practice, no source)."""
RECOVER_S = 1.05
"""From contact to the ready position (common practice, no source)."""
SPLIT_S = 1.22
"""From the start of the split step to contact (common practice, no source)."""
_HIP_SHARE = 0.65
"""Turn of the hips over turn of the shoulders in the forward swing: 19.0/30.1 one-handed and
47.4/71.1 two-handed (JSSM 14:194, Table 2)."""
_LEVER_M = {1: 0.86, -1: 0.78}
"""Distance of the face from the turning axis of the trunk at contact, by side, stature 1.75 m."""
_TRAVEL_MPS = 0.35
_READY_PITCH = 0.26


@dataclass(frozen=True)
class Swing:
    """One swing, with or without a ball.

    Attributes
    ----------
    contact_s
        When the face is where the ball is, or would be.
    action, side
        A key of `paddlebrief.rehearsal.swings.SHAPES`.
    base_m
        (2,) where the player stands, figure frame.
    dials
        The stroke's wishes.
    face_angle_deg
        Rise of the hitting face's normal at contact.
    """

    contact_s: float
    action: str
    side: str
    base_m: np.ndarray
    dials: Dials
    face_angle_deg: float

    @property
    def shape(self) -> Shape:
        """What no dial sets."""
        return SHAPES[(self.action, self.side)]

    @property
    def sign(self) -> int:
        """1 for a forehand, −1 for a backhand."""
        return 1 if self.side == "forehand" else -1

    @property
    def start_s(self) -> float:
        """When the player leaves the ready position."""
        return self.contact_s - SPLIT_S

    @property
    def end_s(self) -> float:
        """When the player is ready again."""
        return self.contact_s + RECOVER_S


@dataclass(frozen=True)
class Stoop:
    """Picking up a ball from the ground in front of ``base_m`` at ``contact_s``."""

    contact_s: float
    base_m: np.ndarray

    @property
    def start_s(self) -> float:
        """When the player leaves the ready position."""
        return self.contact_s - 0.9

    @property
    def end_s(self) -> float:
        """When the player is ready again."""
        return self.contact_s + 1.0


@dataclass(frozen=True)
class Walk:
    """Walking to ``base_m``, turned to where one goes, between two times."""

    start_s: float
    end_s: float
    base_m: np.ndarray


Event = Swing | Stoop | Walk


class Trunk:
    """Trunk and feet through a row of events.

    Parameters
    ----------
    figure
        Gives the sizes.
    events
        In order of time and not overlapping; the first one's place is where the player starts.
    rng
        Draws the small wandering of the ready position.

    Raises
    ------
    ValueError
        When events overlap or there is none.
    """

    def __init__(
        self, figure: Figure, events: Sequence[Event], *, rng: np.random.Generator
    ) -> None:
        if not events:
            raise ValueError("a player needs at least one event")
        self._figure = figure
        self._scale = figure.stature_m / 1.75
        self._rng = rng
        self._keys: dict[str, list[Key]] = {
            name: []
            for name in ("hip_yaw", "chest_yaw", "facing", "lean", "head", "place", "height")
        }
        self._steps: list[Step] = []
        self._lifts: list[HeelLift] = []
        self._start = ready_stance(np.asarray(events[0].base_m, float), self._scale)
        self._stance = self._start
        self._now_s = events[0].start_s - 1.5
        self._ready(self._now_s)
        for event in events:
            if event.start_s < self._now_s + 0.02:
                raise ValueError(f"events overlap at {event.start_s:.2f} s")
            if isinstance(event, Walk):
                self._walk(event)
                continue
            self._reach(np.asarray(event.base_m, float), event.start_s)
            self._swing(event) if isinstance(event, Swing) else self._stoop(event)
        self.curves = {name: Curve(keys) for name, keys in self._keys.items()}
        self.feet = {
            foot: FootTrack(
                self._start[foot],
                [s for s in self._steps if s.foot == foot],
                [lift for lift in self._lifts if lift.foot == foot],
            )
            for foot in SIDES
        }

    def angles(self, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(T, 3) yaw, pitch, roll of pelvis, chest and head."""
        curves = {name: curve(time_s) for name, curve in self.curves.items()}
        facing, lean = curves["facing"][:, 0], curves["lean"]
        hip, chest, head = curves["hip_yaw"][:, 0], curves["chest_yaw"][:, 0], curves["head"]
        still = np.zeros_like(facing)
        return (
            np.stack([hip + facing, lean[:, 0], 0.3 * lean[:, 2]], axis=-1),
            np.stack([chest + facing, lean[:, 1], lean[:, 2]], axis=-1),
            np.stack([head[:, 0] + facing, head[:, 1], still], axis=-1),
        )

    def place(self, time_s: np.ndarray) -> np.ndarray:
        """(T, 3) place of the pelvis joint."""
        flat, height = self.curves["place"](time_s), self.curves["height"](time_s)
        return np.concatenate([flat, height], axis=-1)

    def foot(self, name: str, time_s: np.ndarray) -> FootState:
        """One foot at (T,) times."""
        return self.feet[name](time_s)

    def _add(self, name: str, key: Key) -> None:
        self._keys[name].append(key)

    def _height(self, share: float) -> float:
        """Height of the pelvis joint with the legs at a share of their length."""
        return self._figure.rest("right_ankle")[2] + 0.02 + share * self._figure.leg_length_m

    def _middle(self, rear_share: float = 0.5, rear: str = "right") -> np.ndarray:
        front = "left" if rear == "right" else "right"
        ends = (self._stance[rear], self._stance[front])
        shares = (rear_share, 1 - rear_share)
        return np.sum([[s * p.x_m, s * p.y_m] for s, p in zip(shares, ends, strict=True)], axis=0)

    def _ready(self, time_s: float) -> None:
        jitter = self._rng.normal(0, 1, 6)
        self._add("hip_yaw", Key.rest(time_s, 0.02 * jitter[0]))
        self._add("chest_yaw", Key.rest(time_s, 0.03 * jitter[1]))
        self._add("facing", Key.rest(time_s, 0.0))
        pitch = _READY_PITCH + 0.03 * jitter[2]
        self._add("lean", Key.rest(time_s, (0.35 * pitch, pitch, 0.02 * jitter[3])))
        self._add("head", Key.rest(time_s, (0.04 * jitter[4], 0.08)))
        self._add("place", Key.rest(time_s, self._middle() - [0.0, 0.03 * self._scale]))
        self._add("height", Key.rest(time_s, self._height(0.905 + 0.008 * jitter[5])))
        self._now_s = time_s

    def _reach(self, base_m: np.ndarray, by_s: float) -> None:
        """Travel to a ready stance at an easy pace and stand ready until ``by_s``."""
        goal = ready_stance(base_m, self._scale)
        way = np.hypot(*(np.asarray(base_m, float) - self._middle()))
        there_s = self._now_s + steps_needed_s(float(way))
        if way > 0.02 and there_s < by_s - 0.4:
            self._step_to(goal, self._now_s, there_s - 0.03)
            self._ready(there_s + 0.12)
        else:
            self._step_to(goal, self._now_s, by_s - 0.03)
        self._ready(by_s)

    def _walk(self, event: Walk) -> None:
        way = np.asarray(event.base_m, float) - self._middle()
        heading = float(np.arctan2(-way[0], way[1]))
        self._reach(self._middle(), event.start_s)
        off_s = event.start_s + 0.5
        there_s = event.start_s + 0.2 + steps_needed_s(float(np.hypot(*way)))
        there_s = max(min(there_s, event.end_s - 0.5), off_s + 0.1)
        for time_s in (off_s, there_s):
            self._add("facing", Key.rest(time_s, heading))
            self._add("lean", Key.rest(time_s, (0.02, 0.06, 0.0)))
            self._add("height", Key.rest(time_s, self._height(0.925)))
        turned = ready_stance(event.base_m, self._scale * 0.6, heading)
        self._step_to(turned, event.start_s + 0.15, there_s - 0.05)
        self._step_to(ready_stance(event.base_m, self._scale), there_s, there_s + 0.45)
        if event.end_s > there_s + 0.9:
            self._ready(there_s + 0.5)
        self._ready(event.end_s)

    def _step_to(self, goal: dict[str, Placement], start_s: float, end_s: float) -> None:
        for step in travel_steps(self._stance, goal, start_s=start_s, end_s=end_s):
            self._steps.append(step)
            self._stance = self._stance | {step.foot: step.to}
            # The key of the ready position that follows brings the pelvis to rest.
            if step.end_s < end_s - 0.15:
                self._add("place", Key(step.end_s, self._middle() - [0.0, 0.03 * self._scale]))

    def _swing(self, swing: Swing) -> None:
        self._swing_feet(swing)
        self._swing_turns(swing)
        self._swing_lean(swing)
        self._ready(swing.end_s)

    def _swing_feet(self, swing: Swing) -> None:
        at, base = swing.contact_s, np.asarray(swing.base_m, float)
        places, rear = stroke_stance(base, swing.shape, side=swing.sign, scale=self._scale)
        front = "left" if rear == "right" else "right"
        for foot in SIDES:
            hop = Step(foot, at - 1.16, at - 0.94, self._stance[foot], 0.03)
            self._steps.append(hop)
        self._add("place", Key(at - 0.95, self._middle()))
        self._stance = self._stance | {rear: places[rear]}
        self._steps.append(Step(rear, at - 0.82, at - 0.54, places[rear]))
        self._add("place", Key(at - 0.54, self._middle(0.60, rear)))
        self._stance = self._stance | {front: places[front]}
        self._steps.append(Step(front, at - 0.50, at - 0.24, places[front]))
        travel = np.array([0.0, swing.shape.weight_forward_m * self._scale])
        self._add("place", Key(at - 0.26, self._middle(0.60, rear) - 0.3 * travel))
        self._add("place", Key(at + 0.20, self._middle(0.42, rear) + 0.6 * travel))
        pivot = places[rear].yaw_rad * 0.35
        turned = Placement(places[rear].x_m, places[rear].y_m, pivot)
        self._steps.append(Step(rear, at - 0.16, at + 0.26, turned, 0.0))
        big = swing.shape.weight_forward_m > 0.12
        rise, fall = (at - 0.14, at + 0.24), (at + 0.36, at + 0.60)
        self._lifts.append(HeelLift(rear, rise, fall, 0.62 if big else 0.22))
        home = ready_stance(base, self._scale)
        self._steps.append(Step(rear, at + 0.36, at + 0.64, home[rear]))
        self._steps.append(Step(front, at + 0.68, at + 0.94, home[front]))
        self._stance = home

    def _swing_turns(self, swing: Swing) -> None:
        at, dials, side = swing.contact_s, swing.dials, swing.sign
        begin = at - UNIT_TURN_S
        hips, chest = np.radians([dials.hip_turn_deg, dials.shoulder_turn_deg])
        hip_start, chest_start = swing.shape.forward_s, swing.shape.forward_s + 0.025
        hip_end = 2 * dials.pelvis_peak_s - hip_start
        chest_end = 2 * dials.trunk_peak_s - chest_start
        span = chest_end - chest_start
        rate = float(ease_rate(np.array(-chest_start / span))) / span
        flat_speed = dials.head_speed_mps * np.cos(np.radians(dials.path_angle_deg))
        wanted = (1 - dials.arm_share) * flat_speed - _TRAVEL_MPS
        lever = _LEVER_M[side] * self._scale
        forward = np.clip(wanted / (lever * rate), np.radians(6), chest + np.radians(40))
        for name, turn, start, end, share in (
            ("hip_yaw", hips, hip_start, hip_end, _HIP_SHARE),
            ("chest_yaw", chest, chest_start, chest_end, 1.0),
        ):
            self._add(name, Key.rest(begin, 0.0))
            self._add(name, Key.rest(at + start, -side * turn))
            last = -side * (turn - share * forward)
            self._add(name, Key.rest(at + end, last))
            self._add(name, Key.rest(at + max(end + 0.04, 0.32), last))
        look = -side * (0.45 if swing.action != "overhead" else 0.1)
        down = float(np.clip(0.9 - 0.55 * dials.contact_height_m, -0.7, 0.65))
        self._add("head", Key.rest(begin, (0.0, 0.05)))
        self._add("head", Key(at - 0.25, (0.4 * look, 0.5 * down)))
        self._add("head", Key.rest(at - 0.02, (look, down)))
        self._add("head", Key.rest(at + 0.14, (look, down)))
        self._add("head", Key.rest(at + 0.55, (0.0, 0.05)))

    def _swing_lean(self, swing: Swing) -> None:
        at, side = swing.contact_s, swing.sign
        reach = swing.dials.contact_height_m / self._scale
        bend = float(np.interp(reach, [0.35, 0.8, 1.2, 1.9], [0.68, 0.38, 0.18, -0.02]))
        drop = float(np.interp(reach, [0.35, 0.8, 1.2, 1.9], [0.72, 0.84, 0.90, 0.95]))
        high = swing.action == "overhead"
        tilt = side * (-0.26 if high else 0.07)
        load_bend = -0.10 if high else 0.5 * (bend + 0.15)
        hips = 0.45
        self._add("lean", Key.rest(at - UNIT_TURN_S, (hips * 0.22, 0.22, 0.0)))
        self._add("lean", Key(at - 0.28, (hips * load_bend, load_bend, 0.3 * tilt)))
        self._add("lean", Key(at, (hips * bend, bend, tilt)))
        self._add("lean", Key(at + 0.30, (hips * bend, bend * 0.9, 0.4 * tilt)))
        self._add("height", Key(at - UNIT_TURN_S, self._height(0.885)))
        self._add("height", Key(at - 0.30, self._height(min(0.885, drop + 0.02))))
        self._add("height", Key(at, self._height(drop)))
        self._add("height", Key(at + 0.30, self._height(min(drop + 0.03, 0.94))))

    def _stoop(self, event: Stoop) -> None:
        at = event.contact_s
        self._add("lean", Key.rest(at, (0.95, 1.50, 0.0)))
        self._add("height", Key.rest(at, self._height(0.54)))
        self._add("head", Key.rest(at, (0.0, 0.95)))
        self._add("place", Key.rest(at, self._middle() - [0.0, 0.10 * self._scale]))
        self._ready(event.end_s)
