"""The shape of each kind of swing: everything that no dial sets.

Directions are those of a right-handed player who faces the net: x right, y to the net, z up; the
lateral part of a shape is negated for a backhand. Shapes come from watching the sport (common
practice, no source).
"""

from dataclasses import dataclass

__all__ = ["SHAPES", "Shape", "Vector", "Wrist"]

Vector = tuple[float, float, float]
Wrist = tuple[float, float, float]
"""Pronation, flexion and deviation in degrees."""


@dataclass(frozen=True)
class Shape:
    """The parts of a swing that no dial sets, for one action and side.

    Attributes
    ----------
    forearm_load
        Direction of the forearm at load.
    wrist_load, wrist_contact, wrist_finish
        Wrist angles; at contact only a preference.
    finish_wrist
        Hitting wrist at the finish from the hitting shoulder in the chest's axes, arm lengths.
    finish_elbow
        Side to which the elbow points then, chest's axes.
    tip_deg
        Preferred rise of the paddle's tip about the face normal at contact.
    other_load, other_contact
        Upper arm and forearm directions of the other arm, chest's axes of a right arm.
    forward_s
        Start of the hips' forward turn, before contact.
    stance
        Rear and front foot from the middle of the stance (x, y, yaw in degrees), body scale 1.75 m.
    two_handed
        True when the other hand stays on the handle.
    weight_forward_m
        Travel of the pelvis to the net from load to after contact.
    backswing_share
        Share of the way from contact back to the load pose that is carried out.
    """

    forearm_load: Vector
    wrist_load: Wrist
    wrist_contact: Wrist
    finish_wrist: Vector
    finish_elbow: Vector
    wrist_finish: Wrist
    tip_deg: float = -16.0
    other_load: tuple[Vector, Vector] = ((-0.1, 0.75, -0.5), (-0.35, 0.9, 0.1))
    other_contact: tuple[Vector, Vector] = ((0.45, 0.1, -0.85), (-0.35, 0.55, 0.75))
    forward_s: float = -0.30
    stance: tuple[Vector, Vector] = ((0.30, -0.20, -60.0), (-0.20, 0.16, -25.0))
    two_handed: bool = False
    weight_forward_m: float = 0.16
    backswing_share: float = 1.0


_OPEN_BACKHAND = ((-0.28, -0.22, 65.0), (0.10, 0.20, 50.0))

