"""One stroke around a contact: the track there, its phases, side and kind."""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from paddlebrief.records import FootageInfo, Handedness, Kind, Stroke, Track
from paddlebrief.sight import SightSettings, TrackParts
from paddlebrief.smoothing import smooth_paths
from paddlebrief.strokes.kind import HandPathKind, KindModel, decide_kind, path_features
from paddlebrief.strokes.settings import StrokeSettings
from paddlebrief.strokes.side import decide_side, forehand_probability, side_cues
from paddlebrief.strokes.swings import hand_motion, peak_speed_bhps, phases

__all__ = ["smoothed", "smoothed_window", "stroke_at"]

log = logging.getLogger(__name__)

MARGIN_S = 0.6  # of track kept beyond the phases on either side, s on court
GUESS_ERROR_BH = 0.08  # standard error of a hidden hand's guessed place, body heights


def smoothed_window(
    parts: TrackParts,
    person: int,
    *,
    start_s: float,
    end_s: float,
    contact_s: float,
    slow_factor: float,
    sight: SightSettings,
    keep_hidden: bool = False,
) -> Track:
    """One person's track between two presentation times, smoothed on either side of a contact;
    landmarks that the network calls hidden are missing, or kept as it guesses them."""
    track = parts.window(person, start_s, end_s)
    return smoothed(
        track, slow_factor=slow_factor, sight=sight, breaks_s=[contact_s], keep_hidden=keep_hidden
    )


def smoothed(
    track: Track,
    *,
    slow_factor: float,
    sight: SightSettings,
    breaks_s: Sequence[float] = (),
    keep_hidden: bool = False,
) -> Track:
    """The track smoothed between breaks (presentation times), hidden landmarks out or in."""
    shown = (track.visibility >= sight.min_visibility)[..., None] | keep_hidden
    seen = np.where(shown, track.landmarks_px, np.nan)
    smooth = smooth_paths(
        seen,
        track.time_s / slow_factor,
        cutoff_hz=sight.cutoff_hz,
        breaks_s=[b / slow_factor for b in breaks_s],
    )
    return replace(track, landmarks_px=smooth)


def stroke_at(
    info: FootageInfo,
    parts: TrackParts,
    *,
    person: int,
    hand: Handedness,
    contact_s: float,
    contact_s_sd: float,
    heard: bool,
    guessed: bool,
    settings: StrokeSettings,
    sight: SightSettings,
    model: KindModel | None = None,
) -> Stroke | None:
    """The stroke of a hand around a contact, numbered 0 and sure; None without a body to measure.

    Parameters
    ----------
    info, parts
        The recording and its tracks.
    person, hand
        Who hits, and with which hand.
    contact_s, contact_s_sd
        Presentation time of the contact and its standard uncertainty.
    heard
        Whether a sound tells the contact.
    guessed
        Whether the hand is hidden and its place a guess of the network's.
    settings, sight
        Settings of the stages whose rules are used.
    model
        Model of the kind; the hand-path model when None.
    """
    slow = info.slow_factor
    at = contact_s / slow
    track = smoothed_window(
        parts,
        person,
        start_s=contact_s - (settings.backswing_s + MARGIN_S) * slow,
        end_s=contact_s + (settings.finish_s + MARGIN_S) * slow,
        contact_s=contact_s,
        slow_factor=slow,
        sight=sight,
        keep_hidden=guessed,
    )
    motion = hand_motion(track, hand, slow_factor=slow)
    if motion is None:
        log.info("a swing at %.2f s has no measurable body and is left out", contact_s)
        return None
    load, forward, finish = phases(motion, at, settings)
    cues = side_cues(track, hand, load_s=load * slow, contact_s=contact_s)
    side, side_probability = decide_side(
        forehand_probability(cues), unsure_below=settings.unsure_below
    )
    features = path_features(
        track,
        hand,
        load_s=load * slow,
        contact_s=contact_s,
        after_s=(at + 0.15) * slow,
        speed_bhps=peak_speed_bhps(motion, at, settings),
        placement_error=GUESS_ERROR_BH if guessed else sight.placement_error,
    )
    kinds: Mapping[Kind, float] = (model or HandPathKind()).probabilities(features)
    return Stroke(
        number=0,
        person=person,
        player=str(person),
        hand=hand,
        side=side,
        side_probability=side_probability,
        kind=decide_kind(kinds, unsure_below=settings.unsure_below),
        kind_probabilities=kinds,
        load_s=load * slow,
        forward_s=forward * slow,
        contact_s=contact_s,
        contact_s_sd=contact_s_sd,
        finish_s=finish * slow,
        heard=heard,
        sure=True,
    )
