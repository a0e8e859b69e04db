"""Turn of hips and shoulders in the horizontal plane, and the separation between them.

Video cannot build the anatomical axes: what is measured is the line through the hip joints and
the line through the shoulder joints (FACTS of the body: ISB recommendations, Wu et al. 2002 and
2005). Separation is shoulder turn minus hip turn (Cheetham 2001).
"""

from collections.abc import Callable

import numpy as np

from paddlebrief.mechanics.arm import ARM_MEASURES
from paddlebrief.mechanics.body_view import BodyView, stated
from paddlebrief.mechanics.chain import CHAIN_MEASURES
from paddlebrief.records import FrameOfReference, Measure

__all__ = [
    "BODY_MEASURES",
    "body_measures",
    "hip_turn",
    "separation_at_load",
    "separation_stretch",
    "shoulder_turn",
]

MOST_SEPARATION_DEG = 80.0  # beyond what trunks twist (common practice, no source)
WIDEST_TURN_SD_DEG = 12.0
WIDEST_SEPARATION_SD_DEG = 10.0

COURT, GRAVITY = FrameOfReference.COURT, FrameOfReference.GRAVITY

LEAST_STRETCH_SD_DEG = 0.5
"""Where hips and shoulders only close after load, all draws agree on no stretch at all (a guess)."""


def hip_turn(view: BodyView) -> Measure:
    """Turn of the hip line at load from facing the net, positive to the hitting side, degrees."""
    return _turn_at_load(view, "hip")


def shoulder_turn(view: BodyView) -> Measure:
    """Turn of the shoulder line at load, as for the hips."""
    return _turn_at_load(view, "shoulder")


def _turn_at_load(view: BodyView, line: str) -> Measure:
    name = f"{line}_turn_deg"
    reason = view.without_turns
    if reason is None and view.turns.frame is not COURT:
        reason = "the court's lines were not found, so where the net lies is not known"
    if reason is None and not view.facing_known:
        reason = "the player's front and back could not be told apart"
    if reason is not None:
        return Measure.missing(name, "°", COURT, reason)
    curves, drawn = view.curves(*view.backswing), view.drawn(*view.backswing)
    sign = -view.hitting_side
    here = getattr(curves, line)[np.argmax(sign * curves.shoulder)]
    most = np.argmax(sign * drawn.shoulder, axis=1)[:, None]
    there = np.take_along_axis(getattr(drawn, line), most, axis=1)[:, 0]
    value = view.turn_rad(here) - sign * np.mean(there - here)
    return stated(
        name, np.degrees(value), np.degrees(np.std(there)), unit="°", frame=COURT,
        widest=WIDEST_TURN_SD_DEG,
    )  # fmt: skip


def separation_at_load(view: BodyView) -> Measure:
    """Greatest separation of the backswing, degrees; needs no court.

    The greatest value of a noisy curve lies too high: by as much as the greatest values of
    curves with the same noise put on top lie above it, which is taken off.
    """
    name = "separation_at_load_deg"
    if view.without_turns is not None:
        return Measure.missing(name, "°", GRAVITY, view.without_turns)
    curves, drawn = view.curves(*view.backswing), view.drawn(*view.backswing)
    sign = -view.hitting_side
    here = np.max(sign * curves.separation)
    there = np.max(sign * drawn.separation, axis=1)
    value = here - np.mean(there - here)
    if np.degrees(value) > MOST_SEPARATION_DEG:
        reason = "hips and shoulders were read further apart than a body turns"
        return Measure.missing(name, "°", view.turns.frame, reason)
    return stated(
        name, np.degrees(value), np.degrees(np.std(there)), unit="°", frame=view.turns.frame,
        widest=WIDEST_SEPARATION_SD_DEG,
    )  # fmt: skip


def separation_stretch(view: BodyView) -> Measure:
    """Greatest separation from load to contact beyond that at load, degrees."""
    name = "separation_stretch_deg"
    if view.without_turns is not None:
        return Measure.missing(name, "°", GRAVITY, view.without_turns)
    load_s = view.load[0]
    curves, drawn = view.curves(load_s, view.contact_s), view.drawn(load_s, view.contact_s)
    sign = -view.hitting_side
    here = _gain(sign * curves.separation)
    there = _gain(sign * drawn.separation)
    value = max(here - float(np.mean(there - here)), 0.0)
    sd_deg = max(np.degrees(np.std(there)), LEAST_STRETCH_SD_DEG)
    return stated(
        name, np.degrees(value), sd_deg, unit="°", frame=view.turns.frame,
        widest=WIDEST_SEPARATION_SD_DEG,
    )  # fmt: skip


def _gain(separation: np.ndarray) -> np.ndarray:
    return separation.max(axis=-1) - separation[..., 0]


BODY_MEASURES: tuple[Callable[[BodyView], Measure], ...] = (
    hip_turn,
    shoulder_turn,
    separation_at_load,
    separation_stretch,
    *ARM_MEASURES,
    *CHAIN_MEASURES,
)
"""In page order."""


def body_measures(view: BodyView) -> tuple[Measure, ...]:
    """Every measure of a stroke that the body in space gives, in page order."""
    return tuple(measure(view) for measure in BODY_MEASURES)
