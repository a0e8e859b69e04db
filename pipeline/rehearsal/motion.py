"""A player's whole motion: trunk, arms, feet and paddle as smooth functions of time.

The trunk's curves come first. Then each swing's arm is fitted to where the chest is at load,
contact and finish, with the speed at contact that gives the paddle its wanted path, head speed
and roll; between those keys the arm moves with least jerk.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from paddlebrief.rehearsal.curves import Curve, Key
from paddlebrief.rehearsal.figure import JOINT_LIMITS_DEG, ArmState, Figure, Pose, PoseState
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.rehearsal.reach import (
    ArmKey,
    Chest,
    ContactArm,
    Grip,
    arm_rates,
    between,
    face_from_shoulder,
    face_normal,
    finish_arm,
    key_of,
    lag_flexion,
    load_arm,
    solve_contact,
)
from paddlebrief.rehearsal.segments import turn, unit
from paddlebrief.rehearsal.trunk import UNIT_TURN_S, Event, Stoop, Swing, Trunk, Walk

__all__ = ["Performance", "PlayerMotion"]

_READY = key_of((0.30, 0.30, -0.92), (-0.32, 0.85, 0.30), (35, -22, -8))
_READY_OTHER = key_of((0.22, 0.38, -0.90), (-0.42, 0.88, 0.25), (30, -10, 0))
_HANGING = key_of((0.18, 0.02, -0.98), (0.06, 0.35, -0.93), (20, 0, 0))
_STOOP_OTHER = key_of((0.02, 0.95, -0.25), (-0.04, 0.99, -0.05), (40, 10, 0))
_STEP_S = 5e-4
_RELEASE_MOST_RADPS = 9.0
_WRIST_STOP_S = 0.10
_SOFT_RAD = np.radians(1.0)
_LIMITS = np.radians(
    [JOINT_LIMITS_DEG[j] for j in ("elbow", "pronation", "wrist_flexion", "wrist_deviation")]
)


@dataclass(frozen=True)
class Performance:
    """A player at (T,) times in the real court frame, ready to be rendered.

    Attributes
    ----------
    root_position_m, local_rotations
        (T, 3) and (T, J, 3, 3) for the player's body.
    butt_m, paddle_rotation
        (T, 3) and (T, 3, 3) of the paddle's frame.
    """

    root_position_m: np.ndarray
    local_rotations: np.ndarray
    butt_m: np.ndarray
    paddle_rotation: np.ndarray


class PlayerMotion:
    """The motion of one player through a row of events.

    Parameters
    ----------
    figure
        The player's segments.
    events
        In order of time, in the figure's frame.
    paddle, grip
        The paddle and how it is held.
    rng
        Draws the wandering between strokes.

    Attributes
    ----------
    contacts
        For each event the solved contact (figure frame), or None when it is no swing.
    """

    def __init__(
        self,
        figure: Figure,
        events: Sequence[Event],
        *,
        paddle: PaddleSpec,
        grip: Grip,
        rng: np.random.Generator,
    ) -> None:
        self.figure, self.paddle, self.grip = figure, paddle, grip
        self.events = tuple(events)
        self.trunk = Trunk(figure, events, rng=rng)
        self._rng = rng
        self._keys: dict[str, list[Key]] = {n: [] for n in ("arm", "wrist", "other", "both")}
        self._ready(events[0].start_s - 1.5)
        self.contacts: list[ContactArm | None] = []
        for event in events:
            if isinstance(event, Swing):
                self.contacts.append(self._swing(event))
            else:
                self._errand(event)
                self.contacts.append(None)
        self.curves = {name: Curve(keys) for name, keys in self._keys.items()}

    def state(self, time_s: np.ndarray) -> PoseState:
        """Figure state at (T,) times."""
        t = np.asarray(time_s, dtype=float)
        pelvis, chest, head = self.trunk.angles(t)
        arm, wrist = self.curves["arm"](t), self.curves["wrist"](t)
        other = self.curves["other"](t)
        angles = np.concatenate([arm[:, 6:8], wrist], axis=-1)
        return PoseState(
            pelvis_m=self.trunk.place(t),
            pelvis_rad=pelvis,
            chest_rad=chest,
            head_rad=head,
            hitting=_arm_state(arm, angles),
            other=_arm_state(other, other[:, 6:10]),
            right_foot=self.trunk.foot("right", t),
            left_foot=self.trunk.foot("left", t),
            grip_weight=np.clip(self.curves["both"](t)[:, 0], 0.0, 1.0),
        )

    def pose(self, time_s: np.ndarray) -> Pose:
        """Figure pose at (T,) times, figure frame."""
        return self.figure.pose(self.state(time_s))

    def perform(self, time_s: np.ndarray) -> Performance:
        """Body and paddle at (T,) times, real court frame."""
        state = self.state(time_s)
        pose = self.figure.pose(state)
        root, local = self.figure.body_pose(pose)
        hitting, other = ("left", "right") if self.figure.mirrored else ("right", "left")
        local = self.figure.body.grip(local, hitting)
        local = self.figure.body.grip(local, other, 0.3 + 0.7 * state.grip_weight)
        wrist = pose.positions["right_wrist"]
        butt, rotation = self.grip.paddle(self.figure, wrist, pose.hand)
        butt = self.figure.to_court(butt)
        if self.figure.mirrored:
            # In the mirror y and z turn over with the paddle; x is kept right-handed.
            y, z = (self.figure.to_court(rotation[..., :, k]) for k in (1, 2))
            rotation = np.stack([np.cross(y, z), y, z], axis=-1)
        return Performance(root, local, butt, rotation)

    def _chest(self, time_s: float) -> Chest:
        pelvis, chest, _ = self.trunk.angles(np.array([time_s]))
        place = self.figure.chest_place(self.trunk.place(np.array([time_s])), pelvis, chest)
        return Chest(place[0], turn(chest)[0])

    def _hips(self, time_s: float) -> np.ndarray:
        pelvis, _, _ = self.trunk.angles(np.array([time_s]))
        offset = (self.figure.rest("right_hip") + self.figure.rest("left_hip")) / 2
        offset = offset - self.figure.rest("pelvis")
        return self.trunk.place(np.array([time_s]))[0] + turn(pelvis)[0] @ offset

    def _ready(self, time_s: float, *, walking: bool = False) -> None:
        wander = self._rng.normal(0, 0.03, 4)
        arm, other = (_HANGING, _HANGING) if walking else (_READY, _READY_OTHER)
        moved = unit(arm.upper + np.array([wander[0], wander[1], 0.0]))
        self._ready_arm = ArmKey(moved, arm.hinge, arm.angles_rad)
        self._arm(Key.rest(time_s, _flat(moved, arm.hinge, arm.angles_rad[:2] + wander[2])))
        self._keys["wrist"].append(Key.rest(time_s, arm.angles_rad[2:] + wander[3]))
        self._other(time_s, other, rest=True)
        self._keys["both"].append(Key.rest(time_s, 0.0))

    def _arm(self, key: Key) -> None:
        self._keys["arm"].append(key)

    def _other(self, time_s: float, arm: ArmKey, *, rest: bool = False) -> None:
        value = _flat(arm.upper, arm.hinge, arm.angles_rad)
        self._keys["other"].append(Key.rest(time_s, value) if rest else Key(time_s, value))

    def _errand(self, event: Stoop | Walk) -> None:
        self._ready(event.start_s)
        if isinstance(event, Stoop):
            self._other(event.contact_s, _STOOP_OTHER, rest=True)
        elif event.end_s - event.start_s > 1.4:
            self._ready(event.start_s + 0.6, walking=True)
            self._ready(event.end_s - 0.6, walking=True)
        self._ready(event.end_s)

    def _swing(self, swing: Swing) -> ContactArm:
        at, side, shape, dials = swing.contact_s, swing.sign, swing.shape, swing.dials
        self._ready(at - UNIT_TURN_S - 0.02)
        load = load_arm(self._chest(at + shape.forward_s), side=side, dials=dials, shape=shape)
        chest = self._chest(at)
        heading = dials.face_heading_deg * (-1 if self.figure.mirrored else 1)
        normal = face_normal(swing.face_angle_deg, heading)
        contact = solve_contact(
            self.figure, chest, hips_m=self._hips(at), normal=normal, side=side,
            dials=dials, shape=shape, grip=self.grip, paddle=self.paddle,
        )  # fmt: skip
        load = between(contact.arm, load, shape.backswing_share)
        lag = lag_flexion(self.figure, dials.wrist_lag_deg, load.angles_rad[3])
        lag_s = min(0.075, -0.35 * shape.forward_s)
        rates = self._rates(swing, contact, lag, lag_s)
        self._swing_arm(swing, load, contact, rates)
        self._swing_wrist(swing, load, contact, (lag, lag_s, rates[2]))
        self._swing_other(swing)
        self._recover(swing.end_s)
        return contact

    def _recover(self, end_s: float) -> None:
        finish, begin_s = self._finish
        half = between(finish, _READY, 0.5)
        half_value = _flat(half.upper, half.hinge, half.angles_rad[:2])
        self._arm(Key((begin_s + end_s) / 2, half_value))
        self._ready(end_s)

    def _rates(self, swing: Swing, contact: ContactArm, lag: float, lag_s: float):
        at, dials = swing.contact_s, swing.dials
        before, now, after = (self._chest(at + d) for d in (-_STEP_S, 0.0, _STEP_S))
        speed = (after.place_m - before.place_m) / (2 * _STEP_S)
        spin = (after.rotation - before.rotation) @ now.rotation.T / (2 * _STEP_S)
        trunk = speed + spin @ (contact.face_m - now.place_m)
        heading = np.radians(dials.face_heading_deg) * (-1 if self.figure.mirrored else 1)
        rise = np.radians(dials.path_angle_deg)
        path = np.array(
            [np.sin(heading) * np.cos(rise), np.cos(heading) * np.cos(rise), np.sin(rise)]
        )
        roll = -swing.sign * np.radians(dials.turnover_deg) / 0.06
        compact = swing.shape.backswing_share < 1.0
        release = min(0.8 * (contact.arm.angles_rad[2] - lag) / lag_s, _RELEASE_MOST_RADPS)
        if compact:
            release = 0.0
        turning = np.array([spin[2, 1], spin[0, 2], spin[1, 0]])
        return arm_rates(
            self.figure, now, contact,
            velocity_mps=dials.head_speed_mps * path - trunk,
            roll_radps=roll - turning @ contact.paddle[:, 1],
            release_radps=release,
            firm_wrist=compact,
        )  # fmt: skip

    def _swing_arm(self, swing: Swing, load: ArmKey, contact: ContactArm, rates) -> None:
        at, start_s = swing.contact_s, swing.shape.forward_s - 0.02
        upper_rate, hinge_rate, angle_rates = rates
        velocity = _flat(upper_rate, hinge_rate, angle_rates[:2])
        value = _flat(contact.arm.upper, contact.arm.hinge, contact.arm.angles_rad[:2])
        load_value = _flat(load.upper, load.hinge, load.angles_rad[:2])
        lead = self._lead_s(load, contact.arm, swing.dials.head_speed_mps)
        load_s = at + min(start_s, -lead)
        # Directions are interpolated by their components: a key half-way keeps a wide turn even.
        begin_s, half = self._keys["arm"][-1].time_s, between(self._ready_arm, load, 0.5)
        half_value = _flat(half.upper, half.hinge, half.angles_rad[:2])
        self._arm(Key((begin_s + load_s) / 2, half_value))
        self._arm(Key.rest(load_s, load_value))
        if lead < -start_s - 0.03:
            self._arm(Key.rest(at - lead, load_value))
        self._arm(Key(at, value, velocity, 0.0))
        finish = between(
            contact.arm, finish_arm(self.figure, swing.shape), swing.dials.follow_share
        )
        end_s = self._follow_s(contact.arm, finish, upper_rate)
        finish_value = _flat(finish.upper, finish.hinge, finish.angles_rad[:2])
        self._arm(Key.rest(at + end_s, finish_value))
        self._arm(Key.rest(at + end_s + 0.10, finish_value))
        self._finish = finish, at + end_s + 0.10

    def _swing_wrist(self, swing: Swing, load: ArmKey, contact: ContactArm, release) -> None:
        at, (lag, lag_s, rates) = swing.contact_s, release
        finish, held_s = self._finish
        wrist = self._keys["wrist"]
        wrist.append(Key.rest(at + swing.shape.forward_s - 0.02, load.angles_rad[2:]))
        if swing.shape.backswing_share == 1.0:
            wrist.append(Key(at - lag_s, (lag, load.angles_rad[3]), (0.0, np.nan)))
        wrist.append(Key(at, contact.arm.angles_rad[2:], rates[2:]))
        # A wrist that has been released comes to a stop soon after contact.
        run_out = contact.arm.angles_rad[2:] + 0.35 * _WRIST_STOP_S * rates[2:]
        inside = np.clip(run_out, _LIMITS[2:, 0] + 0.1, _LIMITS[2:, 1] - 0.1)
        wrist.append(Key(at + _WRIST_STOP_S, inside, 0.0))
        wrist.append(Key.rest(held_s - 0.10, finish.angles_rad[2:]))
        wrist.append(Key.rest(held_s, finish.angles_rad[2:]))

    def _swing_other(self, swing: Swing) -> None:
        at, shape = swing.contact_s, swing.shape
        load, contact = (
            key_of(*pair, (20, -5, 0)) for pair in (shape.other_load, shape.other_contact)
        )
        self._other(at + shape.forward_s - 0.05, load, rest=True)
        self._other(at + 0.02, contact, rest=True)
        self._other(at + 0.30, contact, rest=True)
        if shape.two_handed:
            both = self._keys["both"]
            both.append(Key.rest(at - 0.62, 1.0))
            both.append(Key.rest(at + 0.42, 1.0))

    def _lead_s(self, load: ArmKey, contact: ArmKey, head_speed_mps: float) -> float:
        """Time before contact at which the arm starts off the chest.

        A minimum-jerk start from rest covers about 0.4 of speed times time, so this lead lets the
        head's speed rise until contact.
        """
        ends = [
            face_from_shoulder(self.figure, arm, grip=self.grip, paddle=self.paddle)
            for arm in (load, contact)
        ]
        way = float(np.linalg.norm(ends[1] - ends[0]))
        return float(np.clip(way / (0.4 * head_speed_mps), 0.14, 0.40))

    @staticmethod
    def _follow_s(contact: ArmKey, finish: ArmKey, upper_rate: np.ndarray) -> float:
        angle = np.arccos(np.clip(finish.upper @ contact.upper, -1, 1))
        speed = max(float(np.linalg.norm(upper_rate)), 1.0)
        return float(np.clip(2.4 * angle / speed, 0.22, 0.45))


def _flat(*parts: np.ndarray) -> np.ndarray:
    return np.concatenate([np.atleast_1d(p) for p in parts])


def _arm_state(values: np.ndarray, angles_rad: np.ndarray) -> ArmState:
    upper = unit(values[:, :3])
    hinge = values[:, 3:6] - np.sum(values[:, 3:6] * upper, -1, keepdims=True) * upper
    return ArmState(upper, unit(hinge), _inside(angles_rad))


def _inside(angles_rad: np.ndarray) -> np.ndarray:
    """(T, 4) angles of elbow and wrist drawn smoothly into their joints' ranges."""
    low, high = _LIMITS[:, 0], _LIMITS[:, 1]
    raised = low + _SOFT_RAD * np.logaddexp(0.0, (angles_rad - low) / _SOFT_RAD)
    return high - _SOFT_RAD * np.logaddexp(0.0, (high - raised) / _SOFT_RAD)
