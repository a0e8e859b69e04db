"""Measures in the image plane: what a coach draws on a still, with its uncertainty.

They describe the picture, not the body in space: the same body looks different from another
side, and a line seen end-on has no usable angle. Each measure is one function of a
``StrokeView`` and returns a ``Measure``; ``IMAGE_MEASURES`` lists them in page order.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from paddlebrief.body import (
    UPPER_ARM_SHARE,
    body_height_px,
    hand_landmark,
    hip_centre_px,
    line_angle_deg,
    line_angle_sd_deg,
)
from paddlebrief.records import LANDMARKS, FrameOfReference, Measure, Stroke, Track
from paddlebrief.timing import frame_pair_sd_s

__all__ = ["IMAGE_MEASURES", "StrokeView", "measure_stroke"]

IMAGE = FrameOfReference.IMAGE
END_ON_SD_DEG = 20.0  # a line's angle less certain than this is not stated
UNSEEN = 0.2  # mean visibility from which a landmark counts as hidden
STOPPING_SD_S = 0.03  # a hand does not stop at one moment (a guess)
CONTACT_SPAN_S = 0.04  # half the stretch around contact over which direction and speed are taken


@dataclass(frozen=True, kw_only=True)
class StrokeView:
    """One stroke and its player's smoothed track around it.

    Attributes
    ----------
    stroke
        The stroke.
    track
        Smoothed on either side of the contact; presentation times.
    slow_factor
        Seconds of playback for one second on court.
    placement_error
        Standard error of a landmark's place that smoothing does not remove, body heights.
    frame_interval_s
        Time on court between two frames.
    """

    stroke: Stroke
    track: Track
    slow_factor: float
    placement_error: float
    frame_interval_s: float

    @property
    def height_px(self) -> float:
        return body_height_px(self.track)

    def at(self, name: str, time_s: float) -> np.ndarray:
        """(2,) place of a landmark at a presentation time, between frames; NaN when unseen."""
        path = self.track.point(name)
        known = np.isfinite(path).all(axis=1)
        inside = known.any() and (
            self.track.time_s[known][0] - 0.1 <= time_s <= self.track.time_s[known][-1] + 0.1
        )
        if not inside:
            return np.full(2, np.nan)
        time = self.track.time_s[known]
        return np.array([np.interp(time_s, time, path[known, axis]) for axis in (0, 1)])

    def seen(self, *names: str, time_s: float) -> bool:
        """Whether the named landmarks are in view near a presentation time."""
        near = np.abs(self.track.time_s - time_s) <= max(0.1, 2 * self.frame_interval_s)
        columns = [LANDMARKS.index(n) for n in names]
        return bool(near.any() and (self.track.visibility[near][:, columns].mean(0) > UNSEEN).all())

    def sd_px(self, *names: str) -> float:
        """Standard uncertainty of the named landmarks' coordinates, pixels, the largest."""
        noise = np.nanmax([self.track.noise_px[LANDMARKS.index(n)] for n in names])
        return float(np.hypot(np.nan_to_num(noise), self.placement_error * self.height_px))

    def on_hand(self, part: str) -> str:
        """Name of a landmark on the hitting side."""
        return LANDMARKS[hand_landmark(self.stroke.hand, part)]


def measure_stroke(view: StrokeView) -> tuple[Measure, ...]:
    """Every image-plane measure of a stroke, in page order."""
    return tuple(measure(view) for measure in IMAGE_MEASURES)


def _stated(name: str, value: float, sd: float, unit: str, *, shared_sd: float = 0.0) -> Measure:
    """A measure; none where the body's size, which everything here leans on, is not known."""
    if np.isfinite(value) and np.isfinite(sd):
        return Measure(
            name=name, value=value, sd=sd, shared_sd=min(shared_sd, sd), unit=unit, frame=IMAGE
        )
    return Measure.missing(
        name, unit, IMAGE, "trunk and legs were not seen whole around the stroke"
    )


def _line(view: StrokeView, part: str, time_s: float, name: str) -> Measure:
    ends = f"left_{part}", f"right_{part}"
    a, b = (view.at(end, time_s) for end in ends)
    if not np.isfinite([a, b]).all():
        return Measure.missing(name, "°", IMAGE, "the player was not found at that moment")
    if not view.seen(*ends, time_s=time_s):
        return Measure.missing(name, "°", IMAGE, f"the {part}s were hidden from the camera")
    sd = line_angle_sd_deg(a, b, view.sd_px(*ends))
    if sd > END_ON_SD_DEG:
        return Measure.missing(name, "°", IMAGE, f"the {part} line points at the camera")
    return _stated(name, line_angle_deg(a, b), sd, "°")


def hip_line_at_load(view: StrokeView) -> Measure:
    """Tilt of the line through the hips against the horizontal at load, degrees.

    Positive when the right-hand end in the picture is higher. Uncertainty √2·s over the length.
    """
    return _line(view, "hip", view.stroke.load_s, "hip_line_at_load_deg")