SHAPES: dict[tuple[str, str], Shape] = {
    ("drive", "forehand"): Shape(
        forearm_load=(0.25, -0.75, 0.55),
        wrist_load=(20, -25, -8),
        wrist_contact=(5, -22, 6),
        finish_wrist=(-0.52, 0.42, 0.28),
        finish_elbow=(0.6, 0.8, 0.2),
        wrist_finish=(45, 10, 5),
    ),
    ("slice", "forehand"): Shape(
        forearm_load=(0.25, -0.35, 0.9),
        wrist_load=(-5, -30, -12),
        wrist_contact=(-5, -20, 2),
        finish_wrist=(-0.22, 0.82, -0.10),
        finish_elbow=(0.5, 0.0, -0.9),
        wrist_finish=(-20, -15, 5),
        forward_s=-0.30,
    ),
    ("drive", "backhand"): Shape(
        forearm_load=(0.35, -0.9, 0.2),
        wrist_load=(10, -5, -10),
        wrist_contact=(0, -10, 5),
        finish_wrist=(0.45, 0.55, 0.45),
        finish_elbow=(0.5, 0.1, -0.8),
        wrist_finish=(-30, -10, 5),
        other_load=((-0.05, 0.55, -0.8), (0.15, 0.95, -0.1)),
        other_contact=((0.75, -0.35, -0.6), (0.35, 0.3, -0.8)),
        stance=_OPEN_BACKHAND,
    ),
    ("slice", "backhand"): Shape(
        forearm_load=(0.45, -0.6, 0.65),
        wrist_load=(20, -25, -15),
        wrist_contact=(10, -20, 0),
        finish_wrist=(0.25, 0.85, -0.05),
        finish_elbow=(0.6, 0.0, -0.8),
        wrist_finish=(20, -15, 5),
        other_load=((-0.05, 0.55, -0.8), (0.1, 0.9, 0.2)),
        other_contact=((0.75, -0.45, -0.5), (0.55, -0.1, -0.8)),
        forward_s=-0.30,
        stance=_OPEN_BACKHAND,
    ),
    ("drive", "two-handed backhand"): Shape(
        forearm_load=(0.45, -0.85, 0.15),
        wrist_load=(5, -5, -5),
        wrist_contact=(5, -12, 6),
        finish_wrist=(0.12, 0.55, 0.42),
        finish_elbow=(0.8, 0.4, -0.2),
        wrist_finish=(-20, -20, 0),
        other_load=((0.25, 0.45, -0.85), (-0.25, 0.95, 0.0)),
        other_contact=((0.25, 0.5, -0.8), (-0.3, 0.9, 0.2)),
        stance=_OPEN_BACKHAND,
        two_handed=True,
    ),
    ("volley", "forehand"): Shape(
        forearm_load=(0.35, 0.45, 0.75),
        wrist_load=(0, -40, -10),
        wrist_contact=(0, -30, -5),
        finish_wrist=(-0.05, 0.85, -0.05),
        finish_elbow=(0.4, 0.0, -0.9),
        wrist_finish=(0, -25, 0),
        tip_deg=25,
        forward_s=-0.26,
        backswing_share=0.6,
        stance=((0.26, -0.05, -25.0), (-0.16, 0.22, -15.0)),
        weight_forward_m=0.10,
    ),
    ("volley", "backhand"): Shape(
        forearm_load=(0.45, 0.35, 0.7),
        wrist_load=(30, -30, -15),
        wrist_contact=(15, -25, -5),
        finish_wrist=(0.0, 0.88, -0.05),
        finish_elbow=(0.6, 0.1, -0.8),
        wrist_finish=(20, -25, 0),
        tip_deg=20,
        other_load=((-0.05, 0.55, -0.8), (0.05, 0.9, 0.4)),
        other_contact=((0.5, -0.1, -0.85), (0.1, 0.6, 0.2)),
        forward_s=-0.26,
        backswing_share=0.6,
        stance=((-0.22, -0.05, 30.0), (0.14, 0.20, 20.0)),
        weight_forward_m=0.10,
    ),
    ("dink", "forehand"): Shape(
        forearm_load=(0.3, 0.5, -0.65),
        wrist_load=(5, -35, 0),
        wrist_contact=(0, -28, 5),
        finish_wrist=(-0.15, 0.90, 0.05),
        finish_elbow=(0.5, 0.0, -0.9),
        wrist_finish=(0, -25, 5),
        tip_deg=-30,
        forward_s=-0.36,
        backswing_share=0.4,
        stance=((0.28, -0.02, -20.0), (-0.22, 0.12, -10.0)),
        weight_forward_m=0.06,
    ),
    ("dink", "backhand"): Shape(
        forearm_load=(0.4, 0.4, -0.6),
        wrist_load=(15, -25, 0),
        wrist_contact=(10, -15, 5),
        finish_wrist=(0.10, 0.90, 0.05),
        finish_elbow=(0.6, 0.0, -0.8),
        wrist_finish=(10, -15, 5),
        tip_deg=-25,
        other_contact=((0.5, -0.1, -0.85), (0.1, 0.6, 0.2)),
        forward_s=-0.36,
        backswing_share=0.4,
        stance=((-0.26, -0.02, 25.0), (0.2, 0.12, 10.0)),
        weight_forward_m=0.06,
    ),
    ("serve", "forehand"): Shape(
        forearm_load=(0.15, -0.8, -0.45),
        wrist_load=(10, -30, 5),
        wrist_contact=(0, -10, 10),
        finish_wrist=(-0.30, 0.72, 0.30),
        finish_elbow=(0.8, 0.6, -0.2),
        wrist_finish=(30, 10, 5),
        tip_deg=-48,
        other_load=((-0.35, 0.80, -0.50), (-0.50, 0.85, -0.10)),
        other_contact=((0.45, 0.2, -0.85), (-0.2, 0.7, 0.5)),
        forward_s=-0.30,
        stance=((0.18, -0.30, -55.0), (-0.12, 0.26, -20.0)),
        weight_forward_m=0.22,
    ),
    ("overhead", "forehand"): Shape(
        forearm_load=(0.25, -0.35, 0.8),
        wrist_load=(-20, -40, -10),
        wrist_contact=(15, -5, 10),
        finish_wrist=(-0.25, 0.70, -0.45),
        finish_elbow=(0.8, 0.2, -0.4),
        wrist_finish=(30, 10, 5),
        tip_deg=68,
        other_load=((0.2, 0.7, 0.6), (0.05, 0.6, 0.8)),
        other_contact=((0.35, 0.35, -0.85), (-0.4, 0.6, 0.5)),
        forward_s=-0.24,
        stance=((0.24, -0.26, -60.0), (-0.14, 0.20, -25.0)),
        weight_forward_m=0.18,
    ),
}
"""Shapes by action and side. Every two-handed stroke is a backhand."""
