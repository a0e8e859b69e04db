"""Whole strokes of bodies that were not trained on, filmed to check and to calibrate."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.rehearsal.bodies import BodySpec, make_body
from paddlebrief.sight.sides import settle_sides
from paddlebrief.turn.inputs import NEIGHBOUR_S, TurnInput, body_crop, frame_player, make_input
from paddlebrief.turn.training.backgrounds import Backgrounds
from paddlebrief.turn.training.placing import Placer, jittered
from paddlebrief.turn.training.poses import CONTACT_S, Moving, swing_motion
from paddlebrief.turn.training.samples import (
    camera_round,
    camera_view,
    label_of,
    pixels_of,
    random_fault,
    random_light,
)
from paddlebrief.turn.training.studio import Studio

__all__ = ["FilmedStroke", "film_stroke"]

_BEFORE_S, _AFTER_S = 0.95, 0.30
_SHUTTER_S = (1 / 1000, 1 / 250)
_RISE_M = (1.2, 3.2)


@dataclass(frozen=True, kw_only=True)
class FilmedStroke:
    """A stroke seen by a camera that stands still.

    Attributes
    ----------
    time_s
        (n,) from contact.
    inputs
        n inputs of the network.
    label
        (n, 17) as ``samples.LABELS``, each in its own line-of-sight frame.
    sight_rad
        (n,) heading of the line of sight in the court frame, anticlockwise from x.
    own_rad
        (n, 2) headings of hips and shoulders by the pose network's own points in space.
    height_px
        Median height of the player's landmarks.
    place
        ``"behind"``, ``"side"`` or ``"corner"``.
    hand
        ``"right"`` or ``"left"``.
    """

    time_s: np.ndarray
    inputs: list[TurnInput]
    label: np.ndarray
    sight_rad: np.ndarray
    own_rad: np.ndarray
    height_px: float
    place: str
    hand: str


def film_stroke(
    studio: Studio,
    backgrounds: Backgrounds,
    *,
    cast: Sequence[tuple[BodySpec, int]],
    placer: Placer,
    rng: np.random.Generator,
    height_px: tuple[float, float],
    rate_hz: float = 60.0,
) -> FilmedStroke | None:
    """Film a well-formed stroke from behind, the side or a corner; None if the body is missed.

    Parameters
    ----------
    height_px
        Lowest and highest height of the player in the picture.
    """
    spec, seed = cast[rng.integers(len(cast))]
    body = make_body(replace(spec, appearance=int(rng.integers(1 << 30))), seed)
    moving = swing_motion(body, rng, well_formed=True)
    place = ("behind", "side", "corner")[rng.integers(3)]
    step = round(NEIGHBOUR_S * rate_hz)
    times = np.arange(-round(_BEFORE_S * rate_hz) - step, round(_AFTER_S * rate_hz) + step + 1)
    times = times / rate_hz
    pictures, points_px, view, shot = _film(
        studio, backgrounds, moving, times, rng, (place, height_px)
    )
    poses, world = placer(pictures, [jittered(body_crop(p), rng) for p in points_px])
    if min(p.presence for p in poses) < 0.3:
        return None
    marks, _ = settle_sides(np.stack([p.landmarks_px for p in poses]), times)
    inputs, labels, sights = [], [], []
    joints, *_ = moving.place(times + CONTACT_S)
    for k in range(step, len(times) - step):
        framing = frame_player(marks[k], view)
        near = (k - step, k, k + step)
        inputs.append(
            make_input(
                [pictures[i] for i in near], [poses[i] for i in near],
                landmarks_px=marks[k], framing=framing,
            )
        )  # fmt: skip
        to_sight = framing.to_sight @ shot.rotation
        labels.append(label_of(body, joints[k], to_sight))
        sights.append(np.arctan2(to_sight[1, 1], to_sight[1, 0]))
    inner = slice(step, len(times) - step)
    return FilmedStroke(
        time_s=times[inner],
        inputs=inputs,
        label=np.stack(labels),
        sight_rad=np.array(sights),
        own_rad=own_headings(world[inner]),
        height_px=float(np.median(np.ptp(points_px[..., 1], axis=1))),
        place=place,
        hand=moving.hand,
    )


def own_headings(world_m: np.ndarray) -> np.ndarray:
    """(n, 2) headings of hips and shoulders from (n, 33, 3) points, camera taken as level."""
    lines = world_m[:, [24, 12]] - world_m[:, [23, 11]]
    return np.arctan2(lines[..., 2], lines[..., 0])


def _film(studio, backgrounds, moving: Moving, times, rng, wish):
    place, height_px = wish
    everywhere = moving.place(times + CONTACT_S)
    side = rng.choice([-1, 1])
    off = {"behind": 0.0, "side": 90.0, "corner": 45.0}[place] * side + rng.uniform(-12, 12)
    around = np.radians(-90.0 + off)  # the player faces +y: a camera behind stands towards −y
    height = float(rng.uniform(*height_px))
    shot, full, focal = camera_round(
        everywhere[0], everywhere[2], rng, around=around, rise_m=_RISE_M, height_px=height,
        roll_deg=float(rng.normal(0, 1)),
    )  # fmt: skip
    shutter = float(rng.uniform(*_SHUTTER_S))
    light, behind = random_light(rng), backgrounds.cut(shot.size_px, rng)
    fault = random_fault(rng, actor_px=height, bars=False)
    actor = studio.actor(moving.body, rng, racket=False)
    pictures = []
    for t in times:
        inside = t + CONTACT_S + np.linspace(-0.5, 0.5, 3) * shutter
        moments = moving.place(inside)
        picture = studio.expose(actor, moments=moments, shot=shot, light=light, behind=behind)
        pictures.append(picture)
    pictures = [fault(p()) for p in pictures]
    points = moving.body.landmarks(everywhere[0], everywhere[1])
    view = camera_view(shot, full, focal, known=True, rng=rng)
    return pictures, pixels_of(points, shot), view, shot