def shoulder_line_at_load(view: StrokeView) -> Measure:
    """Tilt of the line through the shoulders at load, as for the hips."""
    return _line(view, "shoulder", view.stroke.load_s, "shoulder_line_at_load_deg")


def hip_line_at_contact(view: StrokeView) -> Measure:
    """Tilt of the line through the hips at contact, as at load."""
    return _line(view, "hip", view.stroke.contact_s, "hip_line_at_contact_deg")


def shoulder_line_at_contact(view: StrokeView) -> Measure:
    """Tilt of the line through the shoulders at contact, as at load."""
    return _line(view, "shoulder", view.stroke.contact_s, "shoulder_line_at_contact_deg")


def _difference(shoulder: Measure, hip: Measure, name: str) -> Measure:
    for part in (shoulder, hip):
        if not part.measured:
            return Measure.missing(name, "°", IMAGE, part.reason)
    value = 90 - (90 - (shoulder.value - hip.value)) % 180
    return Measure(
        name=name, value=value, sd=float(np.hypot(shoulder.sd, hip.sd)), unit="°", frame=IMAGE
    )


def line_difference_at_load(view: StrokeView) -> Measure:
    """Shoulder line minus hip line at load, degrees in (−90, 90].

    A difference of two tilts in the picture; it is not the turn between trunk and pelvis.
    """
    return _difference(
        shoulder_line_at_load(view), hip_line_at_load(view), "line_difference_at_load_deg"
    )


def line_difference_at_contact(view: StrokeView) -> Measure:
    """Shoulder line minus hip line at contact, degrees in (−90, 90]."""
    return _difference(
        shoulder_line_at_contact(view), hip_line_at_contact(view), "line_difference_at_contact_deg"
    )


def elbow_height(view: StrokeView) -> Measure:
    """Height of the hitting elbow over the hitting shoulder at load, in upper-arm lengths.

    The upper arm is 0.186 body heights (Drillis & Contini 1966 as given by Winter; from memory),
    so that an arm that points at the camera does not stretch the scale.
    """
    name, unit = "elbow_height_image", "upper-arm lengths"
    joints = view.on_hand("elbow"), view.on_hand("shoulder")
    elbow, shoulder = (view.at(j, view.stroke.load_s) for j in joints)
    if not np.isfinite([elbow, shoulder]).all():
        return Measure.missing(name, unit, IMAGE, "the player was not found at the load")
    if not view.seen(*joints, time_s=view.stroke.load_s):
        return Measure.missing(name, unit, IMAGE, "the hitting arm was hidden from the camera")
    arm_px = UPPER_ARM_SHARE * view.height_px
    value = float(shoulder[1] - elbow[1]) / arm_px
    sd = float(np.sqrt(2)) * view.sd_px(*joints) / arm_px
    return _stated(name, value, sd, unit)


def _hand_velocity(view: StrokeView) -> tuple[np.ndarray, float] | None:
    """Mean velocity (2,) of the wrist just before contact, pixels per second on court, and its
    standard uncertainty per coordinate; None when the wrist is not seen there."""
    wrist = view.on_hand("wrist")
    span = max(CONTACT_SPAN_S, 1.5 * view.frame_interval_s) * view.slow_factor
    start, end = view.stroke.contact_s - 2 * span, view.stroke.contact_s
    a, b = view.at(wrist, start), view.at(wrist, end)
    if not np.isfinite([a, b]).all() or not view.seen(wrist, time_s=view.stroke.contact_s):
        return None
    elapsed = (end - start) / view.slow_factor
    # the placement error is common to both ends: only the noise changes a difference
    noise = view.track.noise_px[LANDMARKS.index(wrist)]
    return (b - a) / elapsed, float(np.sqrt(2) * max(np.nan_to_num(noise), 0.5) / elapsed)


def path_angle(view: StrokeView) -> Measure:
    """Direction of the hitting hand at contact against the horizontal of the picture, degrees.

    Positive rising. The horizontal part is its size whatever the side, so a hand that moves
    away from the camera looks steeper than it is.
    """
    name = "path_angle_image_deg"
    found = _hand_velocity(view)
    if found is None:
        return Measure.missing(name, "°", IMAGE, "the hitting hand was hidden at contact")
    velocity, sd = found
    speed = float(np.hypot(*velocity))
    # the direction also turns by its curvature times the uncertainty of the contact time
    turn = _turn_rate(view) * view.stroke.contact_s_sd / view.slow_factor
    angle_sd = float(np.degrees(np.hypot(sd / speed if speed else np.inf, turn)))
    if angle_sd > 2 * END_ON_SD_DEG:
        return Measure.missing(
            name, "°", IMAGE, "the hand turns too fast for the certainty of the contact time"
        )
    value = float(np.degrees(np.arctan2(-velocity[1], abs(velocity[0]))))
    return _stated(name, value, angle_sd, "°")


