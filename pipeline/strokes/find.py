"""The stage's verb: find the strokes of every player of a recording."""

import logging
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.ears import EarSettings, Impact, travel_s
from paddlebrief.records import FootageInfo, Handedness, Kind, Stroke, Track
from paddlebrief.sight import SightSettings, TrackParts
from paddlebrief.smoothing import smooth_paths
from paddlebrief.strokes.kind import HandPathKind, KindModel, decide_kind, path_features
from paddlebrief.strokes.settings import StrokeSettings
from paddlebrief.strokes.side import decide_side, forehand_probability, side_cues
from paddlebrief.strokes.swings import Swing, find_swings, hand_motion, phases
from paddlebrief.timing import frame_instant_sd_s

__all__ = ["StrokeSettings", "find_strokes", "smoothed_window"]

log = logging.getLogger(__name__)

MARGIN_S = 0.6  # of track kept beyond the phases on either side, s on court
SOUND_REACH_S = 0.15  # how far the hand's own timing may be from the sound, s on court


@dataclass(frozen=True, kw_only=True)
class _Contact:
    """A swing whose contact is settled, seconds on court."""

    person: int
    swing: Swing
    contact_s: float
    sd_s: float
    heard: bool


def find_strokes(
    info: FootageInfo,
    parts: TrackParts,
    *,
    impacts: Sequence[Impact],
    handedness: Mapping[int, Handedness],
    names: Mapping[int, str],
    settings: StrokeSettings,
    sight: SightSettings,
    ears: EarSettings,
    model: KindModel | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> list[Stroke]:
    """Strokes of a recording in order of contact; empty when nobody swings.

    Parameters
    ----------
    info, parts
        The recording and its tracks.
    impacts
        Impacts heard in it; may be empty.
    handedness
        Known hitting hands by person; others are told from their swings.
    names
        Player's name by person; people without a name are called by their number.
    settings, sight, ears
        Settings of the stages whose rules are used.
    model
        Model of the kind; the hand-path model when None.
    progress
        Called with the share done, 0 to 1.
    """
    model = model or HandPathKind()
    swings = _all_swings(info, parts, settings=settings, sight=sight)
    contacts = [
        contact
        for person, found in swings.items()
        for contact in _contacts(
            person,
            found,
            hand=handedness.get(person) or _hitting_hand(found),
            impacts=impacts,
            info=info,
            settings=settings,
            ears=ears,
        )
    ]
    contacts.sort(key=lambda c: c.contact_s)
    strokes = []
    for done, contact in enumerate(contacts):
        stroke = _stroke(
            contact,
            len(strokes) + 1,
            info,
            parts,
            names,
            settings=settings,
            sight=sight,
            model=model,
        )
        if stroke is not None:
            strokes.append(stroke)
        progress((done + 1) / len(contacts))
    return strokes


def smoothed_window(
    parts: TrackParts,
    person: int,
    *,
    start_s: float,
    end_s: float,
    contact_s: float,
    slow_factor: float,
    cutoff_hz: float,
) -> Track:
    """One person's track between two presentation times, smoothed on either side of a contact."""
    track = parts.window(person, start_s, end_s)
    smooth = smooth_paths(
        track.landmarks_px,
        track.time_s / slow_factor,
        cutoff_hz=cutoff_hz,
        breaks_s=[contact_s / slow_factor],
    )
    return replace(track, landmarks_px=smooth)


def _all_swings(
    info: FootageInfo, parts: TrackParts, *, settings: StrokeSettings, sight: SightSettings
) -> dict[int, list[Swing]]:
    swings: dict[int, list[Swing]] = defaultdict(list)
    for start_s, end_s, tracks in parts.overlapping():
        for track in tracks:
            time = track.time_s / info.slow_factor
            smooth = replace(
                track,
                landmarks_px=smooth_paths(track.landmarks_px, time, cutoff_hz=sight.cutoff_hz),
            )
            for hand in (Handedness.LEFT, Handedness.RIGHT):
                motion = hand_motion(smooth, hand, slow_factor=info.slow_factor)
                found = [] if motion is None else find_swings(motion, settings)
                swings[track.person] += [
                    s for s in found if start_s <= s.contact_s * info.slow_factor < end_s
                ]
    return swings


def _hitting_hand(swings: list[Swing]) -> Handedness:
    """The hand with more strength in the clear swings; right where there is nothing to tell."""
    total = {h: sum(s.strength**2 for s in swings if s.hand is h) for h in Handedness}
    return max((Handedness.RIGHT, Handedness.LEFT), key=total.__getitem__)


def _contacts(
    person: int,
    swings: list[Swing],
    *,
    hand: Handedness,
    impacts: Sequence[Impact],
    info: FootageInfo,
    settings: StrokeSettings,
    ears: EarSettings,
) -> list[_Contact]:
    own = [
        _settle(person, s, impacts=impacts, info=info, settings=settings, ears=ears)
        for s in swings
        if s.hand is hand
    ]
    strong = [
        c
        for c in own
        if c.swing.strength >= (settings.min_strength_heard if c.heard else settings.min_strength)
    ]
    chosen: list[_Contact] = []
    for contact in sorted(strong, key=lambda c: -c.swing.strength):
        if all(abs(contact.contact_s - c.contact_s) >= settings.stroke_apart_s for c in chosen):
            chosen.append(contact)
    return chosen


def _settle(
    person: int,
    swing: Swing,
    *,
    impacts: Sequence[Impact],
    info: FootageInfo,
    settings: StrokeSettings,
    ears: EarSettings,
) -> _Contact:
    """Time a swing by the nearest impact heard during it, else by the hand alone."""
    struck = np.array([i.heard_s / info.slow_factor - travel_s(ears.distance_m) for i in impacts])
    near = np.flatnonzero(np.abs(struck - swing.contact_s) <= SOUND_REACH_S)
    frame_sd = frame_instant_sd_s(info.frame_interval_s)
    if len(near):
        best = near[np.argmin(np.abs(struck[near] - swing.contact_s))]
        unknown_distance = travel_s(ears.distance_m) / 2
        sd = float(np.hypot(settings.heard_sd_s, unknown_distance))
        return _Contact(
            person=person, swing=swing, contact_s=float(struck[best]), sd_s=sd, heard=True
        )
    sd = float(np.sqrt(settings.unheard_sd_s**2 + frame_sd**2 + (swing.spread_s / 4) ** 2))
    return _Contact(person=person, swing=swing, contact_s=swing.contact_s, sd_s=sd, heard=False)


def _stroke(
    contact: _Contact,
    number: int,
    info: FootageInfo,
    parts: TrackParts,
    names: Mapping[int, str],
    *,
    settings: StrokeSettings,
    sight: SightSettings,
    model: KindModel,
) -> Stroke | None:
    slow, at = info.slow_factor, contact.contact_s
    hand = contact.swing.hand
    track = smoothed_window(
        parts,
        contact.person,
        start_s=(at - settings.backswing_s - MARGIN_S) * slow,
        end_s=(at + settings.finish_s + MARGIN_S) * slow,
        contact_s=at * slow,
        slow_factor=slow,
        cutoff_hz=sight.cutoff_hz,
    )
    motion = hand_motion(track, hand, slow_factor=slow)
    if motion is None:
        log.info("a swing at %.2f s has no measurable body and is left out", at * slow)
        return None
    load, forward, finish = phases(motion, at, settings)
    cues = side_cues(track, hand, load_s=load * slow, contact_s=at * slow)
    side, side_probability = decide_side(
        forehand_probability(cues), unsure_below=settings.unsure_below
    )
    features = path_features(
        track,
        hand,
        load_s=load * slow,
        contact_s=at * slow,
        after_s=(at + 0.15) * slow,
        speed_bhps=contact.swing.peak_bhps,
        placement_error=sight.placement_error,
    )
    kinds: Mapping[Kind, float] = model.probabilities(features)
    return Stroke(
        number=number,
        person=contact.person,
        player=names.get(contact.person, str(contact.person)),
        hand=hand,
        side=side,
        side_probability=side_probability,
        kind=decide_kind(kinds, unsure_below=settings.unsure_below),
        kind_probabilities=kinds,
        load_s=load * slow,
        forward_s=forward * slow,
        contact_s=at * slow,
        contact_s_sd=contact.sd_s * slow,
        finish_s=finish * slow,
        heard=contact.heard,
    )