def _turn_rate(view: StrokeView) -> float:
    """Turning speed of the hand's direction in the 0.1 s before contact, rad/s."""
    wrist = view.track.point(view.on_hand("wrist"))
    time = view.track.time_s / view.slow_factor
    contact = view.stroke.contact_s / view.slow_factor
    near = (time >= contact - 0.1 - view.frame_interval_s) & (time <= contact)
    path = wrist[near & np.isfinite(wrist).all(axis=1)]
    if len(path) < 3:
        return np.inf
    step = np.diff(path, axis=0)
    heading = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    return float(np.abs(np.diff(heading)).mean() / view.frame_interval_s)


def hand_speed(view: StrokeView) -> Measure:
    """Speed of the hitting wrist in the picture just before contact, body heights a second.

    The part towards or away from the camera is not seen, so it is a lower bound of the speed.
    """
    name, unit = "hand_speed_bhps", "body heights/s"
    found = _hand_velocity(view)
    if found is None:
        return Measure.missing(name, unit, IMAGE, "the hitting hand was hidden at contact")
    velocity, sd = found
    value = float(np.hypot(*velocity)) / view.height_px
    size_sd = value * HEIGHT_SD_SHARE
    whole = float(np.hypot(sd / view.height_px, size_sd))
    return _stated(name, value, whole, unit, shared_sd=size_sd)


HEIGHT_SD_SHARE = 0.05
"""Standard error of the body height in pixels: how far segment shares differ between people
(a few per cent; common practice, no source). Of one player it is the same at every stroke."""


def contact_height(view: StrokeView) -> Measure:
    """Height of the hitting wrist over the hip centre at contact in the picture, body heights."""
    name, unit = "contact_height_image", "body heights"
    wrist_name = view.on_hand("wrist")
    wrist = view.at(wrist_name, view.stroke.contact_s)
    hips = (
        view.at("left_hip", view.stroke.contact_s) + view.at("right_hip", view.stroke.contact_s)
    ) / 2
    if not np.isfinite([wrist, hips]).all():
        return Measure.missing(name, unit, IMAGE, "the player was not found at contact")
    if not view.seen(wrist_name, time_s=view.stroke.contact_s):
        return Measure.missing(name, unit, IMAGE, "the hitting hand was hidden at contact")
    value = float(hips[1] - wrist[1]) / view.height_px
    found = _hand_velocity(view)
    rise = 0.0 if found is None else abs(found[0][1]) / view.height_px
    timing = rise * view.stroke.contact_s_sd / view.slow_factor
    placing = view.sd_px(wrist_name, "left_hip", "right_hip") * np.sqrt(1.5) / view.height_px
    size_sd = HEIGHT_SD_SHARE * abs(value)
    sd = float(np.sqrt(timing**2 + placing**2 + size_sd**2))
    return _stated(name, value, sd, unit, shared_sd=size_sd)


def follow_path(view: StrokeView) -> Measure:
    """Length of the hand's path against the hips from contact to the finish, body heights."""
    name, unit = "follow_path_image", "body heights"
    track, stroke = view.track, view.stroke
    inside = (track.time_s >= stroke.contact_s) & (track.time_s <= stroke.finish_s)
    wrist = track.point(view.on_hand("wrist")) - hip_centre_px(track)
    path = wrist[inside & np.isfinite(wrist).all(axis=1)]
    if len(path) < 3 or len(path) < 0.5 * inside.sum():
        return Measure.missing(name, unit, IMAGE, "the hitting hand was lost after contact")
    value = float(np.hypot(*np.diff(path, axis=0).T).sum()) / view.height_px
    noise = view.sd_px(view.on_hand("wrist")) / view.height_px
    found = _hand_velocity(view)
    speed = 0.0 if found is None else float(np.hypot(*found[0])) / view.height_px
    timing = speed * stroke.contact_s_sd / view.slow_factor
    size_sd = HEIGHT_SD_SHARE * value
    sd = float(np.sqrt(2 * noise**2 + timing**2 + size_sd**2))
    return _stated(name, value, sd, unit, shared_sd=size_sd)


def follow_time(view: StrokeView) -> Measure:
    """Time on court from contact until the hand comes to rest, seconds."""
    stroke, slow = view.stroke, view.slow_factor
    value = (stroke.finish_s - stroke.contact_s) / slow
    ends = frame_pair_sd_s(view.frame_interval_s), stroke.contact_s_sd / slow, STOPPING_SD_S
    sd = float(np.linalg.norm(ends))
    if value <= 0:
        return Measure.missing(
            "follow_time_s", "s", FrameOfReference.TIME, "the hand was at rest at contact"
        )
    return Measure(name="follow_time_s", value=value, sd=sd, unit="s", frame=FrameOfReference.TIME)


IMAGE_MEASURES: tuple[Callable[[StrokeView], Measure], ...] = (
    hip_line_at_load,
    shoulder_line_at_load,
    line_difference_at_load,
    hip_line_at_contact,
    shoulder_line_at_contact,
    line_difference_at_contact,
    elbow_height,
    contact_height,
    path_angle,
    hand_speed,
    follow_path,
    follow_time,
)
